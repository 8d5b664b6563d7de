//! The state of the world in lanes, and the snapshot of one lane from which other runs fork.

use crate::lanes::{Lane, Mask, has, put};
use crate::plan::Plan;

/// Conserved contents of a store, in this order.
pub(crate) const SALT: usize = 0;
pub(crate) const HEAT: usize = 1;
pub(crate) const OXYGEN: usize = 2;
pub(crate) const ALKALINITY: usize = 3;
pub(crate) const CARBON: usize = 4;
pub(crate) const CALCIUM: usize = 5;
/// Number of contents.
pub(crate) const N_CONTENTS: usize = 6;

fn put_list<T, const N: usize>(out: &mut Vec<u8>, list: &[T], to_bytes: impl Fn(&T) -> [u8; N]) {
    out.extend((list.len() as u32).to_le_bytes());
    out.extend(list.iter().flat_map(to_bytes));
}

fn take_list<T, const N: usize>(rest: &mut &[u8], from_bytes: impl Fn([u8; N]) -> T) -> Option<Vec<T>> {
    let (length, after) = rest.split_first_chunk::<4>()?;
    let (list, after) = after.split_at_checked((u32::from_le_bytes(*length) as usize).checked_mul(N)?)?;
    *rest = after;
    Some(list.as_chunks::<N>().0.iter().map(|bytes| from_bytes(*bytes)).collect())
}

macro_rules! state {
    (numbers { $($(#[$nd:meta])* $n:ident),* $(,)? } masks { $($(#[$md:meta])* $m:ident),* $(,)? } codes { $($(#[$cd:meta])* $c:ident),* $(,)? }) => {
        /// State of `L` runs side by side.
        #[derive(Clone, Debug)]
        pub(crate) struct State<const L: usize> {
            $($(#[$nd])* pub $n: Vec<Lane<L>>,)*
            $($(#[$md])* pub $m: Vec<Mask>,)*
            $($(#[$cd])* pub $c: Vec<[i32; L]>,)*
            /// Scans done since the start.
            pub scan: u64,
        }

        /// State of one run, to fork others from.
        #[derive(Clone, Debug, PartialEq)]
        pub struct Snapshot {
            $(pub(crate) $n: Vec<f64>,)*
            $($m: Vec<bool>,)*
            $($c: Vec<i32>,)*
            /// Scans done since the start.
            pub scan: u64,
        }

        impl Snapshot {
            /// Whether it is of the same system, as far as its shape tells.
            pub fn is_like(&self, other: &Snapshot) -> bool {
                true $(&& self.$n.len() == other.$n.len())* $(&& self.$m.len() == other.$m.len())*
                    $(&& self.$c.len() == other.$c.len())*
            }

            /// As bytes: each list with its length in front, the scan last; little-endian.
            pub fn to_bytes(&self) -> Vec<u8> {
                let mut out = vec![];
                $(put_list(&mut out, &self.$n, |x| x.to_le_bytes());)*
                $(put_list(&mut out, &self.$m, |x| [u8::from(*x)]);)*
                $(put_list(&mut out, &self.$c, |x| x.to_le_bytes());)*
                out.extend(self.scan.to_le_bytes());
                out
            }

            /// From what [`Snapshot::to_bytes`] gave; `None` for anything else.
            pub fn from_bytes(bytes: &[u8]) -> Option<Snapshot> {
                let mut rest = bytes;
                let snapshot = Snapshot {
                    $($n: take_list(&mut rest, f64::from_le_bytes)?,)*
                    $($m: take_list(&mut rest, |[x]: [u8; 1]| x != 0)?,)*
                    $($c: take_list(&mut rest, i32::from_le_bytes)?,)*
                    scan: u64::from_le_bytes(rest.try_into().ok()?),
                };
                Some(snapshot)
            }
        }

        impl<const L: usize> State<L> {
            /// Copies one lane out.
            pub fn lane(&self, l: usize) -> Snapshot {
                Snapshot {
                    $($n: self.$n.iter().map(|x| x[l]).collect(),)*
                    $($m: self.$m.iter().map(|&x| has(x, l)).collect(),)*
                    $($c: self.$c.iter().map(|x| x[l]).collect(),)*
                    scan: self.scan,
                }
            }

            /// Puts a snapshot into one lane. All lanes share the clock, so the snapshot's scan becomes everybody's.
            pub fn set_lane(&mut self, l: usize, from: &Snapshot) {
                $(for (x, &y) in self.$n.iter_mut().zip(&from.$n) { x[l] = y; })*
                $(for (x, &y) in self.$m.iter_mut().zip(&from.$m) { put(x, l, y); })*
                $(for (x, &y) in self.$c.iter_mut().zip(&from.$c) { x[l] = y; })*
                self.scan = from.scan;
            }
        }
    };
}

state! {
    numbers {
        /// By vessel: m³.
        volume,
        /// By vessel: elevation of the surface, m, and open area, m².
        surface,
        area,
        /// By hold: water in the pipe, m³.
        held,
        /// By store (vessels, then holds) times [`N_CONTENTS`]: kg, J over 0 °C, mol, mol, mol, mol.
        content,
        /// By pass: m³ taken and given since the last slow step.
        taken,
        given,
        /// By pass: m³ taken and given in each step while the lane is calm.
        flow_taken,
        flow_given,
        /// One: steps that a calm lane's volumes and sums do not hold yet.
        owed,
        /// By pass: m³ run back out of the pipe onto the floor since the last slow step.
        run_off,
        /// By vessel: J put in by gear since the last slow step.
        gear_heat,
        /// By actuator: s run since the last slow step (times duty), and scans times permille of duty not yet in it. The latter are
        /// whole numbers, so that it does not matter when they are added up.
        run_time,
        run_permille,
        /// By actuator: s run since the start.
        run_total,
        /// By vessel: °C, updated in the slow step.
        temperature,
        /// By vessel, updated in the rate step: W/m² of heat lost for each kPa (still air), kPa over the water less the air's, kPa
        /// each K (psychrometric), J/m³ of water evaporated.
        vapour_gap,
        air_temperature,
        latent,
        gamma,
        /// By vessel, updated in the rate step: oxygen at saturation, mol/m³; CO2 driving force, mol/m³; temperature factor of kLa.
        oxygen_saturation,
        carbon_gap,
        exchange_factor,
        /// By vessel: hydrogen ion on the total scale, mol/kg (warm start), pH NBS, density, practical salinity, saturation state.
        hydrogen,
        /// By vessel: temperature and salinity at which the equilibrium constants were last taken.
        constants_at_c,
        constants_at_salinity,
        ph_nbs,
        density,
        salinity,
        omega,
        /// By air space: vapour pressure, Pa, and temperature, °C.
        space_vapour,
        space_temperature,
        /// One: room temperature, °C; share of the way to the unheated room.
        room_temperature,
        room_fall,
        /// By sensor: lagged value in its SI unit, and the raw code before noise and rounding.
        lagged,
        ideal,
        /// By supply: energy left in a battery, J.
        energy,
        /// One each: m³ spilled over rims and leaks; wet time.
        spilled,
        /// By actuator: effective drive, 0..1, and its target.
        drive,
        /// Largest saturation state seen anywhere in tank water.
        worst_omega,
        /// Boundary flows: m³ evaporated, m³ carried away, kg salt lost with spilled and carried water, J in from gear, J out through
        /// walls, surfaces and with lost water, m³ given in by hand.
        ledger,
    }
    masks {
        /// By primed line.
        primed,
        /// By sensor: a float stands above.
        above,
        /// By supply: alive.
        alive,
        /// By actuator: last commanded contact, own thermostat open, seized, running.
        commanded,
        dial_open,
        seized,
        running,
        /// By actuator: energised while bare or dry.
        bare,
        /// One: no level moves; the kept flows hold until something changes.
        calm,
        /// One: was calm until this slow step.
        resting,
        /// One: the room's heating is without mains.
        cold_house,
    }
    codes {
        /// By sensor: last raw code.
        code,
        /// By actuator: last commanded duty, permille, and starts so far.
        duty,
        starts,
    }
}

/// Entries of the ledger.
pub(crate) mod ledger {
    pub const EVAPORATED: usize = 0;
    pub const CARRIED: usize = 1;
    pub const SALT_LOST: usize = 2;
    pub const HEAT_FROM_GEAR: usize = 3;
    pub const HEAT_LOST: usize = 4;
    pub const N: usize = 5;
}

impl<const L: usize> State<L> {
    pub(crate) fn zero(plan: &Plan) -> Self {
        let system = &plan.system;
        let (nv, np) = (plan.nodes.len(), plan.passes.len());
        let (ns, na) = (system.sensors.len(), system.actuators.len());
        let spaces = system.air_spaces.len();
        let zeros = |n: usize| vec![[0.0; L]; n];
        State {
            volume: zeros(nv),
            surface: zeros(nv),
            area: zeros(nv),
            held: zeros(plan.n_holds),
            content: zeros((nv + plan.n_holds) * N_CONTENTS),
            taken: zeros(np),
            given: zeros(np),
            run_off: zeros(np),
            flow_taken: zeros(np),
            owed: zeros(1),
            flow_given: zeros(np),
            gear_heat: zeros(nv),
            run_time: zeros(na),
            run_permille: zeros(na),
            run_total: zeros(na),
            temperature: zeros(nv),
            vapour_gap: zeros(nv),
            air_temperature: zeros(nv),
            latent: zeros(nv),
            gamma: zeros(nv),
            oxygen_saturation: zeros(nv),
            carbon_gap: zeros(nv),
            exchange_factor: zeros(nv),
            hydrogen: zeros(nv),
            constants_at_c: zeros(nv),
            constants_at_salinity: zeros(nv),
            ph_nbs: zeros(nv),
            density: zeros(nv),
            salinity: zeros(nv),
            omega: zeros(nv),
            space_vapour: zeros(spaces),
            space_temperature: zeros(spaces),
            room_temperature: zeros(1),
            room_fall: zeros(1),
            lagged: zeros(ns),
            ideal: zeros(ns),
            energy: zeros(system.supplies.len()),
            spilled: zeros(1),
            drive: zeros(na),
            worst_omega: zeros(1),
            ledger: zeros(ledger::N),
            primed: vec![0; plan.n_primed],
            above: vec![0; ns],
            alive: vec![0; system.supplies.len()],
            commanded: vec![0; na],
            dial_open: vec![0; na],
            seized: vec![0; na],
            running: vec![0; na],
            bare: vec![0; na],
            calm: vec![0; 1],
            resting: vec![0; 1],
            cold_house: vec![0; 1],
            code: vec![[0; L]; ns],
            duty: vec![[0; L]; na],
            starts: vec![[0; L]; na],
            scan: 0,
        }
    }
}

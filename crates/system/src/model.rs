//! The resolved system: what every later stage reads. References are indices, quantities are SI, signals are interned.
//!
//! Contract: a [`System`] only comes out of [`crate::load`] (or its edits), so every index points at something, every
//! size is positive where it must be, and names are unique: vessels, air spaces, passages, supplies, boards, actuators, sensors,
//! signals and procedures share one set of names; climates, corners, alarms and requirements have one each. Later stages index
//! without checking.
//!
//! Units of plain `f64` fields: m, m², m³, s, °C (absolute temperature), K (differences), W, J, kg, m³/s, A, V; anything else
//! carries its unit in the field's name.

use crate::expr::{Condition, Stl};

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
        pub struct $name(pub usize);
        impl $name {
            /// The position in the list of the [`System`] that it points into.
            pub fn idx(self) -> usize { self.0 }
        }
    )*};
}
index!(
    /// Into [`System::vessels`].
    VesselIdx,
    /// Into [`System::passages`].
    PassageIdx,
    /// Into [`System::supplies`].
    SupplyIdx,
    /// Into [`System::actuators`].
    ActuatorIdx,
    /// Into [`System::sensors`].
    SensorIdx,
    /// Into [`System::signals`].
    SignalIdx,
    /// Into [`System::rules`].
    RuleIdx,
    /// Into [`System::procedures`].
    ProcedureIdx,
    /// Into [`System::alarms`].
    AlarmIdx,
    /// Into [`System::requirements`].
    RequirementIdx,
    /// Into [`System::climates`].
    ClimateIdx,
    /// Into [`System::air_spaces`].
    AirIdx,
    /// Into [`System::truths`].
    TruthIdx,
    /// Into [`System::boards`].
    BoardIdx,
);

/// Everything that one system file says, resolved.
#[derive(Clone, PartialEq, Debug)]
pub struct System {
    /// Name of the system, for titles.
    pub name: String,
    /// Mains voltage, V (230 or 120 usually). None when the file has no `[system] mains`.
    pub mains_volts: Option<f64>,
    /// POSIX TZ string of the place.
    pub timezone: String,
    /// Scan period, ms (250..=10_000).
    pub scan_ms: u32,
    /// How long nobody is there, s.
    pub unattended_s: f64,
    /// How long a person takes to be there after an alarm, by hour and day.
    pub response: Response,
    /// How an alarm reaches a person.
    pub telling: Telling,
    /// Room climates by name; the first is the nominal one.
    pub climates: Vec<Climate>,
    /// Water at the start, and what the livestock takes from it.
    pub water: Water,
    /// Oxygen demand and its kind. None: the oxygen and pH findings are left out.
    pub livestock: Option<Livestock>,
    /// Water holders, in file order.
    pub vessels: Vec<Vessel>,
    /// Bounded air over water (a hood, a cabinet).
    pub air_spaces: Vec<AirSpace>,
    /// Ways of the water.
    pub passages: Vec<Passage>,
    /// Circuits, rails, batteries, relay cards, bus branches, expanders: each one fault that fails all of its parts.
    pub supplies: Vec<Supply>,
    /// Boards. The first runs the rules.
    pub boards: Vec<Board>,
    /// What stands on the first board's pins and buses, as far as the file fixes it.
    pub wiring: crate::wiring::Wiring,
    /// How things are fitted electrically: cables, cards, connectors, the enclosure.
    pub electrics: crate::electrics::Electrics,
    /// Text display, remote and buzzer.
    pub panel: crate::panel::Panel,
    /// What outputs drive, and loads that run without a rule.
    pub actuators: Vec<Actuator>,
    /// Measuring parts.
    pub sensors: Vec<Sensor>,
    /// All values that rules can see, interned: sensors, actuator states, derived signals, then trips, running procedures and the
    /// first scan. A derived signal stands behind every other derived signal that it reads, so one pass in this order computes all.
    pub signals: Vec<Signal>,
    /// Control rules, at most one for each actuator.
    pub rules: Vec<Rule>,
    /// Operator's sequences.
    pub procedures: Vec<Procedure>,
    /// Alarms that the program raises.
    pub alarms: Vec<Alarm>,
    /// True quantities that requirements speak about, interned.
    pub truths: Vec<Truth>,
    /// What must hold for the animals and the house.
    pub requirements: Vec<Requirement>,
    /// What a log of the tank says of its parameters; 1 where it says nothing.
    pub fitted: Factors,
    /// Named corners of the uncertain parameters, at most four. Nominal is not in the list.
    pub corners: Vec<Corner>,
    /// Risks the aquarist accepts, each with its reason.
    pub accepted: Vec<Accepted>,
    /// The bund under the stand that catches a leak. None: every litre is on the floor.
    pub bund: Option<Bund>,
    /// What the file marks as assumed, for the report.
    pub assumptions: Vec<String>,
    /// Floor at which all heights start, for drawings; free text.
    pub notes: Vec<String>,
    /// Place in the file of each named thing, for findings of later stages.
    pub places: crate::places::Places,
    /// The parts that the file was read with: figures and failure modes.
    pub library: std::sync::Arc<crate::parts::Library>,
}

/// How long a person takes from the alarm to the tank, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// By day (08:00-20:00) on a working day.
    pub day_s: f64,
    /// By night.
    pub night_s: f64,
    /// During the unattended time. The FMEA compares with this one.
    pub weekend_s: f64,
}

/// The path from an alarm to a person.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Telling {
    /// What feeds the router and the station: while it is dead no message leaves.
    pub supply: Option<SupplyIdx>,
    /// Actuator of the file that is the router or its switch: while it does not run no message leaves.
    pub through: Option<ActuatorIdx>,
    /// Somebody outside notices when no message came for so long, s. None: silence goes unnoticed.
    pub heartbeat_s: Option<f64>,
    /// Lowest priority that is told to a person who is away.
    pub from_priority: Priority,
}

/// Air of the room around the stand by day and night.
#[derive(Clone, PartialEq, Debug)]
pub struct Climate {
    /// Name, e.g. `winter_setback`.
    pub name: String,
    /// Warmest hour (15:00 local), °C.
    pub day_c: f64,
    /// Coldest hour (03:00 local), °C. Between them a cosine.
    pub night_c: f64,
    /// Relative humidity, 0..1.
    pub humidity: f64,
    /// Dry mole fraction of CO2, ppm.
    pub co2_ppm: f64,
    /// What the room falls to when the mains are out for long (heating dead), °C; and its time constant, s.
    pub without_mains: Option<(f64, f64)>,
}

/// State of the water at the start.
#[derive(Clone, PartialEq, Debug)]
pub struct Water {
    /// °C.
    pub temperature_c: f64,
    /// Practical salinity.
    pub salinity: f64,
    /// Alkalinity, meq/L.
    pub alkalinity_meq_l: f64,
    /// Calcium, mg/L.
    pub calcium_mg_l: f64,
    /// pH on the NBS scale at the start; None: in equilibrium with the room air.
    pub ph_nbs: Option<f64>,
    /// Alkalinity the corals take, meq/L/day of the whole system's water.
    pub consumption_meq_l_day: f64,
}

/// What breathes.
#[derive(Clone, PartialEq, Debug)]
pub struct Livestock {
    /// Where it lives.
    pub vessel: VesselIdx,
    /// Fish, kg, and their demand in mg O2/kg/h.
    pub fish_kg: f64,
    /// Demand of the fish, mg O2 per kg and hour.
    pub fish_mg_kg_h: f64,
    /// Coral surface, cm².
    pub coral_cm2: f64,
    /// Dark respiration of the corals, µmol O2 per cm² and hour.
    pub coral_umol_cm2_h: f64,
    /// Rock, sand, everything else, mg O2 per hour.
    pub other_mg_h: f64,
    /// Gross photosynthesis in full light as a multiple of coral dark respiration.
    pub light_ratio: f64,
    /// Demand falls in proportion below this oxygen, mg/L (conformers below the critical level).
    pub critical_mg_l: f64,
}

/// Anything that holds water.
#[derive(Clone, PartialEq, Debug)]
pub struct Vessel {
    /// Unique name.
    pub name: String,
    /// What it is, for drawing, audit and FMEA.
    pub role: VesselRole,
    /// Inside length (along the drawing), depth (into the drawing), height, m. A cylinder has its side as length = depth.
    pub inside: [f64; 3],
    /// Wall thickness, m, and conductivity, W/m/K.
    pub wall_m: f64,
    /// Conductivity of the wall, W/m/K.
    pub wall_k: f64,
    /// Height of the inside floor over the cabinet floor, m.
    pub floor_m: f64,
    /// Horizontal area by height: `(from height, area)` steps, first at 0, rising; includes displacement by rock, boxes inside and
    /// baffle tops. Always positive.
    pub areas: Vec<(f64, f64)>,
    /// Level at the start, m above its own floor.
    pub start_level: f64,
    /// Below this nothing can be drawn, m.
    pub dead_level: f64,
    /// Highest level in normal use (reservoirs: the full mark), m.
    pub full_level: Option<f64>,
    /// Vessel that this one stands in (a weir box in a display): what spills goes there. None: spills to bund and floor.
    pub inside_of: Option<VesselIdx>,
    /// Name of the tank that this is a chamber of (chambers of one sump share it), for the drawing.
    pub chamber_of: Option<String>,
    /// Left edge in the drawing, m.
    pub x_m: f64,
    /// Air above it. None: the room.
    pub air: Option<AirIdx>,
    /// Fraction of the undisturbed evaporation of an open surface (1 open and ruffled, 0 sealed); handbook section 4.
    pub evaporation: f64,
    /// Still air speed over the water without fans, m/s.
    pub air_speed: f64,
    /// Exchange of gas of the still surface, m³/s of water brought to equilibrium (kLa·V).
    pub still_exchange: f64,
    /// Outer walls that see the room (0..1 of the perimeter), and whether the bottom is insulated.
    pub wall_share: f64,
    /// Bottom loses no heat.
    pub bottom_insulated: bool,
    /// What it holds at the start.
    pub holds: Contents,
}

/// What a vessel is.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum VesselRole {
    /// Animals live here.
    Display,
    /// Weir box, standpipe chamber.
    Box,
    /// Chamber of the sump.
    Sump,
    /// Fresh water for top-off.
    Reservoir,
    /// Saturated limewater.
    Lime,
    /// Anything else.
    Other,
}

/// What a vessel holds at the start.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Contents {
    /// The system's water.
    Tank,
    /// Fresh water at room temperature.
    Fresh,
    /// Limewater with this alkalinity, meq/L (saturated: 40.6 at 25 °C), at room temperature.
    Limewater(f64),
}

/// Bounded air over water.
#[derive(Clone, PartialEq, Debug)]
pub struct AirSpace {
    /// Name.
    pub name: String,
    /// m³.
    pub volume_m3: f64,
    /// Leakage to the room without fans, m³/s.
    pub leak_m3_s: f64,
}

/// Tray below the stand.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Bund {
    /// Length, depth, height inside, m.
    pub inside: [f64; 3],
}

impl Bund {
    /// Volume it catches, m³.
    pub fn volume(&self) -> f64 {
        self.inside[0] * self.inside[1] * self.inside[2]
    }
}

/// A way of the water between two vessels.
#[derive(Clone, PartialEq, Debug)]
pub struct Passage {
    /// Unique name.
    pub name: String,
    /// Where from.
    pub from: VesselIdx,
    /// Where to.
    pub to: VesselIdx,
    /// What it is.
    pub kind: PassageKind,
    /// Share of the flow that is brought to equilibrium with the air as it falls (0..1).
    pub aeration: f64,
}

/// Legs of a tee behind the first.
#[derive(Clone, PartialEq, Debug)]
pub struct Branch {
    /// Where to.
    pub to: VesselIdx,
    /// Height of the outlet in it, m above its floor.
    pub outlet: f64,
    /// The pipe of this leg alone.
    pub pipe: Pipe,
}

/// A round pipe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pipe {
    /// Inside diameter, m.
    pub bore: f64,
    /// m.
    pub length: f64,
    /// Sum of the fittings' loss coefficients, entry and exit included.
    pub fittings_k: f64,
}

impl Pipe {
    /// Volume of the full pipe, m³.
    pub fn volume(&self) -> f64 {
        core::f64::consts::FRAC_PI_4 * self.bore * self.bore * self.length
    }
}

/// Kinds of passage. Heights are above the floor of the vessel they are in.
#[derive(Clone, PartialEq, Debug)]
pub enum PassageKind {
    /// Overflow edge or comb; drowned from below when the other side is higher than the crest.
    Weir {
        /// Height in `from`.
        crest: f64,
        /// Effective width (sum of the gaps), m.
        width: f64,
        /// A comb rather than a plain edge.
        comb: bool,
    },
    /// Partition inside one tank, passed over its top. Its thickness adds area above the top.
    Baffle {
        /// Height in `from`.
        top: f64,
        /// m.
        width: f64,
        /// m.
        thickness: f64,
    },
    /// Hole or slot below the water between two vessels, both ways.
    Opening {
        /// Height of the centre in `from`.
        height: f64,
        /// m².
        area: f64,
    },
    /// Gravity drain: pipe inlet as overflow, hole, then full bore.
    Drain {
        /// Height of the inlet in `from`.
        inlet: f64,
        /// Trunk.
        pipe: Pipe,
        /// Height of the outlet in `to`.
        outlet: f64,
        /// Free share of the strainer's area (0..1], 1 without a strainer.
        strainer: f64,
        /// Further legs of a tee.
        branches: Vec<Branch>,
    },
    /// Filter sock between two compartments, or between a drain and the sump.
    Sock {
        /// Height of its rim in `from`; above it water goes over the edge.
        rim: f64,
        /// Clean: flow for one metre of head, m²/s (laminar in the felt).
        clean_m2_s: f64,
        /// Time in which half of it clogs, s. Infinite: never.
        half_life_s: f64,
    },
    /// Pump in `from`, pipe to `to`; flows back by siphon when stopped.
    Pumped {
        /// The pump.
        pump: ActuatorIdx,
        /// Head at zero flow, m.
        head0: f64,
        /// Flow at zero head, m³/s.
        flow0: f64,
        /// Height of the pump's intake in `from`: below it, dry.
        intake: f64,
        /// Trunk.
        pipe: Pipe,
        /// Height of the (lowest) outlet in `to`.
        outlet: f64,
        /// Height in `to` of the hole that breaks the siphon. None: the outlet itself.
        break_hole: Option<f64>,
        /// A check valve stops the flow back (until it leaks).
        check_valve: bool,
        /// Further legs of a tee.
        branches: Vec<Branch>,
    },
    /// Thin line of a dosing or top-off pump.
    Line {
        /// The pump.
        pump: ActuatorIdx,
        /// m³/s while it runs.
        flow: f64,
        /// Height of the suction end in `from`.
        intake: f64,
        /// Height of the end in `to` (may be above its rim).
        outlet: f64,
        /// Squeezes the tube shut when it stands still, so no siphon in either direction.
        occludes: bool,
        /// Bore of the tube, m; how fast a siphon would run.
        bore: f64,
        /// Length of the tube, m.
        length: f64,
    },
    /// Hose over an edge that once filled runs while its ends allow.
    Siphon {
        /// Height of its end in `from`.
        inlet: f64,
        /// Height of its end in `to`.
        outlet: f64,
        /// Hose.
        pipe: Pipe,
    },
}

/// A group of parts that fail together.
#[derive(Clone, PartialEq, Debug)]
pub struct Supply {
    /// Unique name.
    pub name: String,
    /// What it is.
    pub kind: SupplyKind,
    /// What feeds it. None: the house (mains kinds), or nothing.
    pub fed_by: Option<SupplyIdx>,
    /// Contactor in series that an actuator of the file operates (a master cut). Open: everything behind it is dead.
    pub through: Option<ActuatorIdx>,
}

/// Kinds of supply group.
#[derive(Clone, Debug, PartialEq)]
pub enum SupplyKind {
    /// Mains circuit with fuse and RCD.
    Circuit {
        /// Rated residual current, A.
        rcd_a: Option<f64>,
        /// Rated current, A.
        fuse_a: Option<f64>,
    },
    /// Low-voltage rail of a power supply.
    Rail {
        /// V.
        volts: f64,
        /// W.
        watts: Option<f64>,
    },
    /// Rail that a battery holds while what feeds it is dead.
    Battery {
        /// V.
        volts: f64,
        /// Rated energy, J.
        rated_j: f64,
        /// Usable energy when new, J.
        usable_j: f64,
    },
    /// Relay card: dead, every contact on it falls to its de-energised side.
    Card,
    /// Bus branch or expander: dead, its sensors read bad and its outputs hold.
    Bus,
}

/// A controller board.
#[derive(Clone, PartialEq, Debug)]
pub struct Board {
    /// Name.
    pub name: String,
    /// Chip part number.
    pub chip: String,
    /// What feeds it.
    pub supply: Option<SupplyIdx>,
    /// W, drawn from its supply.
    pub watts: f64,
    /// A watchdog resets a hung program within 2 s; without one a hang lasts.
    pub watchdog: bool,
    /// When it is dead or hung its outputs keep their last state instead of falling off.
    pub freezes: bool,
}

/// A part that is switched or always runs.
#[derive(Clone, PartialEq, Debug)]
pub struct Actuator {
    /// Unique name.
    pub name: String,
    /// What it is.
    pub kind: ActuatorKind,
    /// Part of the library; its failure modes and ratings.
    pub part: String,
    /// W while on.
    pub watts: f64,
    /// What feeds the load.
    pub supply: Option<SupplyIdx>,
    /// Card or bus that its contact sits on.
    pub switched_by: Option<SupplyIdx>,
    /// On while its coil or gate is dead (NC contact).
    pub on_when_dead: bool,
    /// No output: plugged in, runs whenever its supply lives.
    pub always: bool,
    /// Vessel whose water it heats, and the share of its watts that gets there.
    pub heats: Option<(VesselIdx, f64)>,
    /// Vessel it stands in.
    pub vessel: Option<VesselIdx>,
    /// Below this level in its vessel it is bare or dry, m.
    pub mark: Option<f64>,
    /// Own thermostat of a heater, °C. None: none, or turned to its maximum where it never acts.
    pub own_thermostat_c: Option<f64>,
    /// Floats wired in series with it in hardware; each stops it when the contact opens, whatever the board says.
    pub series: Vec<SensorIdx>,
    /// Moves the water of this vessel while on.
    pub moves: Option<VesselIdx>,
    /// Exchange of gas that it adds in its vessel, m³/s (kLa·V).
    pub exchange: f64,
    /// Vessel over which a fan blows, speed at the water, m/s, and air it draws from an air space, m³/s.
    pub blows: Option<Blow>,
    /// Lights this vessel (full light when its duty is 1).
    pub lights: Option<VesselIdx>,
    /// Time from command to full effect, s.
    pub delay_s: f64,
    /// Ports for duty: the output is 0..1 rather than on or off.
    pub modulated: bool,
    /// Collects skimmate or evaporates water to outside, m³/s while on (wet skimming).
    pub removes: f64,
    /// State signal seen by rules.
    pub signal: SignalIdx,
}

/// Air moved by a fan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blow {
    /// Over whose water.
    pub over: VesselIdx,
    /// m/s at the water.
    pub speed: f64,
    /// m³/s drawn through the air space of that vessel.
    pub draws_m3_s: f64,
}

/// Kinds of actuator; they decide the default failure modes and the names of their states.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum ActuatorKind {
    Pump,
    DosingPump,
    Heater,
    Fan,
    Light,
    Circulation,
    AirPump,
    Skimmer,
    Stirrer,
    Valve,
    Contactor,
    Buzzer,
    Other,
}

/// A measuring part.
#[derive(Clone, PartialEq, Debug)]
pub struct Sensor {
    /// Unique name; its signal has the same name.
    pub name: String,
    /// What it measures and how.
    pub kind: SensorKind,
    /// Part of the library.
    pub part: String,
    /// Vessel it is in.
    pub vessel: Option<VesselIdx>,
    /// Height of its tip above that vessel's floor, m: below the tip's level it reads room air.
    pub height: Option<f64>,
    /// What feeds it or carries its data.
    pub supply: Option<SupplyIdx>,
    /// First-order lag, s.
    pub lag_s: f64,
    /// Standard deviation of the noise, in the signal's SI unit.
    pub noise: f64,
    /// Constant error, in the signal's SI unit (from the part's tolerance: corners use ±).
    pub offset: f64,
    /// Its value is bad when older than this, s.
    pub max_age_s: f64,
    /// The signal that it gives.
    pub signal: SignalIdx,
    /// The voltage at the board, where the kind alone does not say it (level, conductivity, charge).
    pub volts: Volts,
    /// What stands between a pH electrode and the board.
    pub amplifier: Amplifier,
    /// Height of the transducer of a level by echo over level 0, m. None: a level by voltage.
    pub mounted: Option<f64>,
    /// Thermometer whose reading compensates it. None: the one that stands nearest, if any.
    pub temperature: Option<SensorIdx>,
}

impl Sensor {
    /// Full scale of the converter that it is reckoned with, V. None: it gives no voltage, or one in proportion to the supply.
    pub fn reference_v(&self) -> Option<f64> {
        match self.kind {
            SensorKind::Tmp36 { reference_v, .. } | SensorKind::Ph { reference_v } => Some(reference_v),
            SensorKind::Conductivity | SensorKind::Charge { .. } => Some(self.volts.reference_v),
            SensorKind::Level { .. } if self.mounted.is_none() => Some(self.volts.reference_v),
            _ => None,
        }
    }
}

/// Amplifier of a pH electrode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Amplifier {
    /// Output at 0 mV of the electrode (pH 7), V.
    pub midpoint_v: f64,
    /// Change of its output over that of the electrode; negative where it inverts.
    pub gain: f64,
}

/// A quantity as a voltage, linear between two points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Volts {
    /// Full scale of the board's converter, V.
    pub reference_v: f64,
    /// At 0, V.
    pub zero_v: f64,
    /// At `span`, V; not that at 0.
    pub full_v: f64,
    /// In the signal's SI unit.
    pub span: f64,
}

/// Kinds of sensor with the raw code they give (docs/control-program.md has the conversions).
#[derive(Clone, Debug, PartialEq)]
pub enum SensorKind {
    /// DS18B20: sixteenths of a degree.
    Ds18b20,
    /// TMP36 on an ADC: counts at `reference_v`, sum of `oversample` samples.
    Tmp36 {
        /// ADC reference, V.
        reference_v: f64,
        /// Number of samples added.
        oversample: u32,
    },
    /// NTC thermistor in a divider.
    Ntc {
        /// Beta, K.
        beta: f64,
        /// Resistance at 25 °C, ohm.
        r25: f64,
        /// Series resistor, ohm.
        series: f64,
    },
    /// pH amplifier on an ADC.
    Ph {
        /// ADC reference, V.
        reference_v: f64,
    },
    /// Conductivity amplifier.
    Conductivity,
    /// Continuous level (pressure or ultrasonic).
    Level {
        /// Step, m.
        resolution: f64,
    },
    /// Level contact with two switching heights.
    Float {
        /// Switches to "below" under this height, m.
        low: f64,
        /// Switches to "above" over this height, m.
        high: f64,
        /// The signal is true while the water is above (else: below).
        true_above: bool,
        /// The contact is closed while the water is above (else: below); an open wire reads as the opposite.
        closed_above: bool,
    },
    /// Moisture contact on the bund or floor.
    Leak,
    /// Flow meter giving pulses in a passage.
    Flow {
        /// Whose flow.
        passage: PassageIdx,
        /// Pulses for each litre.
        pulses_per_litre: f64,
    },
    /// Contact closed while a supply lives (mains present, rail present).
    Presence {
        /// Which.
        of: SupplyIdx,
    },
    /// Battery voltage as a charge estimate, 0..1.
    Charge {
        /// Which battery.
        of: SupplyIdx,
    },
    /// Room air temperature (DS18B20 in air).
    RoomTemperature,
    /// Door or push button: false unless a scenario says so.
    Button,
}

/// One value that rules can see.
#[derive(Clone, PartialEq, Debug)]
pub struct Signal {
    /// Name as written in conditions.
    pub name: String,
    /// Fixed scale of the integer on the board.
    pub scale: Scale,
    /// Lowest and highest integer it can have when its quality is good.
    pub range: (i32, i32),
    /// Where it comes from.
    pub source: SignalSource,
}

/// Integer scales of docs/control-program.md.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Scale {
    /// 0 or 1.
    Bool,
    /// m°C, absolute.
    MilliCelsius,
    /// mK, difference.
    MilliKelvin,
    /// Thousandths of a pH unit.
    MilliPh,
    /// µm of level.
    Micrometre,
    /// mL.
    Millilitre,
    /// mL/min.
    MillilitrePerMinute,
    /// ms.
    Millisecond,
    /// µS/cm.
    MicrosiemensPerCm,
    /// Thousandths of the whole.
    Permille,
    /// Plain count.
    Count,
    /// mK per hour (rates of temperature).
    MilliKelvinPerHour,
    /// Thousandths of a pH unit per hour.
    MilliPhPerHour,
    /// µm per hour.
    MicrometrePerHour,
}

/// Where a signal comes from.
#[derive(Clone, PartialEq, Debug)]
pub enum SignalSource {
    /// A sensor of the file.
    Sensor(SensorIdx),
    /// Commanded state of an actuator at the end of the last scan.
    Actuator(ActuatorIdx),
    /// The actuator's trip is latched.
    Tripped(ActuatorIdx),
    /// Computed each scan.
    Derived(Derived),
    /// A procedure is running.
    Running(ProcedureIdx),
    /// True only in the first scan after a reset.
    FirstScan,
}

/// Derived signals.
#[derive(Clone, PartialEq, Debug)]
pub enum Derived {
    /// First-order lag, time constant s.
    Lag {
        #[allow(missing_docs)]
        of: SignalIdx,
        #[allow(missing_docs)]
        time_s: f64,
    },
    /// `left - right`.
    Difference {
        #[allow(missing_docs)]
        left: SignalIdx,
        #[allow(missing_docs)]
        right: SignalIdx,
    },
    /// Change over a sliding window, per hour.
    Rate {
        #[allow(missing_docs)]
        of: SignalIdx,
        #[allow(missing_docs)]
        over_s: f64,
    },
    /// Boolean vote.
    Vote {
        /// Inputs.
        of: Vec<SignalIdx>,
        /// How many of them decide: 1oo2, 2oo2, 2oo3.
        need: u8,
    },
    /// Middle or mean of probes, with degradation.
    Middle {
        #[allow(missing_docs)]
        of: Vec<SignalIdx>,
    },
    /// Volume or time summed over the UTC day while the actuator is on.
    Totaliser {
        /// Whose run.
        actuator: ActuatorIdx,
        /// m³/s; None: time in ms.
        flow: Option<f64>,
    },
    /// True once the condition has held for so long.
    OnDelay {
        #[allow(missing_docs)]
        condition: Condition,
        #[allow(missing_docs)]
        time_s: f64,
    },
    /// True until the condition has been false for so long.
    OffDelay {
        #[allow(missing_docs)]
        condition: Condition,
        #[allow(missing_docs)]
        time_s: f64,
    },
    /// Inside a daily window, local civil time; minutes of the day, `from` 0..=1439, `to` 0..=1440. Wraps over midnight when
    /// from > to; never equal.
    Schedule {
        #[allow(missing_docs)]
        from_min: u16,
        #[allow(missing_docs)]
        to_min: u16,
    },
    /// Named condition.
    Condition(Condition),
    /// First, or the second while the first is bad.
    Substitute {
        #[allow(missing_docs)]
        of: SignalIdx,
        #[allow(missing_docs)]
        with: SignalIdx,
    },
}

/// A control rule.
#[derive(Clone, PartialEq, Debug)]
pub struct Rule {
    /// What it drives.
    pub drives: ActuatorIdx,
    /// How it decides.
    pub form: RuleForm,
    /// Must hold, else off at once (no latch). Binds hand and procedure too.
    pub permissive: Option<Condition>,
    /// Stops the actuator and stays until reset. Binds hand and procedure too.
    pub trip: Option<Trip>,
    /// Trips when on for so long without so much gain of a signal.
    pub stall: Option<Stall>,
    /// s; stays on at least.
    pub shortest_run_s: f64,
    /// s; stays off at least.
    pub shortest_rest_s: f64,
    /// s; trips when on for longer without a pause.
    pub longest_run_s: Option<f64>,
    /// s a UTC day; off beyond it until the next day.
    pub daily_run_s: Option<f64>,
    /// m³ a UTC day (flow of its line); off beyond it.
    pub daily_volume_m3: Option<f64>,
    /// Latch a trip when a daily limit is reached instead of waiting for the next day.
    pub limit_latches: bool,
    /// s after reset before it may go on (staggered restart).
    pub start_delay_s: f64,
    /// State while an input of its start/stop is bad.
    pub when_blind: bool,
    /// State after power-up until the rule decides.
    pub at_power_up: bool,
    /// State while tripped (off except for a part whose off is the danger).
    pub when_tripped: bool,
}

/// How a rule decides.
#[derive(Clone, PartialEq, Debug)]
pub enum RuleForm {
    /// Two thresholds.
    Switch {
        #[allow(missing_docs)]
        start: Condition,
        #[allow(missing_docs)]
        stop: Condition,
    },
    /// On while it holds.
    When(Condition),
    /// Always on.
    Always,
    /// PI on duty 0..1.
    Modulate {
        /// Measured signal.
        measure: SignalIdx,
        /// In the signal's integer scale.
        setpoint: i32,
        /// Duty per unit of the signal's scale times 1000 (permille per 1000 counts).
        gain_permille_per_k: i32,
        /// Integral time, s; None: P only.
        integral_s: Option<f64>,
        /// Duty limits, 0..1.
        limits: (f64, f64),
        /// Rises with the signal (a fan) rather than against it (a heater).
        cools: bool,
    },
    /// Daily windows in local time, minutes of the day as in [`Derived::Schedule`], with a ramp; duty 0..1 for modulated parts.
    Schedule {
        #[allow(missing_docs)]
        windows: Vec<(u16, u16)>,
        #[allow(missing_docs)]
        ramp_s: f64,
    },
    /// Volume a UTC day in portions.
    Dose {
        /// m³ a day.
        per_day_m3: f64,
        /// Portions a day.
        portions: u16,
        /// m³/s of the pump by its calibration.
        flow: f64,
        /// Only while it holds.
        only: Option<Condition>,
    },
}

/// A latching stop.
#[derive(Clone, PartialEq, Debug)]
pub struct Trip {
    /// What trips.
    pub when: Condition,
    /// How it resets.
    pub reset: TripReset,
}

/// How a trip resets.
#[derive(Clone, PartialEq, Debug)]
pub enum TripReset {
    /// Only by a person.
    ByHand,
    /// By itself when this holds, at most `per_day` times a UTC day; then by hand. None: no limit.
    Auto {
        #[allow(missing_docs)]
        when: Condition,
        #[allow(missing_docs)]
        per_day: Option<u8>,
    },
}

/// No gain in spite of running.
#[derive(Clone, PartialEq, Debug)]
pub struct Stall {
    /// s.
    pub after_s: f64,
    /// Signal that should gain.
    pub signal: SignalIdx,
    /// By how much, in the signal's integer scale (negative: should fall).
    pub gain: i32,
}

/// An operator's sequence.
#[derive(Clone, PartialEq, Debug)]
pub struct Procedure {
    /// Name.
    pub name: String,
    /// What the person reads.
    pub title: String,
    /// In order.
    pub steps: Vec<Step>,
}

/// One step of a procedure.
#[derive(Clone, PartialEq, Debug)]
pub struct Step {
    /// What the person reads.
    pub text: String,
    /// Outputs it holds.
    pub holds: Vec<(ActuatorIdx, bool)>,
    /// Ends after so long, s; always bounded.
    pub longest_s: f64,
    /// Ends when it holds.
    pub until: Option<Condition>,
    /// Ends when the person confirms.
    pub confirm: bool,
}

/// An alarm of the program.
#[derive(Clone, PartialEq, Debug)]
pub struct Alarm {
    /// Name.
    pub name: String,
    /// Condition.
    pub when: Condition,
    /// s it must hold.
    pub delay_s: f64,
    /// s it must be gone to return.
    pub off_delay_s: f64,
    /// Importance.
    pub priority: Priority,
    /// What the person reads.
    pub text: String,
}

/// IEC 62682 priorities.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
#[allow(missing_docs)]
pub enum Priority {
    Low,
    #[default]
    Medium,
    High,
}

/// A true quantity of the twin that requirements speak about.
#[derive(Clone, PartialEq, Debug)]
pub struct Truth {
    /// As written, e.g. `display.temperature`.
    pub name: String,
    /// Which.
    pub what: TruthKind,
}

/// True quantities. Unit of the value in brackets.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum TruthKind {
    /// [°C]
    Temperature(VesselIdx),
    /// [mg/L]
    Oxygen(VesselIdx),
    /// [practical salinity]
    Salinity(VesselIdx),
    /// [pH NBS]
    Ph(VesselIdx),
    /// [meq/L; shown as dKH]
    Alkalinity(VesselIdx),
    /// [m]
    Level(VesselIdx),
    /// [m³]
    Volume(VesselIdx),
    /// Water on the floor outside the bund [m³].
    Floor,
    /// Energised while bare or dry [0 or 1].
    Bare(ActuatorIdx),
    /// Really running [0 or 1; duty].
    Running(ActuatorIdx),
    /// Something moves the water of the vessel [0 or 1].
    Movement(VesselIdx),
    /// Lit [0..1].
    Light(VesselIdx),
}

/// What must hold.
#[derive(Clone, PartialEq, Debug)]
pub struct Requirement {
    /// Name, e.g. `hot`.
    pub name: String,
    /// Source text of the formula.
    pub text: String,
    /// Formula.
    pub formula: Stl,
    /// What breaks it, in a word.
    pub harm: Harm,
    /// How bad.
    pub severity: Severity,
    /// Unit in which the margin is told.
    pub margin_unit: MarginUnit,
}

/// What a broken requirement does.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
#[allow(missing_docs)]
pub enum Harm {
    Flood,
    Cook,
    Chill,
    Suffocate,
    Overdose,
    Starve,
    Equipment,
    Dark,
    Other,
}

/// Severity classes (IEC 60812 style).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
#[allow(missing_docs)]
pub enum Severity {
    Minor,
    Marginal,
    Critical,
    Catastrophic,
}

/// Units of margins.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum MarginUnit {
    Kelvin,
    MgPerLitre,
    Salinity,
    Ph,
    MeqPerLitre,
    Metre,
    CubicMetre,
    Seconds,
    One,
}

/// Factors on what the file's figures give, as a log of the tank showed them: they hold everywhere, and corners deviate from them.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Factors {
    /// On evaporation.
    pub evaporation: f64,
    /// On the heat that walls lose.
    pub wall_loss: f64,
    /// On gas exchange.
    pub gas_exchange: f64,
    /// On oxygen demand.
    pub respiration: f64,
}

impl Default for Factors {
    fn default() -> Self {
        Factors { evaporation: 1.0, wall_loss: 1.0, gas_exchange: 1.0, respiration: 1.0 }
    }
}

/// A named corner of the uncertain parameters; 1.0 is nominal, which is as fitted.
#[derive(Clone, PartialEq, Debug)]
pub struct Corner {
    /// Name.
    pub name: String,
    /// Climate instead of the first one.
    pub climate: Option<ClimateIdx>,
    /// Factor on evaporation.
    pub evaporation: f64,
    /// Factor on weir flow at a given head.
    pub weir: f64,
    /// Factor on gas exchange.
    pub gas_exchange: f64,
    /// Factor on oxygen demand.
    pub respiration: f64,
    /// Factor on wall heat loss.
    pub wall_loss: f64,
    /// Factor on the speed of pumps (aged gear).
    pub pump: f64,
    /// Factor on battery capacity.
    pub battery: f64,
    /// Reservoirs start at this share of their full level; None: as given.
    pub reservoir: Option<f64>,
}

/// Failure mode of the row that shows what breaks at a corner with every part whole; its part is the corner or `nominal`.
pub const NOTHING_WRONG: &str = "nothing wrong";

/// A risk that the aquarist takes with open eyes.
#[derive(Clone, PartialEq, Debug)]
pub struct Accepted {
    /// Part, `*` for any; a corner or `nominal` where the mode is [`NOTHING_WRONG`].
    pub part: String,
    /// Failure mode, `*` for any.
    pub mode: String,
    /// Requirement that may break.
    pub requirement: String,
    /// Why.
    pub reason: String,
    /// The row lapses when harm comes sooner than this, s.
    pub minimum_time_s: f64,
    /// What is relied on.
    pub procedure: String,
    /// ISO date of the next review.
    pub review: String,
    /// Only in these corners; empty: in any.
    pub corners: Vec<String>,
}

//! What never moves in a run without a fault: a float that stays down cannot be told from one that is stuck down.
//!
//! A fault that forces a part into the state it has all the time anyway leaves the run equal to the healthy one, bit for bit, since
//! noise is by counter; such runs need not be simulated.

use system::System;
use system::model::{ActuatorIdx, PassageKind, SensorKind};
use twin::Flaw;
use twin::lanes::{Mask, all, has};

use crate::faults::Injection;
use crate::model::Model;
use crate::rig::Rig;

/// States seen in one run.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Activity {
    /// By sensor: contact closed at some scan, open at some scan.
    contacts: Vec<(bool, bool)>,
    /// By actuator: running at some scan, resting at some scan.
    loads: Vec<(bool, bool)>,
    /// By actuator: own thermostat was open at some scan.
    dials: Vec<bool>,
    /// By actuator: starts during the run.
    starts: Vec<bool>,
}

pub(crate) struct Watch<const L: usize> {
    closed: Vec<Mask>,
    open: Vec<Mask>,
    on: Vec<Mask>,
    off: Vec<Mask>,
    dials: Vec<Mask>,
    starts_before: Vec<[i32; L]>,
    starts_now: Vec<[i32; L]>,
}

impl Activity {
    /// Begins watching.
    pub(crate) fn begin<const L: usize>(model: &Model, rig: &Rig<'_, L>) -> Watch<L> {
        let system = model.system();
        let (ns, na) = (system.sensors.len(), system.actuators.len());
        let starts: Vec<[i32; L]> = (0..na).map(|a| rig.twin().starts(a)).collect();
        Watch {
            closed: vec![0; ns],
            open: vec![0; ns],
            on: vec![0; na],
            off: vec![0; na],
            dials: vec![0; na],
            starts_now: starts.clone(),
            starts_before: starts,
        }
    }

    /// Whether this fault changes nothing in a run of this activity.
    pub fn never_acts(&self, model: &Model, injection: &Injection) -> bool {
        let Injection::Flaw(flaw) = injection else { return false };
        let system = model.system();
        let contact = |s: usize| self.contacts.get(s).copied().unwrap_or((true, true));
        let load = |a: usize| self.loads.get(a).copied().unwrap_or((true, true));
        let always_closed = |s: usize| contact(s) == (true, false);
        let always_open = |s: usize| contact(s) == (false, true);
        let is_contact = |s: usize| {
            matches!(
                system.sensors[s].kind,
                SensorKind::Float { .. }
                    | SensorKind::Leak
                    | SensorKind::Presence { .. }
                    | SensorKind::Button
            )
        };
        let stuck_closed = |s: usize, above: bool| match system.sensors[s].kind {
            SensorKind::Float { closed_above, .. } => above == closed_above,
            _ => above,
        };
        // A part that takes its state from the board alone: its load runs exactly when its contact is closed.
        let never_runs = |a: usize| load(a) == (false, true) || is_without_influence(system, a);
        let always_runs = |a: usize| load(a) == (true, false);
        match *flaw {
            Flaw::ContactStuck(s, above) => {
                let s = s.idx();
                if stuck_closed(s, above) { always_closed(s) } else { always_open(s) }
            }
            Flaw::ContactHeld(s) => always_closed(s.idx()) || always_open(s.idx()),
            Flaw::WireOpen(s) => is_contact(s.idx()) && always_open(s.idx()),
            Flaw::Welded(a) | Flaw::WontRestart(a) if always_runs(a.idx()) => true,
            Flaw::Welded(a) => is_without_influence(system, a.idx()),
            Flaw::WontRestart(a) => !self.starts.get(a.idx()).copied().unwrap_or(true) && never_runs(a.idx()),
            Flaw::Unplugged(a) | Flaw::LoadDead(a) | Flaw::Weak(a, _) => never_runs(a.idx()),
            Flaw::ThermostatWelded(a) => !self.dials.get(a.idx()).copied().unwrap_or(true),
            Flaw::BreakHoleShut(p) | Flaw::CheckValveLeaks(p) => match system.passages[p.idx()].kind {
                PassageKind::Pumped { pump, .. } => always_runs(pump.idx()),
                _ => false,
            },
            _ => false,
        }
    }
}

/// Whether a load changes neither water, heat, air, light nor message path while it runs (a stirrer of the lime). What it draws from a
/// battery is made good at once as long as the mains live, and no fault of its own takes the mains away.
fn is_without_influence(system: &System, a: usize) -> bool {
    let load = &system.actuators[a];
    let drives = system.moves_water(ActuatorIdx(a));
    let switches = system.supplies.iter().any(|s| s.through.is_some_and(|t| t.idx() == a));
    let tells = system.telling.through.is_some_and(|t| t.idx() == a);
    !(drives || switches || tells)
        && load.heats.is_none()
        && load.moves.is_none()
        && load.exchange <= 0.0
        && load.blows.is_none()
        && load.lights.is_none()
        && load.removes <= 0.0
}

impl<const L: usize> Watch<L> {
    /// Looks at the scan just done.
    pub(crate) fn look(&mut self, rig: &Rig<'_, L>) {
        let codes = rig.twin().codes();
        for (i, code) in codes.iter().enumerate() {
            for (l, &c) in code.iter().enumerate() {
                let side = if c != 0 { &mut self.closed[i] } else { &mut self.open[i] };
                *side |= 1 << l;
            }
        }
        for a in 0..self.on.len() {
            let on = rig.twin().running(a);
            self.on[a] |= on;
            self.off[a] |= !on & all::<L>();
            self.dials[a] |= rig.twin().dial_open(a);
            self.starts_now[a] = rig.twin().starts(a);
        }
    }

    /// One activity a lane.
    pub(crate) fn finish(self) -> Vec<Activity> {
        (0..L)
            .map(|l| Activity {
                contacts: self.closed.iter().zip(&self.open).map(|(&c, &o)| (has(c, l), has(o, l))).collect(),
                loads: self.on.iter().zip(&self.off).map(|(&a, &b)| (has(a, l), has(b, l))).collect(),
                dials: self.dials.iter().map(|&d| has(d, l)).collect(),
                starts: (self.starts_before.iter().zip(&self.starts_now))
                    .map(|(a, b)| a[l] != b[l])
                    .collect(),
            })
            .collect()
    }
}

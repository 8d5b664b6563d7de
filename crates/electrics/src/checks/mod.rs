//! Findings: what carries too much, what is protected by nothing, what does not fit.
//!
//! Contract: pure calculation over a resolved system; each finding has an id of [`crate::FINDINGS`] and a named part as its subject, so
//! that it can be accepted in the file. A file without `[electrics]` and `[fitting]` gets one note that says what they would show: what
//! is not said is not judged.

mod batteries;
mod facts;
mod housing;
mod low;
mod mains;
mod planning;
mod switching;

pub use facts::{CarriedFact, Facts, LoadFact, SupplyFact};
pub(crate) use facts::{cable_mm2, part_of_supply};

use system::model::{ActuatorIdx, ActuatorKind, SupplyIdx, SupplyKind};
use system::{Diagnostic, System};

use crate::assign::{self, Lock, Outcome, Plan};
use crate::loads::{self, Class, Load};

/// What the electrics come to.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// Findings in the order of the checks.
    pub findings: Vec<Diagnostic>,
    /// Every number behind them.
    pub facts: Facts,
    /// Who sits where, or why not.
    pub outcome: Outcome,
}

/// Checks a system; an earlier plan's places are kept where they can be.
pub fn check(system: &System, lock: Option<&Lock>) -> Checked {
    let outcome = assign::plan(system, lock);
    let mut check = Check { system, loads: loads::loads(system), findings: vec![], facts: Facts::default() };
    if let Some(lock) = lock {
        for name in lock.stale(system) {
            check.add(
                Diagnostic::warning(
                    "lock-stale",
                    format!("the wiring lock places `{name}`, which is not in the file"),
                )
                .help("write the lock anew: `tidewright wire --lock`"),
            );
        }
    }
    if system.electrics.is_begun {
        facts::gather(&mut check);
        switching::check(&mut check);
        mains::check(&mut check);
        low::check(&mut check, plan_of(&outcome));
        batteries::check(&mut check);
        housing::check(&mut check);
    } else if !system.actuators.is_empty() {
        check.add(
            Diagnostic::note_level(
                "electrics-would-show",
                "wires, contacts and protection are not judged: the file does not say how things are fitted",
            )
            .help("add [fitting] with cables, cards and connectors, and [electrics] with the enclosure: docs/electrics.md"),
        );
    }
    planning::check(&mut check, &outcome);
    Checked { findings: check.findings, facts: check.facts, outcome }
}

/// What the checks share.
struct Check<'a> {
    system: &'a System,
    loads: Vec<Load<'a>>,
    findings: Vec<Diagnostic>,
    facts: Facts,
}

impl<'a> Check<'a> {
    fn add(&mut self, finding: Diagnostic) {
        self.findings.push(finding);
    }

    /// Adds a finding about a named thing, at the key of its fitting or its section.
    fn about(&mut self, finding: Diagnostic, name: &str, key: &str) {
        let places = &self.system.places;
        let at = places.find(&format!("fitting.{name}.{key}"));
        let sections = ["fitting", "actuator", "sensor", "supply", "board", "device"];
        let at = at.or_else(|| sections.iter().find_map(|section| places.find(&format!("{section}.{name}"))));
        self.findings.push(finding.at(at, "").subject(name));
    }

    fn name(&self, actuator: ActuatorIdx) -> &'a str {
        &self.system.actuators[actuator.idx()].name
    }

    fn kind(&self, actuator: ActuatorIdx) -> ActuatorKind {
        self.system.actuators[actuator.idx()].kind
    }

    /// Circuits of the house, in file order.
    fn house_circuits(&self) -> Vec<SupplyIdx> {
        let is_house = |s: &SupplyIdx| loads::circuit(self.system, Some(*s)) == Some(*s);
        (0..self.system.supplies.len()).map(SupplyIdx).filter(is_house).collect()
    }

    /// The circuit of the house that a load draws from, batteries in between included.
    fn circuit_of(&self, load: &Load<'_>) -> Option<SupplyIdx> {
        loads::circuit(self.system, self.system.actuators[load.actuator.idx()].supply)
    }

    /// Whether a load goes on while the mains are out.
    fn is_backed(&self, load: &Load<'_>) -> bool {
        loads::battery(self.system, self.system.actuators[load.actuator.idx()].supply).is_some()
    }

    /// Whether it moves water that animals live in.
    fn is_mover(&self, actuator: ActuatorIdx) -> bool {
        self.system.actuators[actuator.idx()].moves.is_some()
            || matches!(self.kind(actuator), ActuatorKind::Circulation | ActuatorKind::AirPump)
    }
}

/// Findings that the file accepts by their id become notes, with the reason.
pub fn accepted(system: &System, mut findings: Vec<Diagnostic>) -> Vec<Diagnostic> {
    for finding in &mut findings {
        let Some(subject) = finding.subject.clone() else { continue };
        let reason = system.accepted.iter().find(|accepted| {
            accepted.mode == finding.id && (accepted.part == subject || accepted.part == "*")
        });
        if let Some(accepted) = reason {
            finding.level = system::Level::Note;
            finding.notes.push(format!(
                "accepted, next review {}: {} (relied on: {})",
                accepted.review, accepted.reason, accepted.procedure
            ));
        }
    }
    findings
}

/// The plan of an outcome, if it is one.
pub fn plan_of(outcome: &Outcome) -> Option<&Plan> {
    match outcome {
        Outcome::Fits(plan) => Some(plan),
        _ => None,
    }
}

/// Current as people write it.
fn amps(amps: f64) -> String {
    match amps {
        a if a >= 9.95 => format!("{a:.0} A"),
        a if a >= 0.995 => format!("{a:.1} A"),
        a if a >= 0.00995 => format!("{:.0} mA", a * 1e3),
        a => format!("{:.1} mA", a * 1e3),
    }
}

/// Whether a supply is on the mains side.
fn is_circuit(system: &System, supply: SupplyIdx) -> bool {
    matches!(system.supplies[supply.idx()].kind, SupplyKind::Circuit { .. })
}

/// Whether a load hangs on the mains.
fn on_mains(load: &Load<'_>) -> bool {
    load.class == Class::Mains
}

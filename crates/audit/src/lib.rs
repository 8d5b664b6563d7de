//! Design findings by calculation, no simulation: what the geometry, the parts and the rules already decide.
//!
//! [`run`] takes a resolved system and answers in milliseconds with findings (stable ids, listed in [`catalogue`] and in
//! docs/findings.md) and with every number behind them ([`Facts`]). It works on any system, also one with only boards,
//! sensors, actuators and rules: what cannot be computed is left out, and notes say which measurement would unlock it.
//!
//! The numbers are static: a design point, water at rest, steady temperatures, closed-form times. What needs a course of
//! events is the business of the twin.

mod body;
pub mod catalogue;
mod cautions;
mod context;
mod dosing;
mod energised;
mod evaporation;
mod facts;
mod floats;
pub mod geometry;
mod heat;
mod levels;
mod oxygen;
mod power;
mod probes;
mod reads;
mod rules;
mod running;
mod siphons;
mod stuck;
mod table;
mod unlock;

pub use facts::*;
use system::{Diagnostic, Level, System};

/// What the audit found, and the numbers behind it.
#[derive(Clone, Debug, PartialEq)]
pub struct Audit {
    /// Findings, the worst first; within a level in the order of the audit.
    pub findings: Vec<Diagnostic>,
    /// Every computed number.
    pub facts: Facts,
}

impl Audit {
    /// Whether anything is worse than a note.
    pub fn has_findings(&self) -> bool {
        self.findings.iter().any(|finding| finding.level > Level::Note)
    }
}

/// Contacts, wires, protection and places: the findings of `electrics` (docs/electrics-findings.md) stand among the others.
fn electrics(context: &mut context::Context<'_>) {
    for finding in ::electrics::check(context.system, None).findings {
        context.add(finding);
    }
}

/// Audits a system.
pub fn run(system: &System) -> Audit {
    let mut context = context::Context::new(system);
    levels::check(&mut context);
    siphons::check(&mut context);
    floats::check(&mut context);
    evaporation::check(&mut context);
    dosing::check(&mut context);
    heat::check(&mut context);
    oxygen::check(&mut context);
    power::check(&mut context);
    probes::check(&mut context);
    energised::check(&mut context);
    stuck::check(&mut context);
    rules::check(&mut context);
    electrics(&mut context);
    unlock::check(&mut context);
    cautions::check(&mut context);
    context.finish()
}

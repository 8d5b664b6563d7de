//! From system, audit and FMEA to the plain values that the report's page shows.

mod care;
mod conclusions;
pub mod diary;
mod drawings;
mod electrics;
pub mod history;
mod limits;
pub mod share;
mod sitter;
mod traces;

use audit::Audit;
use report::{Act, Cell, Dossier, EnergisedRow, Matrix, Plot, RequirementHead, Row};
use system::System;
use trial::Fmea;

use crate::fmea::{Verdict, corner};
use crate::words::{self, HOUR_S};

pub use drawings::sheet;
pub use traces::plots;

/// What the system is, from its figures.
pub fn description(source: &str, system: &System) -> Vec<String> {
    let beside = workbench::Beside { library: std::sync::Arc::clone(&system.library), lock: None };
    let look = workbench::look::look(source, &[], &beside);
    look.figures.iter().map(|figure| format!("{}: {}", figure.label, figure.text)).collect()
}

/// What stands in the title block.
pub struct Title {
    /// File and revision.
    pub revision: String,
    /// ISO date.
    pub date: String,
    /// Whom to call.
    pub call: Vec<String>,
}

/// Everything for the page.
pub fn build(system: &System, audit: &Audit, fmea: &Fmea, plots: Vec<Plot>, title: &Title) -> Dossier {
    let electrical = ::electrics::check(system, None);
    Dossier {
        title: system.name.clone(),
        revision: title.revision.clone(),
        date: title.date.clone(),
        made_by: format!("tidewright {}", env!("CARGO_PKG_VERSION")),
        description: vec![],
        sitter: Some(sitter::sheet(system, fmea, &title.call)),
        care: care::care(system),
        history: vec![],
        summary: conclusions::lines(system, fmea),
        drawings: drawings::drawings(system, audit, title),
        wiring: electrics::sheets(system, &electrical),
        lists: electrics::lists(system, &electrical),
        findings: audit.findings.clone(),
        matrix: matrix(system, fmea),
        plots,
        energised: energised(audit),
        assumptions: limits::assumptions(system, fmea),
        not_modelled: limits::not_modelled(),
    }
}

fn matrix(system: &System, fmea: &Fmea) -> Matrix {
    Matrix {
        requirements: (system.requirements.iter())
            .map(|r| RequirementHead {
                name: r.name.clone(),
                text: r.text.clone(),
                harm: words::harm(r.harm).to_owned(),
            })
            .collect(),
        rows: fmea.rows.iter().map(|r| row(system, fmea, r)).collect(),
    }
}

fn row(system: &System, fmea: &Fmea, row: &trial::Row) -> Row {
    let unit = |r: usize| system.requirements[r].margin_unit;
    let cells = (row.cells.iter().enumerate())
        .map(|(r, cell)| Cell {
            margin: words::margin(cell.margin, unit(r)),
            unit: words::margin_unit(unit(r)).to_owned(),
            hours: cell.broken_at_s.map(|s| s / HOUR_S),
        })
        .collect();
    let told = row.told.iter().map(|(t, alarm)| Act { hours: t / HOUR_S, text: format!("alarm {alarm}") });
    let tripped =
        row.tripped.iter().map(|(t, part)| Act { hours: t / HOUR_S, text: format!("{part} tripped") });
    let mut acts: Vec<Act> = told.chain(tripped).collect();
    acts.sort_by(|a, b| a.hours.total_cmp(&b.hours));
    Row {
        part: row.part.clone(),
        mode: row.mode.clone(),
        instant: row.place.map_or("", |p| p.instant.name()).to_owned(),
        corner: row.place.map_or("", |p| corner(system, p.corner)).to_owned(),
        cells,
        alarm_lead_h: row.alarm_lead_s.map(|s| s / HOUR_S),
        response_h: Some(fmea.response_s / HOUR_S),
        acts,
        accepted: row.accepted.map(|a| system.accepted[a].reason.clone()),
        hidden: Verdict::of(row) == Verdict::Hidden,
        severity: row.severity.map_or("", words::severity).to_owned(),
    }
}

fn energised(audit: &Audit) -> Vec<EnergisedRow> {
    (audit.facts.de_energised.iter())
        .map(|d| EnergisedRow {
            part: d.actuator.clone(),
            board_dead: d.board_dead.clone(),
            supply_dead: d.rail_dead.clone(),
            mains_back: d.mains_back.clone(),
            trip: d.tripped.clone(),
        })
        .collect()
}

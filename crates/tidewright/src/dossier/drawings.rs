//! The system in section with the water lines that the audit computed.

use audit::Audit;
use drawing::{Sheet, SvgOptions, TitleBlock, WaterLines, section};
use report::Drawing;
use system::System;

use crate::dossier::Title;

/// The section: running, stopped, and stopped at its worst.
pub fn sheet(system: &System, audit: &Audit, title: &Title) -> Sheet {
    let facts = &audit.facts.vessels;
    let levels = |name: &str, level_mm: fn(&audit::VesselFact) -> f64| WaterLines {
        name: name.to_owned(),
        levels: (system.vessels.iter())
            .map(|v| facts.iter().find(|fact| fact.name == v.name).map(|fact| level_mm(fact) / 1000.0))
            .collect(),
    };
    let lines = [
        levels("running", |v| v.running_mm),
        levels("stopped", |v| v.stopped_mm),
        levels("worst case", |v| v.stopped_worst_mm.max(v.running_mm)),
    ];
    let lines: &[WaterLines] = if facts.is_empty() { &[] } else { &lines };
    // The block is narrow: the file's name says enough there, its folders stand at the top of the page.
    let revision = title.revision.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
    section(system, lines, &TitleBlock { revision, date: title.date.clone() })
}

/// For the page; nothing without a vessel.
pub fn drawings(system: &System, audit: &Audit, title: &Title) -> Vec<Drawing> {
    if system.vessels.is_empty() {
        return vec![];
    }
    vec![Drawing {
        caption: "Section to scale. Water lines: running; stopped; stopped with break holes grown shut and check valves leaking."
            .to_owned(),
        svg: sheet(system, audit, title).to_svg(&SvgOptions::default()),
    }]
}

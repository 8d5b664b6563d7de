//! The system in section with the water lines that the audit computed.

use audit::Audit;
use drawing::{Sheet, SvgOptions, TitleBlock};
use report::Drawing;
use system::System;

use crate::dossier::Title;

/// The section: running, stopped, and stopped at its worst.
pub fn sheet(system: &System, audit: &Audit, title: &Title) -> Sheet {
    // The block is narrow: the file's name says enough there, its folders stand at the top of the page.
    let revision = title.revision.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
    workbench::section::sheet(system, audit, &TitleBlock { revision, date: title.date.clone() })
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

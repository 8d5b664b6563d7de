//! The report of a system: one HTML file that needs nothing else, for the screen, the phone and the printer.
//!
//! Contract: everything that is told comes in as a [`Dossier`]; all of its text is escaped; the page loads nothing and runs
//! no script. Colour never carries a meaning alone: a shape and a word stand beside it.

mod dossier;
mod matrix;
mod page;
pub mod plot;
mod sitter;
mod tables;

pub use dossier::{
    Act, Cell, Dossier, Drawing, EnergisedRow, Limit, ListTable, Mark, MarkKind, Matrix, Outcome, Plot,
    RequirementHead, Row, Series, SummaryLine, Verdict,
};
pub use sitter::{Message, SitterSheet};

/// The sitter's sheet as a page of its own.
pub fn render_sitter(dossier: &Dossier) -> String {
    page::render_sitter(dossier)
}

/// The whole page.
pub fn render(dossier: &Dossier) -> String {
    page::render(dossier)
}

//! An FMEA as text; what it says is in `workbench::fmea`.

pub mod text;

use trial::{Fmea, Row};

pub use workbench::fmea::{Verdict, alike, corner, harm_of, lead, mends, rows_of, sentences, shape, time_of};

/// Whether anything is left that nobody accepted, or an acceptance no longer stands.
pub fn has_findings(fmea: &Fmea) -> bool {
    fmea.rows.iter().chain(&fmea.without_fault).chain(&fmea.pairs).any(Row::is_open)
        || crate::open::has_findings(&fmea.acceptance_findings)
}

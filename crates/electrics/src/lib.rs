//! The electrics of a system: what fits where, what carries what, what protects whom.
//!
//! [`check`] answers with findings and the numbers behind them; [`assign::plan`] gives every signal and output a pin, an expander line or
//! a converter channel, or says why it does not fit and what the smallest change is; [`harness::Harness`] is every wire of a plan, from
//! which drawings, cut list, bill of materials and checkout list are made. Nothing here simulates, and nothing knows a part by name.

pub mod assign;
mod catalogue;
mod checks;
pub mod harness;
pub mod laws;
pub mod loads;

pub use catalogue::{ALL as FINDINGS, page};
pub use checks::{CarriedFact, Checked, Facts, LoadFact, SupplyFact, accepted, check, plan_of};
pub use system::catalogue::Entry;

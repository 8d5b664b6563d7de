//! The boards: a thread for each, over serial, TCP or a virtual board. What they say comes out as [`BoardEvent`]s, in order for each
//! board; what people want goes in as [`Act`]s by a bounded queue and comes back with a definite [`Outcome`].
//!
//! ```text
//! board ──line──► thread of the board ──BoardEvent──► whoever keeps it
//!                    ▲           ▲                        │
//!              Act, deadline     └──── Journal::stored ───┘
//!                    │
//!                 Outcome, once
//! ```
//!
//! * [`Names`] resolves a record to series: `names.series[i]` and the i-th of `names.values(&scan.record, scan.trust)` belong together.
//! * A gap is told: [`Scan::n_missing`] counts the scans that are missing before one.
//! * A [`Journal`] is acknowledged to its board only after [`Stored::done`]; what is not comes again.
//! * Each board has its own share of the queue: one that floods waits for itself.

mod act;
mod event;
mod names;

pub use act::{Act, Done, Outcome, SafeStep};
pub use event::{BoardEvent, BoardId, Counters, Entry, Journal, LinkState, MS_AT_2000, Scan, Stored};
pub use names::{Names, Series, TripWords, Trust, Value, What};

//! What needs attention: the book of all alarms, the checks that no board can make, and the words for people.
//!
//! # Contract
//!
//! Nothing here reads a clock, a disk or a network, or starts a thread. Everything takes the time (ms since 1970 UTC) and the data,
//! and gives back what changed; all state is serialisable, so that a restart goes on where the process ended.
//!
//! * [`Book`]: the states of IEC 62682 for every alarm, whether a board's program raises it or the station does.
//! * [`report`](mod@report): how many alarms there were, and which of them are a nuisance.
//! * [`watch`]: what a board cannot see by itself: its own silence, a probe that stands still, water that is lost unseen.
//! * [`morning`] and [`night`]: what is read first, in words.
//!
//! Sources, settings and reasons: docs/alarms.md.

pub mod book;
mod definition;
mod evidence;
pub mod morning;
pub mod night;
mod peril;
pub mod report;
pub mod watch;
pub mod words;

pub use book::{Act, Book, Cause, Condition, Entry, Refusal, State, Transition};
pub use definition::{Definition, Limit, Origin, Priority};
pub use peril::{Advice, MAINS, Peril};
pub use watch::Watch;

//! Telling people: mail, signed webhooks and MQTT 5 from a queue that survives restarts and outages; a heartbeat so that silence is noticed.
//!
//! Contract: [`Teller::tell`] returns when the message stands on the disk; from then on each way tries until its peer has taken it, whatever
//! happens to the others. Words are made elsewhere; here is only who is told, when, and that it arrives. docs/tell.md is the page for users.

mod mail;
pub mod mqtt;
mod notice;
pub mod queue;
mod quiet;
mod secret;
pub mod settings;
mod teller;
mod tls;
mod web;

pub use notice::{AlarmChange, Change, Kind, Notice, Priority};
pub use quiet::{QuietHours, Span};
pub use secret::{Secret, SecretPlace};
pub use settings::Settings;
pub use teller::{IsWell, Log, Surroundings, Teller};

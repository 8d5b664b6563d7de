//! The station: what runs for years beside the boards. It keeps what they say, tells people, and lets them act.
//!
//! | module | holds |
//! |---|---|
//! | [`boards`] | a thread for each board: records and events out, acts in |
//! | [`joined`] | controllers that somebody built: what they print is logged, the rules run in shadow beside them |
//! | [`ingest`] | from the boards into the store, into what is now, into the book of alarms |
//! | [`later`] | rows that wait for a disk that can take them |
//! | [`live`], [`state`], [`feed`] | what is now, as it goes out, and what changes |
//! | [`checks`], [`telling`] | the station's own checks; how people are told |
//! | [`design`] | how much of the machine design work may take |
//! | [`twin`], [`fitted`] | whether each tank drifts from its twin; the twin fitted to it |
//! | [`care`] | proof tests, tasks, the log of water, calibrations |
//! | [`orders`] | what people order, written down before it goes out and after |
//! | [`picture`] | photos before they are kept: nothing in them but the picture |
//! | [`revisions`] | every program that a board was given; which runs; the way back |
//! | [`auth`] | accounts, sessions, tokens, who may do what |
//! | [`http`] | the API and the page |
//! | [`upkeep`] | what has ended is swept, what is old dropped, the store looked through each night |
//! | `memory` | how the allocator is set for a process that runs for years |
//! | `zip` | notes and photos as one file |
//! | [`settings`], [`site`], [`serve`] | the station file, what it leads to, the running process |

pub mod app;
pub mod auth;
pub mod boards;
pub mod bring;
pub mod care;
pub mod checks;
pub mod design;
pub mod feed;
pub mod fitted;
pub mod http;
pub mod ingest;
pub mod joined;
pub mod later;
pub mod live;
pub mod log;
mod memory;
pub mod orders;
pub mod picture;
pub mod revisions;
pub mod serve;
pub mod settings;
pub mod site;
pub mod state;
pub mod telling;
pub mod twin;
pub mod upkeep;
pub mod watchdog;
pub mod weighing;
mod zip;

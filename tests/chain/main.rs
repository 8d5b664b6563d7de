//! The whole chain, system file to true state: closed forms and handbook tables that a built twin must meet.
//!
//! Each test names its outside source. Tables are those of tests/reference; their first line says where they come from.

mod closed_loop;
mod examples;
mod gas;
mod harbour_lane;
mod heat;
mod rig;
mod water;

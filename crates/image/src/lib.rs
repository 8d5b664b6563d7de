//! Firmware images: Intel HEX, prebuilt runtimes, the tables block, serial bootloaders (docs/firmware.md, docs/build.md).
//!
//! [`build::build`] makes an image of a system and says what it takes; [`boot::write`] puts one on a board. Contract: an image that
//! was built passes every check that the runtime and its loader make at boot, and its program could later be replaced by a trial.

pub mod boot;
pub mod build;
pub mod hex;
pub mod runtime;
pub mod sketch;
pub mod tables;

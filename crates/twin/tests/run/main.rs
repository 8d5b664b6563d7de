//! The twin as a whole: conservation, lanes, flaws, stability and sensors, driven from outside.

mod conservation;
mod flaws;
mod lanes;
#[path = "../../../../tests/chain/rig.rs"]
mod rig;
mod sensors;
mod stability;

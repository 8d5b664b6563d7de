//! Calibration: from readings in references to what a board is sent, with how good it is and how long it will hold.
//!
//! * [`buffers`]: pH of the usual buffers at their temperature.
//! * [`electrode`]: a pH electrode from two or three buffers, accepted or not.
//! * [`still`]: whether a reading has come to rest.
//! * [`linear`]: thermometers and conductivity from one or two references.
//! * [`pump`]: a metered pump from volumes caught.
//! * [`drift`]: what a row of calibrations says of a probe: when it will be out, and whether it holds at all.

pub mod buffers;
pub mod drift;
pub mod electrode;
pub mod linear;
pub mod pump;
pub mod still;

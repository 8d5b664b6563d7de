//! Plain laws: numbers in, numbers out, nothing of a system. SI units unless a name says otherwise.

pub mod battery;
pub mod bus;
pub mod converter;
pub mod copper;
pub mod enclosure;
pub mod fuse;

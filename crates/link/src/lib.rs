//! The board protocol (docs/link.md): frames, messages, sealing; and, with `std`, what a station does with them.
//!
//! | module | holds |
//! |---|---|
//! | [`frame`] | byte stuffing, checksum, finding frames in a stream |
//! | [`message`] | every message, to bytes and from bytes, of both sides |
//! | [`seal`] | Ascon-AEAD128 and the session's nonces |
//! | [`record`] | records of scans, put together from their parts |
//! | [`client`] | request and answer, events without a gap, upload |
//! | [`transport`] | serial line and TCP |
//!
//! Contract: nothing that arrives can panic; what does not fit is `None` or an error. The first three allocate nothing.
#![no_std]

#[cfg(feature = "std")]
extern crate std;

pub mod frame;
pub mod message;
pub mod seal;

#[cfg(feature = "std")]
pub mod client;
#[cfg(feature = "std")]
pub mod record;
#[cfg(feature = "std")]
pub mod transport;

#[cfg(feature = "std")]
pub use client::{Client, ClientError};
pub use message::{AnswerCode, Event, Hello, Request};
#[cfg(feature = "std")]
pub use record::Record;

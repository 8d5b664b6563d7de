//! The station endures: `tidewright serve` as a process of its own, with boards of software that outlive it and people who ask over HTTP. It
//! is killed, its disk fills and fails, boards crowd it; what was acknowledged stands, and it is there again at once.
//!
//! The suite runs each of these for a few seconds. At length, in a release build (`make endure` runs all three):
//!
//! ```text
//! STATION_KILLS=200 cargo test --release -p tidewright --test endure killed -- --nocapture
//! ```
#![cfg(target_os = "linux")]

mod client;
mod crowd;
mod disk;
mod ends;
mod kept;
mod killed;
mod load;
mod process;
mod secrets;
mod tanks;

/// Some number that looks like noise (the finalizer of SplitMix64, from memory).
fn mix(k: u64) -> u64 {
    let mut z = k.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number from the environment.
fn number(name: &str, otherwise: f64) -> f64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

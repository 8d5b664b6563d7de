//! Measured claims; run with `cargo bench -p benches`. This part loads the example that all of them use.

use system::System;

/// The main example, Harbour Lane's mended design.
///
/// # Panics
///
/// If the file is missing or has an error: the repository is broken then.
pub fn harbour_lane() -> System {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/harbour-lane/system.toml");
    let text = std::fs::read_to_string(path).expect("the example is part of the repository");
    system::load(&text).system.expect("the example has no error")
}

//! Measured claims; run with `cargo bench`.

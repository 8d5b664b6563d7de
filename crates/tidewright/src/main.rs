//! The `tidewright` command.
fn main() {}

//! Chores of the repository: firmware images.

fn main() {}

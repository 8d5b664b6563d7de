//! Flaws: each does what it says.

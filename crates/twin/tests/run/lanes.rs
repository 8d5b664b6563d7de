//! Lanes: a run's bits are its own.

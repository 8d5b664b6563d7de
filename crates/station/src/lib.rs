//! The station: what runs for years beside the boards. It keeps what they say, tells people, and lets them act.

pub mod boards;

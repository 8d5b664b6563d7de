//! Tables of what is to be told and was not yet delivered.

/// Steps of these tables, oldest first.
pub(crate) const MIGRATIONS: &[&str] = &[];

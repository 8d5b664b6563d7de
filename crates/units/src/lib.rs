//! (placeholder, filled below)

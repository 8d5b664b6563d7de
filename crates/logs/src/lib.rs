//! What logs and lines that others write have in common: times as people write them, local time by a POSIX TZ string, numbers and the
//! words of switches, units in a header, rows of cells, SenML. The store's import and the shadow of a joined controller both read with it.
//!
//! Contract: pure; nothing panics, whatever the text.

pub mod dates;
pub mod senml;
pub mod table;
pub mod times;
pub mod values;
pub mod zone;

/// Times go from 1970 to the year 2109, ms.
pub const LATEST_TIME: i64 = 1 << 42;

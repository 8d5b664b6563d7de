//! Sensors: the codes of the data sheets.

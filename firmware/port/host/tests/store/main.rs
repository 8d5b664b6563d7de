//! The storage in EEPROM: power lost at every byte, long random histories, wear, and Harbour Lane's complete program in both slots.
//!
//! Outside values: 1024 bytes of EEPROM, an erase and a write for each byte, 100 000 of them a cell (ATmega328P data sheet).

#![allow(clippy::unwrap_used)]

mod board;
mod cuts;
mod histories;
mod slots;
mod small;

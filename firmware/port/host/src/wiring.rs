//! The wiring table and conversions in C (`firmware/core/wiring.h`).

use crate::vm::CSample;
use crate::{Code, Runtime};
use program::Sample;
use program::calibration::{Correction, Entry};

/// `struct wiring` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/wiring.h says what each is")]
pub struct Table {
    pub board: u8,
    pub n_numbers: u8,
    pub n_bits: u8,
    pub n_outputs: u8,
    pub n_devices: u8,
    pub reference_mv: u16,
    pub full_scale: u16,
    pub crc: u32,
}

/// `struct number_entry` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/wiring.h says what each is")]
pub struct NumberEntry {
    pub driver: u8,
    pub pin: u8,
    pub second: u8,
    pub temperature: u8,
    pub fields_at: u16,
    pub rom_at: u16,
    pub age_limit_ms: i32,
}

/// `struct bit_entry` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/wiring.h says what each is")]
pub struct BitEntry {
    pub driver: u8,
    pub pin: u8,
    pub line: u8,
    pub n_debounce: u8,
    pub normally_closed: bool,
    pub key: u32,
}

/// `struct output_entry` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/wiring.h says what each is")]
pub struct OutputEntry {
    pub driver: u8,
    pub pin: u8,
    pub line: u8,
    pub active_low: bool,
    pub on_when_safe: bool,
}

/// `struct device_entry` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/wiring.h says what each is")]
pub struct DeviceEntry {
    pub kind: u8,
    pub address: u8,
    pub shape: u8,
}

/// `struct correction` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
struct CCorrection {
    kind: u8,
    payload: [u8; 8],
}

mod c {
    use super::*;
    unsafe extern "C" {
        pub static mut wiring: Table;
        pub fn wiring_open(code: *const Code<'_>) -> bool;
        pub fn wiring_number(input: u8, out: *mut NumberEntry);
        pub fn wiring_bit(input: u8, out: *mut BitEntry);
        pub fn wiring_output(output: u8, out: *mut OutputEntry);
        pub fn wiring_device(device: u8, out: *mut DeviceEntry);
        pub fn wiring_convert(
            entry: *const NumberEntry,
            raw: i32,
            correction: *const CCorrection,
            temperature: CSample,
            period_ms: u16,
        ) -> CSample;
    }
}

impl Runtime {
    /// Says that the board has the wiring with this checksum and as much of everything as a program can want: for programs that
    /// were drawn without a table.
    pub fn pretend_wiring(&mut self, crc: u32) {
        let table = Table {
            board: 0,
            n_numbers: 255,
            n_bits: 255,
            n_outputs: 255,
            n_devices: 0,
            reference_mv: 5000,
            full_scale: 1024,
            crc,
        };
        // SAFETY: `self` is the only access to the runtime's statics.
        unsafe { c::wiring = table };
    }

    /// Opens a wiring table; nothing when it is not sound. It is gone when what comes back is dropped.
    pub fn open_wiring<'r>(&'r mut self, bytes: &'r [u8]) -> Option<Wiring<'r>> {
        // SAFETY: C keeps the place of the bytes, and `Wiring` keeps them and makes C forget them at its end.
        unsafe { c::wiring_open(&Code::in_memory(bytes)) }.then_some(Wiring { _runtime: self, _bytes: bytes })
    }
}

/// The wiring table that is open in C.
#[derive(Debug)]
pub struct Wiring<'r> {
    _runtime: &'r mut Runtime,
    _bytes: &'r [u8],
}

impl Drop for Wiring<'_> {
    fn drop(&mut self) {
        // SAFETY: no bytes are no table, and with them C forgets the old ones.
        unsafe { c::wiring_open(&Code::in_memory(&[])) };
    }
}

impl Wiring<'_> {
    /// Its header.
    pub fn table(&self) -> Table {
        // SAFETY: `self` holds the runtime, so nobody writes meanwhile.
        unsafe { c::wiring }
    }

    /// A number input, if there is one.
    pub fn number(&mut self, input: u8) -> Option<NumberEntry> {
        let mut entry = NumberEntry::default();
        // SAFETY: the index is below the count, and C keeps no pointer.
        (input < self.table().n_numbers).then(|| unsafe { c::wiring_number(input, &mut entry) })?;
        Some(entry)
    }

    /// A bit input, if there is one.
    pub fn bit(&mut self, input: u8) -> Option<BitEntry> {
        let mut entry = BitEntry::default();
        // SAFETY: the index is below the count, and C keeps no pointer.
        (input < self.table().n_bits).then(|| unsafe { c::wiring_bit(input, &mut entry) })?;
        Some(entry)
    }

    /// An output, if there is one.
    pub fn output(&mut self, output: u8) -> Option<OutputEntry> {
        let mut entry = OutputEntry::default();
        // SAFETY: the index is below the count, and C keeps no pointer.
        (output < self.table().n_outputs).then(|| unsafe { c::wiring_output(output, &mut entry) })?;
        Some(entry)
    }

    /// A device, if there is one.
    pub fn device(&mut self, device: u8) -> Option<DeviceEntry> {
        let mut entry = DeviceEntry::default();
        // SAFETY: the index is below the count, and C keeps no pointer.
        (device < self.table().n_devices).then(|| unsafe { c::wiring_device(device, &mut entry) })?;
        Some(entry)
    }

    /// Raw code to value, with what a calibration entry says.
    pub fn convert(
        &mut self,
        entry: &NumberEntry,
        raw: i32,
        correction: Option<&Correction>,
        temperature: Sample,
        period_ms: u16,
    ) -> Sample {
        let mut of_c = CCorrection { kind: 0, payload: [0; 8] };
        if let Some(correction) = correction {
            let bytes = Entry { input: 0, sequence: 0, day: 0, correction: *correction }.to_bytes();
            of_c.kind = bytes[1] >> 4;
            of_c.payload.copy_from_slice(&bytes[4..12]);
        }
        // SAFETY: all pointers live through the call; an entry comes from this table, so its places are in it.
        unsafe { c::wiring_convert(entry, raw, &of_c, temperature.into(), period_ms) }.into()
    }
}

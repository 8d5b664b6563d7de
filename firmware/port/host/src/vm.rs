//! The virtual machine in C (`firmware/core/vm.h`).

use crate::{Code, Runtime};
use program::machine::Command;
use program::{Quality, Sample};
use std::cell::Cell;

/// What a loaded program has: `struct vm_sizes`.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "firmware/core/vm.h says what each is")]
pub struct VmSizes {
    pub n_numbers: u16,
    pub n_bits: u16,
    pub n_cells: u16,
    pub n_ops: u16,
    pub n_number_inputs: u8,
    pub n_bit_inputs: u8,
    pub n_drives: u8,
    pub n_trips: u8,
    pub n_alarms: u8,
    pub n_procedures: u8,
    pub period_ms: u16,
    pub pool_bytes: u16,
    pub retained_bytes: u8,
    pub crc: u32,
}

/// `struct sample` of C.
#[repr(C)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct CSample {
    pub(crate) value: i32,
    pub(crate) quality: u8,
}

impl From<Sample> for CSample {
    fn from(sample: Sample) -> CSample {
        CSample { value: sample.value, quality: sample.quality as u8 }
    }
}

impl From<CSample> for Sample {
    fn from(sample: CSample) -> Sample {
        Sample { value: sample.value, quality: Quality::from_code(sample.quality) }
    }
}

mod c {
    use super::{CSample, VmSizes};
    use crate::Code;
    unsafe extern "C" {
        pub fn vm_check(code: *const Code<'_>, sizes: *mut VmSizes) -> u8;
        pub fn vm_load(code: *const Code<'_>) -> u8;
        pub safe fn vm_scan() -> bool;
        pub safe fn vm_set_number(input: u8, sample: CSample);
        pub safe fn vm_set_bit(input: u8, value: bool, quality: u8);
        pub safe fn vm_set_clock(utc_s: u32, quality: u8);
        pub safe fn vm_hand(drive: u8, value: i16, time_ms: i32) -> bool;
        pub safe fn vm_reset_trip(trip: u8) -> bool;
        pub safe fn vm_procedure(procedure: u8, command: u8) -> bool;
        pub safe fn vm_number(slot: u16) -> CSample;
        pub safe fn vm_cell(cell: u16) -> i32;
        pub safe fn vm_bit(slot: u16) -> u8;
        pub safe fn vm_output(drive: u8) -> i16;
        pub safe fn vm_is_modulated(drive: u8) -> bool;
        pub safe fn vm_hand_left_ms(drive: u8) -> i32;
        pub safe fn vm_trip(trip: u8) -> u8;
        pub safe fn vm_alarm(alarm: u8) -> u8;
        pub safe fn vm_step(procedure: u8) -> u8;
        pub safe fn vm_day() -> u32;
        pub fn vm_keep(out: *mut u8);
        pub fn vm_restore(kept: *const u8);
    }
}

/// Verdict of a loader that has nothing against the program.
pub const SOUND: u8 = 0;
/// Verdict: compiled for another wiring table.
pub const WIRING: u8 = 17;
/// Verdict: more inputs or drives than the wiring table has.
pub const BOARD: u8 = 18;
/// Verdict: does not fit the memory.
pub const MEMORY: u8 = 19;

impl Runtime {
    /// Checks a program and changes nothing. The verdict is 0 for a sound one.
    pub fn check(&mut self, bytes: &[u8]) -> Result<VmSizes, u8> {
        let mut sizes = VmSizes::default();
        // SAFETY: both live through the call, and C keeps neither.
        match unsafe { c::vm_check(&Code::in_memory(bytes), &mut sizes) } {
            SOUND => Ok(sizes),
            verdict => Err(verdict),
        }
    }

    /// Loads a program whose bytes a test may change while it runs, as a failing memory does.
    pub fn load_changing<'r>(&'r mut self, bytes: &'r [Cell<u8>]) -> Result<Loaded<'r>, u8> {
        // SAFETY: a cell has the layout of what it holds. The slice lives only through this call, in which nobody changes it; C reads
        // bytes through the address alone.
        let code =
            Code::in_memory(unsafe { std::slice::from_raw_parts(bytes.as_ptr().cast::<u8>(), bytes.len()) });
        let mut sizes = VmSizes::default();
        // SAFETY: both live through the call, and C keeps neither.
        match unsafe { c::vm_check(&code, &mut sizes) } {
            SOUND => {}
            verdict => return Err(verdict),
        }
        let loaded = Loaded { _runtime: self, code, sizes };
        loaded.reload()?;
        Ok(loaded)
    }

    /// Loads a program to be run; it is gone when what comes back is dropped.
    pub fn load<'r>(&'r mut self, bytes: &'r [u8]) -> Result<Loaded<'r>, u8> {
        let sizes = self.check(bytes)?;
        let code = Code::in_memory(bytes);
        let loaded = Loaded { _runtime: self, code, sizes };
        loaded.reload()?;
        Ok(loaded)
    }
}

/// The program that runs in C.
#[derive(Debug)]
pub struct Loaded<'r> {
    _runtime: &'r mut Runtime,
    code: Code<'r>,
    sizes: VmSizes,
}

impl Drop for Loaded<'_> {
    fn drop(&mut self) {
        // SAFETY: an empty program is refused, and with it C forgets the bytes that may now go.
        unsafe { c::vm_load(&Code::in_memory(&[])) };
    }
}

impl Loaded<'_> {
    fn reload(&self) -> Result<(), u8> {
        // SAFETY: the bytes outlive `self`, and its end makes C forget them.
        match unsafe { c::vm_load(&self.code) } {
            SOUND => Ok(()),
            verdict => Err(verdict),
        }
    }

    /// What it has.
    pub fn sizes(&self) -> VmSizes {
        self.sizes
    }

    /// A reset of the board, with a record of the retained state as fresh as can be.
    pub fn restart(&mut self) -> Result<(), u8> {
        let kept = self.keep();
        self.reload()?;
        self.restore(&kept);
        Ok(())
    }

    /// The retained state's bytes.
    pub fn keep(&mut self) -> Vec<u8> {
        let mut kept = vec![0; self.sizes.retained_bytes.into()];
        // SAFETY: C writes as many bytes as it said in `retained_bytes`.
        unsafe { c::vm_keep(kept.as_mut_ptr()) };
        kept
    }

    /// Takes a retained state; one of another length is ignored.
    pub fn restore(&mut self, kept: &[u8]) {
        if kept.len() == usize::from(self.sizes.retained_bytes) {
            // SAFETY: C reads as many bytes as it said in `retained_bytes`.
            unsafe { c::vm_restore(kept.as_ptr()) };
        }
    }

    /// Runs it once; false when its bytes have changed since they were checked.
    pub fn scan(&mut self) -> bool {
        c::vm_scan()
    }

    /// Sets a number input.
    pub fn set_number(&mut self, input: u8, sample: Sample) {
        c::vm_set_number(input, sample.into());
    }

    /// Sets a bit input.
    pub fn set_bit(&mut self, input: u8, value: bool, quality: Quality) {
        c::vm_set_bit(input, value, quality as u8);
    }

    /// Sets the clock; nothing is a lost one.
    pub fn set_clock(&mut self, utc_s: Option<u32>) {
        let quality = if utc_s.is_some() { Quality::Good } else { Quality::Bad };
        c::vm_set_clock(utc_s.unwrap_or(0), quality as u8);
    }

    /// Leaves a command; false when there is no such part.
    pub fn command(&mut self, command: Command) -> bool {
        let part = |order: u16| u8::try_from(order).ok();
        match command {
            Command::Hand { drive, value, time_ms } => {
                let value = value.clamp(i16::MIN.into(), i16::MAX.into()) as i16;
                part(drive).is_some_and(|drive| c::vm_hand(drive, value, time_ms))
            }
            Command::ResetTrip { trip } => part(trip).is_some_and(|trip| c::vm_reset_trip(trip)),
            Command::Procedure { procedure, command } => {
                part(procedure).is_some_and(|procedure| c::vm_procedure(procedure, command as u8))
            }
        }
    }

    /// A number slot.
    pub fn number(&self, slot: u16) -> Sample {
        c::vm_number(slot).into()
    }

    /// A bit slot as it stands.
    pub fn bit(&self, slot: u16) -> u8 {
        c::vm_bit(slot)
    }

    /// Everything in the order of [`program::Machine::lane_words`].
    pub fn words(&self) -> Vec<i32> {
        let sizes = &self.sizes;
        let mut words: Vec<i32> = (0..sizes.n_numbers).map(|slot| c::vm_number(slot).value).collect();
        words.extend((0..sizes.n_numbers).map(|slot| i32::from(c::vm_number(slot).quality)));
        words.extend((0..sizes.n_bits).map(|slot| i32::from(c::vm_bit(slot))));
        words.extend((0..sizes.n_cells).map(|cell| c::vm_cell(cell)));
        words.extend((0..sizes.n_drives).map(|drive| c::vm_hand_left_ms(drive)));
        words.push(c::vm_day() as i32);
        words
    }

    /// 0 or 1 of a switched actuator, 0 to 1000 of a modulated one.
    pub fn output(&self, drive: u8) -> i16 {
        c::vm_output(drive)
    }

    /// Whether an actuator is modulated.
    pub fn is_modulated(&self, drive: u8) -> bool {
        c::vm_is_modulated(drive)
    }

    /// Whether a trip stands.
    pub fn is_tripped(&self, trip: u8) -> bool {
        c::vm_trip(trip) == 1
    }

    /// An alarm: value, quality and priority as `vm_alarm` packs them.
    pub fn alarm(&self, alarm: u8) -> u8 {
        c::vm_alarm(alarm)
    }

    /// Step of a procedure, 0 when it does not run.
    pub fn step(&self, procedure: u8) -> u8 {
        c::vm_step(procedure)
    }

    /// The day that daily counts belong to.
    pub fn day(&self) -> u32 {
        c::vm_day()
    }
}

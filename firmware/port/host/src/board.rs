//! The whole runtime over hardware that a test makes up: pins, converter, buses, line, time.

use core::ffi::c_void;

use crate::{Runtime, flash_with, store};

/// What a board is wired to. What a test does not give answers as bare hardware would: pins read low, nobody is on a bus.
#[allow(unused_variables)]
pub trait Hardware {
    /// The pin lets go, or pulls up.
    fn pin_input(&mut self, pin: u8, with_pull_up: bool) {}
    /// The pin drives this level.
    fn pin_output(&mut self, pin: u8, is_high: bool) {}
    /// The level at the pin.
    fn pin_is_high(&mut self, pin: u8) -> bool {
        false
    }
    /// One conversion.
    fn adc(&mut self, channel: u8) -> u16 {
        0
    }
    /// Pulse-width modulation; whether the pin has it.
    fn pwm(&mut self, pin: u8, permille_high: u16) -> bool {
        false
    }
    /// A tone, 0 Hz for none.
    fn tone(&mut self, pin: u8, hz: u16) {}
    /// One transaction; whether somebody answered.
    fn i2c(&mut self, address: u8, written: &[u8], read: &mut [u8]) -> bool {
        false
    }
    /// Whether somebody is on the bus.
    fn onewire_reset(&mut self, pin: u8) -> bool {
        false
    }
    /// A byte each way.
    fn onewire_byte(&mut self, pin: u8, byte: u8) -> u8 {
        byte
    }
}

type Get = Option<extern "C" fn(*mut c_void) -> i16>;
type Unused = Option<extern "C" fn(*mut c_void)>;

/// As in `port_host.h`.
#[repr(C)]
struct Callbacks {
    test: *mut c_void,
    flash_end: Unused,
    pin_input: Option<extern "C" fn(*mut c_void, u8, bool)>,
    pin_output: Option<extern "C" fn(*mut c_void, u8, bool)>,
    pin_is_high: Option<extern "C" fn(*mut c_void, u8) -> bool>,
    adc: Option<extern "C" fn(*mut c_void, u8) -> u16>,
    pwm: Option<extern "C" fn(*mut c_void, u8, u16) -> bool>,
    tone: Option<extern "C" fn(*mut c_void, u8, u16)>,
    i2c: Option<extern "C" fn(*mut c_void, u8, *const u8, u8, *mut u8, u8) -> bool>,
    onewire_reset: Option<extern "C" fn(*mut c_void, u8) -> bool>,
    onewire_byte: Option<extern "C" fn(*mut c_void, u8, u8) -> u8>,
    spi_select: Unused,
    spi: Unused,
    uart_get: Get,
    uart_put: Unused,
    reset: Unused,
}

#[repr(C)]
struct RawSample {
    value: i32,
    quality: u8,
}

mod c {
    use super::{Callbacks, RawSample};
    unsafe extern "C" {
        pub static mut host_hardware: Callbacks;
        pub static mut host_stamps: u32;
        pub static mut host_reset_cause: u8;
        pub static mut host_stack_is_sound: bool;
        pub static mut host_kicks: u32;
        pub static mut host_flash: [u8; 65_536];
        pub fn host_boot() -> bool;
        pub fn host_round() -> bool;
        pub safe fn edges_changed();
        pub safe fn vm_number(slot: u16) -> RawSample;
        pub safe fn vm_bit(slot: u16) -> u8;
        pub safe fn board_hand(drive: u8, value: i16, time_ms: u32) -> u8;
        pub safe fn board_restart() -> u8;
        pub safe fn board_set_clock(utc_s: u32) -> u8;
        pub safe fn board_clock(quality: &mut u8) -> u32;
        pub safe fn board_skipped_scans() -> u32;
        pub safe fn board_scan_number() -> u32;
    }
}

/// SAFETY of all callbacks: `test` is the hardware of the one [`Board`] that lives, and nobody else has a reference to it while C
/// runs, for C runs only within methods that hold the board mutably.
fn of<'a, H: Hardware>(test: *mut c_void) -> &'a mut H {
    // SAFETY: above.
    unsafe { &mut *test.cast::<H>() }
}

extern "C" fn pin_input<H: Hardware>(test: *mut c_void, pin: u8, with_pull_up: bool) {
    of::<H>(test).pin_input(pin, with_pull_up);
}
extern "C" fn pin_output<H: Hardware>(test: *mut c_void, pin: u8, is_high: bool) {
    of::<H>(test).pin_output(pin, is_high);
}
extern "C" fn pin_is_high<H: Hardware>(test: *mut c_void, pin: u8) -> bool {
    of::<H>(test).pin_is_high(pin)
}
extern "C" fn adc<H: Hardware>(test: *mut c_void, channel: u8) -> u16 {
    of::<H>(test).adc(channel)
}
extern "C" fn pwm<H: Hardware>(test: *mut c_void, pin: u8, permille_high: u16) -> bool {
    of::<H>(test).pwm(pin, permille_high)
}
extern "C" fn tone<H: Hardware>(test: *mut c_void, pin: u8, hz: u16) {
    of::<H>(test).tone(pin, hz);
}
extern "C" fn i2c<H: Hardware>(
    test: *mut c_void,
    address: u8,
    out: *const u8,
    n_out: u8,
    into: *mut u8,
    n_in: u8,
) -> bool {
    // The runtime sends from and reads into one buffer: what is written is copied first.
    // SAFETY: C hands over that many bytes of each.
    let written = unsafe { std::slice::from_raw_parts(out, usize::from(n_out)) }.to_vec();
    // SAFETY: as above; the slice before is gone.
    let read = unsafe { std::slice::from_raw_parts_mut(into, usize::from(n_in)) };
    of::<H>(test).i2c(address, &written, read)
}
extern "C" fn onewire_reset<H: Hardware>(test: *mut c_void, pin: u8) -> bool {
    of::<H>(test).onewire_reset(pin)
}
extern "C" fn onewire_byte<H: Hardware>(test: *mut c_void, pin: u8, byte: u8) -> u8 {
    of::<H>(test).onewire_byte(pin, byte)
}

const STAMPS_PER_MS: u32 = 250;

/// Bits of the cause of a reset (docs/link.md).
pub mod cause {
    /// Power.
    pub const POWER: u8 = 1;
    /// Asked for.
    pub const WANTED: u8 = 0x10;
    /// A self test failed.
    pub const SELF_TEST: u8 = 0x20;
}

/// A board under power. Its EEPROM is what the store was left with.
#[derive(Debug)]
pub struct Board<'r, H: Hardware> {
    runtime: &'r mut Runtime,
    hardware: *mut H,
}

impl<'r, H: Hardware> Board<'r, H> {
    /// Flash with a tables block of these tables; then power.
    pub fn power(runtime: &'r mut Runtime, hardware: H, wiring: &[u8], golden: &[u8]) -> Board<'r, H> {
        let flash = flash_with(wiring, golden);
        let hardware = Box::into_raw(Box::new(hardware));
        let callbacks = Callbacks {
            test: hardware.cast(),
            flash_end: None,
            pin_input: Some(pin_input::<H>),
            pin_output: Some(pin_output::<H>),
            pin_is_high: Some(pin_is_high::<H>),
            adc: Some(adc::<H>),
            pwm: Some(pwm::<H>),
            tone: Some(tone::<H>),
            i2c: Some(i2c::<H>),
            onewire_reset: Some(onewire_reset::<H>),
            onewire_byte: Some(onewire_byte::<H>),
            spi_select: None,
            spi: None,
            uart_get: None,
            uart_put: None,
            reset: None,
        };
        let mut board = Board { runtime, hardware };
        // SAFETY: the runtime is held, so nobody else touches C's statics; the callbacks fit their types in port_host.h.
        unsafe {
            (&raw mut c::host_hardware).write(callbacks);
            (&raw mut c::host_flash).copy_from(flash.as_ptr().cast(), 1);
            (&raw mut c::host_stack_is_sound).write(true);
        }
        board.boot(cause::POWER);
        board
    }

    /// Boots as after a reset with this cause.
    pub fn boot(&mut self, cause: u8) {
        // SAFETY: the runtime is held by this board.
        unsafe {
            (&raw mut c::host_reset_cause).write(cause);
            c::host_boot();
        }
    }

    /// One millisecond and the round of the main loop that it brings; the cause when the runtime has reset the chip.
    pub fn round(&mut self) -> Result<(), u8> {
        // SAFETY: as above.
        unsafe {
            let stamps = (&raw const c::host_stamps).read();
            (&raw mut c::host_stamps).write(stamps.wrapping_add(STAMPS_PER_MS));
            if c::host_round() { Ok(()) } else { Err((&raw const c::host_reset_cause).read()) }
        }
    }

    /// So many rounds.
    pub fn run_ms(&mut self, ms: u32) -> Result<(), u8> {
        (0..ms).try_for_each(|_| self.round())
    }

    /// Time passes in an interrupt's eyes, without a round.
    pub fn pass_us(&mut self, us: u32) {
        // SAFETY: as above.
        unsafe {
            let stamps = (&raw const c::host_stamps).read();
            (&raw mut c::host_stamps).write(stamps.wrapping_add(us / 4));
        }
    }

    /// What the pins' interrupt would call.
    pub fn edge(&mut self) {
        c::edges_changed();
    }

    /// The wiring of the test.
    pub fn hardware(&mut self) -> &mut H {
        // SAFETY: C does not run while this reference lives, for that takes the board mutably.
        unsafe { &mut *self.hardware }
    }

    /// Its storage, for what comes over the link or happens to the cells.
    pub fn store(&mut self) -> store::Store<'_> {
        store::Store::of(self.runtime)
    }

    /// A byte of flash changes.
    pub fn set_flash(&mut self, at: usize, byte: u8) {
        // SAFETY: as above; the index is kept within the array.
        unsafe { (&raw mut c::host_flash).cast::<u8>().add(at & 0xFFFF).write(byte) };
    }

    /// The guard behind the statics breaks.
    pub fn break_stack(&mut self) {
        // SAFETY: as above.
        unsafe { (&raw mut c::host_stack_is_sound).write(false) };
    }

    /// Kicks of the watchdog so far.
    pub fn kicks(&self) -> u32 {
        // SAFETY: as above.
        unsafe { (&raw const c::host_kicks).read() }
    }

    /// Value and quality of a number slot.
    pub fn number(&self, slot: u16) -> (i32, u8) {
        let sample = c::vm_number(slot);
        (sample.value, sample.quality)
    }

    /// Value and quality of a bit input.
    pub fn bit_input(&self, input: u8) -> (bool, u8) {
        let bit = c::vm_bit(2 + u16::from(input));
        (bit & 1 != 0, bit >> 1)
    }

    /// Answer to a hand command.
    pub fn hand(&mut self, drive: u8, value: i16, time_ms: u32) -> u8 {
        c::board_hand(drive, value, time_ms)
    }

    /// Answer to a wish for a restart.
    pub fn restart(&mut self) -> u8 {
        c::board_restart()
    }

    /// Answer to a clock that is set.
    pub fn set_clock(&mut self, utc_s: u32) -> u8 {
        c::board_set_clock(utc_s)
    }

    /// The clock and its quality.
    pub fn clock(&self) -> (u32, u8) {
        let mut quality = 0;
        (c::board_clock(&mut quality), quality)
    }

    /// Scans and skipped ones.
    pub fn scans(&self) -> (u32, u32) {
        (c::board_scan_number(), c::board_skipped_scans())
    }

    /// Codes and arguments of the events in the journal.
    pub fn events(&self) -> Vec<(u8, u16)> {
        let mut events = Vec::new();
        let mut from = 1;
        while let Some(event) = store::event_after(from).filter(|_| events.len() < 64) {
            events.push((event.code, event.argument));
            from = event.sequence.wrapping_add(1);
        }
        events
    }
}

impl<H: Hardware> Drop for Board<'_, H> {
    fn drop(&mut self) {
        // SAFETY: the pointer came from a box, and C loses it before the box goes.
        unsafe {
            (&raw mut c::host_hardware).write(std::mem::zeroed());
            drop(Box::from_raw(self.hardware));
        }
    }
}

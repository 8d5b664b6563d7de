//! The whole runtime on a cable: it boots from a flash that a test fills, and its serial line is a transport of the station's client.

use std::collections::VecDeque;
use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use link::transport::Transport;

use crate::{Runtime, flash_with};

const STAMPS_PER_MS: u32 = 250;
/// Bits of the cause of a reset.
const CAUSE_POWER: u8 = 1;

mod c {
    /// As in `port_host.h`; a callback that is not there answers as bare hardware would.
    #[repr(C)]
    pub struct Hardware {
        pub test: *mut core::ffi::c_void,
        pub flash_end: Option<extern "C" fn()>,
        pub pin_input: Option<extern "C" fn()>,
        pub pin_output: Option<extern "C" fn(*mut core::ffi::c_void, u8, bool)>,
        pub pin_is_high: Option<extern "C" fn(*mut core::ffi::c_void, u8) -> bool>,
        pub adc: Option<extern "C" fn(*mut core::ffi::c_void, u8) -> u16>,
        pub pwm: Option<extern "C" fn()>,
        pub tone: Option<extern "C" fn()>,
        pub i2c: Option<extern "C" fn()>,
        pub onewire_reset: Option<extern "C" fn()>,
        pub onewire_byte: Option<extern "C" fn()>,
        pub spi_select: Option<extern "C" fn()>,
        pub spi: Option<extern "C" fn()>,
        pub uart_get: Option<extern "C" fn(*mut core::ffi::c_void) -> i16>,
        pub uart_put: Option<extern "C" fn(*mut core::ffi::c_void, u8)>,
        pub reset: Option<extern "C" fn()>,
    }

    unsafe extern "C" {
        pub static mut host_hardware: Hardware;
        pub static mut host_stamps: u32;
        pub static mut host_reset_cause: u8;
        pub static mut host_flash: [u8; 65_536];
        pub fn host_boot() -> bool;
        pub fn host_round() -> bool;
        pub safe fn board_scan_number() -> u32;
        pub safe fn store_power_up();
    }
}

/// Pins and serial line.
#[derive(Debug)]
struct Wires {
    levels: [bool; 256],
    counts: [u16; 256],
    to_board: VecDeque<u8>,
    from_board: VecDeque<u8>,
}

static WIRES: Mutex<Wires> = Mutex::new(Wires::NONE);

impl Wires {
    const NONE: Wires = Wires {
        levels: [false; 256],
        counts: [0; 256],
        to_board: VecDeque::new(),
        from_board: VecDeque::new(),
    };
}

fn wires() -> MutexGuard<'static, Wires> {
    WIRES.lock().unwrap_or_else(PoisonError::into_inner)
}

extern "C" fn pin_output(_: *mut core::ffi::c_void, pin: u8, is_high: bool) {
    wires().levels[usize::from(pin)] = is_high;
}

extern "C" fn pin_is_high(_: *mut core::ffi::c_void, pin: u8) -> bool {
    wires().levels[usize::from(pin)]
}

extern "C" fn adc(_: *mut core::ffi::c_void, channel: u8) -> u16 {
    wires().counts[usize::from(channel)]
}

extern "C" fn uart_get(_: *mut core::ffi::c_void) -> i16 {
    wires().to_board.pop_front().map_or(-1, i16::from)
}

extern "C" fn uart_put(_: *mut core::ffi::c_void, byte: u8) {
    wires().from_board.push_back(byte);
}

/// A board that runs, with a cable to it. Its EEPROM is whatever the runtime's store was left with.
#[derive(Debug)]
pub struct Cabled<'r> {
    _runtime: &'r mut Runtime,
    /// Resets so far, beside the first boot.
    pub n_resets: u32,
}

impl Cabled<'_> {
    /// Fills the flash with the tables block of a wiring table and a golden program, and switches the board on.
    pub fn boot<'r>(runtime: &'r mut Runtime, wiring: &[u8], golden: &[u8]) -> Cabled<'r> {
        let flash = flash_with(wiring, golden);
        *wires() = Wires::NONE;
        let hardware = c::Hardware {
            test: std::ptr::null_mut(),
            flash_end: None,
            pin_input: None,
            pin_output: Some(pin_output),
            pin_is_high: Some(pin_is_high),
            adc: Some(adc),
            pwm: None,
            tone: None,
            i2c: None,
            onewire_reset: None,
            onewire_byte: None,
            spi_select: None,
            spi: None,
            uart_get: Some(uart_get),
            uart_put: Some(uart_put),
            reset: None,
        };
        // SAFETY: whoever holds the runtime is alone with these statics; the callbacks are functions that live for ever.
        unsafe {
            (&raw mut c::host_flash).cast::<u8>().copy_from_nonoverlapping(flash.as_ptr(), flash.len());
            (&raw mut c::host_hardware).write(hardware);
            // Its 32 bits do not end in a whole millisecond: a board that runs for five hours would see time jump.
            c::host_stamps = 0;
        }
        let mut board = Cabled { _runtime: runtime, n_resets: 0 };
        board.power_up();
        board
    }

    /// Power was off and comes back.
    pub fn power_up(&mut self) {
        // SAFETY: as above.
        unsafe {
            c::host_reset_cause = CAUSE_POWER;
        }
        self.start();
    }

    /// Boots, with memory as it comes up.
    fn start(&mut self) {
        c::store_power_up();
        // SAFETY: as above.
        unsafe { while !c::host_boot() {} }
    }

    /// The main loop, one round a millisecond; a board that resets itself boots again.
    pub fn run(&mut self, ms: u32) {
        for _ in 0..ms {
            // SAFETY: as above.
            unsafe {
                c::host_stamps = c::host_stamps.wrapping_add(STAMPS_PER_MS);
                if !c::host_round() {
                    self.n_resets += 1;
                    self.start();
                }
            }
        }
    }

    /// A contact or whatever else drives this pin.
    pub fn set_pin(&mut self, pin: u8, is_high: bool) {
        wires().levels[usize::from(pin)] = is_high;
    }

    /// What a conversion of this channel gives.
    pub fn set_adc(&mut self, channel: u8, counts: u16) {
        wires().counts[usize::from(channel)] = counts;
    }

    /// What has come from the board, without letting it run; how many bytes.
    pub fn take(&mut self, buffer: &mut [u8]) -> usize {
        let mut wires = wires();
        let n = wires.from_board.len().min(buffer.len());
        for (place, byte) in buffer.iter_mut().zip(wires.from_board.drain(..n)) {
            *place = byte;
        }
        n
    }

    /// Scans since boot.
    pub fn n_scans(&self) -> u32 {
        c::board_scan_number()
    }

    /// The level of a pin.
    pub fn pin(&self, pin: u8) -> bool {
        wires().levels[usize::from(pin)]
    }
}

/// Whoever waits for bytes lets the board run meanwhile, in its own time.
impl Transport for &mut Cabled<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        wires().to_board.extend(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _: Duration) -> io::Result<usize> {
        self.run(5);
        Ok(self.take(buffer))
    }
}

//! The C link as a library for tests: the real `link.c` and what belongs to it, over a pretended runtime, program and port
//! (`fake.c`).
//!
//! Contract: the C code keeps its state in statics. [`Board::lock`] gives the only way to it; whoever holds a [`Board`] is alone.
#![allow(unsafe_code, reason = "calls into C; every block says why it is sound")]

use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use link::transport::Transport;

/// One act that the link had carried out, as `struct fake_act` in `fake.h`.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct Act {
    /// Type of the message that asked for it.
    pub kind: u8,
    /// Drive, trip, key, sequence, minutes.
    pub part: u8,
    /// Value, command, offset, length.
    pub value: i32,
    /// Time of a hand, clock.
    pub time: u32,
    bytes: [u8; 56],
    n_bytes: u8,
}

impl Act {
    /// Bytes that came with it.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..self.n_bytes.into()]
    }
}

pub mod w5500;

mod c {
    use super::Act;
    #[rustfmt::skip]
    unsafe extern "C" {
        pub fn fake_reset();
        pub fn fake_receive(bytes: *const u8, n: usize);
        pub fn fake_sent(bytes: *mut u8, room: usize) -> usize;
        pub fn fake_n_acts() -> u32;
        pub fn fake_act(n: u32) -> Act;
        pub fn fake_answer(answer: u8, verdict: u8);
        pub fn fake_program(n_numbers: u16, n_bits: u16, n_cells: u16, n_number_inputs: u8, n_bit_inputs: u8, n_drives: u8,
                            n_trips: u8, n_alarms: u8, n_procedures: u8);
        pub fn fake_value(kind: u32, index: u32, scan: u32) -> u32;
        pub fn fake_scan();
        pub fn fake_event(code: u8, argument: u16, minute: u16);
        pub fn fake_next_event(sequence: u8);
        pub fn fake_acknowledged() -> u8;
        pub fn fake_key(key: *const u8);
        pub fn fake_boots(boots: u32);
        pub fn fake_ms(ms: u16);
        pub fn fake_bus(spi: Option<extern "C" fn(u8) -> u8>, select: Option<extern "C" fn(bool)>);
        pub fn link_idle() -> bool;
        pub fn link_is_quiet() -> bool;
        pub fn link_has_room() -> bool;
        pub fn link_command(kind: u8, part: u8, value: i16, time_ms: u32);
        pub fn frame_unstuff(bytes: *mut u8, n: u8) -> u8;
        pub fn frame_stuff(bytes: *mut u8, n: u8) -> u8;
        pub fn frame_crc(bytes: *const u8, n: u8) -> u16;
        pub fn ascon_crypt(key: *const u8, nonce: *const u8, bytes: *mut u8, n: u8, is_open: bool) -> bool;
    }
}

static ALONE: Mutex<()> = Mutex::new(());

/// How many parts of each kind the pretended program has.
#[derive(Clone, Copy, Debug)]
#[expect(missing_docs, reason = "the names say it")]
pub struct Parts {
    pub n_numbers: u16,
    pub n_bits: u16,
    pub n_cells: u16,
    pub n_number_inputs: u8,
    pub n_bit_inputs: u8,
    pub n_drives: u8,
    pub n_trips: u8,
    pub n_alarms: u8,
    pub n_procedures: u8,
}

/// What stands on the SPI bus.
pub trait Bus {
    /// The select pin goes low (selected) or high.
    fn select(&mut self, is_selected: bool);
    /// A byte goes out, another comes in.
    fn exchange(&mut self, byte: u8) -> u8;
}

static BUS: Mutex<Option<Box<dyn Bus + Send>>> = Mutex::new(None);

extern "C" fn bus_exchange(byte: u8) -> u8 {
    let mut bus = BUS.lock().unwrap_or_else(PoisonError::into_inner);
    bus.as_mut().map_or(0xFF, |bus| bus.exchange(byte))
}

extern "C" fn bus_select(is_selected: bool) {
    let mut bus = BUS.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(bus) = bus.as_mut() {
        bus.select(is_selected);
    }
}

/// The one pretended board of this process.
#[derive(Debug)]
pub struct Board {
    _alone: MutexGuard<'static, ()>,
}

// SAFETY of all calls below: the functions take plain values or pointers to as many bytes as are named beside them, keep none of
// the pointers, and touch only their own statics, which `self` holds the lock of.
#[allow(clippy::undocumented_unsafe_blocks, reason = "one reason for all of them, above")]
impl Board {
    /// Waits for the board and resets it.
    pub fn lock() -> Board {
        let board = Board { _alone: ALONE.lock().unwrap_or_else(PoisonError::into_inner) };
        *BUS.lock().unwrap_or_else(PoisonError::into_inner) = None;
        unsafe {
            c::fake_bus(Some(bus_exchange), Some(bus_select));
            c::fake_reset();
        }
        board
    }

    /// Resets it; what stands on the bus stays.
    pub fn reset(&mut self) {
        unsafe { c::fake_reset() }
    }

    /// Puts something on the SPI bus.
    pub fn put_on_bus(&mut self, bus: Box<dyn Bus + Send>) {
        *BUS.lock().unwrap_or_else(PoisonError::into_inner) = Some(bus);
    }

    /// Bytes into the serial line.
    pub fn put(&mut self, bytes: &[u8]) {
        unsafe { c::fake_receive(bytes.as_ptr(), bytes.len()) }
    }

    /// What came out of the serial line.
    pub fn sent(&mut self) -> Vec<u8> {
        let mut bytes = vec![0; 8192];
        let n = unsafe { c::fake_sent(bytes.as_mut_ptr(), bytes.len()) };
        bytes.truncate(n);
        bytes
    }

    /// One call of the main loop; true while something waits.
    pub fn idle(&mut self) -> bool {
        unsafe { c::link_idle() }
    }

    /// The main loop until nothing is left to do.
    pub fn settle(&mut self) {
        for _ in 0..2_000 {
            if !self.idle() {
                break;
            }
        }
    }

    /// Whether an answer is still to be sent.
    pub fn is_quiet(&self) -> bool {
        unsafe { c::link_is_quiet() }
    }

    /// Acts so far.
    pub fn n_acts(&self) -> u32 {
        unsafe { c::fake_n_acts() }
    }

    /// The last act.
    pub fn last_act(&self) -> Act {
        unsafe { c::fake_act(c::fake_n_acts().wrapping_sub(1)) }
    }

    /// How acts are answered from now on.
    pub fn answer(&mut self, answer: u8, verdict: u8) {
        unsafe { c::fake_answer(answer, verdict) }
    }

    /// The pretended program.
    pub fn program(&mut self, parts: Parts) {
        unsafe {
            c::fake_program(
                parts.n_numbers,
                parts.n_bits,
                parts.n_cells,
                parts.n_number_inputs,
                parts.n_bit_inputs,
                parts.n_drives,
                parts.n_trips,
                parts.n_alarms,
                parts.n_procedures,
            );
        }
    }

    /// The value of a thing in a scan.
    pub fn value(&self, kind: u32, index: u32, scan: u32) -> u32 {
        unsafe { c::fake_value(kind, index, scan) }
    }

    /// A scan ends.
    pub fn scan(&mut self) {
        unsafe { c::fake_scan() }
    }

    /// An event more in the journal.
    pub fn event(&mut self, code: u8, argument: u16, minute: u16) {
        unsafe { c::fake_event(code, argument, minute) }
    }

    /// The sequence that the next event gets.
    pub fn next_event(&mut self, sequence: u8) {
        unsafe { c::fake_next_event(sequence) }
    }

    /// Up to which the events were acknowledged.
    pub fn acknowledged(&self) -> u8 {
        unsafe { c::fake_acknowledged() }
    }

    /// The network key.
    pub fn key(&mut self, key: Option<&[u8; 16]>) {
        unsafe { c::fake_key(key.map_or(std::ptr::null(), |key| key.as_ptr())) }
    }

    /// The boot counter.
    pub fn boots(&mut self, boots: u32) {
        unsafe { c::fake_boots(boots) }
    }

    /// The millisecond clock.
    pub fn ms(&mut self, ms: u16) {
        unsafe { c::fake_ms(ms) }
    }

    /// Whether the next scan takes a further command.
    pub fn has_room(&self) -> bool {
        unsafe { c::link_has_room() }
    }

    /// A command from elsewhere than the link, such as a remote key.
    pub fn command(&mut self, kind: u8, part: u8, value: i16, time_ms: u32) {
        unsafe { c::link_command(kind, part, value, time_ms) }
    }

    /// `frame_unstuff` over these bytes.
    pub fn unstuff(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut bytes = bytes.to_vec();
        let n = unsafe { c::frame_unstuff(bytes.as_mut_ptr(), bytes.len().try_into().unwrap_or(254)) };
        bytes.truncate(n.into());
        bytes
    }

    /// `frame_stuff` over these bytes.
    pub fn stuff(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut room = vec![0; bytes.len() + 2];
        room[1..=bytes.len()].copy_from_slice(bytes);
        let n = unsafe { c::frame_stuff(room.as_mut_ptr(), bytes.len().try_into().unwrap_or(253)) };
        room.truncate(n.into());
        room
    }

    /// `frame_crc` over these bytes.
    pub fn crc(&mut self, bytes: &[u8]) -> u16 {
        unsafe { c::frame_crc(bytes.as_ptr(), bytes.len().try_into().unwrap_or(255)) }
    }

    /// `ascon_crypt`: ciphertext and tag.
    pub fn seal(&mut self, key: &[u8; 16], nonce: &[u8; 16], message: &[u8]) -> Vec<u8> {
        let mut bytes = message.to_vec();
        bytes.resize(message.len() + 16, 0);
        let n = message.len().try_into().unwrap_or(239);
        unsafe { c::ascon_crypt(key.as_ptr(), nonce.as_ptr(), bytes.as_mut_ptr(), n, false) };
        bytes
    }

    /// `ascon_crypt`: the message of ciphertext and tag, when the tag is right.
    pub fn open(&mut self, key: &[u8; 16], nonce: &[u8; 16], sealed: &[u8]) -> Option<Vec<u8>> {
        let mut bytes = sealed.to_vec();
        let n = sealed.len().checked_sub(16)?;
        let is_sound = unsafe {
            c::ascon_crypt(
                key.as_ptr(),
                nonce.as_ptr(),
                bytes.as_mut_ptr(),
                n.try_into().unwrap_or(239),
                true,
            )
        };
        bytes.truncate(n);
        is_sound.then_some(bytes)
    }
}

/// The serial line of the board as a transport: whoever waits for bytes runs the board meanwhile.
impl Transport for &mut Board {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.put(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        // Nothing more can come once the board has settled: a test that waits for nothing need not wait in wall time.
        let is_last = wait.is_zero();
        self.settle();
        // SAFETY: as above; the buffer is as long as it says.
        let n = unsafe { c::fake_sent(buffer.as_mut_ptr(), buffer.len()) };
        if n == 0 && !is_last {
            std::thread::sleep(wait);
        }
        Ok(n)
    }
}

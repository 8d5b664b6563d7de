//! The storage in EEPROM (`firmware/core/store.h`) on a part that can lose power in the middle of a byte
//! (`firmware/port/host/eeprom.h`).

use crate::{Code, Runtime};

/// Bytes of the host's EEPROM: that of the smallest board.
pub const EEPROM_BYTES: usize = 1024;
/// Longest chunk of an upload, `STORE_CHUNK`.
pub const CHUNK: usize = 24;

mod c {
    use super::{Code, EEPROM_BYTES};

    #[repr(C)]
    pub struct Event {
        pub sequence: u8,
        pub code: u8,
        pub argument: u16,
        pub minute: u16,
    }

    #[repr(C)]
    pub struct Correction {
        pub kind: u8,
        pub payload: [u8; 8],
    }

    #[repr(C)]
    pub struct Wiring {
        pub board: u8,
        pub n_numbers: u8,
        pub n_bits: u8,
        pub n_outputs: u8,
        pub n_devices: u8,
        pub reference_mv: u16,
        pub full_scale: u16,
        pub crc: u32,
    }

    unsafe extern "C" {
        pub static mut host_eeprom: [u8; EEPROM_BYTES];
        pub static mut host_eeprom_wear: [u32; EEPROM_BYTES];
        pub static mut host_eeprom_dead_cell: [u8; EEPROM_BYTES];
        pub static mut wiring: Wiring;
        pub safe fn host_eeprom_cut(n: i32, left: u8);
        pub safe fn host_eeprom_is_off() -> bool;
        pub safe fn host_eeprom_on(flickers: bool);
        pub safe fn host_eeprom_firm();
        pub safe fn host_eeprom_written() -> u32;
        pub safe fn store_power_up();
        pub safe fn store_open(golden: u16) -> u8;
        pub safe fn store_refused(verdict: u8) -> u8;
        pub safe fn store_running() -> u8;
        pub safe fn store_fell_back() -> u8;
        pub safe fn store_boot_counter() -> u32;
        pub safe fn store_program_code(program: u8) -> Code<'static>;
        pub safe fn store_idle() -> bool;
        pub safe fn store_flush();
        pub safe fn store_minute() -> bool;
        pub safe fn store_upload_begin(length: u16) -> u8;
        pub fn store_upload_chunk(offset: u16, bytes: *const u8, n: u8) -> u8;
        pub fn store_upload_end(minutes: u8, verdict: *mut u8) -> u8;
        pub safe fn store_confirm() -> u8;
        pub safe fn store_revert(why: u8) -> u8;
        pub fn store_correction(input: u8, out: *mut Correction);
        pub fn store_calibrate(entry: *const u8) -> u8;
        pub fn store_calibration(n: u8, entry: *mut u8) -> bool;
        pub safe fn store_key_code(key: u8) -> u32;
        pub safe fn store_learn(key: u8, code: u32) -> u8;
        pub fn store_key(key: *mut u8) -> bool;
        pub fn store_set_key(key: *const u8) -> u8;
        pub fn store_retained(other: *mut u16) -> bool;
        pub safe fn store_keep();
        pub safe fn store_event(code: u8, argument: u16, minute: u16);
        pub fn store_event_after(from: u8, out: *mut Event) -> bool;
        pub safe fn store_newest_event() -> u8;
        pub safe fn store_confirmed_event() -> u8;
        pub safe fn store_events_confirmed(sequence: u8);
        pub fn vm_load(code: *const Code<'_>) -> u8;
        pub fn vm_keep(out: *mut u8);
        pub fn vm_restore(kept: *const u8);
    }
}

/// The oldest unconfirmed event at or after a sequence. For whoever holds the runtime.
pub(crate) fn event_after(from: u8) -> Option<program::eeprom::Event> {
    let mut event = c::Event { sequence: 0, code: 0, argument: 0, minute: 0 };
    // SAFETY: `event` has the layout of `struct event`.
    unsafe { c::store_event_after(from, &mut event) }.then_some(program::eeprom::Event {
        sequence: event.sequence,
        code: event.code,
        argument: event.argument,
        minute: event.minute,
    })
}

/// `enum store_answer`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "they stand in store.h")]
pub enum Answer {
    Done,
    Busy,
    NoUpload,
    Offset,
    TooLong,
    Program,
    Trial,
    Full,
    Worn,
}

impl Answer {
    fn new(number: u8) -> Answer {
        use Answer::*;
        [Done, Busy, NoUpload, Offset, TooLong, Program, Trial, Full, Worn]
            .get(usize::from(number))
            .copied()
            .unwrap_or_else(|| panic!("store.h knows no answer {number}"))
    }
}

/// `enum store_program`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "they stand in store.h")]
pub enum Running {
    Golden,
    Confirmed,
    Trial,
}

impl Running {
    fn new(number: u8) -> Running {
        [Running::Golden, Running::Confirmed, Running::Trial]
            .get(usize::from(number))
            .copied()
            .unwrap_or_else(|| panic!("store.h knows no program {number}"))
    }
}

/// What EEPROM holds and how it is written. The part keeps its bytes from one `Store` to the next.
#[derive(Debug)]
pub struct Store<'r> {
    _runtime: &'r mut Runtime,
}

impl<'r> Store<'r> {
    /// A part as it leaves the factory: all ones, no cell worn.
    pub fn blank(runtime: &'r mut Runtime) -> Store<'r> {
        let mut store = Store { _runtime: runtime };
        store.set_bytes(&[0xFF; EEPROM_BYTES]);
        // SAFETY: the runtime is held, so nobody else touches these arrays.
        unsafe {
            c::host_eeprom_wear = [0; EEPROM_BYTES];
            c::host_eeprom_dead_cell = [0; EEPROM_BYTES];
        }
        store.power_up(false);
        store
    }

    /// That of a board which runs.
    pub(crate) fn of(runtime: &'r mut Runtime) -> Store<'r> {
        Store { _runtime: runtime }
    }

    /// The chip after a reset: statics as the linker left them, power there. The cell that was cut, if one was, `flickers`.
    pub fn power_up(&mut self, flickers: bool) {
        c::host_eeprom_on(flickers);
        c::store_power_up();
    }

    /// The cells.
    pub fn bytes(&self) -> [u8; EEPROM_BYTES] {
        // SAFETY: as in `blank`; an array is copied.
        unsafe { c::host_eeprom }
    }

    /// Other cells, as from a programmer; no wear.
    pub fn set_bytes(&mut self, bytes: &[u8; EEPROM_BYTES]) {
        c::host_eeprom_firm();
        // SAFETY: as in `blank`.
        unsafe { c::host_eeprom = *bytes }
    }

    /// Writes of each cell so far.
    pub fn wear(&self) -> [u32; EEPROM_BYTES] {
        // SAFETY: as in `blank`; an array is copied.
        unsafe { c::host_eeprom_wear }
    }

    /// This cell takes nothing any more.
    pub fn wear_out(&mut self, cell: usize) {
        // SAFETY: as in `blank`; an index beyond the array panics.
        unsafe { c::host_eeprom_dead_cell[cell] = 1 }
    }

    /// Power fails while the `n`-th byte from now is written, whose cell then holds `left`.
    pub fn cut_at(&mut self, n: u32, left: u8) {
        c::host_eeprom_cut(i32::try_from(n).unwrap_or(i32::MAX), left);
    }

    /// Whether power has failed.
    pub fn is_off(&self) -> bool {
        c::host_eeprom_is_off()
    }

    /// Bytes written since `power_up` or `cut_at`.
    pub fn n_written(&self) -> u32 {
        c::host_eeprom_written()
    }

    /// Boot: what to load.
    pub fn open(&mut self, golden: u16) -> Running {
        Running::new(c::store_open(golden))
    }

    /// The loader refused it with this verdict.
    pub fn refused(&mut self, verdict: u8) -> Running {
        Running::new(c::store_refused(verdict))
    }

    /// What runs.
    pub fn running(&self) -> Running {
        Running::new(c::store_running())
    }

    /// `enum store_fallback`.
    pub fn fell_back(&self) -> u8 {
        c::store_fell_back()
    }

    /// Boots so far.
    pub fn boot_counter(&self) -> u32 {
        c::store_boot_counter()
    }

    /// The program of a slot as the loader finds it.
    pub fn program(&self, program: Running) -> Vec<u8> {
        let code = c::store_program_code(program as u8);
        (0..code.length()).map(|offset| code.byte(offset)).collect()
    }

    /// Loads what `open` named, as the runtime does at boot. Returns what runs.
    pub fn load(&mut self, golden: &'static [u8]) -> Running {
        loop {
            let running = self.running();
            let code = match running {
                Running::Golden => Code::in_memory(golden),
                _ => c::store_program_code(running as u8),
            };
            // SAFETY: `code` has the layout of `struct code`, and the bytes that it points at live for ever.
            let verdict = unsafe { c::vm_load(&code) };
            if verdict == 0 || running == Running::Golden {
                return running;
            }
            self.refused(verdict);
        }
    }

    /// The wiring table that programs must have been compiled for, and what it has.
    pub fn set_wiring(&mut self, crc: u32, n_numbers: u8, n_bits: u8, n_outputs: u8) {
        // SAFETY: as in `blank`.
        unsafe {
            c::wiring.crc = crc;
            c::wiring.n_numbers = n_numbers;
            c::wiring.n_bits = n_bits;
            c::wiring.n_outputs = n_outputs;
        }
    }

    /// One act; whether work is left.
    pub fn idle(&mut self) -> bool {
        c::store_idle()
    }

    /// Everything that waits.
    pub fn flush(&mut self) {
        c::store_flush();
    }

    /// A minute has passed; whether the trial's time is over.
    pub fn minute(&mut self) -> bool {
        c::store_minute()
    }

    /// Begins an upload.
    pub fn upload_begin(&mut self, length: u16) -> Answer {
        Answer::new(c::store_upload_begin(length))
    }

    /// A chunk; not more than 255 bytes.
    pub fn upload_chunk(&mut self, offset: u16, bytes: &[u8]) -> Answer {
        let n = u8::try_from(bytes.len()).unwrap_or(u8::MAX);
        // SAFETY: at least `n` bytes are there.
        Answer::new(unsafe { c::store_upload_chunk(offset, bytes.as_ptr(), n) })
    }

    /// Ends an upload: the answer, and the loader's verdict.
    pub fn upload_end(&mut self, minutes: u8) -> (Answer, u8) {
        let mut verdict = 0;
        // SAFETY: `verdict` is one byte.
        let answer = unsafe { c::store_upload_end(minutes, &mut verdict) };
        (Answer::new(answer), verdict)
    }

    /// The trial becomes the confirmed program.
    pub fn confirm(&mut self) -> Answer {
        Answer::new(c::store_confirm())
    }

    /// The trial is given up.
    pub fn revert(&mut self, why: u8) -> Answer {
        Answer::new(c::store_revert(why))
    }

    /// Kind and payload of an input's entry; kind 0 without one.
    pub fn correction(&self, input: u8) -> (u8, [u8; 8]) {
        let mut out = c::Correction { kind: 0, payload: [0; 8] };
        // SAFETY: `out` has the layout of `struct correction`.
        unsafe { c::store_correction(input, &mut out) };
        (out.kind, out.payload)
    }

    /// Takes an entry.
    pub fn calibrate(&mut self, entry: &[u8; 14]) -> Answer {
        // SAFETY: 14 bytes are there.
        Answer::new(unsafe { c::store_calibrate(entry.as_ptr()) })
    }

    /// The n-th entry that counts.
    pub fn calibration(&self, n: u8) -> Option<[u8; 14]> {
        let mut entry = [0; 14];
        // SAFETY: 14 bytes are there.
        unsafe { c::store_calibration(n, entry.as_mut_ptr()) }.then_some(entry)
    }

    /// Learned code of a key.
    pub fn key_code(&self, key: u8) -> Option<u32> {
        Some(c::store_key_code(key)).filter(|&code| code != u32::MAX)
    }

    /// Learns the code of a key.
    pub fn learn(&mut self, key: u8, code: u32) -> Answer {
        Answer::new(c::store_learn(key, code))
    }

    /// The network key.
    pub fn key(&self) -> Option<[u8; 16]> {
        let mut key = [0; 16];
        // SAFETY: 16 bytes are there.
        unsafe { c::store_key(key.as_mut_ptr()) }.then_some(key)
    }

    /// Sets the network key.
    pub fn set_key(&mut self, key: &[u8; 16]) -> Answer {
        // SAFETY: 16 bytes are there.
        Answer::new(unsafe { c::store_set_key(key.as_ptr()) })
    }

    /// Gives the loaded program what was retained for it.
    pub fn restore_retained(&mut self) -> bool {
        let mut other = 0;
        // SAFETY: one word to write to.
        unsafe { c::store_retained(&mut other) }
    }

    /// Asks that the retained state be kept.
    pub fn keep(&mut self) {
        c::store_keep();
    }

    /// What the loaded program would have kept, of at most 255 bytes the first `n`.
    pub fn retained(&self, n: usize) -> Vec<u8> {
        let mut out = vec![0; 255];
        // SAFETY: a program retains at most 255 bytes (`retained_bytes` is one byte).
        unsafe { c::vm_keep(out.as_mut_ptr()) };
        out.truncate(n);
        out
    }

    /// Puts the loaded program's retained state to this, right after `load`.
    pub fn set_retained(&mut self, kept: &[u8]) {
        let mut whole = kept.to_vec();
        whole.resize(255, 0);
        // SAFETY: as in `retained`.
        unsafe { c::vm_restore(whole.as_ptr()) };
    }

    /// Something happened.
    pub fn event(&mut self, code: u8, argument: u16, minute: u16) {
        c::store_event(code, argument, minute);
    }

    /// The oldest unconfirmed event at or after a sequence.
    pub fn event_after(&self, from: u8) -> Option<program::eeprom::Event> {
        event_after(from)
    }

    /// Sequence of the newest event in the cells.
    pub fn newest_event(&self) -> u8 {
        c::store_newest_event()
    }

    /// Up to which the station has the events.
    pub fn confirmed_event(&self) -> u8 {
        c::store_confirmed_event()
    }

    /// The station has them up to here.
    pub fn events_confirmed(&mut self, sequence: u8) {
        c::store_events_confirmed(sequence);
    }
}

//! The C panel against the reference, char by char: generated tables over generated states, through ticks, scans, keys, learning,
//! doubts and silences.
#![allow(unsafe_code, reason = "calls into C; every block says why it is sound")]
#![allow(clippy::unwrap_used)]

use firmware_host::{Code, Runtime};
use program::panel::show::{Act, Display, Seen};
use program::panel::{
    Action, Counts, Form, Key, KeyCommand, MOST_KEYS, Panel, Pattern, Piece, Source, Text, Texts, What,
    code_of_frame,
};
use program::{Quality, Sample};

const MOST: usize = 64;

#[repr(C)]
#[derive(Clone, Copy)]
struct CSample {
    value: i32,
    quality: u8,
}

#[repr(C)]
struct State {
    counts: Counts,
    numbers: *const CSample,
    bits: *const u8,
    outputs: *const i16,
    hand_left: *const i32,
    alarms: *const u8,
    steps: *const u8,
    codes: *const u32,
    answer: u8,
}

unsafe extern "C" {
    fn alone_set(state: *const State);
    fn alone_act(n: u8, act: *mut i32) -> u8;
    fn alone_open(code: *const Code<'_>) -> bool;
    safe fn alone_tick();
    safe fn alone_scan();
    safe fn alone_char(row: u8, column: u8) -> u8;
    safe fn alone_tone() -> u16;
    safe fn alone_doubt(doubt: u8);
    safe fn alone_silence(time_s: u16);
    safe fn alone_code(frame: u32) -> u32;
    safe fn alone_key(code: u32) -> u8;
    safe fn alone_learn(key: u8) -> bool;
}

const NO_CODE: u32 = 0xFFFF_FFFF;
const NO_KEY: u8 = 0xFF;

/// xorshift64*: the same cases on every machine.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 16
    }

    /// From 0 to below n.
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }

    fn text(&mut self, longest: usize) -> Text {
        let length = self.below(longest + 1);
        (0..length).map(|_| 0x20 + self.below(0xE0) as u8).collect()
    }

    /// Often small, sometimes at the ends.
    fn number(&mut self) -> i32 {
        match self.below(6) {
            0 => self.pick(&[i32::MIN, i32::MAX, 0, -1, 1, i32::MIN + 1]),
            1 => self.next() as i32,
            2 => self.below(2001) as i32 - 1000,
            _ => self.below(120_001) as i32 - 30_000,
        }
    }
}

fn counts(dice: &mut Dice) -> Counts {
    let (n_numbers, n_bits) = (dice.below(20) as u8, 2 + dice.below(20) as u8);
    let inputs = |dice: &mut Dice, n: u8| dice.below(usize::from(n) + 1) as u8;
    let (number_inputs, bit_inputs) = (inputs(dice, n_numbers), inputs(dice, n_bits - 2));
    let mut narrow = || dice.below(6) as u8;
    let [cells, ops, drives, trips, alarms, procedures] = [(); 6].map(|()| narrow());
    [n_numbers, 0, n_bits, 0, cells, 0, ops, 0, number_inputs, bit_inputs, drives, trips, alarms, procedures]
}

fn panel(dice: &mut Dice, counts: Counts) -> Panel {
    let columns = dice.pick(&[8, 16, 20, 40]);
    let rows = dice.pick(&[1, 2, 4]);
    let n_pages = 1 + dice.below(4);
    let pages = (0..n_pages).map(|_| (0..rows).map(|_| line(dice, columns)).collect()).collect();
    let n_keys = dice.pick(&[0, 1, 5, 12, MOST_KEYS]);
    let keys = (0..n_keys).map(|_| key(dice)).collect();
    let patterns = [(); 4].map(|()| Pattern {
        hz: 31 + dice.below(9969) as u16,
        period_s: 2 + dice.below(20) as u8,
        beeps: dice.next() as u32 | 1,
    });
    let texts = Texts {
        well: dice.text(200),
        doubts: [(); 4].map(|()| dice.text(30)),
        foreign_alarm: dice.text(30),
        refused: dice.text(30),
        alarms: (0..counts[12]).map(|_| dice.text(200)).collect(),
        steps: (0..counts[13]).map(|_| (0..dice.below(4)).map(|_| dice.text(60)).collect()).collect(),
    };
    Panel {
        counts,
        columns,
        rows,
        page_s: dice.pick(&[0, 1, 3, 5]),
        attention_page: dice.below(n_pages) as u8,
        pages,
        keys,
        buzzer: dice.pick(&[None, Some(0), Some(3), Some(200)]),
        patterns,
        texts,
    }
}

fn line(dice: &mut Dice, columns: u8) -> Vec<Piece> {
    let mut line = vec![];
    let mut left = usize::from(columns);
    while left > 0 && !dice.one_in(8) {
        let width = 1 + dice.below(left.min(24));
        if width < 2 || dice.one_in(3) {
            line.push(Piece::Char(0x20 + dice.below(0xE0) as u8));
            left -= 1;
            continue;
        }
        let slot = dice.below(24) as u16;
        let source = if dice.one_in(4) { Source::Output(dice.below(7) as u8) } else { Source::Slot(slot) };
        let what = match dice.below(9) {
            0 | 1 => What::State {
                source,
                is_negated: dice.one_in(2),
                when_true: vec![b'a' + dice.below(26) as u8; width - 1],
                when_false: vec![b'A' + dice.below(26) as u8; width - 1],
            },
            // Slot 0 is the one that holds a time of day.
            2 if width >= 6 => What::Clock { slot: 0 },
            3 if width >= 6 => What::HandLeft { drive: dice.below(7) as u8 },
            4 => What::Attention,
            5 => What::Step,
            6 => What::Key,
            _ => What::Number {
                source,
                form: Form {
                    decimals: dice.below(5) as u8,
                    multiplier: dice.pick(&[1, 9, 18, 65_535, 317]),
                    divisor: dice.pick(&[1, 10, 100, 500, 1000, 254, 65_535]),
                    offset: dice.pick(&[0, 320, -320, i16::MIN, i16::MAX]),
                },
            },
        };
        line.push(Piece::Place { width: width as u8, what });
        left -= width;
    }
    line
}

fn key(dice: &mut Dice) -> Key {
    let (drive, time_s) = (dice.below(7) as u8, 1 + dice.below(65_535) as u16);
    let action = match dice.below(8) {
        0 => Action::Hand { drive, value: dice.pick(&[0, 1, 500, 1000]), time_s },
        1 => Action::Toggle { drive, value: dice.pick(&[1, 500, 1000]), time_s },
        2 => Action::GiveBack { drive },
        3 => Action::ResetTrips { first: drive, n: 1 + dice.below(3) as u8 },
        4 | 5 => {
            use KeyCommand::*;
            Action::Procedure { procedure: drive, command: dice.pick(&[Start, Confirm, Stop, Advance]) }
        }
        6 => Action::Page { is_next: dice.one_in(2) },
        _ => Action::Silence { time_s: 1 + dice.below(9) as u16 },
    };
    let mut name = dice.text(19);
    name.push(b'k');
    Key { code: if dice.one_in(3) { None } else { Some(code(dice)) }, action, name }
}

/// Few codes, so that keys are met.
fn code(dice: &mut Dice) -> u32 {
    0x10_EF00 | dice.below(12) as u32
}

/// A state of the board; what a program does not have is left as the worst that could be shown by mistake.
struct Board {
    seen: Seen,
    numbers: [CSample; MOST],
    bits: [u8; MOST],
    outputs: [i16; MOST],
    hand_left: [i32; MOST],
    alarms: [u8; MOST],
    steps: [u8; MOST],
    codes: [u32; MOST],
    answer: u8,
}

impl Board {
    fn new(dice: &mut Dice, counts: Counts) -> Board {
        let mut board = Board {
            seen: Seen::default(),
            numbers: [CSample { value: 7, quality: 0 }; MOST],
            bits: [1; MOST],
            outputs: [1; MOST],
            hand_left: [1000; MOST],
            alarms: [0x21; MOST],
            steps: [1; MOST],
            codes: [NO_CODE; MOST],
            answer: 0,
        };
        let n = |at: usize| usize::from(counts[at]);
        let quality = |dice: &mut Dice| dice.pick(&[0, 0, 0, 1, 2]);
        for slot in 0..n(0) {
            let value = if slot == 0 { dice.below(86_400_000) as i32 } else { dice.number() };
            board.numbers[slot] = CSample { value, quality: quality(dice) };
        }
        for slot in 0..n(2) {
            board.bits[slot] = dice.below(2) as u8 | quality(dice) << 1;
        }
        for drive in 0..n(10) {
            board.outputs[drive] = dice.pick(&[0, 0, 1, 1000, 333]);
            board.hand_left[drive] =
                dice.pick(&[0, 0, 1, 999, 1000, 59_001, 3_599_000, 3_599_001, 7_500_000, i32::MAX]);
        }
        for alarm in 0..n(12) {
            let stands = u8::from(dice.one_in(3));
            board.alarms[alarm] = stands | quality(dice) << 1 | (dice.below(3) as u8) << 4;
        }
        for procedure in 0..n(13) {
            board.steps[procedure] = dice.pick(&[0, 0, 0, 1, 2, 5]);
        }
        for key in 0..MOST_KEYS {
            if dice.one_in(6) {
                board.codes[key] = code(dice);
            }
        }
        board.answer = if dice.one_in(4) { 4 } else { 0 };
        let samples = board.numbers[..n(0)].iter();
        board.seen = Seen {
            counts,
            n_number_inputs: n(8),
            n_bit_inputs: n(9),
            numbers: samples
                .map(|sample| Sample { value: sample.value, quality: Quality::from_code(sample.quality) })
                .collect(),
            bits: board.bits[..n(2)].iter().map(|bit| (bit & 1 == 1, Quality::from_code(bit >> 1))).collect(),
            outputs: board.outputs[..n(10)].to_vec(),
            hand_left_ms: board.hand_left[..n(10)].to_vec(),
            alarms: board.alarms[..n(12)].iter().map(|alarm| (alarm & 1 == 1, alarm >> 4)).collect(),
            steps: board.steps[..n(13)].to_vec(),
            learned: std::array::from_fn(|key| Some(board.codes[key]).filter(|code| *code != NO_CODE)),
        };
        board
    }

    /// Makes it the C panel's board, and forgets its acts.
    fn set(&self) {
        let state = State {
            counts: self.seen.counts,
            numbers: self.numbers.as_ptr(),
            bits: self.bits.as_ptr(),
            outputs: self.outputs.as_ptr(),
            hand_left: self.hand_left.as_ptr(),
            alarms: self.alarms.as_ptr(),
            steps: self.steps.as_ptr(),
            codes: self.codes.as_ptr(),
            answer: self.answer,
        };
        // SAFETY: every list has the 64 entries that C reads, and `State` has the layout of `struct alone_state`.
        unsafe { alone_set(&state) };
    }
}

/// What the C panel asked of its board since its state was set.
fn acts() -> Vec<Act> {
    let mut all = vec![];
    loop {
        let mut act = [0i32; 4];
        // SAFETY: C writes four integers at most.
        let n = unsafe { alone_act(all.len() as u8, act.as_mut_ptr()) };
        if all.len() >= usize::from(n) {
            return all;
        }
        let [kind, part, value, time] = act;
        all.push(match kind {
            1 => Act::Hand { drive: part as u8, value: value as i16, time_ms: time as u32 },
            2 => Act::ResetTrip(part as u8),
            3 => Act::Procedure(part as u8, value as u8),
            _ => Act::Learn(part as u8, value as u32),
        });
    }
}

fn open(bytes: &[u8]) -> bool {
    let code = Code::in_memory(bytes);
    // SAFETY: the code's bytes are read while they live: each test keeps them to its end.
    unsafe { alone_open(&code) }
}

fn compare(display: &Display, seen: &Seen, what: &str) {
    let panel = display.panel();
    for row in 0..=panel.rows {
        for column in 0..=panel.columns {
            let (expected, got) = (display.char_at(row, column, seen), alone_char(row, column));
            assert_eq!(
                (got as char, got),
                (expected as char, expected),
                "{what}: row {row}, column {column} of {:?}",
                panel.pages
            );
        }
    }
    assert_eq!(alone_tone(), display.tone(seen), "{what}");
}

fn run(seed: u64, n_steps: usize) {
    let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let own = counts(&mut dice);
    let table = panel(&mut dice, own);
    let bytes = table.encode().unwrap();
    assert_eq!(Panel::decode(&bytes).as_ref(), Ok(&table));
    // Every fifth runs another program than the table's.
    let running = if dice.one_in(5) { counts(&mut dice) } else { own };
    let mut board = Board::new(&mut dice, running);
    board.set();
    alone_doubt(0);
    assert!(open(&bytes));
    let mut display = Display::new(table);
    compare(&display, &board.seen, "at boot");
    for step in 0..n_steps {
        let what = format!("seed {seed}, step {step}");
        match dice.below(10) {
            0..4 => {
                for _ in 0..dice.pick(&[1, 3, 20, 75]) {
                    display.tick();
                    alone_tick();
                }
            }
            4 | 5 => {
                board = Board::new(&mut dice, running);
                board.set();
                display.scan(&board.seen);
                alone_scan();
            }
            6 => {
                let doubt = dice.pick(&[0, 0, 0, 1, 2, 3, 4]);
                display.doubt(doubt);
                alone_doubt(doubt);
                display.scan(&board.seen);
                alone_scan();
            }
            7 => {
                let time_s = dice.below(4) as u16;
                display.silence(time_s);
                alone_silence(time_s);
            }
            8 => {
                let key = dice.pick(&[NO_KEY, 0, 1, 4, 31, 32]);
                assert_eq!(alone_learn(key), display.learn(Some(key).filter(|key| *key != NO_KEY)), "{what}");
            }
            _ => {
                board.set();
                let (code, mut expected) = (code(&mut dice), vec![]);
                let key = display.key(code, &board.seen, &mut |act| {
                    expected.push(act);
                    board.answer == 0
                });
                assert_eq!(alone_key(code), key.unwrap_or(NO_KEY), "{what}");
                assert_eq!(acts(), expected, "{what}");
            }
        }
        compare(&display, &board.seen, &what);
    }
}

#[test]
fn c_shows_sounds_and_does_what_the_reference_does() {
    let _alone = Runtime::lock();
    // PANEL_TABLES=100000 for the long run.
    let n = std::env::var("PANEL_TABLES").ok().and_then(|n| n.parse().ok()).unwrap_or(1500);
    for seed in 1..=n {
        run(seed, 60);
    }
}

#[test]
fn a_damaged_table_shows_nothing() {
    let _alone = Runtime::lock();
    let mut dice = Dice(77);
    let own = counts(&mut dice);
    let bytes = panel(&mut dice, own).encode().unwrap();
    Board::new(&mut dice, own).set();
    for at in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[at] ^= 1 << dice.below(8);
        assert!(!open(&damaged), "byte {at}");
        assert!(Panel::decode(&damaged).is_err(), "byte {at}");
        alone_tick();
        alone_scan();
        assert_eq!((alone_char(0, 0), alone_tone(), alone_key(0x10_EF00)), (b' ', 0, NO_KEY));
        assert!(!alone_learn(0));
    }
    for length in 0..bytes.len() {
        assert!(!open(&bytes[..length]), "cut to {length} bytes");
        assert!(Panel::decode(&bytes[..length]).is_err());
    }
    open(&[]);
}

// The frame of a NEC remote: address, address or its inverse, command, inverse of the command, lowest bit first (protocol as
// the data sheet of the µPD6121 has it; from memory).
#[test]
fn a_frame_counts_when_the_inverse_of_its_command_is_right() {
    for (frame, code) in [
        (0xBA45_FF00, Some(0x45_FF00)),
        (0xBA45_1234, Some(0x45_1234)),
        (0xBB45_FF00, None),
        (0x00FF_FFFF, None),
        (0xFF00_0000, Some(0)),
    ] {
        assert_eq!(code_of_frame(frame), code);
        assert_eq!(alone_code(frame), code.unwrap_or(NO_CODE));
    }
}

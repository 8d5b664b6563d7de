//! What the panel does with its table: the reference for `firmware/core/panel.c`, written to be read.

use alloc::vec::Vec;

use super::{Action, Counts, Key, KeyCommand, MOST_KEYS, N_DOUBTS, Panel, Piece, Source, Text, What};
use crate::quality::{Quality, Sample};

const BLANK: u8 = b' ';
const TICKS_PER_S: u8 = 20;
const TICKS_PER_STEP: u8 = 4;
/// A page that an alarm or a key brought up stays so long, s.
const HELD_S: u8 = 30;
const ECHO_S: u8 = 3;
const LEARNING_S: u8 = 30;
/// Blanks between the end of a walking text and its beginning.
const WALK_GAP: usize = 3;
/// Steps that it stands still before each round.
const WALK_PAUSE: usize = 7;

/// What the panel reads of the board.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// Counts of the running program.
    pub counts: Counts,
    /// Number inputs of the running program, the first slots of its bank.
    pub n_number_inputs: usize,
    /// Its bit inputs, behind the two built-in bits.
    pub n_bit_inputs: usize,
    /// The number bank.
    pub numbers: Vec<Sample>,
    /// The bit bank.
    pub bits: Vec<(bool, Quality)>,
    /// Outputs of the drives: 0 or 1, permille of modulated ones.
    pub outputs: Vec<i16>,
    /// Time left of hand of the drives, ms.
    pub hand_left_ms: Vec<i32>,
    /// Alarms: whether each stands, and its priority from 0 (low) to 2 (high).
    pub alarms: Vec<(bool, u8)>,
    /// Steps of procedures, 0 while not running.
    pub steps: Vec<u8>,
    /// Codes of keys that were learned on the board.
    pub learned: [Option<u32>; MOST_KEYS],
}

/// What a key asks of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// A hand command.
    Hand {
        /// Drive.
        drive: u8,
        /// Value.
        value: i16,
        /// How long; 0 gives back.
        time_ms: u32,
    },
    /// Reset of a trip.
    ResetTrip(u8),
    /// A command to a procedure, 1 to 3.
    Procedure(u8, u8),
    /// This key's code is to be stored.
    Learn(u8, u32),
}

/// How the panel stands.
#[derive(Clone, Debug)]
pub struct Display {
    panel: Panel,
    page: u8,
    page_left_s: u8,
    silence_left_s: u16,
    /// The key, or none for a refused one.
    echo: Option<u8>,
    echo_left_s: u8,
    learning: Option<u8>,
    learning_left_s: u8,
    tick: u8,
    walked: u16,
    doubt: u8,
    /// 0 none, 1 to 3 low to high, 4 doubt.
    level: u8,
    n_standing: u8,
    attention: Sentence,
    step: Option<(usize, usize)>,
    phase: u16,
}

/// Which sentence comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sentence {
    Well,
    Doubt(usize),
    ForeignAlarm,
    Alarm(usize),
    Step(usize, usize),
}

impl Display {
    /// At boot.
    pub fn new(panel: Panel) -> Self {
        let page_left_s = panel.page_s;
        Display {
            panel,
            page: 0,
            page_left_s,
            silence_left_s: 0,
            echo: None,
            echo_left_s: 0,
            learning: None,
            learning_left_s: 0,
            tick: 0,
            walked: 0,
            doubt: 0,
            level: 0,
            n_standing: 0,
            attention: Sentence::Well,
            step: None,
            phase: 0,
        }
    }

    /// The table.
    pub fn panel(&self) -> &Panel {
        &self.panel
    }

    /// 50 ms have passed.
    pub fn tick(&mut self) {
        self.phase += 1;
        if self.phase >= u16::from(self.pattern().period_s) * u16::from(TICKS_PER_S) {
            self.phase = 0;
        }
        self.tick += 1;
        if self.tick.is_multiple_of(TICKS_PER_STEP) {
            self.walked = self.walked.wrapping_add(1);
        }
        if self.tick < TICKS_PER_S {
            return;
        }
        self.tick = 0;
        self.silence_left_s = self.silence_left_s.saturating_sub(1);
        self.echo_left_s = self.echo_left_s.saturating_sub(1);
        self.learning_left_s = self.learning_left_s.saturating_sub(1);
        if self.learning_left_s == 0 {
            self.learning = None;
        }
        if self.panel.page_s > 0 {
            self.page_left_s = self.page_left_s.saturating_sub(1);
            if self.page_left_s == 0 {
                self.turn(true);
                self.page_left_s = self.panel.page_s;
            }
        }
    }

    fn turn(&mut self, is_next: bool) {
        let n = self.panel.pages.len() as u8;
        self.page = (self.page + if is_next { 1 } else { n - 1 }) % n;
        self.page_left_s = HELD_S;
    }

    fn is_own(&self, seen: &Seen) -> bool {
        seen.counts == self.panel.counts
    }

    /// A scan is done.
    pub fn scan(&mut self, seen: &Seen) {
        let standing = || seen.alarms.iter().enumerate().filter(|(_, alarm)| alarm.0);
        let n_standing = (standing().count() as u8).wrapping_add(u8::from(self.doubt > 0));
        // Of several with the highest priority the first: the maximum of the reversed order.
        let first = standing().rev().max_by_key(|(_, alarm)| alarm.1);
        self.step = seen
            .steps
            .iter()
            .position(|step| *step > 0)
            .filter(|_| self.is_own(seen))
            .map(|procedure| (procedure, usize::from(seen.steps[procedure]) - 1))
            .filter(|(procedure, step)| {
                self.panel.texts.steps.get(*procedure).is_some_and(|steps| *step < steps.len())
            });
        let attention = match (first, self.step) {
            _ if self.doubt > 0 => Sentence::Doubt(usize::from(self.doubt) - 1),
            (Some((alarm, _)), _) if self.is_own(seen) => Sentence::Alarm(alarm),
            (Some(_), _) => Sentence::ForeignAlarm,
            (None, Some((procedure, step))) => Sentence::Step(procedure, step),
            (None, None) => Sentence::Well,
        };
        let level = match first {
            _ if self.doubt > 0 => 4,
            Some((_, alarm)) => alarm.1 + 1,
            None => 0,
        };
        let is_changed = attention != self.attention;
        let is_other = is_changed && level > 0 && n_standing == self.n_standing;
        if level > self.level || n_standing > self.n_standing || is_other {
            self.silence_left_s = 0;
            self.page = self.panel.attention_page;
            self.page_left_s = HELD_S;
        }
        if is_changed {
            self.walked = 0;
        }
        if level != self.level {
            self.phase = 0;
        }
        (self.level, self.n_standing, self.attention) = (level, n_standing, attention);
    }

    /// What the board itself doubts, 0 for nothing.
    pub fn doubt(&mut self, doubt: u8) {
        debug_assert!(usize::from(doubt) <= N_DOUBTS);
        self.doubt = doubt;
    }

    /// Silences the buzzer for so many seconds.
    pub fn silence(&mut self, time_s: u16) {
        self.silence_left_s = time_s;
    }

    fn pattern(&self) -> super::Pattern {
        self.panel.patterns[usize::from(self.level.max(1)) - 1]
    }

    /// What the buzzer does now, Hz; 0 for silence.
    pub fn tone(&self, seen: &Seen) -> u16 {
        let Some(output) = self.panel.buzzer.map(usize::from) else { return 0 };
        let may_sound = match seen.outputs.get(output) {
            None => self.level > 0,
            Some(0) => self.level == 4 && seen.hand_left_ms.get(output).is_none_or(|left| *left <= 0),
            Some(_) => true,
        };
        let pattern = self.pattern();
        let is_beep = pattern.beeps.checked_shr(u32::from(self.phase)).is_some_and(|beeps| beeps & 1 == 1);
        if may_sound && is_beep && self.silence_left_s == 0 { pattern.hz } else { 0 }
    }

    /// A code was received; `carry_out` does what the board is asked to and says whether it was done. Gives the key.
    pub fn key(&mut self, code: u32, seen: &Seen, carry_out: &mut dyn FnMut(Act) -> bool) -> Option<u8> {
        if let Some(key) = self.learning {
            self.learning = None;
            let is_done = carry_out(Act::Learn(key, code));
            self.show_key(key, is_done);
            return Some(key);
        }
        let has_code = |(order, key): (usize, &Key)| seen.learned[order].or(key.code) == Some(code);
        let key = (0..).zip(&self.panel.keys).position(has_code)?;
        let is_done = self.act(self.panel.keys[key].action, seen, carry_out);
        self.show_key(key as u8, is_done);
        Some(key as u8)
    }

    fn show_key(&mut self, key: u8, is_done: bool) {
        self.echo = Some(key).filter(|_| is_done);
        self.echo_left_s = ECHO_S;
    }

    fn act(&mut self, action: Action, seen: &Seen, carry_out: &mut dyn FnMut(Act) -> bool) -> bool {
        let is_own = self.is_own(seen);
        match action {
            Action::Hand { drive, value, time_s } => {
                carry_out(Act::Hand { drive, value, time_ms: u32::from(time_s) * 1000 })
            }
            Action::Toggle { drive, value, time_s } => {
                let is_on = seen.outputs.get(usize::from(drive)).is_some_and(|output| *output > 0);
                let value = if is_on { 0 } else { value };
                carry_out(Act::Hand { drive, value, time_ms: u32::from(time_s) * 1000 })
            }
            Action::GiveBack { drive } => carry_out(Act::Hand { drive, value: 0, time_ms: 0 }),
            Action::ResetTrips { first, n } => {
                // All are asked, also behind one that refuses.
                is_own && (first..first + n).fold(true, |done, trip| carry_out(Act::ResetTrip(trip)) & done)
            }
            Action::Procedure { procedure, command } => {
                let runs = seen.steps.get(usize::from(procedure)).is_some_and(|step| *step > 0);
                let command = match command {
                    KeyCommand::Advance if runs => KeyCommand::Confirm,
                    KeyCommand::Advance => KeyCommand::Start,
                    command => command,
                };
                is_own && carry_out(Act::Procedure(procedure, command as u8))
            }
            Action::Page { is_next } => {
                self.turn(is_next);
                true
            }
            Action::Silence { time_s } => {
                self.silence(time_s);
                true
            }
        }
    }

    /// The next code is this key's; none ends learning. Whether there is such a key.
    pub fn learn(&mut self, key: Option<u8>) -> bool {
        self.learning = key.filter(|key| usize::from(*key) < self.panel.keys.len());
        self.learning_left_s = LEARNING_S;
        self.learning == key
    }

    /// The char at a place.
    pub fn char_at(&self, row: u8, column: u8, seen: &Seen) -> u8 {
        let page = &self.panel.pages[usize::from(self.page)];
        let Some(line) = page.get(usize::from(row)) else { return BLANK };
        let mut at = 0;
        for piece in line {
            let width = piece.width();
            if usize::from(column) < at + width {
                return match piece {
                    Piece::Char(char) => *char,
                    Piece::Place { what, .. } => {
                        self.place(what, width, seen).get(usize::from(column) - at).copied().unwrap_or(BLANK)
                    }
                };
            }
            at += width;
        }
        BLANK
    }

    /// The whole display, row by row.
    pub fn rows(&self, seen: &Seen) -> Vec<Text> {
        (0..self.panel.rows)
            .map(|row| (0..self.panel.columns).map(|column| self.char_at(row, column, seen)).collect())
            .collect()
    }

    fn place(&self, what: &What, width: usize, seen: &Seen) -> Text {
        let field = width - 1;
        match what {
            What::Number { source, form } => {
                let sample = self.number(*source, seen);
                marked(field, sample.map(|s| s.quality), || {
                    number(sample.map_or(0, |s| form.shown(s.value)), form.decimals, field)
                })
            }
            What::State { source, is_negated, when_true, when_false } => {
                let state = self.state(*source, seen);
                let is_true = state.is_some_and(|(value, _)| value != *is_negated);
                marked(field, state.map(|s| s.1), || {
                    if is_true { when_true.clone() } else { when_false.clone() }
                })
            }
            What::Clock { slot } => {
                let sample = self.number(Source::Slot(*slot), seen);
                marked(field, sample.map(|s| s.quality), || {
                    let minutes = sample.map_or(0, |s| s.value / 60_000);
                    right(pair(minutes / 60, b':', minutes % 60), field)
                })
            }
            What::HandLeft { drive } => {
                let left_ms = seen.hand_left_ms.get(usize::from(*drive)).copied().unwrap_or(0);
                if left_ms <= 0 {
                    return alloc::vec![BLANK; width];
                }
                let seconds = left_ms / 1000 + i32::from(left_ms % 1000 > 0);
                let text = match seconds {
                    0..3600 => pair(seconds / 60, b':', seconds % 60),
                    _ => pair(seconds / 3600, b'h', seconds / 60 % 60),
                };
                // Above 99 h it would not fit.
                let text = if text.len() > field { alloc::vec![b'>'; field] } else { text };
                let mut out = alloc::vec![BLANK];
                out.extend(right(text, field));
                out
            }
            What::Attention => self.walking(self.sentence(), width),
            What::Step => match self.step {
                Some((procedure, step)) => self.walking(&self.panel.texts.steps[procedure][step], width),
                None => self.walking(&[], width),
            },
            What::Key => match self.echo {
                _ if self.echo_left_s == 0 => self.walking(&[], width),
                Some(key) => self.walking(&self.panel.keys[usize::from(key)].name, width),
                None => self.walking(&self.panel.texts.refused, width),
            },
        }
    }

    /// `None` where nothing is to be known.
    fn number(&self, source: Source, seen: &Seen) -> Option<Sample> {
        match source {
            Source::Output(drive) => {
                seen.outputs.get(usize::from(drive)).map(|output| Sample::good(i32::from(*output)))
            }
            Source::Slot(slot) => seen
                .numbers
                .get(usize::from(slot))
                .copied()
                .filter(|_| self.is_own(seen) || usize::from(slot) < seen.n_number_inputs),
        }
    }

    fn state(&self, source: Source, seen: &Seen) -> Option<(bool, Quality)> {
        match source {
            Source::Output(drive) => {
                seen.outputs.get(usize::from(drive)).map(|output| (*output > 0, Quality::Good))
            }
            Source::Slot(slot) => seen
                .bits
                .get(usize::from(slot))
                .copied()
                .filter(|_| self.is_own(seen) || usize::from(slot) < 2 + seen.n_bit_inputs),
        }
    }

    fn sentence(&self) -> &[u8] {
        let texts = &self.panel.texts;
        match self.attention {
            Sentence::Well => &texts.well,
            Sentence::Doubt(doubt) => &texts.doubts[doubt],
            Sentence::ForeignAlarm => &texts.foreign_alarm,
            Sentence::Alarm(alarm) => &texts.alarms[alarm],
            Sentence::Step(procedure, step) => &texts.steps[procedure][step],
        }
    }

    /// A text from the left, walking when it is longer than its place.
    fn walking(&self, text: &[u8], width: usize) -> Text {
        let shift = match text.len() > width {
            true => {
                (usize::from(self.walked) % (text.len() + WALK_GAP + WALK_PAUSE)).saturating_sub(WALK_PAUSE)
            }
            false => 0,
        };
        let round = if text.len() > width { text.len() + WALK_GAP } else { usize::MAX };
        (0..width).map(|column| text.get((shift + column) % round).copied().unwrap_or(BLANK)).collect()
    }
}

/// The mark, then the field; dashes for what is bad.
fn marked(field: usize, quality: Option<Quality>, text: impl FnOnce() -> Text) -> Text {
    let mark = if quality == Some(Quality::Uncertain) { b'?' } else { BLANK };
    let mut out = alloc::vec![mark];
    match quality {
        None | Some(Quality::Bad) => out.resize(1 + field, b'-'),
        Some(_) => out.extend(text()),
    }
    out
}

/// A number with its point, right-aligned; an arrow where it does not fit.
fn number(shown: i32, decimals: u8, field: usize) -> Text {
    let decimals = usize::from(decimals);
    let mut digits = alloc::format!("{:0least$}", shown.unsigned_abs(), least = decimals + 1).into_bytes();
    if decimals > 0 {
        digits.insert(digits.len() - decimals, b'.');
    }
    if shown < 0 {
        digits.insert(0, b'-');
    }
    if digits.len() > field {
        return alloc::vec![if shown < 0 { b'<' } else { b'>' }; field];
    }
    right(digits, field)
}

/// Two numbers below 100 with a sign between.
fn pair(first: i32, between: u8, second: i32) -> Text {
    alloc::format!("{first}{}{second:02}", char::from(between)).into_bytes()
}

fn right(text: Text, width: usize) -> Text {
    let mut out = alloc::vec![BLANK; width.saturating_sub(text.len())];
    out.extend(text);
    out
}

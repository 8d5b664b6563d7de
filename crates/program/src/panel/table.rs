//! The panel table as bytes.

use super::*;
use crate::crc::crc32;

const MAGIC: [u8; 2] = *b"Tp";
const FORMAT: u8 = 1;
const HEAD: usize = 60;
const KEYS_AT: usize = 14;
const TEXTS_AT: usize = 16;
const COUNTS_AT: usize = 18;
const PATTERNS_AT: usize = 32;
const PATTERN_LENGTH: usize = 7;
/// Least period of a pattern: its beeps take up to 1.6 s.
const SHORTEST_PERIOD_S: u8 = 2;
const CRC_LENGTH: usize = 4;
const OUTPUT: u16 = 0x8000;
const NEGATED: u16 = 0x4000;
const FIRST_CHAR: u8 = 0x20;
const LINE_END: u8 = 0;
const MOST_DECIMALS: u8 = 4;

/// Blocks under way.
struct Blocks {
    bytes: Vec<u8>,
    n: usize,
}

impl Blocks {
    fn add(&mut self, block: &[u8]) -> Result<(), PanelError> {
        let length = u8::try_from(block.len()).map_err(|_| PanelError::Block { block: Some(self.n) })?;
        self.bytes.push(length);
        self.bytes.extend(block);
        self.n += 1;
        Ok(())
    }

    fn place(&self) -> Result<u16, PanelError> {
        u16::try_from(HEAD + self.bytes.len()).map_err(|_| PanelError::TooLong)
    }
}

impl Panel {
    /// The table's bytes, with its checksum at the end.
    ///
    /// # Errors
    /// What is out of range first.
    pub fn encode(&self) -> Result<Vec<u8>, PanelError> {
        self.check()?;
        let mut blocks = Blocks { bytes: Vec::new(), n: 0 };
        for line in self.pages.iter().flatten() {
            blocks.add(&put_line(line))?;
        }
        let keys_at = blocks.place()?;
        for key in &self.keys {
            blocks.add(&put_key(key))?;
        }
        let texts_at = blocks.place()?;
        for text in self.texts.before_steps() {
            blocks.add(text)?;
        }
        let mut first = 0usize;
        let mut firsts = Vec::new();
        for steps in &self.texts.steps {
            firsts.push(u8::try_from(first).map_err(|_| PanelError::Block { block: Some(blocks.n) })?);
            first += steps.len();
        }
        firsts.push(u8::try_from(first).map_err(|_| PanelError::Block { block: Some(blocks.n) })?);
        blocks.add(&firsts)?;
        for text in self.texts.steps.iter().flatten() {
            blocks.add(text)?;
        }
        let mut out = Vec::new();
        out.extend(MAGIC);
        out.extend([FORMAT, 0, 0]);
        out.extend([
            self.columns,
            self.rows,
            self.pages.len() as u8,
            self.page_s,
            self.attention_page,
            self.keys.len() as u8,
            self.texts.alarms.len() as u8,
            self.texts.steps.len() as u8,
            self.buzzer.unwrap_or(NO_OUTPUT),
        ]);
        out.extend(keys_at.to_le_bytes());
        out.extend(texts_at.to_le_bytes());
        out.extend(self.counts);
        for pattern in &self.patterns {
            out.extend(pattern.hz.to_le_bytes());
            out.push(pattern.period_s);
            out.extend(pattern.beeps.to_le_bytes());
        }
        debug_assert_eq!(out.len(), HEAD);
        out.extend(blocks.bytes);
        let length = u16::try_from(out.len() + CRC_LENGTH).map_err(|_| PanelError::TooLong)?;
        out[3..5].copy_from_slice(&length.to_le_bytes());
        out.extend(crc32(&out).to_le_bytes());
        Ok(out)
    }

    /// Reads a table and checks all of it.
    ///
    /// # Errors
    /// What is wrong with it first.
    pub fn decode(bytes: &[u8]) -> Result<Panel, PanelError> {
        if bytes.len() < HEAD + CRC_LENGTH
            || bytes[..2] != MAGIC
            || bytes[2] != FORMAT
            || usize::from(u16::from_le_bytes([bytes[3], bytes[4]])) != bytes.len()
        {
            return Err(PanelError::Container);
        }
        let (body, crc) = bytes.split_at(bytes.len() - CRC_LENGTH);
        if crc != crc32(body).to_le_bytes() {
            return Err(PanelError::Checksum);
        }
        let word = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
        let (n_pages, n_rows) = (usize::from(body[7]), usize::from(body[6]));
        let (n_keys, n_alarms, n_procedures) =
            (usize::from(body[10]), usize::from(body[11]), usize::from(body[12]));
        let mut at = HEAD;
        let mut n = 0;
        let mut next = || -> Result<(usize, &[u8], usize), PanelError> {
            let broken = PanelError::Block { block: Some(n) };
            let begin = at;
            let length = usize::from(*body.get(at).ok_or(broken)?);
            let block = body.get(at + 1..at + 1 + length).ok_or(broken)?;
            at += 1 + length;
            n += 1;
            Ok((begin, block, n - 1))
        };
        let mut pages = Vec::new();
        for _ in 0..n_pages {
            let mut lines = Vec::new();
            for _ in 0..n_rows {
                let (_, block, n) = next()?;
                lines.push(read_line(block).ok_or(PanelError::Block { block: Some(n) })?);
            }
            pages.push(lines);
        }
        let mut keys = Vec::new();
        let head = PanelError::Block { block: None };
        for order in 0..n_keys {
            let (begin, block, n) = next()?;
            if order == 0 && begin != usize::from(word(KEYS_AT)) {
                return Err(head);
            }
            keys.push(read_key(block).ok_or(PanelError::Block { block: Some(n) })?);
        }
        let mut texts = Texts::default();
        let (begin, well, _) = next()?;
        if begin != usize::from(word(TEXTS_AT)) || (n_keys == 0 && begin != usize::from(word(KEYS_AT))) {
            return Err(head);
        }
        texts.well = well.to_vec();
        for doubt in &mut texts.doubts {
            *doubt = next()?.1.to_vec();
        }
        texts.foreign_alarm = next()?.1.to_vec();
        texts.refused = next()?.1.to_vec();
        for _ in 0..n_alarms {
            texts.alarms.push(next()?.1.to_vec());
        }
        let (_, firsts, n_firsts) = next()?;
        let broken = PanelError::Block { block: Some(n_firsts) };
        if firsts.len() != n_procedures + 1 || firsts[0] != 0 {
            return Err(broken);
        }
        for ends in firsts.windows(2) {
            let mut steps = Vec::new();
            for _ in 0..ends[1].checked_sub(ends[0]).ok_or(broken)? {
                steps.push(next()?.1.to_vec());
            }
            texts.steps.push(steps);
        }
        if at != body.len() {
            return Err(PanelError::Container);
        }
        let pattern = |order: usize| {
            let at = PATTERNS_AT + PATTERN_LENGTH * order;
            Pattern {
                hz: word(at),
                period_s: body[at + 2],
                beeps: u32::from_le_bytes([body[at + 3], body[at + 4], body[at + 5], body[at + 6]]),
            }
        };
        let mut counts = Counts::default();
        counts.copy_from_slice(&body[COUNTS_AT..PATTERNS_AT]);
        let panel = Panel {
            counts,
            columns: body[5],
            rows: body[6],
            page_s: body[8],
            attention_page: body[9],
            pages,
            keys,
            buzzer: Some(body[13]).filter(|output| *output != NO_OUTPUT),
            patterns: [pattern(0), pattern(1), pattern(2), pattern(3)],
            texts,
        };
        panel.check()?;
        Ok(panel)
    }

    /// Every count and range, for both directions.
    fn check(&self) -> Result<(), PanelError> {
        let is_text = |text: &Text| text.len() <= LONGEST_TEXT && text.iter().all(|char| *char >= FIRST_CHAR);
        let is_pattern = |pattern: &Pattern| {
            (31..=10_000).contains(&pattern.hz) && pattern.period_s >= SHORTEST_PERIOD_S && pattern.beeps != 0
        };
        let head = (8..=MOST_COLUMNS).contains(&self.columns)
            && (1..=MOST_ROWS).contains(&self.rows)
            && (1..=MOST_PAGES).contains(&self.pages.len())
            && usize::from(self.attention_page) < self.pages.len()
            && self.pages.iter().all(|page| page.len() == usize::from(self.rows))
            && self.keys.len() <= MOST_KEYS
            && [self.texts.alarms.len(), self.texts.steps.len()]
                == [usize::from(self.counts[12]), usize::from(self.counts[13])]
            && self.buzzer != Some(NO_OUTPUT)
            && self.patterns.iter().all(is_pattern);
        if !head {
            return Err(PanelError::Block { block: None });
        }
        let lines = self.pages.iter().flatten().map(|line| {
            line.iter().map(Piece::width).sum::<usize>() <= usize::from(self.columns)
                && line.iter().all(is_piece)
        });
        let keys = self.keys.iter().map(is_key);
        let before = self.texts.before_steps().map(is_text);
        let firsts = core::iter::once(true);
        let steps = self.texts.steps.iter().flatten().map(is_text);
        match lines.chain(keys).chain(before).chain(firsts).chain(steps).position(|is_sound| !is_sound) {
            Some(block) => Err(PanelError::Block { block: Some(block) }),
            None => Ok(()),
        }
    }
}

impl Texts {
    /// All in the order of the table, up to the list of procedures.
    fn before_steps(&self) -> impl Iterator<Item = &Text> {
        core::iter::once(&self.well)
            .chain(&self.doubts)
            .chain([&self.foreign_alarm, &self.refused])
            .chain(&self.alarms)
    }
}

fn is_piece(piece: &Piece) -> bool {
    match piece {
        Piece::Char(char) => *char >= FIRST_CHAR,
        Piece::Place { width, what } => match what {
            What::Number { source, form } => {
                *width >= 2
                    && is_source(*source)
                    && form.decimals <= MOST_DECIMALS
                    && form.multiplier > 0
                    && form.divisor > 0
            }
            What::State { source, when_true, when_false, .. } => {
                *width >= 2
                    && is_source(*source)
                    && [when_true, when_false].into_iter().all(|word| {
                        word.len() + 1 == usize::from(*width) && word.iter().all(|char| *char >= FIRST_CHAR)
                    })
            }
            What::Clock { slot } => *width >= 6 && *slot < NEGATED,
            What::HandLeft { .. } => *width >= 6,
            What::Attention | What::Step | What::Key => *width >= 1,
        },
    }
}

fn is_source(source: Source) -> bool {
    !matches!(source, Source::Slot(slot) if slot >= NEGATED)
}

fn is_key(key: &Key) -> bool {
    let is_action = match key.action {
        Action::Hand { value, time_s, .. } => (0..=1000).contains(&value) && time_s > 0,
        Action::Toggle { value, time_s, .. } => (1..=1000).contains(&value) && time_s > 0,
        Action::ResetTrips { first, n } => n > 0 && first.checked_add(n).is_some(),
        Action::Silence { time_s } => time_s > 0,
        Action::GiveBack { .. } | Action::Procedure { .. } | Action::Page { .. } => true,
    };
    is_action
        && key.code.is_none_or(|code| code < u32::from(NO_COMMAND) << 16)
        && (1..=usize::from(MOST_COLUMNS)).contains(&key.name.len())
        && key.name.iter().all(|char| *char >= FIRST_CHAR)
}

fn source_code(source: Source) -> u16 {
    match source {
        Source::Slot(slot) => slot,
        Source::Output(drive) => OUTPUT | u16::from(drive),
    }
}

fn put_line(line: &Line) -> Vec<u8> {
    let mut out = Vec::new();
    for piece in line {
        let (width, what) = match piece {
            Piece::Char(char) => {
                out.push(*char);
                continue;
            }
            Piece::Place { width, what } => (*width, what),
        };
        let mut fields = Vec::new();
        let kind = match what {
            What::Number { source, form } => {
                fields.extend(source_code(*source).to_le_bytes());
                fields.push(form.decimals);
                fields.extend(form.multiplier.to_le_bytes());
                fields.extend(form.divisor.to_le_bytes());
                fields.extend(form.offset.to_le_bytes());
                1
            }
            What::State { source, is_negated, when_true, when_false } => {
                let negation = if *is_negated { NEGATED } else { 0 };
                fields.extend((source_code(*source) | negation).to_le_bytes());
                fields.extend(when_true);
                fields.extend(when_false);
                2
            }
            What::Clock { slot } => {
                fields.extend(slot.to_le_bytes());
                3
            }
            What::HandLeft { drive } => {
                fields.push(*drive);
                4
            }
            What::Attention => 5,
            What::Step => 6,
            What::Key => 7,
        };
        // Words are shorter than a line of 40, so the fields are always counted by a byte.
        out.extend([kind, width, fields.len().min(255) as u8]);
        out.extend(fields);
    }
    out.push(LINE_END);
    out
}

fn read_line(block: &[u8]) -> Option<Line> {
    let mut line = Vec::new();
    let (end, mut rest) = block.split_last()?;
    if *end != LINE_END {
        return None;
    }
    while let Some((first, tail)) = rest.split_first() {
        if *first >= FIRST_CHAR {
            line.push(Piece::Char(*first));
            rest = tail;
            continue;
        }
        let (width, n) = (*tail.first()?, usize::from(*tail.get(1)?));
        let fields = tail.get(2..2 + n)?;
        let what = match (*first, fields) {
            (1, &[s0, s1, decimals, m0, m1, d0, d1, o0, o1]) => What::Number {
                source: read_source(u16::from_le_bytes([s0, s1]))?,
                form: Form {
                    decimals,
                    multiplier: u16::from_le_bytes([m0, m1]),
                    divisor: u16::from_le_bytes([d0, d1]),
                    offset: i16::from_le_bytes([o0, o1]),
                },
            },
            (2, [s0, s1, words @ ..]) if words.len() + 2 == 2 * usize::from(width) => {
                let code = u16::from_le_bytes([*s0, *s1]);
                let (when_true, when_false) = words.split_at(words.len() / 2);
                What::State {
                    source: read_source(code & !NEGATED)?,
                    is_negated: code & NEGATED != 0,
                    when_true: when_true.to_vec(),
                    when_false: when_false.to_vec(),
                }
            }
            (3, &[s0, s1]) => What::Clock { slot: u16::from_le_bytes([s0, s1]) },
            (4, &[drive]) => What::HandLeft { drive },
            (5, []) => What::Attention,
            (6, []) => What::Step,
            (7, []) => What::Key,
            _ => return None,
        };
        line.push(Piece::Place { width, what });
        rest = tail.get(2 + n..)?;
    }
    Some(line)
}

/// `None` where the code names nothing.
fn read_source(code: u16) -> Option<Source> {
    match code {
        OUTPUT.. => u8::try_from(code & !OUTPUT).ok().map(Source::Output),
        _ => Some(Source::Slot(code)),
    }
}

fn put_key(key: &Key) -> Vec<u8> {
    let (action, part, value, time_s) = match key.action {
        Action::Hand { drive, value, time_s } => (1, drive, value, time_s),
        Action::Toggle { drive, value, time_s } => (2, drive, value, time_s),
        Action::GiveBack { drive } => (3, drive, 0, 0),
        Action::ResetTrips { first, n } => (4, first, i16::from(n), 0),
        Action::Procedure { procedure, command } => (5, procedure, command as i16, 0),
        Action::Page { is_next } => (6, 0, if is_next { 1 } else { -1 }, 0),
        Action::Silence { time_s } => (7, 0, 0, time_s),
    };
    let mut out = Vec::new();
    out.extend(&key.code.unwrap_or(NO_CODE).to_le_bytes()[..3]);
    out.extend([action, part]);
    out.extend(value.to_le_bytes());
    out.extend(time_s.to_le_bytes());
    out.extend(&key.name);
    out
}

fn read_key(block: &[u8]) -> Option<Key> {
    let (fields, name) = block.split_first_chunk::<9>()?;
    let code = u32::from_le_bytes([fields[0], fields[1], fields[2], 0]);
    let part = fields[4];
    let value = i16::from_le_bytes([fields[5], fields[6]]);
    let time_s = u16::from_le_bytes([fields[7], fields[8]]);
    let action = match (fields[3], value) {
        (1, _) => Action::Hand { drive: part, value, time_s },
        (2, _) => Action::Toggle { drive: part, value, time_s },
        (3, 0) if time_s == 0 => Action::GiveBack { drive: part },
        (4, 1..=255) => Action::ResetTrips { first: part, n: value as u8 },
        (5, 1) => Action::Procedure { procedure: part, command: KeyCommand::Start },
        (5, 2) => Action::Procedure { procedure: part, command: KeyCommand::Confirm },
        (5, 3) => Action::Procedure { procedure: part, command: KeyCommand::Stop },
        (5, 4) => Action::Procedure { procedure: part, command: KeyCommand::Advance },
        (6, 1) => Action::Page { is_next: true },
        (6, -1) => Action::Page { is_next: false },
        (7, 0) => Action::Silence { time_s },
        _ => return None,
    };
    Some(Key { code: Some(code).filter(|code| *code != NO_CODE), action, name: name.to_vec() })
}

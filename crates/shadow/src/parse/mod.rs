//! Lines to printed values: `name=value` in free lines, columns, JSON, SenML (RFC 8428).
//!
//! Contract: nothing panics, whatever the line; a line gives values or a reason; what is held over lines is bounded.

mod json;
mod pairs;
mod table;
mod token;

pub use token::unit;

use logs::times::{self, Order, Stamp};
use logs::zone::{Utc, Zone};
use serde::{Deserialize, Serialize};

use crate::tally::Reason;

/// Values of one line at most.
pub(crate) const MOST_VALUES: usize = 256;
/// Longest name, characters.
pub(crate) const LONGEST_NAME: usize = 64;

/// A value as it was printed.
#[derive(Clone, Debug, PartialEq)]
pub struct Printed {
    /// Its name; nested names of JSON are joined by `.`.
    pub name: String,
    /// What it says.
    pub value: Value,
    /// The unit behind it, as spelled there.
    pub unit: Option<String>,
    /// When, if the line tells, ms since 1970 UTC.
    pub time: Option<i64>,
}

/// What a printed value says.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number; never infinite or not a number.
    Number(f64),
    /// A word, such as `ON`.
    Word(String),
    /// The controller says that there is none: `nan`, `null`, `--`.
    Nothing,
}

/// How lines are read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// By each line.
    #[default]
    Auto,
    /// `name=value` and `name: value`.
    Pairs,
    /// Columns under a header, or with names from the map.
    Csv,
    /// An object in JSON.
    Json,
    /// SenML in JSON.
    Senml,
}

/// How what is printed is to be read; what is left out is found out from the lines.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Form {
    /// What the lines are.
    pub kind: Kind,
    /// Names of the columns, where no header tells.
    pub columns: Vec<String>,
    /// What separates columns.
    pub separator: Option<char>,
    /// `25,3` is a number.
    pub decimal_comma: bool,
    /// Name of the value or column that tells the time, where that is not plain to see.
    pub time: Option<String>,
    /// Zone of times that tell none, a POSIX TZ string; empty: UTC.
    pub zone: String,
    /// `3/5/2026` is the fifth of March.
    pub month_first: bool,
}

/// Why a line gave nothing.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Refusal {
    pub reason: Reason,
    pub detail: Option<String>,
}

impl From<Reason> for Refusal {
    fn from(reason: Reason) -> Self {
        Refusal { reason, detail: None }
    }
}

/// What one line gave.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Outcome {
    /// Values, and the troubles with single ones.
    Values(Vec<Printed>, Vec<Refusal>),
    /// A header: understood, without a value.
    Header,
    /// Nothing.
    Refused(Refusal),
}

/// A line with its number.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Numbered {
    pub number: u64,
    pub text: String,
}

/// Reads line after line.
#[derive(Clone, Debug)]
pub(crate) struct Parser {
    form: Form,
    clock: Clock,
    table: table::Table,
    /// Lines of JSON that has not ended yet.
    pending: Vec<Numbered>,
    depth: json::Depth,
}

/// Times of lines to UTC.
#[derive(Clone, Debug)]
struct Clock {
    zone: Zone,
    order: Order,
    before: Option<i64>,
}

impl Clock {
    /// A text that is a date with a time; a number is none, because it may count anything.
    fn read(&mut self, text: &str) -> Option<i64> {
        let is_number = text.trim().bytes().all(|b| b.is_ascii_digit() || b == b'.');
        if is_number { None } else { self.read_any(text) }
    }

    /// As [`Clock::read`], and seconds or milliseconds since 1970: for what is known to be a time.
    fn read_any(&mut self, text: &str) -> Option<i64> {
        let time = match times::stamp(text, self.order)? {
            Stamp::Utc(time) => time,
            Stamp::Local(local) => match self.zone.utc(local) {
                Utc::One(time) | Utc::None(time) => time,
                // Lines go on: the second time once the first would step back.
                Utc::Two(first, second) => {
                    if self.before.is_some_and(|before| first < before) {
                        second
                    } else {
                        first
                    }
                }
            },
            Stamp::Date(_) | Stamp::Time(_) => return None,
        };
        if !(0..logs::LATEST_TIME).contains(&time) {
            return None;
        }
        self.before = Some(time);
        Some(time)
    }
}

impl Parser {
    /// The zone of the form must be one: [`Form::check`].
    pub fn new(form: &Form) -> Parser {
        Parser {
            clock: Clock {
                zone: Zone::parse(&form.zone).unwrap_or(Zone::UTC),
                order: if form.month_first { Order::MonthFirst } else { Order::DayFirst },
                before: None,
            },
            table: table::Table::new(form),
            form: form.clone(),
            pending: vec![],
            depth: json::Depth::default(),
        }
    }

    /// Takes a line; `now` is what relative times of SenML are relative to. Gives an outcome for this line, and for others that waited
    /// for it.
    pub fn line(&mut self, line: Numbered, now: Option<i64>, each: &mut dyn FnMut(&[Numbered], Outcome)) {
        let mut waiting = std::collections::VecDeque::from([line]);
        while let Some(line) = waiting.pop_front() {
            if !self.pending.is_empty() || self.may_be_json(&line.text) {
                let state = self.depth.take(&line.text);
                self.pending.push(line);
                if state == json::State::Open && self.fits() {
                    continue;
                }
                let mut lines = std::mem::take(&mut self.pending);
                self.depth = json::Depth::default();
                if state == json::State::Closed {
                    let text: Vec<&str> = lines.iter().map(|line| line.text.as_str()).collect();
                    let outcome = self.json(&text.join("\n"), now);
                    each(&lines, outcome);
                    continue;
                }
                // What began like JSON is none: its first line is given up, the others are looked at again.
                let others = lines.split_off(1);
                for line in others.into_iter().rev() {
                    waiting.push_front(line);
                }
                each(&lines, Outcome::Refused(Reason::BrokenJson.into()));
                continue;
            }
            let outcome = self.one(&line.text);
            each(&[line], outcome);
        }
    }

    /// Nothing follows: what waits for its end is given up.
    pub fn end(&mut self, now: Option<i64>, each: &mut dyn FnMut(&[Numbered], Outcome)) {
        while !self.pending.is_empty() {
            let mut lines = std::mem::take(&mut self.pending);
            self.depth = json::Depth::default();
            let others = lines.split_off(1);
            each(&lines, Outcome::Refused(Reason::BrokenJson.into()));
            for line in others {
                self.line(line, now, each);
            }
        }
    }

    fn fits(&self) -> bool {
        const MOST_LINES: usize = 256;
        const MOST_BYTES: usize = 32 * 1024;
        self.pending.len() < MOST_LINES
            && self.pending.iter().map(|line| line.text.len()).sum::<usize>() < MOST_BYTES
    }

    fn may_be_json(&self, text: &str) -> bool {
        let text = text.trim_start();
        let second = text.get(1..).map(|rest| rest.trim_start().chars().next());
        match (self.form.kind, text.chars().next()) {
            (Kind::Auto, Some('{')) => matches!(second, Some(None | Some('"' | '}'))),
            (Kind::Auto, Some('[')) => matches!(second, Some(None | Some('{' | ']'))),
            (Kind::Json | Kind::Senml, Some('{' | '[')) => true,
            _ => false,
        }
    }

    fn json(&mut self, text: &str, now: Option<i64>) -> Outcome {
        let outcome = if text.trim_start().starts_with('[') && self.form.kind != Kind::Json {
            json::senml(text, now)
        } else {
            json::object(text, &self.form, &mut self.clock)
        };
        match outcome {
            Ok(values) if values.is_empty() => Outcome::Refused(Reason::NothingNamed.into()),
            Ok(mut values) => {
                let n_more = values.len().saturating_sub(MOST_VALUES);
                values.truncate(MOST_VALUES);
                let troubles = if n_more > 0 { vec![Reason::TooManyValues.into()] } else { vec![] };
                Outcome::Values(values, troubles)
            }
            Err(refusal) => Outcome::Refused(refusal),
        }
    }

    /// A line that is no JSON.
    fn one(&mut self, text: &str) -> Outcome {
        let text = text.trim();
        if text.starts_with('#') && self.form.kind != Kind::Csv {
            return Outcome::Refused(Reason::Remark.into());
        }
        match self.form.kind {
            Kind::Json | Kind::Senml => Outcome::Refused(Reason::BrokenJson.into()),
            Kind::Csv => self.table.line(text, &mut self.clock),
            Kind::Pairs => pairs::line(text, &self.form, &mut self.clock),
            Kind::Auto => {
                if let Some(outcome) = self.table.known(text, &mut self.clock) {
                    return outcome;
                }
                match pairs::line(text, &self.form, &mut self.clock) {
                    Outcome::Refused(Refusal { reason: Reason::NothingNamed, .. }) => {
                        self.table.line(text, &mut self.clock)
                    }
                    outcome => outcome,
                }
            }
        }
    }
}

impl Form {
    /// What is wrong with it, with the key; None: nothing.
    pub fn check(&self) -> Option<(&'static str, String)> {
        if Zone::parse(&self.zone).is_none() {
            return Some((
                "zone",
                format!("`{}` is no time zone of the form `CET-1CEST,M3.5.0,M10.5.0/3`", self.zone),
            ));
        }
        if let Some(separator) = self.separator.filter(|c| c.is_alphanumeric() || "\"'.-+".contains(*c)) {
            return Some(("separator", format!("`{separator}` can stand within a value")));
        }
        if self.decimal_comma && self.separator == Some(',') {
            return Some(("decimal_comma", "a comma cannot be in a number and between columns".to_owned()));
        }
        let mut columns: Vec<&String> = self.columns.iter().collect();
        columns.sort_unstable();
        if let Some(pair) = columns.windows(2).find(|pair| pair[0] == pair[1] && !pair[0].is_empty()) {
            return Some(("columns", format!("`{}` stands twice", pair[0])));
        }
        None
    }

    fn is_time(&self, name: &str) -> bool {
        self.time.as_deref() == Some(name)
    }
}

/// A name as it is kept: without quotes, single spaces; its unit in brackets apart. None: no name.
fn name(text: &str) -> Option<(String, Option<String>)> {
    let text = text.trim().trim_matches(['"', '\'']).trim();
    let (name, unit) = logs::values::name_and_unit(text);
    let words: Vec<&str> = name.split_whitespace().collect();
    let name = words.join(" ");
    let is_name = name.chars().any(char::is_alphabetic)
        && name.chars().count() <= LONGEST_NAME
        && name.chars().all(|c| c.is_alphanumeric() || " _-./#%°+&@*~".contains(c));
    is_name.then(|| (name, Some(unit).filter(|unit| token::may_be_unit(unit))))
}

//! CSV logs that somebody has already: what separates cells, decimals, dates and columns are guessed from the file and shown before
//! anything is stored; whatever was guessed wrong can be told. Importing twice stores nothing twice.

mod lines;

use std::collections::BTreeMap;

use logs::dates::rfc3339;
use logs::times::{self, Order, Stamp};
use logs::values::{Cell, cell, name_and_unit};
use logs::zone::{Utc, Zone};
use serde::{Deserialize, Serialize};

use crate::Store;
use crate::error::{Error, Result};
use crate::export::csv::HEADER;
use crate::series::{Appended, LARGEST_VALUE, Quality, Sample, SeriesSpec};
use logs::table::{self, Row};

/// Rows shown before importing.
const SHOWN: usize = 10;
/// Findings told one by one; more are only counted.
const TOLD: usize = 100;
/// Samples handed over at once.
const BATCH: usize = 50_000;
/// Decimals that are kept at least, so that logs of one probe with more or fewer digits become one series.
const LEAST_DECIMALS: u32 = 3;
/// Decimals that are kept at most.
const MOST_DECIMALS: u32 = 6;

/// How a log is to be read; what is `None` is guessed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Choices {
    /// Source of the series; "import" if empty.
    pub source: String,
    /// What separates cells.
    pub separator: Option<char>,
    /// Decimals follow a comma.
    pub decimal_comma: Option<bool>,
    /// The day stands before the month where the year is last.
    pub day_first: Option<bool>,
    /// The first row holds names.
    pub has_header: Option<bool>,
    /// Time zone of times that tell none, as a POSIX TZ string; empty: UTC.
    pub zone: String,
    /// Other names for columns, by the name guessed; an empty one leaves the column out.
    pub rename: BTreeMap<String, String>,
}

/// Something to know about a log.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Line of the file, from 1; None for the whole of it.
    pub line: Option<u64>,
    /// What, and what was done or is to do.
    pub what: String,
}

/// Findings, the first of them in words.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Findings {
    /// The first hundred.
    pub told: Vec<Finding>,
    /// All.
    pub n: u64,
}

impl Findings {
    fn push(&mut self, line: Option<u64>, what: impl Into<String>) {
        self.n += 1;
        if self.told.len() < TOLD {
            self.told.push(Finding { line, what: what.into() });
        }
    }
}

/// A column of values as understood.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ImportColumn {
    /// Name of the series.
    pub name: String,
    /// Unit, from the header.
    pub unit: String,
    /// Values are on and off.
    pub is_switch: bool,
    /// Decimals that are kept.
    pub decimals: u32,
    /// Cells with a value.
    pub n: u64,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
    #[serde(skip)]
    at: usize,
}

/// A row as understood.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ImportRow {
    /// Line of the file.
    pub line: u64,
    /// Its time, UTC, as RFC 3339 writes it.
    pub time: String,
    /// A value for each column.
    pub values: Vec<Option<f64>>,
}

/// What was understood of a log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Preview {
    /// What separates cells.
    pub separator: char,
    /// Decimals follow a comma.
    pub decimal_comma: bool,
    /// The day stands before the month.
    pub day_first: bool,
    /// The first row holds names.
    pub has_header: bool,
    /// Times tell their offset from UTC, so the zone is not used.
    pub is_utc: bool,
    /// Rows with a time.
    pub n_rows: u64,
    /// First and last time, as RFC 3339 writes them.
    pub from: String,
    /// Last time.
    pub to: String,
    /// Usual time from row to row, ms; 0 when there is one row only.
    pub interval: i64,
    /// Columns of values.
    pub columns: Vec<ImportColumn>,
    /// The first rows.
    pub rows: Vec<ImportRow>,
    /// What to know before importing.
    pub findings: Findings,
}

/// What an import did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Imported {
    /// What was understood.
    pub preview: Preview,
    /// What became of the samples.
    pub appended: Appended,
}

/// Where the time stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum TimeAt {
    One(usize),
    DateAndTime(usize, usize),
}

struct Log {
    rows: Vec<Row>,
    names: Vec<String>,
    separator: char,
    decimal_comma: bool,
    has_header: bool,
    order: Order,
    zone: Zone,
    time_at: TimeAt,
    width: usize,
    findings: Findings,
}

/// Rows that are looked at for guesses.
const LOOKED_AT: usize = 500;

fn guess_order(rows: &[Row]) -> Option<Order> {
    rows.iter().take(LOOKED_AT).flat_map(|row| &row.cells).find_map(|cell| times::tells_order(cell))
}

fn time_at(rows: &[Row], width: usize, order: Order) -> Option<TimeAt> {
    let looked_at = &rows[..rows.len().min(LOOKED_AT)];
    let share = |column: usize, is: fn(&Stamp) -> bool| {
        let n = looked_at
            .iter()
            .filter(|row| row.cells.get(column).and_then(|c| times::stamp(c, order)).is_some_and(|s| is(&s)))
            .count();
        n * 10 >= looked_at.len() * 8 && n > 0
    };
    let is_whole = |s: &Stamp| matches!(s, Stamp::Utc(_) | Stamp::Local(_));
    if let Some(at) = (0..width).find(|&c| share(c, is_whole)) {
        return Some(TimeAt::One(at));
    }
    let date = (0..width).find(|&c| share(c, |s| matches!(s, Stamp::Date(_))))?;
    match (0..width).find(|&c| share(c, |s| matches!(s, Stamp::Time(_)))) {
        Some(time) => Some(TimeAt::DateAndTime(date, time)),
        None => Some(TimeAt::One(date)),
    }
}

fn guess_decimal_comma(rows: &[Row], separator: char) -> bool {
    if separator == ',' {
        return false;
    }
    let (mut commas, mut points) = (0, 0);
    for text in rows.iter().take(LOOKED_AT).flat_map(|row| &row.cells) {
        let digits = text.strip_prefix('-').unwrap_or(text);
        let is_with = |mark: char| {
            digits.split_once(mark).is_some_and(|(a, b)| {
                !a.is_empty() && !b.is_empty() && (a.to_owned() + b).bytes().all(|c| c.is_ascii_digit())
            })
        };
        commas += u32::from(is_with(','));
        points += u32::from(is_with('.'));
    }
    commas > points
}

fn open(bytes: &[u8], choices: &Choices) -> Result<Log> {
    let mut findings = Findings::default();
    let (text, guessed) = table::text(bytes);
    if let Some(encoding) = guessed {
        findings.push(None, format!("the file is not UTF-8; read as {encoding}"));
    }
    let zone = Zone::parse(&choices.zone).ok_or_else(|| {
        Error::refused(format!(
            "\"{}\" is no time zone of the form `CET-1CEST,M3.5.0,M10.5.0/3`; empty means UTC",
            choices.zone
        ))
    })?;
    let separator = choices.separator.or_else(|| table::separator(&text)).ok_or_else(|| {
        Error::refused(
            "no separator found: a log has at least a time and a value in a row; tell the separator",
        )
    })?;
    let mut rows = table::rows(&text, separator);
    let (width, _) = table::commonest_width(&rows);
    let n_before = rows.iter().take_while(|row| row.cells.len() != width).count();
    if n_before > 0 {
        findings.push(Some(rows[0].line), format!("{n_before} lines before the table left out"));
        rows.drain(..n_before);
    }
    let order = match choices.day_first {
        Some(true) => Order::DayFirst,
        Some(false) => Order::MonthFirst,
        None => guess_order(&rows).unwrap_or_else(|| {
            let is_unclear = rows
                .iter()
                .take(LOOKED_AT)
                .skip(1)
                .flat_map(|row| &row.cells)
                .find(|c| times::stamp(c, Order::DayFirst) != times::stamp(c, Order::MonthFirst));
            if let Some(cell) = is_unclear {
                findings.push(
                    None,
                    format!("\"{cell}\" may be day or month first, and no date tells; read as day first, say so if not"),
                );
            }
            Order::DayFirst
        }),
    };
    let has_header = choices.has_header.unwrap_or_else(|| {
        rows.first().is_some_and(|row| {
            row.cells.iter().all(|c| times::stamp(c, order).is_none())
                && row.cells.iter().any(|c| cell(c, false).is_none() && cell(c, true).is_none())
        })
    });
    let header = if has_header && !rows.is_empty() { Some(rows.remove(0)) } else { None };
    let names = (0..width)
        .map(|i| {
            let name = header.as_ref().and_then(|row| row.cells.get(i)).filter(|name| !name.is_empty());
            name.cloned().unwrap_or_else(|| format!("column {}", i + 1))
        })
        .collect();
    let time_at = time_at(&rows, width, order)
        .ok_or_else(|| Error::refused("no column holds times in most of its rows; a log needs one"))?;
    let decimal_comma = choices.decimal_comma.unwrap_or_else(|| guess_decimal_comma(&rows, separator));
    Ok(Log { rows, names, separator, decimal_comma, has_header, order, zone, time_at, width, findings })
}

impl Log {
    /// UTC of each row, in the order of the file; rows without a time are told and left out.
    fn times(&mut self) -> (Vec<(usize, i64)>, bool) {
        let mut times: Vec<(usize, i64)> = Vec::with_capacity(self.rows.len());
        let mut is_utc = true;
        let mut before = None;
        for (i, row) in self.rows.iter().enumerate() {
            let line = Some(row.line);
            if row.cells.len() != self.width {
                self.findings
                    .push(line, format!("{} cells instead of {}; left out", row.cells.len(), self.width));
                continue;
            }
            let stamp = |at: usize| times::stamp(&row.cells[at], self.order);
            let stamp = match self.time_at {
                TimeAt::One(at) => stamp(at),
                TimeAt::DateAndTime(date, time) => match (stamp(date), stamp(time)) {
                    (Some(Stamp::Date(date)), Some(Stamp::Time(time))) => Some(Stamp::Local(date + time)),
                    _ => None,
                },
            };
            let time = match stamp {
                Some(Stamp::Utc(time)) => time,
                Some(Stamp::Local(local) | Stamp::Date(local)) => {
                    is_utc = false;
                    match self.zone.utc(local) {
                        Utc::One(time) => time,
                        // A log goes on: the second time once the first would step back.
                        Utc::Two(first, second) => {
                            if before.is_some_and(|before| first <= before) {
                                second
                            } else {
                                first
                            }
                        }
                        Utc::None(time) => {
                            self.findings.push(
                                line,
                                "this local time does not exist in that zone; is the zone right?",
                            );
                            time
                        }
                    }
                }
                Some(Stamp::Time(_)) | None => {
                    self.findings.push(line, format!("no time in \"{}\"; left out", row.cells.join(" ")));
                    continue;
                }
            };
            if !(0..crate::LATEST_TIME).contains(&time) {
                self.findings.push(line, "a time before 1970 or beyond 2109; left out");
                continue;
            }
            before = Some(time);
            times.push((i, time));
        }
        (times, is_utc)
    }

    fn preview(
        self,
        times: &[(usize, i64)],
        is_utc: bool,
        columns: Vec<ImportColumn>,
        rows: Vec<ImportRow>,
    ) -> Preview {
        let of = |time: Option<i64>| time.map(rfc3339).unwrap_or_default();
        Preview {
            separator: self.separator,
            decimal_comma: self.decimal_comma,
            day_first: self.order == Order::DayFirst,
            has_header: self.has_header,
            is_utc,
            n_rows: times.len() as u64,
            from: of(times.iter().map(|t| t.1).min()),
            to: of(times.iter().map(|t| t.1).max()),
            interval: interval(times),
            columns,
            rows,
            findings: self.findings,
        }
    }

    fn time_columns(&self) -> [usize; 2] {
        match self.time_at {
            TimeAt::One(at) => [at, at],
            TimeAt::DateAndTime(date, time) => [date, time],
        }
    }

    /// Columns of values; those of text are told and left out.
    fn columns(&mut self, rows: &[(usize, i64)], rename: &BTreeMap<String, String>) -> Vec<ImportColumn> {
        let mut columns: Vec<ImportColumn> = Vec::new();
        let of_time = self.time_columns();
        for at in (0..self.width).filter(|at| !of_time.contains(at)) {
            let (mut name, unit) = name_and_unit(&self.names[at]);
            if let Some(other) = rename.get(&name) {
                name.clone_from(other);
            }
            if name.is_empty() {
                continue;
            }
            while columns.iter().any(|c| c.name == name) {
                name += " 2";
            }
            let (mut n, mut n_text, mut n_switch, mut decimals) = (0, 0, 0, 0);
            let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
            for &(row, _) in rows {
                match cell(&self.rows[row].cells[at], self.decimal_comma) {
                    Some(Cell::Number(value, d)) => {
                        (n, decimals) = (n + 1, decimals.max(d));
                        (min, max) = (min.min(value), max.max(value));
                    }
                    Some(Cell::Switch(on)) => {
                        (n, n_switch) = (n + 1, n_switch + 1);
                        let value = f64::from(u8::from(on));
                        (min, max) = (min.min(value), max.max(value));
                    }
                    Some(Cell::Empty) => {}
                    None => n_text += 1,
                }
            }
            if n == 0 || n_text * 5 > n + n_text {
                let what = if n_text > 0 { "holds text" } else { "is empty" };
                self.findings.push(None, format!("the column \"{name}\" {what}; left out"));
                continue;
            }
            let is_switch = n_switch * 2 > n;
            if decimals > MOST_DECIMALS {
                self.findings.push(
                    None,
                    format!("the column \"{name}\" has {decimals} decimals; rounded to {MOST_DECIMALS}"),
                );
            }
            let decimals = if is_switch { 0 } else { decimals.clamp(LEAST_DECIMALS, MOST_DECIMALS) };
            columns.push(ImportColumn { name, unit, is_switch, decimals, n, min, max, at });
        }
        columns
    }
}

/// Usual step of times.
fn interval(times: &[(usize, i64)]) -> i64 {
    let mut steps: Vec<i64> = times.windows(2).map(|w| w[1].1 - w[0].1).filter(|step| *step > 0).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().unwrap_or(0)
}

/// Samples of a column: time, counts, quality.
type Samples = Vec<(i64, i64, Quality)>;

fn counts_of(value: f64, decimals: u32) -> Option<i64> {
    let counts = (value * 10f64.powi(decimals as i32)).round();
    (counts.abs() <= LARGEST_VALUE as f64).then_some(counts as i64)
}

/// What was understood and the samples, by columns.
fn understand(bytes: &[u8], choices: &Choices) -> Result<(Preview, Vec<Samples>)> {
    let mut log = open(bytes, choices)?;
    let (times, is_utc) = log.times();
    if log.has_header && log.names.join(",") == HEADER {
        return lines::understand(log, &times, choices);
    }
    let columns = log.columns(&times, &choices.rename);
    if times.is_empty() || columns.is_empty() {
        return Err(Error::refused("nothing to import: no row with a time, or no column with numbers"));
    }
    let mut samples: Vec<Samples> = vec![Vec::new(); columns.len()];
    let mut rows = Vec::new();
    for &(row, time) in &times {
        let mut values = Vec::with_capacity(columns.len());
        for (column, samples) in columns.iter().zip(&mut samples) {
            let text = &log.rows[row].cells[column.at];
            let line = Some(log.rows[row].line);
            let value = match cell(text, log.decimal_comma) {
                Some(Cell::Number(value, _)) => Some(value),
                Some(Cell::Switch(on)) => Some(f64::from(u8::from(on))),
                Some(Cell::Empty) => None,
                None => {
                    log.findings.push(line, format!("\"{text}\" in {} is no number; left out", column.name));
                    None
                }
            };
            match value.map(|value| counts_of(value, column.decimals)) {
                Some(Some(counts)) => samples.push((time, counts, Quality::Good)),
                Some(None) => {
                    log.findings.push(line, format!("{text} in {} is too large; left out", column.name))
                }
                None => {}
            }
            values.push(value);
        }
        if rows.len() < SHOWN {
            rows.push(ImportRow { line: log.rows[row].line, time: rfc3339(time), values });
        }
    }
    Ok((log.preview(&times, is_utc, columns, rows), samples))
}

/// Reads a log without storing anything.
///
/// # Errors
///
/// `Refused` when it can't be read as one at all, with what is missing.
pub fn preview_csv(bytes: &[u8], choices: &Choices) -> Result<Preview> {
    understand(bytes, choices).map(|(preview, _)| preview)
}

impl Store {
    /// Stores the samples of a log. The same log again stores nothing anew.
    ///
    /// # Errors
    ///
    /// As [`preview_csv`], [`Store::series`] and [`Store::append`]; what was stored until then stays, the same call goes on from there.
    pub fn import_csv(&self, bytes: &[u8], choices: &Choices) -> Result<Imported> {
        let (mut preview, samples) = understand(bytes, choices)?;
        let source = if choices.source.is_empty() { "import" } else { &choices.source };
        let mut appended = Appended::default();
        for (column, samples) in preview.columns.iter().zip(samples) {
            let mut spec = SeriesSpec {
                source: source.into(),
                name: column.name.clone(),
                unit: column.unit.clone(),
                scale: 1.0 / 10f64.powi(column.decimals as i32),
                interval: preview.interval,
                is_switch: column.is_switch,
            };
            if let Some(known) = self.find_series(source, &column.name) {
                spec.interval = known.spec.interval;
            }
            let series = self.series(&spec)?;
            for part in samples.chunks(BATCH) {
                let part = part.iter().map(|&(time, value, quality)| Sample { series, time, value, quality });
                appended += self.append(part.collect())?;
            }
        }
        self.settle()?;
        if appended.conflicts > 0 {
            preview.findings.push(
                None,
                format!(
                    "{} samples have a time that another value has; the first one stands, these are kept apart",
                    appended.conflicts
                ),
            );
        }
        Ok(Imported { preview, appended })
    }
}

//! Reads a log from CSV: the record of a rehearsal (`rehearse --csv`, a line each so often, hours from the start), the station's export
//! (`csv`, a line for each sample, and `csv-table`), and any table of the same form with times that a person would write.
//!
//! Contract: nothing panics, whatever the text; a row that cannot be read is counted and left out.

use std::collections::BTreeMap;

use logs::table::{self, Row};
use logs::times::{Order, Stamp, stamp};
use logs::values::{Cell, cell, name_and_unit};
use logs::zone::{Utc, Zone};

use crate::log::{Log, Series};

/// Header of the station's export with a line for each sample.
const LINES: [&str; 6] = ["time", "source", "series", "value", "unit", "quality"];
/// Marks a column of a rehearsal that no board knows.
const TRUE: &str = "true ";

/// Readings closer than this are one too many: a balance is of hours, and a fortnight of every second fills the memory, s.
const CLOSE_S: f64 = 10.0;

/// How a log is to be read.
#[derive(Clone, Copy, Debug)]
pub struct Reading<'a> {
    /// POSIX TZ string of times that tell no offset; empty is UTC.
    pub zone: &'a str,
    /// Start of a log whose times are counted from its start, s since 1970 UTC.
    pub begins_s: f64,
    /// Board whose series are wanted where the log has those of several.
    pub source: Option<&'a str>,
}

/// Why a log cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unreadable {
    /// No rows of cells.
    NoTable,
    /// The first row names no column of times.
    NoTime(String),
    /// No row has a time.
    NoRows(u64),
    /// Several boards, and none was named.
    Sources(Vec<String>),
    /// No series of this board.
    NoSource(String, Vec<String>),
}

impl std::fmt::Display for Unreadable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Unreadable::NoTable => {
                f.write_str("there are no rows of cells; a header with the names of the file's signals and a line for each time are needed")
            }
            Unreadable::NoTime(first) => write!(
                f,
                "the first column is `{first}`; it must be `time` (dates with times of day), or `time [h]` counted from the start"
            ),
            Unreadable::NoRows(line) => {
                write!(f, "no row begins with a time; line {line} is the first that does not: write 2026-01-31T18:00:00Z")
            }
            Unreadable::Sources(all) => {
                write!(f, "the log has series of several boards ({}); say which one is meant", all.join(", "))
            }
            Unreadable::NoSource(wanted, all) => {
                write!(f, "the log has no series of `{wanted}`, only of {}", all.join(", "))
            }
        }
    }
}

impl std::error::Error for Unreadable {}

/// A log and what was left out of it, a sentence each.
#[derive(Clone, Debug, PartialEq)]
pub struct Read {
    /// The log.
    pub log: Log,
    /// Rows and cells that could not be read.
    pub notes: Vec<String>,
}

/// Reads times of one log.
struct Times {
    zone: Zone,
    begins_s: f64,
    /// Seconds of a unit where times are counted from the start.
    unit_s: Option<f64>,
    order: Order,
}

impl Times {
    fn of(&self, text: &str) -> Option<f64> {
        if let Some(unit_s) = self.unit_s {
            let count: f64 = text.parse().ok()?;
            return Some(self.begins_s + count * unit_s).filter(|t| t.is_finite());
        }
        let ms = match stamp(text, self.order)? {
            Stamp::Utc(ms) => ms,
            Stamp::Local(ms) => match self.zone.utc(ms) {
                Utc::One(ms) | Utc::None(ms) | Utc::Two(ms, _) => ms,
            },
            _ => return None,
        };
        Some(ms as f64 / 1000.0)
    }
}

/// Seconds of a unit of time.
fn seconds_of(unit: &str) -> Option<f64> {
    match unit {
        "s" => Some(1.0),
        "min" => Some(60.0),
        "h" => Some(3600.0),
        "d" | "day" | "days" => Some(86_400.0),
        _ => None,
    }
}

fn number(text: &str) -> Option<f64> {
    match cell(text, false)? {
        Cell::Number(value, _) => Some(value),
        Cell::Switch(on) => Some(f64::from(u8::from(on))),
        Cell::Empty => None,
    }
}

/// Reads a log.
///
/// # Errors
/// There is no table, no time in it, or several boards and none was named.
pub fn csv(bytes: &[u8], how: &Reading<'_>) -> Result<Read, Unreadable> {
    let (text, _) = table::text(bytes);
    let first = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#')).unwrap_or_default();
    let separator = table::separator(&text).unwrap_or(if first.contains(';') { ';' } else { ',' });
    let rows = table::rows(&text, separator);
    let Some((head, rows)) = rows.split_first().filter(|(head, _)| head.cells.len() > 1) else {
        return Err(Unreadable::NoTable);
    };
    let (name, unit) = name_and_unit(&head.cells[0]);
    if !name.eq_ignore_ascii_case("time") {
        return Err(Unreadable::NoTime(name));
    }
    let order = rows.iter().find_map(|r| logs::times::tells_order(&r.cells[0])).unwrap_or(Order::DayFirst);
    let times = Times {
        zone: Zone::parse(how.zone).unwrap_or(Zone::UTC),
        begins_s: how.begins_s,
        unit_s: seconds_of(&unit),
        order,
    };
    let read = if head.cells == LINES { lines(rows, &times, how) } else { wide(head, rows, &times) }?;
    Ok(read)
}

/// Adds a point unless it says the same again within seconds. A switch (no unit) that changed is always kept.
fn push(points: &mut Vec<(f64, f64)>, is_switch: bool, time: f64, value: f64) {
    let is_close = points.last().is_some_and(|(last, before)| {
        (0.0..CLOSE_S).contains(&(time - last)) && !(is_switch && value != *before)
    });
    if !is_close {
        points.push((time, value));
    }
}

/// Points of each series by name, with its unit.
type Gathered = BTreeMap<String, (String, Vec<(f64, f64)>)>;

fn ended(all: Gathered, n_bad: usize, first_bad: Option<u64>, n_rows: usize) -> Result<Read, Unreadable> {
    if n_rows == n_bad {
        return Err(Unreadable::NoRows(first_bad.unwrap_or(2)));
    }
    let mut notes = vec![];
    if let Some(line) = first_bad {
        notes.push(format!(
            "{n_bad} of {n_rows} rows have no time and were left out, the first on line {line}"
        ));
    }
    let mut log = Log::new();
    for (name, (unit, points)) in all {
        log.put(&name, Series::readings(&unit, points));
    }
    Ok(Read { log, notes })
}

fn wide(head: &Row, rows: &[Row], times: &Times) -> Result<Read, Unreadable> {
    let names: Vec<(String, String)> = (head.cells.iter().skip(1))
        .map(|cell| {
            let truth = cell.strip_prefix(TRUE);
            let (name, unit) = name_and_unit(truth.unwrap_or(cell));
            let unit = if unit == "1" { String::new() } else { unit };
            (if truth.is_some() { format!("{TRUE}{name}") } else { name }, unit)
        })
        .collect();
    let mut columns: Vec<Vec<(f64, f64)>> = vec![vec![]; names.len()];
    let (mut n_bad, mut first_bad) = (0, None);
    for row in rows {
        let Some(time) = times.of(&row.cells[0]) else {
            n_bad += 1;
            first_bad = first_bad.or(Some(row.line));
            continue;
        };
        for ((column, (_, unit)), cell) in columns.iter_mut().zip(&names).zip(row.cells.iter().skip(1)) {
            if let Some(value) = number(cell) {
                push(column, unit.is_empty(), time, value);
            }
        }
    }
    let all = names.into_iter().zip(columns).map(|((name, unit), points)| (name, (unit, points)));
    ended(all.collect(), n_bad, first_bad, rows.len())
}

fn lines(rows: &[Row], times: &Times, how: &Reading<'_>) -> Result<Read, Unreadable> {
    let mut sources: Vec<String> = rows.iter().filter_map(|r| r.cells.get(1).cloned()).collect();
    sources.sort();
    sources.dedup();
    let source = match how.source {
        Some(wanted) if sources.iter().any(|s| s == wanted) => wanted.to_owned(),
        Some(wanted) => return Err(Unreadable::NoSource(wanted.to_owned(), sources)),
        None if sources.len() > 1 => return Err(Unreadable::Sources(sources)),
        None => sources.first().cloned().unwrap_or_default(),
    };
    let mut all = Gathered::new();
    let (mut n_bad, mut first_bad) = (0, None);
    for row in rows {
        let read = match &row.cells[..] {
            [time, from, name, value, unit, quality] => {
                times.of(time).map(|t| (t, from, name, value, unit, quality))
            }
            _ => None,
        };
        let Some((time, from, name, value, unit, quality)) = read else {
            n_bad += 1;
            first_bad = first_bad.or(Some(row.line));
            continue;
        };
        if *from != source {
            continue;
        }
        let value = if quality == "bad" { None } else { number(value) };
        let (_, points) = all.entry(name.clone()).or_insert_with(|| (unit.clone(), vec![]));
        push(points, unit.is_empty(), time, value.unwrap_or(f64::NAN));
    }
    ended(all, n_bad, first_bad, rows.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOW: Reading<'static> = Reading { zone: "GMT0BST,M3.5.0/1,M10.5.0", begins_s: 1e9, source: None };

    #[test]
    fn a_rehearsal_is_counted_from_its_start() {
        let text = "time [h],tank [degC],heater [1],true room.temperature [degC]\n0,25.5,0,21\n0.016667,25.25,1,21\n0.033333,,1,21\n";
        let read = csv(text.as_bytes(), &HOW).expect("reads");
        let tank = read.log.get("tank").expect("is there");
        assert_eq!(tank.unit(), "degC");
        assert_eq!(tank.len(), 2);
        assert!((tank.points().nth(1).expect("two").0 - 1e9 - 60.0).abs() < 0.01);
        assert_eq!(read.log.get("heater").expect("is there").unit(), "");
        assert!(read.log.get("true room.temperature").is_some());
        assert!(read.notes.is_empty());
    }

    #[test]
    fn an_export_of_samples_is_read_with_its_qualities() {
        let text = "time,source,series,value,unit,quality\r\n2026-01-14T00:00:00.000Z,reef,tank,25.5,degC,good\r\n\
                    2026-01-14T00:00:20.000Z,reef,tank,0,degC,bad\r\n2026-01-14T00:00:01.000Z,reef,heater,1,,good\r\nnonsense,reef,tank,1,degC,good\r\n";
        let read = csv(text.as_bytes(), &HOW).expect("reads");
        let tank = read.log.get("tank").expect("is there");
        assert_eq!(tank.points().next(), Some((1_768_348_800.0, 25.5)));
        assert!(tank.points().nth(1).expect("two").1.is_nan());
        assert_eq!(read.notes, ["1 of 4 rows have no time and were left out, the first on line 5"]);
        let two = text.replace("Z,reef,heater", "Z,other,heater");
        assert_eq!(
            csv(two.as_bytes(), &HOW),
            Err(Unreadable::Sources(vec!["other".to_owned(), "reef".to_owned()]))
        );
        let one = csv(two.as_bytes(), &Reading { source: Some("reef"), ..HOW }).expect("reads");
        assert_eq!(one.log.names().collect::<Vec<_>>(), ["tank"]);
    }

    #[test]
    fn every_second_is_thinned_but_for_switches_that_changed() {
        let mut text = "time [s],tank [degC],pump\n".to_owned();
        for s in 0..60 {
            text += &format!("{s},25.{s:02},{}\n", u8::from((33..36).contains(&s)));
        }
        let log = csv(text.as_bytes(), &HOW).expect("reads").log;
        assert_eq!(log.get("tank").expect("is there").len(), 6);
        let pump = log.get("pump").expect("is there");
        assert!(pump.points().any(|(t, v)| t == 1e9 + 33.0 && v == 1.0));
        assert!(pump.points().any(|(t, v)| t == 1e9 + 36.0 && v == 0.0));
    }

    #[test]
    fn what_is_no_log_says_so() {
        assert_eq!(csv(b"", &HOW), Err(Unreadable::NoTable));
        assert_eq!(csv(b"a,b\n1,2\n", &HOW), Err(Unreadable::NoTime("a".to_owned())));
        assert_eq!(csv(b"time,b\nyesterday,2\n", &HOW), Err(Unreadable::NoRows(2)));
    }

    proptest::proptest! {
        #[test]
        fn nothing_panics(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..400), tail in "[time, \\[\\]h;0-9\n.:TZ-]{0,300}") {
            let _ = csv(&bytes, &HOW);
            let _ = csv(format!("time [h],a [degC]\n{tail}").as_bytes(), &HOW);
            let _ = csv(format!("time,source,series,value,unit,quality\n{tail}").as_bytes(), &HOW);
        }
    }
}

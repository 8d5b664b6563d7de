//! A log of water tests as people keep it: a CSV of date, what, value. docs/care.md has the form.
//!
//! Quantities may have their unit; without one the unit of the quantity is meant. Doses are of a quantity (`dose alkalinity,0.5 dKH`) or of a
//! salt (`dose sodium bicarbonate,5 g`); `daily` is a dose a day from that date until the next `daily` of the same thing.

use units::{Kind, Quantity};

use super::Tank;
use super::consumption::{Event, Test};
use super::dose::DOSED;
use super::quantity::Tested;
use super::salts::Salt;
use crate::calendar::day_of;

/// A log that was read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Log {
    tests: Vec<(Tested, Test)>,
    doses: Vec<(f64, f64, Dose)>,
    changes: Vec<f64>,
    /// What was meant by each line, for a person to look over.
    pub n_lines: usize,
}

/// What a dose is of, and whether it goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Dose {
    what: Dosed,
    is_daily: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Dosed {
    /// In the quantity's unit.
    Quantity(Tested),
    /// In grams.
    Salt(Salt),
}

/// A line that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// From 1.
    pub line: usize,
    /// What is wrong and what would be right.
    pub message: String,
}

impl Log {
    /// Reads a whole log; empty lines, lines that begin with `#` and a heading are passed over.
    ///
    /// # Errors
    /// Every line that cannot be read, in one go.
    pub fn read(text: &str) -> Result<Log, Vec<Mistake>> {
        let mut log = Log::default();
        let mut mistakes = vec![];
        for (at, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
            let line = line.trim();
            let is_heading = at == 0 && line.to_ascii_lowercase().starts_with("date");
            if line.is_empty() || line.starts_with('#') || is_heading {
                continue;
            }
            match log.take(line) {
                Ok(()) => log.n_lines += 1,
                Err(message) => mistakes.push(Mistake { line: at + 1, message }),
            }
        }
        if mistakes.is_empty() { Ok(log) } else { Err(mistakes) }
    }

    fn take(&mut self, line: &str) -> Result<(), String> {
        let cells: Vec<&str> =
            line.split([',', ';', '\t']).map(|c| c.trim().trim_matches('"').trim()).collect();
        let (date, what, value) = match cells[..] {
            [date, what] => (date, what, ""),
            [date, what, value, ..] => (date, what, value),
            _ => {
                return Err("date, what and value are needed, such as `2026-11-01,alkalinity,8.2 dKH`".into());
            }
        };
        let day = when(date)?;
        let lower = what.to_ascii_lowercase();
        if lower == "water change" || lower == "change" {
            self.changes.push(day);
            return Ok(());
        }
        for (word, is_daily) in [("dose ", false), ("daily ", true)] {
            if let Some(rest) = lower.strip_prefix(word) {
                let what = dosed(rest.trim())?;
                self.doses.push((day, amount(what, value, is_daily)?, Dose { what, is_daily }));
                return Ok(());
            }
        }
        let tested = Tested::of_name(&lower).ok_or_else(|| {
            format!(
                "`{what}` is nothing that a log knows; {}, `dose`, `daily` or `water change` are",
                Tested::ALL.map(Tested::name).join(", ")
            )
        })?;
        let value = number_of(tested, value)?;
        self.tests.push((tested, Test { day, value }));
        Ok(())
    }

    /// Tests of a quantity, in the order of the log.
    pub fn tests(&self, tested: Tested) -> Vec<Test> {
        self.tests.iter().filter(|(of, _)| *of == tested).map(|(_, test)| *test).collect()
    }

    /// Quantities with a test at all.
    pub fn tested(&self) -> Vec<Tested> {
        Tested::ALL.into_iter().filter(|t| self.tests.iter().any(|(of, _)| of == t)).collect()
    }

    /// Days of the water changes, in the order of the log.
    pub fn changes(&self) -> &[f64] {
        &self.changes
    }

    /// Day of the first dose of a salt.
    pub fn first_dose(&self) -> Option<f64> {
        let salts = self.doses.iter().filter(|(.., dose)| matches!(dose.what, Dosed::Salt(_)));
        salts.map(|(day, ..)| *day).min_by(f64::total_cmp)
    }

    /// Grams of each salt between two days, doses a day included. Doses that were written as a rise of a quantity name no salt and are not among them.
    pub fn salts(&self, from_day: f64, to_day: f64) -> Vec<(Salt, f64)> {
        let mut out: Vec<(Salt, f64)> = vec![];
        for (day, grams, dose) in &self.doses {
            let Dosed::Salt(salt) = dose.what else { continue };
            let grams = if dose.is_daily {
                grams * (to_day.min(self.ends(*day, *dose)) - from_day.max(*day)).max(0.0)
            } else if (from_day..=to_day).contains(day) {
                *grams
            } else {
                0.0
            };
            match out.iter_mut().find(|(of, _)| *of == salt) {
                Some((_, sum)) => *sum += grams,
                None => out.push((salt, grams)),
            }
        }
        out
    }

    /// When a dose a day ends: at the next one of the same thing.
    fn ends(&self, day: f64, dose: Dose) -> f64 {
        (self.doses.iter())
            .filter(|(from, _, other)| *other == dose && *from > day)
            .map(|(from, ..)| *from)
            .fold(f64::INFINITY, f64::min)
    }

    /// What raised a quantity meanwhile, in this tank, and the water changes.
    pub fn events(&self, tested: Tested, tank: &Tank) -> Vec<Event> {
        let mut out: Vec<Event> = self.changes.iter().map(|day| Event::Change { day: *day }).collect();
        let raise = |what: Dosed, amount: f64| match what {
            Dosed::Quantity(of) => (of == tested).then_some(amount),
            Dosed::Salt(salt) => Some(amount / super::dose::grams(tank, tested, 1.0, salt).ok()?),
        };
        for (day, amount, dose) in &self.doses {
            let Some(raise) = raise(dose.what, *amount) else { continue };
            if !dose.is_daily {
                out.push(Event::Dose { day: *day, raise });
                continue;
            }
            out.push(Event::Steady { from_day: *day, to_day: self.ends(*day, *dose), per_day: raise });
        }
        out
    }
}

/// `2026-11-01`, `2026-11-01 18:30`, `2026-11-01T18:30`.
fn when(text: &str) -> Result<f64, String> {
    let wrong = || format!("`{text}` is no date; write `2026-11-01` or `2026-11-01 18:30`");
    let (date, time) = text.split_once([' ', 'T']).unwrap_or((text, "12:00"));
    let day = day_of(date).ok_or_else(wrong)?;
    let mut parts = time.trim().trim_end_matches('Z').split(':').map(str::parse::<u32>);
    let (hour, minute) = match (parts.next(), parts.next()) {
        (Some(Ok(hour)), Some(Ok(minute))) if hour < 24 && minute < 60 => (hour, minute),
        _ => return Err(wrong()),
    };
    Ok(day as f64 + f64::from(hour) / 24.0 + f64::from(minute) / 1440.0)
}

fn dosed(name: &str) -> Result<Dosed, String> {
    if let Some(tested) = Tested::of_name(name) {
        return if DOSED.contains(&tested) {
            Ok(Dosed::Quantity(tested))
        } else {
            Err(format!("{name} is not dosed; {} are", DOSED.map(Tested::name).join(", ")))
        };
    }
    Salt::of_name(name).map(Dosed::Salt).ok_or_else(|| {
        let salts: Vec<&str> = Salt::ALL.iter().map(|s| s.name()).collect();
        format!("`{name}` is no salt that is known; {} are", salts.join(", "))
    })
}

fn amount(what: Dosed, value: &str, is_daily: bool) -> Result<f64, String> {
    let sound =
        |x: f64| if x.is_finite() && x >= 0.0 { Ok(x) } else { Err(format!("{value} is no possible dose")) };
    match what {
        Dosed::Salt(_) => match value.parse::<f64>() {
            Ok(grams) => sound(grams),
            Err(_) => {
                let mass = Quantity::parse_as(value.trim_end_matches("/day"), Kind::Mass);
                sound(
                    mass.ok()
                        .and_then(|q| q.in_unit("g"))
                        .ok_or(format!("`{value}` is no mass; write such as `5 g`"))?,
                )
            }
        },
        Dosed::Quantity(tested) => {
            let plain = if is_daily { value.trim_end_matches("/day").trim() } else { value };
            sound(number_of(tested, plain)?)
        }
    }
}

/// A value with or without its unit.
///
/// # Errors
/// A sentence: another unit, no number, a value that no test shows.
pub fn number_of(tested: Tested, text: &str) -> Result<f64, String> {
    let text = text.trim();
    let value = match text.parse::<f64>() {
        Ok(value) => value,
        Err(_) => {
            let kind = match tested {
                Tested::Alkalinity => Kind::AmountPerVolume,
                Tested::Salinity => Kind::Salinity,
                _ => Kind::Concentration,
            };
            let unit = if tested == Tested::Salinity { kind.base_symbol() } else { tested.unit() };
            let quantity =
                Quantity::parse_as(text, kind).map_err(|error| format!("{error}; {}", error.help()))?;
            quantity.in_unit(unit).unwrap_or(quantity.value)
        }
    };
    if tested.possible().contains(&value) {
        Ok(value)
    } else {
        Err(format!("{value} {} of {} is not possible; look at the unit", tested.unit(), tested.name()))
    }
}

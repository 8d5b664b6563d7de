//! What can be wrong with a written quantity, where, and what would be right.

use std::ops::Range;

use crate::Kind;
use crate::table::UNITS;

/// A quantity that could not be read. [`Display`](std::fmt::Display) gives what is wrong in one line;
/// [`UnitError::help`] what would be right.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitError {
    /// The bytes of the text that are wrong; on character boundaries, never beyond the text.
    pub span: Range<usize>,
    /// What is wrong there.
    pub problem: Problem,
}

/// The ways in which a written quantity can be wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Problem {
    /// Nothing but white space: write a number and a unit.
    Empty,
    /// Longer than any quantity; holds the limit in bytes.
    TooLong(usize),
    /// No number where one must stand.
    NoNumber,
    /// A comma in a number; the decimal mark is a point, and thousands are not grouped.
    CommaInNumber,
    /// A fraction over nought.
    ZeroDenominator,
    /// The number, or its value in the base unit, is beyond what can be held.
    TooLarge,
    /// A number without a unit where one is needed; holds the kind that was asked for, if any.
    MissingUnit(Option<Kind>),
    /// A unit that is not known; holds the unit as written, the nearest known one, and the kind asked for.
    UnknownUnit {
        /// The unit as written.
        unit: String,
        /// The nearest known spelling, if one is near.
        nearest: Option<&'static str>,
        /// The kind that was asked for, if any.
        expected: Option<Kind>,
    },
    /// A known unit of another kind than the one asked for.
    WrongKind {
        /// The unit as this tool writes it.
        unit: &'static str,
        /// What was written.
        found: Kind,
        /// What is needed.
        expected: Kind,
    },
    /// Two parts of a sum such as `1 h 30 min` that cannot be added; holds both kinds.
    CannotAdd(Kind, Kind),
}

impl UnitError {
    pub(crate) fn new(span: Range<usize>, problem: Problem) -> Self {
        Self { span, problem }
    }

    /// What would be right, as one sentence without a final period.
    pub fn help(&self) -> String {
        match &self.problem {
            Problem::Empty => "write a number and its unit, such as `380 L`".to_owned(),
            Problem::TooLong(limit) => format!("a quantity is a number and a unit, at most {limit} bytes"),
            Problem::NoNumber => "begin with a number: `12 mm`, `0.2 K`, `1 1/2 in`".to_owned(),
            Problem::CommaInNumber => {
                "write the decimal mark as a point, and thousands without a mark: `1.5`, `2400`".to_owned()
            }
            Problem::ZeroDenominator => "write a fraction such as `1/2`".to_owned(),
            Problem::TooLarge => "write a number of a size that a tank can have".to_owned(),
            Problem::MissingUnit(Some(kind)) => {
                format!("add a unit of {}: {}", kind.name(), listed(*kind))
            }
            Problem::MissingUnit(None) => "add a unit, such as `mm`, `L`, `degC`, `min`".to_owned(),
            Problem::UnknownUnit { unit, nearest, expected } => unknown_unit_help(unit, *nearest, *expected),
            Problem::WrongKind { unit, found, expected } => wrong_kind_help(unit, *found, *expected),
            Problem::CannotAdd(..) => {
                "write one number and one unit; only parts of one kind add up, as in `1 h 30 min`".to_owned()
            }
        }
    }
}

fn unknown_unit_help(unit: &str, nearest: Option<&'static str>, expected: Option<Kind>) -> String {
    match unit {
        "C" => return "write `degC` for a temperature, `A s` for an electric charge".to_owned(),
        "°" | "deg" => return "write `degC` or `degF` for a temperature".to_owned(),
        _ => {}
    }
    match (nearest, expected) {
        (Some(near), Some(kind)) => format!("did you mean `{near}`? {} takes {}", kind.name(), listed(kind)),
        (Some(near), None) => format!("did you mean `{near}`?"),
        (None, Some(kind)) => format!("{} takes {}", kind.name(), listed(kind)),
        (None, None) => "write a unit such as `mm`, `L`, `degC`, `min`, `L/h`, `W`".to_owned(),
    }
}

fn wrong_kind_help(unit: &str, found: Kind, expected: Kind) -> String {
    let note = match (found, expected) {
        (Kind::Temperature, Kind::TemperatureDifference) => {
            format!("`{unit}` is a point on the scale; a difference is written in `K` or `degF difference`")
        }
        (Kind::TemperatureDifference, Kind::Temperature) => {
            format!("`{unit}` is a difference; a point on the scale is written in `degC` or `degF`")
        }
        (Kind::Capacitance, Kind::Temperature) if unit == "F" => "write `degF`".to_owned(),
        (Kind::Ratio, Kind::Concentration) if unit == "ppm" => {
            "`ppm` is a plain ratio here; what a test kit calls ppm is `mg/L`".to_owned()
        }
        (Kind::Ratio, Kind::Pressure) if unit == "ppm" => {
            "`ppm` is a mole fraction of dry air; a partial pressure is written in `uatm` or `Pa`".to_owned()
        }
        (Kind::Ratio, Kind::AmountPerVolume) if unit == "ppm" => "write `ppm CaCO3`".to_owned(),
        (Kind::AmountPerMass, Kind::AmountPerVolume) | (Kind::AmountPerVolume, Kind::AmountPerMass) => {
            "per kilogram and per litre differ by the density of the water".to_owned()
        }
        _ => String::new(),
    };
    let list = format!("{} takes {}", expected.name(), listed(expected));
    if note.is_empty() { list } else { format!("{note}; {list}") }
}

/// The units of a kind as a list to read, the usual ones first.
fn listed(kind: Kind) -> String {
    const SHOWN: usize = 8;
    let mut symbols: Vec<String> =
        kind.units().take(SHOWN).map(|unit| format!("`{}`", unit.symbol)).collect();
    if kind.may_be_plain() {
        symbols.insert(0, "a plain number".to_owned());
    }
    symbols.join(", ")
}

impl std::fmt::Display for UnitError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.problem {
            Problem::Empty => f.write_str("no quantity is written"),
            Problem::TooLong(_) => f.write_str("too long for a quantity"),
            Problem::NoNumber => f.write_str("no number stands here"),
            Problem::CommaInNumber => f.write_str("a comma stands in the number"),
            Problem::ZeroDenominator => f.write_str("the fraction divides by nought"),
            Problem::TooLarge => f.write_str("the number is too large"),
            Problem::MissingUnit(Some(kind)) => write!(f, "the unit of this {kind} is missing"),
            Problem::MissingUnit(None) => f.write_str("the unit is missing"),
            Problem::UnknownUnit { unit, .. } => write!(f, "`{unit}` is not a known unit"),
            Problem::WrongKind { unit, found, expected } => {
                write!(
                    f,
                    "`{unit}` measures {}, but this is {}",
                    found.with_article(),
                    expected.with_article()
                )
            }
            Problem::CannotAdd(first, second) => {
                write!(f, "{} and {} do not add up", first.with_article(), second.with_article())
            }
        }
    }
}

impl std::error::Error for UnitError {}

/// The known spelling nearest to `written`, if it is near enough to be a slip; units of `expected` win ties.
pub(crate) fn nearest_unit(written: &str, expected: Option<Kind>) -> Option<&'static str> {
    let lower = written.to_lowercase();
    let length = written.chars().count();
    let mut best: Option<(usize, &'static str)> = None;
    for unit in UNITS {
        for spelling in unit.spellings() {
            let letters = edit_distance(&lower, &spelling.to_lowercase());
            let allowed = if length <= 2 { usize::from(letters == 0) } else { length.div_ceil(3) };
            if letters > allowed || (length <= 2 && letters > 0) {
                continue;
            }
            // One wrong letter outweighs any number of wrong cases, and both outweigh the kind.
            let cost = letters * 1000
                + edit_distance(written, spelling) * 2
                + usize::from(expected.is_some_and(|kind| kind != unit.kind));
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, spelling));
            }
        }
    }
    best.map(|(_, spelling)| spelling)
}

/// Levenshtein distance in characters.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

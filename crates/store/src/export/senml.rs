//! SenML (RFC 8428) in JSON, written: what an export and a message take. `logs::senml` reads it.

use std::io::Write;

use super::{Cursor, of_io};
use crate::error::Result;
use crate::series::{Point, Quality, SeriesSpec, in_units};

/// Units of the SenML registry (IANA "SenML Units", from memory) and what a value is multiplied by. None: the registry has none; the
/// value goes without a unit.
pub fn senml_unit(unit: &str) -> Option<(&'static str, f64)> {
    Some(match unit {
        "degC" | "°C" => ("Cel", 1.0),
        "K" => ("K", 1.0),
        "pH" => ("pH", 1.0),
        "m" => ("m", 1.0),
        "mm" => ("m", 1e-3),
        "L" => ("m3", 1e-3),
        "mL" => ("m3", 1e-6),
        "s" => ("s", 1.0),
        "mS/cm" => ("S/m", 0.1),
        "%" => ("/", 0.01),
        "V" => ("V", 1.0),
        "A" => ("A", 1.0),
        "W" => ("W", 1.0),
        _ => return None,
    })
}

/// Letters, digits and `-:./_`, beginning with a letter or digit (RFC 8428, section 4.5.1); anything else becomes `_`.
fn name(text: &str) -> String {
    let mut name: String = text
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || "-:./_".contains(c) { c } else { '_' })
        .collect();
    if !name.starts_with(|c: char| c.is_ascii_alphanumeric()) {
        name.insert(0, 'x');
    }
    name
}

/// Seconds of a time in ms, as an exact decimal.
fn seconds(ms: i64) -> String {
    let sign = if ms < 0 { "-" } else { "" };
    let (s, rest) = (ms.unsigned_abs() / 1000, ms.unsigned_abs() % 1000);
    if rest == 0 {
        format!("{sign}{s}")
    } else {
        format!("{sign}{s}.{}", format!("{rest:03}").trim_end_matches('0'))
    }
}

/// A SenML pack that grows record by record, as text. Base name and base time are told once and again when they change.
#[derive(Debug, Default)]
pub struct Pack {
    text: String,
    base: Option<(String, i64)>,
}

impl Pack {
    /// An empty pack.
    pub fn new() -> Self {
        Pack::default()
    }

    /// Adds a sample; bad ones are left out. Gives whether it was added.
    pub fn push(&mut self, spec: &SeriesSpec, point: Point) -> bool {
        if point.quality == Quality::Bad {
            return false;
        }
        self.text += if self.text.is_empty() { "[\n{" } else { ",\n{" };
        let source = format!("{}/", name(&spec.source));
        let bt = match &self.base {
            Some((known, bt)) if *known == source => *bt,
            _ => {
                self.text += &format!("\"bn\":\"{source}\",\"bt\":{},", seconds(point.time));
                self.base = Some((source, point.time));
                point.time
            }
        };
        self.text += &format!("\"n\":\"{}\",", name(&spec.name));
        if point.time != bt {
            self.text += &format!("\"t\":{},", seconds(point.time - bt));
        }
        if spec.is_switch {
            self.text += &format!("\"vb\":{}}}", point.value != 0);
        } else {
            let (unit, factor) = match senml_unit(&spec.unit) {
                Some((unit, factor)) => (format!("\"u\":\"{unit}\","), factor),
                None => (String::new(), 1.0),
            };
            self.text += &format!("{unit}\"v\":{}}}", in_units(point.value as f64, spec.scale * factor));
        }
        true
    }

    /// What was added since the last call; the pack goes on.
    fn take(&mut self) -> String {
        let text = self.text.clone();
        // Not empty, so that the next record begins with a comma.
        self.text.clear();
        self.text.push(' ');
        text
    }

    /// The whole pack.
    pub fn finish(mut self) -> String {
        if self.text.is_empty() {
            self.text.push('[');
        }
        self.text += "\n]\n";
        self.text
    }
}

pub(super) fn write(cursors: Vec<Cursor<'_>>, out: &mut (dyn Write + Send)) -> Result<u64> {
    let mut pack = Pack::new();
    let mut n = 0;
    for mut cursor in cursors {
        let spec = cursor.series.spec.clone();
        while let Some(point) = cursor.next()? {
            n += u64::from(pack.push(&spec, point));
            if pack.text.len() > 1 << 16 {
                out.write_all(pack.take().as_bytes()).map_err(|e| of_io(&e))?;
            }
        }
    }
    out.write_all(pack.finish().as_bytes()).map_err(|e| of_io(&e))?;
    Ok(n)
}

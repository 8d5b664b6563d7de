//! CSV (RFC 4180): commas, points, times as RFC 3339 has them.

use std::io::Write;

use super::{Cursor, of_io};
use crate::error::Result;
use crate::series::Quality;
use logs::dates::rfc3339;

/// Header of the form with a line for each sample.
pub(crate) const HEADER: &str = "time,source,series,value,unit,quality";

fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

pub(crate) fn quality_word(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Uncertain => "uncertain",
        Quality::Bad => "bad",
    }
}

pub(super) fn lines(cursors: Vec<Cursor<'_>>, out: &mut (dyn Write + Send)) -> Result<u64> {
    let mut n = 0;
    write!(out, "{HEADER}\r\n").map_err(|e| of_io(&e))?;
    for mut cursor in cursors {
        let spec = cursor.series.spec.clone();
        let names = format!("{},{}", field(&spec.source), field(&spec.name));
        let unit = field(&spec.unit);
        while let Some(p) = cursor.next()? {
            write!(
                out,
                "{},{names},{},{unit},{}\r\n",
                rfc3339(p.time),
                spec.in_units(p.value),
                quality_word(p.quality)
            )
            .map_err(|e| of_io(&e))?;
            n += 1;
        }
    }
    Ok(n)
}

pub(super) fn table(mut cursors: Vec<Cursor<'_>>, out: &mut (dyn Write + Send)) -> Result<u64> {
    let mut n = 0;
    let mut line = String::from("time");
    for cursor in &cursors {
        let spec = &cursor.series.spec;
        let unit = if spec.unit.is_empty() { String::new() } else { format!(" [{}]", spec.unit) };
        line += &format!(",{}", field(&format!("{}{unit}", spec.name)));
    }
    loop {
        write!(out, "{line}\r\n").map_err(|e| of_io(&e))?;
        let mut time = None;
        for cursor in &mut cursors {
            let next = cursor.peek()?.map(|p| p.time);
            time = match (time, next) {
                (Some(a), Some(b)) => Some(i64::min(a, b)),
                (a, b) => a.or(b),
            };
        }
        let Some(time) = time else { return Ok(n) };
        line = rfc3339(time);
        for cursor in &mut cursors {
            line.push(',');
            if cursor.peek()?.is_some_and(|p| p.time == time)
                && let Some(p) = cursor.next()?
            {
                n += 1;
                if p.quality != Quality::Bad {
                    line += &cursor.series.spec.in_units(p.value).to_string();
                }
            }
        }
    }
}

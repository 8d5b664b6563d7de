//! Bringing in a log that somebody kept before.

use store::{Choices, Preview, preview_csv};

use crate::app::App;
use crate::http::problem::Problem;

/// What was brought in, or would be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Brought {
    /// It was stored, not only looked at.
    pub is_stored: bool,
    /// What was understood and what was not, a line each.
    pub lines: Vec<String>,
    /// Samples stored.
    pub n_new: u64,
    /// Samples that were there already.
    pub n_known: u64,
}

/// Reads a CSV log; stores it unless only a preview is wanted.
///
/// # Errors
/// It cannot be read, or the store cannot take it.
pub fn csv(
    app: &App,
    name: &str,
    zone: Option<&str>,
    preview: bool,
    bytes: &[u8],
) -> Result<Brought, Problem> {
    let usual = app.site.boards.first().map_or("", |board| &board.system.timezone);
    let choices =
        Choices { source: name.to_owned(), zone: zone.unwrap_or(usual).to_owned(), ..Choices::default() };
    let failed = |error| match error {
        store::Error::Refused { why } => Problem::not_possible(format!("The log cannot be read: {why}.")),
        other => Problem::store(other),
    };
    if preview {
        let seen = preview_csv(bytes, &choices).map_err(failed)?;
        return Ok(Brought { is_stored: false, lines: lines(&seen), n_new: 0, n_known: 0 });
    }
    let imported = app.store.import_csv(bytes, &choices).map_err(failed)?;
    Ok(Brought {
        is_stored: true,
        lines: lines(&imported.preview),
        n_new: imported.appended.new,
        n_known: imported.appended.duplicates,
    })
}

fn lines(seen: &Preview) -> Vec<String> {
    let mut lines = vec![format!("{} rows from {} to {}.", seen.n_rows, seen.from, seen.to)];
    for column in &seen.columns {
        let unit = if column.unit.is_empty() { String::new() } else { format!(" {}", column.unit) };
        lines.push(format!(
            "{}: {} values from {} to {}{unit}.",
            column.name, column.n, column.min, column.max
        ));
    }
    for finding in &seen.findings.told {
        lines.push(match finding.line {
            Some(line) => format!("Line {line}: {}", finding.what),
            None => finding.what.clone(),
        });
    }
    lines
}

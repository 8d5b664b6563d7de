//! The store's own export with a line for each sample, read again, qualities included.

use std::collections::BTreeMap;

use super::{
    Cell, Choices, ImportColumn, ImportRow, LEAST_DECIMALS, Log, MOST_DECIMALS, Preview, SHOWN, Samples,
    cell, counts_of,
};
use crate::error::{Error, Result};
use crate::series::Quality;
use logs::dates::rfc3339;

/// Columns of the header.
const SOURCE: usize = 1;
const SERIES: usize = 2;
const VALUE: usize = 3;
const UNIT: usize = 4;
const QUALITY: usize = 5;

/// The rows of one series.
#[derive(Default)]
struct Group {
    unit: String,
    values: Vec<(i64, f64, Quality)>,
    decimals: u32,
}

pub(super) fn understand(
    mut log: Log,
    times: &[(usize, i64)],
    choices: &Choices,
) -> Result<(Preview, Vec<Samples>)> {
    let mut groups: BTreeMap<(String, String), Group> = BTreeMap::new();
    for &(row, time) in times {
        let row = &log.rows[row];
        let value = match cell(&row.cells[VALUE], false) {
            Some(Cell::Number(value, decimals)) => Some((value, decimals)),
            Some(Cell::Switch(on)) => Some((f64::from(u8::from(on)), 0)),
            Some(Cell::Empty) | None => None,
        };
        let quality = match row.cells[QUALITY].as_str() {
            "good" | "" => Some(Quality::Good),
            "uncertain" => Some(Quality::Uncertain),
            "bad" => Some(Quality::Bad),
            _ => None,
        };
        let Some(((value, decimals), quality)) = value.zip(quality) else {
            log.findings.push(
                Some(row.line),
                format!("no value or no quality in \"{}\"; left out", row.cells.join(",")),
            );
            continue;
        };
        let group = groups.entry((row.cells[SOURCE].clone(), row.cells[SERIES].clone())).or_default();
        group.unit.clone_from(&row.cells[UNIT]);
        group.decimals = group.decimals.max(decimals);
        group.values.push((time, value, quality));
    }
    let has_one_source =
        groups.keys().all(|(source, _)| groups.keys().next().is_some_and(|k| k.0 == *source));
    let mut columns = Vec::new();
    let mut all = Vec::new();
    for ((source, series), group) in groups {
        let mut name = if has_one_source { series } else { format!("{source}.{series}") };
        if let Some(other) = choices.rename.get(&name) {
            name.clone_from(other);
        }
        if name.is_empty() {
            continue;
        }
        let decimals = group.decimals.clamp(LEAST_DECIMALS, MOST_DECIMALS);
        let numbers = || group.values.iter().map(|v| v.1);
        columns.push(ImportColumn {
            name,
            unit: group.unit,
            is_switch: false,
            decimals,
            n: group.values.len() as u64,
            min: numbers().fold(f64::INFINITY, f64::min),
            max: numbers().fold(f64::NEG_INFINITY, f64::max),
            at: VALUE,
        });
        let counts = group.values.iter().filter_map(|&(t, v, q)| Some((t, counts_of(v, decimals)?, q)));
        all.push(counts.collect::<Samples>());
    }
    if columns.is_empty() {
        return Err(Error::refused("nothing to import: no row with a time and a value"));
    }
    let rows = times
        .iter()
        .take(SHOWN)
        .map(|&(row, time)| ImportRow { line: log.rows[row].line, time: rfc3339(time), values: Vec::new() })
        .collect();
    // Times of all series are mixed; the first series tells the step.
    let mut preview = log.preview(times, true, columns, rows);
    let first: Vec<(usize, i64)> = all.first().into_iter().flatten().map(|s| (0, s.0)).collect();
    preview.interval = super::interval(&first);
    Ok((preview, all))
}

//! Columns: a header line or names from the map, then lines with as many cells.

use super::{Clock, Form, MOST_VALUES, Outcome, Printed, Reason, Refusal, Value, name, pairs, token};

/// What separates columns, the likelier first.
const SEPARATORS: [char; 4] = ['\t', ';', '|', ','];
/// Longest cell of a header, characters, and most words of it.
const LONGEST_HEAD: usize = 32;
const MOST_WORDS: usize = 3;

#[derive(Clone, Debug)]
struct Column {
    name: String,
    unit: Option<String>,
}

/// What is known of the columns.
#[derive(Clone, Debug)]
pub(super) struct Table {
    separator: Option<char>,
    decimal_comma: bool,
    time: Option<String>,
    columns: Vec<Column>,
    /// The map names them: no header changes that.
    is_named_by_map: bool,
    has_rows: bool,
}

impl Table {
    pub fn new(form: &Form) -> Table {
        let columns: Vec<Column> =
            form.columns.iter().map(|name| Column { name: name.trim().to_owned(), unit: None }).collect();
        Table {
            separator: form.separator,
            decimal_comma: form.decimal_comma,
            time: form.time.clone(),
            is_named_by_map: !columns.is_empty(),
            columns,
            has_rows: false,
        }
    }

    fn cells<'a>(&self, text: &'a str, separator: char) -> Vec<&'a str> {
        let (mut cells, mut from, mut is_quoted) = (vec![], 0, false);
        for (at, c) in text.char_indices() {
            match c {
                '"' => is_quoted = !is_quoted,
                c if c == separator && !is_quoted => {
                    cells.push(text[from..at].trim());
                    from = at + c.len_utf8();
                }
                _ => {}
            }
        }
        cells.push(text[from..].trim());
        // Some end each line with a separator.
        if cells.len() > 1
            && cells.len() == self.columns.len() + 1
            && cells.last().is_some_and(|cell| cell.is_empty())
        {
            cells.pop();
        }
        cells
    }

    fn separator_of(&self, text: &str) -> Option<char> {
        let may_be = |c: &char| text.contains(*c) && !(*c == ',' && self.decimal_comma);
        self.separator.or_else(|| SEPARATORS.into_iter().find(may_be))
    }

    /// A row under a header that is known, when there is no doubt.
    pub fn known(&mut self, text: &str, clock: &mut Clock) -> Option<Outcome> {
        if self.columns.len() < 2 || text.contains('=') {
            return None;
        }
        let cells = self.cells(text, self.separator_of(text)?);
        if cells.len() != self.columns.len() || self.head(&cells).is_some() {
            return None;
        }
        Some(self.row(&cells, clock))
    }

    /// A line of columns, a header, or nothing.
    pub fn line(&mut self, text: &str, clock: &mut Clock) -> Outcome {
        let text = text.trim_start_matches('#').trim();
        let Some(separator) = self.separator_of(text) else { return self.alone(text, clock) };
        let cells = self.cells(text, separator);
        if cells.len() > MOST_VALUES {
            return Outcome::Refused(Reason::TooManyValues.into());
        }
        if let Some(columns) = self.head(&cells) {
            return self.take_head(columns);
        }
        if self.columns.is_empty() {
            let is_value = |cell: &&str| {
                clock.read(cell).is_some()
                    || matches!(
                        token::value(cell, self.decimal_comma),
                        Ok(Some((Value::Number(_) | Value::Nothing, _)))
                    )
                    || logs::values::cell(cell, false).is_some()
            };
            if cells.len() < 2 || !cells.iter().all(is_value) || cells.iter().all(|cell| cell.is_empty()) {
                return Outcome::Refused(Reason::NothingNamed.into());
            }
            self.columns =
                (1..=cells.len()).map(|n| Column { name: format!("column {n}"), unit: None }).collect();
        }
        if cells.len() != self.columns.len() {
            let detail = format!("{} instead of {}", cells.len(), self.columns.len());
            let is_prose = cells.iter().any(|cell| cell.split_whitespace().count() > MOST_WORDS);
            return Outcome::Refused(match is_prose {
                true => Reason::NothingNamed.into(),
                false => Refusal { reason: Reason::OtherColumns, detail: Some(detail) },
            });
        }
        self.row(&cells, clock)
    }

    /// One value alone in a line.
    fn alone(&mut self, text: &str, clock: &mut Clock) -> Outcome {
        let (time, text) = pairs::prefix(text, clock);
        let known = match self.columns.as_slice() {
            [one] => one.name.clone(),
            [] => "value".to_owned(),
            _ => return Outcome::Refused(Reason::NothingNamed.into()),
        };
        match token::value(text, self.decimal_comma) {
            Ok(Some((value @ Value::Number(_), unit))) => {
                Outcome::Values(vec![Printed { name: known, value, unit, time }], vec![])
            }
            Err(()) => Outcome::Refused(Reason::UnclearComma.into()),
            _ => Outcome::Refused(Reason::NothingNamed.into()),
        }
    }

    /// The columns that a line names, if it is a header.
    fn head(&self, cells: &[&str]) -> Option<Vec<Column>> {
        if cells.len() < 2 {
            return None;
        }
        let mut columns: Vec<Column> = vec![];
        for cell in cells {
            let is_short =
                cell.chars().count() <= LONGEST_HEAD && cell.split_whitespace().count() <= MOST_WORDS;
            let is_value = logs::values::cell(cell.trim_matches('"'), self.decimal_comma).is_some();
            let (name, unit) = name(cell).filter(|_| is_short && !is_value)?;
            if columns.iter().any(|column| column.name == name) {
                return None;
            }
            columns.push(Column { name, unit });
        }
        Some(columns)
    }

    /// A header is believed before the first row; later only one that names mostly the same, because `WiFi lost, retrying` has cells too.
    fn take_head(&mut self, columns: Vec<Column>) -> Outcome {
        if self.is_named_by_map {
            let is_theirs = columns.len() == self.columns.len();
            return if is_theirs { Outcome::Header } else { Outcome::Refused(Reason::NothingNamed.into()) };
        }
        let n_same = columns
            .iter()
            .filter(|column| self.columns.iter().any(|known| known.name == column.name))
            .count();
        if self.has_rows && n_same * 2 < columns.len() {
            return Outcome::Refused(Reason::NothingNamed.into());
        }
        self.columns = columns;
        Outcome::Header
    }

    fn row(&mut self, cells: &[&str], clock: &mut Clock) -> Outcome {
        let (mut values, mut troubles, mut time) = (vec![], vec![], None);
        for (cell, column) in cells.iter().zip(&self.columns) {
            if column.name.is_empty() {
                continue;
            }
            if self.time.as_deref() == Some(&column.name) {
                time = clock.read_any(cell.trim_matches('"'));
                continue;
            }
            if let (None, None, Some(read)) = (&self.time, time, clock.read(cell.trim_matches('"'))) {
                time = Some(read);
                continue;
            }
            match token::value(cell, self.decimal_comma) {
                Ok(Some((value, unit))) => {
                    let unit = unit.or_else(|| column.unit.clone());
                    values.push(Printed { name: column.name.clone(), value, unit, time: None });
                }
                Ok(None) => {}
                Err(()) => {
                    troubles.push(Refusal { reason: Reason::UnclearComma, detail: Some(column.name.clone()) })
                }
            }
        }
        self.has_rows = true;
        for value in &mut values {
            value.time = time;
        }
        Outcome::Values(values, troubles)
    }
}

//! From bytes to rows of cells: encoding, separator, quotes (RFC 4180), the number of the line on which each row begins.

/// Separators that logs have, the likelier first: where several fit, a comma is more likely that of a decimal.
const SEPARATORS: [char; 4] = ['\t', ';', '|', ','];
/// Rows that are looked at to find the separator.
const LOOKED_AT: usize = 200;

/// One row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Line on which it begins, from 1.
    pub line: u64,
    /// Trimmed; quotes are gone.
    pub cells: Vec<String>,
}

/// The text of a file and, if that was guessed, in which encoding.
pub fn text(bytes: &[u8]) -> (String, Option<&'static str>) {
    let wide = |bytes: &[u8], of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).map(|pair| of([pair[0], pair[1]])).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => text(rest),
        [0xFF, 0xFE, rest @ ..] => (wide(rest, u16::from_le_bytes), None),
        [0xFE, 0xFF, rest @ ..] => (wide(rest, u16::from_be_bytes), None),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => (text.to_owned(), None),
            Err(_) => (bytes.iter().map(|&b| char::from(b)).collect(), Some("Latin-1")),
        },
    }
}

/// Rows of a text; empty lines and lines that begin with `#` are left out.
pub fn rows(text: &str, separator: char) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut cells = Vec::new();
    let mut cell = String::new();
    let mut is_quoted = false;
    let (mut line, mut begin) = (1, 1);
    let mut chars = text.chars().peekable();
    let end = |rows: &mut Vec<Row>, cells: &mut Vec<String>, cell: &mut String, begin: u64| {
        cells.push(std::mem::take(cell).trim().to_owned());
        let cells = std::mem::take(cells);
        let is_empty = cells.iter().all(String::is_empty);
        if !is_empty && !cells[0].starts_with('#') {
            rows.push(Row { line: begin, cells });
        }
    };
    while let Some(c) = chars.next() {
        match c {
            '"' if is_quoted && chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            '"' if is_quoted => is_quoted = false,
            '"' if cell.trim().is_empty() => {
                cell.clear();
                is_quoted = true;
            }
            '\n' | '\r' => {
                if c == '\r' && chars.peek() == Some(&'\n') {
                    chars.next();
                }
                line += 1;
                if is_quoted {
                    cell.push('\n');
                } else {
                    end(&mut rows, &mut cells, &mut cell, begin);
                    begin = line;
                }
            }
            c if c == separator && !is_quoted => cells.push(std::mem::take(&mut cell).trim().to_owned()),
            c => cell.push(c),
        }
    }
    if !cell.is_empty() || !cells.is_empty() {
        end(&mut rows, &mut cells, &mut cell, begin);
    }
    rows
}

/// The commonest number of cells, and how many of the rows have it.
pub fn commonest_width(rows: &[Row]) -> (usize, usize) {
    let mut counts = std::collections::BTreeMap::new();
    for row in rows {
        *counts.entry(row.cells.len()).or_insert(0usize) += 1;
    }
    counts.into_iter().max_by_key(|&(width, n)| (n, width)).unwrap_or((0, 0))
}

/// The separator with which most rows have the same number of cells, at least two.
pub fn separator(text: &str) -> Option<char> {
    let end = text.match_indices('\n').nth(LOOKED_AT).map_or(text.len(), |(at, _)| at);
    let head = &text[..end];
    let mut best = None;
    for separator in SEPARATORS {
        let rows = rows(head, separator);
        let (width, n) = commonest_width(&rows);
        if width < 2 || n * 2 < rows.len() {
            continue;
        }
        // Nine rows of ten are enough to be preferred to a separator that comes later in the list.
        let share = (n * 10 / rows.len()).min(9);
        if best.is_none_or(|(_, known)| share > known) {
            best = Some((separator, share));
        }
    }
    best.map(|(separator, _)| separator)
}

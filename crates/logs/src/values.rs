//! Cells of values: numbers with points or commas, the words of switches, the words for none; names with units in a header.

/// A cell's value: none where the log says so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell {
    /// A number and how many decimals it was written with.
    Number(f64, u32),
    /// On or off.
    Switch(bool),
    /// The log says that there is none.
    Empty,
}

/// Reads a cell; None: it is text.
pub fn cell(text: &str, decimal_comma: bool) -> Option<Cell> {
    let lower = text.to_ascii_lowercase();
    match lower.as_str() {
        "" | "-" | "--" | "---" | "nan" | "n/a" | "na" | "null" | "none" | "err" | "error" | "fault" => {
            return Some(Cell::Empty);
        }
        "on" | "true" | "yes" | "open" => return Some(Cell::Switch(true)),
        "off" | "false" | "no" | "closed" => return Some(Cell::Switch(false)),
        _ => {}
    }
    let number = if decimal_comma { text.replace('.', "").replace(',', ".") } else { text.replace(',', "") };
    let digits = number.strip_prefix(['-', '+']).unwrap_or(&number);
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit() || b".eE+-".contains(&b)) {
        return None;
    }
    let value: f64 = number.parse().ok()?;
    let decimals = digits.split_once('.').map_or(0, |(_, d)| d.trim_end_matches('0').len() as u32);
    value.is_finite().then_some(Cell::Number(value, decimals))
}

/// Name and unit of a header's cell: `Temp [°C]`, `pH (NBS)`, `ORP/mV`.
pub fn name_and_unit(text: &str) -> (String, String) {
    let open = text.find(['[', '(']);
    let (name, unit) = match open {
        Some(at) => (&text[..at], text[at + 1..].trim_end_matches([']', ')'])),
        None => (text, ""),
    };
    let unit = match unit.trim() {
        "°C" | "C" | "ºC" | "deg C" => "degC",
        "°F" | "F" | "ºF" => "degF",
        other => other,
    };
    // A spreadsheet must not take an exported name for a formula.
    let name = name.trim().trim_start_matches(['=', '+', '-', '@']).replace(char::is_control, " ");
    (name, unit.to_owned())
}

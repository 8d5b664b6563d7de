//! Widths of text, wrapping, and escaping for SVG and HTML.

use crate::sheet::TextLine;

/// Height of a name on the sheet, mm.
pub(crate) const NAME: f64 = 2.5;
/// Height of the smallest text, mm: still read on a printed A4.
pub(crate) const SMALL: f64 = 2.3;
/// Line distance over text height.
pub(crate) const LEADING: f64 = 1.28;

/// Advance widths of the printable ASCII characters from the space on, thousandths of the text height. They are those of a
/// wide sans-serif (DejaVu Sans, read from the font), so narrower fonts leave air rather than collide.
const WIDTHS: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636,
    636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295,
    295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838,
    500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521,
    392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];
/// Latin letters beyond ASCII and common signs.
const WIDTH_LATIN: f64 = 0.84;
/// Anything else may be a full-width sign.
const WIDTH_OTHER: f64 = 1.1;
/// Bold of the same font.
const BOLD: f64 = 1.12;

/// Width of a text, mm, for a font of `size` mm.
pub fn width(text: &str, size: f64, bold: bool) -> f64 {
    let ems: f64 = text
        .chars()
        .map(|c| match (c as u32).checked_sub(0x20).and_then(|i| WIDTHS.get(i as usize)) {
            Some(&w) => f64::from(w) / 1000.0,
            None if (c as u32) < 0x250 || ('\u{2010}'..='\u{2026}').contains(&c) => WIDTH_LATIN,
            None => WIDTH_OTHER,
        })
        .sum();
    ems * size * if bold { BOLD } else { 1.0 }
}

/// Makes a text printable in one line: control characters become spaces.
pub(crate) fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// The text, cut with an ellipsis where it would be wider than `most` mm.
pub(crate) fn cut(text: &str, size: f64, bold: bool, most: f64) -> String {
    let text = clean(text);
    if width(&text, size, bold) <= most {
        return text;
    }
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if width(&kept, size, bold) + width("…", size, bold) > most {
            kept.pop();
            break;
        }
    }
    kept.push('…');
    kept
}

/// The text in lines no wider than `most` mm, broken at spaces.
pub(crate) fn wrap(text: &str, size: f64, most: f64) -> Vec<String> {
    let text = clean(text);
    let mut lines: Vec<String> = vec![];
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line)
                if width(line, size, false) + width(" ", size, false) + width(word, size, false) <= most =>
            {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(cut(word, size, false, most)),
        }
    }
    lines
}

/// A line in the size of names.
pub(crate) fn name(text: impl Into<String>) -> TextLine {
    TextLine { text: text.into(), size: NAME, bold: true }
}

/// A line in the smallest size.
pub(crate) fn small(text: impl Into<String>) -> TextLine {
    TextLine { text: text.into(), size: SMALL, bold: false }
}

/// Width and height of lines set under each other, mm.
pub(crate) fn extent(lines: &[TextLine]) -> (f64, f64) {
    (
        lines.iter().map(|l| width(&l.text, l.size, l.bold)).fold(0.0, f64::max),
        lines.iter().map(|l| l.size * LEADING).sum(),
    )
}

/// Text made safe for the content and for the quoted attributes of XML and HTML; characters that XML 1.0 forbids become
/// the replacement character.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(c),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Millimetres as a whole number; a question mark for what is none.
pub(crate) fn mm(metres: f64) -> String {
    if !metres.is_finite() {
        return "?".to_owned();
    }
    let rounded = (metres * 1000.0).round();
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// A height over the cabinet floor with its sign, mm.
pub(crate) fn height(metres: f64) -> String {
    let rounded = (metres * 1000.0).round();
    if rounded < 0.0 { format!("-{}", -rounded) } else { format!("+{}", rounded.abs()) }
}

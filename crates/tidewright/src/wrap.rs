//! Breaking text at words to the width of a window.

/// Units that no line break parts from their number.
const UNITS: [&str; 17] =
    ["s", "min", "h", "L", "gal", "mm", "in", "K", "W", "Wh", "°C", "degC", "degF", "dKH", "mg/L", "kB", "%"];

/// Columns a text takes; the tool writes no wide characters, and names in files are counted by character.
pub fn columns(text: &str) -> usize {
    text.chars().count()
}

/// The words of a text in lines of at most `width` columns. A word longer than a line stands alone.
pub fn lines(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![];
    let mut line = String::new();
    for word in &glued(text) {
        if !line.is_empty() && columns(&line) + 1 + columns(word) > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

/// Words; a number and its unit are one.
fn glued(text: &str) -> Vec<String> {
    let mut words: Vec<String> = vec![];
    for word in text.split_whitespace() {
        let unit = word.trim_end_matches(['.', ',', ';', ':', ')']);
        match words.last_mut() {
            Some(last)
                if UNITS.contains(&unit)
                    && last.ends_with(|c: char| c.is_ascii_digit())
                    && !last.contains(' ') =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// A paragraph, every line indented by `indent` columns, ended by a line break.
pub fn hanging(text: &str, width: usize, indent: usize) -> String {
    let margin = " ".repeat(indent);
    lines(text, width.saturating_sub(indent).max(20)).iter().map(|line| format!("{margin}{line}\n")).collect()
}

/// A paragraph behind a head such as `- ` or a time: its further lines stand under its first word.
pub fn after(head: &str, text: &str, width: usize) -> String {
    let indent = columns(head);
    let body = hanging(text, width, indent);
    format!("{head}{}", body.get(indent..).unwrap_or(""))
}

/// Columns on a terminal, where colours take none.
fn visible(text: &str) -> usize {
    let mut n = 0;
    let mut in_escape = false;
    for c in text.chars() {
        match (in_escape, c) {
            (false, '\u{1b}') => in_escape = true,
            (false, _) => n += 1,
            (true, 'm') => in_escape = false,
            (true, _) => {}
        }
    }
    n
}

/// Findings with their sentences broken at words: headlines, notes and helps. Lines of the file stay as they are.
pub fn folded(text: &str, width: usize) -> String {
    let mut out = String::with_capacity(text.len() + 64);
    for line in text.lines() {
        let indent = ["note:", "help:"].iter().find_map(|word| line.find(word).map(|at| at + word.len()));
        let is_head = line.contains("error[") || line.contains("warning[") || line.contains("note[");
        let is_sentence = line.contains(" =") && indent.is_some();
        if visible(line) <= width || !(is_head || is_sentence) {
            out.push_str(line);
            out.push('\n');
            continue;
        }
        let indent = if is_head { 4 } else { indent.map_or(0, |at| visible(&line[..at]) + 1) };
        let mut column = 0;
        for word in line.split_inclusive(' ') {
            let bare = visible(word.trim_end());
            if column > indent && column + bare > width {
                out.truncate(out.trim_end_matches(' ').len());
                out.push('\n');
                out.push_str(&" ".repeat(indent));
                column = indent;
            }
            out.push_str(word);
            column += visible(word);
        }
        out.push('\n');
    }
    out
}

/// A text of at most `width` columns, two dots where something is left out.
pub fn shortened(text: &str, width: usize) -> String {
    if columns(text) <= width {
        return text.to_owned();
    }
    let kept: String = text.chars().take(width.saturating_sub(2)).collect();
    format!("{kept}..")
}

#[cfg(test)]
mod tests {
    use super::{after, folded, hanging, lines, shortened};

    #[test]
    fn folds_the_sentences_of_findings_only() {
        let text = "error[x]: one two three four five\n  |\n9 | a line of the file stays as long as it is\n  = note: one two three four\n";
        assert_eq!(
            folded(text, 22),
            "error[x]: one two\n    three four five\n  |\n9 | a line of the file stays as long as it is\n  = note: one two\n          three four\n"
        );
        assert_eq!(folded("\u{1b}[1mnote[x]\u{1b}[0m: abc\n", 12), "\u{1b}[1mnote[x]\u{1b}[0m: abc\n");
    }

    #[test]
    fn breaks_at_words() {
        assert_eq!(lines("a weir box of glass", 8), ["a weir", "box of", "glass"]);
        assert_eq!(lines("after 4.0 h.", 8), ["after", "4.0 h."]);
        assert_eq!(lines("", 8), [""]);
        assert_eq!(lines("incomprehensible", 8), ["incomprehensible"]);
        assert_eq!(hanging("one two", 24, 2), "  one two\n");
        assert_eq!(after("- ", "twenty columns or so of text", 22), "- twenty columns or so\n  of text\n");
    }

    #[test]
    fn shortens_with_a_sign() {
        assert_eq!(shortened("return_pump", 20), "return_pump");
        assert_eq!(shortened("return_pump", 8), "return..");
    }
}

//! Breaking text at words to the width of a window.

/// Columns a text takes; the tool writes no wide characters, and names in files are counted by character.
pub fn columns(text: &str) -> usize {
    text.chars().count()
}

/// The words of a text in lines of at most `width` columns. A word longer than a line stands alone.
pub fn lines(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![];
    let mut line = String::new();
    for word in text.split_whitespace() {
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
    use super::{after, hanging, lines, shortened};

    #[test]
    fn breaks_at_words() {
        assert_eq!(lines("a weir box of glass", 8), ["a weir", "box of", "glass"]);
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

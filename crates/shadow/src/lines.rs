//! Bytes to lines, in any chunking: the same bytes give the same lines, however they arrive.
//!
//! Contract: at most [`LONGEST_LINE`] bytes are held; every line comes out either whole or with the reason why not.

use crate::tally::Reason;

/// A longer line is left out, bytes.
pub const LONGEST_LINE: usize = 16 * 1024;

/// What a line became.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Line {
    /// Its text, without its end.
    Text(String),
    /// It cannot be read.
    Dropped {
        /// Why.
        reason: Reason,
        /// How it begins.
        head: String,
    },
}

/// Cuts bytes into lines. A line ends with a line feed, a carriage return or both; empty ones are left out.
#[derive(Clone, Debug)]
pub struct Lines {
    held: Vec<u8>,
    is_overlong: bool,
    /// What is held began before we listened.
    is_partial: bool,
}

impl Lines {
    /// For what is read from its beginning, such as a file.
    pub fn from_the_beginning() -> Self {
        Lines { held: vec![], is_overlong: false, is_partial: false }
    }

    /// For what is joined while it speaks: its first line may be the end of one.
    pub fn joined() -> Self {
        Lines { is_partial: true, ..Lines::from_the_beginning() }
    }

    /// Takes bytes; gives the lines that end in them.
    pub fn push(&mut self, bytes: &[u8], each: &mut dyn FnMut(Line)) {
        let mut rest = bytes;
        while let Some(end) = rest.iter().position(|b| *b == b'\n' || *b == b'\r') {
            self.hold(&rest[..end]);
            self.finish(self.is_partial, each);
            rest = &rest[end + 1..];
        }
        self.hold(rest);
    }

    /// The source ended. What it ended with is a line when nothing can follow (`is_whole`: a file, a message), else a piece of one.
    pub fn end(&mut self, is_whole: bool, each: &mut dyn FnMut(Line)) {
        self.finish(self.is_partial || !is_whole, each);
    }

    /// The connection broke: what is held is a piece of a line, and what comes next may begin within one.
    pub fn broke(&mut self, each: &mut dyn FnMut(Line)) {
        self.finish(true, each);
        self.is_partial = true;
    }

    fn hold(&mut self, bytes: &[u8]) {
        let room = LONGEST_LINE - self.held.len();
        self.is_overlong |= bytes.len() > room;
        self.held.extend_from_slice(&bytes[..bytes.len().min(room)]);
    }

    fn finish(&mut self, is_partial: bool, each: &mut dyn FnMut(Line)) {
        let bytes = std::mem::take(&mut self.held);
        let is_overlong = std::mem::take(&mut self.is_overlong);
        if bytes.is_empty() {
            return;
        }
        self.is_partial = false;
        let text = text(&bytes);
        let line = match (is_overlong, is_partial, text) {
            (true, ..) => Line::Dropped { reason: Reason::TooLong, head: head(&bytes) },
            (_, true, _) => Line::Dropped { reason: Reason::Partial, head: head(&bytes) },
            (.., None) => Line::Dropped { reason: Reason::NotText, head: head(&bytes) },
            (.., Some(text)) if text.trim().is_empty() => return,
            (.., Some(text)) => Line::Text(text),
        };
        each(line);
    }
}

/// Bytes as text: UTF-8, else Latin-1 where most of it is ASCII (a degree sign is often the only other character). None: no text.
fn text(bytes: &[u8]) -> Option<String> {
    let bytes = bytes.strip_prefix(&[0xEF, 0xBB, 0xBF]).unwrap_or(bytes);
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => {
            let n_high = bytes.iter().filter(|b| !b.is_ascii()).count();
            if n_high * 4 > bytes.len() {
                return None;
            }
            bytes.iter().map(|b| char::from(*b)).collect()
        }
    };
    let is_text = text.chars().all(|c| c == '\t' || !c.is_control());
    is_text.then_some(text)
}

/// How a line that cannot be read begins, in characters that can be shown.
fn head(bytes: &[u8]) -> String {
    const SHOWN: usize = 60;
    let shown = &bytes[..bytes.len().min(SHOWN)];
    let mut text = String::from_utf8_lossy(shown).replace(|c: char| c.is_control() || c == '\u{FFFD}', "·");
    if bytes.len() > SHOWN {
        text.push('…');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(lines: &mut Lines, bytes: &[u8]) -> Vec<Line> {
        let mut all = vec![];
        lines.push(bytes, &mut |line| all.push(line));
        all
    }

    #[test]
    fn ends_and_empty_lines() {
        let mut lines = Lines::from_the_beginning();
        let got = all(&mut lines, b"a=1\r\n\n\rb=2\rc");
        assert_eq!(got, [Line::Text("a=1".into()), Line::Text("b=2".into())]);
        let mut rest = vec![];
        lines.end(true, &mut |line| rest.push(line));
        assert_eq!(rest, [Line::Text("c".into())]);
    }

    #[test]
    fn pieces_are_told() {
        let mut lines = Lines::joined();
        let got = all(&mut lines, b"mp=25.3\ntemp=25.4\ntem");
        assert_eq!(got[0], Line::Dropped { reason: Reason::Partial, head: "mp=25.3".into() });
        assert_eq!(got[1], Line::Text("temp=25.4".into()));
        let mut broken = vec![];
        lines.broke(&mut |line| broken.push(line));
        assert_eq!(broken, [Line::Dropped { reason: Reason::Partial, head: "tem".into() }]);
        assert!(matches!(all(&mut lines, b"p=1\n")[0], Line::Dropped { reason: Reason::Partial, .. }));
    }

    #[test]
    fn long_and_garbled() {
        let mut lines = Lines::from_the_beginning();
        let mut bytes = vec![b'x'; 3 * LONGEST_LINE];
        bytes.extend(b"\n\xFF\x00\x81\x93\ntemp=25.3 \xB0C\n");
        let got = all(&mut lines, &bytes);
        assert!(matches!(got[0], Line::Dropped { reason: Reason::TooLong, .. }));
        assert!(matches!(got[1], Line::Dropped { reason: Reason::NotText, .. }));
        assert_eq!(got[2], Line::Text("temp=25.3 °C".into()));
    }
}

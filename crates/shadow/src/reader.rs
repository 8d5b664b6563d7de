//! From bytes or messages to printed values, with account of every line.

use crate::lines::{Line, Lines};
use crate::parse::{Form, Numbered, Outcome, Parser, Printed};
use crate::tally::{Reason, Tally};

/// Reads one source.
#[derive(Clone, Debug)]
pub struct Reader {
    lines: Lines,
    parser: Parser,
    tally: Tally,
    /// Lines that were heard.
    n: u64,
}

impl Reader {
    /// For what is read from its beginning: a file, a pipe.
    pub fn from_the_beginning(form: &Form) -> Self {
        Reader {
            lines: Lines::from_the_beginning(),
            parser: Parser::new(form),
            tally: Tally::default(),
            n: 0,
        }
    }

    /// For what is joined while it speaks: a serial line, a connection.
    pub fn joined(form: &Form) -> Self {
        Reader { lines: Lines::joined(), ..Reader::from_the_beginning(form) }
    }

    /// Takes bytes that came at `now`, ms since 1970 UTC (None: nobody knows). Gives what the lines that ended in them say.
    pub fn push(&mut self, bytes: &[u8], now: Option<i64>, each: &mut dyn FnMut(Printed)) {
        let mut lines = std::mem::replace(&mut self.lines, Lines::from_the_beginning());
        lines.push(bytes, &mut |line| self.line(line, now, each));
        self.lines = lines;
    }

    /// The source has ended where it should: what has no end of line yet is a line.
    pub fn end(&mut self, now: Option<i64>, each: &mut dyn FnMut(Printed)) {
        let mut lines = std::mem::replace(&mut self.lines, Lines::from_the_beginning());
        lines.end(true, &mut |line| self.line(line, now, each));
        self.lines = lines;
        let Reader { parser, tally, .. } = self;
        parser.end(now, &mut |lines, outcome| count(tally, lines, outcome, each));
    }

    /// The connection broke: what has no end of line yet is a piece of one, and so may be what comes next.
    pub fn broke(&mut self, now: Option<i64>, each: &mut dyn FnMut(Printed)) {
        let mut lines = std::mem::replace(&mut self.lines, Lines::joined());
        lines.broke(&mut |line| self.line(line, now, each));
        self.lines = lines;
        let Reader { parser, tally, .. } = self;
        parser.end(now, &mut |lines, outcome| count(tally, lines, outcome, each));
    }

    /// Takes a whole message of a topic: its lines, or a value alone, which then has the topic's last level as its name.
    pub fn message(&mut self, topic: &str, payload: &[u8], now: Option<i64>, each: &mut dyn FnMut(Printed)) {
        let last = topic.rsplit('/').next().unwrap_or(topic);
        let mut lines = Lines::from_the_beginning();
        let mut all = vec![];
        lines.push(payload, &mut |line| all.push(line));
        lines.end(true, &mut |line| all.push(line));
        let word = match all.as_slice() {
            [Line::Text(text)]
                if !text.trim().starts_with(['{', '[']) && !text.contains(['=', ':', ',', ';', '\t']) =>
            {
                Some(format!("{last}={}", text.trim()))
            }
            _ => None,
        };
        match word {
            Some(text) => self.line(Line::Text(text), now, each),
            None => all.into_iter().for_each(|line| self.line(line, now, each)),
        }
        let Reader { parser, tally, .. } = self;
        parser.end(now, &mut |lines, outcome| count(tally, lines, outcome, each));
    }

    fn line(&mut self, line: Line, now: Option<i64>, each: &mut dyn FnMut(Printed)) {
        self.n += 1;
        self.tally.n_lines += 1;
        let number = self.n;
        match line {
            Line::Dropped { reason, head } => self.tally.reject(reason, number, &head, None),
            Line::Text(text) => {
                let Reader { parser, tally, .. } = self;
                parser.line(Numbered { number, text }, now, &mut |lines, outcome| {
                    count(tally, lines, outcome, each);
                });
            }
        }
    }

    /// What became of all lines so far.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Counts a value whose name is one too many for who takes the values.
    pub fn reject_name(&mut self, name: &str) {
        self.tally.reject(Reason::TooManyNames, self.n, name, None);
    }

    /// Number of the line that was heard last, from 1.
    pub fn line_number(&self) -> u64 {
        self.n
    }
}

fn count(tally: &mut Tally, lines: &[Numbered], outcome: Outcome, each: &mut dyn FnMut(Printed)) {
    let (number, text) = lines.first().map_or((0, ""), |line| (line.number, line.text.as_str()));
    match outcome {
        Outcome::Values(values, troubles) => {
            if !values.is_empty() {
                tally.n_understood += lines.len() as u64;
            }
            tally.n_values += values.len() as u64;
            for trouble in troubles {
                tally.reject(trouble.reason, number, text, trouble.detail);
            }
            values.into_iter().for_each(each);
        }
        Outcome::Header => tally.n_understood += 1,
        Outcome::Refused(refusal) => {
            // A text of several lines that is refused as one counts for each of them.
            for line in lines {
                tally.reject(refusal.reason, line.number, &line.text, refusal.detail.clone());
            }
        }
    }
}

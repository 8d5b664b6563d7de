//! The terminal: how wide it is, whether it takes colours, what goes to which stream.
//!
//! A reader that closes the pipe (`| head`) ends the output, not the command: its files are written and its exit code stands.

use std::io::{IsTerminal, Write};

use units::UnitSystem;

use crate::arguments::{ColorChoice, Format, Global, UnitChoice};
use crate::ending::Failure;
use crate::wrap;

/// Columns when nothing says how wide the reader's window is.
const USUAL_WIDTH: usize = 100;
/// Text is never laid out narrower or wider than this.
const WIDTHS: (usize, usize) = (60, 160);

/// Where a command writes, and how.
#[derive(Clone, Debug)]
pub struct Console {
    /// Columns.
    pub width: usize,
    /// Text or JSON.
    pub format: Format,
    /// Units in which text shows quantities.
    pub units: UnitSystem,
    color_out: bool,
    color_error: bool,
    is_closed: bool,
}

/// What a piece of text is, for its colour.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Tone {
    /// A heading.
    Strong,
    /// Harm.
    Bad,
    /// Something to look at.
    Caution,
    /// Nothing wrong.
    Good,
}

impl Tone {
    fn code(self) -> &'static str {
        match self {
            Tone::Strong => "1",
            Tone::Bad => "1;31",
            Tone::Caution => "1;33",
            Tone::Good => "32",
        }
    }
}

impl Console {
    /// As the global options and the environment say.
    pub fn new(global: &Global) -> Self {
        let wants_none = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let is_dumb = std::env::var_os("TERM").is_some_and(|v| v == "dumb");
        let colored = |terminal: bool| match global.color {
            ColorChoice::Always => true,
            ColorChoice::Never => false,
            ColorChoice::Auto => terminal && !wants_none && !is_dumb,
        };
        Console {
            width: width(),
            format: global.format,
            units: match global.units {
                UnitChoice::Metric => UnitSystem::Metric,
                UnitChoice::Us => UnitSystem::Us,
            },
            color_out: colored(std::io::stdout().is_terminal()),
            color_error: colored(std::io::stderr().is_terminal()),
            is_closed: false,
        }
    }

    /// Whether the command answers in JSON.
    pub fn is_json(&self) -> bool {
        self.format == Format::Json
    }

    /// Whether text for the standard output is coloured.
    pub fn has_color(&self) -> bool {
        self.color_out
    }

    /// Whether text for the standard error is coloured.
    pub fn has_error_color(&self) -> bool {
        self.color_error
    }

    /// A text in its tone, for the standard output.
    pub fn paint(&self, tone: Tone, text: &str) -> String {
        paint(self.color_out, tone, text)
    }

    /// Writes to the standard output.
    pub fn print(&mut self, text: &str) {
        if self.is_closed {
            return;
        }
        let mut out = std::io::stdout().lock();
        if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
            self.is_closed = true;
        }
    }

    /// Writes a JSON value, indented, to the standard output.
    pub fn print_json(&mut self, value: &serde_json::Value) {
        self.print(&format!("{value:#}\n"));
    }

    /// Writes to the standard error; nobody is left to tell when that fails.
    pub fn print_error(&self, text: &str) {
        let _ = std::io::stderr().lock().write_all(text.as_bytes());
    }

    /// Tells of a failure.
    pub fn fail(&self, failure: &Failure) {
        let head = paint(self.color_error, Tone::Bad, "error:");
        let mut text =
            wrap::hanging(&failure.message, self.width, 7).replacen("       ", &format!("{head} "), 1);
        if let Some(help) = &failure.help {
            let head = paint(self.color_error, Tone::Strong, " help:");
            text += &wrap::hanging(help, self.width, 7).replacen("       ", &format!("{head} "), 1);
        }
        self.print_error(&text);
    }
}

fn paint(on: bool, tone: Tone, text: &str) -> String {
    if on { format!("\u{1b}[{}m{text}\u{1b}[0m", tone.code()) } else { text.to_owned() }
}

/// Columns of the terminal, of `COLUMNS`, or the usual.
fn width() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|text| text.trim().parse::<usize>().ok());
    let seen = terminal_size::terminal_size().map(|(columns, _)| usize::from(columns.0));
    told.or(seen).unwrap_or(USUAL_WIDTH).clamp(WIDTHS.0, WIDTHS.1)
}

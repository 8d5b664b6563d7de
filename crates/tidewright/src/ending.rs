//! How a command ends: its exit code, and the failure that says what happened, where, and what to do.

/// How a command that did its work ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ending {
    /// Nothing is wrong.
    Clean,
    /// It found something.
    Findings,
    /// It could not read what it was given, or could not do what it was told.
    Unreadable,
}

impl Ending {
    /// The exit code; documented in docs/commands.md.
    pub fn code(self) -> u8 {
        match self {
            Ending::Clean => 0,
            Ending::Findings => 1,
            Ending::Unreadable => 2,
        }
    }

    /// `Findings` if there are any.
    pub fn of(has_findings: bool) -> Self {
        if has_findings { Ending::Findings } else { Ending::Clean }
    }
}

/// Why a command could not do its work.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Failure {
    /// What happened and where, one sentence without a final period.
    pub message: String,
    /// What to do.
    pub help: Option<String>,
}

impl Failure {
    /// A failure without advice.
    pub fn new(message: impl Into<String>) -> Self {
        Failure { message: message.into(), help: None }
    }

    /// Says what to do.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

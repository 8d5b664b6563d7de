//! What can go wrong with the store, each kind saying what the caller can do.

use std::fmt;
use std::path::PathBuf;

/// Result of the store's calls.
pub type Result<T> = std::result::Result<T, Error>;

/// Why something was not done. Whatever is answered by an error was not acknowledged; it may be asked again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Error {
    /// No room on the disk (or over its quota). The store goes on by itself as soon as there is room: ask again then.
    Full {
        /// What was being done.
        doing: &'static str,
    },
    /// The disk failed to read or write. Ask again; if it stays, look at the disk.
    Io {
        /// What was being done.
        doing: &'static str,
        /// What the operating system or SQLite said.
        said: String,
    },
    /// The file was written by a newer program. Nothing was touched: run that program, or restore the copy it made before it migrated.
    Newer {
        /// Part of the schema.
        module: String,
        /// Version in the file.
        found: u32,
        /// Newest version that this program knows.
        known: u32,
    },
    /// Another process has the file open for writing. Stop it first.
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// Something in the file is not as it was written. The text says what; what is sound stays readable.
    Damaged {
        /// What and where.
        what: String,
    },
    /// What was asked for can't be: the text says why and what to do.
    Refused {
        /// Why, in words.
        why: String,
    },
    /// Anything else that SQLite said; a mistake in a statement, most likely.
    Sql {
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        said: String,
    },
    /// The store has been closed.
    Closed,
}

impl Error {
    /// A refusal with its reason.
    pub fn refused(why: impl Into<String>) -> Self {
        Error::Refused { why: why.into() }
    }

    /// Sorts an error of SQLite by what the caller can do about it.
    pub fn of(doing: &'static str, error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode;
        let said = error.to_string();
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Error::Full { doing },
            // A write that the system refuses for its size or for want of room comes as an I/O error.
            // Another connection that writes for longer than anybody waits is a disk that hangs.
            Some(
                ErrorCode::SystemIoFailure
                | ErrorCode::CannotOpen
                | ErrorCode::ReadOnly
                | ErrorCode::DatabaseBusy
                | ErrorCode::DatabaseLocked,
            ) => Error::Io { doing, said },
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                Error::Damaged { what: format!("{doing}: {said}") }
            }
            _ => Error::Sql { doing, said },
        }
    }

    /// Sorts an error of the operating system.
    pub fn of_io(doing: &'static str, error: &std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::StorageFull
            | std::io::ErrorKind::QuotaExceeded
            | std::io::ErrorKind::FileTooLarge => Error::Full { doing },
            _ => Error::Io { doing, said: error.to_string() },
        }
    }

    /// Worth asking again later without a change: a full or failing disk.
    pub fn may_pass(&self) -> bool {
        matches!(self, Error::Full { .. } | Error::Io { .. })
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Full { doing } => {
                write!(f, "{doing}: no room on the disk; make room, it goes on by itself")
            }
            Error::Io { doing, said } => write!(f, "{doing}: the disk failed: {said}"),
            Error::Newer { module, found, known } => write!(
                f,
                "the file's {module} has version {found}, this program knows {known}: it was written by a newer one; use that"
            ),
            Error::InUse { path } => {
                write!(f, "{}: another process writes this store; stop it first", path.display())
            }
            Error::Damaged { what } => write!(f, "damaged: {what}"),
            Error::Refused { why } => f.write_str(why),
            Error::Sql { doing, said } => write!(f, "{doing}: {said}"),
            Error::Closed => f.write_str("the store has been closed"),
        }
    }
}

impl std::error::Error for Error {}

/// Names what was being done when SQLite failed.
pub trait Doing<T> {
    /// The same result with what was being done.
    ///
    /// # Errors
    ///
    /// The error of SQLite, sorted.
    fn doing(self, doing: &'static str) -> Result<T>;
}

impl<T> Doing<T> for rusqlite::Result<T> {
    fn doing(self, doing: &'static str) -> Result<T> {
        self.map_err(|e| Error::of(doing, &e))
    }
}

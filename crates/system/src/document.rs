//! Edits of a system file that keep its comments, order and formatting.
//!
//! An edit is made on a copy and the result read back; when it could not be read, or has errors that the text did not have
//! before, the edit is refused and the text stays as it was. So the tool never writes a file that it could not read back.
//!
//! ```
//! use system::document::Document;
//!
//! let mut document = Document::new("[system]\nname = \"Desk tank\"  # by the window\n").expect("reads");
//! document.set("system.mains", "230 V").expect("a right edit");
//! assert_eq!(document.text(), "[system]\nname = \"Desk tank\"  # by the window\nmains = \"230 V\"\n");
//! assert!(document.set("system.mains", "230 L").is_err());
//! ```

use std::sync::Arc;

use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

use crate::diagnostic::{Diagnostic, Level};
use crate::load::{Loaded, load_with};
use crate::parts::Library;

/// A system file under edit.
#[derive(Clone, Debug)]
pub struct Document {
    /// The text as it stands, byte for byte.
    text: String,
    /// The same, parsed. Its rendering has plain line ends and no byte-order mark, so it is never the text itself.
    toml: DocumentMut,
    library: Arc<Library>,
}

/// Why an edit was refused.
#[derive(Clone, Debug)]
pub enum EditError {
    /// The path names nothing, or leads through something that is no table. Mend the path.
    NoSuchPlace {
        /// The path as given.
        path: String,
        /// What is wrong with it.
        problem: String,
    },
    /// The text is not TOML and cannot be edited; the findings say where. Mend it by hand.
    Unreadable(Vec<Diagnostic>),
    /// The result would have these errors. Give another value.
    Refused(Vec<Diagnostic>),
}

impl std::fmt::Display for EditError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            EditError::NoSuchPlace { path, problem } => write!(f, "`{path}`: {problem}"),
            EditError::Unreadable(findings) | EditError::Refused(findings) => {
                let first =
                    findings.first().map_or("the file cannot be read", |finding| finding.message.as_str());
                write!(f, "the edit is refused: {first}")?;
                match findings.iter().find_map(|finding| finding.help.as_deref()) {
                    Some(help) => write!(f, "; {help}"),
                    None => Ok(()),
                }
            }
        }
    }
}

impl std::error::Error for EditError {}

/// The file's sections that are lists of named tables.
pub const SECTIONS: &[&str] = &[
    "climate",
    "corner",
    "vessel",
    "air",
    "passage",
    "supply",
    "board",
    "actuator",
    "sensor",
    "signal",
    "rule",
    "procedure",
    "alarm",
    "requirement",
    "accepted",
];

impl Document {
    /// Takes a text under edit. It may have errors, but must be TOML.
    ///
    /// # Errors
    ///
    /// [`EditError::Unreadable`] with what is wrong.
    pub fn new(text: &str) -> Result<Self, EditError> {
        Self::with_library(text, Library::builtin())
    }

    /// As [`Document::new`], with a parts library.
    ///
    /// # Errors
    ///
    /// [`EditError::Unreadable`] with what is wrong.
    pub fn with_library(text: &str, library: &Arc<Library>) -> Result<Self, EditError> {
        match text.parse::<DocumentMut>() {
            Ok(toml) => Ok(Document { text: text.to_owned(), toml, library: Arc::clone(library) }),
            Err(error) => {
                let mut findings = load_with(text, library).diagnostics;
                if findings.is_empty() {
                    findings
                        .push(Diagnostic::error("bad-toml", error.message().to_owned()).at(error.span(), ""));
                }
                Err(EditError::Unreadable(findings))
            }
        }
    }

    /// The text as it stands.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Reads the text as it stands.
    pub fn load(&self) -> Loaded {
        load_with(&self.text, &self.library)
    }

    /// Sets a key to a text or quantity. Paths are `system.name`, `actuator.heater.power` (list, name, key), a rule by what it
    /// drives: `rule.heater.start`, and deeper into tables in braces: `actuator.heater.heats.share`.
    ///
    /// # Errors
    ///
    /// A path that leads nowhere, or a value that makes the file wrong; the text is then as before.
    pub fn set(&mut self, path: &str, value: &str) -> Result<(), EditError> {
        self.set_value(path, Value::from(value))
    }

    /// As [`Document::set`], with a plain number.
    ///
    /// # Errors
    ///
    /// As [`Document::set`].
    pub fn set_number(&mut self, path: &str, value: f64) -> Result<(), EditError> {
        if value.fract() == 0.0 && value.abs() < 1e15 {
            return self.set_value(path, Value::from(value as i64));
        }
        self.set_value(path, Value::from(value))
    }

    /// As [`Document::set`], with true or false.
    ///
    /// # Errors
    ///
    /// As [`Document::set`].
    pub fn set_boolean(&mut self, path: &str, value: bool) -> Result<(), EditError> {
        self.set_value(path, Value::from(value))
    }

    /// As [`Document::set`], with a list.
    ///
    /// # Errors
    ///
    /// As [`Document::set`].
    pub fn set_list(&mut self, path: &str, list: toml_edit::Array) -> Result<(), EditError> {
        self.set_value(path, Value::Array(list))
    }

    fn set_value(&mut self, path: &str, value: Value) -> Result<(), EditError> {
        self.edit(|toml| {
            let (table, key) = owner(toml, path, true)?;
            match table.get_mut(key) {
                Some(Item::Value(old)) => {
                    // The comment behind a value is part of its decoration.
                    let decor = old.decor().clone();
                    *old = value;
                    *old.decor_mut() = decor;
                }
                Some(Item::None) | None => {
                    table.insert(key, Item::Value(value));
                }
                Some(_) => return Err(nowhere(path, "this is a table; set one of its keys")),
            }
            Ok(())
        })
    }

    /// Takes a key away.
    ///
    /// # Errors
    ///
    /// As [`Document::set`].
    pub fn unset(&mut self, path: &str) -> Result<(), EditError> {
        self.edit(|toml| {
            let (table, key) = owner(toml, path, false)?;
            table.remove(key).map(|_| ()).ok_or_else(|| nowhere(path, "there is no such key"))
        })
    }

    /// Adds a `[[section]]`, given as its lines: `add("sensor", "name = \"room\"\nkind = \"room_temperature\"")`. It goes behind
    /// the last of its kind, else to the end.
    ///
    /// # Errors
    ///
    /// Lines that are not TOML or make the file wrong; the text is then as before.
    pub fn add(&mut self, section: &str, lines: &str) -> Result<(), EditError> {
        if !SECTIONS.contains(&section) {
            let problem = crate::suggest::help(section, SECTIONS.iter().copied(), "sections");
            return Err(nowhere(section, &problem));
        }
        let mut table: Table = match lines.parse::<DocumentMut>() {
            Ok(document) => document.as_table().clone(),
            Err(error) => {
                let finding = Diagnostic::error(
                    "bad-toml",
                    format!("the new section is not TOML: {}", error.message()),
                )
                .help("give its lines as `key = value`");
                return Err(EditError::Refused(vec![finding]));
            }
        };
        table.decor_mut().set_prefix("\n");
        table.set_implicit(false);
        self.edit(move |toml| {
            let last = toml
                .as_table()
                .get(section)
                .and_then(Item::as_array_of_tables)
                .and_then(|all| all.iter().filter_map(Table::position).max());
            table.set_position(last);
            let item = toml.entry(section).or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
            match item.as_array_of_tables_mut() {
                Some(all) => {
                    all.push(table);
                    Ok(())
                }
                None => Err(nowhere(section, "this is written as a plain list; mend it by hand")),
            }
        })
    }

    /// Takes a named section away: `remove("sensor.room")`, `remove("rule.heater")`.
    ///
    /// # Errors
    ///
    /// A name that is not there, or a file that would miss it; the text is then as before.
    pub fn remove(&mut self, path: &str) -> Result<(), EditError> {
        self.edit(|toml| {
            let (section, name) =
                path.split_once('.').ok_or_else(|| nowhere(path, "write `section.name`"))?;
            let all = toml.get_mut(section).and_then(Item::as_array_of_tables_mut);
            let all = all.ok_or_else(|| nowhere(path, "there is no such section"))?;
            let found = find(all, section, name).ok_or_else(|| nowhere(path, "nothing has this name"))?;
            all.remove(found);
            if all.is_empty() {
                toml.remove(section);
            }
            Ok(())
        })
    }

    /// Makes an edit on a copy and keeps it if the result reads back without new errors.
    fn edit(
        &mut self,
        change: impl FnOnce(&mut DocumentMut) -> Result<(), EditError>,
    ) -> Result<(), EditError> {
        let mut copy = self.clone();
        change(&mut copy.toml)?;
        copy.text = spliced(&self.text, &self.toml.to_string(), &copy.toml.to_string());
        let after = load_with(&copy.text, &self.library);
        let errors: Vec<Diagnostic> =
            after.diagnostics.into_iter().filter(|f| f.level == Level::Error).collect();
        if !errors.is_empty() {
            let known: Vec<(&'static str, String)> =
                self.load().diagnostics.into_iter().map(|f| (f.id, f.message)).collect();
            let new: Vec<Diagnostic> =
                errors.into_iter().filter(|f| !known.contains(&(f.id, f.message.clone()))).collect();
            if !new.is_empty() {
                return Err(EditError::Refused(new));
            }
        }
        *self = copy;
        Ok(())
    }
}

fn nowhere(path: &str, problem: &str) -> EditError {
    EditError::NoSuchPlace { path: path.to_owned(), problem: problem.to_owned() }
}

/// Position of the table of that name; rules go by what they drive, accepted risks by their number from 1.
fn find(all: &ArrayOfTables, section: &str, name: &str) -> Option<usize> {
    if section == "accepted" {
        return name.parse::<usize>().ok()?.checked_sub(1).filter(|position| *position < all.len());
    }
    let key = if section == "rule" { "drives" } else { "name" };
    all.iter().position(|table| table.get(key).and_then(Item::as_str) == Some(name))
}

/// The table that a path's last key is in.
fn owner<'t, 'p>(
    toml: &'t mut DocumentMut,
    path: &'p str,
    create: bool,
) -> Result<(&'t mut dyn TableLike, &'p str), EditError> {
    let mut keys: Vec<&'p str> = path.split('.').collect();
    let last =
        keys.pop().filter(|key| !key.is_empty()).ok_or_else(|| nowhere(path, "it ends without a key"))?;
    let Some((first, rest)) = keys.split_first() else {
        return Err(nowhere(path, "name the section first, such as `system.name`"));
    };
    let mut rest = rest.iter();
    let item = if SECTIONS.contains(first) {
        let name =
            rest.next().ok_or_else(|| nowhere(path, "name which one, such as `actuator.heater.power`"))?;
        let all = toml.get_mut(first).and_then(Item::as_array_of_tables_mut);
        let all = all.ok_or_else(|| nowhere(path, &format!("the file has no [[{first}]]")))?;
        let found =
            find(all, first, name).ok_or_else(|| nowhere(path, &format!("no {first} is named `{name}`")))?;
        all.get_mut(found).map(|table| table as &mut dyn TableLike)
    } else {
        if create && !toml.contains_key(first) {
            let mut table = Table::new();
            table.decor_mut().set_prefix("\n");
            toml.insert(first, Item::Table(table));
        }
        toml.get_mut(first).and_then(Item::as_table_like_mut)
    };
    let mut table = item.ok_or_else(|| nowhere(path, &format!("`{first}` is no table of this file")))?;
    for key in rest {
        let inner = table.get_mut(key).and_then(Item::as_table_like_mut);
        table = inner.ok_or_else(|| nowhere(path, &format!("`{key}` is no table")))?;
    }
    Ok((table, last))
}

/// Puts the difference between two renderings into the text that the first one came from, so that all bytes outside the edit stay
/// as they were: line ends, a byte-order mark.
fn spliced(text: &str, before: &str, after: &str) -> String {
    let shared = |a: &mut dyn Iterator<Item = char>, b: &mut dyn Iterator<Item = char>| -> usize {
        a.zip(b).take_while(|(x, y)| x == y).map(|(x, _)| x.len_utf8()).sum()
    };
    let head = shared(&mut before.chars(), &mut after.chars());
    let tail = shared(&mut before[head..].chars().rev(), &mut after[head..].chars().rev());
    let Some(places) = places_in_text(text, before) else { return after.to_owned() };
    let (start, end) = (places[head], places[before.len() - tail]);
    let mut middle = after[head..after.len() - tail].to_owned();
    if text.matches("\r\n").count() * 2 > text.matches('\n').count() {
        middle = middle.replace('\n', "\r\n");
    }
    format!("{}{middle}{}", &text[..start], &text[end..])
}

/// For each byte of a rendering, and its end, the byte of the text that it stands for. None when they differ in more than line ends
/// and a byte-order mark.
fn places_in_text(text: &str, rendered: &str) -> Option<Vec<usize>> {
    let bytes = text.as_bytes();
    let mut at = if text.starts_with('\u{feff}') && !rendered.starts_with('\u{feff}') {
        '\u{feff}'.len_utf8()
    } else {
        0
    };
    let mut places = Vec::with_capacity(rendered.len() + 1);
    for byte in rendered.bytes() {
        places.push(at);
        if byte == b'\n' && bytes.get(at) == Some(&b'\r') && bytes.get(at + 1) == Some(&b'\n') {
            at += 1;
        }
        if bytes.get(at) != Some(&byte) {
            return None;
        }
        at += 1;
    }
    // Some renderings end a last line that the text leaves open, or the other way round; then the places cannot be trusted.
    places.push(at);
    (at == text.len()).then_some(places)
}

//! Changes of a text, as a page sends them. They keep comments and order; all are made or none.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use system::document::{Document, EditError, SECTIONS};
use system::parts::{Library, PartOf};

use crate::look::Finding;
use crate::{Beside, crowded};

/// One change.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "op", rename_all = "lowercase", deny_unknown_fields)]
pub enum Edit {
    /// Gives a key a value: a text or quantity, a number, true or false, or a list of texts and numbers.
    Set {
        /// The table: `vessel.display`, `rule.heater`, `system`.
        path: String,
        /// The key in it.
        key: String,
        /// Its new value.
        value: Value,
    },
    /// Takes a key away.
    Unset {
        /// The table.
        path: String,
        /// The key in it.
        key: String,
    },
    /// Adds a named section.
    Add {
        /// A section of the file (`sensor`, `rule`), or the kind of a sensor or actuator (`float`, `heater`).
        kind: String,
        /// Its name; for a rule what it drives.
        id: String,
        /// Its other keys.
        #[serde(default)]
        values: Map<String, Value>,
    },
    /// Takes a named section away.
    Remove {
        /// `sensor.float_high`.
        path: String,
    },
}

/// Changes that are made at once.
const MOST_EDITS: usize = 100;
/// Their length as JSON, bytes.
const LONGEST_EDITS: usize = 64 * 1024;

/// Why the changes were not made; the text is then as it was.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Refusal {
    /// Which of them, from 0.
    pub edit: usize,
    /// What is wrong with it and what would be right.
    pub message: String,
    /// What would be wrong with the file; places are those of the text that was not made.
    pub diagnostics: Vec<Finding>,
}

/// Makes changes one after another and gives the new text.
///
/// # Errors
///
/// The first change that would make the text wrong.
pub fn apply(text: &str, edits: &[Edit], beside: &Beside) -> Result<String, Refusal> {
    let refused = |edit: usize, error: &EditError| Refusal {
        edit,
        message: error.to_string(),
        diagnostics: match error {
            EditError::Unreadable(findings) | EditError::Refused(findings) => {
                findings.iter().map(|finding| Finding::new(finding, text)).collect()
            }
            EditError::NoSuchPlace { .. } => vec![],
        },
    };
    if let Some(finding) = crowded(text) {
        return Err(refused(0, &EditError::Unreadable(vec![finding])));
    }
    let length = serde_json::to_string(edits).map_or(usize::MAX, |text| text.len());
    if edits.len() > MOST_EDITS || length > LONGEST_EDITS {
        let message = format!(
            "{} changes of {length} bytes are too many at once: send at most {MOST_EDITS}",
            edits.len()
        );
        return Err(Refusal { edit: 0, message, diagnostics: vec![] });
    }
    let mut document = Document::with_library(text, &beside.library).map_err(|error| refused(0, &error))?;
    for (n, edit) in edits.iter().enumerate() {
        one(&mut document, edit, &beside.library).map_err(|error| refused(n, &error))?;
    }
    Ok(document.text().to_owned())
}

fn one(document: &mut Document, edit: &Edit, library: &Library) -> Result<(), EditError> {
    match edit {
        Edit::Set { path, key, value } => {
            let place = format!("{path}.{key}");
            match value {
                Value::String(text) => document.set(&place, text),
                Value::Bool(on) => document.set_boolean(&place, *on),
                Value::Number(number) => document.set_number(&place, number.as_f64().unwrap_or(f64::NAN)),
                Value::Array(_) => match toml(value) {
                    Some(toml_edit::Value::Array(list)) => document.set_list(&place, list),
                    _ => Err(no_value(&place)),
                },
                Value::Null | Value::Object(_) => Err(no_value(&place)),
            }
        }
        Edit::Unset { path, key } => document.unset(&format!("{path}.{key}")),
        Edit::Add { kind, id, values } => {
            let (section, lines) = section(kind, id, values, library)?;
            document.add(section, &lines)
        }
        Edit::Remove { path } => document.remove(path),
    }
}

fn no_value(path: &str) -> EditError {
    EditError::NoSuchPlace {
        path: path.to_owned(),
        problem: "give a text, a number, true or false, or a list of these".to_owned(),
    }
}

/// The section that a kind stands in, and the lines of a new one.
fn section<'k>(
    kind: &'k str,
    id: &str,
    values: &Map<String, Value>,
    library: &Library,
) -> Result<(&'k str, String), EditError> {
    let (section, of_kind) = match library.part(kind).map(|part| part.of) {
        _ if SECTIONS.contains(&kind) => (kind, None),
        Some(PartOf::Sensor(_)) => ("sensor", Some(kind)),
        Some(PartOf::Actuator(_)) => ("actuator", Some(kind)),
        Some(PartOf::Supply(_)) => ("supply", Some(kind)),
        Some(PartOf::Passage(_)) => ("passage", Some(kind)),
        // `Document::add` says which sections there are.
        _ => (kind, None),
    };
    let mut table = toml_edit::Table::new();
    if section != "accepted" {
        let named = if section == "rule" { "drives" } else { "name" };
        table.insert(named, toml_edit::value(id));
    }
    if let Some(kind) = of_kind {
        table.insert("kind", toml_edit::value(kind));
    }
    for (key, value) in values {
        let value = toml(value).ok_or_else(|| no_value(&format!("{kind}.{id}.{key}")))?;
        table.insert(key, toml_edit::Item::Value(value));
    }
    Ok((section, table.to_string()))
}

/// A JSON value as TOML; None for null and what holds it.
fn toml(value: &Value) -> Option<toml_edit::Value> {
    Some(match value {
        Value::Null => return None,
        Value::Bool(on) => (*on).into(),
        Value::Number(number) => match number.as_i64() {
            Some(whole) => whole.into(),
            None => number.as_f64()?.into(),
        },
        Value::String(text) => text.as_str().into(),
        Value::Array(list) => {
            let list = list.iter().map(toml).collect::<Option<Vec<_>>>()?;
            toml_edit::Value::Array(list.into_iter().collect())
        }
        Value::Object(map) => {
            let mut table = toml_edit::InlineTable::new();
            for (key, value) in map {
                table.insert(key, toml(value)?);
            }
            toml_edit::Value::InlineTable(table)
        }
    })
}

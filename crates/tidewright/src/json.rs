//! The frame of every JSON answer. docs/json.md describes the shapes; a field never changes its meaning within a version.

use serde_json::{Map, Value};

/// Version of all shapes; counts up when a field goes away or changes its meaning.
pub const VERSION: u32 = 1;

/// An answer of a command: `format` and `version` first, then its own fields.
pub fn answer(command: &str, fields: Value) -> Value {
    let mut all = Map::new();
    all.insert("format".to_owned(), format!("tidewright.{command}").into());
    all.insert("version".to_owned(), VERSION.into());
    if let Value::Object(fields) = fields {
        all.extend(fields.into_iter().filter(|(key, _)| key != "version"));
    }
    Value::Object(all)
}

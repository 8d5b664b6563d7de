//! JSON over one or several lines: where it ends, objects with nested names, SenML.

use logs::senml;
use serde_json::Value as Json;

use super::{Clock, Form, LONGEST_NAME, MOST_VALUES, Printed, Reason, Refusal, Value, token};

/// What lines are so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    /// Brackets are open.
    Open,
    /// As many are closed as were opened.
    Closed,
    /// Something stands there that JSON has not.
    Broken,
}

/// How many brackets lines of JSON have open; a text of JSON does not go over the end of a line.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Depth(u32);

impl Depth {
    /// Takes a line.
    pub fn take(&mut self, line: &str) -> State {
        let (mut is_text, mut is_escaped) = (false, false);
        for c in line.chars() {
            if is_text {
                match c {
                    _ if is_escaped => is_escaped = false,
                    '\\' => is_escaped = true,
                    '"' => is_text = false,
                    _ => {}
                }
                continue;
            }
            match c {
                '"' => is_text = true,
                '{' | '[' => self.0 += 1,
                '}' | ']' => match self.0.checked_sub(1) {
                    Some(depth) => self.0 = depth,
                    None => return State::Broken,
                },
                // Words and numbers: true, false, null, 1.5e-3; some print NaN.
                ',' | ':' | '0'..='9' | '+' | '-' | '.' | ' ' | '\t' => {}
                'E' | 'N' | 'a' | 'e' | 'f' | 'l' | 'n' | 'r' | 's' | 't' | 'u' => {}
                // Behind the end anything may stand; it is judged as a whole.
                _ if self.0 == 0 => {}
                _ => return State::Broken,
            }
        }
        match self.0 {
            _ if is_text => State::Broken,
            0 => State::Closed,
            _ => State::Open,
        }
    }
}

/// `NaN` as a value is `null`; texts are left alone.
fn without_nan(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let (mut is_text, mut is_escaped) = (false, false);
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        if !is_text {
            let lower = rest.get(..3).map(str::to_ascii_lowercase);
            if lower.as_deref() == Some("nan") {
                out += "null";
                rest = &rest[3..];
                continue;
            }
        }
        match c {
            _ if is_escaped => is_escaped = false,
            '\\' if is_text => is_escaped = true,
            '"' => is_text = !is_text,
            _ => {}
        }
        out.push(c);
        rest = &rest[c.len_utf8()..];
    }
    out
}

/// An object: its numbers, switches and words by their nested names.
pub(super) fn object(text: &str, form: &Form, clock: &mut Clock) -> Result<Vec<Printed>, Refusal> {
    let broken =
        |error: serde_json::Error| Refusal { reason: Reason::BrokenJson, detail: Some(format!("{error}")) };
    let json: Json = match serde_json::from_str(text) {
        Ok(json) => json,
        Err(error) => serde_json::from_str(&without_nan(text)).map_err(|_| broken(error))?,
    };
    let mut flat = Flat { values: vec![], time: None, form, clock };
    flat.take(String::new(), &json);
    let Flat { mut values, time, .. } = flat;
    for value in &mut values {
        value.time = time;
    }
    Ok(values)
}

struct Flat<'a> {
    values: Vec<Printed>,
    time: Option<i64>,
    form: &'a Form,
    clock: &'a mut Clock,
}

impl Flat<'_> {
    fn take(&mut self, name: String, json: &Json) {
        if self.values.len() > MOST_VALUES {
            return;
        }
        let joined = |key: &str| if name.is_empty() { key.to_owned() } else { format!("{name}.{key}") };
        match json {
            Json::Object(fields) => fields.iter().for_each(|(key, field)| self.take(joined(key), field)),
            Json::Array(items) => {
                items.iter().enumerate().for_each(|(i, item)| self.take(joined(&i.to_string()), item));
            }
            Json::Null => self.push(name, Value::Nothing, None),
            Json::Bool(value) => self.push(name, Value::Word(value.to_string()), None),
            Json::Number(number) if self.form.is_time(&name) => {
                self.time = self.clock.read_any(&number.to_string()).or(self.time);
            }
            Json::Number(number) => {
                let value = number.as_f64().filter(|number| number.is_finite());
                self.push(name, value.map_or(Value::Nothing, Value::Number), None);
            }
            Json::String(text) if self.form.is_time(&name) => {
                self.time = self.clock.read_any(text).or(self.time);
            }
            Json::String(text) => {
                if let Some(time) = self.clock.read(text) {
                    self.time = self.time.or(Some(time));
                } else if let Ok(Some((value, unit))) = token::value(text, self.form.decimal_comma) {
                    self.push(name, value, unit);
                }
            }
        }
    }

    fn push(&mut self, name: String, value: Value, unit: Option<String>) {
        if !name.is_empty() && name.chars().count() <= LONGEST_NAME {
            self.values.push(Printed { name, value, unit, time: None });
        }
    }
}

/// A SenML pack. Texts that are numbers stay texts; data in base64 and sums without a value are left out.
pub(super) fn senml(text: &str, now: Option<i64>) -> Result<Vec<Printed>, Refusal> {
    let refused = |senml::Refused(what)| Refusal { reason: Reason::BrokenSenml, detail: Some(what) };
    let records = senml::read(text, now.unwrap_or(0)).map_err(refused)?;
    let printed = |record: senml::Record| {
        let value = match record.value {
            senml::Value::Number(number) if number.is_finite() => Value::Number(number),
            senml::Value::Number(_) => Value::Nothing,
            senml::Value::Switch(value) => Value::Word(value.to_string()),
            senml::Value::Text(text) => match token::value(&text, false) {
                Ok(Some((Value::Nothing, _))) => Value::Nothing,
                _ => Value::Word(text),
            },
            senml::Value::Data(_) | senml::Value::Nothing => return None,
        };
        // Without a time of its own to be relative to, a record is of when it came.
        let time = (now.is_some() || record.time >= senml::ABSOLUTE_MS).then_some(record.time);
        Some(Printed { name: record.name, value, unit: record.unit, time })
    };
    Ok(records.into_iter().filter_map(printed).collect())
}

//! The measured flow of a metered pump put into a text: in the line that it pumps through, and in its dose where that names a flow of its own.

use system::System;
use system::model::{PassageKind, RuleForm};
use toml_edit::DocumentMut;

use crate::Beside;
use crate::edit::{Edit, apply};

/// mL/min in a m³/s.
const ML_PER_MIN: f64 = 60e6;

/// A text with the flow of a pump as it was measured.
#[derive(Clone, PartialEq, Debug)]
pub struct WithFlow {
    /// The text.
    pub text: String,
    /// The flow that it had, mL/min.
    pub before_ml_min: f64,
    /// What was changed, in words.
    pub changes: Vec<String>,
}

/// The flow of a pump by the file, mL/min; none where the file knows no such pump of a line or dose.
pub fn by_file(system: &System, pump: &str) -> Option<f64> {
    let pumps = |actuator: &system::model::ActuatorIdx| system.actuators[actuator.idx()].name == pump;
    let line = system.passages.iter().find_map(|passage| match &passage.kind {
        PassageKind::Line { pump, flow, .. } if pumps(pump) => Some(*flow),
        _ => None,
    });
    let dose = || {
        system.rules.iter().filter(|rule| pumps(&rule.drives)).find_map(|rule| match &rule.form {
            RuleForm::Dose { flow, .. } => Some(*flow),
            _ => None,
        })
    };
    line.or_else(dose).map(|flow| flow * ML_PER_MIN)
}

/// Pumps whose flow the file knows, with it in mL/min.
pub fn pumps(system: &System) -> Vec<(String, f64)> {
    let names = system.actuators.iter().map(|actuator| actuator.name.clone());
    names.filter_map(|name| by_file(system, &name).map(|flow| (name, flow))).collect()
}

/// Puts the flow of a pump into a text.
///
/// # Errors
/// The text is no system, it knows no such pump, or it would not be a system with that flow: in a sentence.
pub fn with_flow(text: &str, beside: &Beside, pump: &str, ml_min: f64) -> Result<WithFlow, String> {
    let system = beside.load(text).system.ok_or("The file has mistakes.")?;
    let before_ml_min = by_file(&system, pump).ok_or_else(|| {
        let known: Vec<String> = pumps(&system).into_iter().map(|(name, _)| name).collect();
        let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        format!("The file knows no flow of a pump `{pump}`; those whose flow it knows: {known}.")
    })?;
    let document: DocumentMut = text.parse().map_err(|error| format!("The file is no TOML: {error}."))?;
    let tables =
        |list: &str| document.get(list).and_then(|item| item.as_array_of_tables()).into_iter().flatten();
    let is =
        |table: &toml_edit::Table, key: &str| table.get(key).and_then(|item| item.as_str()) == Some(pump);
    let lines = tables("passage")
        .filter(|table| is(table, "pump") && table.contains_key("flow"))
        .filter_map(|table| Some(format!("passage.{}", table.get("name")?.as_str()?)));
    let has_flow = |table: &&toml_edit::Table| {
        let dose = table.get("dose").and_then(|item| item.as_table_like());
        is(table, "drives") && dose.is_some_and(|dose| dose.contains_key("flow"))
    };
    let doses = tables("rule").filter(has_flow).map(|_| format!("rule.{pump}.dose"));
    let value = written(ml_min);
    let edits: Vec<Edit> = lines
        .chain(doses)
        .map(|path| Edit::Set { path, key: "flow".to_owned(), value: value.clone().into() })
        .collect();
    let changes = edits.iter().filter_map(|edit| match edit {
        Edit::Set { path, key, .. } => Some(format!("{path}.{key} becomes \"{value}\"")),
        _ => None,
    });
    let changes: Vec<String> = changes.collect();
    if changes.is_empty() {
        return Err(format!("The flow of `{pump}` stands nowhere in the text."));
    }
    let text = apply(text, &edits, beside).map_err(|refusal| refusal.message)?;
    Ok(WithFlow { text, before_ml_min, changes })
}

/// A flow as a file writes it, to four figures: more than any measuring cylinder tells.
fn written(ml_min: f64) -> String {
    let digits = (3 - ml_min.abs().max(1e-9).log10().floor() as i32).clamp(0, 6) as usize;
    format!("{ml_min:.digits$} mL/min")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn harbour_lane() -> String {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/harbour-lane/system.toml");
        std::fs::read_to_string(path).expect("an example")
    }

    #[test]
    fn a_flow_is_put_where_the_file_has_it_and_nothing_else_changes() {
        let (text, beside) = (harbour_lane(), Beside::default());
        let made = with_flow(&text, &beside, "topoff_pump", 28.437).expect("it has such a line");
        // 1.8 L/h by the file.
        assert!((made.before_ml_min - 30.0).abs() < 1e-9, "{made:?}");
        assert_eq!(made.changes, ["passage.topoff_line.flow becomes \"28.44 mL/min\""]);
        let system = beside.load(&made.text).system.expect("it is a system");
        assert!(by_file(&system, "topoff_pump").is_some_and(|flow| (flow - 28.44).abs() < 1e-9));
        let differing = text.lines().zip(made.text.lines()).filter(|(a, b)| a != b).count();
        assert_eq!((differing, text.lines().count()), (1, made.text.lines().count()));
        let none = with_flow(&text, &beside, "skimmer", 1.0).expect_err("it has no line");
        assert!(none.contains("topoff_pump, lime_pump"), "{none}");
    }

    #[test]
    fn four_figures_are_written() {
        let all: Vec<String> = [28.4371, 0.51239, 1234.56, 3.0].map(written).into();
        assert_eq!(all, ["28.44 mL/min", "0.5124 mL/min", "1235 mL/min", "3.000 mL/min"]);
    }
}

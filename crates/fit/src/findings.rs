//! Findings of a fit in the form of all findings, so that scripts can go by their ids.

use system::{Diagnostic, System};

use crate::fitted::{Fitted, Parameter, Quantity};

/// Ids and what they mean; docs/fit.md lists them.
pub const FINDINGS: [(&str, &str); 2] = [
    ("parameter-differs", "the file's value lies outside of the interval that the log gives"),
    ("parameter-not-told", "the log cannot tell a parameter"),
];

/// Where a parameter stands in the file.
fn place(p: &Parameter) -> String {
    match (p.what, &p.part) {
        (Quantity::HeaterPower, Some(part)) => format!("actuator.{part}.power"),
        (Quantity::ProbeLag, Some(part)) => format!("sensor.{part}.lag"),
        (Quantity::PumpSpeed, Some(part)) => format!("actuator.{part}"),
        _ => "fitted".to_owned(),
    }
}

/// A value in its unit.
pub(crate) fn shown(p: &Parameter, value: f64) -> String {
    let unit = p.what.unit();
    let digits = if unit.is_empty() { 2 } else { 0 };
    let text = format!("{value:.digits$}");
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

/// One for each parameter that differs, or that the log cannot tell.
pub fn findings(system: &System, fitted: &Fitted) -> Vec<Diagnostic> {
    let of = |p: &Parameter| {
        let at = system.places.find(&place(p));
        if let Some(why) = &p.unknown {
            return Some(
                Diagnostic::note_level(
                    "parameter-not-told",
                    format!("the log does not tell {}: {why}", p.title()),
                )
                .at(at, ""),
            );
        }
        p.differs().then(|| {
            let (value, low, high) =
                (shown(p, p.found.value), shown(p, p.found.low), shown(p, p.found.high));
            Diagnostic::warning(
                "parameter-differs",
                format!("{} is {} in the file and {value} in the tank", p.title(), shown(p, p.file)),
            )
            .at(at, format!("between {low} and {high} with 95 % confidence"))
            .help("look for a reason that can be mended first; then write it with `--out` and run the FMEA again")
        })
    };
    fitted.parameters.iter().filter_map(of).collect()
}

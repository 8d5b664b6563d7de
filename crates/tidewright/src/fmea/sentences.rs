//! One sentence for each row: what fails, what that does, after how long, who hears of it.

use system::System;
use trial::{Fmea, Row};

use crate::fmea::{corner, lead};
use crate::words::{self, sentence, span};

/// A cup: below it nothing is said, m³.
const LEAST_SPILLED_M3: f64 = 0.2e-3;

/// `part: mode`, the way it stands in texts.
pub fn fault(row: &Row) -> String {
    let parts: Vec<&str> = row.part.split(" + ").collect();
    let modes: Vec<&str> = row.mode.split(" + ").collect();
    let each: Vec<String> = parts.iter().zip(&modes).map(|(part, mode)| format!("{part}: {mode}")).collect();
    each.join(" and ")
}

/// Faults of several rows, each part once: `return_pump: dead, stopped; card: dead`.
pub fn faults(rows: &[&Row]) -> String {
    let mut parts: Vec<(&str, Vec<&str>)> = vec![];
    for row in rows {
        match parts.iter_mut().find(|(part, _)| *part == row.part) {
            Some((_, modes)) => modes.push(&row.mode),
            None => parts.push((&row.part, vec![&row.mode])),
        }
    }
    let each: Vec<String> =
        parts.iter().map(|(part, modes)| format!("{part}: {}", modes.join(", "))).collect();
    each.join("; ")
}

/// What the failure is, in words of the parts library.
fn description(row: &Row) -> String {
    row.description.split(" + ").map(sentence).collect::<Vec<_>>().join(" ")
}

/// Who hears of it before the first requirement breaks.
pub fn telling(system: &System, row: &Row) -> String {
    let Some(breaks) = row.process_safety_time_s else { return String::new() };
    let Some((told, alarm)) = &row.told else { return "No alarm tells anybody.".to_owned() };
    let alarm =
        if alarm == "silence" { "Silence is noticed".to_owned() } else { format!("Alarm `{alarm}` comes") };
    let ahead = breaks - told;
    if ahead <= 0.0 {
        format!("{alarm} only after {}.", span(*told))
    } else if row.person_in_time {
        format!("{alarm} {} before.", span(ahead))
    } else {
        format!("{alarm} {} before, but a person needs {}.", span(ahead), span(system.response.weekend_s))
    }
}

/// What the protections did at the worst place.
fn acting(row: &Row) -> String {
    if row.tripped.is_empty() {
        return String::new();
    }
    let list: Vec<String> =
        row.tripped.iter().map(|(t, part)| format!("{part} after {}", span(*t))).collect();
    format!("Tripped: {}.", list.join(", "))
}

/// When and under which conditions the worst was found.
pub fn place(fmea: &Fmea, row: &Row) -> String {
    row.place.map_or_else(String::new, |place| {
        let corner = match corner(fmea, place.corner) {
            "nominal" => String::new(),
            name => format!(", corner {name}"),
        };
        format!("at {}{corner}", place.instant.name())
    })
}

/// What breaks: the requirement for which the row is told, the one that breaks first if that is another, and the rest.
pub fn breaking(system: &System, row: &Row) -> String {
    let Some(lead) = lead(system, row) else { return String::new() };
    let name = |r: usize| system.requirements[r].name.as_str();
    let mut text = format!("Breaks `{}`", name(lead.requirement));
    let mut rest: Vec<usize> = vec![];
    for breach in &row.breaches {
        if breach.requirement != lead.requirement && !rest.contains(&breach.requirement) {
            rest.push(breach.requirement);
        }
    }
    if let (Some(first), Some(at_s)) =
        (row.broken.filter(|r| *r != lead.requirement), row.process_safety_time_s)
    {
        text += &format!(", and already `{}` after {}", name(first), span(at_s));
        rest.retain(|r| *r != first);
    }
    if !rest.is_empty() {
        let rest: Vec<&str> = rest.into_iter().map(name).collect();
        text += &format!("; also {}", rest.join(", "));
    }
    text + "."
}

/// How much water ran out, if it is worth a word.
pub fn spilling(row: &Row) -> String {
    if row.spilled_m3 < LEAST_SPILLED_M3 {
        return String::new();
    }
    format!("{} on the floor or in the tray.", words::litres(row.spilled_m3))
}

/// Everything about a row, behind the time of its harm.
pub fn whole(system: &System, fmea: &Fmea, row: &Row) -> String {
    let one_place = fmea.places.len() == 1;
    let place = place(fmea, row);
    let place = if one_place || place.is_empty() { String::new() } else { format!("Worst {place}.") };
    let sentences = [
        format!("{}. {}", fault(row), description(row)),
        breaking(system, row),
        spilling(row),
        telling(system, row),
        acting(row),
        place,
    ];
    sentences.into_iter().filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

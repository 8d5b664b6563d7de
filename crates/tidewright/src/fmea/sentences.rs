//! One sentence for each row: what fails, what that does, after how long, who hears of it.

use system::System;
use trial::{Fmea, Row};

use crate::fmea::corner;
use crate::words::{self, sentence, span};

/// `part: mode`, the way it stands in texts.
pub fn fault(row: &Row) -> String {
    let parts: Vec<&str> = row.part.split(" + ").collect();
    let modes: Vec<&str> = row.mode.split(" + ").collect();
    let each: Vec<String> = parts.iter().zip(&modes).map(|(part, mode)| format!("{part}: {mode}")).collect();
    each.join(" and ")
}

/// What the failure is, in words of the parts library.
fn description(row: &Row) -> String {
    row.description.split(" + ").map(sentence).collect::<Vec<_>>().join(" ")
}

/// Who hears of it before the first requirement breaks.
pub fn telling(system: &System, row: &Row) -> String {
    let Some(breaks) = row.process_safety_time_s else { return String::new() };
    let Some((told, alarm)) = &row.told else { return "No alarm tells anybody.".to_owned() };
    let alarm = if alarm == "silence" { "Silence is noticed".to_owned() } else { format!("Alarm `{alarm}` comes") };
    let lead = breaks - told;
    let way = system.response.weekend_s;
    if lead <= 0.0 {
        format!("{alarm} only after {}.", span(*told))
    } else if row.person_in_time {
        format!("{alarm} {} before: enough for the {} that a person needs.", span(lead), span(way))
    } else {
        format!("{alarm} {} before, but a person needs {}.", span(lead), span(way))
    }
}

/// What the protections did at the worst place.
pub fn acting(row: &Row) -> String {
    if row.tripped.is_empty() {
        return String::new();
    }
    let list: Vec<String> = row.tripped.iter().map(|(t, part)| format!("{part} after {}", span(*t))).collect();
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

/// Everything about a row whose time stands before it.
pub fn whole(system: &System, fmea: &Fmea, row: &Row) -> String {
    let broken = row.broken.map(|r| {
        let place = place(fmea, row);
        let more = row.breaches.iter().map(|b| b.requirement).filter(|&other| other != r);
        let mut others: Vec<&str> = more.map(|other| system.requirements[other].name.as_str()).collect();
        others.sort_unstable();
        others.dedup();
        let others = if others.is_empty() { String::new() } else { format!(", later {}", others.join(", ")) };
        format!("Breaks `{}`{others} ({place}).", system.requirements[r].name)
    });
    let spilled = (row.spilled_m3 > LEAST_SPILLED_M3)
        .then(|| format!("{} run out.", words::litres(row.spilled_m3)));
    let sentences = [
        Some(format!("{}. {}", fault(row), description(row))),
        broken,
        spilled,
        Some(telling(system, row)),
        Some(acting(row)),
    ];
    sentences.into_iter().flatten().filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

/// A cup: below it nothing is said, m³.
const LEAST_SPILLED_M3: f64 = 0.2e-3;

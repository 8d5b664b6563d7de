//! One sentence for each row: what fails, what that does, after how long, who hears of it.

use system::System;
use trial::Row;

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

/// Faults of several rows, each part once, and parts that fail alike together: `return_pump: dead, stopped; sump_a, sump_b: leak`.
pub fn faults(rows: &[&Row]) -> String {
    let mut parts: Vec<(Vec<&str>, Vec<&str>)> = vec![];
    for row in rows {
        match parts.iter_mut().find(|(part, _)| part[0] == row.part) {
            Some((_, modes)) => modes.push(&row.mode),
            None => parts.push((vec![&row.part], vec![&row.mode])),
        }
    }
    let mut alike: Vec<(Vec<&str>, Vec<&str>)> = vec![];
    for (part, modes) in parts {
        match alike.iter_mut().find(|(_, known)| *known == modes) {
            Some((names, _)) => names.extend(part),
            None => alike.push((part, modes)),
        }
    }
    let each: Vec<String> =
        alike.iter().map(|(parts, modes)| format!("{}: {}", parts.join(", "), modes.join(", "))).collect();
    each.join("; ")
}

/// What the failure is, in words of the parts library.
fn description(row: &Row) -> String {
    row.description.split(" + ").map(sentence).collect::<Vec<_>>().join(" ")
}

/// Who hears of it before the first requirement breaks; of several rows the worst.
pub fn telling(system: &System, rows: &[&Row]) -> String {
    let mut each: Vec<String> = rows.iter().map(|row| telling_of(system, row)).collect();
    each.sort();
    each.dedup();
    if let [only] = each.as_slice() {
        return only.clone();
    }
    let lead = |row: &&Row| {
        row.process_safety_time_s.zip(row.told.as_ref()).map_or(f64::NEG_INFINITY, |(t, told)| t - told.0)
    };
    let least = rows.iter().map(lead).fold(f64::INFINITY, f64::min);
    if rows.iter().all(|row| row.person_in_time) {
        format!("An alarm comes {} before or sooner: in time.", span(least))
    } else if rows.iter().any(|row| row.told.is_none()) {
        "No alarm, or one too late.".to_owned()
    } else {
        "The alarm comes too late.".to_owned()
    }
}

fn telling_of(system: &System, row: &Row) -> String {
    let Some(breaks) = row.process_safety_time_s else { return String::new() };
    let Some((told, alarm)) = &row.told else { return "No alarm tells anybody.".to_owned() };
    let alarm =
        if alarm == "silence" { "Silence is noticed".to_owned() } else { format!("Alarm `{alarm}` comes") };
    let ahead = breaks - told;
    if ahead <= 0.0 {
        format!("{alarm} only after {}.", span(*told))
    } else if row.person_in_time {
        format!("{alarm} {} before: in time.", span(ahead))
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
pub fn place(system: &System, row: &Row) -> String {
    row.place.map_or_else(String::new, |place| {
        let corner = match corner(system, place.corner) {
            "nominal" => String::new(),
            name => format!(", corner {name}"),
        };
        format!("at {}{corner}", place.instant.name())
    })
}

/// What breaks: the requirement for which the rows are told, the one that breaks first if that is another, the rest that breaks
/// in all of them, and what breaks in some.
pub fn breaking(system: &System, rows: &[&Row]) -> String {
    let Some(leading) = rows.first().and_then(|row| lead(system, row)).map(|breach| breach.requirement)
    else {
        return String::new();
    };
    let name = |r: usize| system.requirements[r].name.as_str();
    let mut text = format!("Breaks `{}`", name(leading));
    let mut rest: Vec<usize> = vec![];
    for breach in rows.iter().flat_map(|row| &row.breaches) {
        if breach.requirement != leading && !rest.contains(&breach.requirement) {
            rest.push(breach.requirement);
        }
    }
    let first = rows[0].broken.filter(|r| *r != leading && rows.iter().all(|row| row.broken == Some(*r)));
    if let Some(first) = first {
        let soonest = rows.iter().filter_map(|row| row.process_safety_time_s).fold(f64::INFINITY, f64::min);
        text += &format!(", and already `{}` after {}", name(first), span(soonest));
        rest.retain(|r| *r != first);
    }
    let (in_all, in_some): (Vec<usize>, Vec<usize>) = rest
        .into_iter()
        .partition(|r| rows.iter().all(|row| row.breaches.iter().any(|b| b.requirement == *r)));
    for (word, list) in [("also", in_all), ("some also", in_some)] {
        if !list.is_empty() {
            let list: Vec<&str> = list.into_iter().map(name).collect();
            text += &format!("; {word} {}", list.join(", "));
        }
    }
    text + "."
}

/// How much water runs out, if it is worth a word.
pub fn spilling(system: &System, rows: &[&Row]) -> String {
    let least = rows.iter().map(|row| row.spilled_m3).fold(f64::INFINITY, f64::min);
    let most = rows.iter().map(|row| row.spilled_m3).fold(0.0, f64::max);
    if least < LEAST_SPILLED_M3 {
        return String::new();
    }
    let place = if system.bund.is_some() { "in the tray or on the floor" } else { "on the floor" };
    match (words::litres(least), words::litres(most)) {
        (least, most) if least == most => format!("{most} {place}."),
        (least, most) => format!("{} to {most} {place}.", least.trim_end_matches(" L")),
    }
}

/// Everything about a row of a study at so many places, behind the time of its harm.
pub fn whole(system: &System, n_places: usize, row: &Row) -> String {
    let one_place = n_places == 1;
    let place = place(system, row);
    let place = if one_place || place.is_empty() { String::new() } else { format!("Worst {place}.") };
    let sentences = [
        format!("{}. {}", fault(row), description(row)),
        breaking(system, &[row]),
        spilling(system, &[row]),
        telling(system, &[row]),
        acting(row),
        place,
    ];
    sentences.into_iter().filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

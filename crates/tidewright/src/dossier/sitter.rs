//! The sitter's sheet from the FMEA: for each alarm the faults that it tells of, how long there is from then to harm at the worst place, and what
//! is safe to do.

use alarms::Peril;
use report::{Message, SitterSheet};
use system::System;
use system::model::{Priority, Severity};
use trial::{Breach, Fmea, Row};
use workbench::fmea::sentences;
use workbench::words::{self, span};

/// So many causes are named for a message; the others are counted.
const CAUSES: usize = 3;
/// The message that does not come.
const SILENCE: &str = "silence";

/// The sheet.
pub fn sheet(system: &System, fmea: &Fmea, call: &[String]) -> SitterSheet {
    let mut alarms: Vec<&system::model::Alarm> = system.alarms.iter().collect();
    alarms.sort_by_key(|alarm| std::cmp::Reverse(alarm.priority));
    let mut messages: Vec<(Option<f64>, Priority, Message)> = (alarms.iter())
        .map(|alarm| {
            let (left, message) =
                message(system, fmea, &alarm.name, &alarm.text, Peril::of_alarm(system, alarm));
            (left, alarm.priority, message)
        })
        .collect();
    if system.telling.heartbeat_s.is_some() {
        let words = "Nothing comes any more: the station says that it hears no board, or is silent itself";
        let (left, message) = message(system, fmea, SILENCE, words, Peril::Power);
        messages.push((left, Priority::High, message));
    }
    messages.sort_by(|a, b| {
        let left = |of: &(Option<f64>, Priority, Message)| of.0.unwrap_or(f64::INFINITY);
        b.1.cmp(&a.1).then(left(a).total_cmp(&left(b)))
    });
    SitterSheet {
        call: call.to_vec(),
        always: [
            "Call first when you are not sure. Nothing here has to be done at once that a call would delay, but what says so.",
            "Wet plugs, cables or floor: switch off at the breaker, standing dry, before you touch anything. Mains beside salt water kills.",
            "Water in the tank must move and air must get in: when all stands still, that comes first.",
            "Write down what you saw and did, with the time.",
        ]
        .map(str::to_owned)
        .to_vec(),
        never: [
            "Never reset, or put back into automatic, what has stopped by itself, before somebody who knows it says so.",
            "Never pour tap water, ice, salt or anything from a bottle into the tank.",
            "Never touch limewater with bare hands: it burns eyes and skin.",
            "Never feed more than what was laid out.",
        ]
        .map(str::to_owned)
        .to_vec(),
        messages: messages.into_iter().map(|(_, _, message)| message).collect(),
        basis: format!(
            "Times are the shortest of the simulated single faults of this system, from the message to the first harm, at the worst of {}; \
             over {} nobody came. They are estimates. What is not simulated can be faster.",
            words::count(fmea.places.len(), "settled state"),
            span(fmea.window_s)
        ),
    }
}

fn is_told_by(row: &Row, alarm: &str) -> bool {
    row.told.as_ref().is_some_and(|(_, name)| name == alarm)
        || row.breaches.iter().any(|breach| breach.told_by.as_deref() == Some(alarm))
}

fn message(system: &System, fmea: &Fmea, name: &str, text: &str, peril: Peril) -> (Option<f64>, Message) {
    let mut rows: Vec<&Row> = fmea.rows.iter().filter(|row| is_told_by(row, name)).collect();
    // Of each fault what it does to animals or house, if it does; a limit that is only passed comes after.
    let is_grave = |breach: &Breach| system.requirements[breach.requirement].severity >= Severity::Critical;
    let soonest = rows
        .iter()
        .filter_map(|row| {
            let told = row.breaches.iter().filter(|breach| breach.told_by.as_deref() == Some(name));
            let timed = told.filter_map(|breach| Some((breach.at_s - breach.told_at_s?, breach)));
            timed.min_by(|a, b| (!is_grave(a.1)).cmp(&!is_grave(b.1)).then(a.0.total_cmp(&b.0)))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let time = match soonest {
        None if rows.is_empty() => {
            "No single fault of the study raises it first: look what it is.".to_owned()
        }
        None => format!("No harm within {} from any single fault that it tells of.", span(fmea.window_s)),
        Some((left, breach)) => {
            let requirement = &system.requirements[breach.requirement];
            let harm = if is_grave(breach) {
                words::harm_does(requirement.harm)
            } else {
                "pass the first limit for animals or equipment"
            };
            if left <= 0.0 {
                format!("None: the harm may have begun (it would {harm}).")
            } else {
                format!("{} at the least, then it would {harm}.", words::capital(&span(left)))
            }
        }
    };
    // What happens most often first.
    rows.sort_by(|a, b| b.rate_per_year.unwrap_or(0.0).total_cmp(&a.rate_per_year.unwrap_or(0.0)));
    let n_more = rows.len().saturating_sub(CAUSES);
    let named: Vec<&Row> = rows.iter().take(CAUSES).copied().collect();
    let mut means =
        if named.is_empty() { String::new() } else { sentences::faults(&named).replace('_', " ") };
    if n_more > 0 {
        means.push_str(&format!("; or {}", words::count(n_more, "other fault")));
    }
    let accepted = rows.iter().find_map(|row| row.accepted.map(|a| &system.accepted[a]));
    let advice = peril.advice();
    let act = match accepted {
        Some(accepted) => format!("{} Agreed for this: {}", advice.act, words::sentence(&accepted.procedure)),
        None => advice.act.to_owned(),
    };
    let left = soonest.map(|(left, _)| left);
    let message = Message {
        words: words::sentence(text),
        priority: format!("{} priority", priority(system, name)),
        means: if means.is_empty() { String::new() } else { words::sentence(&words::capital(&means)) },
        time,
        is_short: left.is_some_and(|left| left < fmea.response_s),
        act,
        leave: advice.leave.to_owned(),
        caution: advice.caution.map(str::to_owned),
    };
    (left, message)
}

fn priority(system: &System, name: &str) -> &'static str {
    match system.alarms.iter().find(|alarm| alarm.name == name).map_or(Priority::High, |alarm| alarm.priority)
    {
        Priority::High => "high",
        Priority::Medium => "medium",
        Priority::Low => "low",
    }
}

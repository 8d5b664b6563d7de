//! `[[procedure]]` and `[[alarm]]`.

use units::Kind;

use super::context::{Context, Thing};
use super::settings::PRIORITIES;
use super::signals::Signals;
use crate::diagnostic::Diagnostic;
use crate::model::{Actuator, ActuatorIdx, Alarm, Procedure, Step};
use crate::raw::{Bound, Field};

/// The longest that a step may last, s.
const DAY: f64 = 86_400.0;

pub(super) fn procedures<'a>(
    context: &Context<'a>,
    signals: &mut Signals<'_, 'a>,
    actuators: &[Actuator],
) -> Vec<Procedure> {
    let all: Vec<Procedure> = context
        .procedures
        .iter()
        .map(|entry| {
            let table = &entry.table;
            let title = table.text("title").unwrap_or(&entry.name).to_owned();
            let items = table.need("step", "[ { text = \"...\", longest = \"10 min\" } ]");
            let items = items.map(|field| field.one_or_list()).unwrap_or_default();
            let steps = items.iter().filter_map(|item| step(context, signals, item, actuators)).collect();
            Procedure { name: entry.name.clone(), title, steps }
        })
        .collect();
    // Every procedure can be started, so each needs its state as an input of the program, asked for or not.
    for (position, entry) in context.procedures.iter().enumerate() {
        signals.running(position, &entry.name);
    }
    all
}

fn step<'a>(
    context: &Context<'a>,
    signals: &mut Signals<'_, 'a>,
    item: &Field<'a>,
    actuators: &[Actuator],
) -> Option<Step> {
    let table = item.table()?;
    let text = table.need("text", "\"what the person does\"").and_then(|f| f.text()).unwrap_or("").to_owned();
    let mut holds = vec![];
    if let Some(hold) = table.get("hold").and_then(|f| f.table()) {
        for (name, span, field) in hold.entries() {
            let state = field.on_off();
            match context.find(name) {
                Some((Thing::Actuator, position)) => {
                    if actuators.get(position).is_some_and(|a| a.always) {
                        field.report(
                            "rule-for-unswitched",
                            format!("`{name}` always runs, so a step cannot hold it"),
                            "",
                            "take it out of `hold`",
                        );
                    }
                    holds.push((ActuatorIdx(position), state?));
                }
                _ => context.sink.report(
                    Diagnostic::error("unknown-name", format!("no actuator of this file is named `{name}`"))
                        .at(Some(span), "")
                        .help(crate::suggest::help(name, context.names_of(&[Thing::Actuator]), "actuators")),
                ),
            }
        }
    }
    if !table.has("longest") {
        table.sink.report(
            table
                .about(Diagnostic::error("step-without-end", format!("{} could last for ever", table.label)))
                .at(Some(table.span.clone()), "`longest` must stand here")
                .help("add longest = \"10 min\": a step that is forgotten must end by itself"),
        );
    }
    let longest_s = table.quantity("longest", Kind::Time, Bound::Within(1.0, DAY)).unwrap_or(f64::NAN);
    let until = table.get("until").and_then(|field| signals.condition(&field));
    let confirm = table.boolean("confirm").unwrap_or(false);
    table.finish();
    Some(Step { text, holds, longest_s, until, confirm })
}

pub(super) fn alarms<'a>(context: &Context<'a>, signals: &mut Signals<'_, 'a>) -> Vec<Alarm> {
    let mut all = vec![];
    for entry in &context.alarms {
        let table = &entry.table;
        let when =
            table.need("when", "\"display_temp > 27.6 degC\"").and_then(|field| signals.condition(&field));
        let delay_s = table.quantity("delay", Kind::Time, Bound::NotNegative).unwrap_or(0.0);
        let off_delay_s = table.quantity("off_delay", Kind::Time, Bound::NotNegative).unwrap_or(0.0);
        let priority = table.get("priority").and_then(|field| field.word(PRIORITIES)).unwrap_or_default();
        let text = table.text("text").unwrap_or(&entry.name).to_owned();
        if let Some(when) = when {
            all.push(Alarm { name: entry.name.clone(), when, delay_s, off_delay_s, priority, text });
        }
    }
    all
}

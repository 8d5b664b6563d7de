//! `[[signal]]`: derived signals, resolved in an order in which each stands behind all it reads.

use units::Kind;

use super::context::{Context, Entry, Thing};
use super::rules::windows;
use super::signals::{
    Signals, condition_text, counts, declared_range, difference_scale, line_flow, noun_of, same_scale,
};
use crate::diagnostic::Diagnostic;
use crate::language::condition::{Cond, Side};
use crate::model::{ActuatorIdx, Derived, Passage, Scale, Signal, SignalIdx, SignalSource};
use crate::raw::{Bound, Field};

impl<'a> Signals<'_, 'a> {
    /// Resolves all `[[signal]]`.
    pub(super) fn derived(&mut self, passages: &[Passage]) {
        let context = self.context;
        let raw: Vec<Option<RawDerived<'a>>> = context.signals.iter().map(RawDerived::read).collect();
        let needs: Vec<Vec<usize>> = raw.iter().map(|raw| self.needs(raw.as_ref())).collect();
        for position in order(context, &needs) {
            let Some(raw) = &raw[position] else { continue };
            let entry = &context.signals[position];
            if let Some((scale, range, derived)) = raw.resolve(self, entry, passages) {
                let range = declared_range(&entry.table, scale).unwrap_or(range);
                self.add(&entry.name, scale, range, SignalSource::Derived(derived));
            }
        }
    }

    /// Positions of the `[[signal]]`s that one reads.
    fn needs(&self, raw: Option<&RawDerived<'_>>) -> Vec<usize> {
        let names = raw.map(RawDerived::names).unwrap_or_default();
        let position = |name: &String| match self.context.find(name) {
            Some((Thing::Signal, position)) => Some(position),
            _ => None,
        };
        names.iter().filter_map(position).collect()
    }
}

/// Depth-first order of the signals; reports loops and leaves their members out.
fn order(context: &Context<'_>, needs: &[Vec<usize>]) -> Vec<usize> {
    #[derive(Clone, Copy, PartialEq)]
    enum Mark {
        New,
        Open,
        Done,
        Loop,
    }
    let mut marks = vec![Mark::New; needs.len()];
    let mut done = vec![];
    for start in 0..needs.len() {
        if marks[start] != Mark::New {
            continue;
        }
        // An explicit stack: a chain of ten thousand signals must not overflow the thread's.
        let mut path: Vec<(usize, usize)> = vec![(start, 0)];
        marks[start] = Mark::Open;
        while let Some((signal, next)) = path.last_mut() {
            let signal = *signal;
            let Some(need) = needs[signal].get(*next).copied() else {
                path.pop();
                if marks[signal] == Mark::Open {
                    marks[signal] = Mark::Done;
                    done.push(signal);
                }
                continue;
            };
            *next += 1;
            match marks[need] {
                Mark::New => {
                    marks[need] = Mark::Open;
                    path.push((need, 0));
                }
                Mark::Open => {
                    let from = path.iter().position(|(s, _)| *s == need).unwrap_or(0);
                    let members: Vec<usize> = path[from..].iter().map(|(s, _)| *s).collect();
                    members.iter().for_each(|member| marks[*member] = Mark::Loop);
                    report_loop(context, &members);
                }
                Mark::Done | Mark::Loop => {}
            }
        }
    }
    done
}

fn report_loop(context: &Context<'_>, members: &[usize]) {
    let name = |position: &usize| context.signals[*position].name.as_str();
    let mut way: Vec<String> = members.iter().map(|m| format!("`{}`", name(m))).collect();
    way.push(way[0].clone());
    let mut finding = Diagnostic::error(
        "signal-loop",
        format!("signals read each other in a loop: {}", way.join(" reads ")),
    )
    .subject(name(&members[0]))
    .help("break the loop: one of them must be computed from sensors alone");
    for member in members {
        finding = finding.at(context.name_span(name(member)), "");
    }
    context.sink.report(finding);
}

/// A `[[signal]]` whose names are words.
enum RawDerived<'a> {
    Delay { on: bool, time_s: f64, of: Field<'a>, condition: Option<Cond> },
    Condition { of: Field<'a>, condition: Option<Cond> },
    Lag { time_s: f64, of: Field<'a> },
    Rate { over_s: f64, of: Field<'a> },
    Difference(Vec<Field<'a>>),
    Vote { need: (u8, u8), of: Vec<Field<'a>> },
    Middle(Vec<Field<'a>>),
    Substitute { of: Field<'a>, with: Field<'a> },
    Total { of: Field<'a>, volume: bool },
    Schedule(Field<'a>),
}

const FORMS: &[&str] = &[
    "condition",
    "on_delay",
    "off_delay",
    "vote",
    "middle",
    "lag",
    "rate",
    "difference",
    "substitute",
    "total",
    "schedule",
];

impl<'a> RawDerived<'a> {
    fn read(entry: &Entry<'a>) -> Option<Self> {
        let table = &entry.table;
        table.get("range");
        let given: Vec<&'static str> = FORMS.iter().copied().filter(|form| table.has(form)).collect();
        let form = match given.as_slice() {
            [form] => *form,
            [] => {
                table.leave();
                table.sink.report(
                    table
                        .about(Diagnostic::error(
                            "missing-key",
                            format!("{} does not say how it is derived", table.label),
                        ))
                        .at(Some(table.span.clone()), "")
                        .help(format!("add one of: {}", FORMS.join(", "))),
                );
                return None;
            }
            [first, second, ..] => {
                table.leave();
                if let Some(field) = table.get(second) {
                    field.report(
                        "conflicting-keys",
                        format!("{} is derived in two ways: `{first}` and `{second}`", table.label),
                        "",
                        "make two signals of it, the second reading the first",
                    );
                }
                return None;
            }
        };
        // Asked for before anything can fail, else a mistake in one key would make the others unknown.
        let value = table.get(form)?;
        match form {
            "total" => drop(table.get("counts")),
            "condition" | "difference" | "middle" | "schedule" => {}
            _ => drop(table.get("of")),
        }
        let of = |example: &str| table.need("of", example);
        let time = |value: &Field<'a>| value.quantity(Kind::Time, Bound::Positive);
        Some(match form {
            "condition" => {
                let condition = condition_text(&value);
                RawDerived::Condition { of: value, condition }
            }
            "on_delay" | "off_delay" => {
                let of = of("\"float_low\"")?;
                let condition = condition_text(&of);
                RawDerived::Delay { on: form == "on_delay", time_s: time(&value)?, of, condition }
            }
            "lag" => RawDerived::Lag { time_s: time(&value)?, of: of("\"display_temp\"")? },
            "rate" => RawDerived::Rate { over_s: time(&value)?, of: of("\"display_temp\"")? },
            "difference" => RawDerived::Difference(value.list()?),
            "middle" => RawDerived::Middle(value.list()?),
            "vote" => RawDerived::Vote { need: vote(&value)?, of: of("[\"leak_1\", \"leak_2\"]")?.list()? },
            "substitute" => RawDerived::Substitute { of: of("\"display_temp\"")?, with: value },
            "total" => {
                let volume = table.get("counts").and_then(|f| f.word(&[("volume", true), ("time", false)]));
                RawDerived::Total { of: value, volume: volume.unwrap_or(true) }
            }
            _ => RawDerived::Schedule(value),
        })
    }

    /// All signals that it names.
    fn names(&self) -> Vec<String> {
        let mut names = vec![];
        let texts = |fields: &[Field<'a>]| -> Vec<String> {
            fields.iter().filter_map(|f| f.value.get_ref().as_str().map(str::to_owned)).collect()
        };
        match self {
            RawDerived::Delay { condition, .. } | RawDerived::Condition { condition, .. } => {
                if let Some(condition) = condition {
                    cond_names(condition, &mut names);
                }
            }
            RawDerived::Lag { of, .. } | RawDerived::Rate { of, .. } => {
                names = texts(std::slice::from_ref(of))
            }
            RawDerived::Difference(of) | RawDerived::Middle(of) | RawDerived::Vote { of, .. } => {
                names = texts(of)
            }
            RawDerived::Substitute { of, with } => names = texts(&[of.clone(), with.clone()]),
            RawDerived::Total { .. } | RawDerived::Schedule(_) => {}
        }
        names
    }

    fn resolve(
        &self,
        signals: &mut Signals<'_, 'a>,
        entry: &Entry<'a>,
        passages: &[Passage],
    ) -> Option<(Scale, (i32, i32), Derived)> {
        const BOOL: (i32, i32) = (0, 1);
        match self {
            RawDerived::Delay { on, time_s, of, condition } => {
                let condition = condition.as_ref().and_then(|c| signals.resolve(c, of))?;
                let derived = if *on {
                    Derived::OnDelay { condition, time_s: *time_s }
                } else {
                    Derived::OffDelay { condition, time_s: *time_s }
                };
                Some((Scale::Bool, BOOL, derived))
            }
            RawDerived::Condition { of, condition } => {
                let condition = condition.as_ref().and_then(|c| signals.resolve(c, of))?;
                Some((Scale::Bool, BOOL, Derived::Condition(condition)))
            }
            RawDerived::Lag { time_s, of } => {
                let of = signals.numeric(of)?;
                let signal = signals.get(of);
                Some((signal.scale, signal.range, Derived::Lag { of, time_s: *time_s }))
            }
            RawDerived::Rate { over_s, of } => {
                let index = signals.numeric(of)?;
                rate(signals.get(index), of, *over_s, index)
            }
            RawDerived::Difference(of) => {
                let [left, right] = of.as_slice() else {
                    if let Some(field) = entry.table.get("difference") {
                        field.report(
                            "wrong-type",
                            format!("`difference` of {} takes two signals", entry.table.label),
                            "",
                            "write difference = [\"minuend\", \"subtrahend\"]",
                        );
                    }
                    return None;
                };
                let (left, right) = (signals.numeric(left)?, signals.numeric(right)?);
                let (a, b) = (signals.get(left), signals.get(right));
                same_scale(&of[1], a, b)?;
                let range = (a.range.0.saturating_sub(b.range.1), a.range.1.saturating_sub(b.range.0));
                Some((difference_scale(a.scale), range, Derived::Difference { left, right }))
            }
            RawDerived::Middle(of) => {
                if of.len() < 2 {
                    if let Some(field) = entry.table.get("middle") {
                        field.report(
                            "wrong-type",
                            format!("`middle` of {} takes two signals or more", entry.table.label),
                            "",
                            "write middle = [\"first\", \"second\"]",
                        );
                    }
                    return None;
                }
                let all = signals.group(of, true)?;
                let first = signals.get(all[0]);
                Some((first.scale, first.range, Derived::Middle { of: all }))
            }
            RawDerived::Vote { need: (need, total), of } => {
                if of.len() != usize::from(*total) {
                    if let Some(field) = entry.table.get("vote") {
                        field.report(
                            "bad-vote",
                            format!(
                                "{} votes {need} out of {total}, but names {}",
                                entry.table.label,
                                of.len()
                            ),
                            "",
                            format!("write vote = \"{need}oo{}\", or name {total} signals in `of`", of.len()),
                        );
                    }
                    return None;
                }
                let all = signals.group(of, false)?;
                Some((Scale::Bool, BOOL, Derived::Vote { of: all, need: *need }))
            }
            RawDerived::Substitute { of, with } => {
                let (first, second) = (signals.refer(of)?, signals.refer(with)?);
                let (a, b) = (signals.get(first), signals.get(second));
                same_scale(with, a, b)?;
                let range = (a.range.0.min(b.range.0), a.range.1.max(b.range.1));
                Some((a.scale, range, Derived::Substitute { of: first, with: second }))
            }
            RawDerived::Total { of, volume } => total(signals, of, *volume, passages),
            RawDerived::Schedule(field) => {
                let all = windows(field)?;
                let [(from_min, to_min)] = all.as_slice() else {
                    field.report(
                        "bad-schedule",
                        format!("{} takes one window", entry.table.label),
                        "",
                        "make a signal of each window and join them: condition = \"morning or evening\"",
                    );
                    return None;
                };
                Some((Scale::Bool, BOOL, Derived::Schedule { from_min: *from_min, to_min: *to_min }))
            }
        }
    }
}

fn cond_names(condition: &Cond, names: &mut Vec<String>) {
    match condition {
        Cond::Constant(_) | Cond::Tripped(_) | Cond::Running(_) => {}
        Cond::Name(word) | Cond::Bad(word) => names.push(word.text.clone()),
        Cond::Not(inner) => cond_names(inner, names),
        Cond::All(parts) | Cond::Any(parts) => parts.iter().for_each(|part| cond_names(part, names)),
        Cond::Compare { left, right, .. } => {
            for side in [left, right] {
                match side {
                    Side::Quantity(_) => {}
                    Side::Name(word) => names.push(word.text.clone()),
                    Side::Difference(a, b) | Side::Apart(a, b) => {
                        names.push(a.text.clone());
                        names.push(b.text.clone());
                    }
                }
            }
        }
    }
}

fn rate(
    signal: &Signal,
    field: &Field<'_>,
    over_s: f64,
    of: SignalIdx,
) -> Option<(Scale, (i32, i32), Derived)> {
    const HOUR: f64 = 3600.0;
    let scale = match signal.scale {
        Scale::MilliCelsius => Scale::MilliKelvinPerHour,
        Scale::MilliPh => Scale::MilliPhPerHour,
        Scale::Micrometre => Scale::MicrometrePerHour,
        _ => {
            field.report(
                "different-scales",
                format!("no rate can be taken of `{}`, which is {}", signal.name, noun_of(signal.scale)),
                "",
                "rates exist for temperatures, pH and levels",
            );
            return None;
        }
    };
    let span = f64::from(signal.range.1) - f64::from(signal.range.0);
    let most = counts(span, HOUR / over_s.max(1.0));
    Some((scale, (-most, most), Derived::Rate { of, over_s }))
}

fn vote(field: &Field<'_>) -> Option<(u8, u8)> {
    const MOST: u8 = 8;
    let text = field.text()?;
    let read =
        text.split_once("oo").and_then(|(need, total)| Some((need.parse().ok()?, total.parse().ok()?)));
    match read {
        Some((need, total)) if need >= 1 && need <= total && total <= MOST => Some((need, total)),
        _ => {
            field.report(
                "bad-vote",
                format!("`{text}` is not a vote"),
                "",
                "write how many of how many decide: \"1oo2\", \"2oo2\" or \"2oo3\"",
            );
            None
        }
    }
}

fn total<'a>(
    signals: &Signals<'_, 'a>,
    of: &Field<'a>,
    volume: bool,
    passages: &[Passage],
) -> Option<(Scale, (i32, i32), Derived)> {
    const DAY_MS: i32 = 86_400_000;
    let position = signals.context.refer(of, Thing::Actuator)?;
    let actuator = ActuatorIdx(position);
    if !volume {
        return Some((Scale::Millisecond, (0, DAY_MS), Derived::Totaliser { actuator, flow: None }));
    }
    match line_flow(passages, actuator) {
        Some(flow) => {
            let most = counts(flow * 86_400.0, 1e6);
            Some((Scale::Millilitre, (0, most), Derived::Totaliser { actuator, flow: Some(flow) }))
        }
        None => {
            of.report(
                "no-known-flow",
                format!("how much `{}` pumps is not known", signals.context.actuators[position].name),
                "",
                "give it a passage of kind `line` with its `flow`, or count its run with counts = \"time\"",
            );
            None
        }
    }
}

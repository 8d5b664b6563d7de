//! The interned signals: sensors, states of actuators, `[[signal]]` in an order in which each stands behind all it reads.

use std::collections::HashMap;
use std::ops::Range;

use units::Kind;

use super::context::{Context, Entry, Thing};
use super::rules::windows;
use crate::diagnostic::Diagnostic;
use crate::expr::Condition;
use crate::language::condition::{Cond, Side};
use crate::model::{
    Actuator, ActuatorIdx, Derived, Passage, PassageKind, ProcedureIdx, Scale, Sensor, SensorIdx, SensorKind,
    Signal, SignalIdx, SignalSource, Vessel,
};
use crate::raw::{Bound, Field, Table};

/// All signals so far.
pub(super) struct Signals<'c, 'a> {
    pub context: &'c Context<'a>,
    pub list: Vec<Signal>,
    by_name: HashMap<String, SignalIdx>,
}

/// Kind of quantity of a scale and counts for one base unit of it. None for two-state signals.
pub(super) fn unit_of(scale: Scale) -> Option<(Kind, f64)> {
    const PER_HOUR: f64 = 3600.0;
    Some(match scale {
        Scale::Bool => return None,
        Scale::MilliCelsius => (Kind::Temperature, 1e3),
        Scale::MilliKelvin => (Kind::TemperatureDifference, 1e3),
        Scale::MilliPh => (Kind::Ph, 1e3),
        Scale::Micrometre => (Kind::Length, 1e6),
        Scale::Millilitre => (Kind::Volume, 1e6),
        Scale::MillilitrePerMinute => (Kind::Flow, 6e7),
        Scale::Millisecond => (Kind::Time, 1e3),
        Scale::MicrosiemensPerCm => (Kind::Conductivity, 1e3),
        Scale::Permille => (Kind::Ratio, 1e3),
        Scale::Count => (Kind::Ratio, 1.0),
        Scale::MilliKelvinPerHour => (Kind::TemperatureRate, 1e3 * PER_HOUR),
        Scale::MilliPhPerHour => (Kind::PerTime, 1e3 * PER_HOUR),
        Scale::MicrometrePerHour => (Kind::Speed, 1e6 * PER_HOUR),
    })
}

/// What a scale measures, for sentences.
pub(super) fn noun_of(scale: Scale) -> String {
    match scale {
        Scale::Bool => "a two-state signal".to_owned(),
        Scale::Count => "a count".to_owned(),
        Scale::MilliPhPerHour => "a rate of pH".to_owned(),
        Scale::MicrometrePerHour => "a rate of level".to_owned(),
        _ => unit_of(scale).map_or_else(String::new, |(kind, _)| kind.with_article()),
    }
}

/// Integer of a value in the base unit; saturates.
pub(super) fn counts(value: f64, per_unit: f64) -> i32 {
    (value * per_unit).round().clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32
}

impl<'c, 'a> Signals<'c, 'a> {
    pub(super) fn new(
        context: &'c Context<'a>,
        vessels: &[Vessel],
        passages: &[Passage],
        sensors: &mut [Sensor],
        actuators: &mut [Actuator],
    ) -> Self {
        let mut signals = Signals { context, list: vec![], by_name: HashMap::new() };
        for (position, sensor) in sensors.iter_mut().enumerate() {
            let (scale, range) = sensor_scale(sensor, vessels, passages);
            let range = declared_range(&context.sensors[position].table, scale).unwrap_or(range);
            sensor.signal =
                signals.add(&sensor.name, scale, range, SignalSource::Sensor(SensorIdx(position)));
        }
        for (position, actuator) in actuators.iter_mut().enumerate() {
            let source = SignalSource::Actuator(ActuatorIdx(position));
            actuator.signal = signals.add(&actuator.name, Scale::Bool, (0, 1), source);
        }
        signals
    }

    fn add(&mut self, name: &str, scale: Scale, range: (i32, i32), source: SignalSource) -> SignalIdx {
        let index = SignalIdx(self.list.len());
        self.list.push(Signal { name: name.to_owned(), scale, range, source });
        self.by_name.entry(name.to_owned()).or_insert(index);
        index
    }

    /// A signal that no section names, made at its first use.
    fn intern(&mut self, name: String, source: SignalSource) -> SignalIdx {
        match self.by_name.get(&name) {
            Some(index) => *index,
            None => self.add(&name, Scale::Bool, (0, 1), source),
        }
    }

    pub(super) fn first_scan(&mut self) -> SignalIdx {
        self.intern("first_scan".to_owned(), SignalSource::FirstScan)
    }

    pub(super) fn tripped(&mut self, actuator: usize, name: &str) -> SignalIdx {
        self.intern(format!("tripped({name})"), SignalSource::Tripped(ActuatorIdx(actuator)))
    }

    pub(super) fn running(&mut self, procedure: usize, name: &str) -> SignalIdx {
        self.intern(format!("running({name})"), SignalSource::Running(ProcedureIdx(procedure)))
    }

    /// The signal of that name, if it is one; reports otherwise, except when the reason was reported already.
    pub(super) fn named(
        &self,
        name: &str,
        span: Range<usize>,
        subject: Option<&String>,
    ) -> Option<SignalIdx> {
        if let Some(index) = self.by_name.get(name) {
            return Some(*index);
        }
        let known = self.context.names_of(&[Thing::Sensor, Thing::Actuator, Thing::Signal]);
        let finding = match self.context.find(name) {
            // A signal of a loop, or one that could not be read: reported where it is defined.
            Some((Thing::Sensor | Thing::Actuator | Thing::Signal, _)) => return None,
            Some((Thing::Procedure, _)) => {
                Diagnostic::error("wrong-kind-of-name", format!("`{name}` is a procedure, not a signal"))
                    .help(format!("write `running({name})`"))
            }
            Some((thing, _)) => Diagnostic::error(
                "wrong-kind-of-name",
                format!("`{name}` is {}, not a signal", thing.with_article()),
            )
            .help("name a sensor, an actuator or a `[[signal]]`"),
            None => Diagnostic::error("unknown-name", format!("no signal of this file is named `{name}`"))
                .help(crate::suggest::help(name, known, "signals")),
        };
        let finding = finding.at(Some(span), "");
        self.context.sink.report(match subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        });
        None
    }

    /// As [`Signals::named`], of a whole field.
    pub(super) fn refer(&self, field: &Field<'a>) -> Option<SignalIdx> {
        self.named(field.text()?, field.span(), field.subject.as_ref())
    }

    pub(super) fn get(&self, index: SignalIdx) -> &Signal {
        &self.list[index.idx()]
    }

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

/// Reads the text of a condition; reports where it is wrong.
pub(super) fn condition_text(field: &Field<'_>) -> Option<Cond> {
    let text = match field.value.get_ref() {
        toml::de::DeValue::Boolean(value) => return Some(Cond::Constant(*value)),
        _ => field.text()?,
    };
    match crate::language::condition::parse(text) {
        Ok(condition) => Some(condition),
        Err(error) => {
            let finding = Diagnostic::error(
                "bad-condition",
                format!("`{}` of {}: {}", field.key, field.label, error.message),
            )
            .at(Some(field.inner_span(error.span)), "")
            .help(error.help);
            field.sink.report(match &field.subject {
                Some(subject) => finding.subject(subject.clone()),
                None => finding,
            });
            None
        }
    }
}

impl<'a> Signals<'_, 'a> {
    /// The numeric signal that a field names.
    pub(super) fn numeric(&self, field: &Field<'a>) -> Option<SignalIdx> {
        let index = self.refer(field)?;
        if self.get(index).scale == Scale::Bool {
            field.report(
                "different-scales",
                format!(
                    "`{}` is a two-state signal, but `{}` of {} takes a number",
                    self.get(index).name,
                    field.key,
                    field.label
                ),
                "",
                "name a signal that measures something",
            );
            return None;
        }
        Some(index)
    }

    /// Signals of one scale: all numeric, or all two-state.
    fn group(&self, fields: &[Field<'a>], numeric: bool) -> Option<Vec<SignalIdx>> {
        let all: Vec<Option<SignalIdx>> =
            fields.iter().map(|f| if numeric { self.numeric(f) } else { self.refer(f) }).collect();
        let all: Vec<SignalIdx> = all.into_iter().collect::<Option<_>>()?;
        let Some(first) = all.first() else {
            if let Some(field) = fields.first() {
                field.report("wrong-type", "the list is empty", "", "name the signals");
            }
            return None;
        };
        for (field, index) in fields.iter().zip(&all) {
            if !numeric && self.get(*index).scale != Scale::Bool {
                field.report(
                    "different-scales",
                    format!(
                        "`{}` is {}; a vote takes two-state signals",
                        self.get(*index).name,
                        noun_of(self.get(*index).scale)
                    ),
                    "",
                    "make a `[[signal]]` with a condition of it, or use `middle` for numbers",
                );
                return None;
            }
            same_scale(field, self.get(*first), self.get(*index))?;
        }
        Some(all)
    }

    pub(super) fn condition(&mut self, field: &Field<'a>) -> Option<Condition> {
        let condition = condition_text(field)?;
        self.resolve(&condition, field)
    }
}

fn same_scale(field: &Field<'_>, a: &Signal, b: &Signal) -> Option<()> {
    if a.scale == b.scale {
        return Some(());
    }
    field.report(
        "different-scales",
        format!("`{}` is {}, `{}` is {}", a.name, noun_of(a.scale), b.name, noun_of(b.scale)),
        "",
        "only signals of one kind go together",
    );
    None
}

/// Scale of the difference of two signals.
pub(super) fn difference_scale(scale: Scale) -> Scale {
    if scale == Scale::MilliCelsius { Scale::MilliKelvin } else { scale }
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

/// Calibrated flow of the line that a pump drives, m³/s.
pub(super) fn line_flow(passages: &[Passage], actuator: ActuatorIdx) -> Option<f64> {
    passages.iter().find_map(|passage| match passage.kind {
        PassageKind::Line { pump, flow, .. } if pump == actuator => Some(flow),
        _ => None,
    })
}

/// Scale of a sensor's signal, and the range in which its quality can be good.
fn sensor_scale(sensor: &Sensor, vessels: &[Vessel], passages: &[Passage]) -> (Scale, (i32, i32)) {
    // Water and the air around it; 85.0 °C, the power-on value of a DS18B20, lies outside (handbook section 8).
    const WATER: (i32, i32) = (0, 60_000);
    const AIR: (i32, i32) = (-20_000, 60_000);
    const PH: (i32, i32) = (0, 14_000);
    const CONDUCTIVITY: (i32, i32) = (0, 100_000);
    /// 2 m of water, the most that a home's level probe sees when its vessel is not named.
    const DEEPEST: i32 = 2_000_000;
    /// 200 L/min, more than any home pump.
    const FASTEST: i32 = 200_000;
    match &sensor.kind {
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => {
            (Scale::MilliCelsius, WATER)
        }
        SensorKind::RoomTemperature => (Scale::MilliCelsius, AIR),
        SensorKind::Ph { .. } => (Scale::MilliPh, PH),
        SensorKind::Conductivity => (Scale::MicrosiemensPerCm, CONDUCTIVITY),
        SensorKind::Level { .. } => {
            let height = sensor.vessel.and_then(|v| vessels.get(v.idx())).map(|v| counts(v.inside[2], 1e6));
            (Scale::Micrometre, (0, height.filter(|h| *h > 0).unwrap_or(DEEPEST)))
        }
        SensorKind::Flow { passage, .. } => {
            let most = passages.get(passage.idx()).and_then(|p| match p.kind {
                // A pump gives more than its curve says when its outlet hangs low: half as much again is plenty.
                PassageKind::Pumped { flow0, .. } => Some(counts(flow0 * 1.5, 6e7)),
                _ => None,
            });
            (Scale::MillilitrePerMinute, (0, most.filter(|m| *m > 0).unwrap_or(FASTEST)))
        }
        SensorKind::Charge { .. } => (Scale::Permille, (0, 1000)),
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button => {
            (Scale::Bool, (0, 1))
        }
    }
}

/// `range = ["0 degC", "40 degC"]`.
fn declared_range(table: &Table<'_>, scale: Scale) -> Option<(i32, i32)> {
    let field = table.get("range")?;
    let Some((kind, per_unit)) = unit_of(scale) else {
        field.report(
            "conflicting-keys",
            format!("{} has two states, so it has no range", table.label),
            "",
            "take out `range`",
        );
        return None;
    };
    let items = field.list()?;
    let values: Vec<f64> = items.iter().filter_map(|item| item.quantity(kind, Bound::Any)).collect();
    match values.as_slice() {
        [low, high] if low < high => Some((counts(*low, per_unit), counts(*high, per_unit))),
        // An item that could not be read has its own finding.
        _ if items.len() == 2 && values.len() < 2 => None,
        _ => {
            field.report(
                "out-of-range",
                format!("`range` of {} must be a lower and a higher value", table.label),
                "",
                "write range = [\"lowest\", \"highest\"]",
            );
            None
        }
    }
}

//! `[[rule]]`: what drives each actuator, and when.

use units::Kind;

use super::conditions::in_scale;
use super::context::{Context, Entry, Thing};
use super::signals::{Signals, line_flow};
use super::trips;
use crate::diagnostic::Diagnostic;
use crate::expr::{Comparison, Condition, Term};
use crate::language::Word;
use crate::model::{Actuator, ActuatorIdx, ActuatorKind, Passage, Rule, RuleForm, Scale};
use crate::raw::{Bound, Field, Table};

const DAY: f64 = 86_400.0;
const MINUTES_A_DAY: u16 = 1440;

pub(super) fn rules<'a>(
    context: &Context<'a>,
    signals: &mut Signals<'_, 'a>,
    actuators: &[Actuator],
    passages: &[Passage],
) -> Vec<Rule> {
    let mut rules: Vec<Rule> = vec![];
    let mut firsts: Vec<(usize, std::ops::Range<usize>)> = vec![];
    for entry in &context.rules {
        let table = &entry.table;
        let drives = context.need_refer(table, "drives", Thing::Actuator);
        let span = table.get("drives").map_or(table.span.clone(), |field| field.span());
        if let Some((_, first)) = firsts.iter().find(|(actuator, _)| *actuator == drives)
            && drives < actuators.len()
        {
            context.sink.report(
                table
                    .about(Diagnostic::error("two-rules", format!("two rules drive `{}`", entry.name)))
                    .at(Some(span.clone()), "second rule")
                    .at(Some(first.clone()), "first rule")
                    .help("keep one rule for each actuator; join their conditions with `and` or `or`"),
            );
        }
        firsts.push((drives, span.clone()));
        if actuators.get(drives).is_some_and(|actuator| actuator.always) {
            context.sink.report(
                table
                    .about(Diagnostic::error(
                        "rule-for-unswitched",
                        format!("`{}` always runs, so no rule can drive it", entry.name),
                    ))
                    .at(Some(span), "")
                    .help("take out the rule, or `always = true` of the actuator"),
            );
        }
        rules.extend(rule(signals, entry, ActuatorIdx(drives), actuators, passages));
    }
    rules
}

fn rule<'a>(
    signals: &mut Signals<'_, 'a>,
    entry: &Entry<'a>,
    drives: ActuatorIdx,
    actuators: &[Actuator],
    passages: &[Passage],
) -> Option<Rule> {
    let table = &entry.table;
    let actuator = actuators.get(drives.idx());
    let form = form(signals, table, drives, actuator, passages);
    let permissive = table.get("permissive").and_then(|field| signals.condition(&field));
    let trip = trips::trip(signals, table);
    let stall = trips::stall(signals, table, form.as_ref());
    let time = |key| table.quantity(key, Kind::Time, Bound::NotNegative);
    let switch_state = |key| table.get(key).and_then(|field| field.on_off());
    if !table.has("when_blind") {
        table.sink.report(
            table
                .about(Diagnostic::error(
                    "rule-without-safe-state",
                    format!("{} does not say what to do when a probe is silent", table.label),
                ))
                .at(Some(table.span.clone()), "`when_blind` must stand here")
                .help("add when_blind = \"off\", or \"on\" where standing still is the danger"),
        );
    }
    let daily_volume = table.get("daily_volume");
    let daily_volume_m3 = daily_volume.as_ref().and_then(|f| f.quantity(Kind::Volume, Bound::Positive));
    if let Some(field) = &daily_volume
        && line_flow(passages, drives).is_none()
    {
        field.report(
            "no-known-flow",
            format!("how much `{}` pumps is not known, so a volume cannot be counted", entry.name),
            "",
            "give it a passage of kind `line` with its `flow`, or limit its run with `daily_run`",
        );
    }
    let daily_run_s = table.quantity("daily_run", Kind::Time, Bound::Within(0.0, DAY));
    let limit = table.get("limit");
    let limit_latches =
        limit.as_ref().and_then(|f| f.word(&[("latches", true), ("next_day", false)])).unwrap_or(false);
    if let Some(field) = limit
        && daily_run_s.is_none()
        && daily_volume.is_none()
    {
        field.report(
            "conflicting-keys",
            format!("{} has no daily limit that could latch", table.label),
            "",
            "add `daily_run` or `daily_volume`, or take out `limit`",
        );
    }
    let shortest_run_s = time("shortest_run").unwrap_or(0.0);
    let shortest_rest_s = time("shortest_rest").unwrap_or(0.0);
    let start_delay_s = time("start_delay").unwrap_or(0.0);
    let longest_run_s = table.quantity("longest_run", Kind::Time, Bound::Positive);
    let when_blind = switch_state("when_blind").unwrap_or(false);
    let at_power_up = switch_state("at_power_up").unwrap_or(false);
    let when_tripped = switch_state("when_tripped").unwrap_or(false);
    Some(Rule {
        drives,
        form: form?,
        permissive,
        trip,
        stall,
        shortest_run_s,
        shortest_rest_s,
        longest_run_s,
        daily_run_s,
        daily_volume_m3,
        limit_latches,
        start_delay_s,
        when_blind,
        at_power_up,
        when_tripped,
    })
}

const FORMS: &[&str] = &["start", "when", "always", "modulate", "schedule", "dose"];

fn form<'a>(
    signals: &mut Signals<'_, 'a>,
    table: &Table<'a>,
    drives: ActuatorIdx,
    actuator: Option<&Actuator>,
    passages: &[Passage],
) -> Option<RuleForm> {
    let mut given: Vec<&'static str> = FORMS.iter().copied().filter(|form| table.has(form)).collect();
    if given.is_empty() && table.has("stop") {
        given.push("start");
    }
    let form = match given.as_slice() {
        [form] => *form,
        [] => {
            table.sink.report(
                table
                    .about(Diagnostic::error(
                        "missing-key",
                        format!("{} does not say when the actuator runs", table.label),
                    ))
                    .at(Some(table.span.clone()), "")
                    .help(
                        "add `start` and `stop`, or one of `when`, `always`, `schedule`, `modulate`, `dose`",
                    ),
            );
            return None;
        }
        [first, second, ..] => {
            given.iter().for_each(|key| {
                table.get(key);
            });
            table.get("stop");
            table.get("ramp");
            if let Some(field) = table.get(second) {
                field.report(
                    "conflicting-keys",
                    format!("{} decides in two ways: `{first}` and `{second}`", table.label),
                    "",
                    "keep one; what must also hold goes into `permissive`",
                );
            }
            return None;
        }
    };
    match form {
        "start" => switch(signals, table),
        "when" => Some(RuleForm::When(signals.condition(&table.get("when")?)?)),
        "always" => {
            let field = table.get("always")?;
            if !field.boolean()? {
                field.report(
                    "conflicting-keys",
                    format!("{} would never run its actuator", table.label),
                    "",
                    "write always = true, or another form of rule",
                );
                return None;
            }
            Some(RuleForm::Always)
        }
        "modulate" => modulate(signals, &table.get("modulate")?.table()?, actuator),
        "schedule" => {
            let ramp_s = table.quantity("ramp", Kind::Time, Bound::Within(0.0, DAY / 2.0)).unwrap_or(0.0);
            Some(RuleForm::Schedule { windows: windows(&table.get("schedule")?)?, ramp_s })
        }
        _ => dose(signals, &table.get("dose")?, drives, passages),
    }
}

fn switch<'a>(signals: &mut Signals<'_, 'a>, table: &Table<'a>) -> Option<RuleForm> {
    let start_field = table.need("start", "\"display_temp < 25.2 degC\"");
    let stop_field = table.need("stop", "\"display_temp > 25.6 degC\"");
    let start = start_field.as_ref().and_then(|field| signals.condition(field));
    let stop = stop_field.as_ref().and_then(|field| signals.condition(field));
    let (start, stop) = (start?, stop?);
    if let Some(problem) = deadband(&start, &stop) {
        let field = stop_field?;
        field.sink.report(
            table
                .about(Diagnostic::error("thresholds-reversed", format!("{}: {problem}", table.label)))
                .at(Some(field.span()), "stops here")
                .at(start_field.map(|f| f.span()), "starts here")
                .help(
                    "start and stop lie apart, with a deadband between: start = \"t < 25.2 degC\", \
                     stop = \"t > 25.6 degC\"",
                ),
        );
    }
    Some(RuleForm::Switch { start, stop })
}

/// What is wrong with two thresholds on one signal.
fn deadband(start: &Condition, stop: &Condition) -> Option<&'static str> {
    let (from, from_below, start_at) = threshold(start)?;
    let (to, to_below, stop_at) = threshold(stop)?;
    if from != to {
        return None;
    }
    if from_below == to_below {
        return Some("it starts and stops on the same side");
    }
    let deadband = if from_below {
        i64::from(stop_at) - i64::from(start_at)
    } else {
        i64::from(start_at) - i64::from(stop_at)
    };
    match deadband {
        i64::MIN..0 => Some("it stops before it starts, so both hold at once"),
        0 => Some("there is no deadband, so it would switch at every wave"),
        _ => None,
    }
}

/// Signal, whether the condition holds below, and where.
pub(super) fn threshold(condition: &Condition) -> Option<(Term, bool, i32)> {
    let Condition::Compare { left, op, right } = condition else { return None };
    let less = matches!(op, Comparison::Less | Comparison::LessEqual);
    match (left, right) {
        (term, Term::Constant(at)) => Some((term.clone(), less, *at)),
        (Term::Constant(at), term) => Some((term.clone(), !less, *at)),
        _ => None,
    }
}

fn modulate<'a>(
    signals: &Signals<'_, 'a>,
    table: &Table<'a>,
    actuator: Option<&Actuator>,
) -> Option<RuleForm> {
    let measure = table.need("measure", "\"display_temp\"").and_then(|field| signals.numeric(&field));
    let setpoint_field = table.need("setpoint", "\"25.5 degC\"");
    let band_field = table.need("band", "\"1 K\"");
    let integral_s = table.quantity("integral", Kind::Time, Bound::Positive);
    let limits = table.get("limits").and_then(|field| {
        let items = field.list()?;
        let duties: Vec<f64> =
            items.iter().filter_map(|f| f.quantity(Kind::Ratio, Bound::Within(0.0, 1.0))).collect();
        match duties.as_slice() {
            [low, high] if low < high => Some((*low, *high)),
            _ => {
                field.report(
                    "out-of-range",
                    format!("`limits` of {} must be a lower and a higher duty", table.label),
                    "",
                    "write limits = [\"0 %\", \"100 %\"]",
                );
                None
            }
        }
    });
    let cools = table.boolean("cools");
    table.finish();
    if let Some(actuator) = actuator
        && !actuator.modulated
        && let Some(field) = &setpoint_field
    {
        field.report(
            "not-modulated",
            format!("`{}` can only be on or off, so its duty cannot be modulated", actuator.name),
            "",
            "give the actuator `modulated = true` if its output can, or use `start` and `stop`",
        );
    }
    let measure = measure?;
    let scale = signals.get(measure).scale;
    let setpoint = whole_text(&setpoint_field?, scale)?;
    let band_scale = if scale == Scale::MilliCelsius { Scale::MilliKelvin } else { scale };
    let band_field = band_field?;
    let band = whole_text(&band_field, band_scale)?;
    if band <= 0 {
        band_field.report(
            "not-positive",
            format!("`band` of {} must be more than zero", table.label),
            "",
            "the band is the deviation that drives the duty from 0 to 100 %",
        );
        return None;
    }
    /// Full duty in permille, over the band in counts, for 1000 counts.
    const FULL: i64 = 1_000_000;
    Some(RuleForm::Modulate {
        measure,
        setpoint,
        gain_permille_per_k: i32::try_from(FULL / i64::from(band)).unwrap_or(i32::MAX).max(1),
        integral_s,
        limits: limits.unwrap_or((0.0, 1.0)),
        cools: cools.unwrap_or(actuator.is_some_and(|a| a.kind == ActuatorKind::Fan)),
    })
}

fn whole_text(field: &Field<'_>, scale: Scale) -> Option<i32> {
    let text = match field.value.get_ref() {
        toml::de::DeValue::Integer(number) => number.as_str().to_owned(),
        toml::de::DeValue::Float(number) => number.as_str().to_owned(),
        _ => field.text()?.to_owned(),
    };
    let span = 0..text.len();
    in_scale(&Word { text, span }, scale, field).map(|(_, counts)| counts)
}

fn dose<'a>(
    signals: &mut Signals<'_, 'a>,
    field: &Field<'a>,
    drives: ActuatorIdx,
    passages: &[Passage],
) -> Option<RuleForm> {
    let table = field.table()?;
    let per_day_m3 = table.need_quantity("per_day", Kind::Volume, Bound::Positive, "\"60 mL\"");
    let portions = table.get("portions").and_then(|f| f.whole(1, 1440)).unwrap_or(1);
    let flow = table.quantity("flow", Kind::Flow, Bound::Positive).or_else(|| line_flow(passages, drives));
    let only = table.get("only").map(|f| signals.condition(&f));
    table.finish();
    let Some(flow) = flow else {
        field.report(
            "no-known-flow",
            format!("how much the pump of {} gives is not known", field.label),
            "",
            "give it a passage of kind `line` with its `flow`, or write `flow` into the dose",
        );
        return None;
    };
    if per_day_m3 > flow * DAY {
        field.report(
            "dose-beyond-pump",
            format!("the pump of {} cannot give so much in a day", field.label),
            "",
            format!("it gives at most {:.0} mL a day", flow * DAY * 1e6),
        );
    }
    let only = match only {
        Some(None) => return None,
        Some(condition) => condition,
        None => None,
    };
    Some(RuleForm::Dose { per_day_m3, portions: portions as u16, flow, only })
}

/// `"10:00-19:30"` or a list of such; minutes of the day.
pub(super) fn windows(field: &Field<'_>) -> Option<Vec<(u16, u16)>> {
    let mut all = vec![];
    for item in field.one_or_list() {
        let text = item.text()?;
        let read =
            text.split_once('-').and_then(|(from, to)| Some((clock(from)? % MINUTES_A_DAY, clock(to)?)));
        match read {
            Some((from, to)) if from != to => all.push((from, to)),
            Some(_) => {
                item.report(
                    "bad-schedule",
                    format!("the window `{text}` of {} has no length", item.label),
                    "",
                    "write the whole day as \"00:00-24:00\"",
                );
                return None;
            }
            None => {
                item.report(
                    "bad-schedule",
                    format!("`{text}` of {} is not a window of the day", item.label),
                    "",
                    "write two times on the 24-hour clock: \"10:00-19:30\"; a window may run over midnight",
                );
                return None;
            }
        }
    }
    if all.is_empty() {
        field.report(
            "bad-schedule",
            format!("the schedule of {} is empty", field.label),
            "",
            "write \"10:00-19:30\"",
        );
        return None;
    }
    Some(all)
}

fn clock(text: &str) -> Option<u16> {
    let (hours, minutes) = text.trim().split_once(':')?;
    let digits = |s: &str| {
        (!s.is_empty() && s.len() <= 2 && s.bytes().all(|b| b.is_ascii_digit()))
            .then(|| s.parse::<u16>().ok())
    };
    let (hours, minutes) = (digits(hours)??, digits(minutes)??);
    let total = hours * 60 + minutes;
    (minutes < 60 && total <= MINUTES_A_DAY).then_some(total)
}

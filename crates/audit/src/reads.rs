//! What conditions read: signals, the sensors behind them, thresholds, and what they say when only part is known.

pub use system::reading::{
    deciding, deciding_sensors, each_signal, guarding_sensors, rule_of, sensors_of, sensors_of_condition,
};

use system::System;
use system::expr::{Comparison, Condition, Term};
use system::model::{ActuatorIdx, ActuatorKind, Derived, RuleForm, SensorKind, SignalIdx, SignalSource};

/// A threshold: a signal compared with a constant in the signal's integer scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// What is compared.
    pub signal: SignalIdx,
    /// How.
    pub op: Comparison,
    /// With what.
    pub value: i32,
}

/// Actuators whose state a condition reads, through derived signals too.
pub fn actuators_of_condition(system: &System, condition: &Condition) -> Vec<ActuatorIdx> {
    fn add(system: &System, signal: SignalIdx, found: &mut Vec<ActuatorIdx>) {
        match system.signals.get(signal.idx()).map(|s| &s.source) {
            Some(SignalSource::Actuator(a)) => found.push(*a),
            Some(SignalSource::Derived(
                Derived::OnDelay { condition, .. }
                | Derived::OffDelay { condition, .. }
                | Derived::Condition(condition),
            )) => each_signal(condition, &mut |signal| add(system, signal, found)),
            _ => {}
        }
    }
    let mut found = vec![];
    each_signal(condition, &mut |signal| add(system, signal, &mut found));
    found
}

/// All comparisons of a signal with a constant in a condition, derived conditions included.
pub fn thresholds(system: &System, condition: &Condition) -> Vec<Threshold> {
    let mut found = vec![];
    add_thresholds(system, condition, &mut found);
    found
}

fn add_thresholds(system: &System, condition: &Condition, found: &mut Vec<Threshold>) {
    match condition {
        Condition::Compare { left: Term::Signal(signal), op, right: Term::Constant(value) } => {
            found.push(Threshold { signal: *signal, op: *op, value: *value });
        }
        Condition::Compare { left: Term::Constant(value), op, right: Term::Signal(signal) } => {
            let op = match op {
                Comparison::Less => Comparison::Greater,
                Comparison::LessEqual => Comparison::GreaterEqual,
                Comparison::Greater => Comparison::Less,
                Comparison::GreaterEqual => Comparison::LessEqual,
            };
            found.push(Threshold { signal: *signal, op, value: *value });
        }
        Condition::Not(inner) => add_thresholds(system, inner, found),
        Condition::All(parts) | Condition::Any(parts) => {
            parts.iter().for_each(|part| add_thresholds(system, part, found));
        }
        Condition::Signal(signal) => {
            if let Some(SignalSource::Derived(
                Derived::OnDelay { condition, .. }
                | Derived::OffDelay { condition, .. }
                | Derived::Condition(condition),
            )) = system.signals.get(signal.idx()).map(|signal| &signal.source)
            {
                add_thresholds(system, condition, found);
            }
        }
        _ => {}
    }
}

/// What a condition says when `known` answers for some signals; None: cannot be told.
///
/// `known` gets a signal and, for comparisons, the operator and the constant.
pub fn evaluate(
    system: &System,
    condition: &Condition,
    known: &impl Fn(SignalIdx, Option<(Comparison, i32)>) -> Option<bool>,
) -> Option<bool> {
    match condition {
        Condition::Constant(value) => Some(*value),
        Condition::Signal(signal) => {
            if let Some(answer) = known(*signal, None) {
                return Some(answer);
            }
            match system.signals.get(signal.idx()).map(|signal| &signal.source) {
                Some(SignalSource::Derived(
                    Derived::OnDelay { condition, .. }
                    | Derived::OffDelay { condition, .. }
                    | Derived::Condition(condition),
                )) => evaluate(system, condition, known),
                Some(SignalSource::Derived(Derived::Vote { of, need })) => {
                    let answers: Vec<Option<bool>> =
                        of.iter().map(|s| evaluate(system, &Condition::Signal(*s), known)).collect();
                    let yes = answers.iter().filter(|a| **a == Some(true)).count();
                    let open = answers.iter().filter(|a| a.is_none()).count();
                    if yes >= usize::from(*need) {
                        Some(true)
                    } else if yes + open < usize::from(*need) {
                        Some(false)
                    } else {
                        None
                    }
                }
                _ => None,
            }
        }
        Condition::Not(inner) => evaluate(system, inner, known).map(|answer| !answer),
        Condition::All(parts) => {
            let answers: Vec<_> = parts.iter().map(|part| evaluate(system, part, known)).collect();
            if answers.contains(&Some(false)) {
                Some(false)
            } else if answers.contains(&None) {
                None
            } else {
                Some(true)
            }
        }
        Condition::Any(parts) => {
            let answers: Vec<_> = parts.iter().map(|part| evaluate(system, part, known)).collect();
            if answers.contains(&Some(true)) {
                Some(true)
            } else if answers.contains(&None) {
                None
            } else {
                Some(false)
            }
        }
        Condition::Compare { left: Term::Signal(signal), op, right: Term::Constant(value) } => {
            known(*signal, Some((*op, *value)))
        }
        Condition::Compare { .. } => None,
        // Quality is good unless the caller says the signal itself is lost.
        Condition::Bad(_) => None,
    }
}

/// Whether a sensor measures the temperature of water.
pub fn is_temperature(kind: &SensorKind) -> bool {
    matches!(kind, SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. })
}

/// Average share of the day in which an actuator runs while nothing is wrong: schedules by their windows, `always` and
/// plugged-in parts in full, pumps that no rule of time limits in full; thermostats, fans and dosing by need: none here.
pub fn usual_share(system: &System, actuator: ActuatorIdx) -> f64 {
    let part = &system.actuators[actuator.idx()];
    if part.always {
        return 1.0;
    }
    match rule_of(system, actuator).map(|rule| &rule.form) {
        Some(RuleForm::Always) => 1.0,
        Some(RuleForm::Schedule { windows, .. }) => {
            let minutes: u32 = windows
                .iter()
                .map(|(from, to)| {
                    let (from, to) = (u32::from(*from), u32::from(*to));
                    if to > from { to - from } else { to + 1440 - from }
                })
                .sum();
            f64::from(minutes.min(1440)) / 1440.0
        }
        Some(
            RuleForm::When(_) | RuleForm::Switch { .. } | RuleForm::Modulate { .. } | RuleForm::Dose { .. },
        ) => match part.kind {
            ActuatorKind::Pump
            | ActuatorKind::Circulation
            | ActuatorKind::AirPump
            | ActuatorKind::Skimmer
                if !feeds_line(system, actuator) =>
            {
                1.0
            }
            _ => 0.0,
        },
        None => f64::from(u8::from(part.on_when_dead)),
    }
}

/// Whether the actuator is the pump of a thin line.
fn feeds_line(system: &System, actuator: ActuatorIdx) -> bool {
    system
        .passages
        .iter()
        .any(|p| matches!(p.kind, system::model::PassageKind::Line { pump, .. } if pump == actuator))
}

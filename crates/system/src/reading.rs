//! What conditions and rules read: signals, the sensors behind them, and which of them decide or only hold back.

use crate::expr::{Condition, Term};
use crate::model::{
    ActuatorIdx, Derived, Rule, RuleForm, SensorIdx, SignalIdx, SignalSource, System, TripReset,
};

/// Calls `see` for each signal that a condition names.
pub fn each_signal(condition: &Condition, see: &mut impl FnMut(SignalIdx)) {
    match condition {
        Condition::Constant(_) => {}
        Condition::Signal(signal) | Condition::Bad(signal) => see(*signal),
        Condition::Not(inner) => each_signal(inner, see),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| each_signal(part, see)),
        Condition::Compare { left, right, .. } => {
            for term in [left, right] {
                match term {
                    Term::Constant(_) => {}
                    Term::Signal(signal) => see(*signal),
                    Term::Difference(a, b) | Term::Apart(a, b) => {
                        see(*a);
                        see(*b);
                    }
                }
            }
        }
    }
}

/// Sensors on which a condition depends, directly or through derived signals, each once.
pub fn sensors_of_condition(system: &System, condition: &Condition) -> Vec<SensorIdx> {
    let mut found = vec![];
    each_signal(condition, &mut |signal| add_sensors(system, signal, &mut found));
    found
}

/// Sensors on which a signal depends, each once.
pub fn sensors_of(system: &System, signal: SignalIdx) -> Vec<SensorIdx> {
    let mut found = vec![];
    add_sensors(system, signal, &mut found);
    found
}

fn add_sensors(system: &System, signal: SignalIdx, found: &mut Vec<SensorIdx>) {
    let Some(signal) = system.signals.get(signal.idx()) else { return };
    match &signal.source {
        SignalSource::Sensor(sensor) if !found.contains(sensor) => found.push(*sensor),
        SignalSource::Derived(derived) => match derived {
            Derived::Lag { of, .. } | Derived::Rate { of, .. } => add_sensors(system, *of, found),
            Derived::Difference { left, right } => {
                add_sensors(system, *left, found);
                add_sensors(system, *right, found);
            }
            Derived::Vote { of, .. } | Derived::Middle { of } => {
                of.iter().for_each(|signal| add_sensors(system, *signal, found));
            }
            Derived::OnDelay { condition, .. }
            | Derived::OffDelay { condition, .. }
            | Derived::Condition(condition) => {
                each_signal(condition, &mut |signal| add_sensors(system, signal, found));
            }
            Derived::Substitute { of, with } => {
                add_sensors(system, *of, found);
                add_sensors(system, *with, found);
            }
            Derived::Totaliser { .. } | Derived::Schedule { .. } => {}
        },
        _ => {}
    }
}

/// Conditions that can start or keep an actuator on: start, stop, when, only.
pub fn deciding(rule: &Rule) -> Vec<&Condition> {
    match &rule.form {
        RuleForm::Switch { start, stop } => vec![start, stop],
        RuleForm::When(when) => vec![when],
        RuleForm::Dose { only: Some(only), .. } => vec![only],
        _ => vec![],
    }
}

/// Conditions that only hold an actuator back: permissive, trip and its reset.
pub fn guarding(rule: &Rule) -> Vec<&Condition> {
    let mut all: Vec<&Condition> = rule.permissive.iter().collect();
    if let Some(trip) = &rule.trip {
        all.push(&trip.when);
        if let TripReset::Auto { when, .. } = &trip.reset {
            all.push(when);
        }
    }
    all
}

/// Sensors that decide when an actuator runs (the float that calls, the probe of a thermostat).
pub fn deciding_sensors(system: &System, rule: &Rule) -> Vec<SensorIdx> {
    let mut found = vec![];
    if let RuleForm::Modulate { measure, .. } = rule.form {
        add_sensors(system, measure, &mut found);
    }
    for condition in deciding(rule) {
        for sensor in sensors_of_condition(system, condition) {
            if !found.contains(&sensor) {
                found.push(sensor);
            }
        }
    }
    found
}

/// Sensors that only hold an actuator back by the rule.
pub fn guarding_sensors(system: &System, rule: &Rule) -> Vec<SensorIdx> {
    let mut found = vec![];
    for condition in guarding(rule) {
        for sensor in sensors_of_condition(system, condition) {
            if !found.contains(&sensor) {
                found.push(sensor);
            }
        }
    }
    found
}

/// The rule of an actuator.
pub fn rule_of(system: &System, actuator: ActuatorIdx) -> Option<&Rule> {
    system.rules.iter().find(|rule| rule.drives == actuator)
}

//! Why the rules have an output as they have it: the highest of the ranks of docs/rules.md that decides now, with the values that made it.

use control::{Compiled, Slot, TripCause};
use program::machine::Machine;
use program::quality::Quality;
use serde::{Deserialize, Serialize};
use system::System;
use system::expr::Condition;
use system::model::{ActuatorIdx, Rule, RuleForm, SignalIdx, SignalSource};

use crate::conditions::{Conditions, Known, Values, quantity};

/// What decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rank {
    /// A latched trip.
    Trip,
    /// The permissive does not hold.
    Permissive,
    /// A daily limit is used up.
    DailyLimit,
    /// The start delay after a power-up.
    StartDelay,
    /// The shortest run or rest.
    ShortestTime,
    /// An input of the rule has no value.
    Blind,
    /// The rule.
    Rule,
    /// There is no rule: it is off.
    NoRule,
}

/// Why an output is as it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Because {
    /// What decided.
    pub rank: Rank,
    /// A clause to follow "because".
    pub text: String,
}

/// The rules after a scan.
pub(crate) struct Decided<'a> {
    pub system: &'a System,
    pub compiled: &'a Compiled,
    pub machine: &'a Machine<1>,
    /// By actuator: the duty of the scan before, permille; what the rules saw of it.
    pub before: &'a [i32],
    /// Time since the start of the shadow, ms.
    pub uptime_ms: i64,
}

impl Values for Decided<'_> {
    fn known(&self, signal: SignalIdx) -> Option<Known> {
        if let SignalSource::Actuator(actuator) = self.system.signals[signal.idx()].source {
            let it = &self.system.actuators[actuator.idx()];
            let duty = if it.always { 1_000 } else { self.before[actuator.idx()] };
            let value = if it.modulated { duty } else { duty / 1_000 };
            return Some(Known { value, is_bad: false });
        }
        Some(match self.compiled.signals.get(signal.idx()).copied().flatten()? {
            Slot::Number(slot) => {
                let sample = self.machine.number(slot, 0);
                Known { value: sample.value, is_bad: sample.quality == Quality::Bad }
            }
            Slot::Bit(slot) => {
                let (value, quality) = self.machine.bit(slot, 0);
                Known { value: value.into(), is_bad: quality == Quality::Bad }
            }
        })
    }
}

impl Decided<'_> {
    fn conditions(&self) -> Conditions<'_, Self> {
        Conditions { system: self.system, values: self }
    }

    pub fn rule(&self, actuator: ActuatorIdx) -> Option<&Rule> {
        self.system.rules.iter().find(|rule| rule.drives == actuator)
    }

    /// Whether the rule of an actuator has come to a decision of its own: one with two thresholds has not while it lies between them.
    pub fn has_decided(&self, actuator: ActuatorIdx) -> bool {
        match self.rule(actuator).map(|rule| &rule.form) {
            Some(RuleForm::Switch { start, stop }) => {
                let now = self.conditions();
                now.holds(start) == Some(true) || now.holds(stop) == Some(true)
            }
            _ => true,
        }
    }

    /// Why the output is as it is now.
    pub fn because(&self, actuator: ActuatorIdx) -> Because {
        let Some(rule) = self.rule(actuator) else {
            return Because { rank: Rank::NoRule, text: "no rule drives it".to_owned() };
        };
        let drive = self.compiled.drives[actuator.idx()].map(usize::from).unwrap_or(usize::MAX);
        let is_on = self.machine.output(drive, 0) > 0;
        (self.tripped(rule))
            .or_else(|| self.not_permitted(rule))
            .or_else(|| {
                let is_limited = rule.daily_run_s.is_some() || rule.daily_volume_m3.is_some();
                (is_limited && !is_on && self.machine.is_blocked(drive, 0)).then(|| Because {
                    rank: Rank::DailyLimit,
                    text: "its daily limit is used up".to_owned(),
                })
            })
            .or_else(|| self.blind_or_early(rule))
            .unwrap_or_else(|| self.by_rule(rule, is_on))
    }

    fn tripped(&self, rule: &Rule) -> Option<Because> {
        let trip = self.compiled.trips[rule.drives.idx()]
            .iter()
            .find(|trip| self.machine.is_tripped(usize::from(trip.order), 0))?;
        let what = match (trip.cause, &rule.trip) {
            (TripCause::Condition, Some(trip)) => {
                let now = self.conditions();
                let readings = now.readings(&trip.when);
                let readings = if readings.is_empty() { String::new() } else { format!(" ({readings} now)") };
                format!("`{}`{readings}", now.words(&trip.when))
            }
            (TripCause::Stall, _) => "it ran without a gain (`stall`)".to_owned(),
            (TripCause::LongestRun, _) => "it ran too long (`longest_run`)".to_owned(),
            (cause, _) => format!("its limit of the day (`{}`) was reached", cause.key()),
        };
        Some(Because { rank: Rank::Trip, text: format!("it has tripped: {what}") })
    }

    fn not_permitted(&self, rule: &Rule) -> Option<Because> {
        let permissive = rule.permissive.as_ref()?;
        let now = self.conditions();
        if now.holds(permissive) == Some(true) {
            return None;
        }
        let blind = self.names(&now.blind(permissive));
        let text = if blind.is_empty() {
            let readings = now.readings(permissive);
            let readings = if readings.is_empty() { String::new() } else { format!(" ({readings})") };
            format!("its permissive `{}` does not hold{readings}", now.missing(permissive).join("` and `"))
        } else {
            format!("its permissive `{}` cannot be told: {blind} has no value", now.words(permissive))
        };
        Some(Because { rank: Rank::Permissive, text })
    }

    fn blind_or_early(&self, rule: &Rule) -> Option<Because> {
        if (self.uptime_ms as f64) < rule.start_delay_s * 1e3 {
            let text = format!("its start delay of {} s after a power-up is not over", rule.start_delay_s);
            return Some(Because { rank: Rank::StartDelay, text });
        }
        let now = self.conditions();
        let blind = match &rule.form {
            RuleForm::Switch { start, stop } => {
                let mut all = now.blind(start);
                all.extend(now.blind(stop));
                all.dedup();
                all
            }
            RuleForm::When(condition) | RuleForm::Dose { only: Some(condition), .. } => now.blind(condition),
            RuleForm::Modulate { measure, .. } => {
                let is_blind = self.known(*measure).is_none_or(|known| known.is_bad);
                if is_blind { vec![*measure] } else { vec![] }
            }
            _ => vec![],
        };
        if blind.is_empty() {
            return None;
        }
        let state = if rule.when_blind { "on" } else { "off" };
        let text = format!("{} has no value, and `when_blind` is {state}", self.names(&blind));
        Some(Because { rank: Rank::Blind, text })
    }

    fn by_rule(&self, rule: &Rule, is_on: bool) -> Because {
        let now = self.conditions();
        let of_rule = |text: String| Because { rank: Rank::Rule, text };
        let told = |key: &str, condition: &Condition, holds: &str| {
            let readings = now.readings(condition);
            let readings = if readings.is_empty() { String::new() } else { format!(" ({readings})") };
            format!("{key} `{}` {holds}{readings}", now.words(condition))
        };
        match &rule.form {
            RuleForm::Switch { start, stop } => {
                let (starts, stops) = (now.holds(start) == Some(true), now.holds(stop) == Some(true));
                match (is_on, starts, stops) {
                    (true, _, true) => Because {
                        rank: Rank::ShortestTime,
                        text: format!("its shortest run of {} s is not over", rule.shortest_run_s),
                    },
                    (false, true, false) => Because {
                        rank: Rank::ShortestTime,
                        text: format!("its shortest rest of {} s is not over", rule.shortest_rest_s),
                    },
                    (_, true, false) => of_rule(told("its", start, "holds")),
                    (_, _, true) => of_rule(told("its", stop, "holds")),
                    _ => {
                        let readings = now.readings(start);
                        let state = if is_on { "started" } else { "stopped" };
                        let between = format!("`{}` and `{}`", now.words(start), now.words(stop));
                        of_rule(format!("it has {state} and lies between {between} ({readings})"))
                    }
                }
            }
            RuleForm::When(condition) => match (is_on, now.holds(condition)) {
                (true, Some(false)) => Because {
                    rank: Rank::ShortestTime,
                    text: format!("its shortest run of {} s is not over", rule.shortest_run_s),
                },
                (false, Some(true)) => Because {
                    rank: Rank::ShortestTime,
                    text: format!("its shortest rest of {} s is not over", rule.shortest_rest_s),
                },
                (true, _) => of_rule(told("its", condition, "holds")),
                (false, _) => {
                    let readings = now.readings(condition);
                    let readings = if readings.is_empty() { String::new() } else { format!(" ({readings})") };
                    of_rule(format!("`{}` does not hold{readings}", now.missing(condition).join("` and `")))
                }
            },
            RuleForm::Always => of_rule("its rule has it always on".to_owned()),
            RuleForm::Modulate { measure, setpoint, .. } => {
                let value = self.known(*measure).map_or(0, |known| known.value);
                of_rule(format!(
                    "{} is {}, its setpoint {}",
                    self.system.signals[measure.idx()].name,
                    quantity(self.system, *measure, value),
                    quantity(self.system, *measure, *setpoint)
                ))
            }
            RuleForm::Schedule { .. } => {
                let state = if is_on { "within" } else { "outside" };
                of_rule(format!("the time of day is {state} its schedule"))
            }
            RuleForm::Dose { .. } => {
                let state = if is_on { "is being given" } else { "has been given, or none is due" };
                of_rule(format!("the portion of this part of the day {state}"))
            }
        }
    }

    fn names(&self, signals: &[SignalIdx]) -> String {
        let names: Vec<&str> =
            signals.iter().map(|signal| self.system.signals[signal.idx()].name.as_str()).collect();
        names.join(", ")
    }
}

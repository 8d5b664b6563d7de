//! Rules to demands, latches and final stages.

use program::op::{DAY_MS, Dose, Modulate, Relation, Resets, Source, Stage, TimeKind, WhenBlind};
use program::{BitRef, NumRef, Op};
use system::Diagnostic;
use system::expr::Condition;
use system::model::{ActuatorIdx, ActuatorKind, PassageKind, Rule, RuleForm, TripReset};

use crate::conditions::threshold;
use crate::lower::{Lowering, PlannedTrip};
use crate::{TripCause, signals};

const FULL_DUTY: i32 = 1_000;
const MINUTE_MS: i32 = 60_000;
/// mL in a m³.
const ML: f64 = 1e6;
/// Most portions of a day that the board keeps apart.
const MOST_PORTIONS: u16 = 96;

/// Demand of a rule before its final stage.
enum Demand {
    Bit(BitRef),
    Duty(NumRef),
}

/// Marks all signals that a rule reads.
pub(crate) fn mark(rule: &Rule, needed: &mut [bool]) {
    match &rule.form {
        RuleForm::Switch { start, stop } => {
            signals::mark(start, needed);
            signals::mark(stop, needed);
        }
        RuleForm::When(condition) | RuleForm::Dose { only: Some(condition), .. } => {
            signals::mark(condition, needed)
        }
        RuleForm::Modulate { measure, .. } => needed[measure.idx()] = true,
        RuleForm::Always | RuleForm::Schedule { .. } | RuleForm::Dose { only: None, .. } => {}
    }
    if let Some(permissive) = &rule.permissive {
        signals::mark(permissive, needed);
    }
    if let Some(trip) = &rule.trip {
        signals::mark(&trip.when, needed);
        if let TripReset::Auto { when, .. } = &trip.reset {
            signals::mark(when, needed);
        }
    }
    if let Some(stall) = &rule.stall {
        needed[stall.signal.idx()] = true;
    }
}

fn has_trip(rule: &Rule) -> bool {
    let has_limit = rule.daily_run_s.is_some() || rule.daily_volume_m3.is_some();
    rule.trip.is_some()
        || rule.stall.is_some()
        || rule.longest_run_s.is_some()
        || has_limit && rule.limit_latches
}

impl<'s> Lowering<'s> {
    fn rule_of(&self, actuator: ActuatorIdx) -> Option<&'s Rule> {
        self.system.rules.iter().find(|rule| rule.drives == actuator)
    }

    /// Whether anything can latch an actuator.
    pub(crate) fn can_trip(&self, actuator: ActuatorIdx) -> bool {
        self.rule_of(actuator).is_some_and(has_trip)
    }

    fn key(&self, actuator: ActuatorIdx, key: &str) -> String {
        format!("rule.{}.{key}", self.system.actuators[actuator.idx()].name)
    }

    /// All latches, in the order of actuators.
    pub(crate) fn trips(&mut self) -> Vec<PlannedTrip> {
        let actuators = (0..self.system.actuators.len()).map(ActuatorIdx);
        let mut all = vec![];
        for actuator in actuators {
            if let Some(rule) = self.rule_of(actuator) {
                self.trips_of(rule, &mut all);
            }
        }
        all
    }

    fn trips_of(&mut self, rule: &Rule, all: &mut Vec<PlannedTrip>) {
        let actuator = rule.drives;
        let mut add = |cause, bit, resets| {
            let op = Op::Trip { cause: bit, resets };
            all.push(PlannedTrip { actuator, cause, op });
        };
        if let Some(trip) = &rule.trip {
            let cause = self.condition_of(&trip.when, &self.key(actuator, "trip"));
            let resets = match &trip.reset {
                TripReset::ByHand => Resets::Manual,
                TripReset::Auto { when, per_day } => {
                    let when = self.condition_of(when, &self.key(actuator, "trip_reset"));
                    match per_day {
                        Some(per_day) => Resets::Counted { when, per_day: *per_day },
                        None => Resets::Unlimited { when },
                    }
                }
            };
            add(TripCause::Condition, cause, resets);
        }
        if let Some(stall) = &rule.stall {
            let running = self.running(actuator);
            let input = self.number_signal(stall.signal);
            let time_ms = self.ms(stall.after_s, &self.key(actuator, "stall"));
            let (falling, gain) = (stall.gain < 0, stall.gain.saturating_abs().max(1));
            let stalls = self.graph.op(Op::Stall { falling, running, input, time_ms, gain });
            add(TripCause::Stall, stalls, Resets::Manual);
        }
        if let Some(longest_s) = rule.longest_run_s {
            let running = self.running(actuator);
            let on_ms = self.ms(longest_s, &self.key(actuator, "longest_run"));
            let over = self.delay(running, on_ms, 0);
            add(TripCause::LongestRun, over, Resets::Manual);
        }
        if rule.limit_latches {
            for (cause, over) in self.daily_limits(rule) {
                add(cause, over, Resets::Manual);
            }
        }
    }

    /// What is true once a daily limit is used up.
    fn daily_limits(&mut self, rule: &Rule) -> Vec<(TripCause, BitRef)> {
        let mut all = vec![];
        if let Some(run_s) = rule.daily_run_s {
            all.push((TripCause::DailyRun, self.ran_today(rule.drives, run_s)));
        }
        // The flow of a line is one number, so its volume is a time: that needs no flow in the program.
        if let (Some(volume), Some(flow)) = (rule.daily_volume_m3, self.line_flow(rule.drives)) {
            all.push((TripCause::DailyVolume, self.ran_today(rule.drives, volume / flow)));
        }
        all
    }

    fn ran_today(&mut self, actuator: ActuatorIdx, limit_s: f64) -> BitRef {
        let running = self.running(actuator);
        let input = self.graph.number_op(Op::TotalRun { running, is_daily: true });
        let limit = limit_s.floor().clamp(1.0, f64::from(DAY_MS)) as i32;
        self.graph.op(Op::Compare { relation: Relation::AtLeast, input, limit })
    }

    fn line_flow(&self, actuator: ActuatorIdx) -> Option<f64> {
        self.system.passages.iter().find_map(|passage| match passage.kind {
            PassageKind::Line { pump, flow, .. } if pump == actuator => Some(flow),
            _ => None,
        })
    }

    /// The final stage of every actuator that has an output. One without a rule is off unless hand or a procedure wants it.
    pub(crate) fn drives(&mut self) -> Vec<Option<Op>> {
        let actuators = (0..self.system.actuators.len()).map(ActuatorIdx);
        actuators.map(|actuator| self.drive(actuator)).collect()
    }

    fn drive(&mut self, actuator: ActuatorIdx) -> Option<Op> {
        let it = &self.system.actuators[actuator.idx()];
        if it.always {
            return None;
        }
        let Some(rule) = self.rule_of(actuator) else {
            if it.kind == ActuatorKind::Buzzer {
                // The panel has it alone, and silences it by itself.
                return None;
            }
            let stage = Stage::PLAIN;
            return Some(if it.modulated {
                let auto = self.graph.number_op(Op::Constant(0));
                Op::DriveDuty { auto, stage }
            } else {
                Op::Drive { auto: BitRef::FALSE, stage, shortest_run_ms: 0, shortest_rest_ms: 0 }
            });
        };
        let demand = self.demand(rule);
        let mut permitted = vec![];
        if let Some(permissive) = &rule.permissive {
            permitted.push(self.condition_of(permissive, &self.key(actuator, "permissive")));
        }
        if !rule.limit_latches {
            permitted.extend(self.daily_limits(rule).into_iter().map(|(_, over)| !over));
        }
        let stage = Stage {
            permissive: self.graph.all(permitted),
            trip: BitRef::FALSE,
            when_blind: if rule.when_blind { WhenBlind::On } else { WhenBlind::Off },
            on_at_power_up: rule.at_power_up,
            on_when_tripped: rule.when_tripped,
            start_delay_ms: self.ms(rule.start_delay_s, &self.key(actuator, "start_delay")),
        };
        let shortest_run_ms = self.ms(rule.shortest_run_s, &self.key(actuator, "shortest_run"));
        let shortest_rest_ms = self.ms(rule.shortest_rest_s, &self.key(actuator, "shortest_rest"));
        if !it.modulated {
            let auto = match demand {
                Demand::Bit(bit) => bit,
                // The parser lets only modulated actuators modulate.
                Demand::Duty(input) => {
                    self.graph.op(Op::Compare { relation: Relation::Above, input, limit: 0 })
                }
            };
            return Some(Op::Drive { auto, stage, shortest_run_ms, shortest_rest_ms });
        }
        for (key, time) in [("shortest_run", shortest_run_ms), ("shortest_rest", shortest_rest_ms)] {
            if time > 0 {
                let name = &it.name;
                self.report(
                    Diagnostic::warning(
                        "rest-needs-switching",
                        format!("`{key}` does nothing: `{name}` is modulated"),
                    )
                    .help(format!("take out `{key}`, or `modulated` of the actuator")),
                    &self.key(actuator, key),
                    "",
                );
            }
        }
        let auto = match demand {
            Demand::Duty(number) => number,
            Demand::Bit(BitRef::TRUE) => self.graph.number_op(Op::Constant(FULL_DUTY)),
            Demand::Bit(condition) => {
                let (yes, no) = (Source::Constant(FULL_DUTY), Source::Constant(0));
                self.graph.number_op(Op::Select { condition, yes, no })
            }
        };
        Some(Op::DriveDuty { auto, stage })
    }

    fn demand(&mut self, rule: &Rule) -> Demand {
        match &rule.form {
            RuleForm::Always => Demand::Bit(BitRef::TRUE),
            RuleForm::When(condition) => {
                Demand::Bit(self.condition_of(condition, &self.key(rule.drives, "when")))
            }
            RuleForm::Switch { start, stop } => Demand::Bit(self.switch(rule.drives, start, stop)),
            RuleForm::Schedule { windows, ramp_s } => self.schedule(rule.drives, windows, *ramp_s),
            RuleForm::Modulate { measure, setpoint, gain_permille_per_k, integral_s, limits, cools } => {
                let duty = |share: f64| (share * f64::from(FULL_DUTY)).round() as i16;
                let integral_ms = match integral_s {
                    Some(time_s) => self.ms(*time_s, &self.key(rule.drives, "modulate")).max(1),
                    None => 0,
                };
                let input = self.number_signal(*measure);
                Demand::Duty(self.graph.number_op(Op::Modulate(Modulate {
                    input,
                    setpoint: *setpoint,
                    is_cooling: *cools,
                    gain: *gain_permille_per_k,
                    integral_ms,
                    lowest: duty(limits.0),
                    highest: duty(limits.1),
                })))
            }
            RuleForm::Dose { per_day_m3, portions, flow, only } => {
                let dose = self.dose(rule.drives, *per_day_m3, *portions, *flow);
                let mut all = vec![dose];
                if let Some(only) = only {
                    all.push(self.condition_of(only, &self.key(rule.drives, "dose")));
                }
                Demand::Bit(self.graph.all(all))
            }
        }
    }

    /// Two thresholds of one term are one operation; anything else is a latch that stopping wins.
    fn switch(&mut self, actuator: ActuatorIdx, start: &Condition, stop: &Condition) -> BitRef {
        if let (Some(on), Some(off)) = (threshold(start), threshold(stop))
            && on.term == off.term
            && on.below != off.below
        {
            let width = i64::from(off.limit) - i64::from(on.limit);
            let width = if on.below { width } else { -width };
            if let Ok(width @ 0..) = i32::try_from(width) {
                self.check_deadband(on.term, width, &self.key(actuator, "start"));
                let input = self.term(on.term);
                return self.graph.op(Op::Switch { rising: !on.below, input, start: on.limit, width });
            }
        }
        let set = self.condition_of(start, &self.key(actuator, "start"));
        let reset = self.condition_of(stop, &self.key(actuator, "stop"));
        self.graph.op(Op::SetReset { set, reset })
    }

    fn schedule(&mut self, actuator: ActuatorIdx, windows: &[(u16, u16)], ramp_s: f64) -> Demand {
        let it = &self.system.actuators[actuator.idx()];
        if !it.modulated {
            if ramp_s > 0.0 {
                self.report(
                    Diagnostic::warning(
                        "ramp-needs-modulation",
                        format!("`{}` can only be on or off, so it has no ramp", it.name),
                    )
                    .help("take out `ramp`, or give the actuator `modulated = true` if its output can"),
                    &self.key(actuator, "ramp"),
                    "",
                );
            }
            let bits = windows.iter().map(|(from, to)| self.window(*from, *to)).collect();
            return Demand::Bit(self.graph.any(bits));
        }
        let ramp_ms = self.ms(ramp_s, &self.key(actuator, "ramp")).min(DAY_MS / 2);
        let time = self.graph.number_op(Op::Time(TimeKind::LocalTimeOfDay));
        let mut duties = windows.iter().map(|(from, to)| Op::Ramp {
            time,
            from_ms: i32::from(*from) * MINUTE_MS,
            to_ms: i32::from(*to) * MINUTE_MS,
            ramp_ms,
            highest: FULL_DUTY as i16,
        });
        let Some(first) = duties.next() else { return Demand::Bit(BitRef::FALSE) };
        let mut duty = self.graph.number_op(first);
        for next in duties {
            let b = self.graph.number_op(next);
            let kind = program::op::Arithmetic::Maximum;
            duty = self.graph.number_op(Op::Arithmetic { kind, a: duty, b });
        }
        Demand::Duty(duty)
    }

    /// The format counts whole mL a day; volume and flow are scaled alike for smaller doses, which changes nothing.
    fn dose(&mut self, actuator: ActuatorIdx, per_day_m3: f64, portions: u16, flow: f64) -> BitRef {
        /// Rounding of the daily volume that does not matter beside a pump's calibration.
        const CLOSE: f64 = 5e-4;
        const FACTORS: [f64; 4] = [1.0, 10.0, 100.0, 1_000.0];
        /// A portion stays below this in the format's units.
        const MOST_PORTION_ML: f64 = 8_000.0;
        let key = self.key(actuator, "dose");
        let wanted_ml = per_day_m3 * ML;
        if portions > MOST_PORTIONS {
            self.report(
                Diagnostic::error(
                    "too-many-portions",
                    format!("the board gives at most {MOST_PORTIONS} portions a day"),
                )
                .help(format!("write portions = {MOST_PORTIONS}, one every quarter of an hour, or fewer")),
                &key,
                "",
            );
        }
        if wanted_ml / f64::from(portions.max(1)) >= MOST_PORTION_ML {
            self.report(
                Diagnostic::error("portion-too-large", "the board doses less than 8 L in a portion")
                    .help("give more portions a day"),
                &key,
                "",
            );
        }
        let factor = FACTORS.into_iter().find(|factor| {
            let scaled = wanted_ml * factor;
            (scaled.round() - scaled).abs() <= CLOSE * scaled
        });
        let factor = factor.unwrap_or(FACTORS[FACTORS.len() - 1]);
        let rate = self.flow(flow, factor, &key);
        let time = self.graph.number_op(Op::Time(TimeKind::UtcTimeOfDay));
        let running = self.running(actuator);
        self.graph.op(Op::Dose(Dose {
            time,
            rate,
            running,
            volume_ml: (wanted_ml * factor).round().clamp(1.0, f64::from(i32::MAX)) as i32,
            n_portions: portions.clamp(1, MOST_PORTIONS) as u8,
            from_ms: 0,
            // The format knows a new portion by its number, so a single one needs a minute without any between two days.
            to_ms: if portions == 1 { DAY_MS - MINUTE_MS } else { 0 },
        }))
    }
}

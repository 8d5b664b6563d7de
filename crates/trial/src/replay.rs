//! Replay: one fault at one place, from the settled state in which an FMEA strikes it, written down as it goes. The run is the FMEA's own,
//! bit for bit.

use std::sync::atomic::{AtomicBool, Ordering};

use control::{Slot, TripCause};
use program::Quality;
use system::expr::{Comparison, Condition, Term};
use system::model::{ActuatorIdx, AlarmIdx, RuleForm, SignalIdx};
use twin::lanes::has;

use crate::faults::Fault;
use crate::fmea::{NoFmea, Place};
use crate::judge::{Judge, Outcome, SAMPLE_S};
use crate::origins::{self, Settled};
use crate::rehearse::{self, Column};
use crate::rig::Rig;
use crate::stl::Monitor;

/// Spells of running that are kept of an actuator: thirty a day for a year.
pub const MOST_SPELLS: usize = 10_000;
/// Switchings by rules that are kept beside what trips and what is told.
pub const MOST_SWITCHINGS: usize = 2_000;
/// Acts that are kept in all.
pub const MOST_ACTS: usize = 20_000;

/// What is wanted of a replay.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Wish {
    /// How long it runs, s.
    pub window_s: f64,
    /// At most so many points of each column.
    pub n_points: usize,
    /// Only true quantities, not what the board knows.
    pub only_truths: bool,
}

/// What a replay showed.
#[derive(Clone, PartialEq, Debug)]
pub struct Replay {
    /// Between two points, s.
    pub step_s: f64,
    /// Times of the points, s after the fault.
    pub times: Vec<f64>,
    /// The columns with their values (NaN: bad), one at each time.
    pub series: Vec<(Column, Vec<f64>)>,
    /// By actuator: from when to when it ran, s after the fault. What chatters beyond [`MOST_SPELLS`] is one last spell.
    pub ran: Vec<Vec<(f64, f64)>>,
    /// What happened, s after the fault, in order.
    pub acts: Vec<(f64, Act)>,
    /// Acts beyond [`MOST_SWITCHINGS`] and [`MOST_ACTS`], which are not among them.
    pub n_left_out: usize,
    /// Requirements, alarms, trips, as the FMEA judges them.
    pub outcome: Outcome,
}

/// Something that happened in a replay.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Act {
    /// A rule, or what binds it, changed what its actuator is told.
    Commanded {
        /// Which.
        actuator: ActuatorIdx,
        /// It is told to run.
        on: bool,
        /// By what.
        why: Why,
    },
    /// An actuator tripped, or was reset.
    Trip {
        /// Which.
        actuator: ActuatorIdx,
        /// By what.
        cause: TripCause,
        /// It is tripped now.
        is_tripped: bool,
    },
    /// An alarm came, or went.
    Alarm {
        /// Which.
        alarm: AlarmIdx,
        /// It stands now.
        stands: bool,
    },
    /// The board stopped answering, or answers again.
    Board {
        /// It answers now.
        answers: bool,
    },
}

/// What of a rule changed what its actuator is told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Why {
    /// Its `start`.
    Start,
    /// Its `stop`.
    Stop,
    /// Its `when`.
    When,
    /// Its `schedule`.
    Schedule,
    /// Its `permissive`.
    Permissive,
    /// A trip, or the end of one.
    Trip,
    /// A value that it reads is bad: its `when_blind`.
    Blind,
    /// Anything else of the rule: a delay, a shortest time, a limit, a duty.
    Rule,
}

impl Why {
    /// The key of the rule that says it. None: no single one.
    pub fn key(self) -> Option<&'static str> {
        Some(match self {
            Why::Start => "start",
            Why::Stop => "stop",
            Why::When => "when",
            Why::Schedule => "schedule",
            Why::Permissive => "permissive",
            Why::Blind => "when_blind",
            Why::Trip | Why::Rule => return None,
        })
    }
}

/// What is remembered from one scan to the next.
struct Before {
    running: Vec<Option<f64>>,
    commanded: Vec<bool>,
    trips: Vec<Vec<bool>>,
    alarms: Vec<bool>,
    answers: bool,
    n_switchings: usize,
    n_unsaid: usize,
}

/// Replays a fault at one of the places of the settled system. None as a fault: the run without one.
///
/// # Errors
///
/// When there is no such place, or `stop` becomes true meanwhile.
pub fn run(
    settled: &Settled,
    fault: Option<&Fault>,
    place: Place,
    wish: Wish,
    stop: &AtomicBool,
) -> Result<Replay, NoFmea> {
    let model = &settled.model;
    let origin = (settled.origins.iter())
        .find(|origin| (origin.instant, origin.corner) == (place.instant, place.corner))
        .ok_or_else(|| NoFmea::Unjudgeable(format!("the study has no run at {}", place.instant.name())))?;
    let scan_s = model.plan.scan_s();
    let mut rig: Rig<'_, 1> = Rig::new(model, origins::start(model, settled.seed), &[origin.corner]);
    rig.set_lane(0, &origin.fork);
    rig.twin_mut().fill_reservoirs(0);
    let mut warm = origin.monitors.clone();
    warm.iter_mut().for_each(Monitor::forget_verdict);
    let mut judge = Judge::new(model, &rig, vec![warm]);
    let mut before = Before::new(&rig, settled);
    if let Some(fault) = fault {
        rig.inject(0, fault.injection);
    }
    let n_scans = (wish.window_s / scan_s).ceil().max(1.0) as u64;
    let every = n_scans.div_ceil(wish.n_points.saturating_sub(1).max(1) as u64).max(1);
    let judged_every = (SAMPLE_S / scan_s).round().max(1.0) as u64;
    let reader = rehearse::Reader::new(model, wish.only_truths);
    let mut replay = Replay {
        step_s: every as f64 * scan_s,
        times: vec![],
        series: reader.columns().into_iter().map(|column| (column, vec![])).collect(),
        ran: vec![vec![]; model.system().actuators.len()],
        acts: vec![],
        n_left_out: 0,
        outcome: Outcome::default(),
    };
    reader.read(&rig, 0.0, &mut replay.times, &mut replay.series);
    for k in 1..=n_scans {
        rig.scan();
        let time_s = k as f64 * scan_s;
        before.look(&rig, settled, time_s, &mut replay);
        if k % every == 0 {
            reader.read(&rig, time_s, &mut replay.times, &mut replay.series);
        }
        if k % judged_every == 0 {
            if stop.load(Ordering::Relaxed) {
                return Err(NoFmea::Stopped);
            }
            judge.look(&rig, time_s);
        }
    }
    before.end(n_scans as f64 * scan_s, &mut replay);
    replay.outcome = judge.finish(&rig).swap_remove(0);
    Ok(replay)
}

impl Before {
    fn new(rig: &Rig<'_, 1>, settled: &Settled) -> Self {
        let model = &settled.model;
        let n = model.system().actuators.len();
        Before {
            running: (0..n).map(|a| has(rig.twin().running(a), 0).then_some(0.0)).collect(),
            commanded: (0..n).map(|a| rig.duty(ActuatorIdx(a))[0] > 0).collect(),
            trips: (model.compiled.trips.iter())
                .map(|of| of.iter().map(|t| rig.machine().is_tripped(usize::from(t.order), 0)).collect())
                .collect(),
            alarms: (0..model.system().alarms.len()).map(|a| rig.alarm(AlarmIdx(a)) != 0).collect(),
            answers: rig.board_answers() != 0,
            n_switchings: 0,
            n_unsaid: 0,
        }
    }

    fn look(&mut self, rig: &Rig<'_, 1>, settled: &Settled, time_s: f64, replay: &mut Replay) {
        let (acts, n_left_out) = (&mut replay.acts, &mut replay.n_left_out);
        let mut note = |act: Act| {
            if acts.len() < MOST_ACTS {
                acts.push((time_s, act));
            } else {
                *n_left_out += 1;
            }
        };
        let answers = rig.board_answers() != 0;
        if answers != std::mem::replace(&mut self.answers, answers) {
            note(Act::Board { answers });
        }
        for (a, trips) in settled.model.compiled.trips.iter().enumerate() {
            let actuator = ActuatorIdx(a);
            for (trip, was) in trips.iter().zip(&mut self.trips[a]) {
                let is_tripped = rig.machine().is_tripped(usize::from(trip.order), 0);
                if is_tripped != std::mem::replace(was, is_tripped) {
                    note(Act::Trip { actuator, cause: trip.cause, is_tripped });
                }
            }
            let on = rig.duty(actuator)[0] > 0;
            if on != std::mem::replace(&mut self.commanded[a], on) {
                self.n_switchings += 1;
                if self.n_switchings > MOST_SWITCHINGS {
                    self.n_unsaid += 1;
                    continue;
                }
                let is_tripped = self.trips[a].contains(&true);
                note(Act::Commanded { actuator, on, why: why(rig, settled, actuator, on, is_tripped) });
            }
        }
        for (a, was) in self.alarms.iter_mut().enumerate() {
            let stands = rig.alarm(AlarmIdx(a)) != 0;
            if stands != std::mem::replace(was, stands) {
                note(Act::Alarm { alarm: AlarmIdx(a), stands });
            }
        }
        for (a, since) in self.running.iter_mut().enumerate() {
            match (has(rig.twin().running(a), 0), *since) {
                (true, None) => *since = Some(time_s),
                (false, Some(from)) => {
                    let spells = &mut replay.ran[a];
                    let is_full = spells.len() >= MOST_SPELLS;
                    match spells.last_mut() {
                        Some(last) if is_full => last.1 = time_s,
                        _ => spells.push((from, time_s)),
                    }
                    *since = None;
                }
                _ => {}
            }
        }
    }

    fn end(self, time_s: f64, replay: &mut Replay) {
        replay.n_left_out += self.n_unsaid;
        for (ran, since) in replay.ran.iter_mut().zip(self.running) {
            ran.extend(since.map(|from| (from, time_s)));
        }
    }
}

/// What changed it: read from the values after the scan, so a state that changed in the same scan may be taken for the cause of it.
fn why(rig: &Rig<'_, 1>, settled: &Settled, actuator: ActuatorIdx, on: bool, is_tripped: bool) -> Why {
    let values = Values { rig, settled };
    let Some(rule) = settled.model.system().rules.iter().find(|rule| rule.drives == actuator) else {
        return Why::Rule;
    };
    if is_tripped {
        return Why::Trip;
    }
    if !on && rule.permissive.as_ref().is_some_and(|permissive| values.holds(permissive) == Some(false)) {
        return Why::Permissive;
    }
    match &rule.form {
        RuleForm::Switch { start, stop } if values.is_blind(start) || values.is_blind(stop) => Why::Blind,
        RuleForm::Switch { start, .. } if on && values.holds(start) == Some(true) => Why::Start,
        RuleForm::Switch { stop, .. } if !on && values.holds(stop) == Some(true) => Why::Stop,
        RuleForm::When(when) if values.is_blind(when) => Why::Blind,
        RuleForm::When(when) if values.holds(when) == Some(on) => Why::When,
        RuleForm::Schedule { .. } => Why::Schedule,
        RuleForm::Always if on && rule.permissive.is_some() => Why::Permissive,
        _ => Why::Rule,
    }
}

/// The board's values, to ask conditions of.
struct Values<'a, 'm> {
    rig: &'a Rig<'m, 1>,
    settled: &'a Settled,
}

impl Values<'_, '_> {
    fn slot(&self, signal: SignalIdx) -> Option<Slot> {
        self.settled.model.compiled.signals.get(signal.idx()).copied().flatten()
    }

    fn is_bad(&self, signal: SignalIdx) -> bool {
        match self.slot(signal) {
            Some(Slot::Number(slot)) => self.rig.machine().number(slot, 0).quality == Quality::Bad,
            Some(Slot::Bit(slot)) => self.rig.machine().bit(slot, 0).1 == Quality::Bad,
            None => false,
        }
    }

    fn number(&self, signal: SignalIdx) -> Option<i64> {
        match self.slot(signal)? {
            Slot::Number(slot) if !self.is_bad(signal) => {
                Some(i64::from(self.rig.machine().number(slot, 0).value))
            }
            _ => None,
        }
    }

    fn term(&self, term: &Term) -> Option<i64> {
        Some(match *term {
            Term::Constant(x) => i64::from(x),
            Term::Signal(a) => self.number(a)?,
            Term::Difference(a, b) => self.number(a)? - self.number(b)?,
            Term::Apart(a, b) => (self.number(a)? - self.number(b)?).abs(),
        })
    }

    /// Whether a condition holds. None: a value is bad, or the program has no need of it.
    fn holds(&self, condition: &Condition) -> Option<bool> {
        let decided = |all: &[Condition], by: bool| {
            let each: Vec<Option<bool>> = all.iter().map(|one| self.holds(one)).collect();
            if each.contains(&Some(by)) {
                Some(by)
            } else if each.contains(&None) {
                None
            } else {
                Some(!by)
            }
        };
        match condition {
            Condition::Constant(x) => Some(*x),
            Condition::Signal(signal) => match self.slot(*signal)? {
                Slot::Bit(slot) if !self.is_bad(*signal) => Some(self.rig.machine().bit(slot, 0).0),
                _ => None,
            },
            Condition::Not(of) => self.holds(of).map(|x| !x),
            Condition::All(all) => decided(all, false),
            Condition::Any(all) => decided(all, true),
            Condition::Compare { left, op, right } => {
                let (left, right) = (self.term(left)?, self.term(right)?);
                Some(match op {
                    Comparison::Less => left < right,
                    Comparison::LessEqual => left <= right,
                    Comparison::Greater => left > right,
                    Comparison::GreaterEqual => left >= right,
                })
            }
            Condition::Bad(signal) => self.slot(*signal).map(|_| self.is_bad(*signal)),
        }
    }

    /// Whether a condition rests on a bad value.
    fn is_blind(&self, condition: &Condition) -> bool {
        let term = |term: &Term| match *term {
            Term::Constant(_) => false,
            Term::Signal(a) => self.is_bad(a),
            Term::Difference(a, b) | Term::Apart(a, b) => self.is_bad(a) || self.is_bad(b),
        };
        match condition {
            Condition::Constant(_) | Condition::Bad(_) => false,
            Condition::Signal(signal) => self.is_bad(*signal),
            Condition::Not(of) => self.is_blind(of),
            Condition::All(all) | Condition::Any(all) => all.iter().any(|one| self.is_blind(one)),
            Condition::Compare { left, right, .. } => term(left) || term(right),
        }
    }
}

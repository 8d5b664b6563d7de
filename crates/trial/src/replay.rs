//! Replay: one fault at one place, from the settled state in which an FMEA strikes it, written down as it goes. The run is the FMEA's own,
//! bit for bit.

use std::sync::atomic::{AtomicBool, Ordering};

use control::TripCause;
use system::model::{ActuatorIdx, AlarmIdx};
use twin::lanes::has;

use crate::faults::Fault;
use crate::fmea::{NoFmea, Place};
use crate::judge::{Judge, Outcome, SAMPLE_S};
use crate::origins::{self, Settled};
use crate::rehearse::{self, Column};
use crate::rig::Rig;
use crate::stl::Monitor;

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
    /// By actuator: from when to when it ran, s after the fault.
    pub ran: Vec<Vec<(f64, f64)>>,
    /// What happened, s after the fault, in order.
    pub acts: Vec<(f64, Act)>,
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
        /// It is tripped while it is told.
        is_tripped: bool,
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

/// What is remembered from one scan to the next.
struct Before {
    running: Vec<Option<f64>>,
    commanded: Vec<bool>,
    trips: Vec<Vec<bool>>,
    alarms: Vec<bool>,
    answers: bool,
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
        }
    }

    fn look(&mut self, rig: &Rig<'_, 1>, settled: &Settled, time_s: f64, replay: &mut Replay) {
        let mut note = |act: Act| replay.acts.push((time_s, act));
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
                note(Act::Commanded { actuator, on, is_tripped: self.trips[a].contains(&true) });
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
                    replay.ran[a].push((from, time_s));
                    *since = None;
                }
                _ => {}
            }
        }
    }

    fn end(self, time_s: f64, replay: &mut Replay) {
        for (ran, since) in replay.ran.iter_mut().zip(self.running) {
            ran.extend(since.map(|from| (from, time_s)));
        }
    }
}

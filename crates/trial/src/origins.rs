//! Origins: settled states from which all runs of an FMEA fork, at the instants that matter and at every corner.

use std::sync::atomic::{AtomicBool, Ordering};

use system::model::{PassageKind, RuleForm, VesselRole};
use twin::Start;
use twin::lanes::has;

use crate::fmea::{NoFmea, Place};
use crate::judge::{self, SAMPLE_S};
use crate::model::Model;
use crate::rig::{Fork, Rig};
use crate::stl::Monitor;

/// Runs start here, s since 1970: 2026-01-14 00:00 UTC, a Wednesday; after two days' settling it is Friday.
pub const EPOCH_UTC_S: i64 = 1_768_348_800;

/// Nominal and the corners settle side by side, at most so many.
const MOST_SETTLING: usize = 8;
const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;
/// Past a change of light before a fault strikes, s.
const AFTER_LIGHT_S: f64 = 300.0;
/// Lamps when the file has no light rule: on and off, minutes of the local day (assumed).
const USUAL_LIGHT: (u16, u16) = (10 * 60, 20 * 60);
/// Longest wait for a running top-off, s.
const TOPOFF_WITHIN_S: f64 = 36.0 * HOUR_S;

/// When a fault strikes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Instant {
    /// Just after the lamps went on.
    LampsOn,
    /// Just after the lamps went off.
    LampsOff,
    /// While top-off runs.
    TopOff,
}

impl Instant {
    /// For people and files.
    pub fn name(self) -> &'static str {
        match self {
            Instant::LampsOn => "lamps-on",
            Instant::LampsOff => "lamps-off",
            Instant::TopOff => "top-off",
        }
    }
}

/// One settled state.
#[derive(Clone, Debug)]
pub struct Origin {
    /// When.
    pub instant: Instant,
    /// Corner of the file; None: nominal.
    pub corner: Option<usize>,
    /// Scan of the fork.
    pub scan: u64,
    pub(crate) fork: Fork,
    /// Monitors that have seen the past.
    pub(crate) monitors: Vec<Monitor>,
}

/// Which origins are wanted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Wanted {
    /// Only lamps-off, the hardest hour for oxygen and the start of the night.
    pub one_instant: bool,
    /// Only nominal parameters.
    pub nominal_only: bool,
}

/// Start of all runs of a system.
pub fn start(model: &Model, seed: u64) -> Start {
    Start { utc_s: EPOCH_UTC_S, local_offset_s: local_offset_s(model, EPOCH_UTC_S), seed }
}

/// Local time less UTC by the file's zone, s.
pub fn local_offset_s(model: &Model, utc_s: i64) -> i32 {
    let Ok(zone) = program::zone::Zone::parse(&model.system().timezone) else { return 0 };
    let clock_s = u32::try_from(utc_s - crate::inputs::UTC_AT_2000).unwrap_or(0);
    let half_day_s = 43_200;
    let local_s = i64::from(zone.local(clock_s).second_of_day);
    let offset = (local_s - i64::from(clock_s % program::zone::DAY_S)).rem_euclid(2 * half_day_s);
    (if offset > half_day_s { offset - 2 * half_day_s } else { offset }) as i32
}

/// Minutes of the local day at which the lamps go on and off.
fn light_minutes(model: &Model) -> (u16, u16) {
    let system = model.system();
    let scheduled = system.rules.iter().find_map(|rule| match &rule.form {
        RuleForm::Schedule { windows, .. } if system.actuators[rule.drives.idx()].lights.is_some() => {
            windows.first().copied()
        }
        _ => None,
    });
    scheduled.unwrap_or(USUAL_LIGHT)
}

/// Pumps of top-off lines from a reservoir.
fn topoff_pumps(model: &Model) -> Vec<usize> {
    let system = model.system();
    (system.passages.iter())
        .filter_map(|p| match p.kind {
            PassageKind::Line { pump, .. } if system.vessels[p.from.idx()].role == VesselRole::Reservoir => {
                Some(pump.idx())
            }
            PassageKind::Pumped { pump, .. }
                if system.vessels[p.from.idx()].role == VesselRole::Reservoir =>
            {
                Some(pump.idx())
            }
            _ => None,
        })
        .collect()
}

/// A system that has settled at every origin that is wanted: what studies and replays begin from. Settling takes a tenth of a study, so
/// whoever asks several times about one system keeps it.
#[derive(Clone, Debug)]
pub struct Settled {
    pub(crate) model: Model,
    pub(crate) origins: Vec<Origin>,
    pub(crate) seed: u64,
    pub(crate) wanted: Wanted,
    pub(crate) n_scans: u64,
}

impl Settled {
    /// Settles it.
    ///
    /// # Errors
    ///
    /// When a requirement cannot be judged, or when `stop` becomes true meanwhile.
    pub fn new(model: Model, seed: u64, wanted: Wanted, stop: &AtomicBool) -> Result<Self, NoFmea> {
        let mut n_scans = 0;
        let origins = settle(&model, seed, wanted, stop, &mut n_scans)?;
        Ok(Settled { model, origins, seed, wanted, n_scans })
    }

    /// What settled.
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// When the runs at a place begin, s since 1970 UTC.
    pub fn begins_utc_s(&self, place: Place) -> Option<i64> {
        let origin = self.origins.iter().find(|o| (o.instant, o.corner) == (place.instant, place.corner))?;
        Some(EPOCH_UTC_S + (origin.scan as f64 * self.model.plan.scan_s()) as i64)
    }

    /// Its origins, in the order of an FMEA's places.
    pub fn places(&self) -> Vec<Place> {
        self.origins.iter().map(|o| Place { instant: o.instant, corner: o.corner }).collect()
    }
}

/// Settles the system at every corner and takes the origins on the way. `scans` counts the lane-scans done.
pub(crate) fn settle(
    model: &Model,
    seed: u64,
    wanted: Wanted,
    stop: &AtomicBool,
    scans: &mut u64,
) -> Result<Vec<Origin>, NoFmea> {
    let corners = model.system().corners.len();
    let n_corners = if wanted.nominal_only { 1 } else { 1 + corners.min(MOST_SETTLING - 1) };
    match n_corners {
        1 => settle_lanes::<1>(model, seed, wanted, n_corners, stop, scans),
        2 => settle_lanes::<2>(model, seed, wanted, n_corners, stop, scans),
        3 | 4 => settle_lanes::<4>(model, seed, wanted, n_corners, stop, scans),
        _ => settle_lanes::<MOST_SETTLING>(model, seed, wanted, n_corners, stop, scans),
    }
}

fn settle_lanes<const LANES: usize>(
    model: &Model,
    seed: u64,
    wanted: Wanted,
    n_corners: usize,
    stop: &AtomicBool,
    scans: &mut u64,
) -> Result<Vec<Origin>, NoFmea> {
    let system = model.system();
    let scan_s = model.plan.scan_s();
    let start = start(model, seed);
    let corners: [Option<usize>; LANES] =
        std::array::from_fn(|l| if l == 0 || l >= n_corners { None } else { Some(l - 1) });
    let prototypes = monitors(model).map_err(NoFmea::Unjudgeable)?;
    let mut warm: Vec<Vec<Monitor>> = vec![prototypes; n_corners];
    let mut sample = vec![vec![0.0; system.truths.len()]; LANES];
    let mut rig: Rig<'_, LANES> = Rig::new(model, start, &corners);
    let (on, off) = light_minutes(model);
    let local_midnight_s = -f64::from(start.local_offset_s);
    let at =
        |day: f64, minute: u16| day * DAY_S + f64::from(minute) * 60.0 + local_midnight_s + AFTER_LIGHT_S;
    // The second day's lamps-on comes 24 h or more after the start, so past windows are full.
    let mut plan: Vec<(f64, Instant)> =
        vec![(at(2.0, on), Instant::LampsOn), (at(2.0, off), Instant::LampsOff)];
    if wanted.one_instant {
        plan.retain(|(_, i)| *i == Instant::LampsOff);
    }
    plan.sort_by(|a, b| a.0.total_cmp(&b.0));
    let sample_every = (SAMPLE_S / scan_s).round().max(1.0) as u64;
    let mut origins = vec![];
    let pumps = if wanted.one_instant { vec![] } else { topoff_pumps(model) };
    let mut waiting: Vec<usize> = if pumps.is_empty() { vec![] } else { (0..n_corners).collect() };
    let topoff_from = plan.last().map_or(at(2.0, off), |(t, _)| *t) + HOUR_S;
    let last = topoff_from + TOPOFF_WITHIN_S;
    let mut next = plan.into_iter().peekable();
    loop {
        let time = rig.twin().time_s();
        if rig.twin().scan().is_multiple_of(sample_every) {
            if stop.load(Ordering::Relaxed) {
                return Err(NoFmea::Stopped);
            }
            judge::sample(system, &rig, &mut sample);
            for (monitors, sample) in warm.iter_mut().zip(&sample) {
                for monitor in monitors {
                    monitor.push(sample);
                }
            }
        }
        let take = |origins: &mut Vec<Origin>, rig: &Rig<'_, LANES>, l: usize, instant: Instant| {
            origins.push(Origin {
                instant,
                corner: corners[l],
                scan: rig.twin().scan(),
                fork: rig.fork(l),
                monitors: warm[l].clone(),
            });
        };
        if let Some(&(when, instant)) = next.peek() {
            // Forks stand on a sampling instant, so that monitors go on at their pace.
            if time >= when && rig.twin().scan().is_multiple_of(sample_every) {
                for l in 0..n_corners {
                    take(&mut origins, &rig, l, instant);
                }
                next.next();
            }
        } else if waiting.is_empty() || time > last {
            break;
        } else if time >= topoff_from && rig.twin().scan().is_multiple_of(sample_every) {
            waiting.retain(|&l| {
                let runs = pumps.iter().any(|&p| has(rig.twin().running(p), l));
                if runs {
                    take(&mut origins, &rig, l, Instant::TopOff);
                }
                !runs
            });
        }
        rig.scan();
        *scans += n_corners as u64;
    }
    origins.sort_by_key(|o| (o.instant, o.corner.map_or(0, |c| c + 1)));
    Ok(origins)
}

/// One monitor for each requirement.
pub(crate) fn monitors(model: &Model) -> Result<Vec<Monitor>, String> {
    (model.system().requirements.iter())
        .map(|r| {
            Monitor::new(&r.formula, SAMPLE_S)
                .map_err(|error| format!("requirement `{}` cannot be judged: {error}", r.name))
        })
        .collect()
}

//! Judging a group of runs: requirements by their monitors, alarms by when somebody was told, trips by when they acted.

use system::System;
use system::model::{AlarmIdx, TruthIdx};
use twin::lanes::{Mask, bit, has};

use crate::model::Model;
use crate::rig::Rig;
use crate::stl::Monitor;

/// True quantities are sampled and alarms looked at so often, s.
pub const SAMPLE_S: f64 = 60.0;

/// How one requirement fared in one run.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Verdict {
    /// Worst robustness, in the SI unit of the requirement's predicate; negative: broken. Infinite: never decided.
    pub margin: f64,
    /// When it became broken, s after the onset.
    pub broken_at_s: Option<f64>,
}

/// Everything that one run showed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Outcome {
    /// By requirement of the file.
    pub verdicts: Vec<Verdict>,
    /// By alarm of the file: when it was first told to somebody away, s after the onset.
    pub told_at_s: Vec<Option<f64>>,
    /// When somebody outside noticed that no message came, s after the onset.
    pub silence_at_s: Option<f64>,
    /// By actuator: when a trip of it first latched, s after the onset.
    pub tripped_at_s: Vec<Option<f64>>,
    /// Aragonite saturation went beyond what the model describes.
    pub precipitates: bool,
    /// Water on bund and floor at the end, m³.
    pub spilled_m3: f64,
}

impl Outcome {
    /// The first thing that told somebody: time and name of the alarm (`silence` for a missing heartbeat).
    pub fn first_told<'s>(&self, system: &'s System) -> Option<(f64, &'s str)> {
        let alarms = self.told_at_s.iter().zip(&system.alarms);
        let told = alarms.filter_map(|(t, alarm)| t.map(|t| (t, alarm.name.as_str())));
        told.chain(self.silence_at_s.map(|t| (t, "silence"))).min_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// Judge of `L` runs.
pub(crate) struct Judge<'m, const L: usize> {
    model: &'m Model,
    monitors: Vec<Vec<Monitor>>,
    standing: Vec<Mask>,
    told: Vec<[Option<f64>; L]>,
    last_word_s: [f64; L],
    silence: [Option<f64>; L],
    tripped_before: Vec<Mask>,
    tripped: Vec<[Option<f64>; L]>,
    sample: Vec<Vec<f64>>,
}

impl<'m, const L: usize> Judge<'m, L> {
    /// Begins at the onset: what stands now is not news. `monitors` are warm with the past, one set for each lane.
    pub fn new(model: &'m Model, rig: &Rig<'m, L>, monitors: Vec<Vec<Monitor>>) -> Self {
        let system = &model.plan.system;
        let standing = (0..system.alarms.len()).map(|a| rig.alarm(AlarmIdx(a))).collect();
        let mut judge = Judge {
            model,
            monitors,
            standing,
            told: vec![[None; L]; system.alarms.len()],
            last_word_s: [0.0; L],
            silence: [None; L],
            tripped_before: vec![0; system.actuators.len()],
            tripped: vec![[None; L]; system.actuators.len()],
            sample: vec![vec![0.0; system.truths.len()]; L],
        };
        judge.tripped_before = judge.trips(rig);
        judge
    }

    fn trips(&self, rig: &Rig<'m, L>) -> Vec<Mask> {
        let alive = rig.board_answers();
        let mut masks = vec![0; self.tripped_before.len()];
        for (mask, trips) in masks.iter_mut().zip(&self.model.compiled.trips) {
            for trip in trips {
                for l in 0..L {
                    if has(alive, l) && rig.machine().is_tripped(usize::from(trip.order), l) {
                        *mask |= bit(l);
                    }
                }
            }
        }
        masks
    }

    /// Looks at all runs `time_s` after the onset.
    pub fn look(&mut self, rig: &Rig<'m, L>, time_s: f64) {
        let system = &self.model.plan.system;
        sample(system, rig, &mut self.sample);
        for (monitors, sample) in self.monitors.iter_mut().zip(&self.sample) {
            for monitor in monitors {
                monitor.push(sample);
            }
        }
        let path = rig.twin().path_alive();
        for (a, alarm) in system.alarms.iter().enumerate() {
            let now = rig.alarm(AlarmIdx(a));
            self.standing[a] &= now;
            if !rig.is_told(alarm.priority) {
                continue;
            }
            let news = now & !self.standing[a] & path;
            for l in (0..L).filter(|&l| has(news, l)) {
                self.told[a][l].get_or_insert(time_s);
            }
        }
        let word = path & rig.board_answers();
        for l in 0..L {
            if has(word, l) {
                self.last_word_s[l] = time_s;
            } else if let Some(limit) = system.telling.heartbeat_s
                && time_s - self.last_word_s[l] >= limit
            {
                self.silence[l].get_or_insert(time_s);
            }
        }
        for (a, now) in self.trips(rig).into_iter().enumerate() {
            self.tripped_before[a] &= now;
            let news = now & !self.tripped_before[a];
            for l in (0..L).filter(|&l| has(news, l)) {
                self.tripped[a][l].get_or_insert(time_s);
            }
        }
    }

    /// The outcomes.
    pub fn finish(self, rig: &Rig<'m, L>) -> Vec<Outcome> {
        let omega = rig.twin().worst_omega();
        let spilled = rig.twin().spilled();
        let (told, tripped, silence) = (self.told, self.tripped, self.silence);
        (self.monitors.into_iter().enumerate())
            .map(|(l, monitors)| Outcome {
                verdicts: monitors
                    .into_iter()
                    .map(|m| {
                        let status = m.finish();
                        Verdict { margin: status.margin, broken_at_s: status.broken_at_s }
                    })
                    .collect(),
                told_at_s: told.iter().map(|t| t[l]).collect(),
                silence_at_s: silence[l],
                tripped_at_s: tripped.iter().map(|t| t[l]).collect(),
                precipitates: omega[l] > seawater::carbonate::PRECIPITATING_OMEGA_ARAGONITE,
                spilled_m3: spilled[l],
            })
            .collect()
    }
}

/// All true quantities of all lanes, by lane.
pub(crate) fn sample<const L: usize>(system: &System, rig: &Rig<'_, L>, into: &mut [Vec<f64>]) {
    for (t, truth) in system.truths.iter().enumerate() {
        let values = rig.truth(truth.what);
        for (lane, value) in into.iter_mut().zip(values) {
            lane[TruthIdx(t).idx()] = value;
        }
    }
}

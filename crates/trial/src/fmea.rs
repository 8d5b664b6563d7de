//! The FMEA: every single fault, struck at each origin, run for the unattended time, judged against every requirement.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};

use system::model::{MarginUnit, Severity};
use twin::lanes::MOST_LANES;

use crate::activity::Activity;
use crate::faults::{self, Fault};
use crate::judge::{Judge, Outcome, SAMPLE_S};
use crate::model::Model;
use crate::origins::{self, Instant, Origin, Settled, Wanted};
use crate::rig::Rig;
use crate::rows::{self, Row};

/// How to run.
#[derive(Clone, Debug)]
pub struct Options {
    /// Seed of all noise.
    pub seed: u64,
    /// Which origins.
    pub wanted: Wanted,
    /// How long each run lasts, s. None: the file's unattended time.
    pub window_s: Option<f64>,
    /// Worker threads; 0: as many as the machine has.
    pub n_threads: usize,
    /// Only faults whose `part:mode` contains this.
    pub only: Option<String>,
    /// Only these faults, by `part:mode`. None: all.
    pub faults: Option<Vec<String>>,
    /// Also run pairs of faults (nominal parameters).
    pub pairs: bool,
    /// Today, days since 1970: acceptances reviewed before it lapse. None: reviews are not looked at.
    pub today: Option<i64>,
    /// Take over the healthy run's outcome for a fault that never acts. False simulates such runs all the same: for tests of that claim.
    #[doc(hidden)]
    pub skip_equal: bool,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            seed: 1,
            wanted: Wanted { one_instant: false, nominal_only: false },
            window_s: None,
            n_threads: 0,
            only: None,
            faults: None,
            pairs: false,
            today: None,
            skip_equal: true,
        }
    }
}

/// Where an outcome was found.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Place {
    /// When the fault struck.
    pub instant: Instant,
    /// Corner of the file; None: nominal.
    pub corner: Option<usize>,
}

/// The whole result.
#[derive(Clone, Debug)]
pub struct Fmea {
    /// One for each fault, worst first.
    pub rows: Vec<Row>,
    /// What breaks with nothing wrong but the corner itself.
    pub without_fault: Vec<Row>,
    /// Pairs that break what neither breaks alone; empty unless asked for.
    pub pairs: Vec<Row>,
    /// Corner names; nominal is not among them.
    pub corners: Vec<String>,
    /// Origins that were struck.
    pub places: Vec<Place>,
    /// Requirements: name, unit of the margin, severity.
    pub requirements: Vec<(String, MarginUnit, Severity)>,
    /// s each run lasted.
    pub window_s: f64,
    /// s a person takes to come.
    pub response_s: f64,
    /// Outcomes without a fault, by place.
    pub baseline: Vec<Outcome>,
    /// Work done.
    pub effort: Effort,
    /// Problems of acceptances: which entry, what.
    pub acceptance_findings: Vec<system::Diagnostic>,
}

/// Work counters.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Effort {
    /// Runs that were simulated.
    pub n_runs: u64,
    /// Runs whose fault never acts, so that they equal the run without it bit for bit; not simulated.
    pub n_equal: u64,
    /// Scans of single runs that were simulated, settling included.
    pub n_scans: u64,
}

/// Why there is no result.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum NoFmea {
    /// A requirement cannot be judged; the sentence says which and why. Mend the file.
    Unjudgeable(String),
    /// It was told to stop.
    Stopped,
}

impl std::fmt::Display for NoFmea {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            NoFmea::Unjudgeable(sentence) => f.write_str(sentence),
            NoFmea::Stopped => f.write_str("the study was stopped"),
        }
    }
}

impl std::error::Error for NoFmea {}

/// What is told while it runs, and whether it goes on. Nothing here changes a bit of the result.
#[derive(Clone, Copy)]
pub struct Watch<'a> {
    /// Gets `(done, total)` runs, from any thread.
    pub progress: &'a (dyn Fn(usize, usize) + Sync),
    /// Gets each row with its acceptances as soon as all its places are known, from any thread, in no particular order.
    pub row: &'a (dyn Fn(&Row) + Sync),
    /// Once it is true the study ends within a minute of its runs.
    pub stop: &'a AtomicBool,
}

impl std::fmt::Debug for Watch<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Watch").field("stop", self.stop).finish_non_exhaustive()
    }
}

/// One simulation to do.
#[derive(Clone, Debug)]
struct Job {
    /// Faults to inject; none for the run without a fault.
    faults: Vec<usize>,
    origin: usize,
}

/// Runs the FMEA. `progress` is told `(done, total)` runs, from any thread.
///
/// # Errors
///
/// A sentence when a requirement cannot be judged.
pub fn run(
    model: &Model,
    options: &Options,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Fmea, String> {
    let watch = Watch { progress, row: &|_| {}, stop: &AtomicBool::new(false) };
    let mut n_scans = 0;
    origins::settle(model, options.seed, options.wanted, watch.stop, &mut n_scans)
        .and_then(|origins| study(model, &origins, n_scans, options, &watch))
        .map_err(|error| error.to_string())
}

/// Runs the FMEA of a system that has settled; its seed and origins count, not those of the options.
///
/// # Errors
///
/// When it is told to stop.
pub fn run_settled(settled: &Settled, options: &Options, watch: &Watch<'_>) -> Result<Fmea, NoFmea> {
    let options = Options { seed: settled.seed, wanted: settled.wanted, ..options.clone() };
    study(&settled.model, &settled.origins, settled.n_scans, &options, watch)
}

fn study(
    model: &Model,
    origins: &[Origin],
    n_scans: u64,
    options: &Options,
    watch: &Watch<'_>,
) -> Result<Fmea, NoFmea> {
    let system = model.system();
    let window_s = options.window_s.unwrap_or(system.unattended_s);
    let mut effort = Effort { n_scans, ..Effort::default() };
    let mut faults = faults::derive(system);
    if let Some(only) = &options.only {
        faults.retain(|f| f.id().contains(only.as_str()));
    }
    if let Some(these) = &options.faults {
        faults.retain(|f| these.contains(&f.id()));
    }
    let bench = Bench { model, origins, faults: &faults, options, window_s, stop: watch.stop };
    // Without a fault first: what breaks by itself, and which faults can never act.
    let healthy_jobs: Vec<Job> = (0..origins.len()).map(|origin| Job { faults: vec![], origin }).collect();
    let quiet = Told { progress: &|_, _| {}, finished: &|_, _| {} };
    let healthy = bench.run_all(&healthy_jobs, &mut effort, &quiet)?;
    let places: Vec<Place> = origins.iter().map(|o| Place { instant: o.instant, corner: o.corner }).collect();
    let baseline: Vec<Outcome> = healthy.iter().map(|(outcome, _)| outcome.clone()).collect();
    let judged = rows::Judging { system, places: &places, baseline: &baseline, today: options.today };
    let row_of = |f: usize, outcomes: Vec<Outcome>| judged.row(std::slice::from_ref(&faults[f]), outcomes);
    let tell = |f: usize, outcomes: Vec<Outcome>| {
        let mut row = row_of(f, outcomes);
        judged.accept(std::iter::once(&mut row), &mut vec![]);
        (watch.row)(&row);
    };
    let mut jobs = vec![];
    let mut outcomes: Vec<Vec<Option<Outcome>>> = vec![vec![None; origins.len()]; faults.len()];
    for (f, fault) in faults.iter().enumerate() {
        for (o, outcome) in outcomes[f].iter_mut().enumerate() {
            let (baseline, activity) = &healthy[o];
            if options.skip_equal && activity.never_acts(model, &fault.injection) {
                *outcome = Some(baseline.clone());
                effort.n_equal += 1;
            } else {
                jobs.push(Job { faults: vec![f], origin: o });
            }
        }
        if let Some(known) = whole(&outcomes[f]) {
            tell(f, known);
        }
    }
    let outcomes = Mutex::new(outcomes);
    let finished = |j: usize, outcome: &Outcome| {
        let job: &Job = &jobs[j];
        let known = outcomes.lock().ok().and_then(|mut outcomes| {
            let of_fault = &mut outcomes[job.faults[0]];
            of_fault[job.origin] = Some(outcome.clone());
            whole(of_fault)
        });
        if let Some(known) = known {
            tell(job.faults[0], known);
        }
    };
    bench.run_all(&jobs, &mut effort, &Told { progress: watch.progress, finished: &finished })?;
    let outcomes = outcomes.into_inner().unwrap_or_default();
    let mut acceptance_findings = vec![];
    let mut rows: Vec<Row> = (outcomes.into_iter().enumerate())
        .map(|(f, outcomes)| row_of(f, outcomes.into_iter().flatten().collect()))
        .collect();
    let mut without_fault = judged.without_fault();
    judged.accept(rows.iter_mut().chain(&mut without_fault), &mut acceptance_findings);
    let pairs =
        if options.pairs { bench.pairs(&judged, &rows, &mut effort, watch.progress)? } else { vec![] };
    rows.sort_by(rows::worst_first);
    Ok(Fmea {
        rows,
        without_fault,
        pairs,
        corners: system.corners.iter().map(|c| c.name.clone()).collect(),
        places: places.clone(),
        requirements: (system.requirements.iter())
            .map(|r| (r.name.clone(), r.margin_unit, r.severity))
            .collect(),
        window_s,
        response_s: system.response.weekend_s,
        baseline: baseline.clone(),
        effort,
        acceptance_findings,
    })
}

/// The outcomes of a fault, once all its places are known.
fn whole(outcomes: &[Option<Outcome>]) -> Option<Vec<Outcome>> {
    outcomes.iter().cloned().collect()
}

/// What is told of a set of runs.
struct Told<'a> {
    /// Gets `(done, total)`.
    progress: &'a (dyn Fn(usize, usize) + Sync),
    /// Gets each job with its outcome.
    finished: &'a (dyn Fn(usize, &Outcome) + Sync),
}

struct Bench<'a> {
    model: &'a Model,
    origins: &'a [Origin],
    faults: &'a [Fault],
    options: &'a Options,
    window_s: f64,
    stop: &'a AtomicBool,
}

impl Bench<'_> {
    /// Runs all jobs, several side by side; answers in the order of the jobs.
    fn run_all(
        &self,
        jobs: &[Job],
        effort: &mut Effort,
        told: &Told<'_>,
    ) -> Result<Vec<(Outcome, Activity)>, NoFmea> {
        // Lanes share the clock, so only jobs that start at the same scan go together.
        let mut by_scan: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
        for (j, job) in jobs.iter().enumerate() {
            by_scan.entry(self.origins[job.origin].scan).or_default().push(j);
        }
        let mut groups: Vec<Vec<usize>> =
            by_scan.values().flat_map(|list| list.chunks(MOST_LANES).map(<[usize]>::to_vec)).collect();
        // By fault, so that the first rows are whole long before the last.
        groups.sort_by_key(|group| group.first().copied());
        let next = AtomicUsize::new(0);
        let done = AtomicUsize::new(0);
        let scans = AtomicU64::new(0);
        let results: Mutex<Vec<Option<(Outcome, Activity)>>> = Mutex::new(vec![None; jobs.len()]);
        let n_threads = match self.options.n_threads {
            0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            n => n,
        };
        std::thread::scope(|scope| {
            for _ in 0..n_threads.min(groups.len()) {
                scope.spawn(|| {
                    while let Some(group) = groups.get(next.fetch_add(1, Ordering::Relaxed)) {
                        let Some((answers, n_scans)) = self.run_group(jobs, group) else { break };
                        scans.fetch_add(n_scans, Ordering::Relaxed);
                        for (&j, (outcome, _)) in group.iter().zip(&answers) {
                            (told.finished)(j, outcome);
                        }
                        if let Ok(mut results) = results.lock() {
                            for (&j, answer) in group.iter().zip(answers) {
                                results[j] = Some(answer);
                            }
                        }
                        let so_far = done.fetch_add(group.len(), Ordering::Relaxed) + group.len();
                        (told.progress)(so_far, jobs.len());
                    }
                });
            }
        });
        effort.n_runs += jobs.len() as u64;
        effort.n_scans += scans.load(Ordering::Relaxed);
        let all: Option<Vec<_>> = results.into_inner().unwrap_or_default().into_iter().collect();
        all.ok_or(NoFmea::Stopped)
    }

    /// None: it was told to stop.
    fn run_group(&self, jobs: &[Job], group: &[usize]) -> Option<(Vec<(Outcome, Activity)>, u64)> {
        // A lone run carries no idle lanes.
        match group.len() {
            1 => self.run_lanes::<1>(jobs, group),
            2 => self.run_lanes::<2>(jobs, group),
            3 | 4 => self.run_lanes::<4>(jobs, group),
            5..=8 => self.run_lanes::<8>(jobs, group),
            _ => self.run_lanes::<MOST_LANES>(jobs, group),
        }
    }

    fn run_lanes<const L: usize>(
        &self,
        jobs: &[Job],
        group: &[usize],
    ) -> Option<(Vec<(Outcome, Activity)>, u64)> {
        let origin_of = |l: usize| &self.origins[jobs[group[l.min(group.len() - 1)]].origin];
        let corners: [Option<usize>; L] = std::array::from_fn(|l| origin_of(l).corner);
        let start = origins::start(self.model, self.options.seed);
        let mut rig: Rig<'_, L> = Rig::new(self.model, start, &corners);
        for l in 0..L {
            rig.set_lane(l, &origin_of(l).fork);
            rig.twin_mut().fill_reservoirs(l);
        }
        let monitors = (0..L)
            .map(|l| {
                let mut warm = origin_of(l).monitors.clone();
                warm.iter_mut().for_each(Monitor::forget_verdict);
                warm
            })
            .collect();
        let mut judge = Judge::new(self.model, &rig, monitors);
        let mut activity = Activity::begin(self.model, &rig);
        for (l, &j) in group.iter().enumerate() {
            for &f in &jobs[j].faults {
                rig.inject(l, self.faults[f].injection);
            }
        }
        let scan_s = self.model.plan.scan_s();
        let first = rig.twin().scan();
        let n_scans = (self.window_s / scan_s).ceil() as u64;
        let every = (SAMPLE_S / scan_s).round().max(1.0) as u64;
        let watch = jobs[group[0]].faults.is_empty();
        // Every run goes on to the end: one that stopped when all is lost would know of later alarms only by its neighbours' grace.
        for k in 1..=n_scans {
            rig.scan();
            if watch {
                activity.look(&rig);
            }
            if k % every == 0 {
                if self.stop.load(Ordering::Relaxed) {
                    return None;
                }
                judge.look(&rig, (rig.twin().scan() - first) as f64 * scan_s);
            }
        }
        let activities = activity.finish();
        let answers = judge.finish(&rig).into_iter().zip(activities).take(group.len()).collect();
        Some((answers, n_scans * group.len() as u64))
    }

    /// Pairs of order two: latent fault and ordinary event first, then latent fault and any other; nominal parameters, lamps-off.
    fn pairs(
        &self,
        judging: &rows::Judging<'_>,
        singles: &[Row],
        effort: &mut Effort,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Vec<Row>, NoFmea> {
        let Some(origin) = (self.origins.iter())
            .position(|o| o.corner.is_none() && o.instant == Instant::LampsOff)
            .or_else(|| self.origins.iter().position(|o| o.corner.is_none()))
        else {
            return Ok(vec![]);
        };
        let broken_alone =
            |f: usize| singles[f].outcomes[origin].verdicts.iter().any(|v| v.broken_at_s.is_some());
        let latent: Vec<usize> = (0..self.faults.len()).filter(|&f| singles[f].hidden).collect();
        let mut jobs = vec![];
        for (at, &a) in latent.iter().enumerate() {
            for b in 0..self.faults.len() {
                let earlier_latent = latent[..=at].contains(&b);
                let same_part = self.faults[a].part == self.faults[b].part;
                if !earlier_latent && !same_part && !broken_alone(b) {
                    jobs.push(Job { faults: vec![a, b], origin });
                }
            }
        }
        let place = judging.places[origin];
        let outcomes = self.run_all(&jobs, effort, &Told { progress, finished: &|_, _| {} })?;
        let mut found: Vec<Row> = (jobs.iter().zip(outcomes))
            .filter(|(_, (outcome, _))| {
                let base = &judging.baseline[origin];
                (outcome.verdicts.iter().zip(&base.verdicts))
                    .any(|(v, b)| v.broken_at_s.is_some() && b.broken_at_s.is_none())
            })
            .map(|(job, (outcome, _))| {
                let pair = [self.faults[job.faults[0]].clone(), self.faults[job.faults[1]].clone()];
                let only = rows::Judging {
                    places: &[place],
                    baseline: std::slice::from_ref(&judging.baseline[origin]),
                    ..*judging
                };
                only.row(&pair, vec![outcome])
            })
            .collect();
        found.sort_by(rows::worst_first);
        Ok(found)
    }
}

use crate::stl::Monitor;

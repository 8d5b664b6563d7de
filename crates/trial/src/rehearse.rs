//! Rehearsal: one run of a scenario, every signal and every true quantity written down as it goes.

use control::{Options, Slot};
use program::machine::Command;
use system::model::{ActuatorIdx, AlarmIdx, MarginUnit, Scale, TruthKind, VesselIdx};
use system::{Diagnostic, System};

use crate::faults::Injection;
use crate::judge::{Judge, Outcome, SAMPLE_S};
use crate::model::Model;
use crate::origins;
use crate::rig::Rig;

/// What to run.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// How long, s.
    pub duration_s: f64,
    /// Corner of the file; None: nominal.
    pub corner: Option<usize>,
    /// Seed of all noise.
    pub seed: u64,
    /// A line each so often, s (rounded to whole scans).
    pub every_s: f64,
    /// What happens, by time from the start, s; in order.
    pub events: Vec<(f64, Event)>,
}

/// Something that happens in a scenario.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A fault strikes.
    Fault(Injection),
    /// A person commands the board.
    Command(Command),
}

/// One column of the record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Signal or true quantity.
    pub name: String,
    /// Unit of the values; empty for plain numbers and for 0 or 1.
    pub unit: &'static str,
    /// A true quantity of the twin rather than what the board knows.
    pub is_truth: bool,
}

/// What a rehearsal showed beside its record.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// Requirements, alarms, trips.
    pub outcome: Outcome,
    /// What happened, by time from the start, s.
    pub log: Vec<(f64, Happening)>,
}

/// Something that a rehearsal tells.
#[derive(Clone, Debug, PartialEq)]
pub enum Happening {
    /// A fault of the scenario struck.
    Struck(Injection),
    /// A person's command of the scenario; not done when the board did not run.
    Commanded {
        /// What was commanded.
        command: Command,
        /// Whether the board took it.
        is_done: bool,
    },
    /// An alarm came, or went.
    Alarm {
        /// Which.
        alarm: AlarmIdx,
        /// It stands now.
        stands: bool,
    },
    /// An actuator tripped, or was reset.
    Trip {
        /// Which.
        actuator: ActuatorIdx,
        /// It is tripped now.
        is_tripped: bool,
    },
}

impl Happening {
    /// Of the scenario, rather than what came of it.
    pub fn is_of_scenario(&self) -> bool {
        matches!(self, Happening::Struck(_) | Happening::Commanded { .. })
    }
}

/// Reads one column.
#[derive(Clone, Copy, Debug)]
enum Source {
    Slot(Slot, Scale),
    Duty(ActuatorIdx),
    Alarm(AlarmIdx),
    Truth(TruthKind, f64),
    Room,
}

/// A model whose program keeps every signal of the file, for rehearsal.
///
/// # Errors
///
/// The compiler's findings.
pub fn model(system: &System) -> Result<Model, Vec<Diagnostic>> {
    Model::with_options(system, &Options { keep_all_signals: true, ..Options::default() })
}

/// Unit in which a signal is shown, and how many of it a count of its scale is.
pub fn unit_of(scale: Scale) -> (&'static str, f64) {
    match scale {
        Scale::Bool | Scale::Count => ("", 1.0),
        Scale::MilliCelsius => ("degC", 1e-3),
        Scale::MilliKelvin => ("K", 1e-3),
        Scale::MilliPh => ("pH", 1e-3),
        Scale::Micrometre => ("mm", 1e-3),
        Scale::Millilitre => ("mL", 1.0),
        Scale::MillilitrePerMinute => ("mL/min", 1.0),
        Scale::Millisecond => ("s", 1e-3),
        Scale::MicrosiemensPerCm => ("mS/cm", 1e-3),
        Scale::Permille => ("%", 0.1),
        Scale::MilliKelvinPerHour => ("K/h", 1e-3),
        Scale::MilliPhPerHour => ("pH/h", 1e-3),
        Scale::MicrometrePerHour => ("mm/h", 1e-3),
    }
}

/// Unit and factor in which a true quantity is shown.
pub fn truth_unit(what: TruthKind) -> (&'static str, f64) {
    match what {
        TruthKind::Temperature(_) => ("degC", 1.0),
        TruthKind::Oxygen(_) => ("mg/L", 1.0),
        TruthKind::Salinity(_) | TruthKind::Ph(_) => ("", 1.0),
        TruthKind::Alkalinity(_) => ("dKH", seawater::alkalinity::DKH_PER_MEQ_PER_L),
        TruthKind::Level(_) => ("mm", 1e3),
        TruthKind::Volume(_) | TruthKind::Floor => ("L", 1e3),
        TruthKind::Bare(_) | TruthKind::Running(_) | TruthKind::Movement(_) | TruthKind::Light(_) => {
            ("", 1.0)
        }
    }
}

/// Unit and factor in which a margin is shown.
pub fn margin_unit(unit: MarginUnit) -> (&'static str, f64) {
    match unit {
        MarginUnit::Kelvin => ("K", 1.0),
        MarginUnit::MgPerLitre => ("mg/L", 1.0),
        MarginUnit::Salinity => ("salinity", 1.0),
        MarginUnit::Ph => ("pH", 1.0),
        MarginUnit::MeqPerLitre => ("dKH", seawater::alkalinity::DKH_PER_MEQ_PER_L),
        MarginUnit::Metre => ("mm", 1e3),
        MarginUnit::CubicMetre => ("L", 1e3),
        MarginUnit::Seconds => ("h", 1.0 / 3600.0),
        MarginUnit::One => ("", 1.0),
    }
}

fn sources(model: &Model) -> Vec<(Column, Source)> {
    let system = model.system();
    let mut all = vec![];
    for (signal, slot) in system.signals.iter().zip(&model.compiled.signals) {
        // An actuator's own signal is its duty column.
        if let (Some(slot), false) = (slot, system.actuators.iter().any(|a| a.name == signal.name)) {
            let (unit, _) = unit_of(signal.scale);
            let column = Column { name: signal.name.clone(), unit, is_truth: false };
            all.push((column, Source::Slot(*slot, signal.scale)));
        }
    }
    for (a, actuator) in system.actuators.iter().enumerate() {
        if model.compiled.drives[a].is_some() {
            let unit = if actuator.modulated { "%" } else { "" };
            all.push((
                Column { name: actuator.name.clone(), unit, is_truth: false },
                Source::Duty(ActuatorIdx(a)),
            ));
        }
    }
    for (i, alarm) in system.alarms.iter().enumerate() {
        let column = Column { name: format!("alarm.{}", alarm.name), unit: "", is_truth: false };
        all.push((column, Source::Alarm(AlarmIdx(i))));
    }
    let mut named: Vec<(String, TruthKind)> =
        system.truths.iter().map(|t| (t.name.clone(), t.what)).collect();
    for (v, vessel) in system.vessels.iter().enumerate() {
        named.push((format!("{}.level", vessel.name), TruthKind::Level(VesselIdx(v))));
    }
    let mut seen = std::collections::BTreeSet::new();
    for (name, what) in named {
        if seen.insert(name.clone()) {
            let (unit, factor) = truth_unit(what);
            all.push((Column { name, unit, is_truth: true }, Source::Truth(what, factor)));
        }
    }
    if !system.climates.is_empty() {
        all.push((Column { name: "room.temperature".into(), unit: "degC", is_truth: true }, Source::Room));
    }
    all
}

/// Columns of the record, in order.
pub fn columns(model: &Model) -> Vec<Column> {
    sources(model).into_iter().map(|(column, _)| column).collect()
}

/// Reads columns as points.
pub(crate) struct Reader(Vec<(Column, Source)>);

impl Reader {
    pub(crate) fn new(model: &Model, only_truths: bool) -> Self {
        Reader(sources(model).into_iter().filter(|(column, _)| column.is_truth || !only_truths).collect())
    }

    pub(crate) fn columns(&self) -> Vec<Column> {
        self.0.iter().map(|(column, _)| column.clone()).collect()
    }

    pub(crate) fn read(
        &self,
        rig: &Rig<'_, 1>,
        time_s: f64,
        times: &mut Vec<f64>,
        series: &mut [(Column, Vec<f64>)],
    ) {
        times.push(time_s);
        for ((_, values), (_, source)) in series.iter_mut().zip(&self.0) {
            values.push(read(rig, *source));
        }
    }
}

/// Runs a scenario from the start levels; `record` gets the time from the start, s, and a value for each column (NaN: bad).
///
/// # Errors
///
/// A sentence when a requirement cannot be judged.
pub fn run(
    model: &Model,
    scenario: &Scenario,
    record: &mut dyn FnMut(f64, &[f64]),
) -> Result<Rehearsal, String> {
    let system = model.system();
    let sources = sources(model);
    let scan_s = model.plan.scan_s();
    let steps = |s: f64| (s / scan_s).round().max(1.0) as u64;
    let (every, sample_every) = (steps(scenario.every_s), steps(SAMPLE_S));
    let mut rig: Rig<'_, 1> = Rig::new(model, origins::start(model, scenario.seed), &[scenario.corner]);
    let mut judge = Judge::new(model, &rig, vec![origins::monitors(model)?]);
    let mut log = vec![];
    let mut next = 0;
    let mut values = vec![0.0; sources.len()];
    let mut standing = vec![false; system.alarms.len()];
    let mut tripped = vec![false; system.actuators.len()];
    let n_scans = steps(scenario.duration_s);
    for k in 0..n_scans {
        let time = k as f64 * scan_s;
        while let Some((when, event)) = scenario.events.get(next).filter(|(when, _)| *when <= time) {
            let happening = match *event {
                Event::Fault(injection) => {
                    rig.inject(0, injection);
                    Happening::Struck(injection)
                }
                Event::Command(command) => Happening::Commanded { command, is_done: rig.command(0, command) },
            };
            log.push((*when, happening));
            next += 1;
        }
        rig.scan();
        for (i, was) in standing.iter_mut().enumerate() {
            let stands = rig.alarm(AlarmIdx(i)) != 0;
            if stands != std::mem::replace(was, stands) {
                log.push((time, Happening::Alarm { alarm: AlarmIdx(i), stands }));
            }
        }
        for (a, trips) in model.compiled.trips.iter().enumerate() {
            let is_tripped = trips.iter().any(|t| rig.machine().is_tripped(usize::from(t.order), 0));
            if is_tripped != std::mem::replace(&mut tripped[a], is_tripped) {
                log.push((time, Happening::Trip { actuator: ActuatorIdx(a), is_tripped }));
            }
        }
        if k % every == 0 {
            for (value, (_, source)) in values.iter_mut().zip(&sources) {
                *value = read(&rig, *source);
            }
            record(time, &values);
        }
        if (k + 1) % sample_every == 0 {
            judge.look(&rig, (k + 1) as f64 * scan_s);
        }
    }
    let outcome = judge.finish(&rig).swap_remove(0);
    Ok(Rehearsal { outcome, log })
}

fn read(rig: &Rig<'_, 1>, source: Source) -> f64 {
    match source {
        Source::Slot(Slot::Number(slot), scale) => {
            let sample = rig.machine().number(slot, 0);
            let good = sample.quality != program::Quality::Bad;
            if good { f64::from(sample.value) * unit_of(scale).1 } else { f64::NAN }
        }
        Source::Slot(Slot::Bit(slot), _) => {
            let (value, quality) = rig.machine().bit(slot, 0);
            if quality == program::Quality::Bad { f64::NAN } else { f64::from(u8::from(value)) }
        }
        Source::Duty(a) => {
            let permille = f64::from(rig.duty(a)[0]);
            if rig.is_modulated(a) { permille * 0.1 } else { permille * 1e-3 }
        }
        Source::Alarm(a) => f64::from(rig.alarm(a)),
        Source::Truth(what, factor) => rig.truth(what)[0] * factor,
        Source::Room => rig.twin().room_c()[0],
    }
}

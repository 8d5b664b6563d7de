//! Proof tests: for each protection of a system how often it has to be tried, why, and how.
//!
//! A protection that sleeps may be dead without anybody knowing. It fails with rate λ a year; it is called D times a year; a test each T
//! finds it. What is left: `PFDavg = λ T / 2` (IEC 61508-6, one channel, from memory), and harm at the rate
//! `λ (1 - (1 - e^-DT) / (DT))`, which is `D PFDavg` while calls are seldom and never more than λ: who is called each day is tested by that call,
//! and no test makes such a part better. The interval is the longest that keeps this within what is tolerated.
//!
//! Rates are assumed unless the parts library gives them (`rate_per_year` of a failure mode); what is tolerated is a person's choice
//! ([`Tolerated`]). Both stand in every test with their source, so that whoever knows better can say so.

pub mod schedule;
mod steps;

use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SensorKind, SupplyIdx, SupplyKind};
use system::reading::{guarding_sensors, rule_of, sensors_of_condition};
use system::{Diagnostic, System};

pub use steps::{Step, Watch};

/// What is tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A float that holds something back.
    Float,
    /// A float that calls (whatever it holds back besides): it works daily, and is cleaned rather than proved.
    CallingFloat,
    /// A moisture probe.
    Leak,
    /// The trip of an actuator: probe, program, contact.
    Trip,
    /// A contactor that cuts a whole circuit.
    Cut,
    /// Whether a message reaches a person.
    AlarmPath,
    /// The buzzer.
    Buzzer,
    /// A battery that carries what must not stop.
    Battery,
    /// Residual current device (RCD, GFCI) of a circuit.
    ResidualCurrent,
}

/// A number and where it is from.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// A year.
    pub per_year: f64,
    /// Source; "assumed" where there is none.
    pub source: String,
}

/// What harm a person tolerates, occurrences a year for each protection.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerated {
    /// Loss of the animals, or water through the house: once in a hundred years over some ten protections (assumed).
    pub loss: f64,
    /// Harm that a person can still mend: nobody told, some animals (assumed: once in twenty years).
    pub harm: f64,
    /// A person in danger of an electric shock (assumed).
    pub shock: f64,
}

impl Default for Tolerated {
    fn default() -> Self {
        Tolerated { loss: 1e-3, harm: 5e-2, shock: 1e-4 }
    }
}

/// One protection and its test.
#[derive(Clone, Debug, PartialEq)]
pub struct ProofTest {
    /// Stable: kind and part, as in `float:float_c_high`.
    pub id: String,
    /// What kind of protection.
    pub kind: Kind,
    /// Part of the system file.
    pub part: String,
    /// In words, for a list.
    pub title: String,
    /// Actuators that it holds back, by name.
    pub guards: Vec<String>,
    /// λ: failures that nobody notices.
    pub failure: Figure,
    /// D: how often it is called.
    pub demand: Figure,
    /// What is tolerated a year.
    pub tolerable_per_year: f64,
    /// The interval by the formula, days; infinite where λ alone is tolerated.
    pub reckoned_days: f64,
    /// The interval as planned: rounded down to a usual one, at most a year, at most what wiring rules and makers ask.
    pub interval_days: u32,
    /// Probability of failure on demand with that interval, `λ T / 2`.
    pub pfd_avg: f64,
    /// Harm a year with that interval.
    pub harm_per_year: f64,
    /// Why the planned interval differs from the reckoned one, if it does.
    pub because: Option<&'static str>,
    /// What to do, one after the other.
    pub steps: Vec<Step>,
    /// What a person must mind.
    pub caution: Option<&'static str>,
}

impl ProofTest {
    /// The reckoning with its numbers, for a person to check.
    pub fn formula(&self) -> String {
        format!(
            "PFDavg = λ T / 2 = {:.3}/year × {} days / 2 = {:.4}; called {}/year, so harm {:.1e}/year, tolerated {:.1e}/year",
            self.failure.per_year,
            self.interval_days,
            self.pfd_avg,
            self.demand.per_year,
            self.harm_per_year,
            self.tolerable_per_year
        )
    }
}

/// Days of a year in all reckonings.
pub const YEAR_DAYS: f64 = 365.25;

/// Harm a year of a sleeping protection: λ (1 - (1 - e^-DT) / (DT)), T in days. From the mean over the time of failure within an interval, for λT
/// far below 1; near λ D T / 2 while DT is small.
pub fn harm_per_year(failure_per_year: f64, demand_per_year: f64, interval_days: f64) -> f64 {
    let dt = demand_per_year * interval_days / YEAR_DAYS;
    let share = if dt < 1e-4 { dt / 2.0 } else { 1.0 + libm::expm1(-dt) / dt };
    failure_per_year * share
}

/// The longest interval that keeps harm within what is tolerated, days; infinite when no interval exceeds it.
pub fn longest_interval_days(failure_per_year: f64, demand_per_year: f64, tolerable_per_year: f64) -> f64 {
    if failure_per_year <= tolerable_per_year || failure_per_year <= 0.0 || demand_per_year <= 0.0 {
        return f64::INFINITY;
    }
    let (mut low, mut high) = (0.0, 1.0);
    while harm_per_year(failure_per_year, demand_per_year, high) < tolerable_per_year && high < 1e6 {
        high *= 2.0;
    }
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if harm_per_year(failure_per_year, demand_per_year, middle) <= tolerable_per_year {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Intervals that people keep, days.
const USUAL_DAYS: [u32; 7] = [365, 182, 91, 61, 30, 14, 7];

fn usual(days: f64) -> u32 {
    USUAL_DAYS.into_iter().find(|usual| f64::from(*usual) <= days).unwrap_or(7)
}

/// What is assumed of a kind: λ, D, and the longest interval that is kept anyway.
struct Assumed {
    failure: f64,
    failure_source: &'static str,
    demand: f64,
    demand_source: &'static str,
    at_most: Option<(u32, &'static str)>,
}

fn assumed(kind: Kind) -> Assumed {
    let of = |failure, failure_source, demand, demand_source, at_most| Assumed {
        failure,
        failure_source,
        demand,
        demand_source,
        at_most,
    };
    match kind {
        Kind::Float => of(
            0.1,
            "assumed: a float in salt water sticks or its contact fails once in ten years",
            0.2,
            "assumed: the float or contact before it fails once in five years",
            None,
        ),
        Kind::CallingFloat => of(
            0.1,
            "assumed, as any float",
            365.0,
            "it is called each day",
            Some((182, "it shows by itself when it fails; twice a year it is cleaned (common practice)")),
        ),
        Kind::Leak => of(
            0.05,
            "assumed: salt creeps over a contact once in twenty years",
            0.2,
            "assumed: water beside the tank once in five years",
            None,
        ),
        Kind::Trip => of(
            0.07,
            "assumed: probe 0.05, welded contact 0.02",
            0.1,
            "assumed: what it guards runs away once in ten years",
            None,
        ),
        Kind::Cut => {
            of(0.02, "assumed: a contact welds once in fifty years", 0.1, "assumed, as a trip", None)
        }
        Kind::AlarmPath => of(
            0.3,
            "assumed: an account, a number or a router changes once in three years",
            2.0,
            "assumed: two alarms a year that matter",
            None,
        ),
        Kind::Buzzer => of(0.02, "assumed", 2.0, "assumed, as messages", None),
        Kind::Battery => of(
            0.1,
            "assumed: a battery, its charger or its fuse fails unseen once in ten years",
            2.0,
            "assumed: two outages a year",
            None,
        ),
        Kind::ResidualCurrent => of(
            0.03,
            "from memory: surveys found some 7 % of domestic devices dead, at an age of a few years",
            0.02,
            "assumed: a live part in the water once in fifty years",
            Some((
                91,
                "makers and wiring rules ask for the test button at least each half year, many each month (from memory)",
            )),
        ),
    }
}

/// All proof tests of a system, by id.
pub fn tests(system: &System, tolerated: &Tolerated) -> Vec<ProofTest> {
    let mut out = Vec::new();
    out.extend((0..system.sensors.len()).filter_map(|i| of_sensor(system, SensorIdx(i), tolerated)));
    out.extend(system.rules.iter().filter_map(|rule| {
        let trip = rule.trip.as_ref()?;
        let read = sensors_of_condition(system, &trip.when);
        // A trip by contacts alone is tried with its float.
        let by_value = read.iter().any(|s| !is_contact(&system.sensors[s.idx()].kind));
        by_value.then(|| of_trip(system, rule.drives, &read, tolerated))
    }));
    out.extend((0..system.actuators.len()).filter_map(|a| of_actuator(system, ActuatorIdx(a), tolerated)));
    out.extend((0..system.supplies.len()).filter_map(|s| of_supply(system, SupplyIdx(s), tolerated)));
    if !system.alarms.is_empty() {
        let found_by_silence = system.telling.heartbeat_s.is_some();
        let mut subject = Subject::new(Kind::AlarmPath, "alarm_path", "Messages reach a person");
        if found_by_silence {
            subject.failure = Some(Figure {
                per_year: 0.03,
                source: "assumed 0.3, of which the heartbeat finds nine in ten".into(),
            });
        }
        subject.steps = steps::alarm_path();
        out.push(subject.test(tolerated.harm));
    }
    out.sort_by(|a, b| a.id.cmp(&b.id));
    out
}

fn is_contact(kind: &SensorKind) -> bool {
    matches!(
        kind,
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button
    )
}

/// What a test is about, before it is reckoned.
struct Subject<'a> {
    kind: Kind,
    part: &'a str,
    title: String,
    guards: Vec<String>,
    failure: Option<Figure>,
    steps: Vec<Step>,
    caution: Option<&'static str>,
}

impl<'a> Subject<'a> {
    fn new(kind: Kind, part: &'a str, title: impl Into<String>) -> Self {
        Subject {
            kind,
            part,
            title: title.into(),
            guards: vec![],
            failure: None,
            steps: vec![],
            caution: None,
        }
    }

    fn test(self, tolerable: f64) -> ProofTest {
        let assumed = assumed(self.kind);
        let failure = self
            .failure
            .unwrap_or_else(|| Figure { per_year: assumed.failure, source: assumed.failure_source.into() });
        let demand = Figure { per_year: assumed.demand, source: assumed.demand_source.into() };
        let reckoned_days = longest_interval_days(failure.per_year, demand.per_year, tolerable);
        let (interval_days, because) = match assumed.at_most {
            Some((most, why)) if self.kind == Kind::CallingFloat || f64::from(most) < reckoned_days => {
                (most, Some(why))
            }
            _ if reckoned_days < 7.0 => (
                7,
                Some("more often than weekly nobody does it: a second, independent protection is what helps"),
            ),
            _ if reckoned_days > 365.0 => {
                (365, Some("once a year whatever the numbers say (common practice)"))
            }
            _ => (usual(reckoned_days), None),
        };
        let days = f64::from(interval_days);
        ProofTest {
            id: format!("{}:{}", self.kind.word(), self.part),
            kind: self.kind,
            part: self.part.to_owned(),
            title: self.title,
            guards: self.guards,
            pfd_avg: failure.per_year * days / YEAR_DAYS / 2.0,
            harm_per_year: harm_per_year(failure.per_year, demand.per_year, days),
            failure,
            demand,
            tolerable_per_year: tolerable,
            reckoned_days,
            interval_days,
            because,
            steps: self.steps,
            caution: self.caution,
        }
    }
}

impl Kind {
    /// Word of the id.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Float | Kind::CallingFloat => "float",
            Kind::Leak => "leak",
            Kind::Trip => "trip",
            Kind::Cut => "cut",
            Kind::AlarmPath => "alarm-path",
            Kind::Buzzer => "buzzer",
            Kind::Battery => "battery",
            Kind::ResidualCurrent => "residual-current",
        }
    }
}

/// Failures a year of a part by its library, when that gives any.
fn by_library(system: &System, part: &str) -> Option<Figure> {
    let part = system.library.parts().iter().find(|p| p.id == part)?;
    let known: Vec<(f64, &str)> =
        part.modes.iter().filter_map(|m| Some((m.rate_per_year?, m.source.as_str()))).collect();
    let per_year = known.iter().map(|k| k.0).sum::<f64>();
    (!known.is_empty())
        .then(|| Figure { per_year, source: format!("parts library, `{}`: {}", part.id, known[0].1) })
}

fn of_sensor(system: &System, idx: SensorIdx, tolerated: &Tolerated) -> Option<ProofTest> {
    let sensor = &system.sensors[idx.idx()];
    let guards = guarded_by(system, idx);
    let calls = system.rules.iter().any(|r| system::reading::deciding_sensors(system, r).contains(&idx));
    let (kind, title, steps) = match sensor.kind {
        SensorKind::Float { true_above, .. } => {
            let kind = if calls { Kind::CallingFloat } else { Kind::Float };
            let title =
                format!("Float {}{}", sensor.name, if calls { ", which calls: clean it" } else { "" });
            (kind, title, steps::float(system, sensor, true_above, &guards))
        }
        SensorKind::Leak => {
            (Kind::Leak, format!("Leak probe {}", sensor.name), steps::leak(system, sensor, &guards))
        }
        _ => return None,
    };
    let mut subject = Subject::new(kind, &sensor.name, title);
    subject.failure = by_library(system, &sensor.part);
    subject.guards = guards.iter().map(|a| system.actuators[a.idx()].name.clone()).collect();
    subject.steps = steps;
    subject.caution = steps::caution(system, &guards);
    Some(subject.test(tolerated.loss))
}

/// Actuators that a sensor holds back, by rule or in hardware.
fn guarded_by(system: &System, sensor: SensorIdx) -> Vec<ActuatorIdx> {
    let holds = |a: &ActuatorIdx| {
        system.actuators[a.idx()].series.contains(&sensor)
            || rule_of(system, *a).is_some_and(|rule| guarding_sensors(system, rule).contains(&sensor))
    };
    (0..system.actuators.len()).map(ActuatorIdx).filter(holds).collect()
}

fn of_trip(system: &System, drives: ActuatorIdx, read: &[SensorIdx], tolerated: &Tolerated) -> ProofTest {
    let actuator = &system.actuators[drives.idx()];
    let mut subject = Subject::new(Kind::Trip, &actuator.name, format!("Trip of {}", actuator.name));
    subject.guards = vec![actuator.name.clone()];
    subject.steps = steps::trip(system, actuator, read);
    subject.caution = steps::caution(system, &[drives]);
    subject.test(tolerated.loss)
}

fn of_actuator(system: &System, idx: ActuatorIdx, tolerated: &Tolerated) -> Option<ProofTest> {
    let actuator = &system.actuators[idx.idx()];
    let (kind, title, tolerable) = match actuator.kind {
        ActuatorKind::Contactor if system.supplies.iter().any(|s| s.through == Some(idx)) => {
            (Kind::Cut, format!("Contactor {}", actuator.name), tolerated.loss)
        }
        ActuatorKind::Buzzer => (Kind::Buzzer, format!("Buzzer {}", actuator.name), tolerated.harm),
        _ => return None,
    };
    let mut subject = Subject::new(kind, &actuator.name, title);
    subject.failure = by_library(system, &actuator.part);
    subject.steps = if kind == Kind::Cut { steps::cut(system, actuator) } else { steps::buzzer(actuator) };
    if kind == Kind::Cut {
        subject.caution = Some(steps::MAINS);
        let behind = |s: &&system::model::Supply| s.through == Some(idx);
        subject.guards = system.supplies.iter().filter(behind).map(|s| s.name.clone()).collect();
    }
    Some(subject.test(tolerable))
}

fn of_supply(system: &System, idx: SupplyIdx, tolerated: &Tolerated) -> Option<ProofTest> {
    let supply = &system.supplies[idx.idx()];
    let (kind, title, steps, tolerable) = match supply.kind {
        SupplyKind::Circuit { rcd_a: Some(_), .. } => (
            Kind::ResidualCurrent,
            format!("RCD of {}", supply.name),
            steps::residual_current(system, idx),
            tolerated.shock,
        ),
        SupplyKind::Battery { .. } => {
            (Kind::Battery, format!("Battery {}", supply.name), steps::battery(system, idx), tolerated.harm)
        }
        _ => return None,
    };
    let mut subject = Subject::new(kind, &supply.name, title);
    subject.steps = steps;
    subject.caution = Some(steps::MAINS);
    Some(subject.test(tolerable))
}

/// What is to be said of a plan as such.
pub fn findings(tests: &[ProofTest]) -> Vec<Diagnostic> {
    let too_often = tests.iter().filter(|t| t.reckoned_days < 7.0 && t.kind != Kind::CallingFloat);
    too_often
        .map(|t| {
            Diagnostic::warning(
                "proof-test-not-enough",
                format!("{}: no test that anybody keeps makes it safe enough alone", t.title),
            )
            .note(t.formula())
            .help("add a second protection of another kind (a float in series in hardware, a smaller reservoir), or say that more is tolerated")
            .subject(t.part.clone())
        })
        .collect()
}

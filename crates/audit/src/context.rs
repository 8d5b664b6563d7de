//! What the checks share: the system, its design point, its water at rest, and where findings and facts go.

use crate::facts::{Facts, HoursFact};
use crate::geometry::{Rest, Sill, pour};
use crate::reads;
use crate::running::{self, Running};
use crate::{Audit, geometry};
use system::model::{ActuatorIdx, Passage, PassageKind, SensorIdx, SensorKind, SignalSource, VesselIdx};
use system::{Diagnostic, Level, System};

/// Litres in a cubic metre.
pub const LITRES: f64 = 1e3;
/// More than this on the floor is harm, m³ (the customary requirement; common practice, no source).
pub const FLOOR_LIMIT: f64 = 0.5e-3;

/// Hours as a person says them: `90 s`, `14 min`, `6.5 h`.
pub(crate) fn span_h(hours: f64) -> String {
    match hours * 60.0 {
        minutes if minutes < 1.5 => format!("{:.0} s", minutes * 60.0),
        minutes if minutes < 99.5 => format!("{minutes:.0} min"),
        _ if hours < 9.95 => format!("{hours:.1} h"),
        _ => format!("{hours:.0} h"),
    }
}

/// Shared by all checks.
pub struct Context<'a> {
    /// The system.
    pub system: &'a System,
    /// The design point.
    pub point: Running,
    /// After the pumps stop.
    pub stopped: Rest,
    /// After the pumps stop with holes shut and check valves leaking.
    pub worst: Rest,
    /// Lowest level in each vessel, m.
    pub lowest: Vec<f64>,
    /// Nominal and 40 % larger evaporation in the worst climate, m³/s. None without climates or open water.
    pub evaporation: Option<(f64, f64)>,
    /// Facts so far.
    pub facts: Facts,
    findings: Vec<Diagnostic>,
}

impl<'a> Context<'a> {
    /// Computes the design point and both states of rest.
    pub fn new(system: &'a System) -> Self {
        let point = running::running(system);
        let (pipes, _) = running::pipe_contents(system, &point);
        let stopped = pour(system, &point.levels, &pipes, &sills(system, &point, false));
        let worst = pour(system, &point.levels, &pipes, &sills(system, &point, true));
        let evaporation = crate::evaporation::range(system, &point);
        let mut context = Self {
            system,
            point,
            stopped,
            worst,
            lowest: vec![],
            evaporation,
            facts: Facts::default(),
            findings: vec![],
        };
        context.lowest = context.lowest_levels();
        context
    }

    /// Adds a finding.
    pub fn add(&mut self, finding: Diagnostic) {
        self.findings.push(finding);
    }

    /// Whether the system has geometry enough for water lines.
    pub fn has_water(&self) -> bool {
        self.system.vessels.iter().any(geometry::holds_tank_water)
    }

    /// Ends the audit: accepted findings become notes, the worst come first.
    pub fn finish(mut self) -> Audit {
        for finding in &mut self.findings {
            let Some(subject) = finding.subject.clone() else { continue };
            let accepted = self.system.accepted.iter().find(|accepted| {
                accepted.mode == finding.id && (accepted.part == subject || accepted.part == "*")
            });
            if let Some(accepted) = accepted {
                finding.level = Level::Note;
                finding.notes.push(format!(
                    "accepted, next review {}: {} (relied on: {})",
                    accepted.review, accepted.reason, accepted.procedure
                ));
            }
        }
        self.findings.sort_by_key(|finding| std::cmp::Reverse(finding.level));
        Audit { findings: self.findings, facts: self.facts }
    }

    /// Place of a thing in the file.
    pub fn place(&self, key: &str) -> Option<core::ops::Range<usize>> {
        self.system.places.find(key)
    }

    /// Water that ran over a rim less what the bund holds, m³.
    pub fn floor(&self, spilled: f64) -> f64 {
        (spilled - self.system.bund.map_or(0.0, |bund| bund.volume())).max(0.0)
    }

    /// Notes a way to harm and its time for the table of hours.
    pub fn hours(&mut self, what: impl Into<String>, harm: &str, hours: f64) {
        if hours.is_finite() {
            let person_h = self.system.response.weekend_s / 3600.0;
            self.facts.hours.push(HoursFact { what: what.into(), harm: harm.into(), hours, person_h });
        }
    }

    /// Vessels that share a tank with `v`, itself included.
    pub fn tank_of(&self, v: VesselIdx) -> Vec<VesselIdx> {
        tank_of(self.system, v)
    }

    /// Pumped passages with their position.
    pub fn pumped(&self) -> impl Iterator<Item = (usize, &'a Passage)> {
        self.system.passages.iter().enumerate().filter(|(_, p)| matches!(p.kind, PassageKind::Pumped { .. }))
    }

    /// Vessels that a pumped line draws from, each once.
    pub fn sources(&self) -> Vec<VesselIdx> {
        let mut sources = vec![];
        for (_, passage) in self.pumped() {
            if !sources.contains(&passage.from) {
                sources.push(passage.from);
            }
        }
        sources
    }

    /// Whether a float (or another contact), with the water above it or below, stops an actuator by hardware or rule.
    pub fn stops(&self, actuator: ActuatorIdx, sensor: SensorIdx, above: bool) -> bool {
        self.stops_in_hardware(actuator, sensor, above) || self.stops_by_rule(actuator, sensor, above)
    }

    /// Whether a float in series opens the circuit of an actuator.
    pub fn stops_in_hardware(&self, actuator: ActuatorIdx, sensor: SensorIdx, above: bool) -> bool {
        let SensorKind::Float { closed_above, .. } = self.system.sensors[sensor.idx()].kind else {
            return false;
        };
        self.system.actuators[actuator.idx()].series.contains(&sensor) && closed_above != above
    }

    /// Whether the rule of an actuator holds it off with the float in this state, whatever else is true.
    pub fn stops_by_rule(&self, actuator: ActuatorIdx, sensor: SensorIdx, above: bool) -> bool {
        let SensorKind::Float { true_above, .. } = self.system.sensors[sensor.idx()].kind else {
            return false;
        };
        let Some(rule) = reads::rule_of(self.system, actuator) else { return false };
        let system = self.system;
        let known = |signal: system::model::SignalIdx, compared: Option<_>| {
            let is = compared.is_none()
                && system.signals.get(signal.idx()).is_some_and(|s| s.source == SignalSource::Sensor(sensor));
            is.then_some(true_above == above)
        };
        let denies =
            |condition: &system::expr::Condition| reads::evaluate(system, condition, &known) == Some(false);
        rule.permissive.as_ref().is_some_and(denies)
            || rule
                .trip
                .as_ref()
                .is_some_and(|trip| reads::evaluate(system, &trip.when, &known) == Some(true))
    }

    /// Level at which a float in a pump's source stops it, m: the highest of those below the running level.
    pub fn low_stop(&self, actuator: ActuatorIdx, source: VesselIdx) -> Option<f64> {
        let running = self.point.levels[source.idx()];
        self.floats_in(source)
            .filter(|(sensor, low, _)| *low < running && self.stops(actuator, *sensor, false))
            .map(|(_, low, _)| low)
            .reduce(f64::max)
    }

    /// Floats in a vessel: sensor, low, high.
    pub fn floats_in(&self, vessel: VesselIdx) -> impl Iterator<Item = (SensorIdx, f64, f64)> + '_ {
        self.system.sensors.iter().enumerate().filter_map(move |(i, sensor)| match sensor.kind {
            SensorKind::Float { low, high, .. } if sensor.vessel == Some(vessel) => {
                Some((SensorIdx(i), low, high))
            }
            _ => None,
        })
    }

    fn lowest_levels(&self) -> Vec<f64> {
        let mut lowest: Vec<f64> =
            (0..self.system.vessels.len()).map(|v| self.point.levels[v].min(self.worst.levels[v])).collect();
        for (_, passage) in self.pumped() {
            let PassageKind::Pumped { pump, intake, .. } = passage.kind else { continue };
            let v = passage.from.idx();
            let least = self.low_stop(pump, passage.from).unwrap_or(intake).max(intake);
            lowest[v] = lowest[v].min(least);
            for other in self.tank_of(passage.from) {
                let sill =
                    self.system.passages.iter().filter(|p| p.from == other).filter_map(|p| match p.kind {
                        PassageKind::Baffle { top: height, .. } | PassageKind::Weir { crest: height, .. } => {
                            Some(height)
                        }
                        PassageKind::Opening { height, .. } => Some(height.max(least)),
                        _ => None,
                    });
                if let Some(sill) = sill.reduce(f64::min) {
                    lowest[other.idx()] = lowest[other.idx()].min(sill);
                }
            }
        }
        lowest
    }
}

/// Vessels that share a tank with `v`, itself included.
pub fn tank_of(system: &System, v: VesselIdx) -> Vec<VesselIdx> {
    let group = system.vessels[v.idx()].chamber_of.as_ref();
    (0..system.vessels.len())
        .map(VesselIdx)
        .filter(|other| {
            *other == v || (group.is_some() && system.vessels[other.idx()].chamber_of.as_ref() == group)
        })
        .collect()
}

/// Sills over which resting water passes once the pumps stand still. `worst`: holes grown shut, check valves leaking.
pub fn sills(system: &System, point: &Running, worst: bool) -> Vec<Sill> {
    let mut sills = vec![];
    for passage in &system.passages {
        let (from, to) = (passage.from, passage.to);
        let floor = |v: VesselIdx| system.vessels[v.idx()].floor_m;
        match &passage.kind {
            PassageKind::Weir { crest: height, .. }
            | PassageKind::Baffle { top: height, .. }
            | PassageKind::Opening { height, .. } => {
                sills.push(Sill { from, to: Some(to), height: floor(from) + height, both_ways: true });
            }
            PassageKind::Sock { .. } => {
                let height = floor(from).max(floor(to));
                sills.push(Sill { from, to: Some(to), height, both_ways: true });
            }
            PassageKind::Drain { inlet, branches, .. } => {
                let height = floor(from) + inlet;
                sills.push(Sill { from, to: Some(to), height, both_ways: false });
                sills.extend(branches.iter().map(|b| Sill {
                    from,
                    to: Some(b.to),
                    height,
                    both_ways: false,
                }));
            }
            PassageKind::Siphon { inlet, outlet, .. } => {
                let height = (floor(from) + inlet).max(floor(to) + outlet);
                sills.push(Sill { from, to: Some(to), height, both_ways: true });
            }
            PassageKind::Pumped { outlet, break_hole, check_valve, branches, .. } => {
                if *check_valve && !worst {
                    continue;
                }
                for (i, (leg, outlet, _)) in running::legs(to, *outlet, branches).iter().enumerate() {
                    // Above the water the outlet draws air at once.
                    if point.levels[leg.idx()] <= *outlet {
                        continue;
                    }
                    let hole = break_hole.filter(|_| i == 0 && !worst).unwrap_or(*outlet).max(*outlet);
                    sills.push(Sill {
                        from: *leg,
                        to: Some(from),
                        height: floor(*leg) + hole,
                        both_ways: false,
                    });
                }
            }
            PassageKind::Line { .. } => {}
        }
    }
    sills
}

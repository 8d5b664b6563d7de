//! The quantities that are watched for drift, and how each is made of hours.

use alarms::watch::{Expected, Kind, Layout, Span, middle};
use serde::{Deserialize, Serialize};
use system::System;
use system::model::{PassageKind, SensorKind};

use super::chart::Design;
use super::course::{Law, Rule, Sample};
use super::warming;

/// ms.
pub(super) const HOUR_MS: i64 = 3_600_000;
/// ms.
pub(super) const DAY_MS: i64 = 24 * HOUR_MS;

/// Hours of flow that make one sample, and how many of them must be sound.
const FLOW_H: i64 = 6;
const FLOW_SOUND: usize = 3;
/// A pump runs when it was on for this share of an hour.
const RUNS: f64 = 0.995;
/// A day counts when records speak for so much of it.
const DAY_COVERED_MS: i64 = 22 * HOUR_MS;
/// pH of a day counts with so many sound hours.
const SWING_HOURS: usize = 22;
/// A day on which the heaters gave less than this share of their plates says nothing: it was warm enough without them.
const LEAST_HEAT: f64 = 0.02;
/// What heat needs.
const NO_ROOM: &str = "nothing measures the room, so its weather cannot be told from a fault; a thermometer in the air of the room would";

/// What is watched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// What a flow meter says while its pump runs, L/h.
    Flow,
    /// How fast a heater warms the water, K/h at full power.
    HeaterPower,
    /// Heat that the heaters give in a day, mean W by their plates.
    HeatNeed,
    /// Water that is added in a day, L.
    WaterUse,
    /// Highest less lowest hour of pH in a day.
    PhSwing,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Quantity; 5] =
        [Quantity::Flow, Quantity::HeaterPower, Quantity::HeatNeed, Quantity::WaterUse, Quantity::PhSwing];

    /// Stable name.
    pub fn id(self) -> &'static str {
        match self {
            Quantity::Flow => "flow",
            Quantity::HeaterPower => "heater-power",
            Quantity::HeatNeed => "heat-need",
            Quantity::WaterUse => "water-use",
            Quantity::PhSwing => "ph-swing",
        }
    }

    /// Unit of its values.
    pub fn unit(self) -> &'static str {
        match self {
            Quantity::Flow => "L/h",
            Quantity::HeaterPower => "K/h",
            Quantity::HeatNeed => "W",
            Quantity::WaterUse => "L/d",
            Quantity::PhSwing => "pH",
        }
    }

    /// How it is judged. Figures are our own, held by the runs on the twin of the example `drift`; `h` follows from the run length
    /// ([`super::chart::run_length`]) of one false word in some decades of samples.
    pub(super) fn rule(self, is_room_known: bool) -> Rule {
        let daily = Rule {
            law: Law::Proportional,
            learn: 10,
            keep: 28,
            lag: 3,
            is_moving: true,
            floor: 0.12,
            least: 0.25,
            only_less: false,
            least_level: 0.3,
            step_ms: DAY_MS,
            design: Design { k: 1.0, h: 5.0 },
        };
        match self {
            Quantity::Flow => Rule {
                learn: 8,
                keep: 40,
                lag: 4,
                is_moving: false,
                floor: 0.02,
                least: 0.08,
                step_ms: FLOW_H * HOUR_MS,
                ..daily
            },
            // What it gives by hourly means depends on how it cycles, by up to a third either way.
            Quantity::HeaterPower => Rule { is_moving: false, least: 0.35, only_less: true, ..daily },
            Quantity::HeatNeed => Rule { law: Law::Line, least: 0.4, least_level: 1.0, ..daily },
            Quantity::WaterUse if is_room_known => Rule { least: 0.15, ..daily },
            Quantity::WaterUse => daily,
            Quantity::PhSwing => Rule { floor: 0.08, least: 0.35, ..daily },
        }
    }
}

/// One quantity of one part.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Series {
    pub quantity: Quantity,
    /// Signal, heater or board.
    pub part: String,
    /// Parts of which an act makes it learn anew.
    pub touched_by: Vec<String>,
    pub samples: Vec<Sample>,
    pub is_room_known: bool,
    /// Why it cannot be judged.
    pub unjudged: Option<&'static str>,
}

/// Hours of one day, when records speak for enough of it.
struct Day<'s> {
    end_ms: i64,
    hours: &'s [Span],
    whole: Span,
}

/// Stretches of so many hours, each with its end; the last only when its last hour is there.
fn stretches(hours: &[Span], length_h: i64) -> impl Iterator<Item = (i64, &[Span])> {
    let length_ms = length_h * HOUR_MS;
    let last_ms = hours.last().map_or(i64::MIN, |h| h.from_ms);
    (hours.chunk_by(move |a, b| a.from_ms.div_euclid(length_ms) == b.from_ms.div_euclid(length_ms)))
        .filter_map(move |of| Some(((of.first()?.from_ms.div_euclid(length_ms) + 1) * length_ms, of)))
        .filter(move |(end_ms, _)| *end_ms <= last_ms.saturating_add(HOUR_MS))
}

fn days(hours: &[Span]) -> Vec<Day<'_>> {
    stretches(hours, 24)
        .filter_map(|(end_ms, hours)| Some(Day { end_ms, hours, whole: Span::of(hours.iter())? }))
        .filter(|day| day.whole.covered_ms >= DAY_COVERED_MS)
        .collect()
}

/// All that can be watched of a system, with its samples out of hours, oldest first.
pub(super) fn series(
    system: &System,
    layout: &Layout,
    hours: &[Span],
    expected: &dyn Expected,
) -> Vec<Series> {
    let days = days(hours);
    let mut all = flows(system, layout, hours);
    all.extend(warming::series(layout, days.iter().map(|d| (d.end_ms, d.hours))));
    let is_room_known = layout.of_kind(Kind::Room).next().is_some();
    let heaters: Vec<usize> = (0..layout.drives.len()).filter(|d| layout.drives[*d].is_heater).collect();
    let names = |of: &mut dyn Iterator<Item = usize>| of.map(|d| layout.drives[d].name.clone()).collect();
    if !heaters.is_empty() {
        all.push(Series {
            quantity: Quantity::HeatNeed,
            part: layout.board.clone(),
            touched_by: names(&mut heaters.iter().copied()),
            samples: days.iter().filter_map(|day| heat_need(layout, day, expected, is_room_known)).collect(),
            is_room_known,
            unjudged: (!is_room_known).then_some(NO_ROOM),
        });
    }
    if layout.drives.iter().any(|d| d.adds.is_some()) {
        let mut adding = (0..layout.drives.len()).filter(|d| layout.drives[*d].adds.is_some());
        all.push(Series {
            quantity: Quantity::WaterUse,
            part: layout.board.clone(),
            touched_by: names(&mut adding),
            samples: days.iter().filter_map(|day| water(layout, day, expected, is_room_known)).collect(),
            is_room_known,
            unjudged: None,
        });
    }
    for s in layout.of_kind(Kind::Ph) {
        let part = layout.signals[s].name.clone();
        all.push(Series {
            quantity: Quantity::PhSwing,
            touched_by: vec![part.clone()],
            part,
            samples: days.iter().filter_map(|day| swing(s, day)).collect(),
            is_room_known,
            unjudged: None,
        });
    }
    all
}

fn flows(system: &System, layout: &Layout, hours: &[Span]) -> Vec<Series> {
    let of_sensor = |sensor: &system::model::Sensor| {
        let SensorKind::Flow { passage, .. } = sensor.kind else { return None };
        let passage = system.passages.get(passage.idx())?;
        let pump = match passage.kind {
            PassageKind::Pumped { pump, .. } | PassageKind::Line { pump, .. } => Some(pump.idx()),
            _ => None,
        };
        let s = layout.signal(&sensor.name)?;
        let is_sound = |hour: &&Span| {
            let runs = pump.is_none_or(|pump| hour.duty(pump) >= RUNS);
            runs && hour.procedure_ms == 0 && hour.covered_ms * 2 > HOUR_MS
        };
        let samples = stretches(hours, FLOW_H)
            .filter_map(|(at_ms, of)| {
                let flows: Vec<f64> = of.iter().filter(is_sound).filter_map(|h| h.mean(s)).collect();
                let is_enough = flows.len() >= FLOW_SOUND;
                let value = middle(flows).filter(|_| is_enough)?;
                Some(Sample { at_ms, value, by: 1.0 })
            })
            .collect();
        let mut touched_by = vec![sensor.name.clone(), passage.name.clone()];
        touched_by.extend(pump.and_then(|p| system.actuators.get(p)).map(|a| a.name.clone()));
        Some(Series {
            quantity: Quantity::Flow,
            part: sensor.name.clone(),
            touched_by,
            samples,
            is_room_known: false,
            unjudged: None,
        })
    };
    system.sensors.iter().filter_map(of_sensor).collect()
}

/// Degrees of the water.
pub(super) fn water_c(layout: &Layout, over: &Span) -> Option<f64> {
    middle(layout.of_kind(Kind::Temperature).filter_map(|s| over.mean(s)).collect())
}

fn heat_need(layout: &Layout, day: &Day<'_>, expected: &dyn Expected, is_room_known: bool) -> Option<Sample> {
    if day.whole.changed_ms > 0 {
        return None;
    }
    let heaters = || layout.drives.iter().enumerate().filter(|(_, drive)| drive.is_heater);
    let value: f64 = heaters().map(|(d, drive)| drive.watts * day.whole.duty(d)).sum();
    if value < LEAST_HEAT * heaters().map(|(_, drive)| drive.watts).sum::<f64>() {
        return None;
    }
    let by = if is_room_known { water_c(layout, &day.whole)? - expected.room_c(&day.whole)? } else { 1.0 };
    Some(Sample { at_ms: day.end_ms, value, by })
}

fn water(layout: &Layout, day: &Day<'_>, expected: &dyn Expected, is_room_known: bool) -> Option<Sample> {
    if day.whole.changed_ms > 0 {
        return None;
    }
    let hours = day.whole.covered_ms as f64 / HOUR_MS as f64;
    let added: f64 = (layout.drives.iter().zip(&day.whole.drives))
        .filter_map(|(drive, run)| Some(drive.adds?.0 * run.on_ms / HOUR_MS as f64))
        .sum();
    let by = if is_room_known {
        expected.evaporation_l_h(&day.whole).map(|band| band.usual * 24.0).filter(|l| *l > 0.0)?
    } else {
        1.0
    };
    Some(Sample { at_ms: day.end_ms, value: added * 24.0 / hours, by })
}

fn swing(signal: usize, day: &Day<'_>) -> Option<Sample> {
    let means: Vec<f64> = day.hours.iter().filter_map(|h| h.mean(signal)).collect();
    if means.len() < SWING_HOURS || day.whole.changed_ms > 0 {
        return None;
    }
    let high = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = means.iter().copied().fold(f64::INFINITY, f64::min);
    Some(Sample { at_ms: day.end_ms, value: high - low, by: 1.0 })
}

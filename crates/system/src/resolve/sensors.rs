//! `[[sensor]]`: what is measured, with what, where, and how badly.

use units::Kind;

use super::context::{Context, Entry, Thing};
use super::gear;
use crate::model::{
    Amplifier, PassageIdx, Sensor, SensorIdx, SensorKind, SignalIdx, SupplyIdx, VesselIdx, Volts,
};
use crate::parts::{PartOf, SensorClass};
use crate::raw::{Bound, Table};

/// Words for kinds of sensor.
pub(crate) const SENSOR_KINDS: &[(&str, SensorClass)] = &[
    ("ds18b20", SensorClass::Ds18b20),
    ("tmp36", SensorClass::Tmp36),
    ("ntc", SensorClass::Ntc),
    ("ph", SensorClass::Ph),
    ("conductivity", SensorClass::Conductivity),
    ("level", SensorClass::Level),
    ("float", SensorClass::Float),
    ("leak", SensorClass::Leak),
    ("flow", SensorClass::Flow),
    ("presence", SensorClass::Presence),
    ("charge", SensorClass::Charge),
    ("room_temperature", SensorClass::RoomTemperature),
    ("button", SensorClass::Button),
];

pub(super) fn sensors(context: &Context<'_>) -> Vec<Sensor> {
    context.sensors.iter().map(|entry| sensor(context, entry)).collect()
}

fn sensor<'a>(context: &Context<'a>, entry: &Entry<'a>) -> Sensor {
    let table = &entry.table;
    let class = table.need("kind", "\"ds18b20\"").and_then(|field| field.word(SENSOR_KINDS));
    if class.is_none() {
        table.leave();
    }
    let class = class.unwrap_or(SensorClass::Button);
    let word = SENSOR_KINDS.iter().find(|(_, c)| *c == class).map_or("button", |(word, _)| word);
    let part = gear::part(context, table, word, PartOf::Sensor(class));
    let usual = |key: &str| context.library.value(&part, key).unwrap_or(0.0);
    let spread = spread_kind(class);
    let read = |key: &'static str, bound| match spread {
        Some(kind) => table.quantity(key, kind, bound),
        None => None,
    };
    let lag_s = table.quantity("lag", Kind::Time, Bound::NotNegative).unwrap_or_else(|| usual("lag"));
    let noise = read("noise", Bound::NotNegative).unwrap_or_else(|| usual("noise"));
    let offset = read("offset", Bound::Any).unwrap_or(0.0);
    let max_age_s =
        table.quantity("max_age", Kind::Time, Bound::Positive).unwrap_or_else(|| usual("max_age"));
    // Read by the signals, which know the scale.
    table.get("range");
    Sensor {
        name: entry.name.clone(),
        kind: kind(context, table, class),
        vessel: context.refer_key(table, "vessel", Thing::Vessel).map(VesselIdx),
        height: table.quantity("height", Kind::Length, Bound::NotNegative),
        supply: context.refer_key(table, "supply", Thing::Supply).map(SupplyIdx),
        lag_s,
        noise,
        offset,
        max_age_s,
        signal: SignalIdx(usize::MAX),
        volts: volts(table, class),
        amplifier: amplifier(table, class),
        mounted: (class == SensorClass::Level)
            .then(|| table.quantity("mounted", Kind::Length, Bound::Positive))
            .flatten(),
        temperature: matches!(class, SensorClass::Ph | SensorClass::Level)
            .then(|| context.refer_key(table, "temperature", Thing::Sensor).map(SensorIdx))
            .flatten(),
        part,
    }
}

/// Full scale of the converter when nothing is said, V: the supply of a 5 V board.
const USUAL_REFERENCE: f64 = 5.0;

fn reference(table: &Table<'_>) -> f64 {
    table.quantity("reference", Kind::Voltage, Bound::Within(0.5, 5.5)).unwrap_or(USUAL_REFERENCE)
}

/// What stands between a pH electrode and the board.
fn amplifier(table: &Table<'_>, class: SensorClass) -> Amplifier {
    /// Gain when nothing is said (assumed; a common isolated circuit): pH 0 to 14 takes 4.1 V of 5 V.
    const USUAL_GAIN: f64 = 5.0;
    if class != SensorClass::Ph {
        return Amplifier { midpoint_v: 0.5 * USUAL_REFERENCE, gain: USUAL_GAIN };
    }
    let reference_v = reference(table);
    let midpoint = table.quantity("midpoint", Kind::Voltage, Bound::Within(0.0, reference_v));
    let gain = match table.get("gain") {
        Some(field) => field.number(Bound::Within(-100.0, 100.0)).filter(|gain| {
            let is_some = gain.abs() >= 0.1;
            if !is_some {
                field.report(
                    "out-of-range",
                    format!("{} would see nothing of its electrode with a gain of {gain}", table.label),
                    "",
                    "write the change of the amplifier's output over that of the electrode, such as 5.0",
                );
            }
            is_some
        }),
        None => None,
    };
    Amplifier { midpoint_v: midpoint.unwrap_or(0.5 * reference_v), gain: gain.unwrap_or(USUAL_GAIN) }
}

/// The voltage of a probe that gives one in proportion: 0.5 to 4.5 V of a 5 V supply unless said otherwise, as most pressure
/// transmitters have it (common practice, no source). A dead wire then reads as no measurement rather than as empty.
fn volts(table: &Table<'_>, class: SensorClass) -> Volts {
    let kind = match class {
        SensorClass::Level if table.has("mounted") => None,
        SensorClass::Level => Some((Kind::Length, 1.0)),
        SensorClass::Conductivity => Some((Kind::Conductivity, 100.0)),
        SensorClass::Charge => Some((Kind::Ratio, 1.0)),
        _ => None,
    };
    let Some((kind, usual_span)) = kind else {
        return Volts { reference_v: USUAL_REFERENCE, zero_v: 0.5, full_v: 4.5, span: 1.0 };
    };
    let reference_v = reference(table);
    let within = Bound::Within(0.0, reference_v);
    let zero_v = table.quantity("zero", Kind::Voltage, within).unwrap_or(reference_v * 0.1);
    let full_v = table.quantity("full", Kind::Voltage, within).unwrap_or(reference_v * 0.9);
    let span = table.quantity("span", kind, Bound::Positive).unwrap_or(usual_span);
    if (full_v - zero_v).abs() < reference_v * 0.02
        && let Some(field) = table.get("full").or_else(|| table.get("zero"))
    {
        field.report(
            "thresholds-reversed",
            format!("{} gives nearly the same voltage at its zero and at its full scale", table.label),
            "",
            "`zero` is the voltage at 0, `full` the one at `span`, both at the pin of the board",
        );
    }
    Volts { reference_v, zero_v, full_v, span }
}

/// Kind of quantity in which noise and offset of a class are given. None: a contact has neither.
fn spread_kind(class: SensorClass) -> Option<Kind> {
    match class {
        SensorClass::Ds18b20 | SensorClass::Tmp36 | SensorClass::Ntc | SensorClass::RoomTemperature => {
            Some(Kind::TemperatureDifference)
        }
        SensorClass::Ph => Some(Kind::Ph),
        SensorClass::Conductivity => Some(Kind::Conductivity),
        SensorClass::Level => Some(Kind::Length),
        SensorClass::Flow => Some(Kind::Flow),
        SensorClass::Charge => Some(Kind::Ratio),
        SensorClass::Float | SensorClass::Leak | SensorClass::Presence | SensorClass::Button => None,
    }
}

fn kind<'a>(context: &Context<'a>, table: &Table<'a>, class: SensorClass) -> SensorKind {
    match class {
        SensorClass::Ds18b20 => SensorKind::Ds18b20,
        SensorClass::Tmp36 => SensorKind::Tmp36 {
            reference_v: reference(table),
            oversample: table.get("oversample").and_then(|field| field.whole(1, 16)).unwrap_or(1),
        },
        SensorClass::Ntc => SensorKind::Ntc {
            // The common 10 kΩ bead: common practice, no source.
            beta: table.number("beta", Bound::Within(1000.0, 8000.0)).unwrap_or(3950.0),
            r25: table.quantity("r25", Kind::Resistance, Bound::Positive).unwrap_or(10_000.0),
            series: table.quantity("series", Kind::Resistance, Bound::Positive).unwrap_or(10_000.0),
        },
        SensorClass::Ph => SensorKind::Ph { reference_v: reference(table) },
        SensorClass::Conductivity => SensorKind::Conductivity,
        SensorClass::Level => SensorKind::Level {
            resolution: table.quantity("resolution", Kind::Length, Bound::Positive).unwrap_or(0.001),
        },
        SensorClass::Float => float(table),
        SensorClass::Leak => SensorKind::Leak,
        SensorClass::Flow => SensorKind::Flow {
            passage: PassageIdx(context.need_refer(table, "passage", Thing::Passage)),
            pulses_per_litre: table
                .need("pulses", "450")
                .and_then(|field| field.number(Bound::Positive))
                .unwrap_or(f64::NAN),
        },
        SensorClass::Presence => {
            SensorKind::Presence { of: SupplyIdx(context.need_refer(table, "of", Thing::Supply)) }
        }
        SensorClass::Charge => {
            SensorKind::Charge { of: SupplyIdx(context.need_refer(table, "of", Thing::Supply)) }
        }
        SensorClass::RoomTemperature => SensorKind::RoomTemperature,
        SensorClass::Button => SensorKind::Button,
    }
}

fn float(table: &Table<'_>) -> SensorKind {
    const SIDES: &[(&str, bool)] = &[("above", true), ("below", false)];
    if !table.has("vessel") {
        table.missing("vessel", "\"sump\"");
    }
    let low = table.need_quantity("low", Kind::Length, Bound::NotNegative, "\"197 mm\"");
    let high = table.need_quantity("high", Kind::Length, Bound::NotNegative, "\"203 mm\"");
    if low > high
        && let Some(field) = table.get("low")
    {
        field.report(
            "thresholds-reversed",
            format!("{} switches to \"below\" above the height where it switches to \"above\"", table.label),
            &format!("`high` is {:.0} mm", high * 1e3),
            "`low` is the height under which it says below, `high` the one over which it says above; swap them",
        );
    }
    let true_above = table.need("true_when", "\"above\"").and_then(|field| field.word(SIDES)).unwrap_or(true);
    let closed_above = table.get("closed_when").and_then(|field| field.word(SIDES)).unwrap_or(true_above);
    SensorKind::Float { low, high, true_above, closed_above }
}

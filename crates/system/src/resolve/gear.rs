//! `[[supply]]`, `[[board]]` and `[[actuator]]`.

use units::Kind;

use super::context::{Context, Entry, Thing};
use crate::model::{
    Actuator, ActuatorIdx, ActuatorKind, Blow, Board, SensorIdx, SignalIdx, Supply, SupplyIdx, SupplyKind,
    VesselIdx,
};
use crate::parts::{ComponentKind, SupplyClass};
use crate::raw::{Bound, Field, Table};
use crate::suggest;

/// Words of `kind` of a supply, here and in parts files.
pub(crate) const SUPPLY_KINDS: &[(&str, SupplyClass)] = &[
    ("circuit", SupplyClass::Circuit),
    ("rail", SupplyClass::Rail),
    ("battery", SupplyClass::Battery),
    ("card", SupplyClass::Card),
    ("bus", SupplyClass::Bus),
];

pub(super) fn supplies(context: &Context<'_>) -> Vec<Supply> {
    context.supplies.iter().map(|entry| supply(context, entry)).collect()
}

fn supply<'a>(context: &Context<'a>, entry: &Entry<'a>) -> Supply {
    let table = &entry.table;
    let form = table.need("kind", "\"circuit\"").and_then(|field| field.word(SUPPLY_KINDS));
    let fed_by = context.refer_key(table, "fed_by", Thing::Supply).map(SupplyIdx);
    let through = context.refer_key(table, "through", Thing::Actuator).map(ActuatorIdx);
    let kind = match form {
        Some(SupplyClass::Circuit) => SupplyKind::Circuit {
            rcd_a: table.quantity("rcd", Kind::Current, Bound::Positive),
            fuse_a: table.quantity("fuse", Kind::Current, Bound::Positive),
        },
        Some(SupplyClass::Rail) => SupplyKind::Rail {
            volts: table.need_quantity("volts", Kind::Voltage, Bound::Positive, "\"12 V\""),
            watts: table.quantity("power", Kind::Power, Bound::Positive),
        },
        Some(SupplyClass::Battery) => battery(context, table),
        Some(SupplyClass::Card) => SupplyKind::Card,
        Some(SupplyClass::Bus) => SupplyKind::Bus,
        None => {
            table.leave();
            SupplyKind::Card
        }
    };
    Supply { name: entry.name.clone(), kind, fed_by, through }
}

/// A battery: what the file says, else what its `block` of the library has.
fn battery<'a>(context: &Context<'a>, table: &Table<'a>) -> SupplyKind {
    /// Usable share of the rated energy when nothing is said: half depth, as lead-acid allows; handbook section 8.
    const USUAL_USABLE: f64 = 0.5;
    let block = table
        .get("block")
        .and_then(|field| super::electrics::component(context, &field, &[ComponentKind::Battery]))
        .and_then(|id| context.library.component(&id));
    let of_block = |key: &str| block.and_then(|block| block.value(key));
    let volts = match (table.has("volts"), of_block("rated_voltage")) {
        (false, Some(volts)) => volts,
        _ => table.need_quantity("volts", Kind::Voltage, Bound::Positive, "\"12.8 V\""),
    };
    let usable = table
        .quantity("usable", Kind::Ratio, Bound::Within(0.05, 1.0))
        .or_else(|| Some(of_block("usable")? * of_block("efficiency").unwrap_or(1.0)))
        .unwrap_or(USUAL_USABLE);
    if let (false, Some(coulomb)) = (table.has("capacity"), of_block("capacity")) {
        return SupplyKind::Battery { volts, rated_j: coulomb * volts, usable_j: coulomb * volts * usable };
    }
    let rated_j = match table.need("capacity", "\"80 Ah\"") {
        Some(field) => match field.text().map(units::Quantity::parse) {
            Some(Ok(quantity)) if quantity.kind == Kind::Energy => {
                field.quantity(Kind::Energy, Bound::Positive).unwrap_or(f64::NAN)
            }
            _ => field.quantity(Kind::Charge, Bound::Positive).unwrap_or(f64::NAN) * volts,
        },
        None => f64::NAN,
    };
    SupplyKind::Battery { volts, rated_j, usable_j: rated_j * usable }
}

pub(super) fn boards(context: &Context<'_>) -> Vec<Board> {
    context.boards.iter().map(|entry| board(context, entry)).collect()
}

fn board<'a>(context: &Context<'a>, entry: &Entry<'a>) -> Board {
    let table = &entry.table;
    let mut watts = None;
    let mut chip_name = String::new();
    if let Some(field) = table.need("chip", "\"ATmega328P\"")
        && let Some(text) = field.text()
    {
        chip_name = text.to_owned();
        match context.library.chip(text) {
            Some(chip) => {
                chip_name.clone_from(&chip.name);
                watts = Some(chip.watts);
            }
            None => field.report(
                "unknown-chip",
                format!("no board with the chip `{text}` is known"),
                "unknown chip",
                suggest::help(text, context.library.chips().iter().map(|chip| chip.name.as_str()), "chips"),
            ),
        }
    }
    Board {
        name: entry.name.clone(),
        chip: chip_name,
        supply: context.refer_key(table, "supply", Thing::Supply).map(SupplyIdx),
        watts: table.quantity("power", Kind::Power, Bound::NotNegative).or(watts).unwrap_or(0.0),
        watchdog: table.boolean("watchdog").unwrap_or(true),
        freezes: table
            .get("when_dead")
            .and_then(|field| field.word(&[("release", false), ("freeze", true)]))
            .unwrap_or(false),
    }
}

/// Words for kinds of actuator.
pub(crate) const ACTUATOR_KINDS: &[(&str, ActuatorKind)] = &[
    ("pump", ActuatorKind::Pump),
    ("dosing_pump", ActuatorKind::DosingPump),
    ("heater", ActuatorKind::Heater),
    ("fan", ActuatorKind::Fan),
    ("light", ActuatorKind::Light),
    ("circulation", ActuatorKind::Circulation),
    ("air_pump", ActuatorKind::AirPump),
    ("skimmer", ActuatorKind::Skimmer),
    ("stirrer", ActuatorKind::Stirrer),
    ("valve", ActuatorKind::Valve),
    ("contactor", ActuatorKind::Contactor),
    ("buzzer", ActuatorKind::Buzzer),
    ("other", ActuatorKind::Other),
];

pub(super) fn actuators(context: &Context<'_>) -> Vec<Actuator> {
    context.actuators.iter().map(|entry| actuator(context, entry)).collect()
}

fn actuator<'a>(context: &Context<'a>, entry: &Entry<'a>) -> Actuator {
    let table = &entry.table;
    let kind = table.need("kind", "\"pump\"").and_then(|field| field.word(ACTUATOR_KINDS));
    let kind = kind.unwrap_or(ActuatorKind::Other);
    let part = part(context, table, word_of(kind), crate::parts::PartOf::Actuator(kind));
    let usual = |key: &str| context.library.value(&part, key);
    let on_when_dead = table.get("contact").and_then(|field| field.word(&[("NO", false), ("NC", true)]));
    let always = table.boolean("always").unwrap_or(false);
    let switched_by = context.refer_key(table, "switched_by", Thing::Supply).map(SupplyIdx);
    if always && (on_when_dead.is_some() || switched_by.is_some()) {
        let key = if on_when_dead.is_some() { "contact" } else { "switched_by" };
        if let Some(field) = table.get(key) {
            field.report(
                "conflicting-keys",
                format!("{} always runs, so nothing switches it", table.label),
                "",
                format!("take out `{key}`, or take out `always = true` and give it a rule"),
            );
        }
    }
    let vessel = context.refer_key(table, "vessel", Thing::Vessel).map(VesselIdx);
    let series = table.get("series").map(|field| field.one_or_list()).unwrap_or_default();
    Actuator {
        name: entry.name.clone(),
        kind,
        watts: table.quantity("power", Kind::Power, Bound::NotNegative).unwrap_or(0.0),
        supply: context.refer_key(table, "supply", Thing::Supply).map(SupplyIdx),
        switched_by,
        on_when_dead: on_when_dead.unwrap_or(false),
        always,
        heats: table.get("heats").and_then(|field| heats(context, &field)),
        vessel,
        mark: table.quantity("mark", Kind::Length, Bound::NotNegative),
        own_thermostat_c: table.quantity("own_thermostat", Kind::Temperature, Bound::Within(5.0, 60.0)),
        series: series
            .iter()
            .filter_map(|field| context.refer(field, Thing::Sensor).map(SensorIdx))
            .collect(),
        moves: context.refer_key(table, "moves", Thing::Vessel).map(VesselIdx),
        exchange: table.quantity("exchange", Kind::Flow, Bound::NotNegative).unwrap_or(0.0),
        blows: table.get("blows").and_then(|field| blows(context, &field)),
        lights: context.refer_key(table, "lights", Thing::Vessel).map(VesselIdx),
        delay_s: table.quantity("delay", Kind::Time, Bound::NotNegative).or(usual("delay")).unwrap_or(0.0),
        modulated: table.boolean("modulated").unwrap_or(false),
        removes: table.quantity("removes", Kind::Flow, Bound::NotNegative).unwrap_or(0.0),
        signal: SignalIdx(usize::MAX),
        part,
    }
}

/// The word of a kind of actuator in the file.
pub(crate) fn word_of(kind: ActuatorKind) -> &'static str {
    ACTUATOR_KINDS.iter().find(|(_, k)| *k == kind).map_or("other", |(word, _)| word)
}

/// The part of the library that an entry names, or the plain one of its kind.
pub(super) fn part<'a>(
    context: &Context<'a>,
    table: &Table<'a>,
    usual: &str,
    of: crate::parts::PartOf,
) -> String {
    let Some(field) = table.get("part") else { return usual.to_owned() };
    let Some(name) = field.text() else { return usual.to_owned() };
    match context.library.part(name) {
        Some(part) if part.of == of => return name.to_owned(),
        Some(_) => field.report(
            "wrong-part",
            format!("the part `{name}` is not of the kind of {}", table.label),
            "",
            suggest::help("", context.library.ids(of), "parts of this kind"),
        ),
        None => field.report(
            "unknown-part",
            format!("no part `{name}` is in the library"),
            "unknown part",
            suggest::help(name, context.library.ids(of), "parts of this kind"),
        ),
    }
    usual.to_owned()
}

fn heats<'a>(context: &Context<'a>, field: &Field<'a>) -> Option<(VesselIdx, f64)> {
    let inner = field.table()?;
    let vessel = VesselIdx(context.need_refer(&inner, "vessel", Thing::Vessel));
    let share = inner.quantity("share", Kind::Ratio, Bound::Within(0.0, 1.0)).unwrap_or(1.0);
    inner.finish();
    Some((vessel, share))
}

fn blows<'a>(context: &Context<'a>, field: &Field<'a>) -> Option<Blow> {
    let inner = field.table()?;
    let over = VesselIdx(context.need_refer(&inner, "over", Thing::Vessel));
    let speed = inner.need_quantity("speed", Kind::Speed, Bound::Positive, "\"1.0 m/s\"");
    let draws_m3_s = inner.quantity("draws", Kind::Flow, Bound::NotNegative).unwrap_or(0.0);
    inner.finish();
    Some(Blow { over, speed, draws_m3_s })
}

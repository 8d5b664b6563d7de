//! `[system]`, `[water]`, `[livestock]`, `[fitted]`, `[[climate]]`, `[[corner]]`.

use units::Kind;

use super::context::{Context, Entry, Thing};
use crate::diagnostic::Diagnostic;
use crate::model::{
    ActuatorIdx, Bund, Climate, ClimateIdx, Corner, Factors, Livestock, Priority, Response, SupplyIdx,
    Telling, VesselIdx, Water,
};
use crate::raw::{Bound, Table};
use crate::timezone;

/// What `[system]`, `[water]` and `[livestock]` say.
pub(super) struct Settings {
    pub name: String,
    pub mains_volts: Option<f64>,
    pub timezone: String,
    pub scan_ms: u32,
    pub unattended_s: f64,
    pub response: Response,
    pub telling: Telling,
    pub water: Water,
    pub livestock: Option<Livestock>,
    pub bund: Option<Bund>,
    pub assumptions: Vec<String>,
    pub notes: Vec<String>,
}

const HOUR: f64 = 3600.0;
const DAY: f64 = 24.0 * HOUR;
/// Shortest and longest scan, s (docs/control-program.md).
const SCANS: (f64, f64) = (0.25, 10.0);
/// Longest time that a system may be left alone, s: beyond it the rehearsal would be about seasons, not faults.
const LONGEST_UNATTENDED: f64 = 60.0 * DAY;
/// Beyond a factor of five a corner, or what was fitted, is a typing slip, or the file is wrong where it says more.
const MOST_FACTOR: f64 = 5.0;
const LEAST_FACTOR: f64 = 0.1;
/// Corners beyond the nominal one that the FMEA runs.
const MOST_CORNERS: usize = 4;

/// Words for alarm priorities.
pub(super) const PRIORITIES: &[(&str, Priority)] =
    &[("low", Priority::Low), ("medium", Priority::Medium), ("high", Priority::High)];

pub(super) fn system<'a>(context: &Context<'a>, root: &Table<'a>) -> Settings {
    let mut settings = Settings {
        name: "Unnamed system".to_owned(),
        mains_volts: None,
        timezone: "UTC0".to_owned(),
        scan_ms: 1000,
        unattended_s: 2.0 * DAY,
        response: Response { day_s: HOUR, night_s: 8.0 * HOUR, weekend_s: DAY },
        telling: Telling::default(),
        water: water(root),
        livestock: root.get("livestock").and_then(|f| f.table()).map(|table| livestock(context, &table)),
        bund: None,
        assumptions: vec![],
        notes: vec![],
    };
    let Some(table) = root.get("system").and_then(|field| field.table()) else { return settings };
    if let Some(name) = table.text("name") {
        settings.name = name.to_owned();
    }
    // Read by `load_file`, which knows the folder that the path starts from.
    table.text("parts");
    // The widest span of household mains in use, with tolerance.
    settings.mains_volts = table.quantity("mains", Kind::Voltage, Bound::Within(90.0, 264.0));
    if let Some(field) = table.get("timezone")
        && let Some(text) = field.text()
    {
        match timezone::check(text) {
            Ok(()) => settings.timezone = text.to_owned(),
            Err(problem) => field.report(
                "bad-timezone",
                format!("`{text}` is not a time zone in POSIX form: {problem}"),
                "",
                "write name, hours west of Greenwich and the rules of summer time: `CET-1CEST,M3.5.0,M10.5.0/3`, \
                 or `UTC0`",
            ),
        }
    }
    if let Some(scan) = table.quantity("scan", Kind::Time, Bound::Within(SCANS.0, SCANS.1)) {
        settings.scan_ms = (scan * 1000.0).round() as u32;
    }
    let unattended = table.quantity("unattended", Kind::Time, Bound::Within(HOUR, LONGEST_UNATTENDED));
    settings.unattended_s = unattended.unwrap_or(settings.unattended_s);
    if let Some(response) = table.get("response").and_then(|f| f.table()) {
        let time =
            |key, otherwise| response.quantity(key, Kind::Time, Bound::NotNegative).unwrap_or(otherwise);
        settings.response = Response {
            day_s: time("day", settings.response.day_s),
            night_s: time("night", settings.response.night_s),
            weekend_s: time("weekend", settings.response.weekend_s),
        };
        response.finish();
    }
    if let Some(telling) = table.get("telling").and_then(|f| f.table()) {
        settings.telling = Telling {
            supply: context.refer_key(&telling, "supply", Thing::Supply).map(SupplyIdx),
            through: context.refer_key(&telling, "through", Thing::Actuator).map(ActuatorIdx),
            heartbeat_s: telling.quantity("heartbeat", Kind::Time, Bound::Positive),
            from_priority: telling.get("from").and_then(|f| f.word(PRIORITIES)).unwrap_or_default(),
        };
        telling.finish();
    }
    settings.bund = table.get("bund").and_then(|f| f.three_lengths()).map(|inside| Bund { inside });
    settings.assumptions = texts(&table, "assumptions");
    settings.notes = texts(&table, "notes");
    table.finish();
    settings
}

fn texts(table: &Table<'_>, key: &'static str) -> Vec<String> {
    let items = table.get(key).map(|field| field.one_or_list()).unwrap_or_default();
    items.iter().filter_map(|item| item.text()).map(str::to_owned).collect()
}

fn water(root: &Table<'_>) -> Water {
    // A usual reef: handbook section 10, middle of the target bands.
    let mut water = Water {
        temperature_c: 25.5,
        salinity: 35.0,
        alkalinity_meq_l: 2.9,
        calcium_mg_l: 425.0,
        ph_nbs: None,
        consumption_meq_l_day: 0.0,
    };
    let Some(table) = root.get("water").and_then(|field| field.table()) else { return water };
    // Ranges in which the seawater equations hold, and in which a tank can be.
    let read = |key, kind, from, to| table.quantity(key, kind, Bound::Within(from, to));
    water.temperature_c = read("temperature", Kind::Temperature, 2.0, 38.0).unwrap_or(water.temperature_c);
    water.salinity = read("salinity", Kind::Salinity, 0.0, 42.0).unwrap_or(water.salinity);
    water.alkalinity_meq_l =
        read("alkalinity", Kind::AmountPerVolume, 0.1, 20.0).unwrap_or(water.alkalinity_meq_l);
    water.calcium_mg_l = read("calcium", Kind::Concentration, 0.0, 1000.0).unwrap_or(water.calcium_mg_l);
    water.ph_nbs = read("ph", Kind::Ph, 6.0, 10.0);
    let consumption = read("consumption", Kind::AmountPerVolumeRate, 0.0, 5.0 / DAY);
    water.consumption_meq_l_day = consumption.map_or(0.0, |per_s| per_s * DAY);
    table.finish();
    water
}

fn livestock<'a>(context: &Context<'a>, table: &Table<'a>) -> Livestock {
    /// mg O2 per mL at standard conditions is not needed: demands are given by mass.
    const MG_PER_KG: f64 = 1e6;
    let mut livestock = Livestock {
        vessel: VesselIdx(context.need_refer(table, "vessel", Thing::Vessel)),
        fish_kg: 0.0,
        fish_mg_kg_h: 300.0,
        coral_cm2: 0.0,
        coral_umol_cm2_h: 1.0,
        other_mg_h: 0.0,
        light_ratio: 2.5,
        critical_mg_l: 2.0,
    };
    if let Some(fish) = table.get("fish").and_then(|f| f.table()) {
        livestock.fish_kg = fish.need_quantity("mass", Kind::Mass, Bound::NotNegative, "\"250 g\"");
        if let Some(rate) = fish.quantity("demand", Kind::SpecificRate, Bound::Positive) {
            livestock.fish_mg_kg_h = rate * MG_PER_KG * HOUR;
        }
        fish.finish();
    }
    if let Some(coral) = table.get("coral").and_then(|f| f.table()) {
        let area = coral.need_quantity("area", Kind::Area, Bound::NotNegative, "\"3500 cm2\"");
        livestock.coral_cm2 = area * 1e4;
        if let Some(flux) = coral.quantity("demand", Kind::AmountFlux, Bound::Positive) {
            livestock.coral_umol_cm2_h = flux * 1e6 * HOUR / 1e4;
        }
        coral.finish();
    }
    if let Some(field) = table.get("other") {
        livestock.other_mg_h = mass_per_hour(&field).unwrap_or(0.0);
    }
    let light_ratio = table.number("light_ratio", Bound::NotNegative);
    livestock.light_ratio = light_ratio.unwrap_or(livestock.light_ratio);
    let critical = table.quantity("critical", Kind::Concentration, Bound::Positive);
    livestock.critical_mg_l = critical.unwrap_or(livestock.critical_mg_l);
    table.finish();
    livestock
}

/// `73 mg/h`, read as the mass that it is in an hour: a demand is a mass in a time, which no kind of `units` holds.
fn mass_per_hour(field: &crate::raw::Field<'_>) -> Option<f64> {
    let text = field.text()?;
    let read = text.trim().strip_suffix("/h").or_else(|| text.trim().strip_suffix("/hr"));
    let mass = read.and_then(|mass| units::Quantity::parse_as(mass, Kind::Mass).ok());
    match mass {
        Some(mass) if mass.value >= 0.0 => Some(mass.value * 1e6),
        _ => {
            field.report(
                "wrong-unit",
                format!("`{}` of {} is a mass of oxygen an hour", field.key, field.label),
                "",
                "write it like \"73 mg/h\"",
            );
            None
        }
    }
}

pub(super) fn climates(context: &Context<'_>) -> Vec<Climate> {
    let all: Vec<Climate> = context.climates.iter().map(climate).collect();
    if !all.is_empty() {
        return all;
    }
    vec![Climate {
        name: "room".to_owned(),
        day_c: 21.0,
        night_c: 19.0,
        humidity: 0.5,
        co2_ppm: 600.0,
        without_mains: None,
    }]
}

fn climate(entry: &Entry<'_>) -> Climate {
    let table = &entry.table;
    let air = Bound::Within(-20.0, 55.0);
    let day_c = table.need_quantity("day", Kind::Temperature, air, "\"21 degC\"");
    let night_c = table.quantity("night", Kind::Temperature, air).unwrap_or(day_c);
    if night_c > day_c
        && let Some(field) = table.get("night")
    {
        field.warn(
            "night-warmer-than-day",
            format!("the night of {} is warmer than its day", table.label),
            "",
            "`day` is the warmest hour (15:00), `night` the coldest (03:00); swap them",
        );
    }
    let without_mains = table.get("without_mains").and_then(|f| f.table()).map(|inner| {
        let to = inner.need_quantity("falls_to", Kind::Temperature, air, "\"11 degC\"");
        let time = inner.need_quantity("time", Kind::Time, Bound::Positive, "\"6 h\"");
        inner.finish();
        (to, time)
    });
    Climate {
        name: entry.name.clone(),
        day_c,
        night_c,
        humidity: table.quantity("humidity", Kind::Ratio, Bound::Within(0.0, 1.0)).unwrap_or(0.5),
        co2_ppm: table.quantity("co2", Kind::Ratio, Bound::Within(0.0, 0.05)).map_or(420.0, |x| x * 1e6),
        without_mains,
    }
}

/// `[fitted]`: factors that a log of the tank showed.
pub(super) fn fitted(root: &Table<'_>) -> Factors {
    let Some(table) = root.get("fitted").and_then(|field| field.table()) else { return Factors::default() };
    let factor = |key| table.number(key, Bound::Within(LEAST_FACTOR, MOST_FACTOR)).unwrap_or(1.0);
    let fitted = Factors {
        evaporation: factor("evaporation"),
        wall_loss: factor("wall_loss"),
        gas_exchange: factor("gas_exchange"),
        respiration: factor("respiration"),
    };
    table.finish();
    fitted
}

pub(super) fn corners(context: &Context<'_>, climates: &[Climate]) -> Vec<Corner> {
    if let Some(extra) = context.corners.get(MOST_CORNERS) {
        context.sink.report(
            Diagnostic::error("too-many-corners", format!("there are {} corners", context.corners.len()))
                .at(Some(extra.table.span.clone()), format!("corner {}", MOST_CORNERS + 1))
                .help(format!(
                    "keep the {MOST_CORNERS} worst: each corner runs every fault again; join deviations that are \
                     bad for the same reason into one corner"
                )),
        );
    }
    context
        .corners
        .iter()
        .map(|entry| {
            let table = &entry.table;
            let factor = |key| table.number(key, Bound::Within(0.0, MOST_FACTOR)).unwrap_or(1.0);
            Corner {
                name: entry.name.clone(),
                climate: table.get("climate").and_then(|field| named_climate(&field, climates)),
                evaporation: factor("evaporation"),
                weir: factor("weir"),
                gas_exchange: factor("gas_exchange"),
                respiration: factor("respiration"),
                wall_loss: factor("wall_loss"),
                pump: factor("pump"),
                battery: factor("battery"),
                reservoir: table.number("reservoir", Bound::Within(0.0, 1.0)),
            }
        })
        .collect()
}

fn named_climate(field: &crate::raw::Field<'_>, climates: &[Climate]) -> Option<ClimateIdx> {
    let name = field.text()?;
    let found = climates.iter().position(|climate| climate.name == name).map(ClimateIdx);
    if found.is_none() {
        field.report(
            "unknown-name",
            format!("no climate of this file is named `{name}`"),
            "unknown name",
            crate::suggest::help(name, climates.iter().map(|c| c.name.as_str()), "climates"),
        );
    }
    found
}

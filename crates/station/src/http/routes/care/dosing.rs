//! What to put into the water: doses for a target, limewater within what evaporates, water changes. Nothing here changes anything; what is not given is
//! taken from the log, else from the system file, and the answer says which.

use std::sync::Arc;

use ::care::Estimate;
use ::care::water::change::{Correction, Manner, correction, mixed, new_water};
use ::care::water::dose::{Stock, Wanted, plan};
use ::care::water::lime::{LimeDosing, plan as lime_plan};
use ::care::water::quantity::Tested;
use ::care::water::salts::Salt;
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use store::Quality;
use system::model::SensorKind;
use utoipa::{IntoParams, ToSchema};

use super::of_store;
use super::remark::{RemarkBody, remarks};
use super::water::Water;
use crate::app::{App, now_ms};
use crate::http::guard::{Ask, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::http::routes::no_board;
use crate::site::SiteBoard;

/// In which units sentences are.
#[derive(Deserialize, ToSchema, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(super) enum InUnits {
    /// L, kg, °C.
    #[default]
    Metric,
    /// gal, lb, °F.
    Us,
}

impl InUnits {
    /// A quantity in words, from its metric unit.
    fn says(self, value: f64, unit: &str, places: usize) -> String {
        let us = match unit {
            "L" => "gal",
            "kg" => "lb",
            "degC" => "degF",
            _ => unit,
        };
        let shown = |unit: &str| unit.replace("deg", "°");
        if self == InUnits::Us
            && let Ok(quantity) = units::Quantity::parse(&format!("{value} {unit}"))
            && let Some(value) = quantity.in_unit(us)
        {
            return format!("{value:.places$} {}", shown(us));
        }
        format!("{value:.places$} {}", shown(unit))
    }
}

/// A number with where it comes from.
#[derive(Serialize, ToSchema, Debug, Clone)]
pub(super) struct From {
    /// In the unit of the quantity.
    value: f64,
    /// In words.
    by: String,
}

fn given(value: f64) -> From {
    From { value, by: "as given".to_owned() }
}

/// What a quantity is now: as given, by the line of its tests, else by the newest.
fn now_of(water: &Water, tested: Tested, as_given: Option<f64>) -> Option<From> {
    if let Some(value) = as_given {
        return Some(given(value));
    }
    let known = water.known(tested)?;
    if let Ok(used) = &known.used
        && used.now.value.is_finite()
    {
        let by = format!("by the line of {} tests, at the newest", used.n_tests);
        return Some(From { value: used.now.value, by });
    }
    known.tests.last().map(|test| From { value: test.value, by: "the newest test".to_owned() })
}

/// Use in a day: as given, by the log, of alkalinity else by the file.
fn use_of(water: &Water, board: &SiteBoard, tested: Tested, as_given: Option<f64>) -> From {
    if let Some(value) = as_given {
        return given(value);
    }
    if let Some(Ok(used)) = water.known(tested).map(|known| known.used)
        && used.per_day.value.is_finite()
    {
        // Nothing is taken out again where a quantity seems to rise by itself.
        return From {
            value: used.per_day.value.max(0.0),
            by: format!("by {} tests of the log", used.n_tests),
        };
    }
    if tested == Tested::Alkalinity {
        let value = seawater_dkh(board.system.water.consumption_meq_l_day);
        return From { value, by: "by the system file; no tests tell".to_owned() };
    }
    From { value: 0.0, by: "not known; test twice at least, some days apart".to_owned() }
}

fn seawater_dkh(meq_l: f64) -> f64 {
    // 1 meq/L is 2.804 dKH: crate `units` has the exact one.
    units::Quantity { value: meq_l, kind: units::Kind::AmountPerVolume }.in_unit("dKH").unwrap_or(0.0)
}

/// What a probe shows of pH within the last ten minutes, else what the file says.
fn ph_now(app: &App, board: &SiteBoard) -> Result<Option<From>, Problem> {
    const RECENT_MS: i64 = 600_000;
    let probe = board.system.sensors.iter().find(|s| matches!(s.kind, SensorKind::Ph { .. }));
    let all = app.store.all_series();
    let series = probe.and_then(|probe| {
        all.iter().rfind(|s| s.spec.source == board.settings.name && s.spec.name == probe.name)
    });
    if let Some(series) = series {
        let points = app
            .store
            .points(series.id, now_ms() - RECENT_MS, store::LATEST_TIME, 10_000)
            .map_err(of_store)?;
        if let Some(point) = points.iter().rfind(|p| p.quality == Quality::Good) {
            let value = point.value as f64 * series.spec.scale;
            return Ok(Some(From { value, by: format!("as {} shows now", series.spec.name) }));
        }
    }
    Ok(board.system.water.ph_nbs.map(|value| From { value, by: "by the system file".to_owned() }))
}

/// What is wanted.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfDose {
    /// `alkalinity`, `calcium` or `magnesium`.
    quantity: String,
    /// What it should be, in its unit (dKH, mg/L).
    target: f64,
    /// By name or formula: `sodium bicarbonate`, `CaCl2.2H2O`.
    salt: String,
    /// What it is; by the log without it.
    now: Option<f64>,
    /// Used up in a day; by the log without it.
    used: Option<f64>,
    /// Most rise in a day; the usual one without it.
    limit: Option<f64>,
    /// Grams of the salt in a litre of solution, to be told mL too.
    stock: Option<f64>,
}

/// What to do.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct DoseBody {
    /// Salt with its formula.
    salt: String,
    /// What is reckoned from.
    now: From,
    /// What is aimed at.
    target: f64,
    /// Used up in a day.
    used: From,
    /// Days that the rise takes; 0: nothing is to be raised.
    days: u32,
    /// Salt of each of these days, use included, g.
    g_per_day: f64,
    /// Salt that holds the level afterwards, a day, g.
    hold_g_per_day: f64,
    /// Of the solution, mL on each of these days.
    #[serde(skip_serializing_if = "Option::is_none")]
    ml_per_day: Option<f64>,
    /// Portions a day, at least.
    portions: u32,
    /// What to do, in sentences.
    steps: Vec<String>,
    /// What to mind.
    remarks: Vec<RemarkBody>,
    /// The line for the log of a day's dose: `what` and `value`.
    log: LogBody,
}

/// A line of the log of water.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct LogBody {
    /// What.
    what: String,
    /// As written.
    value: String,
}

/// What to dose for a target, within the limit of a day, the use covered. Computed only.
#[utoipa::path(get, path = "/api/v1/boards/{board}/water/dose", tag = "care", params(("board" = String, Path, description = "Its name"), OfDose),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = DoseBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn dose(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
    Ask(of): Ask<OfDose>,
) -> Result<Json<DoseBody>, Problem> {
    let tested = Tested::of_name(&of.quantity).ok_or_else(|| {
        Problem::not_possible(format!(
            "`{}` is not dosed; alkalinity, calcium and magnesium are.",
            of.quantity
        ))
    })?;
    let salt = Salt::of_name(&of.salt).ok_or_else(|| {
        let known = Salt::ALL.map(Salt::name).join(", ");
        Problem::not_possible(format!("`{}` is no salt that is known; {known} are.", of.salt))
    })?;
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let water = Water::of(app, board)?;
        let now = now_of(&water, tested, of.now).ok_or_else(|| {
            Problem::not_possible(format!("There is no test of {} in the log: test first, or give `now`.", tested.name()))
        })?;
        let used = use_of(&water, board, tested, of.used);
        let wanted = Wanted {
            tested,
            now: now.value,
            target: of.target,
            use_per_day: used.value,
            limit_per_day: of.limit,
        };
        let stock = of.stock.map(|g_per_l| Stock { g_per_l });
        let ph = ph_now(app, board)?;
        let made = plan(&water.tank, &wanted, salt, stock, ph.as_ref().map(|ph| ph.value))
            .map_err(|why| Problem::not_possible(format!("{why}.")))?;
        let (unit, places) = (tested.unit(), tested.decimals());
        let name = salt.name();
        let amount = |g: f64, ml: Option<f64>| match ml {
            Some(ml) => format!("{g:.2} g of {name} ({ml:.1} mL of the solution)"),
            None => format!("{g:.2} g of {name}"),
        };
        let portions = if made.portions > 1 { format!(", in {} portions at least", made.portions) } else { String::new() };
        let mut steps = vec![];
        if made.days > 0 {
            let days = if made.days == 1 { "For one day".to_owned() } else { format!("For {} days", made.days) };
            let rise = made.rise_per_day;
            steps.push(format!(
                "{days}, {} a day{portions}: {} rises by {rise:.places$} {unit} a day, and its use is covered.",
                amount(made.g_per_day, made.ml_per_day.map(|m| m.0)),
                tested.name()
            ));
        }
        if made.hold_g_per_day > 0.0 {
            let from = if made.days > 0 { "Then" } else { "To hold it," };
            steps.push(format!("{from} {} a day.", amount(made.hold_g_per_day, made.ml_per_day.map(|m| m.1))));
        }
        if let (Some((before, after)), Some(ph)) = (made.ph, &ph) {
            steps.push(format!("At once a day's dose would take pH from {before:.2} to {after:.2} (pH {}).", ph.by));
        }
        Ok(Json(DoseBody {
            salt: format!("{name} ({})", salt.formula()),
            now,
            target: of.target,
            used,
            days: made.days,
            g_per_day: made.g_per_day,
            hold_g_per_day: made.hold_g_per_day,
            ml_per_day: made.ml_per_day.map(|m| m.0),
            portions: made.portions,
            steps,
            remarks: remarks(made.findings),
            log: LogBody { what: format!("dose {name}"), value: format!("{:.2} g", made.g_per_day) },
        }))
    })
    .await
}

/// What is known of top-off and limewater.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfLime {
    /// Evaporates in a day, measured, L; by calculation with its 40 % without it.
    evaporation: Option<f64>,
    /// Strength as a share of saturation, 0 to 1; 1 without it.
    saturation: Option<f64>,
    /// Largest portion, L; 0.05 without it.
    portion: Option<f64>,
    /// Units of the sentences; the numbers of the answer stay metric.
    #[serde(default)]
    #[param(inline)]
    units: InUnits,
}

/// What limewater can do.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct LimeBody {
    /// Evaporates in a day, L.
    evaporation: From,
    /// Half of its 95 % interval, L.
    evaporation_half95: f64,
    /// Alkalinity that replacing all of it gives in a day, dKH.
    most_dkh_day: f64,
    /// Litres in a day that cover the use; not more than evaporates.
    litres_day: f64,
    /// Alkalinity in a day that must come from elsewhere, dKH.
    rest_dkh_day: f64,
    /// What to do, in sentences.
    steps: Vec<String>,
    /// What to mind.
    remarks: Vec<RemarkBody>,
}

/// What limewater in place of the top-off can do, within what evaporates. Computed only.
#[utoipa::path(get, path = "/api/v1/boards/{board}/water/lime", tag = "care", params(("board" = String, Path, description = "Its name"), OfLime),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = LimeBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn lime(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
    Ask(of): Ask<OfLime>,
) -> Result<Json<LimeBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let water = Water::of(app, board)?;
        let (evaporation, half95) = evaporation(board, of.evaporation)?;
        let used = use_of(&water, board, Tested::Alkalinity, None);
        let start = &board.system.water;
        let ph = ph_now(app, board)?;
        let dosing = LimeDosing {
            evaporation_l_day: Estimate { value: evaporation.value, half95 },
            saturation: of.saturation.unwrap_or(1.0),
            temperature_c: 25.0,
            use_dkh_day: used.value,
            portion_l: of.portion.unwrap_or(0.05),
            alkalinity_dkh: now_of(&water, Tested::Alkalinity, None)
                .map_or_else(|| seawater_dkh(start.alkalinity_meq_l), |now| now.value),
            calcium_mg_l: now_of(&water, Tested::Calcium, None).map_or(start.calcium_mg_l, |now| now.value),
            ph_nbs: ph.map_or(8.2, |ph| ph.value),
        };
        let made = lime_plan(&water.tank, &dosing).ok_or_else(|| {
            Problem::not_possible(
                "A number of these cannot be: evaporation is less than the tank, strength goes from 0 to 1, use from 0 to 10 dKH a day.",
            )
        })?;
        let mut steps = vec![
            format!(
                "Use: {:.2} dKH a day, {}. All that evaporates as limewater gives {:.2} ± {:.2} dKH and {:.1} mg/L of calcium a day.",
                used.value, used.by, made.most_dkh_day.value, made.most_dkh_day.half95, made.most_calcium_mg_l_day
            ),
            format!(
                "{} of limewater a day, {:.0} % of the top-off.",
                of.units.says(made.litres_day, "L", 2),
                made.share_of_top_off * 100.0
            ),
        ];
        if made.rest_dkh_day > 0.005 {
            steps.push(format!("{:.2} dKH a day must come from elsewhere.", made.rest_dkh_day));
        }
        if let Some((before, after)) = made.ph {
            let portion = dosing.portion_l * 1000.0;
            steps.push(format!("A portion of {portion:.0} mL takes pH from {before:.2} to {after:.2} before the air follows."));
        }
        Ok(Json(LimeBody {
            evaporation,
            evaporation_half95: half95,
            most_dkh_day: made.most_dkh_day.value,
            litres_day: made.litres_day,
            rest_dkh_day: made.rest_dkh_day,
            steps,
            remarks: remarks(made.findings),
        }))
    })
    .await
}

/// As measured (to a tenth, assumed), else by the audit's calculation in the first climate.
fn evaporation(board: &SiteBoard, measured: Option<f64>) -> Result<(From, f64), Problem> {
    if let Some(value) = measured {
        return Ok((given(value), 0.1 * value.abs()));
    }
    let facts = audit::run(&board.system).facts;
    let first = facts.evaporation.first().ok_or_else(|| {
        Problem::not_possible("The file has no climate, so evaporation is not known: measure it, and give `evaporation` in L a day.")
    })?;
    let by = format!("by calculation, climate {}; known to 40 % unless measured", first.climate);
    Ok((From { value: first.l_day, by }, first.high_l_day - first.l_day))
}

/// A water change.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfChange {
    /// Water that is changed, L.
    litres: f64,
    /// Salinity of the new water; the file's without it.
    salinity: Option<f64>,
    /// Its temperature when it is measured, °C; the file's without it.
    temperature: Option<f64>,
    /// Share of water that the salt itself holds, 0 to 0.6; 0 without it.
    moisture: Option<f64>,
    /// In and out at the same rate, rather than out first.
    #[serde(default)]
    steadily: bool,
    /// Salinity that the mixed water came out at, to be told how to correct it.
    measured: Option<f64>,
    /// Units of the sentences; the numbers of the answer stay metric.
    #[serde(default)]
    #[param(inline)]
    units: InUnits,
}

/// A value before and after.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct MixedBody {
    /// Which.
    quantity: &'static str,
    /// Its unit.
    unit: &'static str,
    /// Decimals worth showing.
    decimals: usize,
    /// Before.
    before: f64,
    /// Of the new water: as the sea has it at that salinity, none of nutrients.
    new: f64,
    /// After.
    after: f64,
}

/// A water change and its new water.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ChangeBody {
    /// Share of the tank that is changed, 0 to 1 and above.
    share: f64,
    /// Salt as weighed, kg.
    salt_kg: f64,
    /// Fresh water, kg: to a few grams its litres.
    fresh_kg: f64,
    /// What it does to each value that is known.
    values: Vec<MixedBody>,
    /// What to do, in sentences.
    steps: Vec<String>,
}

/// What a water change does, and the salt for its new water. Computed only.
#[utoipa::path(get, path = "/api/v1/boards/{board}/water/change", tag = "care", params(("board" = String, Path, description = "Its name"), OfChange),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = ChangeBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn change(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
    Ask(of): Ask<OfChange>,
) -> Result<Json<ChangeBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let water = Water::of(app, board)?;
        let tank = water.tank;
        let salinity = of.salinity.unwrap_or(tank.salinity);
        let temperature = of.temperature.unwrap_or(tank.temperature_c);
        let moisture = of.moisture.unwrap_or(0.0);
        let made = new_water(of.litres, salinity, temperature, moisture).ok_or_else(|| {
            Problem::not_possible("No such water can be made: 0.01 L and more, salinity 0 to 50, 0 to 40 °C, moisture 0 to 0.6.")
        })?;
        let share = of.litres / tank.volume_l;
        if share > 1.0 && !of.steadily {
            return Err(Problem::not_possible(format!(
                "{} are more than the {} of the tank: change less, or steadily.",
                of.units.says(of.litres, "L", 0),
                of.units.says(tank.volume_l, "L", 0)
            )));
        }
        let manner = if of.steadily { Manner::Steadily } else { Manner::AtOnce };
        let values = Tested::ALL.into_iter().filter_map(|tested| {
            let before = match now_of(&water, tested, None) {
                Some(now) => now.value,
                None if tested == Tested::Salinity => tank.salinity,
                None => return None,
            };
            let new = if tested == Tested::Salinity { salinity } else { tested.natural(salinity, temperature).unwrap_or(0.0) };
            Some(MixedBody {
                quantity: tested.name(),
                unit: tested.unit(),
                decimals: tested.decimals(),
                before,
                new,
                after: mixed(before, new, share, manner),
            })
        });
        let mut steps = vec![format!(
            "For {} of salinity {salinity:.1}: {} of salt in {} of fresh water. Mixes differ by some percent: measure at {}, then correct.",
            of.units.says(of.litres, "L", 1),
            of.units.says(made.salt_kg, "kg", 3),
            // A kilogram of fresh water is a litre, to a few grams.
            of.units.says(made.fresh_kg, "L", 2),
            of.units.says(temperature, "degC", 1)
        )];
        if let Some(measured) = of.measured {
            steps.push(corrected(&of, measured, salinity, temperature)?);
        }
        steps.push(
            "New water as warm as the tank, aired for some hours. Pumps and heaters that would run dry are off meanwhile; dry hands at plugs.".to_owned(),
        );
        Ok(Json(ChangeBody { share, salt_kg: made.salt_kg, fresh_kg: made.fresh_kg, values: values.collect(), steps }))
    })
    .await
}

fn corrected(of: &OfChange, measured: f64, wanted: f64, temperature: f64) -> Result<String, Problem> {
    let moisture = of.moisture.unwrap_or(0.0);
    let how = correction(of.litres, measured, wanted, temperature, moisture, true).ok_or_else(|| {
        Problem::not_possible("`measured` is a salinity from 0 to 50, and fresh water is not thinned.")
    })?;
    let act = match how {
        Correction::Salt(kg) if kg < 5e-4 => return Ok("It came out right.".to_owned()),
        Correction::Fresh(kg) if kg < 5e-3 => return Ok("It came out right.".to_owned()),
        Correction::Salt(kg) => format!("add {} of salt", of.units.says(kg, "kg", 3)),
        Correction::Fresh(kg) => format!("add {} of fresh water", of.units.says(kg, "L", 2)),
        Correction::Exchange(l) => format!("exchange {} for fresh water", of.units.says(l, "L", 2)),
    };
    Ok(format!("It came out at {measured:.1}: {act}."))
}

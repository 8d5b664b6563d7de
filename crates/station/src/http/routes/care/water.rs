//! The log of water of a board's tank, and what follows from it.

use std::sync::Arc;

use ::care::calendar::iso_date;
use ::care::water::Tank;
use ::care::water::dose::{DOSED, grams};
use ::care::water::log::Log;
use ::care::water::overview::{Known, Overview, overview};
use ::care::water::quantity::{Standing, Tested};
use ::care::water::salts::Salt;
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use store::Doing as _;
use store::care::WaterLine;
use utoipa::ToSchema;

use super::of_store;
use super::remark::{RemarkBody, remarks};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::care::DAY_MS;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::http::routes::{Told, no_board, said};
use crate::site::SiteBoard;

/// A line of the log of water.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct WaterLineBody {
    /// Its number.
    id: i64,
    /// When it was, ms since 1970.
    at_ms: i64,
    /// What, as in `alkalinity`, `dose sodium bicarbonate`, `water change`.
    what: String,
    /// As written, with its unit.
    value: String,
    /// Who wrote it.
    who: String,
    /// Remark.
    note: String,
    /// Who declared it a mistake.
    #[serde(skip_serializing_if = "Option::is_none")]
    voided_by: Option<String>,
}

/// Use of a quantity in a day.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct UseBody {
    /// Which.
    quantity: &'static str,
    /// Unit of the numbers.
    unit: &'static str,
    /// Used in a day; not there: why stands in `remarks`.
    #[serde(skip_serializing_if = "Option::is_none")]
    per_day: Option<f64>,
    /// Half of its 95 % interval; not there: nothing is known of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    half95: Option<f64>,
    /// Where the tank stood at the last test, by the line of its tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    now: Option<f64>,
    /// Tests that it rests on.
    n_tests: usize,
    /// What is to be said of it.
    remarks: Vec<RemarkBody>,
}

/// A value at a time.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ValueAt {
    /// ms since 1970.
    at_ms: i64,
    /// In the unit of the quantity.
    value: f64,
}

/// What the newest test should have shown by those before it.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ReckonedBody {
    /// By the line of earlier tests, the use and the doses since.
    value: f64,
    /// Half of its 95 % interval.
    half95: f64,
    /// It differs from the test by more than chance.
    is_apart: bool,
}

/// A quantity that is tested, with what is aimed at and what is known of it.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct QuantityBody {
    /// Its name.
    name: &'static str,
    /// Unit of the numbers.
    unit: &'static str,
    /// Decimals worth showing.
    decimals: usize,
    /// What is aimed at, from and to; common practice, no source.
    target: [f64; 2],
    /// Beyond these somebody should act.
    act: [f64; 2],
    /// Change in a day that animals bear; not there: it is not dosed.
    #[serde(skip_serializing_if = "Option::is_none")]
    daily_limit: Option<f64>,
    /// What the sea has at the salinity of the file; not there: it has no one value.
    #[serde(skip_serializing_if = "Option::is_none")]
    natural: Option<f64>,
    /// Salts that raise it, by name.
    salts: Vec<&'static str>,
    /// Its tests of the last 120 days, oldest first.
    tests: Vec<ValueAt>,
    /// The line through those since the last water change, doses put back.
    fitted: Vec<ValueAt>,
    /// Where the newest test stands: `far-below`, `below`, `within`, `above`, `far-above`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    standing: Option<Standing>,
    /// What the newest test should have shown; not there: nothing tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    reckoned: Option<ReckonedBody>,
    /// Its use; not there: it was never tested, or nothing uses it up (salinity).
    #[serde(skip_serializing_if = "Option::is_none")]
    used: Option<UseBody>,
    /// What is to be said of the newest test.
    remarks: Vec<RemarkBody>,
}

/// A salt that is dosed.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct SaltBody {
    /// Its name.
    name: &'static str,
    /// Its formula with its water.
    formula: &'static str,
    /// How much a litre of fresh water holds at 20 °C, g.
    dissolves_g_l: f64,
    /// What a person must know before touching it.
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<&'static str>,
}

/// The water that is reckoned with.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct TankBody {
    /// Of the whole system, by the geometry of the file, L.
    volume_l: f64,
    /// By the file.
    salinity: f64,
    /// By the file, °C.
    temperature_c: f64,
}

/// The books of the ions.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct IonsBody {
    /// How much salts that stay behind would raise salinity in a year without water changes; not there: too few doses of salts stand in the log.
    #[serde(skip_serializing_if = "Option::is_none")]
    salinity_rise_year: Option<f64>,
    /// Whether calcium and alkalinity go together.
    remarks: Vec<RemarkBody>,
}

/// The log of water, and what follows from it.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct WaterBody {
    /// Lines of the last 120 days, the newest first, at most a thousand.
    lines: Vec<WaterLineBody>,
    /// All that can be tested, in the order of a form.
    quantities: Vec<QuantityBody>,
    /// Water changes, ms since 1970.
    changes_ms: Vec<i64>,
    /// Salts that are dosed.
    salts: Vec<SaltBody>,
    /// The water that is reckoned with.
    tank: TankBody,
    /// The books of the ions.
    ions: IonsBody,
}

const LOG_DAYS: i64 = 120;

/// The log of water tests, doses and water changes of a board's tank, and what follows from it: trends, the use in a day, whether tests agree with what
/// was reckoned.
#[utoipa::path(get, path = "/api/v1/boards/{board}/water", tag = "care", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = WaterBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn water(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<WaterBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let Water { tank, log, lines } = Water::of(app, board)?;
        let Overview { quantities, balance, salinity_rise_year } = overview(&log, &tank, day_of(now_ms()));
        let lines = lines.into_iter().map(|l| WaterLineBody {
            id: l.id,
            at_ms: l.at,
            what: l.what,
            value: l.value,
            who: l.who,
            note: l.note,
            voided_by: l.voided_by,
        });
        let known = |tested: Tested| quantities.iter().find(|known| known.tested == tested);
        Ok(Json(WaterBody {
            lines: lines.collect(),
            quantities: Tested::ALL
                .into_iter()
                .map(|tested| quantity(tested, &tank, known(tested)))
                .collect(),
            changes_ms: log.changes().iter().map(|day| at_ms(*day)).collect(),
            salts: DOSABLE.into_iter().map(salt).collect(),
            tank: TankBody {
                volume_l: tank.volume_l,
                salinity: tank.salinity,
                temperature_c: tank.temperature_c,
            },
            ions: IonsBody { salinity_rise_year, remarks: remarks(balance) },
        }))
    })
    .await
}

/// What is put in as a salt; lime goes in as limewater.
const DOSABLE: [Salt; 10] = {
    let mut all = [Salt::SodiumBicarbonate; 10];
    let mut k = 0;
    while k < all.len() {
        all[k] = Salt::ALL[k];
        k += 1;
    }
    all
};

fn salt(salt: Salt) -> SaltBody {
    SaltBody {
        name: salt.name(),
        formula: salt.formula(),
        dissolves_g_l: salt.dissolves_g_l(),
        caution: salt.caution(),
    }
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

fn quantity(tested: Tested, tank: &Tank, known: Option<&Known>) -> QuantityBody {
    let aim = tested.aim();
    let at = |(day, value): (f64, f64)| ValueAt { at_ms: at_ms(day), value };
    let used = known.and_then(|known| known.used.as_ref().ok());
    let newest = known.and_then(|known| known.tests.last());
    QuantityBody {
        name: tested.name(),
        unit: tested.unit(),
        decimals: tested.decimals(),
        target: aim.target.into(),
        act: aim.act.into(),
        daily_limit: tested.daily_limit().filter(|_| DOSED.contains(&tested)),
        natural: tested.natural(tank.salinity, tank.temperature_c),
        salts: DOSABLE.into_iter().filter(|s| grams(tank, tested, 1.0, *s).is_ok()).map(Salt::name).collect(),
        tests: known.map_or(&[][..], |known| &known.tests).iter().map(|t| at((t.day, t.value))).collect(),
        fitted: used.map_or(&[][..], |used| &used.fitted).iter().copied().map(at).collect(),
        standing: newest.map(|test| aim.standing(test.value)),
        reckoned: known.and_then(|known| {
            let by = known.reckoned?;
            let is_apart = !known.disagrees.is_empty();
            Some(ReckonedBody { value: by.value, half95: by.half95, is_apart })
        }),
        used: known.filter(|_| tested != Tested::Salinity).map(used_of),
        remarks: known.map_or_else(Vec::new, |known| remarks(known.disagrees.iter().cloned())),
    }
}

fn used_of(known: &Known) -> UseBody {
    let tested = known.tested;
    let (quantity, unit) = (tested.name(), tested.unit());
    match &known.used {
        Ok(found) => UseBody {
            quantity,
            unit,
            per_day: finite(found.per_day.value),
            half95: finite(found.per_day.half95),
            now: finite(found.now.value),
            n_tests: found.n_tests,
            remarks: remarks(found.findings.iter().cloned()),
        },
        Err(why) => UseBody {
            quantity,
            unit,
            per_day: None,
            half95: None,
            now: None,
            n_tests: known.tests.len(),
            remarks: vec![RemarkBody::unknown(why)],
        },
    }
}

/// The log of a board's tank, and the tank.
pub(super) struct Water {
    pub(super) tank: Tank,
    pub(super) log: Log,
    lines: Vec<WaterLine>,
}

impl Water {
    pub(super) fn of(app: &App, board: &SiteBoard) -> Result<Water, Problem> {
        let (name, from) = (&board.settings.name, now_ms() - LOG_DAYS * DAY_MS);
        let lines =
            app.store.read(|db| store::care::water(db, name, from, 1000).doing("reading the log of water"));
        let lines = lines.map_err(of_store)?;
        let text: String = (lines.iter().filter(|l| l.voided_by.is_none()))
            .map(|l| format!("{},{},{}\n", log_time(l.at), l.what, l.value))
            .collect();
        // What was taken in was read then; a line that an older program took and this one does not is left out with all.
        let log = Log::read(&text).unwrap_or_default();
        let water = &board.system.water;
        let facts = audit::run(&board.system).facts;
        // Without geometry doses that are given as salts cannot be counted.
        let volume_l = facts.water.as_ref().map_or(1.0, |water| water.volume_l.max(1.0));
        let tank = Tank { volume_l, salinity: water.salinity, temperature_c: water.temperature_c };
        Ok(Water { tank, log, lines })
    }

    /// What is known of a quantity now.
    pub(super) fn known(&self, tested: Tested) -> Option<Known> {
        let all = overview(&self.log, &self.tank, day_of(now_ms())).quantities;
        all.into_iter().find(|known| known.tested == tested)
    }
}

/// Days since 1970, as logs count.
fn day_of(at_ms: i64) -> f64 {
    at_ms as f64 / DAY_MS as f64
}

fn at_ms(day: f64) -> i64 {
    (day * DAY_MS as f64).round() as i64
}

/// As the log writes times.
fn log_time(at_ms: i64) -> String {
    let minutes = at_ms.rem_euclid(DAY_MS) / 60_000;
    format!("{} {:02}:{:02}", iso_date(at_ms.div_euclid(DAY_MS)), minutes / 60, minutes % 60)
}

/// A line to write.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewLine {
    /// `alkalinity`, `calcium`, `magnesium`, `nitrate`, `phosphate`, `salinity`; `dose` or `daily` and a quantity or salt; `water change`.
    what: String,
    /// With its unit: `8.2 dKH`, `420 mg/L`, `12 g`. May be empty for a water change.
    #[serde(default)]
    value: String,
    /// When it was, ms since 1970; now without it.
    at_ms: Option<i64>,
    /// Remark.
    #[serde(default)]
    note: String,
}

/// A line as it is to be written, or what is wrong with it.
fn checked(
    what: &str,
    value: &str,
    at_ms: Option<i64>,
    note: &str,
) -> Result<(i64, String, String, String), Problem> {
    let what = said(what, "what", 60)?;
    let value = value.trim().to_owned();
    let note = if note.trim().is_empty() { String::new() } else { said(note, "note", 1000)? };
    let now = now_ms();
    let at = at_ms.unwrap_or(now);
    if !(0..=now + 60_000).contains(&at) {
        return Err(Problem::not_possible("`at_ms` is when it was: ms since 1970, not in the future."));
    }
    let separators = |text: &str| text.contains([',', ';', '\t', '\n', '\r', '"']);
    if separators(&what) || separators(&value) || value.chars().count() > 60 {
        return Err(Problem::not_possible(
            "`what` and `value` are single words of the log, without commas or line ends; decimals have a point.",
        ));
    }
    if let Err(mistakes) = Log::read(&format!("{},{what},{value}\n", log_time(at))) {
        let why = mistakes.into_iter().next().map_or_else(String::new, |m| m.message);
        return Err(Problem::not_possible(format!("This is no line of the log: {why}.")));
    }
    Ok((at, what, value, note))
}

/// Writes a line into the log of water.
#[utoipa::path(post, path = "/api/v1/boards/{board}/water", tag = "care", params(("board" = String, Path, description = "Its name")),
    request_body = NewLine, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_water(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(asked): Body<NewLine>,
) -> Result<Json<Told>, Problem> {
    write_lines(&app, &who, board, vec![checked(&asked.what, &asked.value, asked.at_ms, &asked.note)?]).await
}

/// Tests that were made together.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewTests {
    /// One to six of them.
    tests: Vec<OneTest>,
    /// When they were made, ms since 1970; now without it.
    at_ms: Option<i64>,
    /// Remark to all of them.
    #[serde(default)]
    note: String,
}

/// What a test showed.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct OneTest {
    /// `alkalinity`, `calcium`, `magnesium`, `nitrate`, `phosphate`, `salinity`.
    quantity: String,
    /// With or without its unit: `8.2`, `2.9 meq/L`.
    value: String,
}

/// Writes tests that were made together into the log of water: all of them, or none where one is wrong.
#[utoipa::path(post, path = "/api/v1/boards/{board}/water/tests", tag = "care", params(("board" = String, Path, description = "Its name")),
    request_body = NewTests, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_tests(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(asked): Body<NewTests>,
) -> Result<Json<Told>, Problem> {
    if !(1..=Tested::ALL.len()).contains(&asked.tests.len()) {
        return Err(Problem::not_possible("Give the value of one test at least, and of each quantity once."));
    }
    let mut lines = vec![];
    for (n, test) in asked.tests.iter().enumerate() {
        let tested = Tested::of_name(&test.quantity).ok_or_else(|| {
            let known = Tested::ALL.map(Tested::name).join(", ");
            Problem::not_possible(format!("`{}` is nothing that is tested; {known} are.", test.quantity))
        })?;
        if asked.tests[..n].iter().any(|other| Tested::of_name(&other.quantity) == Some(tested)) {
            return Err(Problem::not_possible(format!("{} stands there twice.", tested.name())));
        }
        if test.value.trim().is_empty() {
            return Err(Problem::not_possible(format!("The value of {} is missing.", tested.name())));
        }
        lines.push(checked(tested.name(), &test.value, asked.at_ms, &asked.note)?);
    }
    write_lines(&app, &who, board, lines).await
}

/// Writes lines, all or none.
async fn write_lines(
    app: &Arc<App>,
    who: &Who,
    board: String,
    lines: Vec<(i64, String, String, String)>,
) -> Result<Json<Told>, Problem> {
    let who = who.signature();
    app.blocking(move |app| {
        let source = app.site.board(&board).ok_or_else(|| no_board(app))?.settings.name.clone();
        let rows: Vec<WaterLine> = (lines.into_iter())
            .map(|(at, what, value, note)| WaterLine {
                id: 0,
                at,
                source: source.clone(),
                what,
                value,
                who: who.clone(),
                note,
                voided_by: None,
            })
            .collect();
        let words: Vec<String> =
            rows.iter().map(|l| format!("{} {}", l.what, l.value).trim_end().to_owned()).collect();
        let written = app.store.write(move |db| {
            rows.iter()
                .try_for_each(|row| store::care::add_water(db, row).map(|_| ()))
                .doing("storing the log of water")
        });
        written.map_err(of_store)?;
        Ok(Told::new(format!("In the log: {}.", words.join(", "))))
    })
    .await
}

/// Declares a line of the log of water a mistake; it stays and counts no more.
#[utoipa::path(delete, path = "/api/v1/boards/{board}/water/{id}", tag = "care",
    params(("board" = String, Path, description = "Its name"), ("id" = i64, Path, description = "Number of the line")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn void_water(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, id)): Place<(String, i64)>,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        let name = app.site.board(&board).ok_or_else(|| no_board(app))?.settings.name.clone();
        let by = who.signature();
        let voided =
            app.store.write(move |db| store::care::void_water(db, &name, id, &by).doing("voiding a line"));
        match voided.map_err(of_store)? {
            true => Ok(Told::new(format!("Line {id} counts no more."))),
            false => Err(Problem::not_found("There is no such line that still counts.")),
        }
    })
    .await
}

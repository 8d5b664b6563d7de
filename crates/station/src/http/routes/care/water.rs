//! The log of water of a board's tank, and the use in a day that follows from it.

use std::sync::Arc;

use ::care::calendar::iso_date;
use ::care::water::Tank;
use ::care::water::consumption::consumption;
use ::care::water::log::Log;
use ::care::water::quantity::Tested;
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use store::Doing as _;
use store::care::WaterLine;
use utoipa::ToSchema;

use super::of_store;
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
    remarks: Vec<String>,
}

/// The log of water, and what follows from it.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct WaterBody {
    /// Lines of the last 120 days, the newest first, at most a thousand.
    lines: Vec<WaterLineBody>,
    /// Uses by those of them that stand.
    uses: Vec<UseBody>,
}

const LOG_DAYS: i64 = 120;

/// The log of water tests, doses and water changes of a board's tank, and the use in a day that follows from it.
#[utoipa::path(get, path = "/api/v1/boards/{board}/water", tag = "care", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = WaterBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn water(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<WaterBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let (name, from) = (&board.settings.name, now_ms() - LOG_DAYS * DAY_MS);
        let lines =
            app.store.read(|db| store::care::water(db, name, from, 1000).doing("reading the log of water"));
        let lines = lines.map_err(of_store)?;
        let uses = uses(board, &lines);
        let lines = lines.into_iter().map(|l| WaterLineBody {
            id: l.id,
            at_ms: l.at,
            what: l.what,
            value: l.value,
            who: l.who,
            note: l.note,
            voided_by: l.voided_by,
        });
        Ok(Json(WaterBody { lines: lines.collect(), uses }))
    })
    .await
}

fn uses(board: &SiteBoard, lines: &[WaterLine]) -> Vec<UseBody> {
    let text: String = (lines.iter().filter(|l| l.voided_by.is_none()))
        .map(|l| format!("{},{},{}\n", log_time(l.at), l.what, l.value))
        .collect();
    // What was taken in was read then; a line of an older form is left out with all, and told below.
    let Ok(log) = Log::read(&text) else { return vec![] };
    let water = &board.system.water;
    let volume_l: f64 = (board.system.vessels.iter())
        .filter(|v| v.holds == system::model::Contents::Tank)
        .map(|v| v.volume_below(v.start_level) * 1e3)
        .sum();
    let tank =
        Tank { volume_l: volume_l.max(1.0), salinity: water.salinity, temperature_c: water.temperature_c };
    let of = |tested: Tested| {
        let tests = log.tests(tested);
        let finite = |x: f64| x.is_finite().then_some(x);
        match consumption(tested, &tests, &log.events(tested, &tank)) {
            Ok(found) => UseBody {
                quantity: tested.name(),
                unit: tested.unit(),
                per_day: finite(found.per_day.value),
                half95: finite(found.per_day.half95),
                now: finite(found.now.value),
                n_tests: found.n_tests,
                remarks: found.findings.into_iter().map(|f| f.message).collect(),
            },
            Err(why) => UseBody {
                quantity: tested.name(),
                unit: tested.unit(),
                per_day: None,
                half95: None,
                now: None,
                n_tests: tests.len(),
                remarks: vec![why.to_string()],
            },
        }
    };
    log.tested().into_iter().map(of).collect()
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
    let what = said(&asked.what, "what", 60)?;
    let value = asked.value.trim().to_owned();
    let note = if asked.note.trim().is_empty() { String::new() } else { said(&asked.note, "note", 1000)? };
    let now = now_ms();
    let at = asked.at_ms.unwrap_or(now);
    if !(0..=now + 60_000).contains(&at) {
        return Err(Problem::not_possible("`at_ms` is when it was: ms since 1970, not in the future."));
    }
    let separators = |text: &str| text.contains([',', ';', '\t', '\n', '\r', '"']);
    if separators(&what) || separators(&value) || value.chars().count() > 60 {
        return Err(Problem::not_possible(
            "`what` and `value` are single words of the log, without commas or line ends.",
        ));
    }
    if let Err(mistakes) = Log::read(&format!("{},{what},{value}\n", log_time(at))) {
        let why = mistakes.into_iter().next().map_or_else(String::new, |m| m.message);
        return Err(Problem::not_possible(format!("This is no line of the log: {why}.")));
    }
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let line = WaterLine {
            id: 0,
            at,
            source: board.settings.name.clone(),
            what,
            value,
            who: who.signature(),
            note,
            voided_by: None,
        };
        let row = line.clone();
        let written = app
            .store
            .write(move |db| store::care::add_water(db, &row).doing("storing a line of the log of water"));
        let id = written.map_err(of_store)?;
        Ok(Told::new(format!("{} {} stands in the log as number {id}.", line.what, line.value)))
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

//! A board's twin beside its tank: what is learned, what drifts, and that a person says what is right as it is.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use fit::drift::{Course, State as Standing};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::{Told, no_board, said};
use crate::app::App;
use crate::auth::door::Who;
use crate::fitted::{self, Earlier, Found, Kept, LeftOver};
use crate::http::guard::{Ask, Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::state::local_offset_ms;
use crate::twin;

/// The routes.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(fit)).routes(routes!(fitted_file)).routes(routes!(right))
}

/// Days of values without another wish, and at most.
const USUAL_DAYS: u32 = 60;
const MOST_DAYS: u32 = 400;
const DAY_MS: i64 = 86_400_000;

/// How far back.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct Back {
    /// Values of so many days, 1 to 400; 60 without it.
    #[param(minimum = 1, maximum = 400)]
    days: Option<u32>,
}

/// What stands beside what the twin expects.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct FitBody {
    /// End of the last hour that was looked at, ms since 1970 by the board's records; not there before the first look.
    #[serde(skip_serializing_if = "Option::is_none")]
    to_ms: Option<i64>,
    /// Everything that is watched for drift.
    quantities: Vec<CourseBody>,
    /// The newest fit of the twin to the log; not there before the first night with two days of log.
    #[serde(skip_serializing_if = "Option::is_none")]
    fitted: Option<FittedBody>,
    /// The station studies the board with the fitted values (`fitted = true` of the board in the station file).
    is_used: bool,
}

/// The twin as it was fitted to the log.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct FittedBody {
    /// Begin of the log that was read, ms since 1970.
    from_ms: i64,
    /// Its end.
    to_ms: i64,
    /// Every parameter, told or not.
    parameters: Vec<ParameterBody>,
    /// What the fitted model leaves over.
    left_over: Vec<LeftOverBody>,
    /// What to know of the log, a sentence each.
    notes: Vec<String>,
    /// What would be written into the file: key and value.
    edits: Vec<EditBody>,
}

/// One parameter of the twin.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ParameterBody {
    /// What it is.
    what: String,
    /// Of which part; of the whole tank without it.
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<String>,
    /// Unit of the values; empty for a factor on what the file has.
    unit: String,
    /// The file's value.
    file: f64,
    /// What the log says; the file's value where it says nothing.
    value: f64,
    /// Lower end of the 95 % interval; not there where nothing bounds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    low: Option<f64>,
    /// Upper end.
    #[serde(skip_serializing_if = "Option::is_none")]
    high: Option<f64>,
    /// How it was found.
    how: String,
    /// What the log cannot tell, and what would.
    #[serde(skip_serializing_if = "Option::is_none")]
    unknown: Option<String>,
    /// Ends of the logs of the fits that are kept, ms since 1970, oldest first.
    earlier_ms: Vec<i64>,
    /// What each of them said.
    earlier: Vec<f64>,
}

/// What the fitted model leaves over of one balance.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct LeftOverBody {
    /// Of what.
    name: String,
    /// Unit of the values.
    unit: String,
    /// Middle of each stretch, ms since 1970.
    at_ms: Vec<i64>,
    /// As measured.
    measured: Vec<f64>,
    /// By the fitted model.
    model: Vec<f64>,
}

/// A change of the file.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct EditBody {
    /// Path of the key: `fitted.evaporation`, `actuator.heater.power`.
    path: String,
    /// Its new value as it stands in the file.
    value: String,
}

impl FittedBody {
    fn new(kept: Kept, earlier: &[Earlier]) -> Self {
        let parameter = |p: Found| {
            let of = |e: &Earlier| {
                let found = e.values.iter().find(|(what, part, _)| *what == p.what && *part == p.part);
                found.map(|(_, _, value)| (e.to_ms, *value))
            };
            let (earlier_ms, earlier) = earlier.iter().filter_map(of).unzip();
            let Found { what, part, unit, file, value, low, high, how, unknown } = p;
            ParameterBody { what, part, unit, file, value, low, high, how, unknown, earlier_ms, earlier }
        };
        let left_over = |LeftOver { name, unit, at_ms, measured, model }: LeftOver| LeftOverBody {
            name,
            unit,
            at_ms,
            measured,
            model,
        };
        FittedBody {
            from_ms: kept.from_ms,
            to_ms: kept.to_ms,
            parameters: kept.parameters.into_iter().map(parameter).collect(),
            left_over: kept.left_over.into_iter().map(left_over).collect(),
            notes: kept.notes,
            edits: kept.edits.into_iter().map(|(path, value)| EditBody { path, value }).collect(),
        }
    }
}

/// One quantity of one part over time.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct CourseBody {
    /// `flow`, `heater-power`, `heat-need`, `water-use` or `ph-swing`.
    quantity: &'static str,
    /// Flow meter, heater or probe by its name; the board for what is of the whole tank.
    part: String,
    /// Unit of its values.
    unit: &'static str,
    /// `not-judged`, `not-judged`, `learning`, `steady` or `drifting`.
    #[schema(value_type = String)]
    state: Standing,
    /// How it stands, in a sentence.
    words: String,
    /// Where to look, the most likely cause first; of what drifts.
    #[serde(skip_serializing_if = "Option::is_none")]
    act: Option<&'static str>,
    /// A caution where the act can hurt.
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<&'static str>,
    /// Since when it drifts, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    since_ms: Option<i64>,
    /// Mean difference since then, as a share of what is expected.
    #[serde(skip_serializing_if = "Option::is_none")]
    share: Option<f64>,
    /// From when to when it was learned, ms since 1970; not there while it is learned.
    #[serde(skip_serializing_if = "Option::is_none")]
    learned_ms: Option<(i64, i64)>,
    /// Standard deviation about what is expected, as a share.
    #[serde(skip_serializing_if = "Option::is_none")]
    spread: Option<f64>,
    /// End of the time that each value speaks for, ms since 1970, oldest first.
    at_ms: Vec<i64>,
    /// Values as they were measured.
    value: Vec<f64>,
    /// What the twin expects of each; nothing where it was not learned yet.
    expected: Vec<Option<f64>>,
}

impl CourseBody {
    fn new(course: &Course, from_ms: i64, offset_ms: i64) -> Self {
        let points = || course.points.iter().filter(move |p| p.at_ms > from_ms);
        CourseBody {
            quantity: course.quantity.id(),
            part: course.part.clone(),
            unit: course.quantity.unit(),
            state: course.state(),
            words: course.sentence(offset_ms),
            act: course.act(),
            caution: course.caution(),
            since_ms: course.drift.map(|d| d.since_ms),
            share: course.drift.map(|d| d.share),
            learned_ms: course.learned.map(|l| (l.from_ms, l.to_ms)),
            spread: course.learned.map(|l| l.spread),
            at_ms: points().map(|p| p.at_ms).collect(),
            value: points().map(|p| p.value).collect(),
            expected: points().map(|p| p.expected).collect(),
        }
    }
}

/// The twin of a board beside its tank: each quantity that is watched for drift, with its values and what is expected of them; and the parameters of
/// the twin with what the log says of them.
#[utoipa::path(get, path = "/api/v1/boards/{board}/fit", tag = "care", params(("board" = String, Path, description = "Its name"), Back),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = FitBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn fit(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
    Ask(back): Ask<Back>,
) -> Result<Json<FitBody>, Problem> {
    let days = back.days.unwrap_or(USUAL_DAYS);
    if !(1..=MOST_DAYS).contains(&days) {
        return Err(Problem::bad_request("`days` goes from 1 to 400."));
    }
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let seen = app.twins.seen(board.id.0);
        let quantities = seen.as_ref().map_or_else(Vec::new, |seen| {
            let offset_ms = local_offset_ms(&board.system.timezone, seen.to_ms);
            let from_ms = seen.to_ms - i64::from(days) * DAY_MS;
            seen.courses.iter().map(|c| CourseBody::new(c, from_ms, offset_ms)).collect()
        });
        let newest = fitted::newest(&app.store, board).map_err(Problem::store)?;
        let earlier = fitted::earlier(&app.store, &board.settings.name).map_err(Problem::store)?;
        Ok(Json(FitBody {
            to_ms: seen.map(|seen| seen.to_ms),
            quantities,
            fitted: newest.map(|kept| FittedBody::new(kept, &earlier)),
            is_used: app.twins.text(board.id.0).is_some(),
        }))
    })
    .await
}

/// The text of the system file that a board runs with the fitted values in it, comments kept: to study, to compare, to take over.
#[utoipa::path(get, path = "/api/v1/boards/{board}/fit/file", tag = "care", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = FittedFile), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn fitted_file(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<FittedFile>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let newest = fitted::newest(&app.store, board).map_err(Problem::store)?;
        let text = newest.and_then(|kept| kept.text).ok_or_else(|| {
            Problem::not_found(
                "No fit of this board tells anything better than its file has it. It is fitted each night; two weeks of log are good.",
            )
        })?;
        Ok(Json(FittedFile { text }))
    })
    .await
}

/// A text.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct FittedFile {
    /// The whole text.
    text: String,
}

/// What is right as it is.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Right {
    /// A part by its name, or a quantity (`flow`, `heat-need` ...).
    part: String,
    /// Why: what was cleaned, replaced, changed.
    why: String,
}

/// Says that a part or a quantity is right as it is now: the twin learns anew what belongs to it, and its drift is over. Cleaning and replacing that
/// is written down as care does the same by itself.
#[utoipa::path(post, path = "/api/v1/boards/{board}/fit/right", tag = "care", params(("board" = String, Path, description = "Its name")),
    request_body = Right, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn right(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(asked): Body<Right>,
) -> Result<Json<Told>, Problem> {
    let why = said(&asked.why, "why", 200)?;
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let known = app.twins.seen(board.id.0).is_some_and(|seen| {
            seen.courses.iter().any(|c| c.part == asked.part || c.quantity.id() == asked.part)
        });
        if !known {
            return Err(Problem::not_found(format!(
                "Nothing that is watched is called `{}`. GET /api/v1/boards/{{board}}/fit lists what there is.",
                asked.part
            )));
        }
        twin::say(app, board, &asked.part, &who.signature(), &why).map_err(Problem::store)?;
        Ok(Told::new("It is learned anew from now on."))
    })
    .await
}

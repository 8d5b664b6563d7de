//! What was: series, trends, export, import, events.

use std::io;
use std::sync::Arc;

use axum::Json;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use store::{Format, SeriesId, Wanted};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::{Rows, of_store, said};
use crate::app::App;
use crate::http::guard::{Ask, Place};
use crate::http::pieces::in_pieces;
use crate::http::problem::{Problem, ProblemBody};

/// Longest log that is brought in at once, bytes.
const LONGEST_LOG: usize = 16 * 1024 * 1024;

/// One series.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct SeriesBody {
    /// Its number.
    id: u32,
    /// The board, or where a log came from.
    board: String,
    /// As in the system file.
    name: String,
    /// Unit of its values; empty for counts and for 0 or 1.
    unit: String,
    /// Units for each count.
    scale: f64,
    /// Expected time from sample to sample, ms; 0: none.
    interval_ms: i64,
    /// 0 or 1.
    is_bit: bool,
}

/// All series, in the order in which they came.
#[utoipa::path(get, path = "/api/v1/series", tag = "history", security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<SeriesBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn series(State(app): State<Arc<App>>) -> Result<Json<Vec<SeriesBody>>, Problem> {
    let all = app.store.all_series().into_iter().map(|series| SeriesBody {
        id: series.id.0,
        board: series.spec.source,
        name: series.spec.name,
        unit: series.spec.unit,
        scale: series.spec.scale,
        interval_ms: series.spec.interval,
        is_bit: series.spec.is_switch,
    });
    Ok(Json(all.collect()))
}

/// A range at the width of a screen.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfTrend {
    /// From, ms since 1970.
    from: i64,
    /// To before, ms since 1970.
    to: i64,
    /// Columns, 1 to 4000; 600 without it.
    #[param(minimum = 1, maximum = 4000)]
    width: Option<u32>,
}

/// One series over a range: columns of the same length, each with what it holds. Columns without samples are left out.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct TrendBody {
    /// Begin of the first column, ms since 1970.
    from_ms: i64,
    /// Length of a column, ms.
    step_ms: i64,
    /// Begin of each column, ms since 1970.
    at_ms: Vec<i64>,
    /// Lowest good value.
    min: Vec<Option<f64>>,
    /// Highest good value.
    max: Vec<Option<f64>>,
    /// Mean of the good values.
    mean: Vec<Option<f64>>,
    /// Samples of uncertain quality.
    n_uncertain: Vec<i64>,
    /// Samples of bad quality.
    n_bad: Vec<i64>,
    /// Times without samples: last before and first after, ms since 1970. They are never drawn over.
    gaps: Vec<[i64; 2]>,
}

/// A range of one series for drawing.
#[utoipa::path(get, path = "/api/v1/series/{id}/trend", tag = "history", params(("id" = u32, Path, description = "Number of the series"), OfTrend),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = TrendBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn trend(
    State(app): State<Arc<App>>,
    Place(id): Place<u32>,
    Ask(of): Ask<OfTrend>,
) -> Result<Json<TrendBody>, Problem> {
    let width = of.width.unwrap_or(600);
    if !(1..=4000).contains(&width) {
        return Err(Problem::bad_request("`width` goes from 1 to 4000."));
    }
    let range = -store::LATEST_TIME..=store::LATEST_TIME;
    if of.from >= of.to || !range.contains(&of.from) || !range.contains(&of.to) {
        return Err(Problem::bad_request(
            "`from` must lie before `to`, both in ms since 1970 and before the year 2109.",
        ));
    }
    app.blocking(move |app| {
        if !app.store.all_series().iter().any(|series| series.id == SeriesId(id)) {
            return Err(Problem::not_found("There is no such series. /api/v1/series lists all of them."));
        }
        let trend = app.store.trend(SeriesId(id), of.from, of.to, width).map_err(of_store)?;
        let mut body = TrendBody {
            from_ms: trend.from,
            step_ms: trend.step,
            at_ms: vec![],
            min: vec![],
            max: vec![],
            mean: vec![],
            n_uncertain: vec![],
            n_bad: vec![],
            gaps: trend.gaps.iter().map(|gap| [gap.first, gap.last]).collect(),
        };
        for column in trend.columns {
            body.at_ms.push(column.from);
            body.min.push(column.min);
            body.max.push(column.max);
            body.mean.push(column.mean);
            body.n_uncertain.push(column.n_uncertain);
            body.n_bad.push(column.n_bad);
        }
        Ok(Json(body))
    })
    .await
}

/// A form of export.
#[derive(Deserialize, ToSchema, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(super) enum ExportFormat {
    /// A line for each sample, with its quality; it can be brought in again.
    Csv,
    /// A line for each time, a column for each series.
    CsvTable,
    /// RFC 8428 in JSON.
    Senml,
    /// Apache Parquet.
    Parquet,
}

/// What is exported.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfExport {
    /// From, ms since 1970.
    from: i64,
    /// To before, ms since 1970.
    to: i64,
    /// Numbers of series, separated by commas; all without it.
    series: Option<String>,
    /// The form.
    #[param(inline)]
    format: ExportFormat,
}

/// Samples of any range as a file.
#[utoipa::path(get, path = "/api/v1/export", tag = "history", params(OfExport), security(("session" = []), ("token" = [])),
    responses((status = 200, content((String = "text/csv"), (Vec<serde_json::Value> = "application/senml+json"), (String = "application/vnd.apache.parquet"))),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn export(State(app): State<Arc<App>>, Ask(of): Ask<OfExport>) -> Result<Response, Problem> {
    if of.from >= of.to {
        return Err(Problem::bad_request("`from` must lie before `to`, both in ms since 1970."));
    }
    let all = app.store.all_series();
    let series = match &of.series {
        None => all.iter().map(|series| series.id).collect(),
        Some(list) => {
            let find = |word: &str| {
                let id = word.trim().parse().ok().map(SeriesId)?;
                all.iter().any(|series| series.id == id).then_some(id)
            };
            let found: Option<Vec<SeriesId>> = list.split(',').map(find).collect();
            found.ok_or_else(|| {
                Problem::bad_request("`series` takes numbers of series, separated by commas. /api/v1/series lists all of them.")
            })?
        }
    };
    let (format, name) = match of.format {
        ExportFormat::Csv => (Format::Csv, "samples.csv"),
        ExportFormat::CsvTable => (Format::CsvTable, "table.csv"),
        ExportFormat::Senml => (Format::Senml, "samples.senml.json"),
        ExportFormat::Parquet => (Format::Parquet, "samples.parquet"),
    };
    let wanted = Wanted { series, from: of.from, before: of.to };
    let store = app.store.clone();
    let body = in_pieces(move |out| store.export(&wanted, format, out).map_err(io::Error::other).map(|_| ()));
    let head = [
        (header::CONTENT_TYPE, format.media_type().to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((head, body).into_response())
}

/// How a log is read. What is left out is guessed, and the preview says what was guessed.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfImport {
    /// Only say what would be brought in; true without it.
    preview: Option<bool>,
    /// The name under which its series are kept; `import` without it.
    name: Option<String>,
    /// Time zone of times without one, in POSIX form; the first system file's without it.
    zone: Option<String>,
}

/// What was understood of a log.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ImportBody {
    /// It was stored, not only looked at.
    is_stored: bool,
    /// What was understood and what was not, a line each.
    lines: Vec<String>,
    /// Samples that were stored.
    n_new: u64,
    /// Samples that were there already.
    n_known: u64,
}

/// Brings in a CSV log that was kept before. Looks first: without `preview=false` nothing is stored.
#[utoipa::path(post, path = "/api/v1/import", tag = "history", params(OfImport), security(("session" = []), ("token" = [])),
    request_body(content = String, content_type = "text/csv"),
    responses((status = 200, body = ImportBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn import(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfImport>,
    body: Bytes,
) -> Result<Json<ImportBody>, Problem> {
    let name = of.name.unwrap_or_else(|| "import".to_owned());
    let name = said(&name, "name", 40)?;
    if app.site.board(&name).is_some() || name == "station" {
        return Err(Problem::not_possible("`name` is that of a board; give the log another."));
    }
    app.blocking(move |app| {
        crate::bring::csv(app, &name, of.zone.as_deref(), of.preview.unwrap_or(true), &body)
    })
    .await
    .map(|brought| {
        Json(ImportBody {
            is_stored: brought.is_stored,
            lines: brought.lines,
            n_new: brought.n_new,
            n_known: brought.n_known,
        })
    })
}

/// The route of import, which takes longer bodies.
pub(super) fn import_route() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(import)).layer(DefaultBodyLimit::max(LONGEST_LOG))
}

/// One event.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct EventBody {
    /// Its number.
    id: i64,
    /// When, ms since 1970.
    at_ms: i64,
    /// The board, or `station`.
    board: String,
    /// A word: `trip`, `reset`, `link`, `log-in`.
    kind: String,
    /// In words.
    text: String,
}

/// What happened, the newest first.
#[utoipa::path(get, path = "/api/v1/events", tag = "history", params(Rows), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<EventBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn events(
    State(app): State<Arc<App>>,
    Ask(rows): Ask<Rows>,
) -> Result<Json<Vec<EventBody>>, Problem> {
    let page = rows.page()?;
    app.blocking(move |app| {
        let events = app.store.events(&page).map_err(of_store)?.into_iter().map(|event| EventBody {
            id: event.id,
            at_ms: event.at,
            board: event.source,
            kind: event.kind,
            text: event.text,
        });
        Ok(Json(events.collect()))
    })
    .await
}

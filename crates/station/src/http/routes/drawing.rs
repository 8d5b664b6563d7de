//! The section drawing and the text of a system.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use drawing::{Align, Ink, Layer, Property, Shape, SvgOptions, TitleBlock};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::OfBoard;
use crate::app::App;
use crate::http::guard::Ask;
use crate::http::problem::{Problem, ProblemBody};

/// The word of an ink, and the number of a water line.
fn ink(ink: Ink) -> Value {
    let word = match ink {
        Ink::Outline => "outline",
        Ink::Thin => "thin",
        Ink::Hidden => "hidden",
        Ink::Phantom => "phantom",
        Ink::Glass => "glass",
        Ink::Ground => "ground",
        Ink::Rock => "rock",
        Ink::Water => "water",
        Ink::FreshWater => "fresh-water",
        Ink::WaterLine(n) => return json!(format!("water-line-{n}")),
        Ink::Heat => "heat",
        Ink::Solid => "solid",
        Ink::Paper => "paper",
        Ink::Mask => "mask",
        Ink::Dimension => "dimension",
        Ink::Leader => "leader",
        Ink::Frame => "frame",
        Ink::Alarm => "alarm",
    };
    json!(word)
}

fn layer(layer: Layer) -> &'static str {
    match layer {
        Layer::Room => "room",
        Layer::Water => "water",
        Layer::Inner => "inner",
        Layer::Glass => "glass",
        Layer::Pipe => "pipe",
        Layer::Gear => "gear",
        Layer::Level => "level",
        Layer::Dimension => "dimension",
        Layer::Frame => "frame",
    }
}

/// A sheet as data: lengths in mm of paper to a hundredth, y downwards.
fn as_data(sheet: &drawing::Sheet) -> Value {
    let mm = |x: f64| (x * 100.0).round() / 100.0;
    let point = |p: &drawing::Point| json!([mm(p.x), mm(p.y)]);
    let points = |of: &[drawing::Point]| Value::from(of.iter().map(point).collect::<Vec<_>>());
    let shape = |shape: &Shape| match shape {
        Shape::Line { points: of, ink: with } => {
            json!({ "kind": "line", "ink": ink(*with), "points": points(of) })
        }
        Shape::Area { points: of, ink: with } => {
            json!({ "kind": "area", "ink": ink(*with), "points": points(of) })
        }
        Shape::Circle { centre, radius, ink: with } => {
            json!({ "kind": "circle", "ink": ink(*with), "centre": point(centre), "radius": mm(*radius) })
        }
        Shape::Pipe { points: of, width } => {
            json!({ "kind": "pipe", "width": mm(*width), "points": points(of) })
        }
    };
    let binding = |of: &drawing::Binding| {
        let property = match of.property {
            Property::Top => "top",
            Property::Running => "running",
            Property::Flow => "flow",
            Property::Reading => "reading",
        };
        json!({ "value": of.value, "unit": of.unit, "property": property, "zero": of.zero, "per_unit": of.per_unit })
    };
    let parts: Vec<Value> = (sheet.parts.iter())
        .map(|part| {
            json!({
                "id": part.id, "name": part.name, "layer": layer(part.layer), "anchor": point(&part.anchor),
                "shapes": part.shapes.iter().map(shape).collect::<Vec<_>>(),
                "bindings": part.bindings.iter().map(binding).collect::<Vec<_>>(),
            })
        })
        .collect();
    let labels: Vec<Value> = (sheet.labels.iter())
        .map(|label| {
            let lines: Vec<Value> = (label.lines.iter())
                .map(|line| json!({ "text": line.text, "size": line.size, "is_bold": line.bold }))
                .collect();
            let align = match label.align {
                Align::Left => "left",
                Align::Middle => "middle",
                Align::Right => "right",
            };
            let b = &label.bounds;
            json!({
                "part": label.part, "key": label.key, "lines": lines, "bounds": [mm(b.x), mm(b.y), mm(b.w), mm(b.h)],
                "align": align, "is_turned": label.turned, "leader": points(&label.leader),
            })
        })
        .collect();
    json!({
        "size": [mm(sheet.size[0]), mm(sheet.size[1])], "scale": sheet.scale, "title": sheet.title,
        "description": sheet.description, "parts": parts, "labels": labels,
    })
}

fn sheet(app: &App, of: &OfBoard) -> Result<drawing::Sheet, Problem> {
    let board = of.find(app)?;
    let title = TitleBlock { revision: format!("{:08x}", board.made.program_crc), date: String::new() };
    Ok(drawing::section(&board.system, &[], &title))
}

/// The system in section, to scale, as SVG.
#[utoipa::path(get, path = "/api/v1/section.svg", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "image/svg+xml"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn section_svg(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Response, Problem> {
    let options = SvgOptions { interactive: true, ..SvgOptions::default() };
    let svg = app.blocking(move |app| Ok(sheet(app, &of)?.to_svg(&options))).await?;
    // The drawing brings its styles along; their hash lets in these and no others.
    let style = svg
        .split_once("<style>")
        .and_then(|(_, rest)| rest.split_once("</style>"))
        .map_or("", |(style, _)| style);
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(style.as_bytes()));
    let policy = format!("default-src 'none'; style-src 'sha256-{hash}'; frame-ancestors 'none'");
    let head =
        [(header::CONTENT_TYPE, "image/svg+xml".to_owned()), (header::CONTENT_SECURITY_POLICY, policy)];
    Ok((head, svg).into_response())
}

/// The same as data: parts with ids, anchors, shapes and the values that they show.
#[utoipa::path(get, path = "/api/v1/section", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn section(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Json<Value>, Problem> {
    app.blocking(move |app| Ok(Json(as_data(&sheet(app, &of)?)))).await
}

/// The text of the system file that a board runs.
#[utoipa::path(get, path = "/api/v1/system", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "text/plain"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn system_text(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Response, Problem> {
    let text = of.find(&app)?.text.clone();
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response())
}

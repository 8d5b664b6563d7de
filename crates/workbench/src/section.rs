//! The section with the water lines of the audit, and a sheet as data for who draws it.

use audit::Audit;
use drawing::{
    Align, Binding, Ink, Layer, Point, Property, Shape, Sheet, TitleBlock, WaterLines, section as lay_out,
};
use serde_json::{Value, json};
use system::System;

/// The section with its water lines: running, stopped, and stopped at its worst.
pub fn sheet(system: &System, audit: &Audit, title: &TitleBlock) -> Sheet {
    let facts = &audit.facts.vessels;
    let levels = |name: &str, level_mm: fn(&audit::VesselFact) -> f64| WaterLines {
        name: name.to_owned(),
        levels: (system.vessels.iter())
            .map(|v| facts.iter().find(|fact| fact.name == v.name).map(|fact| level_mm(fact) / 1000.0))
            .collect(),
    };
    let lines = [
        levels("running", |v| v.running_mm),
        levels("stopped", |v| v.stopped_mm),
        levels("worst case", |v| v.stopped_worst_mm.max(v.running_mm)),
    ];
    let lines: &[WaterLines] = if facts.is_empty() { &[] } else { &lines };
    lay_out(system, lines, title)
}

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
pub fn as_data(sheet: &Sheet) -> Value {
    let mm = |x: f64| (x * 100.0).round() / 100.0;
    let point = |p: &Point| json!([mm(p.x), mm(p.y)]);
    let points = |of: &[Point]| Value::from(of.iter().map(point).collect::<Vec<_>>());
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
    let binding = |of: &Binding| {
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

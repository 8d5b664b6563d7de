//! What may be dragged on the section: heights and places that the file writes as a length, each with the paper point where it is and how
//! the paper maps to metres.

use drawing::{Point, Property, Shape, Sheet};
use serde::Serialize;
use system::System;
use system::model::VesselIdx;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table};
use units::{Kind, Quantity};

/// One thing to drag: `set` of `key` in `path` moves it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Handle {
    /// Unique: path and key.
    pub id: String,
    /// The table in the file.
    pub path: String,
    /// The key in it.
    pub key: &'static str,
    /// `level` (water), `height` (of a part) or `x`.
    pub kind: &'static str,
    /// Id of the drawn part.
    pub part: String,
    /// Where it is on the sheet, mm.
    pub at: At,
    /// `x` or `y`: the way it moves.
    pub axis: &'static str,
    /// What it is now, m.
    pub value_m: f64,
    /// Least that makes sense, m.
    pub min: f64,
    /// Most that makes sense, m.
    pub max: f64,
    /// m for one mm of the sheet along the axis; negative along y, which goes down.
    pub unit_m_per_sheet: f64,
    /// The unit that the file writes it in.
    pub unit: String,
    /// As the file has it: `203 mm`.
    pub text: String,
}

/// A point of the sheet, mm.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct At {
    /// From the left.
    pub x: f64,
    /// From above.
    pub y: f64,
}

/// Where the vessel of a height stands in the part.
#[derive(Clone, Copy, PartialEq, Eq)]
enum In {
    /// It is the part.
    Own,
    /// The part stands in it.
    Holder,
    /// The passage begins there.
    From,
    /// The passage ends there.
    To,
}

/// Which point of a drawn part is meant.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Spot {
    Anchor,
    First,
    Last,
}

/// Heights by section and key.
const HEIGHTS: &[(&str, &str, In, Spot, &str)] = &[
    ("vessel", "level", In::Own, Spot::Anchor, "level"),
    ("vessel", "full", In::Own, Spot::Anchor, "level"),
    ("vessel", "dead", In::Own, Spot::Anchor, "level"),
    ("sensor", "low", In::Holder, Spot::Anchor, "height"),
    ("sensor", "high", In::Holder, Spot::Anchor, "height"),
    ("sensor", "height", In::Holder, Spot::Anchor, "height"),
    ("actuator", "mark", In::Holder, Spot::Anchor, "height"),
    ("passage", "crest", In::From, Spot::Anchor, "height"),
    ("passage", "top", In::From, Spot::Anchor, "height"),
    ("passage", "height", In::From, Spot::Anchor, "height"),
    ("passage", "rim", In::From, Spot::Anchor, "height"),
    ("passage", "inlet", In::From, Spot::First, "height"),
    ("passage", "intake", In::From, Spot::First, "height"),
    ("passage", "outlet", In::To, Spot::Last, "height"),
    ("passage", "break_hole", In::To, Spot::Last, "height"),
];

/// How far a line's end may stand over the rim, m.
const OVER_RIM_M: f64 = 0.2;

/// The handles of a sheet that was made of this text.
pub(crate) fn handles(system: &System, text: &str, sheet: &Sheet) -> Vec<Handle> {
    let Ok(toml) = text.parse::<DocumentMut>() else { return vec![] };
    let mut all = vec![];
    for section in ["vessel", "passage", "sensor", "actuator"] {
        let Some(tables) = toml.get(section).and_then(Item::as_array_of_tables) else { continue };
        of_section(system, sheet, section, tables, &mut all);
    }
    all
}

fn of_section(
    system: &System,
    sheet: &Sheet,
    section: &'static str,
    tables: &ArrayOfTables,
    all: &mut Vec<Handle>,
) {
    for table in tables {
        let Some(name) = table.get("name").and_then(Item::as_str) else { continue };
        for (_, key, holder, spot, kind) in HEIGHTS.iter().filter(|(of, ..)| *of == section) {
            let Some((text, value_m)) = length(table, key) else { continue };
            let Some(vessel) = holder_of(system, section, name, *holder) else { continue };
            all.extend(height(system, sheet, section, name, key, vessel, *spot, kind, text, value_m));
        }
        if section == "vessel"
            && let Some((text, value_m)) = length(table, "x")
        {
            all.extend(along(system, sheet, name, text, value_m));
        }
    }
}

/// A key that is written as a length.
fn length<'t>(table: &'t Table, key: &str) -> Option<(&'t str, f64)> {
    let text = table.get(key)?.as_str()?;
    let value = Quantity::parse_as(text, Kind::Length).ok()?.value;
    value.is_finite().then_some((text, value))
}

fn holder_of(system: &System, section: &str, name: &str, holder: In) -> Option<VesselIdx> {
    match section {
        "vessel" => system.vessels.iter().position(|v| v.name == name).map(VesselIdx),
        "sensor" => system.sensors.iter().find(|s| s.name == name)?.vessel,
        "actuator" => {
            let actuator = system.actuators.iter().find(|a| a.name == name)?;
            actuator.vessel.or(actuator.heats.map(|(vessel, _)| vessel))
        }
        _ => {
            let passage = system.passages.iter().find(|p| p.name == name)?;
            Some(if holder == In::To { passage.to } else { passage.from })
        }
    }
}

/// The unit behind a number: `mm` of `203 mm`; mm where there is none that is a unit by itself.
fn unit_of(text: &str) -> String {
    let unit = text.trim().trim_start_matches(|c: char| c.is_ascii_digit() || "+-., /_".contains(c)).trim();
    if units::unit(unit).is_some_and(|unit| unit.kind == Kind::Length) {
        unit.to_owned()
    } else {
        "mm".to_owned()
    }
}

#[allow(clippy::too_many_arguments)]
fn height(
    system: &System,
    sheet: &Sheet,
    section: &str,
    name: &str,
    key: &'static str,
    vessel: VesselIdx,
    spot: Spot,
    kind: &'static str,
    text: &str,
    value_m: f64,
) -> Option<Handle> {
    let holder = &system.vessels[vessel.idx()];
    // The water of the vessel says how its heights lie on the paper.
    let water = sheet.part(&format!("water.{}", holder.name))?;
    let scale = water.bindings.iter().find(|binding| binding.property == Property::Top)?;
    let id = if section == "vessel" { format!("water.{name}") } else { format!("{section}.{name}") };
    let part = sheet.part(&id)?;
    let over = if section == "passage" { OVER_RIM_M } else { 0.0 };
    Some(Handle {
        id: format!("{section}.{name}.{key}"),
        path: format!("{section}.{name}"),
        key,
        kind,
        at: At { x: hundredth(point(part, spot).x), y: hundredth(scale.zero + scale.per_unit * value_m) },
        part: id,
        axis: "y",
        value_m,
        min: 0.0,
        max: holder.inside[2] + over,
        unit_m_per_sheet: 1.0 / scale.per_unit,
        unit: unit_of(text),
        text: text.to_owned(),
    })
}

/// The left edge of a vessel.
fn along(system: &System, sheet: &Sheet, name: &str, text: &str, value_m: f64) -> Option<Handle> {
    let vessel = system.vessels.iter().find(|v| v.name == name)?;
    let part = format!("water.{name}");
    let at = sheet.part(&part)?.anchor;
    // A box stays in its vessel; else the room is as long as what stands in it, and as much again.
    let (min, max) = match vessel.inside_of {
        Some(outer) => {
            let outer = &system.vessels[outer.idx()];
            (outer.x_m, outer.x_m + (outer.inside[0] - vessel.inside[0]).max(0.0))
        }
        None => {
            let longest = system.vessels.iter().map(|v| v.x_m + v.inside[0]).fold(0.0, f64::max);
            (0.0, 2.0 * longest)
        }
    };
    Some(Handle {
        id: format!("vessel.{name}.x"),
        path: format!("vessel.{name}"),
        key: "x",
        kind: "x",
        part,
        at: At { x: hundredth(at.x), y: hundredth(at.y) },
        axis: "x",
        value_m,
        min,
        max,
        unit_m_per_sheet: sheet.scale / 1000.0,
        unit: unit_of(text),
        text: text.to_owned(),
    })
}

fn point(part: &drawing::Part, spot: Spot) -> Point {
    let pipe = part.shapes.iter().find_map(|shape| match shape {
        Shape::Pipe { points, .. } => Some(points),
        _ => None,
    });
    match (spot, pipe) {
        (Spot::First, Some(points)) => points.first().copied(),
        (Spot::Last, Some(points)) => points.last().copied(),
        _ => None,
    }
    .unwrap_or(part.anchor)
}

fn hundredth(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

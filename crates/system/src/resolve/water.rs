//! `[[vessel]]`, `[[air]]` and `[[passage]]`: shapes, and the ways of the water.

use std::f64::consts::FRAC_PI_4;

use units::Kind;

use super::context::{Context, Entry, Thing};
use crate::diagnostic::Diagnostic;
use crate::model::{
    ActuatorIdx, AirIdx, AirSpace, Branch, Contents, Passage, PassageKind, Pipe, Vessel, VesselIdx,
    VesselRole,
};
use crate::parts::PassageClass;
use crate::raw::{Bound, Field, Table};

const HOUR: f64 = 3600.0;
/// Soda-lime glass and acrylic, W/m/K: handbook section 5, from memory. The others: common tables, from memory.
const MATERIALS: &[(&str, f64)] =
    &[("glass", 1.0), ("acrylic", 0.19), ("polyethylene", 0.4), ("pvc", 0.17), ("foam_board", 0.035)];
/// Wall of a vessel that stands by itself when the file says nothing, m; common practice, no source.
const USUAL_WALL: f64 = 0.010;
/// Gas exchange of a still open surface when the file says nothing, per hour of its volume (harbour-lane estimate).
const STILL_KLA: f64 = 0.03;
/// Saturated limewater at 25 °C, meq/L: handbook section 2.
const SATURATED_LIME: f64 = 40.6;

/// Words of `role` of a vessel, here and in parts files.
pub(crate) const VESSEL_ROLES: &[(&str, VesselRole)] = &[
    ("display", VesselRole::Display),
    ("box", VesselRole::Box),
    ("sump", VesselRole::Sump),
    ("reservoir", VesselRole::Reservoir),
    ("lime", VesselRole::Lime),
    ("other", VesselRole::Other),
];

pub(super) fn air_spaces(context: &Context<'_>) -> Vec<AirSpace> {
    context
        .airs
        .iter()
        .map(|entry| AirSpace {
            name: entry.name.clone(),
            volume_m3: entry.table.need_quantity("volume", Kind::Volume, Bound::Positive, "\"150 L\""),
            leak_m3_s: entry.table.quantity("leak", Kind::Flow, Bound::NotNegative).unwrap_or(0.0),
        })
        .collect()
}

pub(super) fn vessels(context: &Context<'_>) -> Vec<Vessel> {
    let mut all: Vec<Vessel> = context.vessels.iter().map(|entry| vessel(context, entry)).collect();
    for (position, entry) in context.vessels.iter().enumerate() {
        displace(&mut all[position], &entry.table);
    }
    subtract_inner(&mut all);
    all
}

fn vessel<'a>(context: &Context<'a>, entry: &Entry<'a>) -> Vessel {
    let table = &entry.table;
    let role = table.get("role").and_then(|f| f.word(VESSEL_ROLES)).unwrap_or(VesselRole::Other);
    let (inside, area) = shape(table);
    let inside_of = context.refer_key(table, "inside_of", Thing::Vessel).map(VesselIdx);
    let (wall_m, wall_k) = wall(table, inside_of.is_some());
    let reader = Reader { table, from: None, to: None };
    let height = |key| reader.height_below(key, &entry.name, inside[2]);
    let level_given = height("level");
    let full_level = height("full");
    let dead_level = height("dead").unwrap_or(0.0);
    let sealed = matches!(role, VesselRole::Reservoir | VesselRole::Lime);
    // Undisturbed pool and cabinet air: handbook section 4 and the harbour-lane estimate.
    let usual_evaporation = match role {
        VesselRole::Display | VesselRole::Box => 0.74,
        VesselRole::Sump => 0.6,
        VesselRole::Reservoir | VesselRole::Lime => 0.0,
        VesselRole::Other => 0.74,
    };
    let evaporation = table.number("evaporation", Bound::Within(0.0, 2.0)).unwrap_or(usual_evaporation);
    let start_level = level_given.or(full_level).unwrap_or(f64::NAN);
    let still = table.quantity("still_exchange", Kind::Flow, Bound::NotNegative);
    Vessel {
        name: entry.name.clone(),
        role,
        inside,
        wall_m,
        wall_k,
        floor_m: table.quantity("floor", Kind::Length, Bound::Within(-5.0, 10.0)).unwrap_or(0.0),
        areas: vec![(0.0, area)],
        start_level,
        dead_level,
        full_level,
        inside_of,
        chamber_of: table.text("chamber_of").map(str::to_owned),
        x_m: table.quantity("x", Kind::Length, Bound::Any).unwrap_or(f64::NAN),
        air: context.refer_key(table, "air", Thing::Air).map(AirIdx),
        evaporation,
        air_speed: table.quantity("air_speed", Kind::Speed, Bound::NotNegative).unwrap_or(0.0),
        still_exchange: still.unwrap_or(if sealed { 0.0 } else { f64::NAN }),
        wall_share: table.number("wall_share", Bound::Within(0.0, 1.0)).unwrap_or(if inside_of.is_some() {
            0.0
        } else {
            1.0
        }),
        bottom_insulated: table.boolean("bottom_insulated").unwrap_or(false),
        holds: table.get("holds").and_then(|f| contents(&f)).unwrap_or(match role {
            VesselRole::Reservoir => Contents::Fresh,
            VesselRole::Lime => Contents::Limewater(SATURATED_LIME),
            _ => Contents::Tank,
        }),
    }
}

/// Inside length, depth and height, and the horizontal area.
fn shape(table: &Table<'_>) -> ([f64; 3], f64) {
    const NONE: ([f64; 3], f64) = ([f64::NAN; 3], f64::NAN);
    if let Some(round) = table.get("round") {
        if table.has("inside") {
            round.report(
                "conflicting-keys",
                format!("{} is given both `inside` and `round`", table.label),
                "",
                "keep `inside` for a box, `round = { diameter, height }` for a cylinder",
            );
            table.get("inside");
        }
        let Some(inner) = round.table() else { return NONE };
        let diameter = inner.need_quantity("diameter", Kind::Length, Bound::Positive, "\"300 mm\"");
        let height = inner.need_quantity("height", Kind::Length, Bound::Positive, "\"400 mm\"");
        inner.finish();
        let area = FRAC_PI_4 * diameter * diameter;
        // A square of the same area stands for the circle, so that length times depth is the area.
        let side = area.sqrt();
        return ([side, side, height], area);
    }
    let Some(field) = table.need("inside", "[\"1200 mm\", \"600 mm\", \"580 mm\"]") else { return NONE };
    match field.three_lengths() {
        Some(inside) => (inside, inside[0] * inside[1]),
        None => NONE,
    }
}

fn wall(table: &Table<'_>, stands_inside: bool) -> (f64, f64) {
    let usual = if stands_inside { 0.0 } else { USUAL_WALL };
    if let Some(thickness) = table.quantity("glass", Kind::Length, Bound::Positive) {
        return (thickness, MATERIALS[0].1);
    }
    let Some(inner) = table.get("wall").and_then(|f| f.table()) else { return (usual, MATERIALS[0].1) };
    let thickness = inner.need_quantity("thickness", Kind::Length, Bound::Positive, "\"10 mm\"");
    let material = inner.get("material").and_then(|f| f.word(MATERIALS));
    let conductivity = inner.quantity("conductivity", Kind::ThermalConductivity, Bound::Positive);
    inner.finish();
    (thickness, conductivity.or(material).unwrap_or(MATERIALS[0].1))
}

fn contents(field: &Field<'_>) -> Option<Contents> {
    if field.value.get_ref().is_table() {
        let inner = field.table()?;
        let strength =
            inner.need_quantity("limewater", Kind::AmountPerVolume, Bound::Positive, "\"40.6 meq/L\"");
        inner.finish();
        return Some(Contents::Limewater(strength));
    }
    field.word(&[
        ("tank", Contents::Tank),
        ("fresh", Contents::Fresh),
        ("limewater", Contents::Limewater(SATURATED_LIME)),
    ])
}

/// Takes what rock and fittings displace from the area below their height.
fn displace(vessel: &mut Vessel, table: &Table<'_>) {
    let Some(field) = table.get("displaced") else { return };
    for item in field.one_or_list() {
        let Some(inner) = item.table() else { continue };
        let volume = inner.need_quantity("volume", Kind::Volume, Bound::Positive, "\"28 L\"");
        let up_to = inner.need_quantity("up_to", Kind::Length, Bound::Positive, "\"300 mm\"");
        inner.finish();
        let area = volume / up_to;
        if up_to > vessel.inside[2] {
            item.report(
                "above-rim",
                format!("what is displaced in {} reaches above its rim", table.label),
                "",
                format!("`up_to` is at most the inside height, {:.0} mm", vessel.inside[2] * 1e3),
            );
        } else if area >= vessel.areas[0].1 {
            item.report(
                "displaced-too-much",
                format!("what is displaced in {} leaves no water below {:.0} mm", table.label, up_to * 1e3),
                "",
                "check the volume and the height: volume / height must be less than the inside area",
            );
        } else if area.is_finite() {
            add_area(&mut vessel.areas, 0.0, up_to, -area);
        }
    }
}

/// Takes the footprints of vessels that stand inside others from the outer ones.
fn subtract_inner(vessels: &mut [Vessel]) {
    for inner in 0..vessels.len() {
        let Some(outer) = vessels[inner].inside_of.map(VesselIdx::idx) else { continue };
        if outer == inner || outer >= vessels.len() {
            continue;
        }
        let v = &vessels[inner];
        let footprint = (v.inside[0] + 2.0 * v.wall_m) * (v.inside[1] + 2.0 * v.wall_m);
        let from = (v.floor_m - v.wall_m - vessels[outer].floor_m).max(0.0);
        let to = v.floor_m + v.inside[2] - vessels[outer].floor_m;
        if footprint.is_finite() && to.is_finite() && to > from {
            add_area(&mut vessels[outer].areas, from, to, -footprint);
        }
    }
}

/// Adds `change` to the area between two heights.
pub(super) fn add_area(areas: &mut Vec<(f64, f64)>, from: f64, to: f64, change: f64) {
    for height in [from, to] {
        if !areas.iter().any(|(h, _)| (*h - height).abs() < 1e-9) {
            let below = areas.iter().rposition(|(h, _)| *h < height);
            if let Some(below) = below {
                let area = areas[below].1;
                areas.insert(below + 1, (height, area));
            }
        }
    }
    for (height, area) in areas.iter_mut() {
        if *height >= from - 1e-9 && *height < to - 1e-9 {
            *area += change;
        }
    }
}

pub(super) fn passages<'a>(context: &Context<'a>, vessels: &[Vessel]) -> Vec<Passage> {
    context.passages.iter().filter_map(|entry| passage(context, entry, vessels)).collect()
}

/// Words of `kind` of a passage, here and in parts files.
pub(crate) const PASSAGE_KINDS: &[(&str, PassageClass)] = &[
    ("weir", PassageClass::Weir),
    ("baffle", PassageClass::Baffle),
    ("opening", PassageClass::Opening),
    ("drain", PassageClass::Drain),
    ("sock", PassageClass::Sock),
    ("pumped", PassageClass::Pumped),
    ("line", PassageClass::Line),
    ("siphon", PassageClass::Siphon),
];

fn passage<'a>(context: &Context<'a>, entry: &Entry<'a>, vessels: &[Vessel]) -> Option<Passage> {
    let table = &entry.table;
    let from = VesselIdx(context.need_refer(table, "from", Thing::Vessel));
    let to = VesselIdx(context.need_refer(table, "to", Thing::Vessel));
    let aeration = table.quantity("aeration", Kind::Ratio, Bound::Within(0.0, 1.0)).unwrap_or(0.0);
    let form = table.need("kind", "\"weir\"").and_then(|field| field.word(PASSAGE_KINDS));
    let reader = Reader { table, from: vessels.get(from.0), to: vessels.get(to.0) };
    let pump = || ActuatorIdx(context.need_refer(table, "pump", Thing::Actuator));
    let Some(form) = form else {
        // Without its kind no key of the passage can be judged; one finding is enough.
        table.leave();
        return None;
    };
    let kind = match form {
        PassageClass::Weir => PassageKind::Weir {
            crest: reader.needed_height("crest", reader.from, "\"500 mm\""),
            width: table.need_quantity("width", Kind::Length, Bound::Positive, "\"250 mm\""),
            comb: table.boolean("comb").unwrap_or(false),
        },
        PassageClass::Baffle => PassageKind::Baffle {
            top: reader.needed_height("top", reader.from, "\"240 mm\""),
            width: table.need_quantity("width", Kind::Length, Bound::Positive, "\"400 mm\""),
            thickness: table.quantity("thickness", Kind::Length, Bound::NotNegative).unwrap_or(0.0),
        },
        PassageClass::Opening => PassageKind::Opening {
            height: reader.needed_height("height", reader.from, "\"50 mm\""),
            area: opening_area(table),
        },
        PassageClass::Drain => PassageKind::Drain {
            inlet: reader.needed_height("inlet", reader.from, "\"400 mm\""),
            pipe: pipe(table),
            outlet: reader.end("outlet", reader.to, "\"200 mm\""),
            strainer: table.number("strainer", Bound::Within(0.01, 1.0)).unwrap_or(1.0),
            branches: branches(context, table, vessels),
        },
        PassageClass::Sock => PassageKind::Sock {
            rim: reader.needed_height("rim", reader.from, "\"300 mm\""),
            clean_m2_s: sock(table),
            half_life_s: table.quantity("half_life", Kind::Time, Bound::Positive).unwrap_or(f64::INFINITY),
        },
        PassageClass::Pumped => PassageKind::Pumped {
            pump: pump(),
            head0: table.need_quantity("head0", Kind::Length, Bound::Positive, "\"3.0 m\""),
            flow0: table.need_quantity("flow0", Kind::Flow, Bound::Positive, "\"4000 L/h\""),
            intake: reader.height("intake", reader.from).unwrap_or(0.0),
            pipe: pipe(table),
            outlet: reader.end("outlet", reader.to, "\"488 mm\""),
            break_hole: reader.height("break_hole", reader.to),
            check_valve: table.boolean("check_valve").unwrap_or(false),
            branches: branches(context, table, vessels),
        },
        PassageClass::Line => PassageKind::Line {
            pump: pump(),
            flow: table.need_quantity("flow", Kind::Flow, Bound::Positive, "\"1.8 L/h\""),
            intake: reader.height("intake", reader.from).unwrap_or(0.0),
            outlet: reader.end("outlet", reader.to, "\"420 mm\""),
            occludes: table.boolean("occludes").unwrap_or(false),
            // A usual air-line tube: common practice, no source.
            bore: table.quantity("bore", Kind::Length, Bound::Positive).unwrap_or(0.004),
            length: table.quantity("length", Kind::Length, Bound::Positive).unwrap_or(1.5),
        },
        PassageClass::Siphon => PassageKind::Siphon {
            inlet: reader.needed_height("inlet", reader.from, "\"100 mm\""),
            outlet: reader.end("outlet", reader.to, "\"100 mm\""),
            pipe: pipe(table),
        },
    };
    Some(Passage { name: entry.name.clone(), from, to, kind, aeration })
}

/// Reads heights against the vessel they are in.
struct Reader<'t, 'a> {
    table: &'t Table<'a>,
    from: Option<&'t Vessel>,
    to: Option<&'t Vessel>,
}

impl Reader<'_, '_> {
    /// A height inside a vessel.
    fn height(&self, key: &'static str, vessel: Option<&Vessel>) -> Option<f64> {
        match vessel {
            Some(vessel) => self.height_below(key, &vessel.name, vessel.inside[2]),
            None => self.table.quantity(key, Kind::Length, Bound::NotNegative),
        }
    }

    /// A height below the rim of a vessel.
    fn height_below(&self, key: &'static str, name: &str, rim: f64) -> Option<f64> {
        let field = self.table.get(key)?;
        let height = field.quantity(Kind::Length, Bound::NotNegative)?;
        if height > rim {
            field.report(
                "above-rim",
                format!("`{key}` of {} lies above the rim of `{name}`", self.table.label),
                &format!("the rim is at {:.0} mm", rim * 1e3),
                "heights count from the inside floor of the vessel they are in",
            );
            return None;
        }
        Some(height)
    }

    fn needed_height(&self, key: &'static str, vessel: Option<&Vessel>, example: &str) -> f64 {
        if !self.table.has(key) {
            self.table.missing(key, example);
        }
        self.height(key, vessel).unwrap_or(f64::NAN)
    }

    /// An outlet, which may hang above the rim but not in the next room.
    fn end(&self, key: &'static str, vessel: Option<&Vessel>, example: &str) -> f64 {
        const HIGHEST_OVER_RIM: f64 = 1.0;
        let Some(field) = self.table.need(key, example) else { return f64::NAN };
        let Some(height) = field.quantity(Kind::Length, Bound::NotNegative) else { return f64::NAN };
        if let Some(vessel) = vessel
            && height > vessel.inside[2] + HIGHEST_OVER_RIM
        {
            field.report(
                "above-rim",
                format!("`{key}` of {} hangs more than a metre above `{}`", self.table.label, vessel.name),
                &format!("the rim is at {:.0} mm", vessel.inside[2] * 1e3),
                "heights count from the inside floor of the vessel they are in, not from the cabinet floor",
            );
        }
        height
    }
}

fn pipe(table: &Table<'_>) -> Pipe {
    /// Entry 0.5 and exit 1.0: handbook section 6.
    const ENTRY_AND_EXIT: f64 = 1.5;
    Pipe {
        bore: table.need_quantity("bore", Kind::Length, Bound::Positive, "\"25 mm\""),
        length: table.need_quantity("length", Kind::Length, Bound::Positive, "\"2 m\""),
        fittings_k: table.number("fittings_k", Bound::NotNegative).unwrap_or(ENTRY_AND_EXIT),
    }
}

fn opening_area(table: &Table<'_>) -> f64 {
    if let Some(bore) = table.quantity("bore", Kind::Length, Bound::Positive) {
        return FRAC_PI_4 * bore * bore;
    }
    table.need_quantity("area", Kind::Area, Bound::Positive, "\"20 cm2\"")
}

fn sock(table: &Table<'_>) -> f64 {
    let example = "{ flow = \"4000 L/h\", head = \"20 mm\" }";
    let Some(inner) = table.need("clean", example).and_then(|f| f.table()) else { return f64::NAN };
    let flow = inner.need_quantity("flow", Kind::Flow, Bound::Positive, "\"4000 L/h\"");
    let head = inner.need_quantity("head", Kind::Length, Bound::Positive, "\"20 mm\"");
    inner.finish();
    flow / head
}

fn branches<'a>(context: &Context<'a>, table: &Table<'a>, vessels: &[Vessel]) -> Vec<Branch> {
    let items = table.get("branches").map(|field| field.one_or_list()).unwrap_or_default();
    items
        .iter()
        .filter_map(|item| {
            let inner = item.table()?;
            let to = VesselIdx(context.need_refer(&inner, "to", Thing::Vessel));
            let reader = Reader { table: &inner, from: None, to: vessels.get(to.0) };
            let outlet = reader.end("outlet", reader.to, "\"200 mm\"");
            let pipe = pipe(&inner);
            inner.finish();
            Some(Branch { to, outlet, pipe })
        })
        .collect()
}

/// What needs the passages: baffle tops widen the chamber above them, and omitted levels and places get their usual value.
pub(super) fn settle(context: &Context<'_>, vessels: &mut [Vessel], passages: &[Passage]) {
    /// Share of the height that an open vessel is filled to when nothing is said.
    const USUAL_FILL: f64 = 0.85;
    /// Gap between vessels in a drawing whose file gives no `x`, m.
    const GAP: f64 = 0.05;
    for passage in passages {
        if let PassageKind::Baffle { top, width, thickness } = passage.kind
            && let Some(vessel) = vessels.get_mut(passage.from.0)
            && top.is_finite()
            && (width * thickness).is_finite()
        {
            add_area(&mut vessel.areas, top, f64::MAX, width * thickness);
        }
    }
    for vessel in vessels.iter_mut() {
        let rim = vessel.inside[2];
        vessel.areas.retain(|(height, _)| *height <= 0.0 || *height < rim);
    }
    let mut x = 0.0;
    for (position, vessel) in vessels.iter_mut().enumerate() {
        if vessel.x_m.is_nan() {
            vessel.x_m = x;
        }
        if vessel.inside_of.is_none() && vessel.inside[0].is_finite() {
            x = f64::max(x, vessel.x_m + vessel.inside[0] + 2.0 * vessel.wall_m + GAP);
        }
        if vessel.start_level.is_nan() {
            let crest = passages.iter().filter(|p| p.from.0 == position).find_map(|p| match p.kind {
                PassageKind::Weir { crest, .. } => Some(crest),
                PassageKind::Baffle { top, .. } => Some(top),
                PassageKind::Drain { inlet, .. } => Some(inlet),
                _ => None,
            });
            vessel.start_level = crest.unwrap_or(vessel.inside[2] * USUAL_FILL);
        }
        if vessel.still_exchange.is_nan() {
            vessel.still_exchange = STILL_KLA / HOUR * vessel.volume_below(vessel.start_level);
        }
        if vessel.areas.iter().any(|(_, area)| *area <= 0.0) {
            let entry = &context.vessels[position];
            context.sink.report(
                entry
                    .table
                    .about(Diagnostic::error(
                        "displaced-too-much",
                        format!("what stands in {} leaves no room for water", entry.table.label),
                    ))
                    .at(context.name_span(&vessel.name), "")
                    .help(
                        "check the sizes of the vessels that are `inside_of` it and what it has `displaced`",
                    ),
            );
        }
    }
}

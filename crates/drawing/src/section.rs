//! The section itself: room, stand, vessels with their glass and water, weirs, baffles and socks. Pipes, gear and dimensions
//! are drawn by their own modules onto the same scene.

use std::collections::HashMap;

use system::model::{Actuator, ActuatorKind, System, VesselRole};

use crate::WaterLines;
use crate::bodies::Bodies;
use crate::draft::{Draft, Frame, Wish, area, line, polygon};
use crate::pipes::{self, clean_height};
use crate::sheet::{Binding, Ink, Layer, Point, Property, Rect, Shape, TextLine};
use crate::slots::{self, Item};
use crate::text::{self, mm};

/// Widest text beside the drawing, mm.
pub(crate) const COLUMN: f64 = 52.0;
/// Thinnest glass on the paper, mm: the hatching must show.
const THINNEST_GLASS: f64 = 0.75;
/// A tank whose floor is higher than this over the cabinet floor stands on something worth drawing, m.
const ELEVATED: f64 = 0.35;

/// What the drawing modules share.
pub(crate) struct Scene<'a> {
    pub system: &'a System,
    pub bodies: &'a Bodies,
    pub frame: Frame,
    pub slots: HashMap<Item, f64>,
    pub draft: Draft,
    /// Middle of each drawn pipe, by passage.
    pub marks: HashMap<usize, Point>,
    pub lines: &'a [WaterLines],
}

impl<'a> Scene<'a> {
    pub fn new(system: &'a System, bodies: &'a Bodies, lines: &'a [WaterLines], scale: f64) -> Self {
        Scene {
            system,
            bodies,
            frame: Frame::new(scale),
            slots: slots::spread(system, bodies),
            draft: Draft::default(),
            marks: HashMap::new(),
            lines,
        }
    }
    pub fn known(&self, vessel: usize) -> bool {
        vessel < self.bodies.list.len()
    }
    /// Paper place of a thing at a height over its vessel's floor.
    pub fn spot(&self, item: Item, vessel: usize, height: f64) -> Point {
        let body = &self.bodies.list[vessel];
        let x = self.slots.get(&item).copied().unwrap_or_else(|| body.middle());
        self.frame.at(x, body.floor + clean_height(height))
    }
    /// Tank that stands in no other, by vessel.
    pub fn outermost(&self, vessel: usize) -> usize {
        let mut v = vessel;
        for _ in 0..self.bodies.list.len() {
            match self.bodies.list[v].inside_of {
                Some(parent) => v = parent,
                None => break,
            }
        }
        self.bodies.list[v].tank
    }
    /// y of the lower side of the outer bottom.
    pub fn lowest_glass(&self, vessel: usize) -> f64 {
        let tank = &self.bodies.tanks[self.outermost(vessel)];
        self.frame.at(0.0, tank.floor).y + self.glass(tank.wall)
    }
    /// y of the highest rim of the outer tank.
    pub fn highest_glass(&self, vessel: usize) -> f64 {
        self.frame.at(0.0, self.bodies.tanks[self.outermost(vessel)].rim).y
    }
    pub fn rim_y(&self, vessel: usize) -> f64 {
        self.highest_glass(vessel).min(self.frame.at(0.0, self.bodies.list[vessel].rim).y)
    }
    /// Thickness of glass on the paper.
    pub fn glass(&self, wall: f64) -> f64 {
        (wall * self.frame.k).max(THINNEST_GLASS)
    }
    /// A name that fits its column.
    pub fn short(&self, name: &str) -> String {
        text::cut(name, text::NAME, true, COLUMN)
    }
    pub fn both(&self, vessel: usize, inside: f64) -> String {
        pipes::both(self.bodies.list[vessel].floor, inside)
    }
    pub fn power(&self, actuator: &Actuator) -> String {
        let kind = match actuator.kind {
            ActuatorKind::Pump => "pump",
            ActuatorKind::DosingPump => "dosing pump",
            ActuatorKind::Heater => "heater",
            ActuatorKind::Fan => "fan",
            ActuatorKind::Light => "light",
            ActuatorKind::Circulation => "circulation",
            ActuatorKind::AirPump => "air pump",
            ActuatorKind::Skimmer => "skimmer",
            ActuatorKind::Stirrer => "stirrer",
            ActuatorKind::Valve => "valve",
            ActuatorKind::Contactor => "contactor",
            ActuatorKind::Buzzer => "buzzer",
            ActuatorKind::Other => "gear",
        };
        let told = actuator.name.replace('_', " ").contains(kind);
        let watts = (actuator.watts * 10.0).round() / 10.0;
        match (watts.is_finite() && watts > 0.0, told) {
            (true, true) => format!("{watts} W"),
            (true, false) => format!("{kind} {watts} W"),
            (false, _) => kind.to_owned(),
        }
    }
    /// Floats in hardware series with an actuator.
    pub fn series_of(&self, actuator: &Actuator) -> Option<String> {
        let names: Vec<&str> = actuator
            .series
            .iter()
            .filter_map(|s| self.system.sensors.get(s.idx()))
            .map(|s| s.name.as_str())
            .collect();
        (!names.is_empty())
            .then(|| text::cut(&format!("in series: {}", names.join(", ")), text::SMALL, false, COLUMN))
    }
    /// Asks for a text beside a part.
    pub fn wish(&mut self, part: &str, key: &'static str, own: Rect, anchor: Point, lines: Vec<TextLine>) {
        let lines = fitted(lines);
        self.draft.wishes.push(Wish {
            part: part.to_owned(),
            key,
            lines,
            anchor,
            own,
            inside: None,
            optional: false,
        });
    }
    /// Level of a vessel in a set of water lines, m over its floor.
    pub fn level(&self, set: usize, vessel: usize) -> Option<f64> {
        self.lines.get(set)?.levels.get(vessel).copied().flatten().filter(|l| l.is_finite())
    }
    /// Left and right edge of all tanks, m.
    pub fn reach(&self) -> (f64, f64) {
        let tanks = &self.bodies.tanks;
        let x0 = tanks.iter().map(|t| t.x0 - t.wall).fold(f64::INFINITY, f64::min);
        let x1 = tanks.iter().map(|t| t.x1 + t.wall).fold(f64::NEG_INFINITY, f64::max);
        if x0 < x1 { (x0, x1) } else { (0.0, 1.0) }
    }
    /// Whether some other tank stands above the middle of this one.
    pub fn covered(&self, tank: usize) -> bool {
        let t = &self.bodies.tanks[tank];
        let middle = (t.x0 + t.x1) / 2.0;
        self.bodies.tanks.iter().enumerate().any(|(i, o)| {
            i != tank && !o.boxed && o.floor > t.rim - 0.05 && o.x0 - 0.1 <= middle && middle <= o.x1 + 0.1
        })
    }
}

fn fitted(lines: Vec<TextLine>) -> Vec<TextLine> {
    lines.into_iter().map(|l| TextLine { text: text::cut(&l.text, l.size, l.bold, COLUMN), ..l }).collect()
}

/// Draws room, vessels and water.
pub(crate) fn draw(scene: &mut Scene) {
    room(scene);
    for vessel in 0..scene.bodies.list.len() {
        water(scene, vessel);
    }
    for tank in 0..scene.bodies.tanks.len() {
        shell(scene, tank);
    }
    for vessel in 0..scene.bodies.list.len() {
        rock(scene, vessel);
        vessel_label(scene, vessel);
    }
    crate::edges::draw(scene);
}

/// Floor line, bund, stands and shelves.
fn room(scene: &mut Scene) {
    let (x0, x1) = scene.reach();
    let f = scene.frame;
    let (left, right) = (f.at(x0, 0.0).x - 4.0, f.at(x1, 0.0).x + 4.0);
    let ground = Rect::new(left, 0.0, right - left, 2.2);
    scene.draft.hard.push(ground);
    scene.draft.part(
        "room.floor",
        "cabinet floor",
        Layer::Room,
        Point::new(left, 0.0),
        vec![area(ground, Ink::Ground), line(&[Point::new(left, 0.0), Point::new(right, 0.0)], Ink::Outline)],
    );
    let mut stand: Option<(f64, f64)> = None;
    for t in 0..scene.bodies.tanks.len() {
        let tank = &scene.bodies.tanks[t];
        let under = tank.floor - tank.wall.max(THINNEST_GLASS / f.k);
        if tank.boxed || under < 0.005 {
            continue;
        }
        let (a, b) = (tank.x0 - tank.wall, tank.x1 + tank.wall);
        let name = tank.name.clone();
        let shapes = if tank.floor < ELEVATED {
            let foot = (b - a) * 0.08;
            vec![
                area(f.rect(a, a + foot, 0.0, under), Ink::Phantom),
                area(f.rect(b - foot, b, 0.0, under), Ink::Phantom),
            ]
        } else if scene.covered(t) {
            vec![area(f.rect(a - 0.02, b + 0.02, under - 0.018, under), Ink::Phantom)]
        } else {
            stand = Some(stand.map_or((a, b), |(p, q)| (p.min(a), q.max(b))));
            let (board, leg) = (0.03, 0.03);
            for rect in [
                f.rect(a, a + leg, 0.0, under),
                f.rect(b - leg, b, 0.0, under),
                f.rect(a, b, under - board, under),
            ] {
                scene.draft.hard.push(rect);
            }
            vec![
                area(f.rect(a, b, under - board, under), Ink::Phantom),
                area(f.rect(a, a + leg, 0.0, under - board), Ink::Phantom),
                area(f.rect(b - leg, b, 0.0, under - board), Ink::Phantom),
            ]
        };
        let anchor = f.at(a, under);
        scene.draft.part(&format!("stand.{name}"), &name, Layer::Room, anchor, shapes);
    }
    if let Some(bund) = scene.system.bund {
        let (a, b) = stand.unwrap_or((x0, x1));
        let size = |v: f64| if v.is_finite() { v.clamp(0.005, 30.0) } else { 0.005 };
        let (middle, half, tall) = ((a + b) / 2.0, size(bund.inside[0]) / 2.0, size(bund.inside[2]));
        let inner = f.rect(middle - half, middle + half, 0.0, tall);
        let t = 0.6;
        let points = [
            Point::new(inner.x - t, inner.y),
            Point::new(inner.x, inner.y),
            Point::new(inner.x, inner.bottom() - t),
            Point::new(inner.right(), inner.bottom() - t),
            Point::new(inner.right(), inner.y),
            Point::new(inner.right() + t, inner.y),
            Point::new(inner.right() + t, inner.bottom()),
            Point::new(inner.x - t, inner.bottom()),
        ];
        let corner = Point::new(inner.right(), inner.y);
        scene.draft.part("bund", "bund", Layer::Glass, corner, vec![polygon(&points, Ink::Solid)]);
        let litres = size(bund.inside[0]) * size(bund.inside[1]) * size(bund.inside[2]) * 1000.0;
        scene.wish(
            "bund",
            "bund",
            Rect::new(corner.x, corner.y, 0.6, inner.h),
            corner,
            vec![
                text::name("bund"),
                text::small(format!(
                    "{} × {} × {}",
                    mm(bund.inside[0]),
                    mm(bund.inside[1]),
                    mm(bund.inside[2])
                )),
                text::small(format!("holds {litres:.0} L")),
            ],
        );
    }
}

/// Bodies of water to the first set's level, and the lines of all sets.
fn water(scene: &mut Scene, vessel: usize) {
    let body = scene.bodies.list[vessel].clone();
    let f = scene.frame;
    let name = scene.system.vessels[vessel].name.clone();
    let tall = body.rim - body.floor;
    let ink = if body.fresh { Ink::FreshWater } else { Ink::Water };
    let mut shapes = vec![];
    if body.inside_of.is_some() {
        shapes.push(area(f.rect(body.x0, body.x1, body.floor, body.rim), Ink::Mask));
    }
    let filled = scene.level(0, vessel).unwrap_or(0.0).clamp(0.0, tall);
    shapes.push(area(f.rect(body.x0, body.x1, body.floor, body.floor + filled), ink));
    let layer = if body.inside_of.is_some() { Layer::Inner } else { Layer::Water };
    let part = scene.draft.part(
        &format!("water.{name}"),
        &name,
        layer,
        f.at(body.middle(), body.floor + filled),
        shapes,
    );
    part.bindings.push(Binding {
        value: format!("{name}.level"),
        unit: "m",
        property: Property::Top,
        zero: f.at(0.0, body.floor).y,
        per_unit: -f.k,
    });
    for set in 0..scene.lines.len() {
        let Some(level) = scene.level(set, vessel) else { continue };
        let z = body.floor + level.clamp(0.0, tall);
        let (a, b) = (f.at(body.x0, z), f.at(body.x1, z));
        let mut shapes = vec![line(&[a, b], Ink::WaterLine(set.min(250) as u8))];
        scene.draft.keep_off_line(&[a, b], 0.4, false);
        // The marks of the sets stand beside each other so that near levels can be told apart.
        let x = a.x + 2.4 + set as f64 * 3.4;
        if x + 1.0 < b.x {
            let (half, up) = (0.85, 1.5);
            shapes.push(polygon(
                &[Point::new(x, a.y), Point::new(x - half, a.y - up), Point::new(x + half, a.y - up)],
                Ink::WaterLine(set.min(250) as u8),
            ));
            let own = Rect::new(x - half, a.y - up, 2.0 * half, up);
            let id = format!("water.{name}.{set}");
            scene.draft.hard.push(own);
            scene.draft.wishes.push(Wish {
                part: id,
                key: "water-line-mark",
                lines: vec![text::small(format!("{}", set + 1))],
                anchor: Point::new(x, a.y - up),
                own,
                inside: None,
                optional: true,
            });
        }
        let what = format!("{name}, {}", scene.lines[set].name);
        scene.draft.part(&format!("water.{name}.{set}"), &what, Layer::Level, a, shapes);
    }
}

/// Walls and bottom of a tank; a box inside another has thin walls that end at its weir.
fn shell(scene: &mut Scene, t: usize) {
    let tank = scene.bodies.tanks[t].clone();
    let f = scene.frame;
    let (lower_left, upper_right) = (f.at(tank.x0, tank.floor), f.at(tank.x1, tank.rim));
    let mut shapes = vec![];
    let id = format!("vessel.{}", tank.name);
    let anchor = f.at((tank.x0 + tank.x1) / 2.0, tank.rim);
    if tank.boxed {
        let vessel = tank.chambers[0];
        let (left, right) = crate::edges::box_walls(scene, vessel);
        let g = THINNEST_GLASS;
        for (x, top) in [(lower_left.x - g, left), (upper_right.x, right)] {
            if let Some(top) = top {
                let wall = Rect::span(Point::new(x, lower_left.y), Point::new(x + g, f.at(0.0, top).y));
                scene.draft.hard.push(wall);
                shapes.push(area(wall, Ink::Glass));
            }
        }
        let parent = scene.bodies.list[vessel].inside_of.map(|p| scene.bodies.list[p].floor);
        if parent.is_none_or(|floor| floor < tank.floor - 0.002) {
            shapes.push(area(
                Rect::new(lower_left.x - g, lower_left.y, upper_right.x - lower_left.x + 2.0 * g, g),
                Ink::Glass,
            ));
        }
        scene.draft.part(&id, &tank.name, Layer::Inner, anchor, shapes);
        return;
    }
    let g = scene.glass(tank.wall);
    let (top, bottom) = (upper_right.y, lower_left.y);
    let (l, r) = (lower_left.x, upper_right.x);
    shapes.push(polygon(
        &[
            Point::new(l - g, top),
            Point::new(l, top),
            Point::new(l, bottom),
            Point::new(r, bottom),
            Point::new(r, top),
            Point::new(r + g, top),
            Point::new(r + g, bottom + g),
            Point::new(l - g, bottom + g),
        ],
        Ink::Glass,
    ));
    for wall in [
        Rect::new(l - g, top, g, bottom - top + g),
        Rect::new(r, top, g, bottom - top + g),
        Rect::new(l - g, bottom, r - l + 2.0 * g, g),
    ] {
        scene.draft.hard.push(wall);
    }
    for pair in tank.chambers.windows(2) {
        shapes.extend(crate::edges::partition(scene, pair[0], pair[1], tank.floor));
    }
    scene.draft.part(&id, &tank.name, Layer::Glass, anchor, shapes);
}

/// Rock, sand and other displacement, as large in elevation as its share of the base.
fn rock(scene: &mut Scene, vessel: usize) {
    // In a sump it is the gear that displaces, and gear is drawn as what it is.
    if scene.system.vessels[vessel].role == VesselRole::Sump {
        return;
    }
    let areas = &scene.system.vessels[vessel].areas;
    let body = &scene.bodies.list[vessel];
    let full = areas.iter().map(|a| a.1).filter(|a| a.is_finite()).fold(0.0, f64::max);
    // The last step up to which the base is narrower than the widest one.
    let Some(at) = areas.iter().rposition(|a| a.1 < full * 0.995) else { return };
    let Some(top) = areas.get(at + 1).map(|a| a.0).filter(|t| t.is_finite() && *t > 0.0) else { return };
    let top = top.min((body.rim - body.floor) * 0.9);
    let share = (1.0 - areas[at].1 / full).clamp(0.0, 0.9);
    // A mound of 60 % filling has that share of its box.
    let length = (share / 0.6 * body.length()).clamp(0.06 * body.length(), body.length() * 0.8);
    let middle = body.x0 + body.length() * 0.45;
    let f = scene.frame;
    let profile = [
        (0.0, 0.0),
        (0.06, 0.34),
        (0.18, 0.42),
        (0.27, 0.82),
        (0.40, 1.0),
        (0.52, 0.74),
        (0.63, 0.80),
        (0.78, 0.38),
        (0.93, 0.30),
        (1.0, 0.0),
    ];
    let points: Vec<Point> =
        profile.iter().map(|(u, v)| f.at(middle - length / 2.0 + length * u, body.floor + top * v)).collect();
    let name = scene.system.vessels[vessel].name.clone();
    let bounds = f.rect(middle - length / 2.0, middle + length / 2.0, body.floor, body.floor + top);
    scene.draft.soft.push(bounds);
    scene.draft.part(
        &format!("displaced.{name}"),
        &name,
        Layer::Water,
        bounds.centre(),
        vec![polygon(&points, Ink::Rock)],
    );
}

/// Volume up to a level, m³, from the area steps.
pub(crate) fn volume(areas: &[(f64, f64)], level: f64) -> f64 {
    areas
        .iter()
        .enumerate()
        .map(|(i, &(from, size))| {
            let to = areas.get(i + 1).map_or(level, |next| next.0.min(level));
            (to - from).max(0.0) * size
        })
        .sum()
}

fn vessel_label(scene: &mut Scene, vessel: usize) {
    let v = &scene.system.vessels[vessel];
    let body = &scene.bodies.list[vessel];
    let inside = scene.frame.rect(body.x0, body.x1, body.floor, body.rim).grown(-1.2);
    let mut lines = vec![
        TextLine { text: v.name.clone(), size: 3.0, bold: true },
        text::small(format!("{} × {} × {}", mm(v.inside[0]), mm(v.inside[1]), mm(v.inside[2]))),
    ];
    let litres = volume(&v.areas, scene.level(0, vessel).unwrap_or(v.start_level)) * 1000.0;
    let holds = match v.holds {
        system::model::Contents::Tank => "",
        system::model::Contents::Fresh => "fresh water ",
        system::model::Contents::Limewater(_) => "limewater, caustic! ",
    };
    if litres.is_finite() && litres < 1e6 {
        let digits = if litres < 20.0 { 1 } else { 0 };
        lines.push(text::small(format!("{holds}{litres:.digits$} L")));
    }
    let anchor = scene.frame.at(body.middle(), body.floor + (body.rim - body.floor) * 0.9);
    let (w, h) = text::extent(&lines);
    let roomy = inside.w >= w && inside.h >= h;
    scene.draft.wishes.push(Wish {
        part: format!("vessel.{}", v.name),
        key: "vessel",
        lines: fitted(lines),
        anchor,
        own: Rect::new(anchor.x, anchor.y, 0.0, 0.0),
        inside: roomy.then_some(inside),
        optional: false,
    });
}

/// A shape list for the hood and other phantom outlines.
pub(crate) fn phantom(points: &[Point]) -> Shape {
    Shape::Line { points: points.to_vec(), ink: Ink::Phantom }
}

//! Pipes, hoses and lines: their ways over the paper and their ends.

use system::model::{PassageKind, Pipe};

use crate::draft::{circle, follows, line, polygon};
use crate::section::Scene;
use crate::sheet::{Ink, Layer, Point, Property, Rect, Shape};
use crate::slots::{Item, branches, enters_left};
use crate::text::{self, height, mm};

/// Thinnest pipe on the paper, mm.
const THINNEST: f64 = 0.9;
/// Distance between neighbouring pipes and between a pipe and what it passes, mm.
const LANE: f64 = 4.0;
/// Radius of a pump symbol, mm.
pub(crate) const PUMP: f64 = 2.1;

/// Everything that carries water in a pipe.
pub(crate) fn draw(scene: &mut Scene) {
    for (lane, p) in (0..scene.system.passages.len()).enumerate() {
        let passage = &scene.system.passages[p];
        if !scene.known(passage.from.idx()) || !scene.known(passage.to.idx()) {
            continue;
        }
        match &passage.kind {
            PassageKind::Drain { inlet, pipe, outlet, .. } => drain(scene, p, lane, *inlet, pipe, *outlet),
            PassageKind::Pumped { intake, pipe, outlet, break_hole, .. } => {
                pumped(scene, p, lane, *intake, pipe, *outlet, *break_hole);
            }
            PassageKind::Line { intake, outlet, bore, .. } => {
                hose(scene, p, lane, *intake, *outlet, *bore, true);
            }
            PassageKind::Siphon { inlet, outlet, pipe } => {
                hose(scene, p, lane, *inlet, *outlet, pipe.bore, false);
            }
            _ => {}
        }
    }
}

fn pipe_width(scene: &Scene, bore: f64) -> f64 {
    let bore = if bore.is_finite() { bore.clamp(0.001, 0.3) } else { 0.02 };
    (bore * scene.frame.k).max(THINNEST)
}

/// The y of a free level between the upper and the lower vessel, mm on the paper.
fn corridor(scene: &Scene, upper: usize, lower: usize, lane: usize) -> f64 {
    let top = scene.lowest_glass(upper);
    let bottom = scene.highest_glass(lower);
    let room = bottom - top;
    let step = LANE.min(room / (lane as f64 + 2.0));
    top + step * (lane as f64 + 1.0)
}

/// Water falls from `from` to `to`.
fn drain(scene: &mut Scene, p: usize, lane: usize, inlet: f64, pipe: &Pipe, outlet: f64) {
    let passage = &scene.system.passages[p];
    let from = passage.from.idx();
    let a = scene.spot(Item::Inlet(p), from, inlet);
    let width = pipe_width(scene, pipe.bore);
    let mut shapes = vec![];
    let mut ways = vec![];
    let legs: Vec<(usize, usize, f64)> = std::iter::once((0, passage.to.idx(), outlet))
        .chain(branches(&passage.kind).iter().enumerate().map(|(i, b)| (i + 1, b.to.idx(), b.outlet)))
        .filter(|l| scene.known(l.1))
        .collect();
    for (leg, to, out) in legs {
        let b = scene.spot(Item::Outlet(p, leg), to, out);
        let way = if scene.lowest_glass(from) + 2.0 < scene.highest_glass(to) {
            let y = corridor(scene, from, to, lane % 6);
            vec![a, Point::new(a.x, y), Point::new(b.x, y), b]
        } else {
            vec![a, Point::new(b.x, a.y), b]
        };
        ways.push(tidy(way));
    }
    for way in &ways {
        shapes.push(Shape::Pipe { points: way.clone(), width });
        shapes.extend(arrow(way, width));
    }
    // Strainer: three bars over the inlet.
    for i in [-1.0, 0.0, 1.0] {
        let x = a.x + i * width * 0.35;
        shapes.push(line(&[Point::new(x, a.y), Point::new(x, a.y - 2.0)], Ink::Thin));
    }
    let own = Rect::new(a.x, a.y, 0.0, 0.0).grown(width / 2.0 + 0.3);
    let lines = vec![
        text::name(scene.short(&passage.name)),
        text::small(format!("drain Ø{} × {}", mm(pipe.bore), mm(pipe.length))),
        text::small(format!("inlet {}", scene.both(from, inlet))),
    ];
    finish(scene, p, &ways, width, shapes, Some((own, a, lines)));
}

/// A pump lifts water; the pipe comes over a rim of `to`, or beside when both stand at the same height.
fn pumped(
    scene: &mut Scene,
    p: usize,
    lane: usize,
    intake: f64,
    pipe: &Pipe,
    outlet: f64,
    break_hole: Option<f64>,
) {
    let passage = &scene.system.passages[p];
    let from = passage.from.idx();
    let pump = scene.spot(Item::Inlet(p), from, intake);
    let start = Point::new(pump.x, pump.y - PUMP);
    let width = pipe_width(scene, pipe.bore);
    let legs: Vec<(usize, usize, f64)> = std::iter::once((0, passage.to.idx(), outlet))
        .chain(branches(&passage.kind).iter().enumerate().map(|(i, b)| (i + 1, b.to.idx(), b.outlet)))
        .filter(|l| scene.known(l.1))
        .collect();
    let mut ways = vec![];
    let mut ends = vec![];
    for (leg, to, out) in legs {
        let end = scene.spot(Item::Outlet(p, leg), to, out);
        ways.push(climb(scene, from, to, start, end, lane));
        ends.push((to, end));
    }
    let mut shapes = vec![];
    for way in &ways {
        shapes.push(Shape::Pipe { points: way.clone(), width });
        shapes.extend(arrow(way, width));
    }
    let (to, end) = ends.first().copied().unwrap_or((from, start));
    let lines = vec![
        text::name(scene.short(&passage.name)),
        text::small(format!("Ø{} × {}", mm(pipe.bore), mm(pipe.length))),
        text::small(format!("outlet {}", scene.both(to, outlet))),
    ];
    if let Some(hole) = break_hole {
        let z = scene.bodies.list[to].floor + clean_height(hole);
        let at = Point::new(end.x + width / 2.0, scene.frame.at(0.0, z).y);
        shapes.push(circle(at, 0.55, Ink::Paper));
        let id = format!("break.{}", passage.name);
        scene.wish(
            &id,
            "break-hole",
            Rect::new(at.x, at.y, 0.0, 0.0).grown(0.8),
            at,
            vec![text::small("siphon break"), text::small(scene.both(to, hole))],
        );
    }
    let own = Rect::new(end.x, end.y, 0.0, 0.0).grown(width / 2.0 + 0.3);
    finish(scene, p, &ways, width, shapes, Some((own, end, lines)));
}

/// A thin line or hose over the edge; with a dosing pump when it has one.
fn hose(scene: &mut Scene, p: usize, lane: usize, inlet: f64, outlet: f64, bore: f64, pumped: bool) {
    let passage = &scene.system.passages[p];
    let (from, to) = (passage.from.idx(), passage.to.idx());
    let a = scene.spot(Item::Inlet(p), from, inlet);
    let b = scene.spot(Item::Outlet(p, 0), to, outlet);
    let way = climb(scene, from, to, a, b, lane);
    let width = pipe_width(scene, bore).min(1.2);
    let mut shapes = vec![Shape::Pipe { points: way.clone(), width }];
    if !pumped {
        shapes.extend(arrow(&way, width));
    }
    let own = Rect::new(b.x, b.y, 0.0, 0.0).grown(width);
    let lines = vec![
        text::name(scene.short(&passage.name)),
        text::small(format!("Ø{}, end {}", mm(bore), scene.both(to, outlet))),
    ];
    if let (true, Some(pump)) = (pumped, passage.kind.pump().map(|a| a.idx())) {
        let at = on_longest(&way, 0.5);
        dosing_pump(scene, pump, at);
    }
    finish(scene, p, &[way], width, shapes, Some((own, b, lines)));
}

/// Up from `a`, over a rim and down to `b`.
fn climb(scene: &Scene, from: usize, to: usize, a: Point, b: Point, lane: usize) -> Vec<Point> {
    let lift = (lane % 3) as f64 * LANE * 0.6;
    if scene.lowest_glass(to) + 2.0 < scene.highest_glass(from) {
        let y = corridor(scene, to, from, lane % 6);
        let body = &scene.bodies.list[to];
        let outer = body.wall.max(scene.bodies.tanks[body.tank].wall);
        let clear = LANE * 0.9 + lift;
        let side = if enters_left(scene.bodies, from, to) {
            scene.frame.at(body.x0 - outer, 0.0).x - clear
        } else {
            scene.frame.at(body.x1 + outer, 0.0).x + clear
        };
        let over = scene.rim_y(to).min(b.y) - LANE * 0.8 - lift;
        return tidy(vec![
            a,
            Point::new(a.x, y),
            Point::new(side, y),
            Point::new(side, over),
            Point::new(b.x, over),
            b,
        ]);
    }
    let over = scene.rim_y(from).min(scene.rim_y(to)).min(b.y).min(a.y) - LANE * 0.8 - lift;
    tidy(vec![a, Point::new(a.x, over), Point::new(b.x, over), b])
}

/// Without points that lie on each other.
fn tidy(points: Vec<Point>) -> Vec<Point> {
    let mut out: Vec<Point> = vec![];
    for p in points {
        if out.last().is_none_or(|q| (q.x - p.x).abs() + (q.y - p.y).abs() > 0.05) {
            out.push(p);
        }
    }
    if let [only] = out[..] {
        out.push(Point::new(only.x, only.y + 0.5));
    }
    out
}

/// Point at a share of the longest straight piece.
fn on_longest(way: &[Point], share: f64) -> Point {
    way.windows(2)
        .map(|s| ((s[0].x - s[1].x).abs() + (s[0].y - s[1].y).abs(), s))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(Point::default(), |(_, s)| {
            Point::new(s[0].x + (s[1].x - s[0].x) * share, s[0].y + (s[1].y - s[0].y) * share)
        })
}

/// Flow arrow beside the middle of the longest piece.
fn arrow(way: &[Point], width: f64) -> Option<Shape> {
    let (length, s) = way
        .windows(2)
        .map(|s| ((s[0].x - s[1].x).abs() + (s[0].y - s[1].y).abs(), s))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    if length < 6.0 {
        return None;
    }
    let mid = Rect::span(s[0], s[1]).centre();
    let (ux, uy) = ((s[1].x - s[0].x) / length, (s[1].y - s[0].y) / length);
    let (long, half) = (2.2, (width * 0.32).clamp(0.55, 1.0));
    let tip = Point::new(mid.x + ux * long / 2.0, mid.y + uy * long / 2.0);
    let tail = Point::new(mid.x - ux * long / 2.0, mid.y - uy * long / 2.0);
    Some(polygon(
        &[
            tip,
            Point::new(tail.x - uy * half, tail.y + ux * half),
            Point::new(tail.x + uy * half, tail.y - ux * half),
        ],
        Ink::Solid,
    ))
}

fn dosing_pump(scene: &mut Scene, actuator: usize, at: Point) {
    let Some(a) = scene.system.actuators.get(actuator) else { return };
    let r = PUMP * 0.85;
    let mut shapes = vec![circle(at, r, Ink::Paper)];
    // Rollers of a peristaltic head.
    for (x, y) in [(0.0, -1.0), (0.87, 0.5), (-0.87, 0.5)] {
        shapes.push(circle(Point::new(at.x + x * r * 0.5, at.y + y * r * 0.5), r * 0.22, Ink::Solid));
    }
    let id = format!("actuator.{}", a.name);
    let own = Rect::new(at.x, at.y, 0.0, 0.0).grown(r);
    scene.draft.hard.push(own);
    let mut lines = vec![text::name(scene.short(&a.name)), text::small(scene.power(a))];
    lines.extend(scene.series_of(a).map(text::small));
    scene.wish(&id, "name", own, at, lines);
    let running = follows(format!("{}.running", a.name), "1", Property::Running);
    scene.draft.part(&id, &a.name, Layer::Gear, at, shapes).bindings.push(running);
}

type Named = (Rect, Point, Vec<crate::sheet::TextLine>);

fn finish(
    scene: &mut Scene,
    p: usize,
    ways: &[Vec<Point>],
    width: f64,
    shapes: Vec<Shape>,
    named: Option<Named>,
) {
    let name = scene.system.passages[p].name.clone();
    let id = format!("passage.{name}");
    for way in ways {
        scene.draft.keep_off_line(way, width + 0.4, true);
    }
    // Beside the arrow, which sits in the middle.
    let mark = ways.first().map_or(Point::default(), |w| on_longest(w, 0.3));
    if let Some((own, anchor, lines)) = named {
        scene.wish(&id, "passage", own, anchor, lines);
    }
    let flow = follows(format!("{name}.flow"), "m3/s", Property::Flow);
    // Where nobody measures the flow, that the pump runs still tells that water moves, and which way.
    let pump = scene.system.passages[p].kind.pump().map(|pump| &scene.system.actuators[pump.idx()].name);
    let running = pump.map(|pump| follows(format!("{pump}.running"), "1", Property::Running));
    let bindings = &mut scene.draft.part(&id, &name, Layer::Pipe, mark, shapes).bindings;
    bindings.push(flow);
    bindings.extend(running);
    scene.marks.insert(p, mark);
}

/// A height of the file, made drawable.
pub(crate) fn clean_height(value: f64) -> f64 {
    if value.is_finite() { value.clamp(-5.0, 20.0) } else { 0.0 }
}

/// A height over the cabinet floor and, in brackets, over the vessel's own floor.
pub(crate) fn both(floor: f64, inside: f64) -> String {
    let inside = clean_height(inside);
    format!("{} ({})", height(floor + inside), mm(inside))
}

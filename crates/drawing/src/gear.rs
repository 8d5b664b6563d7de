//! Pumps, heaters, lights, fans and the rest of what is driven: one drawn sign each, at its height.

use system::model::{Actuator, ActuatorKind, PassageKind};

use crate::draft::{area, circle, follows, line, polygon};
use crate::pipes::{PUMP, clean_height};
use crate::section::{Scene, phantom};
use crate::sheet::{Ink, Layer, Point, Property, Rect, Shape};
use crate::slots::{Item, vessel_of};
use crate::text;

/// Height of a lamp over the rim or hood, mm.
const LAMP: f64 = 6.0;
/// Height of a hood, m.
const HOOD: f64 = 0.15;

/// Draws all gear; names those that have no place in the water.
pub(crate) fn draw(scene: &mut Scene) -> Vec<String> {
    hoods(scene);
    let mut unplaced = vec![];
    let mut piped = vec![false; scene.system.actuators.len()];
    for p in 0..scene.system.passages.len() {
        let passage = &scene.system.passages[p];
        let (from, to) = (passage.from.idx(), passage.to.idx());
        let Some(pump) = passage.kind.pump().map(|a| a.idx()).filter(|&a| a < piped.len()) else {
            continue;
        };
        if !scene.known(from) || !scene.known(to) || std::mem::replace(&mut piped[pump], true) {
            continue;
        }
        if let PassageKind::Pumped { intake, .. } = passage.kind {
            lift_pump(scene, p, pump, intake);
        }
    }
    let mut fans = 0;
    for (a, piped) in piped.iter().enumerate() {
        if *piped {
            continue;
        }
        let actuator = &scene.system.actuators[a];
        let lit = actuator.lights.map(|v| v.idx()).filter(|&v| scene.known(v));
        let blown = actuator.blows.map(|b| b.over.idx()).filter(|&v| scene.known(v));
        let wet = vessel_of(actuator).filter(|&v| scene.known(v));
        match (actuator.kind, lit, blown, wet) {
            (ActuatorKind::Light, Some(v), _, _) => lamp(scene, a, v),
            (ActuatorKind::Fan, _, Some(v), _) => {
                fan(scene, a, v, fans);
                fans += 1;
            }
            (
                ActuatorKind::Light | ActuatorKind::Fan | ActuatorKind::Contactor | ActuatorKind::Buzzer,
                ..,
            )
            | (_, _, _, None) => unplaced.push(actuator.name.clone()),
            (_, _, _, Some(v)) => wet_gear(scene, a, v),
        }
    }
    unplaced
}

fn add(scene: &mut Scene, a: &Actuator, own: Rect, anchor: Point, shapes: Vec<Shape>, more: Vec<String>) {
    let id = format!("actuator.{}", a.name);
    let mut lines = vec![text::name(scene.short(&a.name)), text::small(scene.power(a))];
    lines.extend(more.into_iter().map(text::small));
    scene.draft.hard.push(own);
    scene.wish(&id, "actuator", own, anchor, lines);
    let running = follows(format!("{}.running", a.name), "1", Property::Running);
    scene.draft.part(&id, &a.name, Layer::Gear, anchor, shapes).bindings.push(running);
}

fn lift_pump(scene: &mut Scene, p: usize, actuator: usize, intake: f64) {
    let system = scene.system;
    let a = &system.actuators[actuator];
    let vessel = system.passages[p].from.idx();
    let c = scene.spot(Item::Inlet(p), vessel, intake);
    let r = PUMP;
    let shapes = vec![
        circle(c, r, Ink::Paper),
        polygon(
            &[
                Point::new(c.x, c.y - r),
                Point::new(c.x - r * 0.8, c.y + r * 0.55),
                Point::new(c.x + r * 0.8, c.y + r * 0.55),
            ],
            Ink::Solid,
        ),
    ];
    let own = Rect::new(c.x, c.y, 0.0, 0.0).grown(r);
    add(scene, a, own, c, shapes, vec![format!("intake {}", scene.both(vessel, intake))]);
}

/// Air spaces over vessels that nothing stands above, as a phantom hood.
fn hoods(scene: &mut Scene) {
    for (i, space) in scene.system.air_spaces.iter().enumerate() {
        let over: Vec<usize> = (0..scene.bodies.list.len())
            .filter(|&v| scene.system.vessels[v].air.is_some_and(|air| air.idx() == i))
            .map(|v| scene.outermost(v))
            .collect();
        let mut tanks = over.clone();
        tanks.sort_unstable();
        tanks.dedup();
        let id = format!("air.{}", space.name);
        let litres = if space.volume_m3.is_finite() { space.volume_m3 * 1000.0 } else { 0.0 };
        let lines =
            vec![text::name(scene.short(&space.name)), text::small(format!("air space, {litres:.0} L"))];
        let mut shapes = vec![];
        let mut named: Option<Rect> = None;
        for t in tanks.into_iter().filter(|&t| !scene.covered(t)) {
            let tank = &scene.bodies.tanks[t];
            let f = scene.frame;
            let (l, r) = (f.at(tank.x0 - tank.wall, tank.rim), f.at(tank.x1 + tank.wall, tank.rim));
            let up = HOOD * f.k;
            let slope = (up * 0.5).min((r.x - l.x) / 4.0);
            shapes.push(phantom(&[
                l,
                Point::new(l.x, l.y - up * 0.5),
                Point::new(l.x + slope, l.y - up),
                Point::new(r.x - slope, r.y - up),
                Point::new(r.x, r.y - up * 0.5),
                r,
            ]));
            named = named.or(Some(Rect::new(r.x - slope, r.y - up, 0.6, 0.6)));
        }
        let Some(own) = named else { continue };
        scene.wish(&id, "air-space", own, own.centre(), lines);
        scene.draft.part(&id, &space.name, Layer::Room, own.centre(), shapes);
    }
}

/// Top of a vessel's hood or rim, and the outer edges, on the paper.
fn top_of(scene: &Scene, vessel: usize) -> Rect {
    let t = scene.outermost(vessel);
    let tank = &scene.bodies.tanks[t];
    let hooded = scene.system.vessels[vessel].air.is_some() && !scene.covered(t);
    let f = scene.frame;
    let up = if hooded { HOOD * f.k } else { 0.0 };
    let (l, r) = (f.at(tank.x0, tank.rim), f.at(tank.x1, tank.rim));
    Rect::new(l.x, l.y - up, r.x - l.x, up)
}

fn lamp(scene: &mut Scene, actuator: usize, vessel: usize) {
    let a = &scene.system.actuators[actuator];
    let top = top_of(scene, vessel);
    let others = scene.system.actuators[..actuator].iter().filter(|o| o.lights == a.lights).count() as f64;
    let y = top.y - LAMP - others * 5.0;
    let body = Rect::new(top.x + top.w * 0.15, y - 1.6, top.w * 0.7, 1.6);
    let mut shapes = vec![area(body, Ink::Paper)];
    for i in 0..5 {
        let x = body.x + body.w * (0.1 + 0.2 * f64::from(i));
        shapes.push(line(&[Point::new(x, y + 0.6), Point::new(x, y + 2.6)], Ink::Dimension));
    }
    let own = Rect::new(body.x, body.y, body.w, body.h + 2.6);
    add(scene, a, own, Point::new(body.right(), body.y + 0.8), shapes, vec![]);
}

fn fan(scene: &mut Scene, actuator: usize, vessel: usize, before: usize) {
    let a = &scene.system.actuators[actuator];
    let top = top_of(scene, vessel);
    let c = Point::new(top.right() - 4.0 - before as f64 * 7.0, top.y - 2.6);
    let r = 1.9;
    let mut shapes = vec![circle(c, r, Ink::Paper)];
    for (dx, dy) in [(0.0, -1.0), (0.866, 0.5), (-0.866, 0.5)] {
        let tip = Point::new(c.x + dx * r * 0.85, c.y + dy * r * 0.85);
        let (sx, sy) = (-dy * r * 0.32, dx * r * 0.32);
        shapes.push(polygon(
            &[c, Point::new(c.x + dx * r * 0.5 + sx, c.y + dy * r * 0.5 + sy), tip],
            Ink::Solid,
        ));
    }
    let own = Rect::new(c.x, c.y, 0.0, 0.0).grown(r + 0.3);
    let speed = a.blows.map(|b| b.speed).filter(|s| s.is_finite()).map(|s| format!("{s} m/s over the water"));
    add(scene, a, own, c, shapes, speed.into_iter().collect());
}

fn wet_gear(scene: &mut Scene, actuator: usize, vessel: usize) {
    let a = &scene.system.actuators[actuator];
    let body = &scene.bodies.list[vessel];
    let f = scene.frame;
    let tall = body.rim - body.floor;
    let mark = clean_height(a.mark.unwrap_or(tall * 0.4)).clamp(0.0, tall);
    let top = scene.spot(Item::Actuator(actuator), vessel, mark);
    let floor = f.at(0.0, body.floor).y;
    let rim = f.at(0.0, body.rim).y;
    let bare: Vec<String> =
        a.mark.map(|m| format!("bare below {}", scene.both(vessel, m))).into_iter().collect();
    match a.kind {
        ActuatorKind::Heater => {
            // The rod ends at its mark: below that level it is bare.
            let long = (floor - top.y - 1.0).max(2.0).min(0.22 * f.k.max(20.0));
            let rod = Rect::new(top.x - 0.8, top.y, 1.6, long);
            let mut shapes = vec![area(rod, Ink::Heat)];
            let turns = ((long - 1.0) / 1.2).floor().clamp(1.0, 30.0) as usize;
            let zigzag: Vec<Point> = (0..=turns * 2)
                .map(|i| {
                    let side = if i % 2 == 0 { -0.5 } else { 0.5 };
                    Point::new(top.x + side, rod.y + 0.5 + (long - 1.0) * i as f64 / (turns * 2) as f64)
                })
                .collect();
            shapes.push(line(&zigzag, Ink::Thin));
            shapes
                .push(line(&[Point::new(top.x - 1.6, top.y), Point::new(top.x + 1.6, top.y)], Ink::Outline));
            let mut more = bare;
            more.extend(a.own_thermostat_c.filter(|t| t.is_finite()).map(|t| format!("own dial {t:.1} °C")));
            add(scene, a, rod.grown(0.2), Point::new(top.x, top.y), shapes, more);
        }
        ActuatorKind::Skimmer => {
            let half = (0.05 * f.k).clamp(1.8, 7.0);
            let head = (rim - 1.5).min(floor - 10.0);
            let neck = floor - (floor - head) * 0.68;
            let tower = [
                Point::new(top.x - half, floor - 0.3),
                Point::new(top.x - half, neck),
                Point::new(top.x - half * 0.45, neck - 2.0),
                Point::new(top.x - half * 0.45, neck - 3.4),
                Point::new(top.x + half * 0.45, neck - 3.4),
                Point::new(top.x + half * 0.45, neck - 2.0),
                Point::new(top.x + half, neck),
                Point::new(top.x + half, floor - 0.3),
            ];
            let cup = Rect::new(top.x - half * 0.9, head, half * 1.8, (neck - 3.0 - head).max(1.5));
            let mut shapes = vec![area(cup, Ink::Paper), polygon(&tower, Ink::Paper)];
            for (dx, dy) in [(-0.4, 0.2), (0.3, 0.35), (-0.1, 0.5), (0.45, 0.62), (-0.35, 0.75), (0.1, 0.85)]
            {
                let bubble = Point::new(top.x + dx * half, neck + (floor - neck) * dy);
                shapes.push(circle(bubble, 0.3, Ink::Thin));
            }
            let own = Rect::span(Point::new(top.x - half, head), Point::new(top.x + half, floor));
            add(scene, a, own, Point::new(top.x, cup.y), shapes, bare);
        }
        ActuatorKind::Circulation => {
            let rightwards = top.x < f.at(body.middle(), 0.0).x;
            let step = if rightwards { 1.0 } else { -1.0 };
            let shapes = vec![
                area(Rect::new(top.x - 2.0, top.y - 0.9, 4.0, 1.8), Ink::Paper),
                line(
                    &[
                        Point::new(top.x + step * 2.0, top.y - 1.6),
                        Point::new(top.x + step * 2.0, top.y + 1.6),
                    ],
                    Ink::Outline,
                ),
                line(
                    &[Point::new(top.x + step * 3.0, top.y), Point::new(top.x + step * 6.0, top.y)],
                    Ink::Thin,
                ),
                polygon(
                    &[
                        Point::new(top.x + step * 7.0, top.y),
                        Point::new(top.x + step * 5.4, top.y - 0.6),
                        Point::new(top.x + step * 5.4, top.y + 0.6),
                    ],
                    Ink::Solid,
                ),
            ];
            let own = Rect::span(
                Point::new(top.x - step * 2.0, top.y - 1.7),
                Point::new(top.x + step * 7.0, top.y + 1.7),
            );
            add(scene, a, own, Point::new(top.x - step * 2.0, top.y), shapes, bare);
        }
        ActuatorKind::AirPump => {
            let stone = Point::new(top.x, floor - 1.2);
            let pump = Rect::new(top.x - 1.8, rim - 5.2, 3.6, 2.4);
            let mut shapes = vec![
                line(&[Point::new(top.x, pump.bottom()), stone], Ink::Thin),
                area(pump, Ink::Paper),
                area(Rect::new(top.x - 1.2, stone.y - 0.5, 2.4, 1.0), Ink::Solid),
            ];
            for i in 1..5 {
                let side = if i % 2 == 0 { 0.9 } else { -0.8 };
                shapes.push(circle(Point::new(top.x + side, stone.y - 1.4 * f64::from(i)), 0.35, Ink::Thin));
            }
            scene.draft.hard.push(Rect::new(top.x - 1.3, stone.y - 6.5, 2.6, 7.5));
            scene.draft.soft.push(Rect::span(Point::new(top.x, pump.bottom()), stone).grown(0.3));
            add(scene, a, pump, pump.centre(), shapes, vec![]);
        }
        ActuatorKind::Stirrer => {
            let foot = Point::new(top.x, floor - 2.0);
            let shapes = vec![
                line(&[Point::new(top.x, rim - 2.5), foot], Ink::Thin),
                area(Rect::new(top.x - 1.2, rim - 4.2, 2.4, 2.2), Ink::Paper),
                line(&[Point::new(foot.x - 1.8, foot.y), Point::new(foot.x + 1.8, foot.y)], Ink::Outline),
            ];
            scene.draft.hard.push(Rect::new(foot.x - 1.8, foot.y - 0.5, 3.6, 1.0));
            add(
                scene,
                a,
                Rect::new(top.x - 1.2, rim - 4.2, 2.4, 2.2),
                Point::new(top.x, rim - 3.0),
                shapes,
                vec![],
            );
        }
        _ => {
            let own = Rect::new(top.x - 1.8, top.y - 1.4, 3.6, 2.8);
            let shapes = vec![
                area(own, Ink::Paper),
                line(&[Point::new(own.x, own.y), Point::new(own.right(), own.bottom())], Ink::Thin),
                line(&[Point::new(own.x, own.bottom()), Point::new(own.right(), own.y)], Ink::Thin),
            ];
            add(scene, a, own, top, shapes, bare);
        }
    }
}

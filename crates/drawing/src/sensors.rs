//! Floats at their switching heights, probes at their depth, leak contacts on the floor, flow meters on their pipe.

use system::model::{Sensor, SensorKind};

use crate::draft::{circle, follows, line, polygon};
use crate::pipes::clean_height;
use crate::section::Scene;
use crate::sheet::{Ink, Layer, Point, Property, Rect, Shape};
use crate::slots::Item;
use crate::text::{self, height, mm};

/// Draws all sensors; names those that have no place in the drawing.
pub(crate) fn draw(scene: &mut Scene) -> Vec<String> {
    let system = scene.system;
    let mut unplaced = vec![];
    let n_leaks = system.sensors.iter().filter(|s| matches!(s.kind, SensorKind::Leak)).count();
    let mut leaks = 0;
    for (s, sensor) in system.sensors.iter().enumerate() {
        let vessel = sensor.vessel.map(|v| v.idx()).filter(|&v| scene.known(v));
        match (&sensor.kind, vessel) {
            (SensorKind::Leak, _) => {
                leaks += 1;
                leak(scene, sensor, leaks as f64 / (n_leaks as f64 + 1.0));
            }
            (SensorKind::Flow { passage, .. }, _) => match scene.marks.get(&passage.idx()).copied() {
                Some(at) => flow(scene, sensor, at),
                None => unplaced.push(sensor.name.clone()),
            },
            (SensorKind::Float { low, high, .. }, Some(v)) => float(scene, s, v, *low, *high),
            (
                SensorKind::Presence { .. }
                | SensorKind::Charge { .. }
                | SensorKind::RoomTemperature
                | SensorKind::Button,
                _,
            )
            | (_, None) => unplaced.push(sensor.name.clone()),
            (kind, Some(v)) => {
                let what = match kind {
                    SensorKind::Ph { .. } => "pH",
                    SensorKind::Conductivity => "conductivity",
                    SensorKind::Level { .. } => "level",
                    _ => "temperature",
                };
                probe(scene, s, v, what);
            }
        }
    }
    unplaced
}

fn add(scene: &mut Scene, sensor: &Sensor, own: Rect, anchor: Point, shapes: Vec<Shape>, more: Vec<String>) {
    let id = format!("sensor.{}", sensor.name);
    let mut lines = vec![text::name(scene.short(&sensor.name))];
    lines.extend(more.into_iter().map(text::small));
    scene.draft.hard.push(own);
    scene.wish(&id, "sensor", own, anchor, lines);
    let reading = follows(sensor.name.clone(), "", Property::Reading);
    scene.draft.part(&id, &sensor.name, Layer::Gear, anchor, shapes).bindings.push(reading);
}

/// Two ticks at the heights at which it switches, a stem and the ball between them.
fn float(scene: &mut Scene, s: usize, vessel: usize, low: f64, high: f64) {
    let sensor = &scene.system.sensors[s];
    let a = scene.spot(Item::Sensor(s), vessel, high);
    let b = scene.spot(Item::Sensor(s), vessel, low);
    let half = 1.5;
    let middle = Point::new(a.x, (a.y + b.y) / 2.0);
    let shapes = vec![
        line(&[Point::new(a.x, a.y - 2.2), Point::new(a.x, b.y.max(a.y) + 1.6)], Ink::Thin),
        line(&[Point::new(a.x - half, a.y), Point::new(a.x + half, a.y)], Ink::Outline),
        line(&[Point::new(b.x - half, b.y), Point::new(b.x + half, b.y)], Ink::Outline),
        circle(middle, 0.85, Ink::Paper),
        line(&[Point::new(middle.x - 0.85, middle.y), Point::new(middle.x + 0.85, middle.y)], Ink::Thin),
    ];
    let own = Rect::span(Point::new(a.x - half, a.y - 2.2), Point::new(a.x + half, b.y + 1.6));
    let floor = scene.bodies.list[vessel].floor;
    let (low, high) = (clean_height(low), clean_height(high));
    add(
        scene,
        sensor,
        own,
        Point::new(a.x + half, middle.y),
        shapes,
        vec![format!(
            "float {} / {} ({} / {})",
            height(floor + high),
            height(floor + low),
            mm(high),
            mm(low)
        )],
    );
}

fn probe(scene: &mut Scene, s: usize, vessel: usize, what: &str) {
    let sensor = &scene.system.sensors[s];
    let body = &scene.bodies.list[vessel];
    let tall = body.rim - body.floor;
    let tip_height = clean_height(sensor.height.unwrap_or(tall * 0.4));
    let tip = scene.spot(Item::Sensor(s), vessel, tip_height);
    let rim = scene.frame.at(0.0, body.rim).y;
    let top = (rim - 1.2).min(tip.y - 3.0);
    let bulb = Rect::new(tip.x - 0.45, tip.y - 2.4, 0.9, 2.4);
    let shapes = vec![
        line(&[Point::new(tip.x, top), Point::new(tip.x, bulb.y)], Ink::Thin),
        crate::draft::area(bulb, Ink::Paper),
        circle(Point::new(tip.x, tip.y - 0.45), 0.45, Ink::Solid),
    ];
    scene.draft.soft.push(Rect::span(Point::new(tip.x, top), tip).grown(0.25));
    let detail = match sensor.height {
        Some(h) => format!("{what}, tip {}", scene.both(vessel, h)),
        None => format!("{what}, depth not given"),
    };
    add(scene, sensor, bulb.grown(0.2), Point::new(tip.x, tip.y - 1.0), shapes, vec![detail]);
}

fn leak(scene: &mut Scene, sensor: &Sensor, share: f64) {
    let (x0, x1) = scene.reach();
    let at = scene.frame.at(x0 + (x1 - x0) * share, 0.0);
    let c = Point::new(at.x, at.y - 1.4);
    let shapes = vec![
        polygon(
            &[Point::new(c.x, c.y - 1.5), Point::new(c.x + 1.1, c.y + 0.9), Point::new(c.x - 1.1, c.y + 0.9)],
            Ink::Paper,
        ),
        line(&[Point::new(c.x, c.y - 0.6), Point::new(c.x, c.y + 0.4)], Ink::Thin),
    ];
    let own = Rect::new(c.x - 1.1, c.y - 1.5, 2.2, 2.4);
    add(scene, sensor, own, c, shapes, vec!["leak contact".to_owned()]);
}

fn flow(scene: &mut Scene, sensor: &Sensor, at: Point) {
    let r = 1.7;
    let shapes = vec![
        circle(at, r, Ink::Paper),
        line(
            &[Point::new(at.x - r * 0.7, at.y - r * 0.7), Point::new(at.x + r * 0.7, at.y + r * 0.7)],
            Ink::Thin,
        ),
        line(
            &[Point::new(at.x - r * 0.7, at.y + r * 0.7), Point::new(at.x + r * 0.7, at.y - r * 0.7)],
            Ink::Thin,
        ),
    ];
    let own = Rect::new(at.x, at.y, 0.0, 0.0).grown(r);
    add(scene, sensor, own, at, shapes, vec!["flow meter".to_owned()]);
}

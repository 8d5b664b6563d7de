//! Dimension lines and the height staff at the side. A dimension that finds no free place is left out: labels carry the same
//! figure.

use system::model::PassageKind;

use crate::draft::{area, line, polygon};
use crate::pipes::clean_height;
use crate::section::Scene;
use crate::sheet::{Align, Ink, Label, Layer, Point, Rect, Shape};
use crate::text::{self, LEADING, SMALL, mm};

/// Distance of a row of dimensions from what it measures and from the next row, mm.
const ROW: f64 = 4.2;
/// Length of an arrow head, mm.
const HEAD: f64 = 1.3;

fn head(tip: Point, dx: f64, dy: f64) -> Shape {
    let half = 0.32;
    polygon(
        &[
            tip,
            Point::new(tip.x - dx * HEAD - dy * half, tip.y - dy * HEAD + dx * half),
            Point::new(tip.x - dx * HEAD + dy * half, tip.y - dy * HEAD - dx * half),
        ],
        Ink::Solid,
    )
}

/// A text of given place, from its middle.
fn fixed(part: &str, key: &'static str, text: String, centre: Point, turned: bool) -> Label {
    let w = text::width(&text, SMALL, false);
    let h = SMALL * LEADING;
    let (bw, bh) = if turned { (h, w) } else { (w, h) };
    Label {
        part: part.to_owned(),
        key,
        lines: vec![text::small(text)],
        bounds: Rect::new(centre.x - bw / 2.0, centre.y - bh / 2.0, bw, bh),
        align: Align::Middle,
        turned,
        leader: vec![],
    }
}

fn is_free(scene: &Scene, rect: &Rect) -> bool {
    !scene.draft.hard.iter().any(|r| r.overlaps(rect))
        && !scene.draft.fixed.iter().any(|l| l.bounds.overlaps(rect))
}

/// A vertical dimension at `x` from `top` to `bottom`; false when it does not fit or something is there.
fn upright(scene: &mut Scene, part: &str, x: f64, top: f64, bottom: f64, edge: f64, metres: f64) -> bool {
    let text = mm(metres);
    let middle = Point::new(x - SMALL * LEADING / 2.0 - 0.2, (top + bottom) / 2.0);
    let label = fixed(part, "dimension", text, middle, true);
    let reach = label.bounds.union(&Rect::new(x, top + 0.3, 0.5, (bottom - top - 0.6).max(0.1)));
    if label.bounds.h + 2.0 * HEAD > bottom - top || !is_free(scene, &reach) {
        return false;
    }
    let over = if x > edge { 0.8 } else { -0.8 };
    let mut shapes = vec![
        line(&[Point::new(x, top), Point::new(x, bottom)], Ink::Dimension),
        head(Point::new(x, top), 0.0, -1.0),
        head(Point::new(x, bottom), 0.0, 1.0),
    ];
    if (x - edge).abs() > 0.5 {
        for y in [top, bottom] {
            shapes.push(line(&[Point::new(edge, y), Point::new(x + over, y)], Ink::Dimension));
        }
    }
    scene.draft.hard.push(Rect::new(x - 0.3, top, 0.6, bottom - top));
    scene.draft.fixed.push(label);
    scene.draft.part(&format!("dimension.{part}"), part, Layer::Dimension, Point::new(x, top), shapes);
    true
}

/// A horizontal dimension at `y`; false when the text does not fit between the ends.
fn level(scene: &mut Scene, part: &str, y: f64, left: f64, right: f64, edge: f64, metres: f64) -> bool {
    let label = fixed(
        part,
        "dimension",
        mm(metres),
        Point::new((left + right) / 2.0, y - SMALL * LEADING / 2.0 - 0.1),
        false,
    );
    let reach = label.bounds.union(&Rect::new(left, y - 0.3, right - left, 0.6));
    if label.bounds.w + 1.0 > right - left || !is_free(scene, &reach) {
        return false;
    }
    let over = if y > edge { 0.8 } else { -0.8 };
    let mut shapes = vec![
        line(&[Point::new(left, y), Point::new(right, y)], Ink::Dimension),
        head(Point::new(left, y), -1.0, 0.0),
        head(Point::new(right, y), 1.0, 0.0),
    ];
    for x in [left, right] {
        shapes.push(line(&[Point::new(x, edge), Point::new(x, y + over)], Ink::Dimension));
    }
    scene.draft.hard.push(Rect::new(left, y - 0.3, right - left, 0.6));
    scene.draft.fixed.push(label);
    scene.draft.part(&format!("dimension.{part}"), part, Layer::Dimension, Point::new(left, y), shapes);
    true
}

/// All dimensions of the drawing.
pub(crate) fn draw(scene: &mut Scene) {
    let Some(bounds) = scene.draft.bounds() else { return };
    let f = scene.frame;
    let tanks = scene.bodies.tanks.clone();
    // Insides are not for outer dimensions.
    let before = scene.draft.hard.len();
    for t in tanks.iter().filter(|t| !t.boxed) {
        scene.draft.hard.push(f.rect(t.x0, t.x1, t.floor, t.rim));
    }
    for (i, t) in tanks.iter().enumerate().filter(|(_, t)| !t.boxed) {
        let covered = scene.covered(i);
        let (l, r) = (f.at(t.x0, 0.0).x, f.at(t.x1, 0.0).x);
        let (top, bottom) = (f.at(0.0, t.rim).y, f.at(0.0, t.floor).y);
        let id = format!("{}.length", t.name);
        if !covered {
            for row in 1..=4 {
                if level(scene, &id, bounds.y - ROW * f64::from(row), l, r, top, t.x1 - t.x0) {
                    break;
                }
            }
        } else if t.floor < 0.35 {
            let ground = 2.2;
            for row in 1..=3 {
                let y = ground + ROW * f64::from(row);
                if t.chambers.len() > 1 {
                    for &c in &t.chambers {
                        let body = scene.bodies.list[c].clone();
                        let name = format!("{}.length", scene.system.vessels[c].name);
                        let (a, b) = (f.at(body.x0, 0.0).x, f.at(body.x1, 0.0).x);
                        level(scene, &name, y, a, b, 0.0, body.length());
                    }
                    level(scene, &id, y + ROW, l, r, 0.0, t.x1 - t.x0);
                    break;
                }
                if level(scene, &id, y, l, r, 0.0, t.x1 - t.x0) {
                    break;
                }
            }
        }
        let g = scene.glass(t.wall);
        let id = format!("{}.height", t.name);
        for d in [3.8, 5.4, 7.0, 9.0, 12.0] {
            if upright(scene, &id, r + g + d, top, bottom, r + g, t.rim - t.floor)
                || upright(scene, &id, l - g - d + 2.6, top, bottom, l - g, t.rim - t.floor)
            {
                break;
            }
        }
    }
    // The insides leave the list again; what the dimensions have added behind them stays.
    let insides = tanks.iter().filter(|t| !t.boxed).count();
    scene.draft.hard.drain(before..before + insides);
    crests(scene);
    staff(scene, bounds);
}

/// Heights of weir crests and baffle tops over the floor, inside their vessel.
fn crests(scene: &mut Scene) {
    for p in 0..scene.system.passages.len() {
        let passage = &scene.system.passages[p];
        let crest = match passage.kind {
            PassageKind::Weir { crest, .. } => crest,
            PassageKind::Baffle { top, .. } => top,
            _ => continue,
        };
        let Some(at) = scene.marks.get(&p).copied() else { continue };
        let body = scene.bodies.list[passage.from.idx()].clone();
        let bottom = scene.frame.at(0.0, body.floor).y;
        let id = format!("{}.crest", passage.name);
        let side = if at.x >= scene.frame.at(body.middle(), 0.0).x { -1.0 } else { 1.0 };
        for d in [2.2, 3.6, 5.2, 7.0, 9.5] {
            if upright(scene, &id, at.x + side * d, at.y, bottom, at.x, clean_height(crest)) {
                break;
            }
        }
    }
}

/// Height staff left of the drawing, alternating black and white like draught marks.
fn staff(scene: &mut Scene, bounds: Rect) {
    let f = scene.frame;
    let highest = scene.bodies.tanks.iter().map(|t| t.rim).fold(0.0, f64::max);
    let lowest = scene.bodies.tanks.iter().map(|t| t.floor).fold(0.0, f64::min);
    let step =
        [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0].into_iter().find(|s| s * f.k >= 4.0).unwrap_or(10.0);
    let (first, last) = ((lowest / step).floor() as i64, (highest / step).ceil() as i64);
    let x = scene.draft.bounds().map_or(bounds.x, |b| b.x) - 3.0;
    let mut shapes = vec![];
    for i in first..last {
        let (low, high) = (i as f64 * step, (i + 1) as f64 * step);
        let rect = Rect::span(Point::new(x - 1.1, f.at(0.0, low).y), Point::new(x, f.at(0.0, high).y));
        shapes.push(area(rect, if i.rem_euclid(2) == 0 { Ink::Solid } else { Ink::Paper }));
    }
    for i in first..=last {
        let z = i as f64 * step;
        let text = mm(z);
        let w = text::width(&text, SMALL, false);
        let y = f.at(0.0, z).y;
        let label = fixed("staff", "staff", text, Point::new(x - 1.9 - w / 2.0, y), false);
        shapes.push(line(&[Point::new(x - 1.6, y), Point::new(x, y)], Ink::Dimension));
        scene.draft.fixed.push(label);
    }
    let top = f.at(0.0, last as f64 * step).y;
    scene.draft.fixed.push(fixed(
        "staff",
        "staff-unit",
        "mm".to_owned(),
        Point::new(x - 3.0, top - 3.6),
        false,
    ));
    scene
        .draft
        .hard
        .push(Rect::span(Point::new(x - 1.6, top), Point::new(x, f.at(0.0, first as f64 * step).y)));
    scene.draft.part(
        "staff",
        "heights over the cabinet floor, mm",
        Layer::Dimension,
        Point::new(x, top),
        shapes,
    );
}

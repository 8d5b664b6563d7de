//! Edges that water passes: weirs with their combs, baffles, openings, filter socks.

use system::model::{Passage, PassageKind};

use crate::draft::{area, line, polygon};
use crate::pipes::clean_height;
use crate::section::Scene;
use crate::sheet::{Ink, Layer, Point, Rect, Shape};
use crate::text::{self, mm};

/// Height of a comb's teeth, m.
const COMB: f64 = 0.045;
/// Depth of a filter sock, m.
const SOCK: f64 = 0.20;
/// Thinnest partition on the paper, mm.
const THINNEST: f64 = 0.75;

fn joins(passage: &Passage, a: usize, b: usize) -> bool {
    let ends = (passage.from.idx(), passage.to.idx());
    ends == (a, b) || ends == (b, a)
}

/// Heights over the cabinet floor at which the left and right wall of a box end; None where it leans on the parent's wall.
pub(crate) fn box_walls(scene: &Scene, vessel: usize) -> (Option<f64>, Option<f64>) {
    let body = &scene.bodies.list[vessel];
    let Some(parent) = body.inside_of else { return (Some(body.rim), Some(body.rim)) };
    let outer = &scene.bodies.list[parent];
    let crest =
        scene.system.passages.iter().filter(|p| joins(p, parent, vessel)).find_map(|p| match p.kind {
            PassageKind::Weir { crest, .. } => {
                Some(scene.bodies.list[p.from.idx()].floor + clean_height(crest))
            }
            PassageKind::Baffle { top, .. } => {
                Some(scene.bodies.list[p.from.idx()].floor + clean_height(top))
            }
            _ => None,
        });
    let top = crest.unwrap_or(body.rim).clamp(body.floor, body.rim.max(body.floor));
    ((body.x0 > outer.x0 + 0.004).then_some(top), (body.x1 < outer.x1 - 0.004).then_some(top))
}

/// The partition between two neighbouring chambers, with the gaps of its openings.
pub(crate) fn partition(scene: &mut Scene, a: usize, b: usize, floor: f64) -> Vec<Shape> {
    let (left, right) = (&scene.bodies.list[a], &scene.bodies.list[b]);
    let f = scene.frame;
    let mut top = left.rim.min(right.rim);
    let mut gaps: Vec<(f64, f64)> = vec![];
    for p in scene.system.passages.iter().filter(|p| joins(p, a, b)) {
        let base = scene.bodies.list[p.from.idx()].floor;
        match p.kind {
            PassageKind::Baffle { top: t, .. } | PassageKind::Weir { crest: t, .. } => {
                top = top.min(base + clean_height(t))
            }
            PassageKind::Opening { height, area, .. } => {
                let depth = scene.system.vessels[p.from.idx()].inside[1];
                let tall = (area / depth).min(0.5).max(1.4 / f.k);
                let z = base + clean_height(height);
                gaps.push((z - tall / 2.0, z + tall / 2.0));
            }
            _ => {}
        }
    }
    gaps.sort_by(|p, q| p.0.total_cmp(&q.0));
    let x = f.at((left.x1 + right.x0) / 2.0, 0.0).x;
    let width = ((right.x0 - left.x1) * f.k).max(THINNEST);
    let mut shapes = vec![];
    let mut z = floor;
    for (low, high) in gaps.into_iter().chain([(top, top)]) {
        let low = low.min(top);
        if low > z + 1e-4 {
            let rect = Rect::new(x - width / 2.0, f.at(0.0, low).y, width, (low - z) * f.k);
            scene.draft.hard.push(rect);
            shapes.push(area(rect, Ink::Glass));
        }
        z = z.max(high);
    }
    shapes
}

/// All edges with their labels.
pub(crate) fn draw(scene: &mut Scene) {
    for p in 0..scene.system.passages.len() {
        let passage = &scene.system.passages[p];
        let (from, to) = (passage.from.idx(), passage.to.idx());
        if !scene.known(from) || !scene.known(to) || from == to {
            continue;
        }
        match passage.kind {
            PassageKind::Weir { crest, width, comb } => weir(scene, p, crest, width, comb),
            PassageKind::Baffle { top, .. } => {
                let at = boundary(scene, from, to, top);
                labelled(
                    scene,
                    p,
                    at,
                    vec![],
                    vec![text::small(format!("baffle {}", scene.both(from, top)))],
                );
            }
            PassageKind::Opening { height, area, .. } => {
                let at = boundary(scene, from, to, height);
                let size = if area.is_finite() { (area * 1e4).round() } else { 0.0 };
                let through = [Point::new(at.x - 2.0, at.y), Point::new(at.x + 2.0, at.y)];
                labelled(
                    scene,
                    p,
                    at,
                    vec![line(&through, Ink::Thin)],
                    vec![text::small(format!("opening {size} cm² {}", scene.both(from, height)))],
                );
            }
            PassageKind::Sock { rim, .. } => sock(scene, p, rim),
            _ => {}
        }
    }
}

/// Point between two vessels at a height over the floor of the first.
fn boundary(scene: &Scene, from: usize, to: usize, height: f64) -> Point {
    let (a, b) = (&scene.bodies.list[from], &scene.bodies.list[to]);
    let x = if b.inside_of == Some(from) {
        inner_side(b.x0, b.x1, a.x0, a.x1)
    } else if a.inside_of == Some(to) {
        inner_side(a.x0, a.x1, b.x0, b.x1)
    } else if a.middle() <= b.middle() {
        if b.tank == a.tank { (a.x1 + b.x0) / 2.0 } else { a.x1 }
    } else if b.tank == a.tank {
        (b.x1 + a.x0) / 2.0
    } else {
        a.x0
    };
    scene.frame.at(x, a.floor + clean_height(height))
}

/// The side of a box (x0, x1) that faces the larger part of its parent.
fn inner_side(x0: f64, x1: f64, p0: f64, p1: f64) -> f64 {
    if x0 - p0 >= p1 - x1 { x0 } else { x1 }
}

fn labelled(scene: &mut Scene, p: usize, at: Point, shapes: Vec<Shape>, more: Vec<crate::sheet::TextLine>) {
    let name = scene.system.passages[p].name.clone();
    let id = format!("passage.{name}");
    let mut lines = vec![text::name(scene.short(&name))];
    lines.extend(more);
    let own = Rect::new(at.x, at.y, 0.0, 0.0).grown(0.6);
    scene.wish(&id, "passage", own, at, lines);
    scene.draft.part(&id, &name, Layer::Glass, at, shapes);
    scene.marks.insert(p, at);
}

fn weir(scene: &mut Scene, p: usize, crest: f64, width: f64, comb: bool) {
    let passage = &scene.system.passages[p];
    let (from, to) = (passage.from.idx(), passage.to.idx());
    let f = scene.frame;
    let at = boundary(scene, from, to, crest);
    let (a, b) = (&scene.bodies.list[from], &scene.bodies.list[to]);
    let z = a.floor + clean_height(crest);
    let nested = b.inside_of == Some(from) || a.inside_of == Some(to);
    let mut shapes = vec![];
    let room = (a.rim.max(b.rim) - z).clamp(0.0, COMB) * f.k;
    if !nested && a.tank != b.tank {
        // The wall ends at the crest: clear the glass above it and let the water step over.
        let g = scene.glass(a.wall);
        let rightwards = b.middle() > a.middle();
        let x = if rightwards { at.x } else { at.x - g };
        let rim = f.at(0.0, a.rim).y;
        if rim < at.y {
            shapes.push(area(Rect::new(x - 0.15, rim - 0.2, g + 0.3, at.y - rim + 0.2), Ink::Mask));
        }
        let step = if rightwards { 1.0 } else { -1.0 };
        let edge = if rightwards { f.at(b.x0, 0.0).x.max(at.x + g) } else { f.at(b.x1, 0.0).x.min(at.x - g) };
        let end = Point::new(edge + step * 2.0, at.y + 3.0);
        shapes.push(line(&[at, Point::new(edge + step * 1.4, at.y), end], Ink::Outline));
        shapes.push(polygon(
            &[end, Point::new(end.x - 0.7, end.y - 1.5), Point::new(end.x + 0.7, end.y - 1.5)],
            Ink::Solid,
        ));
    }
    let g = THINNEST;
    let mut edges = vec![at.x];
    if nested {
        let (inner, vessel) = if b.inside_of == Some(from) { (b, to) } else { (a, from) };
        let (left, right) = box_walls(scene, vessel);
        edges = vec![];
        if left.is_some() {
            edges.push(f.at(inner.x0, 0.0).x - g / 2.0);
        }
        if right.is_some() {
            edges.push(f.at(inner.x1, 0.0).x + g / 2.0);
        }
    }
    for x in edges {
        if comb {
            // Teeth stand in the plane of the wall; seen from the side they are a dashed continuation of it.
            shapes.push(line(
                &[Point::new(x - g / 2.0, at.y), Point::new(x - g / 2.0, at.y - room)],
                Ink::Hidden,
            ));
            shapes.push(line(
                &[Point::new(x + g / 2.0, at.y), Point::new(x + g / 2.0, at.y - room)],
                Ink::Hidden,
            ));
        }
        shapes.push(line(&[Point::new(x - 1.3, at.y), Point::new(x + 1.3, at.y)], Ink::Outline));
    }
    let kind = if comb { "comb" } else { "weir" };
    labelled(
        scene,
        p,
        at,
        shapes,
        vec![
            text::small(format!("{kind}, {} wide", mm(width))),
            text::small(format!("crest {}", scene.both(from, crest))),
        ],
    );
}

fn sock(scene: &mut Scene, p: usize, rim: f64) {
    let passage = &scene.system.passages[p];
    let (from, to) = (passage.from.idx(), passage.to.idx());
    let f = scene.frame;
    let top = boundary(scene, from, to, rim);
    let body = &scene.bodies.list[from];
    let deep = clean_height(rim).clamp(0.01, SOCK).min((body.rim - body.floor).max(0.02)) * f.k;
    let half = (0.05 * f.k).clamp(1.5, 5.0);
    let step = if scene.bodies.list[to].middle() >= body.middle() { -1.0 } else { 1.0 };
    let x = top.x + step * (half + 0.6);
    let bag = [
        Point::new(x - half, top.y),
        Point::new(x - half, top.y + deep * 0.85),
        Point::new(x - half * 0.5, top.y + deep),
        Point::new(x + half * 0.5, top.y + deep),
        Point::new(x + half, top.y + deep * 0.85),
        Point::new(x + half, top.y),
    ];
    let shapes = vec![line(&bag, Ink::Hidden), line(&[bag[0], bag[5]], Ink::Outline)];
    labelled(
        scene,
        p,
        Point::new(x, top.y),
        shapes,
        vec![text::small(format!("sock, rim {}", scene.both(from, rim)))],
    );
}

//! A drawing under construction, in paper millimetres around its own origin: height 0 (the cabinet floor) is y = 0 and the
//! file's x = 0 is x = 0. The sheet later moves it to its place.

use crate::sheet::{Binding, Ink, Label, Layer, Part, Point, Property, Rect, Shape, TextLine};

/// A text that seeks its place.
#[derive(Clone, Debug)]
pub(crate) struct Wish {
    pub part: String,
    pub key: &'static str,
    pub lines: Vec<TextLine>,
    /// Where a leader ends.
    pub anchor: Point,
    /// Box of what it speaks of; the text stays outside.
    pub own: Rect,
    /// Free inside of a vessel that may hold the text without a leader.
    pub inside: Option<Rect>,
    /// May be left out when there is no room nearby.
    pub optional: bool,
}

/// Scale of the drawing: metres to paper millimetres.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Frame {
    /// mm of paper for one metre.
    pub k: f64,
}

impl Frame {
    pub fn new(scale: f64) -> Self {
        Frame { k: 1000.0 / scale }
    }
    pub fn at(&self, x: f64, z: f64) -> Point {
        Point::new(x * self.k, -z * self.k)
    }
    pub fn rect(&self, x0: f64, x1: f64, z0: f64, z1: f64) -> Rect {
        Rect::span(self.at(x0, z0), self.at(x1, z1))
    }
}

/// Parts, texts and what texts must keep clear of.
#[derive(Clone, Debug, Default)]
pub(crate) struct Draft {
    pub parts: Vec<Part>,
    pub wishes: Vec<Wish>,
    /// Texts whose place is given (dimensions, scale).
    pub fixed: Vec<Label>,
    /// No text over these.
    pub hard: Vec<Rect>,
    /// Better no text over these.
    pub soft: Vec<Rect>,
}

impl Draft {
    /// Adds a part; a taken id gets a number so that ids stay unique.
    pub fn part(
        &mut self,
        id: &str,
        name: &str,
        layer: Layer,
        anchor: Point,
        shapes: Vec<Shape>,
    ) -> &mut Part {
        let mut unique = id.to_owned();
        let mut n = 2;
        while self.parts.iter().any(|p| p.id == unique) {
            unique = format!("{id}.{n}");
            n += 1;
        }
        self.parts.push(Part { id: unique, name: name.to_owned(), layer, anchor, shapes, bindings: vec![] });
        let last = self.parts.len() - 1;
        &mut self.parts[last]
    }

    /// Texts keep off this line.
    pub fn keep_off_line(&mut self, points: &[Point], width: f64, hard: bool) {
        for pair in points.windows(2) {
            let rect = Rect::span(pair[0], pair[1]).grown(width / 2.0);
            if hard { self.hard.push(rect) } else { self.soft.push(rect) }
        }
    }

    /// The box around all that is drawn and all fixed texts.
    pub fn bounds(&self) -> Option<Rect> {
        let shapes = self.parts.iter().flat_map(|p| &p.shapes).flat_map(|s| match s {
            Shape::Line { points, .. } | Shape::Area { points, .. } => {
                points.iter().map(|p| Rect::new(p.x, p.y, 0.0, 0.0)).collect::<Vec<_>>()
            }
            Shape::Pipe { points, width } => {
                points.iter().map(|p| Rect::new(p.x, p.y, 0.0, 0.0).grown(width / 2.0)).collect()
            }
            Shape::Circle { centre, radius, .. } => {
                vec![Rect::new(centre.x, centre.y, 0.0, 0.0).grown(*radius)]
            }
        });
        shapes.chain(self.fixed.iter().map(|l| l.bounds)).reduce(|a, b| a.union(&b))
    }

    /// Moves everything.
    pub fn moved(mut self, dx: f64, dy: f64) -> Self {
        let point = |p: &mut Point| {
            p.x += dx;
            p.y += dy;
        };
        let rect = |r: &mut Rect| {
            r.x += dx;
            r.y += dy;
        };
        for part in &mut self.parts {
            point(&mut part.anchor);
            for shape in &mut part.shapes {
                match shape {
                    Shape::Line { points, .. } | Shape::Area { points, .. } | Shape::Pipe { points, .. } => {
                        points.iter_mut().for_each(point);
                    }
                    Shape::Circle { centre, .. } => point(centre),
                }
            }
            for binding in part.bindings.iter_mut().filter(|b| b.property == Property::Top) {
                binding.zero += dy;
            }
        }
        for wish in &mut self.wishes {
            point(&mut wish.anchor);
            rect(&mut wish.own);
            wish.inside.iter_mut().for_each(rect);
        }
        for label in &mut self.fixed {
            rect(&mut label.bounds);
        }
        self.hard.iter_mut().for_each(rect);
        self.soft.iter_mut().for_each(rect);
        self
    }
}

/// An open line.
pub(crate) fn line(points: &[Point], ink: Ink) -> Shape {
    Shape::Line { points: points.to_vec(), ink }
}

/// A closed box.
pub(crate) fn area(rect: Rect, ink: Ink) -> Shape {
    Shape::Area {
        points: vec![
            Point::new(rect.x, rect.y),
            Point::new(rect.right(), rect.y),
            Point::new(rect.right(), rect.bottom()),
            Point::new(rect.x, rect.bottom()),
        ],
        ink,
    }
}

/// A circle.
pub(crate) fn circle(centre: Point, radius: f64, ink: Ink) -> Shape {
    Shape::Circle { centre, radius, ink }
}

/// A closed surface through points.
pub(crate) fn polygon(points: &[Point], ink: Ink) -> Shape {
    Shape::Area { points: points.to_vec(), ink }
}

/// A binding of the given kind that needs no scale.
pub(crate) fn follows(value: String, unit: &'static str, property: Property) -> Binding {
    Binding { value, unit, property, zero: 0.0, per_unit: 0.0 }
}

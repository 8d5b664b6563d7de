//! The strip along the lower edge: table of water lines, legend, notes and title block.

use crate::WaterLines;
use crate::bodies::Bodies;
use crate::draft::{area, circle, line, polygon};
use crate::pipes::clean_height;
use crate::sheet::{Align, Ink, Label, Layer, Part, Point, Rect, Shape, TextLine};
use crate::text::{self, LEADING, NAME, SMALL, height, mm};
use system::model::System;

/// Height of a row of small text, mm.
const ROW: f64 = SMALL * LEADING + 0.35;
/// Inner margin of a block, mm.
const PAD: f64 = 1.6;
/// Widths of the blocks, mm, from the left; together the width inside the frame of an A4 sheet.
const TABLE: f64 = 88.0;
const LEGEND: f64 = 64.0;
const NOTES: f64 = 68.0;

/// What the title block says beyond the system's name.
pub(crate) struct Words<'a> {
    pub name: &'a str,
    pub revision: &'a str,
    pub date: &'a str,
    pub scale: f64,
    pub notes: Vec<String>,
}

/// The laid-out strip, its upper left corner at (0, 0).
#[derive(Default)]
pub(crate) struct Strip {
    pub height: f64,
    pub labels: Vec<Label>,
    pub parts: Vec<Part>,
}

impl Strip {
    #[allow(clippy::too_many_arguments)]
    fn text(
        &mut self,
        block: &str,
        key: &'static str,
        line: TextLine,
        x: f64,
        y: f64,
        most: f64,
        align: Align,
    ) {
        let line = TextLine { text: text::cut(&line.text, line.size, line.bold, most), ..line };
        if line.text.is_empty() {
            return;
        }
        let w = text::width(&line.text, line.size, line.bold);
        let left = match align {
            Align::Left => x,
            Align::Middle => x - w / 2.0,
            Align::Right => x - w,
        };
        let bounds = Rect::new(left, y, w, line.size * LEADING);
        self.labels.push(Label {
            part: block.to_owned(),
            key,
            lines: vec![line],
            bounds,
            align,
            turned: false,
            leader: vec![],
        });
    }
    fn part(&mut self, id: &str, name: &str, shapes: Vec<Shape>) {
        let anchor = Point::default();
        self.parts.push(Part {
            id: id.to_owned(),
            name: name.to_owned(),
            layer: Layer::Frame,
            anchor,
            shapes,
            bindings: vec![],
        });
    }
}

/// Lays the strip out for a width inside the frame.
pub(crate) fn lay_out(
    system: &System,
    bodies: &Bodies,
    lines: &[WaterLines],
    words: &Words,
    width: f64,
) -> Strip {
    let mut strip = Strip::default();
    let table = water_table(&mut strip, system, bodies, lines);
    let legend = legend(&mut strip, TABLE);
    let notes = notes(&mut strip, words, TABLE + LEGEND);
    let title = title(&mut strip, words, TABLE + LEGEND + NOTES, width - TABLE - LEGEND - NOTES);
    strip.height = [table, legend, notes, title].into_iter().fold(0.0, f64::max) + PAD;
    let h = strip.height;
    let mut rules = vec![line(&[Point::new(0.0, 0.0), Point::new(width, 0.0)], Ink::Frame)];
    for x in [TABLE, TABLE + LEGEND, TABLE + LEGEND + NOTES] {
        rules.push(line(&[Point::new(x, 0.0), Point::new(x, h)], Ink::Frame));
    }
    strip.part("frame.strip", "title strip", rules);
    strip
}

/// Rows are vessels, columns are the sets; returns the height.
fn water_table(strip: &mut Strip, system: &System, bodies: &Bodies, lines: &[WaterLines]) -> f64 {
    const FIRST: f64 = 27.0;
    let block = "water-table";
    strip.text(block, "water-table-title", text::name("Water lines"), PAD, PAD, FIRST, Align::Left);
    let column = (TABLE - FIRST - 2.0 * PAD) / lines.len().max(1) as f64;
    let mut shapes = vec![];
    let head = PAD + NAME * LEADING;
    for (set, l) in lines.iter().enumerate() {
        let x = PAD + FIRST + column * set as f64;
        let number = format!("{} {}", set + 1, l.name);
        strip.text(block, "water-set", text::small(number), x + 1.0, PAD, column - 1.5, Align::Left);
        let y = head + 0.6;
        shapes.push(line(
            &[Point::new(x + 1.0, y), Point::new(x + column - 2.0, y)],
            Ink::WaterLine(set.min(250) as u8),
        ));
    }
    let mut y = head + 2.0;
    for (v, vessel) in system.vessels.iter().enumerate() {
        strip.text(block, "water-vessel", text::small(&*vessel.name), PAD, y, FIRST - 1.0, Align::Left);
        for (set, l) in lines.iter().enumerate() {
            let Some(level) = l.levels.get(v).copied().flatten().filter(|l| l.is_finite()) else { continue };
            let body = &bodies.list[v];
            let over = if body.floor + level > body.rim + 1e-6 { " over rim" } else { "" };
            let told = clean_height(level);
            let cell = format!("{} ({}){over}", height(body.floor + told), mm(told));
            let x = PAD + FIRST + column * set as f64 + 1.0;
            strip.text(block, "water-level", text::small(cell), x, y, column - 1.5, Align::Left);
        }
        y += ROW;
    }
    strip.part("legend.water", "line styles of the water lines", shapes);
    y
}

/// Two columns of signs with their meaning; returns the height.
fn legend(strip: &mut Strip, x0: f64) -> f64 {
    const TALL: f64 = 3.6;
    strip.text("legend", "legend-title", text::name("Signs"), x0 + PAD, PAD, 20.0, Align::Left);
    let top = PAD + NAME * LEADING + 0.8;
    let entries: [(&'static str, &str); 14] = [
        ("legend-glass", "glass, acrylic (cut)"),
        ("legend-water", "water, fresh paler"),
        ("legend-rock", "rock, displacement"),
        ("legend-stand", "stand, shelf, hood"),
        ("legend-mark", "water line of set n"),
        ("legend-break", "siphon break hole"),
        ("legend-flow", "flow direction"),
        ("legend-pump", "pump"),
        ("legend-dosing", "dosing pump"),
        ("legend-heater", "heater, bare below bar"),
        ("legend-float", "float, both heights"),
        ("legend-probe", "probe, tip at dot"),
        ("legend-meter", "flow meter"),
        ("legend-leak", "leak contact"),
    ];
    let half = entries.len().div_ceil(2);
    let mut shapes = vec![];
    for (i, (key, words)) in entries.into_iter().enumerate() {
        let column = (i / half) as f64;
        let y = top + (i % half) as f64 * TALL;
        let x = x0 + PAD + column * 29.0;
        shapes.extend(sign(key, Point::new(x + 2.0, y + 1.45)));
        let room = if column < 0.5 { 29.0 - 5.4 } else { LEGEND - 29.0 - 5.4 - 2.0 * PAD };
        strip.text("legend", key, text::small(words), x + 5.0, y, room + 0.4, Align::Left);
    }
    strip.part("legend.signs", "signs used in the drawing", shapes);
    top + half as f64 * TALL
}

fn sign(key: &str, c: Point) -> Vec<Shape> {
    let at = |dx: f64, dy: f64| Point::new(c.x + dx, c.y + dy);
    let swatch = Rect::new(c.x - 2.0, c.y - 1.1, 4.0, 2.2);
    match key {
        "legend-glass" => vec![area(swatch, Ink::Glass)],
        "legend-water" => vec![
            area(Rect::new(c.x - 2.0, c.y - 1.1, 2.0, 2.2), Ink::Water),
            area(Rect::new(c.x, c.y - 1.1, 2.0, 2.2), Ink::FreshWater),
            line(&[at(-2.0, -1.1), at(2.0, -1.1)], Ink::WaterLine(0)),
        ],
        "legend-rock" => vec![area(swatch, Ink::Rock)],
        "legend-stand" => vec![area(swatch, Ink::Phantom)],
        "legend-mark" => vec![
            line(&[at(-2.0, 0.9), at(2.0, 0.9)], Ink::WaterLine(0)),
            polygon(&[at(0.0, 0.9), at(-0.85, -0.6), at(0.85, -0.6)], Ink::WaterLine(0)),
        ],
        "legend-break" => vec![
            Shape::Pipe { points: vec![at(0.0, -1.3), at(0.0, 1.3)], width: 1.4 },
            circle(at(0.7, 0.0), 0.55, Ink::Paper),
        ],
        "legend-flow" => vec![
            Shape::Pipe { points: vec![at(-2.0, 0.0), at(2.0, 0.0)], width: 1.6 },
            polygon(&[at(1.1, 0.0), at(-0.9, -0.55), at(-0.9, 0.55)], Ink::Solid),
        ],
        "legend-pump" => vec![
            circle(c, 1.4, Ink::Paper),
            polygon(&[at(0.0, -1.4), at(-1.1, 0.8), at(1.1, 0.8)], Ink::Solid),
        ],
        "legend-dosing" => vec![
            circle(c, 1.4, Ink::Paper),
            circle(at(0.0, -0.7), 0.3, Ink::Solid),
            circle(at(0.6, 0.35), 0.3, Ink::Solid),
            circle(at(-0.6, 0.35), 0.3, Ink::Solid),
        ],
        "legend-heater" => vec![
            area(Rect::new(c.x - 0.7, c.y - 1.2, 1.4, 2.5), Ink::Heat),
            line(&[at(-1.5, -1.2), at(1.5, -1.2)], Ink::Outline),
        ],
        "legend-float" => vec![
            line(&[at(-1.4, -0.9), at(1.4, -0.9)], Ink::Outline),
            line(&[at(-1.4, 0.9), at(1.4, 0.9)], Ink::Outline),
            circle(c, 0.8, Ink::Paper),
        ],
        "legend-probe" => vec![
            line(&[at(0.0, -1.5), at(0.0, 0.0)], Ink::Thin),
            area(Rect::new(c.x - 0.45, c.y - 0.4, 0.9, 1.7), Ink::Paper),
            circle(at(0.0, 0.9), 0.45, Ink::Solid),
        ],
        "legend-meter" => vec![
            circle(c, 1.3, Ink::Paper),
            line(&[at(-0.9, -0.9), at(0.9, 0.9)], Ink::Thin),
            line(&[at(-0.9, 0.9), at(0.9, -0.9)], Ink::Thin),
        ],
        _ => vec![
            polygon(&[at(0.0, -1.2), at(1.1, 1.1), at(-1.1, 1.1)], Ink::Paper),
            line(&[at(0.0, -0.4), at(0.0, 0.6)], Ink::Thin),
        ],
    }
}

fn notes(strip: &mut Strip, words: &Words, x0: f64) -> f64 {
    strip.text("notes", "notes-title", text::name("Notes"), x0 + PAD, PAD, 20.0, Align::Left);
    let mut y = PAD + NAME * LEADING + 0.6;
    for note in &words.notes {
        for row in text::wrap(note, SMALL, NOTES - 2.0 * PAD) {
            strip.text("notes", "note", text::small(row), x0 + PAD, y, NOTES - 2.0 * PAD, Align::Left);
            y += SMALL * LEADING;
        }
        y += 0.7;
    }
    y
}

fn title(strip: &mut Strip, words: &Words, x0: f64, width: f64) -> f64 {
    let inner = width - 2.0 * PAD;
    let mut y = PAD;
    for row in text::wrap(words.name, 3.6, inner / 1.12).into_iter().take(3) {
        let big = TextLine { text: row, size: 3.6, bold: true };
        strip.text("title", "title-system", big, x0 + PAD, y, inner, Align::Left);
        y += 3.6 * LEADING;
    }
    y += 0.4;
    let mut rules = vec![];
    let scale = format!("1:{}", words.scale);
    let rows: [(&'static str, &str, &str); 5] = [
        ("title-what", "Drawing", "Section in elevation"),
        ("title-scale", "Scale on A4", &scale),
        ("title-revision", "Revision", words.revision),
        ("title-date", "Date", words.date),
        ("title-heights", "Heights", "mm over the cabinet floor"),
    ];
    for (key, head, value) in rows {
        rules.push(line(&[Point::new(x0, y), Point::new(x0 + width, y)], Ink::Frame));
        y += 0.55;
        strip.text("title", key, text::small(head), x0 + PAD, y, 17.0, Align::Left);
        strip.text("title", key, text::small(value), x0 + PAD + 18.0, y, inner - 18.0, Align::Left);
        y += SMALL * LEADING + 0.45;
    }
    strip.part("frame.title", "title block", rules);
    y
}

//! The section of a system: the whole of it in elevation, to scale, laid out once as a [`Sheet`] from the system's geometry.
//!
//! Contract: water lines come in as data, so nothing here simulates; no geometry makes it panic, and no two texts of a sheet
//! overlap or leave it. The sheet is the drawing; SVG ([`Sheet::to_svg`]) is one way to show it.

mod bodies;
mod dims;
mod draft;
mod edges;
mod gear;
mod pipes;
mod place;
mod section;
mod sensors;
mod sheet;
mod slots;
mod strip;
mod svg;
mod text;
pub mod wiring;
mod words;

pub use sheet::{Align, Binding, Ink, Label, Layer, Part, Point, Property, Rect, Shape, Sheet, TextLine};
pub use svg::{SvgOptions, Theme};
pub use text::{escape, width as text_width};

use bodies::Bodies;
use draft::{Draft, area};
use section::{COLUMN, Scene};
use system::System;

/// A named state of the water.
#[derive(Clone, PartialEq, Debug)]
pub struct WaterLines {
    /// `running`, `stopped`, `worst case`.
    pub name: String,
    /// By vessel index: level over the vessel's own floor, m. None: not drawn.
    pub levels: Vec<Option<f64>>,
}

/// What the title block says beyond the system's name.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct TitleBlock {
    /// Revision of the file, free text.
    pub revision: String,
    /// Date, free text.
    pub date: String,
}

/// A4 landscape, mm.
const PAPER: [f64; 2] = [297.0, 210.0];
/// Frame inside the paper, mm.
const MARGIN: f64 = 6.0;
/// Air between a column of texts and what is drawn, mm.
const GUTTER: f64 = 5.0;
/// Least height left for the drawing, mm.
const LEAST: f64 = 95.0;
/// Width over height from which texts go over and under the drawing.
const FLAT: f64 = 1.7;
/// Scales that drawings use: 1:n.
const SCALES: [f64; 32] = [
    1.0, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5, 8.0, 10.0, 11.0, 12.0, 12.5, 15.0, 16.0, 20.0, 24.0, 25.0, 30.0,
    40.0, 50.0, 60.0, 75.0, 80.0, 100.0, 125.0, 150.0, 200.0, 250.0, 300.0, 500.0, 1000.0,
];
/// How often the sheet may grow before texts are set as they come.
const GROWTHS: usize = 60;

/// Lays out the section of a system with any number of water lines (the first fills the vessels; none: the levels of the
/// file).
pub fn section(system: &System, lines: &[WaterLines], title: &TitleBlock) -> Sheet {
    let start;
    let lines = if lines.is_empty() {
        start = [WaterLines {
            name: "at the start".to_owned(),
            levels: system.vessels.iter().map(|v| Some(v.start_level)).collect(),
        }];
        &start[..]
    } else {
        lines
    };
    let bodies = bodies::lay_out(system);
    if bodies.list.is_empty() {
        return empty(system, &bodies, title);
    }
    let inner = PAPER[0] - 2.0 * MARGIN;
    let wide = inner - 2.0 * (COLUMN + GUTTER);
    // The notes depend on what finds a place, not on the scale, so the strip's height can be known first.
    let (_, unplaced) = draft(system, &bodies, lines, 20.0);
    let strip_height =
        strip::lay_out(system, &bodies, lines, &words(system, &bodies, title, 20.0, &unplaced), inner).height;
    let tall = (PAPER[1] - 2.0 * MARGIN - strip_height - 5.0).max(LEAST);
    let fits = |scale: f64, wide: f64, tall: f64| {
        draft(system, &bodies, lines, scale).0.bounds().is_some_and(|b| b.w <= wide && b.h <= tall)
    };
    let choose = |wide: f64, tall: f64| SCALES.into_iter().find(|s| fits(*s, wide, tall)).unwrap_or(2000.0);
    let beside = choose(wide, tall);
    // A drawing that is far wider than tall takes the whole width and has its texts over and under it.
    let flat = draft(system, &bodies, lines, beside)
        .0
        .bounds()
        .is_some_and(|b| b.w > FLAT * b.h && b.h < tall * 0.6);
    let scale = if flat { choose(inner - COLUMN - 2.0 * GUTTER, tall * 0.45) } else { beside };
    let fitted = flat.then(|| arrange(system, &bodies, lines, title, scale, true)).flatten();
    fitted
        .or_else(|| arrange(system, &bodies, lines, title, beside, false))
        .unwrap_or_else(|| empty(system, &bodies, title))
}

/// Draws at a scale and finds a place for every text; None when the sheet would have to grow without end.
fn arrange(
    system: &System,
    bodies: &Bodies,
    lines: &[WaterLines],
    title: &TitleBlock,
    scale: f64,
    flat: bool,
) -> Option<Sheet> {
    let inner = PAPER[0] - 2.0 * MARGIN;
    let wide = inner - 2.0 * (COLUMN + GUTTER);
    let (drawn, unplaced) = draft(system, bodies, lines, scale);
    let bounds = drawn.bounds().unwrap_or_default();
    let strip = strip::lay_out(system, bodies, lines, &words(system, bodies, title, scale, &unplaced), inner);
    let mut region = (PAPER[1] - 2.0 * MARGIN - strip.height - 5.0).max(LEAST).max(bounds.h);
    for _ in 0..=GROWTHS {
        // Flags of a band reach to the right of their parts.
        let left = MARGIN + (inner - bounds.w - if flat { COLUMN - GUTTER } else { 0.0 }) / 2.0;
        let top = MARGIN + 2.5 + (region - bounds.h) / 2.0;
        let moved = drawn.clone().moved(left - bounds.x, top - bounds.y);
        let room = place::Room {
            middle: if flat {
                Rect::new(MARGIN + 1.5, MARGIN + 1.5, inner - 3.0, region + 2.0)
            } else {
                Rect::new(MARGIN + COLUMN + GUTTER, MARGIN + 1.5, wide, region + 2.0)
            },
            left: Rect::new(MARGIN + 1.5, MARGIN + 2.0, COLUMN, region),
            right: Rect::new(MARGIN + inner - COLUMN - 1.5, MARGIN + 2.0, COLUMN, region),
            bands: flat.then(|| moved.bounds().unwrap_or_default()),
        };
        match place::place(&moved.wishes, room, &moved.hard, &moved.soft, &moved.fixed) {
            Ok(labels) => return Some(finish(system, bodies, lines, scale, moved, labels, strip, region)),
            Err(more) if more.is_finite() => region += more.max(4.0),
            Err(_) => return None,
        }
    }
    None
}

/// Everything on the drawing at a scale, and the names of what has no place in it.
fn draft(system: &System, bodies: &Bodies, lines: &[WaterLines], scale: f64) -> (Draft, Vec<String>) {
    let mut scene = Scene::new(system, bodies, lines, scale);
    section::draw(&mut scene);
    pipes::draw(&mut scene);
    let mut unplaced = gear::draw(&mut scene);
    unplaced.extend(sensors::draw(&mut scene));
    dims::draw(&mut scene);
    (scene.draft, unplaced)
}

fn heading(system: &System) -> String {
    format!("Section of {}", text::clean(&system.name))
}

fn words<'a>(
    system: &'a System,
    bodies: &Bodies,
    title: &'a TitleBlock,
    scale: f64,
    unplaced: &[String],
) -> strip::Words<'a> {
    let mut notes = vec![
        "+ is a height over the cabinet floor; in brackets over the vessel's own floor, as in the file. Sizes in mm, inside."
            .to_owned(),
        "To scale: sizes and heights. Not to scale: signs, thin pipes and glass, places along the length, ways of pipes."
            .to_owned(),
    ];
    if !bodies.moved.is_empty() {
        notes.push(format!(
            "Drawn beside their place, which another vessel takes: {}.",
            bodies.moved.join(", ")
        ));
    }
    if !unplaced.is_empty() {
        notes.push(format!("Not drawn, no place in the water: {}.", unplaced.join(", ")));
    }
    notes.push(
        "Mains beside salt water: RCD (GFCI), enclosed and fused, a drip loop in each lead, a licensed electrician, local code."
            .to_owned(),
    );
    strip::Words { name: &system.name, revision: &title.revision, date: &title.date, scale, notes }
}

#[allow(clippy::too_many_arguments)]
fn finish(
    system: &System,
    bodies: &Bodies,
    lines: &[WaterLines],
    scale: f64,
    drawn: Draft,
    placed: Vec<Label>,
    strip: strip::Strip,
    region: f64,
) -> Sheet {
    let top = MARGIN + 5.0 + region;
    let size = [PAPER[0], (top + strip.height + MARGIN).max(PAPER[1])];
    // On a sheet that is not full the strip keeps to the lower edge.
    let strip_top = size[1] - MARGIN - strip.height;
    let mut parts = drawn.parts;
    parts.sort_by_key(|p| p.layer);
    let mut bottom =
        Draft { parts: strip.parts, fixed: strip.labels, ..Draft::default() }.moved(MARGIN, strip_top);
    let frame = Rect::new(MARGIN, MARGIN, size[0] - 2.0 * MARGIN, size[1] - 2.0 * MARGIN);
    parts.push(Part {
        id: "frame".to_owned(),
        name: "frame".to_owned(),
        layer: Layer::Frame,
        anchor: Point::new(MARGIN, MARGIN),
        shapes: vec![area(frame, Ink::Frame)],
        bindings: vec![],
    });
    parts.append(&mut bottom.parts);
    let mut labels = placed;
    labels.extend(drawn.fixed);
    labels.append(&mut bottom.fixed);
    let title = heading(system);
    Sheet { size, scale, title, description: words::describe(system, bodies, lines, scale), parts, labels }
}

/// A sheet that says why nothing is drawn.
fn empty(system: &System, bodies: &Bodies, title: &TitleBlock) -> Sheet {
    let inner = PAPER[0] - 2.0 * MARGIN;
    let sentence = if bodies.list.is_empty() {
        "The file describes no vessel yet: one [[vessel]] with its inside sizes is enough for a first section."
    } else {
        "The file names more parts than a sheet can hold; draw a smaller system."
    };
    let strip = strip::lay_out(system, bodies, &[], &words(system, bodies, title, 1.0, &[]), inner);
    let w = text::width(sentence, 4.0, false);
    let drawn = Draft {
        fixed: vec![Label {
            part: "empty".to_owned(),
            key: "no-vessel",
            lines: vec![TextLine { text: sentence.to_owned(), size: 4.0, bold: false }],
            bounds: Rect::new((PAPER[0] - w) / 2.0, 80.0, w, 4.0 * text::LEADING),
            align: Align::Middle,
            turned: false,
            leader: vec![],
        }],
        ..Draft::default()
    };
    let region = PAPER[1] - 2.0 * MARGIN - strip.height - 5.0;
    let mut sheet = finish(system, bodies, &[], 1.0, drawn, vec![], strip, region);
    sheet.description = format!("{}. {sentence}", sheet.title);
    sheet
}

//! Rungs on A4 sheets: each run a row from left to right.

use electrics::harness::{Harness, Run};
use system::System;
use system::electrics::Compartment;

use super::page::Page;
use super::{foot, legend, sideways, stop_width, words};
use crate::sheet::{Align, Point, Rect};
use crate::text::{clean, width};

const PAPER: [f64; 2] = [297.0, 210.0];
const MARGIN: f64 = 8.0;
/// Height of a stop, mm.
const STOP: f64 = 8.2;
/// Row without and with wires sideways, heading of a group, mm.
const ROW: f64 = 10.6;
const STUB: f64 = 3.1;
const HEADING: f64 = 6.5;
const TEXT: f64 = 2.0;
/// Lines of the foot in its left column: the cautions and what the signs mean.
const LEFT: usize = 8;

/// What a row of a sheet is.
enum Row<'a> {
    Heading(&'a str, bool),
    Run(&'a Run),
}

pub(super) fn sheets(system: &System, harness: &Harness) -> Vec<Page> {
    let foot_height = foot_height(system, harness);
    let room = PAPER[1] - 2.0 * MARGIN - 9.0 - foot_height;
    let mut all: Vec<Vec<Row<'_>>> = vec![vec![]];
    let mut used = 0.0;
    let mut group = "";
    for run in order(harness) {
        let mut height = ROW + n_stubs(run) as f64 * STUB;
        let fresh = run.group != group;
        if fresh {
            height += HEADING;
        }
        let first = all.last().is_none_or(Vec::is_empty);
        // Mains never share a sheet with low voltage: who works on one has no line of the other before the eyes.
        let mains_ends = fresh && group.starts_with("Mains") && !run.group.starts_with("Mains");
        if !first && (used + height > room || mains_ends) {
            all.push(vec![]);
            used = 0.0;
            if !fresh {
                all.last_mut().into_iter().for_each(|rows| rows.push(Row::Heading(&run.group, true)));
                used += HEADING;
            }
        }
        if fresh {
            all.last_mut().into_iter().for_each(|rows| rows.push(Row::Heading(&run.group, false)));
        }
        group = &run.group;
        used += height;
        all.last_mut().into_iter().for_each(|rows| rows.push(Row::Run(run)));
    }
    let n = all.len();
    all.iter().enumerate().map(|(i, rows)| sheet(system, harness, rows, i + 1, n, foot_height)).collect()
}

/// Mains first, then low voltage, then signals; groups stay together.
pub(super) fn order(harness: &Harness) -> Vec<&Run> {
    let rank = |group: &str| {
        const ORDER: [&str; 7] = ["Mains", "Low", "Supply", "Bus", "Thermometers", "Contacts", "Commands"];
        ORDER.iter().position(|word| group.starts_with(word)).unwrap_or(ORDER.len())
    };
    let mut runs: Vec<&Run> = harness.runs.iter().collect();
    runs.sort_by(|a, b| rank(&a.group).cmp(&rank(&b.group)).then_with(|| a.group.cmp(&b.group)));
    runs
}

fn n_stubs(run: &Run) -> usize {
    run.stops.iter().map(|stop| stop.stubs.len()).max().unwrap_or(0)
}

fn legend_rows(system: &System, harness: &Harness) -> usize {
    legend(system, harness).len().div_ceil(4)
}

fn foot_height(system: &System, harness: &Harness) -> f64 {
    let inner = PAPER[0] - 2.0 * MARGIN;
    let column = inner / 2.0 - 4.0;
    let mut probe = Page::default();
    let mut heights = [0.0, 0.0];
    for (i, line) in foot(harness).iter().enumerate() {
        let side = usize::from(i >= LEFT);
        heights[side] += probe.paragraph(0.0, 0.0, TEXT, line, column) + 0.2;
    }
    legend_rows(system, harness) as f64 * 3.4 + f64::max(heights[0], heights[1]) + 3.0
}

fn sheet(
    system: &System,
    harness: &Harness,
    rows: &[Row<'_>],
    number: usize,
    of: usize,
    foot_height: f64,
) -> Page {
    let name = clean(&system.name);
    let mut page = Page::new(PAPER, format!("Wiring of {name}, sheet {number} of {of}"));
    let inner = PAPER[0] - 2.0 * MARGIN;
    page.rect(Rect::new(MARGIN - 3.0, MARGIN - 3.0, inner + 6.0, PAPER[1] - 2.0 * MARGIN + 6.0), "frame");
    let title = page.title.clone();
    page.fitted(MARGIN, MARGIN - 1.0, 3.6, true, Align::Left, &title, inner * 0.75);
    page.text(
        PAPER[0] - MARGIN,
        MARGIN - 0.5,
        2.4,
        false,
        Align::Right,
        "from left to right: source, fuse, contact, load, return",
    );
    let mut y = MARGIN + 6.0;
    let mut described = vec![];
    for row in rows {
        match row {
            Row::Heading(group, again) => {
                let text = if *again { format!("{group}, continued") } else { (*group).to_owned() };
                page.text(MARGIN, y + 1.6, 2.8, true, Align::Left, &text);
                page.line(Point::new(MARGIN, y + 5.6), Point::new(PAPER[0] - MARGIN, y + 5.6), "thin");
                y += HEADING;
            }
            Row::Run(run) => {
                draw(&mut page, harness, run, y);
                described.push(run.title.clone());
                y += ROW + n_stubs(run) as f64 * STUB;
            }
        }
    }
    page.description = format!("Rungs of {}", described.join(", "));
    draw_foot(&mut page, system, harness, PAPER[1] - MARGIN - foot_height);
    page
}

fn draw(page: &mut Page, harness: &Harness, run: &Run, y: f64) {
    let inner = PAPER[0] - 2.0 * MARGIN;
    let widths: f64 = run.stops.iter().map(|stop| stop_width(stop.symbol)).sum();
    let n_gaps = run.stops.len().saturating_sub(1).max(1) as f64;
    // Room for the longest words beside a wire; few stops do not spread over the whole sheet.
    let gap = ((inner - widths) / n_gaps).min(40.0);
    let mut x = MARGIN;
    let middle = y + STOP / 2.0 + 0.8;
    for (i, stop) in run.stops.iter().enumerate() {
        let w = stop_width(stop.symbol);
        let item = &harness.items[stop.item];
        let class = match item.compartment {
            Some(Compartment::Mains) => "mains",
            Some(Compartment::Low) => "low",
            None => "out",
        };
        let top = y + 0.8;
        page.rect(Rect::new(x, top, w, STOP), class);
        page.fitted(x + w / 2.0, top + 0.4, 2.3, true, Align::Middle, &item.name, w - 1.5);
        let low = top + STOP - 3.6;
        let symbol_at = Point::new(x + w / 2.0, top + STOP - 2.4);
        page.symbol(stop.symbol, symbol_at, false);
        let side = w / 2.0 - 5.0;
        if i > 0 {
            page.fitted(x + 0.7, low, TEXT, false, Align::Left, &stop.enters, side);
        }
        if i + 1 < run.stops.len() && (stop.leaves != stop.enters || i == 0) {
            page.fitted(x + w - 0.7, low, TEXT, false, Align::Right, &stop.leaves, side);
        }
        for (k, stub) in stop.stubs.iter().enumerate() {
            let wire = &harness.wires[*stub];
            let at = top + STOP + k as f64 * STUB;
            let from = x + 2.0 + k as f64 * 2.0;
            page.wire(Point::new(from, top + STOP), Point::new(from, at + 2.6), wire.colour);
            let text = sideways(harness, wire);
            // To the left where the right has no room.
            let room = PAPER[0] - MARGIN - from - 1.2;
            if width(&text, TEXT, false) < room {
                page.text(from + 1.2, at + 0.4, TEXT, false, Align::Left, &text);
            } else {
                page.fitted(from - 1.2, at + 0.4, TEXT, false, Align::Right, &text, from - MARGIN - 2.0);
            }
        }
        x += w;
        if let Some(wire) = run.wires.get(i) {
            let wire = &harness.wires[*wire];
            page.wire(Point::new(x, middle), Point::new(x + gap, middle), wire.colour);
            let [above, below] = words(wire);
            page.fitted(x + gap / 2.0, middle - 3.6, TEXT, true, Align::Middle, &above, gap - 0.6);
            page.fitted(x + gap / 2.0, middle + 0.9, TEXT, false, Align::Middle, &below, gap - 0.6);
            x += gap;
        }
    }
    // What it is for, where the row leaves room.
    let left = PAPER[0] - MARGIN - x;
    if left > 20.0 {
        page.fitted(x + 3.0, middle - 1.4, 2.3, false, Align::Left, &run.title, left - 4.0);
    }
}

fn draw_foot(page: &mut Page, system: &System, harness: &Harness, top: f64) {
    let inner = PAPER[0] - 2.0 * MARGIN;
    page.line(Point::new(MARGIN, top), Point::new(PAPER[0] - MARGIN, top), "alarm");
    let mut y = top + 1.4;
    for (i, (code, text)) in legend(system, harness).iter().enumerate() {
        let column = inner / 4.0;
        let x = MARGIN + (i % 4) as f64 * column;
        let at = y + (i / 4) as f64 * 3.4;
        page.wire(Point::new(x, at + 1.3), Point::new(x + 8.0, at + 1.3), code);
        page.fitted(x + 9.5, at, TEXT, false, Align::Left, text, column - 11.0);
    }
    y += legend_rows(system, harness) as f64 * 3.4 + 0.6;
    let column = inner / 2.0 - 4.0;
    let mut ys = [y, y];
    for (i, line) in foot(harness).iter().enumerate() {
        let side = usize::from(i >= LEFT);
        let x = MARGIN + side as f64 * (inner / 2.0 + 2.0);
        ys[side] = page.paragraph(x, ys[side], TEXT, line, column) + 0.2;
    }
}

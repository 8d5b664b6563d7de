//! The same rungs from top to bottom, on one long page as wide as a phone.

use electrics::harness::Harness;
use system::System;
use system::electrics::Compartment;

use super::page::Page;
use super::{foot, legend, sideways, words};
use crate::sheet::{Align, Point, Rect};
use crate::text::clean;

/// Width of the page, mm: at 390 pixels a text of 3 mm has 12.
const WIDE: f64 = 100.0;
const MARGIN: f64 = 4.0;
const TEXT: f64 = 2.9;
/// Box of a stop and length of a wire, mm.
const BOX: [f64; 2] = [60.0, 10.0];
const WIRE: f64 = 8.5;

pub(super) fn page(system: &System, harness: &Harness) -> Page {
    let title = format!("Wiring of {}", clean(&system.name));
    let mut page = Page::new([WIDE, 0.0], title.clone());
    let inner = WIDE - 2.0 * MARGIN;
    let mut y = page.paragraph(MARGIN, MARGIN, 4.2, &title, inner) + 2.0;
    for line in &electrics::harness::CAUTIONS {
        y = page.paragraph(MARGIN, y, TEXT, line, inner) + 0.8;
    }
    y += 2.0;
    for (code, text) in legend(system, harness) {
        page.wire(Point::new(MARGIN, y + 1.8), Point::new(MARGIN + 10.0, y + 1.8), code);
        page.fitted(MARGIN + 12.0, y, TEXT, false, Align::Left, &text, inner - 12.0);
        y += 4.4;
    }
    let mut group = String::new();
    for run in super::ladder::order(harness) {
        if run.group != group {
            group.clone_from(&run.group);
            y += 5.0;
            page.line(Point::new(MARGIN, y), Point::new(WIDE - MARGIN, y), "alarm");
            page.fitted(MARGIN, y + 1.5, 3.8, true, Align::Left, &group, inner);
            y += 7.0;
        }
        y += 2.5;
        page.fitted(MARGIN, y, 3.2, true, Align::Left, &run.title, inner);
        y += 5.2;
        for (i, stop) in run.stops.iter().enumerate() {
            let item = &harness.items[stop.item];
            let class = match item.compartment {
                Some(Compartment::Mains) => "mains",
                Some(Compartment::Low) => "low",
                None => "out",
            };
            let middle = MARGIN + 14.0;
            page.rect(Rect::new(MARGIN, y, BOX[0], BOX[1]), class);
            page.symbol(stop.symbol, Point::new(middle, y + BOX[1] / 2.0), true);
            let text_x = MARGIN + 22.0;
            let most = BOX[0] - 23.0;
            page.fitted(text_x, y + 0.9, TEXT, true, Align::Left, &item.name, most);
            let terminals = if stop.enters == stop.leaves {
                stop.enters.clone()
            } else {
                format!("{} / {}", stop.enters, stop.leaves)
            };
            page.fitted(text_x, y + 5.2, TEXT, false, Align::Left, &terminals, most);
            y += BOX[1];
            for stub in &stop.stubs {
                let wire = &harness.wires[*stub];
                page.wire(Point::new(MARGIN + 24.0, y), Point::new(MARGIN + 24.0, y + 4.2), wire.colour);
                // Beside the wire of the run, which goes on to the left of it.
                page.fitted(
                    MARGIN + 26.5,
                    y + 0.5,
                    2.6,
                    false,
                    Align::Left,
                    &sideways(harness, wire),
                    inner - 27.0,
                );
                if run.wires.get(i).is_some() {
                    let colour = harness.wires[run.wires[i]].colour;
                    page.wire(Point::new(middle, y), Point::new(middle, y + 4.4), colour);
                }
                y += 4.4;
            }
            if let Some(wire) = run.wires.get(i) {
                let wire = &harness.wires[*wire];
                page.wire(Point::new(middle, y), Point::new(middle, y + WIRE), wire.colour);
                let [first, second] = words(wire);
                page.fitted(
                    middle + 3.0,
                    y + WIRE / 2.0 - 1.9,
                    TEXT,
                    false,
                    Align::Left,
                    &format!("{first}  {second}"),
                    inner - 18.0,
                );
                y += WIRE;
            }
        }
        y += 2.0;
    }
    y += 4.0;
    for line in foot(harness).iter().skip(electrics::harness::CAUTIONS.len()) {
        y = page.paragraph(MARGIN, y, TEXT, line, inner) + 0.8;
    }
    page.size = [WIDE, y + MARGIN];
    page.description = format!("{} rungs from source to return, one below the other", harness.runs.len());
    page
}

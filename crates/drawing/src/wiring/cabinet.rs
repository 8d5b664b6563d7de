//! The enclosure from the front, to scale: compartments, what sits in each, ducts; a key beside it.

use electrics::harness::{CAUTIONS, Harness, Item};
use system::System;
use system::electrics::Compartment;

use super::page::{LEAST, Page};
use crate::sheet::{Align, Point, Rect};
use crate::text::{LEADING, clean, width};

const PAPER: [f64; 2] = [297.0, 210.0];
const MARGIN: f64 = 8.0;
/// Width of the key, mm.
const KEY: f64 = 112.0;
/// An enclosure when none is described, m (assumed).
const USUAL: [f64; 2] = [0.5, 0.4];
/// Numbers of items, mm.
const NUMBER: f64 = 2.4;
/// Duct between rows and air around items, m.
const DUCT: f64 = 0.025;
const AIR: f64 = 0.006;

pub(super) fn page(system: &System, harness: &Harness) -> Page {
    let mut page = Page::new(PAPER, format!("Enclosure of {}", clean(&system.name)));
    let title = page.title.clone();
    page.fitted(MARGIN, MARGIN - 1.0, 3.6, true, Align::Left, &title, 150.0);
    let described = system.electrics.enclosure.as_ref();
    let inside = described.map_or(USUAL, |enclosure| [enclosure.inside[0], enclosure.inside[1]]);
    let divided = described.is_none_or(|enclosure| enclosure.divided);
    let wide = PAPER[0] - 2.0 * MARGIN - KEY - 4.0;
    let tall = PAPER[1] - 2.0 * MARGIN - 9.0 - 28.0;
    let scale = f64::min(wide / inside[0], tall / inside[1]);
    let (left, top) = (MARGIN, MARGIN + 9.0);
    let box_size = [inside[0] * scale, inside[1] * scale];
    page.rect(Rect::new(left, top, box_size[0], box_size[1]), "frame");
    let side = |compartment: Compartment| -> Vec<(usize, &Item)> {
        let mut all: Vec<(usize, &Item)> = (harness.items.iter())
            .filter(|item| item.compartment == Some(compartment) && item.size[0] > 0.0)
            .enumerate()
            .collect();
        all.sort_by(|a, b| b.1.size[1].total_cmp(&a.1.size[1]).then(a.0.cmp(&b.0)));
        all
    };
    let area = |items: &[(usize, &Item)]| -> f64 {
        items.iter().map(|(_, item)| (item.size[0] + AIR) * (item.size[1] + DUCT)).sum()
    };
    let (mains, low) = (side(Compartment::Mains), side(Compartment::Low));
    let whole = area(&mains) + area(&low);
    let share = if whole > 0.0 { (area(&mains) / whole).clamp(0.25, 0.75) } else { 0.5 };
    let split = if mains.is_empty() { 0.0 } else { inside[0] * share };
    if split > 0.0 {
        let x = left + split * scale;
        page.line(
            Point::new(x, top),
            Point::new(x, top + box_size[1]),
            if divided { "frame" } else { "alarm" },
        );
    }
    let mut key: Vec<(usize, &Item, bool)> = vec![];
    let mut n = 0;
    for (items, from, to, class, heading) in
        [(&mains, 0.0, split, "mains", "mains"), (&low, split, inside[0], "low", "low voltage")]
    {
        if items.is_empty() {
            continue;
        }
        page.fitted(
            left + from * scale + 1.0,
            top - 3.6,
            2.6,
            true,
            Align::Left,
            heading,
            (to - from) * scale - 2.0,
        );
        let (mut x, mut y, mut row) = (from + AIR, DUCT, 0.0_f64);
        for (_, item) in items {
            if x + item.size[0] + AIR > to && x > from + AIR {
                page.rect(
                    Rect::new(
                        left + (from + AIR) * scale,
                        top + (y + row + AIR / 2.0) * scale,
                        (to - from - 2.0 * AIR) * scale,
                        (DUCT - AIR) * scale,
                    ),
                    "duct",
                );
                y += row + DUCT;
                x = from + AIR;
                row = 0.0;
            }
            n += 1;
            let fits = y + item.size[1] + AIR <= inside[1] && x + item.size[0] <= to;
            key.push((n, item, fits));
            if !fits {
                continue;
            }
            let rect =
                Rect::new(left + x * scale, top + y * scale, item.size[0] * scale, item.size[1] * scale);
            page.rect(rect, class);
            let number = n.to_string();
            let c = rect.centre();
            // On a narrow item it stands above, where the air is.
            if width(&number, NUMBER, true) > rect.w - 0.3 || NUMBER * LEADING > rect.h {
                let size =
                    (width(&number, NUMBER, true) / NUMBER).recip() * ((item.size[0] + AIR) * scale - 0.2);
                let size = size.clamp(LEAST, NUMBER);
                page.text(c.x, rect.y - size * LEADING, size, true, Align::Middle, &number);
            } else {
                page.text(c.x, c.y - NUMBER * LEADING / 2.0, NUMBER, true, Align::Middle, &number);
            }
            x += item.size[0] + AIR;
            row = row.max(item.size[1]);
        }
    }
    draw_key(&mut page, &key, described.is_some());
    let mut y = PAPER[1] - MARGIN - 24.0;
    page.line(Point::new(MARGIN, y - 1.0), Point::new(PAPER[0] - MARGIN - KEY - 4.0, y - 1.0), "alarm");
    for line in CAUTIONS {
        y = page.paragraph(MARGIN, y, 2.0, line, PAPER[0] - 2.0 * MARGIN - KEY - 6.0) + 0.3;
    }
    page.description = format!("{} items in the enclosure, mains to the left", key.len());
    page
}

/// The numbers with names, in two columns where one is too long.
fn draw_key(page: &mut Page, key: &[(usize, &Item, bool)], is_described: bool) {
    let x = PAPER[0] - MARGIN - KEY;
    let mut y = MARGIN;
    if !is_described {
        y = page.paragraph(x, y, 2.2, "No enclosure is described: 500 x 400 mm assumed.", KEY) + 1.0;
    }
    let room = PAPER[1] - MARGIN - y - 4.0;
    let n_columns = if key.len() as f64 * 3.3 > room { 2 } else { 1 };
    let per_column = key.len().div_ceil(n_columns).max(1);
    let step = (room / per_column as f64).min(4.2);
    let size = (step / 1.3).clamp(1.7, 2.4);
    let column = KEY / n_columns as f64;
    let mut missing = 0;
    for (i, (number, item, fits)) in key.iter().enumerate() {
        let (c, r) = (i / per_column, i % per_column);
        let at = x + c as f64 * column;
        missing += usize::from(!fits);
        let mark = if *fits { "" } else { " (no room)" };
        page.text(at + 5.0, y + r as f64 * step, size, true, Align::Right, &number.to_string());
        let text = if n_columns == 1 {
            format!("{}{mark}: {}", item.name, item.title)
        } else {
            format!("{}{mark}", item.name)
        };
        page.fitted(at + 6.5, y + r as f64 * step, size, false, Align::Left, &text, column - 8.0);
    }
    if missing > 0 {
        let y = PAPER[1] - MARGIN - 3.0;
        page.text(
            x,
            y,
            2.2,
            true,
            Align::Left,
            &format!("{missing} items find no room: a larger enclosure."),
        );
    }
}

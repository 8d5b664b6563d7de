//! The wiring of a system as drawings: rungs of a ladder on A4 sheets, the same rungs one below the other for a phone, and the enclosure
//! from the front.
//!
//! Contract: every wire is a straight line between two stops with its number, colour, cross-section and length beside it, so it can be
//! followed with a finger; no two texts of a page overlap or leave it; each page carries legend and cautions.

mod cabinet;
mod ladder;
mod page;
mod phone;

pub use page::{Page, PlacedText};

use electrics::harness::{CAUTIONS, FUNCTIONS, Function, Harness, Symbol, Wire, colour_name};
use system::System;

/// The rungs on A4 sheets, landscape.
pub fn sheets(system: &System, harness: &Harness) -> Vec<Page> {
    ladder::sheets(system, harness)
}

/// The rungs on one long page as wide as a phone.
pub fn phone(system: &System, harness: &Harness) -> Page {
    phone::page(system, harness)
}

/// The enclosure from the front, door open.
pub fn cabinet(system: &System, harness: &Harness) -> Page {
    cabinet::page(system, harness)
}

/// Screen and print colours of the codes of IEC 60757.
fn shade(code: &str) -> &'static str {
    match code {
        "BK" => "#1a1a1a",
        "BN" => "#7a4a21",
        "RD" => "#c8102e",
        "OG" => "#ee7f00",
        "YE" => "#f5d000",
        "GN" => "#1a8f3c",
        "BU" => "#1f6fc4",
        "VT" => "#7a3fa0",
        "GY" => "#8a8d90",
        "WH" => "#ffffff",
        "PK" => "#f29ab8",
        "TQ" => "#20b2aa",
        _ => "#000000",
    }
}

/// Functions that occur, with colour and title, for a legend.
fn legend(system: &System, harness: &Harness) -> Vec<(&'static str, String)> {
    let volts = system.mains_volts.unwrap_or(230.0);
    let used = |function: &&Function| harness.wires.iter().any(|wire| wire.function == **function);
    FUNCTIONS
        .iter()
        .filter(used)
        .map(|function| {
            let code = function.colour(volts);
            (code, format!("{code} {}: {}", colour_name(code), function.title()))
        })
        .collect()
}

/// The two lines beside a wire.
fn words(wire: &Wire) -> [String; 2] {
    let about = if wire.is_assumed && wire.cable.is_some() { "~" } else { "" };
    [format!("{} {}", wire.id, wire.colour), format!("{} mm² {about}{:.1} m", wire.mm2, wire.length_m)]
}

/// A wire that leaves sideways.
fn sideways(harness: &Harness, wire: &Wire) -> String {
    let [first, second] = words(wire);
    format!("{} {first} {second} to {}", wire.from.name, harness.terminal(&wire.to))
}

/// Texts at the foot of every page.
fn foot(harness: &Harness) -> Vec<String> {
    let mut all: Vec<String> = CAUTIONS.iter().map(|line| (*line).to_owned()).collect();
    all.push("F: fuse, K: relay, X and P: terminals. A broken edge: outside of the enclosure.".to_owned());
    all.push(
        "Colours of low voltage are this sheet's own scheme (codes: IEC 60757). ~ is an assumed length: measure before cutting."
            .to_owned(),
    );
    all.extend(harness.notes.iter().cloned());
    all
}

/// Width of a stop on a ladder, mm.
fn stop_width(symbol: Symbol) -> f64 {
    match symbol {
        Symbol::Bar => 25.0,
        Symbol::Fuse => 19.0,
        _ => 33.0,
    }
}

//! What a board is: its wiring as drawings and rungs, its program as rules, bytes and a listing.

use control::Compiled;
use electrics::harness::{CAUTIONS, Function, Harness, Symbol, Wire, colour_name};
use serde::Serialize;
use serde_json::{Value, json};
use system::System;
use toml_edit::{DocumentMut, Item, Table};

use crate::edit::{self, Edit};
use crate::look::Finding;
use crate::{Beside, figures};

/// The wiring of a system.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Wiring {
    /// All rungs on one page as wide as a phone. Not there: the system does not fit its board, and a finding says why.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub svg: Option<String>,
    /// The same on A4 sheets, then the enclosure from the front.
    pub sheets: Vec<SheetView>,
    /// Every rung with its stops and wires.
    pub runs: Vec<Value>,
    /// What belongs on each drawing.
    pub notes: Vec<String>,
    /// What must stand beside whatever has to do with the mains.
    pub cautions: Vec<&'static str>,
    /// What the checks of the electrics found.
    pub findings: Vec<Finding>,
}

/// One page.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SheetView {
    /// What it shows.
    pub title: String,
    /// The drawing.
    pub svg: String,
}

/// The wiring of a system whose text this is.
pub fn wiring(system: &System, text: &str) -> Wiring {
    let checked = electrics::check(system, None);
    let mut wiring = Wiring {
        svg: None,
        sheets: vec![],
        runs: vec![],
        notes: vec![],
        cautions: CAUTIONS.to_vec(),
        findings: checked.findings.iter().map(|finding| Finding::new(finding, text)).collect(),
    };
    if let Some(plan) = electrics::plan_of(&checked.outcome) {
        let harness = electrics::harness::harness(system, plan);
        let sheets = drawing::wiring::sheets(system, &harness);
        let cabinet = drawing::wiring::cabinet(system, &harness);
        wiring.svg = Some(drawing::wiring::phone(system, &harness).to_svg(Some("100%")));
        wiring.sheets = (sheets.iter().chain([&cabinet]))
            .map(|page| SheetView { title: page.title.clone(), svg: page.to_svg(Some("100%")) })
            .collect();
        wiring.runs = harness.runs.iter().map(|run| rung(&harness, run)).collect();
        wiring.notes = harness.notes;
    }
    wiring
}

fn rung(harness: &Harness, run: &electrics::harness::Run) -> Value {
    let stops: Vec<Value> = (run.stops.iter())
        .map(|stop| {
            let item = &harness.items[stop.item];
            json!({
                "item": item.name, "title": item.title, "symbol": symbol(stop.symbol), "enters": stop.enters, "leaves": stop.leaves,
                "stubs": stop.stubs.iter().map(|w| wire(harness, &harness.wires[*w])).collect::<Vec<_>>(),
            })
        })
        .collect();
    let wires: Vec<Value> = run.wires.iter().map(|w| wire(harness, &harness.wires[*w])).collect();
    json!({ "group": run.group, "title": run.title, "stops": stops, "wires": wires })
}

fn wire(harness: &Harness, wire: &Wire) -> Value {
    let function: Function = wire.function;
    json!({
        "id": wire.id, "from": harness.terminal(&wire.from), "to": harness.terminal(&wire.to), "function": function.title(),
        "is_mains": function.is_mains(), "colour": wire.colour, "colour_name": colour_name(wire.colour), "mm2": wire.mm2,
        "length_m": (wire.length_m * 100.0).round() / 100.0, "is_assumed": wire.is_assumed, "cable": wire.cable,
    })
}

fn symbol(symbol: Symbol) -> &'static str {
    match symbol {
        Symbol::Bar => "bar",
        Symbol::Fuse => "fuse",
        Symbol::ContactOpen => "contact-open",
        Symbol::ContactClosed => "contact-closed",
        Symbol::Electronic => "electronic",
        Symbol::Coil => "coil",
        Symbol::Resistor => "resistor",
        Symbol::Motor => "motor",
        Symbol::Lamp => "lamp",
        Symbol::Switch => "switch",
        Symbol::Module => "module",
        Symbol::Source => "source",
    }
}

/// The program of a board.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Program {
    /// The rules as the file writes them.
    pub rules: Vec<RuleView>,
    /// Bytes of the whole.
    pub bytes: usize,
    /// Bytes that a trial of it may have on this board. Not there: the chip is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity: Option<usize>,
    /// What it needs of memory.
    pub slots: Slots,
    /// As the board names it.
    pub revision: String,
    /// Each operation with its bytes and what it does.
    pub listing: String,
}

/// What a program needs of memory.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Slots {
    /// Numbers.
    pub numbers: usize,
    /// Bits.
    pub bits: usize,
    /// Operations.
    pub operations: usize,
    /// What it reads.
    pub inputs: usize,
    /// What it drives.
    pub outputs: usize,
}

/// One rule.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct RuleView {
    /// What it drives.
    pub id: String,
    /// Its lines.
    pub text: String,
    /// Bytes that the program is shorter without it. Not there: it cannot be taken away alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bytes: Option<usize>,
}

/// The program of a system whose text this is.
pub fn program(
    system: &System,
    text: &str,
    beside: &Beside,
    compiled: &Compiled,
    revision: String,
) -> Program {
    let toml = text.parse::<DocumentMut>().unwrap_or_default();
    let written = toml.get("rule").and_then(Item::as_array_of_tables);
    let rules = (system.rules.iter())
        .map(|rule| {
            let id = system.actuators[rule.drives.idx()].name.clone();
            let of = |table: &&Table| table.get("drives").and_then(Item::as_str) == Some(id.as_str());
            let lines = written.and_then(|all| all.iter().find(of)).map_or_else(String::new, |table| {
                let lines = table.iter().filter(|(key, _)| *key != "drives");
                lines.map(|(key, value)| format!("{key} = {}\n", plain(value))).collect()
            });
            RuleView { bytes: bytes_of(text, beside, compiled, &id), id, text: lines }
        })
        .collect();
    Program {
        rules,
        bytes: compiled.bytes.len(),
        capacity: figures::capacity_of(system),
        slots: Slots {
            numbers: usize::from(compiled.sizes.n_numbers),
            bits: usize::from(compiled.sizes.n_bits),
            operations: usize::from(compiled.sizes.n_ops),
            inputs: compiled.inputs.len(),
            outputs: compiled.drives.iter().flatten().count(),
        },
        revision,
        listing: compiled.listing.clone(),
    }
}

/// A value without the comment behind it.
fn plain(value: &Item) -> String {
    match value.as_value() {
        Some(value) => {
            let mut value = value.clone();
            value.decor_mut().clear();
            value.to_string()
        }
        None => value.to_string().trim().to_owned(),
    }
}

/// What a rule takes: the program with it less the program without it. Shared operations count to no single rule.
fn bytes_of(text: &str, beside: &Beside, compiled: &Compiled, drives: &str) -> Option<usize> {
    let shorter = edit::apply(text, &[Edit::Remove { path: format!("rule.{drives}") }], beside).ok()?;
    let shorter = control::compile(&beside.load(&shorter).system?).ok()?;
    compiled.bytes.len().checked_sub(shorter.bytes.len())
}

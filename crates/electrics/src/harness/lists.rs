//! Lists for the bench: what to cut, what to buy, which connector, which label, what to measure in which order.

use std::collections::BTreeMap;

use system::System;
use system::electrics::Compartment;
use system::model::{ActuatorIdx, SensorIdx, SupplyIdx};
use system::parts::{Component, ComponentKind};

use super::items::ItemKind;
use super::{CAUTIONS, Harness, Symbol, colour_name};
use crate::laws::copper::awg_of;

/// Cables and wires to cut.
#[derive(Clone, PartialEq, Debug)]
pub struct CutLine {
    /// Colour code, or the number of cores of a cable.
    pub what: String,
    /// 1 for a single wire.
    pub n_cores: usize,
    /// For the mains.
    pub is_mains: bool,
    /// mm².
    pub mm2: f64,
    /// AWG.
    pub awg: u8,
    /// Length of a piece, m.
    pub length_m: f64,
    /// Number of pieces.
    pub n: usize,
    /// Wires or cable that they are for.
    pub names: Vec<String>,
}

/// What to cut, the longest first. Cores of one cable are cut as one.
pub fn cut_list(harness: &Harness) -> Vec<CutLine> {
    let mut lines: Vec<CutLine> = vec![];
    let mut cables: BTreeMap<&str, Vec<&super::Wire>> = BTreeMap::new();
    for wire in &harness.wires {
        match &wire.cable {
            Some(cable) => cables.entry(cable).or_default().push(wire),
            None => {
                let same = lines.iter_mut().find(|line| {
                    line.what == wire.colour && line.mm2 == wire.mm2 && line.length_m == wire.length_m
                });
                match same {
                    Some(line) => {
                        line.n += 1;
                        line.names.push(wire.id.clone());
                    }
                    None => lines.push(CutLine {
                        what: wire.colour.to_owned(),
                        n_cores: 1,
                        is_mains: wire.function.is_mains(),
                        mm2: wire.mm2,
                        awg: awg_of(wire.mm2),
                        length_m: wire.length_m,
                        n: 1,
                        names: vec![wire.id.clone()],
                    }),
                }
            }
        }
    }
    for (cable, wires) in cables {
        let mm2 = wires.iter().map(|wire| wire.mm2).fold(0.0, f64::max);
        lines.push(CutLine {
            what: format!("cable, {} cores", wires.len()),
            n_cores: wires.len(),
            is_mains: wires.iter().any(|wire| wire.function.is_mains()),
            mm2,
            awg: awg_of(mm2),
            length_m: wires.iter().map(|wire| wire.length_m).fold(0.0, f64::max),
            n: 1,
            names: vec![cable.to_owned()],
        });
    }
    lines.sort_by(|a, b| {
        b.length_m.total_cmp(&a.length_m).then(b.mm2.total_cmp(&a.mm2)).then(a.names.cmp(&b.names))
    });
    lines
}

/// One line of the bill of materials.
#[derive(Clone, PartialEq, Debug)]
pub struct BillLine {
    /// How many.
    pub n: usize,
    /// What.
    pub title: String,
    /// What for.
    pub names: Vec<String>,
    /// Sum of the prices that the file gives. None: none is given.
    pub price: Option<f64>,
}

impl BillLine {
    fn add(&mut self, name: &str, price: Option<f64>) {
        self.n += 1;
        self.names.push(name.to_owned());
        if let Some(price) = price {
            *self.price.get_or_insert(0.0) += price;
        }
    }
}

/// What to buy: parts by kind, connectors, wires by the metre with a tenth more than is cut.
pub fn bill(system: &System, harness: &Harness) -> Vec<BillLine> {
    let mut lines: BTreeMap<(ItemKind, &str), BillLine> = BTreeMap::new();
    for item in harness.items.iter().filter(|item| item.kind != ItemKind::Outlet) {
        let line = lines.entry((item.kind, &item.title)).or_insert_with(|| BillLine {
            n: 0,
            title: item.title.clone(),
            names: vec![],
            price: None,
        });
        line.add(&item.name, item.price);
    }
    let mut all: Vec<BillLine> = lines.into_values().collect();
    let mut plugs: BTreeMap<&str, BillLine> = BTreeMap::new();
    let of_cables = connectors(system, harness);
    for cable in &of_cables {
        let line = plugs.entry(&cable.connector).or_insert_with(|| BillLine {
            n: 0,
            title: format!("Connector: {}", cable.connector),
            names: vec![],
            price: None,
        });
        line.add(&cable.name, cable.price);
    }
    all.extend(plugs.into_values());
    // Cross-sections as whole hundredths of a mm² can be sorted.
    let mut metres: BTreeMap<(usize, bool, String, u32), f64> = BTreeMap::new();
    for line in cut_list(harness) {
        let hundredths = (line.mm2 * 100.0).round() as u32;
        *metres.entry((line.n_cores, line.is_mains, line.what, hundredths)).or_default() +=
            line.length_m * line.n as f64;
    }
    for ((n_cores, is_mains, what, hundredths), metres) in metres {
        let n = (metres * 1.1).ceil() as usize;
        let mm2 = f64::from(hundredths) / 100.0;
        let part = system.library.wire(n_cores, mm2, is_mains);
        let kind = if is_mains { "mains" } else { "low voltage" };
        let title = part.map_or_else(|| format!("{kind}, {n_cores} x {mm2} mm²"), |part| part.title.clone());
        let colour = if n_cores == 1 { format!(", {what} {}", colour_name(&what)) } else { String::new() };
        all.push(BillLine {
            n,
            title: format!("m of {title} (AWG {}){colour}", awg_of(mm2)),
            names: vec![],
            price: part.and_then(|part| part.value("price")).map(|price| price * n as f64),
        });
    }
    all
}

/// One connector with its contacts.
#[derive(Clone, PartialEq, Debug)]
pub struct ConnectorLine {
    /// The thing at its end.
    pub name: String,
    /// What connector.
    pub connector: String,
    /// Its price, where a person's own parts file gives one.
    pub price: Option<f64>,
    /// Contact by contact: number, colour code, terminal at the thing, terminal at the other end, wire.
    pub contacts: Vec<(usize, &'static str, String, String, String)>,
}

/// A connector for each cable that leaves the enclosure.
pub fn connectors(system: &System, harness: &Harness) -> Vec<ConnectorLine> {
    let mut all: Vec<ConnectorLine> = vec![];
    for (n, wire) in harness.wires.iter().enumerate() {
        let Some(cable) = &wire.cable else { continue };
        let at = match all.iter().position(|line| line.name == *cable) {
            Some(at) => at,
            None => {
                let part = connector(system, cable, wire.function.is_mains());
                all.push(ConnectorLine {
                    name: cable.clone(),
                    connector: part.map_or_else(|| "terminal".to_owned(), |part| part.title.clone()),
                    price: part.and_then(|part| part.value("price")),
                    contacts: vec![],
                });
                all.len() - 1
            }
        };
        let near = |item: usize| harness.items[item].name == *cable;
        let (thing, other) = if near(wire.to.item) { (&wire.to, &wire.from) } else { (&wire.from, &wire.to) };
        let number = all[at].contacts.len() + 1;
        all[at].contacts.push((
            number,
            harness.wires[n].colour,
            harness.terminal(thing),
            harness.terminal(other),
            wire.id.clone(),
        ));
    }
    all
}

fn connector<'a>(system: &'a System, name: &str, mains: bool) -> Option<&'a Component> {
    let electrics = &system.electrics;
    let supply = system.supplies.iter().position(|s| s.name == name);
    let fitting = (system.actuators.iter().position(|a| a.name == name))
        .map(|a| electrics.actuator(ActuatorIdx(a)))
        .or_else(|| Some(electrics.sensor(SensorIdx(system.sensors.iter().position(|s| s.name == name)?))))
        .or_else(|| Some(electrics.supply(SupplyIdx(supply?))));
    let said = fitting.and_then(|fitting| fitting.connector.as_deref());
    let word = match (mains, supply) {
        (true, Some(_)) => "mains_feed",
        (true, None) => "mains",
        _ => "signal",
    };
    let usual = || system.library.usual_component(ComponentKind::Connector, word);
    said.and_then(|id| system.library.component(id)).or_else(usual)
}

/// Texts for sleeves and terminals: each wire twice, each terminal once.
pub fn labels(harness: &Harness) -> Vec<(String, String)> {
    let mut all = vec![];
    for wire in &harness.wires {
        all.push((wire.id.clone(), harness.terminal(&wire.from)));
        all.push((wire.id.clone(), harness.terminal(&wire.to)));
    }
    all
}

/// When something is checked. The order is the safety of it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Stage {
    /// Before anything: the cautions.
    Before,
    /// Everything unplugged, nothing in the water: by eye and ohmmeter.
    Dead,
    /// Low voltage alone, loads unplugged, nothing in the water.
    Low,
    /// Mains with a lamp or empty sockets in place of each load, nothing in the water.
    MainsDry,
    /// In the water, somebody beside it.
    Wet,
}

impl Stage {
    /// Heading.
    pub fn title(self) -> &'static str {
        match self {
            Stage::Before => "0. Before anything: read, and tick only what holds",
            Stage::Dead => "1. Nothing plugged in, nothing wet: by eye and ohmmeter",
            Stage::Low => "2. Low voltage alone: mains unplugged, loads unplugged, nothing wet",
            Stage::MainsDry => "3. Mains, dry: a test lamp in place of each load, nothing wet",
            Stage::Wet => "4. Wet: one load after the other, somebody beside it",
        }
    }
}

/// One step of the first power-up.
#[derive(Clone, PartialEq, Debug)]
pub struct CheckStep {
    /// When.
    pub stage: Stage,
    /// What to do, and what must come out.
    pub text: String,
}

/// Point to point, in the safe order.
pub fn checkout(system: &System, harness: &Harness) -> Vec<CheckStep> {
    let mut all = vec![];
    let mut step = |stage: Stage, text: String| all.push(CheckStep { stage, text });
    for caution in CAUTIONS {
        step(Stage::Before, caution.to_owned());
    }
    step(
        Stage::Dead,
        "Pull every plug, take the battery's fuse out; nothing of it hangs in the water.".to_owned(),
    );
    for wire in &harness.wires {
        step(
            Stage::Dead,
            format!(
                "{} {} {} mm²: {} to {}: below 1 ohm; a pull at both ends holds",
                wire.id,
                wire.colour,
                wire.mm2,
                harness.terminal(&wire.from),
                harness.terminal(&wire.to)
            ),
        );
    }
    for item in harness.items.iter().filter(|item| item.kind == ItemKind::Bar) {
        if item.compartment == Some(Compartment::Mains) {
            step(
                Stage::Dead,
                format!("{}: L to N, L to PE, N to PE: above 1 Mohm with all loads unplugged", item.name),
            );
        }
    }
    step(
        Stage::Dead,
        "Any mains terminal to X_0V: above 1 Mohm. No copper is to be seen with the covers on.".to_owned(),
    );
    step(Stage::Dead, "Plus bars to X_0V: no short (above 100 ohm).".to_owned());
    step(
        Stage::Low,
        "The battery's or supply's fuse in, all load fuses out. Plus bars: the right voltage and polarity."
            .to_owned(),
    );
    step(Stage::Low, "X_5V: 4.9 to 5.1 V before board and devices are plugged on.".to_owned());
    for board in &system.boards {
        step(
            Stage::Low,
            format!(
                "`{}` on: its lamp, then nothing clicks while reset is held; no command is given at power-up.",
                board.name
            ),
        );
    }
    for sensor in &system.sensors {
        step(
            Stage::Low,
            format!(
                "`{}`: move, warm or wet it by hand: its value follows; pull its plug: it is bad or falls to its safe side",
                sensor.name
            ),
        );
    }
    for run in harness.runs.iter().filter(|run| run.group == "Commands") {
        let to = run.stops.last().map(|stop| format!("{}:{}", harness.items[stop.item].name, stop.enters));
        step(
            Stage::Low,
            format!("`{}` on by hand: {} acts, no other; off again", run.title, to.unwrap_or_default()),
        );
    }
    for circuit in harness.items.iter().filter(|item| item.kind == ItemKind::Outlet) {
        step(
            Stage::MainsDry,
            format!(
                "`{}` on, load fuses out, doors shut: the RCD holds; its test button opens it",
                circuit.name
            ),
        );
    }
    for run in harness.runs.iter().filter(|run| run.group.starts_with("Mains: ") && run.title != "feed") {
        let contact = run.stops.iter().find(|stop| {
            matches!(stop.symbol, Symbol::ContactOpen | Symbol::ContactClosed | Symbol::Electronic)
        });
        let text = match contact {
            Some(stop) => {
                let rest = if stop.symbol == Symbol::ContactClosed { "live" } else { "dead" };
                format!(
                    "`{}`: its fuse in, a test lamp in its socket: {rest} with the board reset, follows the hand command",
                    run.title
                )
            }
            None => format!("`{}`: its fuse in: live", run.title),
        };
        step(Stage::MainsDry, text);
    }
    step(Stage::MainsDry, "Pull the board's supply: everything falls to its resting side, as the de-energised table of the audit says.".to_owned());
    step(Stage::Wet, "Plugs in, drip loops below the sockets, ground probe or not as planned. Press the RCD's test once more.".to_owned());
    for actuator in &system.actuators {
        step(
            Stage::Wet,
            format!("`{}`: on by hand, it does what it should and the RCD holds; off", actuator.name),
        );
    }
    step(
        Stage::Wet,
        "Lift each float by hand with everything running: what should stop stops. Write date and name."
            .to_owned(),
    );
    all
}

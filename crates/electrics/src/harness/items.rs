//! What has terminals: sources, fuses, cards, boards, devices, probes, loads; and what of it goes into the enclosure.

use system::System;
use system::electrics::Compartment;
use system::model::{ActuatorIdx, SupplyIdx, SupplyKind};
use system::parts::{Component, ComponentKind};

use crate::checks::part_of_supply;
use crate::loads::{self, Class};

/// What an item is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum ItemKind {
    /// Outlet of the house behind its RCD.
    Outlet,
    /// Rail, battery or charger.
    Source,
    /// Terminals that share a potential.
    Bar,
    /// Fuse in its holder.
    Fuse,
    /// Card, single relay, contactor, transistor.
    Switch,
    /// The board.
    Board,
    /// Part on the bus.
    Device,
    /// Sensor.
    Probe,
    /// What draws power.
    Load,
}

/// One item.
#[derive(Clone, PartialEq, Debug)]
pub struct Item {
    /// Its name: of the file where it stands there, else as F1, K2, X3.
    pub name: String,
    /// What it is, for a bill of materials.
    pub title: String,
    /// What it is.
    pub kind: ItemKind,
    /// Where in the enclosure. None: outside.
    pub compartment: Option<Compartment>,
    /// Width and height on the plate, m.
    pub size: [f64; 2],
    /// In the file's currency.
    pub price: Option<f64>,
}

/// Sizes when a component gives none, m (assumed: common modules and rail terminals).
const MODULE: [f64; 2] = [0.045, 0.035];
const FUSE: [f64; 2] = [0.009, 0.06];
const BAR: [f64; 2] = [0.05, 0.045];

pub(super) fn size_of(component: Option<&Component>, usual: [f64; 2]) -> [f64; 2] {
    let value = |key: &str| component.and_then(|component| component.value(key));
    [value("width").unwrap_or(usual[0]), value("height").unwrap_or(usual[1])]
}

/// The price of the fitting, else that of the component in a person's own parts file.
pub(super) fn price(said: Option<f64>, component: Option<&Component>) -> Option<f64> {
    said.or_else(|| component?.value("price"))
}

pub(super) fn bar(name: String, title: &str, compartment: Compartment) -> Item {
    Item {
        name,
        title: title.to_owned(),
        kind: ItemKind::Bar,
        compartment: Some(compartment),
        size: BAR,
        price: None,
    }
}

pub(super) fn fuse(name: String, amps: f64, compartment: Compartment) -> Item {
    let title = format!("Fuse {amps} A slow, in a holder with a cover");
    Item { name, title, kind: ItemKind::Fuse, compartment: Some(compartment), size: FUSE, price: None }
}

pub(super) fn side(class: Class) -> Compartment {
    if class == Class::Mains { Compartment::Mains } else { Compartment::Low }
}

/// Board, devices, cards, supplies, single switches: what the file itself brings into the enclosure.
pub fn inventory(system: &System) -> Vec<Item> {
    let electrics = &system.electrics;
    let mut all = vec![];
    for (b, board) in system.boards.iter().enumerate() {
        let form = system.library.form(&board.chip);
        all.push(Item {
            name: board.name.clone(),
            title: form.map_or_else(|| board.chip.clone(), |form| form.title.clone()),
            kind: ItemKind::Board,
            compartment: Some(Compartment::Low),
            size: form.map_or([0.069, 0.054], |form| form.size),
            price: electrics.board(system::model::BoardIdx(b)).price,
        });
    }
    for (d, device) in system.wiring.devices.iter().enumerate() {
        let part = loads::device(system, d);
        all.push(Item {
            name: device.name.clone(),
            title: part.map_or_else(|| loads::device_word(device.kind).to_owned(), |part| part.title.clone()),
            kind: ItemKind::Device,
            compartment: Some(Compartment::Low),
            size: size_of(part, MODULE),
            price: price(electrics.device(d).price, part),
        });
    }
    for (s, supply) in system.supplies.iter().enumerate() {
        let idx = SupplyIdx(s);
        let fitting = electrics.supply(idx);
        match supply.kind {
            SupplyKind::Card => {
                let part = loads::card(system, idx);
                all.push(Item {
                    name: supply.name.clone(),
                    title: part.map_or_else(|| "Card of switches".to_owned(), |part| part.title.clone()),
                    kind: ItemKind::Switch,
                    compartment: Some(fitting.compartment.unwrap_or(side(loads::card_class(system, idx)))),
                    size: size_of(part, [0.14, 0.055]),
                    price: price(fitting.price, part),
                });
            }
            SupplyKind::Rail { .. } => {
                let part = part_of_supply(system, idx);
                all.push(Item {
                    name: supply.name.clone(),
                    title: part.map_or_else(|| "Power supply".to_owned(), |part| part.title.clone()),
                    kind: ItemKind::Source,
                    compartment: Some(fitting.compartment.unwrap_or(Compartment::Mains)),
                    size: size_of(part, [0.053, 0.09]),
                    price: price(fitting.price, part),
                });
            }
            _ => {}
        }
    }
    for a in 0..system.actuators.len() {
        all.extend(single_switch(system, ActuatorIdx(a)));
    }
    all
}

/// The switch of a load that sits on no card; a contactor's own contacts.
pub(super) fn single_switch(system: &System, actuator: ActuatorIdx) -> Option<Item> {
    let load = &system.actuators[actuator.idx()];
    let is_contactor = load.kind == system::model::ActuatorKind::Contactor;
    let component = if is_contactor {
        system.library.usual_component(ComponentKind::Relay, "contactor")
    } else if loads::card_of(system, load).is_none() {
        loads::switch(system, actuator)
    } else {
        None
    }?;
    let class = if is_contactor { Class::Mains } else { loads::class(system, load.supply, load.kind) };
    Some(Item {
        name: if is_contactor { load.name.clone() } else { format!("switch_{}", load.name) },
        title: component.title.clone(),
        kind: ItemKind::Switch,
        compartment: Some(side(class)),
        size: size_of(Some(component), MODULE),
        price: price(
            is_contactor.then(|| system.electrics.actuator(actuator).price).flatten(),
            Some(component),
        ),
    })
}

//! Lists of the electrics as plain rows, for text, CSV, JSON and the report's page.

use electrics::Facts;
use electrics::assign::{self, Place, Plan, Who};
use electrics::harness::{self, Harness};
use serde_json::{Map, Value};
use system::System;
use system::model::SupplyKind;
use system::wiring::SensorPlace;

use crate::wrap;

/// A list: headings, and rows with a text for each.
pub struct List {
    /// Name in JSON and heading in text.
    pub name: &'static str,
    /// What it is.
    pub title: &'static str,
    /// Headings of the columns, also the keys in JSON.
    pub heads: Vec<&'static str>,
    /// Texts.
    pub rows: Vec<Vec<String>>,
}

/// Blanks before a list and between its columns.
const INDENT: usize = 2;
const GAP: usize = 2;

impl List {
    /// As a table that fits a window. What does not fit is not cut: the widest columns are broken at words, and steps that have stages
    /// stand under them.
    pub fn render(&self, width: usize) -> String {
        if let Some(stage) = self.heads.iter().position(|head| *head == "stage") {
            return self.steps(stage, width);
        }
        let room = width.saturating_sub(INDENT + GAP * self.heads.len().saturating_sub(1));
        let mut widths: Vec<usize> =
            (0..self.heads.len()).map(|column| self.widest(column, |text| vec![text])).collect();
        let words: Vec<usize> = (0..self.heads.len())
            .map(|column| self.widest(column, |text| text.split(' ').collect()))
            .collect();
        while widths.iter().sum::<usize>() > room {
            let shrinks = |column: &usize| widths[*column] > words[*column];
            let Some(column) = (0..widths.len()).filter(shrinks).max_by_key(|column| widths[*column]) else {
                break;
            };
            widths[column] -= 1;
        }
        let gap = if widths.iter().sum::<usize>() > room { 1 } else { GAP };
        let line = |texts: Vec<&str>| -> String {
            let cells: Vec<Vec<String>> =
                texts.iter().zip(&widths).map(|(text, width)| wrap::lines(text, *width)).collect();
            let n_lines = cells.iter().map(Vec::len).max().unwrap_or(0).max(1);
            let row = |n: usize| {
                let mut out = " ".repeat(INDENT);
                for (cell, width) in cells.iter().zip(&widths) {
                    let text = cell.get(n).map_or("", String::as_str);
                    out += &format!("{text:<width$}{:gap$}", "");
                }
                format!("{}\n", out.trim_end())
            };
            (0..n_lines).map(row).collect()
        };
        let rules: Vec<String> = widths.iter().map(|width| "-".repeat(*width)).collect();
        let mut out = line(self.heads.clone()) + &line(rules.iter().map(String::as_str).collect());
        for row in &self.rows {
            out += &line(row.iter().map(String::as_str).collect());
        }
        out
    }

    /// Steps under their stages, each with a box to tick.
    fn steps(&self, stage: usize, width: usize) -> String {
        let text = |row: &[String], head: &str| {
            let column = self.heads.iter().position(|h| *h == head);
            column.and_then(|column| row.get(column)).cloned().unwrap_or_default()
        };
        let mut out = String::new();
        let mut before = "";
        for row in &self.rows {
            let present = row.get(stage).map_or("", String::as_str);
            if present != before {
                let gap = if before.is_empty() { "" } else { "\n" };
                out += &format!("{gap}{}", wrap::hanging(present, width, INDENT));
                before = present;
            }
            out += &wrap::after(
                &format!("  {} {:>3}  ", text(row, "done"), text(row, "n")),
                &text(row, "step"),
                width,
            );
        }
        out
    }

    /// Columns of the widest piece of a column's texts.
    fn widest<'a>(&'a self, column: usize, pieces: impl Fn(&'a str) -> Vec<&'a str>) -> usize {
        let head = self.heads.get(column).copied();
        let texts = self.rows.iter().filter_map(|row| row.get(column)).map(String::as_str).chain(head);
        texts.flat_map(pieces).map(wrap::columns).max().unwrap_or(0)
    }

    /// As CSV (RFC 4180).
    pub fn csv(&self) -> String {
        let quoted = |text: &str| {
            // A cell that begins like a formula would be one in a spreadsheet.
            let text =
                if text.starts_with(['=', '+', '-', '@']) { format!("'{text}") } else { text.to_owned() };
            if text.contains([',', '"', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
        };
        let line = |cells: Vec<String>| cells.iter().map(|cell| quoted(cell)).collect::<Vec<_>>().join(",");
        let mut out = line(self.heads.iter().map(|head| (*head).to_owned()).collect());
        for row in &self.rows {
            out += "\r\n";
            out += &line(row.clone());
        }
        out + "\r\n"
    }

    /// As an array of objects.
    pub fn json(&self) -> Value {
        let object = |row: &Vec<String>| {
            let pairs = self.heads.iter().zip(row);
            Value::Object(
                pairs
                    .map(|(head, text)| ((*head).replace(' ', "_"), text.clone().into()))
                    .collect::<Map<_, _>>(),
            )
        };
        Value::Array(self.rows.iter().map(object).collect())
    }
}

/// Who sits where.
pub fn places(system: &System, plan: &Plan) -> List {
    let rows = plan.placed.iter().filter(|(_, need, _)| need.is_wired()).map(|(who, _, place)| {
        let fixed = match who {
            Who::Sensor(sensor, _) => system.wiring.sensor(*sensor).is_some(),
            Who::Actuator(actuator) => system.wiring.actuator(*actuator).is_some(),
            _ => false,
        };
        let contact = match who {
            Who::Actuator(actuator) => plan.place(Who::Contact(*actuator)),
            _ => None,
        };
        vec![
            assign::owner(system, *who).to_owned(),
            assign::name_of(system, &plan.chip, *place).replace('`', ""),
            contact.map_or(String::new(), |place| contact_name(system, place)),
            if fixed { "file" } else { "planned" }.to_owned(),
        ]
    });
    let mut rows: Vec<Vec<String>> = rows.collect();
    // Further thermometers of a bus take no place of their own, and keys of the remote none at all.
    for (s, sensor) in system.sensors.iter().enumerate() {
        let sensor_idx = system::model::SensorIdx(s);
        if plan.place(Who::Sensor(sensor_idx, 0)).is_some() {
            continue;
        }
        let place = match plan.wiring.sensor(sensor_idx) {
            Some(SensorPlace::OneWire { pin, .. }) => {
                format!("{}, shared", assign::name_of(system, &plan.chip, Place::Pin(*pin)))
            }
            Some(SensorPlace::RemoteKey { code }) => format!("key {code:#x} of the remote"),
            _ => continue,
        };
        rows.push(vec![sensor.name.clone(), place, String::new(), "file".to_owned()]);
    }
    // The address is set by jumpers, so it must be told wherever it comes from.
    for device in system.wiring.devices.iter().filter(|device| device.kind.is_on_i2c()) {
        let said = system.places.find(&format!("device.{}.address", device.name)).is_some();
        let by = if said { "file" } else { "planned" }.to_owned();
        rows.push(vec![
            device.name.clone(),
            format!("bus address {:#04x}", device.address),
            String::new(),
            by,
        ]);
    }
    List { name: "places", title: "Who sits where", heads: vec!["name", "place", "contact", "by"], rows }
}

fn contact_name(system: &System, place: Place) -> String {
    match place {
        Place::Contact(card, channel) => {
            let card = system.supplies.get(card).map_or("an added card", |card| card.name.as_str());
            format!("{card} {}", channel + 1)
        }
        _ => String::new(),
    }
}

/// Budget of each supply.
pub fn power(facts: &Facts) -> List {
    let rows = facts.supplies.iter().map(|s| {
        let limit = s.limit_a.map_or("-".to_owned(), |limit| format!("{limit:.1}"));
        let free =
            s.limit_a.map_or("-".to_owned(), |limit| format!("{:.0} %", 100.0 * (1.0 - s.amps / limit)));
        vec![
            s.name.clone(),
            format!("{:.1}", s.volts),
            format!("{:.0}", s.watts),
            format!("{:.2}", s.amps),
            limit,
            free,
            format!("{:.1}", s.start_a),
            s.leakage_ma.map_or("-".to_owned(), |leak| format!("{leak:.1}")),
            s.hours.map_or("-".to_owned(), |hours| format!("{hours:.0}")),
            s.hours_aged.map_or("-".to_owned(), |hours| format!("{hours:.0}")),
        ]
    });
    List {
        name: "power",
        title: "Power, everything on",
        heads: vec![
            "supply",
            "V",
            "W",
            "A",
            "limit A",
            "free",
            "restart A",
            "to earth mA",
            "hours",
            "hours aged",
        ],
        rows: rows.collect(),
    }
}

/// What pins and lines carry, with every command on.
pub fn carried(facts: &Facts) -> List {
    // An empty sum is -0 (what is added to makes it 0).
    let milli = |amps: f64| format!("{:.0}", (amps * 1e3).round() + 0.0);
    let rows = facts.carried.iter().map(|fact| {
        vec![
            fact.name.clone(),
            milli(fact.gives_a),
            milli(fact.gives_most_a),
            milli(fact.takes_a),
            milli(fact.takes_most_a),
        ]
    });
    List {
        name: "carried",
        title: "What pins and lines carry together, every command on",
        heads: vec!["pins or lines", "give mA", "may give", "take mA", "may take"],
        rows: rows.collect(),
    }
}

/// Which loads sit behind which RCD and fuse.
pub fn protection(system: &System, facts: &Facts) -> List {
    let rows = facts.supplies.iter().filter_map(|fact| {
        let supply = system.supplies.iter().find(|supply| supply.name == fact.name)?;
        let rcd = match supply.kind {
            SupplyKind::Circuit { rcd_a, .. } => rcd_a,
            _ => None,
        };
        let dash = || "-".to_owned();
        Some(vec![
            fact.name.clone(),
            rcd.map_or_else(dash, |rated| format!("{:.0}", rated * 1e3)),
            fact.leakage_ma.map_or_else(dash, |leak| format!("{leak:.1}")),
            fact.limit_a.filter(|_| rcd.is_some()).map_or_else(dash, |amps| format!("{amps}")),
            fact.loads.join(" "),
        ])
    });
    List {
        name: "protection",
        title: "What sits behind which RCD (GFCI)",
        heads: vec!["supply", "RCD mA", "leak mA", "fuse A", "loads"],
        rows: rows.collect(),
    }
}

/// Current, fuse and wire of each load.
pub fn loads(facts: &Facts) -> List {
    let rows = facts.loads.iter().map(|load| {
        vec![
            load.name.clone(),
            load.volts.map_or("-".to_owned(), |volts| format!("{volts:.1}")),
            format!("{:.2}", load.amps),
            format!("{:.1}", load.inrush_a),
            load.fuse_a.map_or("-".to_owned(), |fuse| format!("{fuse}")),
            format!("{}", load.mm2),
            format!("{:.2}", load.drop_v),
            load.circuit.clone().unwrap_or_default(),
        ]
    });
    List {
        name: "loads",
        title: "Loads",
        heads: vec!["load", "V", "A", "inrush A", "fuse A", "mm2", "drop V", "circuit"],
        rows: rows.collect(),
    }
}

/// Each wire with both ends.
pub fn wires(harness: &Harness) -> List {
    let rows = harness.wires.iter().map(|wire| {
        vec![
            wire.id.clone(),
            wire.colour.to_owned(),
            format!("{}", wire.mm2),
            format!("{}", electrics::laws::copper::awg_of(wire.mm2)),
            format!("{:.2}", wire.length_m),
            harness.terminal(&wire.from),
            harness.terminal(&wire.to),
            wire.function.title().to_owned(),
            if wire.cable.is_some() { "ferrule, plug" } else { "ferrules" }.to_owned(),
            if wire.is_assumed && wire.cable.is_some() { "assumed" } else { "" }.to_owned(),
        ]
    });
    List {
        name: "wires",
        title: "Wires",
        heads: vec!["wire", "colour", "mm2", "awg", "m", "from", "to", "for", "ends", "length"],
        rows: rows.collect(),
    }
}

/// What to cut.
pub fn cut(harness: &Harness) -> List {
    let rows = harness::cut_list(harness).into_iter().map(|line| {
        vec![
            line.n.to_string(),
            format!("{:.2}", line.length_m),
            line.what,
            format!("{}", line.mm2),
            line.awg.to_string(),
            line.names.join(" "),
        ]
    });
    List {
        name: "cut",
        title: "Cut list",
        heads: vec!["pieces", "m", "what", "mm2", "awg", "for"],
        rows: rows.collect(),
    }
}

/// What to buy.
pub fn bill(system: &System, harness: &Harness) -> List {
    let money = |price: f64| format!("{price:.2}");
    let lines = harness::bill(system, harness);
    let prices: Vec<f64> = lines.iter().filter_map(|line| line.price).collect();
    let mut rows: Vec<Vec<String>> = (lines.into_iter())
        .map(|line| {
            vec![
                line.n.to_string(),
                line.title,
                line.price.map_or(String::new(), money),
                line.names.join(" "),
            ]
        })
        .collect();
    if !prices.is_empty() {
        let currency = system.electrics.currency.as_deref().unwrap_or_default();
        rows.push(vec![
            String::new(),
            format!("total of the prices given {currency}").trim_end().to_owned(),
            money(prices.iter().sum()),
            String::new(),
        ]);
    }
    List { name: "bill", title: "Bill of materials", heads: vec!["n", "what", "price", "for"], rows }
}

/// Contacts of each connector.
pub fn connectors(system: &System, harness: &Harness) -> List {
    let all = harness::connectors(system, harness);
    let rows = all.into_iter().flat_map(|line| {
        let (name, connector) = (line.name, line.connector);
        line.contacts.into_iter().map(move |(n, colour, thing, other, wire)| {
            // The cable's own name stands before the terminal already.
            let thing = thing.strip_prefix(&format!("{name}:")).map_or(thing.clone(), str::to_owned);
            vec![name.clone(), n.to_string(), colour.to_owned(), thing, other, wire, connector.clone()]
        })
    });
    List {
        name: "connectors",
        title: "Connectors",
        heads: vec!["cable", "contact", "colour", "at the thing", "at the box", "wire", "connector"],
        rows: rows.collect(),
    }
}

/// Texts for sleeves.
pub fn labels(harness: &Harness) -> List {
    let rows = harness::labels(harness).into_iter().map(|(wire, terminal)| vec![wire, terminal]);
    List {
        name: "labels",
        title: "Sleeves: wire number and terminal",
        heads: vec!["wire", "terminal"],
        rows: rows.collect(),
    }
}

/// First power-up, step by step.
pub fn checkout(system: &System, harness: &Harness) -> List {
    let steps = harness::checkout(system, harness);
    let rows = steps.into_iter().enumerate().map(|(i, step)| {
        vec![(i + 1).to_string(), step.stage.title().to_owned(), step.text.replace('`', ""), "[ ]".to_owned()]
    });
    List {
        name: "checkout",
        title: "First power-up",
        heads: vec!["n", "stage", "step", "done"],
        rows: rows.collect(),
    }
}

/// What another board means.
pub fn rewiring(rewiring: &assign::Rewiring) -> List {
    let rows = rewiring.moved.iter().zip(&rewiring.tests).map(|((name, from, to), test)| {
        vec![name.clone(), from.replace('`', ""), to.replace('`', ""), test.replace('`', "")]
    });
    List {
        name: "rewiring",
        title: "Wires that move, and what to test again",
        heads: vec!["name", "from", "to", "test"],
        rows: rows.collect(),
    }
}

//! A parts file of a person's own: every kind of component can stand in it, is used by name or goes before the usual one, and mistakes in
//! it are told.

use std::sync::Arc;

use electrics::assign::{self, Outcome};
use electrics::harness;
use system::parts::Library;

/// One of each kind. The battery is that of the handbook: 18 Ah, 12 V, half depth, 85 %, exponent 1.15.
const PARTS: &str = r#"
[[component]]
id = "my_battery"
kind = "battery"
title = "My battery"
chemistry = "lead acid"
rated_voltage = "12 V"
capacity = "18 Ah"
rated_time = "20 h"
peukert = 1.15
usable = 0.5
efficiency = 0.85
aged = 0.8
cut_off = "10.5 V"
price = 60
source = "tests/reference/battery_runtime.csv"

[[component]]
id = "my_charger"
kind = "supply"
title = "My charger"
efficiency = 0.8
inrush_current = "20 A"
earth_leakage = "0.3 mA"
source = "test"

[[component]]
id = "my_lamp"
kind = "load"
title = "My lamp"
nature = "resistive"
inrush = 12
inrush_time = "20 ms"
power_factor = 1
source = "test"

[[component]]
id = "my_plug"
kind = "connector"
title = "My plug"
rated_current = "5 A"
price = 2.5
source = "test"

[[component]]
id = "my_cable"
kind = "wire"
title = "my cable 2 x 0.5 mm²"
area = "0.5 mm2"
cores = 2
price = 0.8
source = "test"

[[component]]
id = "my_relay"
kind = "relay"
title = "My relay"
rated_resistive = "8 A"
rated_voltage = "60 V"
source = "test"

[[component]]
id = "my_solid"
kind = "solid_state_relay"
title = "My solid-state relay"
minimum_load = "50 mA"
source = "test"

[[component]]
id = "my_transistor"
kind = "transistor"
title = "My transistor"
source = "test"

[[component]]
id = "my_probe"
kind = "probe"
title = "My float"
usual_for = ["float"]
sealed = true
price = 4
source = "test"

[[component]]
id = "my_card"
kind = "card"
title = "My card"
carries = "my_relay"
lines = 4
flyback = true
source = "test"

[[component]]
id = "my_diode"
kind = "suppressor"
title = "My diode"
source = "test"

[[component]]
id = "my_shield"
kind = "stack"
title = "My stacked card"
takes = { ATmega328P = ["PB2"] }
source = "test"

[[component]]
id = "my_expander"
kind = "device"
title = "My expander"
usual_for = ["mcp23017"]
source = "test"

[[component]]
id = "my_holder"
kind = "hardware"
title = "My holder"
source = "test"
"#;

const FILE: &str = r#"
[system]
mains = "230 V"

[[vessel]]
name = "tank"
role = "display"
inside = ["600 mm", "400 mm", "400 mm"]

[[supply]]
name = "circuit"
kind = "circuit"
rcd = "30 mA"
fuse = "10 A"

[[supply]]
name = "store"
kind = "battery"
block = "my_battery"
fed_by = "circuit"

[[supply]]
name = "card"
kind = "card"

[[board]]
name = "board"
chip = "ATmega328P"
power = "0 W"

[[actuator]]
name = "lamp"
kind = "light"
power = "20 W"
supply = "store"
switched_by = "card"

[[sensor]]
name = "swimmer"
kind = "float"
vessel = "tank"
low = "350 mm"
high = "360 mm"
true_when = "above"
closed_when = "below"

[[device]]
name = "more"
kind = "mcp23017"
address = 0x20

[electrics]
stacked = ["my_shield"]

[fitting]
store = { charger = "my_charger", fuse = "5 A" }
card = { part = "my_card" }
lamp = { part = "my_lamp", connector = "my_plug", wire = "0.5 mm2", length = "3 m", suppressor = "my_diode" }
"#;

fn read(parts: &str, file: &str) -> system::Loaded {
    let library = Library::builtin().with_file(parts).expect("the parts file is sound");
    system::load_with(file, &Arc::new(library))
}

#[test]
fn every_kind_of_part_is_taken() {
    let loaded = read(PARTS, FILE);
    let system = loaded.system.unwrap_or_else(|| panic!("{:#?}", loaded.diagnostics));
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    let harness = harness::harness(&system, &plan);
    let bill = harness::bill(&system, &harness);
    let line = |title: &str| {
        bill.iter().find(|line| line.title.contains(title)).unwrap_or_else(|| panic!("{title} in {bill:#?}"))
    };
    for title in ["My battery", "My charger", "My lamp", "My card", "My float", "My expander"] {
        assert_eq!(line(title).n, 1, "{title}");
    }
    assert_eq!(line("My battery").price, Some(60.0));
    assert_eq!(line("My float").price, Some(4.0));
    assert_eq!(line("Connector: My plug").price, Some(2.5));
    // 3 m and a tenth, whole metres: 4 m at 0.8.
    assert_eq!((line("my cable").n, line("my cable").price), (4, Some(3.2)));
    assert!(harness.notes.iter().any(|note| note == "My diode: lamp."), "{:?}", harness.notes);
    let pin = system::parts::Pins::byte("PB2").map(assign::Place::Pin);
    assert!(plan.placed.iter().all(|(_, _, place)| Some(*place) != pin), "the stacked card takes PB2");
}

/// Runtime of the handbook's battery at 20 W: tests/reference/battery_runtime.csv, energy 4.59 h, Peukert 4.08 h; the lesser counts.
#[test]
fn the_runtime_of_a_battery_is_that_of_its_block() {
    let system = read(PARTS, FILE).system.expect("it is sound");
    let table = checks::Table::load("battery_runtime");
    let row =
        table.rows().find(|row| row.f64("C20_Ah") == 18.0 && row.f64("P_load_W") == 20.0).expect("the row");
    let checked = electrics::check(&system, None);
    let store = checked.facts.supplies.iter().find(|supply| supply.name == "store").expect("the battery");
    // The card has no coil current and the board no power: the lamp alone draws.
    assert!((store.watts - 20.0).abs() < 1e-9, "{store:?}");
    let hours = row.f64("t_energy_h").min(row.f64("t_peukert_h"));
    checks::assert_rel(store.hours.expect("a battery"), hours, 1e-6, &row.place());
    checks::assert_rel(store.hours_aged.expect("a block"), 0.8 * hours, 1e-6, &row.place());
}

#[test]
fn mistakes_in_a_parts_file_are_told() {
    for (from, to) in [
        ("kind = \"battery\"", "kind = \"batery\""),
        ("capacity = \"18 Ah\"", "capacity = \"18 V\""),
        ("area = \"0.5 mm2\"", "area = 0.5"),
        ("peukert = 1.15", "puekert = 1.15"),
    ] {
        let text = PARTS.replacen(from, to, 1);
        assert!(Library::builtin().with_file(&text).is_err(), "{to} passes");
    }
    // A part of another kind than the place takes.
    let loaded = read(PARTS, &FILE.replace("block = \"my_battery\"", "block = \"my_plug\""));
    assert!(loaded.diagnostics.iter().any(|finding| finding.id == "wrong-part"), "{:#?}", loaded.diagnostics);
}

//! Each finding: a file that raises it and one that does not; and the page in docs/ is the catalogue.

use std::collections::BTreeSet;

/// A tank with two circuits, a rail and two cards; `fitting` lines and sections come on top.
const BASE: &str = r#"
[system]
mains = "230 V"

[[vessel]]
name = "display"
role = "display"
inside = ["600 mm", "400 mm", "400 mm"]

[[supply]]
name = "c1"
kind = "circuit"
rcd = "30 mA"
fuse = "10 A"

[[supply]]
name = "c2"
kind = "circuit"
rcd = "30 mA"
fuse = "10 A"

[[supply]]
name = "rail"
kind = "rail"
fed_by = "c2"
volts = "12 V"
power = "60 W"

[[supply]]
name = "card"
kind = "card"
fed_by = "rail"

[[supply]]
name = "low"
kind = "card"
fed_by = "rail"

[[board]]
name = "board"
chip = "ATmega328P"
supply = "rail"

"#;

const ENCLOSURE: &str =
    "enclosure = { inside = [\"600 mm\", \"500 mm\", \"150 mm\"], divided = true, vented = true }\n";

fn actuator(name: &str, kind: &str, rest: &str) -> String {
    format!("[[actuator]]\nname = \"{name}\"\nkind = \"{kind}\"\n{}\n\n", rest.replace("; ", "\n"))
}

fn sensor(name: &str, kind: &str, rest: &str) -> String {
    format!("[[sensor]]\nname = \"{name}\"\nkind = \"{kind}\"\n{}\n\n", rest.replace("; ", "\n"))
}

/// A board whose converter has two references; those of the library measure against the supply alone.
const TWO_REFERENCES: &str = r#"
[[chip]]
name = "Two"
flash = 32256
sram = 2048
eeprom = 1024
pins = ["PB0-PB5"]
channels = { ADC0 = [0, "PB0"], ADC1 = [1, "PB1"] }
source = "test"

[[form]]
chip = "Two"
title = "Test"
pin_max = "40 mA"
pin_work = "20 mA"
total = "200 mA"
references = ["5 V", "1.1 V"]
regulator = "300 mA"
width = "20 mm"
height = "20 mm"
source = "test"
"#;

/// Ids that a file raises.
fn ids(text: &str) -> BTreeSet<&'static str> {
    // A card of the person's own stands in a parts file; its input current is that of the mark.
    let own = text.rsplit_once("#own ").map_or("12", |(_, milliamperes)| milliamperes);
    let parts = format!(
        "[[component]]\nid = \"own_card\"\nkind = \"card\"\ntitle = \"Own card\"\nlines = 32\ninput_current = \"{own} mA\"\n\
         mains = true\nsource = \"test\"\n{TWO_REFERENCES}"
    );
    let library = system::parts::Library::builtin().with_file(&parts).expect("the parts file is sound");
    let loaded = system::load_with(text, &std::sync::Arc::new(library));
    let system = loaded.system.unwrap_or_else(|| panic!("{:#?}\n{text}", loaded.diagnostics));
    electrics::check(&system, None).findings.iter().map(|finding| finding.id).collect()
}

/// Things, `[electrics]` lines, `[fitting]` lines, further sections at the end.
fn file(things: &str, electrics: &str, fitting: &str, more: &str) -> String {
    format!("{BASE}{things}[electrics]\n{electrics}\n[fitting]\n{fitting}\n{more}")
}

fn pair(id: &str, bad: &str, good: &str) {
    assert!(electrics::FINDINGS.iter().any(|entry| entry.id == id), "{id} is not in the catalogue");
    let found = ids(bad);
    assert!(found.contains(id), "{id} is not raised, only {found:?}\n{bad}");
    let found = ids(good);
    assert!(!found.contains(id), "{id} is raised all the same\n{good}");
}

const PUMP: &str = "supply = \"c1\"; switched_by = \"card\"; power = \"30 W\"";
const FAN: &str = "supply = \"rail\"; switched_by = \"low\"; power = \"5 W\"";

#[test]
fn contacts() {
    let pump = actuator("p", "pump", PUMP);
    let e = ENCLOSURE;
    pair(
        "contact-without-suppressor",
        &file(&pump, e, "", ""),
        &file(&pump, e, "p = { suppressor = \"snubber\" }", ""),
    );
    let lamp = actuator("l", "light", "supply = \"c1\"; switched_by = \"card\"; power = \"100 W\"");
    pair(
        "contact-overloaded-by-inrush",
        &file(&lamp, e, "", ""),
        &file(&lamp, e, "l = { switch = \"relay_16a_inrush\" }", ""),
    );
    let big = actuator("h", "heater", "supply = \"c1\"; switched_by = \"card\"; power = \"2500 W\"");
    let small = actuator("h", "heater", "supply = \"c1\"; switched_by = \"card\"; power = \"200 W\"");
    pair("contact-overloaded", &file(&big, e, "", ""), &file(&small, e, "", ""));
    pair("circuit-overloaded", &file(&big, e, "", ""), &file(&small, e, "", ""));
    pair("contact-voltage", &file(&pump, e, "p = { switch = \"relay_low\" }", ""), &file(&pump, e, "", ""));
    let little = actuator("l", "light", "supply = \"c1\"; switched_by = \"card\"; power = \"3 W\"");
    let ssr = "l = { switch = \"solid_state_relay_2a\" }";
    pair("ssr-below-minimum-load", &file(&little, e, ssr, ""), &file(&lamp, e, ssr, ""));
    let leaky = "l = { switch = \"solid_state_relay_25a\" }";
    pair("ssr-leaks-through-load", &file(&little, e, leaky, ""), &file(&lamp, e, leaky, ""));
    let hot = actuator("h", "heater", "supply = \"c1\"; power = \"1500 W\"; own_thermostat = \"27 degC\"");
    pair(
        "ssr-too-hot",
        &file(&hot, e, "h = { switch = \"solid_state_relay_25a\" }", ""),
        &file(&small.replace("200 W", "400 W"), e, "h = { switch = \"solid_state_relay_25a\" }", ""),
    );
    pair(
        "coil-without-diode",
        &file(&pump, e, "card = { part = \"bare_relay_card\" }", ""),
        &file(&pump, e, "", ""),
    );
    pair(
        "fails-to-danger",
        &file(&small, e, "h = { switch = \"solid_state_relay_25a\" }", ""),
        &file(
            &small.replace("power", "own_thermostat = \"27 degC\"\npower"),
            e,
            "h = { switch = \"solid_state_relay_25a\" }",
            "",
        ),
    );
    let wiring = |low: bool| format!("[wiring]\np = {{ pin = \"PD4\", active_low = {low} }}\n");
    pair("polarity-mismatch", &file(&pump, e, "", &wiring(false)), &file(&pump, e, "", &wiring(true)));
}

#[test]
fn heaters_and_circuits() {
    let e = ENCLOSURE;
    let heater = |name: &str, circuit: &str, rest: &str| {
        actuator(name, "heater", &format!("supply = \"{circuit}\"; power = \"100 W\"; {rest}"))
    };
    let behind =
        "[[supply]]\nname = \"behind\"\nkind = \"circuit\"\nfed_by = \"c1\"\nthrough = \"master\"\n\n";
    let master = actuator("master", "contactor", "supply = \"rail\"; switched_by = \"low\"; power = \"2 W\"");
    let always = format!(
        "{behind}{master}{}{}",
        heater("a", "behind", "always = true"),
        heater("b", "behind", "always = true")
    );
    let own = format!("{behind}{master}{}{}", heater("a", "behind", ""), heater("b", "behind", ""));
    pair("heaters-on-one-relay", &file(&always, e, "", ""), &file(&own, e, "", ""));
    let two = |second: &str| {
        format!(
            "{}{}",
            heater("a", "c1", "switched_by = \"card\""),
            heater("b", "c2", &format!("switched_by = \"{second}\""))
        )
    };
    pair("heaters-on-one-card", &file(&two("card"), e, "", ""), &file(&two("low"), e, "", ""));
    let mover = |circuit: &str| {
        actuator(
            "m",
            "circulation",
            &format!("supply = \"{circuit}\"; power = \"10 W\"; moves = \"display\""),
        )
    };
    let all = |circuit: &str| format!("{}{}", heater("a", "c1", ""), mover(circuit));
    pair("one-circuit", &file(&all("c1"), e, "", ""), &file(&all("c2"), e, "", ""));
    let spread = format!("{}{}{}", heater("a", "c1", ""), heater("b", "c2", ""), mover("c1"));
    let good = format!("{spread}{}", mover("c2").replace("\"m\"", "\"m2\""));
    pair("pump-and-heater-on-one-breaker", &file(&spread, e, "", ""), &file(&good, e, "", ""));
    let lamp = actuator("l", "light", "supply = \"c1\"; power = \"100 W\"");
    pair("leakage-per-rcd", &file(&lamp, e, "l = { leakage = \"10 mA\" }", ""), &file(&lamp, e, "", ""));
    let many: String = (0..3)
        .map(|i| actuator(&format!("l{i}"), "pump", "supply = \"c1\"; power = \"600 W\"; contact = \"NC\""))
        .collect();
    pair("inrush-trips-breaker", &file(&many, e, "", ""), &file(&many.replace("600 W", "60 W"), e, "", ""));
    let probe = format!("ground_probe = true\n{e}");
    let bare = file(&all("c2"), &probe, "", "").replace("rcd = \"30 mA\"", "rcd = \"300 mA\"");
    pair("ground-probe-without-rcd", &bare, &file(&all("c2"), &probe, "", ""));
    let wave = |wave: &str| format!("c1 = {{ wave = \"{wave}\" }}");
    let pump = actuator("p", "pump", PUMP);
    pair(
        "stepped-wave-stalls-motors",
        &file(&pump, e, &wave("stepped"), ""),
        &file(&pump, e, &wave("sine"), ""),
    );
}

#[test]
fn low_voltage() {
    let e = ENCLOSURE;
    let fan = actuator("f", "fan", FAN);
    let strong = fan.replace("5 W", "70 W");
    pair("rail-overloaded", &file(&strong, e, "", ""), &file(&fan, e, "", ""));
    pair("rail-without-headroom", &file(&fan.replace("5 W", "52 W"), e, "", ""), &file(&fan, e, "", ""));
    let battery =
        "[[supply]]\nname = \"battery\"\nkind = \"battery\"\nvolts = \"12 V\"\ncapacity = \"7 Ah\"\n\n";
    pair(
        "battery-without-fuse",
        &file(battery, e, "", ""),
        &file(battery, e, "battery = { fuse = \"5 A\" }", ""),
    );
    let far = "f = { length = \"20 m\", wire = \"AWG 24\" }";
    pair(
        "wire-drop",
        &file(&fan, e, far, ""),
        &file(&fan, e, "f = { length = \"20 m\", wire = \"1.5 mm2\" }", ""),
    );
    let thin = |area: &str| format!("f = {{ fuse = \"5 A\", wire = \"{area}\" }}");
    pair(
        "wire-thinner-than-fuse",
        &file(&fan, e, &thin("0.14 mm2"), ""),
        &file(&fan, e, &thin("0.75 mm2"), ""),
    );
    let expander = "[[device]]\nname = \"x\"\nkind = \"mcp23017\"\naddress = 0x20\n\n";
    let bus =
        |length: &str, ohm: &str| format!("i2c = {{ length = \"{length}\", pull_up = \"{ohm}\" }}\n{e}");
    let ok = file(expander, &bus("1 m", "4.7 kohm"), "", "");
    pair("i2c-pull-up", &file(expander, &bus("5 m", "10 kohm"), "", ""), &ok);
    pair("i2c-pull-up", &file(expander, &bus("1 m", "1 kohm"), "", ""), &ok);
    pair("i2c-pull-up", &file(expander, &bus("7 m", "2.2 kohm"), "", ""), &ok);
    let three: String = (0..3).map(|i| sensor(&format!("t{i}"), "ds18b20", "")).collect();
    let coded = |pin: &dyn Fn(usize) -> usize| {
        let lines =
            (0..3).map(|i| format!("t{i} = {{ pin = \"PD{}\", rom = \"28-00000000000{i}\" }}\n", pin(i)));
        format!("[wiring]\n{}", lines.collect::<String>())
    };
    let wire = |length: &str, topology: &str| {
        format!("one_wire = {{ length = \"{length}\", topology = \"{topology}\" }}\n{e}")
    };
    pair(
        "one-wire-star",
        &file(&three, &wire("15 m", "star"), "", &coded(&|_| 4)),
        &file(&three, &wire("15 m", "chain"), "", &coded(&|_| 4)),
    );
    // A pin for each is the cure that is told.
    pair(
        "one-wire-star",
        &file(&three, &wire("15 m", "star"), "", &coded(&|_| 4)),
        &file(&three, &wire("15 m", "star"), "", &coded(&|i| 4 + i)),
    );
    pair(
        "one-wire-too-long",
        &file(&three, &wire("90 m", "chain"), "", ""),
        &file(&three, &wire("15 m", "chain"), "", ""),
    );
    let probe = sensor("t", "ds18b20", "vessel = \"display\"");
    pair("probe-not-sealed", &file(&probe, e, "", ""), &file(&probe, e, "t = { sealed = true }", ""));
    let ph = sensor("ph", "ph", "vessel = \"display\"");
    pair(
        "probe-not-isolated",
        &file(&ph, e, "ph = { part = \"ph_amplifier_plain\" }", ""),
        &file(&ph, e, "", ""),
    );
    let two = format!(
        "{}{}",
        sensor("a", "ph", "reference = \"5 V\""),
        sensor("b", "tmp36", "reference = \"1.1 V\"")
    );
    let on_two = |things: &str| file(things, e, "", "").replace("ATmega328P", "Two");
    pair("references-disagree", &on_two(&two), &on_two(&two.replace("1.1 V", "5 V")));
    let odd = sensor("a", "tmp36", "reference = \"1.1 V\"");
    pair("reference-not-offered", &file(&odd, e, "", ""), &file(&odd.replace("1.1 V", "5 V"), e, "", ""));
    let other = "[[supply]]\nname = \"rail24\"\nkind = \"rail\"\nvolts = \"24 V\"\n\n";
    let mixed = format!(
        "{other}{fan}{}",
        actuator("g", "fan", "supply = \"rail24\"; switched_by = \"low\"; power = \"5 W\"")
    );
    pair(
        "connector-fits-two-voltages",
        &file(&mixed, e, "f = { connector = \"barrel_5_5\" }\ng = { connector = \"barrel_5_5\" }", ""),
        &file(&mixed, e, "f = { connector = \"barrel_5_5\" }\ng = { connector = \"round_m12\" }", ""),
    );
    pair(
        "connector-overloaded",
        &file(&fan.replace("5 W", "48 W"), e, "f = { connector = \"barrel_5_5\" }", ""),
        &file(&fan, e, "f = { connector = \"barrel_5_5\" }", ""),
    );
    let dimmed = actuator("d", "light", "supply = \"rail\"; modulated = true; power = \"10 W\"");
    pair(
        "duty-frequency",
        &file(&dimmed, e, "d = { duty_frequency = \"1 kHz\" }", ""),
        &file(&dimmed, e, "d = { duty_frequency = \"25 kHz\" }", ""),
    );
    // What the file fixes on a pin is judged too.
    pair(
        "duty-frequency",
        &file(&dimmed, e, "d = { duty_frequency = \"1 kHz\" }", "[wiring]\nd = { pin = \"PB1\" }\n"),
        &file(&dimmed, e, "d = { duty_frequency = \"30 kHz\" }", "[wiring]\nd = { pin = \"PB1\" }\n"),
    );
}

#[test]
fn enclosure() {
    let pump = actuator("p", "pump", PUMP);
    let with =
        |more: &str| format!("enclosure = {{ inside = [\"600 mm\", \"500 mm\", \"150 mm\"]{more} }}\n");
    let good = file(&pump, &with(", divided = true"), "", "");
    pair("mains-and-low-in-one-compartment", &file(&pump, &with(""), "", ""), &good);
    pair(
        "mains-and-low-in-one-compartment",
        &file(&pump, &with(", divided = true"), "card = { compartment = \"low\" }", ""),
        &file(&pump, &with(", divided = true"), "card = { compartment = \"mains\" }", ""),
    );
    pair("enclosure-would-show", &file(&pump, "", "", ""), &good);
    let tiny =
        file(&pump, "enclosure = { inside = [\"120 mm\", \"100 mm\", \"60 mm\"], divided = true }\n", "", "");
    pair("enclosure-too-small", &tiny, &good);
    let hot = file(&pump, &with(", divided = true, ambient = \"51 degC\""), "", "");
    pair("enclosure-too-hot", &hot, &good);
    pair(
        "plug-too-deep",
        &file(&pump, &with(", divided = true, plug_clearance = \"30 mm\""), "", ""),
        &file(&pump, &with(", divided = true, plug_clearance = \"60 mm\""), "", ""),
    );
    let door =
        |free: &str| with(&format!(", divided = true, door = {{ free = \"{free}\", width = \"600 mm\" }}"));
    pair("door-does-not-open", &file(&pump, &door("400 mm"), "", ""), &file(&pump, &door("700 mm"), "", ""));
}

#[test]
fn places() {
    let e = ENCLOSURE;
    let many = |n: usize| -> String { (0..n).map(|i| actuator(&format!("a{i}"), "other", FAN)).collect() };
    let room = "low = { channels = 64 }";
    pair("does-not-fit", &file(&many(20), e, room, ""), &file(&many(3), e, room, ""));
    pair("no-spare-channel", &file(&many(17), e, room, ""), &file(&many(3), e, room, ""));
    let pump = actuator("p", "pump", PUMP);
    let on = |pin: &str| format!("[wiring]\np = {{ pin = \"{pin}\", active_low = true }}\n");
    pair("pin-moves-at-reset", &file(&pump, e, "", &on("PB5")), &file(&pump, e, "", &on("PB0")));
    let expander =
        |kind: &str| format!("[[device]]\nname = \"x\"\nkind = \"{kind}\"\naddress = 0x20\n\n{pump}");
    let line = "[wiring]\np = { on = \"x\", line = 0 }\n";
    let high = "card = { part = \"solid_state_card\" }";
    pair(
        "line-floats-high",
        &file(&expander("pcf8574"), e, high, line),
        &file(&expander("mcp23008"), e, high, line),
    );
    let coil = actuator("z", "other", "supply = \"rail\"; power = \"1 W\"");
    // Two solid-state inputs of 12 mA each are fine; a group of pins takes no more than its sum.
    let ssrs: String = (0..9)
        .map(|i| {
            actuator(&format!("s{i}"), "light", "supply = \"c1\"; switched_by = \"card\"; power = \"60 W\"")
        })
        .collect();
    let card = "card = { part = \"solid_state_card\", channels = 32 }";
    pair("pin-overloaded", &with_part(&format!("{coil}{ssrs}"), 25), &file(&ssrs, e, card, ""));
    let fourteen: String = (0..14)
        .map(|i| {
            actuator(&format!("s{i}"), "light", "supply = \"c1\"; switched_by = \"card\"; power = \"60 W\"")
        })
        .collect();
    pair("port-group-overloaded", &with_part(&fourteen, 19), &file(&ssrs, e, card, ""));
    let lines: String = (0..14).map(|i| format!("s{i} = {{ on = \"x\", line = {i} }}\n")).collect();
    let device = "[[device]]\nname = \"x\"\nkind = \"mcp23017\"\naddress = 0x20\n\n";
    let all = format!("{device}{fourteen}");
    pair(
        "expander-overloaded",
        &file(&all, e, card, &format!("[wiring]\n{lines}")),
        &file(&all, e, card, ""),
    );
    let votes = format!(
        "{device}{}{}[[signal]]\nname = \"wet\"\nvote = \"1oo2\"\nof = [\"k1\", \"k2\"]\n\n",
        sensor("k1", "leak", ""),
        sensor("k2", "leak", "")
    );
    let fixed = "[wiring]\nk1 = { on = \"x\", line = 0 }\nk2 = { on = \"x\", line = 1 }\n";
    pair("votes-on-one-expander", &file(&votes, e, "", fixed), &file(&votes, e, "", ""));
}

#[test]
fn batteries() {
    let with = |usable: &str| {
        let supply = format!(
            "[[supply]]\nname = \"store\"\nkind = \"battery\"\nblock = \"battery_agm\"\ncapacity = \"18 Ah\"\n{usable}\n\n"
        );
        file(&supply, ENCLOSURE, "store = { fuse = \"5 A\" }", "")
    };
    pair("battery-used-too-deep", &with("usable = \"80 %\""), &with(""));
}

/// The base with a card of the person's own, whose inputs take so many mA when high.
fn with_part(things: &str, milliamperes: usize) -> String {
    let text = file(things, ENCLOSURE, "card = { part = \"own_card\", channels = 32 }", "");
    format!("{text}#own {milliamperes}")
}

/// A file without a word on its electrics gets one note and no judgement.
#[test]
fn what_is_not_said_is_not_judged() {
    let bare = format!("{BASE}{}", actuator("p", "pump", PUMP));
    assert_eq!(ids(&bare), BTreeSet::from(["electrics-would-show"]));
}

#[test]
fn a_stale_lock_is_told() {
    let system = system::load(&format!("{BASE}{}", actuator("p", "pump", PUMP))).system.expect("it is sound");
    let lock = electrics::assign::Lock::read("version = 1\nchip = \"ATmega328P\"\n[place]\ngone = \"PD4\"\n")
        .expect("it reads");
    let found = electrics::check(&system, Some(&lock)).findings;
    assert!(found.iter().any(|finding| finding.id == "lock-stale"));
    assert!(!electrics::check(&system, None).findings.iter().any(|finding| finding.id == "lock-stale"));
}

/// Every kebab-case id that a check gives is in the catalogue and every entry is given somewhere; the page is the catalogue.
/// `UPDATE_FINDINGS=1` writes it anew.
#[test]
fn catalogue_and_page_are_one() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut given = BTreeSet::new();
    for entry in std::fs::read_dir(root.join("src/checks")).expect("the folder is there") {
        let text = std::fs::read_to_string(entry.expect("it is a file").path()).expect("it is text");
        for literal in text.split('"').skip(1).step_by(2) {
            if literal.contains('-')
                && literal.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
                && literal.len() > 3
            {
                given.insert(literal.to_owned());
            }
        }
    }
    let listed: BTreeSet<String> = electrics::FINDINGS.iter().map(|entry| entry.id.to_owned()).collect();
    assert_eq!(given, listed);
    assert!(electrics::FINDINGS.windows(2).all(|pair| pair[0].id < pair[1].id), "sorted");
    let path = root.join("../../docs/electrics-findings.md");
    if std::env::var_os("UPDATE_FINDINGS").is_some() {
        std::fs::write(&path, electrics::page()).expect("the page is written");
    }
    assert_eq!(std::fs::read_to_string(&path).unwrap_or_default(), electrics::page());
}

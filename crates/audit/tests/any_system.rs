//! Any valid system: no panic, only finite numbers, ids all in the catalogue; and files with only boards and rules.

mod common;

use audit::catalogue;
use common::{assert_finite, audit_text, ids};
use proptest::prelude::*;
use system::Level;

#[test]
fn boards_sensors_actuators_and_rules_only() {
    let audit = audit_text(
        "[system]\nname = \"first evening\"\n\
         [[board]]\nname = \"board\"\nchip = \"ATmega328P\"\nwatchdog = true\nwhen_dead = \"release\"\n\
         [[sensor]]\nname = \"temp\"\nkind = \"ds18b20\"\n[[sensor]]\nname = \"temp_2\"\nkind = \"ds18b20\"\n\
         [[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"200 W\"\nown_thermostat = \"27 degC\"\n\
         [[rule]]\ndrives = \"heater\"\nstart = \"temp < 25.2 degC\"\nstop = \"temp > 25.6 degC\"\ntrip = \"temp_2 > 27 degC\"\ntrip_reset = \"by hand\"\nwhen_blind = \"off\"\n\
         [[alarm]]\nname = \"cold\"\nwhen = \"temp < 24 degC\"\npriority = \"high\"\ntext = \"cold\"\n\
         [requirements]\ndefaults = false\n",
    );
    assert!(ids(&audit, Level::Error).is_empty(), "{:?}", audit.findings);
    assert!(ids(&audit, Level::Note).contains(&"geometry-would-show"));
    assert_finite(&audit);
    // What is asked of water is not asked here.
    for id in ids(&audit, Level::Warning) {
        assert_eq!(id, "silence-unnoticed");
    }
}

#[test]
fn nothing_at_all() {
    let audit = audit_text("[system]\nname = \"empty\"\n");
    assert!(!audit.has_findings(), "{:?}", audit.findings);
    assert_eq!(audit.facts.text(), "");
}

/// An accepted finding becomes a note that says why.
#[test]
fn accepted_findings_become_notes() {
    let mut system =
        system::load("[system]\nname = \"t\"\n[[supply]]\nname = \"plug\"\nkind = \"circuit\"\n")
            .system
            .expect("valid");
    assert!(audit::run(&system).has_findings(), "no RCD");
    system.accepted.push(system::model::Accepted {
        part: "plug".into(),
        mode: "no-rcd".into(),
        requirement: "*".into(),
        reason: "fed through a portable RCD".into(),
        minimum_time_s: 0.0,
        procedure: "monthly test".into(),
        review: "2030-01-01".into(),
        corners: vec![],
    });
    let audit = audit::run(&system);
    assert!(!audit.has_findings(), "{:?}", audit.findings);
    let finding = audit.findings.iter().find(|f| f.id == "no-rcd").expect("still told");
    assert!(finding.notes.iter().any(|note| note.contains("portable RCD")), "{:?}", finding.notes);
}

/// Every kebab-case literal that a check gives as an id is in the catalogue, and every entry is given somewhere.
#[test]
fn catalogue_is_complete() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut given = std::collections::BTreeSet::new();
    for file in std::fs::read_dir(folder).expect("src") {
        let path = file.expect("entry").path();
        if path.file_name().is_some_and(|name| name == "catalogue.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("source");
        for literal in text.split('"').skip(1).step_by(2) {
            let kebab = literal.contains('-')
                && literal
                    .split('-')
                    .all(|word| !word.is_empty() && word.bytes().all(|b| b.is_ascii_lowercase()));
            if kebab {
                given.insert(literal.to_owned());
            }
        }
    }
    let listed: std::collections::BTreeSet<String> = catalogue::ALL.iter().map(|e| e.id.to_owned()).collect();
    assert_eq!(given, listed);
    assert!(catalogue::ALL.windows(2).all(|pair| pair[0].id < pair[1].id), "sorted");
    assert!(catalogue::ALL.iter().all(|e| !e.says.is_empty() && !e.basis.is_empty() && !e.cure.is_empty()));
}

/// `UPDATE=1 cargo test -p audit` writes the page anew.
#[test]
fn findings_page_is_the_catalogue() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/findings.md");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, catalogue::page()).expect("docs/findings.md");
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(page, catalogue::page(), "run UPDATE=1 cargo test -p audit");
}

/// A small system from a handful of numbers, with sizes from tiny to absurd.
fn small_system(n: &[f64; 12], flags: u16) -> String {
    let on = |bit: u16| flags >> bit & 1 == 1;
    let mut text = format!(
        "[system]\nname = \"any\"\nunattended = \"{:.1} h\"\n[water]\ntemperature = \"{:.2} degC\"\nsalinity = {:.2}\n",
        n[0] * 100.0,
        18.0 + 10.0 * n[1],
        40.0 * n[2],
    );
    if on(0) {
        text.push_str(&format!(
            "[[climate]]\nname = \"room\"\nday = \"{:.1} degC\"\nnight = \"{:.1} degC\"\nhumidity = {:.2}\nco2 = \"500 ppm\"\n",
            40.0 * n[3],
            40.0 * n[4],
            n[5]
        ));
    }
    let height = 100.0 + 900.0 * n[6];
    text.push_str(&format!(
        "[[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"{:.0} mm\", \"500 mm\", \"{height:.0} mm\"]\nfloor = \"{:.0} mm\"\nlevel = \"{:.1} mm\"\n",
        50.0 + 2000.0 * n[7],
        1500.0 * n[8],
        height * n[9],
    ));
    if on(1) {
        text.push_str(&format!(
            "[livestock]\nvessel = \"display\"\nfish = {{ mass = \"{:.0} g\", demand = \"300 mg/kg/h\" }}\ncoral = {{ area = \"100 cm2\", demand = \"1 umol/cm2/h\" }}\nother = \"1 mg/h\"\n",
            1000.0 * n[10]
        ));
    }
    if on(2) {
        text.push_str(&format!(
            "[[vessel]]\nname = \"sump\"\nrole = \"sump\"\ninside = [\"500 mm\", \"400 mm\", \"400 mm\"]\nlevel = \"{:.0} mm\"\n\
             [[passage]]\nname = \"over\"\nkind = \"weir\"\nfrom = \"display\"\nto = \"sump\"\ncrest = \"{:.0} mm\"\nwidth = \"{:.0} mm\"\n\
             [[passage]]\nname = \"return\"\nkind = \"pumped\"\nfrom = \"sump\"\nto = \"display\"\npump = \"pump\"\nhead0 = \"{:.2} m\"\nflow0 = \"{:.0} L/h\"\nintake = \"50 mm\"\nbore = \"{:.0} mm\"\nlength = \"2 m\"\noutlet = \"{:.0} mm\"\n\
             [[actuator]]\nname = \"pump\"\nkind = \"pump\"\npower = \"20 W\"\nalways = true\nvessel = \"sump\"\nmark = \"50 mm\"\nheats = {{ vessel = \"sump\", share = 0.9 }}\nmoves = \"display\"\n",
            400.0 * n[11],
            height * n[3],
            10.0 + 500.0 * n[4],
            0.1 + 5.0 * n[5],
            10.0 + 10_000.0 * n[10],
            5.0 + 45.0 * n[9],
            height * n[0],
        ));
    }
    if on(2) && on(3) {
        text.push_str(&format!(
            "[[vessel]]\nname = \"fresh\"\nrole = \"reservoir\"\ninside = [\"300 mm\", \"300 mm\", \"500 mm\"]\nfloor = \"{:.0} mm\"\nlevel = \"{:.0} mm\"\n\
             [[passage]]\nname = \"line\"\nkind = \"line\"\nfrom = \"fresh\"\nto = \"sump\"\npump = \"dose\"\nflow = \"{:.3} L/h\"\noutlet = \"{:.0} mm\"\n\
             [[actuator]]\nname = \"dose\"\nkind = \"dosing_pump\"\npower = \"3 W\"\n\
             [[sensor]]\nname = \"float\"\nkind = \"float\"\nvessel = \"sump\"\nlow = \"{:.0} mm\"\nhigh = \"{:.0} mm\"\ntrue_when = \"below\"\n\
             [[rule]]\ndrives = \"dose\"\nwhen = \"float\"\nwhen_blind = \"off\"\n{}",
            1000.0 * n[1],
            500.0 * n[2],
            0.01 + 300.0 * n[7],
            450.0 * n[8],
            200.0 * n[6],
            200.0 * n[6] + 199.0 * n[9],
            if on(4) { "daily_volume = \"5 L\"\nlongest_run = \"1 h\"\nlimit = \"latches\"\n" } else { "" },
        ));
    }
    if on(5) {
        text.push_str(&format!(
            "[[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"{:.0} W\"\nvessel = \"display\"\nmark = \"{:.0} mm\"\nheats = {{ vessel = \"display\", share = 1 }}\n\
             [[sensor]]\nname = \"temp\"\nkind = \"tmp36\"\nvessel = \"display\"\n\
             [[rule]]\ndrives = \"heater\"\nstart = \"temp < 25 degC\"\nstop = \"temp > 25.5 degC\"\nwhen_blind = \"off\"\n",
            1000.0 * n[2],
            height * n[7],
        ));
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
    #[test]
    fn any_small_system(numbers in prop::array::uniform12(0.0f64..=1.0), flags in any::<u16>()) {
        let text = small_system(&numbers, flags);
        if let Some(system) = system::load(&text).system {
            let audit = audit::run(&system);
            assert_finite(&audit);
            for finding in &audit.findings {
                let known = catalogue::ALL.iter().any(|e| e.id == finding.id)
                    || electrics::FINDINGS.iter().any(|e| e.id == finding.id);
                prop_assert!(known, "{}", finding.id);
            }
            let _ = audit.facts.text();
        }
    }
}

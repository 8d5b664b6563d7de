//! Every example of docs/rules.md compiles without a finding beside a plain head, and every finding of the compiler is listed there.

#![allow(clippy::unwrap_used)]

use std::path::Path;

const HEAD: &str = r#"
[system]
name = "documentation"
timezone = "CET-1CEST,M3.5.0,M10.5.0/3"
[[board]]
name = "board"
chip = "ATmega328P"
[[sensor]]
name = "temp"
kind = "ds18b20"
[[sensor]]
name = "second"
kind = "ds18b20"
[[sensor]]
name = "low"
kind = "button"
[[sensor]]
name = "leak"
kind = "leak"
[[actuator]]
name = "heater"
kind = "heater"
[[actuator]]
name = "pump"
kind = "dosing_pump"
[[actuator]]
name = "fan"
kind = "fan"
modulated = true
[[actuator]]
name = "lamp"
kind = "light"
modulated = true
"#;

fn folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn page() -> String {
    std::fs::read_to_string(folder().join("../../docs/rules.md")).unwrap()
}

#[test]
fn examples_compile() {
    let page = page();
    let examples: Vec<&str> =
        page.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    assert!(examples.len() >= 10);
    for example in examples {
        let loaded = system::load(&format!("{HEAD}{example}"));
        let system = loaded.system.unwrap_or_else(|| panic!("{example}\n{:#?}", loaded.diagnostics));
        let compiled =
            control::compile(&system).unwrap_or_else(|findings| panic!("{example}\n{findings:#?}"));
        assert!(compiled.warnings.is_empty(), "{example}\n{:#?}", compiled.warnings);
    }
}

#[test]
fn findings_are_listed() {
    let page = page();
    let mut n_found = 0;
    for entry in std::fs::read_dir(folder().join("src")).unwrap() {
        let source = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        for made in ["Diagnostic::error(", "Diagnostic::warning("] {
            for rest in source.split(made).skip(1) {
                let Some(id) = rest.trim_start().strip_prefix('"').and_then(|rest| rest.split('"').next())
                else {
                    continue;
                };
                n_found += 1;
                assert!(page.contains(&format!("`{id}`")), "docs/rules.md does not list `{id}`");
            }
        }
    }
    assert!(n_found >= 14, "only {n_found} findings were found in the source");
}

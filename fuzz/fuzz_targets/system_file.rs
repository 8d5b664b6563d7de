//! Any bytes as a system file: findings with places inside the text, never a panic; whatever can be shown is shown.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let loaded = system::load(&text);
    assert_eq!(loaded.system.is_some(), !loaded.has_errors());
    for annotation in loaded.diagnostics.iter().flat_map(|finding| &finding.annotations) {
        assert!(text.get(annotation.span.clone()).is_some());
    }
    system::render::plain(&loaded.diagnostics, "system.toml", &text, true);
    system::render::diagnostics_json(&loaded.diagnostics, "system.toml", &text);
    if let Some(system) = &loaded.system {
        system::parts::faults(system);
    }
});

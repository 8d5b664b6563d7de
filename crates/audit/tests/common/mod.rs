//! Small systems as text, and reading what the audit says about them.

#![allow(dead_code, clippy::expect_used)]

use audit::Audit;
use system::Level;

/// Audits a text; the text must be a valid system.
pub fn audit_text(text: &str) -> Audit {
    let loaded = system::load(text);
    let messages: Vec<String> = loaded
        .diagnostics
        .iter()
        .map(|d| format!("{:?} {} {:?} {:?}", d.id, d.message, d.annotations, d.help))
        .collect();
    let system = loaded.system.unwrap_or_else(|| panic!("not a valid system: {messages:#?}\n{text}"));
    audit::run(&system)
}

/// Audits an example of the repository.
pub fn audit_example(path: &str) -> Audit {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples").join(path);
    audit_text(&std::fs::read_to_string(path).expect("example"))
}

/// Ids of the findings at a level.
pub fn ids(audit: &Audit, level: Level) -> Vec<&'static str> {
    audit.findings.iter().filter(|f| f.level == level).map(|f| f.id).collect()
}

/// Whether an id was found at or above a level.
pub fn has(audit: &Audit, id: &str, level: Level) -> bool {
    audit.findings.iter().any(|f| f.id == id && f.level >= level)
}

/// No field is infinite or not a number.
pub fn assert_finite(audit: &Audit) {
    let text = format!("{:?}", audit.facts);
    assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    for finding in &audit.findings {
        let text = format!("{finding:?}");
        assert!(!text.contains("NaN") && !text.contains(" inf"), "{text}");
    }
}

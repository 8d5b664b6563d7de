//! Changes in JSON on the first line, a file behind it: a look answers, whatever they are; a change that is made leaves a file that reads.
#![no_main]

use libfuzzer_sys::fuzz_target;
use workbench::Beside;
use workbench::edit::Edit;
use workbench::look::look;

fuzz_target!(|data: &str| {
    let (edits, text) = data.split_once('\n').unwrap_or(("", data));
    let edits: Vec<Edit> = serde_json::from_str(edits).unwrap_or_default();
    let before = look(text, &[], &Beside::default());
    let after = look(text, &edits, &Beside::default());
    assert!(after.refused.is_none() || after.text == text);
    assert!(before.sheet.is_none() || after.sheet.is_some());
    assert!(before.sheet.is_some() || before.diagnostics.iter().any(|finding| finding.severity == "error"));
});

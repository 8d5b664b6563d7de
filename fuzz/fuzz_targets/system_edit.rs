//! A path, a value and a file, each on its own lines: an edit is refused or gives a file that reads back without new errors; a
//! file that is not edited is written as it was read.
#![no_main]

use libfuzzer_sys::fuzz_target;
use system::document::Document;

fuzz_target!(|data: &str| {
    let mut parts = data.splitn(3, '\n');
    let (Some(path), Some(value), Some(text)) = (parts.next(), parts.next(), parts.next()) else { return };
    let Ok(mut document) = Document::new(text) else { return };
    assert_eq!(document.text(), text);
    let sound = document.load().system.is_some();
    match document.set(path, value) {
        Ok(()) => assert!(!sound || document.load().system.is_some()),
        Err(_) => assert_eq!(document.text(), text),
    }
});

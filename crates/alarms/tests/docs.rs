//! docs/alarms.md lists every check and every setting with its default's reason, and every state.

use alarms::book;
use alarms::watch::{Check, Settings};

#[test]
fn the_page_lists_what_there_is() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/alarms.md");
    let page = std::fs::read_to_string(path).expect("the page is there");
    for check in Check::ALL {
        let row = format!("| `{}` | {} |", check.id(), check.priority().word());
        assert!(page.contains(&row), "{row}");
    }
    let fields = |value: serde_json::Value| match value {
        serde_json::Value::Object(map) => map.into_iter().map(|(name, _)| name).collect::<Vec<_>>(),
        other => unreachable!("{other}"),
    };
    let watch = fields(serde_json::to_value(Settings::default()).expect("serialises"));
    let book = fields(serde_json::to_value(book::Settings::default()).expect("serialises"));
    for name in watch.into_iter().chain(book) {
        assert!(page.contains(&format!("`{name}`")), "setting {name}");
    }
}

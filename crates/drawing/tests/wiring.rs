//! Wiring sheets: no two texts overlap or leave the page, every wire is drawn, cautions and legend stand on every page.

use drawing::wiring::{self, Page};
use electrics::assign::{self, Outcome};
use electrics::harness::{self, CAUTIONS, Harness};
use system::System;

fn example(name: &str) -> (System, Harness) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples").join(name);
    let file = system::load_file(&path);
    let system = file.loaded.system.unwrap_or_else(|| panic!("{:#?}", file.loaded.diagnostics));
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("{name} fits") };
    let harness = harness::harness(&system, &plan);
    (system, harness)
}

fn sound(page: &Page) {
    for (i, a) in page.texts.iter().enumerate() {
        let inside = a.bounds.x >= 0.0
            && a.bounds.y >= 0.0
            && a.bounds.right() <= page.size[0]
            && a.bounds.bottom() <= page.size[1];
        assert!(inside, "{}: `{}` leaves the page: {:?}", page.title, a.text, a.bounds);
        for b in &page.texts[i + 1..] {
            assert!(!a.bounds.overlaps(&b.bounds), "{}: `{}` and `{}` overlap", page.title, a.text, b.text);
        }
    }
    let svg = page.to_svg(None);
    assert!(roxmltree::Document::parse(&svg).is_ok(), "{}", page.title);
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn no_texts_overlap_and_every_wire_is_there() {
    for name in ["harbour-lane/system.toml", "desk-60l/system.toml", "raceway/system.toml"] {
        let (system, harness) = example(name);
        let sheets = wiring::sheets(&system, &harness);
        let phone = wiring::phone(&system, &harness);
        let all = |texts: &[&Page]| -> String {
            texts.iter().flat_map(|page| page.texts.iter().map(|t| format!("{}\n", t.text))).collect()
        };
        let on_sheets = all(&sheets.iter().collect::<Vec<_>>());
        let on_phone = all(&[&phone]);
        for wire in &harness.wires {
            let mark = format!("{} {}", wire.id, wire.colour);
            assert!(on_sheets.contains(&mark) && on_phone.contains(&mark), "{name}: {mark}");
        }
        for page in sheets.iter().chain([&phone, &wiring::cabinet(&system, &harness)]) {
            sound(page);
            let text = all(&[page]).replace('\n', " ");
            for caution in CAUTIONS {
                let first = caution.split_whitespace().take(4).collect::<Vec<_>>().join(" ");
                assert!(text.contains(&first), "{}: {caution}", page.title);
            }
        }
    }
}

//! The page of findings is written from the catalogue; every id that the code gives is in it, and every entry is given somewhere.

use std::collections::BTreeSet;
use std::path::Path;

#[test]
fn findings_page_is_the_catalogue() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/care-findings.md");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, care::page()).expect("docs/care-findings.md");
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(page, care::page(), "run UPDATE=1 cargo test -p care");
}

#[test]
fn catalogue_is_complete() {
    let mut given = BTreeSet::new();
    ids_under(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut given);
    let listed: BTreeSet<String> = care::FINDINGS.iter().map(|e| e.id.to_owned()).collect();
    assert_eq!(given, listed);
    assert!(care::FINDINGS.windows(2).all(|pair| pair[0].id < pair[1].id), "sorted");
}

/// What follows `Diagnostic::error(` and its sisters, on that line or the next.
fn ids_under(folder: &Path, out: &mut BTreeSet<String>) {
    for entry in std::fs::read_dir(folder).expect("sources").flatten() {
        let path = entry.path();
        if path.is_dir() {
            ids_under(&path, out);
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("a source");
        for maker in ["Diagnostic::error(", "Diagnostic::warning(", "Diagnostic::note_level("] {
            for rest in text.split(maker).skip(1) {
                let id = rest.trim_start().strip_prefix('"').and_then(|r| r.split('"').next());
                out.insert(
                    id.unwrap_or_else(|| panic!("{}: an id is no literal", path.display())).to_owned(),
                );
            }
        }
    }
}

//! Runs the Markdown files of `tests/findings`: under each heading a system file and the findings that it must give, word for
//! word. `UPDATE_EXPECT=1 cargo test -p system --test findings` writes what came out into the files, to be read and committed.
#![allow(clippy::expect_used)]

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use system::render;

/// One case of a Markdown file.
struct Case {
    title: String,
    source: String,
    expected: String,
    /// Lines of the expected block in the file.
    lines: std::ops::Range<usize>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/findings")
}

fn files() -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = fs::read_dir(folder())
        .expect("the folder is there")
        .map(|entry| entry.expect("readable").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "md"))
        .collect();
    all.sort();
    assert!(!all.is_empty());
    all
}

fn cases(text: &str) -> Vec<Case> {
    let mut all = vec![];
    let (mut title, mut source) = (String::new(), None);
    let mut fence: Option<(String, String, usize)> = None;
    for (number, line) in text.lines().enumerate() {
        match (&mut fence, line.strip_prefix("```")) {
            (None, Some(language)) => fence = Some((language.to_owned(), String::new(), number + 1)),
            (None, None) => {
                if let Some(heading) = line.strip_prefix("## ") {
                    title = heading.to_owned();
                }
            }
            (Some((_, body, _)), None) => {
                body.push_str(line);
                body.push('\n');
            }
            (Some(_), Some(_)) => {
                let (language, body, start) = fence.take().expect("inside a fence");
                match language.as_str() {
                    "toml" => source = Some(body),
                    "findings" => all.push(Case {
                        title: title.clone(),
                        source: source.take().expect("a toml block stands before the findings"),
                        expected: body,
                        lines: start..number,
                    }),
                    _ => panic!("unknown fence `{language}`"),
                }
            }
        }
    }
    all
}

/// Findings of a source as they are shown; a mark where there are none.
fn shown(source: &str) -> String {
    let loaded = system::load(source);
    if loaded.diagnostics.is_empty() {
        return "nothing wrong\n".to_owned();
    }
    render::plain(&loaded.diagnostics, "system.toml", source, false)
}

#[test]
fn findings_are_as_written() {
    let update = std::env::var_os("UPDATE_EXPECT").is_some();
    let mut wrong = vec![];
    for path in files() {
        let text = fs::read_to_string(&path).expect("readable");
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        for case in cases(&text).into_iter().rev() {
            let got = shown(&case.source);
            if got != case.expected {
                wrong.push(format!("{} / {}\n{got}", path.display(), case.title));
                lines.splice(case.lines, got.lines().map(str::to_owned));
            }
        }
        if update {
            fs::write(&path, lines.join("\n") + "\n").expect("writable");
        }
    }
    assert!(update || wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Findings that need a file on disk; `tests/reading.rs` shows them.
const OF_FILES: &[&str] =
    &["unreadable-file", "not-utf-8", "bad-parts-file", "binary-file", "file-too-large", "bad-effect"];

#[test]
fn every_id_is_listed_shown_and_explained() {
    let listed: Vec<&str> = system::findings::ALL.iter().map(|(id, _)| *id).collect();
    assert!(listed.is_sorted(), "the list is in alphabetical order");

    let mut shown = HashSet::new();
    for path in files() {
        let text = fs::read_to_string(&path).expect("readable");
        for case in cases(&text) {
            shown.extend(system::load(&case.source).diagnostics.iter().map(|finding| finding.id));
        }
    }
    for id in &shown {
        assert!(listed.contains(id), "`{id}` is not in findings::ALL");
    }
    for id in &listed {
        assert!(shown.contains(id) || OF_FILES.contains(id), "no case of tests/findings shows `{id}`");
    }

    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/system-file.md");
    let docs = fs::read_to_string(docs).expect("docs/system-file.md is there");
    for (id, meaning) in system::findings::ALL {
        assert!(
            docs.contains(&format!("| `{id}` | {meaning} |")),
            "docs/system-file.md lacks `{id}`: {meaning}"
        );
    }
}

#[test]
fn every_finding_has_a_place_and_every_error_a_cure() {
    for path in files() {
        let text = fs::read_to_string(&path).expect("readable");
        for case in cases(&text) {
            for finding in system::load(&case.source).diagnostics {
                assert!(!finding.annotations.is_empty(), "{}: {finding:?}", case.title);
                assert!(
                    finding.help.as_ref().is_some_and(|help| !help.is_empty()),
                    "{}: {finding:?}",
                    case.title
                );
                assert!(!finding.message.ends_with('.'), "{}: {finding:?}", case.title);
            }
        }
    }
}

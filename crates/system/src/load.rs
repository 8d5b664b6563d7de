//! Reading a system file from text or disk.

use std::path::Path;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Level};
use crate::model::System;
use crate::parts::Library;
use crate::raw::Sink;
use crate::resolve;

/// What came of reading a file.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The system, if nothing is wrong with the file; warnings and notes may stand beside it.
    pub system: Option<System>,
    /// Everything that was found, in the order of the file.
    pub diagnostics: Vec<Diagnostic>,
}

impl Loaded {
    fn failed(diagnostic: Diagnostic) -> Self {
        Loaded { system: None, diagnostics: vec![diagnostic] }
    }

    /// Whether any finding is an error.
    pub fn has_errors(&self) -> bool {
        self.diagnostics.iter().any(|finding| finding.level == Level::Error)
    }
}

/// What came of reading a file from disk: the text is there for rendering findings, empty when it could not be read.
#[derive(Clone, Debug)]
pub struct LoadedFile {
    /// The text of the file.
    pub source: String,
    /// What it says.
    pub loaded: Loaded,
}

/// The longest file that is read, bytes. Harbour Lane has 20 kB; beyond this somebody has named the wrong file.
pub const LONGEST: usize = 1 << 20;

/// Reads a system file with the built-in parts library. Every mistake of the file is reported in one go.
pub fn load(text: &str) -> Loaded {
    load_with(text, Library::builtin())
}

/// Reads a system file with a parts library.
pub fn load_with(text: &str, library: &Arc<Library>) -> Loaded {
    if text.len() > LONGEST {
        return Loaded::failed(too_large(text.len() as u64));
    }
    if text.contains('\0') {
        return Loaded::failed(binary());
    }
    if text.trim().is_empty() {
        return Loaded::failed(
            Diagnostic::error("empty-file", "the file is empty")
                .at(Some(0..text.len()), "")
                .help("`tidewright new` writes a commented file to begin with"),
        );
    }
    let sink = Sink::new(text);
    let (document, errors) = toml::de::DeTable::parse_recoverable(text);
    for error in &errors {
        sink.report(syntax(error, text));
    }
    if !errors.is_empty() {
        // What a half-read file seems to lack would only hide the cause.
        return Loaded { system: None, diagnostics: sink.into_findings() };
    }
    let system = resolve::resolve(&document, library, &sink);
    let sound = sink.n_errors() == 0;
    Loaded { system: sound.then_some(system), diagnostics: sink.into_findings() }
}

/// Reads a system file from disk, with the parts file that its `[system] parts` names.
pub fn load_file(path: &Path) -> LoadedFile {
    let source = match read_text(path) {
        Ok(source) => source,
        Err(finding) => return LoadedFile { source: String::new(), loaded: Loaded::failed(*finding) },
    };
    let mut library = None;
    if let Some((name, span)) = parts_file(&source) {
        let parts_path = path.parent().unwrap_or(Path::new("")).join(&name);
        match read_text(&parts_path).map(|text| Library::builtin().with_file(&text)) {
            Ok(Ok(with_parts)) => library = Some(Arc::new(with_parts)),
            Ok(Err(findings)) => {
                let mut finding =
                    Diagnostic::error("bad-parts-file", format!("the parts file `{name}` is not right"))
                        .at(Some(span), "")
                        .help("mend the parts file; its form is in docs/system-file.md");
                for inner in &findings {
                    finding = finding.note(format!("{name}: {}", inner.message));
                }
                return LoadedFile { source, loaded: Loaded::failed(finding) };
            }
            Err(finding) => return LoadedFile { source, loaded: Loaded::failed(finding.at(Some(span), "")) },
        }
    }
    let loaded = load_with(&source, library.as_ref().unwrap_or_else(|| Library::builtin()));
    LoadedFile { source, loaded }
}

/// The parts file that a system file names, with the place of the name.
pub fn parts_file(source: &str) -> Option<(String, std::ops::Range<usize>)> {
    let (document, _) = toml::de::DeTable::parse_recoverable(source);
    let system = document.get_ref().get("system")?.get_ref().as_table()?;
    let parts = system.get("parts")?;
    Some((parts.get_ref().as_str()?.to_owned(), parts.span()))
}

/// Reads a text file of bounded size.
fn read_text(path: &Path) -> Result<String, Box<Diagnostic>> {
    let shown = path.display();
    let unreadable = |error: &std::io::Error| {
        let help = match error.kind() {
            std::io::ErrorKind::NotFound => "check the path; `tidewright new` writes a file to begin with",
            std::io::ErrorKind::PermissionDenied => "check who may read the file",
            _ => "name a file that can be read",
        };
        Box::new(Diagnostic::error("unreadable-file", format!("cannot read `{shown}`: {error}")).help(help))
    };
    let meta = std::fs::metadata(path).map_err(|error| unreadable(&error))?;
    if meta.is_dir() {
        return Err(Box::new(
            Diagnostic::error("unreadable-file", format!("`{shown}` is a folder"))
                .help("name the file in it, such as `system.toml`"),
        ));
    }
    if meta.len() > LONGEST as u64 {
        return Err(Box::new(too_large(meta.len())));
    }
    let bytes = std::fs::read(path).map_err(|error| unreadable(&error))?;
    if bytes.len() > LONGEST {
        return Err(Box::new(too_large(bytes.len() as u64)));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        if error.as_bytes().contains(&0) {
            return Box::new(binary());
        }
        Box::new(
            Diagnostic::error(
                "not-utf-8",
                format!("`{shown}` is not UTF-8 text: byte {at} does not belong there"),
            )
            .help("save it as UTF-8, which every editor can"),
        )
    })
}

fn too_large(length: u64) -> Diagnostic {
    Diagnostic::error("file-too-large", format!("the file has {length} bytes"))
        .help(format!("a system file has at most {LONGEST} bytes; is this the right file?"))
}

fn binary() -> Diagnostic {
    Diagnostic::error("binary-file", "this is not a text file")
        .help("name the system file, a TOML text; this looks like an image, an archive or a program")
}

/// The finding of a mistake in the TOML itself.
pub(crate) fn syntax(error: &toml::de::Error, text: &str) -> Diagnostic {
    let span = error.span().unwrap_or(text.len()..text.len());
    let message =
        error.message().lines().next().unwrap_or("this is not TOML").trim_end_matches('.').to_owned();
    let help = if message.contains("duplicate key") {
        "keep one of them"
    } else if message.contains("quote") || message.contains("string") {
        "texts stand in quotes, each closed on its own line: name = \"display\""
    } else {
        "a line is `key = value`; texts and quantities stand in quotes; sections begin with [name] or [[name]]"
    };
    Diagnostic::error("bad-toml", format!("this is not TOML: {message}")).at(Some(span), "").help(help)
}

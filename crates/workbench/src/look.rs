//! What there is to see of a text at once: findings, the section to scale, water lines, figures, and what may be dragged.

use drawing::TitleBlock;
use serde::Serialize;
use serde_json::Value;
use system::render::{level_word, position};
use system::{Diagnostic, Level, System};

use crate::edit::{self, Edit, Refusal};
use crate::figures::Figure;
use crate::handles::Handle;
use crate::{Beside, figures, handles, hash, section};

/// What is to be seen.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Look {
    /// The text, with the changes made.
    pub text: String,
    /// Its name by content.
    pub hash: String,
    /// Why the changes were not made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub refused: Option<Refusal>,
    /// Everything found, the worst first.
    pub diagnostics: Vec<Finding>,
    /// Findings beyond the worst five hundred.
    #[serde(skip_serializing_if = "is_none")]
    pub left_out: usize,
    /// The section, as `section::as_data` gives it. None: the text has errors.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<Value>,
    /// Where the water stands when it matters.
    pub lines: Vec<Line>,
    /// What the design comes to.
    pub figures: Vec<Figure>,
    /// What may be dragged on the section.
    pub handles: Vec<Handle>,
}

/// One finding, as the command line prints it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Finding {
    /// Stable id.
    pub id: &'static str,
    /// `error`, `warning` or `note`.
    pub severity: &'static str,
    /// One sentence without a final period.
    pub message: String,
    /// What would be right.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cure: Option<String>,
    /// The calculation, its source.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// The first place in the text.
    #[serde(rename = "where", skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
    /// Further places.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub more: Vec<Place>,
    /// Names of the parts that it is about.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub about: Vec<String>,
}

/// A place in a text. Lines and columns count from 1, columns in characters; the end is behind the last character.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Place {
    /// First line.
    pub line: usize,
    /// First column.
    pub column: usize,
    /// Last line.
    pub end_line: usize,
    /// Column behind the last character.
    pub end_column: usize,
    /// What is there; may be empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub label: String,
}

/// A water line of a vessel.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Line {
    /// The vessel.
    pub vessel: String,
    /// `running`, `drain_down` (after the pumps stop) or `worst` (the same with break holes grown shut and check valves leaking).
    pub id: &'static str,
    /// Over the vessel's floor, m.
    pub level_m: f64,
    /// It stands at the rim and runs over.
    pub overflows: bool,
    /// In a sentence.
    pub text: String,
}

impl Finding {
    /// Of a diagnostic about this text.
    pub fn new(of: &Diagnostic, text: &str) -> Self {
        let mut places = of.annotations.iter().map(|annotation| {
            let (start, end) = (position(text, annotation.span.start), position(text, annotation.span.end));
            Place {
                line: start.line,
                column: start.column,
                end_line: end.line,
                end_column: end.column,
                label: annotation.label.clone(),
            }
        });
        Finding {
            id: of.id,
            severity: level_word(of.level),
            message: of.message.clone(),
            cure: of.help.clone(),
            notes: of.notes.clone(),
            place: places.next(),
            more: places.collect(),
            about: of.subject.iter().cloned().collect(),
        }
    }
}

/// Findings that are told.
const MOST_FINDINGS: usize = 500;

fn is_none(n: &usize) -> bool {
    *n == 0
}

/// Looks at a text, with changes made to it first. Changes that are refused leave the text as it was, and say why.
pub fn look(text: &str, edits: &[Edit], beside: &Beside) -> Look {
    let (text, refused) = match edits {
        [] => (text.to_owned(), None),
        _ => match edit::apply(text, edits, beside) {
            Ok(text) => (text, None),
            Err(refusal) => (text.to_owned(), Some(refusal)),
        },
    };
    let loaded = beside.load(&text);
    let hash = hash(&text);
    let mut look = Look {
        hash,
        refused,
        diagnostics: vec![],
        left_out: 0,
        sheet: None,
        lines: vec![],
        figures: vec![],
        handles: vec![],
        text,
    };
    let mut found = loaded.diagnostics;
    if let Some(system) = &loaded.system {
        let audit = audit::run(system);
        let compiled = control::compile(system);
        found.extend(audit.findings.iter().cloned());
        // The compiler repeats some of what reading said.
        let of_rules = match &compiled {
            Ok(compiled) => &compiled.warnings,
            Err(errors) => errors,
        };
        let new: Vec<Diagnostic> = of_rules.iter().filter(|f| !found.contains(f)).cloned().collect();
        found.extend(new);
        let revision = look.hash.get(..8).unwrap_or_default().to_owned();
        let sheet = section::sheet(system, &audit, &TitleBlock { revision, date: String::new() });
        look.lines = lines(system, &audit);
        look.figures = figures::figures(system, &audit, compiled.as_ref().ok());
        look.handles = handles::handles(system, &look.text, &sheet);
        look.sheet = Some(section::as_data(&sheet));
    }
    found.sort_by_key(|finding| std::cmp::Reverse(finding.level));
    look.left_out = found.len().saturating_sub(MOST_FINDINGS);
    look.diagnostics =
        found.iter().take(MOST_FINDINGS).map(|finding| Finding::new(finding, &look.text)).collect();
    look
}

/// Findings of a text alone, without a drawing: of reading, and of the audit where the text can be read.
pub fn findings(text: &str, beside: &Beside) -> (Option<System>, Vec<Diagnostic>) {
    let loaded = beside.load(text);
    let mut found = loaded.diagnostics;
    if let Some(system) = &loaded.system {
        found.extend(audit::run(system).findings);
    }
    found.sort_by_key(|finding| std::cmp::Reverse(finding.level));
    (loaded.system, found)
}

/// Whether anything keeps a text from being a system.
pub fn has_errors(findings: &[Finding]) -> bool {
    findings.iter().any(|finding| finding.severity == level_word(Level::Error))
}

/// How near the rim water counts as at it, mm.
const AT_RIM_MM: f64 = 0.05;

fn lines(system: &System, audit: &audit::Audit) -> Vec<Line> {
    let mut all = vec![];
    for vessel in &audit.facts.vessels {
        // A box is part of the vessel that it stands in.
        let boxed = system.vessels.iter().any(|v| v.name == vessel.name && v.inside_of.is_some());
        let worst = vessel.stopped_worst_mm.max(vessel.running_mm);
        for (id, what, level_mm) in [
            ("running", "while the pumps run", vessel.running_mm),
            ("drain_down", "after the pumps stop", vessel.stopped_mm),
            ("worst", "at its worst, with break holes grown shut and check valves leaking", worst),
        ] {
            let below = vessel.rim_mm - level_mm;
            let overflows = below < AT_RIM_MM && !boxed;
            let end = if overflows {
                "at the rim: it runs over".to_owned()
            } else {
                format!("{:.0} mm below the rim", below.max(0.0))
            };
            all.push(Line {
                vessel: vessel.name.clone(),
                id,
                level_m: level_mm / 1000.0,
                overflows,
                text: format!("`{}` stands at {level_mm:.0} mm {what}, {end}.", vessel.name),
            });
        }
    }
    all
}

//! `tidewright audit`: design findings by calculation, and every number behind them.

use serde_json::Value;
use system::{Diagnostic, Level};

use crate::arguments::AuditOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, open};
use crate::{json, words, wrap};

/// Columns before a message: the level stands in them.
const LEVEL: usize = 8;

/// Findings with a line each.
fn brief(findings: &[Diagnostic], console: &Console) -> String {
    let mut out = String::new();
    for finding in findings {
        let (word, tone) = match finding.level {
            Level::Error => ("error", Tone::Bad),
            Level::Warning => ("warning", Tone::Caution),
            Level::Note => ("note", Tone::Strong),
        };
        let text = words::sentence(&finding.message);
        let line =
            wrap::after(&format!("{word:>LEVEL$}  "), &format!("{text} [{}]", finding.id), console.width);
        out += &line.replacen(word, &console.paint(tone, word), 1);
    }
    out
}

/// Audits and tells.
pub fn run(options: &AuditOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(opened) = open(&options.file, "audit", console) else { return Ok(Ending::Unreadable) };
    let audit = audit::run(&opened.system);
    let mut findings = opened.findings.clone();
    findings.extend(audit.findings.iter().cloned());
    let findings = open::worst_first(findings);
    let ending = Ending::of(open::has_findings(&findings));
    if console.is_json() {
        let mut value = opened.json(&findings);
        if let Value::Object(fields) = &mut value {
            let facts = serde_json::to_value(&audit.facts)
                .map_err(|error| Failure::new(format!("the facts cannot be written as JSON: {error}")))?;
            fields.insert("system".to_owned(), opened.system.name.clone().into());
            fields.insert("facts".to_owned(), facts);
        }
        console.print_json(&json::answer("audit", value));
        return Ok(ending);
    }
    let heading = format!("{}: audit by calculation", opened.system.name);
    let mut text = format!("{}\n\n", console.paint(Tone::Strong, &heading));
    if findings.is_empty() {
        text += "No finding.\n";
    }
    text += &if options.brief { brief(&findings, console) } else { opened.plain(&findings, console) };
    if options.facts {
        text += &format!("\n{}\n\n", console.paint(Tone::Strong, "What it computed"));
        text += &audit.facts.text();
    } else if !options.brief {
        text += "\n";
        text += &wrap::hanging("--facts adds the tables of all that was computed.", console.width, 0);
    }
    console.print(&text);
    Ok(ending)
}

//! `tidewright report`: audit, FMEA, drawings and traces on one page that needs nothing else.

use serde_json::json;

use crate::arguments::ReportOptions;
use crate::commands::fmea::{model, study, today};
use crate::console::Console;
use crate::dossier::{self, Title};
use crate::ending::{Ending, Failure};
use crate::open::open;
use crate::{calendar, files, fmea, json, open as opening, wrap};

/// Runs everything and writes the page.
pub fn run(options: &ReportOptions, console: &mut Console) -> Result<Ending, Failure> {
    files::check_free(&options.out, options.force)?;
    let Some(opened) = open(&options.file, "report", console) else { return Ok(Ending::Unreadable) };
    let Some(model) = model(&opened, "report", console)? else { return Ok(Ending::Unreadable) };
    let study_result = study(&model, &options.study, false)?;
    let mut audit = audit::run(&opened.system);
    audit.findings.extend(opened.findings.iter().chain(&study_result.acceptance_findings).cloned());
    audit.findings = opening::worst_first(audit.findings);
    let title = Title {
        revision: format!("{} ({:08x})", opened.name, program::crc::crc32(opened.source.as_bytes())),
        date: today(&options.study).map_or_else(String::new, calendar::iso),
    };
    let plots = dossier::plots(&model, &study_result, options.study.seed)?;
    let page = report::render(&dossier::build(&opened.system, &audit, &study_result, plots, &title));
    files::write_new(&options.out, &page, options.force)?;
    let has_findings = fmea::has_findings(&study_result) || opening::has_findings(&audit.findings);
    let shown = options.out.display();
    if console.is_json() {
        let mut fields =
            json!({ "report": shown.to_string(), "bytes": page.len(), "rows": study_result.rows.len() });
        if let (Some(all), serde_json::Value::Object(found)) =
            (fields.as_object_mut(), opened.json(&audit.findings))
        {
            all.extend(found);
        }
        console.print_json(&json::answer("report", fields));
    } else {
        let mut text = fmea::text::summary(&opened.system, &study_result, console);
        text += "\n";
        text += &wrap::hanging(&format!("Wrote {shown} ({} kB).", page.len() / 1000), console.width, 0);
        console.print(&text);
    }
    Ok(Ending::of(has_findings))
}

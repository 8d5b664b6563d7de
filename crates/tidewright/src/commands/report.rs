//! `tidewright report`: the complete file of a system on one page that needs nothing else, the sheet for whoever minds the tank, and what can be
//! given to others.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use report::Dossier;
use serde_json::{Value, json};

use crate::arguments::ReportOptions;
use crate::asked::Station;
use crate::commands::fmea::{model, study, today};
use crate::commands::revisions::board;
use crate::console::Console;
use crate::dossier::diary::shared;
use crate::dossier::history::{Answers, Reader, tables};
use crate::dossier::share::{Omission, scrubbed};
use crate::dossier::{self, Title};
use crate::ending::{Ending, Failure};
use crate::open::open;
use crate::{calendar, files, fmea, json, open as opening, wrap};

/// Where a Chromium may be.
const CHROMIUMS: [&str; 4] = ["chromium", "chromium-browser", "google-chrome", "chrome"];

/// Runs everything and writes the pages.
pub fn run(options: &ReportOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(folder) = &options.share else {
        let pages = Pages { report: options.out.clone(), sitter: options.sitter.clone() };
        return write(&options.file, &pages, options, &[], console);
    };
    let omissions = share(&options.file, folder, options)?;
    if options.photos {
        photos(folder, options)?;
    }
    let pages = Pages { report: folder.join("report.html"), sitter: Some(folder.join("sitter.html")) };
    let ending = write(&folder.join("system.toml"), &pages, options, &omissions, console)?;
    if !console.is_json() {
        let mut text = String::from("\n");
        for omission in &omissions {
            text += &format!("  line {}: left out {}\n", omission.line, omission.what);
        }
        text += &wrap::hanging(
            "Read the folder before you give it away: only what looks like an address, a key or a telephone number, and the words of --leave-out, was \
             left out. Texts and comments may hold more that is nobody's business.",
            console.width,
            0,
        );
        console.print(&text);
    }
    Ok(ending)
}

/// Where the pages go.
struct Pages {
    report: PathBuf,
    sitter: Option<PathBuf>,
}

fn write(
    file: &Path,
    pages: &Pages,
    options: &ReportOptions,
    omissions: &[Omission],
    console: &mut Console,
) -> Result<Ending, Failure> {
    let all = || std::iter::once(&pages.report).chain(&pages.sitter);
    for page in all() {
        files::check_free(page, options.force)?;
        if options.pdf {
            files::check_free(&page.with_extension("pdf"), options.force)?;
        }
    }
    let printer = options.pdf.then(printer).transpose()?;
    let history = history(options)?;
    let Some(opened) = open(file, "report", console) else { return Ok(Ending::Unreadable) };
    let Some(model) = model(&opened, "report", console)? else { return Ok(Ending::Unreadable) };
    let study_result = study(&model, &options.study, false)?;
    let mut audit = audit::run(&opened.system);
    audit.findings.extend(opened.findings.iter().chain(&study_result.acceptance_findings).cloned());
    audit.findings = opening::worst_first(audit.findings);
    let title = Title {
        revision: format!("{} ({:08x})", opened.name, program::crc::crc32(opened.source.as_bytes())),
        date: today(&options.study).map_or_else(String::new, calendar::iso),
        call: options.call.clone(),
    };
    let plots = dossier::plots(&model, &study_result, options.study.seed)?;
    let built = dossier::build(&opened.system, &audit, &study_result, plots, &title);
    let dossier =
        Dossier { description: dossier::description(&opened.source, &opened.system), history, ..built };
    let page = report::render(&dossier);
    files::write_new(&pages.report, &page, options.force)?;
    if let Some(sitter) = &pages.sitter {
        files::write_new(sitter, report::render_sitter(&dossier), options.force)?;
    }
    let mut written: Vec<String> = all().map(|page| page.display().to_string()).collect();
    if let Some(printer) = printer {
        for page in all() {
            let pdf = page.with_extension("pdf");
            print(printer, page, &pdf)?;
            written.push(pdf.display().to_string());
        }
    }
    let has_findings = fmea::has_findings(&study_result) || opening::has_findings(&audit.findings);
    let shown = pages.report.display();
    if console.is_json() {
        let mut fields = json!({
            "report": shown.to_string(),
            "bytes": page.len(),
            "rows": study_result.rows.len(),
            "written": written,
            "left_out": omissions.iter().map(|one| json!({ "line": one.line, "what": one.what })).collect::<Vec<_>>(),
        });
        if let (Some(all), Value::Object(found)) = (fields.as_object_mut(), opened.json(&audit.findings)) {
            all.extend(found);
        }
        console.print_json(&json::answer("report", fields));
    } else {
        let mut text = fmea::text::summary(&opened.system, &study_result, console);
        text += "\n";
        let words = format!("Wrote {} ({} kB).", written.join(", "), page.len() / 1000);
        text += &wrap::hanging(&words, console.width, 0);
        console.print(&text);
    }
    Ok(Ending::of(has_findings))
}

/// What the running station says of its board.
fn history(options: &ReportOptions) -> Result<Vec<report::ListTable>, Failure> {
    if !options.history {
        return Ok(vec![]);
    }
    let station = Station::new(&options.station)?;
    let name = board(&station, &options.station)?;
    let of = |what: &str| station.ask(&format!("/api/v1/boards/{name}/{what}"), None);
    let answers = Answers {
        revisions: of("revisions")?,
        calibrations: of("calibrations")?,
        done: of("care")?,
        items: station.ask("/api/v1/care", None)?,
    };
    let reader = if options.share.is_some() { Reader::Others(&options.leave_out) } else { Reader::House };
    Ok(tables(&name, &answers, &reader))
}

/// Writes the file, with what counts beside it, without what is nobody's business; what was left out.
fn share(file: &Path, folder: &Path, options: &ReportOptions) -> Result<Vec<Omission>, Failure> {
    let text = std::fs::read_to_string(file).map_err(|error| {
        Failure::new(format!("cannot read `{}`: {error}", file.display())).help("name a system file")
    })?;
    let made = |error| Failure::new(format!("cannot make `{}`: {error}", folder.display()));
    std::fs::create_dir_all(folder).map_err(made)?;
    let (clean, mut omissions) = scrubbed(&text, &options.leave_out);
    files::write_new(&folder.join("system.toml"), clean, options.force)?;
    let beside = |name: &Path| file.parent().unwrap_or(Path::new("")).join(name);
    if let Some((name, _)) = system::parts_file(&text) {
        let path = Path::new(&name);
        if path.components().count() != 1 {
            return Err(Failure::new(format!("the parts file `{name}` stands in another folder"))
                .help("put it beside the system file, so that both can be given away together"));
        }
        let parts = std::fs::read_to_string(beside(path))
            .map_err(|error| Failure::new(format!("cannot read `{name}`: {error}")))?;
        let (clean, more) = scrubbed(&parts, &options.leave_out);
        omissions.extend(more);
        files::write_new(&folder.join(path), clean, options.force)?;
    }
    if let Ok(lock) = std::fs::read(file.with_extension("wiring.lock")) {
        files::write_new(&folder.join("system.wiring.lock"), lock, options.force)?;
    }
    Ok(omissions)
}

/// Puts the photos of the station's diary into a folder of their own, with a list of what they show.
fn photos(folder: &Path, options: &ReportOptions) -> Result<(), Failure> {
    let station = Station::new(&options.station)?;
    // All notes there are: the station's years end in 2109.
    let notes = station.ask("/api/v1/notes?from=0&to=4400000000000", None)?;
    let day = |ms: i64| calendar::iso(ms.div_euclid(86_400_000));
    let all = shared(&notes, &options.leave_out, day);
    let folder = folder.join("photos");
    std::fs::create_dir_all(&folder)
        .map_err(|error| Failure::new(format!("cannot make `{}`: {error}", folder.display())))?;
    let mut list = String::new();
    for photo in &all {
        let picture = station.bytes(&format!("/api/v1/photos/{}", photo.id))?;
        files::write_new(&folder.join(&photo.file), picture, options.force)?;
        list += &photo.line;
        list.push('\n');
    }
    files::write_new(&folder.join("photos.txt"), list, options.force)
}

/// The Chromium of this machine.
fn printer() -> Result<&'static str, Failure> {
    let runs = |name: &&&str| {
        let tried = Command::new(name).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
        tried.is_ok_and(|status| status.success())
    };
    CHROMIUMS.iter().find(runs).copied().ok_or_else(|| {
        Failure::new("no Chromium prints PDF on this machine")
            .help("on Debian: `sudo apt-get install chromium`; or open the page in any browser and print it")
    })
}

/// Prints a page that loads nothing and runs no script.
fn print(printer: &str, page: &Path, pdf: &Path) -> Result<(), Failure> {
    let failed = |why: String| {
        Failure::new(format!("cannot print `{}`: {why}", page.display()))
            .help("open the page in any browser and print it")
    };
    let page_url = page.canonicalize().map_err(|error| failed(error.to_string()))?;
    let done = Command::new(printer)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            "--no-pdf-header-footer",
        ])
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(format!("file://{}", page_url.display()))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .map_err(|error| failed(error.to_string()))?;
    if done.success() && pdf.exists() { Ok(()) } else { Err(failed(format!("{printer} ended with {done}"))) }
}

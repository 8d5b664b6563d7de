//! `tidewright section`: the system in section to scale, as SVG.

use drawing::{SvgOptions, Theme};
use serde_json::json;

use crate::arguments::SectionOptions;
use crate::console::Console;
use crate::dossier::{Title, sheet};
use crate::ending::{Ending, Failure};
use crate::open::open;
use crate::{files, json, wrap};

/// Draws and writes.
pub fn run(options: &SectionOptions, console: &mut Console) -> Result<Ending, Failure> {
    let to_stdout = options.out.as_os_str() == "-";
    if !to_stdout {
        files::check_free(&options.out, options.force)?;
    }
    let Some(opened) = open(&options.file, "section", console) else { return Ok(Ending::Unreadable) };
    let audit = audit::run(&opened.system);
    let title =
        Title { revision: opened.name.clone(), date: options.date.clone().unwrap_or_default(), call: vec![] };
    let svg = sheet(&opened.system, &audit, &title).to_svg(&SvgOptions {
        theme: Theme::Light,
        width: Some("1188".to_owned()),
        ..SvgOptions::default()
    });
    if to_stdout {
        console.print(&svg);
        return Ok(Ending::Clean);
    }
    files::write_new(&options.out, format!("{svg}\n"), options.force)?;
    let shown = options.out.display().to_string();
    if console.is_json() {
        console.print_json(&json::answer("section", json!({ "drawing": shown, "bytes": svg.len() + 1 })));
    } else {
        console.print(&wrap::hanging(&format!("Wrote {shown} ({} kB).", svg.len() / 1000), console.width, 0));
    }
    Ok(Ending::Clean)
}

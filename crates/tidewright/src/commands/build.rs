//! `tidewright build`: the image of a board, and what it takes of the chip.

use std::path::{Path, PathBuf};

use image::build::{Budget, Built, Made, Use};
use image::runtime::{Features, Manifest, Runtime};
use program::wiring::Wiring;
use serde_json::{Value, json};
use system::Diagnostic;

use crate::arguments::BuildOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened, open};
use crate::table::{Column, Table};
use crate::{files, json, wrap};

/// What no image and no serial bootloader can mend.
const BROWN_OUT: &str = "Note: the usual fuses of such boards guard the supply at 2.7 V only, where 16 MHz need 3.8 V, and `flash` cannot set them; \
    the remedy stands in docs/firmware.md, Fuses.";

/// So many of the biggest users are named in text; JSON has all.
const NAMED: usize = 6;

/// Builds, writes and tells.
pub fn run(options: &BuildOptions, console: &mut Console) -> Result<Ending, Failure> {
    if let Some(folder) = &options.sketch {
        return sketch(options, folder, console);
    }
    let usual = if options.program_only { "system.tw" } else { "system.hex" };
    let out = options.out.clone().unwrap_or_else(|| PathBuf::from(usual));
    let to_stdout = out.as_os_str() == "-";
    if !to_stdout {
        files::check_free(&out, options.force)?;
    } else if options.program_only {
        return Err(Failure::new("a program is bytes, not text").help("name a file with --out"));
    }
    let Some(opened) = open(&options.file, "build", console) else { return Ok(Ending::Unreadable) };
    let Some(made) = make(&opened, "build", console) else { return Ok(Ending::Unreadable) };
    if options.program_only {
        return program_only(&opened, &made, &out, options.force, console);
    }
    let runtime = runtime(&opened, &made, options.runtime.as_deref(), options.network)?;
    let Some(built) = merge(&opened, &made, &runtime, "build", console) else {
        return Ok(Ending::Unreadable);
    };
    let hex = built.hex();
    if to_stdout {
        console.print(&hex);
        return Ok(Ending::Clean);
    }
    files::write_new(&out, &hex, options.force)?;
    let findings = findings(&opened, &made);
    tell(&opened, &made, &runtime, &built, &findings, &out.display().to_string(), console);
    Ok(Ending::of(open::has_findings(&findings)))
}

/// The sketch of a system, in a folder of its own. What a person filled in stays.
fn sketch(options: &BuildOptions, folder: &Path, console: &mut Console) -> Result<Ending, Failure> {
    let folder = folder.join(image::sketch::FOLDER);
    let Some(opened) = open(&options.file, "build", console) else { return Ok(Ending::Unreadable) };
    let Some(made) = make(&opened, "build", console) else { return Ok(Ending::Unreadable) };
    let Some(all) = image::sketch::files(&made) else {
        return Err(Failure::new("a table of this system is longer than 65 535 bytes")
            .help("take out pages or rules"));
    };
    let source = folder.join("src");
    std::fs::create_dir_all(&source).map_err(|error| {
        Failure::new(format!("cannot make the folder `{}`: {error}", source.display()))
            .help("name a folder that you may write to")
    })?;
    let is_own = |path: &str| image::sketch::OWN.contains(&path) && folder.join(path).exists();
    let all: Vec<_> = all.into_iter().filter(|file| !is_own(file.path)).collect();
    for file in &all {
        files::check_free(&folder.join(file.path), options.force)?;
    }
    for file in &all {
        files::write_new(&folder.join(file.path), &file.text, options.force)?;
    }
    let findings = findings(&opened, &made);
    let (wiring, program) = identity(&made);
    if console.is_json() {
        let mut value = opened.json(&findings);
        put(
            &mut value,
            json!({
                "sketch": folder.display().to_string(),
                "program_bytes": made.tables.program.len(),
                "program_crc": format!("{program:08x}"),
                "wiring_crc": format!("{wiring:08x}"),
            }),
        );
        console.print_json(&json::answer("build", value));
    } else {
        let text = format!(
            "Wrote the sketch {}: open it in the IDE for your chip and load it. Program {program:08x}, wiring {wiring:08x}. What such a \
             chip lacks stands in docs/firmware.md; the name of a radio network goes into src/wifi_access.h.",
            folder.display()
        );
        console.print(&(opened.plain(&findings, console) + &wrap::hanging(&text, console.width, 0)));
    }
    Ok(Ending::of(open::has_findings(&findings)))
}

/// Compiles for the board, or tells why that cannot be.
pub fn make(opened: &Opened, command: &str, console: &mut Console) -> Option<Made> {
    match image::build::make(&opened.system) {
        Ok(made) => Some(made),
        Err(findings) => {
            open::refuse(command, &findings, &opened.name, &opened.source, console);
            None
        }
    }
}

/// Merges runtime and tables, or tells what does not fit.
pub fn merge(
    opened: &Opened,
    made: &Made,
    runtime: &Runtime,
    command: &str,
    console: &mut Console,
) -> Option<Built> {
    match image::build::build(&opened.system, made, runtime) {
        Ok(built) => Some(built),
        Err(findings) => {
            open::refuse(command, &findings, &opened.name, &opened.source, console);
            None
        }
    }
}

/// The runtime of the file's chip: one of the person's own, or the smallest that was brought along and serves what is wired.
pub fn runtime(opened: &Opened, made: &Made, own: Option<&Path>, network: bool) -> Result<Runtime, Failure> {
    let chip = image::build::chip(&opened.system).map(|chip| chip.name.clone()).unwrap_or_default();
    let Some(manifest) = own else {
        let of_tables = Features::of(&made.wiring);
        let wanted = Features { network: network || of_tables.network, ..of_tables };
        let is_sketch =
            image::build::chip(&opened.system).is_some_and(|chip| chip.code == Some(image::sketch::BOARD));
        if is_sketch {
            return Err(Failure::new(format!(
                "there is no image for the {chip}: it runs the rules from a sketch"
            ))
            .help("give `--sketch FOLDER`, and load the sketch with the IDE for the chip"));
        }
        return Runtime::for_chip(&chip, wanted)
            .map_err(|error| Failure::new(error.to_string()).help(error.help()));
    };
    let read = |path: &Path| {
        std::fs::read_to_string(path).map_err(|error| {
            Failure::new(format!("cannot read `{}`: {error}", path.display()))
                .help("name the manifest of a runtime; its image stands beside it, with `.hex` for `.json`")
        })
    };
    let runtime =
        Runtime::read(&read(manifest)?, &read(&manifest.with_extension("hex"))?).map_err(|error| {
            Failure::new(format!("`{}`: {error}", manifest.display()))
                .help("`cargo xtask firmware` writes both files")
        })?;
    if !runtime.manifest.chip.eq_ignore_ascii_case(&chip) {
        return Err(Failure::new(format!(
            "`{}` is a runtime for the {}, the board has the {chip}",
            manifest.display(),
            runtime.manifest.chip
        ))
        .help("name a runtime for the board's chip, or change `chip` of the [[board]]"));
    }
    Ok(runtime)
}

/// Findings of reading and of building.
fn findings(opened: &Opened, made: &Made) -> Vec<Diagnostic> {
    let mut findings = opened.findings.clone();
    findings.extend(made.warnings.iter().filter(|finding| !opened.findings.contains(finding)).cloned());
    open::worst_first(findings)
}

/// The checksums by which wiring table and program are named.
pub fn identity(made: &Made) -> (u32, u32) {
    let program = program::Program::validate(&made.tables.program).map_or(0, |program| program.crc());
    (Wiring::crc(&made.tables.wiring), program)
}

fn program_only(
    opened: &Opened,
    made: &Made,
    out: &Path,
    force: bool,
    console: &mut Console,
) -> Result<Ending, Failure> {
    files::write_new(out, &made.tables.program, force)?;
    let findings = findings(opened, made);
    let (wiring, program) = identity(made);
    let length = made.tables.program.len();
    if console.is_json() {
        let mut value = opened.json(&findings);
        put(
            &mut value,
            json!({
                "program": out.display().to_string(),
                "program_bytes": length,
                "program_crc": format!("{program:08x}"),
                "wiring_crc": format!("{wiring:08x}"),
            }),
        );
        console.print_json(&json::answer("build", value));
    } else {
        let text = format!(
            "Wrote {}: program {program:08x}, {length} bytes. A board takes it as a trial when its wiring is {wiring:08x}.",
            out.display()
        );
        console.print(&(opened.plain(&findings, console) + &wrap::hanging(&text, console.width, 0)));
    }
    Ok(Ending::of(open::has_findings(&findings)))
}

fn put(value: &mut Value, fields: Value) {
    if let (Value::Object(all), Value::Object(fields)) = (value, fields) {
        all.extend(fields);
    }
}

fn tell(
    opened: &Opened,
    made: &Made,
    runtime: &Runtime,
    built: &Built,
    findings: &[Diagnostic],
    out: &str,
    console: &mut Console,
) {
    let (wiring, program) = identity(made);
    let manifest = &runtime.manifest;
    if console.is_json() {
        let mut value = opened.json(findings);
        put(
            &mut value,
            json!({
                "system": opened.system.name,
                "image": out,
                "chip": manifest.chip,
                "panel": manifest.features.panel,
                "network": manifest.features.network,
                "compiler": manifest.compiler,
                "wiring_crc": format!("{wiring:08x}"),
                "program_crc": format!("{program:08x}"),
                "flash": used(&built.budget.flash, "bytes"),
                "sram": used(&built.budget.sram, "bytes"),
                "eeprom": used(&built.budget.eeprom, "bytes"),
                "slot": used(&built.budget.slot, "bytes"),
                "scan": used(&built.budget.scan, "us"),
            }),
        );
        console.print_json(&json::answer("build", value));
        return;
    }
    let heading = format!("{}: image for the {}", opened.system.name, manifest.chip);
    let mut text = format!("{}\n\n", console.paint(Tone::Strong, &heading));
    text += &wrap::hanging(&which_and_why(made, manifest), console.width, 0);
    text.push('\n');
    text += &opened.plain(findings, console);
    if !findings.is_empty() {
        text.push('\n');
    }
    text += &budget(&built.budget, console);
    text += &wrap::hanging(
        &format!("Wrote {out}: wiring {wiring:08x}, program {program:08x}."),
        console.width,
        0,
    );
    text += &format!("  tidewright flash {out} --port PORT\n");
    text += &wrap::hanging(BROWN_OUT, console.width, 0);
    console.print(&text);
}

/// Which runtime it is, and why that one.
fn which_and_why(made: &Made, manifest: &Manifest) -> String {
    let wanted = Features::of(&made.wiring);
    let has = format!("The runtime has {} and takes {} bytes", manifest.features, manifest.flash);
    if manifest.features == wanted {
        return format!("{has}: the smallest that serves what the file wires.");
    }
    format!("{has}; the file wires {wanted}.")
}

fn used(of: &Use, unit: &str) -> Value {
    let users: Vec<Value> =
        of.users.iter().map(|user| json!({ "name": user.name, unit: user.amount })).collect();
    json!({
        format!("total_{unit}"): of.total,
        format!("used_{unit}"): of.used,
        format!("free_{unit}"): of.free(),
        "is_estimate": of.is_estimate,
        "users": users,
    })
}

/// The table of what is used and free, and who takes most.
fn budget(budget: &Budget, console: &Console) -> String {
    let rows = [
        ("flash, bytes", &budget.flash, 1),
        ("memory, bytes", &budget.sram, 1),
        ("EEPROM, bytes", &budget.eeprom, 1),
        ("program slot, bytes", &budget.slot, 1),
        ("scan, ms", &budget.scan, 1000),
    ];
    let shown = |amount: u64, divisor: u64| match divisor {
        1 => amount.to_string(),
        _ => format!("{:.1}", amount as f64 / divisor as f64),
    };
    let mut is_estimate = false;
    let mut table = Table {
        columns: vec![
            Column::text("What", 0, 12),
            Column::number("Used", 0),
            Column::number("Of", 0),
            Column::number("Free", 0),
        ],
        rows: vec![],
    };
    for (name, of, divisor) in rows {
        is_estimate |= of.is_estimate;
        let about = if of.is_estimate { "~" } else { "" };
        table.rows.push(vec![
            name.to_owned(),
            format!("{about}{}", shown(of.used, divisor)),
            shown(of.total, divisor),
            format!("{about}{}", shown(of.free(), divisor)),
        ]);
    }
    let mut text = table.render(console.width, 0);
    text.push('\n');
    for (name, of, divisor) in rows {
        if of.users.len() < 2 {
            continue;
        }
        let mut users: Vec<String> = (of.users.iter().take(NAMED))
            .map(|user| format!("{} {}", user.name, shown(user.amount, divisor)))
            .collect();
        if of.users.len() > NAMED {
            users.push(format!("{} more", of.users.len() - NAMED));
        }
        text += &wrap::after(&format!("{name}: "), &users.join(", "), console.width);
    }
    if is_estimate {
        text += &wrap::hanging(
            "~ is partly an estimate: what was not measured on the simulated chip (docs/build.md).",
            console.width,
            0,
        );
    }
    text.push('\n');
    text
}

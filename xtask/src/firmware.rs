//! The runtimes of all chips through `firmware/Makefile`, and what each takes: flash and SRAM by module, room for programs.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use image::hex::Memory;
use image::runtime::{Features, Manifest, Module};
use program::crc::crc32;

use crate::symbols::{Modules, symbols};

/// Part number, name for the compiler and in names of images, and deepest stack in bytes where it was measured: by
/// `BENCH_CHIP=<name> cargo test --release -p firmware-bench --test outputs -- --nocapture`, every driver at work and a program uploaded.
const CHIPS: [(&str, &str, Option<u32>); 3] = [
    ("ATmega328P", "atmega328p", Some(145)),
    ("ATmega32U4", "atmega32u4", None),
    ("ATmega2560", "atmega2560", Some(227)),
];

/// Where the build of `image` looks.
const EMBEDDED: &str = "build/embedded";

/// Builds all runtimes and writes their manifests.
///
/// # Errors
/// The compiler is not there, or something does not compile: nothing is left of that runtime, so that none is embedded that is older
/// than its sources.
pub fn run() -> Result<(), String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../firmware");
    let compiler = first_line("avr-gcc", &["--version"]).map_err(|error| {
        format!("{error}; install avr-gcc and avr-libc (Debian: `apt install gcc-avr avr-libc`)")
    })?;
    let modules = Modules::scan(&root)?;
    let mut failed = vec![];
    let folder = root.display().to_string();
    let images = output("make", &["--directory", &folder, "--silent", "names"])?;
    // All at once, on all cores; what fails here is made again alone below, and says why.
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let _ = output("make", &["--directory", &folder, "--silent", "--keep-going", &format!("--jobs={cores}")]);
    for stem in images.split_whitespace() {
        match runtime(&root, stem, &compiler, &modules) {
            Ok(manifest) => println!(
                "{stem}: {} bytes of flash, {} of SRAM, {} of them for the program",
                manifest.flash, manifest.sram, manifest.pool
            ),
            Err(error) => {
                let _ = fs::remove_file(root.join(EMBEDDED).join(format!("{stem}.json")));
                eprintln!("{stem}: {error}");
                failed.push(stem);
            }
        }
    }
    if failed.is_empty() { Ok(()) } else { Err(format!("not built: {}", failed.join(", "))) }
}

/// One image: its name begins with the chip, and says what is added or left out (firmware/Makefile).
fn runtime(root: &Path, stem: &str, compiler: &str, modules: &Modules) -> Result<Manifest, String> {
    let (chip, mcu, stack) = CHIPS
        .into_iter()
        .find(|(_, mcu, _)| stem.split('-').next() == Some(mcu))
        .ok_or_else(|| format!("no chip is called as the image {stem}"))?;
    let features = Features { panel: !stem.contains("-no-panel"), network: stem.contains("-network") };
    let build = root.join("build");
    let hex = format!("build/{stem}.hex");
    output("make", &["--directory", &root.display().to_string(), "--silent", &hex])?;
    let elf: PathBuf = build.join(format!("{stem}.elf"));
    let sizes = symbols(&output("avr-nm", &["--print-size", &elf.display().to_string()])?);
    let config = config(root, mcu)?;
    let number = |name: &str| {
        let value = config.iter().find(|(known, _)| known == name).and_then(|(_, value)| value.parse().ok());
        value.ok_or_else(|| format!("port_config.h gives no number for {name}"))
    };
    let mut all: Vec<Module> = vec![];
    for symbol in &sizes {
        let Some(name) = modules.of(&symbol.name) else { continue };
        let place = match all.iter().position(|module| module.name == name) {
            Some(place) => place,
            None => {
                all.push(Module { name: name.to_owned(), flash: 0, sram: 0 });
                all.len() - 1
            }
        };
        all[place].flash += symbol.flash();
        all[place].sram += symbol.sram();
    }
    all.sort_by(|a, b| b.flash.cmp(&a.flash).then_with(|| a.name.cmp(&b.name)));
    let text = fs::read_to_string(root.join(&hex)).map_err(|error| format!("{hex}: {error}"))?;
    // The bytes are counted in what is embedded, not in what the linker says of it.
    let bytes = Memory::read(&text).map_err(|error| format!("{hex}: {error}"))?.flat();
    let manifest = Manifest {
        chip: chip.to_owned(),
        features,
        compiler: compiler.to_owned(),
        flash: bytes.len() as u32,
        crc: crc32(&bytes),
        sram: section_bytes(&elf, &[".data", ".bss", ".noinit"])?,
        pool: number("VM_POOL_BYTES")?,
        states: number("PORT_STATE_BYTES")?,
        watched_pins: number("PORT_WATCHED_PINS")?,
        stack,
        modules: all,
    };
    // A copy beside the manifest: `make` alone may replace the other one at any time.
    let folder = root.join(EMBEDDED);
    let json = serde_json::to_string_pretty(&manifest).map_err(|error| error.to_string())? + "\n";
    let write = |extension: &str, content: &[u8]| {
        let path = folder.join(format!("{stem}.{extension}"));
        fs::write(&path, content).map_err(|error| format!("{}: {error}", path.display()))
    };
    fs::create_dir_all(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    // Bytes to embed, a third of the text; the text for `--runtime`.
    write("bin", &bytes)?;
    write("hex", text.as_bytes())?;
    write("json", json.as_bytes())?;
    Ok(manifest)
}

/// Bytes of these sections of an ELF file, by `avr-size`.
fn section_bytes(elf: &Path, names: &[&str]) -> Result<u32, String> {
    let text = output("avr-size", &["-A", &elf.display().to_string()])?;
    let size = |line: &str| {
        let mut words = line.split_whitespace();
        let name = words.next()?;
        names.contains(&name).then(|| words.next()?.parse::<u32>().ok()).flatten()
    };
    Ok(text.lines().filter_map(size).sum())
}

/// What the port's configuration defines for a chip.
fn config(root: &Path, mcu: &str) -> Result<Vec<(String, String)>, String> {
    let path = root.join("port/avr/port_config.h");
    let text = output("avr-gcc", &[&format!("-mmcu={mcu}"), "-dM", "-E", &path.display().to_string()])?;
    let define = |line: &str| {
        let (name, value) = line.strip_prefix("#define ")?.split_once(' ')?;
        Some((name.to_owned(), value.trim().to_owned()))
    };
    Ok(text.lines().filter_map(define).collect())
}

fn first_line(program: &str, arguments: &[&str]) -> Result<String, String> {
    Ok(output(program, arguments)?.lines().next().unwrap_or_default().to_owned())
}

fn output(program: &str, arguments: &[&str]) -> Result<String, String> {
    let ran =
        Command::new(program).args(arguments).output().map_err(|error| format!("{program}: {error}"))?;
    if ran.status.success() {
        return Ok(String::from_utf8_lossy(&ran.stdout).into_owned());
    }
    let error = String::from_utf8_lossy(&ran.stderr);
    let lines: Vec<&str> = error
        .lines()
        .filter(|line| ["error", "overflow", "will not fit"].iter().any(|word| line.contains(word)))
        .take(5)
        .collect();
    let shown = if lines.is_empty() { error.trim().to_owned() } else { lines.join("\n  ") };
    Err(format!("{program} failed: {shown}"))
}

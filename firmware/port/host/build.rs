//! Compiles the portable C runtime and the host's hardware into one library. Every `.c` file of `firmware/core`, its folders and
//! `firmware/port/host` belongs to it; nothing needs listing.
//!
//! Two environment variables: `FIRMWARE_SANITIZE=1` builds with the address and undefined-behaviour sanitizers (link the test with
//! `RUSTFLAGS="-Clink-arg=-lasan -Clink-arg=-lubsan" ASAN_OPTIONS=detect_leaks=0`); `FIRMWARE_ONLY=code,vm` compiles only files of these names and those of
//! `port/host`, for work on one module while another does not compile.

use std::path::{Path, PathBuf};

fn main() {
    let here = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default());
    let core = here.join("../../core");
    let only = std::env::var("FIRMWARE_ONLY").ok();
    println!("cargo:rerun-if-env-changed=FIRMWARE_ONLY");
    println!("cargo:rerun-if-env-changed=FIRMWARE_SANITIZE");
    let mut sources = Vec::new();
    collect(&core, &mut sources);
    if let Some(only) = &only {
        let names: Vec<&str> = only.split(',').collect();
        sources.retain(|path| {
            path.file_stem().and_then(|name| name.to_str()).is_some_and(|name| names.contains(&name))
        });
    }
    collect(&here, &mut sources);
    sources.sort();
    println!("cargo:rerun-if-changed={}", core.display());
    println!("cargo:rerun-if-changed={}", here.display());
    let mut build = cc::Build::new();
    build
        .include(&core)
        .include(core.join("drivers"))
        .include(&here)
        .std("c11")
        .define("PORT_HOST", None)
        // Generated programs retain more than real ones; the store on its own refuses what its ring has no room for.
        .define("VM_RETAINED_MOST", "255")
        .warnings(true)
        .extra_warnings(true)
        .warnings_into_errors(true)
        .flag("-Wconversion");
    // What the sanitizers insert makes the compiler see conversions that are not there.
    if std::env::var("FIRMWARE_SANITIZE").is_ok_and(|value| value != "0") {
        build.warnings_into_errors(false);
        for flag in
            ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer", "-g"]
        {
            build.flag(flag);
        }
    }
    // The panel once more, over a board that its test makes up.
    build.clone().file(here.join("tests/panel/alone.c")).compile("tidewright_panel_alone");
    build.files(&sources).compile("tidewright_firmware");
}

/// C files of a folder and of the folders in it, but not of Rust's.
fn collect(folder: &Path, sources: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let name = entry.file_name();
        if path.is_dir() && name != "target" && name != "src" && name != "tests" && name != "examples" {
            collect(&path, sources);
        } else if path.extension().is_some_and(|extension| extension == "c") {
            sources.push(path);
        }
    }
}

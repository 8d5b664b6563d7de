//! Embeds the runtimes that `cargo xtask firmware` has left in firmware/build: for each manifest its image. Without any the crate
//! builds all the same, and says what is missing when a runtime is asked for.

use std::fmt::Write;
use std::path::Path;
use std::{env, fs};

fn main() {
    let root = env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    let folder = Path::new(&root).join("../../firmware/build");
    println!("cargo::rerun-if-changed={}", folder.display());
    let mut stems: Vec<String> = (fs::read_dir(&folder).into_iter().flatten().flatten())
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            let stem = name.strip_suffix(".json")?.to_owned();
            folder.join(format!("{stem}.hex")).is_file().then_some(stem)
        })
        .collect();
    stems.sort();
    let mut text = String::from("const EMBEDDED: &[(&str, &str)] = &[\n");
    for stem in stems {
        let path = |extension: &str| folder.join(format!("{stem}.{extension}")).display().to_string();
        for extension in ["json", "hex"] {
            println!("cargo::rerun-if-changed={}", path(extension));
        }
        // Writing to a String never fails.
        let _ = writeln!(text, "    (include_str!({:?}), include_str!({:?})),", path("json"), path("hex"));
    }
    text += "];\n";
    // Measured on the simulated chip once that was done; an estimate until then, and said so.
    let measured = Path::new(&root).join("../program/data/avr-cycles.txt");
    let estimate = Path::new(&root).join("data/avr-cycles-estimate.txt");
    println!("cargo::rerun-if-changed={}", measured.display());
    let is_measured = measured.is_file();
    let table = if is_measured { measured } else { estimate };
    let _ = writeln!(
        text,
        "const CYCLES: (bool, &str) = ({is_measured}, include_str!({:?}));",
        table.display().to_string()
    );
    let out = env::var("OUT_DIR").unwrap_or_default();
    if let Err(error) = fs::write(Path::new(&out).join("embedded.rs"), text) {
        println!("cargo::error=the list of embedded runtimes cannot be written: {error}");
    }
}

//! Embeds the runtimes that `cargo xtask firmware` has left in firmware/build/embedded: for each manifest its image. Without any the crate
//! builds all the same, and says what is missing when a runtime is asked for.

use std::fmt::Write;
use std::path::Path;
use std::{env, fs};

fn main() {
    let root = env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    let folder = Path::new(&root).join("../../firmware/build/embedded");
    println!("cargo::rerun-if-changed={}", folder.display());
    let mut stems: Vec<String> = (fs::read_dir(&folder).into_iter().flatten().flatten())
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            let stem = name.strip_suffix(".json")?.to_owned();
            folder.join(format!("{stem}.bin")).is_file().then_some(stem)
        })
        .collect();
    stems.sort();
    let mut text = String::from("const EMBEDDED: &[(&str, &[u8])] = &[\n");
    for stem in stems {
        let path = |extension: &str| folder.join(format!("{stem}.{extension}")).display().to_string();
        for extension in ["json", "bin"] {
            println!("cargo::rerun-if-changed={}", path(extension));
        }
        // Writing to a String never fails.
        let _ = writeln!(text, "    (include_str!({:?}), include_bytes!({:?})),", path("json"), path("bin"));
    }
    text += "];\n";
    let out = env::var("OUT_DIR").unwrap_or_default();
    for (name, text) in
        [("embedded.rs", text), ("sketch.rs", sketch(&Path::new(&root).join("../../firmware")))]
    {
        if let Err(error) = fs::write(Path::new(&out).join(name), text) {
            println!("cargo::error=what is embedded cannot be listed: {error}");
        }
    }
}

/// The sources of the sketch, laid flat as its folder has them. What drives the W5500 is not among them: a sketch has its radio.
fn sketch(firmware: &Path) -> String {
    const LEFT_OUT: [&str; 3] = ["w5500.c", "dhcp.c", "stream_w5500.c"];
    let mut files: Vec<(String, String)> = vec![];
    for folder in ["core", "core/drivers", "port/arduino"] {
        let folder = firmware.join(folder);
        println!("cargo::rerun-if-changed={}", folder.display());
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let Ok(name) = entry.file_name().into_string() else { continue };
            let place = match name.rsplit_once('.') {
                Some((_, "ino")) => name.clone(),
                Some((_, "c" | "h" | "cpp")) if !LEFT_OUT.contains(&name.as_str()) => format!("src/{name}"),
                _ => continue,
            };
            files.push((place, entry.path().display().to_string()));
        }
    }
    files.sort();
    let mut text = String::from("const SOURCES: &[(&str, &str)] = &[\n");
    for (place, path) in files {
        let _ = writeln!(text, "    ({place:?}, include_str!({path:?})),");
    }
    text += "];\n";
    text
}

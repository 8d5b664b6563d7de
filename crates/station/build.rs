//! Embeds the built page (`page/dist`), each file plain and compressed. Without it the station builds all the same and says so.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::{env, fs};

fn main() {
    let root = PathBuf::from(env::var_os("CARGO_MANIFEST_DIR").expect("cargo sets it"));
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets it"));
    let dist = root.join("../../page/dist");
    println!("cargo::rerun-if-changed={}", dist.display());
    let mut files = vec![];
    collect(&dist, &mut files);
    files.sort();
    let mut code = String::from("const FILES: &[File] = &[\n");
    for (n, path) in files.iter().enumerate() {
        println!("cargo::rerun-if-changed={}", path.display());
        let name = path.strip_prefix(&dist).expect("it is in it").to_string_lossy().replace('\\', "/");
        let bytes = fs::read(path).expect("a file of the page can be read");
        let mut gzip = flate2::GzBuilder::new().write(vec![], flate2::Compression::best());
        gzip.write_all(&bytes).expect("memory takes it");
        let gzip = gzip.finish().expect("memory takes it");
        fs::write(out.join(format!("page-{n}")), &bytes).expect("the folder of the build can be written");
        fs::write(out.join(format!("page-{n}.gz")), &gzip).expect("the folder of the build can be written");
        let compressed = if gzip.len() < bytes.len() {
            format!("Some(include_bytes!(concat!(env!(\"OUT_DIR\"), \"/page-{n}.gz\")))")
        } else {
            "None".to_owned()
        };
        writeln!(
            code,
            "File {{ path: {:?}, kind: {:?}, is_fixed: {}, plain: include_bytes!(concat!(env!(\"OUT_DIR\"), \"/page-{n}\")), gzip: {compressed} }},",
            format!("/{name}"),
            kind(&name),
            name.starts_with("assets/"),
        )
        .expect("a text takes it");
    }
    code.push_str("];\n");
    fs::write(out.join("page_files.rs"), code).expect("the folder of the build can be written");
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() { collect(&path, files) } else { files.push(path) }
    }
}

fn kind(name: &str) -> &'static str {
    match name.rsplit('.').next().unwrap_or("") {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "ico" => "image/x-icon",
        "woff2" => "font/woff2",
        "json" | "webmanifest" => "application/json",
        "txt" => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

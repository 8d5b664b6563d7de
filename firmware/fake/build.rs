//! Compiles the link's C files and the pretended board under them. Other modules of the runtime have no part in it, so that the
//! link is tested alone; `firmware-host` has it with the real ones.

use std::path::PathBuf;

/// What belongs to the link, network included.
const LINK: [&str; 10] =
    ["frame", "link", "link_record", "code", "ascon", "network", "stream_w5500", "w5500", "dhcp", "fake"];

fn main() {
    let here = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default());
    let core = here.join("../core");
    let mut build = cc::Build::new();
    for name in LINK {
        let folder = if name == "fake" { &here } else { &core };
        let path = folder.join(name).with_extension("c");
        println!("cargo:rerun-if-changed={}", path.display());
        if path.exists() {
            build.file(path);
        }
    }
    println!("cargo:rerun-if-changed={}", core.display());
    println!("cargo:rerun-if-changed={}", here.join("fake.h").display());
    build
        .include(&core)
        .include(&here)
        .std("c11")
        .define("NETWORK", None)
        .define("PORT_CHIP", "4")
        .warnings(true)
        .extra_warnings(true)
        .warnings_into_errors(true)
        .flag("-Wconversion")
        .compile("tidewright_link");
}

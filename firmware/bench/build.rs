//! Builds what the tests run: the simulated chip (`sim/`, with libsimavr) and, with avr-gcc, the virtual machine alone on an ATmega328P.
//! What is not there is left out, and the tests say so: nothing of this ships.
//!
//! Sets `SIMCHIP`, `VM_ELF` and, for the runtime itself, `IMAGE_ATMEGA328P` and the like to paths, or the same names with `_MISSING` to the
//! reason.

use std::path::{Path, PathBuf};
use std::process::Command;

fn main() {
    let here = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default());
    let out = PathBuf::from(std::env::var("OUT_DIR").unwrap_or_default());
    let core = here.join("../core");
    let firmware = here.join("..");
    let port = firmware.join("port/avr");
    for path in [here.join("sim"), here.join("chip"), core.clone(), port, firmware.join("Makefile")] {
        println!("cargo:rerun-if-changed={}", path.display());
    }

    let simchip = out.join("simchip");
    let mut compiler = Command::new("cc");
    compiler
        .args(["-std=c11", "-D_DEFAULT_SOURCE", "-O2", "-Wall", "-Wextra", "-Werror", "-o"])
        .arg(&simchip);
    compiler.args(sources(&here.join("sim"), |_| true)).args(["-lsimavr", "-lelf", "-lm"]);
    report("SIMCHIP", &simchip, compiler, "libsimavr (on Debian: apt-get install libsimavr-dev libelf-dev)");

    let vm = out.join("vm.elf");
    let mut compiler = Command::new("avr-gcc");
    compiler
        .args([
            "-mmcu=atmega328p",
            "-DF_CPU=16000000UL",
            "-std=c11",
            "-Os",
            "-flto",
            "-mcall-prologues",
            "-Wl,--gc-sections",
        ])
        .args([
            "-ffunction-sections",
            "-fdata-sections",
            "-fshort-enums",
            "-Wall",
            "-Wextra",
            "-Werror",
            "-I",
        ])
        .arg(here.join("chip"))
        .arg("-I")
        .arg(&core)
        .arg("-o")
        .arg(&vm)
        .arg(here.join("chip/vm_main.c"));
    let of_vm =
        |name: &str| name.starts_with("vm") || ["code.c", "arith.c", "calc.c", "zone.c"].contains(&name);
    compiler.args(sources(&core, of_vm));
    report("VM_ELF", &vm, compiler, AVR_GCC);

    let ascon = out.join("ascon.elf");
    let mut compiler = Command::new("avr-gcc");
    compiler
        .args(["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=c11", "-Os", "-flto", "-mcall-prologues"])
        .args(["-Wall", "-Wextra", "-Werror", "-I"])
        .arg(&core)
        .arg("-o")
        .arg(&ascon)
        .args([here.join("chip/ascon_main.c"), core.join("ascon.c")]);
    report("ASCON_ELF", &ascon, compiler, AVR_GCC);

    // The runtime as it ships, by its own Makefile, but into this crate's folder: others may be building too.
    for name in [
        "atmega328p",
        "atmega328p-network",
        "atmega328p-no-panel",
        "atmega328p-no-panel-network",
        "atmega32u4",
        "atmega32u4-no-panel",
        "atmega2560",
        "atmega2560-network",
    ] {
        let build = out.join("runtime");
        let elf = build.join(name).with_extension("elf");
        let hex = build.join(name).with_extension("hex");
        let mut make = Command::new("make");
        make.arg("-s").arg("-C").arg(&firmware).arg(format!("BUILD={}", build.display())).arg(&elf).arg(&hex);
        report(&format!("IMAGE_{}", name.to_uppercase().replace('-', "_")), &elf, make, AVR_GCC);
    }
}

const AVR_GCC: &str = "avr-gcc and make (on Debian: apt-get install gcc-avr avr-libc make)";

fn sources(folder: &Path, wanted: impl Fn(&str) -> bool) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "c"))
        .filter(|path| path.file_name().and_then(|name| name.to_str()).is_some_and(&wanted))
        .collect();
    files.sort();
    files
}

/// Runs a compiler; says where its work is or why there is none.
fn report(name: &str, path: &Path, mut compiler: Command, needs: &str) {
    let missing = match compiler.output() {
        Ok(output) if output.status.success() => None,
        Ok(output) => {
            let errors = String::from_utf8_lossy(&output.stderr).into_owned();
            for line in errors.lines().filter(|line| line.contains("error")).take(5) {
                println!("cargo:warning={line}");
            }
            Some(format!("it does not build; it needs {needs}"))
        }
        Err(error) => Some(format!("no compiler ({error}); it needs {needs}")),
    };
    match missing {
        None => println!("cargo:rustc-env={name}={}", path.display()),
        Some(reason) => println!("cargo:rustc-env={name}_MISSING={reason}"),
    }
}

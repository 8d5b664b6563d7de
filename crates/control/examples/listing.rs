//! Prints the control program of a system file, an operation a line with its bytes: `cargo run -p control --example listing FILE`.

use std::process::ExitCode;

fn main() -> ExitCode {
    let Some(path) = std::env::args().nth(1) else {
        eprintln!("name a system file");
        return ExitCode::from(2);
    };
    let file = system::load_file(std::path::Path::new(&path));
    let show = |findings: &[system::Diagnostic]| {
        for finding in findings {
            eprintln!("{:?} {}: {}", finding.level, finding.id, finding.message);
        }
    };
    show(&file.loaded.diagnostics);
    let Some(system) = file.loaded.system else { return ExitCode::from(2) };
    let keep_all_signals = std::env::args().any(|argument| argument == "--all-signals");
    match control::compile_with(&system, &control::Options { keep_all_signals, ..Default::default() }) {
        Ok(compiled) => {
            show(&compiled.warnings);
            print!("{}", compiled.listing);
            ExitCode::SUCCESS
        }
        Err(findings) => {
            show(&findings);
            ExitCode::FAILURE
        }
    }
}

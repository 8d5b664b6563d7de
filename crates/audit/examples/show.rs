//! Prints the findings and the facts of a system file: `cargo run -p audit --example show -- FILE`.

fn main() {
    let Some(path) = std::env::args().nth(1) else {
        eprintln!("name a system file");
        return;
    };
    let file = system::load_file(std::path::Path::new(&path));
    for finding in &file.loaded.diagnostics {
        println!("{:?} {}: {}", finding.level, finding.id, finding.message);
    }
    let Some(system) = file.loaded.system else { return };
    let audit = audit::run(&system);
    for finding in &audit.findings {
        println!("{:?} {}: {}", finding.level, finding.id, finding.message);
        for note in &finding.notes {
            println!("    = {note}");
        }
        if let Some(help) = &finding.help {
            println!("    help: {help}");
        }
    }
    println!("\n{}", audit.facts.text());
}

//! Tries the mends of one fault: `cargo run --release -p workbench --example mends -- system.toml float_c:stuck-down [requirement]`.

use std::sync::atomic::AtomicBool;

use workbench::Beside;
use workbench::mending::Told;
use workbench::study::{Kept, Wish};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, fault, rest @ ..] = arguments.as_slice() else {
        eprintln!("give a system file and a fault as `part:mode`");
        return;
    };
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) => {
            eprintln!("{file}: {error}");
            return;
        }
    };
    let tell = |told: Told<'_>| match told {
        Told::Trying(remedy) => println!("{}: {}", remedy.id, remedy.text),
        Told::Mend(mend) => {
            let worse = mend.rows_worse.as_ref().map_or(String::new(), |worse| {
                let words: Vec<&str> = worse.iter().take(3).map(|one| one.text.as_str()).collect();
                format!("; {} cells worse {words:?}, {:?} rows open", worse.len(), mend.open_rows)
            });
            println!(
                "    {} ({}), parts {:?}, {} channels, {} bytes, price {:?}{worse}",
                if mend.closes { "closes" } else { "does not close" },
                mend.verdict,
                mend.parts,
                mend.channels,
                mend.bytes,
                mend.price
            );
        }
    };
    let wish = Wish { corners: true, today: None, n_threads: 0 };
    let stop = AtomicBool::new(false);
    let requirement = rest.first().map(String::as_str);
    match Kept::default().mends(&text, &Beside::default(), wish, fault, requirement, &stop, &tell) {
        Ok(sum) => println!("{} tried, {} close it", sum.tried, sum.closing),
        Err(error) => eprintln!("{error}"),
    }
}

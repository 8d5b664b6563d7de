//! How long it takes to find the changes responsible for each row that turned from Harbour Lane's first draft to its mended design:
//! `cargo run --release -p workbench --example because`.

use std::time::Instant;

use trial::{Model, Options};
use workbench::Beside;
use workbench::changes::changes;
use workbench::revision::{attribute, turns};

fn main() -> Result<(), String> {
    let read = |name: &str| {
        let path = format!("{}/../../examples/harbour-lane/{name}.toml", env!("CARGO_MANIFEST_DIR"));
        std::fs::read_to_string(&path).map_err(|error| format!("{path}: {error}"))
    };
    let (a, b) = (read("first-draft")?, read("system")?);
    let beside = Beside::default();
    let study = |text: &str| {
        let system = beside.load(text).system.ok_or("an example has mistakes")?;
        let model = Model::new(&system).map_err(|findings| format!("{findings:?}"))?;
        let fmea = trial::run(&model, &Options::default(), &|_, _| {})?;
        Ok::<_, String>((system, fmea))
    };
    let began = Instant::now();
    let (first, second) = (study(&a)?, study(&b)?);
    println!("both studies at all corners: {:.0} s", began.elapsed().as_secs_f64());
    let changes = changes(&a, &b).map_err(|(_, why)| why)?;
    let mut rows = turns((&first.0, &first.1), (&second.0, &second.1));
    let began = Instant::now();
    let tell = |done: usize, total: usize| eprint!("\r{done} of {total}   ");
    let found = attribute((&a, &b), &changes, &beside, &Options::default(), &mut rows, &tell)?;
    for row in &rows {
        println!("{:?} {}: {}; before: {}", row.turn, row.fault, row.after.words(), row.before.words());
        row.because.iter().for_each(|because| println!("    by {because}"));
    }
    let n_alone = rows.iter().filter(|row| !row.because.is_empty()).count();
    println!(
        "{} changes: {} studied, {} of no account, {} cannot be left out; of {} rows {n_alone} have a change responsible; {:.0} s",
        changes.len(),
        found.n_tried,
        found.n_quiet,
        found.not_alone.len(),
        rows.len(),
        began.elapsed().as_secs_f64()
    );
    Ok(())
}

//! Power pulled at 2,000 random instants, and an upload cut at every EEPROM byte, on a simulated chip:
//! `cargo run --release -p firmware-bench --example power_cuts [cuts] [chip]`.

use firmware_bench::board::smallest;
use firmware_bench::power::Victim;
use std::time::Instant;

fn main() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1);
    let n_cuts: u32 = arguments.next().and_then(|word| word.parse().ok()).unwrap_or(2_000);
    // The smallest chip whose flash has room for the tables, unless one is named.
    let chip = match arguments.next() {
        Some(chip) => chip,
        None => smallest(&["atmega328p", "atmega2560"], 300)?.to_owned(),
    };
    let started = Instant::now();
    let toll = Victim::new(&chip, 1)?.suffer(n_cuts, &mut |n| {
        if (n + 1) % 100 == 0 {
            eprintln!("{} cuts, {:.0} s", n + 1, started.elapsed().as_secs_f64());
        }
    })?;
    println!(
        "{} cuts on the simulated {chip}, {} of them in the middle of an EEPROM byte: booted {} times into golden, {} into a confirmed, {} \
         into a trial program; {} programs confirmed; {} events told before were all there; {:.0} s",
        toll.n_cuts,
        toll.n_torn,
        toll.n_boots[0],
        toll.n_boots[1],
        toll.n_boots[2],
        toll.n_confirmed,
        toll.n_events,
        started.elapsed().as_secs_f64()
    );
    let mut victim = Victim::new(&chip, 2)?;
    let mut n_bytes = 0;
    loop {
        n_bytes += 1;
        if victim.cut_upload(n_bytes, (n_bytes % 4) as u8)? {
            break;
        }
    }
    println!(
        "an upload cut at each of its {} EEPROM bytes: old or new program after each; {:.0} s",
        n_bytes - 1,
        started.elapsed().as_secs_f64()
    );
    Ok(())
}

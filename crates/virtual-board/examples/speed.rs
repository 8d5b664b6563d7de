//! How fast a virtual board lives while a client takes a whole record of each scan.
//!
//! ```text
//! cargo run --release -p virtual-board --example speed [system.toml] [seconds]
//! ```

use std::time::{Duration, Instant};

use link::Client;
use link::message::sections;
use virtual_board::{Pace, Setup, Virtual};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments.next().unwrap_or_else(|| "examples/harbour-lane/system.toml".to_owned());
    let seconds: f64 = arguments.next().map_or(Ok(5.0), |text| text.parse())?;
    let system = system::load(&std::fs::read_to_string(&path)?).system.ok_or("the file has errors")?;
    let setup = Setup { pace: Pace::Times(1e9), waits_for_reader: true, ..Setup::default() };
    let board = Virtual::start(&system, setup)?;
    let mut client = Client::over_cable(board.cable())?;
    let all = sections::INPUTS | sections::OUTPUTS | sections::STATES | sections::RESULTS;
    client.subscribe(all, 1)?;
    let began = Instant::now();
    let (mut n, mut first, mut last) = (0_u64, 0, 0);
    while began.elapsed().as_secs_f64() < seconds {
        if let Some(record) = client.next_record(Duration::from_secs(1))? {
            if n == 0 {
                first = record.scan;
            }
            n += 1;
            last = record.scan;
        }
    }
    let passed_s = began.elapsed().as_secs_f64();
    let tank_s = f64::from(last - first) * f64::from(system.scan_ms) / 1e3;
    println!(
        "{n} records in {passed_s:.2} s: {:.0} a second, {:.0} times as fast as time, {} missing",
        n as f64 / passed_s,
        tank_s / passed_s,
        u64::from(last - first) + 1 - n,
    );
    Ok(())
}

//! Writes of each EEPROM cell in a year of a board like Harbour Lane's, against the 100 000 that a cell bears (ATmega328P data
//! sheet), and the same for a board that has no station, and for one that resets again and again.
//!
//! `cargo run --release -p firmware-host --example eeprom_wear`

#![allow(clippy::unwrap_used, reason = "a command for developers; it may stop")]

use firmware_host::Runtime;
use firmware_host::store::{Answer, CHUNK, EEPROM_BYTES, Store};
use program::calibration::{Correction, Entry, Linear};
use program::eeprom::{Map, Slot};

/// Bears so many writes (ATmega328P data sheet, "EEPROM: 100,000 write/erase cycles").
const ENDURANCE: f64 = 100_000.0;

/// A way to use a board for a year. Counts a day are estimates from the rules: Harbour Lane's top-off runs some 9 times a day for 20
/// minutes (4.7 to 8.3 L at 1.8 L/h), its lime pump half the night.
struct Use {
    name: &'static str,
    /// Retained records a day: each stop and each 10 min of running.
    kept_a_day: u32,
    events_a_day: u32,
    /// A station takes the events within a minute.
    has_station: bool,
    /// Days from one reset to the next.
    days_a_reset: u32,
    /// Days from one update to the next, confirmed after half an hour.
    days_an_update: u32,
    /// Days from one calibration of three probes to the next.
    days_a_calibration: u32,
}

const USES: [Use; 4] = [
    Use {
        name: "like Harbour Lane",
        kept_a_day: 90,
        events_a_day: 40,
        has_station: true,
        days_a_reset: 7,
        days_an_update: 14,
        days_a_calibration: 14,
    },
    Use {
        name: "a pump that never stops, an event each two minutes",
        kept_a_day: 144,
        events_a_day: 720,
        has_station: true,
        days_a_reset: 1,
        days_an_update: 1,
        days_a_calibration: 1,
    },
    Use {
        name: "no station",
        kept_a_day: 90,
        events_a_day: 40,
        has_station: false,
        days_a_reset: 7,
        days_an_update: 365,
        days_a_calibration: 365,
    },
    Use {
        name: "a power cut each half hour",
        kept_a_day: 138,
        events_a_day: 96,
        has_station: true,
        days_a_reset: 0,
        days_an_update: 365,
        days_a_calibration: 365,
    },
];

fn main() {
    let system = system::load_file("examples/harbour-lane/system.toml".as_ref()).loaded.system.unwrap();
    let program: &'static [u8] = control::compile(&system).unwrap().bytes.leak();
    let mut runtime = Runtime::lock();
    for usage in &USES {
        let wear = year(&mut Store::blank(&mut runtime), program, usage);
        println!("{}: most writes of a cell in a year, and years until it is worn", usage.name);
        for (name, from, to) in parts(&Map::SMALL) {
            let most = wear[from..to].iter().copied().max().unwrap_or(0);
            let years =
                if most == 0 { "never".to_owned() } else { format!("{:.0}", ENDURANCE / f64::from(most)) };
            println!("  {name:<18} {from:4} to {:4} {most:8} {years:>8}", to - 1);
        }
        println!();
    }
}

fn parts(map: &Map) -> [(&'static str, usize, usize); 8] {
    [
        ("program slot A", map.at_slot(Slot::A), map.at_slot(Slot::B)),
        ("program slot B", map.at_slot(Slot::B), map.at_boot()),
        ("boot records", map.at_boot(), map.at_entries()),
        ("calibration", map.at_entries(), map.at_kept(Slot::A)),
        ("retained state", map.at_kept(Slot::A), map.at_events()),
        ("journal", map.at_events(), map.at_marks()),
        ("journal marks", map.at_marks(), map.at_key()),
        ("network key", map.at_key(), map.end()),
    ]
}

/// Writes of each cell in a year, minute by minute.
fn year(store: &mut Store<'_>, program: &'static [u8], usage: &Use) -> [u32; EEPROM_BYTES] {
    const DAY: u32 = 24 * 60;
    let boot = |store: &mut Store<'_>| {
        store.power_up(false);
        let wiring = u32::from_le_bytes(program[6..10].try_into().unwrap());
        store.set_wiring(wiring, 255, 255, 255);
        let golden = u16::from_le_bytes(program[program.len() - 4..program.len() - 2].try_into().unwrap());
        store.open(golden);
        store.load(program);
        store.restore_retained();
        store.event(2, 1, 0);
    };
    boot(store);
    let due = |minute: u32, a_day: u32| minute * a_day / DAY != (minute + 1) * a_day / DAY;
    let each = |minute: u32, days: u32, offset: u32| days != 0 && minute % (days * DAY) == offset;
    let mut sequence = 0_u8;
    for minute in 0..365 * DAY {
        if due(minute, usage.kept_a_day) {
            store.keep();
        }
        if due(minute, usage.events_a_day) {
            store.event(4, minute as u16, minute as u16);
        }
        store.flush();
        if usage.has_station {
            store.events_confirmed(store.newest_event());
        }
        store.minute();
        store.flush();
        if each(minute, usage.days_a_reset, 100) || usage.days_a_reset == 0 && minute % 30 == 0 {
            boot(store);
        }
        if each(minute, usage.days_an_update, 200) {
            upload(store, program);
            boot(store);
        }
        if each(minute, usage.days_an_update, 230) {
            assert_eq!(store.confirm(), Answer::Done);
        }
        if each(minute, usage.days_a_calibration, 300) {
            sequence += 1;
            for input in 0..3 {
                let correction =
                    Correction::Linear(Linear { offset: i32::from(sequence), gain_ppm: 1_000_000 });
                let entry = Entry { input, sequence: sequence & 15, day: 1, correction };
                insist(store, |store| store.calibrate(&entry.to_bytes()));
            }
            if sequence == 255 {
                sequence = 15;
            }
        }
    }
    store.wear()
}

fn insist(store: &mut Store<'_>, mut ask: impl FnMut(&mut Store<'_>) -> Answer) {
    loop {
        match ask(store) {
            Answer::Done => return,
            Answer::Busy => {
                store.idle();
            }
            other => panic!("{other:?}"),
        }
    }
}

fn upload(store: &mut Store<'_>, program: &[u8]) {
    insist(store, |store| store.upload_begin(program.len() as u16));
    for (n, chunk) in program.chunks(CHUNK).enumerate() {
        insist(store, |store| store.upload_chunk((n * CHUNK) as u16, chunk));
    }
    insist(store, |store| store.upload_end(60).0);
}

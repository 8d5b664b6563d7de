//! What is built of the examples passes the checks that the board makes at boot: the C runtime's reader of wiring tables and its loader,
//! compiled for this machine, and the tables block found where the runtime looks for it.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use firmware_host::Runtime as Host;
use image::build::{build, make};
use image::runtime::{Features, Manifest, Runtime};
use image::tables::Tables;
use program::panel::Panel;
use program::wiring::Wiring;
use system::System;

const EXAMPLES: [&str; 3] = ["harbour-lane/system.toml", "desk-60l/system.toml", "raceway/system.toml"];

fn example(name: &str) -> System {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples").join(name);
    system::load_file(&path).loaded.system.unwrap()
}

/// A runtime of any bytes, with the room that those of the chips have.
fn runtime(chip: &str) -> Runtime {
    let (pool, states, watched_pins) = if chip == "ATmega2560" { (3072, 512, 8) } else { (520, 112, 4) };
    let bytes: Vec<u8> = (0..15_001_u32).map(|at| (at * 3) as u8).collect();
    let manifest = Manifest {
        chip: chip.to_owned(),
        features: Features { panel: true, network: true },
        compiler: "none".to_owned(),
        flash: 15_001,
        crc: program::crc::crc32(&bytes),
        sram: 1000,
        pool,
        states,
        watched_pins,
        stack: Some(150),
        modules: vec![],
    };
    Runtime { manifest, bytes }
}

#[test]
fn the_board_takes_what_is_built() {
    for name in EXAMPLES {
        let system = example(name);
        let made = make(&system).unwrap_or_else(|findings| panic!("{name}: {findings:#?}"));
        let built = build(&system, &made, &runtime(&system.boards[0].chip))
            .unwrap_or_else(|findings| panic!("{name}: {findings:#?}"));
        let found = Tables::find(&built.image).unwrap();
        assert_eq!((found.at, found.is_runtime_sound, &found.tables), (15_104, true, &made.tables));

        let mut host = Host::lock();
        let table =
            host.open_wiring(&made.tables.wiring).unwrap_or_else(|| panic!("{name}: refused")).table();
        assert_eq!(usize::from(table.n_numbers), made.wiring.numbers.len(), "{name}");
        assert_eq!(usize::from(table.n_outputs), made.wiring.outputs.len(), "{name}");
        host.pretend_wiring(Wiring::crc(&made.tables.wiring));
        let sizes =
            host.check(&made.tables.program).unwrap_or_else(|verdict| panic!("{name}: verdict {verdict}"));
        assert!(
            usize::from(sizes.pool_bytes) <= runtime(&system.boards[0].chip).manifest.pool as usize,
            "{name}"
        );
        if !made.tables.panel.is_empty() {
            Panel::decode(&made.tables.panel).unwrap_or_else(|error| panic!("{name}: {error}"));
        }
    }
}

//! Images that leave something out: each runs the rules of a table that it serves, and refuses a table that wants more, with every pin
//! an input.

use firmware_bench::board::smallest;
use firmware_bench::{Board, Level, Load};
use link::message::sections;
use program::assembler::{Assembler, Header};
use program::convert::AdcScale;
use program::op::{Op, Stage};
use program::wiring::*;
use program::{BitRef, zone};

/// Code and argument of the event of a wiring table that is refused (docs/link.md, section 5).
const WIRING_TABLE: (u8, u16) = (17, 5);

/// Images by name, and what they serve beside the rest: panel, network.
const IMAGES: [(&str, bool, bool); 7] = [
    ("atmega328p", true, false),
    ("atmega328p-no-panel", false, false),
    ("atmega328p-no-panel-network", false, true),
    ("atmega32u4", true, false),
    ("atmega32u4-no-panel", false, false),
    ("atmega2560", true, false),
    ("atmega2560-network", true, true),
];

/// A contact on PD7 that drives PD4, and more; the SPI bus is on other pins of every chip.
fn wiring(devices: &[DeviceKind], has_key: bool) -> Wiring {
    let pin = |bit: u8| 24 + bit;
    let input = |driver| BitInput { driver, is_normally_closed: false, n_debounce: 4 };
    let mut bits = vec![input(BitDriver::Pin { pin: pin(7) })];
    bits.extend(has_key.then(|| input(BitDriver::RemoteKey { code: 0x45_FF00 })));
    Wiring {
        board: 1,
        adc: AdcScale { reference_mv: 5_000, full_scale: 1_024 },
        numbers: vec![],
        bits,
        outputs: vec![Output {
            driver: OutputDriver::Pin { pin: pin(4) },
            is_active_low: false,
            is_on_when_safe: false,
        }],
        devices: devices.iter().map(|kind| Device { kind: *kind, address: 0x27, shape: 20 }).collect(),
    }
}

fn program(wiring_crc: u32, n_bit_inputs: u8) -> Vec<u8> {
    let mut program = Assembler::new(Header {
        wiring_crc,
        period_ms: 1_000,
        n_number_inputs: 0,
        n_bit_inputs,
        longest_hand_ms: 600_000,
        zone: zone::Zone { standard_quarters: 0, daylight: None },
        wide: false,
    });
    let auto = BitRef(BitRef::N_BUILT_IN as u16);
    program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    program.finish().expect("a program that fits its format")
}

/// The board with this table after its boot, its contact closed.
fn board(image: &str, wiring: &Wiring) -> Board {
    let load = Load::new(wiring, |crc| program(crc, wiring.bits.len() as u8)).expect("a wiring table");
    let mut board = Board::new(image, &load).expect("an image with room for a small table");
    board.chip.drive("PD7", Level::Low).expect("a pin");
    board.power(1).expect("power");
    board.meet().expect("an answer");
    board
}

#[test]
fn an_image_runs_what_it_serves_and_refuses_the_rest() {
    if let Err(reason) = firmware_bench::chip::simulator() {
        eprintln!("left out: {reason}");
        return;
    }
    use DeviceKind::*;
    for (name, has_panel, has_network) in IMAGES {
        if let Err(reason) = smallest(&[name], 150) {
            eprintln!("left out: {reason}");
            continue;
        }
        let tables = [
            (wiring(&[], false), true),
            (wiring(&[TextDisplay], false), has_panel),
            (wiring(&[InfraredReceiver], false), has_panel),
            (wiring(&[], true), has_panel),
            (wiring(&[Ethernet], false), has_network),
        ];
        for (wiring, is_served) in tables {
            let mut board = board(name, &wiring);
            board.run_ms(3_000).expect("time");
            let case = format!("{name}: {wiring:?}");
            let refusals = board.all_events().expect("events");
            let is_refused = refusals.iter().any(|event| (event.code, event.argument) == WIRING_TABLE);
            assert_eq!(is_refused, !is_served, "{case}: {refusals:?}");
            if is_served {
                board.subscribe(sections::OUTPUTS).expect("records");
                let record = board.fresh_record().expect("a record");
                assert_eq!(record.outputs.first().copied(), Some(1), "{case}: {record:?}");
            }
        }
    }
}

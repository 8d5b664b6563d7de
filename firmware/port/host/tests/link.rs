//! A station's client against the whole C runtime over its cable: what is asked for is what the board then does.

use std::time::Duration;

use firmware_host::Runtime;
use firmware_host::link::Cabled;
use firmware_host::store::Store;
use link::Client;
use link::client::{ClientError, Taken, Told};
use link::message::{AnswerCode, ProcedureCommand, sections};
use program::assembler::{Assembler, Header};
use program::convert::AdcScale;
use program::machine::Decoded;
use program::op::{Op, Resets, Stage};
use program::quality::Quality;
use program::vm::ProcedureCommand as ToProcedure;
use program::wiring::Wiring;
use program::wiring::{BitDriver, BitInput, Output, OutputDriver};
use program::zone::Zone;
use program::{BitRef, Command, Machine, Program};

const FLOAT: u8 = 16;
const LEAK: u8 = 17;
const PUMP: u8 = 20;
const HEATER: u8 = 21;

fn wiring() -> Vec<u8> {
    let contact = |pin| BitInput { driver: BitDriver::Pin { pin }, is_normally_closed: false, n_debounce: 2 };
    let output =
        |pin| Output { driver: OutputDriver::Pin { pin }, is_active_low: false, is_on_when_safe: false };
    let wiring = Wiring {
        board: 1,
        adc: AdcScale { reference_mv: 5000, full_scale: 1024 },
        numbers: Vec::new(),
        bits: vec![contact(FLOAT), contact(LEAK)],
        outputs: vec![output(PUMP), output(HEATER)],
        devices: Vec::new(),
    };
    wiring.encode().expect("a table")
}

/// The pump follows the float, unless there was a leak; the heater is on after a delay that tells programs apart.
fn program(wiring: &[u8], heater_delay_ms: i32) -> Vec<u8> {
    let mut assembler = Assembler::new(Header {
        wiring_crc: Wiring::crc(wiring),
        period_ms: 250,
        n_number_inputs: 0,
        n_bit_inputs: 2,
        longest_hand_ms: 3_600_000,
        zone: Zone::UTC,
        wide: false,
    });
    let float = assembler.bit_input(0);
    let leak = assembler.bit_input(1);
    let trip = assembler.bit(Op::Trip { cause: leak, resets: Resets::Manual });
    let late = assembler.bit(Op::Delay { input: BitRef::TRUE, on_ms: heater_delay_ms, off_ms: 0 });
    let drive = |auto, stage| Op::Drive { auto, stage, shortest_run_ms: 0, shortest_rest_ms: 0 };
    assembler.bit(drive(float, Stage { trip, ..Stage::PLAIN }));
    assembler.bit(drive(late, Stage::PLAIN));
    assembler.finish().expect("a program")
}

#[test]
fn what_is_told_is_what_is_done() {
    let mut runtime = Runtime::lock();
    Store::blank(&mut runtime);
    let wiring = wiring();
    let golden = program(&wiring, 1_000);
    let crc = |program: &[u8]| Program::validate(program).expect("sound").crc();
    let mut board = Cabled::boot(&mut runtime, &wiring, &golden);
    // Contacts close to ground: high is open.
    board.set_pin(FLOAT, true);
    board.set_pin(LEAK, true);
    board.run(2_000);

    let mut client = Client::over_cable(&mut board).expect("a board");
    let hello = *client.board();
    assert_eq!((hello.running_crc, hello.wiring_crc), (crc(&golden), Wiring::crc(&wiring)));
    assert_eq!((hello.program, hello.confirmed_crc, hello.period_ms), (0, 0, 250));
    assert_eq!((hello.n_bit_inputs, hello.n_drives, hello.n_trips), (2, 2, 1));
    assert!(hello.scan >= 2, "{}", hello.scan);

    // The clock.
    assert_eq!(client.clock().expect("told"), None);
    client.set_clock(800_000_000).expect("set");
    client.transport().run(600);
    let clock = client.clock().expect("told").expect("not lost");
    assert!((800_000_000..800_000_005).contains(&clock), "{clock}");

    // Records carry what went in and what came out; so the reference, given the same, does the same.
    let decoded = Decoded::new(&Program::validate(&golden).expect("sound"));
    let mut machine: Machine<1> = Machine::new(decoded);
    client.restart().expect("restarts");
    client.transport().run(300);
    let mut scan = 0;
    client.hello().expect("back");
    client.subscribe(31, 1).expect("subscribed");
    let mut n_compared = 0;
    let mut was_known = false;
    for n in 0..60 {
        match n {
            10 => assert!(matches!(client.hand(0, 1, 2_000), Ok(Taken::ForScan(_)))),
            20 => client.transport().set_pin(FLOAT, false),
            30 => client.transport().set_pin(LEAK, false),
            35 => assert_eq!(
                client.hand(0, 1, 2_000).expect("told"),
                Taken::Refused { output: 0, hand_left_ms: 0 }
            ),
            40 => client.transport().set_pin(LEAK, true),
            45 => assert!(matches!(client.reset_trip(0), Ok(Taken::ForScan(_)))),
            50 => assert!(matches!(
                client.procedure(0, ProcedureCommand::Start),
                Err(ClientError::Refused(AnswerCode::NoSuchPart, _))
            )),
            _ => {}
        }
        let record = client.next_record(Duration::from_secs(2)).expect("a line").expect("a record");
        assert!(scan == 0 || record.scan == scan + 1, "none is missing");
        // Before the first record nothing was done but scans with open contacts.
        while !was_known && scan + 1 < record.scan {
            scan += 1;
            for bit in 0..2 {
                machine.set_bit(bit, 0, false, Quality::Good);
            }
            machine.set_clock(0, None);
            machine.scan();
        }
        was_known = true;
        scan = record.scan;
        for (bit, &(value, quality)) in record.bit_inputs.iter().enumerate() {
            machine.set_bit(bit, 0, value, quality);
        }
        machine.set_clock(0, record.is_clock_good.then_some(record.clock_s));
        for command in &record.commands {
            let part = command.part.into();
            machine.command(
                0,
                match command.kind {
                    1 => Command::Hand {
                        drive: part,
                        value: command.value.into(),
                        time_ms: command.time_ms.cast_signed(),
                    },
                    2 => Command::ResetTrip { trip: part },
                    _ => Command::Procedure { procedure: part, command: ToProcedure::Stop },
                },
            );
        }
        machine.scan();
        for (drive, &output) in record.outputs.iter().enumerate() {
            // Both drives are switched: the reference counts them as full duty, the board as 1.
            assert_eq!(machine.output(drive, 0), 1000 * i32::from(output), "scan {scan}, drive {drive}");
        }
        for (slot, &bit) in record.bits.iter().enumerate() {
            assert_eq!(machine.bit(BitRef(slot as u16 + 4), 0), bit, "scan {scan}, bit {slot}");
        }
        assert_eq!(machine.is_tripped(0, 0), record.trips[0]);
        assert_eq!(machine.hand_left_ms(0, 0), record.hands_left_ms[0].cast_signed());
        n_compared += 1;
    }
    assert_eq!((n_compared, client.n_broken_records()), (60, 0));
    client.subscribe(0, 0).expect("ended");

    // The journal told of it, as far as its twelve places go; the rest is counted as soon as there is room again.
    let told = client.events_after(None).expect("events");
    let events = |told: &[Told]| -> Vec<(u8, u8)> {
        let event = |told: &Told| match told {
            Told::Event(event) => Some((event.sequence, event.code)),
            Told::Lost(_) => None,
        };
        told.iter().filter_map(event).collect()
    };
    let codes: Vec<u8> = events(&told).iter().map(|event| event.1).collect();
    for code in [2, 3, 4, 11, 13] {
        assert!(codes.contains(&code), "event {code} in {told:?}");
    }
    let last = events(&told).last().expect("some").0;
    client.acknowledge(last).expect("acknowledged");
    client.transport().run(2_000);
    let more = client.events_after(Some(last)).expect("events");
    let n_lost: u16 = more.iter().map(|told| if let Told::Lost(Some(n)) = told { *n } else { 0 }).sum();
    let is_told = [&told, &more].into_iter().any(|part| events(part).iter().any(|event| event.1 == 5));
    assert!(n_lost > 0 || is_told, "the trip's reset: {told:?}, {more:?}");
    let last = client.hello().expect("told").newest_event;
    client.acknowledge(last).expect("acknowledged");
    assert_eq!(client.events_after(Some(last)).expect("events"), []);
}

#[test]
fn an_upload_is_a_trial_until_it_is_confirmed() {
    let mut runtime = Runtime::lock();
    Store::blank(&mut runtime);
    let wiring = wiring();
    let golden = program(&wiring, 1_000);
    let second = program(&wiring, 7_000);
    let third = program(&wiring, 8_000);
    let crc = |program: &[u8]| Program::validate(program).expect("sound").crc();
    let mut board = Cabled::boot(&mut runtime, &wiring, &golden);
    board.set_pin(LEAK, true);
    board.run(1_000);
    let mut client = Client::over_cable(&mut board).expect("a board");
    let wait = Duration::from_secs(20);

    client.upload(&second, 10, |_| {}).expect("sent");
    assert!(client.wait_for_program(crc(&second), wait).expect("a line"));
    assert_eq!((client.board().program, client.board().confirmed_crc), (2, 0));
    let again = client.upload(&third, 10, |_| {});
    assert!(matches!(again, Err(ClientError::Refused(AnswerCode::Trial, _))), "a trial runs: {again:?}");
    client.confirm().expect("confirmed");
    client.hello().expect("told");
    assert_eq!((client.board().program, client.board().confirmed_crc), (1, crc(&second)));

    client.upload(&third, 10, |_| {}).expect("sent");
    assert!(client.wait_for_program(crc(&third), wait).expect("a line"));
    client.revert().expect("reverted");
    assert!(client.wait_for_program(crc(&second), wait).expect("a line"));
    assert_eq!((client.board().program, client.board().confirmed_crc), (1, crc(&second)));

    // A damaged one, and one for other wires, never get a name.
    let mut damaged = third.clone();
    damaged[20] ^= 1;
    let refused = client.upload(&damaged, 10, |_| {});
    assert!(matches!(refused, Err(ClientError::Refused(AnswerCode::Program, _))), "{refused:?}");
    let foreign = program(b"other wires, other checksum", 1_000);
    let refused = client.upload(&foreign, 10, |_| {});
    assert!(matches!(refused, Err(ClientError::Refused(AnswerCode::Program, _))), "{refused:?}");
    client.hello().expect("told");
    assert_eq!(client.board().running_crc, crc(&second));

    // A trial that nobody confirms gives way.
    client.upload(&third, 1, |_| {}).expect("sent");
    assert!(client.wait_for_program(crc(&third), wait).expect("a line"));
    client.transport().run(125_000);
    assert!(client.wait_for_program(crc(&second), wait).expect("a line"));
    assert_eq!(client.board().fallback, 1, "unconfirmed");

    // The network key is taken, and nothing tells it.
    client.set_key(&[7; 16]).expect("set");
    let all = sections::INPUTS | sections::OUTPUTS;
    client.subscribe(all, 0).expect("subscribed");
    assert!(client.next_record(Duration::from_secs(2)).expect("a line").is_some());
}

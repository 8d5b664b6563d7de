//! Whatever the number of lanes, and decoded once or each time: the same bits. And no bytes make the loader or the VM
//! panic.
#![allow(clippy::unwrap_used)]

mod common;

use program::generate::{inputs, program};
use program::machine::{Decoded, Machine};
use program::quality::{Quality, Sample};
use program::vm::{Common, DriveState, Storage, scan};
use program::{Command, Program};
use proptest::prelude::*;

const N_SCANS: u32 = 120;

/// Eight different input sequences in the lanes of one machine against eight machines of one lane each.
fn lanes_agree<const L: usize>(seed: u64) {
    let bytes = program(seed);
    let program = Program::validate(&bytes).unwrap();
    let decoded = Decoded::new(&program);
    let mut together = Machine::<L>::new(decoded.clone());
    let mut alone: Vec<Machine<1>> = (0..L).map(|_| Machine::new(decoded.clone())).collect();
    for k in 0..N_SCANS {
        for (lane, single) in alone.iter_mut().enumerate() {
            let inputs = inputs(seed ^ lane as u64, k, &program);
            inputs.apply(&mut together, lane);
            inputs.apply(single, 0);
            single.scan();
        }
        together.scan();
        for (lane, single) in alone.iter().enumerate() {
            assert_eq!(together.lane_words(lane), single.lane_words(0), "seed {seed} scan {k} lane {lane}");
        }
    }
}

/// How many programs to draw; `PROGRAM_SEEDS=100000` makes a long run.
fn n_seeds(usual: u64) -> u64 {
    std::env::var("PROGRAM_SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

#[test]
fn lanes_do_not_change_bits() {
    for seed in 0..n_seeds(400) {
        lanes_agree::<8>(seed);
        lanes_agree::<3>(seed + 1_000_000);
    }
}

#[test]
fn decoding_each_time_gives_the_same_bits() {
    for seed in 2_000..2_000 + n_seeds(300) {
        let bytes = program(seed);
        let program = Program::validate(&bytes).unwrap();
        let sizes = program.sizes();
        let mut machine = Machine::<1>::new(Decoded::new(&program));
        let mut numbers = vec![[0; 1]; sizes.n_numbers.into()];
        let mut qualities = vec![[0; 1]; sizes.n_numbers.into()];
        let mut bits = vec![[0; 1]; sizes.n_bits.into()];
        let mut cells = vec![[0; 1]; sizes.n_cells.into()];
        let mut drives = vec![DriveState::<1>::IDLE; sizes.n_drives.into()];
        let mut resets = vec![[0; 1]; sizes.n_trips.into()];
        let mut commands = vec![[0; 1]; sizes.n_procedures.into()];
        let mut common = Common::<1>::new();
        for k in 0..N_SCANS {
            let mut inputs = inputs(seed, k, &program);
            inputs.restarts = false;
            inputs.apply(&mut machine, 0);
            machine.scan();
            for (input, sample) in inputs.numbers.iter().enumerate() {
                numbers[input] = [sample.value];
                qualities[input] = [sample.quality as u8];
            }
            for (input, (value, quality)) in inputs.bits.iter().enumerate() {
                bits[input + 2] = [program::quality::pack_bit(*value, *quality)];
            }
            common.clock_quality = [if inputs.clock_s.is_some() { 0 } else { 2 }];
            common.clock_s = [inputs.clock_s.unwrap_or(common.clock_s[0])];
            for command in &inputs.commands {
                match *command {
                    Command::Hand { drive, value, time_ms } => {
                        drives[usize::from(drive)].hand_value = [value];
                        drives[usize::from(drive)].hand_left_ms = [time_ms.min(program.longest_hand_ms())];
                    }
                    Command::ResetTrip { trip } => resets[usize::from(trip)] = [1],
                    Command::Procedure { procedure, command } => {
                        commands[usize::from(procedure)] = [command as u8];
                    }
                }
            }
            let mut storage = Storage {
                numbers: &mut numbers,
                qualities: &mut qualities,
                bits: &mut bits,
                cells: &mut cells,
                drives: &mut drives,
                resets: &mut resets,
                commands: &mut commands,
                common: &mut common,
            };
            scan(&program, &mut storage);
            let mut words: Vec<i32> = numbers.iter().map(|slot| slot[0]).collect();
            words.extend(qualities.iter().map(|slot| i32::from(slot[0])));
            words.extend(bits.iter().map(|slot| i32::from(slot[0])));
            words.extend(cells.iter().map(|slot| slot[0]));
            words.extend(drives.iter().map(|drive| drive.hand_left_ms[0]));
            words.push(common.day[0] as i32);
            assert_eq!(machine.lane_words(0), words, "seed {seed} scan {k}");
        }
    }
}

#[test]
fn forked_lanes_go_on_as_their_origin() {
    for seed in 5_000..5_060 {
        let bytes = program(seed);
        let program = Program::validate(&bytes).unwrap();
        let mut origin = Machine::<1>::new(Decoded::new(&program));
        for k in 0..20 {
            inputs(seed, k, &program).apply(&mut origin, 0);
            origin.scan();
        }
        let mut forked = Machine::<4>::fork(&origin, 0);
        for k in 20..N_SCANS {
            let inputs = inputs(seed, k, &program);
            inputs.apply(&mut origin, 0);
            (0..4).for_each(|lane| inputs.apply(&mut forked, lane));
            origin.scan();
            forked.scan();
            assert_eq!(forked.lane_words(3), origin.lane_words(0), "seed {seed} scan {k}");
        }
    }
}

/// The generator leaves no operation out, else the agreement above says nothing about it.
#[test]
fn every_operation_is_drawn() {
    let mut seen = [0_u32; 64];
    for seed in 0..400 {
        let bytes = program(seed);
        let program = Program::validate(&bytes).unwrap();
        for placed in program.ops() {
            seen[usize::from(bytes[usize::from(placed.at)] & 0x3F)] += 1;
        }
    }
    for code in (0x01..=0x12).chain(0x20..=0x30) {
        assert!(seen[code] >= 20, "operation {code:#04x} drawn {} times", seen[code]);
    }
}

/// Makes the container whole again, so that a mutation reaches the checks behind the checksum.
fn seal(bytes: &mut [u8]) {
    let body = bytes.len() - 4;
    let length = bytes.len() as u16;
    bytes[4..6].copy_from_slice(&length.to_le_bytes());
    let crc = program::crc::crc32(&bytes[..body]);
    bytes[body..].copy_from_slice(&crc.to_le_bytes());
}

fn run_if_valid(bytes: &[u8], seed: u64) -> bool {
    let Ok(program) = Program::validate(bytes) else { return false };
    let mut machine = Machine::<2>::new(Decoded::new(&program));
    for k in 0..30 {
        inputs(seed, k, &program).apply(&mut machine, 0);
        inputs(seed ^ 1, k, &program).apply(&mut machine, 1);
        machine.scan();
    }
    let _ = program::text::disassemble(&program);
    true
}

/// Standing inputs must leave nothing to do, else evaluation by change saves nothing.
#[test]
fn a_settled_board_carries_out_little() {
    let bytes = common::harbour();
    let program = Program::validate(&bytes).unwrap();
    let mut machine = Machine::<1>::new(Decoded::new(&program));
    for input in 0..program.n_bit_inputs() {
        machine.set_bit(input, 0, false, Quality::Good);
    }
    for (input, value) in [25_500, 25_500, 25_500, 8_200, 30_000, 3_000].into_iter().enumerate() {
        machine.set_number(input, 0, Sample::good(value));
    }
    for k in 0..4_000 {
        machine.set_clock(0, Some(800_000_000 + k));
        machine.scan();
    }
    let before = machine.n_carried_out();
    machine.set_clock(0, Some(800_004_000));
    machine.scan();
    // The clock itself and the three operations that read it.
    assert_eq!(machine.n_carried_out() - before, 4);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn any_bytes_are_refused_or_run(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        run_if_valid(&bytes, 7);
    }

    #[test]
    fn any_operations_are_refused_or_run(body in prop::collection::vec(any::<u8>(), 0..60), wide in any::<bool>()) {
        let mut bytes = b"Tw\x01".to_vec();
        bytes.push(u8::from(wide));
        bytes.extend([0, 0, 1, 2, 3, 4, 4, 3, 3, 5]);
        bytes.extend(body);
        bytes.extend([0; 4]);
        seal(&mut bytes);
        run_if_valid(&bytes, 7);
    }

    #[test]
    fn mutated_programs_are_refused_or_run(
        seed in any::<u64>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let mut bytes = program(seed);
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        run_if_valid(&bytes, seed);
        seal(&mut bytes);
        run_if_valid(&bytes, seed);
    }
}

#[test]
fn what_is_retained_as_bytes_is_what_a_restart_keeps() {
    for seed in 3_000..3_200 {
        let bytes = program(seed);
        let program = Program::validate(&bytes).unwrap();
        let decoded = Decoded::new(&program);
        let mut machine = Machine::<1>::new(decoded.clone());
        for k in 0..N_SCANS {
            inputs(seed, k, &program).apply(&mut machine, 0);
            machine.scan();
        }
        let kept = machine.keep(0);
        let mut other = Machine::<1>::new(decoded);
        assert!(other.restore(0, &kept));
        machine.restart(0);
        assert_eq!(machine.lane_words(0), other.lane_words(0), "seed {seed}");
        assert!(!other.restore(0, &kept[1..]));
        for k in 0..20 {
            for machine in [&mut machine, &mut other] {
                inputs(seed, 1_000 + k, &program).apply(machine, 0);
                machine.scan();
            }
            assert_eq!(machine.lane_words(0), other.lane_words(0), "seed {seed} scan {k}");
        }
    }
}

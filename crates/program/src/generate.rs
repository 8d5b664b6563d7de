//! Programs and inputs drawn from a seed, for holding VMs together: any two that claim this format must agree on all
//! of them, bit for bit. The same seed gives the same program and inputs everywhere.

use crate::assembler::{Assembler, Header, StepPlan};
use crate::format::Program;
use crate::machine::Command;
use crate::op::*;
use crate::quality::{Quality, Sample};
use crate::vm::ProcedureCommand;
use crate::zone::{Change, Daylight, Zone};
use alloc::vec::Vec;

/// Counter-based random numbers (SplitMix64 by Steele, Lea and Flood, 2014): draw n of a seed never depends on what else is drawn.
#[derive(Clone, Debug)]
pub struct Draw(u64);

impl Draw {
    /// Starts a sequence.
    pub fn new(seed: u64) -> Draw {
        Draw(seed)
    }

    /// The next 64 bits.
    pub fn next_word(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    /// A number below `n`, which is at least 1.
    pub fn below(&mut self, n: u32) -> u32 {
        (self.next_word() >> 33) as u32 % n.max(1)
    }

    fn chance(&mut self, percent: u32) -> bool {
        self.below(100) < percent
    }

    fn of<T: Copy>(&mut self, items: &[T]) -> T {
        items[self.below(items.len() as u32) as usize]
    }

    /// Values as signals have them, with the odd extreme.
    fn value(&mut self) -> i32 {
        match self.below(16) {
            0 => self.of(&[i32::MIN, i32::MAX, -1, 0, 1, 1 << 24, -(1 << 24)]),
            1..=4 => self.below(1_000_000) as i32 - 500_000,
            _ => 20_000 + self.below(12_000) as i32,
        }
    }

    fn constant(&mut self) -> i32 {
        match self.below(12) {
            0 => self.of(&[-536_870_911, 536_870_911, 2_000_000_000, -2_000_000_000, 0, 1]),
            1..=3 => self.below(1_000_000) as i32 - 500_000,
            _ => 20_000 + self.below(120) as i32 * 100,
        }
    }

    fn duration(&mut self) -> i32 {
        match self.below(8) {
            0 => 0,
            1 => self.below(10_000) as i32,
            2 => self.of(&[crate::codec::MAX_DURATION_MS, 86_400_000, 3_600_000]),
            _ => self.below(20) as i32 * 1_000,
        }
    }

    fn day_time(&mut self) -> i32 {
        if self.chance(10) { self.of(&[0, DAY_MS]) } else { self.below(1_440) as i32 * 60_000 }
    }

    fn change(&mut self) -> Change {
        Change {
            month: 1 + self.below(12) as u8,
            week: 1 + self.below(5) as u8,
            weekday: self.below(7) as u8,
            minute: self.below(300) as i16 - 60,
        }
    }

    fn zone(&mut self) -> Zone {
        let standard_quarters = self.below(104) as i8 - 48;
        let daylight = self.chance(60).then(|| Daylight {
            quarters: standard_quarters + self.of(&[4, 2, -4]),
            start: self.change(),
            end: self.change(),
        });
        Zone { standard_quarters, daylight }
    }
}

/// What slots an operation may name.
struct Slots {
    n_numbers: u32,
    n_bits: u32,
}

impl Slots {
    fn number(&self, draw: &mut Draw) -> NumRef {
        NumRef(draw.below(self.n_numbers) as u16)
    }

    fn bit(&self, draw: &mut Draw) -> BitRef {
        let slot = BitRef(draw.below(self.n_bits) as u16);
        if draw.chance(30) { !slot } else { slot }
    }

    fn bits(&self, draw: &mut Draw, n: u32) -> BitList {
        let items: Vec<BitRef> = (0..n).map(|_| self.bit(draw)).collect();
        List::new(&items, BitRef::TRUE)
    }

    fn source(&self, draw: &mut Draw) -> Source {
        if draw.chance(50) { Source::Slot(self.number(draw)) } else { Source::Constant(draw.constant()) }
    }

    fn stage(&self, draw: &mut Draw) -> Stage {
        Stage {
            permissive: if draw.chance(50) { self.bit(draw) } else { BitRef::TRUE },
            trip: if draw.chance(50) { self.bit(draw) } else { BitRef::FALSE },
            when_blind: draw.of(&[WhenBlind::Off, WhenBlind::On, WhenBlind::Hold]),
            on_at_power_up: draw.chance(30),
            on_when_tripped: draw.chance(20),
            start_delay_ms: if draw.chance(30) { draw.below(30) as i32 * 1_000 } else { 0 },
        }
    }

    fn op(&self, draw: &mut Draw) -> Op {
        let relation = draw.of(&[Relation::Above, Relation::AtLeast, Relation::Equal]);
        let (number, other) = (self.number(draw), self.number(draw));
        let (bit, second) = (self.bit(draw), self.bit(draw));
        let limit = draw.constant();
        let width = draw.below(2_000) as i32;
        let (on_ms, off_ms) = (draw.duration(), draw.duration());
        let (from_ms, to_ms) = (draw.day_time(), draw.day_time());
        match draw.below(36) {
            0 => Op::Compare { relation, input: number, limit },
            1 => Op::CompareSlots { relation, a: number, b: other },
            2 | 3 => Op::Switch { rising: draw.chance(50), input: number, start: limit, width },
            4 => Op::SetReset { set: bit, reset: second },
            5 => {
                let n = 2 + draw.below(7);
                Op::All(self.bits(draw, n))
            }
            6 => {
                let n = 2 + draw.below(7);
                Op::Any(self.bits(draw, n))
            }
            7 => {
                let vote = draw.of(&[Vote::OneOfTwo, Vote::TwoOfTwo, Vote::TwoOfThree]);
                Op::VoteBits { vote, inputs: self.bits(draw, vote.n_operands() as u32) }
            }
            8 | 9 => Op::Delay { input: bit, on_ms, off_ms },
            10 | 11 => Op::Trip {
                cause: bit,
                resets: match draw.below(3) {
                    0 => Resets::Manual,
                    1 => Resets::Counted { when: second, per_day: 1 + draw.below(4) as u8 },
                    _ => Resets::Unlimited { when: second },
                },
            },
            12 => Op::Stall {
                falling: draw.chance(50),
                running: bit,
                input: number,
                time_ms: on_ms,
                gain: 1 + width,
            },
            13 => Op::QualityTest(match draw.below(4) {
                0 => Doubt::NumberBad(number),
                1 => Doubt::NumberNotGood(number),
                2 => Doubt::BitBad(bit),
                _ => Doubt::BitNotGood(bit),
            }),
            14 => Op::Disagree { a: number, b: other, limit: width },
            15 => Op::Window { time: number, from_ms, to_ms },
            16 => Op::SubstituteBit { input: bit, fallback: second },
            17 => Op::Alarm {
                priority: draw.of(&[Priority::Low, Priority::Medium, Priority::High]),
                input: bit,
                on_ms,
                off_ms,
            },
            18 => Op::Dose(Dose {
                time: number,
                rate: other,
                running: bit,
                volume_ml: draw.below(8_000) as i32,
                n_portions: 1 + draw.below(24) as u8,
                from_ms,
                to_ms,
            }),
            19 => Op::Constant(limit),
            20 | 21 => Op::Arithmetic {
                kind: draw.of(&[
                    Arithmetic::Sum,
                    Arithmetic::Difference,
                    Arithmetic::Minimum,
                    Arithmetic::Maximum,
                ]),
                a: number,
                b: other,
            },
            22 => Op::Scale {
                input: number,
                multiplier: draw.constant(),
                divisor: 1 + draw.below(5_000) as i32,
                offset: limit,
            },
            23 => Op::Clamp {
                input: number,
                lowest: limit,
                highest: limit.saturating_add(width) / 10 * 10 + 10,
            },
            24 => Op::Lag { input: number, time_ms: on_ms },
            25 => Op::Rate { input: number, window_ms: on_ms.max(1_000) },
            26 | 27 => {
                let n = 2 + draw.below(3);
                let items: Vec<NumRef> = (0..n).map(|_| self.number(draw)).collect();
                Op::Probes {
                    combine: draw.of(&[Combine::Mean, Combine::MidValue, Combine::Lowest, Combine::Highest]),
                    inputs: List::new(&items, NumRef(0)),
                }
            }
            28 => Op::Substitute { input: number, fallback: self.source(draw) },
            29 => Op::Select { condition: bit, yes: self.source(draw), no: self.source(draw) },
            30 => Op::Time(draw.of(&[
                TimeKind::LocalTimeOfDay,
                TimeKind::Weekday,
                TimeKind::DayOfYear,
                TimeKind::UtcTimeOfDay,
            ])),
            31 => Op::Ramp {
                time: number,
                from_ms,
                to_ms,
                ramp_ms: draw.below(720) as i32 * 60_000,
                highest: draw.below(1_001) as i16,
            },
            32 => Op::TotalVolume { rate: number, running: bit, is_daily: draw.chance(70) },
            33 => Op::TotalRun { running: bit, is_daily: draw.chance(70) },
            _ => {
                let lowest = draw.below(500) as i16;
                Op::Modulate(Modulate {
                    input: number,
                    setpoint: limit,
                    is_cooling: draw.chance(50),
                    gain: draw.below(5_000) as i32,
                    integral_ms: on_ms,
                    lowest,
                    highest: lowest + draw.below(500) as i16,
                })
            }
        }
    }
}

/// A valid program of up to some hundred operations.
pub fn program(seed: u64) -> Vec<u8> {
    // A drawn program can lack a form only by a clamp at the edge of i32; the next draw replaces it.
    (0..).find_map(|attempt: u64| assemble(&mut Draw::new(seed ^ attempt << 48))).unwrap_or_default()
}

fn assemble(draw: &mut Draw) -> Option<Vec<u8>> {
    let n_drives = 1 + draw.below(8);
    let n_plain = draw.below(80);
    let n_procedures = draw.below(3);
    let header = Header {
        wiring_crc: draw.next_word() as u32,
        period_ms: 250 * draw.of(&[1, 4, 4, 4, 7, 40]),
        n_number_inputs: 1 + draw.below(12) as u8,
        n_bit_inputs: draw.below(12) as u8,
        longest_hand_ms: draw.below(100) as i32 * 1_000,
        zone: draw.zone(),
        wide: draw.chance(20),
    };
    let mut program = Assembler::new(header);
    // Operands may name any slot, later ones included, so the final counts come first: operations are drawn with the
    // slots that inputs alone guarantee, and drives by forward reference.
    let mut slots = Slots {
        n_numbers: header.n_number_inputs.into(),
        n_bits: u32::from(header.n_bit_inputs) + BitRef::N_BUILT_IN as u32,
    };
    let labels: Vec<BitRef> = (0..n_drives).map(|_| program.forward()).collect();
    let feedback = draw.of(&labels);
    program.number(Op::TotalRun { running: feedback, is_daily: true });
    slots.n_numbers += 1;
    for _ in 0..n_procedures {
        let steps: Vec<StepPlan> = (0..1 + draw.below(4))
            .map(|_| StepPlan {
                end: match draw.below(3) {
                    0 => StepEnd::Timed,
                    1 => StepEnd::Confirmed,
                    _ => StepEnd::When(slots.bit(draw)),
                },
                longest_ms: draw.below(20) as i32 * 1_000,
                forces: (0..draw.below(4))
                    .map(|_| Force { drive: draw.below(n_drives) as u8, is_on: draw.chance(50) })
                    .collect(),
            })
            .collect();
        let abort = if draw.chance(30) { slots.bit(draw) } else { BitRef::FALSE };
        program.procedure(abort, &steps);
        slots.n_numbers += 1;
    }
    for _ in 0..n_plain {
        if draw.chance(4) {
            let x = draw.value() / 4;
            let points: Vec<(i32, i32)> =
                (0..2 + draw.below(6) as i32).map(|at| (x + at * 1_000, draw.value() / 4)).collect();
            program.curve(slots.number(draw), &points);
            slots.n_numbers += 1;
            continue;
        }
        let op = slots.op(draw);
        if op.gives_bit() {
            program.bit(op);
            slots.n_bits += 1;
        } else {
            program.number(op);
            slots.n_numbers += 1;
        }
    }
    for label in labels {
        let stage = slots.stage(draw);
        if draw.chance(30) {
            program.number(Op::DriveDuty { auto: slots.number(draw), stage });
            slots.n_numbers += 1;
            program.bind(label, BitRef::TRUE);
        } else {
            let auto = slots.bit(draw);
            let (shortest_run_ms, shortest_rest_ms) = (draw.duration(), draw.duration());
            let drive = program.bit(Op::Drive { auto, stage, shortest_run_ms, shortest_rest_ms });
            slots.n_bits += 1;
            program.bind(label, drive);
        }
    }
    program.finish().ok()
}

/// The inputs of one scan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Inputs {
    /// One for each number input.
    pub numbers: Vec<Sample>,
    /// One for each bit input.
    pub bits: Vec<(bool, Quality)>,
    /// UTC seconds since 2000-01-01, or a lost clock.
    pub clock_s: Option<u32>,
    /// What people ask for.
    pub commands: Vec<Command>,
    /// Whether the board resets before this scan.
    pub restarts: bool,
}

/// The inputs of scan `scan` under a seed; they do not depend on earlier scans. Some inputs change in every scan, others
/// stand still for a while, so that timers come to their ends and evaluation by change has something to skip.
pub fn inputs(seed: u64, scan: u32, program: &Program<'_>) -> Inputs {
    let stream = |input: u32| {
        let steady_for = [1, 3, 13, 40][(seed.wrapping_add(u64::from(input)) % 4) as usize];
        let stretch = u64::from(scan / steady_for);
        Draw::new(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ stretch << 20 ^ u64::from(input) << 52)
    };
    let quality = |draw: &mut Draw| match draw.below(16) {
        0 => Quality::Bad,
        1 => Quality::Uncertain,
        _ => Quality::Good,
    };
    let n_numbers = program.n_number_inputs() as u32;
    let numbers = (0..n_numbers)
        .map(|input| {
            let mut draw = stream(input);
            match quality(&mut draw) {
                Quality::Bad => Sample::BAD,
                quality => Sample { value: draw.value(), quality },
            }
        })
        .collect();
    let bits = (0..program.n_bit_inputs() as u32)
        .map(|input| {
            let mut draw = stream(n_numbers + input);
            let (value, quality) = (draw.chance(50), quality(&mut draw));
            (value && quality != Quality::Bad, quality)
        })
        .collect();
    let mut draw = Draw::new(seed.wrapping_mul(0x9E6D_62D0_6F6A_9A9B) ^ u64::from(scan) << 20);
    // Some scans jump hours so that days, seasons and changes of the clock all come by.
    let start = (seed % 3_000) as u32 * 100_003;
    let clock_s = (!draw.chance(5)).then_some(start + scan + scan / 50 * 20_000);
    let sizes = program.sizes();
    let mut commands = Vec::new();
    if draw.chance(6) {
        commands.push(Command::Hand {
            drive: draw.below(sizes.n_drives.into()) as u16,
            value: draw.of(&[0, 1, 400, 1_000, -5, 2_000]),
            time_ms: draw.below(30) as i32 * 1_000,
        });
    }
    if sizes.n_trips > 0 && draw.chance(6) {
        commands.push(Command::ResetTrip { trip: draw.below(sizes.n_trips.into()) as u16 });
    }
    if sizes.n_procedures > 0 && draw.chance(8) {
        commands.push(Command::Procedure {
            procedure: draw.below(sizes.n_procedures.into()) as u16,
            command: draw.of(&[
                ProcedureCommand::Start,
                ProcedureCommand::Start,
                ProcedureCommand::Confirm,
                ProcedureCommand::Stop,
            ]),
        });
    }
    Inputs { numbers, bits, clock_s, commands, restarts: draw.chance(2) }
}

impl Inputs {
    /// Puts these inputs into one lane of a machine.
    pub fn apply<const L: usize>(&self, machine: &mut crate::machine::Machine<L>, lane: usize) {
        if self.restarts {
            machine.restart(lane);
        }
        for (input, sample) in self.numbers.iter().enumerate() {
            machine.set_number(input, lane, *sample);
        }
        for (input, (value, quality)) in self.bits.iter().enumerate() {
            machine.set_bit(input, lane, *value, *quality);
        }
        machine.set_clock(lane, self.clock_s);
        for command in &self.commands {
            machine.command(lane, *command);
        }
    }
}

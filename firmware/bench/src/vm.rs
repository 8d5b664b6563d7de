//! The C virtual machine alone on a simulated ATmega328P, held against the reference.

use crate::chip::{Chip, Result};
use program::generate::{self, Inputs};
use program::machine::{Command, Decoded, Machine};
use program::vm::ProcedureCommand;
use program::{BitRef, NumRef, Program, Quality, Sample};
use std::path::Path;
use std::sync::Arc;

/// The program that `chip/vm_main.c` became, or why there is none.
pub fn image() -> Result<&'static Path> {
    option_env!("VM_ELF").map(Path::new).ok_or_else(|| {
        format!("no virtual machine for the chip: {}", option_env!("VM_ELF_MISSING").unwrap_or("not built"))
    })
}

/// Where a program stands while it runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// As the golden program does.
    Flash,
    /// As confirmed and trial programs do.
    Eeprom,
    /// As only tests have it; 128 bytes at most.
    Memory,
}

/// Where in flash programs are put: behind everything that the image can be.
const FLASH_AT: u16 = 0x6000;
/// Of the third general-purpose register: a verdict the loader gives for want of memory.
const VERDICT_MEMORY: u8 = 19;

/// A chip that carries out programs.
pub struct VmChip {
    chip: Chip,
    memory_at: u16,
}

/// What one program did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Scans that were compared.
    pub n_scans: u32,
    /// Cycles of the longest.
    pub longest_scan: u64,
    /// The chip has too little memory for it.
    pub is_too_large: bool,
}

impl VmChip {
    /// Starts the chip.
    pub fn start() -> Result<VmChip> {
        let mut chip = Chip::start("atmega328p", image()?)?;
        chip.open_debug_port()?;
        chip.power(1)?;
        let mut vm = VmChip { chip, memory_at: 0 };
        let answer = vm.exchange(b"M", 2)?;
        vm.memory_at = u16::from_le_bytes([answer[0], answer[1]]);
        Ok(vm)
    }

    /// Gives a request and runs until the chip wants more.
    fn exchange(&mut self, request: &[u8], n: usize) -> Result<Vec<u8>> {
        self.chip.give(request)?;
        let state = self.chip.run(200_000_000)?;
        let answer = self.chip.take()?;
        if !state.is_starved || answer.len() != n {
            return Err(format!(
                "request {:?}: {} bytes instead of {n}, {state:?}",
                request.first().map(|byte| *byte as char),
                answer.len()
            ));
        }
        Ok(answer)
    }

    fn load(&mut self, bytes: &[u8], place: Place) -> Result<u8> {
        let (code, base) = match place {
            Place::Flash => (0, FLASH_AT),
            Place::Eeprom => (1, 16),
            Place::Memory => (2, self.memory_at),
        };
        match place {
            Place::Flash => self.chip.set_flash(base.into(), bytes)?,
            Place::Eeprom => self.chip.set_eeprom(base.into(), bytes)?,
            Place::Memory => self.chip.poke(base.into(), bytes)?,
        }
        self.load_again(bytes, code, base)
    }

    fn load_again(&mut self, bytes: &[u8], place: u8, base: u16) -> Result<u8> {
        let mut request = vec![b'L', place];
        request.extend(base.to_le_bytes());
        request.extend((bytes.len() as u16).to_le_bytes());
        request.extend(bytes.get(6..10).unwrap_or(&[0; 4]));
        Ok(self.exchange(&request, 1)?[0])
    }

    /// Cycles of one scan with these inputs, once a program is loaded.
    fn scan(&mut self, inputs: &Inputs, clock_s: u32, n_results: usize) -> Result<Vec<u8>> {
        let mut request = vec![b'S'];
        request.extend(clock_s.to_le_bytes());
        request.push(if inputs.clock_s.is_some() { 0 } else { 2 });
        for sample in &inputs.numbers {
            request.extend(sample.value.to_le_bytes());
            request.push(sample.quality as u8);
        }
        for (value, quality) in &inputs.bits {
            request.push(u8::from(*value) | (*quality as u8) << 1);
        }
        self.exchange(&request, n_results)
    }

    fn command(&mut self, command: Command) -> Result<()> {
        let mut request = Vec::new();
        match command {
            Command::Hand { drive, value, time_ms } => {
                request.extend([b'H', drive as u8]);
                request.extend((value as i16).to_le_bytes());
                request.extend(time_ms.to_le_bytes());
            }
            Command::ResetTrip { trip } => request.extend([b'T', trip as u8]),
            Command::Procedure { procedure, command } => {
                let code = match command {
                    ProcedureCommand::Start => 1,
                    ProcedureCommand::Confirm => 2,
                    _ => 3,
                };
                request.extend([b'P', procedure as u8, code]);
            }
        }
        self.exchange(&request, 1).map(|_| ())
    }

    /// Runs a program of the generator for some scans here and in the reference, and compares every result of every scan.
    pub fn compare(&mut self, seed: u64, n_scans: u32) -> Result<Outcome> {
        let bytes = generate::program(seed);
        let place = match seed % 3 {
            0 => Place::Flash,
            1 if bytes.len() <= 1000 => Place::Eeprom,
            _ if bytes.len() <= 128 => Place::Memory,
            _ => Place::Flash,
        };
        self.compare_program(&bytes, place, n_scans, |scan, program| generate::inputs(seed, scan, program))
            .map_err(|error| format!("seed {seed}: {error}"))
    }

    /// The same for any program and inputs.
    pub fn compare_program(
        &mut self,
        bytes: &[u8],
        place: Place,
        n_scans: u32,
        inputs: impl Fn(u32, &Program<'_>) -> Inputs,
    ) -> Result<Outcome> {
        let program =
            Program::validate(bytes).map_err(|error| format!("the reference refuses it: {error:?}"))?;
        let mut outcome = Outcome::default();
        match self.load(bytes, place)? {
            0 => {}
            VERDICT_MEMORY => return Ok(Outcome { is_too_large: true, ..outcome }),
            verdict => return Err(format!("the chip refuses it: verdict {verdict}")),
        }
        let mut reference = Machine::<1>::new(Decoded::new(&program));
        let sizes = program.sizes();
        let mut last_clock_s = 0;
        self.chip.marks()?;
        for scan in 0..n_scans {
            let mut inputs = inputs(scan, &program);
            // A bad input has the value 0; the board sees to it, the generator does not.
            for bit in inputs.bits.iter_mut().filter(|bit| bit.1 == Quality::Bad) {
                bit.0 = false;
            }
            if inputs.restarts {
                self.restart(bytes, place)?;
            }
            inputs.apply(&mut reference, 0);
            for command in &inputs.commands {
                self.command(*command)?;
            }
            reference.scan();
            let expected = results(&reference, &sizes);
            // A lost clock stays at its last reading.
            last_clock_s = inputs.clock_s.unwrap_or(last_clock_s);
            let got = self.scan(&inputs, last_clock_s, expected.len())?;
            if got != expected {
                let ops = reference.decoded().ops();
                return Err(difference(scan, &got, &expected, &sizes, ops));
            }
            outcome.n_scans += 1;
        }
        outcome.longest_scan = self.chip.marks()?[1];
        Ok(outcome)
    }

    /// What the board does at a reset: keeps what survives, loads again, puts it back.
    fn restart(&mut self, bytes: &[u8], place: Place) -> Result<()> {
        self.chip.give(b"K")?;
        self.chip.run(1_000_000)?;
        let kept = self.chip.take()?;
        if kept.is_empty() || kept[0] == 0xFF {
            return Err("the retained state does not fit the bench".into());
        }
        self.load(bytes, place)?;
        let mut request = vec![b'V'];
        request.extend(kept);
        self.exchange(&request, 0).map(|_| ())
    }
}

/// All results of a scan in the order of `chip/vm_main.c`.
fn results(machine: &Machine<1>, sizes: &program::Sizes) -> Vec<u8> {
    let mut bytes = Vec::new();
    for slot in 0..sizes.n_numbers {
        let Sample { value, quality } = machine.number(NumRef(slot), 0);
        bytes.extend(value.to_le_bytes());
        bytes.push(quality as u8);
    }
    for slot in 0..sizes.n_bits {
        let (value, quality) = machine.bit(BitRef(slot), 0);
        bytes.push(u8::from(value) | (quality as u8) << 1);
    }
    let drives = machine.decoded().ops().iter().filter_map(|placed| match placed.op {
        program::Op::Drive { .. } => Some(1_000),
        program::Op::DriveDuty { .. } => Some(1),
        _ => None,
    });
    for (drive, unit) in drives.enumerate() {
        bytes.extend(((machine.output(drive, 0) / unit) as i16).to_le_bytes());
        bytes.extend(machine.hand_left_ms(drive, 0).to_le_bytes());
    }
    bytes.extend((0..usize::from(sizes.n_trips)).map(|trip| u8::from(machine.is_tripped(trip, 0))));
    let priorities = machine.decoded().ops().iter().filter_map(|placed| match placed.op {
        program::Op::Alarm { priority, .. } => Some(priority as u8),
        _ => None,
    });
    for (alarm, priority) in priorities.enumerate() {
        let (value, quality) = machine.alarm(alarm, 0);
        bytes.push(u8::from(value) | (quality as u8) << 1 | priority << 4);
    }
    bytes.extend(
        (0..usize::from(sizes.n_procedures)).map(|procedure| machine.procedure_step(procedure, 0) as u8),
    );
    bytes.extend(machine.day(0).to_le_bytes());
    bytes
}

/// The first byte that differs, by what it belongs to.
fn difference(
    scan: u32,
    got: &[u8],
    expected: &[u8],
    sizes: &program::Sizes,
    ops: &[program::format::Placed],
) -> String {
    let op_of = |slot: usize, gives_bit: bool| {
        let op = ops
            .iter()
            .find(|placed| usize::from(placed.result) == slot && placed.op.gives_bit() == gives_bit);
        op.map_or("an input".to_owned(), |placed| format!("{:?}", placed.op))
    };
    let at = got.iter().zip(expected).position(|(a, b)| a != b).unwrap_or(0);
    let n_numbers = usize::from(sizes.n_numbers);
    let n_bits = usize::from(sizes.n_bits);
    let what = if at < 5 * n_numbers {
        let slot = at / 5;
        let sample = |bytes: &[u8]| {
            let value = bytes.get(..4).and_then(|word| word.try_into().ok()).map_or(0, i32::from_le_bytes);
            format!("{value} (quality {})", bytes.get(4).copied().unwrap_or(3))
        };
        let (got, expected) = (sample(&got[5 * slot..]), sample(&expected[5 * slot..]));
        format!("number {slot}: {got} instead of {expected}, {}", op_of(slot, false))
    } else if at < 5 * n_numbers + n_bits {
        let slot = at - 5 * n_numbers;
        format!("bit {slot}: {} instead of {}, {}", got[at], expected[at], op_of(slot, true))
    } else {
        format!(
            "result byte {} behind the bits: {} instead of {}",
            at - 5 * n_numbers - n_bits,
            got[at],
            expected[at]
        )
    };
    format!("scan {scan}: {what}")
}

/// An outcome for inputs that are given once and for all.
pub fn inputs_of(numbers: Vec<Sample>, bits: Vec<(bool, Quality)>, clock_s: Option<u32>) -> Inputs {
    Inputs { numbers, bits, clock_s, commands: Vec::new(), restarts: false }
}

/// Shared, so that callers need not name the type of a decoded program.
pub type Shared = Arc<Decoded>;

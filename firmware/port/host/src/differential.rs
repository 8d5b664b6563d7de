//! The VM in C held against the reference, program by program and scan by scan: every slot with its quality, every cell, outputs,
//! hands, trips, alarms, procedures, the day and the retained state.

use crate::Runtime;
use crate::vm::{self, Loaded};
use program::generate::{Draw, Inputs, inputs, program};
use program::machine::{Decoded, Machine};
use program::{LoadError, Op, Program};

/// Operations by code and variant, and how much was run.
#[derive(Clone, Debug)]
pub struct Coverage {
    /// Programs that agreed in every scan.
    pub n_programs: u64,
    /// Scans of them.
    pub n_scans: u64,
    /// Operations carried out, by code (low six bits) and variant (top two).
    pub ops: [u64; 256],
    /// Damaged programs with the same verdict, by verdict of C.
    pub verdicts: [u64; 32],
}

impl Default for Coverage {
    fn default() -> Self {
        Coverage { n_programs: 0, n_scans: 0, ops: [0; 256], verdicts: [0; 32] }
    }
}

impl Coverage {
    /// Adds what another run covered.
    pub fn add(&mut self, other: &Coverage) {
        self.n_programs += other.n_programs;
        self.n_scans += other.n_scans;
        for (sum, n) in self.ops.iter_mut().zip(other.ops) {
            *sum += n;
        }
        for (sum, n) in self.verdicts.iter_mut().zip(other.verdicts) {
            *sum += n;
        }
    }
}

/// Puts the inputs of a scan into C.
///
/// # Errors
/// A part that C does not know, or a restart that it refuses.
pub fn put(inputs: &Inputs, loaded: &mut Loaded<'_>) -> Result<(), String> {
    if inputs.restarts {
        loaded.restart().map_err(|verdict| format!("C refuses its own program at a restart ({verdict})"))?;
    }
    for (input, sample) in (0..).zip(&inputs.numbers) {
        loaded.set_number(input, *sample);
    }
    for (input, (value, quality)) in (0..).zip(&inputs.bits) {
        loaded.set_bit(input, *value, *quality);
    }
    loaded.set_clock(inputs.clock_s);
    match inputs.commands.iter().all(|command| loaded.command(*command)) {
        true => Ok(()),
        false => Err("C does not know a part that is commanded".into()),
    }
}

/// What a station asks after a scan must be what stands in the slots.
fn parts_agree(loaded: &Loaded<'_>, machine: &Machine<1>) -> Result<(), String> {
    let sizes = loaded.sizes();
    for drive in 0..sizes.n_drives {
        let duty = loaded.output(drive) * if loaded.is_modulated(drive) { 1 } else { 1_000 };
        if i32::from(duty) != machine.output(drive.into(), 0) {
            return Err(format!("drive {drive}"));
        }
    }
    for trip in 0..sizes.n_trips {
        if loaded.is_tripped(trip) != machine.is_tripped(trip.into(), 0) {
            return Err(format!("trip {trip}"));
        }
    }
    let alarms = machine.decoded().ops().iter().filter_map(|placed| match placed.op {
        Op::Alarm { priority, .. } => Some(priority as u8),
        _ => None,
    });
    for (alarm, priority) in (0..sizes.n_alarms).zip(alarms) {
        let (value, quality) = machine.alarm(alarm.into(), 0);
        if loaded.alarm(alarm) != program::quality::pack_bit(value, quality) | priority << 4 {
            return Err(format!("alarm {alarm}"));
        }
    }
    for procedure in 0..sizes.n_procedures {
        if i32::from(loaded.step(procedure)) != machine.procedure_step(procedure.into(), 0) {
            return Err(format!("procedure {procedure}"));
        }
    }
    Ok(())
}

/// Runs the generated program of a seed in both.
///
/// # Errors
/// What differs first, and where.
pub fn run(runtime: &mut Runtime, seed: u64, n_scans: u32, coverage: &mut Coverage) -> Result<(), String> {
    let bytes = program(seed);
    let reference = Program::validate(&bytes).map_err(|error| format!("seed {seed}: {error}"))?;
    runtime.pretend_wiring(reference.wiring_crc());
    let decoded = Decoded::new(&reference);
    let mut machine = Machine::<1>::new(decoded.clone());
    let mut loaded =
        runtime.load(&bytes).map_err(|verdict| format!("seed {seed}: C refuses it ({verdict})"))?;
    for k in 0..n_scans {
        let fail = |what: String| format!("seed {seed}, scan {k}: {what}");
        let inputs = inputs(seed, k, &reference);
        inputs.apply(&mut machine, 0);
        put(&inputs, &mut loaded).map_err(fail)?;
        machine.scan();
        if !loaded.scan() {
            return Err(fail("C stops".into()));
        }
        let (ours, theirs) = (machine.lane_words(0), loaded.words());
        if ours != theirs {
            let at =
                ours.iter().zip(&theirs).position(|(a, b)| a != b).unwrap_or(ours.len().min(theirs.len()));
            let what = describe(&decoded, at);
            return Err(fail(format!("{what}: {:?} in Rust, {:?} in C", ours.get(at), theirs.get(at))));
        }
        if k % 16 == 0 {
            parts_agree(&loaded, &machine).map_err(fail)?;
            if machine.keep(0) != loaded.keep() {
                return Err(fail("retained state".into()));
            }
        }
    }
    for placed in decoded.ops() {
        coverage.ops[usize::from(bytes[usize::from(placed.at)])] += u64::from(n_scans);
    }
    coverage.n_programs += 1;
    coverage.n_scans += u64::from(n_scans);
    Ok(())
}

/// Which word of [`Machine::lane_words`] this is, with the operation that it belongs to.
fn describe(decoded: &Decoded, mut at: usize) -> String {
    let sizes = decoded.sizes();
    let op = |slot: usize, gives_bit: bool| {
        let placed = decoded
            .ops()
            .iter()
            .find(|placed| usize::from(placed.result) == slot && placed.op.gives_bit() == gives_bit);
        placed.map_or("an input".to_owned(), |placed| format!("{:?}", placed.op))
    };
    for (what, n) in [("number", sizes.n_numbers), ("quality", sizes.n_numbers)] {
        if at < n.into() {
            return format!("{what} {at} of {}", op(at, false));
        }
        at -= usize::from(n);
    }
    if at < sizes.n_bits.into() {
        return format!("bit {at} of {}", op(at, true));
    }
    at -= usize::from(sizes.n_bits);
    if at < sizes.n_cells.into() {
        let placed =
            decoded.ops().iter().rfind(|placed| usize::from(placed.cell) <= at && placed.op.n_cells() > 0);
        return format!("cell {at} of {:?}", placed.map(|placed| placed.op));
    }
    at -= usize::from(sizes.n_cells);
    if at < sizes.n_drives.into() { format!("hand {at}") } else { "day".into() }
}

/// Gives both loaders a damaged copy of the program of a seed; half of the copies with a right checksum, so that the damage goes
/// deep.
///
/// # Errors
/// The two verdicts, where they differ.
pub fn damage(runtime: &mut Runtime, seed: u64, coverage: &mut Coverage) -> Result<(), String> {
    let mut draw = Draw::new(!seed);
    let mut bytes = program(seed);
    let n_changes = draw.below(3) + 1;
    for _ in 0..n_changes {
        let at = draw.below(bytes.len() as u32) as usize;
        match draw.below(8) {
            0 => bytes.truncate(at.max(1)),
            1 => bytes[at] = draw.next_word() as u8,
            2 => {
                bytes.remove(at);
            }
            3 => bytes.insert(at, draw.next_word() as u8),
            // The header is small beside the rest, but has the most kinds of checks.
            4 => {
                let at = at % bytes.len().min(24);
                bytes[at] = draw.next_word() as u8;
            }
            _ => bytes[at] ^= 1 << draw.below(8),
        }
        if bytes.is_empty() {
            return Ok(());
        }
    }
    if draw.below(4) != 0 && bytes.len() >= 18 {
        let length = bytes.len();
        bytes[4..6].copy_from_slice(&(length as u16).to_le_bytes());
        let crc = program::crc::crc32(&bytes[..length - 4]);
        bytes[length - 4..].copy_from_slice(&crc.to_le_bytes());
    }
    let reference = Program::validate(&bytes);
    // The board's own checks come last, and this board has room for whatever the format holds.
    let wiring_crc = reference.map_or(0, |program| program.wiring_crc());
    runtime.pretend_wiring(wiring_crc);
    let ours = reference.as_ref().map_or_else(LoadError::verdict, |_| vm::SOUND);
    let theirs = runtime.check(&bytes).map_or_else(|verdict| verdict, |_| vm::SOUND);
    if ours != theirs {
        return Err(format!("seed {seed}: verdict {ours} in Rust ({:?}), {theirs} in C", reference.err()));
    }
    coverage.verdicts[usize::from(theirs) % 32] += 1;
    Ok(())
}

//! A whole system in a closed loop: the runtime with its tables on a simulated chip, simulated parts on its pins and buses, and the
//! twin behind them. Each scan: raw codes of the twin to the parts; outputs of the chip to the twin.
//!
//! Beside it runs the rehearsal, the twin with the reference VM alone. What the chip logs of each scan is replayed in the reference
//! VM too: the same input words must give the same outputs, bit for bit.

use crate::board::{Board, Load};
use crate::chip::{Chip, Fault, Level, Result};
use control::InputPlace;
use link::message::sections;
use link::record::Record;
use program::machine::{Command, Decoded, Machine};
use program::vm::ProcedureCommand;
use program::wiring::{BitDriver, DeviceKind, NumberDriver, OutputDriver, Wiring};
use program::{BitRef, NumRef, Program, Quality};
use system::System;
use trial::{Injection, Model, Rig};
use twin::{Commands, Flaw, NO_ANSWER, Twin};

/// UTC seconds at 2000-01-01, where a board's clock begins.
const UTC_AT_2000: i64 = 946_684_800;
/// Bit slots before the inputs.
const N_BUILT_IN: u16 = 2;
/// Outputs that go on follow one another by 20 ms; all are out within this.
const STAGGERED_MS: u64 = 600;

/// Something that happens in the scenario.
#[derive(Clone, Copy, Debug)]
pub struct Strike {
    /// Before which scan.
    pub scan: u64,
    /// What breaks.
    pub flaw: Flaw,
}

/// What a run showed.
#[derive(Clone, Debug, Default)]
pub struct Findings {
    /// Scans that ran on the chip, each replayed in the reference VM with equal outputs.
    pub n_scans: u64,
    /// Changes of outputs on the chip.
    pub n_switchings: u64,
    /// Most scans by which a switching differs from the rehearsal's.
    pub farthest: u64,
    /// Switchings of either side without one of the other: drive and scan.
    pub unmatched: Vec<(usize, u64)>,
    /// Input words that were not those of the rehearsal's same scan.
    pub n_other_inputs: u64,
    /// Scans that the board skipped.
    pub n_skipped: u32,
    /// Longest scan, in 64 µs.
    pub longest_scan_ticks: u16,
    /// Stack that was never touched, bytes.
    pub free_stack: u16,
    /// One-wire acts outside of the data sheet's times; bytes of the serial line that were lost.
    pub n_violations: u64,
}

/// `3 -> "PA3"`.
pub fn pin_name(pin: u8) -> String {
    format!("P{}{}", char::from(b'A' + pin / 8), pin % 8)
}

/// A system on a chip with its parts.
pub struct Loop<'m> {
    model: &'m Model,
    wiring: Wiring,
    board: Board,
    twin: Twin<'m, 1>,
    rehearsal: Rig<'m, 1>,
    replay: Machine<1>,
    /// By number input: the thermometer's number at the simulated chip.
    thermometers: Vec<Option<usize>>,
    expanders: Vec<(u8, u16)>,
    duty: Vec<[i32; 1]>,
    utc_s: i64,
}

impl<'m> Loop<'m> {
    /// Builds the tables of a system, wires its parts and gives the board power. `model` is that of the system.
    pub fn new(image_name: &str, system: &System, model: &'m Model, seed: u64) -> Result<Loop<'m>> {
        let made = image::build::make(system)
            .map_err(|findings| findings.iter().map(|f| format!("{f:?}")).collect::<Vec<_>>().join("\n"))?;
        let load = Load {
            wiring: made.tables.wiring.clone(),
            program: made.tables.program.clone(),
            panel: made.tables.panel.clone(),
        };
        let board = Board::new(image_name, &load)?;
        let program = Program::validate(&load.program).map_err(|error| format!("{error:?}"))?;
        let replay = Machine::new(Decoded::new(&program));
        let start = trial::start(model, seed);
        let mut this = Loop {
            model,
            wiring: made.wiring,
            board,
            twin: Twin::new(&model.plan, start, &[None]),
            rehearsal: Rig::new(model, start, &[None]),
            replay,
            thermometers: Vec::new(),
            expanders: Vec::new(),
            duty: vec![[0]; model.plan.system.actuators.len()],
            utc_s: start.utc_s,
        };
        this.wire()?;
        Ok(this)
    }

    fn wire(&mut self) -> Result<()> {
        let chip = &mut self.board.chip;
        for device in &self.wiring.devices {
            match device.kind {
                DeviceKind::Mcp23008 => chip.add_expander(8, device.address)?,
                DeviceKind::Mcp23017 => chip.add_expander(17, device.address)?,
                DeviceKind::Pcf8574 => chip.add_expander(74, device.address)?,
                DeviceKind::TextDisplay => {
                    chip.add_display(device.address, device.shape & 0x3F, (device.shape >> 6) + 1)?;
                }
                DeviceKind::Ds1307 => chip.add_clock(1)?,
                DeviceKind::Ds3231 => chip.add_clock(2)?,
                DeviceKind::InfraredReceiver => chip.drive(&pin_name(device.address), Level::High)?,
                DeviceKind::Ethernet => return Err("the bench has no Ethernet".into()),
            }
            self.expanders.push((device.address, 0xFFFF));
        }
        for (input, number) in self.wiring.numbers.iter().enumerate() {
            let thermometer = match number.driver {
                NumberDriver::Ds18b20 { pin, rom } => {
                    let mut serial = [0x28, input as u8 + 1, 2, 3, 4, 5, 6];
                    if rom != [0; 8] {
                        serial.copy_from_slice(&rom[..7]);
                    }
                    Some(chip.add_thermometer(&pin_name(pin), serial)?)
                }
                NumberDriver::PulseFlow { pin, .. } => {
                    chip.drive(&pin_name(pin), Level::High)?;
                    None
                }
                NumberDriver::Ultrasonic { trigger_pin, echo_pin, .. } => {
                    chip.add_sonar(&pin_name(trigger_pin), &pin_name(echo_pin))?;
                    None
                }
                _ => None,
            };
            self.thermometers.push(thermometer);
        }
        Ok(())
    }

    /// Raw codes of the twin to the parts, and the clock to the second of the coming scan.
    fn set_parts(&mut self) -> Result<()> {
        let codes: Vec<i32> = self.twin.sense().iter().map(|code| code[0]).collect();
        for input in &self.model.compiled.inputs {
            let code = codes[input.sensor.idx()];
            match input.place {
                InputPlace::Number(order) => self.set_number(usize::from(order), code)?,
                InputPlace::Bit { input, .. } => self.set_bit(usize::from(input), code != 0)?,
            }
        }
        for (address, levels) in &self.expanders {
            // Other devices than expanders have no lines.
            let _ = self.board.chip.set_expander(*address, *levels);
        }
        self.board.chip.set_clock(self.clock_s())
    }

    fn clock_s(&self) -> u64 {
        u64::try_from(self.twin.utc_s() - UTC_AT_2000).unwrap_or(0)
    }

    fn strike(&mut self, strikes: &[Strike], scan: u64) {
        for strike in strikes.iter().filter(|strike| strike.scan == scan) {
            self.twin.set_flaw(0, strike.flaw);
        }
    }

    fn set_number(&mut self, order: usize, code: i32) -> Result<()> {
        let chip: &mut Chip = &mut self.board.chip;
        match self.wiring.numbers[order].driver {
            NumberDriver::Ds18b20 { .. } => {
                let Some(thermometer) = self.thermometers[order] else { return Ok(()) };
                if code == NO_ANSWER {
                    chip.set_thermometer(thermometer, 0, Fault::Absent, 0)
                } else {
                    chip.set_thermometer(thermometer, code as i16, Fault::None, 0)
                }
            }
            NumberDriver::Tmp36 { channel, n_samples }
            | NumberDriver::Ntc { channel, n_samples, .. }
            | NumberDriver::Ph { channel, n_samples, .. }
            | NumberDriver::Conductivity { channel, n_samples, .. }
            | NumberDriver::Level { channel, n_samples, .. } => {
                let sum = code.clamp(0, 1023 * i32::from(n_samples)) as u16;
                chip.set_analog(channel, sum, n_samples)
            }
            NumberDriver::Ultrasonic { echo_pin, .. } => {
                chip.set_echo(&pin_name(echo_pin), if code == NO_ANSWER { u32::MAX } else { code as u32 })
            }
            NumberDriver::PulseFlow { pin, .. } => {
                let n = code.max(0) as u32;
                // All within nine tenths of the period.
                let spacing_us = self.model.plan.scan_s() * 880_000.0 / f64::from(n.max(1));
                chip.send_pulses(&pin_name(pin), n, spacing_us as u32)
            }
            NumberDriver::Parameter { .. } => Ok(()),
        }
    }

    fn set_bit(&mut self, order: usize, is_closed: bool) -> Result<()> {
        match self.wiring.bits[order].driver {
            BitDriver::Pin { pin } => {
                let level = if is_closed { Level::Low } else { Level::Open };
                self.board.chip.drive(&pin_name(pin), level)
            }
            BitDriver::Expander { device, line } => {
                let levels = &mut self.expanders[usize::from(device)].1;
                *levels = if is_closed { *levels & !(1 << line) } else { *levels | 1 << line };
                Ok(())
            }
            BitDriver::Button { .. } | BitDriver::RemoteKey { .. } => Ok(()),
        }
    }

    /// Whether an output of the chip is on, from its pin or its expander's register.
    fn is_on(&mut self, output: usize) -> Result<Option<bool>> {
        let wired = self.wiring.outputs[output];
        let is_high = match wired.driver {
            OutputDriver::Pin { pin } => self.board.chip.pin(&pin_name(pin))?.0,
            OutputDriver::Expander { device, line } => {
                let [levels, ..] = self.board.chip.expander(self.expanders[usize::from(device)].0)?;
                levels >> line & 1 == 1
            }
            OutputDriver::Pwm { .. } | OutputDriver::Buzzer { .. } => return Ok(None),
        };
        Ok(Some(is_high != wired.is_active_low))
    }

    /// The first output that does not stand as the program says.
    fn outputs_differ(&mut self, record: &Record) -> Result<Option<usize>> {
        for (output, value) in record.outputs.iter().enumerate() {
            if self.is_on(output)?.is_some_and(|is_on| is_on != (*value > 0)) {
                return Ok(Some(output));
            }
        }
        Ok(None)
    }

    fn replay(&mut self, record: &Record) -> Result<()> {
        for (input, sample) in record.number_inputs.iter().enumerate() {
            self.replay.set_number(input, 0, *sample);
        }
        for (input, (value, quality)) in record.bit_inputs.iter().enumerate() {
            self.replay.set_bit(input, 0, *value && *quality != Quality::Bad, *quality);
        }
        self.replay.set_clock(0, record.is_clock_good.then_some(record.clock_s));
        for command in &record.commands {
            let part = u16::from(command.part);
            self.replay.command(
                0,
                match command.kind {
                    1 => Command::Hand {
                        drive: part,
                        value: command.value.into(),
                        time_ms: command.time_ms as i32,
                    },
                    2 => Command::ResetTrip { trip: part },
                    _ => Command::Procedure {
                        procedure: part,
                        command: match command.value {
                            1 => ProcedureCommand::Start,
                            2 => ProcedureCommand::Confirm,
                            _ => ProcedureCommand::Stop,
                        },
                    },
                },
            );
        }
        self.replay.scan();
        for (drive, value) in record.outputs.iter().enumerate() {
            let expected = self.replay.output(drive, 0);
            let got = if self.is_modulated(drive) { i32::from(*value) } else { i32::from(*value) * 1_000 };
            if got != expected {
                return Err(format!(
                    "scan {}, drive {drive}: the chip says {got}, the reference {expected}",
                    record.scan
                ));
            }
        }
        Ok(())
    }

    /// Words of this scan's inputs that are not those of the rehearsal's.
    fn n_other_inputs(&self, record: &Record) -> u64 {
        let rehearsed = self.rehearsal.machine();
        let numbers = (0..).zip(&record.number_inputs);
        let bits = (N_BUILT_IN..).zip(&record.bit_inputs);
        let n = numbers.filter(|(slot, sample)| rehearsed.number(NumRef(*slot), 0) != **sample).count()
            + bits.filter(|(slot, bit)| rehearsed.bit(BitRef(*slot), 0) != **bit).count();
        n as u64
    }

    fn is_modulated(&self, drive: usize) -> bool {
        let actuators = self.model.compiled.drives.iter().zip(&self.model.plan.system.actuators);
        actuators.filter(|(order, _)| **order == Some(drive as u16)).any(|(_, actuator)| actuator.modulated)
    }

    /// Power, boot, and so many scans; `progress` hears each one's number.
    pub fn run(
        &mut self,
        n_scans: u64,
        strikes: &[Strike],
        progress: &mut dyn FnMut(u64),
    ) -> Result<Findings> {
        let n_drives = self.wiring.outputs.len();
        let mut findings = Findings::default();
        let mut of_chip: Vec<Vec<u64>> = vec![Vec::new(); n_drives];
        let mut of_rehearsal: Vec<Vec<u64>> = vec![Vec::new(); n_drives];
        let mut before = (vec![0i32; n_drives], vec![0i32; n_drives]);
        debug_assert_eq!(self.twin.utc_s(), self.utc_s);
        self.strike(strikes, 0);
        self.set_parts()?;
        // The board samples everything once before its first scan, for a good second.
        self.board.chip.set_clock(self.clock_s().saturating_sub(1))?;
        self.board.power(1)?;
        self.board.meet()?;
        self.board.subscribe(sections::INPUTS | sections::OUTPUTS)?;
        for scan in 0..n_scans {
            for strike in strikes.iter().filter(|strike| strike.scan == scan) {
                self.rehearsal.inject(0, Injection::Flaw(strike.flaw));
            }
            self.rehearsal.scan();
            let record = self.board.next_record(4_000)?;
            if u64::from(record.scan) != scan + 1 {
                return Err(format!("scan {} came where {} was awaited", record.scan, scan + 1));
            }
            self.replay(&record)?;
            findings.n_other_inputs += self.n_other_inputs(&record);
            for (a, order) in self.model.compiled.drives.iter().enumerate() {
                let Some(drive) = order.map(usize::from) else { continue };
                let value = i32::from(record.outputs[drive]);
                self.duty[a] = [if self.is_modulated(drive) { value } else { value * 1_000 }];
                let now = (self.duty[a][0], self.rehearsal.duty(system::model::ActuatorIdx(a))[0]);
                for (n, was, log) in
                    [(now.0, &mut before.0, &mut of_chip), (now.1, &mut before.1, &mut of_rehearsal)]
                {
                    if (n > 0) != (was[drive] > 0) {
                        log[drive].push(scan);
                    }
                    was[drive] = n;
                }
            }
            let alive = self.twin.board_alive();
            self.twin.advance(Commands { duty: &self.duty, board: alive, same: false });
            // The rehearsal breaks things before it reads them, and so must this.
            self.strike(strikes, scan + 1);
            self.set_parts()?;
            // Outputs on the pins and expanders, not just in the program.
            let mut waited = 0;
            while let Some(output) = self.outputs_differ(&record)? {
                if waited >= STAGGERED_MS {
                    return Err(format!("scan {}: output {output} is not as the program says", record.scan));
                }
                self.board.run_ms(20)?;
                waited += 20;
            }
            findings.n_scans += 1;
            progress(scan);
        }
        for drive in 0..n_drives {
            findings.n_switchings += of_chip[drive].len() as u64;
            compare(drive, &of_chip[drive], &of_rehearsal[drive], n_scans, &mut findings);
        }
        let hello = self.board.meet()?;
        findings.n_skipped = hello.n_skipped;
        findings.longest_scan_ticks = hello.longest_scan_ticks;
        findings.free_stack = hello.free_stack;
        findings.n_violations = self.board.chip.one_wire(0)?.0 + self.board.chip.stop_at_frames(false)?[0];
        Ok(findings)
    }

    /// A scan's period, ms.
    pub fn scan_ms(&self) -> u64 {
        (self.model.plan.scan_s() * 1000.0).round() as u64
    }

    /// Power comes, with the parts as the tank has them. What the board then does is seen at its pins alone: somebody else speaks to it.
    pub fn begin(&mut self) -> Result<()> {
        self.set_parts()?;
        self.board.power(1)?;
        self.board.chip.stop_at_frames(false).map(|_| ())
    }

    /// One scan's time passes in the tank: what the pins say is done, and the parts read what came of it.
    pub fn pass_scan(&mut self) -> Result<()> {
        for (a, order) in self.model.compiled.drives.iter().enumerate() {
            let Some(output) = order.map(usize::from) else { continue };
            let permille = match self.is_on(output)? {
                Some(is_on) => 1_000 * i32::from(is_on),
                None => self.duty_at_pin(output)?,
            };
            self.duty[a] = [permille];
        }
        let alive = self.twin.board_alive();
        self.twin.advance(Commands { duty: &self.duty, board: alive, same: false });
        self.set_parts()
    }

    /// Permille of the time that a modulated output is on.
    fn duty_at_pin(&mut self, output: usize) -> Result<i32> {
        let wired = self.wiring.outputs[output];
        let OutputDriver::Pwm { pin, .. } = wired.driver else { return Ok(0) };
        let high = self.board.chip.pulse_width(&pin_name(pin))?.0 as i32;
        Ok(if wired.is_active_low { 1_000 - high } else { high })
    }

    /// The board, for a look at it after a run.
    pub fn board(&mut self) -> &mut Board {
        &mut self.board
    }
}

/// Switchings of a drive, one after the other; a difference at the very end of the run is none yet.
fn compare(drive: usize, chip: &[u64], rehearsal: &[u64], n_scans: u64, findings: &mut Findings) {
    for (a, b) in chip.iter().zip(rehearsal) {
        findings.farthest = findings.farthest.max(a.abs_diff(*b));
    }
    let n_common = chip.len().min(rehearsal.len());
    for scan in chip.iter().chain(rehearsal).filter(|_| chip.len() != rehearsal.len()) {
        let is_extra = chip[n_common..].contains(scan) || rehearsal[n_common..].contains(scan);
        if is_extra && *scan + 2 < n_scans {
            findings.unmatched.push((drive, *scan));
        }
    }
}

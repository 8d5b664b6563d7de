//! A simulated chip with the parts wired to it, driven over pipes. The requests stand in `sim/command.c`.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// Why there is no chip, or what it answered.
pub type Result<T> = std::result::Result<T, String>;

/// A running simulated chip; its process ends with it.
pub struct Chip {
    process: Child,
    requests: BufWriter<ChildStdin>,
    answers: BufReader<ChildStdout>,
    hz: u32,
    cut_at: Option<u64>,
    cycle: u64,
}

/// What a run ends with when the moment of [`Chip::cut_at`] or of [`Chip::stop_at_eeprom_writes`] has come.
pub const POWER_CUT: &str = "power cut";

/// Where a run has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct State {
    /// Cycles since the process began; resets do not set it back.
    pub cycle: u64,
    /// Neither crashed nor asleep for ever.
    pub is_alive: bool,
    /// The program asked its debug port for a byte that is not there.
    pub is_starved: bool,
    /// Resets by the watchdog since power-up.
    pub n_resets: u32,
    /// Where it stands, in bytes.
    pub program_counter: u32,
    /// As many EEPROM bytes have begun as were asked for.
    pub is_cut: bool,
    /// Cycles slept through since the process began.
    pub slept: u64,
}

/// What a part does to a pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Strongly low.
    Low,
    /// Strongly high.
    High,
    /// Nothing is connected.
    Open,
    /// A pull-up outside of the chip.
    PullUp,
    /// A solder bridge to ground: stronger than the chip.
    ShortLow,
    /// A solder bridge to the supply.
    ShortHigh,
}

impl Level {
    fn word(self) -> &'static str {
        match self {
            Level::Low => "low",
            Level::High => "high",
            Level::Open => "none",
            Level::PullUp => "up",
            Level::ShortLow => "short_low",
            Level::ShortHigh => "short_high",
        }
    }
}

/// What is wrong with a thermometer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing.
    None = 0,
    /// It does not answer at all.
    Absent = 1,
    /// A bit of its scratchpad is wrong on the wire.
    Damaged = 2,
    /// Its supply dips in the conversion: it shows 85.0.
    Resets = 3,
    /// A conversion takes 1.5 s.
    Slow = 4,
}

/// A change of level on a watched pin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edge {
    /// When, in cycles.
    pub cycle: u64,
    /// The pin, as `PB5`.
    pub pin: String,
    /// The new level.
    pub is_high: bool,
}

/// The simulator's path, or why there is none.
pub fn simulator() -> Result<&'static str> {
    option_env!("SIMCHIP").ok_or_else(|| {
        format!("no simulated chip: {}", option_env!("SIMCHIP_MISSING").unwrap_or("it was not built"))
    })
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

fn from_hexadecimal(text: &str) -> Result<Vec<u8>> {
    let digit = |c: u8| (c as char).to_digit(16).map(|d| d as u8);
    text.as_bytes()
        .chunks(2)
        .map(|pair| match pair {
            [high, low] => digit(*high).zip(digit(*low)).map(|(high, low)| high << 4 | low),
            _ => None,
        })
        .collect::<Option<Vec<u8>>>()
        .ok_or_else(|| format!("not hexadecimal: {text}"))
}

impl Chip {
    /// Starts a chip (`atmega328p`, `atmega32u4`, `atmega2560`) at 16 MHz with the program of an ELF or Intel HEX file. It is without
    /// power until [`Chip::power`].
    pub fn start(name: &str, program: &Path) -> Result<Chip> {
        let hz = 16_000_000;
        let mut process = Command::new(simulator()?)
            .args([name, &hz.to_string()])
            .arg(program)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|error| format!("the simulated chip does not start: {error}"))?;
        let (Some(requests), Some(answers)) = (process.stdin.take(), process.stdout.take()) else {
            return Err("the simulated chip has no pipes".into());
        };
        let mut chip = Chip {
            process,
            requests: BufWriter::new(requests),
            answers: BufReader::new(answers),
            hz,
            cut_at: None,
            cycle: 0,
        };
        chip.state().map_err(|error| format!("{}: {error}", program.display()))?;
        Ok(chip)
    }

    /// Sends one request and gives what is behind `ok` in the answer.
    pub fn ask(&mut self, request: &str) -> Result<String> {
        let io = |error: std::io::Error| format!("the simulated chip is gone: {error}");
        writeln!(self.requests, "{request}").map_err(io)?;
        self.requests.flush().map_err(io)?;
        let mut line = String::new();
        self.answers.read_line(&mut line).map_err(io)?;
        match line.strip_prefix("ok") {
            Some(rest) => Ok(rest.trim().to_owned()),
            None if line.is_empty() => Err("the simulated chip ended".into()),
            None => Err(line.trim().to_owned()),
        }
    }

    fn tell(&mut self, request: &str) -> Result<()> {
        self.ask(request).map(|_| ())
    }

    fn numbers<const N: usize>(&mut self, request: &str) -> Result<[u64; N]> {
        let answer = self.ask(request)?;
        let mut numbers = [0; N];
        let mut words = answer.split_whitespace();
        for number in &mut numbers {
            *number = words
                .next()
                .and_then(|word| word.parse().ok())
                .ok_or_else(|| format!("{request}: not {N} numbers: {answer}"))?;
        }
        Ok(numbers)
    }

    fn state_of(&mut self, request: &str) -> Result<State> {
        let answer = self.ask(request)?;
        let words: Vec<&str> = answer.split_whitespace().collect();
        let number = |at: usize| words.get(at).and_then(|word| word.parse::<u64>().ok()).unwrap_or(0);
        // libsimavr's states: 5 is stopped by itself, 7 and above have ended or crashed.
        Ok(State {
            cycle: number(0),
            is_alive: number(1) < 6,
            is_starved: number(2) != 0,
            n_resets: number(3) as u32,
            program_counter: words.get(4).and_then(|word| u32::from_str_radix(word, 16).ok()).unwrap_or(0),
            is_cut: number(5) != 0,
            slept: number(6),
        })
    }

    /// Where the chip is.
    pub fn state(&mut self) -> Result<State> {
        self.state_of("state")
    }

    /// Power comes; memory comes up as `seed` says. The cause of the reset is "power".
    pub fn power(&mut self, seed: u32) -> Result<()> {
        self.tell(&format!("power {seed} 1"))
    }

    /// Power goes.
    pub fn pull_power(&mut self) -> Result<()> {
        self.tell("pull")
    }

    /// Runs for so many cycles, or until something stops it.
    pub fn run(&mut self, cycles: u64) -> Result<State> {
        let left = self.cut_at.map_or(cycles, |at| at.saturating_sub(self.cycle).min(cycles));
        let state = self.state_of(&format!("run {left}"))?;
        self.cycle = state.cycle;
        if state.is_cut || self.cut_at.is_some_and(|at| state.cycle >= at) {
            return Err(POWER_CUT.into());
        }
        Ok(state)
    }

    /// Runs end at this cycle, with [`POWER_CUT`] as their error; the caller then pulls the power. `None`: never.
    pub fn cut_at(&mut self, cycle: Option<u64>) -> Result<()> {
        self.cycle = self.state()?.cycle;
        self.cut_at = cycle;
        Ok(())
    }

    /// Runs for a time, or until something stops it.
    pub fn run_us(&mut self, us: u64) -> Result<State> {
        self.run(us * u64::from(self.hz) / 1_000_000)
    }

    /// Runs for a time, or until something stops it.
    pub fn run_ms(&mut self, ms: u64) -> Result<State> {
        self.run_us(ms * 1_000)
    }

    /// Puts bytes into flash.
    pub fn set_flash(&mut self, at: u32, bytes: &[u8]) -> Result<()> {
        bytes
            .chunks(4096)
            .zip(0..)
            .try_for_each(|(part, i)| self.tell(&format!("flash {} {}", at + i * 4096, hexadecimal(part))))
    }

    /// Puts bytes into memory.
    pub fn poke(&mut self, at: u32, bytes: &[u8]) -> Result<()> {
        self.tell(&format!("poke {at} {}", hexadecimal(bytes)))
    }

    /// Bytes of memory.
    pub fn peek(&mut self, at: u32, n: usize) -> Result<Vec<u8>> {
        from_hexadecimal(&self.ask(&format!("peek {at} {n}"))?)
    }

    /// The whole EEPROM.
    pub fn eeprom(&mut self) -> Result<Vec<u8>> {
        from_hexadecimal(&self.ask("eeprom")?)
    }

    /// Puts bytes into EEPROM.
    pub fn set_eeprom(&mut self, at: u32, bytes: &[u8]) -> Result<()> {
        self.tell(&format!("eeprom_set {at} {}", hexadecimal(bytes)))
    }

    /// What becomes of an EEPROM byte that is being written: `None` drawn, else 0 old, 1 erased, 2 new, 3 noise.
    pub fn cut_eeprom(&mut self, mode: Option<u8>) -> Result<()> {
        self.tell(&format!("eeprom_cut {}", mode.map_or(-1, i32::from)))
    }

    /// A run ends when so many EEPROM bytes have begun to be written; 0 never. Gives how many had begun before.
    pub fn stop_at_eeprom_writes(&mut self, n: u32) -> Result<u64> {
        Ok(self.numbers::<1>(&format!("eeprom_stop {n}"))?[0])
    }

    /// Opens the debug port that programs of this bench use.
    pub fn open_debug_port(&mut self) -> Result<()> {
        self.tell("ports")
    }

    /// Bytes for the debug port.
    pub fn give(&mut self, bytes: &[u8]) -> Result<()> {
        self.tell(&format!("give {}", hexadecimal(bytes)))
    }

    /// Bytes from the debug port.
    pub fn take(&mut self) -> Result<Vec<u8>> {
        from_hexadecimal(&self.ask("take")?)
    }

    /// Stamped stretches since the last look: how many, cycles of the longest, cycles in all.
    pub fn marks(&mut self) -> Result<[u64; 3]> {
        self.numbers("mark")
    }

    /// Bytes to the chip's serial port, one after another at its baud rate.
    pub fn send(&mut self, bytes: &[u8]) -> Result<()> {
        if bytes.is_empty() { Ok(()) } else { self.tell(&format!("serial {}", hexadecimal(bytes))) }
    }

    /// Bytes that the chip has sent.
    pub fn received(&mut self) -> Result<Vec<u8>> {
        from_hexadecimal(&self.ask("serial_out")?)
    }

    /// Whether a run ends when the chip sends a zero, the end of a frame. Gives lost received bytes and bytes still to go in.
    pub fn stop_at_frames(&mut self, stops: bool) -> Result<[u64; 2]> {
        self.numbers(&format!("serial_stop {}", u8::from(stops)))
    }

    /// Drives a pin from outside.
    pub fn drive(&mut self, pin: &str, level: Level) -> Result<()> {
        self.tell(&format!("pin {pin} {}", level.word()))
    }

    /// Drives a pin for a time, then as `after` says.
    pub fn press(&mut self, pin: &str, level: Level, us: u32, after: Level) -> Result<()> {
        self.tell(&format!("press {pin} {} {us} {}", level.word(), after.word()))
    }

    /// Level of a pin, whether the chip drives it, whether it is pulled up.
    pub fn pin(&mut self, pin: &str) -> Result<(bool, bool, bool)> {
        let [level, output, pulled] = self.numbers(&format!("level {pin}"))?;
        Ok((level != 0, output != 0, pulled != 0))
    }

    /// Records changes of a pin.
    pub fn watch(&mut self, pin: &str) -> Result<()> {
        self.tell(&format!("watch {pin} 1"))
    }

    /// Changes of watched pins since the last look.
    pub fn edges(&mut self) -> Result<Vec<Edge>> {
        let answer = self.ask("edges")?;
        answer
            .split_whitespace()
            .map(|word| {
                let (cycle, rest) = word.split_once(':')?;
                let (pin, level) = rest.split_once('=')?;
                Some(Edge { cycle: cycle.parse().ok()?, pin: pin.to_owned(), is_high: level == "1" })
            })
            .collect::<Option<Vec<Edge>>>()
            .ok_or_else(|| format!("not edges: {answer}"))
    }

    /// Permille of the time that a pin is high and the frequency in Hz at which it changes, from the chip's timers.
    pub fn pulse_width(&mut self, pin: &str) -> Result<(u32, u32)> {
        let [permille, hz] = self.numbers(&format!("pwm {pin}"))?;
        Ok((permille as u32, hz as u32))
    }

    /// What `n` conversions of a channel in a row sum to.
    pub fn set_analog(&mut self, channel: u8, sum: u16, n: u8) -> Result<()> {
        self.tell(&format!("adc {channel} {sum} {n}"))
    }

    /// Adds a DS18B20: family code and serial number; gives its number here.
    pub fn add_thermometer(&mut self, pin: &str, rom: [u8; 7]) -> Result<usize> {
        Ok(self.numbers::<1>(&format!("probe {pin} {}", hexadecimal(&rom)))?[0] as usize)
    }

    /// Temperature in sixteenths of a degree, and what is wrong for so many times (0 for good).
    pub fn set_thermometer(&mut self, number: usize, code: i16, fault: Fault, times: u32) -> Result<()> {
        self.tell(&format!("probe_set {number} {code} {} {times}", fault as u8))
    }

    /// One-wire acts of the chip outside of the data sheet's limits, conversions of one thermometer, and the last such act in words.
    pub fn one_wire(&mut self, thermometer: usize) -> Result<(u64, u64, String)> {
        let answer = self.ask(&format!("onewire {thermometer}"))?;
        let mut words = answer.splitn(3, ' ');
        let mut number = || words.next().and_then(|word| word.parse().ok()).unwrap_or(0);
        let (violations, conversions) = (number(), number());
        Ok((violations, conversions, words.next().unwrap_or_default().to_owned()))
    }

    /// Adds an expander: 8 MCP23008, 17 MCP23017, 74 PCF8574.
    pub fn add_expander(&mut self, kind: u8, address: u8) -> Result<()> {
        self.tell(&format!("expander {kind} {address}"))
    }

    /// Levels outside of an expander's inputs.
    pub fn set_expander(&mut self, address: u8, levels: u16) -> Result<()> {
        self.tell(&format!("expander_set {address} {levels}"))
    }

    /// Levels, directions (1 input) and output latches.
    pub fn expander(&mut self, address: u8) -> Result<[u16; 3]> {
        Ok(self.numbers::<3>(&format!("expander_get {address}"))?.map(|word| word as u16))
    }

    /// An expander's registers fall back to those of power-up.
    pub fn forget_expander(&mut self, address: u8) -> Result<()> {
        self.tell(&format!("expander_forget {address}"))
    }

    /// Adds a text display behind a PCF8574.
    pub fn add_display(&mut self, address: u8, columns: u8, rows: u8) -> Result<()> {
        self.tell(&format!("display {address} {columns} {rows}"))
    }

    /// Rows of the display, and how many acts came before it was ready.
    pub fn display(&mut self, address: u8) -> Result<(Vec<String>, u32)> {
        writeln!(self.requests, "text {address}").map_err(|error| error.to_string())?;
        self.requests.flush().map_err(|error| error.to_string())?;
        let mut line = String::new();
        self.answers.read_line(&mut line).map_err(|error| error.to_string())?;
        let line = line.trim_end_matches('\n');
        let rest = line.strip_prefix("ok ").ok_or_else(|| line.to_owned())?;
        let (n, text) = rest.split_once(' ').unwrap_or((rest, ""));
        Ok((text.split('|').map(str::to_owned).collect(), n.parse().unwrap_or(0)))
    }

    /// Adds a clock: 1 DS1307, 2 DS3231; never set.
    pub fn add_clock(&mut self, kind: u8) -> Result<()> {
        self.tell(&format!("clock {kind}"))
    }

    /// Sets the clock, UTC seconds since 2000; it runs.
    pub fn set_clock(&mut self, utc_s: u64) -> Result<()> {
        self.tell(&format!("clock_set {utc_s}"))
    }

    /// The clock's oscillator stops and its flag says so.
    pub fn stop_clock(&mut self) -> Result<()> {
        self.tell("clock_stop")
    }

    /// What the clock shows, while it runs.
    pub fn clock(&mut self) -> Result<Option<u64>> {
        let [runs, utc_s] = self.numbers("clock_get")?;
        Ok((runs != 0).then_some(utc_s))
    }

    /// Takes the supply of a part on the two-wire bus, or gives it back.
    pub fn power_part(&mut self, address: u8, is_on: bool) -> Result<()> {
        self.tell(&format!("part_power {address} {}", u8::from(is_on)))
    }

    /// Somebody holds SDA low until SCL has been clocked so often.
    pub fn hang_bus(&mut self, n_clocks: u32) -> Result<()> {
        self.tell(&format!("i2c_hang {n_clocks}"))
    }

    /// Whether the two-wire bus hangs, how often it was freed, bytes on it, conflicts on pins.
    pub fn bus(&mut self) -> Result<[u64; 4]> {
        self.numbers("i2c")
    }

    /// A frame of a remote (NEC): four bytes, the first sent lowest, and so many repeats.
    pub fn send_infrared(&mut self, pin: &str, code: u32, n_repeats: u32) -> Result<()> {
        self.tell(&format!("infrared {pin} {code} {n_repeats}"))
    }

    /// Adds an ultrasonic sensor.
    pub fn add_sonar(&mut self, trigger: &str, echo: &str) -> Result<()> {
        self.tell(&format!("sonar {trigger} {echo}"))
    }

    /// How long its echo takes; 0 is a module that gives 38 ms for none, `u32::MAX` one that is dead.
    pub fn set_echo(&mut self, echo: &str, us: u32) -> Result<()> {
        self.tell(&format!("echo {echo} {us}"))
    }

    /// Pulses of a flow meter.
    pub fn send_pulses(&mut self, pin: &str, n: u32, spacing_us: u32) -> Result<()> {
        self.tell(&format!("pulses {pin} {n} {spacing_us}"))
    }

    /// Looks at the stack after each instruction from now on; half as fast.
    pub fn exact(&mut self, is_on: bool) -> Result<()> {
        self.tell(&format!("exact {}", u8::from(is_on)))
    }

    /// End of memory and the lowest stack pointer that was seen while exact.
    pub fn stack(&mut self) -> Result<[u64; 2]> {
        self.numbers("stack")
    }

    /// Counts cycles between two places of the program (bytes); four stopwatches.
    pub fn stopwatch(&mut self, number: u8, from: u32, to: u32) -> Result<()> {
        self.tell(&format!("stopwatch {number} {from} {to}"))
    }

    /// Laps, longest and all cycles of a stopwatch.
    pub fn lap(&mut self, number: u8) -> Result<[u64; 3]> {
        self.numbers(&format!("lap {number}"))
    }
}

impl Drop for Chip {
    fn drop(&mut self) {
        let _ = writeln!(self.requests, "quit");
        let _ = self.requests.flush();
        let _ = self.process.wait();
    }
}

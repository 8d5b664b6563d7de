//! `tidewright new`: a few questions or flags become a commented system file.

use std::io::{BufRead, IsTerminal};

use serde_json::json;
use system::starter::{self, Answers};
use units::{Kind, Quantity, show};

use crate::arguments::NewOptions;
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::{files, json, quantity, wrap};

/// How often a question is put before the usual answer is taken.
const ATTEMPTS: usize = 3;

/// Asks, writes and says what comes next.
pub fn run(options: &NewOptions, console: &mut Console) -> Result<Ending, Failure> {
    let to_stdout = options.file.as_os_str() == "-";
    if !to_stdout {
        // Nobody should answer ten questions for nothing.
        files::check_free(&options.file, options.force)?;
    }
    let mut answers = given(options)?;
    if options.ask || (!options.yes && std::io::stdin().is_terminal() && std::io::stderr().is_terminal()) {
        ask(options, &mut answers, console);
    }
    let text = starter::write(&answers);
    if to_stdout {
        console.print(&text);
        return Ok(Ending::Clean);
    }
    files::write_new(&options.file, &text, options.force)?;
    let shown = options.file.display();
    if console.is_json() {
        let lines = text.lines().count();
        console.print_json(&json::answer(
            "new",
            json!({ "file": shown.to_string(), "bytes": text.len(), "lines": lines }),
        ));
    } else {
        let next = format!(
            "Wrote {shown}. Lines marked \"measure\" are guesses: replace them by what your tape says. Then:"
        );
        let text = wrap::hanging(&next, console.width, 0);
        console.print(&format!("{text}\n  tidewright audit {shown}\n  tidewright fmea {shown}\n"));
    }
    Ok(Ending::Clean)
}

/// What the flags say, the usual elsewhere.
fn given(options: &NewOptions) -> Result<Answers, Failure> {
    let usual = Answers::default();
    if let Some(chip) = &options.chip {
        check_chip(chip)
            .map_err(|help| Failure::new(format!("no board with the chip `{chip}` is known")).help(help))?;
    }
    let display = options.display.unwrap_or(usual.display);
    Ok(Answers {
        name: options.name.clone().unwrap_or(usual.name),
        display,
        sump: if options.no_sump { None } else { options.sump.or(usual.sump) },
        top_off: !options.no_top_off,
        heater_watts: options.heater.unwrap_or_else(|| starter::usual_heater_watts(display)),
        light_watts: if options.no_light { None } else { options.light.or(usual.light_watts) },
        chip: options.chip.clone().unwrap_or(usual.chip),
        mains_volts: options.mains.unwrap_or(usual.mains_volts),
        timezone: options.timezone.clone().or_else(machine_timezone).unwrap_or(usual.timezone),
        unattended_hours: options.unattended.map_or(usual.unattended_hours, |s| s / 3600.0),
    })
}

fn check_chip(chip: &str) -> Result<(), String> {
    let library = system::parts::Library::builtin();
    if library.chip(chip).is_some() {
        return Ok(());
    }
    let names: Vec<&str> = library.chips().iter().map(|chip| chip.name.as_str()).collect();
    Err(format!("one of {}", names.join(", ")))
}

/// The zone of this machine in POSIX form: the last line of a TZif file of version 2 or more (RFC 8536, section 3.3).
fn machine_timezone() -> Option<String> {
    let bytes = std::fs::read("/etc/localtime").ok()?;
    if !bytes.starts_with(b"TZif") {
        return None;
    }
    let body = bytes.strip_suffix(b"\n")?;
    let line = body.rsplit(|b| *b == b'\n').next()?;
    let zone = std::str::from_utf8(line).ok()?;
    (!zone.is_empty() && zone.len() < 64).then(|| zone.to_owned())
}

/// Asks for everything that no flag said.
fn ask(options: &NewOptions, answers: &mut Answers, console: &Console) {
    let in_mm = |sides: [f64; 3]| {
        let [l, d, h] = sides.map(|side| (side * 1000.0).round());
        format!("{l}x{d}x{h} mm")
    };
    let shown = |value: f64, kind: Kind| show(Quantity::new(value, kind), console.units);
    console.print_error("A few questions; Enter takes what stands in brackets.\n\n");
    let mut interview = Interview { console };
    if options.name.is_none() {
        let name = answers.name.clone();
        interview.put("Name of the system", &name, |text| {
            answers.name = text.to_owned();
            Ok(())
        });
    }
    if options.display.is_none() {
        let usual = in_mm(answers.display);
        interview.put("Inside of the display, length x depth x height", &usual, |text| {
            quantity::sides(text).map(|sides| {
                answers.display = sides;
                if options.heater.is_none() {
                    answers.heater_watts = starter::usual_heater_watts(sides);
                }
            })
        });
    }
    if options.sump.is_none() && !options.no_sump {
        let usual = answers.sump.map_or_else(|| "none".to_owned(), in_mm);
        interview.put("Inside of the sump, or `none`", &usual, |text| {
            answers.sump = if is_none(text) { None } else { Some(quantity::sides(text)?) };
            Ok(())
        });
    }
    if !options.no_top_off {
        interview.put("Does a pump replace what evaporates", "yes", |text| {
            yes_or_no(text).map(|yes| answers.top_off = yes)
        });
    }
    if options.heater.is_none() {
        let usual = shown(answers.heater_watts, Kind::Power);
        interview.put("Power of each of the two heaters", &usual, |text| {
            quantity::power(text).map(|watts| answers.heater_watts = watts)
        });
    }
    if options.light.is_none() && !options.no_light {
        let usual = shown(answers.light_watts.unwrap_or(0.0), Kind::Power);
        interview.put("Power of the light, or `none`", &usual, |text| {
            answers.light_watts = if is_none(text) { None } else { Some(quantity::power(text)?) };
            Ok(())
        });
    }
    if options.chip.is_none() {
        let usual = answers.chip.clone();
        interview.put("Chip on the board", &usual, |text| {
            check_chip(text).map(|()| answers.chip = text.to_owned())
        });
    }
    if options.mains.is_none() {
        let usual = shown(answers.mains_volts, Kind::Voltage);
        interview.put("Voltage of the mains", &usual, |text| {
            quantity::voltage(text).map(|volts| answers.mains_volts = volts)
        });
    }
    if options.unattended.is_none() {
        let usual = format!("{} h", answers.unattended_hours);
        interview.put("How long is nobody there", &usual, |text| {
            quantity::time(text).map(|seconds| answers.unattended_hours = seconds / 3600.0)
        });
    }
    console.print_error("\n");
}

fn is_none(text: &str) -> bool {
    matches!(text.to_lowercase().as_str(), "none" | "no" | "-")
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text.to_lowercase().as_str() {
        "y" | "yes" => Ok(true),
        "n" | "no" => Ok(false),
        _ => Err("answer yes or no".to_owned()),
    }
}

struct Interview<'a> {
    console: &'a Console,
}

impl Interview<'_> {
    /// Puts a question until the answer is understood; the usual stands when nothing comes.
    fn put(&mut self, question: &str, usual: &str, mut take: impl FnMut(&str) -> Result<(), String>) {
        for _ in 0..ATTEMPTS {
            self.console.print_error(&format!("{question} [{usual}]: "));
            let mut line = String::new();
            let n = std::io::stdin().lock().read_line(&mut line).unwrap_or(0);
            let answer = line.trim();
            if n == 0 {
                self.console.print_error("\n");
            }
            if answer.is_empty() {
                return;
            }
            match take(answer) {
                Ok(()) => return,
                Err(error) => self.console.print_error(&format!("  {error}\n")),
            }
        }
        self.console.print_error(&format!("  taking {usual}\n"));
    }
}

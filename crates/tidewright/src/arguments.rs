//! What can be typed: commands and their options. The help texts are the manual pages.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use units::Quantity;

use crate::commands::care::options::CareOptions;
use crate::quantity;

const ENDINGS: &str = "Exit codes: 0 nothing is wrong, 1 there are findings, 2 the input cannot be read or the options are wrong.\n\
Colours are off when the output is not a terminal or NO_COLOR is set. No file is overwritten without --force.";

/// The whole command line.
#[derive(Parser, Debug)]
#[command(
    name = "tidewright",
    version,
    about = "Design a reef tank's water, heat and control in one file, and break it on paper first",
    long_about = "Design a reef tank's water, heat and control in one file, and break it on paper first.\n\n\
        One text describes vessels, pipes, pumps, heaters, probes and rules. `audit` checks it by calculation; `fmea` breaks \
        every part of it in simulation and says what would flood, cook, chill, suffocate or overdose the tank and how many \
        hours are left; `rehearse` runs it and writes what happens; `report` puts all of it on one page.",
    after_help = ENDINGS,
    max_term_width = 100,
    disable_help_subcommand = true
)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Options of every command.
    #[command(flatten)]
    pub global: Global,
}

/// Options of every command.
#[derive(Args, Debug)]
pub struct Global {
    /// How to answer; the shapes of JSON are in docs/json.md
    #[arg(long, value_enum, default_value_t, global = true, help_heading = "Output")]
    pub format: Format,
    /// Units in which text shows quantities; input may be in either
    #[arg(long, value_enum, default_value_t, global = true, help_heading = "Output")]
    pub units: UnitChoice,
    /// When to colour text
    #[arg(long, value_enum, default_value_t, global = true, help_heading = "Output")]
    pub color: ColorChoice,
}

/// Forms of an answer.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum Format {
    /// For people.
    #[default]
    Text,
    /// For programs.
    Json,
}

/// Systems of units.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum UnitChoice {
    /// Litres, millimetres, degrees Celsius.
    #[default]
    Metric,
    /// Gallons, inches, degrees Fahrenheit.
    Us,
}

/// When to colour.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum ColorChoice {
    /// On a terminal, unless NO_COLOR is set.
    #[default]
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// The commands.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Write a commented system file to begin with
    New(NewOptions),
    /// Check a system by calculation: floats, floods, heat, oxygen, reservoirs, power
    Audit(AuditOptions),
    /// Run the system and write every signal down
    Rehearse(RehearseOptions),
    /// Fit the twin to a log of the tank: evaporation, walls, heaters, pumps, gas, with intervals
    Fit(FitOptions),
    /// Break every part in simulation and say what that harms and when
    Fmea(FmeaOptions),
    /// Compare two revisions: changes in words, rows of the FMEA that turned, outputs that differ
    Compare(CompareOptions),
    /// Write audit, FMEA and drawings as one HTML page
    Report(ReportOptions),
    /// Draw the system in section, to scale, as SVG
    Section(SectionOptions),
    /// Plan pins, contacts, wires and protection; draw them and list what to cut and buy
    Wire(WireOptions),
    /// Make the image of the board: runtime, program and tables as Intel HEX
    Build(BuildOptions),
    /// Put the image on the board through its serial bootloader
    Flash(FlashOptions),
    /// Try another program on a board that runs, or keep or give up the one that is tried
    Trial(TrialOptions),
    /// Run the station: watch the boards, keep what they say, tell people, let them act
    Serve(ServeOptions),
    /// List the programs that a board was given through the station, or give it another on trial, keep it or give it up
    Revisions(RevisionsOptions),
    /// Listen to a controller that runs already: what it prints, and which parts of the system that may be
    Listen(ListenOptions),
    /// Run the rules in shadow beside a recorded log of a controller, and say where they would have acted differently
    Shadow(ShadowOptions),
    /// Proof tests, maintenance, calibration, water tests and dosing of a system
    Care(CareOptions),
    /// Compute the properties of a seawater from what you can measure
    Water(WaterOptions),
    /// Print the completions of a shell
    #[command(hide = true)]
    Completions(CompletionOptions),
    /// Print a manual page, or write all of them
    #[command(hide = true)]
    Man(ManOptions),
}

/// Options of `new`.
#[derive(Args, Debug)]
#[command(long_about = "Write a commented system file to begin with.\n\n\
        Whatever is not given is asked for when you sit at a terminal, or taken from the usual: a 108 L tank with sump and \
        top-off, left alone for a weekend. The file reads back without an error; lines marked \"measure\" are guesses to replace.")]
pub struct NewOptions {
    /// The file to write; `-` for the standard output
    #[arg(value_name = "FILE", default_value = "system.toml")]
    pub file: PathBuf,
    /// Name of the system
    #[arg(long)]
    pub name: Option<String>,
    /// Inside of the display, length x depth x height, such as `600x400x450 mm`
    #[arg(long, value_name = "SIZE", value_parser = quantity::sides)]
    pub display: Option<[f64; 3]>,
    /// Inside of the sump, length x depth x height
    #[arg(long, value_name = "SIZE", value_parser = quantity::sides, conflicts_with = "no_sump")]
    pub sump: Option<[f64; 3]>,
    /// The tank has no sump
    #[arg(long)]
    pub no_sump: bool,
    /// Nothing replaces what evaporates
    #[arg(long)]
    pub no_top_off: bool,
    /// Power of each of the two heaters, such as `100 W`
    #[arg(long, value_name = "POWER", value_parser = quantity::power)]
    pub heater: Option<f64>,
    /// Power of the light, such as `60 W`
    #[arg(long, value_name = "POWER", value_parser = quantity::power, conflicts_with = "no_light")]
    pub light: Option<f64>,
    /// The tank has no light
    #[arg(long)]
    pub no_light: bool,
    /// Part number of the chip on the board, such as `ATmega328P`
    #[arg(long, value_name = "CHIP")]
    pub chip: Option<String>,
    /// Voltage of the mains, `230 V` or `120 V`
    #[arg(long, value_name = "VOLTAGE", value_parser = quantity::voltage)]
    pub mains: Option<f64>,
    /// Time zone in POSIX form, such as `GMT0BST,M3.5.0/1,M10.5.0` [default: this machine's]
    #[arg(long, value_name = "ZONE")]
    pub timezone: Option<String>,
    /// How long nobody is there, such as `63 h`
    #[arg(long, value_name = "TIME", value_parser = quantity::time)]
    pub unattended: Option<f64>,
    /// Ask for whatever is not given, even if no terminal is there
    #[arg(long, conflicts_with = "yes")]
    pub ask: bool,
    /// Ask nothing
    #[arg(long)]
    pub yes: bool,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
}

/// Options of `audit`.
#[derive(Args, Debug)]
#[command(long_about = "Check a system by calculation, without simulating it.\n\n\
        What drains down against the free space of the sump, floats against the water lines, what a stuck float can call, days of \
        the reservoir, heaters against the coldest room and stuck on, oxygen hours, battery hours, the state of each part without \
        power. Takes milliseconds.")]
pub struct AuditOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Add the tables of all that was computed
    #[arg(long, conflicts_with = "brief")]
    pub facts: bool,
    /// One line a finding
    #[arg(long)]
    pub brief: bool,
}

/// Options of `rehearse`.
#[derive(Args, Debug)]
#[command(
    long_about = "Run the system and write every signal down.\n\n\
        The tank and the compiled rules run together, scan by scan, from the levels of the file. The record has what the board knows \
        (its signals, outputs and alarms) and what is true (columns that begin with \"true\"). A system without vessels runs its rules \
        against readings set by hand.",
    after_help = "Examples:\n  tidewright rehearse system.toml --for 72h --csv out.csv\n  \
        tidewright rehearse system.toml --fault heater:welded@24h --corner summer\n  \
        tidewright rehearse system.toml --procedure feeding@12h --hand return_pump=off@20h+15min\n  \
        tidewright rehearse first-evening.toml --set display_temp=24degC --set display_temp=26degC@1h"
)]
pub struct RehearseOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// How long to run, such as `72h` [default: the file's unattended time]
    #[arg(long = "for", value_name = "TIME", value_parser = quantity::time)]
    pub duration: Option<f64>,
    /// Write the record here as CSV, a column a signal with its unit; `-` for the standard output
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// A line each so often
    #[arg(long, value_name = "TIME", default_value = "60 s", value_parser = quantity::time)]
    pub every: f64,
    /// Corner of the file whose parameters hold [default: nominal]
    #[arg(long, value_name = "NAME")]
    pub corner: Option<String>,
    /// A fault that strikes, and when
    #[arg(
        long,
        value_name = "PART:MODE@TIME",
        help_heading = "What happens (each may be given more than once)"
    )]
    pub fault: Vec<String>,
    /// A person takes an actuator into hand, when and for how long
    #[arg(
        long,
        value_name = "ACTUATOR=STATE@TIME+TIME",
        help_heading = "What happens (each may be given more than once)"
    )]
    pub hand: Vec<String>,
    /// A person starts a procedure
    #[arg(long, value_name = "NAME@TIME", help_heading = "What happens (each may be given more than once)")]
    pub procedure: Vec<String>,
    /// A sensor reads this from then on, whatever is true
    #[arg(
        long,
        value_name = "SENSOR=VALUE@TIME",
        help_heading = "What happens (each may be given more than once)"
    )]
    pub set: Vec<String>,
    /// Seed of all noise; the same seed gives the same bits
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
}

/// Options of `compare`.
#[derive(Args, Debug)]
#[command(
    long_about = "Compare two revisions of a system.\n\n\
        Says what changed in the file, thing by thing; which rows of the FMEA opened, got worse, got better or closed, with the hours before and \
        after, the worst first; in which scenarios outputs or alarms differ and when first; and what the program takes. Rules that are written \
        otherwise and do the same are recognised by their outputs.",
    after_help = "Examples:\n  tidewright compare first-draft.toml system.toml --nominal\n  tidewright compare old.toml new.toml --because --only topoff\n\n\
        Exit codes: 0 nothing got worse, 1 a row opened or got worse, 2 the input cannot be read or the options are wrong."
)]
pub struct CompareOptions {
    /// The revision before
    #[arg(value_name = "A")]
    pub first: PathBuf,
    /// The revision after
    #[arg(value_name = "B")]
    pub second: PathBuf,
    /// Leave each change out, study again, and name the one responsible for each row that turned
    #[arg(long)]
    pub because: bool,
    /// Which scenarios both run, scan by scan
    #[arg(long, value_enum, default_value_t)]
    pub scenarios: ScenarioChoice,
    /// The study of faults.
    #[command(flatten)]
    pub study: StudyOptions,
}

/// Which scenarios are compared.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum ScenarioChoice {
    /// A day undisturbed at nominal and each corner, and eight hours with each fault
    #[default]
    All,
    /// The undisturbed days alone
    Calm,
    /// None
    None,
}

/// How a study of faults is run.
#[derive(Args, Debug)]
#[command(next_help_heading = "Study")]
pub struct StudyOptions {
    /// Strike only at lamps-off, not at lamps-on and during a top-off too
    #[arg(long)]
    pub one_instant: bool,
    /// Only nominal parameters, no corners
    #[arg(long)]
    pub nominal: bool,
    /// Only faults whose part:mode contains this
    #[arg(long, value_name = "TEXT")]
    pub only: Option<String>,
    /// How long each run lasts [default: the file's unattended time]
    #[arg(long, value_name = "TIME", value_parser = quantity::time)]
    pub window: Option<f64>,
    /// Seed of all noise; the same seed gives the same bits
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Threads [default: as many as the machine has]
    #[arg(long, value_name = "NUMBER", default_value_t = 0, hide_default_value = true)]
    pub threads: usize,
    /// Date against which reviews of accepted risks are judged [default: today]
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = date)]
    pub date: Option<String>,
    /// When to draw a progress bar
    #[arg(long, value_enum, default_value_t)]
    pub progress: ProgressChoice,
}

fn date(text: &str) -> Result<String, String> {
    match trial::days(text) {
        Some(_) => Ok(text.to_owned()),
        None => Err("write a date such as `2026-03-31`".to_owned()),
    }
}

/// When to draw a progress bar.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum ProgressChoice {
    /// On a terminal
    #[default]
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// Options of `fit`.
#[derive(Args, Debug)]
#[command(
    long_about = "Fit the twin to a log of the tank.\n\n\
        From what the board measured and did, a line a minute or closer over a week or two, it works out evaporation, the heat that walls \
        lose, the power of heaters, the speed of pumps, gas exchange and the lag of probes, each with a 95 % interval beside the file's \
        value, what that interval is made of, and what the log cannot tell. The log is the station's export (CSV or CSV table) or the \
        record of a rehearsal.",
    after_help = "Examples:\n  tidewright fit system.toml log.csv\n  \
        tidewright fit system.toml log.csv --room living_room --plot residuals.svg\n  \
        tidewright fit system.toml log.csv --out fitted.toml && tidewright fmea fitted.toml"
)]
pub struct FitOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The log, as CSV
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
    /// Board whose series are meant, where the log has those of several
    #[arg(long, value_name = "NAME")]
    pub board: Option<String>,
    /// Column of the log that is the temperature of the room, where no sensor of the file is
    #[arg(long, value_name = "COLUMN")]
    pub room: Option<String>,
    /// Write the system file here with what was fitted in it
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Draw here what was measured, what the fitted twin says and what is left over, as SVG
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,
    /// Replace files that are there
    #[arg(long)]
    pub force: bool,
}

/// Options of `fmea`.
#[derive(Args, Debug)]
#[command(
    long_about = "Break every part in simulation and say what that harms and when.\n\n\
        Each failure mode of each part strikes a settled system at lamps-on, at lamps-off and during a top-off, under nominal \
        conditions and at each corner of the file, and runs for the unattended time. A row tells the worst: the first requirement \
        that breaks, after how long, by how much, and whether an alarm could bring a person in time. A fault that breaks nothing \
        and that nobody hears of is hidden: it waits for a second one.",
    after_help = ENDINGS
)]
pub struct FmeaOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Also run pairs: each hidden fault with every other
    #[arg(long)]
    pub pairs: bool,
    /// Leave out the table of all faults
    #[arg(long)]
    pub brief: bool,
    /// How the study is run.
    #[command(flatten)]
    pub study: StudyOptions,
}

/// Options of `report`.
#[derive(Args, Debug)]
#[command(
    long_about = "Write the complete file of a system as one HTML page: what it is, what would happen, what to do, audit, FMEA, drawings, wiring, \
        proof tests and upkeep; with --history what a running station says that its board was given.\n\n\
        The page needs nothing else: it opens in any browser, on a phone, and prints. --sitter adds a sheet for whoever minds the tank. --share writes \
        a folder to teach with: file and page without addresses, secrets and names.",
    after_help = "Examples:\n  tidewright report system.toml --sitter sitter.html --call 'Mara, +00 000 0000000, any hour'\n  \
        tidewright report system.toml --pdf\n  tidewright report system.toml --share tank-to-share --leave-out Mara"
)]
pub struct ReportOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The page to write
    #[arg(short, long, value_name = "FILE", default_value = "report.html")]
    pub out: PathBuf,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
    /// Also write the sheet for whoever minds the tank, as a page of its own
    #[arg(long, value_name = "FILE")]
    pub sitter: Option<PathBuf>,
    /// Whom to call, a line on that sheet; may be given again
    #[arg(long, value_name = "TEXT")]
    pub call: Vec<String>,
    /// Also write each page as PDF beside it, by the Chromium of this machine
    #[arg(long)]
    pub pdf: bool,
    /// Ask the running station what was done: revisions with their reasons, calibrations, proof tests, upkeep
    #[arg(long)]
    pub history: bool,
    /// Write into this folder instead what can be given to others: system file, page and sheet without addresses, secrets and names
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["out", "sitter", "call"])]
    pub share: Option<PathBuf>,
    /// Put the photos of the station's diary into that folder too, with what they show, without who
    #[arg(long, requires = "share")]
    pub photos: bool,
    /// A word to leave out with --share, such as a name; may be given again
    #[arg(long, value_name = "TEXT", requires = "share")]
    pub leave_out: Vec<String>,
    /// Which station.
    #[command(flatten)]
    pub station: StationOptions,
    /// How the study is run.
    #[command(flatten)]
    pub study: StudyOptions,
}

/// Options of `section`.
#[derive(Args, Debug)]
pub struct SectionOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The drawing to write; `-` for the standard output
    #[arg(short, long, value_name = "FILE", default_value = "section.svg")]
    pub out: PathBuf,
    /// Date in the title block [default: none]
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = date)]
    pub date: Option<String>,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
}

/// Options of `wire`.
#[derive(Args, Debug)]
#[command(
    long_about = "Plan pins, contacts, wires and protection; draw them and list what to cut and buy.\n\n\
        What the file's [wiring] fixes stays; the rest gets a pin, an expander line or a converter channel. When it does not fit, the \
        answer names a smallest set of parts that clash, and the smallest change that helps: fewest added parts, then fewest moved wires. \
        [electrics] and [fitting] say how things are fitted; what they do not say is not judged.",
    after_help = "Examples:\n  tidewright wire system.toml --lock\n  tidewright wire system.toml --drawings wiring --csv wiring\n  \
        tidewright wire system.toml --show checkout\n  tidewright wire system.toml --board ATmega2560\n\n\
        Mains beside salt water kill: local code goes before any sheet, and a licensed electrician does or checks the mains side."
)]
pub struct WireOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The list to show [default: places, power and loads]
    #[arg(long, value_enum, value_name = "LIST")]
    pub show: Option<WireList>,
    /// Write what was planned to the lock file beside the system file, for `build` and for the next plan
    #[arg(long)]
    pub lock: bool,
    /// What another board would mean: wires that move, and what to test again
    #[arg(long, value_name = "CHIP")]
    pub board: Option<String>,
    /// Write all lists as CSV into this folder
    #[arg(long, value_name = "FOLDER")]
    pub csv: Option<PathBuf>,
    /// Write the drawings as SVG into this folder: sheets for A4, one page for a phone, the enclosure
    #[arg(long, value_name = "FOLDER")]
    pub drawings: Option<PathBuf>,
    /// Write the wires as a netlist that KiCad reads
    #[arg(long, value_name = "FILE")]
    pub netlist: Option<PathBuf>,
    /// Replace files that are there
    #[arg(long)]
    pub force: bool,
}

/// Lists of `wire`.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum WireList {
    /// Who sits on which pin, line and contact.
    Places,
    /// Budget of each circuit, rail and battery.
    Power,
    /// Current, fuse and wire of each load.
    Loads,
    /// Every wire with both ends.
    Wires,
    /// What to cut.
    Cut,
    /// What to buy.
    Bill,
    /// Contacts of each connector.
    Connectors,
    /// Texts for sleeves and terminals.
    Labels,
    /// First power-up, point to point, in the safe order.
    Checkout,
}

/// Options of `build`.
#[derive(Args, Debug)]
#[command(long_about = "Make the image of the board: runtime, program and tables as Intel HEX.\n\n\
        No compiler is needed: tidewright brings the runtimes along. Says what the image takes of the chip's flash, memory, EEPROM and \
        scan time, what is free and who takes most, and refuses a program that could not later be replaced by a trial.")]
pub struct BuildOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The image to write; `-` for the standard output [default: system.hex, system.tw with --program-only]
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Take the runtime with the network, also when the file has no W5500
    #[arg(long, conflicts_with = "program_only")]
    pub network: bool,
    /// Write the control program alone, for a trial on a board that is wired as the file says
    #[arg(long)]
    pub program_only: bool,
    /// A runtime of your own: its manifest, with its image beside it under the same name and `.hex`
    #[arg(long, value_name = "FILE", conflicts_with_all = ["program_only", "network"])]
    pub runtime: Option<PathBuf>,
    /// Write a sketch for the Arduino API into this folder instead, for chips that have no image
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["program_only", "network", "runtime", "out"])]
    pub sketch: Option<PathBuf>,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
}

/// Options of `flash`.
#[derive(Args, Debug)]
#[command(
    long_about = "Put the image on the board through its serial bootloader.\n\n\
        Everything is read back. The first page is written last, so a cable pulled at any time leaves a board that holds still with every \
        coil at rest and takes the image again; the bootloader and the EEPROM are never written. A board that runs another system is told \
        of before it is replaced.",
    after_help = "Examples:\n  tidewright flash system.toml --port /dev/ttyUSB0\n  tidewright flash system.hex --port COM3 --yes"
)]
pub struct FlashOptions {
    /// The system file, or an image that `build` wrote
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The serial port of the board
    #[arg(long, value_name = "PORT")]
    pub port: String,
    /// What the bootloader speaks
    #[arg(long, value_enum, default_value_t)]
    pub bootloader: BootloaderChoice,
    /// Bits a second [default: as the usual board of the chip]
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u32).range(300..=2_000_000))]
    pub baud: Option<u32>,
    /// Take the runtime with the network, also when the file has no W5500
    #[arg(long)]
    pub network: bool,
    /// A runtime of your own, as for `build`
    #[arg(long, value_name = "FILE", conflicts_with = "network")]
    pub runtime: Option<PathBuf>,
    /// Replace what the board runs without asking
    #[arg(long)]
    pub yes: bool,
    /// When to draw a progress bar
    #[arg(long, value_enum, default_value_t)]
    pub progress: ProgressChoice,
}

/// Options of `trial`.
#[derive(Args, Debug)]
#[command(
    long_about = "Try another program on a board that runs, or keep or give up the one that is tried.\n\n\
        The program goes over the serial cable into EEPROM; the board checks it and starts anew with it. Unless it is confirmed in its \
        time the board goes back to the last confirmed one by itself, also after three resets in a row. The wiring must be that of the \
        board: a moved pin needs `flash`.",
    after_help = "Examples:\n  tidewright trial system.toml --port /dev/ttyUSB0 --time 2h\n  tidewright trial --confirm --port /dev/ttyUSB0\n\n\
        Many boards start anew when their port is opened; that counts as one reset of the trial."
)]
#[command(group = clap::ArgGroup::new("act").required(true))]
pub struct TrialOptions {
    /// The system file, or a program that `build --program-only` wrote (`.tw`)
    #[arg(value_name = "FILE", group = "act")]
    pub file: Option<PathBuf>,
    /// Keep the program that is tried
    #[arg(long, group = "act")]
    pub confirm: bool,
    /// Give the program that is tried up, now
    #[arg(long, group = "act")]
    pub revert: bool,
    /// The serial port of the board
    #[arg(long, value_name = "PORT")]
    pub port: String,
    /// How long it is tried unless it is confirmed, 1 min to 4 h 15 min
    #[arg(long, value_name = "TIME", default_value = "60 min", value_parser = quantity::time)]
    pub time: f64,
    /// When to draw a progress bar
    #[arg(long, value_enum, default_value_t)]
    pub progress: ProgressChoice,
}

/// Options of `listen`.
#[derive(Args, Debug)]
#[command(
    long_about = "Listen to a controller that runs already: what it prints, and which parts of the system that may be.\n\n\
        Reads `name=value` in free lines, columns, JSON and SenML, says what was understood and what not and why, and suggests a map \
        from the printed names to the sensors and actuators of the system. Nothing is sent to the controller.",
    after_help = "Examples:\n  tidewright listen system.toml --serial /dev/ttyUSB0 --baud 9600\n  tidewright listen system.toml --file monday.log --suggest map.toml\n\n\
        Many boards start anew when their serial port is opened, and their outputs fall off for a moment: be there when you do it.\n\
        Exit codes: 0 all was understood, 1 not all was, 2 the input cannot be read or the options are wrong."
)]
#[command(group = clap::ArgGroup::new("from").required(true))]
pub struct ListenOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Listen to a serial port, such as `/dev/ttyUSB0` or `COM3`
    #[arg(long, value_name = "PORT", group = "from")]
    pub serial: Option<String>,
    /// Bits a second of the serial port
    #[arg(long, value_name = "NUMBER", default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(300..=2_000_000))]
    pub baud: u32,
    /// Listen to a TCP connection
    #[arg(long, value_name = "HOST:PORT", group = "from")]
    pub tcp: Option<String>,
    /// Read a file that was recorded; `-` for the standard input
    #[arg(long = "file", value_name = "LOG", group = "from")]
    pub input: Option<PathBuf>,
    /// How long to listen [default: 60 s, or to the end of a file]
    #[arg(long = "for", value_name = "TIME", value_parser = quantity::time)]
    pub duration: Option<f64>,
    /// Read the lines as this map says
    #[arg(long, value_name = "MAP")]
    pub map: Option<PathBuf>,
    /// Write the suggested map to a file
    #[arg(long, value_name = "MAP")]
    pub suggest: Option<PathBuf>,
    /// Write the lines to a file, each with the time at which it came
    #[arg(long, value_name = "LOG")]
    pub record: Option<PathBuf>,
    /// Replace files that are there
    #[arg(long)]
    pub force: bool,
}

/// Options of `shadow`.
#[derive(Args, Debug)]
#[command(
    long_about = "Run the rules in shadow beside a recorded log of a controller, and say where they would have acted differently.\n\n\
        The readings of the log go into the compiled rules, scan by scan, as on a board that is switched on with its first line; each \
        output that the log tells is compared with what the rules would set. The water is that which the controller made: what the rules \
        would have made of it `rehearse` shows.",
    after_help = "Examples:\n  tidewright listen system.toml --tcp 192.168.1.40:23 --for 24h --record monday.log --suggest map.toml\n  \
        tidewright shadow system.toml monday.log --map map.toml\n\n\
        Exit codes: 0 the rules would have done the same, 1 they would not, 2 the input cannot be read or the options are wrong."
)]
pub struct ShadowOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The log; `-` for the standard input
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
    /// What the printed names are [default: the suggestion that `listen` makes]
    #[arg(long, value_name = "MAP")]
    pub map: Option<PathBuf>,
}

/// Options of `revisions`.
#[derive(Args, Debug)]
#[command(
    long_about = "List the programs that a board was given through the station, or give it another on trial, keep it or give it up.\n\n\
        The station makes the program of the system file, keeps both under a number, and sends the program. Unless it is confirmed in \
        its time the board goes back by itself. The wiring must be that of the board: a moved pin needs `flash`. Before it sends, the station compares \
        with what the board runs: rows of the FMEA that get worse are shown, and each wants a reason of its own. A revision that the board kept before \
        goes back at once. Without an act it lists what there is.",
    after_help = "Examples:\n  tidewright revisions\n  tidewright revisions --compare system.toml\n  \
        tidewright revisions --deploy system.toml --why 'cooler at night' --time 2h\n  \
        tidewright revisions --deploy system.toml --why 'no trip' --because 'heater:welded=its own dial holds it'\n  \
        tidewright revisions --pump lime_pump --catch '600 s, 29.1 mL' --catch '600 s, 29.3 mL' --why 'new tube'\n  \
        tidewright revisions --confirm --why 'saw the heater switch'\n  tidewright revisions --deploy 1 --why 'the old one was better'\n\n\
        The token comes from --token-file or TIDEWRIGHT_TOKEN; the page of accounts makes one."
)]
#[command(group = clap::ArgGroup::new("act"))]
pub struct RevisionsOptions {
    /// Try a system file, or the revision of this number
    #[arg(long, value_name = "FILE|NUMBER", group = "act")]
    pub deploy: Option<String>,
    /// Compare a system file, or a revision, with what the board runs, and send nothing
    #[arg(long, value_name = "FILE|NUMBER", group = "act")]
    pub compare: Option<String>,
    /// Calibrate a metered pump by caught volumes: its flow goes into the file that the board runs, and that on trial
    #[arg(long, value_name = "NAME", group = "act", requires = "catches")]
    pub pump: Option<String>,
    /// Keep what is tried
    #[arg(long, group = "act")]
    pub confirm: bool,
    /// Give up what is tried, now
    #[arg(long, group = "act")]
    pub revert: bool,
    /// Say afterwards, with --because, why rows may get worse that this revision makes worse
    #[arg(long, value_name = "NUMBER", group = "act", requires = "because")]
    pub explain: Option<i64>,
    /// Print the system file of a revision
    #[arg(long, value_name = "NUMBER", group = "act")]
    pub print: Option<i64>,
    /// Why, for the list and the audit trail
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
    /// A volume that the pump gave, `TIME, VOLUME`, such as `600 s, 30.2 mL`; once for each
    #[arg(long = "catch", value_name = "CATCH", requires = "pump")]
    pub catches: Vec<String>,
    /// Step of the vessel in which it was caught
    #[arg(long, value_name = "VOLUME", default_value = "0.5 mL", value_parser = crate::commands::care::options::volume_ml)]
    pub step: f64,
    /// Why a row that gets worse may, once for each
    #[arg(long, value_name = "ROW=TEXT")]
    pub because: Vec<String>,
    /// Send at once and let the station compare afterwards: for an emergency
    #[arg(long)]
    pub compare_later: bool,
    /// A bar on the standard error while it compares
    #[arg(long, value_enum, default_value_t, value_name = "WHEN")]
    pub progress: ProgressChoice,
    /// How long it is tried unless it is confirmed, 1 min to 4 h 15 min
    #[arg(long, value_name = "TIME", default_value = "60 min", value_parser = quantity::time)]
    pub time: f64,
    /// Which station.
    #[command(flatten)]
    pub station: StationOptions,
}

/// Which station, and which of its boards.
#[derive(Args, Debug)]
pub struct StationOptions {
    /// Which board [default: the only one]
    #[arg(long, value_name = "NAME")]
    pub board: Option<String>,
    /// Address of the station
    #[arg(long, value_name = "URL", default_value = "http://localhost:7480")]
    pub station: String,
    /// File with the token
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Certificate of the station, PEM, where it made its own
    #[arg(long, value_name = "FILE")]
    pub certificate: Option<PathBuf>,
}

/// Options of `serve`.
#[derive(Args, Debug)]
#[command(
    long_about = "Run the station: watch the boards, keep what they say, tell people, let them act.\n\n\
        With a station file it serves the boards that the file names. With a system file alone it serves that system on a board of \
        software, so that everything can be tried before a wire is cut. It serves this machine only until there is an owner; the code \
        for the first account is printed at the start.",
    after_help = "Examples:\n  tidewright serve station.toml\n  tidewright serve system.toml --speed 100\n\n\
        It ends in order on SIGTERM and SIGINT. Exit codes: 0 it was ended, 2 it could not begin, or a part of it failed."
)]
pub struct ServeOptions {
    /// The station file, or a system file
    #[arg(value_name = "FILE", default_value = "station.toml")]
    pub file: PathBuf,
    /// Folder of the data [default: as the station file says, else in the user's state folder]
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// Port on this machine [default: as the station file says, else 7480; 0 for any that is free]
    #[arg(long, value_name = "NUMBER")]
    pub port: Option<u16>,
    /// Times as fast as life, up to 10000, of a board of software
    #[arg(long, value_name = "TIMES", value_parser = speed)]
    pub speed: Option<f64>,
    /// Only say whether the files are right
    #[arg(long)]
    pub check: bool,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(times) if (0.1..=10_000.0).contains(&times) => Ok(times),
        _ => Err("a number from 0.1 to 10000".to_owned()),
    }
}

/// Protocols of bootloaders.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum BootloaderChoice {
    /// As the usual board of the chip
    #[default]
    Auto,
    /// STK500, first version
    Stk500v1,
    /// STK500, second version
    Stk500v2,
    /// AVR109, over native USB
    Avr109,
}

/// Options of `water`.
#[derive(Args, Debug)]
#[command(
    long_about = "Compute the properties of a seawater from what you can measure.\n\n\
        Give the temperature and one measure of the salt. With two of alkalinity, DIC, pH and pCO2 the whole carbonate system \
        follows. Equations: PSS-78, EOS-80, Garcia & Gordon 1992, Lueker 2000, Mucci 1983; a warning says when the water lies \
        outside of what they were fitted to.",
    after_help = "Examples:\n  tidewright water --temperature 25degC --salinity 35 --alkalinity '8 dKH' --ph 8.2\n  \
        tidewright water --temperature 78degF --specific-gravity 1.0264\n  \
        tidewright water --temperature 25degC --conductivity '53 mS/cm' --alkalinity '2300 umol/kg' --pco2 '420 ppm'\n\n\
        Quote quantities with a space. Exit codes: 0 nothing to remark, 1 there are warnings, 2 the options are wrong."
)]
#[command(group = clap::ArgGroup::new("salt").required(true))]
pub struct WaterOptions {
    /// Temperature of the water, such as `25degC` or `77degF`
    #[arg(long, value_parser = quantity::temperature, allow_hyphen_values = true)]
    pub temperature: f64,
    /// Practical salinity, such as `35`
    #[arg(long, group = "salt", value_parser = quantity::salinity, allow_hyphen_values = true, help_heading = "Salt (one of these)")]
    pub salinity: Option<f64>,
    /// Conductivity at the water's own temperature, not compensated, such as `53 mS/cm`
    #[arg(long, group = "salt", value_parser = quantity::conductivity, help_heading = "Salt (one of these)")]
    pub conductivity: Option<f64>,
    /// Specific gravity by an instrument that corrects for temperature, such as `1.0264`
    #[arg(long, group = "salt", value_parser = quantity::gravity, value_name = "GRAVITY", help_heading = "Salt (one of these)")]
    pub specific_gravity: Option<f64>,
    /// Reading of a floating hydrometer in this water as it is
    #[arg(long, group = "salt", value_parser = quantity::gravity, value_name = "GRAVITY", help_heading = "Salt (one of these)")]
    pub hydrometer: Option<f64>,
    /// Temperatures that the hydrometer or refractometer is marked for: sample over water
    #[arg(long, value_enum, default_value_t, help_heading = "Salt (one of these)")]
    pub gravity_scale: GravityScaleChoice,
    /// Alkalinity, such as `8 dKH`, `2300 umol/kg`, `2.86 meq/L`
    #[arg(long, value_parser = quantity::amount, value_name = "AMOUNT", help_heading = "Carbonate system (two of these)")]
    pub alkalinity: Option<Quantity>,
    /// Dissolved inorganic carbon, such as `2000 umol/kg`
    #[arg(long, value_parser = quantity::amount, value_name = "AMOUNT", help_heading = "Carbonate system (two of these)")]
    pub dic: Option<Quantity>,
    /// pH as a probe set in NBS buffers (4, 7, 10) shows it
    #[arg(long, value_parser = quantity::ph, help_heading = "Carbonate system (two of these)")]
    pub ph: Option<f64>,
    /// pH on the total scale
    #[arg(long, value_parser = quantity::ph, value_name = "PH", conflicts_with = "ph", help_heading = "Carbonate system (two of these)")]
    pub ph_total: Option<f64>,
    /// CO2: a partial pressure such as `420 uatm`, or a share of dry air such as `420 ppm`
    #[arg(long, value_parser = quantity::pco2, value_name = "CO2", help_heading = "Carbonate system (two of these)")]
    pub pco2: Option<Quantity>,
    /// Calcium, such as `425 mg/L` [default: as it goes with the salt]
    #[arg(long, value_parser = quantity::calcium, value_name = "AMOUNT")]
    pub calcium: Option<Quantity>,
    /// How much boron goes with the salt
    #[arg(long, value_enum, default_value_t)]
    pub boron: BoronChoice,
}

/// Marks of hydrometers: temperature of the sample over temperature of the fresh water it is compared with.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum GravityScaleChoice {
    /// 25 degC over 25 degC
    #[default]
    #[value(name = "25/25")]
    At2525,
    /// 20 degC over 20 degC
    #[value(name = "20/20")]
    At2020,
    /// 60 degF over 60 degF
    #[value(name = "60F/60F")]
    At60F60F,
    /// 20 degC over 4 degC
    #[value(name = "20/4")]
    At204,
    /// 25 degC over 4 degC
    #[value(name = "25/4")]
    At254,
}

/// Ratios of boron to salt.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum BoronChoice {
    /// Uppstrom 1974
    #[default]
    Uppstrom,
    /// Lee 2010
    Lee,
}

/// Options of `completions`.
#[derive(Args, Debug)]
pub struct CompletionOptions {
    /// Which shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// Options of `man`.
#[derive(Args, Debug)]
pub struct ManOptions {
    /// The command whose page is printed; without it, the page of tidewright itself
    #[arg(value_name = "COMMAND")]
    pub command: Option<String>,
    /// Write the pages of all commands into this folder
    #[arg(long, value_name = "FOLDER", conflicts_with = "command")]
    pub out: Option<PathBuf>,
    /// Replace pages that are there
    #[arg(long)]
    pub force: bool,
}

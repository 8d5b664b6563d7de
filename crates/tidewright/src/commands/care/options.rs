//! What can be typed behind `tidewright care FILE`. The help texts are the manual page.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use units::Kind;

use crate::quantity;

/// Options of `care`.
#[derive(Args, Debug)]
#[command(
    long_about = "The small regular acts that keep a system alive: what to test and how often, calibrating, dosing, what is due.\n\n\
        Volume, salinity, temperature and flows come from the system file. Nothing is sent to a board.",
    after_help = "Examples:\n  tidewright care system.toml proof --steps float:float_c_high\n  tidewright care system.toml calibrate ph --point '7.00, 3.1 mV, 25 degC' --point '10.01, -168 mV, 25 degC'\n  \
        tidewright care system.toml use tests.csv\n  tidewright care system.toml dose alkalinity --now 7.2 --target 8 --salt 'sodium bicarbonate'\n\n\
        Mains beside salt water, lime and soda: each answer carries its caution. docs/care.md has formulas and sources."
)]
pub struct CareOptions {
    /// The system file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What to do
    #[command(subcommand)]
    pub topic: Topic,
}

/// What can be asked.
#[derive(Subcommand, Debug)]
pub enum Topic {
    /// Which protection is to be tried how often, why, and how
    Proof(ProofOptions),
    /// Maintenance by calendar, by hours run and by evidence
    Tasks,
    /// Proof tests and tasks as an iCalendar file
    Calendar(CalendarOptions),
    /// How a probe or pump is calibrated; with readings, what comes of it
    Calibrate(CalibrateOptions),
    /// What the tank uses up in a day, by a log of tests, doses and water changes
    Use(UseOptions),
    /// How much of which salt, in how many days
    Dose(DoseOptions),
    /// What limewater can do within what evaporates
    Lime(LimeOptions),
    /// What a water change does, and the salt for new water
    Change(ChangeOptions),
}

/// Options of `proof`.
#[derive(Args, Debug)]
pub struct ProofOptions {
    /// Show the steps and the reckoning of this test
    #[arg(long, value_name = "ID")]
    pub steps: Option<String>,
    /// Loss of the tank that is tolerated a year for each protection
    #[arg(long, value_name = "NUMBER", value_parser = per_year)]
    pub loss: Option<f64>,
    /// Harm that can be mended, tolerated a year for each protection
    #[arg(long, value_name = "NUMBER", value_parser = per_year)]
    pub harm: Option<f64>,
    /// Danger to a person that is tolerated a year for each protection
    #[arg(long, value_name = "NUMBER", value_parser = per_year)]
    pub shock: Option<f64>,
}

/// Options of `calendar`.
#[derive(Args, Debug)]
pub struct CalendarOptions {
    /// The file to write; `-` for the standard output
    #[arg(short, long, value_name = "FILE", default_value = "care.ics")]
    pub out: PathBuf,
    /// Day of the beginning; today unless given
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = date)]
    pub date: Option<i64>,
    /// Replace a file that is there
    #[arg(long)]
    pub force: bool,
}

/// Options of `calibrate`.
#[derive(Args, Debug)]
pub struct CalibrateOptions {
    /// Sensor or pump of the system file
    #[arg(value_name = "PART")]
    pub part: String,
    /// pH: `BUFFER, READING, TEMPERATURE` with a reading in mV, or in pH of an uncalibrated board; else `TRUTH, READING`
    #[arg(long, value_name = "POINT")]
    pub point: Vec<String>,
    /// Of a pump: `TIME, VOLUME`, such as `600 s, 30.2 mL`
    #[arg(long = "catch", value_name = "CATCH")]
    pub catches: Vec<String>,
    /// Step of the measuring vessel
    #[arg(long, value_name = "VOLUME", default_value = "0.5 mL", value_parser = volume_ml)]
    pub step: f64,
}

/// Options of `use`.
#[derive(Args, Debug)]
pub struct UseOptions {
    /// The log as CSV: date, what, value; `-` for the standard input
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
}

/// Options of `dose`.
#[derive(Args, Debug)]
pub struct DoseOptions {
    /// alkalinity, calcium or magnesium
    #[arg(value_name = "QUANTITY")]
    pub quantity: String,
    /// What a test shows now, such as `7.2 dKH` or `400 mg/L`
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub now: String,
    /// What it should be
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub target: String,
    /// Name or formula, such as `sodium bicarbonate`, `CaCl2.2H2O`, `MgSO4.7H2O`
    #[arg(long, value_name = "SALT")]
    pub salt: String,
    /// Used up in a day; of alkalinity the file's unless given
    #[arg(long = "use", value_name = "VALUE", allow_hyphen_values = true)]
    pub use_per_day: Option<String>,
    /// Net rise in a day
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub limit: Option<String>,
    /// Strength of a stock solution, such as `80 g/L`
    #[arg(long, value_name = "STRENGTH", value_parser = strength_g_l)]
    pub stock: Option<f64>,
    /// What a probe shows; the file's unless given
    #[arg(long, value_name = "PH", value_parser = quantity::ph)]
    pub ph: Option<f64>,
    /// Water of the tank; the file's unless given
    #[arg(long, value_name = "VOLUME", value_parser = volume_l)]
    pub volume: Option<f64>,
}

/// Options of `lime`.
#[derive(Args, Debug)]
pub struct LimeOptions {
    /// Evaporates in a day, measured; by calculation with its 40 % unless given
    #[arg(long, value_name = "VOLUME", value_parser = volume_l)]
    pub evaporation: Option<f64>,
    /// Alkalinity used up in a day; the file's unless given
    #[arg(long = "use", value_name = "VALUE", allow_hyphen_values = true)]
    pub use_per_day: Option<String>,
    /// Strength as a share of saturation, such as `80 %`
    #[arg(long, value_name = "SHARE", default_value = "100 %", value_parser = share)]
    pub saturation: f64,
    /// Largest portion
    #[arg(long, value_name = "VOLUME", default_value = "50 mL", value_parser = volume_l)]
    pub portion: f64,
    /// Temperature of the limewater
    #[arg(long, value_name = "T", default_value = "25 degC", value_parser = quantity::temperature)]
    pub temperature: f64,
    /// Water of the tank; the file's unless given
    #[arg(long, value_name = "VOLUME", value_parser = volume_l)]
    pub volume: Option<f64>,
}

/// Options of `change`.
#[derive(Args, Debug)]
pub struct ChangeOptions {
    /// Water that is changed
    #[arg(value_name = "VOLUME", value_parser = volume_l)]
    pub litres: f64,
    /// Salinity of the new water; the file's unless given
    #[arg(long, value_name = "S", value_parser = quantity::salinity)]
    pub salinity: Option<f64>,
    /// Temperature of the new water; the file's unless given
    #[arg(long, value_name = "T", value_parser = quantity::temperature)]
    pub temperature: Option<f64>,
    /// Water that the salt itself holds
    #[arg(long, value_name = "SHARE", default_value = "0 %", value_parser = share)]
    pub moisture: f64,
    /// What a value is now and in the new water, such as `nitrate=20,0`; may be given more than once
    #[arg(long, value_name = "NAME=NOW,NEW")]
    pub value: Vec<String>,
    /// In and out at the same rate, rather than out first
    #[arg(long)]
    pub steadily: bool,
    /// Water of the tank; the file's unless given
    #[arg(long, value_name = "VOLUME", value_parser = volume_l)]
    pub volume: Option<f64>,
}

fn per_year(text: &str) -> quantity::Parsed {
    let number = text.trim().parse::<f64>().ok().filter(|x| (1e-9..=10.0).contains(x));
    number.ok_or_else(|| {
        "write a number of times a year, such as `0.001` for once in a thousand years".to_owned()
    })
}

fn date(text: &str) -> Result<i64, String> {
    care::calendar::day_of(text).ok_or_else(|| "write a date such as `2026-11-29`".to_owned())
}

fn above_nought(value: f64) -> quantity::Parsed {
    if value > 0.0 { Ok(value) } else { Err("a value above nought is needed".to_owned()) }
}

fn volume_l(text: &str) -> quantity::Parsed {
    above_nought(quantity::of(text, Kind::Volume)? * 1e3)
}

/// mL, above nought.
pub fn volume_ml(text: &str) -> quantity::Parsed {
    above_nought(quantity::of(text, Kind::Volume)? * 1e6)
}

/// g/L; a concentration's base unit is mg/L.
fn strength_g_l(text: &str) -> quantity::Parsed {
    above_nought(quantity::of(text, Kind::Concentration)? / 1e3)
}

fn share(text: &str) -> quantity::Parsed {
    let share = quantity::of(text, Kind::Ratio)?;
    if (0.0..=1.0).contains(&share) { Ok(share) } else { Err("write a share from 0 % to 100 %".to_owned()) }
}

//! What a fit gives: parameters with intervals beside the file's values, what their uncertainty is made of, residuals, findings.

use serde::Serialize;

/// What a parameter is. Factors are those that a corner of the system file sets: 1 is as the file has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Factor on evaporation of all open water.
    Evaporation,
    /// Factor on the heat that walls lose.
    WallLoss,
    /// Factor on the speed of a pump that a flow meter watches.
    PumpSpeed,
    /// Factor on the exchange of gas.
    GasExchange,
    /// Factor on the oxygen demand of the livestock.
    Respiration,
    /// Power of a heater, W.
    HeaterPower,
    /// First-order lag of a thermometer, s.
    ProbeLag,
}

impl Quantity {
    /// For people and files.
    pub fn name(self) -> &'static str {
        match self {
            Quantity::Evaporation => "evaporation",
            Quantity::WallLoss => "wall loss",
            Quantity::PumpSpeed => "pump speed",
            Quantity::GasExchange => "gas exchange",
            Quantity::Respiration => "respiration",
            Quantity::HeaterPower => "heater power",
            Quantity::ProbeLag => "probe lag",
        }
    }

    /// Unit of its value; empty for a factor.
    pub fn unit(self) -> &'static str {
        match self {
            Quantity::HeaterPower => "W",
            Quantity::ProbeLag => "s",
            _ => "",
        }
    }
}

/// A value between two others with 95 % confidence; infinite where nothing is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// Best estimate.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Nothing is known: the file's value stands, between minus and plus infinity.
    pub fn unknown(value: f64) -> Self {
        Interval { value, low: f64::NEG_INFINITY, high: f64::INFINITY }
    }

    /// Whether both ends are finite.
    pub fn is_bounded(&self) -> bool {
        self.low.is_finite() && self.high.is_finite()
    }

    /// Whether it holds `x`.
    pub fn contains(&self, x: f64) -> bool {
        self.low <= x && x <= self.high
    }

    /// Half of its width.
    pub fn half(&self) -> f64 {
        0.5 * (self.high - self.low)
    }
}

/// A part of the uncertainty of a parameter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Share {
    /// Where it comes from, as a clause: "scatter from day to day", "probe `display_temp` may be off by 0.5 K".
    pub source: String,
    /// Standard uncertainty that it causes, in the parameter's unit.
    pub standard: f64,
}

/// One parameter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Parameter {
    /// What.
    pub what: Quantity,
    /// Of which part of the file. None: of the whole tank.
    pub part: Option<String>,
    /// The file's value.
    pub file: f64,
    /// What the log says.
    pub found: Interval,
    /// How it was found, in a sentence.
    pub how: String,
    /// What the log cannot tell, and what would: in a sentence. Such a parameter has no bounded interval.
    pub unknown: Option<String>,
    /// What the interval is made of, the largest first.
    pub shares: Vec<Share>,
}

impl Parameter {
    /// Of a part.
    pub(crate) fn of(what: Quantity, part: Option<&str>, file: f64) -> Self {
        Parameter {
            what,
            part: part.map(str::to_owned),
            file,
            found: Interval::unknown(file),
            how: String::new(),
            unknown: None,
            shares: vec![],
        }
    }

    /// With nothing found.
    pub(crate) fn not_told(mut self, why: impl Into<String>) -> Self {
        self.found = Interval::unknown(self.file);
        self.unknown = Some(why.into());
        self
    }

    /// "wall loss", "power of `heater_sump`".
    pub fn title(&self) -> String {
        match &self.part {
            Some(part) => format!("{} of {part}", self.what.name()),
            None => self.what.name().to_owned(),
        }
    }

    /// The file's value lies outside of the interval.
    pub fn differs(&self) -> bool {
        !self.found.contains(self.file)
    }
}

/// What was measured against what the fitted model says, over stretches of time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Residuals {
    /// "water added", "heat", "flow of `return_flow`".
    pub name: String,
    /// Unit of the values.
    pub unit: &'static str,
    /// In order of time.
    pub points: Vec<Residual>,
}

/// One stretch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Residual {
    /// From, s since 1970 UTC.
    pub from_s: f64,
    /// To, s since 1970 UTC.
    pub to_s: f64,
    /// As measured.
    pub measured: f64,
    /// By the fitted model.
    pub model: f64,
}

/// What a log says of a tank.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fitted {
    /// Stretch that was looked at, s since 1970 UTC.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// All parameters that the system has, told or not.
    pub parameters: Vec<Parameter>,
    /// What the model leaves over.
    pub residuals: Vec<Residuals>,
    /// What to know of the log, a sentence each.
    pub notes: Vec<String>,
}

impl Fitted {
    /// A parameter.
    pub fn get(&self, what: Quantity, part: Option<&str>) -> Option<&Parameter> {
        self.parameters.iter().find(|p| p.what == what && p.part.as_deref() == part)
    }

    /// Best value of a parameter: as found where the log tells it, else the file's.
    pub fn value(&self, what: Quantity, part: Option<&str>) -> Option<f64> {
        self.get(what, part).map(|p| if p.unknown.is_some() { p.file } else { p.found.value })
    }
}

/// Why nothing can be fitted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoFit {
    /// No series of the log has the name of a signal of the file; the names that are there.
    Foreign(Vec<String>),
    /// The log reaches over less than two days, h.
    Short(u32),
    /// The log reaches over more than a year, days: a time in it is wrong, or it is too much for one state of a tank.
    Long(u32),
}

impl std::fmt::Display for NoFit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            NoFit::Foreign(names) => {
                let some: Vec<&str> = names.iter().take(5).map(String::as_str).collect();
                write!(
                    f,
                    "no column of the log has the name of a sensor or actuator of the file (it has {}); export the log of this \
                     system's board, or rename the columns",
                    if some.is_empty() { "none".to_owned() } else { some.join(", ") }
                )
            }
            NoFit::Long(days) => write!(
                f,
                "the log reaches over {days} days; look for a wrong date, or give a few weeks: a tank does not stay the same for a year"
            ),
            NoFit::Short(hours) => write!(
                f,
                "the log reaches over {hours} h; two days are the least from which anything can be said, two weeks are good"
            ),
        }
    }
}

impl std::error::Error for NoFit {}

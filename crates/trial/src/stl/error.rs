//! What keeps a formula from being monitored, in words for the person who wrote it.

/// Why a formula cannot be monitored.
#[derive(Clone, Debug, PartialEq)]
pub enum MonitorError {
    /// The sample period is not a positive time; give the period of the run.
    SamplePeriod {
        /// What was given, s.
        sample_s: f64,
    },
    /// An interval ends before it begins, or begins in the past.
    Interval {
        /// Begin, s.
        from_s: f64,
        /// End, s.
        to_s: Option<f64>,
    },
    /// No sample falls within the interval; widen it or sample more often.
    NoSample {
        /// Begin, s.
        from_s: f64,
        /// End, s.
        to_s: f64,
        /// Period, s.
        sample_s: f64,
    },
    /// A window that looks back is not a positive time.
    Window {
        /// What was given, s.
        window_s: f64,
    },
    /// A window that looks back holds no earlier sample; widen it or sample more often.
    WindowTooShort {
        /// What was given, s.
        window_s: f64,
        /// Period, s.
        sample_s: f64,
    },
    /// An interval or window would need too much memory.
    TooLong {
        /// What was given, s.
        seconds: f64,
        /// Longest that is accepted at this period, s.
        longest_s: f64,
    },
    /// An operator without an end stands where it would need the whole rest of the run at every sample; give it an end.
    Unbounded {
        /// Which operator.
        operator: &'static str,
    },
    /// `always eventually` (or `eventually always`), both to the end of the run: no part of the run could settle it.
    NeverDecided {
        /// Whether `eventually` is the outer one.
        highest: bool,
    },
    /// A predicate compares with NaN.
    ConstantNan,
}

impl std::fmt::Display for MonitorError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SamplePeriod { sample_s } => {
                write!(
                    f,
                    "a requirement cannot be judged at a sample period of {sample_s} s; it must be above 0"
                )
            }
            Self::Interval { from_s, to_s } => {
                write!(f, "the interval from {from_s} s to ")?;
                match to_s {
                    Some(to_s) => write!(f, "{to_s} s")?,
                    None => write!(f, "the end of the run")?,
                }
                write!(f, " must begin now or later and end no earlier than it begins")
            }
            Self::NoSample { from_s, to_s, sample_s } => write!(
                f,
                "no sample falls within the interval from {from_s} s to {to_s} s at a sample period of {sample_s} s; widen it"
            ),
            Self::Window { window_s } => write!(f, "a window of {window_s} s must be above 0"),
            Self::WindowTooShort { window_s, sample_s } => write!(
                f,
                "a window of {window_s} s is shorter than the sample period of {sample_s} s; make it at least that long"
            ),
            Self::TooLong { seconds, longest_s } => {
                write!(f, "{seconds} s is too long a time within a requirement; the longest is {longest_s} s")
            }
            Self::Unbounded { operator } => write!(
                f,
                "`{operator}` without an end would need the whole rest of the run at every sample here; \
                 give it an interval such as `{operator}[0 s, 2 h]`"
            ),
            Self::NeverDecided { highest } => {
                let (outer, inner) =
                    if *highest { ("eventually", "always") } else { ("always", "eventually") };
                write!(
                    f,
                    "`{outer} {inner}` to the end of the run both times is never decided; \
                     give `{inner}` an interval such as `{inner}[0 s, 2 h]`"
                )
            }
            Self::ConstantNan => write!(f, "a predicate compares with something that is not a number"),
        }
    }
}

impl std::error::Error for MonitorError {}

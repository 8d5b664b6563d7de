//! What a check says: fine, not known, or wrong; and then in words what is wrong, how sure that is, and what to do.

use serde::{Deserialize, Serialize};

use crate::book::Condition;
use crate::definition::{Definition, Origin, Priority};
use crate::peril::Peril;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;

/// The checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Check {
    /// Nothing came from the board.
    BoardSilent,
    /// The board's clock is lost or off.
    ClockOff,
    /// A probe says the same for too long.
    ProbeFrozen,
    /// A probe moves away from what it should read.
    ProbeDrifts,
    /// Two probes in the same water disagree.
    ProbesApart,
    /// More water is added than can evaporate.
    WaterLost,
    /// Less water is added than must evaporate.
    WaterNotAdded,
    /// Heaters run more than the room explains.
    HeatDemand,
    /// A relay or pump nears the end of its life.
    PartWorn,
    /// A part goes on and off far more than it used to.
    ShortCycling,
    /// The station's disk fills.
    DiskFilling,
    /// What the station has written is not there as it was written.
    StoreDamaged,
    /// The backup battery holds less than it did, or is not charged.
    BatteryAgeing,
    /// pH is lower than at the same hour yesterday.
    PhLow,
    /// A reservoir runs out soon.
    ReservoirShort,
    /// The return chamber's level leaves its band.
    ChamberBand,
    /// A proof test was not done in its time, or failed.
    ProofTestOverdue,
    /// The tank drifts from its twin: a flow, a heater, a use of water moves away from what was learned.
    TwinDrifts,
}

impl Check {
    /// All of them.
    pub const ALL: [Check; 18] = [
        Check::BoardSilent,
        Check::ClockOff,
        Check::ProbeFrozen,
        Check::ProbeDrifts,
        Check::ProbesApart,
        Check::WaterLost,
        Check::WaterNotAdded,
        Check::HeatDemand,
        Check::PartWorn,
        Check::ShortCycling,
        Check::DiskFilling,
        Check::StoreDamaged,
        Check::BatteryAgeing,
        Check::PhLow,
        Check::ReservoirShort,
        Check::ChamberBand,
        Check::ProofTestOverdue,
        Check::TwinDrifts,
    ];

    /// Stable name.
    pub fn id(self) -> &'static str {
        match self {
            Check::BoardSilent => "board-silent",
            Check::ClockOff => "clock-off",
            Check::ProbeFrozen => "probe-frozen",
            Check::ProbeDrifts => "probe-drifts",
            Check::ProbesApart => "probes-apart",
            Check::WaterLost => "water-lost",
            Check::WaterNotAdded => "water-not-added",
            Check::HeatDemand => "heat-demand",
            Check::PartWorn => "part-worn",
            Check::ShortCycling => "short-cycling",
            Check::DiskFilling => "disk-filling",
            Check::StoreDamaged => "store-damaged",
            Check::BatteryAgeing => "battery-ageing",
            Check::PhLow => "ph-low",
            Check::ReservoirShort => "reservoir-short",
            Check::ChamberBand => "chamber-band",
            Check::ProofTestOverdue => "proof-test-overdue",
            Check::TwinDrifts => "twin-drifts",
        }
    }

    /// How urgent.
    pub fn priority(self) -> Priority {
        match self {
            Check::BoardSilent | Check::WaterNotAdded => Priority::High,
            Check::ProbeFrozen
            | Check::ProbesApart
            | Check::WaterLost
            | Check::ReservoirShort
            | Check::BatteryAgeing
            | Check::StoreDamaged
            | Check::ChamberBand
            | Check::ProofTestOverdue => Priority::Medium,
            Check::ClockOff
            | Check::ProbeDrifts
            | Check::HeatDemand
            | Check::TwinDrifts
            | Check::PartWorn
            | Check::ShortCycling
            | Check::DiskFilling
            | Check::PhLow => Priority::Low,
        }
    }

    /// What it may end in.
    pub fn peril(self) -> Peril {
        match self {
            Check::WaterLost => Peril::Flood,
            Check::WaterNotAdded | Check::ReservoirShort | Check::ChamberBand => Peril::Salinity,
            Check::HeatDemand => Peril::Chill,
            Check::BatteryAgeing => Peril::Power,
            Check::PhLow => Peril::Suffocate,
            Check::BoardSilent
            | Check::ClockOff
            | Check::ProbeFrozen
            | Check::ProbeDrifts
            | Check::ProbesApart
            | Check::ProofTestOverdue => Peril::Blind,
            Check::PartWorn
            | Check::ShortCycling
            | Check::DiskFilling
            | Check::StoreDamaged
            | Check::TwinDrifts => Peril::Upkeep,
        }
    }

    /// Delays of its alarm, ms: how long it must hold, how long it must be gone. Checks that look at whole hours need none to begin.
    pub fn delays_ms(self) -> (i64, i64) {
        match self {
            Check::BoardSilent => (MINUTE_MS, MINUTE_MS),
            Check::ClockOff => (10 * MINUTE_MS, 10 * MINUTE_MS),
            Check::ProbesApart | Check::ProbeFrozen => (0, HOUR_MS),
            _ => (0, 6 * HOUR_MS),
        }
    }
}

/// How sure a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sure {
    /// There is another explanation that is as good.
    Possible,
    /// Nothing usual explains it otherwise.
    Likely,
    /// It is what was measured.
    Certain,
}

impl Sure {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Sure::Possible => "possible",
            Sure::Likely => "likely",
            Sure::Certain => "certain",
        }
    }
}

/// What is wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// One sentence with the figures.
    pub wrong: String,
    /// How sure.
    pub sure: Sure,
    /// Why so sure and no surer.
    pub because: String,
    /// What to do.
    pub act: String,
    /// A caution where the act can hurt.
    pub caution: Option<String>,
}

impl Finding {
    /// The whole of it, a line each.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![
            self.wrong.clone(),
            format!("{}: {}.", crate::words::sentence(self.sure.word()), self.because),
        ];
        lines.push(self.act.clone());
        lines.extend(self.caution.clone());
        lines
    }
}

/// What a check says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// As it should be; what was found.
    Fine(String),
    /// Nothing can be said; why.
    Unknown(String),
    /// Wrong.
    Wrong(Finding),
}

/// What a check says about one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// Which check.
    pub check: Check,
    /// The board, or `station` where it is about none.
    pub board: String,
    /// Board, probe, pump.
    pub part: String,
    /// What it says.
    pub outcome: Outcome,
}

impl Verdict {
    /// About a part of a board that the caller fills in.
    pub(crate) fn new(check: Check, part: impl Into<String>, outcome: Outcome) -> Self {
        Verdict { check, board: String::new(), part: part.into(), outcome }
    }

    /// Id of its alarm: `station/board/check`, and the part where it is not the board itself.
    pub fn id(&self) -> String {
        let check = self.check.id();
        if self.part == self.board {
            format!("{}{check}", prefix(&self.board))
        } else {
            format!("{}{check}/{}", prefix(&self.board), self.part)
        }
    }

    /// What is wrong, when something is.
    pub fn finding(&self) -> Option<&Finding> {
        match &self.outcome {
            Outcome::Wrong(finding) => Some(finding),
            _ => None,
        }
    }

    /// What the book is to know.
    pub fn condition(&self) -> Condition {
        match self.outcome {
            Outcome::Fine(_) => Condition::Gone,
            Outcome::Unknown(_) => Condition::Unknown,
            Outcome::Wrong(_) => Condition::Holds,
        }
    }

    /// Its alarm, for [`crate::Book::define_one`]. The text changes with the figures; the id does not.
    pub fn definition(&self) -> Definition {
        let (on_delay_ms, off_delay_ms) = self.check.delays_ms();
        let text = self.finding().map_or_else(
            || format!("{} ({})", crate::words::plain(&self.part), self.check.id()),
            |finding| finding.wrong.clone(),
        );
        Definition {
            id: self.id(),
            text,
            priority: self.check.priority(),
            peril: self.check.peril(),
            origin: Origin::Station,
            on_delay_ms,
            off_delay_ms,
            is_latching: false,
            group: None,
            suppressed_during: vec![],
        }
    }
}

/// With what the ids of all alarms of a board's checks begin.
pub(crate) fn prefix(board: &str) -> String {
    if board == STATION { format!("{STATION}/") } else { format!("{STATION}/{board}/") }
}

/// Where a verdict is about no board.
pub(crate) const STATION: &str = "station";

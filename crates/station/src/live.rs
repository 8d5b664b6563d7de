//! What is now: the newest scan of each board under the names of its system file, as it goes out to the page and to programs.
//!
//! Contract: pure, no clock; whoever asks gives the time. A value that cannot be trusted is not there, and one that is old says its age:
//! nothing is made up.

use std::collections::BTreeMap;

use program::quality::Quality;
use serde::{Deserialize, Serialize};
use system::model::{ActuatorKind, Priority};
use utoipa::ToSchema;

use crate::boards::{BoardEvent, LinkState, Scan, TripWords, Trust, Value, What};
use crate::site::{Site, SiteBoard};

/// How far a value can be believed (IEC 62541).
#[derive(Serialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub enum QualityWord {
    /// Believe it.
    Good,
    /// With care.
    Uncertain,
    /// Not at all.
    Bad,
}

impl From<Quality> for QualityWord {
    fn from(quality: Quality) -> Self {
        match quality {
            Quality::Good => QualityWord::Good,
            Quality::Uncertain => QualityWord::Uncertain,
            Quality::Bad => QualityWord::Bad,
        }
    }
}

/// State of the link to a board.
#[derive(Serialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub enum LinkWord {
    /// Not reached; it is tried again and again.
    Down,
    /// It answers.
    Up,
    /// The line stands and nothing comes.
    Silent,
    /// It answers and does not fit.
    Refused,
}

/// The link to a board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct LinkNow {
    /// Which state.
    pub state: LinkWord,
    /// Since when, ms since 1970.
    pub since_ms: i64,
    /// Why not, or what differs from the system file, and what to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// One value of a board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct SignalNow {
    /// As in the system file.
    pub name: String,
    /// In `unit`; 0 or 1 of a contact or a condition. Not there while nothing can be trusted, or while the quality is bad.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Unit of the value, empty for counts and for 0 or 1.
    pub unit: &'static str,
    /// How far it can be believed.
    pub quality: QualityWord,
    /// A contact or condition.
    pub is_bit: bool,
    /// Since when it has this value, ms since 1970; of contacts and conditions only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_ms: Option<i64>,
}

/// Who decides an output.
#[derive(Serialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub enum DecidedBy {
    /// Its rule.
    Rule,
    /// A person, for a time.
    Hand,
    /// A procedure that runs.
    Procedure,
    /// A trip that stands until it is reset.
    Trip,
}

/// Who took a drive into hand.
#[derive(Serialize, Deserialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct HandNow {
    /// Who.
    pub who: String,
    /// Why.
    pub why: String,
    /// When the board took it, ms since 1970 by the board's clock.
    pub since_ms: i64,
    /// When it ends by itself, ms since 1970 by the board's clock.
    pub until_ms: i64,
}

/// A hand may end so much earlier or later than it was noted, ms, for the board counts in scans.
const HAND_SPREAD_MS: i64 = 5_000;

/// One output of a board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct DriveNow {
    /// The actuator, as in the system file.
    pub name: String,
    /// What it is: `pump`, `heater`, ...
    pub kind: &'static str,
    /// 0 or 1, or percent if modulated. Not there while nothing can be trusted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output: Option<f64>,
    /// Percent rather than on or off.
    pub is_modulated: bool,
    /// Since when it has this output, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_ms: Option<i64>,
    /// Time left of a hand command, ms; 0 without one.
    pub hand_left_ms: u32,
    /// Who took it into hand by this station; not there without a hand, and for one that was given at the board itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hand: Option<HandNow>,
    /// Who decides it.
    pub by: DecidedBy,
    /// The same as a sentence.
    pub why: String,
}

/// One latch of a board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct TripNow {
    /// To reset it: actuator and cause, `heater.stall`.
    pub id: String,
    /// The actuator that it stops.
    pub actuator: String,
    /// The key of its rule.
    pub cause: &'static str,
    /// It stands.
    pub is_latched: bool,
    /// Since when, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_ms: Option<i64>,
}

/// One step of a procedure.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct StepNow {
    /// What the person does.
    pub text: String,
    /// It ends at the latest after this, s.
    pub longest_s: f64,
    /// It ends when the person confirms.
    pub confirm: bool,
}

/// One procedure of a board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct ProcedureNow {
    /// As in the system file.
    pub name: String,
    /// What people read.
    pub title: String,
    /// The step that runs, from 1; 0 while none does.
    pub step: u8,
    /// All steps.
    pub steps: Vec<StepNow>,
}

/// Everything that is now of one board.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct BoardNow {
    /// As in the station file.
    pub name: String,
    /// Name of its system.
    pub system: String,
    /// How it is reached.
    pub link: LinkNow,
    /// When the newest scan was, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub newest_ms: Option<i64>,
    /// Scans since the board's boot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scan: Option<u32>,
    /// The board's clock is good and near the station's.
    pub is_clock_good: bool,
    /// Measured and derived values.
    pub signals: Vec<SignalNow>,
    /// Outputs.
    pub drives: Vec<DriveNow>,
    /// Latches.
    pub trips: Vec<TripNow>,
    /// Procedures.
    pub procedures: Vec<ProcedureNow>,
}

/// The newest of one board.
#[derive(Debug)]
struct Newest {
    link: LinkState,
    link_since_ms: i64,
    scan: Option<Scan>,
    /// By series: since when a bit or output has its value.
    since_ms: Vec<i64>,
    values: Vec<Option<Value>>,
    trips_since_ms: Vec<i64>,
    /// By drive: who took it into hand.
    hands: Vec<Option<HandNow>>,
}

/// The newest of all boards.
#[derive(Debug)]
pub struct Live {
    boards: Vec<Newest>,
}

impl Live {
    /// Nothing is known yet.
    pub fn new(site: &Site, now_ms: i64) -> Self {
        let boards = site.boards.iter().map(|board| Newest {
            link: LinkState::Down { why: None },
            link_since_ms: now_ms,
            scan: None,
            since_ms: vec![now_ms; board.names.series.len()],
            values: vec![None; board.names.series.len()],
            trips_since_ms: vec![now_ms; board.names.trips.len()],
            hands: vec![None; board.names.drives.len()],
        });
        Live { boards: boards.collect() }
    }

    /// Takes what a board told.
    pub fn take(&mut self, site: &Site, event: &BoardEvent) {
        let id = event.board().0;
        let (Some(newest), Some(board)) = (self.boards.get_mut(id), site.boards.get(id)) else { return };
        match event {
            BoardEvent::Link { at_ms, state, .. } => {
                newest.link = state.clone();
                newest.link_since_ms = *at_ms;
            }
            BoardEvent::Scan(scan) => newest.take(board, scan),
            BoardEvent::Journal(_) => {}
        }
    }

    /// Notes who took a drive of a board into hand, or that it was given back.
    pub fn note_hand(&mut self, board: usize, drive: usize, hand: Option<HandNow>) {
        if let Some(place) = self.boards.get_mut(board).and_then(|newest| newest.hands.get_mut(drive)) {
            *place = hand;
        }
    }

    /// Who has which drive of a board in hand, by name, to be kept over a restart.
    pub fn hands(&self, site: &Site, board: usize) -> BTreeMap<String, HandNow> {
        let (Some(newest), Some(of)) = (self.boards.get(board), site.boards.get(board)) else {
            return BTreeMap::new();
        };
        let named = |(n, hand): (usize, &Option<HandNow>)| {
            Some((of.system.actuators[of.names.drives.get(n)?.idx()].name.clone(), hand.clone()?))
        };
        newest.hands.iter().enumerate().filter_map(named).collect()
    }

    /// Takes back what [`Live::hands`] gave; drives that are no longer there are left out.
    pub fn restore_hands(&mut self, site: &Site, board: usize, kept: &BTreeMap<String, HandNow>) {
        let (Some(newest), Some(of)) = (self.boards.get_mut(board), site.boards.get(board)) else { return };
        for (place, drive) in newest.hands.iter_mut().zip(&of.names.drives) {
            *place = kept.get(&of.system.actuators[drive.idx()].name).cloned();
        }
    }

    /// The newest scan of a board.
    pub fn scan(&self, board: usize) -> Option<&Scan> {
        self.boards.get(board)?.scan.as_ref()
    }

    /// State of a board's link, and since when.
    pub fn link(&self, board: usize) -> Option<(&LinkState, i64)> {
        self.boards.get(board).map(|newest| (&newest.link, newest.link_since_ms))
    }

    /// Everything that is now of one board.
    pub fn board(&self, site: &Site, board: usize) -> Option<BoardNow> {
        Some(self.boards.get(board)?.now(site.boards.get(board)?))
    }

    /// Everything that is now.
    pub fn now(&self, site: &Site) -> Vec<BoardNow> {
        self.boards.iter().zip(&site.boards).map(|(newest, board)| newest.now(board)).collect()
    }
}

/// The id of a trip for people and programs.
pub fn trip_id(board: &SiteBoard, trip: usize) -> String {
    let (actuator, cause) = board.names.trips[trip];
    format!("{}.{}", board.system.actuators[actuator.idx()].name, cause.key())
}

/// The word of an actuator's kind.
pub fn kind_word(kind: ActuatorKind) -> &'static str {
    match kind {
        ActuatorKind::Pump => "pump",
        ActuatorKind::DosingPump => "dosing pump",
        ActuatorKind::Heater => "heater",
        ActuatorKind::Fan => "fan",
        ActuatorKind::Light => "light",
        ActuatorKind::Circulation => "circulation pump",
        ActuatorKind::AirPump => "air pump",
        ActuatorKind::Skimmer => "skimmer",
        ActuatorKind::Stirrer => "stirrer",
        ActuatorKind::Valve => "valve",
        ActuatorKind::Contactor => "contactor",
        ActuatorKind::Buzzer => "buzzer",
        ActuatorKind::Other => "other",
    }
}

/// The word of a priority.
pub fn priority_word(priority: Priority) -> &'static str {
    match priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
    }
}

impl Newest {
    fn take(&mut self, board: &SiteBoard, scan: &Scan) {
        let values = board.names.values(&scan.record, scan.trust);
        for (n, value) in values.enumerate() {
            let raw = |value: Option<Value>| value.map(|value| (value.raw, value.quality == Quality::Bad));
            if raw(value) != raw(self.values[n]) {
                self.since_ms[n] = scan.at_ms;
            }
            self.values[n] = value;
        }
        let before = self.scan.take();
        for (n, latched) in scan.record.trips.iter().enumerate().take(self.trips_since_ms.len()) {
            let was = before.as_ref().and_then(|before| before.record.trips.get(n));
            if was != Some(latched) {
                self.trips_since_ms[n] = scan.at_ms;
            }
        }
        for (hand, left) in self.hands.iter_mut().zip(&scan.record.hands_left_ms) {
            // Records from before the hand say nothing about it.
            if *left == 0 && hand.as_ref().is_some_and(|hand| scan.at_ms > hand.since_ms) {
                *hand = None;
            }
        }
        self.scan = Some(scan.clone());
    }

    fn now(&self, board: &SiteBoard) -> BoardNow {
        let scan = self.scan.as_ref();
        // A record of another program has the same places with another meaning.
        let trusted = scan.filter(|scan| scan.trust == Trust::All).map(|scan| &scan.record);
        let (state, why) = match &self.link {
            LinkState::Down { why } => (LinkWord::Down, why.clone()),
            LinkState::Up { differs, .. } => (LinkWord::Up, differs.clone()),
            LinkState::Silent => (LinkWord::Silent, None),
            LinkState::Refused { why } => (LinkWord::Refused, Some(why.clone())),
        };
        let mut signals = vec![];
        for (n, series) in board.names.series.iter().enumerate() {
            if !matches!(series.what, What::Signal(_)) {
                continue;
            }
            let value = self.values[n];
            signals.push(SignalNow {
                name: series.name.clone(),
                value: value
                    .filter(|value| value.quality != Quality::Bad)
                    .map(|value| f64::from(value.raw) * series.scale),
                unit: series.unit,
                quality: value.map_or(QualityWord::Bad, |value| value.quality.into()),
                is_bit: series.is_bit,
                since_ms: (series.is_bit && value.is_some()).then(|| self.since_ms[n]),
            });
        }
        let step = |n: usize| trusted.and_then(|record| record.steps.get(n).copied()).unwrap_or(0);
        let procedures = (board.names.procedures.iter().enumerate())
            .map(|(n, procedure)| {
                let procedure = &board.system.procedures[procedure.idx()];
                let steps = procedure.steps.iter().map(|step| StepNow {
                    text: step.text.clone(),
                    longest_s: step.longest_s,
                    confirm: step.confirm,
                });
                ProcedureNow {
                    name: procedure.name.clone(),
                    title: procedure.title.clone(),
                    step: step(n),
                    steps: steps.collect(),
                }
            })
            .collect();
        let latched = |n: usize| trusted.is_some_and(|record| record.trips.get(n) == Some(&true));
        let trips = (board.names.trips.iter().enumerate())
            .map(|(n, (actuator, cause))| TripNow {
                id: trip_id(board, n),
                actuator: board.system.actuators[actuator.idx()].name.clone(),
                cause: cause.key(),
                is_latched: latched(n),
                since_ms: latched(n).then(|| self.trips_since_ms[n]),
            })
            .collect();
        BoardNow {
            name: board.settings.name.clone(),
            system: board.system.name.clone(),
            link: LinkNow { state, since_ms: self.link_since_ms, why },
            newest_ms: scan.map(|scan| scan.at_ms),
            scan: scan.map(|scan| scan.record.scan),
            is_clock_good: scan.is_some_and(|scan| scan.is_board_time),
            signals,
            drives: (0..board.names.drives.len()).map(|order| self.drive(board, order)).collect(),
            trips,
            procedures,
        }
    }

    fn drive(&self, board: &SiteBoard, order: usize) -> DriveNow {
        let actuator = board.names.drives[order];
        let part = &board.system.actuators[actuator.idx()];
        let series = board.names.series_of(What::Output(actuator));
        let value = series.and_then(|n| self.values[n]);
        let scale = series.map_or(1.0, |n| board.names.series[n].scale);
        let record = self.scan.as_ref().filter(|scan| scan.trust == Trust::All).map(|scan| &scan.record);
        let hand_left_ms = record.and_then(|record| record.hands_left_ms.get(order).copied()).unwrap_or(0);
        // Somebody at the board may have taken it into hand since.
        let is_this = |hand: &&HandNow| {
            let until_ms = self.scan.as_ref().map_or(0, |scan| scan.at_ms) + i64::from(hand_left_ms);
            hand_left_ms > 0 && (until_ms - hand.until_ms).abs() <= HAND_SPREAD_MS
        };
        let hand = self.hands.get(order).and_then(Option::as_ref).filter(is_this).cloned();
        let trip = record.and_then(|record| {
            (board.names.trips.iter().zip(&record.trips))
                .find(|((of, _), latched)| *of == actuator && **latched)
        });
        let held = record.and_then(|record| {
            board.names.procedures.iter().zip(&record.steps).find_map(|(procedure, step)| {
                let procedure = &board.system.procedures[procedure.idx()];
                let running = procedure.steps.get(usize::from(*step).checked_sub(1)?)?;
                let holds = running.holds.iter().any(|(held, _)| *held == actuator);
                holds.then(|| {
                    format!("held by `{}`, step {step} of {}", procedure.title, procedure.steps.len())
                })
            })
        });
        let (by, why) = if record.is_none() {
            (DecidedBy::Rule, "not known: the board cannot be read".to_owned())
        } else if let Some((trip, _)) = trip {
            let words = TripWords { system: &board.system, trip: *trip };
            (DecidedBy::Trip, format!("stopped: {words} has tripped and stays until it is reset"))
        } else if hand_left_ms > 0 {
            (DecidedBy::Hand, format!("in hand for {} more", minutes(hand_left_ms)))
        } else if let Some(held) = held {
            (DecidedBy::Procedure, held)
        } else {
            (DecidedBy::Rule, "by its rule".to_owned())
        };
        DriveNow {
            name: part.name.clone(),
            kind: kind_word(part.kind),
            output: value.map(|value| f64::from(value.raw) * scale),
            is_modulated: part.modulated,
            since_ms: series.filter(|n| self.values[*n].is_some()).map(|n| self.since_ms[n]),
            hand_left_ms,
            hand,
            by,
            why,
        }
    }
}

/// A time for people, rounded up: `40 s`, `12 min`, `2 h 05 min`.
pub fn minutes(ms: u32) -> String {
    let s = ms.div_ceil(1000);
    match s {
        0..=90 => format!("{s} s"),
        91..=5_400 => format!("{} min", s.div_ceil(60)),
        _ => format!("{} h {:02} min", s.div_ceil(60) / 60, s.div_ceil(60) % 60),
    }
}

//! The morning lines: what is read first, in ten seconds, a line each.

use serde::Serialize;

use crate::book::{Book, State};
use crate::watch::{Account, Check, Expected, Heat, Kind, Outcome, ReservoirNow, Verdict, Watch};
use crate::words::{clock, counted, decimal, list, litres, plain, sentence, span};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Data older than this are said to be old, ms.
const OLD_MS: i64 = 60_000;

/// A part in hand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Hand {
    /// Name of the part.
    pub part: String,
    /// `on`, `off`, `40 %`.
    pub state: String,
    /// How long it lasts, ms.
    pub left_ms: i64,
    /// Who, where that is known.
    pub by: Option<String>,
}

/// An alarm that was put aside.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Aside {
    /// What it says.
    pub text: String,
    /// Until when, ms since 1970 UTC. None: out of service, with no end.
    pub until_ms: Option<i64>,
    /// Who put it aside.
    pub by: String,
}

/// Lowest and highest over the night.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Night {
    /// Name of the probe.
    pub probe: String,
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
    /// Unit.
    pub unit: String,
}

/// Lowest pH of the night against that of the night before.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PhNight {
    /// Name of the probe.
    pub probe: String,
    /// Lowest this night.
    pub low: f64,
    /// Lowest the night before. None: not known.
    pub before: Option<f64>,
}

/// All that the lines are made of.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Morning {
    /// ms since 1970 UTC.
    pub now_ms: i64,
    /// Local time less UTC, ms.
    pub local_offset_ms: i64,
    /// Parts that are tripped.
    pub tripped: Vec<String>,
    /// Parts in hand.
    pub hands: Vec<Hand>,
    /// Alarms put aside.
    pub aside: Vec<Aside>,
    /// Water temperatures of the night.
    pub temperatures: Vec<Night>,
    /// pH of the night.
    pub ph: Vec<PhNight>,
    /// Water added in the last day against expected.
    pub water: Option<Account>,
    /// Heat of the last day.
    pub heat: Option<Heat>,
    /// What the check of the return chamber says.
    pub chamber: Option<Outcome>,
    /// Reservoirs.
    pub reservoirs: Vec<ReservoirNow>,
    /// How long nobody is there at most, h: reservoirs are held against it.
    pub unattended_h: f64,
    /// Time of the newest data by board, ms since 1970 UTC; None: never.
    pub newest: Vec<(String, Option<i64>)>,
    /// What is due today.
    pub due: Vec<String>,
}

/// Which line it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum About {
    /// Trips, hands and shelved alarms left on.
    LeftOn,
    /// Temperature of the night.
    Temperature,
    /// pH low.
    Ph,
    /// Top-off against expected.
    Water,
    /// Heater hours against the room.
    Heat,
    /// Return chamber.
    Chamber,
    /// Reservoir days.
    Reservoirs,
    /// Age of the newest data.
    Age,
    /// Due today.
    Due,
}

/// One line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Which.
    pub about: About,
    /// What it says.
    pub text: String,
    /// It wants a look.
    pub wants_look: bool,
}

impl Morning {
    /// What a watch, its last verdicts and the book know. Trips, hands and what is due are the caller's to add; so are other boards.
    /// `night` is from when to when, ms since 1970 UTC.
    pub fn of(
        watch: &Watch,
        verdicts: &[Verdict],
        expected: &dyn Expected,
        book: &Book,
        (now_ms, local_offset_ms): (i64, i64),
        (from_ms, to_ms): (i64, i64),
    ) -> Self {
        let layout = watch.layout();
        let range = |s: usize, before: i64| watch.range(s, from_ms - before, to_ms - before);
        Morning {
            now_ms,
            local_offset_ms,
            aside: (book.put_aside())
                .map(|v| Aside {
                    text: v.definition.text.clone(),
                    until_ms: v.shelved_until_ms.filter(|_| v.state == State::Shelved),
                    by: v.aside.map_or(String::new(), |a| a.0.to_owned()),
                })
                .collect(),
            temperatures: (layout.of_kind(Kind::Temperature))
                .filter_map(|s| {
                    let (low, high) = range(s, 0)?;
                    let signal = &layout.signals[s];
                    Some(Night { probe: signal.name.clone(), low, high, unit: signal.unit.clone() })
                })
                .collect(),
            ph: (layout.of_kind(Kind::Ph))
                .filter_map(|s| {
                    Some(PhNight {
                        probe: layout.signals[s].name.clone(),
                        low: range(s, 0)?.0,
                        before: range(s, DAY_MS).map(|r| r.0),
                    })
                })
                .collect(),
            water: watch.account(expected),
            heat: watch.heat(expected),
            chamber: verdicts.iter().find(|v| v.check == Check::ChamberBand).map(|v| v.outcome.clone()),
            reservoirs: watch.reservoirs(),
            unattended_h: layout.unattended_h,
            newest: vec![(layout.board.clone(), watch.history().last_ms())],
            ..Morning::default()
        }
    }

    /// The nine lines, always all of them and in this order.
    pub fn lines(&self) -> Vec<Line> {
        let line = |about, (text, wants_look)| Line { about, text, wants_look };
        vec![
            line(About::LeftOn, self.left_on()),
            line(About::Temperature, self.temperature()),
            line(About::Ph, self.ph_low()),
            line(About::Water, self.water_added()),
            line(About::Heat, self.heat_taken()),
            line(About::Chamber, self.return_chamber()),
            line(About::Reservoirs, self.reservoir_days()),
            line(About::Age, self.age()),
            line(About::Due, self.due_today()),
        ]
    }

    fn left_on(&self) -> (String, bool) {
        let mut parts = vec![];
        if !self.tripped.is_empty() {
            let names: Vec<String> = self.tripped.iter().map(|t| plain(t)).collect();
            parts.push(format!("tripped: {}", list(&names)));
        }
        if !self.hands.is_empty() {
            let names: Vec<String> = (self.hands.iter())
                .map(|h| {
                    let by = h.by.as_ref().map_or(String::new(), |by| format!(" by {by}"));
                    format!("{} {} for {}{by}", plain(&h.part), h.state, span(h.left_ms))
                })
                .collect();
            parts.push(format!("in hand: {}", list(&names)));
        }
        if !self.aside.is_empty() {
            let first = self.aside.first().map_or(String::new(), |a| {
                let until = match a.until_ms {
                    Some(ms) if ms - self.now_ms < DAY_MS => {
                        format!("until {}", clock(ms, self.local_offset_ms))
                    }
                    Some(ms) => format!("for {}", span(ms - self.now_ms)),
                    None => "without an end".to_owned(),
                };
                format!("{} {until} by {}", a.text, a.by)
            });
            let more = self.aside.len() - 1;
            let rest = if more > 0 { format!(" and {}", counted(more, "other")) } else { String::new() };
            parts.push(format!("put aside: {first}{rest}"));
        }
        if parts.is_empty() {
            ("Nothing is tripped, in hand or shelved.".to_owned(), false)
        } else {
            (format!("{}.", sentence(&parts.join("; "))), true)
        }
    }

    fn temperature(&self) -> (String, bool) {
        if self.temperatures.is_empty() {
            return ("No sound temperature over the night.".to_owned(), true);
        }
        let all: Vec<String> = (self.temperatures.iter())
            .map(|t| {
                format!("{} {} to {}", plain(&t.probe), decimal(t.low, 1, ""), decimal(t.high, 1, &t.unit))
            })
            .collect();
        (format!("Night: {}.", list(&all)), false)
    }

    fn ph_low(&self) -> (String, bool) {
        let Some(ph) = self.ph.first() else { return ("No pH is measured.".to_owned(), false) };
        let name = sentence(&plain(&ph.probe));
        match ph.before {
            Some(before) => {
                let change = ph.low - before;
                let way = if change.abs() < 0.005 {
                    "as the night before".to_owned()
                } else {
                    format!("the night before {before:.2}")
                };
                (format!("{name} at its lowest {:.2}, {way}.", ph.low), change < -0.12)
            }
            None => (format!("{name} at its lowest {:.2}; nothing from the night before.", ph.low), false),
        }
    }

    fn water_added(&self) -> (String, bool) {
        let Some(water) = &self.water else {
            return ("Top-off: less than a day of records, or no surface is known.".to_owned(), false);
        };
        let lime = if water.lime_l > 0.05 {
            format!(", {} of it limewater", litres(water.lime_l))
        } else {
            String::new()
        };
        let band = &water.expected_l;
        let is_out = water.added_l > band.high || water.added_l < band.low;
        (
            format!(
                "Water added in 24 h: {}{lime}; {} to {} expected.",
                litres(water.added_l),
                decimal(band.low, 1, ""),
                litres(band.high)
            ),
            is_out,
        )
    }

    fn heat_taken(&self) -> (String, bool) {
        let Some(heat) = &self.heat else {
            return ("Heaters: none, or less than a day of records.".to_owned(), false);
        };
        let hours = |h: f64| decimal(h, 1, "h");
        match heat.explained_h {
            Some(explained) if heat.is_room_known => (
                format!(
                    "Heaters: {} at full power in 24 h; the room explains {}.",
                    hours(heat.hours),
                    hours(explained)
                ),
                heat.hours > 1.15 * explained + 0.75,
            ),
            Some(most) => (
                format!(
                    "Heaters: {} at full power in 24 h; the most before was {}.",
                    hours(heat.hours),
                    hours(most)
                ),
                heat.hours > 1.3 * most + 0.75,
            ),
            None => (
                format!(
                    "Heaters: {} at full power in 24 h; what the room explains is being learned.",
                    hours(heat.hours)
                ),
                false,
            ),
        }
    }

    fn return_chamber(&self) -> (String, bool) {
        match &self.chamber {
            None => ("The file has no return chamber.".to_owned(), false),
            Some(Outcome::Fine(what)) => (format!("Return chamber: {what}."), false),
            Some(Outcome::Unknown(why)) => (format!("Return chamber: not known, {why}."), true),
            Some(Outcome::Wrong(finding)) => (finding.wrong.clone(), true),
        }
    }

    fn reservoir_days(&self) -> (String, bool) {
        if self.reservoirs.is_empty() {
            return ("The file has no reservoir.".to_owned(), false);
        }
        let mut wants_look = false;
        let all: Vec<String> = (self.reservoirs.iter())
            .map(|r| {
                let name = plain(&r.name);
                match (r.left_l, r.days) {
                    (Some(left), Some(days)) => {
                        wants_look |= !r.is_lime && days * 24.0 < self.unattended_h;
                        format!("{name} {} for {}", litres(left), span((days * DAY_MS as f64) as i64))
                    }
                    (Some(left), None) => format!("{name} {}, nothing is drawn", litres(left)),
                    _ => format!("{name} not known: say when it is filled"),
                }
            })
            .collect();
        let short = if wants_look {
            format!(" Too little for {} alone.", span((self.unattended_h * HOUR_MS as f64) as i64))
        } else {
            String::new()
        };
        (format!("{}.{short}", sentence(&list(&all))), wants_look)
    }

    fn age(&self) -> (String, bool) {
        let mut wants_look = self.newest.is_empty();
        let all: Vec<String> = (self.newest.iter())
            .map(|(board, newest)| match newest {
                Some(ms) => {
                    wants_look |= self.now_ms - ms > OLD_MS;
                    format!("{} {}", plain(board), span(self.now_ms - ms))
                }
                None => {
                    wants_look = true;
                    format!("{} never", plain(board))
                }
            })
            .collect();
        let text = if all.is_empty() { "no board".to_owned() } else { list(&all) };
        (format!("Age of the newest data: {text}."), wants_look)
    }

    fn due_today(&self) -> (String, bool) {
        if self.due.is_empty() {
            ("Nothing is due today.".to_owned(), false)
        } else {
            (format!("Due today: {}.", list(&self.due)), true)
        }
    }
}

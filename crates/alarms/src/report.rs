//! The rate report: how many alarms a stretch of time had, which of them were a nuisance, and what to do about those. The aim is at most
//! one alarm a week that somebody must act on.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::book::{Book, Cause, State, Transition};
use crate::definition::Priority;
use crate::words::{count, counted, decimal, list, span};

const DAY_MS: i64 = 86_400_000;
const WEEK_MS: i64 = 7 * DAY_MS;
/// Alarms that begin within so long of the last one before them are one episode: one cause, one walk to the tank. Our own figure.
const EPISODE_MS: i64 = 30 * 60_000;
/// Announcements of one alarm closer than this are chattering when there are three (ISA-18.2, from memory: three in a minute).
const CHATTER_MS: i64 = 60_000;
/// So many a day are chattering too, as in [`crate::book::Settings`].
const REPEATS_A_DAY: usize = 5;
/// How many names a list has.
const LONGEST_LIST: usize = 5;
/// The aim: actionable alarms a week.
pub const AIM_A_WEEK: f64 = 1.0;

/// One alarm in the report.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Which.
    pub alarm: String,
    /// How often it was announced.
    pub announced: usize,
    /// How long it stood, ms, within the time of the report.
    pub stood_ms: i64,
    /// How long it was shelved, suppressed or out of service, ms, within the time of the report.
    pub aside_ms: i64,
    /// It came and went too often to be of use.
    pub is_chattering: bool,
}

/// Alarms of a stretch of time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// ms since 1970 UTC.
    pub from_ms: i64,
    /// ms since 1970 UTC.
    pub to_ms: i64,
    /// Announced alarms of medium and high priority, one for each announcement.
    pub actionable: usize,
    /// The same with those that began within half an hour of one before counted once.
    pub episodes: usize,
    /// Announced alarms of low priority.
    pub low: usize,
    /// Announced within a flood.
    pub in_flood: usize,
    /// Actionable alarms a week.
    pub a_week: f64,
    /// Most frequent first; all that were announced.
    pub most_frequent: Vec<Line>,
    /// Those that stood longest, longest first.
    pub standing_longest: Vec<Line>,
    /// Chattering.
    pub chattering: Vec<Line>,
    /// Put aside, longest first.
    pub aside: Vec<Line>,
}

impl Report {
    /// From all transitions, oldest first, back to before `from_ms`: what stood or was shelved at the beginning is known from them.
    pub fn of(transitions: &[Transition], from_ms: i64, to_ms: i64) -> Self {
        let mut states: BTreeMap<&str, (State, i64)> = BTreeMap::new();
        let mut lines: BTreeMap<&str, Line> = BTreeMap::new();
        let mut times: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
        let (mut actionable, mut episodes, mut low, mut in_flood) = (0, 0, 0, 0);
        let mut last_ms: Option<i64> = None;
        let spend = |lines: &mut BTreeMap<&str, Line>, state: State, since: i64, until: i64, id: &str| {
            let ms = (until.min(to_ms) - since.max(from_ms)).max(0);
            if let Some(line) = lines.get_mut(id) {
                match state {
                    State::Unacknowledged | State::Acknowledged => line.stood_ms += ms,
                    State::Shelved | State::SuppressedByDesign | State::OutOfService => line.aside_ms += ms,
                    _ => {}
                }
            }
        };
        for t in transitions.iter().filter(|t| t.at_ms < to_ms) {
            let id = t.alarm.as_str();
            lines.entry(id).or_insert_with(|| Line {
                alarm: t.alarm.clone(),
                announced: 0,
                stood_ms: 0,
                aside_ms: 0,
                is_chattering: false,
            });
            if let Some((state, since)) = states.insert(id, (t.to, t.at_ms)) {
                spend(&mut lines, state, since, t.at_ms, id);
            }
            if t.at_ms < from_ms || !t.is_announced() {
                continue;
            }
            if let Some(line) = lines.get_mut(id) {
                line.announced += 1;
            }
            times.entry(id).or_default().push(t.at_ms);
            in_flood += usize::from(t.in_flood);
            if t.priority == Priority::Low {
                low += 1;
            } else {
                actionable += 1;
                if last_ms.is_none_or(|last| t.at_ms - last > EPISODE_MS) {
                    episodes += 1;
                }
                last_ms = Some(t.at_ms);
            }
        }
        for (id, (state, since)) in states {
            spend(&mut lines, state, since, to_ms, id);
        }
        for (id, times) in &times {
            let close = |n: usize, ms: i64| times.windows(n).any(|w| w[n - 1] - w[0] < ms);
            if let Some(line) = lines.get_mut(*id) {
                line.is_chattering = close(3, CHATTER_MS) || close(REPEATS_A_DAY, DAY_MS);
            }
        }
        let lines: Vec<Line> = lines.into_values().collect();
        let pick = |wanted: &dyn Fn(&Line) -> bool, key: &dyn Fn(&Line) -> i64| {
            let mut some: Vec<Line> = lines.iter().filter(|l| wanted(l)).cloned().collect();
            some.sort_by_key(|l| (std::cmp::Reverse(key(l)), l.alarm.clone()));
            some
        };
        let weeks = (to_ms - from_ms) as f64 / WEEK_MS as f64;
        Report {
            from_ms,
            to_ms,
            actionable,
            episodes,
            low,
            in_flood,
            a_week: if weeks > 0.0 { actionable as f64 / weeks } else { 0.0 },
            most_frequent: pick(&|l| l.announced > 0, &|l| l.announced as i64),
            standing_longest: pick(&|l| l.stood_ms > 0, &|l| l.stood_ms),
            chattering: pick(&|l| l.is_chattering, &|l| l.announced as i64),
            aside: pick(&|l| l.aside_ms > 0, &|l| l.aside_ms),
        }
    }

    /// The week that ends now.
    pub fn of_week(transitions: &[Transition], now_ms: i64) -> Self {
        Report::of(transitions, now_ms - WEEK_MS, now_ms)
    }

    /// Whether the aim is met.
    pub fn meets_aim(&self) -> bool {
        self.a_week <= AIM_A_WEEK
    }

    /// The report in words, a line each.
    pub fn words(&self) -> Vec<String> {
        let mut out = vec![];
        let time = span(self.to_ms - self.from_ms);
        let rate = decimal(self.a_week, 1, "a week");
        out.push(match (self.actionable, self.meets_aim()) {
            (0, _) => format!("No alarm in {time} asked for an act."),
            (n, true) => {
                format!("{} in {time} asked for an act: {rate}; at most one is the aim.", Count(n))
            }
            (n, false) => format!(
                "{} in {time} asked for an act, in {}: {rate}, more than the one that is the aim.",
                Count(n),
                counted(self.episodes, "episode")
            ),
        });
        if !self.meets_aim()
            && let Some(worst) = self.most_frequent.first()
        {
            out.push(format!(
                "Most often: {} ({}). Begin with its cause.",
                worst.alarm,
                times(worst.announced)
            ));
        }
        if !self.chattering.is_empty() {
            out.push(format!(
                "Chattering: {}. Mend the part, or give the alarm a longer delay or a deadband.",
                named(&self.chattering, |l| times(l.announced))
            ));
        }
        let stale: Vec<Line> =
            self.standing_longest.iter().filter(|l| l.stood_ms > DAY_MS).cloned().collect();
        if !stale.is_empty() {
            out.push(format!(
                "Standing longest: {}. What nobody acts on for days is no alarm: mend it or drop it.",
                named(&stale, |l| span(l.stood_ms))
            ));
        }
        if !self.aside.is_empty() {
            out.push(format!("Put aside: {}.", named(&self.aside, |l| span(l.aside_ms))));
        }
        if self.in_flood > 0 {
            out.push(format!(
                "{} came in a flood; the first of each group is nearest to the cause.",
                Count(self.in_flood)
            ));
        }
        if self.low > 0 {
            out.push(format!("{} of low priority could wait.", Count(self.low)));
        }
        out
    }
}

/// A number of alarms at the beginning of a sentence.
struct Count(usize);

impl std::fmt::Display for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&crate::words::sentence(&counted(self.0, "alarm")))
    }
}

fn times(n: usize) -> String {
    if n == 1 { "once".to_owned() } else { format!("{} times", count(n)) }
}

fn named(lines: &[Line], what: impl Fn(&Line) -> String) -> String {
    let mut names: Vec<String> =
        lines.iter().take(LONGEST_LIST).map(|l| format!("{} ({})", l.alarm, what(l))).collect();
    if lines.len() > LONGEST_LIST {
        names.push(format!("{} more", lines.len() - LONGEST_LIST));
    }
    list(&names)
}

/// The state of each alarm as a log of transitions leaves it: for readers that have the log and not the book.
pub fn states(transitions: &[Transition]) -> BTreeMap<String, State> {
    let mut states: BTreeMap<String, State> = BTreeMap::new();
    for t in transitions {
        if t.cause == Cause::Removed {
            states.remove(&t.alarm);
        } else {
            states.insert(t.alarm.clone(), t.to);
        }
    }
    states
}

/// Whether a book agrees with a log of its transitions; the ids of those that differ.
pub fn differ(book: &Book, transitions: &[Transition]) -> Vec<String> {
    let states = states(transitions);
    (book.alarms())
        .filter(|v| states.get(&v.definition.id).copied().unwrap_or_default() != v.state)
        .map(|v| v.definition.id.clone())
        .collect()
}

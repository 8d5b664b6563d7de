//! Three in the morning: words before any drawing. What is wrong, whether it is contained, how long until harm, whether it can be believed,
//! the last six hours, one safe act, who else was told. The sitter's sheet is made of the same sections.

use serde::Serialize;

use crate::book::View;
use crate::definition::Priority;
use crate::peril::Peril;
use crate::words::{clock, decimal, hours, list, plain, sentence, span};

const HOUR_MS: i64 = 3_600_000;

/// What has acted by itself: a trip, a permissive, a cut in hardware.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Acted {
    /// Name of the part.
    pub part: String,
    /// What it does now: `stopped`, `tripped`, `runs on its own thermostat`.
    pub does: String,
    /// Since when, ms since 1970 UTC.
    pub at_ms: i64,
}

/// Where the hours until harm come from.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// A row of the FMEA: the part and its failure mode.
    Row(String),
    /// The trend of a signal, drawn on to its limit.
    Trend(String),
}

/// What comes to harm, and when.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Harm {
    /// To what: `corals: too cold`.
    pub to: String,
    /// Hours from now. None: never, as far as is known.
    pub hours: Option<f64>,
    /// How that is known.
    pub basis: Basis,
}

/// A measured value, to judge whether it can be believed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// Name of the probe.
    pub probe: String,
    /// Value with its unit. None: its quality is bad.
    pub value: Option<String>,
    /// Raw code of the part, as the board read it. None: not known.
    pub raw: Option<i64>,
    /// Age, ms.
    pub age_ms: i64,
}

/// A message that went out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Told {
    /// Who.
    pub who: String,
    /// By what: `mail`.
    pub by: String,
    /// When, ms since 1970 UTC. None: not yet delivered.
    pub at_ms: Option<i64>,
    /// They have acknowledged it.
    pub has_acknowledged: bool,
}

/// All that the view is made of, for the alarm that leads.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Night {
    /// ms since 1970 UTC.
    pub now_ms: i64,
    /// Local time less UTC, ms.
    pub local_offset_ms: i64,
    /// One sentence. Empty: nothing is wrong.
    pub wrong: String,
    /// How urgent.
    pub priority: Priority,
    /// What it may end in.
    pub peril: Peril,
    /// Since when, ms since 1970 UTC.
    pub since_ms: i64,
    /// How many other alarms stand.
    pub others: usize,
    /// The condition is over by now.
    pub is_over: bool,
    /// What has acted.
    pub acted: Vec<Acted>,
    /// What comes to harm, soonest first.
    pub harms: Vec<Harm>,
    /// Somebody can be there in so many hours. None: not known.
    pub arrival_h: Option<f64>,
    /// The probe that it rests on.
    pub first: Option<Measured>,
    /// Another probe that would show it.
    pub second: Option<Measured>,
    /// How a check judged its own finding: `likely: ...`.
    pub sure: Option<String>,
    /// Hour by hour, oldest first: time, ms since 1970 UTC, and value in `unit`.
    pub six_hours: Vec<(i64, f64)>,
    /// Unit of those.
    pub unit: String,
    /// What the file says to do (the procedure of an acceptance, the text of a finding). None: the usual advice for the peril.
    pub act: Option<String>,
    /// Who was told.
    pub told: Vec<Told>,
}

/// Which section it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum About {
    /// What is wrong.
    Wrong,
    /// Contained or not.
    Contained,
    /// Hours until harm.
    Harm,
    /// Can it be believed.
    Belief,
    /// The last six hours.
    SixHours,
    /// One safe act.
    Act,
    /// Who else was told.
    Told,
}

impl About {
    /// Its heading.
    pub fn heading(self) -> &'static str {
        match self {
            About::Wrong => "What is wrong",
            About::Contained => "Contained?",
            About::Harm => "Until harm",
            About::Belief => "Can it be believed?",
            About::SixHours => "The last six hours",
            About::Act => "Do",
            About::Told => "Told",
        }
    }
}

/// One section.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Section {
    /// Which.
    pub about: About,
    /// Its sentences.
    pub lines: Vec<String>,
}

impl Night {
    /// Begins a view from an alarm as it stands in the book.
    pub fn of(view: &View<'_>, others: usize, now_ms: i64, local_offset_ms: i64) -> Self {
        use crate::book::State;
        Night {
            now_ms,
            local_offset_ms,
            wrong: view.definition.text.clone(),
            priority: view.definition.priority,
            peril: view.definition.peril,
            since_ms: view.occurred_ms.unwrap_or(view.since_ms),
            others,
            is_over: !matches!(view.state, State::Unacknowledged | State::Acknowledged),
            ..Night::default()
        }
    }

    /// The sections in their order: always all seven, or one when nothing is wrong.
    pub fn sections(&self) -> Vec<Section> {
        let section = |about, lines| Section { about, lines };
        if self.wrong.is_empty() {
            return vec![section(About::Wrong, vec!["Nothing is wrong. Go back to sleep.".to_owned()])];
        }
        vec![
            section(About::Wrong, self.what()),
            section(About::Contained, self.contained()),
            section(About::Harm, self.harm()),
            section(About::Belief, self.belief()),
            section(About::SixHours, self.history()),
            section(About::Act, self.advice()),
            section(About::Told, self.who()),
        ]
    }

    /// All of it as text: headings, and lines below them.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for section in self.sections() {
            out.push_str(section.about.heading());
            out.push('\n');
            for line in section.lines {
                out.push_str("  ");
                out.push_str(&line);
                out.push('\n');
            }
        }
        out
    }

    fn what(&self) -> Vec<String> {
        let end = if self.wrong.ends_with(['.', '!', '?']) { "" } else { "." };
        let age = span(self.now_ms - self.since_ms);
        let since = format!(
            "Since {}, {age} ago; {} priority.",
            clock(self.since_ms, self.local_offset_ms),
            self.priority.word()
        );
        let mut lines = vec![format!("{}{end}", sentence(&self.wrong)), since];
        if self.is_over {
            lines.push("It is over by now.".to_owned());
        }
        if self.others > 0 {
            let s = if self.others == 1 { "" } else { "s" };
            lines.push(format!(
                "{} other alarm{s} stand{} as well.",
                sentence(&crate::words::count(self.others)),
                if self.others == 1 { "s" } else { "" }
            ));
        }
        lines
    }

    fn contained(&self) -> Vec<String> {
        if self.acted.is_empty() {
            return vec!["Not that the station knows: nothing has acted by itself.".to_owned()];
        }
        let all: Vec<String> = (self.acted.iter())
            .map(|a| format!("{} {} since {}", plain(&a.part), a.does, clock(a.at_ms, self.local_offset_ms)))
            .collect();
        let never = self.harms.iter().all(|h| h.hours.is_none());
        let head = if never && !self.harms.is_empty() { "Yes" } else { "In part" };
        vec![format!("{head}: {}.", list(&all))]
    }

    fn harm(&self) -> Vec<String> {
        if self.harms.is_empty() {
            return vec!["Not known: no row of the FMEA and no trend tells of it.".to_owned()];
        }
        let mut soonest = self.harms.clone();
        soonest.sort_by(|a, b| a.hours.unwrap_or(f64::INFINITY).total_cmp(&b.hours.unwrap_or(f64::INFINITY)));
        let mut lines: Vec<String> = (soonest.iter().take(3))
            .map(|h| {
                let basis = match &h.basis {
                    Basis::Row(row) => format!("by the FMEA, {row}"),
                    Basis::Trend(signal) => format!("by the trend of {}", plain(signal)),
                };
                match h.hours {
                    Some(left) if left <= 0.0 => format!("Now: {} ({basis}).", h.to),
                    Some(left) => format!("{} until harm: {} ({basis}).", hours(left), h.to),
                    None => format!("No harm foreseen: {} ({basis}).", h.to),
                }
            })
            .collect();
        if let (Some(left), Some(arrival)) = (soonest.first().and_then(|h| h.hours), self.arrival_h) {
            let verdict = if left > arrival { "in time" } else { "too late: act from here at once" };
            lines.push(format!("Somebody can be there in {}: {verdict}.", hours(arrival)));
        }
        lines
    }

    fn belief(&self) -> Vec<String> {
        let mut lines = vec![];
        let shown = |m: &Measured| {
            let value = m.value.clone().unwrap_or_else(|| "a bad reading".to_owned());
            let raw = m.raw.map_or(String::new(), |raw| format!(", raw {raw}"));
            format!("{} {value}{raw}, {} old", plain(&m.probe), span(m.age_ms))
        };
        match (&self.first, &self.second) {
            (Some(first), Some(second)) => {
                lines.push(format!("{}.", sentence(&shown(first))));
                lines.push(format!("Second probe: {}.", shown(second)));
            }
            (Some(first), None) => {
                lines.push(format!("{}. No second probe shows it.", sentence(&shown(first))));
            }
            (None, _) => lines.push("It rests on no probe that can be read here.".to_owned()),
        }
        if [&self.first, &self.second].into_iter().flatten().any(|m| m.age_ms > 60_000) {
            lines.push("The values are old: what is there now is not known.".to_owned());
        }
        lines.extend(self.sure.as_ref().map(|sure| format!("{}.", sentence(sure.trim_end_matches('.')))));
        lines
    }

    fn history(&self) -> Vec<String> {
        let recent: Vec<&(i64, f64)> = self
            .six_hours
            .iter()
            .filter(|(ms, v)| self.now_ms - ms <= 7 * HOUR_MS && v.is_finite())
            .collect();
        let (Some(first), Some(last)) = (recent.first(), recent.last()) else {
            return vec!["Nothing was recorded.".to_owned()];
        };
        let values: Vec<String> = recent.iter().map(|(_, v)| decimal(*v, 2, "")).collect();
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        let change = last.1 - first.1;
        let digits = 2;
        let way = if decimal(change.abs(), digits, "") == "0" {
            "steady".to_owned()
        } else {
            let word = if change > 0.0 { "risen" } else { "fallen" };
            format!("{word} by {}", decimal(change.abs(), digits, &self.unit))
        };
        vec![
            format!("Hourly from {}: {}{unit}.", clock(first.0, self.local_offset_ms), values.join(", ")),
            format!("{} over that time.", sentence(&way)),
        ]
    }

    fn advice(&self) -> Vec<String> {
        let advice = self.peril.advice();
        let act = self.act.as_deref().unwrap_or(advice.act);
        let end = if act.ends_with(['.', '!', '?']) { "" } else { "." };
        let mut lines = vec![format!("{}{end}", sentence(act)), advice.leave.to_owned()];
        lines.extend(advice.caution.map(str::to_owned));
        lines
    }

    fn who(&self) -> Vec<String> {
        if self.told.is_empty() {
            return vec!["Nobody else was told.".to_owned()];
        }
        (self.told.iter())
            .map(|t| {
                let when = match t.at_ms {
                    Some(ms) => format!("at {}", clock(ms, self.local_offset_ms)),
                    None => "not yet delivered".to_owned(),
                };
                let has = if t.has_acknowledged { "; has taken it" } else { "" };
                format!("{} by {}, {when}{has}.", sentence(&t.who), t.by)
            })
            .collect()
    }
}

/// Hours until a straight line through the points reaches a limit, from the last of them; 0 when it is beyond the limit already. None:
/// fewer than three points, or it moves away from the limit, or it takes more than a week.
pub fn hours_until(points: &[(i64, f64)], limit: f64, is_high: bool) -> Option<f64> {
    let sound: Vec<(f64, f64)> = (points.iter())
        .filter(|(_, v)| v.is_finite())
        .map(|(ms, v)| (*ms as f64 / HOUR_MS as f64, *v))
        .collect();
    let (last, n) = (*sound.last()?, sound.len() as f64);
    let beyond = |v: f64| if is_high { v >= limit } else { v <= limit };
    if beyond(last.1) {
        return Some(0.0);
    }
    if sound.len() < 3 {
        return None;
    }
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| sound.iter().map(f).sum::<f64>() / n;
    let (mean_x, mean_y) = (mean(&|p| p.0), mean(&|p| p.1));
    let xx: f64 = sound.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    let xy: f64 = sound.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum();
    let slope = if xx > 0.0 { xy / xx } else { 0.0 };
    let left = (limit - last.1) / slope;
    (left.is_finite() && left > 0.0 && left < 7.0 * 24.0).then_some(left)
}

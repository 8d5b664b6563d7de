//! A joined controller as it is told: how it is heard, what it says, where the rules would have acted otherwise.

use serde::Serialize;
use shadow::run::{Difference, OutputNow, OutputSum};
use shadow::{Shadow, Tally, words};
use system::System;
use utoipa::ToSchema;

/// Differences that are told one by one, newest first.
const TOLD: usize = 100;

/// A joined controller now.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug, Default)]
pub struct JoinedNow {
    /// Its name.
    pub name: String,
    /// Name of the system whose rules run beside it.
    pub system: String,
    /// How it is heard, in words.
    pub line: String,
    /// The line stands.
    pub is_up: bool,
    /// Since when the line is as it is, ms since 1970.
    pub line_since_ms: i64,
    /// Why it does not stand.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// When something of the map came last, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub newest_ms: Option<i64>,
    /// Nothing of the map came for longer than `silent`.
    pub is_silent: bool,
    /// The rules run beside it now.
    pub is_running: bool,
    /// They have run since, ms since 1970; restarts of the station included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_ms: Option<i64>,
    /// Their last scan, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until_ms: Option<i64>,
    /// Lines heard since the station started.
    pub n_lines: u64,
    /// Of these, understood.
    pub n_understood: u64,
    /// Messages that found no room since the station started.
    pub n_lost: u64,
    /// Lines that were not understood, by reason.
    pub refused: Vec<RefusedLines>,
    /// Outputs in the order of the map.
    pub outputs: Vec<JoinedOutput>,
    /// What the rules could not see, and what was assumed: sentences.
    pub inputs: Vec<String>,
    /// Breaks, latched trips and the like: sentences.
    pub notes: Vec<String>,
    /// The newest differences, newest first.
    pub differences: Vec<JoinedDifference>,
    /// Differences before these.
    pub n_more_differences: u64,
}

/// Lines that were not understood for one reason.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct RefusedLines {
    /// The reason in one word.
    pub reason: &'static str,
    /// The same as a sentence, with what to do.
    pub means: &'static str,
    /// How many.
    pub n: u64,
    /// The first of them, shortened.
    pub example: String,
}

/// An output of a joined controller.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct JoinedOutput {
    /// The actuator.
    pub name: String,
    /// Its output is a duty.
    pub is_modulated: bool,
    /// What the controller has, %; not there: nothing fresh is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub theirs: Option<f64>,
    /// What the rules would have, %; not there: they do not run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ours: Option<f64>,
    /// Both are compared.
    pub is_compared: bool,
    /// Why the rules would have it so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
    /// They differ since, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub differs_since_ms: Option<i64>,
    /// Time compared so far, s.
    pub compared_s: f64,
    /// Time in which the rules would have had it off or lower, s.
    pub less_s: f64,
    /// Time in which they would have had it on or higher, s.
    pub more_s: f64,
    /// What has come of it so far.
    pub sentences: Vec<String>,
}

/// A difference.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct JoinedDifference {
    /// The actuator.
    pub output: String,
    /// From, ms since 1970.
    pub from_ms: i64,
    /// To, ms since 1970; not there: it lasts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_ms: Option<i64>,
    /// What the controller had at its beginning, %.
    pub theirs: f64,
    /// What the rules would have had, %.
    pub ours: f64,
    /// Why.
    pub because: String,
    /// All of it as a sentence.
    pub sentence: String,
}

fn percent(permille: i32) -> f64 {
    f64::from(permille) / 10.0
}

fn seconds(ms: i64) -> f64 {
    ms as f64 / 1e3
}

fn output(shadow: &Shadow, at: usize, now: &OutputNow, sum: &OutputSum) -> JoinedOutput {
    let system = shadow.system();
    let it = &system.actuators[shadow.map().outputs[at].actuator.idx()];
    JoinedOutput {
        name: it.name.clone(),
        is_modulated: it.modulated,
        theirs: now.theirs.map(percent),
        ours: now.ours.map(percent),
        is_compared: now.is_compared,
        because: now.because.as_ref().map(|because| because.text.clone()),
        differs_since_ms: now.differs_since_ms,
        compared_s: seconds(sum.compared_ms),
        less_s: seconds(sum.less.ms),
        more_s: seconds(sum.more.ms),
        sentences: words::output(system, it, sum),
    }
}

fn difference(system: &System, of: &Difference) -> JoinedDifference {
    JoinedDifference {
        output: of.output.clone(),
        from_ms: of.from_ms,
        to_ms: of.to_ms,
        theirs: percent(of.theirs),
        ours: percent(of.ours),
        because: of.because.text.clone(),
        sentence: words::difference(system, of),
    }
}

impl JoinedNow {
    /// Takes what the shadow says now.
    pub(super) fn take(&mut self, shadow: &Shadow, tally: &Tally) {
        let (system, sums, told) = (shadow.system(), shadow.sums(), words::told(shadow));
        self.is_running = shadow.is_running();
        (self.since_ms, self.until_ms) = (sums.since_ms, sums.until_ms);
        (self.n_lines, self.n_understood) = (tally.n_lines, tally.n_understood);
        self.refused = (tally.rejected.iter())
            .map(|(reason, rejected)| RefusedLines {
                reason: reason.word(),
                means: reason.sentence(),
                n: rejected.n,
                example: rejected.example.clone(),
            })
            .collect();
        self.outputs = (shadow.now().iter().zip(&sums.outputs).enumerate())
            .map(|(at, (now, sum))| output(shadow, at, now, sum))
            .collect();
        (self.inputs, self.notes) = (told.inputs, told.notes);
        let lasting = shadow.lasting();
        let n_all = lasting.len() + sums.differences.len();
        let newest = lasting.iter().chain(sums.differences.iter().rev());
        self.differences = newest.take(TOLD).map(|of| difference(system, of)).collect();
        self.n_more_differences = sums.n_dropped + n_all.saturating_sub(TOLD) as u64;
    }
}

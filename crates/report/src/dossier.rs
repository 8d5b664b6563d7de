//! What a report tells: plain values, already judged and in the units in which they are shown.

use crate::sitter::SitterSheet;

/// Everything on the page. Empty lists leave their section out, except findings and matrix, which then say so.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Dossier {
    /// Name of the system.
    pub title: String,
    /// File and revision.
    pub revision: String,
    /// Date of the report, free text; a reproducible run passes a fixed one.
    pub date: String,
    /// Tool and version.
    pub made_by: String,
    /// What it is, in sentences: water, animals, place.
    pub description: Vec<String>,
    /// What to do when something is wrong, for whoever minds the tank.
    pub sitter: Option<SitterSheet>,
    /// Proof tests and upkeep.
    pub care: Vec<ListTable>,
    /// What it was given: revisions, calibrations, tests done.
    pub history: Vec<ListTable>,
    /// Conclusions in plain sentences, the worst first.
    pub summary: Vec<SummaryLine>,
    /// Sheets, as SVG elements made by `drawing` (the only text that is not escaped).
    pub drawings: Vec<Drawing>,
    /// Sheets of the wiring, as SVG elements.
    pub wiring: Vec<Drawing>,
    /// Lists of the electrics: budgets, cut list, checkout.
    pub lists: Vec<ListTable>,
    /// Findings of the audit.
    pub findings: Vec<system::Diagnostic>,
    /// Failure modes against requirements.
    pub matrix: Matrix,
    /// Traces of chosen faults.
    pub plots: Vec<Plot>,
    /// What each part does without power.
    pub energised: Vec<EnergisedRow>,
    /// What the result rests on.
    pub assumptions: Vec<String>,
    /// What the model leaves out.
    pub not_modelled: Vec<String>,
}

/// State of a summary line.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Verdict {
    /// Harm that nothing stops in time.
    Breaks,
    /// Harm, but an alarm leaves enough time to come.
    HelpInTime,
    /// Harm that the file accepts with a reason.
    Accepted,
    /// A protection that fails without anybody seeing it.
    Hidden,
    /// All holds.
    Holds,
}

/// One conclusion.
#[derive(Clone, PartialEq, Debug)]
pub struct SummaryLine {
    /// State.
    pub verdict: Verdict,
    /// One sentence: what happens, after how long.
    pub text: String,
    /// Which change mends it.
    pub mend: Option<String>,
}

/// A sheet with its caption.
#[derive(Clone, PartialEq, Debug)]
pub struct Drawing {
    /// What it shows.
    pub caption: String,
    /// One `<svg>` element; ids must be unique in the page (give each sheet its own prefix).
    pub svg: String,
}

/// A list with headings.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ListTable {
    /// What it is.
    pub title: String,
    /// Headings.
    pub heads: Vec<String>,
    /// Rows; a missing text is blank.
    pub rows: Vec<Vec<String>>,
}

/// Failure modes down, requirements across.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Matrix {
    /// Columns.
    pub requirements: Vec<RequirementHead>,
    /// Rows in any order; the page puts the worst first.
    pub rows: Vec<Row>,
}

/// Column of the matrix.
#[derive(Clone, PartialEq, Debug)]
pub struct RequirementHead {
    /// Name as in the file.
    pub name: String,
    /// What must hold, in words or as its formula.
    pub text: String,
    /// What breaking it does: `cook`, `flood`.
    pub harm: String,
}

/// One failure mode at its worst instant and corner.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// Part that fails.
    pub part: String,
    /// How it fails.
    pub mode: String,
    /// When it was injected: `lamps off`.
    pub instant: String,
    /// Corner of the uncertain parameters.
    pub corner: String,
    /// By column; shorter lists leave the rest blank.
    pub cells: Vec<Cell>,
    /// Hours from the first alarm to the first harm; negative: the alarm came later. None: no alarm.
    pub alarm_lead_h: Option<f64>,
    /// Hours a person takes to come.
    pub response_h: Option<f64>,
    /// What the protections did.
    pub acts: Vec<Act>,
    /// Reason, where the file accepts the row.
    pub accepted: Option<String>,
    /// Breaks nothing and raises no alarm.
    pub hidden: bool,
    /// Severity class in a word.
    pub severity: String,
}

/// A requirement under a failure mode.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Cell {
    /// Least margin in `unit`; negative is broken. None: not judged.
    pub margin: Option<f64>,
    /// Unit of the margin.
    pub unit: String,
    /// Hours from the fault to the breach. None: it holds to the end.
    pub hours: Option<f64>,
}

/// Something that a protection did during a run.
#[derive(Clone, PartialEq, Debug)]
pub struct Act {
    /// Hours after the fault.
    pub hours: f64,
    /// What acted.
    pub text: String,
}

/// What a row comes to.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Outcome {
    /// Something breaks and nobody can be there before.
    Breaks,
    /// Something breaks, but the alarm leads by more than the way takes.
    HelpInTime,
    /// Something breaks, and the file accepts it.
    Accepted,
    /// Nothing breaks and nobody hears of it.
    Hidden,
    /// Nothing breaks.
    Holds,
}

impl Row {
    /// Column and hours of the first requirement that breaks.
    pub fn first_broken(&self) -> Option<(usize, f64)> {
        self.cells
            .iter()
            .enumerate()
            .filter(|(_, c)| c.is_broken())
            .map(|(i, c)| (i, c.hours.unwrap_or(0.0)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }
    /// What the row comes to.
    pub fn outcome(&self) -> Outcome {
        let in_time = matches!((self.alarm_lead_h, self.response_h), (Some(lead), Some(way)) if lead >= way);
        match (self.first_broken(), &self.accepted) {
            (Some(_), Some(_)) => Outcome::Accepted,
            (Some(_), None) if in_time => Outcome::HelpInTime,
            (Some(_), None) => Outcome::Breaks,
            (None, _) if self.hidden => Outcome::Hidden,
            (None, _) => Outcome::Holds,
        }
    }
}

impl Cell {
    /// Negative margin, or a breach with no margin told.
    pub fn is_broken(&self) -> bool {
        self.margin.map_or(self.hours.is_some(), |m| m < 0.0)
    }
}

/// A trace of one run.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Plot {
    /// Which fault, when, in which corner.
    pub title: String,
    /// One sentence on what is to be seen.
    pub note: String,
    /// Lines; those of one unit share a panel.
    pub series: Vec<Series>,
    /// Limits, drawn in the panel of their unit.
    pub limits: Vec<Limit>,
    /// Moments.
    pub marks: Vec<Mark>,
}

/// One line of a plot.
#[derive(Clone, PartialEq, Debug)]
pub struct Series {
    /// Name at its end.
    pub name: String,
    /// Unit of its values; decides the panel.
    pub unit: String,
    /// Hours and value; a value that is not finite breaks the line.
    pub points: Vec<(f64, f64)>,
}

/// A horizontal limit.
#[derive(Clone, PartialEq, Debug)]
pub struct Limit {
    /// Name at its end.
    pub name: String,
    /// Unit; decides the panel.
    pub unit: String,
    /// Height.
    pub value: f64,
}

/// Kinds of moments.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum MarkKind {
    Fault,
    Alarm,
    Trip,
    Break,
    Other,
}

/// A moment.
#[derive(Clone, PartialEq, Debug)]
pub struct Mark {
    /// Hours on the axis of the plot.
    pub hours: f64,
    /// Which.
    pub kind: MarkKind,
    /// In a few words.
    pub text: String,
}

/// A part without power.
#[derive(Clone, PartialEq, Debug)]
pub struct EnergisedRow {
    /// Which.
    pub part: String,
    /// With the board dead or hung.
    pub board_dead: String,
    /// With its own supply dead.
    pub supply_dead: String,
    /// When mains comes back.
    pub mains_back: String,
    /// Whether its trip latches, resets itself, how often a day; empty: no trip.
    pub trip: String,
}

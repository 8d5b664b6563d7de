//! Two designs side by side: what only one is found to have, figures that differ, and rows of the FMEA that differ where both were studied.

use serde::Serialize;

use crate::Beside;
use crate::figures::Figure;
use crate::look::{self, Finding, Look};
use crate::study::{Kept, RowView, Study, Wish};
use crate::words::{HOUR_S, span};

/// What differs.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Comparison {
    /// Names the first text.
    pub hash_a: String,
    /// Names the second text.
    pub hash_b: String,
    /// Findings.
    pub findings: Findings,
    /// Figures that are not the same.
    pub figures: Vec<Differing>,
    /// Cells of the FMEA that are not the same. Not there: one of them was not studied yet; `/api/v1/design/study` does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rows: Option<Vec<RowDiffering>>,
    /// Open rows of each, where both were studied.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open: Option<[usize; 2]>,
}

/// Findings that only one of them has.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Findings {
    /// The first.
    pub only_a: Vec<Finding>,
    /// The second.
    pub only_b: Vec<Finding>,
}

/// A figure that differs; null where one has none.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Differing {
    /// Its id.
    pub id: &'static str,
    /// What it is.
    pub label: String,
    /// Its unit.
    pub unit: &'static str,
    /// Of the first.
    pub a: Option<f64>,
    /// Of the second.
    pub b: Option<f64>,
    /// Both in words.
    pub text: String,
}

/// A cell that differs.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RowDiffering {
    /// `part:mode`.
    pub fault: String,
    /// The requirement.
    pub requirement: String,
    /// What the first comes to; `none`: it has no such row.
    pub a: &'static str,
    /// What the second comes to.
    pub b: &'static str,
    /// Both in words.
    pub text: String,
}

impl Kept {
    /// Compares two texts.
    pub fn compare(&self, a: &str, b: &str, beside: &Beside, wish: Wish) -> Comparison {
        let (look_a, look_b) = (look::look(a, &[], beside), look::look(b, &[], beside));
        let studies = self.known(a, beside, wish).zip(self.known(b, beside, wish));
        Comparison {
            findings: Findings { only_a: only(&look_a, &look_b), only_b: only(&look_b, &look_a) },
            figures: figures(&look_a.figures, &look_b.figures),
            rows: studies.as_ref().map(|(a, b)| rows(a, b)),
            open: studies.map(|(a, b)| [a.n_open(), b.n_open()]),
            hash_a: look_a.hash,
            hash_b: look_b.hash,
        }
    }
}

/// Findings of one that the other has not, wherever they stand in the text.
fn only(of: &Look, other: &Look) -> Vec<Finding> {
    let same = |x: &Finding, y: &Finding| (x.id, &x.message, &x.about) == (y.id, &y.message, &y.about);
    (of.diagnostics.iter()).filter(|x| !other.diagnostics.iter().any(|y| same(x, y))).cloned().collect()
}

fn figures(a: &[Figure], b: &[Figure]) -> Vec<Differing> {
    let find = |all: &'_ [Figure], like: &Figure| {
        all.iter().find(|x| x.id == like.id && x.label == like.label).cloned()
    };
    let only_b = b.iter().filter(|x| find(a, x).is_none()).map(|x| (None, Some(x.clone())));
    let all = a.iter().map(|x| (Some(x.clone()), find(b, x))).chain(only_b);
    all.filter_map(|(a, b)| {
        let either = a.as_ref().or(b.as_ref())?;
        let words = |x: &Option<Figure>| x.as_ref().map_or("none".to_owned(), |x| x.text.clone());
        if words(&a) == words(&b) {
            return None;
        }
        Some(Differing {
            id: either.id,
            label: either.label.clone(),
            unit: either.unit,
            text: format!("{}; {}", words(&a), words(&b)),
            a: a.map(|x| x.value),
            b: b.map(|x| x.value),
        })
    })
    .collect()
}

/// A breach counts as another when its time differs by more than this share.
const OTHER_TIME: f64 = 0.1;

fn rows(a: &Study, b: &Study) -> Vec<RowDiffering> {
    let mut all = vec![];
    let faults = a.rows.iter().chain(b.rows.iter().filter(|row| a.row(&row.fault).is_none()));
    for row in faults {
        let (of_a, of_b) = (a.row(&row.fault), b.row(&row.fault));
        let mut names: Vec<&str> = vec![];
        for cell in of_a.iter().chain(&of_b).flat_map(|row| &row.cells) {
            if !names.contains(&cell.requirement.as_str()) {
                names.push(&cell.requirement);
            }
        }
        for name in names {
            let ((a, at_a), (b, at_b)) = (comes_to(of_a, name), comes_to(of_b, name));
            let time_differs = at_a.zip(at_b).is_some_and(|(x, y)| (x - y).abs() > OTHER_TIME * x.max(y));
            let quiet = |verdict: &str| matches!(verdict, "none" | "ok" | "hidden");
            if (a == b && !time_differs) || (quiet(a) && quiet(b)) {
                continue;
            }
            let words = |verdict: &str, at: Option<f64>| match at {
                Some(hours) => format!("{verdict} after {}", span(hours * HOUR_S)),
                None => verdict.to_owned(),
            };
            all.push(RowDiffering {
                fault: row.fault.clone(),
                requirement: name.to_owned(),
                a,
                b,
                text: format!("`{name}`: {}; {}", words(a, at_a), words(b, at_b)),
            });
        }
    }
    all
}

fn comes_to(row: Option<&RowView>, requirement: &str) -> (&'static str, Option<f64>) {
    let cell = row.and_then(|row| row.cell(requirement));
    cell.map_or(("none", None), |cell| (cell.verdict, cell.hours_left))
}

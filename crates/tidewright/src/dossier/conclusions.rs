//! The page's first words: what would happen, the worst first, and which change mends it.

use report::{SummaryLine, Verdict as Mark};
use system::System;
use trial::{Fmea, Row};

use crate::fmea::{Verdict, alike, harm_of, mends, rows_of, sentences, time_of};
use crate::words::{self, HARMS, count, span};

/// So many stories of one harm get a sentence of their own; the others are counted.
const EACH: usize = 4;

/// All conclusions.
pub fn lines(system: &System, fmea: &Fmea) -> Vec<SummaryLine> {
    let mut lines = vec![];
    for row in &fmea.without_fault {
        let broken = row.broken.map_or("", |r| system.requirements[r].name.as_str());
        let time = row.process_safety_time_s.map_or_else(String::new, span);
        lines.push(SummaryLine {
            verdict: Mark::Breaks,
            text: format!("With every part working, under `{}`, `{broken}` breaks after {time}.", row.part),
            mend: None,
        });
    }
    for verdict in [Verdict::Breaks, Verdict::HelpInTime] {
        for harm in HARMS {
            let mut rows = rows_of(fmea, verdict);
            rows.retain(|row| harm_of(system, row) == Some(harm));
            rows.sort_by(|a, b| time_of(system, a).total_cmp(&time_of(system, b)));
            let groups = alike::groups(system, &rows);
            lines.extend(groups.iter().take(EACH).map(|group| line(system, fmea, group, verdict)));
            if let Some(next) = groups.get(EACH) {
                let n: usize = groups[EACH..].iter().map(Vec::len).sum();
                lines.push(SummaryLine {
                    verdict: mark(verdict),
                    text: format!(
                        "{} more would {}, after {} or later.",
                        count(n, "fault"),
                        words::harm_does(harm),
                        span(time_of(system, next[0]))
                    ),
                    mend: None,
                });
            }
        }
    }
    let open: Vec<&Row> = fmea.rows.iter().filter(|row| row.is_open()).collect();
    for harm in HARMS {
        let (others, mends) = alike::told_elsewhere(system, harm, &open);
        if !others.is_empty() {
            lines.push(SummaryLine {
                verdict: Mark::Breaks,
                text: format!(
                    "Beside the harm told above, these would {}: {others}.",
                    words::harm_does(harm)
                ),
                mend: Some(mends.join("; ")),
            });
        }
    }
    for (reason, rows) in alike::by_reason(&rows_of(fmea, Verdict::Accepted)) {
        let accepted = &system.accepted[reason];
        let soonest = rows.iter().filter_map(|row| row.process_safety_time_s).fold(f64::INFINITY, f64::min);
        lines.push(SummaryLine {
            verdict: Mark::Accepted,
            text: format!(
                "{} would break {} after {} or later. {} Relied on: {} Review {}.",
                sentences::faults(&rows),
                alike::broken_first(system, &rows),
                span(soonest),
                words::sentence(&words::capital(&accepted.reason)),
                words::sentence(&accepted.procedure),
                accepted.review
            ),
            mend: None,
        });
    }
    let hidden = rows_of(fmea, Verdict::Hidden).len();
    if hidden > 0 {
        lines.push(SummaryLine {
            verdict: Mark::Hidden,
            text: format!(
                "{} break nothing, and nobody hears of them until a second fault.",
                count(hidden, "fault")
            ),
            mend: Some("prove floats, probes and relays by a test at intervals".to_owned()),
        });
    }
    let holds = rows_of(fmea, Verdict::Holds).len();
    lines.push(SummaryLine {
        verdict: Mark::Holds,
        text: format!(
            "{} of {} break nothing within {}, and somebody hears of them.",
            holds,
            count(fmea.rows.len(), "single fault"),
            span(fmea.window_s)
        ),
        mend: None,
    });
    lines
}

fn mark(verdict: Verdict) -> Mark {
    match verdict {
        Verdict::Breaks => Mark::Breaks,
        Verdict::HelpInTime => Mark::HelpInTime,
        Verdict::Accepted => Mark::Accepted,
        Verdict::Hidden => Mark::Hidden,
        Verdict::Holds => Mark::Holds,
    }
}

fn line(system: &System, fmea: &Fmea, rows: &[&Row], verdict: Verdict) -> SummaryLine {
    let harm = harm_of(system, rows[0]).map_or("break a requirement", words::harm_does);
    let told = alike::told(system, fmea, rows);
    SummaryLine {
        verdict: mark(verdict),
        text: format!("After {} this would {harm}: {told}", span(time_of(system, rows[0]))),
        mend: mends::mend(system, rows[0]).map(str::to_owned),
    }
}

//! The FMEA as a matrix, and its rows with all details.

use std::fmt::Write;

use drawing::escape;

use crate::dossier::{Cell, Matrix, Outcome, Row};

/// Shape and word of an outcome.
pub(crate) fn shape(outcome: Outcome) -> (&'static str, &'static str) {
    match outcome {
        Outcome::Breaks => ("breaks", "breaks"),
        Outcome::HelpInTime => ("help", "help in time"),
        Outcome::Accepted => ("accepted", "accepted"),
        Outcome::Hidden => ("hidden", "hidden"),
        Outcome::Holds => ("holds", "holds"),
    }
}

/// The shape as a small drawing; words stand beside it, so readers aloud skip it.
pub(crate) fn sign(name: &str) -> String {
    format!(
        "<svg class=\"sign {name}\" aria-hidden=\"true\" focusable=\"false\"><use href=\"#sign-{name}\"/></svg>"
    )
}

/// Hours in the unit a person would say.
pub(crate) fn hours(h: f64) -> String {
    if !h.is_finite() {
        return "?".to_owned();
    }
    let minutes = (h * 60.0).abs();
    if minutes < 0.995 {
        format!("{:.0} s", h * 3600.0)
    } else if minutes < 119.5 {
        format!("{:.0} min", h * 60.0)
    } else {
        format!("{h:.1} h")
    }
}

/// A margin with its sign and as many digits as it deserves.
pub(crate) fn margin(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return if value > 0.0 { "wide".to_owned() } else { "?".to_owned() };
    }
    if unit == "h" {
        // A margin of seconds written in hours would look like nothing.
        let sign = if value < 0.0 { "\u{2212}" } else { "+" };
        return format!("{sign}{}", hours(value.abs()));
    }
    let digits = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        _ => 2,
    };
    let text = format!("{value:+.digits$}");
    let text = text.replace('-', "\u{2212}");
    if unit.is_empty() { text } else { format!("{text} {}", escape(unit)) }
}

/// Worst first: outcome, then hours left.
fn sorted(matrix: &Matrix) -> Vec<&Row> {
    let mut rows: Vec<&Row> = matrix.rows.iter().collect();
    let key = |r: &Row| (r.outcome(), r.first_broken().map_or(f64::INFINITY, |b| b.1));
    rows.sort_by(|a, b| {
        let ((oa, ha), (ob, hb)) = (key(a), key(b));
        oa.cmp(&ob)
            .then(ha.total_cmp(&hb))
            .then_with(|| a.part.cmp(&b.part))
            .then_with(|| a.mode.cmp(&b.mode))
    });
    rows
}

/// Legend of the shapes with the number of rows of each.
fn legend(out: &mut String, matrix: &Matrix) {
    let meaning = [
        (Outcome::Breaks, "a requirement breaks before anybody can be there"),
        (Outcome::HelpInTime, "breaks, but after the alarm a person is there in time"),
        (Outcome::Accepted, "breaks; the file accepts it, with its reason below"),
        (Outcome::Hidden, "breaks nothing and nobody hears of it: a dead protection"),
        (Outcome::Holds, "everything holds to the end of the run"),
    ];
    out.push_str("<ul class=\"legend\">");
    for (outcome, words) in meaning {
        let n = matrix.rows.iter().filter(|r| r.outcome() == outcome).count();
        let (name, word) = shape(outcome);
        let _ = write!(out, "<li>{} <b>{n} {word}</b> <span>{words}</span></li>", sign(name));
    }
    out.push_str("</ul>");
}

fn cell(out: &mut String, cell: Option<&Cell>, row: Outcome) {
    let Some((cell, value)) = cell.and_then(|c| c.margin.map(|m| (c, m)).or(c.hours.map(|_| (c, f64::NAN))))
    else {
        out.push_str("<td class=\"blank\"><span aria-hidden=\"true\">–</span><span class=\"unseen\">not judged</span></td>");
        return;
    };
    let broken = cell.is_broken();
    let outcome = if broken { row } else { Outcome::Holds };
    let (name, word) = shape(outcome);
    let _ = write!(out, "<td class=\"c-{name}\">{}<span class=\"word\">{word}</span>", sign(name));
    if !value.is_nan() {
        let _ = write!(out, "<span class=\"margin\">{}</span>", margin(value, &cell.unit));
    }
    if let Some(h) = cell.hours.filter(|_| broken) {
        let _ = write!(out, "<span class=\"hours\">in {}</span>", hours(h));
    }
    out.push_str("</td>");
}

/// Failure modes down, requirements across.
pub(crate) fn grid(matrix: &Matrix) -> String {
    let mut out = String::new();
    if matrix.rows.is_empty() {
        out.push_str("<p>No FMEA was run for this report.</p>");
        return out;
    }
    legend(&mut out, matrix);
    out.push_str(
        "<div class=\"scroll\" role=\"region\" aria-label=\"FMEA matrix\" tabindex=\"0\"><table class=\"matrix\"><caption><span>Each cell: \
         least margin, and the time from the fault to the breach, at the worst instant and corner of the row</span></caption><thead><tr><th scope=\"col\">Failure</th>",
    );
    for r in &matrix.requirements {
        let _ = write!(
            out,
            "<th scope=\"col\" title=\"{}\">{}<span class=\"harm\">{}</span></th>",
            escape(&r.text),
            escape(&r.name),
            escape(&r.harm)
        );
    }
    out.push_str("</tr></thead><tbody>");
    for row in sorted(matrix) {
        let outcome = row.outcome();
        let (name, word) = shape(outcome);
        let _ = write!(
            out,
            "<tr class=\"r-{name}\"><th scope=\"row\">{} <span class=\"part\">{}</span> <span class=\"mode\">{}</span><span class=\"outcome\">{word}</span></th>",
            sign(name),
            escape(&row.part),
            escape(&row.mode)
        );
        for i in 0..matrix.requirements.len() {
            cell(&mut out, row.cells.get(i), outcome);
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

/// All rows with instant, corner, alarm, response and what acted.
pub(crate) fn details(matrix: &Matrix) -> String {
    let mut out = String::new();
    if matrix.rows.is_empty() {
        return out;
    }
    out.push_str(
        "<div class=\"scroll\" role=\"region\" aria-label=\"FMEA rows\" tabindex=\"0\"><table class=\"rows\"><caption><span>Every failure mode at its worst \
         instant and corner, the worst first</span></caption><thead><tr>",
    );
    for head in [
        "Part",
        "Failure mode",
        "Outcome",
        "First broken",
        "Process safety time",
        "Margin",
        "Alarm before harm",
        "Person there in",
        "Severity",
        "Instant",
        "Corner",
        "What acted",
    ] {
        let _ = write!(out, "<th scope=\"col\">{head}</th>");
    }
    out.push_str("</tr></thead><tbody>");
    for row in sorted(matrix) {
        let (name, word) = shape(row.outcome());
        let broken = row.first_broken();
        let requirement = broken
            .and_then(|(i, _)| matrix.requirements.get(i))
            .map_or("none".to_owned(), |r| escape(&r.name));
        // The least told margin where nothing breaks would compare different units, so it is left out.
        let least = broken
            .and_then(|(i, _)| row.cells.get(i))
            .and_then(|c| c.margin.map(|m| margin(m, &c.unit)))
            .unwrap_or_else(|| "–".to_owned());
        let alarm = match (row.alarm_lead_h, broken) {
            (None, _) => "no alarm".to_owned(),
            (Some(_), None) => "alarm".to_owned(),
            (Some(lead), Some(_)) if lead < 0.0 => format!("{} late", hours(-lead)),
            (Some(lead), Some(_)) => hours(lead),
        };
        let acts: Vec<String> =
            row.acts.iter().map(|a| format!("{}: {}", hours(a.hours), escape(&a.text))).collect();
        let mut acted = if acts.is_empty() { "nothing".to_owned() } else { acts.join("; ") };
        if let Some(reason) = &row.accepted {
            let _ = write!(acted, "<br/><b>Accepted:</b> {}", escape(reason));
        }
        let _ = write!(
            out,
            "<tr class=\"r-{name}\"><th scope=\"row\">{}</th><td>{}</td><td class=\"nowrap\">{} {word}</td><td>{requirement}</td><td class=\"num\">{}</td><td class=\"num\">{least}</td><td class=\"num\">{alarm}</td><td class=\"num\">{}</td><td>{}</td><td>{}</td><td>{}</td><td class=\"wide\">{acted}</td></tr>",
            escape(&row.part),
            escape(&row.mode),
            sign(name),
            broken.map_or("–".to_owned(), |(_, h)| hours(h)),
            row.response_h.map_or("–".to_owned(), hours),
            escape(&row.severity),
            escape(&row.instant),
            escape(&row.corner),
        );
    }
    out.push_str("</tbody></table></div>");
    out
}

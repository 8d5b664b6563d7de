//! Summary, findings, de-energised table, assumptions and cautions.

use std::fmt::Write;

use drawing::escape;
use system::{Diagnostic, Level};

use crate::dossier::{EnergisedRow, ListTable, SummaryLine, Verdict};
use crate::matrix::sign;
use crate::page::prose;

/// Conclusions, each with its shape and word.
pub(crate) fn summary(lines: &[SummaryLine]) -> String {
    let mut out = String::from("<ul class=\"summary\">");
    for line in lines {
        let (name, word) = match line.verdict {
            Verdict::Breaks => ("breaks", "Breaks"),
            Verdict::HelpInTime => ("help", "Help in time"),
            Verdict::Accepted => ("accepted", "Accepted"),
            Verdict::Hidden => ("hidden", "Hidden"),
            Verdict::Holds => ("holds", "Holds"),
        };
        let _ = write!(
            out,
            "<li class=\"r-{name}\"><span class=\"verdict\">{} {word}</span> <p>{}",
            sign(name),
            prose(&line.text)
        );
        if let Some(mend) = &line.mend {
            let _ = write!(out, " <span class=\"mend\"><b>Mend:</b> {}</span>", prose(mend));
        }
        out.push_str("</p></li>");
    }
    out.push_str("</ul>");
    out
}

/// Findings, errors first.
pub(crate) fn findings(list: &[Diagnostic]) -> String {
    if list.is_empty() {
        return "<p>The audit has no finding.</p>".to_owned();
    }
    let mut sorted: Vec<&Diagnostic> = list.iter().collect();
    sorted.sort_by_key(|d| std::cmp::Reverse(d.level));
    let count = |level: Level| list.iter().filter(|d| d.level == level).count();
    let told = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    let mut out = format!(
        "<p>{}, {}, {}.</p><ol class=\"findings\">",
        told(count(Level::Error), "error"),
        told(count(Level::Warning), "warning"),
        told(count(Level::Note), "note")
    );
    for d in sorted {
        let (name, word) = match d.level {
            Level::Error => ("breaks", "error"),
            Level::Warning => ("help", "warning"),
            Level::Note => ("note", "note"),
        };
        let _ = write!(
            out,
            "<li class=\"r-{name}\"><p>{} <span class=\"verdict\">{word}</span> {}{} <code class=\"id\">{}</code></p>",
            sign(name),
            d.subject.as_ref().map_or(String::new(), |s| format!("<b>{}:</b> ", escape(s))),
            prose(&d.message),
            escape(d.id)
        );
        if !d.notes.is_empty() {
            out.push_str("<ul>");
            for note in &d.notes {
                let _ = write!(out, "<li>{}</li>", prose(note));
            }
            out.push_str("</ul>");
        }
        if let Some(help) = &d.help {
            let _ = write!(out, "<p class=\"mend\"><b>Mend:</b> {}</p>", prose(help));
        }
        out.push_str("</li>");
    }
    out.push_str("</ol>");
    out
}

/// What each part does without power.
pub(crate) fn energised(rows: &[EnergisedRow]) -> String {
    let mut out = String::from(
        "<div class=\"scroll\" role=\"region\" aria-label=\"De-energised table\" tabindex=\"0\"><table><caption><span>State of each part when something is \
         dead, and how its trip ends</span></caption><thead><tr><th scope=\"col\">Part</th><th scope=\"col\">Board dead</th>\
         <th scope=\"col\">Its supply dead</th><th scope=\"col\">Mains back</th><th scope=\"col\">Trip</th></tr></thead><tbody>",
    );
    for row in rows {
        let _ = write!(out, "<tr><th scope=\"row\">{}</th>", escape(&row.part));
        for value in [&row.board_dead, &row.supply_dead, &row.mains_back, &row.trip] {
            let _ = write!(out, "<td>{}</td>", if value.is_empty() { "–".to_owned() } else { escape(value) });
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

/// A list for the bench or the files, folded away on a screen: it is not for the reader of conclusions. Printed it is whole.
pub(crate) fn plain(list: &ListTable) -> String {
    let cells = |row: &[String], tag: &str| -> String {
        row.iter().map(|text| format!("<{tag}>{}</{tag}>", escape(text))).collect()
    };
    let rows: String = list.rows.iter().map(|row| format!("<tr>{}</tr>", cells(row, "td"))).collect();
    let title = escape(&list.title);
    format!(
        "<details><summary>{title}</summary><div class=\"scroll\" role=\"region\" aria-label=\"{title}\" tabindex=\"0\">\
         <table><caption class=\"unseen\">{title}</caption><thead><tr>{}</tr></thead><tbody>{rows}</tbody></table></div></details>",
        cells(&list.heads, "th scope=\"col\"").replace("</th scope=\"col\">", "</th>")
    )
}

/// A plain list.
pub(crate) fn list(items: &[String]) -> String {
    let items: String = items.iter().map(|i| format!("<li>{}</li>", prose(i))).collect();
    format!("<ul>{items}</ul>")
}

/// What every builder has to mind; common practice, no single source.
pub(crate) const CAUTIONS: [(&str, &str); 6] = [
    (
        "Mains beside salt water",
        "Every mains circuit at the tank sits behind an RCD (GFCI) of 30 mA or less that is tested monthly, and behind a fuse or \
         breaker that suits its wire. Mains parts are enclosed, fused, strain-relieved and above any water line of this report, the \
         worst case included. Each lead hangs in a drip loop. A ground probe only behind an RCD. Relays and contactors carry the \
         rating of their load. Unplug before hands go into the water. Fixed wiring is for a licensed electrician, by the local code.",
    ),
    (
        "Limewater",
        "Saturated limewater is caustic (pH near 12.5): goggles and gloves, out of reach of children and pets, never slurry into the \
         tank, never all at once.",
    ),
    (
        "Carbon dioxide",
        "A leaking bottle or regulator suffocates people in a closed room or cabinet before it is noticed: store upright and \
         chained, ventilate, and fit a CO2 alarm where a bottle stands.",
    ),
    (
        "Fire",
        "Heaters out of water, overloaded strips, salt creep on plugs and charging batteries start fires: bare-element protection, \
         rated sockets off the floor, salt wiped off, batteries with their management system and fuse at the terminal, a smoke alarm \
         in the room.",
    ),
    (
        "Water on the floor",
        "Litres told here reach the floor of a real home: know where they run to, what lies below, and who has to be told.",
    ),
    (
        "A model's result",
        "This is what a model of the described system does, not a promise about the real one. Proof-test floats, probes, relays and \
         trips on the real tank before animals depend on them, and again on their dates.",
    ),
];

/// The cautions as a definition list.
pub(crate) fn cautions() -> String {
    let items: String = CAUTIONS
        .iter()
        .map(|(head, text)| format!("<dt>{} {head}</dt><dd>{text}</dd>", sign("caution")))
        .collect();
    format!("<dl class=\"cautions\">{items}</dl>")
}

//! The FMEA for people: first what would happen, in sentences sorted by harm; then what is accepted and what is hidden; then the table.

use system::System;
use system::model::Harm;
use trial::{Fmea, Row};

use crate::console::{Console, Tone};
use crate::fmea::{Verdict, alike, harm_of, mends, rows_of, sentences, time_of};
use crate::table::{Column, Table};
use crate::words::{self, HARMS, count, span};
use crate::wrap;

/// Columns before a sentence: the time to harm stands in them.
const TIME: usize = 8;

/// Head line, numbers of each verdict, and the sentences.
pub fn summary(system: &System, fmea: &Fmea, console: &Console) -> String {
    let mut out = head(system, fmea, console);
    out += &without_fault(system, fmea, console);
    let open: Vec<&Row> = fmea.rows.iter().filter(|row| row.is_open()).collect();
    for harm in HARMS {
        let rows: Vec<&Row> = open.iter().filter(|row| harm_of(system, row) == Some(harm)).copied().collect();
        if !rows.is_empty() {
            out += &group(system, fmea, harm, &rows, console);
        }
    }
    out += &accepted(system, fmea, console);
    out += &hidden(fmea, console);
    out
}

fn head(system: &System, fmea: &Fmea, console: &Console) -> String {
    let mut instants: Vec<&str> = fmea.places.iter().map(|p| p.instant.name()).collect();
    instants.sort_unstable();
    instants.dedup();
    let corners = match fmea.places.iter().filter_map(|p| p.corner).max() {
        Some(last) => format!("nominal conditions and {}", count(last + 1, "corner")),
        None => "nominal conditions".to_owned(),
    };
    let runs = format!(
        "{}, each run for {} from {} under {corners}; a person needs {} to come.",
        count(fmea.rows.len(), "single fault"),
        span(fmea.window_s),
        count(instants.len(), "instant"),
        span(fmea.response_s)
    );
    let mut out = format!("{}\n", console.paint(Tone::Strong, &format!("{}: FMEA", system.name)));
    out += &wrap::hanging(&runs, console.width, 0);
    out += "\n";
    let lines = [
        (Verdict::Breaks, Tone::Bad, "break a requirement before anybody can be there"),
        (Verdict::HelpInTime, Tone::Caution, "break a requirement, but an alarm brings somebody in time"),
        (Verdict::Accepted, Tone::Strong, "break a requirement, accepted with a reason"),
        (
            Verdict::Hidden,
            Tone::Caution,
            "break nothing and nobody hears of them: hidden until a second fault",
        ),
        (Verdict::Holds, Tone::Good, "break nothing, and somebody hears of them"),
    ];
    for (verdict, tone, text) in lines {
        let n = rows_of(fmea, verdict).len();
        let number = format!("{n:>5}");
        let number = if n > 0 { console.paint(tone, &number) } else { number };
        out += &format!("{number}  {text}\n");
    }
    out
}

fn without_fault(system: &System, fmea: &Fmea, console: &Console) -> String {
    if fmea.without_fault.is_empty() {
        return String::new();
    }
    let mut out = format!("\n{}\n", console.paint(Tone::Bad, "What breaks with every part working"));
    for row in &fmea.without_fault {
        let time = row.process_safety_time_s.map_or_else(String::new, span);
        let broken = row.broken.map_or("", |r| system.requirements[r].name.as_str());
        let text = format!("{}: breaks `{broken}`. {}", row.part, sentences::telling(system, row));
        out += &wrap::after(&format!("{time:>TIME$}  "), text.trim_end(), console.width);
    }
    out
}

/// Rows of one harm, the soonest first: those that nobody can help, then those in which an alarm brings somebody.
fn group(system: &System, fmea: &Fmea, harm: Harm, rows: &[&Row], console: &Console) -> String {
    let title = format!("What would {} ({})", words::harm_does(harm), rows.len());
    let mut out = format!("\n{}\n", console.paint(Tone::Bad, &title));
    let mut rows = rows.to_vec();
    rows.sort_by(|a, b| {
        (time_of(system, a).total_cmp(&time_of(system, b)))
            .then_with(|| (&a.part, &a.mode).cmp(&(&b.part, &b.mode)))
    });
    let (helped, broken): (Vec<&Row>, Vec<&Row>) =
        rows.iter().partition(|row| Verdict::of(row) == Verdict::HelpInTime);
    for alike in alike::groups(system, &broken) {
        let text = alike::told(system, fmea, &alike);
        out += &wrap::after(&time_column(system, alike[0]), &text, console.width);
    }
    if !helped.is_empty() {
        out += &format!(
            "{:>TIME$}  {}\n",
            "",
            console.paint(Tone::Caution, "with an alarm that brings somebody in time:")
        );
        for alike in alike::groups(system, &helped) {
            out +=
                &wrap::after(&time_column(system, alike[0]), &alike::shortly(system, &alike), console.width);
        }
    }
    let mut mends: Vec<&'static str> = vec![];
    for mend in broken.iter().chain(&helped).filter_map(|row| mends::mend(system, row)) {
        if !mends.contains(&mend) {
            mends.push(mend);
        }
    }
    for mend in mends {
        let text = wrap::after(&format!("{:>TIME$}  ", "mend"), &words::sentence(mend), console.width);
        out += &text.replacen("mend", &console.paint(Tone::Good, "mend"), 1);
    }
    out
}

fn time_column(system: &System, row: &Row) -> String {
    format!("{:>TIME$}  ", span(time_of(system, row)))
}

fn accepted(system: &System, fmea: &Fmea, console: &Console) -> String {
    let rows = rows_of(fmea, Verdict::Accepted);
    if rows.is_empty() {
        return String::new();
    }
    let mut out = format!(
        "\n{}\n",
        console.paint(Tone::Strong, &format!("Accepted, each with a reason ({})", rows.len()))
    );
    for row in rows {
        let time = row.process_safety_time_s.map_or_else(String::new, span);
        let broken = row.broken.map_or("", |r| system.requirements[r].name.as_str());
        let reason = row.accepted.map_or_else(String::new, |a| words::sentence(&system.accepted[a].reason));
        let text = format!("{}. Breaks `{broken}`. {reason}", sentences::fault(row));
        out += &wrap::after(&format!("{time:>TIME$}  "), &text, console.width);
    }
    out
}

fn hidden(fmea: &Fmea, console: &Console) -> String {
    let rows = rows_of(fmea, Verdict::Hidden);
    if rows.is_empty() {
        return String::new();
    }
    let title = format!("Hidden: nobody would know until a second fault ({})", rows.len());
    let list = sentences::faults(&rows);
    let mut out = format!("\n{}\n", console.paint(Tone::Caution, &title));
    out += &wrap::hanging(&format!("{list}."), console.width, 2);
    out += &wrap::hanging(
        "A proof test at intervals finds them; --pairs shows what each would let through.",
        console.width,
        2,
    );
    out
}

/// All rows, worst first.
pub fn table(system: &System, fmea: &Fmea, rows: &[Row], console: &Console) -> String {
    let table = Table {
        columns: vec![
            Column::text("Verdict", 0, 12),
            Column::text("Fault", 0, 24),
            Column::text("Breaks", 0, 8),
            Column::number("After", 0),
            Column::number("Margin", 1),
            Column::number("Alarm lead", 2),
            Column::text("Severity", 3, 12),
            Column::text("Worst at", 4, 9),
        ],
        rows: rows
            .iter()
            .map(|row| {
                let unit = row.margin_of.map(|r| system.requirements[r].margin_unit);
                let lead = match row.alarm_lead_s {
                    Some(lead) if lead < 0.0 => format!("-{}", span(-lead)),
                    Some(lead) => span(lead),
                    None if row.broken.is_some() => "none".to_owned(),
                    None => String::new(),
                };
                vec![
                    Verdict::of(row).word().to_owned(),
                    format!("{}:{}", row.part, row.mode),
                    row.broken.map_or_else(String::new, |r| system.requirements[r].name.clone()),
                    row.process_safety_time_s.map_or_else(String::new, span),
                    unit.map_or_else(String::new, |unit| words::margin_text(row.margin, unit, console.units)),
                    lead,
                    row.severity.map_or("", words::severity).to_owned(),
                    sentences::place(fmea, row).trim_start_matches("at ").to_owned(),
                ]
            })
            .collect(),
    };
    table.render(console.width, 0)
}

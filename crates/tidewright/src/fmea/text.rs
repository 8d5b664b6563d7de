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
    out += &soonest(system, &open, console);
    for harm in HARMS {
        out += &group(system, fmea, harm, &open, console);
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
        let text = format!("{}: breaks `{broken}`. {}", row.part, sentences::telling(system, &[row]));
        out += &wrap::after(&format!("{time:>TIME$}  "), text.trim_end(), console.width);
    }
    out
}

/// A line for each harm: how soon it comes, from how many faults, from which first.
fn soonest(system: &System, open: &[&Row], console: &Console) -> String {
    let mut out = String::new();
    for harm in HARMS {
        let mut times: Vec<(f64, &Row)> = (open.iter())
            .filter_map(|row| {
                let told = (harm_of(system, row) == Some(harm)).then(|| time_of(system, row));
                told.or_else(|| alike::beside(system, row, harm).map(|(time, _)| time))
                    .map(|time| (time, *row))
            })
            .collect();
        times.sort_by(|a, b| a.0.total_cmp(&b.0));
        let Some((time, first)) = times.first() else { continue };
        let text = format!(
            "{:<30}{:<12}first {}",
            words::harm_does(harm),
            count(times.len(), "fault"),
            sentences::fault(first)
        );
        out += &wrap::shortened(&format!("{:>TIME$}  {text}", span(*time)), console.width);
        out.push('\n');
    }
    if out.is_empty() {
        return out;
    }
    format!("\n{}\n{out}", console.paint(Tone::Strong, "How soon, at the soonest"))
}

/// Faults that do one harm: those told for it, by the change that mends them, the soonest first; then those told for another.
fn group(system: &System, fmea: &Fmea, harm: Harm, open: &[&Row], console: &Console) -> String {
    let mut rows: Vec<&Row> = open.iter().filter(|row| harm_of(system, row) == Some(harm)).copied().collect();
    rows.sort_by(|a, b| {
        (time_of(system, a).total_cmp(&time_of(system, b)))
            .then_with(|| (&a.part, &a.mode).cmp(&(&b.part, &b.mode)))
    });
    let (others, more_mends) = alike::told_elsewhere(system, harm, open);
    if rows.is_empty() && others.is_empty() {
        return String::new();
    }
    let title = format!("What would {}", words::harm_does(harm));
    let mut out = format!("\n{}\n", console.paint(Tone::Bad, &title));
    let mut mends: Vec<Option<&'static str>> = vec![];
    for row in &rows {
        let mend = mends::mend(system, row);
        if !mends.contains(&mend) {
            mends.push(mend);
        }
    }
    for mend in &mends {
        let of: Vec<&Row> = rows.iter().filter(|row| mends::mend(system, row) == *mend).copied().collect();
        for alike in alike::groups(system, &of) {
            let text = alike::told(system, fmea, &alike);
            out += &wrap::after(&time_column(system, alike[0]), &text, console.width);
        }
        out += &mend.map_or_else(String::new, |mend| mend_line(mend, console));
    }
    if !others.is_empty() {
        let what = if rows.is_empty() { "told under another harm" } else { "and, told under another harm" };
        out += &wrap::after(&format!("{:TIME$}  ", ""), &format!("{what}: {others}."), console.width);
        for mend in more_mends.into_iter().filter(|mend| !mends.contains(&Some(mend))) {
            out += &mend_line(mend, console);
        }
    }
    out
}

fn mend_line(mend: &str, console: &Console) -> String {
    let text = wrap::after(&format!("{:>TIME$}  ", "mend"), &words::sentence(mend), console.width);
    text.replacen("mend", &console.paint(Tone::Good, "mend"), 1)
}

fn time_column(system: &System, row: &Row) -> String {
    format!("{:>TIME$}  ", span(time_of(system, row)))
}

/// Accepted rows by the reason that covers them; a reason is said once.
fn accepted(system: &System, fmea: &Fmea, console: &Console) -> String {
    let rows = rows_of(fmea, Verdict::Accepted);
    if rows.is_empty() {
        return String::new();
    }
    let title = format!("Accepted, each with a reason ({})", rows.len());
    let mut out = format!("\n{}\n", console.paint(Tone::Strong, &title));
    for (reason, rows) in alike::by_reason(&rows) {
        let soonest = rows.iter().filter_map(|row| row.process_safety_time_s).fold(f64::INFINITY, f64::min);
        let accepted = &system.accepted[reason];
        let text = format!(
            "{}. Breaks {}. {} Relied on: {} Review {}.",
            sentences::faults(&rows),
            alike::broken_first(system, &rows),
            words::sentence(&words::capital(&accepted.reason)),
            words::sentence(&accepted.procedure),
            accepted.review
        );
        out += &wrap::after(&format!("{:>TIME$}  ", span(soonest)), &text, console.width);
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
pub fn table(system: &System, rows: &[Row], console: &Console) -> String {
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
                    sentences::place(system, row).trim_start_matches("at ").to_owned(),
                ]
            })
            .collect(),
    };
    table.render(console.width, 0)
}

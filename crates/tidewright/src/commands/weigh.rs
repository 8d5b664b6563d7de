//! A change compared with what a board runs before it is sent, as the station does it: rows of the FMEA that get worse, and why each may.

use std::collections::BTreeMap;
use std::io::{BufRead as _, IsTerminal as _};

use serde_json::{Value, json};

use crate::arguments::{ProgressChoice, RevisionsOptions};
use crate::asked::Station;
use crate::console::{Console, Tone};
use crate::ending::Failure;
use crate::progress::Progress;
use crate::wrap;

/// Reasons by row.
pub type Reasons = BTreeMap<String, String>;

/// The reasons of `--because ROW=TEXT`.
pub fn given(options: &RevisionsOptions) -> Result<Reasons, Failure> {
    let one = |text: &String| {
        let (row, why) = text.split_once('=').ok_or_else(|| wrong(text))?;
        let (row, why) = (row.trim(), why.trim());
        if row.is_empty() || why.is_empty() { Err(wrong(text)) } else { Ok((row.to_owned(), why.to_owned())) }
    };
    options.because.iter().map(one).collect()
}

fn wrong(text: &str) -> Failure {
    Failure::new(format!("`{text}` is no reason for a row"))
        .help("write --because 'heater:welded=its own dial holds it', once for each row that gets worse")
}

/// Lets the station compare; what it comes to. Rows that get worse are told as soon as they are known.
pub fn compare(
    station: &Station,
    base: &str,
    what: &Value,
    progress: ProgressChoice,
    console: &Console,
) -> Result<Value, Failure> {
    let bar = |stage: &Value, of: &Value| {
        let label = match (stage.as_str(), of.as_str()) {
            (Some("nominal"), Some("running")) => "what runs, nominal",
            (Some("nominal"), _) => "what is sent, nominal",
            (_, Some("running")) => "what runs",
            _ => "what is sent",
        };
        Progress::new(progress, label)
    };
    let mut shown = bar(&Value::Null, &json!("running"));
    let mut done = Value::Null;
    let mut failed = None;
    station.stream(&format!("{base}/revisions/compare"), what, &mut |event, data| match event {
        "begins" => shown = bar(&data["stage"], &data["of"]),
        "progress" => {
            let number = |key: &str| data[key].as_u64().unwrap_or(0) as usize;
            shown.tell(number("done"), number("total"));
        }
        "row" if data["stage"] == "nominal" && std::io::stderr().is_terminal() => {
            let row = &data["row"];
            let text = |key: &str| row[key].as_str().unwrap_or("").to_owned();
            let line =
                format!("gets worse: {}: {}; before: {}", text("fault"), text("after"), text("before"));
            console.print_error(&format!("\r{}", wrap::hanging(&line, console.width, 0)));
        }
        "done" => done = data,
        "failed" => failed = data["message"].as_str().map(str::to_owned),
        _ => {}
    })?;
    drop(shown);
    match (failed, done) {
        (Some(why), _) => Err(Failure::new(format!("it could not be compared: {why}")).help(WAY_OUT)),
        (None, Value::Null) => {
            Err(Failure::new("the station stopped before it had compared").help("ask again"))
        }
        (None, done) => Ok(done),
    }
}

/// What an emergency does without.
pub const WAY_OUT: &str =
    "nothing was sent; in an emergency --compare-later sends at once and lets the station compare afterwards";

/// Rows of an outcome that get worse.
fn worse(outcome: &Value) -> impl Iterator<Item = &Value> {
    outcome["worse"].as_array().into_iter().flatten()
}

fn text(row: &Value, key: &str) -> String {
    row[key].as_str().unwrap_or("").to_owned()
}

/// What the comparison came to, in words.
pub fn told(outcome: &Value, console: &Console) -> String {
    let against = match outcome["against"].as_i64() {
        Some(revision) => format!("revision {revision}"),
        None => "what the board runs".to_owned(),
    };
    if let Some(why) = outcome["detail"].as_str() {
        return wrap::hanging(
            &format!("No rows to compare with those of {against}. {why}"),
            console.width,
            0,
        );
    }
    let (n_worse, n_better) = (worse(outcome).count(), outcome["n_better"].as_u64().unwrap_or(0));
    let rows = |n: u64| format!("{n} row{}", if n == 1 { "" } else { "s" });
    let head = format!(
        "Beside {against}: {} of the FMEA {} worse, {n_better} better.",
        rows(n_worse as u64),
        if n_worse == 1 { "gets" } else { "get" }
    );
    let tone = if n_worse == 0 { Tone::Good } else { Tone::Bad };
    let mut out = format!("{}\n", console.paint(tone, &head));
    for row in worse(outcome) {
        let line = format!("{}: {}; before: {}", text(row, "fault"), text(row, "after"), text(row, "before"));
        out += &wrap::after("- ", &line, console.width);
        for cell in row["beside"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            out += &wrap::hanging(&format!("worse too: {cell}"), console.width, 4);
        }
        out += &wrap::hanging(&text(row, "description"), console.width, 4);
        if let Some(why) = row["reason"]["text"].as_str() {
            out += &wrap::hanging(
                &format!("because: {why} ({})", text(&row["reason"], "who")),
                console.width,
                4,
            );
        } else if let Some(why) = row["accepted"].as_str() {
            out += &wrap::hanging(&format!("the file accepts it: {why}"), console.width, 4);
        }
    }
    out
}

/// Rows that still want a reason.
pub fn unanswered(outcome: &Value, given: &Reasons) -> Vec<String> {
    worse(outcome)
        .filter(|row| row["wants_reason"] == true && row["reason"].is_null())
        .map(|row| text(row, "fault"))
        .filter(|fault| !given.contains_key(fault))
        .collect()
}

/// Asks for what is missing, where somebody sits there.
pub fn ask(missing: &[String], given: &mut Reasons, console: &Console) {
    if !std::io::stdin().is_terminal() {
        return;
    }
    for fault in missing {
        console.print_error(&format!("Why may {fault} get worse? "));
        let mut line = String::new();
        if std::io::stdin().lock().read_line(&mut line).unwrap_or(0) == 0 {
            return;
        }
        if !line.trim().is_empty() {
            given.insert(fault.clone(), line.trim().to_owned());
        }
    }
}

/// How the reasons are given.
pub fn wanted(missing: &[String], console: &Console) -> String {
    let mut out = "\n".to_owned();
    let head = "Nothing was sent. Say of each row that gets worse why it may, then send again with:";
    out += &wrap::hanging(head, console.width, 0);
    for fault in missing {
        out += &format!("  --because '{fault}=...'\n");
    }
    out
}

/// Lines of the list on what a revision does to rows; none where there is nothing to say.
pub fn beside(revision: &Value, console: &Console) -> String {
    let rows = &revision["rows"];
    let mut out = String::new();
    let how = match (rows["sent"].as_str(), rows["compared_ms"].is_number()) {
        (Some("first"), true) => "sent before it was compared; ",
        (Some("first"), false) => "sent before it was compared, and not compared yet",
        (Some("back"), true) => "sent as a way back; ",
        (Some("back"), false) => "sent as a way back, and not compared yet",
        _ => "",
    };
    let n = worse(rows).count();
    if how.is_empty() && n == 0 {
        return out;
    }
    let found = match (rows["compared_ms"].is_number(), n) {
        (false, _) => String::new(),
        (true, 0) => "no row gets worse".to_owned(),
        (true, n) => format!("{n} row{} worse", if n == 1 { " gets" } else { "s get" }),
    };
    out += &wrap::hanging(&format!("Revision {}: {how}{found}", revision["id"]), console.width, 2);
    for row in worse(rows) {
        let why = match (row["reason"]["text"].as_str(), row["accepted"].as_str()) {
            (Some(why), _) => format!("because: {why} ({})", text(&row["reason"], "who")),
            (None, Some(why)) if row["wants_reason"] != true => format!("the file accepts it: {why}"),
            _ => format!(
                "WITHOUT A REASON: tidewright revisions --explain {} --because '{}=...'",
                revision["id"],
                text(row, "fault")
            ),
        };
        let line =
            format!("{}: {}; before: {}; {why}", text(row, "fault"), text(row, "after"), text(row, "before"));
        out += &wrap::hanging(&line, console.width, 4);
    }
    out
}

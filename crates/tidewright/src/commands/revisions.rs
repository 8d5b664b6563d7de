//! `tidewright revisions`: which programs a board was given, and another one from afar, through the station.

use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::arguments::{RevisionsOptions, StationOptions};
use crate::asked::{Asked, Station, read};
use crate::commands::weigh;
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::table::{Column, Table};
use crate::words::span;
use crate::{calendar, json, wrap};

/// From what was sent until the board runs it and the station has begun anew.
const RUNS_WITHIN: Duration = Duration::from_secs(40);
const LOOK: Duration = Duration::from_millis(300);
/// Longest trial, minutes.
const LONGEST_MIN: f64 = 255.0;

/// The board that is meant: the one that is named, or the only one.
pub fn board(station: &Station, options: &StationOptions) -> Result<String, Failure> {
    if let Some(board) = &options.board {
        return Ok(board.clone());
    }
    let state = station.ask("/api/v1/state", None)?;
    let names: Vec<&str> = (state["boards"].as_array().into_iter().flatten())
        .filter_map(|board| board["name"].as_str())
        .collect();
    match names.as_slice() {
        [one] => Ok((*one).to_owned()),
        [] => Err(Failure::new("the station has no board").help("see [[board]] in docs/station.md")),
        several => Err(Failure::new("the station has several boards")
            .help(format!("name one with --board: {}", several.join(", ")))),
    }
}

/// Runs the command.
pub fn run(options: &RevisionsOptions, console: &mut Console) -> Result<Ending, Failure> {
    let minutes = (options.time / 60.0).round();
    if !(1.0..=LONGEST_MIN).contains(&minutes) {
        return Err(Failure::new("a trial takes 1 min to 4 h 15 min").help("give such a time with --time"));
    }
    let minutes = minutes as u8;
    let station = Station::new(&options.station)?;
    let name = board(&station, &options.station)?;
    let base = format!("/api/v1/boards/{name}");
    let list = |station: &Station| station.try_ask(&format!("{base}/revisions"), None);
    if let Some(number) = options.print {
        console.print(&station.text(&format!("{base}/revisions/{number}/file"))?);
        return Ok(Ending::Clean);
    }
    if let Some(what) = &options.compare {
        let outcome = weigh::compare(&station, &base, &named(what)?, options.progress, console)?;
        return Ok(compared(&name, &outcome, console));
    }
    let given = weigh::given(options)?;
    if let Some(number) = options.explain {
        let path = format!("{base}/revisions/{number}/reasons");
        let outcome = station.ask(&path, Some(&json!({ "reasons": given })))?;
        return Ok(compared(&name, &outcome, console));
    }
    let why = options.why.as_deref().unwrap_or("");
    let is_act = options.deploy.is_some() || options.pump.is_some() || options.confirm || options.revert;
    if !is_act {
        let revisions = station.ask(&format!("{base}/revisions"), None)?;
        show(&name, &revisions, console);
        return Ok(Ending::Clean);
    }
    if why.trim().is_empty() {
        return Err(Failure::new("a change of the program needs a reason").help(
            "give it with --why, in a few words: it stands beside the revision for whoever looks in a year",
        ));
    }
    let before = station.ask(&format!("{base}/revisions"), None)?;
    let sending = match (&options.deploy, &options.pump) {
        (Some(what), _) => Some(Sending::of(&base, what, &before)?),
        (None, Some(pump)) => Some(Sending::of_pump(&station, &base, pump, options, console)?),
        (None, None) => None,
    };
    let order = match sending {
        Some(sending) => {
            let how = json!({ "why": why, "minutes": minutes });
            let Some(sent) = sending.go(&station, &base, how, given, options, console)? else {
                return Ok(Ending::Findings);
            };
            if sent["order"]["status"] == "done" {
                let revision = sent["revision"].as_i64();
                let runs = |list: &Value| list["running"]["revision"].as_i64() == revision;
                let list = wait(&station, list, runs)?;
                return tell(&name, "trial", &sent["order"], &list, runs(&list), console);
            }
            sent["order"].clone()
        }
        None => {
            let act = if options.confirm { "confirm" } else { "revert" };
            station.ask(&format!("{base}/trial/{act}"), Some(&json!({ "why": why })))?
        }
    };
    if order["status"] != "done" {
        let detail = order["detail"].as_str().unwrap_or("");
        let what = if order["status"] == "refused" { "the board refused it" } else { "it was not done" };
        return Err(Failure::new(format!("{what}: {detail}")).help("`tidewright revisions` shows what runs"));
    }
    let is_so = |list: &Value| {
        let running = &list["running"];
        if options.confirm {
            running["kind"] != "trial" && running["revision"].is_number()
        } else {
            running["kind"] != "trial"
                && running["revision"].is_number()
                && running["revision"] != before["running"]["revision"]
        }
    };
    let list = wait(&station, list, is_so)?;
    tell(&name, if options.confirm { "confirm" } else { "revert" }, &order, &list, is_so(&list), console)
}

/// A system file's text, or the number of a revision, as the station takes it.
fn named(what: &str) -> Result<Value, Failure> {
    match what.parse::<i64>() {
        Ok(number) => Ok(json!({ "revision": number })),
        Err(_) => {
            let text = read(Path::new(what), "a system file, or the number of a revision")?;
            Ok(json!({ "text": text }))
        }
    }
}

/// Tells what a comparison came to.
fn compared(name: &str, outcome: &Value, console: &mut Console) -> Ending {
    if console.is_json() {
        console.print_json(&json::answer(
            "revisions",
            json!({ "board": name, "act": "compare", "rows": outcome }),
        ));
    } else {
        let text = weigh::told(outcome, console);
        console.print(&text);
    }
    Ending::of(outcome["worse"].as_array().is_some_and(|worse| !worse.is_empty()))
}

/// What is to be sent: what the station compares first, and where it goes with which body.
struct Sending {
    named: Value,
    was_kept: bool,
    path: String,
    body: Value,
    /// The flow of a pump goes with its catches.
    is_pump: bool,
}

impl Sending {
    /// A system file, or a revision.
    fn of(base: &str, what: &str, list: &Value) -> Result<Sending, Failure> {
        let named = named(what)?;
        let number = named["revision"].as_i64();
        let mut all = list["revisions"].as_array().into_iter().flatten();
        let was_kept =
            number.is_some() && all.any(|one| one["id"].as_i64() == number && one["was_kept"] == true);
        let (path, body) = match number {
            Some(number) => (format!("{base}/revisions/{number}/deploy"), json!({})),
            None => (format!("{base}/revisions"), json!({ "text": named["text"] })),
        };
        Ok(Sending { named, was_kept, path, body, is_pump: false })
    }

    /// The file that the board runs with the measured flow of a pump.
    fn of_pump(
        station: &Station,
        base: &str,
        pump: &str,
        options: &RevisionsOptions,
        console: &mut Console,
    ) -> Result<Sending, Failure> {
        let catches = options.catches.iter().map(|text| {
            let one = super::care::catch(text)?;
            Ok(json!({ "seconds": one.seconds, "millilitres": one.millilitres }))
        });
        let catches = catches.collect::<Result<Vec<Value>, Failure>>()?;
        let path = format!("{base}/pumps/{pump}/calibrate");
        let body = json!({ "catches": catches, "step_ml": options.step });
        let found = station.ask(&path, Some(&body))?;
        let number = |key: &str| found[key].as_f64().unwrap_or(f64::NAN);
        let mut told = format!(
            "{pump} gives {:.3} mL/min ± {:.3} (95 %); by the file {:.3}.",
            number("flow_ml_min"),
            number("half95_ml_min"),
            number("before_ml_min")
        );
        for line in ["remarks", "changes"].iter().flat_map(|key| found[*key].as_array().into_iter().flatten())
        {
            told.push_str(&format!(" {}.", line.as_str().unwrap_or("")));
        }
        if found["is_accepted"] != true {
            return Err(Failure::new(told).help("nothing was sent; catch again, or look at the pump"));
        }
        if !console.is_json() {
            console.print(&wrap::hanging(&told, console.width, 0));
        }
        Ok(Sending { named: json!({ "text": found["text"] }), was_kept: false, path, body, is_pump: true })
    }

    /// Compares unless that is to come later, asks for reasons, and sends; nothing where a row has none.
    fn go(
        self,
        station: &Station,
        base: &str,
        mut how: Value,
        mut given: weigh::Reasons,
        options: &RevisionsOptions,
        console: &mut Console,
    ) -> Result<Option<Value>, Failure> {
        if options.compare_later {
            how["compare"] = "later".into();
        } else if !self.was_kept {
            let outcome = weigh::compare(station, base, &self.named, options.progress, console)?;
            if !console.is_json() {
                let text = weigh::told(&outcome, console);
                console.print(&text);
                weigh::ask(&weigh::unanswered(&outcome, &given), &mut given, console);
            }
            let missing = weigh::unanswered(&outcome, &given);
            if !missing.is_empty() {
                if console.is_json() {
                    let fields = json!({ "act": "reasons-wanted", "rows": outcome, "missing": missing });
                    console.print_json(&json::answer("revisions", fields));
                } else {
                    console.print(&weigh::wanted(&missing, console));
                }
                return Ok(None);
            }
        }
        how["reasons"] = json!(given);
        let mut body = self.body;
        if self.is_pump {
            body["send"] = how;
            let answer = station.ask(&self.path, Some(&body))?;
            return Ok(Some(answer["sent"].clone()));
        }
        if let (Some(body), Value::Object(how)) = (body.as_object_mut(), how) {
            body.extend(how);
        }
        station.ask(&self.path, Some(&body)).map(Some)
    }
}

/// Asks until it is so, or for long enough; what the station said last. It may be beginning anew meanwhile.
fn wait(
    station: &Station,
    list: impl Fn(&Station) -> Result<Value, Asked>,
    is_so: impl Fn(&Value) -> bool,
) -> Result<Value, Failure> {
    let until = Instant::now() + RUNS_WITHIN;
    let mut last = Value::Null;
    loop {
        match list(station) {
            Ok(now) => last = now,
            Err(Asked::Failed(failure)) => return Err(failure),
            Err(Asked::NotThere(_)) => {}
        }
        if is_so(&last) || Instant::now() >= until {
            return Ok(last);
        }
        std::thread::sleep(LOOK);
    }
}

fn running(list: &Value) -> String {
    let running = &list["running"];
    let kind = match running["kind"].as_str() {
        Some("flashed") => "as it was flashed",
        Some("trial") => "on trial",
        _ => "confirmed",
    };
    match (running["revision"].as_i64(), running["crc"].as_str()) {
        (Some(revision), _) => format!("revision {revision}, {kind}"),
        (None, Some(crc)) => {
            format!(
                "program {crc}, {kind}, which is none of its revisions: it was not deployed through this station"
            )
        }
        _ => "what it runs is not known: it is not reached".to_owned(),
    }
}

fn tell(
    name: &str,
    act: &str,
    order: &Value,
    list: &Value,
    is_so: bool,
    console: &mut Console,
) -> Result<Ending, Failure> {
    if console.is_json() {
        console.print_json(&json::answer(
            "revisions",
            json!({ "board": name, "act": act, "order": order, "running": list["running"], "trial": list["trial"] }),
        ));
    }
    if !is_so {
        return Err(Failure::new(format!(
            "{name}: the board took it, but {} s later it runs {}",
            RUNS_WITHIN.as_secs(),
            running(list)
        ))
        .help("look at the log of the board: why it fell back stands there"));
    }
    if !console.is_json() {
        let text = match act {
            "trial" => format!(
                "{name} runs {} for {}. See that it does what it is for, then `tidewright revisions --confirm --why ...` keeps it; else it goes back \
                 by itself.",
                running(list),
                left(list).unwrap_or_else(|| "its time".to_owned())
            ),
            "confirm" => format!("{name} keeps {}.", running(list)),
            _ => format!("The trial is given up; {name} runs {}.", running(list)),
        };
        console.print(&wrap::hanging(&text, console.width, 0));
    }
    Ok(Ending::Clean)
}

fn now_ms() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    since.map_or(0, |since| since.as_millis() as i64)
}

/// How long the trial lasts still.
fn left(list: &Value) -> Option<String> {
    let left_ms = list["trial"]["ends_ms"].as_i64()? - now_ms();
    (left_ms > 0).then(|| span(left_ms as f64 / 1000.0))
}

fn show(name: &str, list: &Value, console: &mut Console) {
    if console.is_json() {
        let mut fields = json!({ "board": name, "running": list["running"], "trial": list["trial"] });
        fields["revisions"] = list["revisions"].clone();
        console.print_json(&json::answer("revisions", fields));
        return;
    }
    let mut head = format!("{name} runs {}", running(list));
    if let Some(left) = left(list) {
        head.push_str(&format!(", for {left} more unless it is confirmed"));
    }
    console.print(&wrap::hanging(&format!("{head}."), console.width, 0));
    let text = |value: &Value| value.as_str().unwrap_or("").to_owned();
    let rows = (list["revisions"].as_array().into_iter().flatten()).map(|revision| {
        let days = revision["at_ms"].as_i64().unwrap_or(0).div_euclid(86_400_000);
        let mark = if revision["is_running"] == true { "runs" } else { "" };
        vec![
            revision["id"].to_string(),
            mark.to_owned(),
            calendar::iso(days),
            text(&revision["who"]),
            text(&revision["why"]),
            revision["bytes"].to_string(),
            text(&revision["crc"]),
        ]
    });
    let table = Table {
        columns: vec![
            Column::number("No", 0),
            Column::text("", 0, 4),
            Column::text("day", 2, 10),
            Column::text("who", 3, 8),
            Column::text("why", 0, 20),
            Column::number("bytes", 4),
            Column::text("program", 5, 8),
        ],
        rows: rows.collect(),
    };
    console.print("\n");
    console.print(&table.render(console.width, 2));
    let told: Vec<String> = (list["revisions"].as_array().into_iter().flatten())
        .map(|revision| weigh::beside(revision, console))
        .filter(|text| !text.is_empty())
        .collect();
    if !told.is_empty() {
        console.print(&format!("\n{}", told.concat()));
    }
}

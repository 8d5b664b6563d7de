//! `tidewright revisions` from end to end: the command, the station as a process, and the whole C runtime, compiled for this machine,
//! behind a pseudo-terminal.
#![cfg(unix)]

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Stdio};

use serde_json::{Value, json};

use crate::build::SYSTEM;
use crate::harness::{Bench, Run};
use crate::trial::with_board;

const PASSWORD: &str = "barnacle wicket nine staircase";

/// A station as a process of its own, ended with this.
struct Station {
    child: Child,
    url: String,
}

impl Station {
    /// Begins on any free port and makes the first account and a token in `token`.
    fn begin(bench: &Bench, port: &str) -> Station {
        let system = "system = \"system.toml\"";
        bench.file(
            "station.toml",
            format!("[station]\nname = \"Bucket\"\ndata = \"data\"\n\n[[board]]\nname = \"bucket\"\n{system}\nline = \"serial:{port}\"\n"),
        );
        let mut child = bench
            .command(&["serve", "station.toml", "--port", "0"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the station begins");
        let out = BufReader::new(child.stdout.take().expect("its lines"));
        let mut url = String::new();
        for line in out.lines() {
            let line = line.expect("a line");
            if let Some((_, address)) = line.split_once("this machine: ") {
                url = address.to_owned();
            }
            if line.contains("first-owner-code") {
                break;
            }
        }
        let station = Station { child, url };
        let code = bench.read("data/first-owner-code").trim().to_owned();
        let agent = ureq::Agent::config_builder().http_status_as_error(false).build().new_agent();
        let post = |path: &str, cookie: &str, body: Value| {
            let request = agent.post(format!("{}{path}", station.url));
            let request = request.header("Sec-Fetch-Site", "same-origin").header("Cookie", cookie);
            let answer = request.header("Content-Type", "application/json").send(body.to_string());
            let mut answer = answer.expect("an answer");
            assert!(answer.status().is_success(), "{path}: {:?}", answer.body_mut().read_to_string());
            answer
        };
        let body = json!({ "code": code, "name": "Keeper", "password": PASSWORD });
        let first = post("/api/v1/account/first", "", body);
        let cookie = first.headers()["set-cookie"].to_str().expect("text").split(';').next().expect("a part");
        let body = json!({ "name": "command", "scopes": ["read", "program"], "days": 1 });
        let token = post("/api/v1/tokens", cookie, body).body_mut().read_to_string().expect("a body");
        let token: Value = serde_json::from_str(&token).expect("JSON");
        bench.file("token", token["token"].as_str().expect("a token"));
        station
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A station beside a bench, asked with the command.
struct Asked<'a> {
    bench: &'a Bench,
    station: Station,
}

impl Asked<'_> {
    fn run(&self, words: &[&str]) -> Run {
        let to = ["--station", &self.station.url, "--token-file", "token"];
        self.bench.run(&[&["revisions"], words, &to].concat())
    }

    /// Waits until the board runs what is meant; the list then.
    fn until(&self, what: &str, is_so: &dyn Fn(&Value) -> bool) -> Value {
        let begun = std::time::Instant::now();
        loop {
            let run = self.run(&["--format", "json"]);
            if run.code == Some(0) {
                let list = run.json("tidewright.revisions");
                if is_so(&list["running"]) {
                    return list;
                }
            }
            assert!(begun.elapsed().as_secs() < 180, "{what} never came: {} {}", run.out, run.err);
            std::thread::sleep(std::time::Duration::from_millis(200));
        }
    }

    fn refused(&self, words: &[&str], why: &str) {
        let err = unfolded(&self.run(words).ends_with(2).err);
        assert!(err.contains(why), "{err}");
    }
}

fn unfolded(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn is(revision: i64, kind: &'static str) -> impl Fn(&Value) -> bool {
    move |running: &Value| running["revision"] == revision && running["kind"] == kind
}

#[test]
fn a_rule_is_edited_tried_falls_back_is_kept_and_taken_back() {
    let bench = Bench::new("revisions");
    bench.file("system.toml", SYSTEM).file("warmer.toml", SYSTEM.replace("< 25 degC", "< 25.1 degC"));
    bench.file("moved.toml", SYSTEM.replace("PB0", "PB1"));
    with_board(SYSTEM, |port| {
        let asked = Asked { bench: &bench, station: Station::begin(&bench, port) };
        asked.until("the board", &is(1, "flashed"));
        // What cannot be is refused with a reason, and changes nothing.
        asked.refused(&["--deploy", "warmer.toml"], "--why");
        asked.refused(&["--deploy", "moved.toml", "--why", "x"], "wires the board otherwise");
        asked.refused(&["--deploy", "system.toml", "--why", "x"], "the very program");
        asked.refused(&["--deploy", "9", "--why", "x"], "no revision 9");
        asked.refused(&["--confirm", "--why", "x"], "refused");
        asked.refused(&["--deploy", "warmer.toml", "--why", "x", "--because", "x"], "no reason for a row");

        // What has no vessel has no rows: nothing but the note is asked. A minute of the board's time without a confirmation.
        let tried = asked.run(&["--deploy", "warmer.toml", "--why", "warmer", "--time", "1 min"]);
        let told = unfolded(&tried.ends_with(0).out);
        assert!(told.contains("No rows to compare") && told.contains("revision 2, on trial"), "{told}");
        asked.until("the way back", &|running| running["revision"] == 1);

        asked.run(&["--deploy", "2", "--why", "now in earnest", "--time", "4 h"]).ends_with(0);
        let kept = asked.run(&["--confirm", "--why", "the heater switched at 25.1"]);
        assert!(unfolded(&kept.ends_with(0).out).contains("keeps revision 2, confirmed"), "{}", kept.out);
        let text = asked.run(&["--print", "2"]);
        assert_eq!(text.ends_with(0).out, SYSTEM.replace("< 25 degC", "< 25.1 degC"));

        asked.run(&["--deploy", "1", "--why", "the old one was better", "--time", "4 h"]).ends_with(0);
        asked.run(&["--revert", "--why", "no, it was not"]).ends_with(0);
        let list = asked.until("revision 2", &is(2, "confirmed"));
        assert_eq!(list["revisions"].as_array().map(Vec::len), Some(2));
        let shown = asked.run(&[]);
        assert!(shown.ends_with(0).out.contains("runs revision 2, confirmed"), "{}", shown.out);
    });
}

/// Times as fast as life; the simulated chip is slower where the machine is busy.
const CHIP_SPEED: f64 = 8.0;
const FALLEN: &str = "water_temp:fallen-out";

/// The same with rows to answer for, against the real image on the simulated chip: edited, compared, asked for a reason, tried, not confirmed, gone back;
/// tried again, confirmed, rolled back in one command.
#[test]
fn the_whole_loop_against_the_simulated_chip() {
    let text = include_str!("../../../../tests/systems/quarantine.toml");
    if let Err(why) = firmware_bench::served::image_for(text) {
        eprintln!("left out: {why}");
        return;
    }
    let bench = Bench::new("revisions-chip");
    let bolder = text
        .replace("trip = \"second_temp > 27 degC\"\n", "")
        .replace("trip_reset = \"3 per day below 26 degC\"\n", "");
    bench.file("system.toml", text).file("bolder.toml", bolder);
    let looped = firmware_bench::served::behind_pty(text, CHIP_SPEED, |port| {
        let asked = Asked { bench: &bench, station: Station::begin(&bench, port) };
        asked.until("the board", &is(1, "flashed"));
        let compared = asked.run(&["--compare", "bolder.toml"]);
        let told = unfolded(&compared.ends_with(1).out);
        for part in [
            "1 row of the FMEA gets worse, 2 better",
            FALLEN,
            "breaks `hot` after",
            "before: breaks `swing` after",
        ] {
            assert!(told.contains(part), "{part} is not in {told}");
        }
        let bare = asked.run(&["--deploy", "bolder.toml", "--why", "the trip is a nuisance"]);
        assert!(bare.ends_with(1).out.contains(&format!("--because '{FALLEN}=...'")), "{}", bare.out);
        assert_eq!(asked.until("nothing", &is(1, "flashed"))["revisions"].as_array().map(Vec::len), Some(1));

        let because = format!("{FALLEN}=somebody sits beside it until Friday");
        let words = [
            "--deploy",
            "bolder.toml",
            "--why",
            "the trip is a nuisance",
            "--because",
            &because,
            "--time",
            "1 min",
        ];
        let tried = asked.run(&words);
        assert!(unfolded(&tried.ends_with(0).out).contains("revision 2, on trial"), "{}", tried.out);
        let list = asked.until("the way back", &|running| running["revision"] == 1);
        assert_eq!(list["running"]["kind"], "flashed", "{list}");

        // Its reason stands, and is not asked again.
        asked.run(&["--deploy", "2", "--why", "now in earnest", "--time", "4 h"]).ends_with(0);
        let kept = asked.run(&["--confirm", "--why", "it ran a night without a trip"]);
        assert!(unfolded(&kept.ends_with(0).out).contains("keeps revision 2, confirmed"), "{}", kept.out);

        // One command takes it back; nothing is asked.
        asked.run(&["--deploy", "1", "--why", "Friday has come", "--time", "4 h"]).ends_with(0);
        asked.run(&["--confirm", "--why", "as it was"]).ends_with(0);
        asked.until("revision 1", &is(1, "confirmed"));
        let shown = unfolded(&asked.run(&[]).ends_with(0).out);
        for part in [
            "runs revision 1, confirmed",
            "because: somebody sits beside it until Friday",
            "sent as a way back",
        ] {
            assert!(shown.contains(part), "{part} is not in {shown}");
        }
    });
    looped.expect("the chip ran on");
}

#[test]
fn without_a_station_or_a_token_it_says_what_to_do() {
    let bench = Bench::new("revisions-alone");
    bench.file("token", "x");
    let run = bench.run(&["revisions", "--station", "http://127.0.0.1:9", "--token-file", "token"]);
    assert!(run.ends_with(2).err.contains("does not answer"), "{}", run.err);
    let run = bench.run(&["revisions", "--token-file", "none"]);
    assert!(run.ends_with(2).err.contains("cannot read"), "{}", run.err);
}

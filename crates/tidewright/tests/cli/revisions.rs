//! `tidewright revisions` from end to end: the command, the station as a process, and the whole C runtime, compiled for this machine,
//! behind a pseudo-terminal.
#![cfg(unix)]

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Stdio};

use serde_json::{Value, json};

use crate::build::SYSTEM;
use crate::harness::Bench;
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

#[test]
fn a_rule_is_edited_tried_falls_back_is_kept_and_taken_back() {
    let bench = Bench::new("revisions");
    bench.file("system.toml", SYSTEM).file("warmer.toml", SYSTEM.replace("< 25 degC", "< 25.1 degC"));
    bench.file("moved.toml", SYSTEM.replace("PB0", "PB1"));
    with_board(SYSTEM, |port| {
        let station = Station::begin(&bench, port);
        let run = |words: &[&str]| {
            let to = ["--station", &station.url, "--token-file", "token"];
            bench.run(&[&["revisions"], words, &to].concat())
        };
        let until = |what: &str, is_so: &dyn Fn(&Value) -> bool| {
            let begun = std::time::Instant::now();
            loop {
                let run = run(&["--format", "json"]);
                if run.code == Some(0) {
                    let list = run.json("tidewright.revisions");
                    if is_so(&list["running"]) {
                        return list;
                    }
                }
                assert!(begun.elapsed().as_secs() < 90, "{what} never came: {} {}", run.out, run.err);
                std::thread::sleep(std::time::Duration::from_millis(200));
            }
        };
        let is = |revision: i64, kind: &'static str| {
            move |running: &Value| running["revision"] == revision && running["kind"] == kind
        };
        until("the board", &is(1, "flashed"));
        // What cannot be is refused with a reason, and changes nothing.
        let unfolded = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let refused = |words: &[&str], why: &str| {
            let err = unfolded(&run(words).ends_with(2).err);
            assert!(err.contains(why), "{err}");
        };
        refused(&["--deploy", "warmer.toml"], "--why");
        refused(&["--deploy", "moved.toml", "--why", "x"], "wires the board otherwise");
        refused(&["--deploy", "system.toml", "--why", "x"], "the very program");
        refused(&["--deploy", "9", "--why", "x"], "no revision 9");
        refused(&["--confirm", "--why", "x"], "refused");

        // A minute of the board's time without a confirmation.
        let tried = run(&["--deploy", "warmer.toml", "--why", "warmer", "--time", "1 min"]);
        assert!(unfolded(&tried.ends_with(0).out).contains("revision 2, on trial"), "{}", tried.out);
        until("the way back", &|running| running["revision"] == 1);

        run(&["--deploy", "2", "--why", "now in earnest", "--time", "4 h"]).ends_with(0);
        let kept = run(&["--confirm", "--why", "the heater switched at 25.1"]);
        assert!(unfolded(&kept.ends_with(0).out).contains("keeps revision 2, confirmed"), "{}", kept.out);
        let text = run(&["--print", "2"]);
        assert_eq!(text.ends_with(0).out, SYSTEM.replace("< 25 degC", "< 25.1 degC"));

        run(&["--deploy", "1", "--why", "the old one was better", "--time", "4 h"]).ends_with(0);
        run(&["--revert", "--why", "no, it was not"]).ends_with(0);
        let list = until("revision 2", &is(2, "confirmed"));
        assert_eq!(list["revisions"].as_array().map(Vec::len), Some(2));
        let shown = run(&[]);
        assert!(shown.ends_with(0).out.contains("runs revision 2, confirmed"), "{}", shown.out);
    });
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

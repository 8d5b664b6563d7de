//! SIGKILL at random under load.

use std::time::{Duration, Instant};

use crate::client::Client;
use crate::kept::{self, Kept};
use crate::load::Load;
use crate::process::Launch;
use crate::tanks::Tanks;
use crate::{mix, number};

const N_BOARDS: usize = 3;
/// Their speed: some thousand samples a second in all.
const SPEED: f64 = 30.0;
/// From the start of the process to the first answer; in a development build and beside other tests nothing is promised.
const RESTART: Duration = Duration::from_secs(if cfg!(debug_assertions) { 20 } else { 2 });
/// Each so many starts are killed before they answer.
const EARLY: u64 = 8;

#[test]
fn killed_at_random_nothing_acknowledged_is_lost() {
    let n_kills = number("STATION_KILLS", 5.0) as u64;
    let folder = tempfile::tempdir().expect("a folder");
    let tanks = Tanks::start(N_BOARDS, SPEED, folder.path());
    let data = folder.path().join("data");
    let launch = Launch::new(&tanks.file, &data);
    let (mut station, _) = launch.start();
    let client = launch.first_owner();
    let mut before = Kept::default();
    let mut restarts = vec![];
    let (mut n_notes, mut n_orders, mut n_done, mut n_points) = (0, 0, 0, 0);
    let (mut n_samples, mut n_entries) = (0, 0);
    let began = Instant::now();
    for kill in 0..n_kills {
        let load = Load::start(&client, kill, N_BOARDS);
        std::thread::sleep(Duration::from_millis(100 + mix(kill) % 1900));
        station.kill();
        let told = load.end();
        let when = format!("after kill {kill}");
        before = kept::hold(&kept::copy(&data, &folder.path().join("copy")), &told, &before, &when);
        n_notes += told.notes.len();
        n_orders += told.orders.len();
        n_done += told.orders.iter().filter(|(_, _, is_done)| *is_done).count();
        n_points += told.points.iter().map(|(from, to)| to - from).sum::<i64>();
        n_samples += told.samples;
        n_entries += told.entries;
        if kill % EARLY == EARLY - 1 {
            let early = launch.spawn();
            std::thread::sleep(Duration::from_millis(mix(!kill) % 200));
            early.kill();
        }
        let restart;
        (station, restart) = launch.start();
        restarts.push(restart);
        is_still_logged_in(&client, &when);
    }
    // A hole is where a kill took scans that had come and were not durable.
    assert_eq!(before.lost_by_boards, 0, "{before:?}");
    assert!(before.holes as u64 <= n_kills + n_kills / EARLY, "{before:?}");
    let ended_in = station.end();
    let last = kept::of_boards(&kept::copy(&data, &folder.path().join("copy")), "at the end");
    restarts.sort();
    println!(
        "{n_kills} kills in {:.0} s: {n_notes} notes, {n_orders} commands ({n_done} done), {n_points} points of logs, {n_samples} samples and \
         {n_entries} journal entries of {N_BOARDS} boards were acknowledged, and all are there; the file is sound after each. \
         Samples at the end: {}. From start to first answer: median {:.0?}, longest {:.0?}. Ended in order in {ended_in:.0?}.",
        began.elapsed().as_secs_f64(),
        last.samples,
        restarts[restarts.len() / 2],
        restarts[restarts.len() - 1],
    );
    assert!(n_notes > 0 && n_done > 0 && n_points > 0 && n_samples > 0 && n_entries > 0, "it was under load");
    assert!(restarts.iter().all(|restart| *restart <= RESTART), "{restarts:?}");
    assert!(!launch.log().contains("panicked"), "{}", launch.log());
}

fn is_still_logged_in(client: &Client, when: &str) {
    let who = client.patient("GET", "/api/v1/session", &serde_json::Value::Null);
    assert!(who.text().contains("Keeper"), "{when}: {}", who.text());
}

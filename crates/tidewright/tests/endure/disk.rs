//! Disks that are full, and disks that fail, under load.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::client::Client;
use crate::kept::{self, Kept};
use crate::load::{Acknowledged, Load};
use crate::process::Launch;
use crate::tanks::Tanks;
use crate::{mix, number};

const N_BOARDS: usize = 2;
const SPEED: f64 = 20.0;
/// The longest start, as in `killed`.
const RESTART: Duration = Duration::from_secs(if cfg!(debug_assertions) { 20 } else { 2 });

/// A disk of a few megabytes in memory; only root can have one.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn mount(at: &Path, megabytes: u32) -> Option<SmallDisk> {
        fs::create_dir_all(at).expect("a folder");
        let size = format!("size={megabytes}m");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(at).output();
        mounted.is_ok_and(|mounted| mounted.status.success()).then(|| SmallDisk(at.to_owned()))
    }

    /// Fills it to the last byte.
    fn fill(&self) {
        let mut filler = File::options().create(true).append(true).open(self.filler()).expect("a file");
        for piece in [1 << 16, 1 << 12, 1 << 6, 1] {
            while filler.write_all(&vec![0; piece]).is_ok() {}
        }
    }

    fn make_room(&self) {
        fs::remove_file(self.filler()).expect("it is there");
    }

    fn filler(&self) -> PathBuf {
        self.0.join("filler")
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

/// Waits until the health of the station is this.
fn until_health(client: &Client, wanted: u16) {
    let end = Instant::now() + Duration::from_secs(30);
    loop {
        let status = client.get("/health").map(|answer| answer.status);
        if status.as_ref().is_ok_and(|status| *status == wanted) {
            return;
        }
        assert!(Instant::now() < end, "health stays {status:?}, not {wanted}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Adds what another process has acknowledged; its counts begin anew.
fn add(all: &mut Acknowledged, more: Acknowledged) {
    all.notes.extend(more.notes);
    all.orders.extend(more.orders);
    all.points.extend(more.points);
    all.samples += more.samples;
    all.entries += more.entries;
    all.n_refused += more.n_refused;
    assert_eq!(more.dropped, 0, "nothing was dropped");
}

#[test]
fn a_full_disk_refuses_and_loses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let Some(disk) = SmallDisk::mount(&data, 48) else {
        println!("left out: only root can mount a small disk");
        return;
    };
    let tanks = Tanks::start(N_BOARDS, SPEED, folder.path());
    let launch = Launch::new(&tanks.file, &data);
    let (mut station, _) = launch.start();
    let client = launch.first_owner();
    let load = Load::start(&client, 0, N_BOARDS);
    std::thread::sleep(Duration::from_millis(800));
    disk.fill();
    until_health(&client, 503);
    let refused = client.patient("POST", "/api/v1/notes", &json!({ "text": "no room for this" }));
    assert_eq!(refused.status, 503, "{}", refused.text());
    assert!(refused.text().contains("room"), "it says what to do: {}", refused.text());
    // What is there can be read.
    for path in ["/api/v1/state", "/api/v1/commands", "/api/v1/notes", "/api/v1/alarms"] {
        let answer = client.patient("GET", path, &Value::Null);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
    }
    std::thread::sleep(Duration::from_secs(1));
    assert!(station.is_running(), "{}", launch.log());
    disk.make_room();
    until_health(&client, 200);
    std::thread::sleep(Duration::from_millis(500));
    let mut told = load.end();
    assert!(told.n_refused > 0, "the load met the full disk");
    // What came while there was no room was kept in memory: no board has a hole.
    let of_first = kept::of_boards(
        &{
            station.end();
            kept::copy(&data, &folder.path().join("copy"))
        },
        "after the full disk",
    );
    assert_eq!(of_first.holes, 0, "{of_first:?}");

    // Killed while the disk is full, it starts on the full disk.
    (station, _) = launch.start();
    let load = Load::start(&client, 1, N_BOARDS);
    std::thread::sleep(Duration::from_millis(500));
    disk.fill();
    until_health(&client, 503);
    station.kill();
    add(&mut told, load.end());
    disk.fill();
    let restart;
    (station, restart) = launch.start();
    assert!(restart <= RESTART, "{restart:?} on the full disk");
    let answer = client.patient("GET", "/api/v1/state", &Value::Null);
    assert_eq!(answer.status, 200, "on the full disk: {}", answer.text());
    disk.make_room();
    let load = Load::start(&client, 2, N_BOARDS);
    until_health(&client, 200);
    std::thread::sleep(Duration::from_millis(500));
    add(&mut told, load.end());
    station.end();
    let kept =
        kept::hold(&kept::copy(&data, &folder.path().join("copy")), &told, &Kept::default(), "at the end");
    assert!(!launch.log().contains("panicked"), "{}", launch.log());
    println!(
        "full disk: {} requests refused, {} notes and {} commands acknowledged and there, {} samples; start on the full disk {restart:.0?}",
        told.n_refused,
        told.notes.len(),
        told.orders.len(),
        kept.samples
    );
}

#[test]
fn a_disk_that_fails_now_and_then_loses_nothing() {
    let n_failures = number("DISK_FAILURES", 6.0) as u64;
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let tanks = Tanks::start(N_BOARDS, SPEED, folder.path());
    let launch = Launch { outlives_file_limits: true, ..Launch::new(&tanks.file, &data) };
    let (mut station, _) = launch.start();
    let client = launch.first_owner();
    // A write beyond the limit fails with EFBIG (setrlimit(2)), which SQLite takes for a disk that fails.
    let limit = |to: &str| {
        let set = Command::new("prlimit")
            .args(["--pid", &station.id().to_string(), &format!("--fsize={to}")])
            .status();
        set.is_ok_and(|set| set.success())
    };
    if !limit("unlimited") {
        println!("left out: no prlimit here");
        return;
    }
    let load = Load::start(&client, 0, N_BOARDS);
    for failure in 0..n_failures {
        std::thread::sleep(Duration::from_millis(100 + mix(failure) % 400));
        assert!(limit("8192:unlimited"), "the limit is set");
        std::thread::sleep(Duration::from_millis(20 + mix(!failure) % 500));
        assert!(limit("unlimited"), "the limit is lifted");
    }
    until_health(&client, 200);
    std::thread::sleep(Duration::from_millis(500));
    let mut told = load.end();
    assert!(station.is_running(), "{}", launch.log());
    station.end();
    let n_late = told.late.len();
    // The disk came back: outcomes that waited for it are written too.
    told.orders.append(&mut told.late);
    let kept =
        kept::hold(&kept::copy(&data, &folder.path().join("copy")), &told, &Kept::default(), "at the end");
    assert_eq!((kept.holes, told.dropped), (0, 0), "{kept:?}");
    assert!(told.n_refused > 0, "the load met the failing disk");
    assert!(!launch.log().contains("panicked"), "{}", launch.log());
    println!(
        "disk that failed {n_failures} times: {} requests refused, {} notes and {} commands acknowledged and there ({n_late} of them with an outcome \
         that waited for the disk), {} samples; {} entries of journals that full boards say they lost",
        told.n_refused,
        told.notes.len(),
        told.orders.len(),
        kept.samples,
        kept.lost_by_boards
    );
}

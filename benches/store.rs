//! The store on a year of twin data with noise: Harbour Lane's mended design with its program, every signal, drive and alarm as a
//! station records them. Prints points a second ingested and durable, bytes a point, the time of a year's trend and the memory it
//! took; then, on the first days of the same data, SQLite with a row for each sample and VictoriaMetrics (Debian's package
//! `victoria-metrics`, left out where it is not installed).
//!
//! `STORE_DAYS` (365), `STORE_EVERY` (seconds from record to record, 10), `STORE_COMPARE_DAYS` (14), `STORE_FOLDER` (the
//! disk to measure; the system's temporary folder).

use std::collections::VecDeque;
use std::error::Error;
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use control::Slot;
use store::rusqlite::Connection;
use store::{Quality, Sample, SeriesId, SeriesSpec, Store};
use system::model::{ActuatorIdx, AlarmIdx, Scale};
use trial::{Model, Rig, start};

/// 2025-01-01T00:00:00Z, ms.
const BEGIN: i64 = 1_735_689_600_000;
const DAY_MS: i64 = 86_400_000;
/// Samples handed over at once.
const BATCH: usize = 50_000;
/// Hand-overs under way.
const UNDER_WAY: usize = 4;
const WIDTH: u32 = 1200;

type Result<T> = std::result::Result<T, Box<dyn Error>>;

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

enum What {
    Signal(Slot),
    Drive(ActuatorIdx),
    Alarm(AlarmIdx),
}

/// What a station records of a board.
struct Recorder<'m> {
    rig: Rig<'m, 1>,
    columns: Vec<(String, f64, bool, What)>,
    every: u64,
    n_scans: u64,
}

impl<'m> Recorder<'m> {
    fn new(model: &'m Model, days: u64, every: u64) -> Self {
        let system = model.system();
        let mut columns = vec![];
        for (signal, slot) in system.signals.iter().zip(&model.compiled.signals) {
            if let Some(slot) = slot {
                let (_, scale) = trial::rehearse::unit_of(signal.scale);
                columns.push((signal.name.clone(), scale, signal.scale == Scale::Bool, What::Signal(*slot)));
            }
        }
        for (i, actuator) in system.actuators.iter().enumerate() {
            if model.compiled.drives[i].is_some() {
                let name = format!("output.{}", actuator.name);
                columns.push((name, 0.1, false, What::Drive(ActuatorIdx(i))));
            }
        }
        for (i, alarm) in system.alarms.iter().enumerate() {
            columns.push((format!("alarm.{}", alarm.name), 1.0, true, What::Alarm(AlarmIdx(i))));
        }
        let scans_a_day = (86_400.0 / model.plan.scan_s()) as u64;
        Recorder {
            rig: Rig::new(model, start(model, 1), &[None]),
            columns,
            every: (every as f64 / model.plan.scan_s()) as u64,
            n_scans: days * scans_a_day,
        }
    }

    fn specs(&self) -> Vec<SeriesSpec> {
        self.columns
            .iter()
            .map(|(name, scale, is_switch, _)| SeriesSpec {
                source: "lane".into(),
                name: name.clone(),
                unit: String::new(),
                scale: *scale,
                interval: self.every as i64 * 1000,
                is_switch: *is_switch,
            })
            .collect()
    }

    /// Fills with the next records; gives whether there are more.
    fn fill(&mut self, ids: &[SeriesId], samples: &mut Vec<Sample>) -> bool {
        while samples.len() + self.columns.len() <= BATCH {
            let scan = self.rig.twin().scan();
            if scan >= self.n_scans {
                return false;
            }
            if scan % 86_400 < self.every {
                // Volunteers fill the reservoirs daily.
                self.rig.twin_mut().fill_reservoirs(0);
            }
            self.rig.run_to(scan + self.every);
            let time = BEGIN + scan as i64 * 1000;
            for (&series, (_, _, _, what)) in ids.iter().zip(&self.columns) {
                let (value, quality) = match what {
                    What::Signal(Slot::Number(slot)) => {
                        let sample = self.rig.machine().number(*slot, 0);
                        (sample.value, sample.quality as u8)
                    }
                    What::Signal(Slot::Bit(slot)) => {
                        let (value, quality) = self.rig.machine().bit(*slot, 0);
                        (i32::from(value), quality as u8)
                    }
                    What::Drive(idx) => (self.rig.duty(*idx)[0], 0),
                    What::Alarm(idx) => (i32::from(self.rig.alarm(*idx) != 0), 0),
                };
                let quality = Quality::from_code(quality);
                samples.push(Sample { series, time, value: i64::from(value), quality });
            }
        }
        true
    }
}

/// Highest and present resident memory of a process, MB.
fn memory_mb(process: &str) -> (f64, f64) {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let kb = |key: &str| {
        status
            .lines()
            .find_map(|line| line.strip_prefix(key)?.split_whitespace().next()?.parse::<f64>().ok())
            .unwrap_or(f64::NAN)
    };
    (kb("VmHWM:") / 1024.0, kb("VmRSS:") / 1024.0)
}

fn folder_bytes(path: &Path) -> u64 {
    let Ok(entries) = fs::read_dir(path) else { return fs::metadata(path).map_or(0, |m| m.len()) };
    entries.flatten().map(|entry| folder_bytes(&entry.path())).sum()
}

fn line(what: &str, n: u64, seconds: f64, bytes: u64, trend_ms: f64, mb: f64) {
    println!(
        "{what:<34} {:>9.0} points/s  {:>6.3} bytes a point  trend {trend_ms:>8.1} ms  {mb:>6.1} MB resident",
        n as f64 / seconds,
        bytes as f64 / n as f64
    );
}

fn median_ms(mut run: impl FnMut() -> Result<()>) -> Result<f64> {
    let mut times = vec![];
    for _ in 0..7 {
        let began = Instant::now();
        run()?;
        times.push(began.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    Ok(times[3])
}

/// The name of the series that trends are drawn of: the first number with noise.
fn drawn(specs: &[SeriesSpec]) -> usize {
    specs.iter().position(|spec| !spec.is_switch && spec.scale < 0.01).unwrap_or(0)
}

fn of_store(model: &Model, days: u64, every: u64, folder: &Path) -> Result<()> {
    let path = folder.join("store.sqlite");
    let store = Store::open(&path)?;
    let mut recorder = Recorder::new(model, days, every);
    let specs = recorder.specs();
    let ids = specs.iter().map(|spec| store.series(spec)).collect::<store::Result<Vec<_>>>()?;
    let mut spent = Duration::ZERO;
    let mut n = 0;
    let mut more = true;
    while more {
        let mut batches = VecDeque::new();
        while more && batches.len() < 2 * UNDER_WAY {
            let mut samples = Vec::with_capacity(BATCH);
            more = recorder.fill(&ids, &mut samples);
            n += samples.len() as u64;
            batches.push_back(samples);
        }
        // Only what the store does is timed: from handing over to the last answer that all is on the disk.
        let began = Instant::now();
        let mut tickets = VecDeque::new();
        for samples in batches {
            if tickets.len() == UNDER_WAY
                && let Some(ticket) = tickets.pop_front()
            {
                store::Ticket::wait(ticket)?;
            }
            tickets.push_back(store.append_later(samples)?);
        }
        for ticket in tickets {
            ticket.wait()?;
        }
        spent += began.elapsed();
    }
    store.settle()?;
    let series = ids[drawn(&specs)];
    let end = BEGIN + days as i64 * DAY_MS;
    let mut columns = 0;
    let mut trend = |width| {
        median_ms(|| {
            columns = store.trend(series, BEGIN, end, width)?.columns.len();
            Ok(())
        })
    };
    let trend_ms = trend(WIDTH)?;
    let (most, _) = memory_mb("self");
    drop(store);
    let what = format!("store, {} series, {days} days", ids.len());
    line(&what, n, spent.as_secs_f64(), folder_bytes(&path), trend_ms, most);
    println!(
        "  {n} points every {every} s; the trend has {columns} columns of {}",
        specs[drawn(&specs)].name
    );
    let connection = Connection::open(&path)?;
    let parts =
        [("blocks", "blocks"), ("minutes", "rollups where level = 0"), ("hours", "rollups where level = 1")];
    for (what, table) in parts {
        let sql = format!("select coalesce(sum(length(data)), 0.0) from {table}");
        let bytes: f64 = connection.query_row(&sql, [], |row| row.get(0))?;
        println!("  {what}: {:.3} bytes a point", bytes / n as f64);
    }
    // Switches and outputs that seldom change cost next to nothing; what a number alone costs, roll-ups included.
    let mut numbers = vec![];
    for (series, spec) in
        ids.iter().zip(&specs).filter(|(_, spec)| !spec.is_switch && !spec.name.contains("output."))
    {
        let sql = "select (select sum(length(data)) from blocks where series = ?1)
            + (select coalesce(sum(length(data)), 0) from rollups where series = ?1), sum(n) from blocks where series = ?1";
        let (bytes, n): (i64, i64) =
            connection.query_row(sql, [series.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
        numbers.push((bytes as f64 / n as f64, &spec.name));
    }
    numbers.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mean = numbers.iter().map(|n| n.0).sum::<f64>() / numbers.len() as f64;
    println!(
        "  the {} numbers alone: {mean:.3} bytes a point; most: {:.3}, {}",
        numbers.len(),
        numbers[0].0,
        numbers[0].1
    );
    let began = Instant::now();
    drop(Store::open(&path)?);
    println!("  opened again and checked in {:.0} ms", began.elapsed().as_secs_f64() * 1e3);
    Ok(())
}

fn of_rows(model: &Model, days: u64, every: u64, folder: &Path) -> Result<()> {
    let path = folder.join("rows.sqlite");
    let mut connection = Connection::open(&path)?;
    connection.execute_batch(
        "pragma journal_mode = wal; pragma synchronous = full;
         create table samples (series integer, time integer, value integer, quality integer, primary key (series, time))
         without rowid",
    )?;
    let mut recorder = Recorder::new(model, days, every);
    let specs = recorder.specs();
    let ids: Vec<SeriesId> = (1..=specs.len() as u32).map(SeriesId).collect();
    let (mut spent, mut n, mut more) = (Duration::ZERO, 0, true);
    while more {
        let mut samples = Vec::with_capacity(BATCH);
        more = recorder.fill(&ids, &mut samples);
        n += samples.len() as u64;
        let began = Instant::now();
        let transaction = connection.transaction()?;
        {
            let mut insert =
                transaction.prepare_cached("insert or ignore into samples values (?, ?, ?, ?)")?;
            for s in &samples {
                insert.execute((s.series.0, s.time, s.value, s.quality as u8))?;
            }
        }
        transaction.commit()?;
        spent += began.elapsed();
    }
    connection.execute_batch("pragma wal_checkpoint(truncate)")?;
    let series = ids[drawn(&specs)];
    let step = days as i64 * DAY_MS / i64::from(WIDTH);
    let trend_ms = median_ms(|| {
        let mut query = connection.prepare_cached(
            "select (time - ?2) / ?3, min(value), max(value), avg(value) from samples where series = ?1 group by 1",
        )?;
        let mut rows = query.query((series.0, BEGIN, step))?;
        while rows.next()?.is_some() {}
        Ok(())
    })?;
    line(
        "SQLite, a row a sample",
        n,
        spent.as_secs_f64(),
        folder_bytes(&path),
        trend_ms,
        memory_mb("self").1,
    );
    Ok(())
}

/// A request to 127.0.0.1; the answer's body.
fn ask(port: u16, method: &str, path: &str, body: &[u8]) -> Result<String> {
    let mut line = TcpStream::connect(("127.0.0.1", port))?;
    line.set_read_timeout(Some(Duration::from_secs(60)))?;
    write!(
        line,
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
        body.len()
    )?;
    line.write_all(body)?;
    let mut answer = String::new();
    line.read_to_string(&mut answer)?;
    let status = answer.split_whitespace().nth(1).unwrap_or_default();
    if !status.starts_with('2') {
        return Err(format!("{method} {path}: {}", answer.lines().next().unwrap_or_default()).into());
    }
    Ok(answer)
}

/// A server that ends with the value.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn of_victoria(model: &Model, days: u64, every: u64, folder: &Path) -> Result<()> {
    let data = folder.join("victoria");
    let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let server = Command::new("victoria-metrics")
        .arg(format!("-storageDataPath={}", data.display()))
        .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
        .args(["-retentionPeriod=100y", "-loggerLevel=ERROR", "-search.disableCache"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let Ok(server) = server.map(Server) else {
        println!("victoria-metrics is not installed (Debian's package of that name); left out");
        return Ok(());
    };
    let process = server.0.id().to_string();
    for _ in 0..100 {
        if ask(port, "GET", "/health", b"").is_ok() {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    let mut recorder = Recorder::new(model, days, every);
    let specs = recorder.specs();
    let ids: Vec<SeriesId> = (0..specs.len() as u32).map(SeriesId).collect();
    let (mut spent, mut n, mut more) = (Duration::ZERO, 0, true);
    while more {
        let mut samples = Vec::with_capacity(BATCH);
        more = recorder.fill(&ids, &mut samples);
        n += samples.len() as u64;
        let mut body = String::new();
        for (id, spec) in ids.iter().zip(&specs) {
            let of_it: Vec<&Sample> = samples.iter().filter(|s| s.series == *id).collect();
            let list = |of: &dyn Fn(&Sample) -> i64| {
                of_it.iter().map(|s| of(s).to_string()).collect::<Vec<_>>().join(",")
            };
            body += &format!(
                "{{\"metric\":{{\"__name__\":\"lane\",\"name\":\"{}\"}},\"values\":[{}],\"timestamps\":[{}]}}\n",
                spec.name,
                list(&|s| s.value),
                list(&|s| s.time)
            );
        }
        let began = Instant::now();
        ask(port, "POST", "/api/v1/import", body.as_bytes())?;
        spent += began.elapsed();
    }
    let began = Instant::now();
    ask(port, "GET", "/internal/force_flush", b"")?;
    spent += began.elapsed();
    ask(port, "GET", "/internal/force_merge", b"")?;
    std::thread::sleep(Duration::from_secs(5));
    let step = days as i64 * 86_400 / i64::from(WIDTH);
    let trend_ms = median_ms(|| {
        for function in ["min", "max", "avg"] {
            ask(
                port,
                "GET",
                &format!(
                    "/api/v1/query_range?query={function}_over_time(lane%7Bname%3D%22{}%22%7D%5B{step}s%5D)&start={}&end={}&step={step}s&nocache=1",
                    specs[drawn(&specs)].name,
                    BEGIN / 1000 + step,
                    (BEGIN + days as i64 * DAY_MS) / 1000
                ),
                b"",
            )?;
        }
        Ok(())
    })?;
    let (most, _) = memory_mb(&process);
    drop(server);
    line("VictoriaMetrics, not durable", n, spent.as_secs_f64(), folder_bytes(&data), trend_ms, most);
    println!(
        "  no quality; values as floating point; acknowledged before they are on the disk; JSON over HTTP within the time; bytes after its merge"
    );
    Ok(())
}

fn run(folder: &Path) -> Result<()> {
    let (days, every) = (number("STORE_DAYS", 365), number("STORE_EVERY", 10));
    let compared = number("STORE_COMPARE_DAYS", 14).min(days);
    let system = benches::harbour_lane();
    let model =
        Model::new(&system).map_err(|findings| format!("the example does not compile: {findings:?}"))?;
    of_store(&model, days, every, folder)?;
    if compared > 0 {
        println!("the same data, {compared} days:");
        fs::remove_file(folder.join("store.sqlite"))?;
        of_store(&model, compared, every, folder)?;
        of_rows(&model, compared, every, folder)?;
        of_victoria(&model, compared, every, folder)?;
    }
    Ok(())
}

fn main() {
    let parent = std::env::var_os("STORE_FOLDER").map_or_else(std::env::temp_dir, PathBuf::from);
    let folder = parent.join(format!("store-bench-{}", std::process::id()));
    let result = fs::create_dir_all(&folder).map_err(Into::into).and_then(|()| run(&folder));
    if std::env::var_os("STORE_KEEP").is_none() {
        // What is left is in a folder for temporary files.
        let _ = fs::remove_dir_all(&folder);
    }
    if let Err(error) = result {
        eprintln!("{error}");
        std::process::exit(1);
    }
}

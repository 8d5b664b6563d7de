//! Controllers that somebody built, joined over TCP, a pseudo-terminal and the broker mosquitto: heard, logged, compared, missed when they are silent.

use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use station::app::App;
use station::joined::JoinedNow;
use station::serve::Station;
use station::settings::{JoinedLine, JoinedSettings, Settings};
use station::site::Site;
use tokio::sync::watch;

const SYSTEM: &str = r#"
[system]
name = "old tank"
timezone = "UTC0"
[[board]]
name = "board"
chip = "ATmega328P"
[[sensor]]
name = "temp"
kind = "ds18b20"
[[actuator]]
name = "heater"
kind = "heater"
power = "100 W"
[[rule]]
drives = "heater"
start = "temp < 25.2 degC"
stop = "temp > 25.4 degC"
when_blind = "off"
"#;

const MAP: &str = r#"
every = "1 s"
stale = "4 s"
tolerance = "1 s"
[[reading]]
printed = "t"
sensor = "temp"
[[output]]
printed = "h"
actuator = "heater"
"#;

/// A station that joins one controller and is ended in order.
struct Running {
    app: Arc<App>,
    end: watch::Sender<bool>,
    served: tokio::task::JoinHandle<()>,
}

fn settings(folder: &Path, line: JoinedLine, mqtt_port: Option<u16>) -> Settings {
    std::fs::write(folder.join("old.toml"), SYSTEM).expect("a file");
    std::fs::write(folder.join("map.toml"), MAP).expect("a file");
    let mut settings = Settings::virtual_board(&folder.join("old.toml"), "joined", folder.join("data"));
    settings.http.here_port = 0;
    settings.joined = vec![JoinedSettings {
        name: "old".to_owned(),
        system: folder.join("old.toml"),
        map: folder.join("map.toml"),
        line,
        silent: Duration::from_secs(6),
    }];
    if let Some(port) = mqtt_port {
        let text = format!(
            r#"{{ "mqtt": {{ "server": "127.0.0.1", "port": {port}, "tls": false, "site": "lane" }} }}"#
        );
        settings.tell = serde_json::from_str(&text).expect("settings");
    }
    settings
}

async fn start(settings: Settings) -> Running {
    let begun = tokio::task::spawn_blocking(move || {
        let site = Site::new(&settings).unwrap_or_else(|unfit| panic!("{:?}", unfit.findings));
        Station::begin(settings, site, store::Options::default()).expect("it begins")
    });
    let station = begun.await.expect("it begins");
    let app = station.app().clone();
    let (end, ended) = watch::channel(false);
    let served = tokio::spawn(async move {
        station.serve(|_| {}, true, ended).await.expect("it ends in order");
    });
    Running { app, end, served }
}

impl Running {
    fn now(&self) -> Arc<JoinedNow> {
        self.app.joined[0].now()
    }

    async fn until(&self, what: &str, is_so: impl Fn(&JoinedNow) -> bool) -> Arc<JoinedNow> {
        let until = Instant::now() + Duration::from_secs(60);
        loop {
            let now = self.now();
            if is_so(&now) {
                return now;
            }
            assert!(Instant::now() < until, "{what}: {now:?}");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    fn alarm(&self) -> Option<alarms::State> {
        self.app.book().alarm("station/old/silent").map(|view| view.state)
    }

    async fn stop(self) {
        self.end.send_replace(true);
        self.served.await.expect("no panic");
    }
}

/// What the controller prints: hundredths of a degree, heater on; 0: it prints nothing.
type Temperature = Arc<AtomicU32>;

/// A controller on TCP that prints five lines a second to whoever connects, until `is_over`.
fn controller(temperature: Temperature, is_over: Arc<AtomicBool>, hang_up: Arc<AtomicBool>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address").to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            if is_over.load(Ordering::Relaxed) {
                return;
            }
            let Ok(mut stream) = stream else { continue };
            // It is joined within a line.
            let _ = stream.write_all(b"5.3 h=1\n");
            while !is_over.load(Ordering::Relaxed) && !hang_up.swap(false, Ordering::Relaxed) {
                std::thread::sleep(Duration::from_millis(200));
                let hundredths = temperature.load(Ordering::Relaxed);
                if hundredths > 0 && stream.write_all(line(hundredths).as_bytes()).is_err() {
                    break;
                }
            }
            let _ = stream.write_all(b"t=25.");
        }
    });
    address
}

fn line(hundredths: u32) -> String {
    format!("t={:.2} h=1 uptime={}\n", f64::from(hundredths) / 100.0, hundredths)
}

#[tokio::test(flavor = "multi_thread")]
async fn over_tcp_it_is_heard_logged_compared_and_missed() {
    let folder = tempfile::tempdir().expect("a folder");
    let temperature: Temperature = Arc::new(AtomicU32::new(2500));
    let (is_over, hang_up) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    let address = controller(temperature.clone(), is_over.clone(), hang_up.clone());
    let running = start(settings(folder.path(), JoinedLine::Tcp(address.clone()), None)).await;

    let now = running.until("it is heard", |now| now.n_understood > 5 && now.is_running).await;
    assert!(now.is_up && !now.is_silent);
    assert_eq!(now.refused[0].reason, "partial");
    let now = running.until("both heat", |now| now.outputs[0].ours == Some(100.0)).await;
    assert_eq!(now.outputs[0].theirs, Some(100.0));

    // Too warm: the rules stop the heater, the controller goes on.
    temperature.store(2550, Ordering::Relaxed);
    let now = running.until("they differ", |now| now.differences.iter().any(|d| d.to_ms.is_none())).await;
    assert_eq!(now.outputs[0].ours, Some(0.0));
    assert!(
        now.differences[0]
            .sentence
            .contains("the rules would have had it off, because its `temp > 25.4 degC` holds")
    );
    temperature.store(2500, Ordering::Relaxed);
    let now = running.until("it is over", |now| now.differences.iter().any(|d| d.to_ms.is_some())).await;
    assert!(now.outputs[0].less_s > 1.0, "{now:?}");

    // The line breaks within a line, and comes back by itself.
    hang_up.store(true, Ordering::Relaxed);
    // The end of the first connection and the beginning of the second are pieces of lines.
    running.until("it is back", |now| now.is_up && now.refused[0].n >= 3).await;

    // It says nothing for longer than `silent`: an alarm, until it speaks.
    temperature.store(0, Ordering::Relaxed);
    running.until("it is silent", |now| now.is_silent).await;
    assert_eq!(running.alarm(), Some(alarms::State::Unacknowledged));
    let now = running.now();
    assert!(!now.is_running, "without a word the rules do not run");
    temperature.store(2500, Ordering::Relaxed);
    let now = running.until("it speaks again", |now| !now.is_silent && now.is_running).await;
    assert_eq!(running.alarm(), Some(alarms::State::ReturnedUnacknowledged));
    assert!(now.notes.iter().any(|note| note.starts_with("Nothing came from ")), "{:?}", now.notes);

    // What is logged: its values under the names of the system, what the rules would do, what the map does not have as it is printed.
    let store = running.app.store.clone();
    let (since_ms, less_s) = (now.since_ms, now.outputs[0].less_s);
    running.stop().await;
    let points = |name: &str| {
        let series = store.find_series("old", name).unwrap_or_else(|| panic!("{name} is logged"));
        (store.points(series.id, 0, i64::MAX / 4, 100_000).expect("points"), series.spec)
    };
    let (temp, spec) = points("temp");
    assert!(temp.len() > 10 && temp.iter().all(|point| (25_000..=25_500).contains(&point.value)));
    assert_eq!((spec.unit.as_str(), spec.scale, spec.interval), ("degC", 1e-3, 1_000));
    let gaps = store
        .gaps(store.find_series("old", "temp").expect("it is logged").id, 0, i64::MAX / 4)
        .expect("gaps");
    assert!(!gaps.is_empty(), "the silence is a gap");
    assert!(points("rules heater").0.iter().any(|point| point.value == 0));
    assert!(points("printed uptime").0.iter().any(|point| point.value == 2_550_000));
    let page = store::Page { limit: 200, ..store::Page::default() };
    let events = store.events(&page).expect("events");
    assert!(events.iter().any(|event| event.kind == "difference"), "{events:?}");
    drop(store);

    // After a restart it goes on, and says that it did not run meanwhile.
    let again = start(settings(folder.path(), JoinedLine::Tcp(address.clone()), None)).await;
    let now = again.until("it runs again", |now| now.is_running).await;
    assert_eq!(now.since_ms, since_ms);
    assert!(now.outputs[0].less_s >= less_s - 0.01, "{} {less_s}", now.outputs[0].less_s);
    assert!(now.notes.iter().any(|note| note.starts_with("The shadow did not run from ")), "{:?}", now.notes);
    is_over.store(true, Ordering::Relaxed);
    let _ = TcpStream::connect(&address);
    again.stop().await;
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn over_a_serial_line() {
    use serialport::{SerialPort as _, TTYPort};
    let folder = tempfile::tempdir().expect("a folder");
    let (mut controller, line_end) = TTYPort::pair().expect("a pseudo-terminal");
    let path = line_end.name().expect("a name");
    let running = start(settings(folder.path(), JoinedLine::Serial { path, baud: 9_600 }, None)).await;
    running.until("the port is open", |now| now.is_up).await;
    for _ in 0..20 {
        controller.write_all(line(2500).replace('\n', "\r\n").as_bytes()).expect("it is written");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let now = running.until("it is heard", |now| now.n_understood >= 10 && now.is_running).await;
    assert_eq!(now.outputs[0].theirs, Some(100.0));
    running.stop().await;
}

struct Mosquitto(Child);

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn program(name: &str) -> Option<String> {
    let folders = ["/usr/sbin/", "/usr/bin/", "/usr/local/sbin/", "/usr/local/bin/"];
    folders.iter().map(|folder| format!("{folder}{name}")).find(|path| Path::new(path).exists())
}

#[tokio::test(flavor = "multi_thread")]
async fn over_a_broker() {
    let (Some(mosquitto), Some(publish)) = (program("mosquitto"), program("mosquitto_pub")) else {
        eprintln!(
            "left out: mosquitto and mosquitto-clients are not installed (Debian packages of these names)"
        );
        return;
    };
    let folder = tempfile::tempdir().expect("a folder");
    let port = TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").port();
    let file = folder.path().join("mosquitto.conf");
    std::fs::write(&file, format!("listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n"))
        .expect("a file");
    let child =
        Command::new(mosquitto).arg("-c").arg(&file).stderr(Stdio::null()).spawn().expect("mosquitto");
    let _broker = Mosquitto(child);
    let until = Instant::now() + Duration::from_secs(20);
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(Instant::now() < until, "mosquitto does not listen");
        std::thread::sleep(Duration::from_millis(100));
    }
    let say = |topic: &str, payload: &str, is_retained: bool| {
        let mut command = Command::new(&publish);
        command.args([
            "-V",
            "mqttv5",
            "-h",
            "127.0.0.1",
            "-p",
            &port.to_string(),
            "-t",
            topic,
            "-m",
            payload,
        ]);
        if is_retained {
            command.arg("-r");
        }
        assert!(command.status().expect("a client").success());
    };
    // Nobody knows how old a retained value is: it is not taken.
    say("old/t", "11.5", true);
    let running = start(settings(folder.path(), JoinedLine::Mqtt("old/#".to_owned()), Some(port))).await;
    running.until("the broker is there", |now| now.is_up).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(running.now().n_lines, 0, "a retained message is old");
    // A value alone, an object, SenML: all under one filter.
    for _ in 0..3 {
        say("old/t", "25.0", false);
        say("old/state", r#"{"h": true}"#, false);
        say("old/pack", r#"[{"n":"t","u":"Cel","v":25.1}]"#, false);
        say("elsewhere/t", "99", false);
    }
    let now = running.until("it is heard", |now| now.n_understood >= 9 && now.is_running).await;
    assert_eq!((now.n_lines, now.outputs[0].theirs), (9, Some(100.0)));
    running.stop().await;
}

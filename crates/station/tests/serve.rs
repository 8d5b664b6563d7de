//! The whole process over real sockets: a board of software behind it, people in front of it.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName};
use serde_json::{Value, json};
use station::serve::{Ending, Failure, Station, keep_serving};
use station::settings::{Line, Settings};
use station::site::Site;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

const PASSWORD: &str = "barnacle wicket nine staircase";

/// A station that runs.
struct Running {
    port: u16,
    code: Option<String>,
    end: watch::Sender<bool>,
    served: JoinHandle<Result<Ending, Failure>>,
    lines: mpsc::UnboundedReceiver<String>,
}

fn settings(data: &Path, far: Option<SocketAddr>) -> Settings {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let mut settings = Settings::virtual_board(&example, "Harbour Lane", data.to_owned());
    settings.boards[0].line = Line::Virtual { speed: 50.0, history: Duration::ZERO, faults: vec![] };
    settings.http.here_port = 0;
    settings.http.listen = far;
    settings
}

async fn start(settings: Settings) -> Running {
    let (say, mut lines) = mpsc::unbounded_channel();
    let (end, ended) = watch::channel(false);
    let begun = tokio::task::spawn_blocking(move || {
        let site = Site::new(&settings).expect("the example compiles");
        Station::begin(settings, site, store::Options::default()).expect("it begins")
    });
    let station = begun.await.expect("it begins");
    let has_owner = *station.app().door.has_owner().borrow();
    let served = tokio::spawn(station.serve(move |line| drop(say.send(line.to_owned())), true, ended));
    let first = lines.recv().await.expect("a line");
    let port = first.rsplit(':').next().expect("a port").parse().expect("a port");
    let mut code = None;
    while !has_owner && code.is_none() {
        let line = lines.recv().await.expect("a line");
        code = line.split_once("first account: ").map(|(_, code)| code.to_owned());
    }
    Running { port, code, end, served, lines }
}

impl Running {
    async fn stop(self) {
        self.end.send_replace(true);
        let begun = Instant::now();
        self.served.await.expect("no panic").expect("it ends in order");
        assert!(begun.elapsed() < Duration::from_secs(30), "{:?}", begun.elapsed());
    }

    fn here(&self) -> SocketAddr {
        SocketAddr::from((Ipv4Addr::LOCALHOST, self.port))
    }

    async fn ask(&self, method: &str, path: &str, cookie: &str, body: Option<Value>) -> (u16, String) {
        let stream = TcpStream::connect(self.here()).await.expect("it listens");
        ask(stream, method, path, cookie, body).await
    }

    async fn json(&self, method: &str, path: &str, cookie: &str, body: Option<Value>) -> Value {
        let (status, text) = self.ask(method, path, cookie, body).await;
        assert_eq!(status, 200, "{method} {path}: {text}");
        let body = text.split_once("\r\n\r\n").expect("a body").1;
        serde_json::from_str(body).unwrap_or_else(|error| panic!("{path}: {error}: {body}"))
    }

    /// Waits until the board answers.
    async fn until_up(&self, cookie: &str) -> Value {
        let until = Instant::now() + Duration::from_secs(120);
        loop {
            let state = self.json("GET", "/api/v1/state", cookie, None).await;
            if state["boards"][0]["link"]["state"] == "up" && state["boards"][0]["scan"].as_u64().is_some() {
                return state;
            }
            assert!(Instant::now() < until, "the board does not come up: {}", state["boards"][0]["link"]);
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    }
}

/// One request on a connection of its own; status 0 without an answer.
async fn ask<S: AsyncRead + AsyncWrite + Unpin>(
    mut stream: S,
    method: &str,
    path: &str,
    cookie: &str,
    body: Option<Value>,
) -> (u16, String) {
    let body = body.map(|body| body.to_string()).unwrap_or_default();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nCookie: {cookie}\r\nSec-Fetch-Site: same-origin\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    if stream.write_all(format!("{head}{body}").as_bytes()).await.is_err() {
        return (0, String::new());
    }
    let mut answer = vec![];
    // A peer that closes TLS without saying so has still sent its answer.
    let _ = stream.read_to_end(&mut answer).await;
    let text = String::from_utf8_lossy(&answer).into_owned();
    let status = text.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    (status, text)
}

async fn first_owner(station: &Running) -> String {
    let body = json!({ "code": station.code, "name": "Keeper", "password": PASSWORD });
    let (status, text) = station.ask("POST", "/api/v1/account/first", "", Some(body)).await;
    assert_eq!(status, 200, "{text}");
    let line = text.lines().find(|line| line.to_lowercase().starts_with("set-cookie:")).expect("a cookie");
    line.split_once(": ").expect("a value").1.split(';').next().expect("a part").to_owned()
}

/// Asks until it is so; the station may be beginning anew meanwhile.
async fn until_so(
    here: SocketAddr,
    path: &str,
    cookie: &str,
    what: &str,
    is_so: impl Fn(&Value) -> bool,
) -> Value {
    let until = Instant::now() + Duration::from_secs(60);
    let mut last = Value::Null;
    loop {
        if let Ok(stream) = TcpStream::connect(here).await {
            let (_, text) = ask(stream, "GET", path, cookie, None).await;
            let body = text.split_once("\r\n\r\n").map_or("", |(_, body)| body);
            last = serde_json::from_str(body).unwrap_or(last);
            if is_so(&last) {
                return last;
            }
        }
        assert!(Instant::now() < until, "{what} never came: {last}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_revision_is_tried_falls_back_is_kept_and_taken_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let (say, mut lines) = mpsc::unbounded_channel();
    let (end, ended) = watch::channel(false);
    let settings = settings(folder.path(), None);
    let handle = tokio::runtime::Handle::current();
    let served = tokio::task::spawn_blocking(move || {
        let site = Site::new(&settings).expect("the example compiles");
        let say = move |line: &str| drop(say.send(line.to_owned()));
        keep_serving(&handle, settings, site, &say, true, &ended)
    });
    let first = lines.recv().await.expect("a line");
    let port: u16 = first.rsplit(':').next().expect("a port").parse().expect("a port");
    let line = lines.recv().await.expect("a line");
    let code = line.split_once("first account: ").map(|(_, code)| code.to_owned());
    let here = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let post = |path: String, cookie: String, body: Value| async move {
        let stream = TcpStream::connect(here).await.expect("it listens");
        let (status, text) = ask(stream, "POST", &path, &cookie, Some(body)).await;
        (status, text.clone(), text.split_once("\r\n\r\n").map_or(String::new(), |(_, body)| body.to_owned()))
    };
    let body = json!({ "code": code, "name": "Keeper", "password": PASSWORD });
    let (_, text, _) = post("/api/v1/account/first".into(), String::new(), body).await;
    let cookie = text.lines().find(|line| line.to_lowercase().starts_with("set-cookie:")).expect("a cookie");
    let cookie = cookie.split_once(": ").expect("a value").1.split(';').next().expect("a part").to_owned();
    let path = "/api/v1/boards/board/revisions";
    let known =
        until_so(here, path, &cookie, "the first revision", |list| list["running"]["revision"] == 1).await;
    assert_eq!(
        (&known["running"]["kind"], &known["revisions"][0]["who"]),
        (&json!("flashed"), &json!("station"))
    );

    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let before = std::fs::read_to_string(example).expect("the example");
    let after = before.replace("display_temp < 24.9 degC", "display_temp < 24.8 degC");
    assert_ne!(before, after, "a threshold of the example");
    let send = |path: &str, body: Value| post(path.to_owned(), cookie.clone(), body);
    let broken = json!({ "text": before.replace("[[rule", "[[rool"), "why": "a slip of the finger" });
    let (status, _, body) = send(path, broken).await;
    assert!(status == 422 && body.contains("Nothing was sent"), "{status} {body}");
    let same = json!({ "text": before, "why": "nothing new" });
    assert_eq!(send(path, same).await.0, 409);

    // Not confirmed: the board goes back, and the station with it.
    // Whether rows get worse is asked in the tests of the API; a study of this system takes longer than this test.
    let early = json!({ "text": after, "why": "cooler at night", "minutes": 4 });
    assert_eq!(send(path, early).await.0, 409, "it was not compared");
    let tried = json!({ "text": after, "why": "cooler at night", "minutes": 4, "compare": "later" });
    let (status, _, body) = send(path, tried.clone()).await;
    assert!(status == 200 && body.contains("\"status\":\"done\""), "{status} {body}");
    let on_trial = |list: &Value| list["running"]["revision"] == 2 && list["running"]["kind"] == "trial";
    let list = until_so(here, path, &cookie, "the trial", on_trial).await;
    assert_eq!((&list["trial"]["revision"], &list["trial"]["who"]), (&json!(2), &json!("Keeper")), "{list}");
    let is_back = |list: &Value| list["running"]["revision"] == 1;
    let list = until_so(here, path, &cookie, "the way back", is_back).await;
    assert_eq!(list["trial"], Value::Null, "{list}");
    let is_named = |events: &Value| events.to_string().contains("was not confirmed in time");
    until_so(here, "/api/v1/events?board=board", &cookie, "the reason", is_named).await;

    // Confirmed, it stays, also when the station starts anew.
    let tried = json!({ "text": after, "why": "cooler at night", "minutes": 255, "compare": "later" });
    assert_eq!(send(path, tried).await.0, 200);
    until_so(here, path, &cookie, "the second trial", on_trial).await;
    let read_by = |text: &str, state: &Value| state["boards"][0]["link"]["state"] == "up" && !text.is_empty();
    until_so(here, "/api/v1/state", &cookie, "the board", |state| read_by("x", state)).await;
    let (status, _, body) =
        send("/api/v1/boards/board/trial/confirm", json!({ "why": "it holds 24.8" })).await;
    assert!(status == 200 && body.contains("\"status\":\"done\""), "{status} {body}");
    let is_kept = |list: &Value| list["running"]["revision"] == 2 && list["running"]["kind"] == "confirmed";
    until_so(here, path, &cookie, "the confirmed revision", is_kept).await;
    let stream = TcpStream::connect(here).await.expect("it listens");
    let (_, text) = ask(stream, "GET", "/api/v1/system", &cookie, None).await;
    assert!(text.contains("display_temp < 24.8 degC"), "the station reads by the revision that runs");

    // And back with one request.
    let (status, _, body) =
        send(&format!("{path}/1/deploy"), json!({ "why": "too cold", "minutes": 255 })).await;
    assert!(status == 200 && body.contains("\"status\":\"done\""), "{status} {body}");
    until_so(here, path, &cookie, "revision 1", |list| list["running"]["revision"] == 1).await;
    end.send_replace(true);
    served.await.expect("no panic").expect("it ends in order");
}

fn free_port() -> SocketAddr {
    let listener = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    listener.local_addr().expect("an address")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_board_is_watched_and_told_and_all_of_it_stands_after_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let station = start(settings(folder.path(), None)).await;
    let cookie = first_owner(&station).await;
    let state = station.until_up(&cookie).await;
    assert!(
        state["boards"][0]["signals"]
            .as_array()
            .is_some_and(|signals| signals.iter().any(|s| s["value"].is_number()))
    );
    let order = json!({ "drive": "skimmer", "value": 0, "minutes": 5, "why": "cleaning the cup" });
    let order = station.json("POST", "/api/v1/boards/board/hand", &cookie, Some(order)).await;
    assert_eq!(order["status"], "done", "{order}");
    assert!(order["scan"].as_u64().is_some() && order["output"] == 0, "{order}");
    let safe = station.json("POST", "/api/v1/make-safe", &cookie, Some(json!({ "why": "a test" }))).await;
    let steps = safe["steps"].as_array().expect("steps");
    assert!(!steps.is_empty() && steps.iter().all(|step| step["status"] != "not-done"), "{safe}");
    // The stream begins with everything and goes on with what changes.
    let mut stream = TcpStream::connect(station.here()).await.expect("it listens");
    let head = format!("GET /api/v1/events-stream HTTP/1.1\r\nHost: localhost\r\nCookie: {cookie}\r\n\r\n");
    stream.write_all(head.as_bytes()).await.expect("it takes the request");
    let mut seen = String::new();
    let until = Instant::now() + Duration::from_secs(30);
    while !(seen.contains("event: state") && seen.contains("event: now")) {
        assert!(Instant::now() < until, "{seen}");
        let mut bytes = [0; 16_384];
        let n = stream.read(&mut bytes).await.expect("it goes on");
        seen.push_str(&String::from_utf8_lossy(&bytes[..n]));
    }
    station.stop().await;
    let station = start(settings(folder.path(), None)).await;
    assert_eq!(station.code, None, "there is an owner");
    let trail = station.json("GET", "/api/v1/commands?limit=1000", &cookie, None).await;
    let trail = trail.as_array().expect("a list");
    assert_eq!(trail.len(), steps.len() + 1);
    assert_eq!(
        (&trail[steps.len()]["who"], &trail[steps.len()]["status"]),
        (&json!("Keeper"), &json!("done"))
    );
    let events = station.json("GET", "/api/v1/events?board=station", &cookie, None).await.to_string();
    assert!(
        events.contains("the station stopped in order") && events.contains("Keeper became the first owner"),
        "{events}"
    );
    station.until_up(&cookie).await;
    station.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn only_this_machine_until_there_is_an_owner() {
    let folder = tempfile::tempdir().expect("a folder");
    let far = free_port();
    let mut station = start(settings(folder.path(), Some(far))).await;
    assert!(TcpStream::connect(far).await.is_err(), "others are served before there is an owner");
    first_owner(&station).await;
    let until = Instant::now() + Duration::from_secs(10);
    while TcpStream::connect(far).await.is_err() {
        assert!(Instant::now() < until, "others are not served");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let mut said = vec![];
    while let Ok(line) = station.lines.try_recv() {
        said.push(line);
    }
    assert!(said.iter().any(|line| line.contains("SHA-256")), "{said:?}");
    // Plain HTTP gets no answer there.
    let stream = TcpStream::connect(far).await.expect("it listens");
    assert_eq!(ask(stream, "GET", "/health", "", None).await.0, 0);
    // TLS does, with the certificate that the station made.
    let mut roots = rustls::RootCertStore::empty();
    let certificate =
        CertificateDer::from_pem_file(folder.path().join("station-cert.pem")).expect("a certificate");
    roots.add(certificate).expect("a certificate");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let connector = tokio_rustls::TlsConnector::from(Arc::new(config));
    let stream = TcpStream::connect(far).await.expect("it listens");
    let name = ServerName::try_from("localhost").expect("a name");
    let stream = connector.connect(name, stream).await.expect("the certificate is for this name");
    let (status, text) = ask(stream, "GET", "/health", "", None).await;
    assert_eq!(status, 200, "{text}");
    assert!(text.to_lowercase().contains("strict-transport-security"), "{text}");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = |path: &Path| std::fs::metadata(path).expect("is there").permissions().mode() & 0o777;
        assert_eq!(mode(&folder.path().join("station-key.pem")), 0o600);
        assert_eq!(mode(folder.path()), 0o700);
    }
    station.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn slow_and_many_connections_keep_nobody_out() {
    let folder = tempfile::tempdir().expect("a folder");
    let station = start(settings(folder.path(), None)).await;
    // Connections that never say anything.
    let mut idle = vec![];
    for _ in 0..60 {
        idle.push(TcpStream::connect(station.here()).await.expect("it listens"));
    }
    let (status, _) = station.ask("GET", "/health", "", None).await;
    assert!(matches!(status, 200 | 503), "{status}");
    // A head that is too long, and one that is none.
    for bytes in [vec![b'x'; 200_000], b"\x00\x01\x02\r\n\r\n".to_vec()] {
        let mut stream = TcpStream::connect(station.here()).await.expect("it listens");
        let _ = stream.write_all(&bytes).await;
        let mut answer = vec![];
        let read = tokio::time::timeout(Duration::from_secs(15), stream.read_to_end(&mut answer)).await;
        assert!(read.is_ok(), "the connection hangs");
        assert!(
            answer.is_empty() || answer.starts_with(b"HTTP/1.1 4"),
            "{}",
            String::from_utf8_lossy(&answer)
        );
    }
    drop(idle);
    station.stop().await;
}

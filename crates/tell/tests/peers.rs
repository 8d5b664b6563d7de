//! Telling against real peers: an SMTP server, an HTTP server that checks the signature, the broker `mosquitto` with its own client.
//! Peers that are not installed are named and left out.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, Mac};
use program::zone::Zone;
use sha2::{Digest, Sha256};
use tell::mqtt::{Reading, Value};
use tell::{AlarmChange, Change, Priority, Settings, Surroundings, Teller};

/// Longest wait for anything here.
const WAIT: Duration = Duration::from_secs(30);

fn hot(n: usize) -> AlarmChange {
    AlarmChange {
        alarm: format!("hot {n}"),
        priority: Priority::High,
        change: Change::Raised,
        at_ms: 1_790_000_000_000 + n as i64,
        headline: format!("Display 28.4 °C, limit 27.8 ({n})"),
        words: "The master cut has opened.\n".to_owned(),
    }
}

fn surroundings() -> Surroundings {
    Surroundings {
        log: Arc::new(|line| eprintln!("{line}")),
        is_well: Arc::new(|| true),
        on_command: None,
        listeners: vec![],
    }
}

fn start(settings: &str, folder: &Path) -> Teller {
    let settings: Settings = serde_json::from_str(settings).expect("settings");
    Teller::start(&settings, folder, database(folder), Zone::default(), &surroundings()).expect("a teller")
}

/// A connection to the store in that folder, which is made when there is none.
fn database(folder: &Path) -> rusqlite::Connection {
    let path = folder.join("store.sqlite");
    if !path.exists() {
        drop(store::Store::open(&path).expect("a store"));
    }
    rusqlite::Connection::open(path).expect("a file")
}

fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < WAIT, "waited {WAIT:?} for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("a port").port()
}

/// A certificate authority and a server's certificate for 127.0.0.1, as files `ca.pem`, `server.pem`, `key.pem`.
fn certificates(folder: &Path) {
    use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
    let mut authority = CertificateParams::new(Vec::new()).expect("parameters");
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    authority.distinguished_name.push(DnType::CommonName, "authority of the tests");
    let authority =
        CertifiedIssuer::self_signed(authority, KeyPair::generate().expect("a key")).expect("a certificate");
    let key = KeyPair::generate().expect("a key");
    let mut server =
        CertificateParams::new(vec!["127.0.0.1".to_owned(), "localhost".to_owned()]).expect("parameters");
    server.distinguished_name.push(DnType::CommonName, "server of the tests");
    let server = server.signed_by(&key, &authority).expect("a certificate");
    for (name, text) in
        [("ca.pem", authority.pem()), ("server.pem", server.pem()), ("key.pem", key.serialize_pem())]
    {
        std::fs::write(folder.join(name), text).expect("a file");
    }
}

/// What the SMTP server has received, whole mails.
#[derive(Clone, Default)]
struct Mailbox {
    mails: Arc<Mutex<Vec<String>>>,
    now: Vec<u8>,
    refuses: Arc<Mutex<u32>>,
}

impl mailin::Handler for Mailbox {
    fn data_start(&mut self, _domain: &str, _from: &str, _is8bit: bool, _to: &[String]) -> mailin::Response {
        self.now.clear();
        let mut refuses = self.refuses.lock().expect("a lock");
        if *refuses > 0 {
            *refuses -= 1;
            return mailin::response::INTERNAL_ERROR;
        }
        mailin::response::OK
    }
    fn data(&mut self, line: &[u8]) -> std::io::Result<()> {
        self.now.extend_from_slice(line);
        Ok(())
    }
    fn data_end(&mut self) -> mailin::Response {
        self.mails.lock().expect("a lock").push(String::from_utf8_lossy(&self.now).into_owned());
        mailin::response::OK
    }
    fn auth_plain(&mut self, _authorization: &str, user: &str, password: &str) -> mailin::Response {
        if user == "tank" && password == "pass of the test" {
            mailin::response::AUTH_OK
        } else {
            mailin::response::INVALID_CREDENTIALS
        }
    }
}

/// An SMTP server (RFC 5321) with STARTTLS (RFC 3207) and log-in after it, for some connections.
fn mail_server(port: u16, mailbox: &Mailbox, folder: &Path) {
    let tls = Arc::new(server_tls(folder));
    let listener = TcpListener::bind(("127.0.0.1", port)).expect("a port");
    let mailbox = mailbox.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let (mailbox, tls) = (mailbox.clone(), Arc::clone(&tls));
            // Whoever hangs up in the middle ends its own connection only.
            std::thread::spawn(move || serve_mail(stream, mailbox, tls));
        }
    });
}

fn server_tls(folder: &Path) -> rustls::ServerConfig {
    use rustls::pki_types::pem::PemObject;
    use rustls::pki_types::{CertificateDer, PrivateKeyDer};
    let certificate = CertificateDer::from_pem_file(folder.join("server.pem")).expect("a certificate");
    let key = PrivateKeyDer::from_pem_file(folder.join("key.pem")).expect("a key");
    rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_no_client_auth()
        .with_single_cert(vec![certificate], key)
        .expect("a certificate and its key")
}

fn serve_mail(mut stream: TcpStream, mailbox: Mailbox, tls: Arc<rustls::ServerConfig>) -> Option<()> {
    let mut builder = mailin::SessionBuilder::new("mail.test");
    builder.enable_start_tls().enable_auth(mailin::AuthMechanism::Plain);
    let mut session = builder.build("127.0.0.1".parse().ok()?, mailbox);
    session.greeting().write_to(&mut stream).ok()?;
    if converse(&mut session, &mut stream)? == mailin::Action::UpgradeTls {
        session.tls_active();
        let mut private = rustls::StreamOwned::new(rustls::ServerConnection::new(tls).ok()?, stream);
        converse(&mut session, &mut private)?;
    }
    Some(())
}

/// Answers line by line until the connection ends or changes to TLS.
fn converse(
    session: &mut mailin::Session<Mailbox>,
    stream: &mut (impl Read + Write),
) -> Option<mailin::Action> {
    let mut line = Vec::new();
    loop {
        let mut byte = [0];
        stream.read_exact(&mut byte).ok()?;
        line.push(byte[0]);
        if byte[0] != b'\n' {
            continue;
        }
        let response = session.process(&line);
        line.clear();
        if response.action != mailin::Action::NoReply {
            stream.write_all(&response.buffer().ok()?).ok()?;
            stream.flush().ok()?;
        }
        if matches!(response.action, mailin::Action::Close | mailin::Action::UpgradeTls) {
            return Some(response.action);
        }
    }
}

#[test]
fn a_mail_arrives_over_starttls_with_log_in_and_keeps_its_identity() {
    let folder = tempfile::tempdir().expect("a folder");
    certificates(folder.path());
    std::fs::write(folder.path().join("password"), "pass of the test\n").expect("a file");
    let (port, mailbox) = (free_port(), Mailbox::default());
    // The first try is refused after it was begun, so the mail is sent again.
    *mailbox.refuses.lock().expect("a lock") = 1;
    mail_server(port, &mailbox, folder.path());
    let teller = start(
        &format!(
            r#"{{ "mail": [{{ "name": "mail", "server": "127.0.0.1", "port": {port}, "ca": "ca.pem", "user": "tank",
                "password": {{ "file": "password" }}, "from": "reef@library.example", "to": ["keyholder@library.example"] }}] }}"#
        ),
        folder.path(),
    );
    teller.tell(&hot(1)).expect("told");
    until("the mail", || mailbox.mails.lock().expect("a lock").len() == 1);
    let mail = mailbox.mails.lock().expect("a lock")[0].clone();
    for line in [
        "To: keyholder@library.example",
        "Auto-Submitted: auto-generated",
        "Importance: high",
        "Message-ID: <",
    ] {
        assert!(mail.contains(line), "{line} in\n{mail}");
    }
    assert!(mail.contains("The master cut has opened."), "{mail}");
    until("the note of it", || teller.states().expect("states")[0].last_sent_ms.is_some());
}

#[test]
fn a_wrong_certificate_and_a_wrong_password_are_said_and_nothing_is_lost() {
    let folder = tempfile::tempdir().expect("a folder");
    certificates(folder.path());
    std::fs::write(folder.path().join("password"), "wrong").expect("a file");
    let (port, mailbox) = (free_port(), Mailbox::default());
    mail_server(port, &mailbox, folder.path());
    for (ca, hint) in [("", "certificate"), (r#""ca": "ca.pem","#, "535")] {
        let teller = start(
            &format!(
                r#"{{ "mail": [{{ "name": "mail", "server": "127.0.0.1", "port": {port}, {ca} "user": "tank",
                    "password": {{ "file": "password" }}, "from": "reef@library.example", "to": ["keyholder@library.example"] }}] }}"#
            ),
            folder.path(),
        );
        teller.test("mail", "a test").expect("a test");
        until("an answer", || teller.states().expect("states")[0].last_answer.to_lowercase().contains(hint));
        assert!(teller.states().expect("states")[0].waiting > 0);
        assert!(mailbox.mails.lock().expect("a lock").is_empty());
    }
}

/// Reads one request; head, body.
fn request(stream: &mut TcpStream) -> (String, Vec<u8>) {
    let mut reader = BufReader::new(stream.try_clone().expect("a stream"));
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        if reader.read_line(&mut head).expect("a line") == 0 {
            break;
        }
    }
    let length = head.lines().find_map(|line| {
        line.to_lowercase()
            .strip_prefix("content-length: ")
            .map(|n| n.trim().parse::<usize>().expect("a length"))
    });
    let mut body = vec![0; length.unwrap_or(0)];
    reader.read_exact(&mut body).expect("a body");
    (head, body)
}

fn field<'a>(head: &'a str, name: &str) -> &'a str {
    head.lines()
        .find_map(|line| {
            line.split_once(": ")
                .filter(|(known, _)| known.eq_ignore_ascii_case(name))
                .map(|(_, value)| value)
        })
        .unwrap_or_default()
}

/// Takes the request apart as RFC 9421 says, knowing nothing of how it was made.
fn is_signed(head: &str, body: &[u8], key: &[u8]) -> bool {
    let input = field(head, "signature-input").strip_prefix("tidewright=").expect("an input");
    let mut base = String::new();
    for name in input[1..input.find(')').expect("a list")].split(' ').map(|name| name.trim_matches('"')) {
        let value = match name {
            "@method" => head.split(' ').next().expect("a method"),
            "@path" => head.split(' ').nth(1).expect("a path"),
            "@authority" => field(head, "host"),
            other => field(head, other),
        };
        base.push_str(&format!("\"{name}\": {value}\n"));
    }
    base.push_str(&format!("\"@signature-params\": {input}"));
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("a key");
    mac.update(base.as_bytes());
    let expected = format!("tidewright=:{}:", STANDARD.encode(mac.finalize().into_bytes()));
    field(head, "signature") == expected
        && field(head, "content-digest") == format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(body)))
}

/// A thousand messages to a peer that refuses, hangs up, answers half and redirects, with restarts of the teller in between.
#[test]
fn a_thousand_messages_reach_a_moody_web_server() {
    const N: usize = 1000;
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("key"), "key of the test").expect("a file");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let arrived = Arc::new(Mutex::new(std::collections::BTreeSet::new()));
    let seen = Arc::clone(&arrived);
    std::thread::spawn(move || {
        for (turn, stream) in listener.incoming().enumerate() {
            let mut stream = stream.expect("a stream");
            if turn == 3 {
                continue;
            }
            let (head, body) = request(&mut stream);
            assert!(is_signed(&head, &body, b"key of the test"), "{head}");
            let answer = match turn {
                0 => "HTTP/1.1 503 Service Unavailable\r\ncontent-length: 0\r\n\r\n",
                1 => "HTTP/1.1 302 Found\r\nlocation: http://127.0.0.1:1/\r\ncontent-length: 0\r\n\r\n",
                2 => "HTTP/1.1 20",
                _ => {
                    let text = String::from_utf8(body).expect("text");
                    let mut seen = seen.lock().expect("a lock");
                    for n in text.split("28.4 °C, limit 27.8 (").skip(1) {
                        seen.insert(n[..n.find(')').expect("a number")].parse::<usize>().expect("a number"));
                    }
                    "HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n"
                }
            };
            let _ = stream.write_all(answer.as_bytes());
        }
    });
    let settings = format!(
        r#"{{ "webhook": [{{ "name": "hook", "url": "http://127.0.0.1:{port}/tell", "secret": {{ "file": "key" }} }}] }}"#
    );
    let mut teller = start(&settings, folder.path());
    for n in 0..N {
        teller.tell(&hot(n)).expect("told");
        if n % 250 == 249 {
            drop(teller);
            // A restart forgets the pauses of neither way; the test does, to end in time.
            let db = database(folder.path());
            db.execute("update tell_routes set next_try_ms = 0", []).expect("an update");
            drop(db);
            teller = start(&settings, folder.path());
        }
    }
    until("all messages", || {
        let db = database(folder.path());
        let _ = db.execute("update tell_routes set next_try_ms = 0 where next_try_ms > 0", []);
        arrived.lock().expect("a lock").len() == N
    });
}

#[test]
fn the_heartbeat_beats_while_the_station_is_well() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let folder = tempfile::tempdir().expect("a folder");
    let teller = start(
        &format!(r#"{{ "heartbeat": {{ "url": "http://127.0.0.1:{port}/alive", "every_s": 10 }} }}"#),
        folder.path(),
    );
    let (mut stream, _) = listener.accept().expect("a connection");
    let (head, _) = request(&mut stream);
    assert!(head.starts_with("GET /alive "), "{head}");
    stream
        .write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
        .expect("an answer");
    drop(teller);
}

/// A broker that is ended when it is dropped.
struct Mosquitto(Child);

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn program(name: &str) -> Option<String> {
    ["/usr/sbin/", "/usr/bin/", "/usr/local/sbin/", "/usr/local/bin/"]
        .iter()
        .map(|folder| format!("{folder}{name}"))
        .find(|path| Path::new(path).exists())
}

fn broker(folder: &Path, port: u16) -> Option<Mosquitto> {
    let Some(mosquitto) = program("mosquitto").filter(|_| program("mosquitto_sub").is_some()) else {
        eprintln!(
            "left out: mosquitto and mosquitto-clients are not installed (Debian packages of these names)"
        );
        return None;
    };
    let settings = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\ncafile {0}/ca.pem\ncertfile {0}/server.pem\nkeyfile {0}/key.pem\nuser root\n",
        folder.display()
    );
    std::fs::write(folder.join("mosquitto.conf"), settings).expect("a file");
    let child = Command::new(mosquitto)
        .arg("-c")
        .arg(folder.join("mosquitto.conf"))
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto");
    let broker = Mosquitto(child);
    until("mosquitto", || TcpStream::connect(("127.0.0.1", port)).is_ok());
    Some(broker)
}

/// `mosquitto_sub` or `mosquitto_pub` on that broker.
fn client(name: &str, folder: &Path, port: u16, arguments: &[&str]) -> Command {
    let mut command = Command::new(program(name).expect("a client"));
    command
        .args(["-V", "mqttv5", "-h", "127.0.0.1", "-p", &port.to_string(), "--cafile"])
        .arg(folder.join("ca.pem"))
        .args(arguments);
    command
}

fn heard(folder: &Path, port: u16, topic: &str) -> String {
    let output = client("mosquitto_sub", folder, port, &["-t", topic, "-C", "1", "-W", "10"])
        .output()
        .expect("a client");
    String::from_utf8(output.stdout).expect("text")
}

#[test]
fn mosquitto_takes_values_messages_and_the_last_will() {
    let folder = tempfile::tempdir().expect("a folder");
    certificates(folder.path());
    let port = free_port();
    let Some(running) = broker(folder.path(), port) else { return };
    let settings = format!(
        r#"{{ "mqtt": {{ "server": "127.0.0.1", "port": {port}, "ca": "ca.pem", "site": "harbour-lane" }} }}"#
    );
    let teller = start(&settings, folder.path());
    let there = || teller.broker().expect("a broker").state().is_ok();
    until("the broker", there);
    assert_eq!(heard(folder.path(), port, "tidewright/harbour-lane/state").trim(), "online");

    let values = [
        Value {
            kind: "signal",
            name: "display-temperature",
            reading: Reading::Number(25.25),
            unit: Some("Cel"),
            is_good: true,
            at_ms: 1_790_000_000_500,
        },
        Value {
            kind: "drive",
            name: "return-pump",
            reading: Reading::Bit(true),
            unit: None,
            is_good: true,
            at_ms: 1_790_000_000_500,
        },
        Value {
            kind: "signal",
            name: "sump-temperature",
            reading: Reading::Number(85.0),
            unit: Some("Cel"),
            is_good: false,
            at_ms: 1_790_000_000_500,
        },
    ];
    assert_eq!(teller.broker().expect("a broker").publish("board", &values), 0);
    let pack = |topic: &str| -> serde_json::Value {
        serde_json::from_str(&heard(folder.path(), port, &format!("tidewright/harbour-lane/board/{topic}")))
            .expect("JSON")
    };
    let temperature = pack("signal/display-temperature");
    assert_eq!(
        (&temperature[0]["v"], &temperature[0]["u"], &temperature[0]["t"]),
        (&25.25.into(), &"Cel".into(), &1_790_000_000.5.into())
    );
    assert_eq!(temperature[0]["bn"], "tidewright/harbour-lane/board/signal/");
    assert_eq!(pack("drive/return-pump")[0]["vb"], true);
    assert!(
        pack("signal/sump-temperature")[0]["v"].is_null(),
        "a value that is not to be trusted is not told as a number"
    );

    // A message while somebody listens, then one while the broker is away.
    let listener = client(
        "mosquitto_sub",
        folder.path(),
        port,
        &["-t", "tidewright/harbour-lane/notice", "-C", "1", "-W", "20", "-q", "1"],
    )
    .stdout(Stdio::piped())
    .spawn()
    .expect("a client");
    std::thread::sleep(Duration::from_millis(500));
    teller.tell(&hot(7)).expect("told");
    let output = listener.wait_with_output().expect("a client");
    let notice: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(notice["priority"], "high");
    assert!(notice["subject"].as_str().is_some_and(|subject| subject.contains("28.4")), "{notice}");

    let waiting = || teller.states().expect("states")[0].waiting;
    until("the broker's answer", || waiting() == 0);
    drop(running);
    until("the loss", || !there());
    teller.tell(&hot(8)).expect("told");
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(waiting(), 1);
    let _running = broker(folder.path(), port).expect("mosquitto again");
    until("the message after the outage", || {
        let db = database(folder.path());
        let _ = db.execute("update tell_routes set next_try_ms = 0 where next_try_ms > 0", []);
        waiting() == 0
    });

    drop(teller);
    assert_eq!(heard(folder.path(), port, "tidewright/harbour-lane/state").trim(), "offline");
}

#[test]
fn a_command_by_mqtt_is_answered_and_a_retained_one_is_not_done() {
    let folder = tempfile::tempdir().expect("a folder");
    certificates(folder.path());
    let port = free_port();
    let Some(_running) = broker(folder.path(), port) else { return };
    let done = Arc::new(Mutex::new(0));
    let count = Arc::clone(&done);
    let settings: Settings = serde_json::from_str(&format!(
        r#"{{ "mqtt": {{ "server": "127.0.0.1", "port": {port}, "ca": "ca.pem", "site": "harbour-lane", "commands": true }} }}"#
    ))
    .expect("settings");
    let surroundings = Surroundings {
        on_command: Some(Arc::new(move |command| {
            *count.lock().expect("a lock") += 1;
            serde_json::json!({ "outcome": if command["token"] == "good" { "done" } else { "refused" } })
        })),
        ..surroundings()
    };
    let retained =
        ["-t", "tidewright/harbour-lane/command", "-r", "-m", r#"{"token":"good","act":"make-safe"}"#];
    assert!(client("mosquitto_pub", folder.path(), port, &retained).status().expect("a client").success());
    let db = database(folder.path());
    let teller =
        Teller::start(&settings, folder.path(), db, Zone::default(), &surroundings).expect("a teller");
    until("the broker", || teller.broker().expect("a broker").state().is_ok());
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(*done.lock().expect("a lock"), 0, "an old command is not done again");
    for (payload, outcome) in
        [(r#"{"token":"good"}"#, "done"), (r#"{"token":"bad"}"#, "refused"), ("{", "refused")]
    {
        let listener = client(
            "mosquitto_sub",
            folder.path(),
            port,
            &["-t", "answers", "-C", "1", "-W", "10", "-F", "%p"],
        )
        .stdout(Stdio::piped())
        .spawn()
        .expect("a client");
        std::thread::sleep(Duration::from_millis(500));
        let publish = [
            "-t",
            "tidewright/harbour-lane/command",
            "-m",
            payload,
            "-D",
            "publish",
            "response-topic",
            "answers",
            "-D",
            "publish",
            "correlation-data",
            "7",
        ];
        assert!(client("mosquitto_pub", folder.path(), port, &publish).status().expect("a client").success());
        let answer = String::from_utf8(listener.wait_with_output().expect("a client").stdout).expect("text");
        assert!(answer.contains(outcome), "{payload}: {answer}");
    }
    assert_eq!(*done.lock().expect("a lock"), 2);
}

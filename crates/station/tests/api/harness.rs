//! A station without sockets: the whole router, a store on disk, boards that do what a test says.

use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, OnceLock, RwLock};

use axum::Router;
use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use serde_json::Value;
use station::app::{App, now_ms};
use station::auth::door::{COOKIE, Door};
use station::auth::ticket;
use station::boards::{Act, BoardId, Done, Outcome, SafeStep};
use station::checks::Checks;
use station::feed::Feed;
use station::http::listen::{Peer, Way};
use station::ingest::{self, Intake};
use station::later::Later;
use station::live::Live;
use station::orders::Hands;
use station::settings::Settings;
use station::site::Site;
use store::Store;
use store::people::{self, Role, SessionLife};
use tokio::sync::Semaphore;
use tower::ServiceExt as _;

/// Sessions of these tests live so long.
pub const LIFE: SessionLife = SessionLife { idle_ms: 3_600_000, longest_ms: 7_200_000 };

/// Boards that answer as they were told.
#[derive(Default)]
pub struct TestHands {
    /// What was wanted.
    pub acts: Mutex<Vec<Act>>,
    /// The answer to give; done without it.
    pub answer: Mutex<Option<Outcome>>,
    /// What make safe does.
    pub steps: Mutex<Vec<SafeStep>>,
}

impl Hands for TestHands {
    fn act(&self, _: BoardId, act: Act) -> Outcome {
        self.acts.lock().expect("not poisoned").push(act);
        let done =
            Done { scan: Some(7), at_ms: 1000, output: Some(1), hand_left_ms: Some(60_000), remark: None };
        self.answer.lock().expect("not poisoned").clone().unwrap_or(Outcome::Done(done))
    }

    fn safe_steps(&self, _: BoardId) -> Vec<SafeStep> {
        self.steps.lock().expect("not poisoned").clone()
    }

    fn clock_off_ms(&self, _: BoardId) -> Option<i64> {
        None
    }
}

/// A station under test.
pub struct Bench {
    pub app: Arc<App>,
    pub router: Router,
    pub hands: Arc<TestHands>,
    pub folder: tempfile::TempDir,
}

/// What came back.
pub struct Answer {
    pub status: StatusCode,
    pub headers: axum::http::HeaderMap,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The stable word of the problem.
    pub fn problem(&self) -> String {
        let kind = self.json()["type"].as_str().unwrap_or("").to_owned();
        kind.trim_start_matches("urn:tidewright:problem:").to_owned()
    }

    /// The session's cookie, as a browser sends it back.
    pub fn cookie(&self) -> String {
        let line = self.headers[header::SET_COOKIE].to_str().expect("text");
        line.split(';').next().expect("a first part").to_owned()
    }
}

/// Who sends a request, and how.
#[derive(Clone, Default)]
pub struct Sender {
    pub cookie: Option<String>,
    pub bearer: Option<String>,
    pub is_far: bool,
    pub headers: Vec<(&'static str, String)>,
    /// Without the headers of the station's own page.
    pub is_foreign: bool,
}

impl Sender {
    pub fn cookie(cookie: impl Into<String>) -> Sender {
        Sender { cookie: Some(cookie.into()), ..Sender::default() }
    }

    pub fn bearer(token: impl Into<String>) -> Sender {
        Sender { bearer: Some(token.into()), ..Sender::default() }
    }

    pub fn far(self) -> Sender {
        Sender { is_far: true, ..self }
    }
}

pub fn example() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml")
}

pub fn site(data: &Path) -> (Settings, Site) {
    // A test may have put a system of its own there.
    let own = data.join("system.toml");
    let system = if own.exists() { own } else { example() };
    let settings = Settings::virtual_board(&system, "Harbour Lane", data.to_owned());
    let site = Site::new(&settings).expect("the example compiles");
    (settings, site)
}

impl Bench {
    pub fn new() -> Bench {
        let folder = tempfile::tempdir().expect("a folder");
        Bench::in_folder(folder)
    }

    /// A station on a store that may be there.
    pub fn in_folder(folder: tempfile::TempDir) -> Bench {
        let (_, site) = site(folder.path());
        let site = Arc::new(site);
        let store = Store::open(folder.path().join("station.db")).expect("a store");
        ingest::series(&site, &store).expect("series");
        let door = Arc::new(Door::new(store.clone(), LIFE).expect("a door"));
        let hands = Arc::new(TestHands::default());
        let started_ms = now_ms();
        let app = Arc::new(App {
            live: RwLock::new(Live::new(&site, started_ms)),
            book: Mutex::new(ingest::book(&site, &store, alarms::book::Settings::default(), started_ms)),
            checks: site
                .boards
                .iter()
                .map(|board| Mutex::new(Checks::new(board, alarms::watch::Settings::default())))
                .collect(),
            teller: OnceLock::new(),
            feed: Feed::new(started_ms),
            hands: hands.clone(),
            joined: vec![],
            later: Later::default(),
            last_check: Mutex::new(None),
            ending: tokio::sync::watch::Sender::new(false),
            intake: Intake::default(),
            host_names: vec!["reef.home.arpa".to_owned()],
            started_ms,
            begin_anew: tokio::sync::Notify::new(),
            streams: Semaphore::new(4),
            commands: Semaphore::new(4),
            twins: station::twin::Twins::new(site.boards.len()),
            design: station::design::Design::default(),
            site,
            store,
            door,
        });
        app.intake.alive_ms.store(started_ms, Ordering::Relaxed);
        Bench { router: station::http::router(app.clone()), app, hands, folder }
    }

    /// Ends and starts again on the same store.
    pub fn restarted(self) -> Bench {
        let Bench { app, router, hands, folder } = self;
        drop((app, router, hands));
        Bench::in_folder(folder)
    }

    pub async fn send(&self, from: &Sender, method: Method, path: &str, body: Option<Value>) -> Answer {
        let kind = body.as_ref().map(|_| "application/json");
        self.send_body(
            from,
            method,
            path,
            kind,
            body.map_or(Body::empty(), |body| Body::from(body.to_string())),
        )
        .await
    }

    /// Sends a text whose kind stands among the headers.
    pub async fn send_text(&self, from: &Sender, path: &str, text: &str) -> Answer {
        self.send_body(from, Method::POST, path, None, Body::from(text.to_owned())).await
    }

    /// Opens a stream that has an end of its own.
    pub async fn open_stream(&self, from: &Sender, path: &str, body: Value) -> Body {
        let body = Body::from(body.to_string());
        let response = self.ask(from, Method::POST, path, Some("application/json"), body).await;
        assert_eq!(response.status(), StatusCode::OK);
        response.into_body()
    }

    /// All of such a stream.
    pub async fn stream(&self, from: &Sender, path: &str, body: Value) -> String {
        let body = self.open_stream(from, path, body).await;
        let bytes = axum::body::to_bytes(body, 1 << 26).await.expect("a body");
        String::from_utf8(bytes.to_vec()).expect("text")
    }

    /// Sends bytes of a kind.
    pub async fn send_body(
        &self,
        from: &Sender,
        method: Method,
        path: &str,
        kind: Option<&str>,
        body: Body,
    ) -> Answer {
        let (head, body) = self.ask(from, method, path, kind, body).await.into_parts();
        let kind = head.headers.get(header::CONTENT_TYPE).map(|kind| kind.to_str().expect("text").to_owned());
        // A stream has no end.
        let body = if kind.as_deref() == Some("text/event-stream") {
            vec![]
        } else {
            axum::body::to_bytes(body, 1 << 24).await.expect("a body").to_vec()
        };
        Answer { status: head.status, headers: head.headers, body }
    }

    async fn ask(
        &self,
        from: &Sender,
        method: Method,
        path: &str,
        kind: Option<&str>,
        body: Body,
    ) -> axum::response::Response {
        let mut request = Request::builder().method(method).uri(path).header(header::HOST, "localhost:7480");
        if let Some(cookie) = &from.cookie {
            request = request.header(header::COOKIE, cookie);
        }
        if let Some(bearer) = &from.bearer {
            request = request.header(header::AUTHORIZATION, format!("Bearer {bearer}"));
        }
        if !from.is_foreign {
            request = request.header("sec-fetch-site", "same-origin");
        }
        for (name, value) in &from.headers {
            request = request.header(*name, value);
        }
        if let Some(kind) = kind {
            request = request.header(header::CONTENT_TYPE, kind);
        }
        let mut request = request.body(body).expect("a request");
        // Each request from here has an address of its own, or these tests would ask too often.
        static N: AtomicU32 = AtomicU32::new(1);
        let here = Ipv4Addr::from(0x7F00_0000 | N.fetch_add(1, Ordering::Relaxed));
        let address = if from.is_far { Ipv4Addr::new(192, 0, 2, 7) } else { here };
        let way = if from.is_far { Way::Far } else { Way::Here };
        request.extensions_mut().insert(Peer { address: IpAddr::V4(address), way, is_secure: from.is_far });
        self.router.clone().oneshot(request).await.expect("the router never fails")
    }

    pub async fn get(&self, from: &Sender, path: &str) -> Answer {
        self.send(from, Method::GET, path, None).await
    }

    pub async fn post(&self, from: &Sender, path: &str, body: Value) -> Answer {
        self.send(from, Method::POST, path, Some(body)).await
    }

    /// An account with a session, without hashing a password.
    pub fn person(&self, name: &str, role: Role) -> Sender {
        self.person_since(name, role, now_ms())
    }

    /// The same, the session begun then.
    pub fn person_since(&self, name: &str, role: Role, begun_ms: i64) -> Sender {
        let text = ticket::Ticket::new().expect("randomness");
        let (hash, name) = (text.hash(), name.to_owned());
        self.app
            .store
            .write(move |db| {
                let id =
                    people::add_account(db, &name, role, "no hash", 0).expect("writes").expect("a free name");
                people::begin_session(db, id, &hash, "here", "test", begun_ms).expect("writes");
                Ok(())
            })
            .expect("writes");
        Sender::cookie(format!("{COOKIE}={}", text.text()))
    }

    /// The sessions of an account have just been used.
    pub fn seen_now(&self, account: &str) {
        let account = account.to_owned();
        self.app
            .store
            .write(move |db| {
                let account = people::account_named(db, &account).expect("reads").expect("is there");
                let n = db
                    .execute("update sessions set seen = ?1 where account = ?2", (now_ms(), account.id))
                    .expect("writes");
                assert!(n > 0);
                Ok(())
            })
            .expect("writes");
    }

    /// A token of an account that is there.
    pub fn token(&self, account: &str, scopes: &str, ends_ms: i64) -> Sender {
        let text = ticket::Ticket::new().expect("randomness");
        let (hash, account, scopes) = (text.hash(), account.to_owned(), scopes.to_owned());
        self.app
            .store
            .write(move |db| {
                let account = people::account_named(db, &account).expect("reads").expect("is there");
                people::add_token(db, account.id, &hash, "test", &scopes, 0, ends_ms).expect("writes");
                Ok(())
            })
            .expect("writes");
        Sender::bearer(text.text())
    }
}

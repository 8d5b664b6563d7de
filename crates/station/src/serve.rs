//! The station as one process: everything is started here, joined, and ended in order.

use std::fs;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use std::thread::JoinHandle;
use std::time::Duration;

use axum::Router;
use store::Store;
use store::people::SessionLife;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use virtual_board::{Chapter, Happening, Pace, Virtual};

use crate::app::{App, MOST_COMMANDS, MOST_STREAMS, now_ms};
use crate::auth::door::Door;
use crate::boards::{Act, BoardId, BoardSetup, Boards, Events, Line as BoardLine, Outcome, SafeStep};
use crate::checks::Checks;
use crate::design::{Design, study_boards};
use crate::feed::Feed;
use crate::http::listen::{self, Entrance, MOST_CONNECTIONS, Way};
use crate::http::tls::{self, write_private};
use crate::ingest::{self, Ingest, Intake};
use crate::later::{Later, Row};
use crate::live::Live;
use crate::orders::{Hands, hands_key};
use crate::settings::{Line, PastFault, Settings, TlsChoice};
use crate::site::{Site, SiteBoard};
use crate::twin::{self, Twins};
use crate::upkeep::{self, LastCheck};
use crate::{fitted, http, joined, revisions, state, telling, watchdog};

/// How long a board may take to do what it is told.
const PATIENCE: Duration = Duration::from_secs(10);
/// Changes go out so often.
const PUBLISH: Duration = Duration::from_millis(500);
/// Rounds without a reader after which what was sent is forgotten.
const ROUNDS_KEPT: u32 = 120;
/// Rounds from one telling of values to the broker to the next.
const ROUNDS_OF_BROKER: u64 = 10;
/// A tank of software settles for so long before anybody looks.
const SETTLE_S: u64 = 86_400;
/// What still runs when all parts have ended may run on so long.
const LAST_MOMENT: Duration = Duration::from_millis(300);
/// Threads for what blocks: queries, commands that wait for their board, one hash.
const BLOCKING_THREADS: usize = 16;

/// Why the station does not run, or no more: what happened and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure(pub String);

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Failure {}

/// The boards, as long as they run.
struct BoardHands(RwLock<Option<Boards>>);

impl Hands for BoardHands {
    fn act(&self, board: BoardId, act: Act) -> Outcome {
        let (tell, told) = std::sync::mpsc::channel();
        match &*self.0.read().unwrap_or_else(PoisonError::into_inner) {
            // Nobody may wait any more; then nobody is told.
            Some(boards) => boards.act(board, act, PATIENCE, move |outcome| drop(tell.send(outcome))),
            None => drop(tell.send(Outcome::NotDone { why: "the station stops".to_owned() })),
        }
        // The lock is given back by now: whoever ends the boards does not wait for one that is slow to answer.
        told.recv().unwrap_or_else(|_| Outcome::NotDone {
            why: "the station stopped before the board answered".to_owned(),
        })
    }

    fn safe_steps(&self, board: BoardId) -> Vec<SafeStep> {
        let boards = self.0.read().unwrap_or_else(PoisonError::into_inner);
        boards.as_ref().map_or(vec![], |boards| boards.make_safe(board))
    }

    fn clock_off_ms(&self, board: BoardId) -> Option<i64> {
        self.0.read().unwrap_or_else(PoisonError::into_inner).as_ref()?.status(board)?.clock_off_ms
    }
}

fn failed(what: &str) -> impl Fn(&dyn std::fmt::Display) -> Failure + '_ {
    move |error| Failure(format!("{what}: {error}"))
}

/// How serving ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// It was told to end.
    Over,
    /// A board runs another revision: the station is to begin anew, on this port of the machine.
    Anew {
        /// The port.
        port: u16,
    },
}

/// A station that has begun.
pub struct Station {
    app: Arc<App>,
    hands: Arc<BoardHands>,
    threads: Vec<(&'static str, JoinHandle<()>)>,
    joined: joined::Running,
    settings: Settings,
}

impl std::fmt::Debug for Station {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Station").field("name", &self.settings.name).finish_non_exhaustive()
    }
}

/// The board's line with its secret read, or its software started.
fn setup(settings: &Settings, site: &Site, n: usize, store: &Store) -> Result<BoardSetup, Failure> {
    let board = &site.boards[n];
    let name = &board.settings.name;
    let of = format!("board {name}");
    let line = match &board.settings.line {
        Line::Serial(path) => BoardLine::Serial(path.clone()),
        Line::Usb { id, serial } => BoardLine::Usb { id: *id, serial: serial.clone() },
        Line::Tcp { host, port, key, .. } => {
            let secret = key.read(&settings.folder).map_err(|error| failed(&of)(&error))?;
            let Some(key) = network_key(secret.expose()) else {
                return Err(Failure(format!(
                    "{of}: its key is not 32 hexadecimal digits, as it was set over the cable"
                )));
            };
            let address =
                if host.contains(':') { format!("[{host}]:{port}") } else { format!("{host}:{port}") };
            BoardLine::Tcp { address, key }
        }
        Line::Virtual { speed, history, faults } => {
            let now_s = now_ms() / 1000;
            let setup = virtual_board::Setup {
                start_utc_s: Some(now_s - history.as_secs() as i64),
                story: story(now_s, *history, faults),
                pace: if *speed == 1.0 { Pace::Live } else { Pace::Times(*speed) },
                settle_s: SETTLE_S,
                waits_for_reader: true,
                state: Some(settings.data.join(format!("{name}.tank"))),
                ..virtual_board::Setup::default()
            };
            // What it was flashed with is what it is; what runs on it stands in its memory.
            let board = Virtual::start(&board.flashed.system, setup).map_err(|error| failed(&of)(&error))?;
            BoardLine::Virtual(Arc::new(board))
        }
    };
    let mut setup = BoardSetup::new(name.clone(), board.system.clone(), line);
    setup.every = board.settings.every;
    if matches!(board.settings.line, Line::Tcp { speed: Some(_), .. }) {
        // A board of software elsewhere lives in a time of its own.
        (setup.keeps_clock, setup.keeps_time) = (false, false);
    }
    setup.last_event = store.event_position(name).map_err(|error| failed(&of)(&error))?;
    Ok(setup)
}

/// How far back the boards of software begin, ms; 0 without one.
fn longest_history_ms(site: &Site) -> i64 {
    let of = |board: &SiteBoard| match &board.settings.line {
        Line::Virtual { history, .. } => history.as_millis() as i64,
        _ => 0,
    };
    site.boards.iter().map(of).max().unwrap_or(0)
}

/// What happens in the history of a virtual board: what went wrong, and every second day somebody who fills the reservoirs.
fn story(now_s: i64, history: Duration, faults: &[PastFault]) -> Vec<Chapter> {
    const FILLED_EVERY_S: usize = 2 * 86_400;
    let begins_s = now_s - history.as_secs() as i64;
    let mut story: Vec<Chapter> = (begins_s..now_s)
        .step_by(FILLED_EVERY_S)
        .map(|at_utc_s| Chapter { at_utc_s, what: Happening::Fill })
        .collect();
    for past in faults {
        let at_utc_s = now_s - past.ago.as_secs() as i64;
        story.push(Chapter { at_utc_s, what: Happening::Strike(past.fault.clone()) });
        let over_s = at_utc_s + past.lasts.as_secs() as i64;
        story.push(Chapter { at_utc_s: over_s, what: Happening::Mend(past.fault.clone()) });
    }
    story.sort_by_key(|chapter| chapter.at_utc_s);
    story
}

fn network_key(text: &str) -> Option<[u8; 16]> {
    if text.len() != 32 || !text.is_ascii() {
        return None;
    }
    let mut key = [0; 16];
    for (n, byte) in key.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * n..2 * n + 2)?, 16).ok()?;
    }
    Some(key)
}

/// The name of this machine.
fn machine_name() -> Option<String> {
    let text = fs::read_to_string("/proc/sys/kernel/hostname")
        .or_else(|_| fs::read_to_string("/etc/hostname"))
        .ok()?;
    let name = text.trim().to_ascii_lowercase();
    (!name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '.'))
        .then_some(name)
}

/// Names under which the station is reached.
fn host_names(settings: &Settings) -> Vec<String> {
    let mut names = settings.http.names.clone();
    if let Some(name) = machine_name() {
        if !name.contains('.') {
            names.push(format!("{name}.local"));
        }
        names.push(name);
    }
    names
}

/// A folder that only its owner may enter.
fn make_folder(path: &Path) -> std::io::Result<()> {
    fs::create_dir_all(path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        fs::set_permissions(path, fs::Permissions::from_mode(0o700))?;
    }
    Ok(())
}

impl Station {
    /// Opens the store, starts the boards and what takes in. Blocks for a moment.
    ///
    /// # Errors
    /// What stands against it.
    pub fn begin(settings: Settings, site: Site, store_options: store::Options) -> Result<Station, Failure> {
        let started_ms = now_ms();
        make_folder(&settings.data).map_err(|error| {
            Failure(format!(
                "the folder {} cannot be made: {error}; name another as `data` in [station]",
                settings.data.display()
            ))
        })?;
        let store = Store::open_with(settings.data.join("station.db"), store_options)
            .map_err(|error| failed("the store cannot be opened")(&error))?;
        let site = Arc::new(revisions::as_run(site, &store));
        let in_store = failed("the store");
        let series = ingest::series(&site, &store).map_err(|error| in_store(&error))?;
        let life = SessionLife {
            idle_ms: settings.http.session_idle.as_millis() as i64,
            longest_ms: settings.http.session_longest.as_millis() as i64,
        };
        let door = Arc::new(Door::new(store.clone(), life).map_err(|error| in_store(&error))?);
        let begins_ms = started_ms - longest_history_ms(&site);
        let book = ingest::book(&site, &store, alarms::book::Settings::default(), begins_ms);
        let setups = (0..site.boards.len()).map(|n| setup(&settings, &site, n, &store));
        let setups = setups.collect::<Result<Vec<_>, _>>()?;
        let (boards, events) = Boards::start(setups).map_err(|error| Failure(error.to_string()))?;
        let hands = Arc::new(BoardHands(RwLock::new(Some(boards))));
        let checks = site.boards.iter().map(|board| {
            let kept = store.setting(&ingest::checks_key(&board.settings.name)).ok().flatten();
            Mutex::new(Checks::restored(board, settings.checks, kept.as_deref()))
        });
        let checks = checks.collect();
        let (joined, listeners, inboxes) = joined::prepare(&site).into_parts();
        let mut live = Live::new(&site, started_ms);
        for (n, board) in site.boards.iter().enumerate() {
            let kept = store.setting(&hands_key(&board.settings.name)).ok().flatten();
            let hands = kept.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default();
            live.restore_hands(&site, n, &hands);
        }
        let app = Arc::new(App {
            joined,
            live: RwLock::new(live),
            book: Mutex::new(book),
            checks,
            teller: OnceLock::new(),
            feed: Feed::new(started_ms),
            hands: hands.clone(),
            later: Later::default(),
            last_check: Mutex::new(LastCheck::kept(&store)),
            ending: watch::Sender::new(false),
            intake: Intake::default(),
            host_names: host_names(&settings),
            started_ms,
            begin_anew: tokio::sync::Notify::new(),
            streams: Semaphore::new(MOST_STREAMS),
            commands: Semaphore::new(MOST_COMMANDS),
            design: Design::default(),
            twins: Twins::new(site.boards.len()),
            site,
            store,
            door,
        });
        app.intake.alive_ms.store(started_ms, std::sync::atomic::Ordering::Relaxed);
        fitted::restore(&app);
        let started = "the station started";
        match app.store.add_event(started_ms, "station", "start", started) {
            Err(error) if error.may_pass() => {
                // A disk that is full must not keep anybody from looking, nor from being told.
                eprintln!("the store fails: {error}");
                app.intake.failing.store(1, std::sync::atomic::Ordering::Relaxed);
                app.later.keep(Row::Event(started_ms, "station".to_owned(), "start", started.to_owned()));
            }
            other => drop(other.map_err(|error| in_store(&error))?),
        }
        telling::begin(&app, &settings.tell, &settings.folder, listeners)
            .map_err(|findings| Failure(format!("[tell] of the station file: {}", findings.join("; "))))?;
        let ingest = Ingest::new(app.clone(), series);
        let thread = std::thread::Builder::new()
            .name("ingest".to_owned())
            .spawn(move || take_in(ingest, &events))
            .map_err(|error| failed("no thread for taking in")(&error))?;
        let (joined, mut threads) = joined::start(&app, inboxes).map_err(Failure)?;
        threads.push(("ingest", thread));
        Ok(Station { app, hands, threads, joined, settings })
    }

    /// What all parts share.
    pub fn app(&self) -> &Arc<App> {
        &self.app
    }

    /// Everything that is served.
    pub fn router(&self) -> Router {
        http::router(self.app.clone())
    }

    /// Serves until `end` is true or it is to begin anew, then ends everything in order. `say` gets lines for whoever started it.
    ///
    /// # Errors
    /// It cannot listen, or a part has died.
    pub async fn serve(
        self,
        say: impl Fn(&str) + Send + Sync,
        is_terminal: bool,
        end: watch::Receiver<bool>,
    ) -> Result<Ending, Failure> {
        let (stop, stopped) = watch::channel(false);
        let router = self.router();
        let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
        let here = Entrance { way: Way::Here, tls: None, tls_in_front: false, places: places.clone() };
        let mut listeners = tokio::task::JoinSet::new();
        let port = self.settings.http.here_port;
        let listener = TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port))).await.map_err(|error| {
            Failure(format!("port {port} of this machine cannot be listened on: {error}; another station runs, or name another as `here_port` in [http]"))
        })?;
        let port = listener.local_addr().map_or(port, |address| address.port());
        listeners.spawn(listen::listen(listener, here.clone(), router.clone(), stopped.clone()));
        // Machines without IPv6 do without.
        if let Ok(listener) = TcpListener::bind(SocketAddr::from((Ipv6Addr::LOCALHOST, port))).await {
            listeners.spawn(listen::listen(listener, here, router.clone(), stopped.clone()));
        }
        say(&format!("listening on this machine: http://localhost:{port}"));
        self.say_first_code(&say, is_terminal)?;
        let far = self.settings.http.listen.map(|address| self.far(address, places)).transpose()?;
        if let (Some(address), Some((_, Some(fingerprint)))) = (self.settings.http.listen, &far) {
            say(&format!("certificate of https://{address}, SHA-256: {fingerprint}"));
        }
        let publisher = tokio::spawn(publish(self.app.clone(), stopped.clone()));
        let keeper = tokio::spawn(upkeep::run(self.app.clone(), self.settings.clone(), stopped.clone()));
        let studies = tokio::spawn(study_boards(self.app.clone(), stopped.clone()));
        let twins = tokio::spawn(twin::run(self.app.clone(), stopped.clone()));
        watchdog::tell_systemd("READY=1");
        let mut owner = self.app.door.has_owner();
        let mut end = end;
        let outcome = {
            let watched = watchdog::watch(self.app.clone(), &self.threads, stopped.clone());
            let mut watched = std::pin::pin!(watched);
            let mut is_open = false;
            loop {
                tokio::select! {
                    () = until(&mut end) => break Ok(Ending::Over),
                    () = self.app.begin_anew.notified() => break Ok(Ending::Anew { port }),
                    died = watched.as_mut() => break died.map(|()| Ending::Over).map_err(Failure),
                    () = until(&mut owner), if !is_open => {
                        is_open = true;
                        let _ = fs::remove_file(self.code_file());
                        let Some((entrance, _)) = &far else { continue };
                        let Some(address) = self.settings.http.listen else { continue };
                        match TcpListener::bind(address).await {
                            Ok(listener) => {
                                listeners.spawn(listen::listen(listener, entrance.clone(), router.clone(), stopped.clone()));
                                say(&format!("listening for others: {address}"));
                            }
                            Err(error) => break Err(Failure(format!("{address} cannot be listened on: {error}; is it an address of this machine?"))),
                        }
                    }
                }
            }
        };
        watchdog::tell_systemd("STOPPING=1");
        stop.send_replace(true);
        self.app.ending.send_replace(true);
        while listeners.join_next().await.is_some() {}
        let _ = publisher.await;
        let _ = keeper.await;
        let _ = studies.await;
        let _ = twins.await;
        let Station { app, hands, threads, joined, .. } = self;
        // Boards end first; what they told is taken in to the last, then the store closes.
        let ended = tokio::task::spawn_blocking(move || {
            drop(joined);
            drop(hands.0.write().unwrap_or_else(PoisonError::into_inner).take());
            let died: Vec<&str> = threads
                .into_iter()
                .filter_map(|(name, thread)| thread.join().is_err().then_some(name))
                .collect();
            let _ = app.store.add_event(now_ms(), "station", "stop", "the station stopped in order");
            died
        });
        match ended.await {
            Ok(died) if died.is_empty() => outcome,
            Ok(died) => {
                outcome.and(Err(Failure(format!("the part `{}` of the station had died", died.join("`, `")))))
            }
            Err(_) => outcome.and(Err(Failure("the station could not end in order".to_owned()))),
        }
    }

    fn code_file(&self) -> std::path::PathBuf {
        self.settings.data.join("first-owner-code")
    }

    /// Without an owner: the code that makes one, on the terminal; without a terminal in a file that only the station's user can read, for what
    /// a service prints is kept where others can read it.
    fn say_first_code(&self, say: &impl Fn(&str), is_terminal: bool) -> Result<(), Failure> {
        let Some(code) = self.app.door.new_first_code() else { return Ok(()) };
        let only_here =
            if self.settings.http.listen.is_some() { "; until then only this machine is served" } else { "" };
        if is_terminal {
            say(&format!("no owner yet{only_here}; code for the first account: {code}"));
        } else {
            let file = self.code_file();
            write_private(&file, format!("{code}\n").as_bytes())
                .map_err(|error| Failure(format!("{} cannot be written: {error}", file.display())))?;
            say(&format!(
                "no owner yet{only_here}; the code for the first account stands in {}",
                file.display()
            ));
        }
        Ok(())
    }

    /// How others come in, and the certificate's fingerprint.
    fn far(
        &self,
        address: SocketAddr,
        places: Arc<Semaphore>,
    ) -> Result<(Entrance, Option<String>), Failure> {
        let made = match &self.settings.http.tls {
            TlsChoice::InFront => {
                return Ok((Entrance { way: Way::Far, tls: None, tls_in_front: true, places }, None));
            }
            TlsChoice::Own { certificate, key } => tls::own(certificate, key),
            TlsChoice::Generated => {
                let mut names = self.app.host_names.clone();
                names.push("localhost".to_owned());
                let ip = address.ip();
                if !ip.is_unspecified() {
                    names.push(ip.to_string());
                }
                names.sort();
                names.dedup();
                tls::generated(&self.settings.data, &names)
            }
        };
        let made = made.map_err(|error| Failure(error.0))?;
        Ok((
            Entrance { way: Way::Far, tls: Some(made.acceptor), tls_in_front: false, places },
            Some(made.fingerprint),
        ))
    }
}

/// Waits until it is true; whoever could make it so being gone counts too.
pub(crate) async fn until(told: &mut watch::Receiver<bool>) {
    let _ = told.wait_for(|told| *told).await;
}

fn take_in(ingest: Ingest, events: &Events) {
    ingest.run(|into, most, wait| events.take(into, most, wait));
}

/// Sends what changes to whoever watches.
async fn publish(app: Arc<App>, mut stopped: watch::Receiver<bool>) {
    let mut before: Option<state::StateBody> = None;
    let mut rounds_alone = 0;
    let mut n_round = 0_u64;
    let mut every = tokio::time::interval(PUBLISH);
    every.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = until(&mut stopped) => return,
            _ = every.tick() => {}
        }
        n_round += 1;
        if n_round.is_multiple_of(ROUNDS_OF_BROKER) && app.teller.get().is_some() {
            let _ = app
                .blocking(|app| {
                    telling::publish(app);
                    Ok(())
                })
                .await;
        }
        rounds_alone = if app.feed.has_readers() { 0 } else { rounds_alone + 1 };
        if rounds_alone > ROUNDS_KEPT {
            if before.take().is_some() {
                app.feed.forget();
            }
            continue;
        }
        let Ok(after) = app.blocking(|app| Ok(state::now(app, now_ms()))).await else { continue };
        if let Some(data) = state::delta(before.as_ref(), &after) {
            app.feed.send("now", data);
        }
        before = Some(after);
    }
}

/// Runs a station until it is told to end (SIGTERM, SIGINT). Blocks.
///
/// # Errors
/// What stands against it, or what it ended of.
pub fn run(
    settings: Settings,
    site: Site,
    say: impl Fn(&str) + Send + Sync,
    is_terminal: bool,
) -> Result<(), Failure> {
    crate::memory::be_sparing();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(BLOCKING_THREADS)
        .enable_all()
        .build()
        .map_err(|error| failed("the station's runtime cannot start")(&error))?;
    let (end, ended) = watch::channel(false);
    runtime.spawn(async move {
        wait_for_signal().await;
        end.send_replace(true);
        // Whoever asks twice does not want to wait.
        wait_for_signal().await;
        std::process::exit(130);
    });
    let outcome = keep_serving(runtime.handle(), settings, site, &say, is_terminal, &ended);
    // What still runs then (an export that nobody reads) has nothing left to lose.
    runtime.shutdown_timeout(LAST_MOMENT);
    outcome
}

/// Serves until `ended` is true. Where a board turns out to run another revision, the station begins anew within the process.
///
/// # Errors
/// What stands against it, or what it ended of.
pub fn keep_serving(
    runtime: &tokio::runtime::Handle,
    mut settings: Settings,
    site: Site,
    say: &(impl Fn(&str) + Send + Sync),
    is_terminal: bool,
    ended: &watch::Receiver<bool>,
) -> Result<(), Failure> {
    let mut station = Station::begin(settings.clone(), site, store::Options::default())?;
    loop {
        let studied = station.app().design.kept.clone();
        match runtime.block_on(station.serve(say, is_terminal, ended.clone()))? {
            Ending::Over => return Ok(()),
            Ending::Anew { port } => {
                say("a board runs another revision: the station begins anew");
                settings.http.here_port = port;
                let site = Site::new(&settings).map_err(|unfit| {
                    let first = unfit.findings.first().map_or("", |finding| finding.message.as_str());
                    Failure(format!("{} cannot be served any more: {first}", unfit.file))
                })?;
                station = Station::begin(settings.clone(), site, store::Options::default())?;
                // What was studied of a text is true of it whatever a board runs.
                station.app().design.kept.take_over(&studied);
            }
        }
    }
}

async fn wait_for_signal() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let (Ok(mut terminate), Ok(mut interrupt)) =
            (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
        {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            return;
        }
    }
    // Without signals the process runs until it is ended from outside.
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
}

//! A virtual board that runs: a thread of its own, its pace, its lines, its faults, its state file.

use std::collections::VecDeque;
use std::io;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use program::eeprom::Map;
use system::{Diagnostic, System};
use trial::{Fault, Injection, Model};
use twin::Start;

use crate::board::{Board, Kind, Line};
use crate::made::Made;
use crate::memory::Memory;
use crate::pipe::{BoardEnd, FULL, Wake, Wire, lock, pipe};
use crate::port::Port;
use crate::state::{load, save};
#[cfg(unix)]
use crate::stream::Terminal;
use crate::stream::carry_tcp;
use crate::world::{Tank, World};

/// How fast a virtual board lives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// By the computer's clock. A board that is behind it (its start lies in the past) catches up as fast as its reader takes it.
    Live,
    /// So many times as fast as time, and not faster than its reader takes it.
    Times(f64),
}

/// How a virtual board begins.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// Start, UTC s since 1970. `None`: now.
    pub start_utc_s: Option<i64>,
    /// Seed of all noise.
    pub seed: u64,
    /// How fast.
    pub pace: Pace,
    /// Time that passes before anybody can look, s: the tank settles.
    pub settle_s: u64,
    /// While it is behind the present, or runs faster than time, it only goes on while somebody reads its records.
    pub waits_for_reader: bool,
    /// Network key from the start.
    pub key: Option<[u8; 16]>,
    /// Where tank and board are kept, so that another start of the process goes on with them.
    pub state: Option<PathBuf>,
    /// What happens to the tank by itself, in the order of time. What lies before the tank's own time is left out.
    pub story: Vec<Chapter>,
}

/// Something that happens to the tank at a time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chapter {
    /// When, UTC s since 1970.
    pub at_utc_s: i64,
    /// What.
    pub what: Happening,
}

/// What can happen to a tank.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Happening {
    /// A fault strikes, by its name in the FMEA.
    Strike(String),
    /// It is mended; what it did to the water stays.
    Mend(String),
    /// Reservoirs are filled as a person does.
    Fill,
}

impl Default for Setup {
    /// Live, from now, nothing kept.
    fn default() -> Self {
        Setup {
            start_utc_s: None,
            seed: 1,
            pace: Pace::Live,
            settle_s: 0,
            waits_for_reader: false,
            key: None,
            state: None,
            story: Vec::new(),
        }
    }
}

/// Why a virtual board does not start.
#[derive(Debug)]
pub enum StartError {
    /// The story has a fault that this system has not.
    Fault(String),
    /// The rules do not compile: the compiler's findings.
    Rules(Vec<Diagnostic>),
    /// The state file cannot be read, or is not of this system. Move it away to begin anew.
    State(PathBuf, String),
    /// No thread could be had.
    Thread(io::Error),
}

impl std::fmt::Display for StartError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            StartError::Rules(findings) => {
                let first = findings.first().map_or("", |finding| finding.message.as_str());
                write!(f, "the rules do not compile: {first}")
            }
            StartError::State(path, why) => {
                write!(f, "{}: {why}; move the file away to begin anew", path.display())
            }
            StartError::Fault(name) => {
                write!(f, "this system has no fault `{name}`; `tidewright fmea` names those that it has")
            }
            StartError::Thread(error) => write!(f, "no thread for the virtual board: {error}"),
        }
    }
}

impl std::error::Error for StartError {}

/// What a virtual board is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Now {
    /// Scans since the start of the tank.
    pub n_scans: u64,
    /// Its time, UTC ms since 1970.
    pub utc_ms: i64,
    /// Records sent.
    pub n_records: u64,
    /// Records broken off because nobody took them in time.
    pub n_broken: u64,
    /// The board has power and runs.
    pub is_on: bool,
    /// Starts of the board.
    pub n_starts: u64,
}

enum Order {
    Cable(BoardEnd),
    Network(BoardEnd),
    Pace(Pace),
    Strike(Injection),
    Mend(Injection),
    Fill,
    Save(Sender<io::Result<()>>),
}

struct Shared {
    wake: Arc<Wake>,
    is_over: AtomicBool,
    now: Mutex<Now>,
}

/// A running virtual board. Dropped, it saves its state and stops.
pub struct Virtual {
    shared: Arc<Shared>,
    orders: Sender<Order>,
    faults: Vec<Fault>,
    thread: Option<JoinHandle<()>>,
    listeners: Mutex<Vec<(SocketAddr, JoinHandle<()>)>>,
}

impl std::fmt::Debug for Virtual {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "virtual board {:?}", self.now())
    }
}

const S_AT_2000: i64 = 946_684_800;
/// The tank is saved so often, by the computer's clock.
const SAVE_EVERY: Duration = Duration::from_secs(300);
/// Between two looks at the lines during many scans without pause.
const SCANS_IN_A_ROW: u32 = 256;
/// A board that is this late catches up; one that is less late only missed its moment.
const LATE_MS: i64 = 2000;
const IDLE: Duration = Duration::from_millis(100);

fn now_utc_ms() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_millis() as i64)
}

/// What kind of board a system has.
fn kind(system: &System, made: &Made) -> Kind {
    let chip = system.boards.first().and_then(|board| system.library.chip(&board.chip));
    let map = chip.and_then(|chip| Map::for_size(chip.eeprom as usize)).unwrap_or(Map::LARGE);
    let golden = made.compiled.bytes.clone();
    let n_drives = usize::from(made.compiled.sizes.n_drives);
    let mut kind = match &made.wiring {
        Some(wiring) => Kind::of(wiring, made.wiring_crc, n_drives, golden, map),
        None => {
            let n_numbers = control::wiring::numbers(system, &made.compiled.inputs).len();
            Kind {
                board: 0,
                wiring_crc: 0,
                n_wired: [n_numbers, made.compiled.inputs.len() - n_numbers, n_drives],
                buzzers: vec![],
                compensated: vec![],
                n_keys: 0,
                has_clock_part: false,
                golden,
                pool: 16_384,
                map,
            }
        }
    };
    // The computer that this board is has the time.
    kind.has_clock_part = true;
    if control::panel::is_wanted(system)
        && let Ok(panel) = control::panel::table(system, &made.compiled)
    {
        kind.n_keys = panel.panel.keys.len() as u8;
    }
    kind
}

impl Virtual {
    /// Starts a virtual board of a system.
    ///
    /// # Errors
    /// See [`StartError`].
    pub fn start(system: &System, setup: Setup) -> Result<Virtual, StartError> {
        let made = Made::new(system).map_err(StartError::Rules)?;
        let model =
            Model::with_options(system, &Made::options(made.wiring_crc)).map_err(StartError::Rules)?;
        let kind = kind(system, &made);
        let saved = match &setup.state {
            Some(path) => load(path, kind.map)?,
            None => None,
        };
        let start = saved.as_ref().map_or_else(
            || {
                let mut start = trial::start(&model, setup.seed);
                if let Some(utc_s) = setup.start_utc_s.or(Some(now_utc_ms() / 1000)) {
                    start.utc_s = utc_s - setup.settle_s as i64;
                    start.local_offset_s = trial::local_offset_s(&model, start.utc_s);
                }
                start
            },
            |saved| saved.start,
        );
        let faults = trial::derive(system);
        let story = setup
            .story
            .iter()
            .map(|chapter| written(chapter, &faults))
            .collect::<Result<VecDeque<_>, _>>()?;
        let shared = Arc::new(Shared {
            wake: Arc::new(Wake::default()),
            is_over: AtomicBool::new(false),
            now: Mutex::default(),
        });
        let (orders, inbox) = channel();
        let (ready, is_ready) = channel();
        let of_thread = shared.clone();
        let run = move || {
            let mut tank = Tank::new(&model, start);
            let (memory, is_new) = match saved {
                Some(saved) if tank.resume(&saved.snapshot) => (saved.memory, false),
                Some(_) => {
                    let _ = ready.send(Some("this is the state of another system"));
                    return;
                }
                None => (Memory::blank(kind.map), true),
            };
            // The program was validated when it was compiled.
            let Some(mut board) = Board::new(kind, tank, memory) else { return };
            if let Some(key) = &setup.key {
                board.set_key_at_start(key);
            }
            let _ = ready.send(None);
            if is_new {
                let n_scans = setup.settle_s * 1000 / u64::from(model.system().scan_ms);
                for _ in 0..n_scans {
                    if of_thread.is_over.load(Ordering::Relaxed) {
                        return;
                    }
                    board.scan();
                }
            }
            Loop::new(board, start, setup, story, &of_thread, inbox).run();
        };
        let thread = std::thread::Builder::new()
            .name("virtual-board".into())
            .spawn(run)
            .map_err(StartError::Thread)?;
        if let Ok(Some(why)) = is_ready.recv() {
            let _ = thread.join();
            return Err(StartError::State(PathBuf::new(), why.to_owned()));
        }
        Ok(Virtual { shared, orders, faults, thread: Some(thread), listeners: Mutex::default() })
    }

    fn order(&self, order: Order) {
        // A thread that has ended takes no orders; `now` shows that it stands.
        let _ = self.orders.send(order);
        self.shared.wake.wake();
    }

    /// A cable in memory.
    pub fn cable(&self) -> Wire {
        let (end, wire) = pipe(&self.shared.wake);
        self.order(Order::Cable(end));
        wire
    }

    /// A network connection in memory: sealed, one at a time.
    pub fn network(&self) -> Wire {
        let (end, wire) = pipe(&self.shared.wake);
        self.order(Order::Network(end));
        wire
    }

    /// Listens for network connections; port 0 takes a free one. Gives the address.
    ///
    /// # Errors
    /// When the address cannot be had.
    pub fn listen(&self, address: &str) -> io::Result<SocketAddr> {
        let listener = TcpListener::bind(address)?;
        let address = listener.local_addr()?;
        let (orders, shared) = (self.orders.clone(), self.shared.clone());
        let accept = move || {
            for stream in listener.incoming() {
                if shared.is_over.load(Ordering::Relaxed) {
                    return;
                }
                let Ok(stream) = stream else { continue };
                let (end, wire) = pipe(&shared.wake);
                if orders.send(Order::Network(end)).is_err() {
                    return;
                }
                shared.wake.wake();
                carry_tcp(stream, wire);
            }
        };
        let thread = std::thread::Builder::new().name("virtual-board-accept".into()).spawn(accept)?;
        lock(&self.listeners).push((address, thread));
        Ok(address)
    }

    /// A serial line: a pseudo-terminal, and the path at which it can be opened. It goes when the guard is dropped, as a plug is pulled.
    ///
    /// # Errors
    /// When there is no pseudo-terminal to be had.
    #[cfg(unix)]
    pub fn terminal(&self) -> io::Result<Terminal> {
        Terminal::open(self.cable())
    }

    /// Another pace from now on.
    pub fn set_pace(&self, pace: Pace) {
        self.order(Order::Pace(pace));
    }

    /// The faults that can strike: those of the FMEA.
    pub fn faults(&self) -> &[Fault] {
        &self.faults
    }

    fn fault(&self, id: &str) -> Option<Injection> {
        injection(&self.faults, id)
    }

    /// A fault strikes, by its name `part:mode`; false: there is none of this name.
    pub fn strike(&self, id: &str) -> bool {
        let fault = self.fault(id);
        if let Some(injection) = fault {
            self.order(Order::Strike(injection));
        }
        fault.is_some()
    }

    /// A fault is mended; what it did to the water stays.
    pub fn mend(&self, id: &str) -> bool {
        let fault = self.fault(id);
        if let Some(injection) = fault {
            self.order(Order::Mend(injection));
        }
        fault.is_some()
    }

    /// Reservoirs are filled as a person does.
    pub fn fill_reservoirs(&self) {
        self.order(Order::Fill);
    }

    /// What it is doing.
    pub fn now(&self) -> Now {
        *lock(&self.shared.now)
    }

    /// Writes the state file now; nothing without one.
    ///
    /// # Errors
    /// When it cannot be written; the one before is still there.
    pub fn save(&self) -> io::Result<()> {
        let (done, is_done) = channel();
        self.order(Order::Save(done));
        is_done.recv().unwrap_or_else(|_| Err(io::Error::other("the virtual board has stopped")))
    }
}

impl Drop for Virtual {
    fn drop(&mut self) {
        self.shared.is_over.store(true, Ordering::Relaxed);
        self.shared.wake.wake();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        for (address, thread) in lock(&self.listeners).drain(..) {
            // What waits for a connection gets one, and sees that all is over.
            let _ = TcpStream::connect_timeout(&address, Duration::from_secs(1));
            let _ = thread.join();
        }
    }
}

fn injection(faults: &[Fault], id: &str) -> Option<Injection> {
    faults.iter().find(|fault| fault.id() == id).map(|fault| fault.injection)
}

/// A chapter as the thread reads it: its time, and the order that it amounts to.
fn written(chapter: &Chapter, faults: &[Fault]) -> Result<(i64, Order), StartError> {
    let known = |name: &String| injection(faults, name).ok_or_else(|| StartError::Fault(name.clone()));
    let order = match &chapter.what {
        Happening::Strike(name) => Order::Strike(known(name)?),
        Happening::Mend(name) => Order::Mend(known(name)?),
        Happening::Fill => Order::Fill,
    };
    Ok((chapter.at_utc_s * 1000, order))
}

/// The thread.
struct Loop<'a, 'm> {
    board: Board<Tank<'m>>,
    start: Start,
    setup: Setup,
    shared: &'a Shared,
    inbox: Receiver<Order>,
    cables: Vec<Port>,
    network: Option<Port>,
    n_sessions: u32,
    n_keys_set: u64,
    n_starts: u64,
    /// When and at which time of the tank the pace was set.
    paced: (Instant, i64),
    /// It was late and has not caught up yet.
    is_behind: bool,
    saved: Instant,
    now: Now,
    /// Which cable subscribed last.
    reader: usize,
    /// What is still to happen: when, UTC ms since 1970, and what.
    story: VecDeque<(i64, Order)>,
}

impl<'a, 'm> Loop<'a, 'm> {
    fn new(
        board: Board<Tank<'m>>,
        start: Start,
        setup: Setup,
        mut story: VecDeque<(i64, Order)>,
        shared: &'a Shared,
        inbox: Receiver<Order>,
    ) -> Self {
        let utc_ms = board.world().utc_ms();
        story.retain(|(at_ms, _)| *at_ms >= utc_ms + S_AT_2000 * 1000);
        Loop {
            board,
            start,
            setup,
            shared,
            inbox,
            cables: Vec::new(),
            network: None,
            n_sessions: 0,
            n_keys_set: 0,
            n_starts: 0,
            paced: (Instant::now(), utc_ms),
            is_behind: false,
            saved: Instant::now(),
            now: Now::default(),
            reader: 0,
            story,
        }
    }

    fn utc_ms(&self) -> i64 {
        self.board.world().utc_ms() + S_AT_2000 * 1000
    }

    /// How long until the next scan is due, ms; negative when it is late.
    fn due_in_ms(&self) -> i64 {
        match self.setup.pace {
            Pace::Live => self.utc_ms() - now_utc_ms(),
            Pace::Times(times) => {
                let passed_ms = (self.board.world().utc_ms() - self.paced.1) as f64 / times.max(1e-3);
                passed_ms as i64 - self.paced.0.elapsed().as_millis() as i64
            }
        }
    }

    fn run(mut self) {
        while !self.shared.is_over.load(Ordering::Relaxed) {
            self.take_orders();
            self.serve();
            let wait = self.scans();
            self.flush();
            self.tell();
            if self.setup.state.is_some() && self.saved.elapsed() >= SAVE_EVERY {
                let _ = self.save();
            }
            if !wait.is_zero() {
                self.shared.wake.wait(wait);
            }
        }
        let _ = self.save();
    }

    fn save(&mut self) -> io::Result<()> {
        self.saved = Instant::now();
        self.setup.state.as_deref().map_or(Ok(()), |path| save(path, &self.start, &self.board))
    }

    fn tell(&mut self) {
        self.now.n_scans = self.board.world().n_scans();
        self.now.utc_ms = self.utc_ms();
        self.now.is_on = self.board.is_on();
        self.now.n_starts = self.board.n_starts();
        *lock(&self.shared.now) = self.now;
    }

    fn take_orders(&mut self) {
        while let Ok(order) = self.inbox.try_recv() {
            self.take(order);
        }
    }

    /// What the story has for the time that has come.
    fn read_on(&mut self) {
        let utc_ms = self.utc_ms();
        while self.story.front().is_some_and(|(at_ms, _)| *at_ms <= utc_ms) {
            if let Some((_, order)) = self.story.pop_front() {
                self.take(order);
            }
        }
    }

    fn take(&mut self, order: Order) {
        match order {
            Order::Cable(end) => self.cables.push(Port::cable(end)),
            Order::Network(end) if self.network.is_none() && self.board.is_on() => {
                let (key, boots) = self.board.key();
                self.network = Port::network(end, key, boots, self.n_sessions);
            }
            // One connection at a time, and none without power: dropped, it is closed.
            Order::Network(_) => {}
            Order::Pace(pace) => {
                self.setup.pace = pace;
                self.paced = (Instant::now(), self.board.world().utc_ms());
            }
            Order::Strike(injection) => self.board.world_mut().strike(injection),
            Order::Mend(injection) => self.board.world_mut().mend(injection),
            Order::Fill => self.board.world_mut().fill_reservoirs(),
            Order::Save(done) => {
                let _ = done.send(self.save());
            }
        }
    }

    /// Requests of all lines.
    fn serve(&mut self) {
        let Loop { board, cables, network, n_sessions, n_keys_set, reader, .. } = self;
        let mut at = 0;
        while at < cables.len() {
            let n_before = board.n_subscriptions();
            if cables[at].serve(board, n_sessions) {
                if board.n_subscriptions() != n_before {
                    *reader = at;
                }
                at += 1;
            } else {
                cables.remove(at);
                if *reader == at {
                    board.line_closed(Line::Cable);
                }
                *reader -= usize::from(*reader > at);
            }
        }
        let is_other_key = std::mem::replace(n_keys_set, board.n_keys_set()) != board.n_keys_set();
        if network.as_mut().is_some_and(|port| is_other_key || !port.serve(board, n_sessions)) {
            *network = None;
            board.line_closed(Line::Network);
        }
        self.note_starts();
    }

    /// A restart ends the network's connection, and its sessions count anew.
    fn note_starts(&mut self) {
        if self.board.n_starts() != self.n_starts {
            self.n_starts = self.board.n_starts();
            self.n_sessions = 0;
            self.network = None;
        }
    }

    fn is_reader_full(&self) -> bool {
        let port = self.network.iter().chain(self.cables.get(self.reader));
        port.map(Port::n_waiting).max().unwrap_or(0) >= FULL
    }

    /// Scans that are due; how long to wait after them.
    fn scans(&mut self) -> Duration {
        for _ in 0..SCANS_IN_A_ROW {
            let due_ms = self.due_in_ms();
            if due_ms > 0 {
                self.is_behind = false;
                return Duration::from_millis(due_ms as u64).min(IDLE);
            }
            // What was late waits for its reader until it has caught up: the last two seconds too.
            self.is_behind |= due_ms <= -LATE_MS;
            let is_live = self.setup.pace == Pace::Live && !self.is_behind;
            if !is_live {
                let waits = self.setup.waits_for_reader && self.board.n_starts() > 0;
                if waits && !self.board.has_reader() && self.board.is_on() {
                    self.pause();
                    return IDLE;
                }
                if self.is_reader_full() {
                    return IDLE;
                }
            }
            self.read_on();
            self.board.scan();
            self.note_starts();
            if let Some((line, record)) = self.board.record() {
                let is_full = is_live && self.is_reader_full();
                let port = match line {
                    Line::Cable => self.cables.get_mut(self.reader),
                    Line::Network => self.network.as_mut(),
                };
                match port {
                    Some(_) if is_full => self.now.n_broken += 1,
                    Some(port) => {
                        self.now.n_records += u64::from(port.put_record(&record));
                        port.send();
                    }
                    None => {}
                }
            }
        }
        Duration::ZERO
    }

    /// Time that nobody read in is not made up for at a pace.
    fn pause(&mut self) {
        self.paced = (Instant::now(), self.board.world().utc_ms());
    }

    fn flush(&mut self) {
        for port in self.cables.iter_mut().chain(&mut self.network) {
            port.flush();
        }
    }
}

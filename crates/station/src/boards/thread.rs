//! The thread of one board: meets it, reads it, catches up its journal, carries out what people want, and begins anew when the line goes.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use link::client::{Client, ClientError, Taken};
use link::message::{Hello, sections};
use link::record::Record;

use crate::app::now_ms;

use super::act::{Act, Done, Outcome};
use super::clock::{Scans, minute_ms};
use super::event::{BoardEvent, BoardId, Entry, Journal, LinkState, MS_AT_2000, Scan, Stored};
use super::line::{AnyTransport, NotMet};
use super::names::Trust;
use super::queue::{Outlet, lock};
use super::words;
use super::{BoardSetup, Known, Status};

/// What a station asks of each scan.
const SECTIONS: u8 = sections::INPUTS | sections::OUTPUTS | sections::STATES | sections::RESULTS;
/// How long the thread waits for a record before it looks at what else there is to do.
const LOOK: Duration = Duration::from_millis(50);
/// A line on which nothing is said is asked after so long; a board ends a network connection after 60 s.
const KEEP_ALIVE: Duration = Duration::from_secs(20);
/// Records may be so late before the board is asked whether it is there.
const LATE: Duration = Duration::from_secs(2);
/// Between two tries to meet a board: from, to.
const BACK_OFF: [Duration; 2] = [Duration::from_millis(500), Duration::from_secs(30)];
/// A connection that lasted so long was a good one: the next try comes soon.
const GOOD_AFTER: Duration = Duration::from_secs(60);
/// A journal that nobody has kept after so long is offered again.
const KEPT_WITHIN: Duration = Duration::from_secs(60);
/// One that could not be kept is offered again after so long.
const OFFERED_AGAIN: Duration = Duration::from_secs(2);
/// A board's clock may be off so far, ms, before it is set.
const CLOCK_MAY_BE_OFF_MS: i64 = 2_000;
/// And so far before its times are not believed.
const CLOCK_IS_WRONG_MS: i64 = 10_000;
/// It is not set more often than this: what jumps is told, not chased.
const BETWEEN_CLOCK_SETS: Duration = Duration::from_secs(600);
/// Records that a board may bring at once and over time, as a multiple of its scans, before it counts as flooding.
const FLOOD_BURST: f64 = 200.0;
const FLOOD_TIMES: f64 = 3.0;
/// Unsound frames in one connection, none sound between, before the line counts as carrying nonsense.
const MOST_UNSOUND: u64 = 500;

/// One act on its way.
pub(super) struct Wish {
    pub act: Act,
    pub until: Instant,
    pub reply: Box<dyn FnOnce(Outcome) + Send>,
}

impl Wish {
    fn not_done(self, why: &str) {
        (self.reply)(Outcome::NotDone { why: why.to_owned() });
    }
}

/// Why a connection ended.
enum End {
    /// The station stops, or nobody keeps what comes.
    Over,
    /// The line failed.
    Line(String),
    /// Nothing answers.
    Silent,
    /// The board does what no board does.
    Refused(String),
}

impl From<ClientError> for End {
    fn from(error: ClientError) -> End {
        match error {
            ClientError::NoAnswer => End::Silent,
            ClientError::Line(error) => End::Line(format!("the line to the board failed: {error}")),
            error => End::Refused(error.to_string()),
        }
    }
}

pub(super) struct Thread {
    pub board: BoardId,
    pub setup: BoardSetup,
    pub known: Arc<Known>,
    pub status: Arc<std::sync::Mutex<Status>>,
    pub outlet: Outlet,
    pub wishes: Receiver<Wish>,
    pub is_over: Arc<AtomicBool>,
    stored: (Sender<Option<u8>>, Receiver<Option<u8>>),
    /// Last journal entry that is durable, and last that was passed on.
    kept: Option<u8>,
    passed_on: Option<u8>,
    passed_at: Instant,
    /// What was passed on could not be kept: it is offered again at this time.
    again_at: Option<Instant>,
    session: Option<(u32, u32)>,
    scans: Scans,
    /// Boot and number of the last scan.
    last_scan: Option<(u32, u32)>,
    clock_set: Option<Instant>,
}

/// What holds while one connection lasts.
struct Connection {
    client: Client<AnyTransport>,
    hello: Hello,
    trust: Trust,
    last_record: Instant,
    last_hello: Instant,
    newest_event: u8,
    /// Records that may still come at once.
    credit: f64,
    credit_at: Instant,
    /// Counters of the client already counted: unsound, retries, broken, dropped.
    counted: [u64; 4],
    /// Unsound frames since the last record.
    unsound_before: u64,
}

impl Thread {
    pub fn new(
        board: BoardId,
        setup: BoardSetup,
        known: Arc<Known>,
        status: Arc<std::sync::Mutex<Status>>,
        outlet: Outlet,
        wishes: Receiver<Wish>,
        is_over: Arc<AtomicBool>,
    ) -> Thread {
        let kept = setup.last_event;
        Thread {
            board,
            setup,
            known,
            status,
            outlet,
            wishes,
            is_over,
            stored: channel(),
            kept,
            passed_on: kept,
            passed_at: Instant::now(),
            again_at: None,
            session: None,
            scans: Scans::default(),
            last_scan: None,
            clock_set: None,
        }
    }

    fn is_over(&self) -> bool {
        self.is_over.load(Ordering::Relaxed)
    }

    /// Notes another state and tells it; false when nobody listens.
    fn tell(&self, state: LinkState) -> bool {
        {
            let mut status = lock(&self.status);
            if status.state == state {
                return true;
            }
            status.state = state.clone();
            status.since_ms = now_ms();
        }
        self.outlet.put(BoardEvent::Link { board: self.board, at_ms: now_ms(), state })
    }

    pub fn run(mut self) {
        let mut back_off = BACK_OFF[0];
        while !self.is_over() {
            let met = Instant::now();
            let end = match self.setup.line.meet(&mut self.session) {
                Ok(client) => self.connection(client),
                Err(NotMet::NoLine(why)) => End::Line(why),
                Err(NotMet::Refused(why)) => End::Refused(why),
                Err(NotMet::Silent) => End::Silent,
            };
            let state = match end {
                End::Over => break,
                End::Line(why) => LinkState::Down { why: Some(why) },
                End::Silent => LinkState::Silent,
                End::Refused(why) => LinkState::Refused { why },
            };
            if !self.tell(state) {
                break;
            }
            if met.elapsed() >= GOOD_AFTER {
                back_off = BACK_OFF[0];
            }
            self.wait(back_off);
            back_off = (back_off * 2).min(BACK_OFF[1]);
        }
        while let Ok(wish) = self.wishes.try_recv() {
            wish.not_done("the station stops");
        }
    }

    /// While there is no board, whatever is wanted of it is not done.
    fn wait(&mut self, long: Duration) {
        let until = Instant::now() + long;
        while !self.is_over() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            match self.wishes.recv_timeout(left.min(Duration::from_millis(100))) {
                Ok(wish) => wish.not_done("there is no connection to the board; nothing was sent"),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    self.is_over.store(true, Ordering::Relaxed);
                    return;
                }
            }
        }
    }

    fn connection(&mut self, client: Client<AnyTransport>) -> End {
        let hello = *client.board();
        let now = Instant::now();
        let mut connection = Connection {
            client,
            hello,
            trust: Trust::Nothing,
            last_record: now,
            last_hello: now,
            newest_event: hello.newest_event,
            credit: FLOOD_BURST,
            credit_at: now,
            counted: [0; 4],
            unsound_before: 0,
        };
        lock(&self.status).counters.n_connects += 1;
        // What was passed on over another connection and not kept is offered again.
        self.passed_on = self.kept;
        match self.talk(&mut connection) {
            Ok(()) => End::Over,
            Err(end) => end,
        }
    }

    fn talk(&mut self, connection: &mut Connection) -> Result<(), End> {
        self.greet(connection)?;
        while !self.is_over() {
            if let Some(record) = connection.client.next_record(LOOK)? {
                self.record(connection, record)?;
            }
            self.count(connection)?;
            while let Ok(kept) = self.stored.1.try_recv() {
                match kept {
                    Some(sequence) => {
                        connection.client.acknowledge(sequence)?;
                        self.kept = Some(sequence);
                    }
                    None => drop(self.again_at.get_or_insert(Instant::now() + OFFERED_AGAIN)),
                }
            }
            self.catch_up(connection)?;
            while let Ok(wish) = self.wishes.try_recv() {
                self.carry_out(connection, wish)?;
            }
            self.ask_after(connection)?;
        }
        Ok(())
    }

    /// After HELLO: is it the board of the file, what time has it, and records from now on.
    fn greet(&mut self, connection: &mut Connection) -> Result<(), End> {
        let hello = *connection.client.board();
        connection.hello = hello;
        let (trust, differs) = Trust::of(&self.known.made, &hello);
        connection.trust = trust;
        self.scans = Scans::default();
        if self.last_scan.is_some_and(|(boots, _)| boots != hello.boots) {
            self.last_scan = None;
        }
        self.set_clock(connection)?;
        connection.client.subscribe(SECTIONS, self.setup.every)?;
        connection.last_record = Instant::now();
        connection.last_hello = Instant::now();
        connection.newest_event = hello.newest_event;
        // A board is up in one state, not in a new one for each time it is asked.
        let told =
            Hello { scan: 0, n_skipped: 0, newest_event: 0, longest_scan_ticks: 0, free_stack: 0, ..hello };
        if !self.tell(LinkState::Up { hello: Arc::new(told), trust, differs }) {
            return Err(End::Over);
        }
        self.catch_up_now(connection)
    }

    fn set_clock(&mut self, connection: &mut Connection) -> Result<(), End> {
        let clock = connection.client.clock()?;
        let off_ms = clock.map(|clock| MS_AT_2000 + i64::from(clock) * 1000 - now_ms());
        lock(&self.status).clock_off_ms = off_ms.filter(|_| self.setup.keeps_clock);
        let is_due = self.clock_set.is_none_or(|set| set.elapsed() >= BETWEEN_CLOCK_SETS);
        let is_off = off_ms.is_none_or(|off_ms| off_ms.abs() > CLOCK_MAY_BE_OFF_MS);
        if self.setup.keeps_clock && is_off && is_due {
            let utc_s = u32::try_from((now_ms() - MS_AT_2000) / 1000)
                .map_err(|_| End::Refused("the station's own clock is before 2000; set it".to_owned()))?;
            connection.client.set_clock(utc_s)?;
            self.clock_set = Some(Instant::now());
            lock(&self.status).counters.n_clock_sets += 1;
        }
        Ok(())
    }

    /// Takes one record.
    fn record(&mut self, connection: &mut Connection, record: Record) -> Result<(), End> {
        let now = Instant::now();
        connection.last_record = now;
        connection.unsound_before = connection.client.n_unsound + connection.client.n_malformed();
        self.against_floods(connection, now)?;
        let boots = connection.hello.boots;
        let n_missing = match self.last_scan {
            Some((last_boots, last)) if last_boots == boots => {
                let ahead = record.scan.wrapping_sub(last);
                if ahead == 0 || ahead > u32::MAX / 2 {
                    // A number that was there already: the board has restarted, or talks nonsense.
                    connection.client.hello()?;
                    if connection.client.board().boots == boots && connection.client.board().scan >= last {
                        return Err(End::Refused("the board counts its scans backwards".to_owned()));
                    }
                    self.last_scan = None;
                    return self.greet(connection);
                }
                (ahead - 1) / u32::from(self.setup.every.max(1))
            }
            _ => 0,
        };
        self.last_scan = Some((boots, record.scan));
        let period_ms = u32::from(connection.hello.period_ms);
        let by_board = self.scans.at_ms(&record, period_ms);
        let arrived_ms = now_ms();
        let is_right =
            |at_ms: i64| !self.setup.keeps_clock || (at_ms - arrived_ms).abs() <= CLOCK_IS_WRONG_MS;
        let at_ms = by_board.filter(|at_ms| is_right(*at_ms));
        connection.newest_event = record.newest_event;
        {
            let mut status = lock(&self.status);
            status.counters.n_records += 1;
            status.counters.n_missing += u64::from(n_missing);
            status.last_record_ms = Some(arrived_ms);
            if self.setup.keeps_clock {
                status.clock_off_ms = by_board.map(|at_ms| at_ms - arrived_ms);
            }
        }
        let scan = Scan {
            board: self.board,
            at_ms: at_ms.unwrap_or(arrived_ms),
            is_board_time: at_ms.is_some(),
            trust: connection.trust,
            n_missing,
            record,
        };
        if self.outlet.put(BoardEvent::Scan(scan)) { Ok(()) } else { Err(End::Over) }
    }

    /// A board of this world scans by time: what brings more records than that is no board.
    fn against_floods(&self, connection: &mut Connection, now: Instant) -> Result<(), End> {
        if !self.setup.keeps_time {
            return Ok(());
        }
        let period_s = f64::from(connection.hello.period_ms.max(1)) / 1000.0;
        let passed_s = now.duration_since(connection.credit_at).as_secs_f64();
        connection.credit = (connection.credit + FLOOD_TIMES * passed_s / period_s).min(FLOOD_BURST) - 1.0;
        connection.credit_at = now;
        if connection.credit < 0.0 {
            return Err(End::Refused("the board floods the line with records".to_owned()));
        }
        Ok(())
    }

    /// Adds up what the client has counted.
    fn count(&self, connection: &mut Connection) -> Result<(), End> {
        let client = &connection.client;
        let n_unsound = client.n_unsound + client.n_malformed();
        let now = [n_unsound, client.n_retries, client.n_broken_records(), client.n_dropped];
        if now != connection.counted {
            let since = |at: usize| now[at].saturating_sub(connection.counted[at]);
            let mut status = lock(&self.status);
            status.counters.n_unsound += since(0);
            status.counters.n_retries += since(1);
            status.counters.n_broken += since(2) + since(3);
            connection.counted = now;
        }
        if n_unsound - connection.unsound_before > MOST_UNSOUND {
            return Err(End::Refused("the line carries nonsense; check cable and speed".to_owned()));
        }
        Ok(())
    }

    /// What is new in the journal, when something is.
    fn catch_up(&mut self, connection: &mut Connection) -> Result<(), End> {
        let is_new = self.passed_on.is_none_or(|passed_on| passed_on != connection.newest_event);
        let is_forgotten = self.passed_on != self.kept && self.passed_at.elapsed() >= KEPT_WITHIN
            || self.again_at.is_some_and(|at| Instant::now() >= at);
        if is_forgotten {
            self.again_at = None;
            self.passed_on = self.kept;
        }
        if is_new || is_forgotten { self.catch_up_now(connection) } else { Ok(()) }
    }

    fn catch_up_now(&mut self, connection: &mut Connection) -> Result<(), End> {
        let mut after = self.passed_on;
        let mut told = connection.client.events_after(after)?;
        if told.is_empty() && self.passed_on.is_some_and(|passed_on| passed_on != connection.newest_event) {
            // The numbers have jumped back, as those of an erased board do: whatever it holds is new.
            after = None;
            told = connection.client.events_after(None)?;
        }
        let last = connection.client.last_event().filter(|_| !told.is_empty());
        let sequence = last.unwrap_or(connection.newest_event);
        self.passed_on = Some(sequence);
        if told.is_empty() {
            return Ok(());
        }
        let at_ms = self.journal_now_ms();
        let entries: Vec<Entry> = (told.into_iter())
            .map(|told| {
                let minute = match &told {
                    link::client::Told::Event(event) => minute_ms(event.minute, at_ms),
                    link::client::Told::Lost(_) => None,
                };
                let words = words::entry(&self.setup.system, &self.known.names, connection.trust, &told);
                Entry { at_ms: minute, told, words }
            })
            .collect();
        lock(&self.status).counters.n_entries += entries.len() as u64;
        self.passed_at = Instant::now();
        let stored = Stored { sequence, to: self.stored.0.clone() };
        let journal = Journal { board: self.board, at_ms, after, entries, stored };
        if self.outlet.put(BoardEvent::Journal(journal)) { Ok(()) } else { Err(End::Over) }
    }

    /// The time by which the minutes of a journal are found: that of the board where it does not live in the station's.
    fn journal_now_ms(&self) -> i64 {
        if self.setup.keeps_clock { now_ms() } else { self.scans.last_ms().unwrap_or_else(now_ms) }
    }

    /// Says something when nothing was said for long, and asks a board whose records are late whether it is there.
    fn ask_after(&mut self, connection: &mut Connection) -> Result<(), End> {
        let period = Duration::from_millis(connection.hello.period_ms.into());
        let late = LATE.max(3 * period * u32::from(self.setup.every.max(1)));
        let is_late = connection.last_record.elapsed() >= late && connection.last_hello.elapsed() >= late;
        if !is_late && connection.last_hello.elapsed() < KEEP_ALIVE {
            return Ok(());
        }
        let before = connection.hello;
        let hello = connection.client.hello()?;
        connection.last_hello = Instant::now();
        connection.newest_event = hello.newest_event;
        let is_other = (hello.boots, hello.wiring_crc, hello.running_crc, hello.program)
            != (before.boots, before.wiring_crc, before.running_crc, before.program);
        let is_restarted = self.last_scan.is_some_and(|(_, last)| hello.scan < last);
        if is_other || is_restarted || is_late {
            // It has forgotten who reads it.
            if is_restarted {
                self.last_scan = None;
            }
            return self.greet(connection);
        }
        self.set_clock(connection)
    }

    fn carry_out(&mut self, connection: &mut Connection, wish: Wish) -> Result<(), End> {
        if Instant::now() >= wish.until {
            wish.not_done("it waited too long and was not sent");
            return Ok(());
        }
        // Only a record of every scan is sure to show the scan that takes it.
        let every = self.setup.every;
        if every != 1 {
            connection.client.subscribe(SECTIONS, 1)?;
        }
        let result = self.act(connection, &wish);
        let result = result.and_then(|outcome| {
            if every != 1 {
                connection.client.subscribe(SECTIONS, every)?;
            }
            Ok(outcome)
        });
        match result {
            Ok(outcome) => {
                (wish.reply)(outcome);
                Ok(())
            }
            Err(end) => {
                wish.not_done(
                    "the board did not answer; whether it took it cannot be told, so look at its state first",
                );
                Err(end)
            }
        }
    }

    fn act(&mut self, connection: &mut Connection, wish: &Wish) -> Result<Outcome, End> {
        let refused = |why: &str| Ok(Outcome::Refused { why: why.to_owned() });
        if let Act::Try { .. } | Act::Confirm | Act::Revert = wish.act {
            return self.change_program(connection, &wish.act);
        }
        if connection.trust != Trust::All {
            return refused("the board does not run this file's program, so nothing is sent to it");
        }
        let names = &self.known.names;
        let client = &mut connection.client;
        let taken = match wish.act {
            Act::Try { .. } | Act::Confirm | Act::Revert => {
                return refused("this is no command of a program");
            }
            Act::Hand { actuator, value, time_ms } => {
                let Some(drive) = names.drive(actuator) else {
                    return refused("no rule drives this actuator, so nobody can take it in hand");
                };
                client.hand(drive, value, time_ms)
            }
            Act::ResetTrip { trip } => client.reset_trip(trip),
            Act::Procedure { procedure, command } => {
                let Some(procedure) = names.procedure(procedure) else {
                    return refused("the program has no such procedure");
                };
                client.procedure(procedure, command)
            }
            Act::Calibrate { entry } => {
                let done =
                    Done { scan: None, at_ms: now_ms(), output: None, hand_left_ms: None, remark: None };
                return match client.calibrate(&entry) {
                    Ok(()) => Ok(Outcome::Done(done)),
                    Err(ClientError::Refused(code, _)) => refused(code.words()),
                    Err(error) => Err(error.into()),
                };
            }
        };
        match taken {
            Ok(Taken::ForScan(low)) => self.seen(connection, wish, low),
            Ok(Taken::Refused { .. }) => {
                let why = self.against(connection, wish)?;
                Ok(Outcome::Refused { why })
            }
            Err(ClientError::Refused(link::AnswerCode::Refused, _)) => refused("this trip does not stand"),
            Err(ClientError::Refused(link::AnswerCode::Busy, _)) => {
                Ok(Outcome::NotDone { why: "the board took no further command in time".to_owned() })
            }
            Err(ClientError::Refused(code, _)) => refused(code.words()),
            Err(error) => Err(error.into()),
        }
    }

    /// Another program, or an end of the trial. The board of the file may run any program meanwhile, but must be wired as the file says.
    fn change_program(&mut self, connection: &mut Connection, act: &Act) -> Result<Outcome, End> {
        if connection.trust == Trust::Nothing {
            let why = "the board is wired by another file, and a program is for one wiring: flash it with `tidewright flash`";
            return Ok(Outcome::Refused { why: why.to_owned() });
        }
        let client = &mut connection.client;
        let (result, remark) = match act {
            Act::Try { program, minutes } => (
                client.upload(program, *minutes, |_| {}),
                format!("its loader found the program sound; it starts anew and tries it for {minutes} min"),
            ),
            Act::Confirm => (client.confirm(), "it keeps the program".to_owned()),
            _ => (client.revert(), "it starts anew with the program before".to_owned()),
        };
        match result {
            Ok(()) => {
                // It has other things to say after it has started anew.
                connection.last_hello = Instant::now().checked_sub(KEEP_ALIVE).unwrap_or_else(Instant::now);
                let remark = Some(remark);
                let at_ms = now_ms();
                Ok(Outcome::Done(Done { scan: None, at_ms, output: None, hand_left_ms: None, remark }))
            }
            Err(ClientError::Refused(code, _)) => Ok(Outcome::Refused { why: code.words().to_owned() }),
            Err(ClientError::TooLong) => {
                Ok(Outcome::Refused { why: "the program is longer than any board holds".to_owned() })
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Waits for the record of the scan that took the act.
    fn seen(&mut self, connection: &mut Connection, wish: &Wish, low: u8) -> Result<Outcome, End> {
        let period = Duration::from_millis(connection.hello.period_ms.into());
        let until = Instant::now() + LATE + 3 * period;
        while Instant::now() < until {
            let Some(record) = connection.client.next_record(LOOK)? else { continue };
            let is_it =
                record.scan as u8 == low && record.commands.iter().any(|command| self.is_of(command, wish));
            let kept = is_it.then(|| record.clone());
            self.record(connection, record)?;
            if let Some(record) = kept {
                return Ok(Outcome::Done(self.done(&record, wish)));
            }
        }
        let why = "the board took it, but the record of its scan did not come; look at its state before trying again";
        Ok(Outcome::NotDone { why: why.to_owned() })
    }

    /// Whether a recorded command is this act.
    fn is_of(&self, command: &link::record::Command, wish: &Wish) -> bool {
        let names = &self.known.names;
        match wish.act {
            Act::Hand { actuator, value, .. } => {
                command.kind == 1 && names.drive(actuator) == Some(command.part) && command.value == value
            }
            Act::ResetTrip { trip } => command.kind == 2 && command.part == trip,
            Act::Procedure { procedure, .. } => {
                command.kind == 3 && names.procedure(procedure) == Some(command.part)
            }
            Act::Calibrate { .. } | Act::Try { .. } | Act::Confirm | Act::Revert => false,
        }
    }

    fn done(&self, record: &Record, wish: &Wish) -> Done {
        let at_ms = self.scans.last_ms().unwrap_or_else(now_ms);
        let mut done =
            Done { scan: Some(record.scan), at_ms, output: None, hand_left_ms: None, remark: None };
        let (system, names) = (&self.setup.system, &self.known.names);
        match wish.act {
            Act::Hand { actuator, value, time_ms } => {
                let drive = names.drive(actuator).map(usize::from);
                done.output = drive.and_then(|drive| record.outputs.get(drive).copied());
                done.hand_left_ms = drive.and_then(|drive| record.hands_left_ms.get(drive).copied());
                let is_as_asked = done.output == Some(value) || done.output == Some(1) && value > 0;
                if time_ms != 0 && !is_as_asked {
                    let why = words::why_not_as_asked(system, names, actuator, record);
                    done.remark =
                        Some(format!("it is in hand, but its output is not what was asked for: {why}"));
                }
            }
            Act::ResetTrip { trip } if record.trips.get(usize::from(trip)) == Some(&true) => {
                done.remark = Some("the trip stands still, for its cause does".to_owned());
            }
            Act::Procedure { procedure, .. } => {
                let step = names.procedure(procedure).and_then(|p| record.steps.get(usize::from(p)).copied());
                done.remark = step.map(|step| match step {
                    0 => "it does not run".to_owned(),
                    step => format!("it is at step {step}"),
                });
            }
            _ => {}
        }
        done
    }

    /// What stands against a hand that was refused: by the next record.
    fn against(&mut self, connection: &mut Connection, wish: &Wish) -> Result<String, End> {
        let mut why = None;
        if let (&Act::Hand { actuator, .. }, Some(record)) = (&wish.act, connection.client.next_record(LATE)?)
        {
            why = words::against(&self.setup.system, &self.known.names, actuator, &record);
            self.record(connection, record)?;
        }
        Ok(why.unwrap_or_else(|| "a permissive or a trip stands against it".to_owned()))
    }
}

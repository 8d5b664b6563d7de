//! The queue of messages: what is to be told, by which way, when; in the station's SQLite file, so that neither a restart nor an outage loses any.
//!
//! Contract: time comes in, nothing here reads a clock or a network. A message is at least once: it is marked as sent after the peer has
//! taken it, and carries a key by which a receiver can drop what it has. Nothing vanishes: what is given up stays in the table with the reason and
//! is told by the other ways.

use program::zone::Zone;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use crate::notice::{AlarmChange, Change, Kind, Notice, Priority};
use crate::settings::{Settings, Share};

/// What is not urgent waits so long for company, so that a flood is one message.
const COMPANY_MS: i64 = 20_000;
/// A message that no peer took in this time is given up.
const EXPIRY_MS: i64 = 7 * 24 * 3_600_000;
/// First and longest pause after a failure.
const FIRST_PAUSE_MS: i64 = 10_000;
const LONGEST_PAUSE_MS: i64 = 15 * 60_000;
/// A way that fails for so long is told by the others.
const FAILING_MS: i64 = 30 * 60_000;
/// Messages waiting for one way at most; beyond, the oldest of the least urgent are given up.
const MOST_WAITING: i64 = 2_000;
/// Messages that go out as one.
const MOST_JOINED: usize = 50;
/// Sent and given-up messages are kept so long.
const KEPT_MS: i64 = 90 * 24 * 3_600_000;
/// Characters of a body.
const LONGEST_BODY: usize = 8_000;

/// A way as the queue sees it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Route {
    /// Its name.
    pub name: String,
    /// Which messages take it.
    pub share: Share,
}

/// Messages that go out by one way as one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Batch {
    /// Places in the table.
    ids: Vec<i64>,
    /// The message.
    pub notice: Notice,
}

/// What stands with a way.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct RouteState {
    /// Its name.
    pub name: String,
    /// Messages that wait.
    pub waiting: u64,
    /// When it last took a message, ms since 1970.
    pub last_sent_ms: Option<i64>,
    /// Since when it fails.
    pub failing_since_ms: Option<i64>,
    /// What its peer, or the line to it, said last.
    pub last_answer: String,
}

/// The queue.
#[derive(Debug)]
pub struct Queue {
    db: Connection,
    routes: Vec<Route>,
    quiet: crate::quiet::QuietHours,
    repeat: crate::settings::Repeat,
    zone: Zone,
}

impl Queue {
    /// The queue in that database: a connection of its own to a file that `store` has opened, which makes the tables. Messages that wait for a way that is no longer
    /// in the settings are given up, with that as their reason.
    pub fn open(db: Connection, settings: &Settings, zone: Zone, now_ms: i64) -> rusqlite::Result<Queue> {
        db.busy_timeout(std::time::Duration::from_secs(10))?;
        db.pragma_update(None, "synchronous", "full")?;
        let mut queue = Queue {
            db,
            routes: settings.routes(),
            quiet: settings.quiet.clone(),
            repeat: settings.repeat.clone(),
            zone,
        };
        let names: Vec<String> = queue.routes.iter().map(|route| route.name.clone()).collect();
        let tx = queue.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for name in &names {
            tx.execute("insert or ignore into tell_routes (route) values (?1)", [name])?;
        }
        let gone: Vec<String> = {
            let mut routes = tx.prepare("select route from tell_routes")?;
            let all: rusqlite::Result<Vec<String>> = routes.query_map([], |row| row.get(0))?.collect();
            all?.into_iter().filter(|route| !names.contains(route)).collect()
        };
        for route in gone {
            tx.execute(
                "update tell_messages set state = 'given-up', done_ms = ?2, answer = 'this way is no longer in the settings' where route = ?1 and state = 'waiting'",
                params![route, now_ms],
            )?;
            tx.execute("delete from tell_routes where route = ?1", [route])?;
        }
        tx.commit()?;
        Ok(queue)
    }

    /// Takes a change of an alarm into the queue; when this returns it stands on the disk. Told twice it does nothing the second time.
    pub fn tell(&mut self, change: &AlarmChange, now_ms: i64) -> rusqlite::Result<()> {
        let ways = Ways { routes: &self.routes, quiet: &self.quiet, zone: &self.zone };
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        match change.change {
            Change::Raised => raised(&tx, &ways, &self.repeat, change, now_ms)?,
            Change::Over => over(&tx, &ways, change, now_ms)?,
            Change::Acknowledged | Change::Shelved => {
                let why = if change.change == Change::Shelved {
                    "shelved before it was sent"
                } else {
                    "acknowledged before it was sent"
                };
                tx.execute("update tell_standing set next_ms = null where alarm = ?1", [&change.alarm])?;
                tx.execute(
                    "update tell_messages set state = 'withdrawn', done_ms = ?2, answer = ?3 where alarm = ?1 and state = 'waiting' and kind in ('raised', 'again')",
                    params![change.alarm, now_ms, why],
                )?;
            }
        }
        tx.commit()
    }

    /// A message about anything else, by all ways that take its priority, or by one.
    pub fn say(&mut self, notice: &Notice, only_by: Option<&str>, now_ms: i64) -> rusqlite::Result<()> {
        let ways = Ways { routes: &self.routes, quiet: &self.quiet, zone: &self.zone };
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for route in &self.routes {
            if only_by.map_or(ways.takes(route, notice.priority, 1), |name| name == route.name) {
                put(&tx, &route.name, None, notice, now_ms)?;
            }
        }
        tx.commit()
    }

    /// What time brings: repetitions fall due, the old is given up and tidied away, ways that fail are told by the others.
    pub fn advance(&mut self, now_ms: i64) -> rusqlite::Result<()> {
        let ways = Ways { routes: &self.routes, quiet: &self.quiet, zone: &self.zone };
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        repeat(&tx, &ways, &self.repeat, now_ms)?;
        for route in &self.routes {
            give_up(&tx, route, now_ms)?;
            tell_failure(&tx, &ways, route, now_ms)?;
        }
        tx.execute(
            "delete from tell_messages where state <> 'waiting' and done_ms < ?1",
            [now_ms - KEPT_MS],
        )?;
        tx.commit()
    }

    /// What is to go out by that way now: everything that is due, as one message.
    pub fn due(&self, route: &str, now_ms: i64) -> rusqlite::Result<Option<Batch>> {
        let mut rows = self.db.prepare_cached(
            "select m.id, m.key, m.kind, m.priority, m.at_ms, m.subject, m.body from tell_messages m join tell_routes r on r.route = m.route
             where m.route = ?1 and m.state = 'waiting' and m.due_ms <= ?2 and r.next_try_ms <= ?2 order by m.id limit ?3",
        )?;
        let rows: rusqlite::Result<Vec<(i64, Notice)>> = rows
            .query_map(params![route, now_ms, MOST_JOINED as i64], |row| Ok((row.get(0)?, notice_of(row)?)))?
            .collect();
        let (ids, notices): (Vec<i64>, Vec<Notice>) = rows?.into_iter().unzip();
        Ok(Notice::join(&notices).map(|notice| Batch { ids, notice }))
    }

    /// When something may be due by that way; `None` when nothing waits.
    pub fn next_due_ms(&self, route: &str) -> rusqlite::Result<Option<i64>> {
        self.db.query_row(
            "select max(min(m.due_ms), r.next_try_ms) from tell_messages m join tell_routes r on r.route = m.route where m.route = ?1 and m.state = 'waiting'",
            [route],
            |row| row.get(0),
        )
    }

    /// The peer has taken it.
    pub fn sent(&mut self, route: &str, batch: &Batch, answer: &str, now_ms: i64) -> rusqlite::Result<()> {
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for id in &batch.ids {
            // What was withdrawn while it was under way has been sent all the same.
            tx.execute(
                "update tell_messages set state = 'sent', done_ms = ?2, answer = ?3 where id = ?1",
                params![id, now_ms, answer],
            )?;
        }
        tx.execute(
            "update tell_routes set n_failures = 0, failing_since_ms = null, is_failure_told = 0, next_try_ms = 0, last_sent_ms = ?2, answer = ?3 where route = ?1",
            params![route, now_ms, answer],
        )?;
        tx.commit()
    }

    /// It did not go out: the way rests, longer each time.
    pub fn failed(&mut self, route: &str, answer: &str, now_ms: i64) -> rusqlite::Result<()> {
        let failures: i64 = self
            .db
            .query_row("select n_failures from tell_routes where route = ?1", [route], |row| row.get(0))
            .optional()?
            .unwrap_or_default();
        let pause = (FIRST_PAUSE_MS << failures.clamp(0, 10)).min(LONGEST_PAUSE_MS);
        self.db.execute(
            "update tell_routes set n_failures = n_failures + 1, failing_since_ms = coalesce(failing_since_ms, ?2), next_try_ms = ?3, answer = ?4 where route = ?1",
            params![route, now_ms, now_ms + pause, answer],
        )?;
        Ok(())
    }

    /// What stands with each way.
    pub fn states(&self) -> rusqlite::Result<Vec<RouteState>> {
        let mut rows = self.db.prepare_cached(
            "select route, (select count(*) from tell_messages m where m.route = r.route and m.state = 'waiting'), last_sent_ms, failing_since_ms, answer from tell_routes r order by route",
        )?;
        let states = rows.query_map([], |row| {
            Ok(RouteState {
                name: row.get(0)?,
                waiting: row.get::<_, i64>(1)?.unsigned_abs(),
                last_sent_ms: row.get(2)?,
                failing_since_ms: row.get(3)?,
                last_answer: row.get(4)?,
            })
        })?;
        states.collect()
    }

    /// Who was told of an alarm since a time: way and when, for the words at three in the morning.
    pub fn told(&self, alarm: &str, since_ms: i64) -> rusqlite::Result<Vec<(String, i64)>> {
        let mut rows = self.db.prepare_cached(
            "select route, max(done_ms) from tell_messages where alarm = ?1 and state = 'sent' and kind in ('raised', 'again') and done_ms >= ?2 group by route order by 2",
        )?;
        let told = rows.query_map(params![alarm, since_ms], |row| Ok((row.get(0)?, row.get(1)?)))?;
        told.collect()
    }
}

/// Ways and the hours that hold them back.
struct Ways<'a> {
    routes: &'a [Route],
    quiet: &'a crate::quiet::QuietHours,
    zone: &'a Zone,
}

impl Ways<'_> {
    fn takes(&self, route: &Route, priority: Priority, n_told: u32) -> bool {
        priority >= route.share.from && n_told > route.share.after_tells
    }

    /// Earliest time for a message, quiet hours and company included.
    fn due_ms(&self, priority: Priority, now_ms: i64) -> i64 {
        let with_company = if priority == Priority::High { now_ms } else { now_ms + COMPANY_MS };
        self.quiet.next_allowed_ms(priority, self.zone, with_company)
    }
}

fn raised(
    tx: &Transaction<'_>,
    ways: &Ways<'_>,
    repeat: &crate::settings::Repeat,
    change: &AlarmChange,
    now_ms: i64,
) -> rusqlite::Result<()> {
    let stands: Option<i64> = tx
        .query_row("select raised_ms from tell_standing where alarm = ?1", [&change.alarm], |row| row.get(0))
        .optional()?;
    if stands == Some(change.at_ms) {
        return Ok(());
    }
    let due = ways.due_ms(change.priority, now_ms);
    let next = (change.priority >= repeat.from).then(|| due + minutes(repeat.after_min));
    tx.execute(
        "insert or replace into tell_standing (alarm, priority, raised_ms, n_told, next_ms, subject, body) values (?1, ?2, ?3, 1, ?4, ?5, ?6)",
        params![change.alarm, rank(change.priority), change.at_ms, next, change.headline, change.words],
    )?;
    let notice = Notice {
        key: format!("{}/{}/raised", change.alarm, change.at_ms),
        kind: Kind::Raised,
        priority: change.priority,
        at_ms: change.at_ms,
        subject: change.headline.clone(),
        body: change.words.clone(),
    };
    for route in ways.routes.iter().filter(|route| ways.takes(route, change.priority, 1)) {
        put(tx, &route.name, Some(&change.alarm), &notice, due)?;
    }
    Ok(())
}

fn over(tx: &Transaction<'_>, ways: &Ways<'_>, change: &AlarmChange, now_ms: i64) -> rusqlite::Result<()> {
    let stood: Option<(i64, String)> = tx
        .query_row("select raised_ms, subject from tell_standing where alarm = ?1", [&change.alarm], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()?;
    let Some((raised_ms, raised_as)) = stood else { return Ok(()) };
    tx.execute("delete from tell_standing where alarm = ?1", [&change.alarm])?;
    for route in ways.routes {
        let told: bool = tx.query_row(
            "select exists (select 1 from tell_messages where alarm = ?1 and route = ?2 and at_ms >= ?3 and kind in ('raised', 'again') and state in ('sent', 'given-up'))",
            params![change.alarm, route.name, raised_ms],
            |row| row.get(0),
        )?;
        let waiting = tx.execute(
            "update tell_messages set state = 'withdrawn', done_ms = ?3, answer = 'over before it was sent' where alarm = ?1 and route = ?2 and state = 'waiting'",
            params![change.alarm, route.name, now_ms],
        )? > 0;
        let (kind, subject) = match (told, waiting) {
            (true, _) => (Kind::Over, format!("Over: {}", change.headline)),
            (false, true) => (Kind::Passed, format!("Came and went: {raised_as}")),
            (false, false) => continue,
        };
        let notice = Notice {
            key: format!("{}/{raised_ms}/over", change.alarm),
            kind,
            priority: change.priority,
            at_ms: change.at_ms,
            subject,
            body: change.words.clone(),
        };
        put(
            tx,
            &route.name,
            Some(&change.alarm),
            &notice,
            ways.due_ms(change.priority.min(Priority::Medium), now_ms),
        )?;
    }
    Ok(())
}

fn repeat(
    tx: &Transaction<'_>,
    ways: &Ways<'_>,
    repeat: &crate::settings::Repeat,
    now_ms: i64,
) -> rusqlite::Result<()> {
    let standing: Vec<(String, Priority, i64, u32, String, String)> = {
        let mut rows = tx.prepare_cached(
            "select alarm, priority, raised_ms, n_told, subject, body from tell_standing where next_ms <= ?1",
        )?;
        let rows = rows.query_map([now_ms], |row| {
            Ok((row.get(0)?, priority(row.get(1)?), row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
        })?;
        rows.collect::<rusqlite::Result<_>>()?
    };
    for (alarm, priority, raised_ms, n_told, subject, body) in standing {
        let n_told = n_told + 1;
        let due = ways.quiet.next_allowed_ms(priority, ways.zone, now_ms);
        let pause = minutes(repeat.after_min)
            .saturating_mul(1 << (n_told - 1).min(20))
            .min(minutes(repeat.at_most_min));
        tx.execute(
            "update tell_standing set n_told = ?2, next_ms = ?3 where alarm = ?1",
            params![alarm, n_told, due + pause],
        )?;
        let stood_min = (due - raised_ms).max(0) / 60_000;
        let notice = Notice {
            key: format!("{alarm}/{raised_ms}/{n_told}"),
            kind: Kind::Again,
            priority,
            at_ms: now_ms,
            subject: format!("Still: {subject}"),
            body: format!(
                "Nobody has acknowledged this for {}; message {n_told}.\n{body}",
                duration_words(stood_min)
            ),
        };
        for route in ways.routes.iter().filter(|route| ways.takes(route, priority, n_told)) {
            // What still waits says the same; one message of an alarm waits for a way at most.
            let waits: bool = tx.query_row(
                "select exists (select 1 from tell_messages where alarm = ?1 and route = ?2 and state = 'waiting')",
                params![alarm, route.name],
                |row| row.get(0),
            )?;
            if !waits {
                put(tx, &route.name, Some(&alarm), &notice, due)?;
            }
        }
    }
    Ok(())
}

fn give_up(tx: &Transaction<'_>, route: &Route, now_ms: i64) -> rusqlite::Result<()> {
    tx.execute(
        "update tell_messages set state = 'given-up', done_ms = ?2, answer = 'no peer took it for seven days' where route = ?1 and state = 'waiting' and due_ms < ?3",
        params![route.name, now_ms, now_ms - EXPIRY_MS],
    )?;
    let waiting: i64 = tx.query_row(
        "select count(*) from tell_messages where route = ?1 and state = 'waiting'",
        [&route.name],
        |row| row.get(0),
    )?;
    if waiting > MOST_WAITING {
        tx.execute(
            "update tell_messages set state = 'given-up', done_ms = ?2, answer = 'too many were waiting' where id in
             (select id from tell_messages where route = ?1 and state = 'waiting' order by priority, id limit ?3)",
            params![route.name, now_ms, waiting - MOST_WAITING],
        )?;
    }
    Ok(())
}

fn tell_failure(tx: &Transaction<'_>, ways: &Ways<'_>, route: &Route, now_ms: i64) -> rusqlite::Result<()> {
    let failing: Option<(i64, String)> = tx
        .query_row(
            "select failing_since_ms, answer from tell_routes where route = ?1 and is_failure_told = 0 and failing_since_ms <= ?2",
            params![route.name, now_ms - FAILING_MS],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()?;
    let Some((since_ms, answer)) = failing else { return Ok(()) };
    let notice = Notice {
        key: format!("telling/{}/{since_ms}", route.name),
        kind: Kind::Telling,
        priority: Priority::Medium,
        at_ms: now_ms,
        subject: format!("Messages by `{}` do not go out", route.name),
        body: format!(
            "For {} none was taken. The last answer: {answer}\nWhat waits is kept and goes out when the way works again.",
            duration_words((now_ms - since_ms) / 60_000)
        ),
    };
    let due = ways.due_ms(notice.priority, now_ms);
    for other in ways.routes.iter().filter(|other| other.name != route.name && other.share.after_tells == 0) {
        put(tx, &other.name, None, &notice, due)?;
    }
    tx.execute("update tell_routes set is_failure_told = 1 where route = ?1", [&route.name])?;
    Ok(())
}

fn put(
    tx: &Transaction<'_>,
    route: &str,
    alarm: Option<&str>,
    notice: &Notice,
    due_ms: i64,
) -> rusqlite::Result<()> {
    let body = match notice.body.char_indices().nth(LONGEST_BODY) {
        Some((end, _)) => &notice.body[..end],
        None => &notice.body,
    };
    tx.prepare_cached(
        "insert or ignore into tell_messages (key, route, alarm, kind, priority, at_ms, due_ms, subject, body) values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?
    .execute(params![
        notice.key,
        route,
        alarm,
        kind_word(notice.kind),
        rank(notice.priority),
        notice.at_ms,
        due_ms,
        notice.subject.replace(['\r', '\n'], " "),
        body
    ])?;
    Ok(())
}

fn notice_of(row: &rusqlite::Row<'_>) -> rusqlite::Result<Notice> {
    Ok(Notice {
        key: row.get(1)?,
        kind: kind(&row.get::<_, String>(2)?),
        priority: priority(row.get(3)?),
        at_ms: row.get(4)?,
        subject: row.get(5)?,
        body: row.get(6)?,
    })
}

const KINDS: [(Kind, &str); 6] = [
    (Kind::Raised, "raised"),
    (Kind::Again, "again"),
    (Kind::Over, "over"),
    (Kind::Passed, "passed"),
    (Kind::Telling, "telling"),
    (Kind::Test, "test"),
];

fn kind_word(kind: Kind) -> &'static str {
    KINDS.iter().find(|(known, _)| *known == kind).map_or("telling", |(_, word)| word)
}

fn kind(word: &str) -> Kind {
    KINDS.iter().find(|(_, known)| *known == word).map_or(Kind::Telling, |(kind, _)| *kind)
}

fn rank(priority: Priority) -> i64 {
    match priority {
        Priority::Low => 0,
        Priority::Medium => 1,
        Priority::High => 2,
    }
}

fn priority(rank: i64) -> Priority {
    match rank {
        ..=0 => Priority::Low,
        1 => Priority::Medium,
        2.. => Priority::High,
    }
}

fn minutes(n: u32) -> i64 {
    i64::from(n) * 60_000
}

/// Minutes as a person says them.
fn duration_words(minutes: i64) -> String {
    match minutes {
        ..=1 => "a minute".to_owned(),
        2..120 => format!("{minutes} minutes"),
        120..2880 => format!("{} hours", minutes / 60),
        2880.. => format!("{} days", minutes / 1440),
    }
}

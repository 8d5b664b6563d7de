//! Telling people: changes of alarms to whoever must know, values to the broker, commands from it. What is sent how is the affair of `tell`.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use alarms::{State, Transition};
use program::zone::Zone;
use serde_json::{Value as Json, json};
use store::rusqlite::Connection;
use tell::mqtt::{Listener, Reading, Value};
use tell::{AlarmChange, Change, Surroundings, Teller};

use crate::app::{App, now_ms};
use crate::auth::door::Shown;
use crate::auth::needs::{Need, Scope};
use crate::auth::throttle::A_SECOND;
use crate::auth::ticket;
use crate::boards::{Act, LinkState};
use crate::http::listen::{Peer, Way};
use crate::live::QualityWord;
use crate::orders::{Order, carry_out};
use crate::state::{board_of, night_of, with_records};
use crate::watchdog::LONGEST_ROUND_MS;

/// A change of an alarm of a board of software that is older, ms, is no news.
const NEWS_MS: i64 = 3_600_000;

fn is_software(app: &App, alarm: &str) -> bool {
    board_of(app, alarm).is_some_and(|board| board.settings.line.is_software())
}

/// Begins to tell, if the station file says how; `listeners` hear topics of its broker.
///
/// # Errors
/// All that is wrong with the settings, each with what to do.
pub fn begin(
    app: &Arc<App>,
    settings: &tell::Settings,
    folder: &std::path::Path,
    listeners: Vec<Listener>,
) -> Result<(), Vec<String>> {
    let db = Connection::open(app.store.path())
        .map_err(|error| vec![format!("the store cannot be opened: {error}")])?;
    let zone = app.site.boards.first().map_or("UTC0", |board| &board.system.timezone);
    let zone = Zone::parse(zone).map_err(|_| vec![format!("the time zone `{zone}` cannot be read")])?;
    let (of_well, of_command) = (Arc::downgrade(app), Arc::downgrade(app));
    let surroundings = Surroundings {
        log: Arc::new(|line: &str| eprintln!("{line}")),
        // A station that takes nothing in must not say that all is well.
        is_well: Arc::new(move || {
            of_well.upgrade().is_some_and(|app| {
                let silent_ms = now_ms() - app.intake.alive_ms.load(Ordering::Relaxed);
                silent_ms < LONGEST_ROUND_MS && app.intake.failing.load(Ordering::Relaxed) == 0
            })
        }),
        on_command: Some(Arc::new(move |payload: &Json| match of_command.upgrade() {
            Some(app) => answer(&app, payload),
            None => json!({ "status": "not-done", "detail": "the station stops" }),
        })),
        listeners,
    };
    let teller = Teller::start(settings, folder, db, zone, &surroundings)?;
    let _ = app.teller.set(teller);
    Ok(())
}

/// Tells changes of alarms. What a board of software lived long ago, in its history, is told to nobody.
pub fn tell(app: &App, changes: &[Transition]) {
    let Some(teller) = app.teller.get() else { return };
    for change in changes {
        let Some(what) = meaning(change) else { continue };
        if change.at_ms < now_ms() - NEWS_MS && is_software(app, &change.alarm) {
            continue;
        }
        let (headline, night) = {
            let book = app.book();
            let Some(view) = book.alarm(&change.alarm) else { continue };
            let night = night_of(app, &view, &book, change.at_ms);
            (view.definition.text.clone(), night)
        };
        let words = with_records(app, night, &change.alarm).text();
        let told = AlarmChange {
            alarm: change.alarm.clone(),
            priority: change.priority,
            change: what,
            at_ms: change.at_ms,
            headline,
            words,
        };
        if let Err(error) = teller.tell(&told) {
            eprintln!("an alarm could not be put into the queue of messages: {error}");
        }
    }
}

/// What a change of state means to somebody who is away.
fn meaning(change: &Transition) -> Option<Change> {
    match change.to {
        _ if change.is_announced() => Some(Change::Raised),
        State::Acknowledged | State::LatchedAcknowledged => Some(Change::Acknowledged),
        State::Normal | State::ReturnedUnacknowledged | State::LatchedUnacknowledged => Some(Change::Over),
        State::Shelved | State::SuppressedByDesign | State::OutOfService => Some(Change::Shelved),
        State::Unacknowledged => None,
    }
}

/// Gives the values of all boards to the broker.
pub fn publish(app: &App) {
    let Some(broker) = app.teller.get().and_then(Teller::broker) else { return };
    let live = app.live();
    for (n, board) in live.now(&app.site).iter().enumerate() {
        let is_up = live.link(n).is_some_and(|(link, _)| matches!(link, LinkState::Up { .. }));
        let Some(at_ms) = board.newest_ms else { continue };
        let mut values = vec![];
        for signal in &board.signals {
            let unit = store::senml_unit(signal.unit);
            let reading = match signal.value {
                Some(value) if signal.is_bit => Reading::Bit(value > 0.5),
                Some(value) => Reading::Number(value * unit.map_or(1.0, |(_, factor)| factor)),
                None => Reading::Number(0.0),
            };
            // A unit that the registry has not is left out.
            values.push(Value {
                kind: "signal",
                name: &signal.name,
                reading,
                unit: unit.map(|(unit, _)| unit),
                is_good: is_up && signal.value.is_some() && signal.quality == QualityWord::Good,
                at_ms,
            });
        }
        for drive in &board.drives {
            let Some(output) = drive.output else { continue };
            values.push(Value {
                kind: "drive",
                name: &drive.name,
                reading: if drive.is_modulated {
                    Reading::Number(output / 100.0)
                } else {
                    Reading::Bit(output > 0.5)
                },
                unit: drive.is_modulated.then_some("/"),
                is_good: is_up,
                at_ms,
            });
        }
        broker.publish(&board.name, &values);
    }
}

/// Carries out a command that came by the broker. It needs a token with the scope `act`, as a request over HTTP does, and is limited as one address is.
fn answer(app: &App, payload: &Json) -> Json {
    let refused = |detail: &str| json!({ "status": "refused", "detail": detail });
    let nowhere = Peer { address: std::net::Ipv4Addr::UNSPECIFIED.into(), way: Way::Far, is_secure: true };
    if app.door.take(&nowhere, A_SECOND / 4.0, now_ms()).is_err() {
        return refused("too many commands; wait a few seconds");
    }
    let text = |key: &str| payload.get(key).and_then(Json::as_str).unwrap_or("");
    let shown = Shown::Bearer(ticket::hash(text("token")));
    let who = match app.door.who(&shown, now_ms()) {
        Ok(Some(who)) if who.may(Need::Scope(Scope::Act)) => who.signature(),
        Ok(_) => return refused("the token is not known, has ended, or lacks the scope `act`"),
        Err(_) => return refused("the store failed; try again"),
    };
    let why = text("why").trim();
    if why.is_empty() || why.chars().count() > 200 {
        return refused("`why` needs 1 to 200 characters");
    }
    let Some(board) = app.site.board(text("board")) else { return refused("there is no such board") };
    let found = board.names.drives.iter().find(|of| board.system.actuators[of.idx()].name == text("drive"));
    let Some(actuator) = found.copied() else { return refused("the board drives nothing of that name") };
    let part = &board.system.actuators[actuator.idx()];
    let order =
        match (payload.get("value").and_then(Json::as_f64), payload.get("minutes").and_then(Json::as_f64)) {
            (None, _) => crate::orders::hand(part, actuator, None),
            (Some(value), minutes) => {
                crate::orders::hand(part, actuator, Some((value, minutes.unwrap_or(0.0))))
            }
        };
    let (act, what): (Act, String) = match order {
        Ok(order) => order,
        Err(why_not) => return refused(&why_not),
    };
    match carry_out(app, board.id.0, &who, why, what, act) {
        Ok(order) => serde_json::to_value::<Order>(order).unwrap_or(Json::Null),
        Err(_) => {
            json!({ "status": "not-done", "detail": "the command could not be written down, so it was not sent" })
        }
    }
}

//! What people order: written down before it goes out, with the outcome after. A command without an outcome is one of which nobody
//! knows whether it was done, and is shown as that.

use std::sync::PoisonError;

use serde::Serialize;
use store::{Command, Outcome as Kept, OutcomeKind};
use utoipa::ToSchema;

use crate::app::{App, now_ms};
use crate::boards::{Act, BoardId, Done, Outcome, SafeStep};
use crate::http::problem::Problem;
use crate::later::Row;
use crate::live::{HandNow, minutes};
use system::model::{Actuator, ActuatorIdx};

/// The way to the boards.
pub trait Hands: Send + Sync {
    /// Does it and waits for what comes of it: a definite outcome, in bounded time.
    fn act(&self, board: BoardId, act: Act) -> Outcome;
    /// What makes a board's tank safe, in order.
    fn safe_steps(&self, board: BoardId) -> Vec<SafeStep>;
    /// How far a board's clock is ahead of the station's, ms; `None`: lost, not known, or of a time of its own.
    fn clock_off_ms(&self, board: BoardId) -> Option<i64>;
}

/// What became of a command.
#[derive(Serialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// It was sent, no answer came yet.
    UnderWay,
    /// The board acknowledged it.
    Done,
    /// It was refused; the detail says why.
    Refused,
    /// No answer came in time, and it is not carried out later.
    NotDone,
    /// The station stopped before it had an answer: not known whether done.
    NotKnown,
}

/// A command of the audit trail.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct Order {
    /// Its number.
    pub id: i64,
    /// When it was given, ms since 1970.
    pub at_ms: i64,
    /// The board, or `station`.
    pub board: String,
    /// Who gave it.
    pub who: String,
    /// Why.
    pub why: String,
    /// What.
    pub what: String,
    /// What became of it.
    pub status: Status,
    /// In words.
    pub detail: String,
    /// When the outcome was known, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub answered_ms: Option<i64>,
    /// The scan that took it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scan: Option<i64>,
    /// Output of the drive after that scan, as the board has it: 0 or 1, permille if modulated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output: Option<i64>,
}

impl Order {
    /// As it is shown by a process that began then.
    pub fn of(command: Command, started_ms: i64) -> Order {
        let last = command.outcomes.into_iter().next_back();
        let (status, detail) = match &last {
            Some(outcome) => {
                let status = match outcome.outcome {
                    OutcomeKind::Done => Status::Done,
                    OutcomeKind::Refused => Status::Refused,
                    OutcomeKind::NotDone => Status::NotDone,
                };
                (status, outcome.detail.clone())
            }
            None if command.at < started_ms => (
                Status::NotKnown,
                "not known whether done: the station stopped before the board answered".to_owned(),
            ),
            None => (Status::UnderWay, "sent, no answer yet".to_owned()),
        };
        Order {
            id: command.id,
            at_ms: command.at,
            board: command.source,
            who: command.who,
            why: command.why,
            what: command.what,
            status,
            detail,
            answered_ms: last.as_ref().map(|outcome| outcome.at),
            scan: last.as_ref().and_then(|outcome| outcome.scan),
            output: last.as_ref().and_then(|outcome| outcome.output),
        }
    }
}

/// Longest hand, min: the longest that a program takes is half a day.
const LONGEST_HAND_MIN: f64 = 720.0;

/// A hand command on a part: a value with the minutes after which it ends, or none to give the part back; the act and what the audit trail says of it.
///
/// # Errors
/// What is wrong with it, as a sentence.
pub fn hand(
    part: &Actuator,
    actuator: ActuatorIdx,
    wanted: Option<(f64, f64)>,
) -> Result<(Act, String), String> {
    let Some((value, time)) = wanted else {
        return Ok((Act::Hand { actuator, value: 0, time_ms: 0 }, format!("{} back to its rule", part.name)));
    };
    if !(time > 0.0 && time <= LONGEST_HAND_MIN) {
        return Err("A hand has an end: give `minutes`, above 0 up to 720.".to_owned());
    }
    let time_ms = ((time * 60_000.0) as u32).max(1000);
    let (value, shown) = if part.modulated {
        if !(0.0..=100.0).contains(&value) {
            return Err(format!("{} is modulated: `value` goes from 0 to 100 percent.", part.name));
        }
        ((value * 10.0).round() as i16, format!("{value} %"))
    } else if value == 0.0 || value == 1.0 {
        (value as i16, if value == 0.0 { "off" } else { "on" }.to_owned())
    } else {
        return Err(format!("{} is on or off: `value` is 0 or 1.", part.name));
    };
    Ok((Act::Hand { actuator, value, time_ms }, format!("{} {shown} for {}", part.name, minutes(time_ms))))
}

/// Writes a command down, carries it out, writes down what came of it. Blocks until the board has answered or cannot.
///
/// # Errors
/// It could not be written down; then it did not go out.
pub fn carry_out(
    app: &App,
    board: usize,
    who: &str,
    why: &str,
    what: String,
    act: Act,
) -> Result<Order, Problem> {
    let name = app.site.boards.get(board).map_or("", |board| &board.settings.name);
    let mut command = Command {
        id: 0,
        at: now_ms(),
        source: name.to_owned(),
        who: who.to_owned(),
        why: why.trim().to_owned(),
        what,
        outcomes: vec![],
    };
    command.id = app.store.add_command(&command).map_err(|error| {
        Problem::store(format!("{error}; the command was not sent, for it could not be written down"))
    })?;
    let taken = if let Act::Hand { actuator, .. } = &act { Some(*actuator) } else { None };
    let outcome = app.hands.act(BoardId(board), act);
    if let (Some(actuator), Outcome::Done(done)) = (taken, &outcome) {
        note_hand(app, board, &command, actuator, done);
    }
    let kept = kept(outcome, now_ms());
    let written = app.store.add_outcome(command.id, kept.clone());
    let command_id = command.id;
    command.outcomes.push(kept.clone());
    let mut order = Order::of(command, app.started_ms);
    if let Err(error) = written {
        // It happened all the same, and whoever ordered it must know.
        order.detail.push_str(&format!(" (this outcome is not written down yet: {error})"));
        app.later.keep(Row::Outcome(command_id, kept));
    }
    if let Ok(data) = serde_json::to_string(&order) {
        app.feed.send("command", data);
    }
    Ok(order)
}

/// Key of who has what of a board in hand, among the store's settings.
pub fn hands_key(board: &str) -> String {
    format!("hands/{board}")
}

/// Notes who took a drive into hand and until when, as the board acknowledged it.
fn note_hand(app: &App, board: usize, command: &Command, actuator: ActuatorIdx, done: &Done) {
    let Some(drive) = app.site.boards.get(board).and_then(|board| board.names.drive(actuator)) else {
        return;
    };
    let left_ms = done.hand_left_ms.filter(|left_ms| *left_ms > 0);
    let hand = left_ms.map(|left_ms| HandNow {
        who: command.who.clone(),
        why: command.why.clone(),
        since_ms: done.at_ms,
        until_ms: done.at_ms + i64::from(left_ms),
    });
    let all = {
        let mut live = app.live.write().unwrap_or_else(PoisonError::into_inner);
        live.note_hand(board, usize::from(drive), hand);
        live.hands(&app.site, board)
    };
    let kept = serde_json::to_string(&all).unwrap_or_default();
    // The audit trail has it too; after a restart it is then not told beside the drive.
    let _ = app.store.set_setting(&hands_key(&command.source), &kept);
}

fn kept(outcome: Outcome, at: i64) -> Kept {
    match outcome {
        Outcome::Done(done) => {
            let mut detail = match done.scan {
                Some(scan) => format!("done: scan {scan} took it"),
                None => "done".to_owned(),
            };
            if let Some(remark) = done.remark {
                detail.push_str("; ");
                detail.push_str(&remark);
            }
            Kept {
                at,
                outcome: OutcomeKind::Done,
                detail,
                scan: done.scan.map(i64::from),
                output: done.output.map(i64::from),
            }
        }
        Outcome::Refused { why } => {
            Kept { at, outcome: OutcomeKind::Refused, detail: why, scan: None, output: None }
        }
        Outcome::NotDone { why } => {
            Kept { at, outcome: OutcomeKind::NotDone, detail: why, scan: None, output: None }
        }
    }
}

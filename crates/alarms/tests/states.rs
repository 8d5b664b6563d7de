//! Every arrow of the state diagram of IEC 62682:2014 / ISA-18.2-2016, as a table. The standard's text was not at hand: the list of
//! states is as open implementations that name the standard have it, the arrows and letters are from memory; where the standard leaves
//! the choice (what an alarm is after shelf and suppression, re-alarm) docs/alarms.md says what was chosen.

use alarms::book::Settings;
use alarms::{Act, Book, Cause, Condition, Definition, Limit, Origin, Peril, Priority, Refusal, State};

const AT: i64 = 1_800_000_000_000;
const MINUTE: i64 = 60_000;

fn definition(id: &str) -> Definition {
    Definition {
        id: id.into(),
        text: "The display is getting cold".into(),
        priority: Priority::Medium,
        peril: Peril::Chill,
        origin: Origin::Station,
        on_delay_ms: 0,
        off_delay_ms: 0,
        is_latching: false,
        group: None,
        suppressed_during: vec!["board/feeding".into()],
    }
}

fn book(change: impl Fn(&mut Definition)) -> Book {
    let mut book = Book::new(Settings::default());
    let mut one = definition("a");
    change(&mut one);
    book.define(vec![one], AT);
    book
}

fn act(word: &str, at: i64) -> Act {
    let (alarm, by, why) = ("a".to_owned(), "Robin".to_owned(), "a reason".to_owned());
    match word {
        "holds" => Act::Condition { alarm, now: Condition::Holds },
        "gone" => Act::Condition { alarm, now: Condition::Gone },
        "unknown" => Act::Condition { alarm, now: Condition::Unknown },
        "ack" => Act::Acknowledge { alarm, by },
        "reset" => Act::Reset { alarm, by },
        "shelve" => Act::Shelve { alarm, by, why, until_ms: at + 10 * MINUTE },
        "unshelve" => Act::Unshelve { alarm, by },
        "out" => Act::OutOfService { alarm, by, why },
        "in" => Act::InService { alarm, by },
        "feed" => Act::ProcedureBegan { procedure: "board/feeding".into() },
        "fed" => Act::ProcedureEnded { procedure: "board/feeding".into() },
        "wait" => Act::Tick,
        other => unreachable!("{other}"),
    }
}

/// Acts a minute apart (`wait`: a quarter of an hour); the states after each.
fn walk(latching: bool, words: &str) -> String {
    let mut book = book(|d| d.is_latching = latching);
    let mut at = AT;
    let mut letters = String::new();
    for word in words.split(' ') {
        at += if word == "wait" { 15 * MINUTE } else { MINUTE };
        book.apply(at, act(word, at)).expect(word);
        letters.push(letter(book.alarm("a").expect("defined").state));
    }
    letters
}

fn letter(state: State) -> char {
    match state {
        State::Normal => 'A',
        State::Unacknowledged => 'B',
        State::Acknowledged => 'C',
        State::ReturnedUnacknowledged => 'D',
        State::LatchedUnacknowledged => 'E',
        State::LatchedAcknowledged => 'F',
        State::Shelved => 'G',
        State::SuppressedByDesign => 'H',
        State::OutOfService => 'I',
    }
}

#[test]
fn arrows_of_an_alarm_that_does_not_latch() {
    for (words, states) in [
        ("holds ack gone", "BCA"),
        ("holds gone ack", "BDA"),
        ("holds gone holds", "BDB"),
        ("holds ack gone holds", "BCAB"),
        // Shelving from each state, and back.
        ("shelve unshelve", "GA"),
        ("holds shelve unshelve", "BGB"),
        ("holds ack shelve unshelve", "BCGB"),
        ("holds gone shelve unshelve", "BDGA"),
        ("shelve holds unshelve", "GGB"),
        ("holds shelve gone unshelve", "BGGA"),
        ("holds shelve wait", "BGB"),
        ("shelve wait", "GA"),
        ("shelve holds gone wait", "GGGA"),
        // Suppression from each state, and back.
        ("feed fed", "HA"),
        ("holds feed fed", "BHB"),
        ("holds ack feed fed", "BCHC"),
        ("holds gone feed fed", "BDHA"),
        ("feed holds fed", "HHB"),
        ("feed holds gone fed", "HHHA"),
        ("holds ack feed gone holds fed", "BCHHHB"),
        // Out of service from each state, and back.
        ("out in", "IA"),
        ("holds out in", "BIB"),
        ("holds ack out in", "BCIB"),
        ("holds gone out in", "BDIA"),
        ("out holds in", "IIB"),
        // One over the other: out of service over suppressed over shelved.
        ("shelve feed out", "GHI"),
        ("shelve feed fed unshelve", "GHGA"),
        ("shelve out in", "GIG"),
        ("out feed in fed", "IIHA"),
        // Nothing known: what stands stays, nothing new comes.
        ("holds unknown gone", "BBD"),
        ("unknown holds", "AB"),
        ("holds unknown holds ack", "BBBC"),
    ] {
        assert_eq!(walk(false, words), states, "{words}");
    }
}

#[test]
fn arrows_of_an_alarm_that_latches() {
    for (words, states) in [
        ("holds gone ack reset", "BEFA"),
        ("holds ack gone reset", "BCFA"),
        ("holds gone reset", "BEA"),
        ("holds gone holds", "BEB"),
        ("holds ack gone holds", "BCFB"),
        ("holds gone shelve unshelve", "BEGE"),
        ("holds ack gone shelve unshelve", "BCFGE"),
        ("holds ack gone feed fed", "BCFHE"),
        ("shelve holds gone unshelve reset", "GGGEA"),
        ("holds gone out in reset", "BEIEA"),
    ] {
        assert_eq!(walk(true, words), states, "{words}");
    }
}

#[test]
fn what_is_refused_and_why() {
    let refused = |latching: bool, before: &str, word: &str| {
        let mut book = book(|d| d.is_latching = latching);
        for word in before.split(' ').filter(|w| !w.is_empty()) {
            book.apply(AT, act(word, AT)).expect(word);
        }
        let was = book.clone();
        let refusal = book.apply(AT, act(word, AT)).expect_err(word);
        assert_eq!(book, was, "a refusal changes nothing");
        refusal
    };
    assert_eq!(refused(false, "", "ack"), Refusal::NothingToAcknowledge(State::Normal));
    assert_eq!(refused(false, "holds ack", "ack"), Refusal::NothingToAcknowledge(State::Acknowledged));
    assert_eq!(refused(false, "holds shelve", "ack"), Refusal::NothingToAcknowledge(State::Shelved));
    assert_eq!(refused(false, "holds", "reset"), Refusal::NotLatched(State::Unacknowledged));
    assert_eq!(refused(true, "holds", "reset"), Refusal::StillHolds);
    assert_eq!(refused(false, "", "unshelve"), Refusal::NotShelved(State::Normal));
    assert_eq!(refused(false, "out", "out"), Refusal::AlreadyOut);
    assert_eq!(refused(false, "", "in"), Refusal::InServiceAlready);
}

#[test]
fn a_shelf_has_an_end_a_name_and_a_reason() {
    let shelve = |by: &str, why: &str, until_ms: i64| Act::Shelve {
        alarm: "a".into(),
        by: by.into(),
        why: why.into(),
        until_ms,
    };
    let mut book = book(|d| d.priority = Priority::High);
    assert_eq!(book.apply(AT, shelve("", "why", AT + 1)), Err(Refusal::NoName));
    assert_eq!(book.apply(AT, shelve("Robin", " ", AT + 1)), Err(Refusal::NoReason));
    assert_eq!(book.apply(AT, shelve("Robin", "why", AT)), Err(Refusal::EndIsPast));
    let day = 24 * 60 * MINUTE;
    assert_eq!(book.apply(AT, shelve("Robin", "why", AT + day + 1)), Err(Refusal::EndTooLate(AT + day)));
    let done = book.apply(AT, shelve("Robin", "a new float comes on Friday", AT + day)).expect("allowed");
    assert_eq!((done[0].cause, done[0].until_ms), (Cause::Shelved, Some(AT + day)));
    assert_eq!(done[0].by.as_deref(), Some("Robin"));
    assert_eq!(book.next_due_ms(), Some(AT + day));
    let ended = book.tick(AT + 2 * day);
    assert_eq!((ended[0].cause, ended[0].at_ms), (Cause::ShelfEnded, AT + day), "at its own time");
}

#[test]
fn delays_end_at_their_own_time_and_a_flicker_does_not_count() {
    let mut book = book(|d| (d.on_delay_ms, d.off_delay_ms) = (10_000, 60_000));
    assert_eq!(book.apply(AT, act("holds", AT)), Ok(vec![]));
    assert_eq!(book.apply(AT + 9_000, act("gone", AT)), Ok(vec![]));
    assert_eq!(book.tick(AT + MINUTE), vec![]);
    assert_eq!(book.apply(AT + MINUTE, act("holds", AT)), Ok(vec![]));
    let came = book.tick(AT + 60 * MINUTE);
    assert_eq!((came.len(), came[0].at_ms), (1, AT + MINUTE + 10_000));
    assert!(came[0].is_announced());
    // Gone for less than its delay: it goes on standing.
    let at = AT + 61 * MINUTE;
    assert_eq!(book.apply(at, act("gone", at)), Ok(vec![]));
    assert_eq!(book.apply(at + 59_000, act("holds", at)), Ok(vec![]));
    assert_eq!(book.tick(at + 60 * MINUTE), vec![]);
    // A delay that passed is not lost to an act that is refused.
    let at = AT + 200 * MINUTE;
    assert_eq!(book.apply(at, act("gone", at)), Ok(vec![]));
    assert!(book.apply(at + 2 * MINUTE, act("unshelve", at)).is_err());
    let went = book.tick(at + 3 * MINUTE);
    assert_eq!((went[0].to, went[0].at_ms), (State::ReturnedUnacknowledged, at + MINUTE));
}

#[test]
fn a_limit_has_a_deadband() {
    let low = Limit { at: 24.2, is_high: false, deadband: 0.3 };
    let mut held = false;
    let walk: Vec<bool> = [24.3, 24.1, 24.4, f64::NAN, 24.6, 24.3]
        .iter()
        .map(|v| {
            held = low.holds(*v, held);
            held
        })
        .collect();
    assert_eq!(walk, [false, true, true, true, false, false]);
    assert!(Limit { is_high: true, ..low }.holds(24.0, true));
}

#[test]
fn the_first_of_a_group_is_marked_until_the_group_is_normal() {
    let mut book = Book::new(Settings::default());
    let grouped = |id: &str| Definition { group: Some("return".into()), ..definition(id) };
    book.define(vec![grouped("flow"), grouped("chamber"), definition("other")], AT);
    let holds = |id: &str| Act::Condition { alarm: id.into(), now: Condition::Holds };
    let gone = |id: &str| Act::Condition { alarm: id.into(), now: Condition::Gone };
    let ack = |id: &str| Act::Acknowledge { alarm: id.into(), by: "Robin".into() };
    assert!(!book.apply(AT, holds("other")).expect("done")[0].is_first_out);
    assert!(book.apply(AT, holds("chamber")).expect("done")[0].is_first_out);
    assert!(!book.apply(AT, holds("flow")).expect("done")[0].is_first_out);
    assert_eq!(book.attention()[0].definition.id, "chamber", "the first of its group leads");
    for act in [gone("chamber"), ack("chamber")] {
        book.apply(AT, act).expect("done");
    }
    assert!(book.alarm("chamber").expect("defined").is_first_out, "the group is not yet normal");
    for act in [ack("flow"), gone("flow")] {
        book.apply(AT, act).expect("done");
    }
    assert!(book.apply(AT, holds("flow")).expect("done")[0].is_first_out);
}

#[test]
fn floods_chatter_and_what_is_stale_are_marked() {
    let mut book = Book::new(Settings::default());
    book.define((0..6).map(|i| definition(&format!("a{i}"))).collect(), AT);
    let set = |book: &mut Book, i: usize, at: i64, now: Condition| {
        book.apply(at, Act::Condition { alarm: format!("a{i}"), now }).expect("done")
    };
    let marks: Vec<bool> =
        (0..6).map(|i| set(&mut book, i, AT + i as i64 * MINUTE, Condition::Holds)[0].in_flood).collect();
    assert_eq!(marks, [false, false, false, false, true, true]);
    assert!(book.is_in_flood());
    book.tick(AT + 20 * MINUTE);
    assert!(!book.is_in_flood());
    // Three times within a minute.
    let at = AT + 60 * MINUTE;
    for i in 0..3 {
        set(&mut book, 0, at + i * 10_000, Condition::Gone);
        set(&mut book, 0, at + i * 10_000 + 5_000, Condition::Holds);
    }
    assert!(book.alarm("a0").expect("defined").is_chattering);
    assert!(!book.alarm("a1").expect("defined").is_chattering);
    book.tick(AT + 25 * 60 * MINUTE);
    assert!(book.alarm("a1").expect("defined").is_stale);
    assert!(!book.alarm("a0").expect("defined").is_chattering);
}

#[test]
fn a_new_revision_keeps_what_is_known_of_alarms_that_stay() {
    let mut book = Book::new(Settings::default());
    book.define(vec![definition("a"), definition("b")], AT);
    for id in ["a", "b"] {
        book.apply(AT, Act::Condition { alarm: id.into(), now: Condition::Holds }).expect("done");
    }
    let changes = book.define(vec![definition("b"), definition("c")], AT + 1);
    assert_eq!(changes.len(), 1);
    assert_eq!((changes[0].alarm.as_str(), changes[0].cause), ("a", Cause::Removed));
    assert!(book.alarm("a").is_none());
    assert_eq!(book.alarm("b").map(|v| v.state), Some(State::Unacknowledged));
    assert_eq!(book.alarm("c").map(|v| v.state), Some(State::Normal));
}

//! Whatever happens to a book: its log gives it back, its transitions tell its states, a restart in between and a tick more or less
//! change nothing, and no transition leaves a state in which the alarm was not.

use alarms::book::Settings;
use alarms::report::{Report, differ};
use alarms::{Act, Book, Condition, Definition, Entry, Origin, Peril, Priority, State, Transition};
use proptest::prelude::*;

fn definitions() -> Vec<Definition> {
    (0..4)
        .map(|i| Definition {
            id: format!("a{i}"),
            text: format!("Alarm {i}"),
            priority: [Priority::Low, Priority::Medium, Priority::High][i % 3],
            peril: Peril::Flood,
            origin: Origin::Station,
            on_delay_ms: [0, 5_000, 30_000, 0][i],
            off_delay_ms: [0, 0, 20_000, 7_000][i],
            is_latching: i % 2 == 1,
            group: (i > 1).then(|| "return".to_owned()),
            suppressed_during: if i == 2 { vec!["board/feeding".into()] } else { vec![] },
        })
        .collect()
}

fn entries() -> impl Strategy<Value = Vec<Entry>> {
    let one = (0..5usize, 0..13u8, -2_000..40_000i64, 1..200_000i64);
    prop::collection::vec(one, 1..80).prop_map(|steps| {
        let mut at_ms = 1_800_000_000_000i64;
        (steps.into_iter())
            .map(|(i, what, later, span)| {
                at_ms += later;
                let alarm = format!("a{i}");
                let (by, why) = ("Robin".to_owned(), "a reason".to_owned());
                let act = match what {
                    0..=2 => Act::Condition { alarm, now: Condition::Holds },
                    3 | 4 => Act::Condition { alarm, now: Condition::Gone },
                    5 => Act::Condition { alarm, now: Condition::Unknown },
                    6 => Act::Acknowledge { alarm, by },
                    7 => Act::Reset { alarm, by },
                    8 => Act::Shelve { alarm, by, why, until_ms: at_ms + span },
                    9 => Act::Unshelve { alarm, by },
                    10 if i % 2 == 0 => Act::OutOfService { alarm, by, why },
                    10 => Act::InService { alarm, by },
                    11 => Act::ProcedureBegan { procedure: "board/feeding".into() },
                    _ => Act::ProcedureEnded { procedure: "board/feeding".into() },
                };
                Entry { at_ms, act }
            })
            .collect()
    })
}

/// Applies a log; with a restart and extra ticks where asked.
fn run(log: &[Entry], restart_at: Option<usize>, tick_every: Option<i64>) -> (Book, Vec<Transition>) {
    let mut book = Book::new(Settings::default());
    book.define(definitions(), log[0].at_ms);
    let mut all = vec![];
    let mut now = log[0].at_ms;
    for (i, entry) in log.iter().enumerate() {
        if let Some(step) = tick_every {
            while now + step < entry.at_ms {
                now += step;
                all.extend(book.tick(now));
            }
        }
        now = now.max(entry.at_ms);
        all.extend(book.apply(entry.at_ms, entry.act.clone()).unwrap_or_default());
        if restart_at == Some(i) {
            let text = serde_json::to_string(&book).expect("serialises");
            book = serde_json::from_str(&text).expect("reads back");
        }
    }
    all.extend(book.tick(now + 3_600_000));
    (book, all)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_log_gives_the_book_back(log in entries(), restart in 0..80usize) {
        let (book, transitions) = run(&log, None, None);
        let mut replayed = Book::replay(Settings::default(), definitions(), &log);
        let last = log.iter().map(|e| e.at_ms).max().unwrap_or(0);
        replayed.tick(last + 3_600_000);
        prop_assert_eq!(&replayed, &book);
        let (restarted, same) = run(&log, Some(restart), None);
        prop_assert_eq!(&restarted, &book);
        prop_assert_eq!(&same, &transitions);
        // The log itself keeps through text.
        let text = serde_json::to_string(&log).expect("serialises");
        prop_assert_eq!(serde_json::from_str::<Vec<Entry>>(&text).expect("reads back"), log);
    }

    #[test]
    fn ticks_change_nothing(log in entries(), step in 1_000..60_000i64) {
        let (book, transitions) = run(&log, None, None);
        let (ticked, same) = run(&log, None, Some(step));
        prop_assert_eq!(same, transitions);
        prop_assert_eq!(ticked, book);
    }

    #[test]
    fn transitions_tell_the_states(log in entries()) {
        let (book, transitions) = run(&log, None, None);
        prop_assert_eq!(differ(&book, &transitions), Vec::<String>::new());
        let mut states = std::collections::BTreeMap::new();
        let mut before = 0;
        for t in &transitions {
            prop_assert!(t.at_ms >= before, "in order of time");
            before = t.at_ms;
            let was = states.insert(t.alarm.clone(), t.to).unwrap_or(State::Normal);
            prop_assert_eq!(was, t.from);
            prop_assert!(t.from != t.to || t.to == State::Shelved);
        }
        // The report counts every announcement once, and no alarm stands longer than there is time.
        let (from, to) = (log[0].at_ms - 5_000, before + 1);
        let report = Report::of(&transitions, from, to);
        prop_assert_eq!(report.actionable + report.low, transitions.iter().filter(|t| t.is_announced()).count());
        prop_assert!(report.standing_longest.iter().all(|l| l.stood_ms <= to - from));
        prop_assert!(report.episodes <= report.actionable);
        prop_assert!(!report.words().is_empty());
    }
}

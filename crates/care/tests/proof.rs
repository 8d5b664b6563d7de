//! Proof tests of the examples, the formula against tables and chance, schedules, maintenance, and the calendar feed.

use care::calendar::{Event, day_of, icalendar, iso_date};
use care::proof::schedule::{State, due, due_by_hours};
use care::proof::{
    Kind, ProofTest, Tolerated, Watch, YEAR_DAYS, harm_per_year, longest_interval_days, tests,
};
use care::tasks::{Every, falling, usual};
use checks::{assert_abs, assert_rel};
use system::model::{SensorKind, SupplyKind};

fn example(name: &str) -> system::System {
    let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("an example");
    let loaded = system::load(&text);
    loaded.system.unwrap_or_else(|| panic!("{name}: {:?}", loaded.diagnostics))
}

/// IEC 61508-6, table B.3 (one channel, a test a year, no diagnostics, λD = 5e-7/h): PFD 2.2e-3 (from memory). And λ(1 - (1 - e^-DT)/(DT)) by
/// chance: failures strike at random, a call or the next test finds them, whichever comes first; 400 000 draws, five standard deviations.
#[test]
fn the_formula_holds() {
    assert_abs(5e-7 * 8760.0 / 2.0, 2.2e-3, 5e-5, "PFD");
    // Seldom called: D λ T / 2.
    assert_rel(harm_per_year(0.1, 0.02, 30.0), 0.1 * 0.02 * 30.0 / YEAR_DAYS / 2.0, 2e-3, "seldom");
    assert_rel(harm_per_year(0.1, 1e5, 365.0), 0.1, 1e-4, "always called: every failure harms");
    let mut state = 5_u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    };
    for (demand, days) in [(0.5, 365.0), (3.0, 180.0), (12.0, 91.0)] {
        let n = 400_000;
        let years = days / YEAR_DAYS;
        let called = (0..n).filter(|_| -uniform().ln() / demand < years * uniform()).count();
        let share = called as f64 / f64::from(n);
        let expected = harm_per_year(1.0, demand, days);
        assert_abs(share, expected, 5.0 * (expected / f64::from(n)).sqrt(), "by chance");
    }
    for (failure, demand, tolerable) in [(0.1, 0.2, 1e-3), (0.3, 2.0, 0.05), (0.03, 0.02, 1e-4)] {
        let days = longest_interval_days(failure, demand, tolerable);
        assert_rel(
            harm_per_year(failure, demand, days),
            tolerable,
            1e-9,
            "the longest interval is just tolerated",
        );
    }
    assert_eq!(longest_interval_days(1e-4, 1.0, 1e-3), f64::INFINITY);
}

fn by_id<'a>(all: &'a [ProofTest], id: &str) -> &'a ProofTest {
    all.iter()
        .find(|t| t.id == id)
        .unwrap_or_else(|| panic!("{id} in {:?}", all.iter().map(|t| &t.id).collect::<Vec<_>>()))
}

#[test]
fn harbour_lane() {
    let system = example("harbour-lane/system.toml");
    let all = tests(&system, &Tolerated::default());
    let ids: Vec<&str> = all.iter().map(|t| t.id.as_str()).collect();
    let mut sorted = ids.clone();
    sorted.dedup();
    assert_eq!(sorted, ids, "each once");
    // Every float, leak probe, battery and RCD of the file has its test; by hand from the file.
    let count = |kind: Kind| all.iter().filter(|t| t.kind == kind).count();
    let sensors = |f: fn(&SensorKind) -> bool| system.sensors.iter().filter(|s| f(&s.kind)).count();
    assert_eq!(
        count(Kind::Float) + count(Kind::CallingFloat),
        sensors(|k| matches!(k, SensorKind::Float { .. }))
    );
    assert_eq!(count(Kind::Leak), sensors(|k| matches!(k, SensorKind::Leak)));
    let supplies = |f: fn(&SupplyKind) -> bool| system.supplies.iter().filter(|s| f(&s.kind)).count();
    assert_eq!(count(Kind::Battery), supplies(|k| matches!(k, SupplyKind::Battery { .. })));
    assert_eq!(
        count(Kind::ResidualCurrent),
        supplies(|k| matches!(k, SupplyKind::Circuit { rcd_a: Some(_), .. }))
    );
    assert_eq!(count(Kind::AlarmPath), 1);
    // Of its trips only the master cut's reads a value; the others are by floats.
    assert_eq!(count(Kind::Trip), 1, "{ids:?}");

    // λ = 0.1, D = 0.2, tolerated 0.001: T = 2 * 0.001 / (0.1 * 0.2) years = 36.5 days, so monthly.
    let high = by_id(&all, "float:float_c_high");
    assert_abs(high.reckoned_days, 36.5, 0.5, "by hand");
    assert_eq!((high.interval_days, high.because), (30, None));
    assert_abs(high.pfd_avg, 0.1 * 30.0 / 365.25 / 2.0, 1e-12, "PFD");
    assert!(high.formula().contains("PFDavg"), "{}", high.formula());
    assert!(!high.guards.is_empty() && high.steps.len() >= 4);
    // The float that calls is cleaned.
    assert_eq!(by_id(&all, "float:float_c_low").kind, Kind::CallingFloat);
    assert!(
        all.iter().all(|t| t.failure.source.len() > 3 && t.demand.source.len() > 3 && !t.steps.is_empty())
    );
    assert!(all.iter().all(|t| (7..=365).contains(&t.interval_days)));
    assert!(care::proof::findings(&all).is_empty());
    let strict = tests(&system, &Tolerated { loss: 1e-5, ..Tolerated::default() });
    assert!(care::proof::findings(&strict).iter().any(|f| f.id == "proof-test-not-enough"));
}

/// Lifting the high float is seen by its signal and stops what it guards; whatever is watched is in the file.
#[test]
fn steps_watch_what_the_file_has() {
    for name in [
        "harbour-lane/system.toml",
        "harbour-lane/first-draft.toml",
        "desk-60l/system.toml",
        "raceway/system.toml",
    ] {
        let system = example(name);
        for test in tests(&system, &Tolerated::default()) {
            for step in &test.steps {
                let found = match &step.watch {
                    Watch::Signal { name, .. } => system.signals.iter().any(|s| s.name == *name),
                    Watch::Output { name, .. } | Watch::Trip { name, .. } => {
                        system.actuators.iter().any(|a| a.name == *name)
                    }
                    Watch::Person => true,
                };
                assert!(found && step.within_s > 0 && !step.text.is_empty(), "{name} {} {step:?}", test.id);
            }
        }
    }
    let system = example("harbour-lane/system.toml");
    let all = tests(&system, &Tolerated::default());
    let high = by_id(&all, "float:float_c_high");
    // Against too little water a float is held down: the return chamber's low one, which is true below.
    let low = by_id(&all, "float:float_c_empty");
    assert!(low.steps.iter().any(|s| s.text.starts_with("Hold float_c_empty down")), "{:?}", low.steps);
    let lifted = Watch::Signal { name: "float_c_high".into(), is: true };
    assert!(high.steps.iter().any(|s| s.watch == lifted), "{:?}", high.steps);
    assert!(
        high.steps.iter().any(|s| matches!(&s.watch, Watch::Output { is_on: false, .. })),
        "{:?}",
        high.steps
    );
}

#[test]
fn what_is_due() {
    // Done on day 100, each 30 days: due on 130, soon from 123, overdue after 137.
    let state = |today| due(30, Some(100), 0, today).state;
    assert_eq!(due(30, Some(100), 0, 110).day, 130);
    assert_eq!(
        [122, 123, 129, 130, 137, 138].map(state),
        [State::Later, State::Soon, State::Soon, State::Due, State::Due, State::Overdue]
    );
    // Never done: a week after the beginning.
    assert_eq!(due(91, None, 50, 50), care::proof::schedule::Due { day: 57, state: State::Soon });
    assert_eq!(
        [800.0, 900.0, 1000.0, 1300.0].map(|h| due_by_hours(1000.0, h)),
        [State::Later, State::Soon, State::Due, State::Overdue]
    );
    assert_eq!(due_by_hours(0.0, 0.0), State::Overdue);
    let _ = due(u32::MAX, Some(i64::MAX), i64::MIN, i64::MIN);
}

#[test]
fn tasks_of_the_example() {
    let system = example("harbour-lane/system.toml");
    let all = usual(&system);
    assert!(
        all.windows(2).all(|w| w[0].id < w[1].id),
        "sorted, each once: {:?}",
        all.iter().map(|t| &t.id).collect::<Vec<_>>()
    );
    assert!(all.iter().any(|t| matches!(t.every, Every::Hours { .. })));
    assert!(all.iter().any(|t| matches!(t.every, Every::Evidence { .. })));
    assert!(all.iter().any(|t| t.id.starts_with("calibrate:")));
    assert!(all.iter().any(|t| t.title.contains("siphon-break")), "its return has holes");
}

#[test]
fn a_clog_shows_in_the_flow() {
    // One per cent a day off 2400 L/h: 80 % at day 20.
    let means: Vec<(f64, f64)> =
        (0..10).map(f64::from).map(|d| (d, 2400.0 * (1.0 - 0.01 * d) + 3.0 * (d % 3.0))).collect();
    let seen = falling(&means, 0.8).expect("it falls");
    assert_abs(seen.reaches_limit.expect("reached"), 20.0, 0.5, "by hand");
    assert_eq!(falling(&means[..6], 0.8), None);
    let steady: Vec<(f64, f64)> =
        (0..20).map(|d| (f64::from(d), 2400.0 + 20.0 * f64::from(d * 7 % 5))).collect();
    assert_eq!(falling(&steady, 0.8), None);
}

#[test]
fn dates() {
    assert_eq!(day_of("1970-01-01"), Some(0));
    assert_eq!(day_of("2024-02-29").map(iso_date).as_deref(), Some("2024-02-29"));
    for wrong in ["2023-02-29", "2024-13-01", "2024-1", "", "2024-01-01-01", "+2024-01-01", "0000-01-01"] {
        assert_eq!(day_of(wrong), None, "{wrong}");
    }
    for day in (-500_000..500_000).step_by(997) {
        assert_eq!(day_of(&iso_date(day)), Some(day));
    }
}

fn event(title: &str, text: &str) -> Event {
    Event {
        uid: "reef-float:float_c_high@tidewright".into(),
        day: 20_000,
        every_days: Some(30),
        title: title.into(),
        text: text.into(),
        category: "proof test".into(),
    }
}

/// RFC 5545, 3.1 and 3.3.11 by hand: folded at 75 octets between characters, escaped.
#[test]
fn a_feed_by_hand() {
    let feed = icalendar("Reef", &[event("Float, high; A\\B", "one\ntwo")], 86_400_000 * 20_000 + 3_600_000);
    for line in [
        "BEGIN:VCALENDAR\r\n",
        "DTSTART;VALUE=DATE:20241004\r\n",
        "DTEND;VALUE=DATE:20241005\r\n",
        "DTSTAMP:20241004T010000Z\r\n",
        "RRULE:FREQ=DAILY;INTERVAL=30\r\n",
        "SUMMARY:Float\\, high\\; A\\\\B\r\n",
        "DESCRIPTION:one\\ntwo\r\n",
        "END:VCALENDAR\r\n",
    ] {
        assert!(feed.contains(line), "{line:?} in {feed}");
    }
}

proptest::proptest! {
    /// Whatever stands in a title comes back after unfolding and unescaping; no line is longer than 75 octets; nothing gets out of its line.
    #[test]
    fn any_text_survives(title in "\\PC{0,200}", text in "[\\x00-\\x7f\\u{e9}\\u{6c34}\\u{1f41f}]{0,300}", day in -1_000_000i64..4_000_000) {
        let feed = icalendar("Reef", &[Event { day, ..event(&title, &text) }], day.saturating_mul(86_400_000));
        proptest::prop_assert!(feed.ends_with("\r\n"));
        let lines: Vec<&str> = feed.strip_suffix("\r\n").unwrap_or("").split("\r\n").collect();
        proptest::prop_assert!(lines.iter().all(|l| l.len() <= 75 && !l.contains('\n') && !l.contains('\r')));
        let unfolded = feed.replace("\r\n ", "");
        proptest::prop_assert_eq!(unfolded.matches("\r\nBEGIN:").count(), 2);
        let of = |key: &str| {
            let value = unfolded.split("\r\n").find_map(|l| l.strip_prefix(key)).unwrap_or("");
            let mut out = String::new();
            let mut chars = value.chars();
            while let Some(c) = chars.next() {
                match (c, c == '\\') {
                    (_, true) => match chars.next() { Some('n') => out.push('\n'), Some(c) => out.push(c), None => {} },
                    (c, false) => out.push(c),
                }
            }
            out
        };
        let kept = |s: &str| s.replace("\r\n", "\n").chars().map(|c| if c == '\r' { '\n' } else { c }).filter(|c| *c == '\n' || *c == '\t' || !c.is_control()).collect::<String>();
        proptest::prop_assert_eq!(of("SUMMARY:"), kept(&title));
        // Without a text the first description is the reminder's.
        proptest::prop_assert_eq!(of("DESCRIPTION:"), kept(if text.is_empty() { &title } else { &text }));
    }
}

/// With `ICALENDAR_PYTHON` naming a Python that has the package icalendar, that reader must find every event as written. See tests/outside.
#[test]
fn an_independent_reader_agrees() {
    let Some(python) = std::env::var_os("ICALENDAR_PYTHON") else { return };
    let system = example("harbour-lane/system.toml");
    let events: Vec<Event> = (tests(&system, &Tolerated::default()).iter())
        .map(|t| Event {
            uid: t.id.clone(),
            every_days: Some(t.interval_days),
            ..event(&format!("{}, é; \\ 水", t.title), &t.formula())
        })
        .collect();
    let folder = std::env::temp_dir().join(format!("care-feed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let path = folder.join("care.ics");
    std::fs::write(&path, icalendar("Réef, 礁; \\", &events, 1_700_000_000_000)).expect("a feed");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/read_calendar.py");
    let out = std::process::Command::new(python).arg(script).arg(&path).output().expect("python");
    std::fs::remove_dir_all(&folder).expect("cleared");
    let mut expected = "Réef, 礁; \\\n".to_owned();
    for e in &events {
        expected += &format!("{}|2024-10-04|{}|{}|{}\n", e.uid, e.every_days.unwrap_or(0), e.title, e.text);
    }
    assert_eq!(String::from_utf8_lossy(&out.stdout), expected, "{}", String::from_utf8_lossy(&out.stderr));
}

//! The morning lines, the view at three in the morning, the report and the findings, as a person reads them.

use alarms::book::Settings;
use alarms::morning::{About, Aside, Hand, Morning, Night as Overnight, PhNight};
use alarms::night::{Acted, Basis, Harm, Measured, Night, Told, hours_until};
use alarms::report::Report;
use alarms::watch::{
    Account, Band, Check, Damage, Disk, Heat, Layout, Now, Outcome, Reading, Record, ReservoirNow, Watch,
    tell,
};
use alarms::{Act, Book, Condition, Definition, Peril, Priority};

const HOUR: i64 = 3_600_000;
const MINUTE: i64 = 60_000;
/// 2026-01-16 07:00 UTC.
const MORNING: i64 = 1_768_546_800_000;

fn example() -> system::System {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/harbour-lane/system.toml");
    system::load(&std::fs::read_to_string(path).expect("the example is there")).system.expect("sound")
}

fn ordinary() -> Morning {
    Morning {
        now_ms: MORNING,
        temperatures: vec![Overnight {
            probe: "display_temp".into(),
            low: 25.06,
            high: 25.44,
            unit: "degC".into(),
        }],
        ph: vec![PhNight { probe: "ph".into(), low: 7.92, before: Some(7.94) }],
        water: Some(Account {
            added_l: 5.31,
            lime_l: 1.8,
            expected_l: Band { low: 3.2, usual: 5.2, high: 7.4 },
            is_learned: false,
        }),
        heat: Some(Heat { hours: 13.2, explained_h: Some(12.8), watts: 400.0, is_room_known: true }),
        chamber: Some(Outcome::Fine("within its marks".into())),
        reservoirs: vec![
            ReservoirNow {
                name: "reservoir".into(),
                is_lime: false,
                left_l: Some(18.8),
                overdrawn_l: 0.0,
                a_day_l: 3.4,
                days: Some(5.5),
            },
            ReservoirNow {
                name: "lime".into(),
                is_lime: true,
                left_l: Some(3.2),
                overdrawn_l: 0.0,
                a_day_l: 1.8,
                days: Some(1.8),
            },
        ],
        unattended_h: 63.0,
        newest: vec![("controller".into(), Some(MORNING - 900))],
        ..Morning::default()
    }
}

fn texts(morning: &Morning) -> Vec<String> {
    morning
        .lines()
        .into_iter()
        .map(|l| format!("{}{}", if l.wants_look { "! " } else { "" }, l.text))
        .collect()
}

#[test]
fn an_ordinary_morning() {
    assert_eq!(
        texts(&ordinary()),
        [
            "Nothing is tripped, in hand or shelved.",
            "Night: display temp 25.1 to 25.4 degC.",
            "Ph at its lowest 7.92, the night before 7.94.",
            "Water added in 24 h: 5.3 L, 1.8 L of it limewater; 3.2 to 7.4 L expected.",
            "Heaters: 13.2 h at full power in 24 h; the room explains 12.8 h.",
            "Return chamber: within its marks.",
            "Reservoir 18.8 L for 5.5 d and lime 3.2 L for 43.2 h.",
            "Age of the newest data: controller 1 s.",
            "Nothing is due today.",
        ]
    );
}

#[test]
fn a_morning_with_things_left_on() {
    let morning = Morning {
        tripped: vec!["topoff_pump".into()],
        hands: vec![Hand {
            part: "skimmer".into(),
            state: "off".into(),
            left_ms: 25 * MINUTE,
            by: Some("Robin".into()),
        }],
        aside: vec![
            Aside { text: "pH out of its band".into(), until_ms: Some(MORNING + 3 * HOUR), by: "Kim".into() },
            Aside { text: "The battery is low".into(), until_ms: None, by: "Kim".into() },
        ],
        water: Some(Account { added_l: 0.4, lime_l: 0.0, ..ordinary().water.expect("given") }),
        reservoirs: vec![ReservoirNow {
            days: Some(1.9),
            left_l: Some(6.4),
            ..ordinary().reservoirs[0].clone()
        }],
        newest: vec![("controller".into(), Some(MORNING - 40 * MINUTE)), ("annexe".into(), None)],
        due: vec!["rinse the filter sock".into(), "test float_c_high".into()],
        ph: vec![PhNight { probe: "ph".into(), low: 7.7, before: Some(7.9) }],
        ..ordinary()
    };
    let lines = texts(&morning);
    assert_eq!(
        lines[0],
        "! Tripped: topoff pump; in hand: skimmer off for 25 min by Robin; put aside: pH out of its band until 10:00 by Kim and one other."
    );
    assert_eq!(lines[2], "! Ph at its lowest 7.70, the night before 7.90.");
    assert_eq!(lines[3], "! Water added in 24 h: 0.4 L; 3.2 to 7.4 L expected.");
    assert_eq!(lines[6], "! Reservoir 6.4 L for 45.6 h. Too little for 2.6 d alone.");
    assert_eq!(lines[7], "! Age of the newest data: controller 40 min and annexe never.");
    assert_eq!(lines[8], "! Due today: rinse the filter sock and test float_c_high.");
}

#[test]
fn a_morning_that_knows_nothing_says_so_and_has_all_its_lines() {
    let lines = Morning::default().lines();
    assert_eq!(lines.len(), 9);
    assert!(lines.iter().all(|l| !l.text.is_empty()));
    assert_eq!(lines[0].about, About::LeftOn);
    assert!(lines.iter().any(|l| l.about == About::Age && l.wants_look));
}

#[test]
fn three_in_the_morning() {
    let system = example();
    let cold = system.alarms.iter().find(|a| a.name == "cold").expect("the example has it");
    let mut book = Book::new(Settings::default());
    let at = MORNING - 4 * HOUR;
    book.define(vec![Definition::of_board("harbour", &system, cold)], at);
    book.apply(at, Act::Condition { alarm: "harbour/cold".into(), now: Condition::Holds }).expect("defined");
    let now = at + 14 * MINUTE;
    let points: Vec<(i64, f64)> = (0..6).map(|h| (at - (5 - h) * HOUR, 25.2 - 0.2 * h as f64)).collect();
    let left = hours_until(&points, 22.0, false);
    let night = Night {
        acted: vec![Acted { part: "heat_master".into(), does: "tripped".into(), at_ms: at - 50 * MINUTE }],
        harms: vec![
            Harm {
                to: "corals, below 22 degC".into(),
                hours: left,
                basis: Basis::Trend("display_temp".into()),
            },
            Harm {
                to: "change of temperature".into(),
                hours: Some(6.4),
                basis: Basis::Row("heat_master: dead".into()),
            },
        ],
        arrival_h: Some(4.0),
        first: Some(Measured {
            probe: "display_temp".into(),
            value: Some("24.2 degC".into()),
            raw: Some(387),
            age_ms: 1000,
        }),
        second: Some(Measured {
            probe: "display_temp_2".into(),
            value: Some("24.3 degC".into()),
            raw: Some(389),
            age_ms: 1000,
        }),
        six_hours: points,
        unit: "degC".into(),
        told: vec![
            Told {
                who: "the key holder".into(),
                by: "mail".into(),
                at_ms: Some(at + MINUTE),
                has_acknowledged: true,
            },
            Told { who: "the second".into(), by: "webhook".into(), at_ms: None, has_acknowledged: false },
        ],
        ..Night::of(&book.attention()[0], 1, now, 0)
    };
    assert_eq!(
        night.text(),
        "\
What is wrong
  The display is getting cold.
  Since 03:00, 14 min ago; high priority.
  One other alarm stands as well.
Contained?
  In part: heat master tripped since 02:10.
Until harm
  6.4 h until harm: change of temperature (by the FMEA, heat_master: dead).
  11 h until harm: corals, below 22 degC (by the trend of display temp).
  Somebody can be there in 4 h: in time.
Can it be believed?
  Display temp 24.2 degC, raw 387, 1 s old.
  Second probe: display temp 2 24.3 degC, raw 389, 1 s old.
The last six hours
  Hourly from 22:00: 25.2, 25, 24.8, 24.6, 24.4, 24.2 degC.
  Fallen by 1 degC over that time.
Do
  Make safe: it puts the heaters on their own thermostats and keeps water moving.
  No hot water into the tank: more than 1 K an hour harms.
  Mains beside salt water: pull the plug before you touch a wire or a wet part.
Told
  The key holder by mail, at 03:01; has taken it.
  The second by webhook, not yet delivered.
"
    );
    let bare = Night { wrong: "Nothing has come from controller for 5 min".into(), ..Night::default() };
    assert_eq!(bare.sections().len(), 7);
    assert!(bare.sections().iter().all(|s| !s.lines.is_empty()));
    assert_eq!(Night::default().sections().len(), 1);
}

#[test]
fn hours_until_a_limit() {
    let points: Vec<(i64, f64)> = (0..5).map(|h| (h * HOUR, 25.0 + 0.5 * h as f64)).collect();
    assert_eq!(hours_until(&points, 29.5, true).map(|h| h.round()), Some(5.0));
    assert_eq!(hours_until(&points, 22.0, false), None, "it moves away");
    assert_eq!(hours_until(&points, 26.5, true), Some(0.0));
    assert_eq!(hours_until(&points[..2], 29.5, true), None);
    assert_eq!(hours_until(&[], 29.5, true), None);
}

#[test]
fn what_the_alarms_of_the_example_may_end_in() {
    let system = example();
    let all: Vec<(&str, Peril)> =
        system.alarms.iter().map(|a| (a.name.as_str(), Peril::of_alarm(&system, a))).collect();
    assert_eq!(
        all,
        [
            ("water_in_bund", Peril::Flood),
            ("display_too_high", Peril::Flood),
            ("return_chamber_empty", Peril::Salinity),
            ("return_chamber_high", Peril::Flood),
            ("no_return_flow", Peril::Suffocate),
            ("cold", Peril::Chill),
            ("warm", Peril::Cook),
            ("probes_apart", Peril::Blind),
            ("master_cut", Peril::Cook),
            ("ph_range", Peril::Suffocate),
            ("topoff_stopped", Peril::Salinity),
            ("level_not_kept", Peril::Salinity),
            ("mains_out", Peril::Power),
            ("battery_low", Peril::Power),
        ]
    );
    // Every advice is two sentences that fit a phone.
    for (_, peril) in all {
        let advice = peril.advice();
        assert!(advice.act.len() <= 110 && advice.leave.len() <= 110, "{peril:?}");
    }
}

#[test]
fn the_layout_of_the_example() {
    // Volumes and floats as examples/harbour-lane/system.toml gives them.
    let layout = Layout::of(&example());
    assert_eq!(layout.board, "controller");
    let reservoir = &layout.reservoirs[0];
    assert!((reservoir.usable_l - 24.96).abs() < 0.01, "240 x 400 x 260 mm");
    let low = reservoir.low.expect("it has a float");
    assert!((low.1 - 3.36).abs() < 0.01, "240 x 400 x 35 mm");
    assert!((layout.call_band_l - 0.72).abs() < 0.01, "300 x 400 x 6 mm");
    let chamber = layout.chamber.as_ref().expect("sump_c");
    let names = |all: &[usize]| all.iter().map(|s| layout.signals[*s].name.as_str()).collect::<Vec<_>>();
    assert_eq!(names(&chamber.call), ["float_c_low"]);
    assert_eq!(names(&chamber.high), ["float_c_high"]);
    assert_eq!(names(&chamber.empty), ["float_c_empty"]);
    let adds: Vec<(&str, f64)> =
        layout.drives.iter().filter_map(|d| d.adds.map(|a| (d.name.as_str(), a.0))).collect();
    assert_eq!(adds.len(), 2);
    assert!((adds[0].1 - 1.8).abs() < 1e-9 && (adds[1].1 - 0.18).abs() < 1e-9, "{adds:?}");
    let battery = &layout.batteries[0];
    assert!((battery.usable_wh - 850.0).abs() < 3.0, "12.8 V x 80 Ah x 83 %");
    assert_eq!(battery.mains.map(|m| layout.signals[m].name.as_str()), Some("mains_2"));
}

#[test]
fn silence_clock_and_disk_are_told_in_words() {
    let mut watch = Watch::new(Layout::of(&example()), alarms::watch::Settings::default());
    let expected = alarms::watch::Balance::new(watch.layout());
    let disk = |free: u64| Some(Disk { free, size: 32_000_000_000 });
    for day in 0..10 {
        let now = Now {
            now_ms: MORNING + day * 24 * HOUR,
            disk: disk(6_000_000_000 - day as u64 * 400_000_000),
            ..Now::default()
        };
        watch.look(&now, &expected);
    }
    let now = Now {
        now_ms: MORNING + 10 * 24 * HOUR,
        clock_off_s: Some(-190.0),
        is_clock_lost: false,
        disk: disk(2_000_000_000),
        store: Some(Damage { n_structure: 0, n_parts: 2 }),
    };
    let verdicts = watch.look(&now, &expected);
    let wrong: Vec<&str> = verdicts.iter().filter_map(|v| v.finding()).map(|f| f.wrong.as_str()).collect();
    assert_eq!(
        wrong,
        [
            "Nothing has come from controller yet.",
            "The clock of controller is 3 min slow.",
            "The station's disk is full in 5 d: 2 GB left.",
            "2 parts of what the station keeps are damaged.",
        ]
    );
    let mut book = Book::new(Settings::default());
    tell(&mut book, &verdicts, now.now_ms);
    book.tick(now.now_ms + 2 * MINUTE);
    let standing: Vec<String> = book.attention().iter().map(|v| v.definition.id.clone()).collect();
    assert_eq!(
        standing,
        ["station/controller/board-silent", "station/store-damaged", "station/disk-filling"],
        "the clock has a delay"
    );
}

#[test]
fn a_week_in_words() {
    let mut book = Book::new(Settings::default());
    let system = example();
    let all: Vec<Definition> =
        system.alarms.iter().map(|a| Definition::of_board("harbour", &system, a)).collect();
    assert!(all.iter().any(|d| d.priority == Priority::High));
    book.define(all, MORNING);
    let mut log = vec![];
    let mut set = |log: &mut Vec<_>, name: &str, at: i64, now| {
        let alarm = format!("harbour/{name}");
        log.extend(book.apply(at, Act::Condition { alarm, now }).expect("defined"));
    };
    let quiet = Report::of_week(&log, MORNING + 7 * 24 * HOUR);
    assert_eq!(quiet.words(), ["No alarm in 7 d asked for an act."]);
    set(&mut log, "cold", MORNING + HOUR, Condition::Holds);
    set(&mut log, "cold", MORNING + 3 * HOUR, Condition::Gone);
    let one = Report::of_week(&log, MORNING + 7 * 24 * HOUR);
    assert!(one.meets_aim());
    assert_eq!(one.words(), ["One alarm in 7 d asked for an act: 1 a week; at most one is the aim."]);
    for i in 0..6 {
        set(&mut log, "ph_range", MORNING + (20 + i) * HOUR, Condition::Holds);
        set(&mut log, "ph_range", MORNING + (20 + i) * HOUR + 20 * MINUTE, Condition::Gone);
    }
    set(&mut log, "mains_out", MORNING + 40 * HOUR, Condition::Holds);
    let noisy = Report::of_week(&log, MORNING + 7 * 24 * HOUR);
    assert_eq!(
        noisy.words(),
        [
            "Eight alarms in 7 d asked for an act, in eight episodes: 8 a week, more than the one that is the aim.",
            "Most often: harbour/ph_range (six times). Begin with its cause.",
            "Chattering: harbour/ph_range (six times). Mend the part, or give the alarm a longer delay or a deadband.",
            "Standing longest: harbour/mains_out (5.3 d). What nobody acts on for days is no alarm: mend it or drop it.",
        ]
    );
}

#[test]
fn a_battery_that_falls_too_fast_is_found() {
    let layout = Layout::of(&example());
    let settings = alarms::watch::Settings { interval_s: 60.0, ..Default::default() };
    let mut watch = Watch::new(layout.clone(), settings);
    let expected = alarms::watch::Balance::new(&layout);
    let (charge, mains) = (layout.batteries[0].charge, layout.batteries[0].mains.expect("given"));
    let mut readings = vec![Reading { raw: 0, is_bad: true }; layout.signals.len()];
    // Circulation 5 W, air 3 W, router 6 W and the board 1 W for two hours: 30 Wh, that take 25 % of the charge.
    let on = ["circulation_2", "air_pump", "router", "heat_master"];
    let duties: Vec<f32> =
        layout.drives.iter().map(|d| f32::from(u8::from(on.contains(&d.name.as_str())))).collect();
    for minute in 0..240 {
        let out = (60..180).contains(&minute);
        readings[mains] = Reading { raw: i32::from(!out), is_bad: false };
        let raw = 1000 - (minute - 60).clamp(0, 120) * 250 / 120;
        readings[charge] = Reading { raw, is_bad: false };
        watch.record(&Record {
            at_ms: MORNING + i64::from(minute) * MINUTE,
            readings: &readings,
            duties: &duties,
            in_procedure: false,
            is_water_changed: false,
        });
    }
    let verdicts = watch.look(&Now { now_ms: MORNING + 240 * MINUTE, ..Now::default() }, &expected);
    let found = verdicts.iter().find(|v| v.check == Check::BatteryAgeing).and_then(|v| v.finding());
    // The charge is smoothed over five minutes, so its fall is taken a little too small.
    assert_eq!(
        found.map(|f| f.wrong.as_str()),
        Some("The battery held 125 Wh in its last outage, 15 % of new.")
    );
    assert!(found.is_some_and(|f| f.lines().last().is_some_and(|l| l.contains("no ring"))));
}

#[test]
fn a_day_in_which_water_was_changed_is_left_out() {
    let system = example();
    let layout = Layout::of(&system);
    let by_name = |name: &str| system.procedures.iter().find(|p| p.name == name).expect("the example has it");
    assert!(layout.changes_water(by_name("water_change")));
    assert!(!layout.changes_water(by_name("feeding")));
    let settings = alarms::watch::Settings { interval_s: 60.0, ..Default::default() };
    let mut watch = Watch::new(layout.clone(), settings);
    let expected = alarms::watch::Balance::new(&layout);
    let mut readings = vec![Reading { raw: 0, is_bad: true }; layout.signals.len()];
    for s in layout.of_kind(alarms::watch::Kind::Temperature) {
        readings[s] = Reading { raw: 25_400, is_bad: false };
    }
    // The top-off never runs: nothing is added for two days, but for an hour's water change at the beginning.
    let duties = vec![0.0; layout.drives.len()];
    let mut missing = vec![];
    for minute in 0..49 * 60 {
        let at_ms = MORNING + minute * MINUTE;
        let is_water_changed = (60..120).contains(&minute);
        let record = Record {
            at_ms,
            readings: &readings,
            duties: &duties,
            in_procedure: is_water_changed,
            is_water_changed,
        };
        watch.record(&record);
        if minute % (24 * 60) == 0 {
            let verdicts = watch.look(&Now { now_ms: at_ms, ..Now::default() }, &expected);
            missing.push(verdicts.iter().find(|v| v.check == Check::WaterNotAdded).map(|v| v.condition()));
        }
    }
    assert_eq!(missing, [Some(Condition::Unknown), Some(Condition::Unknown), Some(Condition::Holds)]);
}

#[test]
fn records_fill_in_what_is_known_at_three() {
    let system = example();
    let layout = Layout::of(&system);
    let settings = alarms::watch::Settings { interval_s: 60.0, ..Default::default() };
    let mut watch = Watch::new(layout.clone(), settings);
    let (one, two) =
        (layout.signal("display_temp").expect("given"), layout.signal("display_temp_2").expect("given"));
    let float = layout.signal("float_c_low").expect("given");
    let mut readings = vec![Reading { raw: 0, is_bad: true }; layout.signals.len()];
    let duties = vec![0.0; layout.drives.len()];
    // The display falls by 0.3 K an hour, from 26 degC.
    for minute in 0..6 * 60 {
        let raw = 26_000 - minute * 5;
        readings[one] = Reading { raw, is_bad: false };
        readings[two] = Reading { raw: raw + 60, is_bad: false };
        readings[float] = Reading { raw: 1, is_bad: false };
        let at_ms = MORNING + i64::from(minute) * MINUTE;
        watch.record(&Record {
            at_ms,
            readings: &readings,
            duties: &duties,
            in_procedure: false,
            is_water_changed: false,
        });
    }
    let now_ms = MORNING + 6 * HOUR;
    let night = Night { now_ms, wrong: "The display is getting cold".into(), ..Night::default() };
    let cold = night.clone().with_records(&system, &watch, &[], "harbour/cold");
    assert_eq!(cold.first.as_ref().and_then(|m| m.value.as_deref()), Some("24.21 degC"));
    assert_eq!(cold.second.as_ref().map(|m| m.probe.as_str()), Some("display_temp_2"));
    assert_eq!((cold.six_hours.len(), cold.unit.as_str()), (6, "degC"));
    // Cold is below 22 degC for six hours, or below 19 ever (the file's default requirements): at 0.3 K an hour from 24.35 degC, the mean of
    // the last hour, that is 7.8 and 17.8 h away.
    let left: Vec<f64> =
        cold.harms.iter().filter_map(|h| h.hours).map(|h| (h * 10.0).round() / 10.0).collect();
    assert_eq!(left, [7.8, 17.8], "{:?}", cold.harms);
    // A float: what it says, and the probe's hours are not claimed.
    let lost = night.with_records(&system, &watch, &[], "harbour/level_not_kept");
    assert_eq!(lost.first.as_ref().and_then(|m| m.value.as_deref()), Some("water below"));
    assert!(lost.six_hours.is_empty());
}

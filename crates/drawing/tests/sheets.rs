//! The laid-out sheets: nothing overlaps, nothing leaves, every rendering is well-formed, small drawings stay as they were.

mod common;

use common::*;
use drawing::{Sheet, SvgOptions, Theme, TitleBlock, WaterLines, section};
use proptest::prelude::*;
use system::System;
use system::model::*;

fn title() -> TitleBlock {
    TitleBlock { revision: "3 (mended)".to_owned(), date: "2026-03-14".to_owned() }
}

/// No two texts overlap, none leaves the sheet, none is smaller than what a printed A4 shows, all numbers are finite.
fn check(sheet: &Sheet) {
    let paper = drawing::Rect::new(0.0, 0.0, sheet.size[0], sheet.size[1]);
    for (i, a) in sheet.labels.iter().enumerate() {
        assert!(paper.contains(&a.bounds), "{:?} leaves the sheet: {:?}", a.lines, a.bounds);
        for b in &sheet.labels[i + 1..] {
            assert!(
                !a.bounds.overlaps(&b.bounds),
                "{:?} {:?} over {:?} {:?}",
                a.lines,
                a.bounds,
                b.lines,
                b.bounds
            );
        }
        for line in &a.lines {
            assert!(line.size >= 2.2, "{} is too small", line.text);
        }
    }
    let mut ids: Vec<&str> = sheet.parts.iter().map(|p| p.id.as_str()).collect();
    ids.sort_unstable();
    ids.windows(2).for_each(|w| assert_ne!(w[0], w[1]));
    for interactive in [false, true] {
        for theme in [Theme::Auto, Theme::Light, Theme::Dark] {
            let svg = sheet.to_svg(&SvgOptions { theme, interactive, ..SvgOptions::default() });
            assert!(!svg.contains("NaN") && !svg.contains("inf\"") && !svg.contains("inf "));
            let tree = roxmltree::Document::parse(&svg).expect("well-formed");
            let root = tree.root_element();
            assert_eq!(root.attribute("role"), Some("img"));
            assert!(
                root.children().any(|n| n.has_tag_name("title"))
                    && root.children().any(|n| n.has_tag_name("desc"))
            );
        }
    }
}

fn view_path(name: &str, text: &str) {
    if let Ok(folder) = std::env::var("DRAWING_SHOW") {
        std::fs::write(std::path::Path::new(&folder).join(name), text).expect("writable");
    }
}

#[test]
fn harbour_lane_has_a_place_for_every_text() {
    let sheet = section(&harbour_lane(), &harbour_lines(), &title());
    view_path("harbour.svg", &sheet.to_svg(&SvgOptions::default()));
    check(&sheet);
    for id in [
        "vessel.display",
        "vessel.sump",
        "passage.return",
        "actuator.heater_sump",
        "sensor.float_c_high",
        "bund",
    ] {
        assert!(sheet.part(id).is_some(), "{id}");
    }
    assert_eq!(sheet.size, [297.0, 210.0], "the main example fits an A4");
    // Heights over the cabinet floor: sump floor 60 + 203 and 197 (the example's table).
    let texts: Vec<&str> = sheet.labels.iter().flat_map(|l| &l.lines).map(|l| l.text.as_str()).collect();
    assert!(texts.contains(&"float +263 / +257 (203 / 197)"), "{texts:?}");
    assert!(texts.contains(&"crest +1400 (500)"));
}

#[test]
fn other_systems_have_a_place_for_every_text() {
    let desk = section(&one_vessel(), &[], &title());
    view_path("desk.svg", &desk.to_svg(&SvgOptions::default()));
    check(&desk);
    let raceway = section(&raceway(), &[], &title());
    view_path("raceway.svg", &raceway.to_svg(&SvgOptions::default()));
    check(&raceway);
}

#[test]
fn the_file_of_the_main_example() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/harbour-lane/system.toml");
    let text = std::fs::read_to_string(path).expect("readable");
    let system = system::load(&text).system.expect("a whole system");
    let sheet = section(&system, &[], &title());
    view_path("file.svg", &sheet.to_svg(&SvgOptions::default()));
    check(&sheet);
    for v in &system.vessels {
        assert!(sheet.part(&format!("water.{}", v.name)).is_some(), "{}", v.name);
    }
}

#[test]
fn to_scale() {
    let sheet = section(&harbour_lane(), &harbour_lines(), &title());
    let (_, level) = sheet.bindings().find(|(p, _)| p.id == "water.display").expect("bound");
    // 1 m is 1000 mm / n on the paper, upwards.
    assert!((level.per_unit + 1000.0 / sheet.scale).abs() < 1e-9);
    let (_, sump) = sheet.bindings().find(|(p, _)| p.id == "water.sump_c").expect("bound");
    // Floors are 900 and 60 mm over the cabinet floor.
    assert!((sump.zero - level.zero - 840.0 / sheet.scale).abs() < 1e-9);
}

#[test]
fn no_vessel_gives_a_sentence() {
    let sheet = section(&bare("Nothing yet"), &[], &title());
    check(&sheet);
    assert!(sheet.description.contains("no vessel"));
}

#[test]
fn hostile_names_stay_text() {
    let mut s = one_vessel();
    s.name = "<script>alert(1)</script>\u{0}\u{1b}".to_owned();
    s.vessels[0].name = "\"><script>".to_owned();
    s.sensors[0].name = "a&b'<x>".repeat(40);
    let lines = [WaterLines { name: "<b>&".to_owned(), levels: vec![Some(0.3)] }];
    let sheet = section(&s, &lines, &TitleBlock { revision: "</svg>".to_owned(), date: "<!--".to_owned() });
    check(&sheet);
    let svg = sheet.to_svg(&SvgOptions {
        interactive: true,
        prefix: "x\"><script".to_owned(),
        ..SvgOptions::default()
    });
    assert!(!svg.contains("<script"));
    roxmltree::Document::parse(&svg).expect("well-formed");
}

#[test]
fn many_parts_make_the_sheet_grow() {
    let mut s = one_vessel();
    for i in 0..180 {
        s.sensors.push(sensor(
            &format!("probe_with_a_long_name_{i}"),
            SensorKind::Ds18b20,
            Some(0),
            Some(f64::from(i)),
        ));
    }
    let sheet = section(&s, &[], &title());
    check(&sheet);
    assert!(sheet.size[1] > 210.0);
}

#[test]
fn small_drawing_is_as_kept() {
    let sheet = section(&one_vessel(), &[], &title());
    let svg = sheet.to_svg(&SvgOptions { interactive: true, ..SvgOptions::default() }).replace("><", ">\n<");
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/snapshots/desk.svg");
    if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
        std::fs::write(path, &svg).expect("writable");
    }
    let kept = std::fs::read_to_string(path).expect("run once with UPDATE_SNAPSHOTS=1");
    assert!(svg == kept, "the drawing has changed; look at it, then run with UPDATE_SNAPSHOTS=1");
}

/// Numbers as a file should never give them, now and then.
fn odd() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 0.0..2.0f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(-3.0),
        1 => Just(1e9),
        1 => Just(0.0),
    ]
}

fn any_vessel() -> impl Strategy<Value = Vessel> {
    (proptest::array::uniform3(odd()), odd(), odd(), odd(), odd(), any::<[bool; 3]>(), "[a-z_<&]{1,40}")
        .prop_map(|(inside, wall, floor, x, level, flags, name)| {
            let mut v = vessel(&name, VesselRole::Other, [1.0; 3], 1.0, 0.0, 0.0, 0.0);
            v.inside = inside;
            v.wall_m = wall / 50.0;
            v.floor_m = floor;
            v.x_m = x;
            v.start_level = level;
            v.areas = vec![(0.0, inside[0]), (level, inside[1])];
            v.inside_of = flags[0].then_some(VesselIdx(0));
            v.chamber_of = flags[1].then(|| "tank".to_owned());
            v.air = flags[2].then_some(AirIdx(0));
            v
        })
}

fn any_passage(n: usize) -> impl Strategy<Value = Passage> {
    (0..n, 0..n, 0..8usize, odd(), odd(), odd()).prop_map(|(from, to, kind, a, b, c)| {
        let pipe = Pipe { bore: c / 20.0, length: b, fittings_k: 1.0 };
        let pump = ActuatorIdx(0);
        let kind = match kind {
            0 => PassageKind::Weir { crest: a, width: b, comb: true },
            1 => PassageKind::Baffle { top: a, width: b, thickness: c },
            2 => PassageKind::Opening { height: a, area: b },
            3 => PassageKind::Drain {
                inlet: a,
                pipe,
                outlet: b,
                strainer: 1.0,
                branches: vec![Branch { to: VesselIdx(0), outlet: b, pipe }],
            },
            4 => PassageKind::Sock { rim: a, clean_m2_s: b, half_life_s: c },
            5 => PassageKind::Pumped {
                pump,
                head0: a,
                flow0: b,
                intake: c,
                pipe,
                outlet: a,
                break_hole: Some(b),
                check_valve: false,
                branches: vec![Branch { to: VesselIdx(0), outlet: b, pipe }],
            },
            6 => {
                PassageKind::Line { pump, flow: a, intake: b, outlet: c, occludes: true, bore: a, length: b }
            }
            _ => PassageKind::Siphon { inlet: a, outlet: b, pipe },
        };
        passage("way", from, to, kind)
    })
}

fn any_actuator(n: usize) -> impl Strategy<Value = Actuator> {
    (0..13usize, 0..n, odd(), any::<bool>()).prop_map(|(kind, v, mark, placed)| {
        use ActuatorKind as K;
        let kinds = [
            K::Pump,
            K::DosingPump,
            K::Heater,
            K::Fan,
            K::Light,
            K::Circulation,
            K::AirPump,
            K::Skimmer,
            K::Stirrer,
            K::Valve,
            K::Contactor,
            K::Buzzer,
            K::Other,
        ];
        let mut a = actuator("gear", kinds[kind], mark, placed.then_some(v), None);
        a.mark = Some(mark);
        a.lights = Some(VesselIdx(v));
        a.blows = Some(Blow { over: VesselIdx(v), speed: mark, draws_m3_s: 0.0 });
        a
    })
}

fn any_sensor(n: usize, passages: usize) -> impl Strategy<Value = Sensor> {
    (0..7usize, 0..n, 0..passages.max(1), odd(), odd()).prop_map(|(kind, v, p, low, high)| {
        let kind = match kind {
            0 => SensorKind::Ds18b20,
            1 => SensorKind::Conductivity,
            2 => SensorKind::Level { resolution: low },
            3 => SensorKind::Leak,
            4 => SensorKind::Flow { passage: PassageIdx(p), pulses_per_litre: 1.0 },
            5 => SensorKind::Button,
            _ => SensorKind::Float { low, high, true_above: true, closed_above: true },
        };
        let mut s = sensor("watch", kind, Some(v), None);
        s.height = Some(high);
        s
    })
}

fn any_system() -> impl Strategy<Value = System> {
    (1..8usize, 0..9usize).prop_flat_map(|(n, p)| {
        (
            proptest::collection::vec(any_vessel(), n),
            proptest::collection::vec(any_passage(n), p),
            proptest::collection::vec(any_actuator(n), 1..10),
            proptest::collection::vec(any_sensor(n, p), 0..12),
            proptest::option::of(proptest::array::uniform3(odd())),
        )
            .prop_map(|(vessels, passages, actuators, sensors, bund)| {
                let mut s = bare("Random");
                s.vessels = vessels;
                s.passages = passages;
                s.actuators = actuators;
                s.sensors = sensors;
                s.air_spaces = vec![AirSpace { name: "hood".to_owned(), volume_m3: 1.0, leak_m3_s: 0.0 }];
                s.bund = bund.map(|inside| Bund { inside });
                s
            })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn any_geometry_is_drawn(s in any_system(), levels in proptest::collection::vec(odd(), 8), n_sets in 0..6usize) {
        let lines: Vec<WaterLines> = (0..n_sets)
            .map(|i| WaterLines { name: format!("set {i}"), levels: levels.iter().map(|l| Some(*l)).collect() })
            .collect();
        check(&section(&s, &lines, &title()));
    }
}

//! Flaws: each does what its documentation says, seen from outside, in Harbour Lane with a healthy lane beside it.

use std::collections::HashSet;
use std::mem::discriminant;

use system::System;
use system::model::{Corner, TruthKind};
use twin::lanes::has;
use twin::{Flaw, NO_ANSWER, Plan, SAMPLES};

use crate::rig::{
    HOUR, LITRE, Rig, actuator_of, climate_of, corner, harbour_lane, harbour_lane_text, passage_of,
    sensor_of, supply_of, system, vessel_of,
};

/// Variants of [`Flaw`]; the match in [`check`] has an arm for each, the list in the test must have an entry for each.
const N_VARIANTS: usize = 39;

/// Lane 0 is healthy, lane 1 has the flaw from a running state on.
struct Pair<'p>(Rig<'p, 2>);

impl<'p> Pair<'p> {
    fn running(plan: &'p Plan, corner: Option<&Corner>) -> Self {
        let mut rig: Rig<'_, 2> = Rig::new(plan, &[corner; 2]);
        for name in
            ["return_pump", "circulation_1", "circulation_2", "air_pump", "skimmer", "heat_master", "router"]
        {
            rig.on(name);
        }
        rig.run(120.0);
        Pair(rig)
    }

    fn with(plan: &'p Plan, flaw: Flaw) -> Self {
        let mut pair = Self::running(plan, None);
        pair.0.twin.set_flaw(1, flaw);
        pair
    }

    fn run(&mut self, seconds: f64) -> &mut Self {
        self.0.run(seconds);
        self
    }

    fn on(&mut self, name: &str) -> &mut Self {
        self.0.on(name);
        self
    }

    fn off(&mut self, name: &str) -> &mut Self {
        self.0.off(name);
        self
    }

    fn truth(&self, what: TruthKind) -> [f64; 2] {
        self.0.twin.truth(what)
    }

    fn level(&self, name: &str) -> [f64; 2] {
        self.truth(TruthKind::Level(vessel_of(self.0.system(), name)))
    }

    fn temperature(&self, name: &str) -> [f64; 2] {
        self.truth(TruthKind::Temperature(vessel_of(self.0.system(), name)))
    }

    /// Codes as read anew.
    fn code(&mut self, name: &str) -> [i32; 2] {
        let i = sensor_of(self.0.system(), name).idx();
        self.0.twin.sense()[i]
    }

    fn runs(&self, name: &str) -> [bool; 2] {
        let mask = self.0.twin.running(actuator_of(self.0.system(), name).idx());
        [has(mask, 0), has(mask, 1)]
    }

    fn spilled_l(&self) -> [f64; 2] {
        self.0.twin.spilled().map(|v| v / LITRE)
    }
}

/// Litres an hour that a passage's flow meter counts in ten scans.
fn pulses(pair: &mut Pair<'_>, name: &str) -> [i32; 2] {
    let i = sensor_of(pair.0.system(), name).idx();
    let mut sum = [0; 2];
    for _ in 0..10 {
        pair.0.scan();
        let code = pair.0.twin.codes()[i];
        sum = [sum[0] + code[0], sum[1] + code[1]];
    }
    sum
}

fn changed(edits: &[(&str, &str)]) -> System {
    let mut text = harbour_lane_text().to_owned();
    for (old, new) in edits {
        assert!(text.contains(old), "{old}");
        text = text.replace(old, new);
    }
    system(&text)
}

/// What a flaw does that can be seen; panics when it does not.
#[allow(clippy::too_many_lines)]
fn check(plan: &Plan, flaw: Flaw) {
    let system = &plan.system;
    let mut it = Pair::with(plan, flaw);
    let name_of = |a: system::model::ActuatorIdx| system.actuators[a.idx()].name.as_str();
    let sensor = |s: system::model::SensorIdx| system.sensors[s.idx()].name.as_str();
    match flaw {
        Flaw::ContactStuck(s, above) => {
            // All of the list close while the water is below, or are leak probes, closed when wet.
            let leak = sensor(s).starts_with("leak");
            assert_eq!(
                it.run(1.0).code(sensor(s)),
                if leak { [0, i32::from(above)] } else { [1, i32::from(!above)] }
            );
            if sensor(s) == "float_c_high" {
                assert_eq!(it.on("topoff_pump").run(2.0).runs("topoff_pump"), [true, false]);
            }
        }
        Flaw::ContactHeld(s) => {
            // The water of the stopped system rises above the float: a healthy contact opens and stops the pump in series.
            it.on("topoff_pump").off("return_pump").run(120.0);
            assert_eq!(it.code(sensor(s)), [0, 1]);
            assert_eq!(it.runs("topoff_pump"), [false, true]);
        }
        Flaw::WireOpen(s) => {
            assert_eq!(it.on("topoff_pump").run(2.0).code(sensor(s)), [1, 0]);
            assert_eq!(it.runs("topoff_pump"), [true, false]);
        }
        Flaw::Chatter(s) => {
            let mut seen = [HashSet::new(), HashSet::new()];
            for _ in 0..50 {
                let code = it.run(1.0).code(sensor(s));
                seen[0].insert(code[0]);
                seen[1].insert(code[1]);
            }
            assert_eq!([seen[0].len(), seen[1].len()], [1, 2]);
        }
        Flaw::Silent(s) => {
            let [healthy, silent] = it.run(1.0).code(sensor(s));
            assert!(healthy != NO_ANSWER && silent == NO_ANSWER);
        }
        Flaw::Railed(s, high) => {
            let full = (1023.0 * SAMPLES) as i32;
            let [healthy, railed] = it.run(1.0).code(sensor(s));
            assert!(healthy > 0 && healthy < full && railed == if high { full } else { 0 });
        }
        Flaw::Frozen(s) => {
            let before = it.code(sensor(s));
            let [healthy, frozen] = it.run(4.0 * HOUR).code(sensor(s));
            assert!(healthy < before[0] - 8 && frozen == before[1], "{healthy} {frozen} {before:?}");
        }
        Flaw::Drift(s, rate) => {
            let [healthy, drifts] = it.run(1000.0).code(sensor(s));
            // Sixteenths of a kelvin, cut off to whole codes.
            assert!((f64::from(drifts - healthy) - 16.0 * 1000.0 * rate).abs() <= 1.0, "{healthy} {drifts}");
        }
        Flaw::Off(s, by) => {
            let [healthy, off] = it.run(1.0).code(sensor(s));
            assert!((f64::from(off - healthy) - 16.0 * by).abs() <= 1.0, "{healthy} {off}");
        }
        Flaw::FallenOut(s) if sensor(s) == "ph" => {
            // No voltage: the middle of the supply.
            let [healthy, dry] = it.run(600.0).code("ph");
            assert!((dry - 8192).abs() < 60 && healthy < 8192 - 500, "{healthy} {dry}");
        }
        Flaw::FallenOut(s) => {
            let [healthy, dry] = it.run(600.0).code(sensor(s));
            let room = it.0.twin.room_c()[1];
            assert!((f64::from(dry) / 16.0 - room).abs() < 0.2 && healthy > dry + 50, "{healthy} {dry}");
        }
        Flaw::Reads(s, value) => {
            let given = it.run(600.0).code(sensor(s))[1];
            let want = match sensor(s) {
                "display_temp" => (value * 16.0) as i32,
                // Its signal is "above", its contact opens there.
                "float_c_high" => i32::from(value == 0.0),
                other => panic!("no check for {other}"),
            };
            assert_eq!(given, want);
        }
        Flaw::Misplaced(s, v) => {
            // The sump warms with the return stopped, the display does not.
            it.off("return_pump").on("heater_sump").run(0.5 * HOUR);
            let [healthy, moved] = it.code(sensor(s));
            let there = it.truth(TruthKind::Temperature(v))[1];
            assert!(
                (f64::from(moved) / 16.0 - there).abs() < 0.2 && moved > healthy + 16,
                "{healthy} {moved}"
            );
        }
        Flaw::Welded(a) => {
            assert_eq!(it.off(name_of(a)).run(2.0).runs(name_of(a)), [false, true]);
        }
        Flaw::CoilDead(a) if system.actuators[a.idx()].on_when_dead => {
            assert_eq!(it.off(name_of(a)).run(2.0).runs(name_of(a)), [false, true]);
        }
        Flaw::CoilDead(a) | Flaw::LoadDead(a) | Flaw::Unplugged(a) => {
            assert_eq!(it.on(name_of(a)).run(2.0).runs(name_of(a)), [true, false]);
        }
        Flaw::Weak(a, share) => weak(&mut it, name_of(a), share),
        Flaw::WontRestart(a) => {
            assert_eq!(it.run(5.0).runs(name_of(a)), [true, true]);
            it.off(name_of(a)).run(5.0);
            assert_eq!(it.on(name_of(a)).run(5.0).runs(name_of(a)), [true, false]);
        }
        Flaw::ThermostatWelded(a) => {
            let hot = Corner { climate: Some(climate_of(system, "heatwave")), ..corner() };
            let mut it = Pair::running(plan, Some(&hot));
            it.0.twin.set_flaw(1, flaw);
            it.on(name_of(a)).run(5.0 * HOUR);
            assert_eq!(it.runs(name_of(a)), [false, true]);
            let [healthy, welded] = it.temperature("display");
            assert!(healthy > 26.4 && welded > healthy + 0.1, "{healthy} {welded}");
        }
        Flaw::Blocked(..) => {
            let [healthy, blocked] = it.run(60.0).level("weir_box");
            assert!(blocked > healthy + 0.05, "{healthy} {blocked}");
        }
        Flaw::HoseOff(_) => {
            let before = it.0.twin.books(1).water_m3;
            let [healthy, off] = it.run(10.0).spilled_l();
            assert!(healthy == 0.0 && off > 3.0, "{healthy} {off}");
            assert!((before - it.0.twin.books(1).water_m3 - off * LITRE).abs() < 1e-4);
            let movement = it.truth(TruthKind::Movement(vessel_of(system, "display")));
            assert_eq!(movement, [1.0, 1.0], "circulation still moves the display");
        }
        Flaw::LineOut(_) => {
            // 1.8 L/h for ten minutes.
            let [healthy, out] = it.on("topoff_pump").run(600.0).spilled_l();
            assert!(healthy == 0.0 && (out - 0.3).abs() < 1e-3, "{healthy} {out}");
        }
        Flaw::LineSunk(..) => {
            // With a pump that does not pinch its tube: reservoir 345 mm over the cabinet floor, sump 260.
            let open = changed(&[("occludes = true", "occludes = false")]);
            let plan = Plan::new(&open);
            let mut it = Pair::with(&plan, flaw);
            it.on("topoff_pump").run(30.0).off("topoff_pump").run(HOUR);
            let [healthy, sunk] = it.level("reservoir");
            assert!(healthy > 0.284 && sunk < healthy - 0.02, "{healthy} {sunk}");
        }
        Flaw::BreakHoleShut(_) => {
            let [healthy, shut] = it.off("return_pump").run(0.5 * HOUR).level("display");
            assert!((healthy - 0.500).abs() < 1e-3 && (shut - 0.488).abs() < 1e-3, "{healthy} {shut}");
        }
        Flaw::CheckValveLeaks(_) => {
            let valve = changed(&[("break_hole = \"507 mm\"", "check_valve = true")]);
            let plan = Plan::new(&valve);
            let mut it = Pair::with(&plan, flaw);
            let [healthy, leaks] = it.off("return_pump").run(0.5 * HOUR).level("display");
            assert!((healthy - 0.500).abs() < 1e-3 && (leaks - 0.488).abs() < 1e-3, "{healthy} {leaks}");
        }
        Flaw::Leak(v, height, area) => {
            // Torricelli, cd 0.61.
            let head = it.truth(TruthKind::Level(v))[1] - height;
            let [healthy, leaks] = it.run(10.0).spilled_l();
            let want = 0.61 * area * (2.0 * 9.80665 * head).sqrt() * 10.0 / LITRE;
            assert!(healthy == 0.0 && (leaks / want - 1.0).abs() < 0.01, "{leaks} {want}");
        }
        Flaw::SkimmerOverflow(_, flow, floor) => {
            it.run(600.0);
            let carried = it.0.twin.books(1).carried_m3 / LITRE;
            let spilled = it.spilled_l()[1];
            let (there, other) = if floor { (spilled, carried) } else { (carried, spilled) };
            assert!((there - flow * 600.0 / LITRE).abs() < 1e-9 && other == 0.0, "{carried} {spilled}");
            assert_eq!(it.spilled_l()[0], 0.0);
        }
        Flaw::SupplyDead(_) => {
            it.run(2.0);
            for (part, runs) in
                [("circulation_1", false), ("skimmer", false), ("return_pump", true), ("air_pump", true)]
            {
                assert_eq!(it.runs(part), [true, runs], "{part}");
            }
            assert_eq!(it.code("mains_2"), [1, 0]);
            assert_eq!(it.code("mains_1"), [1, 1]);
        }
        Flaw::HouseOut => {
            it.run(2.0);
            for (part, runs) in [
                ("circulation_1", false),
                ("return_pump", false),
                ("circulation_2", true),
                ("air_pump", true),
            ] {
                assert_eq!(it.runs(part), [true, runs], "{part}");
            }
            assert!(it.0.twin.board_answers(1), "the battery feeds the board");
            assert_eq!(it.code("mains_1"), [1, 0]);
            it.run(3.0 * HOUR);
            let mut charge = [0.0; 2];
            for _ in 0..100 {
                let code = it.run(1.0).code("battery_charge");
                // 0.5 to 4.5 V of 5 V, sixteen conversions of ten bits added.
                let share = |code: i32| (f64::from(code) / 16384.0 * 5.0 - 0.5) / 4.0;
                charge = [charge[0] + share(code[0]) / 1e2, charge[1] + share(code[1]) / 1e2];
            }
            // Board 1 W, circulation 5 W, air 3 W, router 6 W for three hours from 12.8 V x 80 Ah x 83 %. A full battery's noise is cut
            // off at the top of the range, so it reads up to a hundredth low.
            let want = 15.0 * 3.0 / (12.8 * 80.0 * 0.83);
            assert!(charge[0] > 0.99 && (1.0 - charge[1] - want).abs() < 0.005, "{charge:?} {want}");
            let room = it.0.twin.room_c();
            assert!(room[1] < room[0] - 1.0, "without mains the room cools: {room:?}");
            it.0.twin.clear_house_out(1);
            assert_eq!(it.run(2.0).runs("return_pump"), [true, true]);
        }
        Flaw::BoardDead => {
            assert!(!it.0.twin.board_answers(1));
            it.off("return_pump").run(2.0);
            assert_eq!(it.runs("return_pump"), [false, true], "a normally closed contact closes");
            assert_eq!(it.runs("skimmer"), [true, false], "a normally open one opens");
        }
        Flaw::BoardHung => {
            it.off("skimmer").on("fans").run(2.0);
            assert_eq!((it.runs("skimmer"), it.runs("fans")), ([false, true], [true, false]));
            it.0.twin.clear_hang(1);
            it.run(2.0);
            assert_eq!((it.runs("skimmer"), it.runs("fans")), ([false, false], [true, true]));
        }
        Flaw::OutputsFrozen => {
            it.off("skimmer").on("fans").run(2.0);
            assert_eq!((it.runs("skimmer"), it.runs("fans")), ([false, true], [true, false]));
            assert!(it.0.twin.board_answers(1), "the program runs on");
        }
        Flaw::ClockLost => assert_eq!(it.0.twin.clock_lost(), 0b10),
        Flaw::Climate(_) => {
            let room = it.run(120.0).0.twin.room_c();
            assert!(room[0] < 18.0 && room[1] > 31.9, "{room:?}");
        }
        Flaw::RoomFalls(to, time) => {
            it.run(time);
            let [healthy, falls] = it.0.twin.room_c();
            let want = to + (healthy - to) / core::f64::consts::E;
            assert!((falls - want).abs() < 0.3, "{falls} {want}");
        }
        Flaw::RoomCo2(_) => {
            let [healthy, stuffy] = it.run(6.0 * HOUR).truth(TruthKind::Ph(vessel_of(system, "display")));
            assert!(stuffy < healthy - 0.05, "{healthy} {stuffy}");
        }
        Flaw::WrongWater(v, salinity, alkalinity) => {
            it.run(60.0);
            let s = it.truth(TruthKind::Salinity(v));
            let a = it.truth(TruthKind::Alkalinity(v));
            assert!(s[0] == 0.0 && (s[1] - salinity).abs() < 1e-6, "{s:?}");
            assert!(a[0] == 0.0 && (a[1] - alkalinity).abs() < 1e-9, "{a:?}");
        }
        Flaw::Empty(v) => {
            let [healthy, empty] = it.truth(TruthKind::Level(v));
            assert!((healthy - 0.285).abs() < 1e-9 && (empty - 0.025).abs() < 1e-9, "{healthy} {empty}");
            let before = it.level("sump_c");
            let after = it.on("topoff_pump").run(600.0).level("sump_c");
            // The healthy pump brings 2.5 mm of water.
            assert!(after[0] - after[1] > 1.5e-3 + before[0] - before[1], "{before:?} {after:?}");
        }
        Flaw::PathDead => assert_eq!(it.run(1.0).0.twin.path_alive(), 0b01),
    }
}

/// A share of what each kind of load gives.
fn weak(it: &mut Pair<'_>, name: &str, share: f64) {
    match name {
        "return_pump" => {
            it.run(60.0);
            let [healthy, weak] = pulses(it, "return_flow");
            assert!((f64::from(weak) / f64::from(healthy) - share).abs() < 0.03, "{healthy} {weak}");
        }
        "heater_display" => {
            it.on(name).run(HOUR);
            let [healthy, weak] = it.temperature("display");
            // The missing half of 200 W for an hour in 1.7 MJ/K, shared with the sump.
            let want = (1.0 - share) * 200.0 * HOUR / 1.75e6;
            assert!(((healthy - weak) / want - 1.0).abs() < 0.1, "{healthy} {weak} {want}");
        }
        "light" => {
            let v = vessel_of(it.0.system(), "display");
            assert_eq!(it.on(name).run(2.0).truth(TruthKind::Light(v)), [1.0, share]);
        }
        "air_pump" => {
            let v = vessel_of(it.0.system(), "display");
            for other in ["return_pump", "circulation_1", "circulation_2"] {
                it.off(other);
            }
            let [healthy, weak] = it.run(6.0 * HOUR).truth(TruthKind::Oxygen(v));
            assert!(weak < healthy - 0.1, "{healthy} {weak}");
        }
        "fans" => {
            let [before, after] = [0, 1].map(|_| {
                it.on(name).run(HOUR).0.twin.books(1).evaporated_m3 / it.0.twin.books(0).evaporated_m3
            });
            assert!(before < 0.9 && after < 0.9, "{before} {after}");
        }
        _ => panic!("no check for {name}"),
    }
}

#[test]
fn each_flaw_does_what_it_says() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let s = |n| sensor_of(&system, n);
    let a = |n| actuator_of(&system, n);
    let p = |n| passage_of(&system, n);
    let v = |n| vessel_of(&system, n);
    let all = [
        Flaw::ContactStuck(s("float_c_high"), true),
        Flaw::ContactStuck(s("float_display_high"), true),
        Flaw::ContactStuck(s("float_a_high"), false),
        Flaw::ContactStuck(s("leak_1"), true),
        Flaw::ContactHeld(s("float_c_high")),
        Flaw::WireOpen(s("float_c_high")),
        Flaw::Chatter(s("float_a_high")),
        Flaw::Silent(s("display_temp")),
        Flaw::Railed(s("ph"), true),
        Flaw::Railed(s("ph"), false),
        Flaw::Frozen(s("display_temp")),
        Flaw::Drift(s("display_temp"), 1e-3),
        Flaw::Drift(s("sump_temp"), -1e-3),
        Flaw::Off(s("display_temp"), 0.5),
        Flaw::FallenOut(s("display_temp")),
        Flaw::FallenOut(s("ph")),
        Flaw::Reads(s("display_temp"), 20.0),
        Flaw::Reads(s("float_c_high"), 1.0),
        Flaw::Reads(s("float_c_high"), 0.0),
        Flaw::Misplaced(s("display_temp"), v("sump_a")),
        Flaw::Welded(a("heater_sump")),
        Flaw::CoilDead(a("skimmer")),
        Flaw::CoilDead(a("return_pump")),
        Flaw::LoadDead(a("return_pump")),
        Flaw::Weak(a("return_pump"), 0.5),
        Flaw::Weak(a("heater_display"), 0.5),
        Flaw::Weak(a("light"), 0.5),
        Flaw::Weak(a("air_pump"), 0.1),
        Flaw::Weak(a("fans"), 0.3),
        Flaw::WontRestart(a("return_pump")),
        Flaw::ThermostatWelded(a("heater_display")),
        Flaw::Unplugged(a("skimmer")),
        Flaw::Blocked(p("drain"), 0.0),
        Flaw::HoseOff(p("return")),
        Flaw::LineOut(p("topoff_line")),
        Flaw::LineSunk(p("topoff_line"), 0.05),
        Flaw::BreakHoleShut(p("return")),
        Flaw::CheckValveLeaks(p("return")),
        Flaw::Leak(v("sump_a"), 0.02, 1e-6),
        Flaw::SkimmerOverflow(a("skimmer"), 1e-6, false),
        Flaw::SkimmerOverflow(a("skimmer"), 1e-6, true),
        Flaw::SupplyDead(supply_of(&system, "circuit_2")),
        Flaw::HouseOut,
        Flaw::BoardDead,
        Flaw::BoardHung,
        Flaw::OutputsFrozen,
        Flaw::ClockLost,
        Flaw::Climate(climate_of(&system, "heatwave")),
        Flaw::RoomFalls(5.0, 3600.0),
        Flaw::RoomCo2(5000.0),
        Flaw::WrongWater(v("reservoir"), 35.0, 3.0),
        Flaw::Empty(v("reservoir")),
        Flaw::PathDead,
    ];
    let distinct: HashSet<_> = all.iter().map(discriminant).collect();
    assert_eq!(distinct.len(), N_VARIANTS);
    let mut failed = vec![];
    for flaw in all {
        let outcome = std::panic::catch_unwind(|| check(&plan, flaw));
        if outcome.is_err() {
            failed.push(flaw);
        }
    }
    assert!(failed.is_empty(), "see above; these do not: {failed:?}");
}

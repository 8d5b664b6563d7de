//! Stability: small among large, joined under water, long scans, empty and dry.

use checks::assert_abs;
use system::model::{Corner, TruthKind, VesselIdx};
use twin::Plan;

use crate::rig::{
    HOUR, LITRE, Rig, actuator, actuator_of, balance, corner, harbour_lane_text, room, system, vessel,
};

/// How still a steady level is, m: a calm lane keeps its flows for ten seconds while no level moves faster than 5 µm/s.
const STILL: f64 = 50e-6;

fn pumped(name: &str, from: &str, to: &str, outlet: f64) -> String {
    actuator(&format!("pump_{name}"), "pump", "delay = \"0 s\"")
        + &format!(
            "[[passage]]\nname = \"{name}\"\nkind = \"pumped\"\nfrom = \"{from}\"\nto = \"{to}\"\npump = \"pump_{name}\"\n\
             head0 = \"3 m\"\nflow0 = \"4000 L/h\"\nbore = \"25 mm\"\nlength = \"2 m\"\nfittings_k = 6\nintake = \"30 mm\"\n\
             outlet = \"{outlet} mm\"\n"
        )
}

/// A cup of 0.4 L that half a litre a second runs through, between two tubs, at any scan: it stands still.
#[test]
fn a_cup_between_tubs_stands_still() {
    for scan in [0.25, 1.0, 10.0] {
        let text = room(25.0, scan)
            + &vessel("low", [1000.0, 1000.0, 500.0], 0.0, 300.0, "")
            + &vessel("cup", [60.0, 60.0, 200.0], 1000.0, 110.0, "")
            + &vessel("middle", [1000.0, 1000.0, 500.0], 500.0, 200.0, "")
            + &pumped("up", "low", "cup", 250.0)
            + "[[passage]]\nname = \"edge\"\nkind = \"weir\"\nfrom = \"cup\"\nto = \"middle\"\ncrest = \"100 mm\"\nwidth = \"50 mm\"\n"
            + "[[passage]]\nname = \"pipe\"\nkind = \"drain\"\nfrom = \"middle\"\nto = \"low\"\ninlet = \"200 mm\"\nbore = \"50 mm\"\n\
               length = \"0.5 m\"\noutlet = \"400 mm\"\n";
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
        rig.on("pump_up");
        rig.run(1200.0);
        let (cup, middle) = (rig.level("cup"), rig.level("middle"));
        assert!(cup > 0.12 && cup < 0.2, "{cup}");
        for _ in 0..300 {
            rig.scan();
            assert_abs(rig.level("cup"), cup, STILL, &format!("cup, scan {scan} s"));
            assert_abs(rig.level("middle"), middle, STILL, &format!("middle, scan {scan} s"));
        }
    }
}

/// Two vessels joined under water come to one level from one side, without ringing: within the stillness of two levels.
#[test]
fn joined_vessels_meet_without_ringing() {
    for (bore, side, scan) in
        [(20.0, 500.0, 1.0), (100.0, 300.0, 1.0), (200.0, 100.0, 1.0), (100.0, 300.0, 10.0)]
    {
        let text = room(25.0, scan)
            + &vessel("a", [side, side, 500.0], 0.0, 400.0, "")
            + &vessel("b", [side, side, 500.0], 0.0, 200.0, "")
            + &format!(
                "[[passage]]\nname = \"o\"\nkind = \"opening\"\nfrom = \"a\"\nto = \"b\"\nheight = \"50 mm\"\nbore = \"{bore} mm\"\n"
            );
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
        let mut last = 0.2;
        for _ in 0..2000 {
            rig.scan();
            let gap = rig.level("a") - rig.level("b");
            assert!(
                gap > -2.0 * STILL && gap < f64::max(last, 2.0 * STILL),
                "bore {bore}, side {side}, scan {scan}: {gap} after {last}"
            );
            last = gap;
        }
        assert!(last.abs() < 2.0 * STILL, "{last}");
    }
}

/// Harbour Lane at a quarter of a second, one and ten seconds: the same levels running, and down after a stop.
#[test]
fn the_scan_does_not_change_the_levels() {
    let at = |scan: &str| {
        let text = harbour_lane_text().replace("scan = \"1 s\"", scan);
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&Corner { evaporation: 0.0, ..corner() })]);
        rig.on("return_pump");
        rig.run(HOUR);
        let names = ["display", "weir_box", "sump_a", "sump_b", "sump_c"];
        let running = names.map(|v| rig.level(v));
        rig.off("return_pump");
        rig.run(HOUR);
        (running, names.map(|v| rig.level(v)))
    };
    let one = at("scan = \"1 s\"");
    for scan in ["scan = \"0.25 s\"", "scan = \"10 s\""] {
        let other = at(scan);
        for i in 0..5 {
            assert_abs(other.0[i], one.0[i], 3.0 * STILL, &format!("{scan}, running, vessel {i}"));
            assert_abs(other.1[i], one.1[i], 3.0 * STILL, &format!("{scan}, stopped, vessel {i}"));
        }
    }
}

/// All vessels empty, all pumps on for a day: nothing moves, everything is a number.
#[test]
fn an_empty_system_stays_empty() {
    let text = room(25.0, 1.0)
        + &vessel("low", [1000.0, 400.0, 500.0], 0.0, 0.0, "evaporation = 1.0\n")
        + &vessel("high", [1000.0, 400.0, 500.0], 800.0, 0.0, "evaporation = 1.0\n")
        + &pumped("up", "low", "high", 450.0)
        + "[[passage]]\nname = \"edge\"\nkind = \"weir\"\nfrom = \"high\"\nto = \"low\"\ncrest = \"0 mm\"\nwidth = \"50 mm\"\n";
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let before = rig.twin.books(0);
    rig.on("pump_up");
    rig.run(24.0 * HOUR);
    // The pipe starts full, as pipes do; that is all there is.
    balance(&before, &rig.twin.books(0), 1e-9);
    assert!(rig.twin.books(0).water_m3 <= before.water_m3);
    for v in [VesselIdx(0), VesselIdx(1)] {
        for what in [
            TruthKind::Temperature(v),
            TruthKind::Salinity(v),
            TruthKind::Oxygen(v),
            TruthKind::Ph(v),
            TruthKind::Level(v),
        ] {
            assert!(rig.twin.truth(what)[0].is_finite(), "{what:?}");
        }
    }
}

/// A pump empties its vessel to the intake and then runs dry: no more flow, no less water, and bare below its mark.
#[test]
fn a_pump_runs_dry_at_its_intake() {
    let text = room(25.0, 1.0)
        + &vessel("low", [500.0, 400.0, 500.0], 0.0, 300.0, "")
        + &vessel("high", [1000.0, 1000.0, 500.0], 800.0, 100.0, "")
        + &pumped("up", "low", "high", 450.0)
            .replace("delay = \"0 s\"", "delay = \"0 s\"\nvessel = \"low\"\nmark = \"35 mm\"");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.on("pump_up");
    rig.run(HOUR);
    let level = rig.level("low");
    assert_abs(level, 0.030, 0.2e-3, "down to the intake");
    assert_abs(rig.volume("high"), 0.1 + 0.2 * (0.3 - level), 1e-8, "all of it is above");
    assert_eq!(rig.twin.truth(TruthKind::Bare(actuator_of(&system, "pump_up")))[0], 1.0);
    rig.run(HOUR);
    assert_abs(rig.level("low"), level, 1e-5, "and stays there");
    assert!(rig.twin.run_total_s(actuator_of(&system, "pump_up").idx())[0] > 2.0 * HOUR - 1.0);
    assert!(rig.volume("low") > 5.9 * LITRE);
}

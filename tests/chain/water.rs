//! Water through the chain: operating points, weir heads, drain times, siphons.

use checks::{Row, Table, assert_abs, assert_rel};
use physics::circle_area;
use system::model::VesselIdx;
use twin::{Flaw, Plan};

use crate::rig::{LITRE, Rig, actuator, room, system, vessel};

const L_PER_H: f64 = LITRE / 3600.0;
/// So wide that a minute of any flow here moves the level by less than a millimetre, mm.
const WIDE: [f64; 3] = [20_000.0, 20_000.0, 1500.0];

fn mm(m: f64) -> f64 {
    1000.0 * m
}

/// tests/reference/pump_operating_point.csv: H0 (1 - (Q/Q0)²) against static head and Churchill friction.
///
/// The chain's line is `a Q + b Q |Q|`, exact at the operating point of the start levels, which here are the running ones: the 1e-3
/// of MANIFEST.csv is left, the model adds nothing to it.
#[test]
fn pumps_work_at_the_tables_operating_points() {
    for row in Table::load("pump_operating_point").rows() {
        // The hose ends in the air, its end the static head over the lower water.
        let text = room(25.0, 1.0)
            + &vessel("lower", WIDE, 0.0, 1000.0, "")
            + &vessel("upper", WIDE, mm(row.f64("Hstatic_m")) - 500.0, 500.0, "")
            + &actuator("pump", "pump", "")
            + &pumped(row);
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
        rig.on("pump");
        rig.run(20.0);
        let before = rig.volume("upper");
        rig.run(20.0);
        let flow = (rig.volume("upper") - before) / 20.0;
        let want = row.f64("Q_L_h") * L_PER_H;
        assert_abs(flow, want, 1e-3 * want, &row.place());
    }
}

fn pumped(row: Row<'_>) -> String {
    format!(
        "[[passage]]\nname = \"line\"\nkind = \"pumped\"\nfrom = \"lower\"\nto = \"upper\"\npump = \"pump\"\n\
         head0 = \"{} m\"\nflow0 = \"{} L/h\"\nbore = \"{} mm\"\nlength = \"{} m\"\nfittings_k = {}\n\
         outlet = \"1500 mm\"\n",
        row.f64("H0_m"),
        row.f64("Q0_L_h"),
        row.f64("D_mm"),
        row.f64("L_m"),
        row.f64("K_sum"),
    )
}

/// Head over a crest at a steady flow, m: a metering pump fills the upper vessel, which overflows into the lower one.
fn head_over_weir(flow_l_h: f64, width_m: f64) -> f64 {
    let text = room(25.0, 1.0)
        + &vessel("lower", [2000.0, 1000.0, 500.0], 0.0, 400.0, "")
        + &vessel("upper", [600.0, 450.0, 550.0], 1000.0, 450.0, "")
        + &actuator("pump", "dosing_pump", "")
        + &format!(
            "[[passage]]\nname = \"feed\"\nkind = \"line\"\nfrom = \"lower\"\nto = \"upper\"\npump = \"pump\"\n\
             flow = \"{flow_l_h} L/h\"\noutlet = \"560 mm\"\noccludes = true\n\
             [[passage]]\nname = \"weir\"\nkind = \"weir\"\nfrom = \"upper\"\nto = \"lower\"\ncrest = \"450 mm\"\n\
             width = \"{} mm\"\n",
            mm(width_m)
        );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.on("pump");
    rig.run(600.0);
    rig.level("upper") - 0.450
}

/// Francis `Q = 1.84 b h^1.5` (handbook section 6) inverted. A steady level is known to 50 µm: a calm lane keeps its flows for the
/// 10 s of a slow step as long as no level moves faster than 5 µm/s.
#[test]
fn weirs_carry_their_flow_at_francis_head() {
    for row in Table::load("weir_head_from_flow").rows() {
        let (flow, width) = (row.f64("Q_L_h"), row.f64("b_m"));
        let closed = (flow * L_PER_H / (1.84 * width)).powf(2.0 / 3.0);
        assert_abs(head_over_weir(flow, width), closed, 50e-6, &row.place());
    }
}

/// tests/reference/weir_head_from_flow.csv holds the ISO 1438 form. Below its least valid head (30 mm) formulas differ by 10-30 % in
/// flow (design.md section 8 of the project; MANIFEST.csv says up to 25 %): Francis passes 24 % less at 4 mm, 3 % less at 33 mm.
#[test]
fn weir_heads_lie_in_the_spread_about_iso_1438() {
    for row in Table::load("weir_head_from_flow").rows() {
        let ratio = mm_to_m(row.f64("h_mm")) / head_over_weir(row.f64("Q_L_h"), row.f64("b_m"));
        let flow_at_the_tables_head = ratio.powf(1.5);
        assert!((0.7..=1.3).contains(&flow_at_the_tables_head), "{}: {flow_at_the_tables_head}", row.place());
    }
}

fn mm_to_m(x: f64) -> f64 {
    x / 1000.0
}

/// Seconds in which a vessel falls from one level to another through a leak in its floor, linear between scans.
fn drain_seconds(area_m2: f64, hole_mm: f64, from: f64, to: f64) -> f64 {
    let side = mm(area_m2.sqrt());
    let text = room(25.0, 0.25) + &vessel("tank", [side, side, 600.0], 0.0, mm(from), "");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.twin.set_flaw(0, Flaw::Leak(VesselIdx(0), 0.0, circle_area(mm_to_m(hole_mm))));
    let mut last = rig.level("tank");
    loop {
        rig.scan();
        let now = rig.level("tank");
        if now <= to {
            return rig.twin.time_s() - 0.25 * (to - now) / (last - now);
        }
        assert!(rig.twin.time_s() < 4000.0, "still at {now} m");
        last = now;
    }
}

/// What the chain may add to Torricelli's time from `from` to `to`, s.
///
/// Two terms, both of first order and known: the implicit step takes the flow at its end, which costs half a step (0.125 s) for
/// each e-fold that the flow falls by; the law is smoothed over e = 1 mm of head, which integrates to `A/k e²/6 (to^-1.5 - from^-1.5)`.
fn drain_excess(area: f64, hole_mm: f64, from: f64, to: f64) -> f64 {
    let k = physics::orifice::conductance(physics::orifice::SHARP_EDGED, circle_area(mm_to_m(hole_mm)));
    let e = physics::fast::ORIFICE_SMOOTHING;
    0.125 * 0.5 * (from / to).ln() + area / k * e * e / 6.0 * (to.powf(-1.5) - from.powf(-1.5))
}

/// tests/reference/drain_time.csv: Torricelli, `t = 2 A (√h0 - √h1) / (Cd a √2g)`, but for the two known terms above (at most 0.2 s
/// or 0.1 %), met within a tenth of them.
#[test]
fn tanks_drain_in_torricellis_time() {
    for row in Table::load("drain_time").rows().filter(|row| row.f64("h1_m") > 0.0) {
        let (area, hole) = (row.f64("tank_area_m2"), row.f64("hole_mm"));
        let (from, to) = (row.f64("h0_m"), row.f64("h1_m"));
        let excess = drain_excess(area, hole, from, to);
        assert!(excess < 1.1e-3 * row.f64("time_s"), "{}: {excess} s", row.place());
        assert_abs(
            drain_seconds(area, hole, from, to),
            row.f64("time_s") + excess,
            0.1 * excess,
            &row.place(),
        );
    }
}

/// The row of drain_time.csv that runs dry. Under the smoothed law the last millimetre goes exponentially, so the time is compared
/// down to 2 mm; what is left after Torricelli's time is a film of less than that.
#[test]
fn a_tank_runs_dry_but_for_a_film() {
    let table = Table::load("drain_time");
    let row = table.rows_where("h1_m", "0")[0];
    let (area, hole, from) = (row.f64("tank_area_m2"), row.f64("hole_mm"), row.f64("h0_m"));
    let torricelli = physics::orifice::drain_time(area, 0.61, circle_area(mm_to_m(hole)), from, 0.002);
    let excess = drain_excess(area, hole, from, 0.002);
    assert_abs(drain_seconds(area, hole, from, 0.002), torricelli + excess, 0.1 * excess, "to 2 mm");
    let late = drain_seconds(area, hole, from, 0.0005);
    assert!((0.9..1.1).contains(&(late / row.f64("time_s"))), "half a millimetre after {late} s");
}

/// Flow through a passage between wide vessels whose levels differ by `head`, m³/s.
fn flow_between(passage: &str, head: f64) -> f64 {
    let text = room(25.0, 1.0)
        + &vessel("upper", WIDE, mm(head), 1000.0, "")
        + &vessel("lower", WIDE, 0.0, 1000.0, "")
        + &format!("[[passage]]\nname = \"way\"\nfrom = \"upper\"\nto = \"lower\"\n{passage}");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let before = rig.volume("lower");
    rig.run(10.0);
    (rig.volume("lower") - before) / 10.0
}

/// tests/reference/orifice_siphon.csv, sharp holes: rel 1e-3 of MANIFEST.csv, of which the smoothing takes (1 mm / 2 x 100 mm)².
#[test]
fn openings_pass_the_tables_flow() {
    let table = Table::load("orifice_siphon");
    for row in table.rows_where("kind", "orifice").into_iter().filter(|row| row.str("Cd") == "0.61") {
        let way = format!("kind = \"opening\"\nheight = \"0 mm\"\nbore = \"{} mm\"\n", row.f64("D_mm"));
        assert_rel(flow_between(&way, row.f64("H_m")), row.f64("Q_L_h") * L_PER_H, 1e-3, &row.place());
    }
}

/// tests/reference/orifice_siphon.csv, full siphons. The chain's hose is a fit of `a Q + b Q |Q|`, exact at 1 m/s, while these run
/// at 1.7 to 2.2 m/s, where Churchill's friction has fallen by 12 %: up to 4 % in the flow.
#[test]
fn siphons_pass_the_tables_flow() {
    let table = Table::load("orifice_siphon");
    for row in table.rows_where("kind", "full_siphon") {
        let way = format!(
            "kind = \"siphon\"\ninlet = \"50 mm\"\noutlet = \"50 mm\"\nbore = \"{} mm\"\nlength = \"{} m\"\nfittings_k = {}\n",
            row.f64("D_mm"),
            row.f64("L_m"),
            row.f64("K_sum"),
        );
        assert_rel(flow_between(&way, row.f64("H_m")), row.f64("Q_L_h") * L_PER_H, 0.04, &row.place());
    }
}

/// A tank over a sump with a return that has a break hole (or none) and an outlet below it.
fn siphon_back(break_hole: &str, check_valve: bool) -> (f64, f64) {
    let text = room(25.0, 1.0)
        + &vessel("sump", [800.0, 400.0, 500.0], 0.0, 200.0, "")
        + &vessel("tank", [1000.0, 500.0, 500.0], 900.0, 400.0, "")
        + &actuator("pump", "pump", "")
        + &format!(
            "[[passage]]\nname = \"line\"\nkind = \"pumped\"\nfrom = \"sump\"\nto = \"tank\"\npump = \"pump\"\n\
             head0 = \"3 m\"\nflow0 = \"4000 L/h\"\nbore = \"25 mm\"\nlength = \"2 m\"\nfittings_k = 6\n\
             outlet = \"300 mm\"\ncheck_valve = {check_valve}\n{break_hole}"
        );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.run(1800.0);
    (rig.level("tank"), rig.volume("sump"))
}

/// A stopped return siphons until air gets in (handbook section 6): at the break hole, else at the outlet; a check valve holds it.
/// The pipe then empties into the sump (0.98 L), but for the millilitre that a calm lane leaves standing in it.
#[test]
fn siphon_back_stops_where_air_gets_in() {
    let pipe = circle_area(0.025) * 2.0;
    for (hole, valve, stops) in [
        ("break_hole = \"380 mm\"\n", false, 0.380),
        ("", false, 0.300),
        ("break_hole = \"380 mm\"\n", true, 0.400),
    ] {
        let (level, sump) = siphon_back(hole, valve);
        assert!((level - stops).abs() < 1e-6, "{hole:?}: stands at {level}");
        let drained = if valve { 0.0 } else { pipe };
        assert_abs(sump, 0.32 * 0.2 + 0.5 * (0.4 - level) + drained, 1e-6, "what the sump took in");
    }
}

/// A top-off line: where reservoir and sump stand after the pump ran 10 s and then rested for hours.
fn after_dosing(floors: [f64; 2], levels: [f64; 2], outlet: f64, occludes: bool) -> (f64, f64) {
    let text = room(25.0, 1.0)
        + &vessel("reservoir", [400.0, 250.0, 500.0], floors[0], levels[0], "")
        + &vessel("sump", [500.0, 400.0, 500.0], floors[1], levels[1], "")
        + &actuator("pump", "dosing_pump", "")
        + &format!(
            "[[passage]]\nname = \"line\"\nkind = \"line\"\nfrom = \"reservoir\"\nto = \"sump\"\npump = \"pump\"\n\
             flow = \"6 L/h\"\nintake = \"20 mm\"\noutlet = \"{outlet} mm\"\noccludes = {occludes}\nbore = \"6 mm\"\n\
             length = \"1.5 m\"\n"
        );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.on("pump");
    rig.run(10.0);
    rig.off("pump");
    rig.run(12.0 * 3600.0);
    (rig.level("reservoir"), rig.level("sump"))
}

/// "A siphon needs only an outlet below the source's surface, not submerged" (harbour-lane estimate; hydrostatics). Both ways.
#[test]
fn a_top_off_line_siphons_either_way() {
    let dose = 6.0 * L_PER_H * 10.0;
    // Forward into the air: the end hangs 150 mm over the cabinet floor, the sump stands below it.
    let (reservoir, sump) = after_dosing([0.0, 0.0], [400.0, 20.0], 150.0, false);
    assert_abs(reservoir, 0.150, 1e-3, "the reservoir falls to the line's end");
    assert_abs(sump, 0.020 + (0.400 - reservoir) * 0.1 / 0.2, 1e-9, "the sump holds it");
    // An end over the reservoir's water: nothing runs on.
    let (reservoir, _) = after_dosing([0.0, 0.0], [400.0, 20.0], 450.0, false);
    assert_abs(reservoir, 0.400 - dose / 0.1, 1e-9, "no fall, no siphon");
    // A pump that pinches its tube: nothing runs on either.
    let (reservoir, _) = after_dosing([0.0, 0.0], [400.0, 20.0], 150.0, true);
    assert_abs(reservoir, 0.400 - dose / 0.1, 1e-9, "a pinched tube");
    // Backward: the end is under the sump's water, which stands higher; it runs back until the end is in the air.
    let (reservoir, sump) = after_dosing([0.0, 300.0], [100.0, 400.0], 350.0, false);
    assert_abs(sump, 0.350, 1e-3, "the sump falls to the line's end");
    assert_abs(reservoir, 0.100 + (0.400 - sump) * 0.2 / 0.1, 1e-9, "the reservoir holds it");
    // Backward into a reservoir that stands higher and nearly empty: one level, by areas (0.1 and 0.2 m²).
    let (reservoir, sump) = after_dosing([280.0, 0.0], [22.0, 310.0], 250.0, false);
    assert_abs(sump, (0.1 * (0.280 + 0.022) + 0.2 * 0.310) / 0.3, 1e-3, "one level");
    assert_abs(0.280 + reservoir, sump, 1e-3, "one level");
    // Backward with the end in the air: air comes in at once.
    let (reservoir, sump) = after_dosing([0.0, 300.0], [100.0, 400.0], 420.0, false);
    assert_abs(sump, 0.400 + dose / 0.2, 1e-9, "only the dose");
    assert_abs(reservoir, 0.100 - dose / 0.1, 1e-9, "only the dose");
    // Backward to a common level when the end stays under water.
    let (reservoir, sump) = after_dosing([0.0, 0.0], [100.0, 400.0], 50.0, false);
    assert_abs(reservoir, 0.300, 1e-3, "one level");
    assert_abs(sump, 0.300, 1e-3, "one level");
}

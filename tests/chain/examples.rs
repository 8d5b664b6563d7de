//! The desk tank and the raceway: manifold, filter sock and hood against hand calculation, and both files' audits.

use physics::pipe::{Friction, Pipe, SMOOTH_PVC_ROUGHNESS};
use system::System;
use system::model::TruthKind;
use twin::Plan;

use super::rig::{self, Rig};

/// Kinematic viscosity of seawater of salinity 35 at 25 °C, m²/s (handbook section 1).
const VISCOSITY: f64 = 0.9592e-3 / 1023.34;

fn raceway() -> System {
    rig::system(include_str!("../../examples/raceway/system.toml"))
}

fn desk() -> System {
    rig::system(include_str!("../../examples/desk-60l/system.toml"))
}

fn pipe(bore_mm: f64, length: f64, minor_loss: f64) -> Pipe {
    Pipe { diameter: bore_mm * 1e-3, length, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss }
}

/// Pump curve against trunk and three legs by bisection on the head at the tee, from the numbers in the file: m³/s by leg.
///
/// Source: `H = H0 (1 - (Q/Q0)²)` and Darcy and Weisbach with Churchill 1977 (handbook sections 6 and 7), by hand; continuity at
/// the tee. Heights over the cabinet floor; each outlet hangs in the air, so its head is its own height.
fn manifold(sump_surface: f64) -> [f64; 3] {
    const LITRE_HOUR: f64 = 1e-3 / 3600.0;
    let (head0, flow0) = (3.5, 4500.0 * LITRE_HOUR);
    let trunk = pipe(25.0, 1.8, 5.0);
    // The passage's own leg is a stub of the trunk's bore: 0.1 m and one velocity head.
    let legs = [(1.080, pipe(25.0, 1.3, 2.5)), (1.130, pipe(25.0, 0.1, 1.0)), (1.080, pipe(25.0, 1.3, 2.5))];
    let flows = |head: f64| {
        legs.map(|(z, leg)| {
            leg.flow_for_head((head - (z - sump_surface)).max(0.0), VISCOSITY, Friction::Churchill)
        })
    };
    let (mut low, mut high) = (0.0, head0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        let total: f64 = flows(middle).iter().sum();
        let given = head0 * (1.0 - (total / flow0) * (total / flow0))
            - trunk.head_loss(total, VISCOSITY, Friction::Churchill);
        if given > middle { low = middle } else { high = middle }
    }
    flows(low)
}

/// With everything at rest what runs into a tray runs over its standpipe's rim; the manifold's flows are seen there.
#[test]
fn the_manifold_shares_the_pumps_operating_point() {
    let plan = Plan::new(&raceway());
    let mut rig = Rig::new(&plan, &[None]);
    rig.on("return_pump");
    rig.run(1800.0);
    let hand = manifold(0.1 + rig.level("sump_b"));
    let total: f64 = hand.iter().sum();
    // Standpipe as a weir round its rim: the audit's own law is Francis; here only the ratio of flows is asked, h ~ Q^(2/3).
    let heads = ["tray_1", "tray_2", "tray_3"].map(|tray| rig.level(tray) - 0.140);
    for (i, name) in [(0, "tray_1"), (2, "tray_3")] {
        let seen = (heads[i] / heads[1]).powf(1.5);
        let want = hand[i] / hand[1];
        assert!((seen / want - 1.0).abs() < 0.03, "{name}: {seen} of tray 2, by hand {want}");
    }
    // The sensor counts the pulses of a scan of one second, 450 to the litre, of the whole passage.
    let seen = f64::from(rig.code("return_flow")) / 450.0 * rig::LITRE;
    assert!((seen / total - 1.0).abs() < 0.03, "flow {seen} m3/s, by hand {total}");
    // A branch that starves its tray is no manifold: each gets a fifth at the least.
    assert!(hand.iter().all(|q| *q > 0.2 * total), "{hand:?}");
}

/// The head over the cloth grows with its age: `h = h0 Q/Q0 (1 + t/half)`, the file's own law (assumed there).
#[test]
fn the_socks_head_is_that_of_its_cloth() {
    let plan = Plan::new(&raceway());
    let mut rig = Rig::new(&plan, &[None]);
    rig.on("return_pump");
    for hours in [1.0, 23.0] {
        rig.run(hours * rig::HOUR);
        let age_days = rig.twin.time_s() / 86_400.0;
        let flow: f64 = manifold(0.1 + rig.level("sump_b")).iter().sum();
        let want = 0.010 * flow / (3000.0 * 1e-3 / 3600.0) * (1.0 + age_days / 4.0);
        let seen = rig.level("sock") - rig.level("sump_a");
        assert!((seen / want - 1.0).abs() < 0.05, "after {age_days} days: {seen} m, by hand {want}");
    }
}

/// A shut sock runs over its rim into the chamber around it, and nothing reaches the floor.
#[test]
fn a_clogged_sock_runs_over_its_rim() {
    let plan = Plan::new(&raceway());
    let mut rig = Rig::new(&plan, &[None]);
    rig.on("return_pump");
    rig.run(600.0);
    rig.twin.set_flaw(0, twin::Flaw::Blocked(rig::passage_of(rig.system(), "sock_cloth"), 0.0));
    rig.run(1800.0);
    let level = rig.level("sock");
    // Francis 1883 over the file's narrower side, 180 mm: h = (Q / 1.84 b)^(2/3).
    let flow: f64 = manifold(0.1 + rig.level("sump_b")).iter().sum();
    let want = 0.320 + (flow / (1.84 * 0.180)).powf(2.0 / 3.0);
    assert!((level - want).abs() < 0.002, "{level} m, by hand {want}");
    assert!(rig.twin.spilled()[0] < 1e-9);
}

/// Vapour under a hood: what the leak carries out is what the surface gives, so the loss is that of two resistances in series.
///
/// Source: natatorium form at still air, 89 W/m²/kPa (ASHRAE, handbook section 4), and the ideal gas for the leak's vapour.
#[test]
fn a_hood_holds_its_vapour_back() {
    let system = desk();
    let plan = Plan::new(&system);
    let mut rig = Rig::new(&plan, &[None]);
    // The first hour settles water and hood; a quiet night follows, without fan and light.
    rig.run(rig::HOUR);
    let before = rig.twin.books(0).evaporated_m3;
    let (hours, mut room, mut water) = (6.0, 0.0, 0.0);
    for _ in 0..6 {
        rig.run(0.5 * rig::HOUR);
        room += rig.twin.room_c()[0] / 6.0;
        water += rig.temperature("display") / 6.0;
        rig.run(0.5 * rig::HOUR);
    }
    let seen = (rig.twin.books(0).evaporated_m3 - before) / (hours * rig::HOUR);
    let over = seawater::vapour::vapour_pressure_pa(35.0, water);
    let outside = 0.45 * seawater::vapour::saturation_pressure_pa(room);
    let latent = seawater::vapour::latent_heat_j_per_kg(water);
    let by_surface = 0.74 * 0.089 / latent * (0.6 * 0.3);
    let by_leak = 3.0 / 3600.0 / (461.5 * (room + 273.15));
    let want = (over - outside) * by_surface * by_leak / (by_surface + by_leak) / 1000.0;
    assert!((seen / want - 1.0).abs() < 0.05, "{seen} m3/s, by hand {want}");
    // Open it would be twice as much: the hood is worth having.
    let open = (over - outside) * by_surface / 1000.0;
    assert!(seen < 0.7 * open, "{seen} of {open}");
    let truth = TruthKind::Salinity(rig::vessel_of(rig.system(), "display"));
    assert!(rig.twin.truth(truth)[0] > 35.0);
}

/// Water that siphons back through the return's pipe brings its salt along, also when that pipe holds less than what passes it in
/// a step of the contents: with one salinity everywhere, every vessel keeps it. (Conservation; no outside value.)
#[test]
fn what_siphons_back_keeps_its_salt() {
    let text = format!(
        "{}{}{}{}{}",
        rig::room(25.0, 1.0),
        rig::vessel("high", [600.0, 400.0, 450.0], 900.0, 380.0, ""),
        rig::vessel("low", [500.0, 300.0, 350.0], 50.0, 100.0, ""),
        rig::actuator("feed", "pump", "vessel = \"low\""),
        "[[passage]]\nname = \"return\"\nkind = \"pumped\"\nfrom = \"low\"\nto = \"high\"\npump = \"feed\"\nhead0 = \"2.5 m\"\n\
         flow0 = \"1500 L/h\"\nintake = \"20 mm\"\nbore = \"16 mm\"\nlength = \"2 m\"\noutlet = \"300 mm\"\n",
    );
    let plan = Plan::new(&rig::system(&text));
    let mut rig = Rig::new(&plan, &[None]);
    let salinity = |rig: &Rig<'_, 1>, name: &str| {
        rig.twin.truth(TruthKind::Salinity(rig::vessel_of(rig.system(), name)))[0]
    };
    rig.on("feed");
    rig.run(30.0);
    let (high, low) = (salinity(&rig, "high"), salinity(&rig, "low"));
    for _ in 0..20 {
        rig.off("feed");
        rig.run(20.0);
        rig.on("feed");
        rig.run(10.0);
        for (name, was) in [("high", high), ("low", low)] {
            let now = salinity(&rig, name);
            assert!((now - was).abs() < 0.02, "{name}: {was} became {now}");
        }
    }
    assert!(rig.level("low") > 0.11, "nothing ran back: {} m", rig.level("low"));
}

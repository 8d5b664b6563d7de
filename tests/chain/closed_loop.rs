//! The whole loop, file to twin to raw codes to compiled rules and back, against the scenario's own arithmetic.
//!
//! Source: volumes and heights of Harbour Lane by hand (areas times heights, dilution), as in its estimate.

use system::System;
use system::model::TruthKind;
use trial::{EPOCH_UTC_S, Model, Rig};
use twin::{Flaw, Start};

use crate::rig::{
    HOUR, LITRE, actuator_of, balance, harbour_lane, passage_of, sensor_of, supply_of, system, vessel_of,
};

const START: Start = Start { utc_s: EPOCH_UTC_S, local_offset_s: 0, seed: 7 };

/// A rig after so many hours of the rules' own running.
struct Loop<'m> {
    rig: Rig<'m, 1>,
    system: &'m System,
}

impl<'m> Loop<'m> {
    fn settled(model: &'m Model, hours: f64) -> Self {
        let mut it = Loop { rig: Rig::new(model, START, &[None]), system: model.system() };
        it.run(hours);
        it
    }

    fn run(&mut self, hours: f64) {
        for _ in 0..(hours * HOUR) as u64 {
            self.rig.scan();
        }
    }

    fn truth(&self, of: fn(system::model::VesselIdx) -> TruthKind, vessel: &str) -> f64 {
        self.rig.truth(of(vessel_of(self.system, vessel)))[0]
    }

    fn level_mm(&self, vessel: &str) -> f64 {
        1000.0 * self.truth(TruthKind::Level, vessel)
    }

    fn temperature(&self) -> f64 {
        self.truth(TruthKind::Temperature, "display")
    }

    fn flaw(&mut self, flaw: Flaw) {
        self.rig.twin_mut().set_flaw(0, flaw);
    }
}

fn model(system: &System) -> Model {
    match Model::new(system) {
        Ok(model) => model,
        Err(findings) => panic!("{findings:?}"),
    }
}

/// The unattended 63 hours without a fault: the display stays between its setpoints' outer ends (24.9 and 26.4 °C, by half a kelvin
/// of the probe), the return chamber within its float's band and the heights a scan and ripple add, nothing is spilled, and the books
/// balance with the rules in the loop.
#[test]
fn a_weekend_by_the_rules_keeps_its_bands() {
    let system = harbour_lane();
    let model = model(&system);
    let mut it = Loop::settled(&model, 12.0);
    let before = it.rig.twin().books(0);
    for _ in 0..(63 * 6) {
        it.run(1.0 / 6.0);
        let (t, level) = (it.temperature(), it.level_mm("sump_c"));
        assert!((24.6..=26.6).contains(&t), "display at {t}");
        assert!((190.0..=206.0).contains(&level), "return chamber at {level}");
    }
    let after = it.rig.twin().books(0);
    balance(&before, &after, 1e-9);
    assert_eq!(it.rig.twin().spilled()[0], 0.0);
    // Reservoir and lime gave what evaporated, but for the band: 0.12 m² x 9 mm.
    let evaporated = (after.evaporated_m3 - before.evaporated_m3) / LITRE;
    assert!((8.0..=22.0).contains(&evaporated), "{evaporated} L in 63 h");
    let s = it.truth(TruthKind::Salinity, "display");
    assert!((34.8..=35.2).contains(&s), "salinity {s}");
}

/// Drain blocked: the return lifts the chamber down to F3 (13.2 L, +19 mm on the display: 532) or stops at F5 (530); top-off is cut
/// with it, so nothing reaches the rim.
#[test]
fn a_blocked_drain_stays_in_the_display() {
    let system = harbour_lane();
    let model = model(&system);
    let mut it = Loop::settled(&model, 6.0);
    it.flaw(Flaw::Blocked(passage_of(&system, "drain"), 0.0));
    let mut highest = 0.0_f64;
    for _ in 0..(24 * 60) {
        it.run(1.0 / 60.0);
        highest = highest.max(it.level_mm("display"));
    }
    assert!((527.0..=536.0).contains(&highest), "display up to {highest}");
    assert_eq!(it.rig.twin().spilled()[0], 0.0);
}

/// Top-off welded on: F2 in series opens the pump's own wire at 215 mm, whatever the board says.
#[test]
fn a_welded_top_off_stops_at_its_float() {
    let system = harbour_lane();
    let model = model(&system);
    let mut it = Loop::settled(&model, 6.0);
    it.flaw(Flaw::Welded(actuator_of(&system, "topoff_pump")));
    let mut highest = 0.0_f64;
    for _ in 0..(24 * 60) {
        it.run(1.0 / 60.0);
        highest = highest.max(it.level_mm("sump_c"));
    }
    assert!((211.0..=217.0).contains(&highest), "return chamber up to {highest}");
}

/// First draft, its one float stuck calling: 70 L in 14 min; the sump takes 61 L less what stands there running, the rest is on the floor.
/// By dilution the salinity ends near 30.05 with 9 L on the floor (scenario's estimate).
#[test]
fn a_stuck_float_floods_and_thins_the_first_draft() {
    let system = system(include_str!("../../examples/harbour-lane/first-draft.toml"));
    let model = model(&system);
    let mut it = Loop::settled(&model, 6.0);
    let float = system.sensors.iter().find(|s| s.vessel == Some(vessel_of(&system, "sump_c")));
    let float = sensor_of(&system, &float.expect("the float").name);
    it.flaw(Flaw::ContactStuck(float, false));
    it.run(0.25);
    let early = it.truth(TruthKind::Salinity, "display");
    it.run(6.0);
    let (late, floor) = (it.truth(TruthKind::Salinity, "display"), it.rig.twin().spilled()[0] / LITRE);
    println!(
        "salinity {early:.2} after a quarter of an hour, {late:.2} at the end, {floor:.1} L on the floor"
    );
    assert!(early < 32.5, "{early} after a quarter of an hour");
    assert!((late - 30.05).abs() < 0.6, "salinity {late}");
    assert!((4.5..=18.0).contains(&floor), "{floor} L on the floor");
}

/// A dead battery group takes the board with it: circuit 1 and 2 live, so the normally closed contacts keep return, circulation and
/// the display's heater going; the heater holds on its own dial (26.5 °C).
#[test]
fn without_its_board_the_tank_lives_on_its_contacts() {
    let system = harbour_lane();
    let model = model(&system);
    let mut it = Loop::settled(&model, 6.0);
    it.flaw(Flaw::SupplyDead(supply_of(&system, "battery")));
    it.run(24.0);
    for (part, runs) in
        [("return_pump", true), ("circulation_1", true), ("skimmer", false), ("topoff_pump", false)]
    {
        let running = it.rig.twin().running(actuator_of(&system, part).idx()) & 1 != 0;
        assert_eq!(running, runs, "{part}");
    }
    let t = it.temperature();
    assert!(t > 22.0 && t < 27.0, "display at {t}");
}

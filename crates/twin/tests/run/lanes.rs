//! Lanes: a run's bits are its own, whatever runs beside it, and a fork goes on as the run it came from.

use proptest::prelude::*;
use system::System;
use system::model::Corner;
use twin::{Flaw, Plan, Twin};

use crate::conservation::{Dice, random_flaw, random_system};
use crate::rig::{
    HOUR, Rig, START, actuator_of, climate_of, corner, harbour_lane, passage_of, same, sensor_of, supply_of,
    system, vessel_of,
};

/// Eight different lives: corners of the file, own corners, and flaws each at its own scan.
fn corners(system: &System) -> [Option<Corner>; 8] {
    let named = |i: usize| Some(system.corners[i].clone());
    let own = Corner { evaporation: 0.0, weir: 1.2, reservoir: Some(0.3), ..corner() };
    [None, named(0), named(1), named(2), named(3), None, Some(own), None]
}

fn flaws(system: &System) -> [Vec<(u64, Flaw)>; 8] {
    let (v, p) = (|n| vessel_of(system, n), |n| passage_of(system, n));
    let (s, a) = (|n| sensor_of(system, n), |n| actuator_of(system, n));
    [
        vec![],
        vec![(1501, Flaw::Blocked(p("weir"), 0.5)), (4007, Flaw::Leak(v("sump_c"), 0.02, 3e-7))],
        vec![(777, Flaw::HoseOff(p("return"))), (5003, Flaw::BoardDead)],
        vec![(3333, Flaw::BreakHoleShut(p("return"))), (3400, Flaw::HouseOut)],
        vec![(1003, Flaw::Chatter(s("float_c_high"))), (2999, Flaw::LineSunk(p("topoff_line"), 0.05))],
        vec![
            (2001, Flaw::ContactHeld(s("float_c_high"))),
            (2503, Flaw::SkimmerOverflow(a("skimmer"), 1e-6, true)),
            (6001, Flaw::SupplyDead(supply_of(system, "battery"))),
        ],
        vec![(11, Flaw::Drift(s("display_temp"), 1e-4)), (4444, Flaw::Weak(a("return_pump"), 0.4))],
        vec![(2222, Flaw::Climate(climate_of(system, "heatwave"))), (2223, Flaw::LineOut(p("lime_line")))],
    ]
}

/// What the board of life `k` asks for in scan `scan`, permille; the same whoever runs beside it.
fn commands(system: &System, k: usize, scan: u64) -> Vec<i32> {
    let t = scan + 611 * k as u64;
    let on = |name: &str| match name {
        "return_pump" => t % 3600 > 700,
        "topoff_pump" => t % 900 < 120,
        "lime_pump" => t % 1700 < 400,
        "heater_sump" | "heater_display" => t % 1300 < 500,
        "light" => t % 7000 < 3500,
        "fans" => t % 2600 < 900,
        "lime_stirrer" => false,
        _ => true,
    };
    system.actuators.iter().map(|a| if on(&a.name) { 1000 } else { 0 }).collect()
}

fn advance<const L: usize>(rig: &mut Rig<'_, L>, lives: [usize; L], all: &[Vec<(u64, Flaw)>; 8]) {
    let scan = rig.twin.scan();
    for (l, &k) in lives.iter().enumerate() {
        for (_, flaw) in all[k].iter().filter(|(at, _)| *at == scan) {
            rig.twin.set_flaw(l, *flaw);
        }
        let asked = commands(rig.system(), k, scan);
        for (slot, duty) in rig.duty.iter_mut().zip(asked) {
            slot[l] = duty;
        }
    }
    rig.scan();
}

/// Eight lanes with different corners, flaws and commands against eight runs alone, to the bit, for three hours.
#[test]
fn a_lanes_bits_do_not_depend_on_the_others() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let corners = corners(&system);
    let flaws = flaws(&system);
    let mut together: Rig<'_, 8> = Rig::new(&plan, &corners.each_ref().map(Option::as_ref));
    let mut alone: Vec<Rig<'_, 1>> = corners.iter().map(|c| Rig::new(&plan, &[c.as_ref()])).collect();
    let lives = core::array::from_fn(|l| l);
    for scan in 0..(3.0 * HOUR) as u64 {
        advance(&mut together, lives, &flaws);
        for (k, rig) in alone.iter_mut().enumerate() {
            advance(rig, [k], &flaws);
            for (sensor, (a, b)) in together.twin.codes().iter().zip(rig.twin.codes()).enumerate() {
                assert_eq!(a[k], b[0], "lane {k}, scan {scan}, {}", system.sensors[sensor].name);
            }
            if scan % 50 == 0 {
                same(&together.fingerprint(k), &rig.fingerprint(0), &format!("lane {k}, scan {scan}"));
            }
        }
    }
}

/// Four lanes of a random system with switching and flaws of their own against four runs alone.
fn random_lanes(seed: u64) {
    let mut dice = Dice(seed);
    let text = random_system(&mut dice);
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut together: Rig<'_, 4> = Rig::new(&plan, &[None; 4]);
    let mut alone: Vec<Rig<'_, 1>> = (0..4).map(|_| Rig::new(&plan, &[None])).collect();
    for _ in 0..30 {
        for (l, rig) in alone.iter_mut().enumerate() {
            if dice.unit() < 0.05 {
                let flaw = random_flaw(&mut dice, &system);
                together.twin.set_flaw(l, flaw);
                rig.twin.set_flaw(0, flaw);
            }
            for (one, all) in rig.duty.iter_mut().zip(&mut together.duty) {
                all[l] = if dice.unit() < 0.7 { all[l] } else { 1000 - all[l] };
                one[0] = all[l];
            }
        }
        for _ in 0..(1 + dice.below(60)) {
            together.scan();
            alone.iter_mut().for_each(Rig::scan);
        }
        for (l, rig) in alone.iter().enumerate() {
            same(&together.fingerprint(l), &rig.fingerprint(0), &format!("lane {l} (seed {seed})\n{text}"));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn lanes_of_random_systems_keep_to_themselves(seed in any::<u64>()) {
        random_lanes(seed);
    }
}

/// The same life in another lane, beside another number of others.
#[test]
fn a_lane_may_run_anywhere() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let corners = corners(&system);
    let flaws = flaws(&system);
    let of = |k: usize| corners[k].as_ref();
    let mut three: Rig<'_, 3> = Rig::new(&plan, &[of(5), of(2), of(4)]);
    let mut two: Rig<'_, 2> = Rig::new(&plan, &[of(4), of(5)]);
    for _ in 0..(2.0 * HOUR) as u64 {
        advance(&mut three, [5, 2, 4], &flaws);
        advance(&mut two, [4, 5], &flaws);
    }
    same(&three.fingerprint(0), &two.fingerprint(1), "life 5");
    same(&three.fingerprint(2), &two.fingerprint(0), "life 4");
}

/// A snapshot put into another twin, at scans that are no multiple of anything, goes on as the run it was taken from.
#[test]
fn a_fork_goes_on_as_its_run() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let none: [Vec<(u64, Flaw)>; 8] = Default::default();
    for at in [1_u64, 7, 603, 3607, 3725] {
        let mut run: Rig<'_, 1> = Rig::new(&plan, &[None]);
        for _ in 0..at {
            advance(&mut run, [3], &none);
        }
        let snapshot = run.twin.lane(0);
        let mut fork: Rig<'_, 4> = Rig::new(&plan, &[None; 4]);
        for l in 0..4 {
            fork.twin.set_lane(l, &snapshot);
        }
        assert_eq!(fork.twin.lane(2), snapshot);
        // A neighbour with a flaw of its own must not show in the others.
        fork.twin.set_flaw(1, Flaw::HouseOut);
        for _ in 0..2000 {
            advance(&mut run, [3], &none);
            advance(&mut fork, [3; 4], &none);
        }
        same(&fork.fingerprint(0), &run.fingerprint(0), &format!("forked at {at}"));
        same(&fork.fingerprint(3), &run.fingerprint(0), &format!("forked at {at}"));
        assert_eq!(fork.twin.lane(0), run.twin.lane(0), "forked at {at}");
        assert!(fork.fingerprint(1) != run.fingerprint(0));
    }
}

/// A run that is copied as a whole, flaws included, goes on as before.
#[test]
fn a_copy_goes_on_as_its_original() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let flaws = flaws(&system);
    let mut run: Rig<'_, 2> = Rig::new(&plan, &[None; 2]);
    for _ in 0..3501 {
        advance(&mut run, [3, 5], &flaws);
    }
    let mut copy = run.clone();
    for _ in 0..1500 {
        advance(&mut run, [3, 5], &flaws);
        advance(&mut copy, [3, 5], &flaws);
    }
    same(&run.fingerprint(0), &copy.fingerprint(0), "the copy");
    same(&run.fingerprint(1), &copy.fingerprint(1), "the copy");
}

/// A fault at one sensor leaves every other reading as it was, noise included.
#[test]
fn noise_is_each_sensors_own() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let s = |n| sensor_of(&system, n);
    let mut rig: Rig<'_, 5> = Rig::new(&plan, &[None; 5]);
    let faults = [
        (1, Flaw::Chatter(s("leak_1"))),
        (2, Flaw::Frozen(s("ph"))),
        (3, Flaw::Silent(s("display_temp"))),
        (4, Flaw::Drift(s("sump_temp"), 1e-3)),
    ];
    for (l, flaw) in faults {
        rig.twin.set_flaw(l, flaw);
    }
    let flawed = ["leak_1", "ph", "display_temp", "sump_temp"].map(|n| s(n).idx());
    let mut seen = [false; 4];
    for _ in 0..600 {
        rig.scan();
        for (i, code) in rig.twin.codes().iter().enumerate() {
            for l in 1..5 {
                if i == flawed[l - 1] {
                    seen[l - 1] |= code[l] != code[0];
                } else {
                    assert_eq!(code[l], code[0], "{} in lane {l}", system.sensors[i].name);
                }
            }
        }
    }
    assert_eq!(seen, [true; 4]);
}

/// Another seed is other noise and the same physics; the same seed is the same run.
#[test]
fn a_seed_decides_the_noise_only() {
    let system = harbour_lane();
    let plan = Plan::new(&system);
    let run = |seed| {
        let mut rig: Rig<'_, 1> = Rig::starting(&plan, twin::Start { seed, ..START }, &[None]);
        let mut codes = vec![];
        for _ in 0..600 {
            advance(&mut rig, [0], &Default::default());
            codes.extend(rig.twin.codes().iter().map(|c| c[0]));
        }
        (codes, rig.twin.books(0))
    };
    let (first, again, other) = (run(1), run(1), run(2));
    assert_eq!(first, again);
    assert_ne!(first.0, other.0);
    assert_eq!(first.1, other.1);
    let _: Twin<'_, 1> = Twin::new(&plan, START, &[None]);
}

//! The hydraulic and other closed forms of the Harbour Lane example: our own scenario, its figures set by hand estimate.
//!
//! A figure printed with so many digits is checked to half of the last digit; "about" to a few per cent.
#![allow(clippy::unwrap_used)]

use checks::{assert_abs, assert_rel};
use physics::heat::Lump;
use physics::pipe::{Friction, Pipe, SMOOTH_PVC_ROUGHNESS};
use physics::pump::{Condition, Pump};
use physics::standpipe::Standpipe;
use physics::weir::LowHeadWeir;
use physics::{circle_area, gas, orifice, pump};

const LITRE_PER_HOUR: f64 = 1e-3 / 3600.0;
/// Seawater S = 35, 25 °C (handbook section 1).
const VISCOSITY: f64 = 0.9592e-3 / 1023.34;

fn return_line() -> (Pump, Pipe) {
    (
        Pump { shutoff_head: 3.0, open_flow: 4000.0 * LITRE_PER_HOUR },
        Pipe { diameter: 0.025, length: 2.2, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss: 6.0 },
    )
}

#[test]
fn the_return_pump_gives_2410_litres_an_hour_at_1_91_m() {
    let (pump, pipe) = return_line();
    // Display floor 900 + surface 513 over sump floor 60 + chamber level 200.
    let static_head = 1.153;
    let point = pump.operating_point(&pipe, static_head, Condition::NEW, VISCOSITY, Friction::Churchill);
    assert_abs(point.flow / LITRE_PER_HOUR, 2410.0, 10.0, "flow");
    assert_abs(point.head, 1.91, 0.005, "head");
    // The simulator's closed form, fitted over the flows a worn pump or a low sump lead to.
    let most = 2800.0 * LITRE_PER_HOUR;
    let fit = pipe.fit(0.25 * most, most, VISCOSITY);
    let line = pump.line(fit.resistance, Condition::NEW);
    assert_rel(line.flow(static_head).flow, point.flow, 1e-3, "closed form");
    // A pump aged by a quarter (of its open flow, by affinity) still lifts over the static head.
    let aged =
        pump.operating_point(&pipe, static_head, Condition::slowed(0.75), VISCOSITY, Friction::Churchill);
    assert!(aged.flow > 0.3 * point.flow && aged.flow < 0.75 * point.flow, "{}", aged.flow / point.flow);
    // 38 W at the plug is plausible for it: overall efficiency of a third at most.
    assert!(pump::electrical_power(point.hydraulic_power(1023.3), 0.33) <= 39.0);
}

#[test]
fn the_comb_runs_at_12_8_mm_and_the_baffles_at_9() {
    let comb = LowHeadWeir::francis(0.25);
    assert_abs(comb.head(2400.0 * LITRE_PER_HOUR) * 1e3, 12.8, 0.05, "comb at 2400");
    assert_abs(comb.head(2410.0 * LITRE_PER_HOUR) * 1e3, 12.8, 0.05, "comb at 2410");
    // Running levels: A 249 over the baffle top 240, B 229 over 220.
    let baffle = LowHeadWeir::francis(0.4);
    assert_abs(baffle.head(2400.0 * LITRE_PER_HOUR) * 1e3, 9.0, 0.5, "baffle");
}

#[test]
fn the_drain_carries_the_return_below_the_comb() {
    // A 40 mm pipe, a metre of it, two elbows, a projecting inlet, exit; rim under the comb.
    let pipe = Pipe { diameter: 0.04, length: 1.0, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss: 3.2 };
    let drain = Standpipe::new(pipe);
    let flow = 2410.0 * LITRE_PER_HOUR;
    let full = drain.full_bore(0.75, VISCOSITY);
    assert!(full > 2.0 * flow, "{}", full / LITRE_PER_HOUR);
    // The mouth governs: 39 mm as an orifice, 20 mm as a rim; the smooth minimum adds a little to the larger.
    let mouth = orifice::head(orifice::SHARP_EDGED, circle_area(0.04), flow);
    let head = drain.head(flow, 0.7, 0.4, VISCOSITY).unwrap();
    assert!(head > mouth && head < 1.1 * mouth, "{head} {mouth}");
    // A strainer that leaves 60 % open asks for (1/0.6)^2 of that, and a drain that cannot pass the flow says so.
    let strained = Standpipe { open_share: 0.6, ..drain };
    let strained_head = strained.head(flow, 0.7, 0.4, VISCOSITY).unwrap();
    assert_rel(strained_head, mouth / 0.36, 0.1, "strainer");
    assert_eq!(Standpipe { open_share: 0.1, ..drain }.head(flow, 0.7, 0.4, VISCOSITY), None);
}

#[test]
fn drain_down_volumes() {
    let area = 0.69;
    let head = LowHeadWeir::francis(0.25).head(2400.0 * LITRE_PER_HOUR);
    assert_abs(head * area * 1e3, 8.8, 0.05, "running head over the crest, L");
    // First draft: outlet 100 below the running surface, so 87 below the crest.
    assert_abs((0.1 - head) * area * 1e3, 60.2, 0.1, "siphon to the outlet, L");
    // Return line 25 mm x 2.2 m and about a metre of 40 mm drain: 2.6 L with what stands in the strainer.
    let (_, pipe) = return_line();
    assert!(pipe.volume() * 1e3 > 1.0 && pipe.volume() * 1e3 < 1.6);
}

#[test]
fn oxygen_after_mains_out() {
    // Garcia and Gordon at 25.4 degC, S 35 is 6.72 mg/L; the run settles at C* - 0.6/1.7.
    let saturation = 6.72;
    let running = gas::steady(saturation, 1.7, -0.6);
    let to = |limit| gas::depletion_time(limit, running, saturation, 0.03, 0.72).unwrap();
    assert_rel(to(4.0), 3.4, 0.05, "first draft, h to 4 mg/L");
    assert_rel(to(3.0), 5.0, 0.05, "first draft, h to 3 mg/L");
    // On battery: settles at 4.6; with the demand corner 1.0 at 3.8.
    assert_abs(gas::steady(saturation, 0.35, -0.72), 4.6, 0.1, "battery");
    assert_abs(gas::steady(saturation, 0.35, -1.0), 3.8, 0.1, "battery, heavy demand");
}

#[test]
fn heat_of_a_sump_alone_and_the_need_at_16_degrees() {
    // Return dead: 500 W in 75 L of sump lift it 5.9 K/h (losses left out).
    let sump = Lump { capacity: 0.075 * 1023.3 * 3999.0, loss: 0.0 };
    assert_abs(sump.step(25.0, 16.0, 500.0, 3600.0) - 25.0, 5.9, 0.05, "K in the first hour");
    // Walls alone, UA 17 W/K, with 74 + 15 W of gains; evaporation 5.3 L/day adds 150 W: 221 of the estimated 275 W,
    // the rest being convection from the surface.
    let tank = Lump { capacity: 1.70e6, loss: 17.0 };
    let walls = tank.holding_power(25.4, 16.0);
    let evaporation = 5.3 / 86_400.0 * 2.441e6;
    let need = walls + evaporation - 89.0;
    assert!(need > 199.0 && need < 275.0, "{need}");
}

//! Faults whose harm can be reckoned by hand.

use physics::heat::{InnerFilm, Lump, WALL_EMISSIVITY, Wall};
use system::model::{TruthKind, VesselIdx};
use trial::{Options, Rig};
use twin::Flaw;

use crate::small::{
    AREA, HEATER_W, HOUR_S, LITRE, RESERVE, ROOM_C, SPARE, START, TANK, TEXT, TOPOFF, actuator, fmea, model,
    quick, read, requirement, row, sensor, text,
};

const CLOSED: (&str, &str) = ("evaporation = 0.74", "evaporation = 0");

/// Density and heat capacity of seawater at 25 °C and salinity 35 by TEOS-10 (tests/reference/thermal_step.csv), J/(m³ K).
const HEAT_OF_SEAWATER: f64 = 1023.34 * 3998.98;

/// A welded heater against `C dT/dt = P - UA (T - Ta)` from the middle of the rule's band to the 31 °C of `hot`; walls by the wall
/// law, five faces. Band, probe and sampling are worth 4 %, the films at another difference 2 %.
#[test]
fn a_welded_heater_cooks_when_the_lump_says() {
    let system = read(&text(&[CLOSED]));
    let wall = Wall { height: 0.43, thickness: 0.010, conductivity: 1.0, emissivity: WALL_EMISSIVITY };
    let faces = 2.0 * (0.6 + 0.4) * 0.4 + AREA;
    let loss = wall.loss(25.0, ROOM_C, InnerFilm::Stirred(500.0)).overall * faces;
    let lump = Lump { capacity: TANK * HEAT_OF_SEAWATER, loss };
    let exact = lump.time_to_reach(31.0, 25.45, ROOM_C, HEATER_W).expect("400 W are enough");
    let fmea = fmea(&system, &Options { only: Some("heater:welded".into()), ..quick() });
    let row = row(&fmea, "heater", "welded");
    let at = row.cells[requirement(&fmea, "hot")].broken_at_s.expect("it cooks");
    println!("hot after {:.2} h, by the lump {:.2} h", at / HOUR_S, exact / HOUR_S);
    assert!((at / exact - 1.0).abs() < 0.1, "{at} s, by the lump {exact} s");
    // Its trip opened what cannot open.
    assert!(row.tripped.iter().any(|(t, name)| name == "heater" && *t < at), "{:?}", row.tripped);
}

/// Without the high float a stuck low one pumps until the reservoir is dry: the rim is reached after what fits below it, the rest of
/// the reservoir is on the floor after its volume over the pump's flow. Volumes by areas times heights.
#[test]
fn a_stuck_float_puts_the_reservoir_on_the_floor() {
    let open = [CLOSED, ("series = [\"float_high\"]", ""), ("permissive = \"not float_high\"", "")];
    let system = read(&text(&open));
    let fmea = fmea(&system, &Options { only: Some("float_low:stuck-down".into()), ..quick() });
    let row = row(&fmea, "float_low", "stuck-down");
    let at = row.cells[requirement(&fmea, "floor")].broken_at_s.expect("it floods");
    let exact = (SPARE + 0.5 * LITRE) / TOPOFF;
    assert!((at / exact - 1.0).abs() < 0.04, "{at} s, by hand {exact} s");
    let spilled = row.outcomes[0].spilled_m3;
    assert!((spilled - (RESERVE - SPARE)).abs() < 0.15 * LITRE, "{} L on the floor", spilled / LITRE);
    // The reservoir is dry when its volume has gone through the pump, and not before.
    let model = model(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&model, START, &[None]);
    rig.twin_mut().set_flaw(0, Flaw::ContactStuck(sensor(&system, "float_low"), false));
    let dry = RESERVE / TOPOFF;
    let level = |rig: &Rig<'_, 1>| rig.truth(TruthKind::Level(VesselIdx(1)))[0];
    rig.run_to((0.97 * dry / 5.0) as u64);
    assert!(level(&rig) > 0.0125, "{} m at 97 %", level(&rig));
    rig.run_to((1.03 * dry / 5.0) as u64);
    let end = level(&rig);
    assert!((end - 0.010).abs() < 0.001, "{end} m at 103 %");
    rig.run_to((1.2 * dry / 5.0) as u64);
    let later = level(&rig);
    assert!((later - end).abs() < 0.5e-3, "{end} m at 103 %, {later} m at 120 %");
}

/// On a battery of 24 Wh, half of it usable, a load of 5 W runs 2.4 h into an outage of the mains, and the water stands still half an
/// hour longer before `movement` is broken.
#[test]
fn a_battery_lasts_for_energy_over_power() {
    let text = text(&[("power = \"5 W\"\nsupply = \"circuit\"", "power = \"5 W\"\nsupply = \"battery\"")])
        + "[[supply]]\nname = \"battery\"\nkind = \"battery\"\nfed_by = \"circuit\"\nvolts = \"12 V\"\ncapacity = \"2 Ah\"\nusable = \"50 %\"\n";
    let system = read(&text);
    let runtime = 24.0 * 0.5 / 5.0 * HOUR_S;
    let model = model(&system);
    let pump = actuator(&system, "circulation").idx();
    let mut rig: Rig<'_, 1> = Rig::new(&model, START, &[None]);
    rig.run_to(360);
    rig.twin_mut().set_flaw(0, Flaw::HouseOut);
    let onset = rig.twin().time_s();
    while rig.twin().running(pump) != 0 && rig.twin().time_s() < onset + 2.0 * runtime {
        rig.scan();
    }
    let lasted = rig.twin().time_s() - onset;
    assert!((lasted / runtime - 1.0).abs() < 0.005, "{lasted} s, energy over power {runtime} s");
    let fmea = fmea(&system, &Options { only: Some("mains:out".into()), ..quick() });
    let at = row(&fmea, "mains", "out").cells[requirement(&fmea, "movement")]
        .broken_at_s
        .expect("it stands still");
    assert!((at - runtime - 1800.0).abs() <= 180.0, "{at} s");
}

/// The high float in the pump's own wire holds where the board would not: neither fault alone puts water on the floor.
#[test]
fn two_floats_hold_what_one_does_not() {
    let system = read(TEXT);
    let fmea = fmea(&system, &quick());
    let floor = requirement(&fmea, "floor");
    for (part, mode) in [("float_low", "stuck-down"), ("float_high", "stuck-down"), ("topoff_pump", "welded")]
    {
        assert_eq!(row(&fmea, part, mode).cells[floor].broken_at_s, None, "{part}:{mode}");
    }
}

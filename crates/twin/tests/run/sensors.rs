//! Sensors: the codes of the data sheets for given truths, lag, hysteresis and pulses.

use checks::{Table, assert_abs, assert_rel};
use system::model::{Corner, SensorIdx, TruthKind};
use twin::{Flaw, Plan, SAMPLES};

use crate::rig::{LITRE, Rig, actuator, corner, passage_of, room, system, vessel, vessel_of};

fn sensor(name: &str, kind: &str, more: &str) -> String {
    format!("[[sensor]]\nname = \"{name}\"\nkind = \"{kind}\"\n{more}\n")
}

/// First codes of a system at its start, where lags have settled.
fn first_codes(text: &str) -> Vec<i32> {
    let system = system(text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    rig.twin.sense().iter().map(|c| c[0]).collect()
}

/// tests/reference/tmp36_adc.csv, exact: 0.5 V + 10 mV/K on a ten-bit converter, cut off.
#[test]
fn tmp36_codes_are_the_tables() {
    for row in Table::load("tmp36_adc").rows() {
        let probe = |name: &str, volts: f64| {
            sensor(name, "tmp36", &format!("reference = \"{volts} V\"\nnoise = \"0 K\""))
        };
        let text = room(row.f64("t_C"), 1.0) + &probe("a", 5.0) + &probe("b", 3.3) + &probe("c", 1.1);
        let want = ["code_5V", "code_3V3", "code_1V1"].map(|column| row.f64(column) as i32);
        assert_eq!(first_codes(&text), want, "{}", row.place());
    }
}

/// Sixteen noisy samples added: sixteen times the ideal code on average, to the thirtieth of a count that the noise leaves.
#[test]
fn oversampling_resolves_between_counts() {
    let text =
        room(25.3, 1.0) + &sensor("a", "tmp36", "reference = \"5 V\"\noversample = 16\nnoise = \"0.5 K\"");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let n = 2000;
    let sum: i32 = (0..n)
        .map(|_| {
            rig.run(10.0);
            rig.code("a")
        })
        .sum();
    let mean = f64::from(sum) / f64::from(n) / 16.0;
    // A sample is cut off, so half a count is lost on average.
    assert_abs(mean, (0.5 + 0.01 * 25.3) / 5.0 * 1024.0 - 0.5, 0.03, "counts");
}

/// tests/reference/ntc_beta.csv, exact: NTC to ground under 10 kΩ, ratiometric, cut off.
#[test]
fn ntc_codes_are_the_tables() {
    for row in Table::load("ntc_beta").rows() {
        let probe =
            format!("beta = {}\nr25 = \"10 kohm\"\nseries = \"10 kohm\"\nnoise = \"0 K\"", row.f64("B_K"));
        let text = room(row.f64("t_C"), 1.0) + &sensor("a", "ntc", &probe);
        assert_eq!(first_codes(&text), [row.f64("code_10bit") as i32], "{}", row.place());
    }
}

/// DS18B20 data sheet: sixteenths of a degree at twelve bits; 25.0625 °C is 0x191, 10.125 °C 0x0A2, -10.125 °C 0xFF5E (two's
/// complement), as its table 1 has them (from memory).
#[test]
fn ds18b20_codes_are_the_data_sheets() {
    for (celsius, code) in
        [(25.0625, 0x191), (10.125, 0x0a2), (0.5, 0x008), (0.0, 0), (-0.5, -8), (-10.125, -162)]
    {
        let text = room(celsius, 1.0)
            + &sensor("a", "ds18b20", "noise = \"0 K\"")
            + &sensor("b", "room_temperature", "noise = \"0 K\"");
        assert_eq!(first_codes(&text), [code, code], "{celsius}");
    }
}

/// A closed tank of so many °C with sensors in it.
fn tank(celsius: f64, salinity: f64, ph: f64, sensors: &str) -> String {
    room(celsius, 1.0)
        + &format!("[water]\ntemperature = \"{celsius} degC\"\nsalinity = {salinity}\nph = {ph}\n")
        + &vessel("tank", [1000.0, 500.0, 500.0], 0.0, 400.0, "")
        + sensors
}

/// Gain of the amplifier when the file says nothing.
const GAIN: f64 = 5.0;

/// tests/reference/nernst_slope.csv: the amplifier gives half its supply less five times the slope for each pH, sixteen samples added,
/// so `5 x slope / 5 V x 16384` codes a pH; to one code of rounding and the pH that the tank solves for (1e-4).
#[test]
fn ph_codes_follow_the_nernst_slope() {
    for row in Table::load("nernst_slope").rows().filter(|row| (5.0..=35.0).contains(&row.f64("t_C"))) {
        let slope_v = row.f64("slope_mV_per_pH") / 1000.0;
        for ph in [7.5, 8.2, 8.6] {
            let text = tank(row.f64("t_C"), 35.0, ph, &sensor("ph", "ph", "vessel = \"tank\"\nnoise = 0"));
            let want = 0.5 * 1024.0 * SAMPLES + GAIN * slope_v * (7.0 - ph) / 5.0 * 1024.0 * SAMPLES;
            assert_abs(f64::from(first_codes(&text)[0]), want, 1.2, &format!("{} pH {ph}", row.place()));
        }
    }
}

/// A probe that gives 0.5 to 4.5 V of 5 V over its span: sixteen conversions of ten bits added.
fn in_proportion(share: f64) -> f64 {
    (0.5 + 4.0 * share) / 5.0 * 1024.0 * 16.0
}

/// tests/reference/seawater_conductivity.csv (PSS-78 inverse), over 100 mS/cm: rel 1e-5 and half a code.
#[test]
fn conductivity_codes_are_the_tables() {
    for row in Table::load("seawater_conductivity").rows() {
        let probe = sensor("c", "conductivity", "vessel = \"tank\"\nnoise = \"0 uS/cm\"");
        let text = tank(row.f64("t90_C"), row.f64("S_pss78"), 8.2, &probe);
        let want = in_proportion(row.f64("C_mS_cm") / 100.0);
        assert_abs(f64::from(first_codes(&text)[0]), want, 1e-5 * want + 0.5, &row.place());
    }
}

/// Level over the probe's tip in steps of its resolution, nearest: 400 mm, and 369.8 mm told as 370 mm; over a span of 1 m.
#[test]
fn level_codes_count_steps_over_the_tip() {
    let probe = |name: &str, more: &str| {
        sensor(name, "level", &format!("vessel = \"tank\"\nnoise = \"0 mm\"\n{more}"))
    };
    let text = tank(
        25.0,
        35.0,
        8.2,
        &(probe("a", "resolution = \"1 mm\"") + &probe("b", "resolution = \"0.5 mm\"\nheight = \"30.2 mm\"")),
    );
    assert_eq!(first_codes(&text), [in_proportion(0.4).round() as i32, in_proportion(0.37).round() as i32]);
    // By echo from 600 mm over the tip, 200 mm away: the way there and back at 331.3 + 0.606 x 25 m/s (from memory).
    let text = tank(25.0, 35.0, 8.2, &probe("c", "mounted = \"600 mm\""));
    assert_eq!(first_codes(&text), [(0.4e6_f64 / (331.3 + 0.606 * 25.0)).round() as i32]);
}

/// A first-order lag: 63.2 % of a step after its time constant, 95.0 % after three (definition), to a sixteenth of a degree.
#[test]
fn a_lagging_probe_has_gone_63_percent_after_its_time_constant() {
    let text = room(15.0, 1.0)
        + "[water]\ntemperature = \"30 degC\"\nsalinity = 35\n"
        + &vessel("tank", [1000.0, 500.0, 500.0], 0.0, 400.0, "")
        + &sensor("t", "ds18b20", "vessel = \"tank\"\nheight = \"100 mm\"\nlag = \"100 s\"\nnoise = \"0 K\"");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&Corner { wall_loss: 0.0, ..corner() })]);
    rig.run(10.0);
    assert_eq!(rig.code("t"), 480);
    rig.twin.set_flaw(0, Flaw::FallenOut(SensorIdx(0)));
    for times in 1..=3 {
        rig.run(100.0);
        let _ = rig.twin.sense();
        let want = 15.0 + 15.0 * (-f64::from(times)).exp();
        assert_abs(
            f64::from(rig.code("t")) / 16.0,
            want,
            1.0 / 32.0 + 1e-9,
            &format!("{times} time constants"),
        );
    }
}

/// Noise has the stated standard deviation and no mean.
#[test]
fn noise_is_as_stated() {
    let text = room(20.0, 1.0) + &sensor("t", "ds18b20", "noise = \"0.5 K\"\nlag = \"0 s\"");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let n = 20_000;
    let (mut sum, mut square) = (0.0, 0.0);
    for _ in 0..n {
        // A probe with a lag is read anew each slow step.
        rig.run(10.0);
        let off = f64::from(rig.code("t")) / 16.0 - 20.0;
        sum += off;
        square += off * off;
    }
    // Standard errors: 0.5/√n = 0.0035 for the mean, 0.0025 for the deviation; four of them.
    assert_abs(sum / f64::from(n), 0.0, 0.015, "mean");
    assert_abs((square / f64::from(n)).sqrt(), 0.5, 0.01, "standard deviation");
}

/// A float turns at its upper height on the way up and at its lower one on the way down, but for the surface's ripple (0.5 mm
/// standard deviation, at most 1.74 mm), and gives one change each way, not a string of them.
#[test]
fn floats_have_hysteresis() {
    let fill = |from: &str, to: &str| {
        format!(
            "[[passage]]\nname = \"{from}_{to}\"\nkind = \"line\"\nfrom = \"{from}\"\nto = \"{to}\"\npump = \"p_{from}\"\n\
             flow = \"300 L/h\"\noutlet = \"500 mm\"\noccludes = true\n"
        )
    };
    let text = room(25.0, 1.0)
        + &vessel("tank", [500.0, 400.0, 400.0], 0.0, 180.0, "")
        + &vessel("tub", [500.0, 400.0, 400.0], 0.0, 200.0, "")
        + &actuator("p_tank", "dosing_pump", "delay = \"0 s\"")
        + &actuator("p_tub", "dosing_pump", "delay = \"0 s\"")
        + &fill("tank", "tub")
        + &fill("tub", "tank")
        + &sensor(
            "f",
            "float",
            "vessel = \"tank\"\nlow = \"197 mm\"\nhigh = \"203 mm\"\ntrue_when = \"above\"",
        );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    // 0.42 mm a second.
    let turns = |rig: &mut Rig<'_, 1>, seconds: u32| {
        let mut turns = vec![];
        let mut last = {
            let _ = rig.twin.sense();
            rig.code("f")
        };
        for _ in 0..seconds {
            let level = rig.level("tank") * 1000.0;
            rig.scan();
            if rig.code("f") != last {
                last = rig.code("f");
                turns.push((last, level));
            }
        }
        turns
    };
    rig.on("p_tub");
    let up = turns(&mut rig, 100);
    assert!(matches!(up[..], [(1, at)] if (203.0 - 1.8..=203.5).contains(&at)), "{up:?}");
    rig.off("p_tub");
    rig.on("p_tank");
    let down = turns(&mut rig, 100);
    assert!(matches!(down[..], [(0, at)] if (196.5..=197.0 + 1.8).contains(&at)), "{down:?}");
}

/// A flow meter's pulses sum to the volume that passed: none lost, none invented, to the one that is under way.
#[test]
fn pulses_sum_to_the_volume() {
    let text = room(25.0, 1.0)
        + &vessel("lower", [2000.0, 1000.0, 500.0], 0.0, 400.0, "")
        + &vessel("upper", [2000.0, 1000.0, 500.0], 800.0, 100.0, "")
        + &actuator("pump", "pump", "")
        + "[[passage]]\nname = \"line\"\nkind = \"pumped\"\nfrom = \"lower\"\nto = \"upper\"\npump = \"pump\"\nhead0 = \"3 m\"\n\
           flow0 = \"4000 L/h\"\nbore = \"25 mm\"\nlength = \"2 m\"\nfittings_k = 4\noutlet = \"450 mm\"\ncheck_valve = true\n"
        + &sensor("flow", "flow", "passage = \"line\"\npulses = 450");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let before = rig.volume("upper");
    let mut pulses = 0_i64;
    for scan in 0..1500 {
        // Switched in steps that are no multiple of anything.
        rig.set("pump", if scan % 97 < 61 { 1000 } else { 0 });
        rig.scan();
        pulses += i64::from(rig.code("flow"));
    }
    let _ = rig.twin.sense();
    pulses += i64::from(rig.code("flow"));
    let passed = (rig.volume("upper") - before) / LITRE;
    assert!(passed > 300.0, "{passed} L");
    assert!((passed * 450.0 - pulses as f64).abs() <= 1.0, "{passed} L, {pulses} pulses");
    let _ = passage_of(&system, "line");
}

/// A probe whose tip is out of the water reads the room; one under water its vessel.
#[test]
fn a_bare_probe_reads_the_room() {
    let probe = |name: &str, height: f64| {
        sensor(name, "ds18b20", &format!("vessel = \"tank\"\nheight = \"{height} mm\"\nnoise = \"0 K\""))
    };
    let text = room(15.0, 1.0)
        + "[water]\ntemperature = \"30 degC\"\nsalinity = 35\n"
        + &vessel("tank", [1000.0, 500.0, 500.0], 0.0, 400.0, "")
        + &probe("under", 390.0)
        + &probe("over", 410.0);
    assert_eq!(first_codes(&text), [480, 240]);
    let system = system(&text);
    let plan = Plan::new(&system);
    let rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    assert_rel(rig.twin.truth(TruthKind::Temperature(vessel_of(&system, "tank")))[0], 30.0, 1e-12, "tank");
}

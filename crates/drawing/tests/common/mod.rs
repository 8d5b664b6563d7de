//! Systems made by hand, so that the drawing can be tested with geometry that no file would pass.
#![allow(dead_code)]

use drawing::WaterLines;
use system::model::*;

pub fn bare(name: &str) -> System {
    let file = "[[board]]\nname = \"controller\"\nchip = \"ATmega328P\"\n";
    let mut system = system::load(file).system.expect("the least file is whole");
    system.name = name.to_owned();
    system
}

/// Sizes in mm.
pub fn vessel(
    name: &str,
    role: VesselRole,
    inside: [f64; 3],
    wall: f64,
    floor: f64,
    x: f64,
    level: f64,
) -> Vessel {
    let inside = inside.map(|v| v / 1000.0);
    Vessel {
        name: name.to_owned(),
        role,
        inside,
        wall_m: wall / 1000.0,
        wall_k: 1.0,
        floor_m: floor / 1000.0,
        areas: vec![(0.0, inside[0] * inside[1])],
        start_level: level / 1000.0,
        dead_level: 0.0,
        full_level: None,
        inside_of: None,
        chamber_of: None,
        x_m: x / 1000.0,
        air: None,
        evaporation: 1.0,
        air_speed: 0.0,
        still_exchange: 0.0,
        wall_share: 1.0,
        bottom_insulated: false,
        holds: Contents::Tank,
    }
}

pub fn actuator(
    name: &str,
    kind: ActuatorKind,
    watts: f64,
    vessel: Option<usize>,
    mark: Option<f64>,
) -> Actuator {
    Actuator {
        name: name.to_owned(),
        kind,
        part: "part".to_owned(),
        watts,
        supply: None,
        switched_by: None,
        on_when_dead: false,
        always: false,
        heats: None,
        vessel: vessel.map(VesselIdx),
        mark: mark.map(|m| m / 1000.0),
        own_thermostat_c: None,
        series: vec![],
        moves: None,
        exchange: 0.0,
        blows: None,
        lights: None,
        delay_s: 0.0,
        modulated: false,
        removes: 0.0,
        signal: SignalIdx(0),
    }
}

pub fn sensor(name: &str, kind: SensorKind, vessel: Option<usize>, height: Option<f64>) -> Sensor {
    Sensor {
        name: name.to_owned(),
        kind,
        part: "part".to_owned(),
        vessel: vessel.map(VesselIdx),
        height: height.map(|h| h / 1000.0),
        supply: None,
        lag_s: 0.0,
        noise: 0.0,
        offset: 0.0,
        max_age_s: 10.0,
        signal: SignalIdx(0),
        volts: Volts { reference_v: 5.0, zero_v: 0.5, full_v: 4.5, span: 1.0 },
        amplifier: Amplifier { midpoint_v: 2.5, gain: 5.0 },
        mounted: None,
        temperature: None,
    }
}

pub fn float(low: f64, high: f64) -> SensorKind {
    SensorKind::Float { low: low / 1000.0, high: high / 1000.0, true_above: true, closed_above: false }
}

pub fn passage(name: &str, from: usize, to: usize, kind: PassageKind) -> Passage {
    Passage { name: name.to_owned(), from: VesselIdx(from), to: VesselIdx(to), kind, aeration: 0.0 }
}

pub fn pipe(bore_mm: f64, length: f64) -> Pipe {
    Pipe { bore: bore_mm / 1000.0, length, fittings_k: 3.0 }
}

fn line(pump: usize, intake: f64, outlet: f64, bore: f64) -> PassageKind {
    PassageKind::Line {
        pump: ActuatorIdx(pump),
        flow: 5e-7,
        intake: intake / 1000.0,
        outlet: outlet / 1000.0,
        occludes: true,
        bore: bore / 1000.0,
        length: 1.5,
    }
}

/// The mended example with the sizes of its file.
pub fn harbour_lane() -> System {
    let mut s = bare("Harbour Lane reading-room reef");
    let mut display = vessel("display", VesselRole::Display, [1200.0, 600.0, 580.0], 12.0, 900.0, 0.0, 513.0);
    display.areas = vec![(0.0, 0.69 - 0.0933), (0.3, 0.69)];
    let mut weir_box = vessel("weir_box", VesselRole::Box, [300.0, 100.0, 580.0], 6.0, 900.0, 880.0, 420.0);
    weir_box.inside_of = Some(VesselIdx(0));
    let chamber = |name: &str, length, x, level| {
        let mut v = vessel(name, VesselRole::Sump, [length, 400.0, 400.0], 8.0, 60.0, x, level);
        v.chamber_of = Some("sump".to_owned());
        v
    };
    let mut reservoir =
        vessel("reservoir", VesselRole::Reservoir, [240.0, 400.0, 320.0], 4.0, 60.0, 1040.0, 285.0);
    reservoir.holds = Contents::Fresh;
    let mut lime = vessel("lime", VesselRole::Lime, [150.0, 150.0, 300.0], 4.0, 420.0, 1090.0, 232.0);
    lime.holds = Contents::Limewater(40.6);
    s.vessels = vec![
        display,
        weir_box,
        chamber("sump_a", 350.0, 100.0, 249.0),
        chamber("sump_b", 230.0, 460.0, 229.0),
        chamber("sump_c", 300.0, 700.0, 200.0),
        reservoir,
        lime,
    ];
    s.passages = vec![
        passage("weir", 0, 1, PassageKind::Weir { crest: 0.5, width: 0.25, comb: true }),
        passage(
            "drain",
            1,
            2,
            PassageKind::Drain {
                inlet: 0.387,
                pipe: pipe(40.0, 1.3),
                outlet: 0.26,
                strainer: 0.9,
                branches: vec![],
            },
        ),
        passage("baffle_ab", 2, 3, PassageKind::Baffle { top: 0.24, width: 0.4, thickness: 0.01 }),
        passage("baffle_bc", 3, 4, PassageKind::Baffle { top: 0.22, width: 0.4, thickness: 0.01 }),
        passage(
            "return",
            4,
            0,
            PassageKind::Pumped {
                pump: ActuatorIdx(0),
                head0: 3.0,
                flow0: 4.0 / 3600.0,
                intake: 0.06,
                pipe: pipe(25.0, 2.2),
                outlet: 0.488,
                break_hole: Some(0.507),
                check_valve: false,
                branches: vec![],
            },
        ),
        passage("topoff_line", 5, 4, line(9, 25.0, 420.0, 4.0)),
        passage("lime_line", 6, 4, line(10, 10.0, 420.0, 3.0)),
    ];
    use ActuatorKind as K;
    s.actuators = vec![
        actuator("return_pump", K::Pump, 38.0, Some(4), Some(60.0)),
        actuator("circulation_1", K::Circulation, 10.0, Some(0), Some(250.0)),
        actuator("circulation_2", K::Circulation, 5.0, Some(0), Some(250.0)),
        actuator("air_pump", K::AirPump, 3.0, Some(0), None),
        actuator("skimmer", K::Skimmer, 18.0, Some(2), Some(80.0)),
        actuator("heater_sump", K::Heater, 200.0, Some(2), Some(150.0)),
        actuator("heater_display", K::Heater, 200.0, Some(0), Some(300.0)),
        actuator("light", K::Light, 110.0, None, None),
        actuator("fans", K::Fan, 5.0, None, None),
        actuator("topoff_pump", K::DosingPump, 4.0, None, None),
        actuator("lime_pump", K::DosingPump, 3.0, None, None),
        actuator("lime_stirrer", K::Stirrer, 4.0, None, None),
        actuator("heat_master", K::Contactor, 2.0, None, None),
        actuator("router", K::Other, 6.0, None, None),
    ];
    s.actuators[5].own_thermostat_c = Some(27.0);
    s.actuators[6].own_thermostat_c = Some(26.5);
    s.actuators[7].lights = Some(VesselIdx(0));
    s.actuators[8].blows = Some(Blow { over: VesselIdx(0), speed: 1.0, draws_m3_s: 0.0 });
    s.sensors = vec![
        sensor("display_temp", SensorKind::Ds18b20, Some(0), Some(350.0)),
        sensor("display_temp_2", SensorKind::Ds18b20, Some(0), Some(300.0)),
        sensor("sump_temp", SensorKind::Ds18b20, Some(2), Some(120.0)),
        sensor("ph", SensorKind::Ph { reference_v: 5.0 }, Some(3), Some(120.0)),
        sensor("float_c_low", float(197.0, 203.0), Some(4), None),
        sensor("float_c_high", float(213.0, 215.0), Some(4), None),
        sensor("float_c_empty", float(90.0, 140.0), Some(4), None),
        sensor("float_a_high", float(297.0, 300.0), Some(2), None),
        sensor("float_display_high", float(527.0, 530.0), Some(0), None),
        sensor("reservoir_low", float(60.0, 64.0), Some(5), None),
        sensor("leak_1", SensorKind::Leak, None, None),
        sensor("leak_2", SensorKind::Leak, None, None),
        sensor(
            "return_flow",
            SensorKind::Flow { passage: PassageIdx(4), pulses_per_litre: 450.0 },
            None,
            None,
        ),
        sensor("mains_1", SensorKind::Presence { of: SupplyIdx(0) }, None, None),
        sensor("battery_charge", SensorKind::Charge { of: SupplyIdx(0) }, None, None),
    ];
    s.actuators[9].series = vec![SensorIdx(5)];
    s.actuators[10].series = vec![SensorIdx(5)];
    s.bund = Some(Bund { inside: [1.18, 0.56, 0.035] });
    s
}

/// Running, stopped and worst case of [`harbour_lane`]; levels over each vessel's floor as in its estimate.
pub fn harbour_lines() -> Vec<WaterLines> {
    let set = |name: &str, levels: [f64; 7]| WaterLines {
        name: name.to_owned(),
        levels: levels.iter().map(|l| Some(l / 1000.0)).collect(),
    };
    vec![
        set("running", [513.0, 420.0, 249.0, 229.0, 200.0, 285.0, 232.0]),
        set("stopped", [500.0, 387.0, 259.0, 259.0, 259.0, 285.0, 232.0]),
        set("worst case", [532.0, 532.0, 291.0, 291.0, 291.0, 25.0, 10.0]),
    ]
}

/// A desk tank with a heater and a probe.
pub fn one_vessel() -> System {
    let mut s = bare("Desk tank");
    s.vessels = vec![vessel("tank", VesselRole::Display, [600.0, 300.0, 360.0], 6.0, 720.0, 0.0, 320.0)];
    s.actuators = vec![
        actuator("heater", ActuatorKind::Heater, 75.0, Some(0), Some(220.0)),
        actuator("pump", ActuatorKind::Circulation, 4.0, Some(0), Some(150.0)),
    ];
    s.sensors = vec![
        sensor("temperature", SensorKind::Ds18b20, Some(0), Some(200.0)),
        sensor("level", float(310.0, 318.0), Some(0), None),
    ];
    s
}

/// Three coral raceways in a row over one sump; the return has a tee to each.
pub fn raceway() -> System {
    let mut s = bare("Three-tank coral raceway");
    for (i, name) in ["raceway_1", "raceway_2", "raceway_3"].iter().enumerate() {
        let mut v =
            vessel(name, VesselRole::Display, [2400.0, 800.0, 350.0], 10.0, 800.0, 2500.0 * i as f64, 300.0);
        v.air = Some(AirIdx(0));
        s.vessels.push(v);
    }
    s.vessels.push(vessel("sump", VesselRole::Sump, [1200.0, 600.0, 450.0], 8.0, 30.0, 3000.0, 250.0));
    s.vessels.push(vessel(
        "reservoir",
        VesselRole::Reservoir,
        [500.0, 500.0, 600.0],
        4.0,
        10.0,
        4500.0,
        500.0,
    ));
    s.air_spaces = vec![AirSpace { name: "hood".to_owned(), volume_m3: 0.9, leak_m3_s: 0.001 }];
    for i in 0..3 {
        s.passages.push(passage(
            &format!("drain_{}", i + 1),
            i,
            3,
            PassageKind::Drain {
                inlet: 0.29,
                pipe: pipe(50.0, 2.5),
                outlet: 0.3,
                strainer: 1.0,
                branches: vec![],
            },
        ));
    }
    s.passages.push(passage(
        "return",
        3,
        0,
        PassageKind::Pumped {
            pump: ActuatorIdx(0),
            head0: 5.0,
            flow0: 0.003,
            intake: 0.05,
            pipe: pipe(40.0, 6.0),
            outlet: 0.28,
            break_hole: None,
            check_valve: true,
            branches: vec![
                Branch { to: VesselIdx(1), outlet: 0.28, pipe: pipe(32.0, 3.0) },
                Branch { to: VesselIdx(2), outlet: 0.28, pipe: pipe(32.0, 5.0) },
            ],
        },
    ));
    s.passages.push(passage("topoff", 4, 3, line(1, 20.0, 460.0, 6.0)));
    use ActuatorKind as K;
    s.actuators = vec![
        actuator("return_pump", K::Pump, 120.0, Some(3), Some(50.0)),
        actuator("topoff_pump", K::DosingPump, 6.0, None, None),
        actuator("heater_1", K::Heater, 300.0, Some(3), Some(150.0)),
        actuator("heater_2", K::Heater, 300.0, Some(3), Some(150.0)),
    ];
    for i in 0..3 {
        let mut light = actuator(&format!("light_{}", i + 1), K::Light, 200.0, None, None);
        light.lights = Some(VesselIdx(i));
        let mut fan = actuator(&format!("fan_{}", i + 1), K::Fan, 8.0, None, None);
        fan.blows = Some(Blow { over: VesselIdx(i), speed: 1.0, draws_m3_s: 0.01 });
        s.actuators.extend([
            light,
            fan,
            actuator(&format!("flow_{}a", i + 1), K::Circulation, 20.0, Some(i), Some(120.0)),
            actuator(&format!("flow_{}b", i + 1), K::Circulation, 20.0, Some(i), Some(120.0)),
        ]);
        s.sensors.push(sensor(&format!("temp_{}", i + 1), SensorKind::Ds18b20, Some(i), Some(150.0)));
        s.sensors.push(sensor(&format!("high_{}", i + 1), float(325.0, 330.0), Some(i), None));
    }
    s.sensors.push(sensor("sump_low", float(100.0, 140.0), Some(3), None));
    s.sensors.push(sensor("sump_level", float(245.0, 250.0), Some(3), None));
    s
}

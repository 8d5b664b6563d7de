//! `tidewright water`.

use crate::harness::Bench;

/// The reference water of the issue tracker's shape: standard seawater in near equilibrium with the air.
const REFERENCE: [&str; 9] = [
    "water",
    "--temperature",
    "25degC",
    "--salinity",
    "35",
    "--alkalinity",
    "2300 umol/kg",
    "--dic",
    "2000 umol/kg",
];

fn near(value: &serde_json::Value, wanted: f64, tolerance: f64) {
    let value = value.as_f64().expect("a number");
    assert!((value - wanted).abs() <= tolerance, "{value} is not {wanted} within {tolerance}");
}

#[test]
fn json_has_every_documented_field() {
    let bench = Bench::new("water-json");
    let run = bench.run(&[&REFERENCE[..], &["--format", "json"]].concat());
    let water = run.ends_with(0).json("tidewright.water");
    near(&water["salinity"], 35.0, 1e-12);
    // EOS-80 check value: 1023.343 at S 35, 25 degC, 0 dbar (UNESCO technical papers in marine science 44).
    near(&water["density_kg_per_m3"], 1023.343, 0.01);
    // PSS-78 by definition: C(35, 15 degC, 0) = 42.914 mS/cm; at 25 degC 53.0 (UNESCO 37).
    near(&water["conductivity_ms_per_cm"], 53.0, 0.1);
    // tests/reference/seawater_specific_gravity.csv
    near(&water["specific_gravity_25_25"], 1.0264, 1e-4);
    // Millero, Perron & Desnoyers 1973: 3.9937 kJ/(kg K) near 25 degC, S 35; 0.2 % between sources.
    near(&water["heat_capacity_j_per_kg_k"], 3994.0, 8.0);
    // Garcia & Gordon 1992 (Benson & Krause data): 206.3 to 206.8 umol/kg.
    near(&water["oxygen_saturation_umol_per_kg"], 206.5, 0.5);
    // tests/reference/co2_grid.csv: pH 8.046 (total), pCO2 near 397 uatm, aragonite 3.38.
    near(&water["ph_total"], 8.046, 0.002);
    near(&water["ph_nbs"], 8.18, 0.02);
    near(&water["pco2_uatm"], 397.0, 4.0);
    near(&water["omega_aragonite"], 3.38, 0.05);
}

#[test]
fn text_is_a_table() {
    Bench::new("water-text").run(&REFERENCE).ends_with(0).matches("water-text");
}

#[test]
fn every_measure_of_salt_gives_the_same_water() {
    let bench = Bench::new("water-salt");
    for salt in [
        ["--conductivity", "53.0710320487 mS/cm"],
        ["--specific-gravity", "1.0263727089"],
        ["--hydrometer", "1.0263727089"],
    ] {
        let run = bench.run(&[&["water", "--temperature", "25degC", "--format", "json"][..], &salt].concat());
        near(&run.ends_with(0).json("tidewright.water")["salinity"], 35.0, 1e-4);
    }
}

#[test]
fn every_pair_gives_the_same_carbonate_system() {
    let bench = Bench::new("water-pairs");
    let known = [
        ["--alkalinity", "2300 umol/kg"],
        ["--dic", "2000 umol/kg"],
        ["--ph-total", "8.045810840675685"],
        ["--pco2", "397.0339941888584 uatm"],
    ];
    for (i, first) in known.iter().enumerate() {
        for second in &known[i + 1..] {
            let salt = ["water", "--temperature", "77 degF", "--salinity", "35", "--format", "json"];
            let run = bench.run(&[&salt[..], &first[..], &second[..]].concat());
            let water = run.ends_with(0).json("tidewright.water");
            near(&water["alkalinity_umol_per_kg"], 2300.0, 1e-3);
            near(&water["dic_umol_per_kg"], 2000.0, 1e-3);
        }
    }
}

#[test]
fn us_units_and_a_warning() {
    let run = Bench::new("water-us").run(&[
        "water",
        "--temperature",
        "78 degF",
        "--specific-gravity",
        "1.0264",
        "--alkalinity",
        "14 dKH",
        "--ph",
        "9.9",
        "--units",
        "us",
    ]);
    run.ends_with(1).matches("water-us-precipitates");
}

#[test]
fn mistakes_are_told() {
    let bench = Bench::new("water-mistakes");
    let with = |more: &[&str]| bench.run(&[&["water", "--temperature", "25degC"][..], more].concat());
    with(&["--salinity", "35", "--ph", "8.2"]).ends_with(2).matches("water-one-of-a-pair");
    with(&["--salinity", "300"]).ends_with(2).matches("water-impossible-salinity");
    with(&[]).ends_with(2);
    with(&["--salinity", "35", "--conductivity", "53 mS/cm"]).ends_with(2);
    bench.run(&["water", "--temperature", "25", "--salinity", "35"]).ends_with(2).matches("water-no-unit");
    with(&["--salinity", "35", "--pco2", "400", "--ph", "8"]).ends_with(2).matches("water-pco2-no-unit");
}

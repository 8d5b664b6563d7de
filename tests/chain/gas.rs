//! Oxygen, carbon and limewater through the chain.

use checks::{Row, Table, assert_abs, assert_rel};
use seawater::carbonate::{BoronRatio, Constants, Known};
use seawater::density::density_kg_per_m3;
use system::model::{Corner, TruthKind};
use twin::Plan;

use crate::rig::{HOUR, LITRE, Rig, actuator, corner, room, system, vessel, vessel_of};

/// Temperature factor of gas exchange for each kelvin, ASCE/EWRI 2-06 (tests/reference/gas_transfer_step.csv).
const THETA: f64 = 1.024;

/// Hours from 95 % of saturation until the oxygen falls to 4 and to 2 mg/L (none: not within `most` hours), and where it then is.
type Depletion = (Option<f64>, Option<f64>, f64);

/// Five exchanges side by side at one demand: the demand and the exchange are corners of one plan.
fn depletions(demand: f64, exchanges: [f64; 5], most: f64) -> [Depletion; 5] {
    // A hundred litres at 26 °C in a room of 26 °C: 100 mg/h are 1 mg/L/h; 100 L/h exchanged are 1/h at 25 °C.
    let text = room(26.0, 10.0)
        + "[water]\ntemperature = \"26 degC\"\nsalinity = 35\n\
           [livestock]\nvessel = \"tank\"\nother = \"100 mg/h\"\ncritical = \"0.001 mg/L\"\n"
        + &vessel("tank", [500.0, 500.0, 450.0], 0.0, 400.0, "")
            .replace("still_exchange = \"0 L/h\"", "still_exchange = \"100 L/h\"");
    let system = system(&text);
    let plan = Plan::new(&system);
    let corners = exchanges.map(|kla| Corner {
        respiration: demand,
        gas_exchange: kla / THETA,
        wall_loss: 0.0,
        ..corner()
    });
    let mut rig: Rig<'_, 5> = Rig::new(&plan, &corners.each_ref().map(Some));
    let oxygen = TruthKind::Oxygen(vessel_of(&system, "tank"));
    let mut last = rig.twin.truth(oxygen);
    let start = 0.95 * last[0];
    let mut times = [[None::<f64>; 3]; 5];
    while rig.twin.time_s() < (most + 3.0) * HOUR {
        rig.scan();
        let now = rig.twin.truth(oxygen);
        for l in 0..5 {
            for (slot, mark) in times[l].iter_mut().zip([start, 4.0, 2.0]) {
                if slot.is_none() && now[l] <= mark {
                    let share = (last[l] - mark) / (last[l] - now[l]);
                    *slot = Some((rig.twin.time_s() - 10.0 * (1.0 - share)) / HOUR);
                }
            }
        }
        last = now;
    }
    core::array::from_fn(|l| {
        let [begin, four, two] = times[l];
        let since = |t: Option<f64>| t.zip(begin).map(|(t, b)| t - b);
        (since(four), since(two), last[l])
    })
}

/// tests/reference/o2_depletion.csv: `dC/dt = kLa (C* - C) - R`. MANIFEST.csv: rel 1e-6 given C*; the chain's C* is Garcia & Gordon by
/// another route and agrees to 1e-5; its slow step of 10 s takes the demand after the exchange, as if C* were lower by the demand of
/// one step. A time that hangs on a small difference (R near kLa (C* - C)) sees such a shift magnified by kLa t / (R - kLa (C* - C)).
#[test]
fn oxygen_runs_out_in_the_tables_hours() {
    let table = Table::load("o2_depletion");
    let rows: Vec<Row<'_>> = table.rows().collect();
    for five in rows.chunks(5) {
        let demand = five[0].f64("R_mg_L_h");
        assert!(five.iter().all(|row| row.f64("R_mg_L_h") == demand));
        let exchanges = core::array::from_fn(|i| five[i].f64("kLa_per_h"));
        let longest = (five.iter().flat_map(|row| [row.f64("h_to_4mg_L"), row.f64("h_to_2mg_L")]))
            .filter(|h| h.is_finite())
            .fold(0.0, f64::max);
        let got = depletions(demand, exchanges, longest + 1.0);
        for (row, (four, two, _)) in five.iter().zip(got) {
            for (time, column, mark) in [(four, "h_to_4mg_L", 4.0), (two, "h_to_2mg_L", 2.0)] {
                let want = row.f64(column);
                if want.is_infinite() {
                    assert_eq!(time, None, "{} {column}", row.place());
                    continue;
                }
                let (kla, saturation) = (row.f64("kLa_per_h"), row.f64("Csat_mg_L"));
                let shift = demand * 10.0 / HOUR + 1e-5 * saturation;
                let rate = demand - kla * (saturation - mark);
                let tolerance = 2e-4 + shift * kla * want / rate;
                assert_abs(time.unwrap_or(f64::NAN), want, tolerance, &format!("{} {column}", row.place()));
            }
        }
    }
}

/// The table's last column: where a tank settles whose exchange carries its demand, `C* - R/kLa`, less the demand of one slow step
/// (see above). After fifteen time constants of the slowest row.
#[test]
fn oxygen_settles_where_exchange_meets_demand() {
    let table = Table::load("o2_depletion");
    for row in table.rows().filter(|row| row.f64("Css_mg_L") > 0.1 && row.f64("kLa_per_h") >= 0.1) {
        let kla = row.f64("kLa_per_h");
        let got = depletions(row.f64("R_mg_L_h"), [kla; 5], 150.0);
        let step = row.f64("R_mg_L_h") * 10.0 / HOUR;
        assert_abs(got[0].2, row.f64("Css_mg_L") - step, 1e-4, &row.place());
    }
}

/// tests/reference/co2_open_equilibrium.csv: water of given alkalinity comes to the table's pH under room air of given CO2, from
/// far above it. MANIFEST.csv: pH abs 0.002; constants are taken anew every ten minutes, at a temperature that stands still here.
#[test]
fn open_water_comes_to_equilibrium_with_the_room() {
    for row in Table::load("co2_open_equilibrium").rows() {
        let (celsius, salinity) = (row.f64("T_C"), row.f64("S_pss78"));
        let alkalinity = row.f64("TA_umol_kg") * 1e-6 * density_kg_per_m3(salinity, celsius);
        // The table's CO2 is that over the water, the file's that of dry air.
        let wet = seawater::vapour::wet_partial_pressure_uatm(
            1.0,
            seawater::STANDARD_ATMOSPHERE_PA,
            salinity,
            celsius,
        );
        let text = room(celsius, 10.0)
            .replace("co2 = \"420 ppm\"", &format!("co2 = \"{} ppm\"", row.f64("pCO2_uatm") / wet))
            + &format!(
                "[water]\ntemperature = \"{celsius} degC\"\nsalinity = {salinity}\nalkalinity = \"{alkalinity} meq/L\"\nph = 8.6\n"
            )
            + &vessel("tank", [500.0, 500.0, 450.0], 0.0, 400.0, "")
                .replace("still_exchange = \"0 L/h\"", "still_exchange = \"1500 L/h\"");
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
        rig.run(24.0 * HOUR);
        let ph = rig.twin.truth(TruthKind::Ph(vessel_of(&system, "tank")))[0];
        assert_abs(ph, row.f64("pH_nbs"), 0.002, &row.place());
    }
}

/// Alkalinity, µmol/kg, and pH of the tank that the limewater goes into: both from the table's undosed row.
const START_TA: f64 = 2800.0;
const START_PH_NBS: f64 = 8.18654243;

/// A tank of `litres` with its water as given, above it limewater of the table and a metering pump.
fn limed_tank(
    litres: f64,
    salinity: f64,
    alkalinity_meq_l: f64,
    ph_nbs: f64,
    dose_l: f64,
) -> (f64, f64, f64, f64) {
    // Ten minutes for the dose, whatever it is.
    let text = room(25.0, 1.0)
        + &format!(
            "[water]\ntemperature = \"25 degC\"\nsalinity = {salinity}\nalkalinity = \"{alkalinity_meq_l} meq/L\"\n\
             calcium = \"421.8 mg/L\"\nph = {ph_nbs}\n"
        )
        + &vessel("tank", [1000.0, 1000.0, 600.0], 0.0, litres, "")
        + &vessel(
            "lime",
            [500.0, 500.0, 400.0],
            800.0,
            350.0,
            "role = \"lime\"\nholds = { limewater = \"40.6 meq/L\" }\n",
        )
        + &actuator("pump", "dosing_pump", "")
        + &format!(
            "[[passage]]\nname = \"line\"\nkind = \"line\"\nfrom = \"lime\"\nto = \"tank\"\npump = \"pump\"\n\
             flow = \"{} L/h\"\noutlet = \"650 mm\"\noccludes = true\n",
            6.0 * dose_l
        );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&Corner { wall_loss: 0.0, ..corner() })]);
    rig.on("pump");
    rig.run(600.0);
    rig.off("pump");
    // Equilibrium constants follow salinity every ten minutes.
    rig.run(1200.0);
    let v = vessel_of(&system, "tank");
    let truth = |what| rig.twin.truth(what)[0];
    let s = truth(TruthKind::Salinity(v));
    let ta = truth(TruthKind::Alkalinity(v)) * 1e6 / density_kg_per_m3(s, rig.temperature("tank"));
    (s, ta, truth(TruthKind::Ph(v)), rig.volume("tank") / LITRE)
}

fn check_lime(row: Row<'_>, (s, ta, ph, _): (f64, f64, f64, f64)) {
    assert_abs(s, row.f64("S_pss78"), 1e-3, &row.place());
    assert_rel(ta, row.f64("TA_umol_kg"), 1e-4, &row.place());
    assert_abs(ph, row.f64("pH_nbs"), 0.005, &row.place());
    // DIC by the pair that the chain shows: pH within 0.005 leaves it uncertain by 0.3 %.
    let constants = Constants::at(s, 25.0, BoronRatio::default());
    let carbonate =
        constants.solve(Known::Alkalinity(ta), Known::PhNbs(ph), 1.0).expect("a pair of sea water");
    assert_rel(carbonate.dic_umol_per_kg, row.f64("DIC_umol_kg"), 3e-3, &row.place());
}

/// tests/reference/limewater_dosing.csv, overfill: the dose comes on top. MANIFEST.csv: TA rel 1e-4, pH abs 0.005.
#[test]
fn a_dose_of_limewater_on_top() {
    let table = Table::load("limewater_dosing");
    for row in table.rows_where("mode", "overfill").into_iter().filter(|row| row.f64("dose_L") > 0.0) {
        let litres = row.f64("tank_L");
        let alkalinity = START_TA * 1e-6 * density_kg_per_m3(35.0, 25.0);
        check_lime(row, limed_tank(litres, 35.0, alkalinity, START_PH_NBS, row.f64("dose_L")));
    }
}

/// tests/reference/limewater_dosing.csv, replace: the tank starts short of the dose by evaporation (the same salt, alkalinity and carbon
/// in less water) and ends full.
#[test]
fn a_dose_of_limewater_for_what_evaporated() {
    let table = Table::load("limewater_dosing");
    for row in table.rows_where("mode", "replace").into_iter().filter(|row| row.f64("dose_L") > 0.0) {
        let (litres, dose) = (row.f64("tank_L"), row.f64("dose_L"));
        let mass = litres * LITRE * density_kg_per_m3(35.0, 25.0);
        let left = mass - dose * LITRE * density_kg_per_m3(0.0, 25.0);
        let thick = mass / left;
        let salinity = 35.0 * thick;
        let rho = density_kg_per_m3(salinity, 25.0);
        let (ta, dic) = (START_TA * thick, row.f64("DIC0_umol_kg") * thick);
        let constants = Constants::at(salinity, 25.0, BoronRatio::default());
        let ph =
            constants.solve(Known::Alkalinity(ta), Known::Dic(dic), 1.0).expect("a pair of sea water").ph_nbs;
        let got = limed_tank(left / rho / LITRE, salinity, ta * 1e-6 * rho, ph, dose);
        check_lime(row, got);
        // Volumes add in the chain; sea and fresh water contract by 0.02 % of the fresh part at most.
        assert_rel(got.3, litres, 1e-4, &row.place());
    }
}

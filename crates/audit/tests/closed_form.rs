//! Reference tables through the audit: small systems written as text, answers against outside values.

mod common;

use checks::{Table, assert_abs, assert_rel};
use common::{audit_text, has};
use system::Level;

fn climate(temperature: f64, humidity: f64) -> String {
    format!(
        "[[climate]]\nname = \"room\"\nday = \"{temperature} degC\"\nnight = \"{temperature} degC\"\nhumidity = {humidity}\nco2 = \"420 ppm\"\n"
    )
}

/// tests/reference/pump_operating_point.csv: fluids 1.3.1 and scipy, rel 1e-3.
#[test]
fn pump_operating_point() {
    for row in Table::load("pump_operating_point").rows() {
        let static_head = row.f64("Hstatic_m");
        let text = format!(
            "[system]\nname = \"t\"\n[water]\ntemperature = \"25 degC\"\nsalinity = 35\n\
             [[vessel]]\nname = \"sump\"\nrole = \"sump\"\ninside = [\"1 m\", \"1 m\", \"1 m\"]\nlevel = \"500 mm\"\n\
             [[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"1 m\", \"1 m\", \"1 m\"]\nfloor = \"{} m\"\nlevel = \"200 mm\"\n\
             [[passage]]\nname = \"return\"\nkind = \"pumped\"\nfrom = \"sump\"\nto = \"display\"\npump = \"pump\"\nhead0 = \"{} m\"\nflow0 = \"{} L/h\"\n\
             bore = \"{} mm\"\nlength = \"{} m\"\nfittings_k = {}\noutlet = \"500 mm\"\n\
             [[actuator]]\nname = \"pump\"\nkind = \"pump\"\npower = \"20 W\"\nalways = true\n",
            static_head,
            row.f64("H0_m"),
            row.f64("Q0_L_h"),
            row.f64("D_mm"),
            row.f64("L_m"),
            row.f64("K_sum"),
        );
        let audit = audit_text(&text);
        let pump = &audit.facts.pumps[0];
        assert_rel(pump.static_head_m, static_head, 1e-9, &row.place());
        let want = row.f64("Q_L_h");
        if want > 0.0 {
            assert_rel(pump.flow_l_h, want, 1e-3, &row.place());
            assert_rel(pump.head_m, row.f64("H_m"), 1e-3, &row.place());
        } else {
            assert_eq!(pump.flow_l_h, 0.0, "{}", row.place());
            assert!(has(&audit, "pump-too-weak", Level::Error));
        }
    }
}

/// tests/reference/heater_sizing.csv: walls by ht, half the ASHRAE evaporation, RH 50 %; rel 5 %.
#[test]
fn heater_sizing() {
    for row in Table::load("heater_sizing").rows() {
        let (length, width, height) = (row.f64("L_m"), row.f64("W_m"), row.f64("H_m"));
        let text = format!(
            "[system]\nname = \"t\"\n[water]\ntemperature = \"{} degC\"\nsalinity = 35\n{}\
             [[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"{length} m\", \"{width} m\", \"{height} m\"]\n\
             wall = {{ thickness = \"{} mm\", material = \"{}\" }}\nlevel = \"{height} m\"\nbottom_insulated = true\nevaporation = 0.5\n",
            row.f64("Tset_C"),
            climate(row.f64("Ta_C"), 0.5),
            row.f64("thickness_mm"),
            row.str("material"),
        );
        let audit = audit_text(&text);
        let fact = &audit.facts.climates[0];
        assert_rel(fact.heater_need_w, row.f64("q_total_W"), 0.05, &row.place());
        assert_rel(fact.latent_w, row.f64("q_evap_W"), 0.01, &row.place());
        assert_rel(audit.facts.evaporation[0].l_day, row.f64("evap_L_day"), 0.01, &row.place());
        assert!(has(&audit, "heater-too-small", Level::Error), "no heater at all");
    }
}

/// tests/reference/evaporation_ashrae.csv: the natatorium form, rel 1e-3 given the pressures (Hyland and Wexler here).
#[test]
fn evaporation() {
    for row in Table::load("evaporation_ashrae").rows() {
        // A room that is warmer than the water would warm it: the audit then evaporates at the settled temperature.
        if row.f64("Ta_C") >= row.f64("Tw_C") || row.f64("W_kg_m2_h") <= 0.0 {
            continue;
        }
        let text = format!(
            "[system]\nname = \"t\"\n[water]\ntemperature = \"{} degC\"\nsalinity = {}\n{}\
             [[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"1 m\", \"1 m\", \"1 m\"]\nlevel = \"500 mm\"\nevaporation = 1\nair_speed = \"{} m/s\"\n",
            row.f64("Tw_C"),
            row.f64("S_pss78"),
            climate(row.f64("Ta_C"), row.f64("RH_frac")),
            row.f64("V_m_s"),
        );
        let audit = audit_text(&text);
        assert_rel(audit.facts.evaporation[0].l_day, 24.0 * row.f64("W_kg_m2_h"), 2e-3, &row.place());
    }
}

/// tests/reference/o2_depletion.csv: exact solution from 95 % saturation at 26 °C; rel 1e-6 given C*, which is good to 1e-4 here.
#[test]
fn oxygen_depletion() {
    let mut n = 0;
    for row in Table::load("o2_depletion").rows() {
        let (demand, kla) = (row.f64("R_mg_L_h"), row.f64("kLa_per_h"));
        // The skimmer makes the running state settle at 95 %: kLa = R / (0.05 C*). Exchange is given for 25 °C.
        let warm = 1.024;
        let running = demand / (0.05 * row.f64("Csat_mg_L"));
        if running <= kla {
            continue;
        }
        let volume_l = 200.0;
        let text = format!(
            "[system]\nname = \"t\"\n[water]\ntemperature = \"26 degC\"\nsalinity = 35\n\
             [livestock]\nvessel = \"display\"\nfish = {{ mass = \"0.000001 g\", demand = \"1 mg/kg/h\" }}\ncoral = {{ area = \"0 cm2\", demand = \"1 umol/cm2/h\" }}\nother = \"{} mg/h\"\n\
             [[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"1 m\", \"500 mm\", \"600 mm\"]\nlevel = \"400 mm\"\nstill_exchange = \"{:.9} L/h\"\n\
             [[actuator]]\nname = \"skimmer\"\nkind = \"skimmer\"\npower = \"18 W\"\nalways = true\nvessel = \"display\"\nexchange = \"{:.9} L/h\"\n",
            demand * volume_l,
            kla / warm * volume_l,
            (running - kla) / warm * volume_l,
        );
        let audit = audit_text(&text);
        let still = audit.facts.oxygen.iter().find(|o| o.state == "still").expect("still");
        assert_rel(still.start_mg_l, row.f64("C0_mg_L"), 1e-3, &row.place());
        let want = row.f64("h_to_4mg_L");
        match still.hours_to_4 {
            Some(hours) => assert_rel(hours, want, 5e-3, &row.place()),
            None => assert!(want.is_infinite(), "{}", row.place()),
        }
        n += 1;
    }
    assert!(n > 10, "most rows have more exchange than the demand needs: {n}");
}

/// tests/reference/limewater_dosing.csv, overfill rows: PyCO2SYS 1.8.3.4; TA rel 1e-4 there, pH abs 0.005.
#[test]
fn limewater_overfill() {
    let table = Table::load("limewater_dosing");
    let mut n = 0;
    for row in table.rows_where("mode", "overfill") {
        let dose = row.f64("dose_L");
        if dose <= 0.0 || row.f64("tank_L") != 200.0 || row.f64("T_C") != 25.0 {
            continue;
        }
        // 2800 µmol/kg at 1.02334 kg/L (EOS-80, S = 35, 25 °C); pH total 8.05 is 8.18654 on the NBS scale, by the table.
        let text = format!(
            "[system]\nname = \"t\"\n[water]\ntemperature = \"25 degC\"\nsalinity = 35\nalkalinity = \"2.865355 meq/L\"\ncalcium = \"421.7 mg/L\"\nph = 8.186542\n\
             [[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"1 m\", \"500 mm\", \"600 mm\"]\nlevel = \"400 mm\"\n\
             [[vessel]]\nname = \"lime\"\nrole = \"lime\"\ninside = [\"200 mm\", \"100 mm\", \"1 m\"]\nlevel = \"{} mm\"\nholds = {{ limewater = \"{} meq/L\" }}\n\
             [[passage]]\nname = \"line\"\nkind = \"line\"\nfrom = \"lime\"\nto = \"display\"\npump = \"pump\"\nflow = \"1 L/h\"\noutlet = \"600 mm\"\noccludes = true\n\
             [[actuator]]\nname = \"pump\"\nkind = \"dosing_pump\"\npower = \"3 W\"\n",
            dose / 0.02,
            row.f64("limewater_meq_L"),
        );
        let audit = audit_text(&text);
        let fact = &audit.facts.dosing[0].unlimited;
        assert_rel(fact.volume_l, dose, 1e-6, &row.place());
        assert_abs(fact.salinity, row.f64("S_pss78"), 0.01, &row.place());
        assert_abs(fact.alkalinity_dkh, row.f64("TA_dKH"), 0.02, &row.place());
        assert_abs(fact.ph_nbs, row.f64("pH_nbs"), 0.01, &row.place());
        n += 1;
    }
    assert!(n >= 5, "{n} rows");
}

/// tests/reference/battery_runtime.csv: `t = C V eff DoD / P`, rel 1e-6.
#[test]
fn battery_runtime() {
    for row in Table::load("battery_runtime").rows() {
        let text = format!(
            "[system]\nname = \"t\"\n[[supply]]\nname = \"battery\"\nkind = \"battery\"\nvolts = \"{} V\"\ncapacity = \"{} Ah\"\nusable = {}\n\
             [[actuator]]\nname = \"load\"\nkind = \"circulation\"\npower = \"{} W\"\nsupply = \"battery\"\nalways = true\n",
            row.f64("V_nom"),
            row.f64("C20_Ah"),
            row.f64("efficiency") * row.f64("DoD"),
            row.f64("P_load_W"),
        );
        let audit = audit_text(&text);
        let hours = audit.facts.batteries[0].hours.expect("a load");
        assert_rel(hours, row.f64("t_energy_h"), 1e-6, &row.place());
    }
}

/// tests/reference/adc_resolution.csv, 10 bits: kelvin a count of a 10 mV/K sensor, exact.
#[test]
fn adc_resolution() {
    let mut n = 0;
    for row in Table::load("adc_resolution").rows_where("bits", "10") {
        let reference = row.f64("Vref_V");
        let text = format!(
            "[system]\nname = \"t\"\n[[board]]\nname = \"b\"\nchip = \"ATmega328P\"\n\
             [[sensor]]\nname = \"temp\"\nkind = \"tmp36\"\nreference = \"{reference} V\"\n\
             [[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"100 W\"\n\
             [[rule]]\ndrives = \"heater\"\nstart = \"temp < 25.2 degC\"\nstop = \"temp > 25.6 degC\"\nwhen_blind = \"off\"\n"
        );
        let audit = audit_text(&text);
        let fact = &audit.facts.deadbands[0];
        let step = row.f64("K_per_LSB_10mV_K");
        assert_rel(fact.step, step, 1e-9, &row.place());
        assert_abs(fact.band, 0.4, 1e-9, "band");
        assert_eq!(has(&audit, "deadband-below-resolution", Level::Error), step > 0.4, "{}", row.place());
        assert_eq!(has(&audit, "deadband-below-resolution", Level::Warning), step > 0.2, "{}", row.place());
        n += 1;
    }
    assert!(n >= 3);
}

/// A siphon needs only an outlet below the source's surface: both directions, volumes by hand.
#[test]
fn siphons_in_both_directions() {
    let system = |outlet: &str, reservoir_floor: &str| {
        format!(
            "[system]\nname = \"t\"\n\
             [[vessel]]\nname = \"sump\"\nrole = \"sump\"\ninside = [\"500 mm\", \"400 mm\", \"400 mm\"]\nlevel = \"200 mm\"\n\
             [[vessel]]\nname = \"reservoir\"\nrole = \"reservoir\"\ninside = [\"500 mm\", \"400 mm\", \"500 mm\"]\nfloor = \"{reservoir_floor}\"\nlevel = \"300 mm\"\n\
             [[passage]]\nname = \"line\"\nkind = \"line\"\nfrom = \"reservoir\"\nto = \"sump\"\npump = \"pump\"\nflow = \"10 L/h\"\nintake = \"0 mm\"\noutlet = \"{outlet}\"\n\
             [[actuator]]\nname = \"pump\"\nkind = \"pump\"\npower = \"5 W\"\n"
        )
    };
    // End at the rim (400 mm), reservoir on the floor (surface 300): nothing runs either way.
    assert!(audit_text(&system("400 mm", "0 mm")).facts.siphons.is_empty());
    // Reservoir raised by 250 mm: surface 550, falls to the end at 400: 150 mm x 0.2 m² = 30 L, into 40 L free.
    let raised = audit_text(&system("400 mm", "250 mm"));
    assert_abs(raised.facts.siphons[0].volume_l, 30.0, 1e-3, "forward");
    assert_eq!(raised.facts.siphons[0].from, "reservoir");
    assert!(has(&raised, "line-siphons", Level::Warning));
    // End under water at 100 mm, reservoir low: surface -100 + 300 = 200 is level with the sump: nothing; lower still runs back.
    let back = audit_text(&system("100 mm", "-300 mm"));
    // Surfaces 200 and 0 over equal areas: 100 mm each, down to the end at 100: 20 L.
    assert_abs(back.facts.siphons[0].volume_l, 20.0, 1e-2, "back");
    assert_eq!(back.facts.siphons[0].from, "sump");
}

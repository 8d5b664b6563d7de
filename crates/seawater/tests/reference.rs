//! Every equation against the reference tables. The source of each table stands in its first line and in
//! tests/reference/README.md; tolerances are those of MANIFEST.csv unless a comment says why not.

use checks::{Row, Table, assert_abs, assert_rel};
use seawater::density::{self, GravityScale, density_kg_per_m3};
use seawater::salinity::{self, conductivity_ms_per_cm, salinity_from_conductivity};
use seawater::{heat, oxygen, vapour};

/// ITS-90 from the IPTS-68 of the published tables.
fn t90(t68: f64) -> f64 {
    t68 / 1.000_24
}

/// UNESCO 44 pp. 9 and 14; rows at depth are left out, since this crate knows only the surface.
#[test]
fn pss78_published() {
    let table = Table::load("seawater_pss78_published");
    let mut n_checked = 0;
    for row in table.rows().filter(|row| row.f64("p_dbar") == 0.0) {
        let (ratio, t, s) = (row.f64("R_ratio"), t90(row.f64("t68_C")), row.f64("S_pss78"));
        match row.str("kind") {
            "S_from_R" => assert_abs(salinity::salinity_from_ratio(ratio, t), s, 2e-5, &row.place()),
            _ => assert_abs(salinity::ratio_from_salinity(s, t), ratio, 2e-6, &row.place()),
        }
        n_checked += 1;
    }
    assert_eq!(n_checked, 4);
}

/// gsw 3.6.23.
#[test]
fn conductivity_both_ways() {
    for row in Table::load("seawater_conductivity").rows() {
        let (s, t, c) = (row.f64("S_pss78"), row.f64("t90_C"), row.f64("C_mS_cm"));
        assert_rel(conductivity_ms_per_cm(s, t), c, 1e-5, &row.place());
        assert_rel(salinity_from_conductivity(c, t), s, 1e-5, &row.place());
        assert_rel(salinity::ratio_from_salinity(s, t), row.f64("R_ratio"), 1e-5, &row.place());
        let shown = salinity::compensated_to_25c(c, t, salinity::USUAL_COMPENSATION_PER_K);
        assert_rel(shown, row.f64("C25_lin2pct_mS_cm"), 1e-5, &row.place());
    }
}

/// seawater 3.3.5 (EOS-80), gsw 3.6.23 (TEOS-10), CoolProp 8.0.0.
#[test]
fn density_heat_capacity_and_transport() {
    for row in Table::load("seawater_properties").rows() {
        let (s, t) = (row.f64("S_pss78"), row.f64("t90_C"));
        let (rho, cp) = (density_kg_per_m3(s, t), heat::heat_capacity_j_per_kg_k(s, t));
        assert_abs(rho, row.f64("rho_eos80_kg_m3"), 1e-3, &row.place());
        assert_abs(rho, row.f64("rho_teos10_kg_m3"), 0.006, &row.place());
        assert_rel(cp, row.f64("cp_eos80_J_kgK"), 1e-5, &row.place());
        assert_rel(cp, row.f64("cp_teos10_J_kgK"), 1e-3, &row.place());
        let mu = heat::viscosity_pa_s(s, t);
        assert_rel(mu, row.f64("mu_sharqawy_Pa_s"), 1e-6, &row.place());
        assert_rel(mu, row.f64("mu_coolprop_mitsw_Pa_s"), 1e-2, &row.place());
        let k = heat::thermal_conductivity_w_per_m_k(s, t);
        assert_rel(k, row.f64("k_coolprop_mitsw_W_mK"), 1e-2, &row.place());
        // The manifest names no tolerance for expansion; EOS-80 and TEOS-10 agree in density, so in its slope to 1 %.
        assert_rel(density::thermal_expansion_per_k(s, t), row.f64("alpha_1_K"), 1e-2, &row.place());
    }
}

/// UNESCO 36/38 (from memory) and UNESCO 44 p. 37.
#[test]
fn eos80_published() {
    let mut n_checked = 0;
    for row in Table::load("seawater_eos_published").rows() {
        let (s, t, want) = (row.f64("S_pss78"), t90(row.f64("t68_C")), row.f64("value"));
        match row.str("quantity") {
            "rho_kg_m3" => assert_abs(density_kg_per_m3(s, t), want, 1e-5, &row.place()),
            "cp_J_kgK" => assert_abs(heat::heat_capacity_j_per_kg_k(s, t), want, 0.06, &row.place()),
            // The TEOS-10 rows: another equation of state, held to the tolerance between the two.
            "v_m3_kg_teos10" => assert_abs(density_kg_per_m3(s, t), 1.0 / want, 0.006, &row.place()),
            _ => assert_rel(heat::heat_capacity_j_per_kg_k(s, t), want, 1e-3, &row.place()),
        }
        n_checked += 1;
    }
    assert_eq!(n_checked, 16);
}

/// gsw 3.6.23 density ratios.
#[test]
fn specific_gravity_both_ways() {
    for row in Table::load("seawater_specific_gravity").rows() {
        let s = row.f64("S_pss78");
        for (column, scale) in [
            ("SG_25_25", GravityScale::AT_25_25),
            ("SG_20_20", GravityScale::AT_20_20),
            ("SG_60F_60F", GravityScale::AT_60F_60F),
            ("SG_20_4", GravityScale::AT_20_4),
            ("SG_25_4", GravityScale::AT_25_4),
        ] {
            let gravity = row.f64(column);
            assert_abs(density::specific_gravity(s, scale), gravity, 2e-5, &row.place());
            // 2e-5 in gravity is 0.027 in salinity.
            assert_abs(density::salinity_from_specific_gravity(gravity, scale), s, 0.027, &row.place());
        }
        for (column, t) in [("hydrometer25_at_20C", 20.0), ("hydrometer25_at_30C", 30.0)] {
            let reading = row.f64(column);
            let scale = GravityScale::AT_25_25;
            assert_abs(density::hydrometer_reading(s, scale, t), reading, 2e-5, &row.place());
            assert_abs(density::salinity_from_hydrometer(reading, scale, t), s, 0.027, &row.place());
        }
        assert_abs(density_kg_per_m3(s, 25.0), row.f64("rho25_kg_m3"), 0.006, &row.place());
    }
}

/// gsw 3.6.23, seawater 3.3.5 and the APHA formula.
#[test]
fn oxygen_solubility() {
    for row in Table::load("o2_solubility").rows() {
        let (s, t) = (row.f64("S_pss78"), row.f64("t90_C"));
        let place = row.place();
        assert_rel(oxygen::saturation_umol_per_kg(s, t), row.f64("gg92_umol_kg"), 1e-8, &place);
        let mg_per_l = oxygen::saturation_mg_per_l(s, t);
        assert_rel(mg_per_l, row.f64("gg92_mg_L"), 5e-4, &place);
        let weiss = oxygen::saturation_weiss_ml_per_l(s, t);
        assert_rel(weiss, row.f64("weiss1970_mL_L"), 5e-4, &place);
        let weiss_mg = weiss * oxygen::O2_G_PER_MOL / oxygen::O2_L_PER_MOL;
        assert_rel(weiss_mg, row.f64("weiss1970_mg_L"), 5e-4, &place);
        let apha = oxygen::saturation_at_pressure_mg_per_l(s, t, seawater::STANDARD_ATMOSPHERE_PA);
        assert_rel(apha, row.f64("bk84_mg_L"), 5e-4, &place);
        assert_rel(oxygen::vapour_pressure_green_carritt_pa(s, t), row.f64("pH2O_Pa"), 5e-4, &place);
        assert_rel(mg_per_l, apha, 1e-2, &place);
        assert_rel(weiss_mg, apha, 1e-2, &place);
    }
}

/// Garcia & Gordon 1992 check value; Wanninkhof 2014 and USGS/APHA from memory.
#[test]
fn oxygen_published() {
    let mut n_checked = 0;
    for row in Table::load("o2_published").rows() {
        let (s, t, want) = (row.f64("S_pss78"), row.f64("T_C"), row.f64("value"));
        let got = match (row.str("quantity"), row.str("basis")) {
            ("garcia_gordon_1992_umol_kg", "published") => oxygen::saturation_umol_per_kg(s, t90(t)),
            ("garcia_gordon_1992_umol_kg", _) => oxygen::saturation_umol_per_kg(s, t),
            ("schmidt_o2", _) => oxygen::schmidt_o2(t),
            ("schmidt_co2", _) => oxygen::schmidt_co2(t),
            ("freshwater_DO_mg_L", _) => oxygen::saturation_mg_per_l(s, t),
            (other, _) => panic!("no test for {other}"),
        };
        assert_rel(got, want, 1e-3, &row.place());
        n_checked += 1;
    }
    assert_eq!(n_checked, 6);
}

/// Benson & Krause 1984.
#[test]
fn oxygen_under_pressure() {
    for row in Table::load("o2_pressure").rows() {
        let pressure = row.f64("P_atm") * seawater::STANDARD_ATMOSPHERE_PA;
        let got = oxygen::saturation_at_pressure_mg_per_l(row.f64("S_pss78"), row.f64("t90_C"), pressure);
        assert_rel(got, row.f64("DO_mg_L"), 1e-4, &row.place());
    }
}

/// Wanninkhof 2014.
#[test]
fn schmidt_numbers() {
    for row in Table::load("schmidt_numbers").rows() {
        let t = row.f64("t_C");
        assert_rel(oxygen::schmidt_o2(t), row.f64("Sc_O2"), 1e-6, &row.place());
        assert_rel(oxygen::schmidt_co2(t), row.f64("Sc_CO2"), 1e-6, &row.place());
        assert_rel(oxygen::transfer_ratio_co2_to_o2(t), row.f64("kCO2_over_kO2_half"), 1e-6, &row.place());
    }
}

/// PsychroLib 2.5.0 (Hyland-Wexler), CoolProp 8.0.0 (IAPWS-95), gsw 3.6.23.
#[test]
fn vapour_over_salt_water() {
    for row in Table::load("psychro_water").rows() {
        let (t, place) = (row.f64("t_C"), row.place());
        assert_rel(vapour::saturation_pressure_pa(t), row.f64("psat_psychrolib_Pa"), 5e-4, &place);
        assert_rel(vapour::saturation_pressure_pa(t), row.f64("psat_coolprop_Pa"), 5e-4, &place);
        assert_abs(vapour::water_activity(35.0), row.f64("aw_teos10_S35"), 5e-4, &place);
        assert_abs(vapour::water_activity(35.0), row.f64("aw_greencarritt_S35"), 5e-4, &place);
        assert_rel(vapour::water_activity(35.0), row.f64("aw_weissprice_S35"), 1e-8, &place);
        // The pressure of Weiss & Price is another fit: 0.1 % apart from Hyland-Wexler.
        assert_rel(vapour::vapour_pressure_pa(35.0, t), row.f64("pH2O_weissprice_S35_Pa"), 2e-3, &place);
        // The manifest names no tolerance for latent heat; 0.05 % is what the doc comment claims.
        assert_rel(vapour::latent_heat_j_per_kg(t), row.f64("hfg_kJ_kg") * 1000.0, 5e-4, &place);
    }
}

/// Millero et al. 2008, Reference Composition.
#[test]
fn composition_per_kilogram_and_per_litre() {
    let table = Table::load("seawater_composition");
    let calcium: Row<'_> = table.rows_where("species", "Ca")[0];
    let mg_per_l =
        seawater::alkalinity::calcium_mg_per_l_from_umol_per_kg(calcium.f64("umol_kg_S35"), 35.0, 25.0);
    assert_rel(mg_per_l, calcium.f64("mg_L_S35_25C"), 1e-4, "calcium in mg/L");
    // Riley & Tongudai against the Reference Composition: two sources, 0.03 % apart.
    let natural = seawater::carbonate::natural_calcium_umol_per_kg(35.0);
    assert_rel(natural, calcium.f64("umol_kg_S35"), 5e-4, "calcium that goes with the salt");
}

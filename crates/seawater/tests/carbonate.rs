//! The carbonate system and limewater against PyCO2SYS, PHREEQC and published values (tests/reference), each pair
//! against the others, and the warm solver from every guess.

use checks::{Table, assert_abs, assert_rel};
use proptest::prelude::*;
use seawater::carbonate::{
    BoronRatio, Carbonate, CarbonateError, Constants, Known, natural_calcium_umol_per_kg,
};
use seawater::density::density_kg_per_m3;
use seawater::limewater::{self, Dosing, TankWater};

fn solved(s: f64, t: f64, first: Known, second: Known) -> Carbonate {
    Constants::at(s, t, BoronRatio::Uppstrom1974)
        .solve(first, second, natural_calcium_umol_per_kg(s))
        .expect("the reference tables hold only possible water")
}

/// PyCO2SYS 1.8.3.4. KW is the SOP form here, so the manifest's 1e-2 applies to it.
#[test]
fn constants() {
    for row in Table::load("co2_constants").rows() {
        let (s, t, place) = (row.f64("S_pss78"), row.f64("T_C"), row.place());
        let k = Constants::at(s, t, BoronRatio::Uppstrom1974);
        let lee = Constants::at(s, t, BoronRatio::Lee2010);
        for (column, got) in [
            ("K0_mol_kg_atm", k.k0),
            ("K1_mol_kg", k.k1),
            ("K2_mol_kg", k.k2),
            ("KB_mol_kg", k.kb),
            ("KS_free_mol_kg", k.ks),
            ("KF_mol_kg", k.kf),
            ("Ksp_arag_mol2_kg2", k.ksp_aragonite),
            ("Ksp_calc_mol2_kg2", k.ksp_calcite),
            ("TB_uppstrom_umol_kg", k.total_borate * 1e6),
            ("TB_lee_umol_kg", lee.total_borate * 1e6),
            ("TS_umol_kg", k.total_sulphate * 1e6),
            ("TF_umol_kg", k.total_fluoride * 1e6),
            ("TCa_umol_kg", natural_calcium_umol_per_kg(s)),
            ("fH", k.fh),
            ("fugacity_factor", k.fugacity_factor),
        ] {
            assert_rel(got, row.f64(column), 1e-5, &format!("{place} {column}"));
        }
        assert_rel(k.kw, row.f64("KW_mol2_kg2"), 1e-2, &place);
    }
}

/// Dickson, Sabine & Christian 2007, chapter 5; phosphate and silicate are not part of this model.
#[test]
fn published_constants() {
    let mut n_checked = 0;
    for row in Table::load("co2_published_checks").rows() {
        let (s, t) = (row.f64("S_pss78"), row.f64("T_C"));
        let k = Constants::at(s, t, BoronRatio::Uppstrom1974);
        let got = match row.str("quantity") {
            "ln_K0" => k.k0.ln(),
            "log10_K1" => k.k1.log10(),
            "log10_K2" => k.k2.log10(),
            "ln_KB" => k.kb.ln(),
            "ln_KW" | "ln_KW_SOP_form" => k.kw.ln(),
            "ln_KS_free" => k.ks.ln(),
            "ln_KF" => k.kf.ln(),
            "TS_umol_kg" => k.total_sulphate * 1e6,
            "TF_umol_kg" => k.total_fluoride * 1e6,
            "TB_umol_kg" => k.total_borate * 1e6,
            "TCa_umol_kg" => natural_calcium_umol_per_kg(s),
            _ => continue,
        };
        assert_abs(got, row.f64("value"), row.f64("tol_abs"), &row.place());
        n_checked += 1;
    }
    assert_eq!(n_checked, 12);
}

/// PyCO2SYS 1.8.3.4, both boron ratios.
#[test]
fn grid() {
    for row in Table::load("co2_grid").rows() {
        let (s, t, place) = (row.f64("S_pss78"), row.f64("T_C"), row.place());
        let boron = match row.str("boron") {
            "uppstrom1974" => BoronRatio::Uppstrom1974,
            _ => BoronRatio::Lee2010,
        };
        let pair = (Known::Alkalinity(row.f64("TA_umol_kg")), Known::Dic(row.f64("DIC_umol_kg")));
        let got = Constants::at(s, t, boron)
            .solve(pair.0, pair.1, natural_calcium_umol_per_kg(s))
            .expect("the grid holds only possible water");
        assert_abs(got.ph_total, row.f64("pH_total"), 0.002, &place);
        assert_abs(got.ph_free, row.f64("pH_free"), 0.002, &place);
        assert_abs(got.ph_nbs, row.f64("pH_nbs"), 0.002, &place);
        for (column, value) in [
            ("pCO2_uatm", got.pco2_uatm),
            ("fCO2_uatm", got.fco2_uatm),
            ("CO2_umol_kg", got.co2_umol_per_kg),
            ("HCO3_umol_kg", got.bicarbonate_umol_per_kg),
            ("CO3_umol_kg", got.carbonate_umol_per_kg),
            ("BOH4_umol_kg", got.borate_umol_per_kg),
            ("omega_aragonite", got.omega_aragonite),
            ("omega_calcite", got.omega_calcite),
        ] {
            assert_rel(value, row.f64(column), 5e-3, &format!("{place} {column}"));
        }
        // Hydroxide is KW over h, so it carries the manifest's 1e-2 of KW.
        assert_rel(got.hydroxide_umol_per_kg, row.f64("OH_umol_kg"), 1e-2, &place);
        let dkh = seawater::alkalinity::dkh_from_umol_per_kg(got.alkalinity_umol_per_kg, s, t);
        assert_rel(dkh, row.f64("TA_dKH"), 1e-5, &place);
    }
}

/// PyCO2SYS 1.8.3.4.
#[test]
fn water_in_equilibrium_with_air() {
    for row in Table::load("co2_open_equilibrium").rows() {
        let (s, t, place) = (row.f64("S_pss78"), row.f64("T_C"), row.place());
        let pair = (Known::Alkalinity(row.f64("TA_umol_kg")), Known::Pco2(row.f64("pCO2_uatm")));
        let got = solved(s, t, pair.0, pair.1);
        assert_abs(got.ph_total, row.f64("pH_total"), 0.002, &place);
        assert_abs(got.ph_nbs, row.f64("pH_nbs"), 0.002, &place);
        assert_rel(got.dic_umol_per_kg, row.f64("DIC_umol_kg"), 1e-3, &place);
        assert_rel(got.omega_aragonite, row.f64("omega_aragonite"), 5e-3, &place);
    }
}

/// PHREEQC, Lange's Handbook, a general solubility table, HJ 1147-2020, and values from memory.
#[test]
fn saturated_limewater() {
    const CALCIUM_HYDROXIDE_G_PER_MOL: f64 = 74.093;
    for row in Table::load("limewater_saturation").rows() {
        let (t, value, place) = (row.f64("T_C"), row.f64("value"), row.place());
        let litre_of_water_kg = density_kg_per_m3(0.0, t) / 1000.0;
        let strength = limewater::saturated_mol_per_l(t);
        match (row.str("quantity"), row.str("basis")) {
            ("saturated_pH", _) => assert_abs(limewater::saturated_ph(t), value, 0.02, &place),
            ("saturated_Ca_mmol_kgw", _) => {
                assert_rel(strength * 1000.0 / litre_of_water_kg, value, 0.08, &place);
            }
            ("saturated_Ca_mmol_L", _) => assert_rel(strength * 1000.0, value, 1e-12, &place),
            ("solubility_g_per_100g_water", _) => {
                let grams = strength * CALCIUM_HYDROXIDE_G_PER_MOL / litre_of_water_kg / 10.0;
                assert_rel(grams, value, 0.08, &place);
            }
            // Remembered values, of which no print was seen, run up to 10 % above the anchor of 20.3 mmol/L at 25 degC in
            // use here; the manifest's 8 % is the spread between sources, so they are held to the published table.
            ("solubility_g_per_100mL", "memory") => {
                let anchor = limewater::saturated_mol_per_l(25.0);
                let published = 0.159 / CALCIUM_HYDROXIDE_G_PER_MOL * 10.0;
                let grams = strength * published / anchor * CALCIUM_HYDROXIDE_G_PER_MOL / 10.0;
                assert_rel(grams, value, 0.08, &place);
            }
            (other, _) => panic!("no test for {other}"),
        }
    }
}

/// PyCO2SYS 1.8.3.4 with the densities of gsw 3.6.23.
#[test]
fn limewater_doses() {
    for row in Table::load("limewater_dosing").rows() {
        let (s, t, place) = (row.f64("S0_pss78"), row.f64("T_C"), row.place());
        let before = solved(s, t, Known::Alkalinity(row.f64("TA0_umol_kg")), Known::PhTotal(8.05));
        assert_rel(before.dic_umol_per_kg, row.f64("DIC0_umol_kg"), 1e-4, &place);
        let tank = TankWater {
            mass_kg: row.f64("tank_L") * density_kg_per_m3(s, t) / 1000.0,
            salinity: s,
            alkalinity_umol_per_kg: row.f64("TA0_umol_kg"),
            dic_umol_per_kg: row.f64("DIC0_umol_kg"),
            calcium_umol_per_kg: row.f64("Ca0_umol_kg"),
        };
        let dosing = match row.str("mode") {
            "replace" => Dosing::ReplacesEvaporation,
            _ => Dosing::Overfills,
        };
        let strength = row.f64("limewater_meq_L") / limewater::EQUIVALENTS_PER_MOL / 1000.0;
        let after = limewater::dosed(tank, row.f64("dose_L"), strength, t, dosing);
        assert_rel(after.salinity, row.f64("S_pss78"), 1e-4, &place);
        assert_rel(after.alkalinity_umol_per_kg, row.f64("TA_umol_kg"), 1e-4, &place);
        assert_rel(after.dic_umol_per_kg, row.f64("DIC_umol_kg"), 1e-4, &place);
        assert_rel(after.calcium_umol_per_kg, row.f64("Ca_umol_kg"), 1e-4, &place);

        let constants = Constants::at(after.salinity, t, BoronRatio::Uppstrom1974);
        let alkalinity = Known::Alkalinity(after.alkalinity_umol_per_kg);
        let closed = constants
            .solve(alkalinity, Known::Dic(after.dic_umol_per_kg), after.calcium_umol_per_kg)
            .expect("a possible water");
        assert_abs(closed.ph_total, row.f64("pH_total"), 0.005, &place);
        assert_abs(closed.ph_nbs, row.f64("pH_nbs"), 0.005, &place);
        assert_rel(closed.omega_aragonite, row.f64("omega_aragonite"), 5e-3, &place);
        let open = constants
            .solve(alkalinity, Known::Pco2(450.0), after.calcium_umol_per_kg)
            .expect("a possible water");
        assert_abs(open.ph_total, row.f64("pH_total_open450"), 0.005, &place);
        assert_rel(open.omega_aragonite, row.f64("omega_aragonite_open450"), 5e-3, &place);
        let dkh = seawater::alkalinity::dkh_from_umol_per_kg(after.alkalinity_umol_per_kg, after.salinity, t);
        assert_rel(dkh, row.f64("TA_dKH"), 1e-4, &place);
    }
}

/// PHREEQC with Pitzer activities: another model altogether, for the change of pH alone.
#[test]
fn limewater_doses_by_another_model() {
    let before = solved(35.0, 25.0, Known::Alkalinity(2800.0), Known::PhTotal(8.05));
    for row in Table::load("limewater_phreeqc_crosscheck").rows() {
        let alkalinity = Known::Alkalinity(row.f64("TA_umol_kg"));
        let after = solved(35.0, 25.0, alkalinity, Known::Dic(before.dic_umol_per_kg));
        let change = after.ph_total - before.ph_total;
        assert_abs(change, row.f64("dpH_phreeqc"), 0.012, &row.place());
        // The two forms of KW, 0.8 % apart, show once hydroxide carries the alkalinity: log10(1.008) = 0.0035.
        assert_abs(change, row.f64("dpH_pyco2sys"), 0.005, &row.place());
    }
}

#[test]
fn contradictions_are_named() {
    let k = Constants::at(35.0, 25.0, BoronRatio::Uppstrom1974);
    let solve = |first, second| k.solve(first, second, 10_000.0);
    assert_eq!(solve(Known::Dic(2000.0), Known::Dic(2100.0)), Err(CarbonateError::SameTwice));
    assert_eq!(solve(Known::PhNbs(8.2), Known::PhTotal(8.0)), Err(CarbonateError::SameTwice));
    assert_eq!(solve(Known::Alkalinity(1.0), Known::Alkalinity(2.0)), Err(CarbonateError::SameTwice));
    assert_eq!(solve(Known::Pco2(400.0), Known::Pco2(500.0)), Err(CarbonateError::SameTwice));
    assert!(matches!(
        solve(Known::PhTotal(9.5), Known::Alkalinity(200.0)),
        Err(CarbonateError::PhTooHighForAlkalinity(least)) if least > 200.0
    ));
    assert!(matches!(
        solve(Known::Pco2(400_000.0), Known::Dic(2000.0)),
        Err(CarbonateError::Pco2TooHighForDic(co2)) if co2 > 2000.0
    ));
    for impossible in [
        Known::Alkalinity(f64::NAN),
        Known::Dic(0.0),
        Known::Dic(f64::INFINITY),
        Known::PhTotal(14.5),
        Known::Pco2(-1.0),
    ] {
        let other = if matches!(impossible, Known::Dic(_)) { Known::PhNbs(8.0) } else { Known::Dic(2000.0) };
        let error = solve(impossible, other).expect_err("impossible");
        assert!(matches!(error, CarbonateError::Impossible(_)) && !error.to_string().is_empty());
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever pair is known, the same water comes out.
    #[test]
    fn every_pair_gives_the_same_water(
        s in 5.0_f64..45.0,
        t in 2.0_f64..38.0,
        ta in 800.0_f64..6000.0,
        dic_share in 0.55_f64..1.02,
    ) {
        let k = Constants::at(s, t, BoronRatio::Uppstrom1974);
        let calcium = natural_calcium_umol_per_kg(s);
        let water = k.solve(Known::Alkalinity(ta), Known::Dic(ta * dic_share), calcium).expect("possible");
        prop_assert!((water.alkalinity_umol_per_kg / ta - 1.0).abs() < 1e-9);
        let knowns = [
            Known::Alkalinity(ta),
            Known::Dic(water.dic_umol_per_kg),
            Known::PhTotal(water.ph_total),
            Known::PhNbs(water.ph_nbs),
            Known::Pco2(water.pco2_uatm),
        ];
        for first in knowns {
            for second in knowns {
                match k.solve(first, second, calcium) {
                    Ok(again) => {
                        prop_assert!((again.ph_total - water.ph_total).abs() < 1e-8, "{first:?} {second:?}");
                        prop_assert!((again.dic_umol_per_kg / water.dic_umol_per_kg - 1.0).abs() < 1e-7);
                        prop_assert!((again.pco2_uatm / water.pco2_uatm - 1.0).abs() < 1e-7);
                        prop_assert!((again.alkalinity_umol_per_kg / ta - 1.0).abs() < 1e-7);
                    }
                    Err(error) => prop_assert_eq!(error, CarbonateError::SameTwice),
                }
            }
        }
    }

    /// From any guess to the same root, also for water no tank has; warm starts stay within rounding.
    #[test]
    fn the_solver_never_diverges(
        s in 0.0_f64..60.0,
        t in 0.0_f64..50.0,
        ta in -5000.0_f64..100_000.0,
        dic in 0.0_f64..100_000.0,
        guess in -400.0_f64..400.0,
    ) {
        let k = Constants::at(s, t, BoronRatio::Lee2010);
        let cold = k.ph_total_from(ta, dic, 8.0);
        prop_assert!(cold.is_finite());
        prop_assert!((k.ph_total_from(ta, dic, guess) - cold).abs() < 1e-9);
        prop_assert!((k.ph_total_from(ta, dic, f64::NAN) - cold).abs() < 1e-9);
    }

    /// More alkalinity raises pH; more carbon lowers it.
    #[test]
    fn ph_follows_alkalinity_and_carbon(
        s in 10.0_f64..45.0,
        t in 2.0_f64..38.0,
        ta in 1000.0_f64..5000.0,
        dic in 900.0_f64..5000.0,
    ) {
        let k = Constants::at(s, t, BoronRatio::Uppstrom1974);
        let ph = k.ph_total_from(ta, dic, 8.0);
        prop_assert!(k.ph_total_from(ta + 1.0, dic, ph) > ph);
        prop_assert!(k.ph_total_from(ta, dic + 1.0, ph) < ph);
    }

    /// The cheap pieces of the simulator's loop agree with the whole solution.
    #[test]
    fn cheap_pieces_agree_with_the_whole(ta in 1500.0_f64..5000.0, share in 0.7_f64..1.0, t in 15.0_f64..32.0) {
        let k = Constants::at(35.0, t, BoronRatio::Uppstrom1974);
        let dic = ta * share;
        let whole = k.solve(Known::Alkalinity(ta), Known::Dic(dic), 10_000.0).expect("possible");
        let h = k.hydrogen_from(ta, dic, 1e-8);
        let co2 = k.co2_umol_per_kg(dic, h);
        prop_assert!((co2 / whole.co2_umol_per_kg - 1.0).abs() < 1e-12);
        prop_assert!((k.pco2_uatm(co2) / whole.pco2_uatm - 1.0).abs() < 1e-12);
        prop_assert!((k.co2_at_pco2_umol_per_kg(whole.pco2_uatm) / co2 - 1.0).abs() < 1e-12);
        prop_assert!((k.omega_aragonite(10_000.0, dic, h) / whole.omega_aragonite - 1.0).abs() < 1e-12);
    }
}

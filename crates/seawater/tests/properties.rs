//! What must hold everywhere: inverses undo, properties rise or fall as they do in nature, nothing is ever NaN, and
//! an independent implementation agrees over the whole range.

use proptest::prelude::*;
use seawater::carbonate::{BoronRatio, Constants, Known};
use seawater::density::{self, GravityScale, density_kg_per_m3};
use seawater::salinity::{conductivity_ms_per_cm, salinity_from_conductivity};
use seawater::water::{SalinityBy, WaterError, WaterInput, WaterSummary};
use seawater::{heat, limewater, oxygen, validity, vapour};

const SCALES: [GravityScale; 5] = [
    GravityScale::AT_25_25,
    GravityScale::AT_20_20,
    GravityScale::AT_60F_60F,
    GravityScale::AT_20_4,
    GravityScale::AT_25_4,
];

/// Every plain function of salinity and temperature.
fn all_properties(s: f64, t: f64) -> Vec<f64> {
    let k = Constants::at(s, t, BoronRatio::Uppstrom1974);
    vec![
        conductivity_ms_per_cm(s, t),
        salinity_from_conductivity(s, t),
        density_kg_per_m3(s, t),
        density::thermal_expansion_per_k(s, t),
        density::specific_gravity(s, GravityScale::AT_25_25),
        density::salinity_from_density(990.0 + s, t),
        heat::heat_capacity_j_per_kg_k(s, t),
        heat::viscosity_pa_s(s, t),
        heat::thermal_conductivity_w_per_m_k(s, t),
        vapour::saturation_pressure_pa(t),
        vapour::vapour_pressure_pa(s, t),
        vapour::latent_heat_j_per_kg(t),
        vapour::wet_partial_pressure_uatm(420.0, 101_325.0, s, t),
        oxygen::saturation_umol_per_kg(s, t),
        oxygen::saturation_mg_per_l(s, t),
        oxygen::saturation_weiss_ml_per_l(s, t),
        oxygen::saturation_at_pressure_mg_per_l(s, t, 101_325.0),
        oxygen::saturation_at_pressure_mg_per_l(s, t, 0.0),
        oxygen::transfer_ratio_co2_to_o2(t),
        limewater::saturated_mol_per_l(t),
        limewater::saturated_ph(t),
        k.k0,
        k.k1,
        k.k2,
        k.kb,
        k.kw,
        k.ks,
        k.kf,
        k.ksp_aragonite,
        k.ksp_calcite,
        k.fugacity_factor,
        k.nbs_minus_total,
        k.free_minus_total,
        k.ph_total_from(2300.0, 2000.0, 8.0),
    ]
}

/// Nearly fresh water, where the extension's slope is not PSS-78's: every decade of salinity, and a case that random search found.
#[test]
fn the_conductivity_of_nearly_fresh_water_is_undone() {
    let decades =
        (-9..=0).flat_map(|power| [1.0, 2.9, 7.3].map(|digit| digit * libm::pow(10.0, f64::from(power))));
    for s in decades.chain([0.0, 0.0002902708877410829]) {
        for t in [0.0, 15.0, 29.51934300159993, 50.0] {
            let back = salinity_from_conductivity(conductivity_ms_per_cm(s, t), t);
            assert!((back - s).abs() < 1e-9, "conductivity at {s}, {t}: {back}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn nothing_is_nan_in_a_tank(s in 0.0_f64..60.0, t in 0.0_f64..50.0) {
        for (idx, value) in all_properties(s, t).into_iter().enumerate() {
            prop_assert!(value.is_finite(), "property {idx} at {s}, {t}: {value}");
        }
    }

    #[test]
    fn nothing_is_nan_anywhere_else(s in -1e6_f64..1e6, t in -1e6_f64..1e6) {
        for (idx, value) in all_properties(s, t).into_iter().enumerate() {
            prop_assert!(value.is_finite(), "property {idx} at {s}, {t}: {value}");
        }
    }

    #[test]
    fn inverses_undo(s in 0.0_f64..60.0, t in 0.0_f64..50.0) {
        let back = salinity_from_conductivity(conductivity_ms_per_cm(s, t), t);
        prop_assert!((back - s).abs() < 1e-9, "conductivity at {s}, {t}: {back}");
        for scale in SCALES {
            let back = density::salinity_from_specific_gravity(density::specific_gravity(s, scale), scale);
            prop_assert!((back - s).abs() < 1e-6, "{scale:?} at {s}: {back}");
            let reading = density::hydrometer_reading(s, scale, t);
            let back = density::salinity_from_hydrometer(reading, scale, t);
            prop_assert!((back - s).abs() < 1e-6, "{scale:?} at {s}, {t}: {back}");
        }
    }

    #[test]
    fn more_salt_is_denser_conducts_more_and_holds_less(s in 0.0_f64..50.0, t in 0.0_f64..40.0) {
        let more = s + 0.1;
        prop_assert!(conductivity_ms_per_cm(more, t) > conductivity_ms_per_cm(s, t));
        prop_assert!(density_kg_per_m3(more, t) > density_kg_per_m3(s, t));
        prop_assert!(heat::viscosity_pa_s(more, t) > heat::viscosity_pa_s(s, t));
        prop_assert!(oxygen::saturation_mg_per_l(more, t) < oxygen::saturation_mg_per_l(s, t));
        prop_assert!(vapour::vapour_pressure_pa(more, t) < vapour::vapour_pressure_pa(s, t));
    }

    #[test]
    fn warmer_conducts_more_flows_easier_and_holds_less(s in 2.0_f64..42.0, t in 5.0_f64..38.0) {
        let warmer = t + 0.1;
        prop_assert!(conductivity_ms_per_cm(s, warmer) > conductivity_ms_per_cm(s, t));
        prop_assert!(heat::viscosity_pa_s(s, warmer) < heat::viscosity_pa_s(s, t));
        prop_assert!(oxygen::saturation_mg_per_l(s, warmer) < oxygen::saturation_mg_per_l(s, t));
        prop_assert!(vapour::saturation_pressure_pa(warmer) > vapour::saturation_pressure_pa(t));
        prop_assert!(limewater::saturated_mol_per_l(warmer) <= limewater::saturated_mol_per_l(t));
        prop_assert!(limewater::saturated_ph(warmer) < limewater::saturated_ph(t) + 1e-12);
    }

    /// The crate `gsw` 0.2 (TEOS-10): PSS-78 with the same extension below S = 2.
    #[test]
    fn salinity_agrees_with_an_independent_implementation(s in 0.1_f64..42.0, t in 0.0_f64..35.0) {
        let theirs = gsw::practical_salinity::sp_from_c(conductivity_ms_per_cm(s, t), t, 0.0)
            .map_err(|error| TestCaseError::fail(format!("{error:?}")))?;
        prop_assert!((theirs - s).abs() < 1e-6, "{s}, {t}: {theirs}");
    }

    /// The crate `gsw` 0.2: its 75-term TEOS-10 density; the manifest's 0.006 kg/m³ between the equations of state.
    #[test]
    fn density_agrees_with_an_independent_implementation(s in 25.0_f64..40.0, t in 15.0_f64..32.0) {
        let failed = |error| TestCaseError::fail(format!("{error:?}"));
        let absolute = s * seawater::ABSOLUTE_PER_PRACTICAL;
        let conservative = gsw::conversions::ct_from_pt(absolute, t).map_err(failed)?;
        let theirs = gsw::volume::rho(absolute, conservative, 0.0).map_err(failed)?;
        prop_assert!((theirs - density_kg_per_m3(s, t)).abs() < 0.006, "{s}, {t}: {theirs}");
    }

    #[test]
    fn expansion_is_the_slope_of_density(s in 0.0_f64..42.0, t in 1.0_f64..39.0) {
        let step = 1e-3;
        let slope = (density_kg_per_m3(s, t + step) - density_kg_per_m3(s, t - step)) / (2.0 * step);
        let got = density::thermal_expansion_per_k(s, t);
        prop_assert!((got + slope / density_kg_per_m3(s, t)).abs() < 1e-9);
    }

    #[test]
    fn a_summary_is_the_same_however_the_salinity_is_known(s in 20.0_f64..42.0, t in 15.0_f64..32.0) {
        let input = |salinity| WaterInput {
            temperature_c: t,
            salinity,
            carbonate: Some((Known::Alkalinity(2500.0), Known::Dic(2200.0))),
            calcium_umol_per_kg: None,
            boron: BoronRatio::Uppstrom1974,
        };
        let plain = WaterSummary::of(&input(SalinityBy::Practical(s))).expect("possible");
        let scale = GravityScale::AT_25_25;
        for known in [
            SalinityBy::Conductivity(plain.conductivity_ms_per_cm),
            SalinityBy::SpecificGravity(plain.specific_gravity_25_25, scale),
            SalinityBy::Hydrometer(density::hydrometer_reading(s, scale, t), scale),
        ] {
            let other = WaterSummary::of(&input(known)).expect("possible");
            prop_assert!((other.salinity - s).abs() < 1e-6);
            prop_assert!((other.density_kg_per_m3 - plain.density_kg_per_m3).abs() < 1e-6);
        }
    }

    #[test]
    fn no_input_makes_a_summary_panic(
        t in any::<f64>(),
        reading in any::<f64>(),
        which in 0..4,
        first in any::<f64>(),
        second in any::<f64>(),
        calcium in any::<Option<f64>>(),
    ) {
        let scale = GravityScale::AT_20_4;
        let salinity = match which {
            0 => SalinityBy::Practical(reading),
            1 => SalinityBy::Conductivity(reading),
            2 => SalinityBy::SpecificGravity(reading, scale),
            _ => SalinityBy::Hydrometer(reading, scale),
        };
        let input = WaterInput {
            temperature_c: t,
            salinity,
            carbonate: Some((Known::Alkalinity(first), Known::PhNbs(second))),
            calcium_umol_per_kg: calcium,
            boron: BoronRatio::Lee2010,
        };
        if let Err(error) = WaterSummary::of(&input) {
            prop_assert!(!error.to_string().is_empty());
        }
    }
}

/// The example of the command line: S = 35, 25 degC, alkalinity 2300 and DIC 2000 µmol/kg. Values: tests/reference,
/// co2_grid (PyCO2SYS), seawater_properties (gsw, seawater), seawater_specific_gravity, o2_solubility.
#[test]
fn the_summary_of_the_usual_water() {
    let summary = WaterSummary::of(&WaterInput {
        temperature_c: 25.0,
        salinity: SalinityBy::Practical(35.0),
        carbonate: Some((Known::Alkalinity(2300.0), Known::Dic(2000.0))),
        calcium_umol_per_kg: None,
        boron: BoronRatio::Uppstrom1974,
    })
    .expect("possible");
    let carbonate = summary.carbonate.expect("a pair was given");
    checks::assert_abs(summary.density_kg_per_m3, 1023.3412, 1e-3, "density");
    checks::assert_rel(summary.conductivity_ms_per_cm, 53.071, 1e-5, "conductivity");
    checks::assert_abs(summary.specific_gravity_25_25, 1.02637, 2e-5, "specific gravity");
    checks::assert_rel(summary.heat_capacity_j_per_kg_k, 3998.98, 1e-3, "heat capacity");
    checks::assert_abs(carbonate.ph_total, 8.0459, 0.002, "pH total");
    checks::assert_abs(carbonate.ph_nbs, 8.1824, 0.002, "pH NBS");
    checks::assert_rel(carbonate.pco2_uatm, 396.9, 5e-3, "pCO2");
    checks::assert_rel(carbonate.omega_aragonite, 3.386, 5e-3, "omega");
    checks::assert_abs(summary.alkalinity_dkh.expect("a pair was given"), 6.60, 0.005, "dKH");
    assert!(summary.warnings.is_empty(), "{:?}", summary.warnings);
}

#[test]
fn warnings_and_errors_say_what_is_left() {
    let input = WaterInput {
        temperature_c: 37.0,
        salinity: SalinityBy::Practical(15.0),
        carbonate: Some((Known::Alkalinity(9000.0), Known::Dic(4000.0))),
        calcium_umol_per_kg: Some(20_000.0),
        boron: BoronRatio::Uppstrom1974,
    };
    let summary = WaterSummary::of(&input).expect("possible, if odd");
    assert!(summary.warnings.iter().any(|text| text.contains("Lueker")), "{:?}", summary.warnings);
    assert!(summary.warnings.iter().any(|text| text.contains("precipitates; outside the model")));
    let without = WaterSummary::of(&WaterInput { carbonate: None, ..input }).expect("possible");
    assert!(!without.warnings.iter().any(|text| text.contains("Lueker")));

    let hot = WaterInput { temperature_c: 78.0, ..input };
    assert_eq!(WaterSummary::of(&hot), Err(WaterError::Temperature(78.0)));
    let gravity = SalinityBy::SpecificGravity(1026.0, GravityScale::AT_25_25);
    assert_eq!(
        WaterSummary::of(&WaterInput { salinity: gravity, ..input }),
        Err(WaterError::Reading(1026.0))
    );
    assert_eq!(validity::ranges_left(35.0, 25.0).count(), 0);
    assert!(validity::ranges_left(45.0, 25.0).count() >= 4);
}

/// Fixed bits: the same on every machine, or something uses the platform's own mathematics.
#[test]
fn results_are_the_same_to_the_bit() {
    let digest = all_properties(33.3, 26.1).into_iter().fold(0xcbf2_9ce4_8422_2325_u64, |hash, value| {
        (hash ^ value.to_bits()).wrapping_mul(0x0100_0000_01b3)
    });
    assert_eq!(digest, 0x89da_ef47_8986_f9f0, "digest {digest:#018x}");
}

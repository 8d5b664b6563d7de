//! Water tests and dosing against molar masses of IUPAC, PyCO2SYS, gsw, the handbook's limewater table, and by hand.

use care::Estimate;
use care::water::Tank;
use care::water::change::{Correction, Manner, correction, mixed, new_water, settles_at, share_for};
use care::water::consumption::{Event, Test, consumption};
use care::water::dose::{DoseError, Stock, Wanted, grams, plan};
use care::water::ions::{Books, CALCIUM_PER_DKH, agreement_findings, balance};
use care::water::lime::{EVAPORATION_SPREAD, LimeDosing, plan as lime};
use care::water::log::Log;
use care::water::overview::overview;
use care::water::quantity::{Standing, Tested};
use care::water::salts::Salt;
use checks::{Table, assert_abs, assert_rel};

fn ids(findings: &[system::Diagnostic]) -> Vec<&'static str> {
    let mut ids: Vec<_> = findings.iter().map(|f| f.id).collect();
    ids.sort_unstable();
    ids
}

const REEF: Tank = Tank { volume_l: 415.0, salinity: 35.0, temperature_c: 25.4 };

/// IUPAC's abridged weights are rounded to five digits: 1e-4.
#[test]
fn molar_masses_of_iupac() {
    let table = Table::load("care/molar_masses");
    for salt in Salt::ALL {
        let row = table.rows_where("formula", salt.formula())[0];
        assert_rel(salt.g_per_mol(), row.f64("g_per_mol"), 1e-4, salt.formula());
        assert_eq!(Salt::of_name(salt.formula()), Some(salt));
        assert_eq!(Salt::of_name(&salt.name().replace(' ', "-").to_uppercase()), Some(salt));
    }
    assert_eq!(Salt::of_name("table salt"), None);
}

/// Every salt is neutral: what it adds has no charge.
#[test]
fn salts_are_neutral() {
    for salt in Salt::ALL {
        let mut books = Books::default();
        books.dose(salt, 100.0);
        assert_abs(books.charge_meq(), 0.0, 1e-9, salt.name());
    }
}

#[test]
fn doses_by_molar_mass() {
    for row in Table::load("care/doses").rows() {
        let tank =
            Tank { volume_l: row.f64("volume_L"), salinity: row.f64("S"), temperature_c: row.f64("t_C") };
        let salt = Salt::of_name(row.str("salt")).expect("a salt");
        let tested = Tested::of_name(row.str("quantity")).expect("a quantity");
        let got = grams(&tank, tested, row.f64("rise"), salt).expect("grams");
        assert_rel(got, row.f64("grams"), 2e-4, &row.place());
    }
}

/// tests/reference/care/dose_ph.csv, by PyCO2SYS; 0.003 as elsewhere for pH of NBS.
#[test]
fn ph_after_a_dose() {
    for row in Table::load("care/dose_ph").rows() {
        let tank = Tank { volume_l: 100.0, salinity: row.f64("S"), temperature_c: row.f64("t_C") };
        let now = row.f64("dkh");
        let wanted = Wanted {
            tested: Tested::Alkalinity,
            now,
            target: now + row.f64("rise_dkh"),
            use_per_day: 0.0,
            limit_per_day: Some(1.0),
        };
        let salt = Salt::of_name(row.str("salt")).expect("a salt");
        let made = plan(&tank, &wanted, salt, None, Some(row.f64("ph_nbs"))).expect("a plan");
        assert_eq!(made.days, 1);
        assert_abs(made.ph.expect("pH").1, row.f64("ph_after"), 0.003, &row.place());
    }
}

#[test]
fn a_plan_keeps_its_limit() {
    let wanted = Wanted {
        tested: Tested::Alkalinity,
        now: 6.6,
        target: 8.0,
        use_per_day: 0.5,
        limit_per_day: Some(0.5),
    };
    let made = plan(&REEF, &wanted, Salt::SodiumBicarbonate, Some(Stock { g_per_l: 80.0 }), Some(8.1))
        .expect("a plan");
    // 1.4 dKH in three days; by hand: 1 dKH = 20/56.0774 meq/L, times 415 L times 84.006 g/mol = 12.434 g.
    assert_eq!(made.days, 3);
    assert_abs(made.rise_per_day, 1.4 / 3.0, 1e-12, "a day");
    assert_abs(made.rise_g, 1.4 * 12.434, 0.01, "rise");
    assert_abs(made.hold_g_per_day, 0.5 * 12.434, 0.01, "hold");
    assert_abs(made.g_per_day, (1.4 / 3.0 + 0.5) * 12.434, 0.01, "a day");
    let (rise_ml, hold_ml) = made.ml_per_day.expect("a stock");
    assert_abs(rise_ml, made.g_per_day / 80.0 * 1000.0, 1e-9, "mL");
    assert_abs(hold_ml, made.hold_g_per_day / 80.0 * 1000.0, 1e-9, "mL");
    assert!(ids(&made.findings).is_empty(), "{:?}", made.findings);

    let of = |now: f64, target: f64, limit: f64, salt: Salt, stock: Option<f64>| {
        let wanted =
            Wanted { tested: Tested::Alkalinity, now, target, use_per_day: 0.5, limit_per_day: Some(limit) };
        let stock = stock.map(|g_per_l| Stock { g_per_l });
        ids(&plan(&REEF, &wanted, salt, stock, Some(8.3)).expect("a plan").findings)
    };
    assert_eq!(of(9.0, 8.0, 0.5, Salt::SodiumBicarbonate, None), ["dose-above-target"]);
    assert_eq!(of(9.0, 13.0, 0.5, Salt::SodiumBicarbonate, None), ["dose-target-unusual"]);
    assert_eq!(of(6.5, 8.0, 2.0, Salt::SodiumBicarbonate, None), ["dose-fast"]);
    assert_eq!(of(6.5, 8.0, 0.5, Salt::SodiumBicarbonate, Some(150.0)), ["stock-too-strong"]);
    assert_eq!(
        of(4.0, 12.0, 8.0, Salt::SodiumCarbonate, None),
        ["caution-salt", "dose-fast", "dose-precipitates"]
    );
}

#[test]
fn what_cannot_be_dosed_says_why() {
    let wanted = |tested| Wanted { tested, now: 5.0, target: 8.0, use_per_day: 0.0, limit_per_day: None };
    let of = |tested, salt| plan(&REEF, &wanted(tested), salt, None, None).map(|p| p.days);
    assert_eq!(of(Tested::Nitrate, Salt::SodiumBicarbonate), Err(DoseError::NotDosed(Tested::Nitrate)));
    assert_eq!(of(Tested::Salinity, Salt::SodiumBicarbonate), Err(DoseError::NotDosed(Tested::Salinity)));
    assert_eq!(
        of(Tested::Alkalinity, Salt::CalciumChloride),
        Err(DoseError::WrongSalt(Salt::CalciumChloride, Tested::Alkalinity))
    );
    assert_eq!(of(Tested::Alkalinity, Salt::CalciumHydroxide), Err(DoseError::LimeIsTopOff));
    let with = |now, use_per_day, limit_per_day, volume_l| {
        let wanted = Wanted { tested: Tested::Alkalinity, now, target: 8.0, use_per_day, limit_per_day };
        plan(&Tank { volume_l, ..REEF }, &wanted, Salt::SodiumBicarbonate, None, None).map(|p| p.days)
    };
    assert_eq!(with(f64::INFINITY, 0.0, None, 100.0), Err(DoseError::Impossible("value now", f64::INFINITY)));
    assert!(with(7.0, 0.0, Some(0.0), 100.0).is_err() && with(7.0, f64::NAN, None, 100.0).is_err());
    assert!(with(7.0, 0.0, None, -3.0).is_err() && with(7.0, 0.0, None, f64::NAN).is_err());
}

/// Doses are taken off: a tank that uses 0.5 dKH a day and gets most of it back by doses, a pump, and a water change between.
#[test]
fn consumption_is_found_behind_doses_and_changes() {
    let mut tests = vec![];
    let events = [
        Event::Dose { day: 2.5, raise: 1.2 },
        Event::Change { day: 6.2 },
        Event::Steady { from_day: 8.0, to_day: 30.0, per_day: 0.3 },
    ];
    for day in 0..14 {
        let day = f64::from(day);
        let dose = if day > 2.5 { 1.2 } else { 0.0 };
        let change = if day > 6.2 { -0.7 } else { 0.0 };
        tests.push(Test { day, value: 8.0 - 0.5 * day + dose + change + 0.3 * (day - 8.0).max(0.0) });
    }
    let found = consumption(Tested::Alkalinity, &tests, &events).expect("a line");
    assert_abs(found.per_day.value, 0.5, 1e-9, "use");
    assert_abs(found.now.value, tests[13].value, 1e-9, "now");
    // Exact tests: the interval is that of a home test's steps, 1.96 * 0.15 / sqrt(sxx), sxx = 28 + 28.
    assert_abs(found.per_day.half95, 1.959_964 * 0.15 / 56.0_f64.sqrt(), 1e-6, "interval");
    assert!(found.findings.is_empty(), "{:?}", found.findings);

    tests[9].value += 1.5;
    let off = consumption(Tested::Alkalinity, &tests, &events).expect("a line");
    assert_eq!((ids(&off.findings), off.outlier.map(|o| o.index)), (vec!["test-off-its-line"], Some(9)));
    assert!(consumption(Tested::Alkalinity, &tests[..1], &events).is_err());
    assert!(consumption(Tested::Alkalinity, &[], &[]).is_err());
    let rising: Vec<Test> =
        (0..6).map(|d| Test { day: f64::from(d), value: 7.0 + 0.4 * f64::from(d) }).collect();
    assert_eq!(
        ids(&consumption(Tested::Alkalinity, &rising, &[]).expect("a line").findings),
        ["consumption-negative"]
    );
    let flat: Vec<Test> = (0..4).map(|d| Test { day: f64::from(d), value: 8.0 }).collect();
    assert_eq!(
        ids(&consumption(Tested::Alkalinity, &flat, &[]).expect("a line").findings),
        ["consumption-uncertain"]
    );
    let bent: Vec<Test> = (0..16)
        .map(f64::from)
        .map(|d| Test { day: d, value: 9.0 - 0.1 * d - if d > 7.5 { 0.5 * (d - 7.5) } else { 0.0 } })
        .collect();
    assert!(
        ids(&consumption(Tested::Alkalinity, &bent, &[]).expect("a line").findings)
            .contains(&"consumption-changed")
    );
}

/// Over 500 simulated logs with a home test's scatter the interval holds the true use 90 to 99 of 100 times.
#[test]
fn the_interval_of_consumption_covers() {
    let mut state = 9_u64;
    let mut normal = || {
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    };
    let mut n_inside = 0;
    for _ in 0..500 {
        let tests: Vec<Test> = (0..8)
            .map(|k| Test { day: 2.0 * f64::from(k), value: 9.0 - 0.4 * 2.0 * f64::from(k) + 0.2 * normal() })
            .collect();
        let found = consumption(Tested::Alkalinity, &tests, &[Event::Change { day: 7.0 }]).expect("a line");
        n_inside += i32::from(!found.per_day.excludes(0.4));
    }
    assert!((450..=495).contains(&n_inside), "{n_inside} of 500");
}

/// tests/reference/limewater_dosing.csv, `replace`: MANIFEST.csv: pH abs 0.005.
#[test]
fn limewater_by_its_table() {
    for row in Table::load("limewater_dosing").rows_where("mode", "replace") {
        let tank = Tank { volume_l: row.f64("tank_L"), salinity: 35.0, temperature_c: 25.0 };
        let dosing = LimeDosing {
            evaporation_l_day: Estimate { value: 5.0, half95: 2.0 },
            saturation: 1.0,
            temperature_c: 25.0,
            use_dkh_day: 0.5,
            portion_l: row.f64("dose_L"),
            alkalinity_dkh: 8.034_103,
            calcium_mg_l: 421.8,
            ph_nbs: 8.186_542,
        };
        let made = lime(&tank, &dosing).expect("a plan");
        assert_abs(made.meq_per_l, row.f64("limewater_meq_L"), 1e-9, "strength");
        assert_abs(made.ph.expect("pH").1, row.f64("pH_nbs"), 0.006, &row.place());
    }
}

/// Harbour Lane: 415 L use 0.5 dKH a day, 4.7 L evaporate. By hand: 74 meq a day, 1.82 L of 40.6 meq/L.
#[test]
fn limewater_within_evaporation() {
    let dosing = LimeDosing {
        evaporation_l_day: Estimate { value: 4.7, half95: 4.7 * EVAPORATION_SPREAD },
        saturation: 1.0,
        temperature_c: 25.0,
        use_dkh_day: 0.5,
        portion_l: 0.003,
        alkalinity_dkh: 8.0,
        calcium_mg_l: 425.0,
        ph_nbs: 8.2,
    };
    let made = lime(&REEF, &dosing).expect("a plan");
    assert_abs(made.litres_day, 1.82, 0.005, "litres");
    assert_abs(made.most_dkh_day.value, 4.7 * 40.6 / 415.0 * 2.803_87, 1e-3, "most");
    assert_abs(made.rest_dkh_day, 0.0, 1e-12, "rest");
    assert_eq!(ids(&made.findings), ["caution-lime", "lime-too-much"]);
    let hungry = lime(&REEF, &LimeDosing { use_dkh_day: 2.0, portion_l: 9.0, ..dosing }).expect("a plan");
    assert_eq!(ids(&hungry.findings), ["caution-lime", "lime-not-enough", "lime-portion-large"]);
    assert_abs(hungry.rest_dkh_day, 2.0 - made.most_dkh_day.value, 1e-9, "rest");
    assert_eq!(lime(&REEF, &LimeDosing { saturation: 1.5, ..dosing }), None);
}

/// tests/reference/care/new_water.csv by gsw; EOS-80 against TEOS-10 differs by 6 g/m³: 1e-5.
#[test]
fn new_water_by_gsw() {
    for row in Table::load("care/new_water").rows() {
        let made = new_water(row.f64("litres"), row.f64("S"), row.f64("t_C"), 0.0).expect("possible");
        assert_rel(made.salt_kg, row.f64("salt_kg"), 1e-5, &row.place());
        assert_rel(made.fresh_kg, row.f64("fresh_kg"), 1e-5, &row.place());
    }
    assert_eq!(new_water(-1.0, 35.0, 25.0, 0.0), None);
}

proptest::proptest! {
    /// Salt is neither made nor lost: what a correction adds gives the wanted salinity.
    #[test]
    fn corrections_give_what_was_wanted(from in 5.0f64..45.0, to in 5.0f64..45.0, moisture in 0.0f64..0.2) {
        let now = new_water(100.0, from, 25.0, moisture).expect("possible");
        let mass = 100.0 * now.density_kg_l;
        let share = |s: f64| s * 35.165_04 / 35.0 / 1000.0;
        let (salt, water) = match correction(100.0, from, to, 25.0, moisture, true).expect("possible") {
            Correction::Salt(kg) => (mass * share(from) + kg * (1.0 - moisture), mass + kg),
            Correction::Fresh(kg) => (mass * share(from), mass + kg),
            Correction::Exchange(_) => unreachable!("it may grow"),
        };
        proptest::prop_assert!((salt / water - share(to)).abs() < 1e-12);
    }

    /// A change never overshoots the new water, and the share that is reckoned for a target reaches it.
    #[test]
    fn mixing_stays_between(now in 0.0f64..100.0, new in 0.0f64..100.0, share in 0.0f64..1.0) {
        for manner in [Manner::AtOnce, Manner::Steadily] {
            let after = mixed(now, new, share, manner);
            proptest::prop_assert!(after >= now.min(new) - 1e-9 && after <= now.max(new) + 1e-9);
            if (now - new).abs() > 1e-3 && share < 0.999 {
                let back = share_for(now, after, new, manner).expect("reached");
                proptest::prop_assert!((back - share).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn any_log_gives_a_use_or_a_reason(
        days in proptest::collection::vec((-10.0f64..100.0, 0.0f64..20.0), 0..20),
        changes in proptest::collection::vec(-10.0f64..100.0, 0..5),
    ) {
        let tests: Vec<Test> = days.iter().map(|(day, value)| Test { day: *day, value: *value }).collect();
        let events: Vec<Event> = changes.iter().map(|day| Event::Change { day: *day }).collect();
        if let Ok(found) = consumption(Tested::Alkalinity, &tests, &events) {
            proptest::prop_assert!(found.per_day.value.is_finite());
        }
    }
}

#[test]
fn changes_settle() {
    // 20 mg/L with 25 % of nitrate-free water: 15; the other way round 1 - e^-f.
    assert_abs(mixed(20.0, 0.0, 0.25, Manner::AtOnce), 15.0, 1e-12, "at once");
    assert_abs(mixed(20.0, 0.0, 0.25, Manner::Steadily), 20.0 * (-0.25_f64).exp(), 1e-12, "steadily");
    assert_eq!(share_for(20.0, 25.0, 0.0, Manner::AtOnce), None);
    // 0.5 mg/L a day and a tenth each week: 35 mg/L before each change. By the sum of the series.
    let mut c = 0.0;
    for _ in 0..400 {
        c = (c + 3.5) * 0.9;
    }
    assert_abs(settles_at(0.0, 0.5, 0.1, 7.0).expect("settles"), c + 3.5, 1e-9, "settles");
    assert_eq!(settles_at(0.0, 0.5, 0.0, 7.0), None);
}

/// A year of 0.5 dKH a day by bicarbonate and calcium chloride: what corals take and what is left behind is sodium chloride alone.
#[test]
fn what_is_left_behind_is_table_salt() {
    let mut books = Books::default();
    let per_day = grams(&REEF, Tested::Alkalinity, 0.5, Salt::SodiumBicarbonate).expect("grams");
    let calcium =
        grams(&REEF, Tested::Calcium, 0.5 * CALCIUM_PER_DKH, Salt::CalciumChlorideDihydrate).expect("grams");
    for _ in 0..365 {
        books.dose(Salt::SodiumBicarbonate, per_day);
        books.dose(Salt::CalciumChlorideDihydrate, calcium);
        books.calcified(0.5 / 2.803_87 * REEF.volume_l);
    }
    assert_abs(books.charge_meq(), 0.0, 1e-6, "charge");
    assert_abs(books.gained.calcium, 0.0, 0.1, "calcium");
    assert_abs(books.gained.sodium, books.gained.chloride, 0.1, "one chloride for each sodium");
    // By hand: 365 * 0.17832 mmol/L of NaCl at 58.44 g/mol is 3.80 g/L, over 1.0232 kg/L 3.72 g/kg, 3.70 of salinity.
    assert_abs(books.salinity_rise(&REEF), 3.70, 0.02, "salinity");
    // 40.078 / 2 / 2.80387: 7.147 mg/L of calcium for a dKH.
    assert_abs(CALCIUM_PER_DKH, 7.147, 0.001, "aragonite");
}

#[test]
fn tests_are_held_against_the_reckoning() {
    let exact = |value: f64| Estimate { value, half95: 0.02 * value };
    assert!(balance(exact(0.5), exact(3.6)).is_empty());
    assert_eq!(ids(&balance(exact(0.5), exact(6.0))), ["use-unbalanced"]);
    assert_eq!(ids(&balance(exact(0.5), exact(1.0))), ["use-unbalanced"]);
    assert!(balance(exact(0.5), Estimate { value: 6.0, half95: f64::INFINITY }).is_empty());
    let reckoned = Estimate { value: 8.0, half95: 0.2 };
    assert!(agreement_findings(Tested::Alkalinity, reckoned, 8.3).is_empty());
    assert_eq!(ids(&agreement_findings(Tested::Alkalinity, reckoned, 8.5)), ["test-disagrees"]);
}

/// tests/reference/seawater_composition.csv (mg/L at 25 °C) and comfort_envelope.csv.
#[test]
fn natural_values_and_aims() {
    let sea = Table::load("seawater_composition");
    let of = |t: Tested| t.natural(35.0, 25.0).expect("natural");
    assert_rel(of(Tested::Magnesium), sea.rows_where("species", "Mg")[0].f64("mg_L_S35_25C"), 1e-4, "Mg");
    // Calcium is Riley & Tongudai's, 0.03 % above the Reference Composition's.
    assert_rel(of(Tested::Calcium), sea.rows_where("species", "Ca")[0].f64("mg_L_S35_25C"), 4e-4, "Ca");
    assert_abs(of(Tested::Alkalinity), 6.61, 0.01, "alkalinity, handbook section 10");
    let aims = Table::load("comfort_envelope");
    for tested in Tested::ALL {
        let row = aims.rows_where("quantity", tested.name())[0];
        let aim = tested.aim();
        assert_eq!(aim.target, (row.f64("target_low"), row.f64("target_high")), "{}", tested.name());
        assert_eq!(aim.act, (row.f64("warn_low"), row.f64("warn_high")), "{}", tested.name());
    }
}

/// The same tank as by hand: 0.5 dKH a day, 12.434 g of bicarbonate (1 dKH in 415 L) on the fourth, 0.2 dKH a day by a pump from the sixth.
#[test]
fn a_log_as_people_keep_it() {
    let mut text = "date,what,value\n# a comment\n\n2026-11-04 12:00,dose sodium bicarbonate,12.434 g\n2026-11-06,daily alkalinity,0.2 dKH/day\n".to_owned();
    for day in 1..=10 {
        let d = f64::from(day);
        let value = 8.5 - 0.5 * d + if d > 4.0 { 1.0 } else { 0.0 } + 0.2 * (d - 6.0).max(0.0);
        text += &format!("2026-11-{day:02};alkalinity;{value:.4} dKH\n");
    }
    text += "2026-11-03,calcium,\"425\"\n2026-11-20,water change\n";
    let log = Log::read(&text).expect("a log");
    assert_eq!(log.tested(), [Tested::Alkalinity, Tested::Calcium]);
    let found = consumption(
        Tested::Alkalinity,
        &log.tests(Tested::Alkalinity),
        &log.events(Tested::Alkalinity, &REEF),
    )
    .expect("a line");
    assert_abs(found.per_day.value, 0.5, 2e-3, "use");
    assert_eq!(log.tests(Tested::Calcium).len(), 1);

    let wrong = "2026-13-01,alkalinity,8\n2026-11-01,alkalinity,8 mg/L\n2026-11-01,colour,blue\n2026-11-01,dose nitrate,3\n2026-11-01,dose sand,3 g\n2026-11-01,calcium,-4\nx\n2026-11-01 25:00,alkalinity,8\n2026-11-01,dose calcium chloride,lots\n";
    let mistakes = Log::read(wrong).expect_err("mistakes");
    assert_eq!(
        mistakes.iter().map(|m| m.line).collect::<Vec<_>>(),
        (1..=9).collect::<Vec<_>>(),
        "{mistakes:?}"
    );
}

proptest::proptest! {
    #[test]
    fn any_text_is_a_log_or_mistakes(text in "[0-9a-zA-Z,;:/ \\-\n.\u{e9}]{0,400}") {
        if let Err(mistakes) = Log::read(&text) {
            proptest::prop_assert!(mistakes.iter().all(|m| m.line > 0 && !m.message.is_empty()));
        }
    }
}

/// A log of eight falling tests (0.4 dKH a day) with a dose among them: the newest agrees, or not, with what those before it and the dose since give.
#[test]
fn an_overview_holds_the_newest_test_against_the_reckoning() {
    let log = |newest: &str| {
        let mut text: String = (0..7)
            .map(|day| format!("2026-11-{:02},alkalinity,{:.2}\n", day + 1, 9.0 - 0.4 * f64::from(day)))
            .collect();
        text += "2026-11-07 13:00,dose alkalinity,1 dKH\n";
        text += newest;
        Log::read(&text).expect("reads")
    };
    // By hand: 9.0 - 0.4 * 9 days + 1 = 6.4 on the tenth.
    let known = |log: &Log| overview(log, &REEF, 20_800.0).quantities.remove(0);
    let good = known(&log("2026-11-10,alkalinity,6.5\n"));
    let reckoned = good.reckoned.expect("something tells");
    assert_abs(reckoned.value, 6.4, 1e-9, "line, use and dose");
    assert!(reckoned.half95 > 0.0 && reckoned.half95 < 0.4 && good.disagrees.is_empty(), "{reckoned:?}");
    assert_eq!(ids(&known(&log("2026-11-10,alkalinity,7.4\n")).disagrees), ["test-disagrees"]);
    // After a water change nothing tells.
    assert!(known(&log("2026-11-08,water change\n2026-11-10,alkalinity,7.4\n")).reckoned.is_none());
    assert!(known(&log("")).reckoned.is_some());
    // The line stands at each test since the last change, with the dose put back.
    let fitted = good.used.expect("a use").fitted;
    assert_eq!(fitted.len(), 8);
    assert!(overview(&Log::default(), &REEF, 20_800.0).quantities.is_empty());
}

/// The same year of bicarbonate and calcium chloride as in `what_is_left_behind_is_table_salt`, from a log of doses a day.
#[test]
fn an_overview_says_how_salinity_creeps() {
    let soda = grams(&REEF, Tested::Alkalinity, 0.5, Salt::SodiumBicarbonate).expect("grams");
    let calcium =
        grams(&REEF, Tested::Calcium, 0.5 * CALCIUM_PER_DKH, Salt::CalciumChlorideDihydrate).expect("grams");
    let mut text = format!(
        "2026-01-01,daily sodium bicarbonate,{soda} g/day\n2026-01-01,daily calcium chloride dihydrate,{calcium} g/day\n"
    );
    for day in 1..=9 {
        text += &format!("2026-01-{:02},alkalinity,8.00\n", day * 3);
    }
    let log = Log::read(&text).expect("reads");
    let begun = log.first_dose().expect("a dose");
    let found = overview(&log, &REEF, begun + 100.0);
    assert_rel(found.salinity_rise_year.expect("a rise"), 3.70, 0.01, "salinity in a year");
    assert_eq!(overview(&log, &REEF, begun + 3.0).salinity_rise_year, None, "too early to tell");
}

#[test]
fn a_value_stands_to_its_aim() {
    let aim = Tested::Alkalinity.aim();
    let stands = [5.9, 6.5, 7.0, 10.0, 10.5, 12.1].map(|value| aim.standing(value));
    use Standing::{Above, Below, FarAbove, FarBelow, Within};
    assert_eq!(stands, [FarBelow, Below, Within, Within, Above, FarAbove]);
}

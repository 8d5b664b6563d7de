//! Units against outside values, what people really type, and what they get when it is wrong.

use proptest::prelude::*;
use units::{Kind, Problem, Quantity, UnitSystem, show, show_in};

fn read(text: &str) -> Quantity {
    Quantity::parse(text).unwrap_or_else(|error| panic!("`{text}`: {error}; {}", error.help()))
}

fn base(text: &str) -> f64 {
    read(text).value
}

/// Source: tests/reference/unit_conversions.csv (Pint 0.25.3 and molar masses), tolerance of the manifest 1e-6.
#[test]
fn factors_agree_with_the_reference_table() {
    let table = checks::Table::load("unit_conversions");
    let mut n_checked = 0;
    for row in table.rows() {
        let (from, to) = (row.str("unit_in"), row.str("unit_out"));
        let spelled = |unit: &str| match unit {
            "m3_s" => "m3/s".to_owned(),
            "L_h" => "L/h".to_owned(),
            "BTU_h" => "BTU/h".to_owned(),
            "meq_L" => "meq/L".to_owned(),
            "mg_L_CaCO3" => "mg/L CaCO3".to_owned(),
            other => other.to_owned(),
        };
        // Mass, gas volume and amount of oxygen are a matter of the substance, not of units.
        if row.str("name").starts_with("O2_") || row.str("name").starts_with("ideal_") {
            continue;
        }
        let quantity = read(&format!("{} {}", row.str("value_in"), spelled(from)));
        let got = quantity.in_unit(&spelled(to)).expect("both units are of one kind");
        let want = row.f64("value_out");
        assert!((got / want - 1.0).abs() < 1e-6, "{from} to {to}: {got} for {want}");
        n_checked += 1;
    }
    assert_eq!(n_checked, 13);
}

#[test]
fn what_people_type_is_read() {
    let cases: &[(&str, f64, Kind)] = &[
        ("380 L", 0.38, Kind::Volume),
        ("100 gal", 0.378_541_178_4, Kind::Volume),
        ("25.5 degC", 25.5, Kind::Temperature),
        ("25degC", 25.0, Kind::Temperature),
        ("25 °C", 25.0, Kind::Temperature),
        ("68 degF", 20.0, Kind::Temperature),
        ("-5 degC", -5.0, Kind::Temperature),
        ("12 mm", 0.012, Kind::Length),
        ("1/2 in", 0.0127, Kind::Length),
        ("1 1/2 in", 0.0381, Kind::Length),
        ("5 ft 3 in", 1.6002, Kind::Length),
        ("3 mL/min", 5e-8, Kind::Flow),
        ("300 L/h", 0.3 / 3600.0, Kind::Flow),
        ("1.82 L/day", 1.82e-3 / 86_400.0, Kind::Flow),
        ("0.2 K", 0.2, Kind::TemperatureDifference),
        ("0.9 degF difference", 0.5, Kind::TemperatureDifference),
        ("63 h", 226_800.0, Kind::Time),
        ("20s", 20.0, Kind::Time),
        ("3 min", 180.0, Kind::Time),
        ("1 h 30 min", 5400.0, Kind::Time),
        ("2 days", 172_800.0, Kind::Time),
        ("45 %", 0.45, Kind::Ratio),
        ("900 ppm", 9e-4, Kind::Ratio),
        ("2.80387 dKH", 1.0, Kind::AmountPerVolume),
        ("2300 umol/kg", 2.3e-3, Kind::AmountPerMass),
        ("2300 µmol/kg", 2.3e-3, Kind::AmountPerMass),
        ("425 mg/L", 425.0, Kind::Concentration),
        ("3500 cm2", 0.35, Kind::Area),
        ("3500 cm²", 0.35, Kind::Area),
        ("2 sq ft", 0.185_806_08, Kind::Area),
        ("1.70 MJ/K", 1.7e6, Kind::HeatCapacity),
        ("17 W/K", 17.0, Kind::HeatConductance),
        ("110 W", 110.0, Kind::Power),
        ("230 V", 230.0, Kind::Voltage),
        ("80 Ah", 288_000.0, Kind::Charge),
        ("53.07 mS/cm", 53.07, Kind::Conductivity),
        ("0.5 dKH/day", 0.5 / 2.803_87 / 86_400.0, Kind::AmountPerVolumeRate),
        ("0.6 mg/L/h", 0.6 / 3600.0, Kind::ConcentrationRate),
        ("0.6 mg/(L h)", 0.6 / 3600.0, Kind::ConcentrationRate),
        ("5.5 W/(m2 K)", 5.5, Kind::ThermalTransmittance),
        ("5.5 W/m²·K", 5.5, Kind::ThermalTransmittance),
        ("1.7 /h", 1.7 / 3600.0, Kind::PerTime),
        ("3 per day", 3.0 / 86_400.0, Kind::PerTime),
        ("8 mg per L", 8.0, Kind::Concentration),
        ("1.7 1/h", 1.7 / 3600.0, Kind::PerTime),
        ("420 uatm", 42.5565, Kind::Pressure),
        ("4.7 kohm", 4700.0, Kind::Resistance),
        ("1e3 mm", 1.0, Kind::Length),
    ];
    for (text, value, kind) in cases {
        let got = read(text);
        assert_eq!(got.kind, *kind, "{text}");
        assert!((got.value - value).abs() <= 1e-12 * value.abs(), "{text}: {} for {value}", got.value);
    }
}

#[test]
fn numbers_are_as_exact_as_literals() {
    assert_eq!(base("12 mm").to_bits(), 0.012_f64.to_bits());
    assert_eq!(base("900 mm").to_bits(), 0.9_f64.to_bits());
    assert_eq!(base("1153 mm").to_bits(), 1.153_f64.to_bits());
    assert_eq!(base("45 %").to_bits(), 0.45_f64.to_bits());
}

#[test]
fn plain_numbers_stand_only_where_asked_for() {
    assert_eq!(Quantity::parse_as("35", Kind::Salinity).map(|q| q.value), Ok(35.0));
    assert_eq!(Quantity::parse_as("8.4", Kind::Ph).map(|q| q.value), Ok(8.4));
    assert_eq!(Quantity::parse_as("1.0264", Kind::Ratio).map(|q| q.value), Ok(1.0264));
    assert_eq!(Quantity::parse("35").expect_err("no unit").problem, Problem::MissingUnit(None));
    let error = Quantity::parse_as(" 12", Kind::Length).expect_err("no unit");
    assert_eq!(error.problem, Problem::MissingUnit(Some(Kind::Length)));
    assert_eq!(error.span, 1..3);
}

#[test]
fn mistakes_say_where_what_and_the_cure() {
    let cases: &[(&str, Option<Kind>, &str, &str, &str)] = &[
        ("", None, "", "no quantity is written", "380 L"),
        ("abc", None, "abc", "no number stands here", "begin with a number"),
        ("12 m m", None, "m m", "`m m` is not a known unit", "did you mean"),
        ("12 litter", None, "litter", "not a known unit", "`liter`"),
        ("12 ML", None, "ML", "not a known unit", "`mL`"),
        ("25 C", None, "C", "not a known unit", "`degC`"),
        ("78 F", Some(Kind::Temperature), "F", "measures a capacitance", "`degF`"),
        ("0.4 degC", Some(Kind::TemperatureDifference), "degC", "this is a temperature difference", "`K`"),
        ("25 K", Some(Kind::Temperature), "K", "measures a temperature difference", "`degC`"),
        ("425 ppm", Some(Kind::Concentration), "ppm", "measures a ratio", "`mg/L`"),
        ("8 dKH", Some(Kind::AmountPerMass), "dKH", "amount per volume", "density"),
        ("1,5 L", None, ",", "a comma stands in the number", "point"),
        ("1/0 in", None, "0", "divides by nought", "1/2"),
        ("1e999 L", None, "1e999", "too large", "tank"),
        ("5 L 3 min", None, "3 min", "do not add up", "one kind"),
        ("20 h 5", None, "5", "unit of this time is missing", "`min`"),
    ];
    for (text, kind, place, message, help) in cases {
        let got = kind.map_or_else(|| Quantity::parse(text), |kind| Quantity::parse_as(text, kind));
        let error = got.expect_err(text);
        assert_eq!(&text[error.span.clone()], *place, "{text}");
        assert!(error.to_string().contains(message), "{text}: {error}");
        assert!(error.help().contains(help), "{text}: {}", error.help());
    }
}

#[test]
fn quantities_are_shown_in_the_unit_fit_for_their_size() {
    let cases: &[(&str, &str, &str)] = &[
        ("513 mm", "513 mm", "20.2 in"),
        ("1.2 m", "1.2 m", "47.24 in"),
        ("415 L", "415 L", "109.6 gal"),
        ("250 mL", "250 mL", "8.454 fl oz"),
        ("25.4 degC", "25.4 degC", "77.72 degF"),
        ("0.2 K", "0.2 K", "0.36 degF difference"),
        ("20 s", "20 s", "20 s"),
        ("180 s", "3 min", "3 min"),
        ("63 h", "63 h", "63 h"),
        ("2410 L/h", "2410 L/h", "636.7 gph"),
        ("1.82 L/day", "1.82 L/day", "61.54 fl oz/day"),
        ("45 %", "45 %", "45 %"),
        ("900 ppm", "900 ppm", "900 ppm"),
        ("500 W", "500 W", "500 W"),
        ("8 dKH", "8 dKH", "8 dKH"),
        ("0 mm", "0 mm", "0 in"),
        ("0 degC", "0 degC", "32 degF"),
        ("1.7 /h", "1.7 /h", "1.7 /h"),
        ("12345 W", "12.35 kW", "12345 W"),
    ];
    for (text, metric, us) in cases {
        assert_eq!(show(read(text), UnitSystem::Metric), *metric, "{text}");
        assert_eq!(show(read(text), UnitSystem::Us), *us, "{text}");
    }
    assert_eq!(Quantity::new(8.2, Kind::Ph).to_string(), "8.20");
    assert_eq!(Quantity::new(-0.001, Kind::Salinity).to_string(), "0.00");
    assert_eq!(show_in(read("1 gal"), "L").as_deref(), Some("3.785 L"));
    assert_eq!(show_in(read("1 gal"), "mm"), None);
}

fn any_kind() -> impl Strategy<Value = Kind> {
    prop::sample::select(&Kind::ALL[..])
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_reading_panic(text in any::<String>(), kind in any_kind()) {
        for result in [Quantity::parse(&text), Quantity::parse_as(&text, kind)] {
            match result {
                Ok(quantity) => prop_assert!(quantity.value.is_finite()),
                Err(error) => {
                    prop_assert!(text.get(error.span.clone()).is_some());
                    prop_assert!(!error.to_string().is_empty() && !error.help().is_empty());
                }
            }
        }
    }

    #[test]
    fn nearly_right_text_does_not_either(text in "[-+0-9 ./,eE]{0,8} ?[a-zA-Zµ°²/%() ]{0,8}[0-9 ]{0,3}") {
        if let Err(error) = Quantity::parse(&text) {
            prop_assert!(text.get(error.span.clone()).is_some());
        }
    }

    #[test]
    fn what_is_shown_is_read_back(
        kind in any_kind(),
        mantissa in -9.999_f64..9.999,
        exponent in -12_i32..12,
        us in any::<bool>(),
    ) {
        let value = mantissa * 10_f64.powi(exponent);
        let system = if us { UnitSystem::Us } else { UnitSystem::Metric };
        let text = show(Quantity::new(value, kind), system);
        let back = Quantity::parse_as(&text, kind);
        prop_assert!(back.is_ok(), "{text}: {back:?}");
        let back = back.expect("checked above").value;
        // Two decimals for salinity and pH; degF near its nought loses the digits that the offset takes.
        let slack = match kind {
            Kind::Salinity | Kind::Ph => 0.005,
            Kind::Temperature => 0.02,
            _ => 0.0,
        };
        prop_assert!((back - value).abs() <= value.abs() * 6e-4 + slack, "{value} {kind}: {text} is {back}");
    }

    #[test]
    fn every_unit_converts_both_ways(x in -1e9_f64..1e9) {
        for unit in Kind::ALL.into_iter().flat_map(Kind::units) {
            let back = unit.from_base(unit.to_base(x));
            prop_assert!((back - x).abs() <= 1e-12 * x.abs().max(100.0), "{}", unit.symbol);
            for spelling in unit.aliases() {
                prop_assert_eq!(units::unit(spelling).map(|found| found.symbol), Some(unit.symbol));
            }
        }
    }
}

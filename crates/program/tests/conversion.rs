//! Raw codes to values against the reference tables of `tests/reference`.
#![allow(clippy::unwrap_used)]

use checks::Table;
use program::calibration::{BufferReading, CalibrationError, Correction, Entry, Linear, PhElectrode};
use program::convert::*;
use program::quality::{Quality, Sample};

const REFERENCES: [(u16, &str, &str); 3] = [
    (5_000, "code_5V", "t_read_5V_C"),
    (3_300, "code_3V3", "t_read_3V3_C"),
    (1_100, "code_1V1", "t_read_1V1_C"),
];

fn ten_bits(reference_mv: u16) -> AdcScale {
    AdcScale { reference_mv, full_scale: 1_024 }
}

/// Source: `tmp36_adc.csv` (Analog Devices data sheet line, ideal 10-bit converter). Tolerance: half a m°C, the rounding.
#[test]
fn tmp36_reads_back_every_code() {
    let table = Table::load("tmp36_adc");
    for row in table.rows() {
        for (reference_mv, code, read) in REFERENCES {
            for n_samples in [1_u8, 4, 16] {
                let sum = row.f64(code) as i32 * i32::from(n_samples);
                let sample = tmp36(AdcSum { sum, n_samples }, ten_bits(reference_mv));
                assert_eq!(sample.quality, Quality::Good, "{}", row.place());
                let wanted = row.f64(read) * 1_000.0;
                assert!((f64::from(sample.value) - wanted).abs() <= 0.51, "{}: {sample:?}", row.place());
            }
        }
    }
}

/// Source: `adc_resolution.csv`: one count more is one step of the column `K_per_LSB_10mV_K`.
#[test]
fn tmp36_steps_are_the_converters() {
    for row in Table::load("adc_resolution").rows() {
        let counts = row.f64("counts");
        if counts > 4_096.0 {
            continue;
        }
        let scale = AdcScale {
            reference_mv: (row.f64("Vref_V") * 1_000.0).round() as u16,
            full_scale: counts as u16,
        };
        let code = (650.0 / f64::from(scale.reference_mv) * counts) as i32;
        let at = |sum| f64::from(tmp36(AdcSum { sum, n_samples: 1 }, scale).value);
        let step = (at(code + 100) - at(code)) / 100.0;
        assert!((step - row.f64("K_per_LSB_10mV_K") * 1_000.0).abs() <= 0.01, "{}: {step}", row.place());
    }
}

#[test]
fn a_converter_at_its_end_is_no_measurement() {
    let scale = ten_bits(5_000);
    for (sum, n_samples) in [(0, 1), (1_023, 1), (0, 16), (16_368, 16)] {
        assert_eq!(tmp36(AdcSum { sum, n_samples }, scale), Sample::BAD);
        assert_eq!(linear_voltage(AdcSum { sum, n_samples }, scale, 0, 1_000), Sample::BAD);
    }
    // 1.8 V would be 130 °C: beyond the part.
    assert_eq!(tmp36(AdcSum { sum: 369, n_samples: 1 }, scale), Sample::BAD);
}

/// Source: `ntc_beta.csv`, the inverse of the same code by the same beta. Tolerance: the table's straight pieces and
/// units cost less than half a count of the converter (35 to 50 m°C a count), and a tenth of what the beta form itself
/// is uncertain by.
#[test]
fn ntc_table_follows_the_beta_equation() {
    for row in Table::load("ntc_beta").rows() {
        for to_ground in [true, false] {
            let table = NtcTable::beta(row.f64("B_K"), 10_000.0, 10_000.0, to_ground);
            let code = row.f64("code_10bit") as i32;
            let sum = 16 * if to_ground { code } else { 1_024 - code };
            let sample = table.temperature(AdcSum { sum, n_samples: 16 }, ten_bits(5_000));
            let kelvin_a_count = {
                let ratio = row.f64("code_10bit") / 1_024.0;
                let per_kelvin = ratio * (1.0 - ratio) * row.f64("alpha_percent_per_K").abs() / 100.0;
                1.0 / 1_024.0 / per_kelvin
            };
            let tolerance = kelvin_a_count * 1_000.0 / 2.0;
            let off = f64::from(sample.value) - row.f64("t_read_C") * 1_000.0;
            assert!(off.abs() <= tolerance, "{}: {off} m°C", row.place());
        }
    }
    let table = NtcTable::beta(3_950.0, 10_000.0, 10_000.0, true);
    assert_eq!(table.temperature(AdcSum { sum: 5, n_samples: 1 }, ten_bits(5_000)), Sample::BAD);
    assert_eq!(table.temperature(AdcSum { sum: 1_020, n_samples: 1 }, ten_bits(5_000)), Sample::BAD);
}

/// Source: Maxim DS18B20 data sheet, table of temperature codes (from memory): 07D0 = 125, 0191 = 25.0625,
/// 00A2 = 10.125, FF5E = -10.125, FC90 = -55.
#[test]
fn ds18b20_codes() {
    for (code, milli) in
        [(0x07D0_i32, 125_000), (0x0191, 25_062), (0x00A2, 10_125), (0, 0), (-162, -10_125), (-880, -55_000)]
    {
        assert_eq!(ds18b20(code), Sample::good(milli));
    }
    assert_eq!(ds18b20(DS18B20_POWER_ON), Sample::BAD);
    assert_eq!(ds18b20(DS18B20_ABSENT), Sample::BAD);
    assert_eq!(ds18b20(-881), Sample::BAD);
}

/// Source: `ph_electrode.csv` (electrode equation with exact SI constants). A calibrated, compensated reading gives the
/// true pH; the uncalibrated one the table's last column. Tolerance: 1 milli-pH (the rounding is half).
#[test]
fn ph_of_an_electrode() {
    for row in Table::load("ph_electrode").rows() {
        let slope = (59_159.35 * row.f64("slope_percent") / 100.0).round() as u16;
        let electrode = PhElectrode {
            offset_uv: (row.f64("offset_mV") * 1_000.0).round() as i32,
            acid_slope_uv: slope,
            base_slope_uv: slope,
        };
        let electrode_uv = (row.f64("E_mV") * 1_000.0).round() as i32;
        let celsius = |column| Sample::good((row.f64(column) * 1_000.0).round() as i32);
        let true_ph = ph(electrode_uv, celsius("t_C"), &electrode);
        assert!((f64::from(true_ph.value) - row.f64("pH") * 1_000.0).abs() <= 1.0, "{}", row.place());
        let plain = ph(electrode_uv, celsius("t_assumed_C"), &PhElectrode::IDEAL);
        let wanted = row.f64("pH_read_uncalibrated") * 1_000.0;
        assert!((f64::from(plain.value) - wanted).abs() <= 1.0, "{}: {plain:?}", row.place());
    }
}

/// Source: `nernst_slope.csv`: the change of voltage for one pH at each temperature, in both directions.
#[test]
fn ph_slope_follows_temperature() {
    for row in Table::load("nernst_slope").rows() {
        let temperature = Sample::good((row.f64("t_C") * 1_000.0) as i32);
        let one_ph = (row.f64("slope_mV_per_pH") * 1_000.0).round() as i32;
        assert_eq!(ph(-one_ph, temperature, &PhElectrode::IDEAL), Sample::good(8_000), "{}", row.place());
        assert_eq!(ph(one_ph, temperature, &PhElectrode::IDEAL), Sample::good(6_000), "{}", row.place());
    }
}

#[test]
fn ph_without_a_temperature_is_uncertain() {
    let sample = ph(-70_991, Sample::BAD, &PhElectrode::IDEAL);
    assert_eq!(sample, Sample::uncertain(8_200));
    assert_eq!(ph(-500_000, Sample::good(25_000), &PhElectrode::IDEAL), Sample::BAD);
}

/// An amplifier of gain -5 about 2.5 V: the whole way from electrode to counts and back, within a count.
#[test]
fn ph_through_an_amplifier() {
    let amplifier = PhAmplifier { midpoint_mv: 2_500, gain_permille: -5_000 };
    let scale = ten_bits(5_000);
    let electrode_mv = -70.991;
    let counts = (2_500.0 - 5.0 * electrode_mv) / 5_000.0 * 1_024.0;
    let reading = AdcSum { sum: (counts * 16.0) as i32, n_samples: 16 };
    let microvolts = electrode_microvolts(reading, scale, amplifier).unwrap();
    assert!(
        (f64::from(microvolts) - electrode_mv * 1_000.0).abs()
            < 5_000.0 / 1_024.0 / 5.0 / 16.0 * 1_000.0 + 1.0
    );
}

/// Buffers by the electrode equation (`ph_electrode.csv`, 98 % and +5 mV at 26 °C): calibration finds slope and offset.
#[test]
fn ph_calibration_finds_the_electrode() {
    let buffer = |milli_ph: i32, slope_percent: f64, milli_celsius: i32| {
        let nernst = 59.159_349_7 * (f64::from(milli_celsius) / 1_000.0 + 273.15) / 298.15;
        let electrode_mv = 5.0 - slope_percent / 100.0 * nernst * (f64::from(milli_ph) / 1_000.0 - 7.0);
        BufferReading { milli_ph, electrode_uv: (electrode_mv * 1_000.0).round() as i32, milli_celsius }
    };
    let (neutral, base) = (buffer(7_000, 98.0, 26_000), buffer(10_010, 98.0, 26_000));
    let electrode = PhElectrode::from_two(&neutral, &base).unwrap();
    assert!((f64::from(electrode.base_slope_uv) - 59_159.35 * 0.98).abs() <= 2.0, "{electrode:?}");
    assert!((electrode.offset_uv - 5_000).abs() <= 2);
    let three = PhElectrode::from_three(&buffer(4_010, 95.0, 26_000), &neutral, &base).unwrap();
    assert!((f64::from(three.acid_slope_uv) - 59_159.35 * 0.95).abs() <= 2.0, "{three:?}");
    assert_eq!(PhElectrode::from_two(&neutral, &buffer(10_010, 80.0, 26_000)), Err(CalibrationError::Slope));
    assert_eq!(PhElectrode::from_two(&neutral, &neutral), Err(CalibrationError::PointsTooClose));
}

#[test]
fn linear_calibration() {
    assert_eq!(calibrated(Sample::good(25_300), &Linear::from_one(25_300, 25_000)), Sample::good(25_000));
    let two = Linear::from_two([1_000, 2_000], [1_100, 2_300]).unwrap();
    assert_eq!(calibrated(Sample::uncertain(1_500), &two), Sample::uncertain(1_700));
    assert_eq!(Linear::from_two([5, 5], [1, 2]), Err(CalibrationError::PointsTooClose));
    assert_eq!(Linear::from_two([0, 1_000], [0, 9_000]), Err(CalibrationError::Slope));
}

#[test]
fn entries_survive_eeprom_and_half_writes_do_not() {
    let electrode = PhElectrode { offset_uv: -4_320, acid_slope_uv: 57_000, base_slope_uv: 58_123 };
    for correction in [
        Correction::Linear(Linear { offset: -123_456, gain_ppm: 998_877 }),
        Correction::Ph(electrode),
        Correction::Parameter(50_000),
    ] {
        let entry = Entry { input: 3, sequence: 14, day: 9_345, correction };
        let bytes = entry.to_bytes();
        assert_eq!(Entry::from_bytes(&bytes), Some(entry));
        for at in 0..bytes.len() {
            let mut cut = bytes;
            cut[at..].fill(0xFF);
            assert!(cut == bytes || Entry::from_bytes(&cut).is_none());
        }
    }
    assert_eq!(Entry::from_bytes(&[0xFF; 14]), None);
    let make = |sequence| Entry { input: 0, sequence, day: 0, correction: Correction::Parameter(1) };
    assert!(make(0).is_later_than(&make(15)) && !make(15).is_later_than(&make(0)));
}

#[test]
fn flow_level_contact_and_age() {
    // 450 pulses a litre, 15 pulses in 1 s: 2 L/min.
    assert_eq!(pulse_flow(15, 450, 1_000), Sample::good(2_000));
    assert_eq!(pulse_flow(15, 0, 1_000), Sample::BAD);
    // 343.42 m/s at 20 °C: 1 ms is 171.71 mm.
    assert_eq!(ultrasonic(1_000, 400_000, Sample::good(20_000)), Sample::good(400_000 - 171_710));
    assert_eq!(ultrasonic(0, 400_000, Sample::good(20_000)), Sample::BAD);
    // 0.5 V to 4.5 V over 500 mm: 2.5 V is 250 mm.
    let half = AdcSum { sum: 512, n_samples: 1 };
    assert_eq!(linear_voltage(half, ten_bits(5_000), 500_000, 125_000), Sample::good(250_000));
    let warm = conductivity_at_25(Sample::good(53_060), Sample::good(26_000), 20_000);
    assert_eq!(warm, Sample::good(52_020));
    assert!(contact(true, false) && contact(false, true));
    let mut float = Debounce::new(false);
    for closed in [true, true, false, true, true] {
        float.sample(closed, 3);
        assert!(!float.is_closed);
    }
    float.sample(true, 3);
    assert!(float.is_closed);
    let mut aged = Aged::NONE;
    assert_eq!(aged.take(None, 1_000, 3_000), Sample::BAD);
    assert_eq!(aged.take(Some(Sample::good(5)), 1_000, 3_000), Sample::good(5));
    for _ in 0..3 {
        assert_eq!(aged.take(None, 1_000, 3_000), Sample::good(5));
    }
    assert_eq!(aged.take(None, 1_000, 3_000), Sample::BAD);
}

//! Copper: gauges, resistance, voltage drop.

use core::f64::consts::PI;

/// Resistivity of annealed copper at 20 °C, ohm m (100 % IACS: 58 MS/m, IEC 60028).
pub const RESISTIVITY: f64 = 1.0 / 58.0e6;
/// Its rise with temperature, 1/K.
pub const PER_KELVIN: f64 = 0.00393;
/// Cross-sections that are sold, mm² (IEC 60228, class 5).
pub const SECTIONS_MM2: [f64; 10] = [0.14, 0.25, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0];

/// Diameter of a gauge, mm (ASTM B258).
pub fn awg_diameter_mm(awg: u8) -> f64 {
    0.127 * 92f64.powf((36.0 - f64::from(awg)) / 39.0)
}

/// Cross-section of a gauge, mm².
pub fn awg_mm2(awg: u8) -> f64 {
    let d = awg_diameter_mm(awg);
    PI / 4.0 * d * d
}

/// The thinnest even gauge that has at least this cross-section, none thinner than AWG 26.
pub fn awg_of(mm2: f64) -> u8 {
    // What is sold as 0.75 mm² passes for AWG 18 (0.82 mm²) and the reverse: a tenth is within the trade's rounding.
    (6..=26).rev().step_by(2).find(|awg| awg_mm2(*awg) >= mm2 * 0.98).unwrap_or(6)
}

/// Resistance of a wire, ohm/m, at a temperature.
pub fn ohm_per_m(mm2: f64, celsius: f64) -> f64 {
    RESISTIVITY / (mm2 * 1e-6) * (1.0 + PER_KELVIN * (celsius - 20.0))
}

/// What is lost out and back over a one-way length, V.
pub fn drop_volts(mm2: f64, one_way_m: f64, amps: f64, celsius: f64) -> f64 {
    2.0 * one_way_m * ohm_per_m(mm2, celsius) * amps
}

/// The thinnest section sold that loses at most this, mm². None: none does.
pub fn section_for(amps: f64, one_way_m: f64, volts_lost: f64) -> Option<f64> {
    SECTIONS_MM2.into_iter().find(|mm2| drop_volts(*mm2, one_way_m, amps, 20.0) <= volts_lost)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/awg_copper.csv: ASTM B258 and wire tables.
    #[test]
    fn gauges_are_those_of_the_tables() {
        for row in checks::Table::load("awg_copper").rows() {
            let awg = row.f64("awg") as u8;
            checks::assert_rel(awg_diameter_mm(awg), row.f64("d_mm"), 1e-6, &row.place());
            checks::assert_rel(awg_mm2(awg), row.f64("area_mm2"), 1e-6, &row.place());
            let ohm = ohm_per_m(awg_mm2(awg), 20.0);
            checks::assert_rel(ohm, row.f64("R20_published_ohm_m"), 1e-3, &row.place());
            checks::assert_rel(ohm_per_m(awg_mm2(awg), 40.0), row.f64("R40_ohm_m"), 1e-4, &row.place());
        }
    }

    /// tests/reference/voltage_drop.csv.
    #[test]
    fn drops_are_those_of_ohms_law() {
        for row in checks::Table::load("voltage_drop").rows() {
            let mm2 = awg_mm2(row.f64("awg") as u8);
            let lost = drop_volts(mm2, row.f64("one_way_m"), row.f64("I_A"), 20.0);
            checks::assert_rel(lost, row.f64("drop_V"), 1e-6, &row.place());
            checks::assert_rel(
                100.0 * lost / row.f64("Vsupply_V"),
                row.f64("drop_percent"),
                1e-6,
                &row.place(),
            );
        }
    }

    #[test]
    fn a_section_is_chosen_by_its_loss() {
        // 5 A over 2 m at 12 V, 3 %: AWG 18 loses 3.5 % (handbook section 8), so 1.0 mm² it is.
        assert_eq!(section_for(5.0, 2.0, 0.36), Some(1.0));
        assert_eq!(section_for(500.0, 20.0, 0.1), None);
        assert_eq!(awg_of(0.75), 18);
        assert_eq!(awg_of(0.34), 20);
        assert_eq!(awg_of(0.1), 26);
    }
}

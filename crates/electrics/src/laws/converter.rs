//! The analogue converter: what one step is worth.

/// One step, V.
pub fn step_volts(reference: f64, bits: u8) -> f64 {
    reference / f64::from(1u32 << bits)
}

/// One step of a probe that gives so many volts for a unit, in that unit; `n_samples` summed divide it, where noise lets them.
pub fn step(reference: f64, bits: u8, volts_per_unit: f64, n_samples: u32) -> f64 {
    step_volts(reference, bits) / volts_per_unit / f64::from(n_samples.max(1)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/adc_resolution.csv.
    #[test]
    fn steps_are_those_of_the_table() {
        for row in checks::Table::load("adc_resolution").rows() {
            let (bits, reference) = (row.f64("bits") as u8, row.f64("Vref_V"));
            checks::assert_rel(step_volts(reference, bits) * 1e3, row.f64("LSB_mV"), 1e-6, &row.place());
            let kelvin = step(reference, bits, 0.010, 1);
            checks::assert_rel(kelvin, row.f64("K_per_LSB_10mV_K"), 1e-6, &row.place());
        }
    }
}

//! How long a battery lasts.

/// By energy, h: rated charge, voltage, what the converters pass on, share of the charge that is used, load.
pub fn hours_by_energy(amp_hours: f64, volts: f64, efficiency: f64, depth: f64, watts: f64) -> f64 {
    amp_hours * volts * efficiency * depth / watts
}

/// By Peukert, h: charge rated over `rated_hours` (20 h), exponent 1.1 to 1.25 for lead acid, near 1.0 for lithium; the share used.
pub fn hours_by_peukert(amp_hours: f64, rated_hours: f64, exponent: f64, depth: f64, amps: f64) -> f64 {
    rated_hours * (amp_hours / (amps * rated_hours)).powf(exponent) * depth
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/battery_runtime.csv.
    #[test]
    fn runtimes_are_those_of_the_table() {
        for row in checks::Table::load("battery_runtime").rows() {
            let (charge, watts) = (row.f64("C20_Ah"), row.f64("P_load_W"));
            let (efficiency, depth) = (row.f64("efficiency"), row.f64("DoD"));
            let energy = hours_by_energy(charge, row.f64("V_nom"), efficiency, depth, watts);
            checks::assert_rel(energy, row.f64("t_energy_h"), 1e-6, &row.place());
            let amps = watts / efficiency / row.f64("V_nom");
            checks::assert_rel(amps, row.f64("I_batt_A"), 1e-6, &row.place());
            let peukert = hours_by_peukert(charge, 20.0, 1.15, depth, amps);
            checks::assert_rel(peukert, row.f64("t_peukert_h"), 1e-6, &row.place());
        }
    }
}

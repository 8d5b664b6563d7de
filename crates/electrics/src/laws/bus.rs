//! Open-drain buses: pull-ups and rise time.

/// Speeds of I2C (NXP UM10204).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mode {
    /// 100 kHz.
    Standard,
    /// 400 kHz.
    Fast,
}

/// Rise from 0.3 to 0.7 of the supply, as a multiple of RC: ln(0.7/0.3) (UM10204).
pub const RISE: f64 = 0.8473;
/// Most capacitance of a bus, F (UM10204).
pub const MOST_CAPACITANCE: f64 = 400e-12;
/// What a driver surely sinks, A, and the voltage that it leaves, V (UM10204).
const SINK: f64 = 3e-3;
const LOW: f64 = 0.4;

impl Mode {
    /// The mode of a clock.
    pub fn of(clock_hz: f64) -> Self {
        if clock_hz > 100e3 { Mode::Fast } else { Mode::Standard }
    }
    /// Longest rise, s.
    pub fn longest_rise(self) -> f64 {
        match self {
            Mode::Standard => 1000e-9,
            Mode::Fast => 300e-9,
        }
    }
}

/// Rise time, s.
pub fn rise(ohm: f64, farad: f64) -> f64 {
    RISE * ohm * farad
}

/// Least and most pull-up, ohm; the least may be above the most, and then there is none.
pub fn window(mode: Mode, volts: f64, farad: f64) -> (f64, f64) {
    ((volts - LOW) / SINK, mode.longest_rise() / (RISE * farad))
}

/// Longest one-wire bus for a pull-up, m, with its parts counted: each adds a metre or so of weight.
///
/// A bit is sampled 15 µs after the falling edge (DS18B20 data sheet) and the master lets go after about 6: within 9 µs the line must
/// rise to 0.7 of the supply or so, ln(1/0.3) RC; cable 50 pF/m, a part 25 pF (assumed, the data sheet's input capacitance).
pub fn one_wire_longest(ohm: f64, n_parts: usize) -> f64 {
    const TIME: f64 = 9e-6;
    const PER_METRE: f64 = 50e-12;
    const PER_PART: f64 = 25e-12;
    let farad = TIME / (ohm * (1.0f64 / 0.3).ln());
    ((farad - n_parts as f64 * PER_PART) / PER_METRE).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/i2c_pullup.csv: NXP UM10204.
    #[test]
    fn windows_are_those_of_the_specification() {
        for row in checks::Table::load("i2c_pullup").rows() {
            let mode = if row.str("mode") == "fast" { Mode::Fast } else { Mode::Standard };
            let farad = row.f64("Cb_pF") * 1e-12;
            let (least, most) = window(mode, row.f64("VDD_V"), farad);
            checks::assert_rel(least, row.f64("Rp_min_ohm"), 1e-6, &row.place());
            checks::assert_rel(most, row.f64("Rp_max_ohm"), 1e-6, &row.place());
            checks::assert_rel(rise(4700.0, farad) * 1e9, row.f64("rise_4k7_ns"), 1e-6, &row.place());
            checks::assert_rel(rise(10e3, farad) * 1e9, row.f64("rise_10k_ns"), 1e-6, &row.place());
        }
    }

    /// Maxim's note on long one-wire networks calls 4.7 kohm fit for short ones of tens of metres (from memory).
    #[test]
    fn one_wire_of_some_ten_metres_works_with_the_usual_resistor() {
        let longest = one_wire_longest(4700.0, 3);
        assert!((20.0..60.0).contains(&longest), "{longest}");
        assert_eq!(one_wire_longest(1e6, 10), 0.0);
    }
}

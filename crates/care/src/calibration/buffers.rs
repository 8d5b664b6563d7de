//! pH of the usual buffers at their temperature.
//!
//! Primary standards of NIST and IUPAC: potassium hydrogen phthalate 0.05 mol/kg by the equation of Hetzer, Durst, Robinson & Bates
//! (1977, from the abstract); phosphate 1:1 0.025 mol/kg and borax 0.01 mol/kg by HJ 1147-2020, annex (second-hand); sodium
//! bicarbonate with carbonate 0.025 mol/kg by the NBS table (Bates 1973, from memory). Technical buffers of 7.00 and 10.01 differ by 0.01 to
//! 0.02 from maker to maker: what the bottle says goes before this table ([`Reference::Printed`]).

/// A buffer whose temperature table is known here.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Buffer {
    /// Phthalate, 4.01 at 25 °C.
    Phthalate401,
    /// Phosphate 1:1, 6.86 at 25 °C.
    Phosphate686,
    /// Technical phosphate, 7.00 at 25 °C.
    Phosphate700,
    /// Borax, 9.18 at 25 °C.
    Borax918,
    /// Bicarbonate with carbonate, 10.01 at 25 °C. It takes up carbon dioxide: an open bottle falls within days.
    Carbonate1001,
}

/// Temperatures of all tables, °C: 0 to 40 by 5.
const STEP_C: f64 = 5.0;
/// Lowest and highest temperature of the tables, °C.
pub const RANGE_C: std::ops::RangeInclusive<f64> = 0.0..=40.0;

const PHOSPHATE_686: [f64; 9] = [6.981, 6.949, 6.921, 6.898, 6.879, 6.864, 6.852, 6.844, 6.838];
const PHOSPHATE_700: [f64; 9] = [7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98];
const BORAX_918: [f64; 9] = [9.458, 9.391, 9.330, 9.276, 9.226, 9.182, 9.142, 9.105, 9.072];
const CARBONATE_1001: [f64; 9] = [10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.926, 9.889];

impl Buffer {
    /// All of them, acid first.
    pub const ALL: [Buffer; 5] = [
        Buffer::Phthalate401,
        Buffer::Phosphate686,
        Buffer::Phosphate700,
        Buffer::Borax918,
        Buffer::Carbonate1001,
    ];

    /// What is printed on the bottle: pH at 25 °C.
    pub fn label(self) -> &'static str {
        match self {
            Buffer::Phthalate401 => "4.01",
            Buffer::Phosphate686 => "6.86",
            Buffer::Phosphate700 => "7.00",
            Buffer::Borax918 => "9.18",
            Buffer::Carbonate1001 => "10.01",
        }
    }

    /// The buffer of this label; `7` and `7.0` are read too.
    pub fn of_label(label: &str) -> Option<Buffer> {
        let wanted: f64 = label.trim().parse().ok()?;
        // 4.00 and 10.00 are printed on the same solutions by some makers.
        Buffer::ALL.into_iter().find(|b| b.label().parse().is_ok_and(|l: f64| (l - wanted).abs() < 0.011))
    }

    /// Its pH at this temperature; nothing outside 0 to 40 °C, where the tables end.
    pub fn ph(self, temperature_c: f64) -> Option<f64> {
        if !RANGE_C.contains(&temperature_c) {
            return None;
        }
        Some(match self {
            Buffer::Phthalate401 => {
                let t = temperature_c + 273.15;
                2073.44 / t - 13.3270 + 0.045_199 * t - 3.4846e-5 * t * t
            }
            Buffer::Phosphate686 => between(&PHOSPHATE_686, temperature_c),
            Buffer::Phosphate700 => between(&PHOSPHATE_700, temperature_c),
            Buffer::Borax918 => between(&BORAX_918, temperature_c),
            Buffer::Carbonate1001 => between(&CARBONATE_1001, temperature_c),
        })
    }

    /// Half the width of what its pH may be off, fresh: 0.01 for the primary standards as bottled, 0.02 for technical ones.
    pub fn half_width(self) -> f64 {
        match self {
            Buffer::Phosphate700 | Buffer::Carbonate1001 => 0.02,
            _ => 0.01,
        }
    }
}

fn between(table: &[f64; 9], temperature_c: f64) -> f64 {
    let at = temperature_c / STEP_C;
    let below = (at as usize).min(table.len() - 2);
    table[below] + (table[below + 1] - table[below]) * (at - below as f64)
}

/// What a reading was taken in.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reference {
    /// A buffer of the table.
    Table(Buffer),
    /// pH as the bottle gives it for the temperature at hand, good to 0.02.
    Printed(f64),
}

impl Reference {
    /// True pH at this temperature.
    pub fn ph(&self, temperature_c: f64) -> Option<f64> {
        match self {
            Reference::Table(buffer) => buffer.ph(temperature_c),
            Reference::Printed(ph) => (0.0..=14.0).contains(ph).then_some(*ph),
        }
    }

    /// Half the width of what it may be off.
    pub fn half_width(&self) -> f64 {
        match self {
            Reference::Table(buffer) => buffer.half_width(),
            Reference::Printed(_) => 0.02,
        }
    }

    /// How a person calls it.
    pub fn name(&self) -> String {
        match self {
            Reference::Table(buffer) => format!("buffer {}", buffer.label()),
            Reference::Printed(ph) => format!("buffer {ph:.2}"),
        }
    }
}

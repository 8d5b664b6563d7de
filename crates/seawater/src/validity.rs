//! Where each equation is known to hold, so that a caller can warn when a state lies outside.

/// The range in which one equation was fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Validity {
    /// What the equation gives, as a person would say it.
    pub quantity: &'static str,
    /// Whose equation.
    pub source: &'static str,
    /// Least and greatest practical salinity.
    pub salinity: (f64, f64),
    /// Least and greatest temperature, degC.
    pub temperature_c: (f64, f64),
}

impl Validity {
    /// Whether the equation was fitted to water like this.
    pub fn holds(&self, salinity: f64, temperature_c: f64) -> bool {
        (self.salinity.0..=self.salinity.1).contains(&salinity)
            && (self.temperature_c.0..=self.temperature_c.1).contains(&temperature_c)
    }
}

impl std::fmt::Display for Validity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} ({}) holds for salinity {} to {} and {} to {} degC",
            self.quantity,
            self.source,
            self.salinity.0,
            self.salinity.1,
            self.temperature_c.0,
            self.temperature_c.1
        )
    }
}

/// Every equation of this crate whose range a tank could leave. The ranges of aragonite saturation and of the NBS
/// scale are from memory; the others are those of the sources named in each function.
pub const RANGES: [Validity; 9] = [
    range("salinity from conductivity", "PSS-78", (0.0, 42.0), (-2.0, 35.0)),
    range("density and specific gravity", "EOS-80", (0.0, 42.0), (-2.0, 40.0)),
    range("heat capacity", "Millero 1973", (0.0, 40.0), (0.0, 35.0)),
    range("viscosity", "Sharqawy 2010", (0.0, 149.0), (0.0, 180.0)),
    range("oxygen solubility", "Garcia & Gordon 1992", (0.0, 42.0), (-2.0, 40.0)),
    range("vapour pressure", "Hyland & Wexler 1983", (0.0, 40.0), (0.0, 200.0)),
    range("carbonate equilibrium", "Lueker 2000", (19.0, 43.0), (2.0, 35.0)),
    range("aragonite saturation", "Mucci 1983", (5.0, 44.0), (5.0, 40.0)),
    range("pH on the NBS scale", "Takahashi 1982", (20.0, 40.0), (0.0, 35.0)),
];

const fn range(
    quantity: &'static str,
    source: &'static str,
    salinity: (f64, f64),
    temperature_c: (f64, f64),
) -> Validity {
    Validity { quantity, source, salinity, temperature_c }
}

/// The equations that were not fitted to water like this.
pub fn ranges_left(salinity: f64, temperature_c: f64) -> impl Iterator<Item = &'static Validity> {
    RANGES.iter().filter(move |range| !range.holds(salinity, temperature_c))
}

//! The table of units: symbol, other spellings, kind, and the exact factor to the kind's base unit.
//!
//! Factors are held as a multiplier over a divisor, whole numbers where the definition allows, so that `12 mm` becomes the same number as
//! the literal `0.012`. Definitions: SI Brochure (9th ed.) for SI; international yard and pound agreement 1959 (inch
//! 25.4 mm, pound 0.45359237 kg); US gallon 231 in³; International Table BTU 1055.05585262 J.
//! dKH and CaCO3 units rest on the molar masses CaO 56.0774 and CaCO3 100.0869 g/mol.

use crate::Kind;

/// The system of units a person prefers to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum UnitSystem {
    /// Litres, millimetres, degC.
    #[default]
    Metric,
    /// US customary: gallons, inches, degF.
    Us,
}

/// One unit that can be written after a number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// The spelling this tool writes.
    pub symbol: &'static str,
    /// What it measures.
    pub kind: Kind,
    mul: f64,
    div: f64,
    zero: f64,
    aliases: &'static [&'static str],
}

impl Unit {
    const fn new(
        symbol: &'static str,
        kind: Kind,
        mul: f64,
        div: f64,
        aliases: &'static [&'static str],
    ) -> Self {
        Self { symbol, kind, mul, div, zero: 0.0, aliases }
    }

    /// Other spellings that are read but never written.
    pub fn aliases(&self) -> &'static [&'static str] {
        self.aliases
    }

    /// The value in the kind's base unit of `x` of this unit.
    pub fn to_base(&self, x: f64) -> f64 {
        (x - self.zero) * self.mul / self.div
    }

    /// How many of this unit the value `base`, given in the kind's base unit, is.
    pub fn from_base(&self, base: f64) -> f64 {
        base * self.div / self.mul + self.zero
    }

    pub(crate) fn is_base(&self) -> bool {
        self.mul == self.div && self.zero == 0.0
    }

    pub(crate) fn spellings(&self) -> impl Iterator<Item = &'static str> {
        std::iter::once(self.symbol).chain(self.aliases.iter().copied())
    }
}

/// dKH in one meq/L: a degree is 10 mg CaO per litre, and CaO (56.0774 g/mol) neutralises two equivalents.
const DKH_PER_MEQ_L: f64 = 56.0774 / 2.0 / 10.0;
/// mg of CaCO3 (100.0869 g/mol, two equivalents) in one milliequivalent.
const MG_CACO3_PER_MEQ: f64 = 100.0869 / 2.0;
/// Joules in an International Table BTU.
const BTU: f64 = 1_055.055_852_62;
/// Pascals in a pound-force per square inch: 4.4482216152605 N over 645.16 mm².
const PSI: f64 = 4.448_221_615_260_5 / 645.16e-6;
/// Pascals in an inch of mercury at 0 °C (conventional density 13595.1 kg/m³, 9.80665 m/s²).
const IN_HG: f64 = 13_595.1 * 9.806_65 * 0.0254;
const HOUR: f64 = 3600.0;
const DAY: f64 = 86_400.0;

/// Every unit, grouped by kind; inside a kind the usual ones come first.
pub(crate) static UNITS: &[Unit] = &[
    Unit::new("mm", Kind::Length, 1.0, 1e3, &["millimetre", "millimeter", "millimetres", "millimeters"]),
    Unit::new("cm", Kind::Length, 1.0, 1e2, &["centimetre", "centimeter", "centimetres", "centimeters"]),
    Unit::new("m", Kind::Length, 1.0, 1.0, &["metre", "meter", "metres", "meters"]),
    Unit::new("in", Kind::Length, 254.0, 1e4, &["inch", "inches", "\"", "″"]),
    Unit::new("ft", Kind::Length, 3048.0, 1e4, &["foot", "feet", "'", "′"]),
    Unit::new("um", Kind::Length, 1.0, 1e6, &["micron", "microns"]),
    Unit::new("yd", Kind::Length, 9144.0, 1e4, &["yard", "yards"]),
    Unit::new("km", Kind::Length, 1e3, 1.0, &[]),
    Unit::new("cm2", Kind::Area, 1.0, 1e4, &["sq cm"]),
    Unit::new("m2", Kind::Area, 1.0, 1.0, &["sq m"]),
    Unit::new("mm2", Kind::Area, 1.0, 1e6, &["sq mm"]),
    Unit::new("in2", Kind::Area, 64_516.0, 1e8, &["sq in", "square inch", "square inches"]),
    Unit::new("ft2", Kind::Area, 9_290_304.0, 1e8, &["sq ft", "square foot", "square feet"]),
    Unit::new("L", Kind::Volume, 1.0, 1e3, &["l", "litre", "liter", "litres", "liters", "dm3"]),
    Unit::new("mL", Kind::Volume, 1.0, 1e6, &["ml", "cm3", "cc"]),
    Unit::new("uL", Kind::Volume, 1.0, 1e9, &["ul", "mm3"]),
    Unit::new("m3", Kind::Volume, 1.0, 1.0, &["cubic metre", "cubic meter"]),
    Unit::new("gal", Kind::Volume, 3_785_411_784.0, 1e12, &["gallon", "gallons", "US gal"]),
    Unit::new("fl oz", Kind::Volume, 29_573_529_562.5, 1e15, &["floz", "fluid ounce", "fluid ounces"]),
    Unit::new("qt", Kind::Volume, 946_352_946.0, 1e12, &["quart", "quarts"]),
    Unit::new("pt", Kind::Volume, 473_176_473.0, 1e12, &["pint", "pints"]),
    Unit::new("ft3", Kind::Volume, 28_316_846_592.0, 1e12, &["cu ft", "cubic foot", "cubic feet"]),
    Unit::new("in3", Kind::Volume, 16_387_064.0, 1e12, &["cu in", "cubic inch", "cubic inches"]),
    Unit::new("g", Kind::Mass, 1.0, 1e3, &["gram", "grams"]),
    Unit::new("kg", Kind::Mass, 1.0, 1.0, &["kilogram", "kilograms"]),
    Unit::new("mg", Kind::Mass, 1.0, 1e6, &[]),
    Unit::new("lb", Kind::Mass, 45_359_237.0, 1e8, &["lbs", "pound", "pounds"]),
    Unit::new("oz", Kind::Mass, 28_349_523_125.0, 1e12, &["ounce", "ounces"]),
    Unit::new("s", Kind::Time, 1.0, 1.0, &["sec", "secs", "second", "seconds"]),
    Unit::new("min", Kind::Time, 60.0, 1.0, &["mins", "minute", "minutes"]),
    Unit::new("h", Kind::Time, HOUR, 1.0, &["hr", "hrs", "hour", "hours"]),
    Unit::new("days", Kind::Time, DAY, 1.0, &["d", "day"]),
    Unit::new("weeks", Kind::Time, 7.0 * DAY, 1.0, &["wk", "week"]),
    Unit::new("years", Kind::Time, 365.25 * DAY, 1.0, &["yr", "year"]),
    Unit::new("ms", Kind::Time, 1.0, 1e3, &["millisecond", "milliseconds"]),
    Unit::new("us", Kind::Time, 1.0, 1e6, &["microsecond", "microseconds"]),
    Unit::new("L/h", Kind::Flow, 1.0, 1e3 * HOUR, &["l/h", "lph", "LPH", "L/hr", "l/hr"]),
    Unit::new("L/min", Kind::Flow, 1.0, 6e4, &["l/min"]),
    Unit::new("L/day", Kind::Flow, 1.0, 1e3 * DAY, &["L/d", "l/day", "l/d"]),
    Unit::new("mL/min", Kind::Flow, 1.0, 6e7, &["ml/min"]),
    Unit::new("mL/h", Kind::Flow, 1.0, 1e6 * HOUR, &["ml/h"]),
    Unit::new("mL/day", Kind::Flow, 1.0, 1e6 * DAY, &["mL/d", "ml/day", "ml/d"]),
    Unit::new("mL/s", Kind::Flow, 1.0, 1e6, &["ml/s"]),
    Unit::new("L/s", Kind::Flow, 1.0, 1e3, &["l/s"]),
    Unit::new("m3/h", Kind::Flow, 1.0, HOUR, &[]),
    Unit::new("m3/s", Kind::Flow, 1.0, 1.0, &[]),
    Unit::new("gph", Kind::Flow, 3_785_411_784.0, 1e12 * HOUR, &["gal/h", "gal/hr", "GPH"]),
    Unit::new("gpm", Kind::Flow, 3_785_411_784.0, 6e13, &["gal/min", "GPM"]),
    Unit::new("gal/day", Kind::Flow, 3_785_411_784.0, 1e12 * DAY, &["gpd", "gal/d", "GPD"]),
    Unit::new("fl oz/min", Kind::Flow, 29_573_529_562.5, 6e16, &[]),
    Unit::new("fl oz/h", Kind::Flow, 29_573_529_562.5, 1e15 * HOUR, &[]),
    Unit::new("fl oz/day", Kind::Flow, 29_573_529_562.5, 1e15 * DAY, &["fl oz/d"]),
    Unit::new("ft3/min", Kind::Flow, 28_316_846_592.0, 6e13, &["cfm", "CFM"]),
    Unit::new("m/s", Kind::Speed, 1.0, 1.0, &[]),
    Unit::new("cm/s", Kind::Speed, 1.0, 1e2, &[]),
    Unit::new("mm/s", Kind::Speed, 1.0, 1e3, &[]),
    Unit::new("mm/min", Kind::Speed, 1.0, 6e4, &[]),
    Unit::new("mm/h", Kind::Speed, 1.0, 1e3 * HOUR, &[]),
    Unit::new("mm/day", Kind::Speed, 1.0, 1e3 * DAY, &["mm/d"]),
    Unit::new("ft/s", Kind::Speed, 3048.0, 1e4, &["fps"]),
    Unit::new("ft/min", Kind::Speed, 3048.0, 6e5, &["fpm"]),
    Unit::new("in/h", Kind::Speed, 254.0, 1e4 * HOUR, &[]),
    Unit::new("in/day", Kind::Speed, 254.0, 1e4 * DAY, &["in/d"]),
    Unit::new("km/h", Kind::Speed, 1e3, HOUR, &[]),
    Unit::new("mph", Kind::Speed, 1609.344, HOUR, &[]),
    Unit::new("degC", Kind::Temperature, 1.0, 1.0, &["°C", "deg C", "celsius", "Celsius"]),
    Unit {
        symbol: "degF",
        kind: Kind::Temperature,
        mul: 5.0,
        div: 9.0,
        zero: 32.0,
        aliases: &["°F", "deg F", "fahrenheit", "Fahrenheit"],
    },
    Unit::new("K", Kind::TemperatureDifference, 1.0, 1.0, &["kelvin", "degC difference", "delta degC"]),
    Unit::new("mK", Kind::TemperatureDifference, 1.0, 1e3, &[]),
    Unit::new("degF difference", Kind::TemperatureDifference, 5.0, 9.0, &["delta degF", "F difference"]),
    Unit::new("K/h", Kind::TemperatureRate, 1.0, HOUR, &["degC/h"]),
    Unit::new("K/min", Kind::TemperatureRate, 1.0, 60.0, &["degC/min"]),
    Unit::new("K/day", Kind::TemperatureRate, 1.0, DAY, &["degC/day", "K/d"]),
    Unit::new("K/s", Kind::TemperatureRate, 1.0, 1.0, &[]),
    Unit::new("degF/h", Kind::TemperatureRate, 5.0, 9.0 * HOUR, &[]),
    Unit::new("degF/day", Kind::TemperatureRate, 5.0, 9.0 * DAY, &[]),
    Unit::new("W", Kind::Power, 1.0, 1.0, &["watt", "watts"]),
    Unit::new("kW", Kind::Power, 1e3, 1.0, &[]),
    Unit::new("mW", Kind::Power, 1.0, 1e3, &[]),
    Unit::new("BTU/h", Kind::Power, BTU, HOUR, &["Btu/h", "BTU/hr", "BTUH"]),
    Unit::new("hp", Kind::Power, 745.699_871_582_270_2, 1.0, &[]),
    Unit::new("Wh", Kind::Energy, HOUR, 1.0, &["W h"]),
    Unit::new("kWh", Kind::Energy, 1e3 * HOUR, 1.0, &["kW h"]),
    Unit::new("J", Kind::Energy, 1.0, 1.0, &[]),
    Unit::new("kJ", Kind::Energy, 1e3, 1.0, &[]),
    Unit::new("MJ", Kind::Energy, 1e6, 1.0, &[]),
    Unit::new("BTU", Kind::Energy, BTU, 1.0, &["Btu"]),
    Unit::new("Ah", Kind::Charge, HOUR, 1.0, &["A h"]),
    Unit::new("mAh", Kind::Charge, HOUR, 1e3, &["mA h"]),
    Unit::new("A s", Kind::Charge, 1.0, 1.0, &["As", "coulomb"]),
    Unit::new("V", Kind::Voltage, 1.0, 1.0, &["volt", "volts"]),
    Unit::new("mV", Kind::Voltage, 1.0, 1e3, &[]),
    Unit::new("uV", Kind::Voltage, 1.0, 1e6, &[]),
    Unit::new("kV", Kind::Voltage, 1e3, 1.0, &[]),
    Unit::new("A", Kind::Current, 1.0, 1.0, &["amp", "amps"]),
    Unit::new("mA", Kind::Current, 1.0, 1e3, &[]),
    Unit::new("uA", Kind::Current, 1.0, 1e6, &[]),
    Unit::new("ohm", Kind::Resistance, 1.0, 1.0, &["Ω", "ohms"]),
    Unit::new("kohm", Kind::Resistance, 1e3, 1.0, &["kΩ"]),
    Unit::new("Mohm", Kind::Resistance, 1e6, 1.0, &["MΩ"]),
    Unit::new("mohm", Kind::Resistance, 1.0, 1e3, &["mΩ"]),
    Unit::new("pF", Kind::Capacitance, 1.0, 1e12, &[]),
    Unit::new("nF", Kind::Capacitance, 1.0, 1e9, &[]),
    Unit::new("uF", Kind::Capacitance, 1.0, 1e6, &[]),
    Unit::new("F", Kind::Capacitance, 1.0, 1.0, &["farad"]),
    Unit::new("Hz", Kind::Frequency, 1.0, 1.0, &[]),
    Unit::new("kHz", Kind::Frequency, 1e3, 1.0, &[]),
    Unit::new("MHz", Kind::Frequency, 1e6, 1.0, &[]),
    Unit::new("rpm", Kind::Frequency, 1.0, 60.0, &["r/min"]),
    Unit::new("PSU", Kind::Salinity, 1.0, 1.0, &["psu", "PSS", "ppt", "‰"]),
    Unit::new("dKH", Kind::AmountPerVolume, 1.0, DKH_PER_MEQ_L, &["dkh", "KH"]),
    Unit::new("meq/L", Kind::AmountPerVolume, 1.0, 1.0, &["meq/l", "mmol/L", "mmol/l", "mol/m3", "mEq/L"]),
    Unit::new("ueq/L", Kind::AmountPerVolume, 1.0, 1e3, &["umol/L", "umol/l", "ueq/l"]),
    Unit::new(
        "mg/L CaCO3",
        Kind::AmountPerVolume,
        1.0,
        MG_CACO3_PER_MEQ,
        &["ppm CaCO3", "mg/l CaCO3", "ppm as CaCO3", "mg/L as CaCO3"],
    ),
    Unit::new("mol/L", Kind::AmountPerVolume, 1e3, 1.0, &["mol/l", "eq/L"]),
    Unit::new("umol/kg", Kind::AmountPerMass, 1.0, 1e6, &["ueq/kg"]),
    Unit::new("mmol/kg", Kind::AmountPerMass, 1.0, 1e3, &["meq/kg"]),
    Unit::new("mol/kg", Kind::AmountPerMass, 1.0, 1.0, &["eq/kg"]),
    Unit::new("dKH/day", Kind::AmountPerVolumeRate, 1.0, DKH_PER_MEQ_L * DAY, &["dKH/d", "KH/day"]),
    Unit::new("dKH/h", Kind::AmountPerVolumeRate, 1.0, DKH_PER_MEQ_L * HOUR, &[]),
    Unit::new("meq/L/day", Kind::AmountPerVolumeRate, 1.0, DAY, &["meq/l/day", "meq/L/d", "mmol/L/day"]),
    Unit::new("meq/L/h", Kind::AmountPerVolumeRate, 1.0, HOUR, &["mmol/L/h"]),
    Unit::new("mol/m3/s", Kind::AmountPerVolumeRate, 1.0, 1.0, &["meq/L/s"]),
    Unit::new("umol/m2/s", Kind::AmountFlux, 1.0, 1e6, &["umol/m2 s"]),
    Unit::new("umol/cm2/h", Kind::AmountFlux, 1.0, 1e2 * HOUR, &["umol/cm2 h"]),
    Unit::new("mol/m2/day", Kind::AmountFlux, 1.0, DAY, &["mol/m2 day", "mol/m2/d"]),
    Unit::new("mol/m2/s", Kind::AmountFlux, 1.0, 1.0, &["mol/m2 s"]),
    Unit::new("mg/L", Kind::Concentration, 1.0, 1.0, &["mg/l", "g/m3"]),
    Unit::new("g/L", Kind::Concentration, 1e3, 1.0, &["g/l"]),
    Unit::new("ug/L", Kind::Concentration, 1.0, 1e3, &["ug/l"]),
    Unit::new("mg/L/h", Kind::ConcentrationRate, 1.0, HOUR, &["mg/l/h", "mg/L h", "mg/L/hr"]),
    Unit::new("mg/L/day", Kind::ConcentrationRate, 1.0, DAY, &["mg/l/day", "mg/L day", "mg/L/d"]),
    Unit::new("mg/L/s", Kind::ConcentrationRate, 1.0, 1.0, &["g/m3/s"]),
    Unit::new("mg/kg/h", Kind::SpecificRate, 1.0, 1e6 * HOUR, &["mg/kg h"]),
    Unit::new("mg/g/h", Kind::SpecificRate, 1.0, 1e3 * HOUR, &["mg/g h"]),
    Unit::new("kg/kg/s", Kind::SpecificRate, 1.0, 1.0, &[]),
    Unit::new("kg/m3", Kind::Density, 1.0, 1.0, &[]),
    Unit::new("g/cm3", Kind::Density, 1e3, 1.0, &["g/mL", "g/ml", "kg/L", "kg/l"]),
    Unit::new("lb/ft3", Kind::Density, 45_359_237e4, 28_316_846_592.0, &[]),
    Unit::new("kg/m2/h", Kind::MassFlux, 1.0, HOUR, &["kg/m2 h"]),
    Unit::new("kg/m2/s", Kind::MassFlux, 1.0, 1.0, &["kg/m2 s"]),
    Unit::new("lb/ft2/h", Kind::MassFlux, 45_359_237.0, 9_290_304.0 * HOUR, &[]),
    Unit::new("mS/cm", Kind::Conductivity, 1.0, 1.0, &["mmho/cm"]),
    Unit::new("uS/cm", Kind::Conductivity, 1.0, 1e3, &[]),
    Unit::new("S/m", Kind::Conductivity, 10.0, 1.0, &[]),
    Unit::new("pH", Kind::Ph, 1.0, 1.0, &["ph"]),
    Unit::new("%", Kind::Ratio, 1.0, 1e2, &["percent", "% RH"]),
    Unit::new("ppm", Kind::Ratio, 1.0, 1e6, &["ppmv"]),
    Unit::new("Pa", Kind::Pressure, 1.0, 1.0, &[]),
    Unit::new("hPa", Kind::Pressure, 1e2, 1.0, &["mbar"]),
    Unit::new("kPa", Kind::Pressure, 1e3, 1.0, &[]),
    Unit::new("bar", Kind::Pressure, 1e5, 1.0, &[]),
    Unit::new("uatm", Kind::Pressure, 101_325.0, 1e6, &[]),
    Unit::new("atm", Kind::Pressure, 101_325.0, 1.0, &[]),
    Unit::new("psi", Kind::Pressure, PSI, 1.0, &[]),
    Unit::new("inHg", Kind::Pressure, IN_HG, 1.0, &["in Hg"]),
    Unit::new("W/K", Kind::HeatConductance, 1.0, 1.0, &["W/degC"]),
    Unit::new("BTU/h/degF", Kind::HeatConductance, BTU * 9.0, 5.0 * HOUR, &["BTU/h degF"]),
    Unit::new("kJ/K", Kind::HeatCapacity, 1e3, 1.0, &["kJ/degC"]),
    Unit::new("MJ/K", Kind::HeatCapacity, 1e6, 1.0, &["MJ/degC"]),
    Unit::new("J/K", Kind::HeatCapacity, 1.0, 1.0, &["J/degC"]),
    Unit::new("BTU/degF", Kind::HeatCapacity, BTU * 9.0, 5.0, &[]),
    Unit::new("W/m2/K", Kind::ThermalTransmittance, 1.0, 1.0, &["W/m2 K", "W/m2K"]),
    Unit::new(
        "BTU/h/ft2/degF",
        Kind::ThermalTransmittance,
        BTU * 9.0 * 1e8,
        5.0 * HOUR * 9_290_304.0,
        &["BTU/h ft2 degF"],
    ),
    Unit::new("W/m/K", Kind::ThermalConductivity, 1.0, 1.0, &["W/m K", "W/mK"]),
    Unit::new(
        "BTU/h/ft/degF",
        Kind::ThermalConductivity,
        BTU * 9.0 * 1e4,
        5.0 * HOUR * 3048.0,
        &["BTU/h ft degF"],
    ),
    Unit::new("W/m2", Kind::HeatFlux, 1.0, 1.0, &[]),
    Unit::new("BTU/h/ft2", Kind::HeatFlux, BTU * 1e8, HOUR * 9_290_304.0, &["BTU/h ft2"]),
    Unit::new("/h", Kind::PerTime, 1.0, HOUR, &["1/h", "/hr", "1/hr"]),
    Unit::new("/min", Kind::PerTime, 1.0, 60.0, &["1/min"]),
    Unit::new("/day", Kind::PerTime, 1.0, DAY, &["1/day", "/d", "1/d"]),
    Unit::new("/s", Kind::PerTime, 1.0, 1.0, &["1/s"]),
];

#[cfg(test)]
mod tests {
    use super::UNITS;
    use crate::Kind;
    use std::collections::HashSet;

    #[test]
    fn each_spelling_means_one_unit() {
        let mut seen = HashSet::new();
        for unit in UNITS {
            for spelling in unit.spellings() {
                assert!(seen.insert(spelling), "`{spelling}` stands twice");
            }
        }
    }

    #[test]
    fn each_kind_has_its_base_unit() {
        for kind in Kind::ALL {
            if !kind.may_be_plain() {
                assert!(!kind.base_symbol().is_empty(), "{kind} lacks its base unit");
            }
        }
    }
}

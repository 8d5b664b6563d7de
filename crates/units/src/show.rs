//! Writing a quantity for a person: the unit fit for its size, and no more digits than help.

use crate::parse::find_unit;
use crate::{Kind, Quantity, UnitSystem};

/// Significant digits of a shown value; whole digits are never rounded away.
const DIGITS: i32 = 4;

/// A unit, and the least magnitude in that unit at which it is used.
type Step = (&'static str, f64);

/// The units to choose from, largest first; the last one takes whatever is left.
fn ladder(kind: Kind, system: UnitSystem) -> &'static [Step] {
    use UnitSystem::{Metric, Us};
    match (kind, system) {
        (Kind::Length, Metric) => &[("m", 1.0), ("mm", 0.1), ("um", 0.0)],
        (Kind::Length, Us) => &[("ft", 6.0), ("in", 0.0)],
        (Kind::Area, Metric) => &[("m2", 0.5), ("cm2", 1.0), ("mm2", 0.0)],
        (Kind::Area, Us) => &[("ft2", 2.0), ("in2", 0.0)],
        (Kind::Volume, Metric) => &[("m3", 10.0), ("L", 1.0), ("mL", 0.1), ("uL", 0.0)],
        (Kind::Volume, Us) => &[("gal", 1.0), ("fl oz", 0.0)],
        (Kind::Mass, Metric) => &[("kg", 1.0), ("g", 1.0), ("mg", 0.0)],
        (Kind::Mass, Us) => &[("lb", 1.0), ("oz", 0.0)],
        (Kind::Time, _) => &[("days", 4.0), ("h", 2.0), ("min", 2.0), ("s", 1.0), ("ms", 1.0), ("us", 0.0)],
        (Kind::Flow, Metric) => &[("m3/h", 20.0), ("L/h", 1.0), ("L/day", 1.0), ("mL/day", 0.0)],
        (Kind::Flow, Us) => &[("gph", 1.0), ("gal/day", 1.0), ("fl oz/day", 0.0)],
        (Kind::Speed, Metric) => &[("m/s", 0.1), ("mm/s", 0.1), ("mm/h", 5.0), ("mm/day", 0.0)],
        (Kind::Speed, Us) => &[("ft/s", 0.1), ("in/h", 0.5), ("in/day", 0.0)],
        (Kind::Temperature, Metric) => &[("degC", 0.0)],
        (Kind::Temperature, Us) => &[("degF", 0.0)],
        (Kind::TemperatureDifference, Metric) => &[("K", 0.0)],
        (Kind::TemperatureDifference, Us) => &[("degF difference", 0.0)],
        (Kind::TemperatureRate, Metric) => &[("K/h", 0.1), ("K/day", 0.0)],
        (Kind::TemperatureRate, Us) => &[("degF/h", 0.1), ("degF/day", 0.0)],
        (Kind::Power, Metric) => &[("kW", 10.0), ("W", 0.1), ("mW", 0.0)],
        (Kind::Power, Us) => &[("W", 0.1), ("mW", 0.0)],
        (Kind::Energy, _) => &[("kWh", 1.0), ("Wh", 0.1), ("J", 0.0)],
        (Kind::Charge, _) => &[("Ah", 0.1), ("mAh", 0.1), ("A s", 0.0)],
        (Kind::Voltage, _) => &[("kV", 10.0), ("V", 1.0), ("mV", 0.1), ("uV", 0.0)],
        (Kind::Current, _) => &[("A", 1.0), ("mA", 0.1), ("uA", 0.0)],
        (Kind::Resistance, _) => &[("Mohm", 1.0), ("kohm", 1.0), ("ohm", 0.1), ("mohm", 0.0)],
        (Kind::Capacitance, _) => &[("uF", 0.1), ("nF", 1.0), ("pF", 0.0)],
        (Kind::Frequency, _) => &[("MHz", 1.0), ("kHz", 1.0), ("Hz", 0.0)],
        (Kind::Salinity | Kind::Ph, _) => &[],
        (Kind::AmountPerVolume, _) => &[("dKH", 0.0)],
        (Kind::AmountPerMass, _) => &[("umol/kg", 0.0)],
        (Kind::AmountPerVolumeRate, _) => &[("dKH/day", 0.0)],
        (Kind::AmountFlux, _) => &[("umol/m2/s", 0.0)],
        (Kind::Concentration, _) => &[("g/L", 10.0), ("mg/L", 0.01), ("ug/L", 0.0)],
        (Kind::ConcentrationRate, _) => &[("mg/L/h", 0.0)],
        (Kind::SpecificRate, _) => &[("mg/kg/h", 0.0)],
        (Kind::Density, Metric) => &[("kg/m3", 0.0)],
        (Kind::Density, Us) => &[("lb/ft3", 0.0)],
        (Kind::MassFlux, Metric) => &[("kg/m2/h", 0.0)],
        (Kind::MassFlux, Us) => &[("lb/ft2/h", 0.0)],
        (Kind::Conductivity, _) => &[("mS/cm", 0.1), ("uS/cm", 0.0)],
        // A ratio below a part in a thousand is read more easily in parts per million.
        (Kind::Ratio, _) => &[("%", 0.5), ("ppm", 0.0)],
        (Kind::Pressure, Metric) => &[("kPa", 10.0), ("Pa", 100.0), ("uatm", 0.0)],
        (Kind::Pressure, Us) => &[("psi", 1.0), ("Pa", 100.0), ("uatm", 0.0)],
        (Kind::HeatConductance, Metric) => &[("W/K", 0.0)],
        (Kind::HeatConductance, Us) => &[("BTU/h/degF", 0.0)],
        (Kind::HeatCapacity, Metric) => &[("MJ/K", 0.1), ("kJ/K", 0.1), ("J/K", 0.0)],
        (Kind::HeatCapacity, Us) => &[("BTU/degF", 0.0)],
        (Kind::ThermalTransmittance, Metric) => &[("W/m2/K", 0.0)],
        (Kind::ThermalTransmittance, Us) => &[("BTU/h/ft2/degF", 0.0)],
        (Kind::ThermalConductivity, Metric) => &[("W/m/K", 0.0)],
        (Kind::ThermalConductivity, Us) => &[("BTU/h/ft/degF", 0.0)],
        (Kind::HeatFlux, Metric) => &[("W/m2", 0.0)],
        (Kind::HeatFlux, Us) => &[("BTU/h/ft2", 0.0)],
        (Kind::PerTime, _) => &[("/s", 1.0), ("/h", 0.01), ("/day", 0.0)],
    }
}

/// The quantity as a person of that habit reads it: `513 mm`, `25.4 degC`, `3 min`, `1.82 L/day`.
///
/// Ratios come as percent or ppm; a specific gravity is better written by its owner. Four significant digits (more when the whole part has more); salinity and pH with two decimals and no unit.
/// [`Quantity::parse_as`] reads every result back within that precision.
pub fn show(quantity: Quantity, system: UnitSystem) -> String {
    let Quantity { value, kind } = quantity;
    if matches!(kind, Kind::Salinity | Kind::Ph) {
        return rounded_to(value, 2);
    }
    let steps = ladder(kind, system);
    let (smallest, _) = steps.last().copied().unwrap_or((kind.base_symbol(), 0.0));
    let nought = steps.iter().find(|(symbol, _)| *symbol == zero_symbol(kind, system, smallest));
    if value == 0.0 && kind != Kind::Temperature {
        let symbol = nought.map_or(smallest, |(symbol, _)| symbol);
        return joined("0", symbol);
    }
    for (symbol, least) in steps {
        if let Some(unit) = find_unit(symbol)
            && unit.from_base(value).abs() >= *least
        {
            let number = significant(unit.from_base(value));
            return joined(&number, symbol);
        }
    }
    joined(&significant(value), kind.base_symbol())
}

/// The quantity in the given unit with four significant digits; `None` if the unit is unknown or of another kind.
pub fn show_in(quantity: Quantity, unit: &str) -> Option<String> {
    let unit = find_unit(unit).filter(|unit| unit.kind == quantity.kind)?;
    Some(joined(&significant(unit.from_base(quantity.value)), unit.symbol))
}

/// Nought is nought in any unit; it is shown in the one that people use most.
fn zero_symbol(kind: Kind, system: UnitSystem, smallest: &'static str) -> &'static str {
    match (kind, system) {
        (Kind::Length, UnitSystem::Metric) => "mm",
        (Kind::Area, UnitSystem::Metric) => "cm2",
        (Kind::Volume, UnitSystem::Metric) => "L",
        (Kind::Volume, UnitSystem::Us) => "gal",
        (Kind::Mass, UnitSystem::Metric) => "g",
        (Kind::Time, _) => "s",
        (Kind::Flow, UnitSystem::Metric) => "L/h",
        (Kind::Flow, UnitSystem::Us) => "gph",
        (Kind::Speed, UnitSystem::Metric) => "m/s",
        (Kind::Speed, UnitSystem::Us) => "ft/s",
        (Kind::TemperatureRate, UnitSystem::Metric) => "K/h",
        (Kind::TemperatureRate, UnitSystem::Us) => "degF/h",
        (Kind::Power, _) => "W",
        (Kind::Energy, _) => "Wh",
        (Kind::Charge, _) => "Ah",
        (Kind::Voltage, _) => "V",
        (Kind::Current, _) => "A",
        (Kind::Resistance, _) => "ohm",
        (Kind::Concentration, _) => "mg/L",
        (Kind::Conductivity, _) => "mS/cm",
        (Kind::Ratio, _) => "%",
        (Kind::Pressure, _) => "Pa",
        (Kind::PerTime, _) => "/h",
        _ => smallest,
    }
}

fn joined(number: &str, symbol: &str) -> String {
    if symbol.is_empty() { number.to_owned() } else { format!("{number} {symbol}") }
}

/// Four significant digits, trailing noughts dropped; powers of ten only where plain digits would run long.
fn significant(x: f64) -> String {
    let magnitude = x.abs();
    if magnitude != 0.0 && !(1e-6..1e15).contains(&magnitude) {
        return format!("{x:.3e}");
    }
    let mut exponent = 0;
    let mut power = 1.0;
    while magnitude >= power * 10.0 {
        power *= 10.0;
        exponent += 1;
    }
    while magnitude != 0.0 && magnitude < power {
        power /= 10.0;
        exponent -= 1;
    }
    let n_decimals = usize::try_from(DIGITS - 1 - exponent).unwrap_or(0);
    let text = rounded_to(x, n_decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Fixed decimals, with no minus sign before a nought.
fn rounded_to(x: f64, n_decimals: usize) -> String {
    let text = format!("{x:.n_decimals$}");
    match text.strip_prefix('-') {
        Some(bare) if bare.bytes().all(|b| matches!(b, b'0' | b'.')) => bare.to_owned(),
        _ => text,
    }
}

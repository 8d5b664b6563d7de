//! Kinds of quantity: what a number measures, and therefore what it may be compared with or added to.

use crate::table::{UNITS, Unit};

/// What a quantity measures. Each variant names the base unit in which [`Quantity::value`](crate::Quantity)
/// is held: the coherent SI unit, except where everybody in the field reckons in another one (degC, mg/L,
/// meq/L, mS/cm, pH), which is then named here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Length, m.
    Length,
    /// Area, m².
    Area,
    /// Volume, m³.
    Volume,
    /// Mass, kg.
    Mass,
    /// Time, s.
    Time,
    /// Volume flow, m³/s.
    Flow,
    /// Speed, m/s; also a level that rises or falls.
    Speed,
    /// A point on the temperature scale, degC. A difference is another kind.
    Temperature,
    /// A difference of temperatures, K.
    TemperatureDifference,
    /// Change of temperature with time, K/s.
    TemperatureRate,
    /// Power, W.
    Power,
    /// Energy, J.
    Energy,
    /// Electric charge, A s; batteries are rated in A h.
    Charge,
    /// Voltage, V.
    Voltage,
    /// Electric current, A.
    Current,
    /// Electric resistance, ohm.
    Resistance,
    /// Capacitance, F.
    Capacitance,
    /// Frequency, Hz.
    Frequency,
    /// Practical salinity, PSS-78, dimensionless.
    Salinity,
    /// Amount or charge equivalents per volume, mol/m³ = mmol/L = meq/L: alkalinity as test kits give it.
    AmountPerVolume,
    /// Amount or charge equivalents per mass of seawater, mol/kg: alkalinity and dissolved inorganic carbon as
    /// chemists give them. Turning it into [`Kind::AmountPerVolume`] needs the density, so it is another kind.
    AmountPerMass,
    /// Change of [`Kind::AmountPerVolume`] with time, mol/(m³ s).
    AmountPerVolumeRate,
    /// Amount through an area and time, mol/(m² s): light on a reef, respiration of a coral.
    AmountFlux,
    /// Mass of a solute per volume, g/m³ = mg/L.
    Concentration,
    /// Change of [`Kind::Concentration`] with time, g/(m³ s).
    ConcentrationRate,
    /// Mass of a solute per body mass and time, kg/(kg s) = 1/s: respiration of a fish.
    SpecificRate,
    /// Density of a material, kg/m³.
    Density,
    /// Mass through an area and time, kg/(m² s): evaporation.
    MassFlux,
    /// Electric conductivity, mS/cm (1 mS/cm = 0.1 S/m).
    Conductivity,
    /// pH on whichever scale the context names.
    Ph,
    /// A plain ratio: humidity, efficiency, mole fraction, specific gravity.
    Ratio,
    /// Pressure or partial pressure, Pa.
    Pressure,
    /// Heat flow per temperature difference, W/K.
    HeatConductance,
    /// Heat per temperature difference, J/K.
    HeatCapacity,
    /// Heat flow per area and temperature difference, W/(m² K).
    ThermalTransmittance,
    /// Thermal conductivity of a material, W/(m K).
    ThermalConductivity,
    /// Heat flow per area, W/m².
    HeatFlux,
    /// How often in a time, 1/s: gas transfer, air changes.
    PerTime,
}

impl Kind {
    /// Every kind, in the order of the declaration.
    pub const ALL: [Self; 38] = [
        Self::Length,
        Self::Area,
        Self::Volume,
        Self::Mass,
        Self::Time,
        Self::Flow,
        Self::Speed,
        Self::Temperature,
        Self::TemperatureDifference,
        Self::TemperatureRate,
        Self::Power,
        Self::Energy,
        Self::Charge,
        Self::Voltage,
        Self::Current,
        Self::Resistance,
        Self::Capacitance,
        Self::Frequency,
        Self::Salinity,
        Self::AmountPerVolume,
        Self::AmountPerMass,
        Self::AmountPerVolumeRate,
        Self::AmountFlux,
        Self::Concentration,
        Self::ConcentrationRate,
        Self::SpecificRate,
        Self::Density,
        Self::MassFlux,
        Self::Conductivity,
        Self::Ph,
        Self::Ratio,
        Self::Pressure,
        Self::HeatConductance,
        Self::HeatCapacity,
        Self::ThermalTransmittance,
        Self::ThermalConductivity,
        Self::HeatFlux,
        Self::PerTime,
    ];

    /// The name to use in a sentence, without an article: `a length`, `a temperature difference`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Length => "length",
            Self::Area => "area",
            Self::Volume => "volume",
            Self::Mass => "mass",
            Self::Time => "time",
            Self::Flow => "flow",
            Self::Speed => "speed",
            Self::Temperature => "temperature",
            Self::TemperatureDifference => "temperature difference",
            Self::TemperatureRate => "rate of temperature",
            Self::Power => "power",
            Self::Energy => "energy",
            Self::Charge => "electric charge",
            Self::Voltage => "voltage",
            Self::Current => "electric current",
            Self::Resistance => "electric resistance",
            Self::Capacitance => "capacitance",
            Self::Frequency => "frequency",
            Self::Salinity => "salinity",
            Self::AmountPerVolume => "alkalinity or amount per volume",
            Self::AmountPerMass => "alkalinity or amount per mass",
            Self::AmountPerVolumeRate => "rate of alkalinity",
            Self::AmountFlux => "amount per area and time",
            Self::Concentration => "concentration",
            Self::ConcentrationRate => "rate of concentration",
            Self::SpecificRate => "rate per body mass",
            Self::Density => "density",
            Self::MassFlux => "mass per area and time",
            Self::Conductivity => "electric conductivity",
            Self::Ph => "pH",
            Self::Ratio => "ratio",
            Self::Pressure => "pressure",
            Self::HeatConductance => "heat conductance",
            Self::HeatCapacity => "heat capacity",
            Self::ThermalTransmittance => "thermal transmittance",
            Self::ThermalConductivity => "thermal conductivity",
            Self::HeatFlux => "heat flow per area",
            Self::PerTime => "rate per time",
        }
    }

    /// The name with its indefinite article: `an area`.
    pub fn with_article(self) -> String {
        let name = self.name();
        let article = if name.starts_with(['a', 'e', 'i', 'o']) { "an" } else { "a" };
        format!("{article} {name}")
    }

    /// The units in which this kind may be written, the usual ones first.
    pub fn units(self) -> impl Iterator<Item = &'static Unit> {
        UNITS.iter().filter(move |unit| unit.kind == self)
    }

    /// Whether a number without a unit can stand for this kind: ratios, salinity and pH.
    pub fn may_be_plain(self) -> bool {
        matches!(self, Self::Ratio | Self::Salinity | Self::Ph)
    }

    /// The symbol of the unit in which [`Quantity::value`](crate::Quantity) is held, as this crate writes it;
    /// empty for dimensionless kinds.
    pub fn base_symbol(self) -> &'static str {
        if self.may_be_plain() {
            return "";
        }
        self.units().find(|unit| unit.is_base()).map_or("", |unit| unit.symbol)
    }
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

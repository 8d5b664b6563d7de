//! The property arguments of the laws, filled in from salinity and temperatures: the one place that calls `seawater`.
//!
//! Salinity is practical salinity, temperatures are °C. The sources and ranges are those of `seawater`.

use crate::air::FilmFluid;
use crate::evaporation::Surface;
use seawater::{density, heat, vapour};

/// Kinematic viscosity, m²/s, for [`crate::pipe`], [`crate::pump`] and [`crate::standpipe`].
pub fn kinematic_viscosity(salinity: f64, temperature: f64) -> f64 {
    heat::viscosity_pa_s(salinity, temperature) / density::density_kg_per_m3(salinity, temperature)
}

/// Heat capacity of a volume of water, J/(m³ K), for [`crate::heat::Lump`].
pub fn volumetric_heat_capacity(salinity: f64, temperature: f64) -> f64 {
    density::density_kg_per_m3(salinity, temperature) * heat::heat_capacity_j_per_kg_k(salinity, temperature)
}

/// The water side of a wall, for [`crate::heat::InnerFilm::Still`]; the film temperature is close to the water's.
pub fn film(salinity: f64, temperature: f64) -> FilmFluid {
    FilmFluid::new(
        density::density_kg_per_m3(salinity, temperature),
        heat::viscosity_pa_s(salinity, temperature),
        heat::heat_capacity_j_per_kg_k(salinity, temperature),
        heat::thermal_conductivity_w_per_m_k(salinity, temperature),
        density::thermal_expansion_per_k(salinity, temperature),
    )
}

/// An open surface under room air of a relative humidity (0 to 1), at standard pressure, for [`crate::evaporation`].
pub fn surface(
    salinity: f64,
    water_temperature: f64,
    air_temperature: f64,
    relative_humidity: f64,
) -> Surface {
    Surface::new(
        water_temperature,
        air_temperature,
        vapour::vapour_pressure_pa(salinity, water_temperature),
        relative_humidity * vapour::saturation_pressure_pa(air_temperature),
    )
}

/// Latent heat of evaporation, J/kg.
pub fn latent_heat(temperature: f64) -> f64 {
    vapour::latent_heat_j_per_kg(temperature)
}

/// Wet-bulb temperature of room air at standard pressure, °C: fans cannot take fresh water below it, nor seawater (S = 35)
/// below about 0.2 K above it.
pub fn wet_bulb(air_temperature: f64, relative_humidity: f64) -> f64 {
    let vapour_pressure = relative_humidity * vapour::saturation_pressure_pa(air_temperature);
    crate::air::wet_bulb(air_temperature, vapour_pressure, crate::ATMOSPHERE, vapour::saturation_pressure_pa)
}

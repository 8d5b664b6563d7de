//! Evaporation from an open water surface, and the sensible heat that goes with it.
//!
//! The physical claim of any of these is +-40 %: Shah's 2002 review found eleven correlations against data, the best with a
//! mean error of 18 % (abstract read, not the paper). A run should carry evaporation as a range.

use crate::air;
use crate::{ATMOSPHERE, GRAVITY, ZERO_CELSIUS};

/// Factor on [`natatorium`] for undisturbed water: Smith, Lof and Jones, ASHRAE Trans. 104(1A), 1998 (abstract).
pub const UNDISTURBED: f64 = 0.74;

/// Activity factor of a quiet surface in the short form of the natatorium equation (from memory; 1.0 is a public pool).
pub const QUIET: f64 = 0.5;

/// Diffusivity of water vapour in air at 298 K, m²/s (Incropera, table A.8), and the exponent of temperature.
const DIFFUSIVITY_298: f64 = 0.26e-4;

/// Water surface and room, at the pressure in Pa.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surface {
    /// Water temperature, °C.
    pub water_temperature: f64,
    /// Room temperature, °C.
    pub air_temperature: f64,
    /// Vapour pressure at the water surface, Pa: saturation times water activity (0.981 at S = 35).
    pub water_vapour: f64,
    /// Vapour pressure in the room, Pa.
    pub air_vapour: f64,
    /// Air pressure, Pa.
    pub pressure: f64,
}

impl Surface {
    /// At standard pressure.
    pub fn new(water_temperature: f64, air_temperature: f64, water_vapour: f64, air_vapour: f64) -> Self {
        Self { water_temperature, air_temperature, water_vapour, air_vapour, pressure: ATMOSPHERE }
    }

    /// Humidity ratios at the surface and in the room.
    fn humidity_ratios(&self) -> (f64, f64) {
        (
            air::humidity_ratio(self.water_vapour, self.pressure),
            air::humidity_ratio(self.air_vapour, self.pressure),
        )
    }

    /// Volumes for each kg of dry air at the surface and in the room, m³.
    fn specific_volumes(&self) -> (f64, f64) {
        let (surface, room) = self.humidity_ratios();
        (
            air::specific_volume(self.water_temperature, surface, self.pressure),
            air::specific_volume(self.air_temperature, room, self.pressure),
        )
    }

    /// Densities of moist air at the surface and in the room, kg/m³.
    pub fn moist_densities(&self) -> (f64, f64) {
        let (surface, room) = self.humidity_ratios();
        let (surface_volume, room_volume) = self.specific_volumes();
        ((1.0 + surface) / surface_volume, (1.0 + room) / room_volume)
    }
}

/// Latent heat flow for each pascal of vapour pressure difference, W/(m² Pa): `0.089 + 0.0782 v`, v in m/s.
///
/// Carrier 1918, as in the natatorium chapter of the ASHRAE Handbook, HVAC Applications.
pub fn natatorium_coefficient(air_speed: f64) -> f64 {
    0.089 + 0.0782 * air_speed.max(0.0)
}

/// Evaporation by the ASHRAE natatorium equation, kg/(m² s): `W = Fa (0.089 + 0.0782 v)(pw - pa)/Y`.
///
/// `air_speed` over the water in m/s, `latent_heat` in J/kg, `activity` 1 for the equation as printed, [`UNDISTURBED`] for
/// still water. Negative when the room's vapour condenses on the water.
pub fn natatorium(surface: &Surface, air_speed: f64, latent_heat: f64, activity: f64) -> f64 {
    activity * natatorium_coefficient(air_speed) * (surface.water_vapour - surface.air_vapour) / latent_heat
}

/// Bowen's psychrometric constant `cp P / (0.62195 Y)`, Pa/K, about 67 (Bowen, Phys. Rev. 27, 779, 1926).
pub fn psychrometric_constant(pressure: f64, latent_heat: f64) -> f64 {
    air::HEAT_CAPACITY * pressure / (air::MASS_RATIO * latent_heat)
}

/// Sensible heat from an open surface to the air, W/m², by Bowen's ratio on [`natatorium`]; negative when the room is warmer.
///
/// Written as coefficient times temperature difference, so equal vapour pressures are no special case.
pub fn sensible_heat(surface: &Surface, air_speed: f64, latent_heat: f64, activity: f64) -> f64 {
    activity
        * natatorium_coefficient(air_speed)
        * psychrometric_constant(surface.pressure, latent_heat)
        * (surface.water_temperature - surface.air_temperature)
}

/// Evaporation from quiet water by Shah (ASHRAE Trans. 2012-2014), kg/(m² s).
///
/// Larger of `35 rw (rr - rw)^(1/3) (Ww - Wr)` and `5e-5 (pw - pr)` in kg/(m² h), r the mass of dry air in a m³. The first
/// counts only while the room's air is the denser. Form from memory, confirmed by nine published table values.
pub fn shah_quiet(surface: &Surface) -> f64 {
    let (water, room) = surface.humidity_ratios();
    let (water_volume, room_volume) = surface.specific_volumes();
    let excess = 1.0 / room_volume - 1.0 / water_volume;
    let natural = 35.0 / water_volume * libm::cbrt(excess.max(0.0)) * (water - room);
    let forced = 5e-5 * (surface.water_vapour - surface.air_vapour);
    natural.max(forced) / 3600.0
}

/// Diffusivity of water vapour in air, m²/s: `0.26e-4 (T/298)^1.5` (Incropera), film temperature in °C.
pub fn vapour_diffusivity(film_temperature: f64) -> f64 {
    let ratio = (film_temperature + ZERO_CELSIUS) / 298.0;
    DIFFUSIVITY_298 * ratio * ratio.max(0.0).sqrt()
}

/// Evaporation from a square surface by the analogy of heat and mass transfer, kg/(m² s).
///
/// Still air: `Sh = 0.54 Ra^(1/4)` up to Ra 1e7, `0.15 Ra^(1/3)` above, on area over perimeter (McAdams; Lloyd and Moran
/// 1974; Incropera ch. 9). Moving air: `0.664 Re^(1/2) Sc^(1/3)` below Re 5e5, `0.037 Re^(4/5) Sc^(1/3)` above, on the side
/// (Incropera ch. 7). The larger of both counts, so a draught never dries less than still air. `side` in m.
pub fn mass_transfer(surface: &Surface, side: f64, air_speed: f64) -> f64 {
    let film = 0.5 * (surface.water_temperature + surface.air_temperature);
    let (surface_density, room_density) = surface.moist_densities();
    let kinematic_viscosity = air::viscosity(film) / (0.5 * (surface_density + room_density));
    let still = still_transfer_coefficient(surface, side, kinematic_viscosity);
    let moving = moving_transfer_coefficient(surface, side, air_speed, kinematic_viscosity);
    still.max(moving) * vapour_density_difference(surface)
}

/// Vapour density at the surface less that of the room, kg/m³.
pub fn vapour_density_difference(surface: &Surface) -> f64 {
    let (water, room) = surface.humidity_ratios();
    let (water_volume, room_volume) = surface.specific_volumes();
    water / water_volume - room / room_volume
}

/// Mass transfer coefficient in still air, m/s (see [`mass_transfer`]); zero while the air over the water is the denser.
pub fn still_transfer_coefficient(surface: &Surface, side: f64, kinematic_viscosity: f64) -> f64 {
    let diffusivity = vapour_diffusivity(0.5 * (surface.water_temperature + surface.air_temperature));
    let (light, dense) = surface.moist_densities();
    let length = 0.25 * side;
    let rayleigh = GRAVITY * (dense - light) / (0.5 * (dense + light)) * length * length * length
        / (kinematic_viscosity * diffusivity);
    if rayleigh.is_nan() || rayleigh <= 0.0 {
        return 0.0;
    }
    let sherwood = if rayleigh <= 1e7 { 0.54 * rayleigh.sqrt().sqrt() } else { 0.15 * libm::cbrt(rayleigh) };
    sherwood * diffusivity / length
}

/// Mass transfer coefficient in moving air, m/s (see [`mass_transfer`]).
pub fn moving_transfer_coefficient(
    surface: &Surface,
    side: f64,
    air_speed: f64,
    kinematic_viscosity: f64,
) -> f64 {
    if side.is_nan() || side <= 0.0 {
        return 0.0;
    }
    let diffusivity = vapour_diffusivity(0.5 * (surface.water_temperature + surface.air_temperature));
    let reynolds = air_speed.max(0.0) * side / kinematic_viscosity;
    let schmidt = libm::cbrt(kinematic_viscosity / diffusivity);
    let sherwood = if reynolds < 5e5 {
        0.664 * reynolds.sqrt() * schmidt
    } else {
        0.037 * libm::pow(reynolds, 0.8) * schmidt
    };
    sherwood * diffusivity / side
}

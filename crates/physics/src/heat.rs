//! Heat through walls and in lumped tanks: natural-convection films, wall U, exact temperature step, heater sizing.

use crate::air::FilmFluid;
use crate::solve::root;
use crate::{GRAVITY, ZERO_CELSIUS, decay_share};

/// Stefan-Boltzmann constant, W/(m² K⁴) (2019 SI, exact to the digits shown).
pub const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;

/// Conductivity of soda-lime glass, W/(m K) (typical handbook value, from memory).
pub const GLASS_CONDUCTIVITY: f64 = 1.0;

/// Conductivity of acrylic, W/(m K) (typical handbook value, from memory).
pub const ACRYLIC_CONDUCTIVITY: f64 = 0.19;

/// Emissivity of glass or acrylic in the far infrared (typical handbook value, from memory).
pub const WALL_EMISSIVITY: f64 = 0.9;

/// Rayleigh number of a surface: `g beta |dT| L³ Pr / nu²`, temperature difference in K, length in m.
pub fn rayleigh(fluid: &FilmFluid, difference: f64, length: f64) -> f64 {
    let viscosity = fluid.kinematic_viscosity;
    GRAVITY * fluid.expansion.abs() * difference.abs() * length * length * length * fluid.prandtl
        / (viscosity * viscosity)
}

/// Nusselt number of a vertical plate, all Rayleigh numbers up to 1e12:
/// `(0.825 + 0.387 Ra^(1/6) / (1 + (0.492/Pr)^(9/16))^(8/27))²`.
///
/// Churchill and Chu, Int. J. Heat Mass Transfer 18, 1323-1329, 1975. Length is the height.
pub fn nusselt_vertical(rayleigh: f64, prandtl: f64) -> f64 {
    let spread = libm::pow(1.0 + libm::pow(0.492 / prandtl, 9.0 / 16.0), 8.0 / 27.0);
    let nusselt = 0.825 + 0.387 * libm::cbrt(rayleigh.max(0.0).sqrt()) / spread;
    nusselt * nusselt
}

/// Nusselt number of a horizontal plate that heats the fluid above it or cools the one below, length area over perimeter.
///
/// `0.54 Ra^(1/4)` up to 1e7 (from 1e4), `0.15 Ra^(1/3)` above (to 1e11): McAdams; Lloyd and Moran 1974; Incropera ch. 9.
pub fn nusselt_horizontal_unstable(rayleigh: f64) -> f64 {
    let rayleigh = rayleigh.max(0.0);
    if rayleigh <= 1e7 { 0.54 * rayleigh.sqrt().sqrt() } else { 0.15 * libm::cbrt(rayleigh) }
}

/// Nusselt number of a horizontal plate that cools the fluid above it or heats the one below: `0.27 Ra^(1/4)`, Ra 1e5 to
/// 1e10, length area over perimeter (McAdams, in Incropera ch. 9).
pub fn nusselt_horizontal_stable(rayleigh: f64) -> f64 {
    0.27 * rayleigh.max(0.0).sqrt().sqrt()
}

/// Film coefficient of a vertical plate of a height (m) for a temperature difference (K), W/(m² K).
pub fn vertical_film(fluid: &FilmFluid, difference: f64, height: f64) -> f64 {
    nusselt_vertical(rayleigh(fluid, difference, height), fluid.prandtl) * fluid.conductivity / height
}

/// Radiation between a surface and its surroundings, W/m², temperatures in °C: `e sigma (Ts⁴ - Ta⁴)`.
pub fn radiation(emissivity: f64, surface: f64, surroundings: f64) -> f64 {
    let square = |x: f64| x * x;
    let (hot, cold) = (square(surface + ZERO_CELSIUS), square(surroundings + ZERO_CELSIUS));
    emissivity * STEFAN_BOLTZMANN * (hot + cold) * (hot - cold)
}

/// What passes heat from the water to the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum InnerFilm {
    /// A known coefficient, W/(m² K); about 500 where pumps stir the water.
    Stirred(f64),
    /// Natural convection of water with these properties.
    Still(FilmFluid),
}

/// A vertical wall between water and room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// Wetted height, m.
    pub height: f64,
    /// Thickness, m.
    pub thickness: f64,
    /// Conductivity of the pane, W/(m K).
    pub conductivity: f64,
    /// Emissivity of the room side.
    pub emissivity: f64,
}

/// The steady state of a wall. Films are W/(m² K), temperatures °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WallLoss {
    /// Heat from water to room, W/m²; negative when the room is warmer.
    pub flux: f64,
    /// Overall coefficient, W/(m² K).
    pub overall: f64,
    /// Film on the water side.
    pub inner_film: f64,
    /// Convection on the room side.
    pub outer_convection: f64,
    /// Radiation on the room side, linearised about the solution.
    pub outer_radiation: f64,
    /// Wall temperature on the water side.
    pub inner_surface: f64,
    /// Wall temperature on the room side.
    pub outer_surface: f64,
}

impl Wall {
    /// Heat loss from water to room, temperatures in °C: `1/U = 1/h_in + x/k + 1/(h_conv + h_rad)`, with the room-side
    /// surface temperature solved so that film, pane, convection and radiation carry the same heat.
    ///
    /// Surroundings at air temperature; Churchill and Chu in air (and in water, for [`InnerFilm::Still`]), valid to Ra 1e12,
    /// that is for walls up to about 2 m. A loss of equal temperatures is evaluated for 1 mK, to give a finite U.
    pub fn loss(&self, water: f64, room: f64, inner: InnerFilm) -> WallLoss {
        let water = if water == room { room + 1e-3 } else { water };
        let resistance = self.thickness / self.conductivity;
        let convection =
            |outer: f64| vertical_film(&FilmFluid::dry_air(0.5 * (outer + room)), outer - room, self.height);
        let outward =
            |outer: f64| convection(outer) * (outer - room) + radiation(self.emissivity, outer, room);
        let inner_film = |surface: f64| match inner {
            InnerFilm::Stirred(film) => film,
            InnerFilm::Still(fluid) => vertical_film(&fluid, water - surface, self.height),
        };
        let outer_surface = root(room, water, |outer| {
            let flux = outward(outer);
            let surface = outer + flux * resistance;
            // Film times difference keeps the sign of the difference, so the balance is monotone in `outer`.
            flux - inner_film(surface) * (water - surface)
        });
        let flux = outward(outer_surface);
        let inner_surface = outer_surface + flux * resistance;
        let difference = outer_surface - room;
        WallLoss {
            flux,
            overall: flux / (water - room),
            inner_film: inner_film(inner_surface),
            outer_convection: convection(outer_surface),
            outer_radiation: radiation(self.emissivity, outer_surface, room) / difference,
            inner_surface,
            outer_surface,
        }
    }
}

/// A body of water of one temperature that loses heat in proportion: `C dT/dt = P - UA (T - Ta)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lump {
    /// Heat capacity `C`, J/K.
    pub capacity: f64,
    /// Loss for each kelvin `UA`, W/K; zero is allowed.
    pub loss: f64,
}

impl Lump {
    /// Temperature after a time (s), exactly, from a start and an ambient temperature (°C) and a constant power (W).
    pub fn step(&self, start: f64, ambient: f64, power: f64, time: f64) -> f64 {
        let rate = (power - self.loss * (start - ambient)) / self.capacity;
        start + rate * time * decay_share(self.loss * time / self.capacity)
    }

    /// Temperature it settles at, °C; infinite (signed) if it loses nothing.
    pub fn steady(&self, ambient: f64, power: f64) -> f64 {
        if power == 0.0 { ambient } else { ambient + power / self.loss }
    }

    /// Time constant `C/UA`, s.
    pub fn time_constant(&self) -> f64 {
        self.capacity / self.loss
    }

    /// Time until it reaches a temperature, s, or `None` if it never does.
    pub fn time_to_reach(&self, target: f64, start: f64, ambient: f64, power: f64) -> Option<f64> {
        // The same equation as gas transfer, with UA/C for kLa and P/C for the source.
        crate::gas::time_to_reach(target, start, ambient, self.loss / self.capacity, power / self.capacity)
    }

    /// Power that holds a temperature, W; negative when cooling is needed.
    pub fn holding_power(&self, temperature: f64, ambient: f64) -> f64 {
        self.loss * (temperature - ambient)
    }
}

/// The parts of an open tank's steady heat need, W.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatNeed {
    /// Through the walls.
    pub walls: f64,
    /// Latent heat of evaporation.
    pub evaporation: f64,
    /// Convection from the open surface.
    pub sensible: f64,
    /// Heat that gear and lights give anyway.
    pub gains: f64,
}

impl HeatNeed {
    /// Heater power that holds the temperature, W; never negative.
    pub fn heater(&self) -> f64 {
        (self.walls + self.evaporation + self.sensible - self.gains).max(0.0)
    }
}

//! Air over water that is not the room's: under a hood, in a cabinet. A quasi-steady balance of vapour and heat between water, lamp and
//! the draught through the gaps; the air's own store is emptied in minutes and left out.

use crate::ZERO_CELSIUS;

/// Specific gas constant of water vapour, J/kg/K.
const VAPOUR_GAS_CONSTANT: f64 = 461.5;
/// Heat of a cubic metre of air, J/m³/K at 25 °C.
const AIR_HEAT: f64 = 1.184 * 1006.0;
/// Still-air film between water and the air of a hood, W/m²/K (assumed).
const FILM: f64 = 4.0;

/// Sums of the balance: what brings vapour and heat, and the weights of what takes them.
#[derive(Clone, Copy, Debug)]
pub struct Hood {
    room_c: f64,
    room_vapour_pa: f64,
    vapour_in: f64,
    vapour_weight: f64,
    heat_in: f64,
    heat_weight: f64,
}

impl Hood {
    /// A hood through which `draught` m³/s of the room's air (°C, Pa of vapour) go, with a lamp that gives its air so many W.
    pub fn new(draught: f64, room_c: f64, room_vapour_pa: f64, lamp_w: f64) -> Self {
        // Vapour in kg/s/Pa, heat in W/K.
        let by_vapour = draught / (VAPOUR_GAS_CONSTANT * (room_c + ZERO_CELSIUS));
        let by_heat = draught * AIR_HEAT;
        Hood {
            room_c,
            room_vapour_pa,
            vapour_in: by_vapour * room_vapour_pa,
            vapour_weight: by_vapour,
            heat_in: by_heat * room_c + lamp_w,
            heat_weight: by_heat,
        }
    }

    /// Water below it: `area` m² at so many °C and Pa of vapour, which give `film` kg/s for each Pa.
    pub fn add_water(&mut self, film: f64, area: f64, water_c: f64, vapour_pa: f64) {
        self.vapour_in += film * vapour_pa;
        self.vapour_weight += film;
        self.heat_in += FILM * area * water_c;
        self.heat_weight += FILM * area;
    }

    /// What its air settles at: °C, Pa of vapour (not held below saturation).
    pub fn settled(&self) -> (f64, f64) {
        let c = if self.heat_weight > 0.0 { self.heat_in / self.heat_weight } else { self.room_c };
        let pa =
            if self.vapour_weight > 0.0 { self.vapour_in / self.vapour_weight } else { self.room_vapour_pa };
        (c, pa)
    }
}

#[cfg(test)]
mod tests {
    use super::Hood;

    #[test]
    fn a_wide_draught_makes_it_the_room_and_none_makes_it_the_water() {
        let mut open = Hood::new(10.0, 20.0, 1200.0, 0.0);
        open.add_water(1e-8, 0.2, 26.0, 3300.0);
        let (c, pa) = open.settled();
        assert!((c - 20.0).abs() < 0.01 && (pa - 1200.0).abs() < 1.0);
        let mut shut = Hood::new(0.0, 20.0, 1200.0, 0.0);
        shut.add_water(1e-8, 0.2, 26.0, 3300.0);
        assert_eq!(shut.settled(), (26.0, 3300.0));
        assert_eq!(Hood::new(0.0, 20.0, 1200.0, 5.0).settled(), (20.0, 1200.0));
    }
}

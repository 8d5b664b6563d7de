//! The rate step, once a minute: properties of water and air that change slowly and cost much (vapour pressures, gas saturation,
//! carbonate equilibrium), held constant until the next.

use physics::hood::Hood;
use seawater::carbonate::{BoronRatio, Constants};
use seawater::oxygen::{O2_G_PER_MOL, saturation_mg_per_l};
use seawater::vapour::{latent_heat_j_per_kg, saturation_pressure_pa};
use system::model::Climate;

use crate::flaw::Flaws;
use crate::lanes::has;
use crate::plan::Plan;
use crate::state::{ALKALINITY, CALCIUM, CARBON, N_CONTENTS, SALT, State};
use crate::twin::Params;

/// Equilibrium constants are taken anew in every so many rate steps.
pub(crate) const CONSTANTS_EVERY: u64 = 10;
/// Temperature to which the given gas exchange belongs, °C.
const EXCHANGE_AT_C: f64 = 25.0;
/// Natural logarithm of the temperature factor of gas transfer, 1.024 a kelvin.
const LN_TEMPERATURE_FACTOR: f64 = 0.023_716_526_617_316_065;
/// Divides the nothing that evaporates from an empty vessel, J/m³.
const LATENT_OF_NOTHING: f64 = 2.44e9;

/// Room air where the file names no climate, °C.
const NO_CLIMATE_C: f64 = 22.0;

/// Room air of a climate at a time of the local day, s, without flaws: °C.
pub fn climate_c(climate: Option<&Climate>, local_s: f64) -> f64 {
    let Some(c) = climate else { return NO_CLIMATE_C };
    let (mean, half) = (0.5 * (c.day_c + c.night_c), 0.5 * (c.day_c - c.night_c));
    mean + half * libm::cos(core::f64::consts::TAU * (local_s / 86_400.0 - 15.0 / 24.0))
}

/// Room of each lane at local time `local_s` after `elapsed` seconds (0 at the start).
pub(crate) fn room<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    local_s: f64,
    elapsed: f64,
) {
    for l in 0..L {
        let climate = flaws.climate[l].unwrap_or(params.climate[l]);
        let normal = climate_c(plan.system.climates.get(climate), local_s);
        let without = plan.system.climates.get(climate).and_then(|c| c.without_mains);
        // Where nothing is heated (summer), a dead heating changes nothing.
        let off = flaws.room_falls[l].filter(|_| without.is_some());
        let falls = off.or(without.filter(|_| has(state.cold_house[0], l)));
        let fall = &mut state.room_fall[0][l];
        let (to, time) = falls.or(without).unwrap_or((normal, 3600.0));
        let target = if falls.is_some() { 1.0 } else { 0.0 };
        *fall = target + (*fall - target) * libm::exp(-elapsed / time.max(60.0));
        state.room_temperature[0][l] = normal + *fall * (to - normal);
    }
}

fn room_co2<const L: usize>(plan: &Plan, params: &Params<L>, flaws: &Flaws<L>, l: usize) -> f64 {
    let climate = flaws.climate[l].unwrap_or(params.climate[l]);
    flaws.room_co2[l].unwrap_or(plan.system.climates.get(climate).map_or(420.0, |c| c.co2_ppm))
}

/// All rates of all vessels.
pub(crate) fn step<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    constants: &mut [[Constants; L]],
) {
    let refresh = state.scan.is_multiple_of(plan.rate_every * CONSTANTS_EVERY);
    let mut room_vapour = [0.0; L];
    let mut co2_ppm = [0.0; L];
    for l in 0..L {
        let climate = flaws.climate[l].unwrap_or(params.climate[l]);
        let climate_now = plan.system.climates.get(climate);
        let humidity = climate_now.map_or(0.5, |c| c.humidity);
        co2_ppm[l] = room_co2(plan, params, flaws, l);
        // A cooling room keeps its water: relative humidity is that of the climate's normal temperature.
        room_vapour[l] = humidity * saturation_pressure_pa(state.room_temperature[0][l]);
    }
    spaces(plan, flaws, state, &room_vapour);
    for (v, node) in plan.nodes.iter().enumerate() {
        let at = v * N_CONTENTS;
        for l in 0..L {
            let volume = state.volume[v][l];
            if volume < 1e-6 {
                // A film exchanges nothing; what comes in before the next rate step does not either.
                state.latent[v][l] = LATENT_OF_NOTHING;
                state.vapour_gap[v][l] = 0.0;
                state.gamma[v][l] = 0.0;
                state.exchange_factor[v][l] = 0.0;
                state.carbon_gap[v][l] = 0.0;
                continue;
            }
            let t = state.temperature[v][l].clamp(0.0, 60.0);
            let salt = state.content[at + SALT][l];
            // One step of the fixed point S = salt / (rho(S) V) from the last density is exact to 1e-7.
            let rho = seawater::density::density_kg_per_m3(
                (1000.0 * salt / (state.density[v][l].max(900.0) * volume)).clamp(0.0, 60.0),
                t,
            );
            state.density[v][l] = rho;
            let s = (1000.0 * salt / (rho * volume)).clamp(0.0, 60.0);
            state.salinity[v][l] = s;
            let (air_c, vapour) = match node.air {
                Some(a) => (state.space_temperature[a][l], state.space_vapour[a][l]),
                None => (state.room_temperature[0][l], room_vapour[l]),
            };
            let latent = latent_heat_j_per_kg(t);
            state.air_temperature[v][l] = air_c;
            state.latent[v][l] = latent * 1000.0;
            if node.evaporation <= 0.0 && !node.alive {
                // Sealed fresh water: no vapour leaves it and nothing breathes in it.
                continue;
            }
            state.gamma[v][l] =
                physics::evaporation::psychrometric_constant(seawater::STANDARD_ATMOSPHERE_PA, latent) * 1e-3;
            let over_water = seawater::vapour::vapour_pressure_pa(s, t);
            state.vapour_gap[v][l] = (over_water - vapour) * 1e-3;
            if !node.alive {
                continue;
            }
            state.exchange_factor[v][l] = libm::exp((t - EXCHANGE_AT_C) * LN_TEMPERATURE_FACTOR);
            state.oxygen_saturation[v][l] = saturation_mg_per_l(s, t) / O2_G_PER_MOL;
            if refresh {
                state.constants_at_c[v][l] = t;
                state.constants_at_salinity[v][l] = s;
                constants[v][l] = Constants::at(s, t, BoronRatio::default());
            }
            let k = &constants[v][l];
            let mass = rho * volume * 1e-6; // mol in the vessel to µmol/kg
            let ta = state.content[at + ALKALINITY][l] / mass;
            let dic = state.content[at + CARBON][l] / mass;
            let h = k.hydrogen_from(ta, dic, state.hydrogen[v][l]);
            state.hydrogen[v][l] = h;
            state.ph_nbs[v][l] = -libm::log10(h) + k.nbs_minus_total;
            // Dry mole fraction to wet pressure, uatm (handbook section 0, trap 6).
            let dry = (seawater::STANDARD_ATMOSPHERE_PA - over_water) / seawater::STANDARD_ATMOSPHERE_PA;
            let air = co2_ppm[l] * dry;
            let gap = k.co2_at_pco2_umol_per_kg(air) - k.co2_umol_per_kg(dic, h);
            state.carbon_gap[v][l] = gap * rho * 1e-6;
            let omega = k.omega_aragonite(state.content[at + CALCIUM][l] / mass, dic, h);
            state.omega[v][l] = omega;
            state.worst_omega[0][l] = state.worst_omega[0][l].max(omega);
        }
    }
}

/// Air over water that is not the room's: quasi-steady balances of vapour and heat between water, lamp and leakage.
fn spaces<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &mut State<L>, room_vapour: &[f64; L]) {
    for (a, space) in plan.system.air_spaces.iter().enumerate() {
        for l in 0..L {
            let room_c = state.room_temperature[0][l];
            let mut draught = space.leak_m3_s;
            let mut lamp = 0.0;
            for (i, actuator) in plan.system.actuators.iter().enumerate() {
                let drive = state.drive[i][l] * flaws.strength[i][l];
                if let Some(blow) = actuator.blows.filter(|b| plan.nodes[b.over.idx()].air == Some(a)) {
                    draught += blow.draws_m3_s * drive;
                }
                if actuator.lights.is_some_and(|v| plan.nodes[v.idx()].air == Some(a)) {
                    let share = actuator.heats.map_or(0.0, |(_, share)| share);
                    lamp += actuator.watts * drive * (1.0 - share);
                }
            }
            let mut hood = Hood::new(draught, room_c, room_vapour[l], lamp);
            for (v, node) in plan.nodes.iter().enumerate().filter(|(_, n)| n.air == Some(a)) {
                let t = state.temperature[v][l].clamp(0.0, 60.0);
                let over = seawater::vapour::vapour_pressure_pa(state.salinity[v][l], t);
                let film = node.evaporation * 89.0 * 1e-3 / latent_heat_j_per_kg(t) * state.area[v][l];
                hood.add_water(film, state.area[v][l], t, over);
            }
            let (t, p) = hood.settled();
            state.space_temperature[a][l] = t;
            state.space_vapour[a][l] = p.min(saturation_pressure_pa(t.clamp(0.0, 60.0)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::LN_TEMPERATURE_FACTOR;

    #[test]
    fn the_logarithm_is_that_of_the_factor() {
        assert_eq!(LN_TEMPERATURE_FACTOR, libm::log(physics::gas::TEMPERATURE_FACTOR));
    }
}

//! Films, walls, heater sizing, temperature steps, moist air, evaporation and gas against the reference tables
//! (tolerances of MANIFEST.csv).
#![allow(clippy::unwrap_used)]

use checks::{Table, assert_abs, assert_rel};
use physics::air::{self, FilmFluid};
use physics::evaporation::{self, Surface};
use physics::heat::{self, HeatNeed, InnerFilm, Lump, Wall};
use physics::{ATMOSPHERE, gas};

/// Saturation pressure over water, Pa: Hyland and Wexler as in ASHRAE Fundamentals (handbook section 4; within 5e-4 of
/// psychro_water.csv, checked below). Written here so that these tests judge this crate alone.
fn saturation(t: f64) -> f64 {
    let k = t + 273.15;
    libm::exp(
        -5800.2206 / k + 1.3914993 - 0.048640239 * k + 4.1764768e-5 * k * k - 1.4452093e-8 * k * k * k
            + 6.5459673 * libm::log(k),
    )
}

/// Latent heat at 0 °C less 2.37 kJ/kg a kelvin (handbook section 4), J/kg.
fn latent_heat(t: f64) -> f64 {
    2.501e6 - 2370.0 * t
}

/// Water activity at S = 35 (TEOS-10, handbook section 4).
const ACTIVITY_35: f64 = 0.9813;

/// Seawater S = 35, 25 °C: TEOS-10 density, heat capacity and expansion, Sharqawy 2010 viscosity, refit conductivity.
fn seawater_film() -> FilmFluid {
    let table = Table::load("seawater_properties");
    let row = table
        .rows()
        .find(|row| row.f64("S_pss78") == 35.0 && row.f64("t90_C") == 25.0)
        .expect("the row of S 35, 25 degC");
    FilmFluid::new(
        row.f64("rho_teos10_kg_m3"),
        row.f64("mu_sharqawy_Pa_s"),
        row.f64("cp_teos10_J_kgK"),
        row.f64("k_coolprop_mitsw_W_mK"),
        row.f64("alpha_1_K"),
    )
}

#[test]
fn nusselt_numbers_match_the_table() {
    // natural_convection_nu.csv: Incropera example 9.2 (published) and ht 1.2.0.
    for row in Table::load("natural_convection_nu").rows() {
        let got = heat::nusselt_vertical(row.f64("Ra"), row.f64("Pr"));
        assert_rel(got, row.f64("recomputed"), 1e-6, &row.place());
        let published = if row.str("basis") == "published" { 2e-3 } else { 1e-6 };
        assert_rel(got, row.f64("Nu"), published, &row.place());
    }
}

#[test]
fn horizontal_plates_follow_the_textbook() {
    // Incropera equations 9.30 to 9.32, evaluated by hand at Ra = 1e6 and 1e9.
    assert_rel(heat::nusselt_horizontal_unstable(1e6), 17.076_3, 1e-5, "0.54 Ra^1/4");
    assert_rel(heat::nusselt_horizontal_unstable(1e9), 150.0, 1e-12, "0.15 Ra^1/3");
    assert_rel(heat::nusselt_horizontal_stable(1e8), 27.0, 1e-12, "0.27 Ra^1/4");
}

#[test]
fn wall_losses_match_the_table() {
    // wall_heat_loss.csv: ht 1.2.0, gsw 3.6.23, CoolProp 8.0.0.
    let film = seawater_film();
    for row in Table::load("wall_heat_loss").rows() {
        let wall = Wall {
            height: row.f64("height_m"),
            thickness: row.f64("thickness_mm") / 1e3,
            conductivity: row.f64("k_W_mK"),
            emissivity: row.f64("emissivity"),
        };
        let inner = match row.str("inner_film") {
            "natural" => InnerFilm::Still(film),
            _ => InnerFilm::Stirred(row.f64("h_in_W_m2K")),
        };
        let loss = wall.loss(row.f64("Tw_C"), row.f64("Ta_C"), inner);
        assert_rel(loss.overall, row.f64("U_W_m2K"), 0.02, &row.place());
        assert_rel(loss.flux, row.f64("q_W_m2"), 0.02, &row.place());
        assert_rel(loss.outer_radiation, row.f64("h_rad_out_W_m2K"), 0.002, &row.place());
        assert_rel(loss.outer_convection, row.f64("h_conv_out_W_m2K"), 0.02, &row.place());
        assert_abs(loss.outer_surface, row.f64("T_outer_C"), 0.03, &row.place());
        assert_abs(loss.inner_surface, row.f64("T_inner_C"), 0.03, &row.place());
        // The four resistances in a row give the same U.
        let series = 1.0 / loss.inner_film
            + wall.thickness / wall.conductivity
            + 1.0 / (loss.outer_convection + loss.outer_radiation);
        assert_rel(1.0 / series, loss.overall, 1e-9, &row.place());
    }
}

#[test]
fn a_wall_answers_for_a_warm_room_and_for_equal_temperatures() {
    let wall = Wall { height: 0.5, thickness: 0.01, conductivity: 1.0, emissivity: 0.9 };
    let inner = InnerFilm::Stirred(500.0);
    let warm = wall.loss(24.0, 30.0, inner);
    assert!(warm.flux < 0.0 && warm.overall > 5.0 && warm.overall < 9.0, "{warm:?}");
    let equal = wall.loss(25.0, 25.0, inner);
    assert!(equal.overall > 4.0 && equal.overall < 7.5 && equal.flux.abs() < 0.01, "{equal:?}");
}

#[test]
fn heater_needs_match_the_table() {
    // heater_sizing.csv: steady balance, half the ASHRAE evaporation, bottom insulated.
    let film = seawater_film();
    for row in Table::load("heater_sizing").rows() {
        let (length, width, height) = (row.f64("L_m"), row.f64("W_m"), row.f64("H_m"));
        let (room, water) = (row.f64("Ta_C"), row.f64("Tset_C"));
        let conductivity = match row.str("material") {
            "glass" => heat::GLASS_CONDUCTIVITY,
            _ => heat::ACRYLIC_CONDUCTIVITY,
        };
        let wall = Wall {
            height,
            thickness: row.f64("thickness_mm") / 1e3,
            conductivity,
            emissivity: heat::WALL_EMISSIVITY,
        };
        let loss = wall.loss(water, room, InnerFilm::Still(film));
        assert_rel(loss.overall, row.f64("U_W_m2K"), 0.02, &row.place());
        let surface = Surface::new(water, room, ACTIVITY_35 * saturation(water), 0.5 * saturation(room));
        let latent = latent_heat(water);
        let area = length * width;
        let evaporation = evaporation::natatorium(&surface, 0.0, latent, evaporation::QUIET);
        let need = HeatNeed {
            walls: loss.flux * 2.0 * (length + width) * height,
            evaporation: evaporation * latent * area,
            sensible: evaporation::sensible_heat(&surface, 0.0, latent, evaporation::QUIET) * area,
            gains: 0.0,
        };
        assert_rel(need.walls, row.f64("q_wall_W"), 0.05, &row.place());
        assert_rel(need.evaporation, row.f64("q_evap_W"), 0.05, &row.place());
        assert_rel(need.sensible, row.f64("q_sensible_W"), 0.05, &row.place());
        assert_rel(need.heater(), row.f64("q_total_W"), 0.05, &row.place());
        assert_rel(evaporation * area * 86_400.0, row.f64("evap_L_day"), 0.05, &row.place());
    }
}

#[test]
fn temperature_steps_match_the_table() {
    // thermal_step.csv: exact solution, C from TEOS-10.
    for row in Table::load("thermal_step").rows() {
        let tank = Lump { capacity: row.f64("C_J_K"), loss: row.f64("UA_W_K") };
        let (start, room, power) = (row.f64("T0_C"), row.f64("Ta_C"), row.f64("P_W"));
        let time = row.f64("time_h") * 3600.0;
        let got = tank.step(start, room, power, time);
        assert_abs(got, row.f64("T_C"), 1e-4, &row.place());
        assert_rel(tank.time_constant() / 3600.0, row.f64("tau_h"), 1e-6, &row.place());
        let unlosing = Lump { loss: 0.0, ..tank };
        let ramp = unlosing.step(start, room, power, 3600.0) - start;
        assert_abs(ramp, row.f64("ramp_no_loss_K_h"), 1e-6, &row.place());
        if got != start {
            assert_rel(tank.time_to_reach(got, start, room, power).unwrap(), time, 1e-9, &row.place());
        }
    }
}

#[test]
fn moist_air_matches_the_tables() {
    // psychro_water.csv: psychrolib 2.5.0. On trial here are the two functions above.
    for row in Table::load("psychro_water").rows() {
        assert_rel(saturation(row.f64("t_C")), row.f64("psat_psychrolib_Pa"), 5e-4, &row.place());
        assert_rel(latent_heat(row.f64("t_C")), row.f64("hfg_kJ_kg") * 1e3, 1e-3, &row.place());
    }
    // psychro_wetbulb.csv: psychrolib 2.5.0.
    for row in Table::load("psychro_wetbulb").rows() {
        let t = row.f64("t_C");
        let vapour = row.f64("RH_frac") * saturation(t);
        let wet = air::wet_bulb(t, vapour, ATMOSPHERE, saturation);
        assert_abs(wet, row.f64("wetbulb_C"), 0.05, &row.place());
        assert_abs(air::dew_point(t, vapour, saturation), row.f64("dewpoint_C"), 0.05, &row.place());
        let ratio = air::humidity_ratio(vapour, ATMOSPHERE);
        assert_rel(ratio, row.f64("humidity_ratio_kg_kg"), 5e-4, &row.place());
        assert_rel(air::vapour_pressure(ratio, ATMOSPHERE), vapour, 1e-12, &row.place());
        let volume = air::specific_volume(t, ratio, ATMOSPHERE);
        assert_rel(volume, row.f64("v_m3_kg_dry"), 5e-4, &row.place());
    }
    // U.S. Standard Atmosphere 1976 at 15 °C: 1.7894e-5 Pa s, 0.025326 W/(m K) (from memory of its sea-level row).
    assert_rel(air::viscosity(15.0), 1.7894e-5, 1e-4, "viscosity of air");
    assert_rel(air::conductivity(15.0), 0.025326, 1e-3, "conductivity of air");
}

#[test]
fn natatorium_and_shah_match_the_table() {
    // evaporation_ashrae.csv: ASHRAE equation and Bowen ratio with psychrolib, CoolProp, TEOS-10 inputs.
    for row in Table::load("evaporation_ashrae").rows() {
        let (water, room, speed) = (row.f64("Tw_C"), row.f64("Ta_C"), row.f64("V_m_s"));
        let surface = Surface::new(water, room, row.f64("pw_Pa"), row.f64("pa_Pa"));
        let latent = row.f64("hfg_kJ_kg") * 1e3;
        let got = evaporation::natatorium(&surface, speed, latent, 1.0);
        assert_rel(got * 3600.0, row.f64("W_kg_m2_h"), 1e-3, &row.place());
        assert_rel(got * latent, row.f64("q_latent_W_m2"), 1e-3, &row.place());
        let quiet = evaporation::natatorium(&surface, speed, latent, evaporation::UNDISTURBED);
        assert_rel(quiet * 3600.0, row.f64("quiet074_kg_m2_h"), 1e-3, &row.place());
        let sensible = evaporation::sensible_heat(&surface, speed, latent, 1.0);
        assert_rel(sensible, row.f64("q_sensible_W_m2"), 1e-3, &row.place());
        let shah = row.f64("shah_quiet_fresh_kg_m2_h");
        if shah >= 0.0 {
            let fresh = Surface { water_vapour: saturation(water), ..surface };
            assert_rel(evaporation::shah_quiet(&fresh) * 3600.0, shah, 1e-3, &row.place());
        }
    }
}

#[test]
fn shah_matches_its_published_table() {
    // evaporation_shah_published.csv: nine values of Shah's look-up table (via public code).
    for row in Table::load("evaporation_shah_published").rows() {
        let (water, room) = (row.f64("Tw_C"), row.f64("Ta_C"));
        let surface = Surface::new(water, room, saturation(water), row.f64("RH_frac") * saturation(room));
        let got = evaporation::shah_quiet(&surface) * 3600.0;
        assert_rel(got, row.f64("E0_published_kg_m2_h"), 0.006, &row.place());
        let larger = row.f64("E_natural_kg_m2_h").max(row.f64("E_forced_kg_m2_h"));
        assert_rel(got, larger, 1e-3, &row.place());
    }
}

#[test]
fn mass_transfer_matches_the_table() {
    // evaporation_mass_transfer.csv: Incropera correlations with psychrolib and CoolProp inputs.
    for row in Table::load("evaporation_mass_transfer").rows() {
        let (water, room, side, speed) = (row.f64("Tw_C"), row.f64("Ta_C"), row.f64("L_m"), row.f64("U_m_s"));
        let surface = Surface::new(water, room, saturation(water), row.f64("RH_frac") * saturation(room));
        let (light, dense) = surface.moist_densities();
        assert_rel(light, row.f64("rho_surface_kg_m3"), 1e-3, &row.place());
        assert_rel(dense, row.f64("rho_room_kg_m3"), 1e-3, &row.place());
        let diffusivity = evaporation::vapour_diffusivity(0.5 * (water + room));
        assert_rel(diffusivity, row.f64("D_m2_s"), 1e-6, &row.place());
        let viscosity = row.f64("nu_m2_s");
        let coefficient = if speed == 0.0 {
            evaporation::still_transfer_coefficient(&surface, side, viscosity)
        } else {
            evaporation::moving_transfer_coefficient(&surface, side, speed, viscosity)
        };
        assert_rel(coefficient, row.f64("hm_m_s"), 1e-3, &row.place());
        let evaporated = coefficient * evaporation::vapour_density_difference(&surface) * 3600.0;
        assert_rel(evaporated, row.f64("W_kg_m2_h"), 1e-3, &row.place());
        // The whole, with this crate's own air viscosity; at a quarter metre a second still air is the stronger.
        if speed != 0.25 {
            let whole = evaporation::mass_transfer(&surface, side, speed) * 3600.0;
            assert_rel(whole, row.f64("W_kg_m2_h"), 5e-3, &row.place());
        }
    }
}

#[test]
fn gas_steps_match_the_table() {
    // gas_transfer_step.csv: ASCE/EWRI 2-06 and the exact solution.
    for row in Table::load("gas_transfer_step").rows() {
        let transfer = gas::transfer_at(row.f64("kLa20_per_h"), row.f64("T_C"));
        assert_rel(transfer, row.f64("kLa_per_h"), 1e-6, &row.place());
        let (start, saturation) = (row.f64("C0_mg_L"), row.f64("Csat_mg_L"));
        let got = gas::step(start, saturation, transfer, 0.0, row.f64("time_h"));
        assert_rel(got, row.f64("C_mg_L"), 1e-6, &row.place());
        let back = gas::time_to_reach(got, start, saturation, transfer, 0.0).unwrap();
        assert_rel(back, row.f64("time_h"), 1e-9, &row.place());
    }
}

#[test]
fn oxygen_depletion_matches_the_table() {
    // o2_depletion.csv: exact solution; `inf` means never.
    for row in Table::load("o2_depletion").rows() {
        let (demand, transfer) = (row.f64("R_mg_L_h"), row.f64("kLa_per_h"));
        let (start, saturation) = (row.f64("C0_mg_L"), row.f64("Csat_mg_L"));
        for (limit, column) in [(4.0, "h_to_4mg_L"), (2.0, "h_to_2mg_L")] {
            let want = row.f64(column);
            let got = gas::depletion_time(limit, start, saturation, transfer, demand);
            match got {
                Some(hours) => {
                    assert_rel(hours, want, 1e-6, &format!("{} {column}", row.place()));
                    let there = gas::step(start, saturation, transfer, -demand, hours);
                    assert_abs(there, limit, 1e-9, &row.place());
                }
                None => assert_eq!(want, f64::INFINITY, "{} {column}", row.place()),
            }
        }
        if transfer > 0.0 {
            let steady = gas::steady(saturation, transfer, -demand).max(0.0);
            assert_abs(steady, row.f64("Css_mg_L"), 1e-6, &row.place());
        }
    }
}

#[test]
fn co2_factors_follow_from_the_schmidt_numbers() {
    // schmidt_numbers.csv: Wanninkhof 2014 polynomials, S = 35.
    for row in Table::load("schmidt_numbers").rows() {
        let (oxygen, carbon) = (row.f64("Sc_O2"), row.f64("Sc_CO2"));
        let agitated = gas::transfer_ratio(carbon, oxygen, 0.5);
        let smooth = gas::transfer_ratio(carbon, oxygen, 2.0 / 3.0);
        assert_rel(agitated, row.f64("kCO2_over_kO2_half"), 1e-6, &row.place());
        assert_rel(smooth, row.f64("kCO2_over_kO2_twothirds"), 1e-6, &row.place());
        assert_abs(agitated, gas::CO2_AGITATED, 0.01, &row.place());
        assert_abs(smooth, gas::CO2_SMOOTH, 0.01, &row.place());
    }
}

#[test]
fn depletion_edges() {
    assert_eq!(gas::depletion_time(4.0, 3.0, 6.6, 0.1, 1.0), Some(0.0));
    assert_eq!(gas::depletion_time(4.0, 6.0, 6.6, 0.0, 0.0), None);
    assert_eq!(gas::time_to_reach(7.0, 6.0, 6.6, 0.5, 0.0), None);
    assert_eq!(gas::transfer_from_film(0.02, 0.6, 0.3), 0.04);
    assert_eq!(gas::transfer_from_film(0.02, 0.6, 0.0), 0.0);
    assert_eq!(Lump { capacity: 1e6, loss: 0.0 }.time_to_reach(26.0, 25.0, 20.0, 100.0), Some(1e4));
}

#[test]
fn the_whole_chain_from_salinity_and_temperature() {
    use physics::conditions;
    // wall_heat_loss.csv with the properties of the seawater crate; handbook section 4 for 26/24 degC, 50 %, still air:
    // 5.72 mm/day and 160.9 W/m2 (ASHRAE, S = 35), wet bulb 17.07 degC.
    let wall = Wall {
        height: 0.5,
        thickness: 0.010,
        conductivity: heat::GLASS_CONDUCTIVITY,
        emissivity: heat::WALL_EMISSIVITY,
    };
    let loss = wall.loss(26.0, 22.0, InnerFilm::Still(conditions::film(35.0, 26.0)));
    assert_rel(loss.overall, 6.928_727_71, 0.02, "U of 10 mm glass");
    let surface = conditions::surface(35.0, 26.0, 24.0, 0.5);
    let latent = conditions::latent_heat(26.0);
    let evaporation = evaporation::natatorium(&surface, 0.0, latent, 1.0);
    // 1e-3 for the equation, 3e-4 of vapour pressure for the water activity of Weiss and Price against TEOS-10.
    assert_rel(evaporation * latent, 160.883_953, 1.5e-3, "latent heat");
    assert_abs(conditions::wet_bulb(24.0, 0.5), 17.067_530_5, 0.05, "wet bulb");
    // Handbook section 5: 200 L at S = 35 hold 818.5 kJ/K; section 6 fluid: 0.959e-3 / 1023.34.
    assert_rel(0.2 * conditions::volumetric_heat_capacity(35.0, 25.0), 818.5e3, 2e-3, "heat capacity");
    assert_rel(conditions::kinematic_viscosity(35.0, 25.0), 0.000_959_185_06 / 1023.34363, 1e-3, "viscosity");
}

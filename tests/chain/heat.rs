//! Heat and evaporation through the chain.

use checks::{Table, assert_abs, assert_rel};
use physics::heat::{InnerFilm, Lump, WALL_EMISSIVITY, Wall};
use system::model::{Corner, TruthKind};
use twin::{Books, Plan};

use crate::rig::{HOUR, LITRE, Rig, actuator, corner, room, system, vessel, vessel_of};

/// Tank of so many litres at a depth of 400 mm, closed, with a heater of so many watts; its water at `celsius` and salinity 35.
fn closed_tank(litres: f64, watts: f64, celsius: f64, room_c: f64) -> String {
    let length = litres * LITRE / 0.4 / 0.5 * 1000.0;
    room(room_c, 10.0)
        + &format!("[water]\ntemperature = \"{celsius} degC\"\nsalinity = 35\n")
        + &vessel("tank", [length, 500.0, 450.0], 0.0, 400.0, "glass = \"10 mm\"\n")
        + &actuator(
            "heater",
            "heater",
            &format!("power = \"{watts} W\"\ndelay = \"0 s\"\nheats = {{ vessel = \"tank\" }}"),
        )
}

/// The loss that the wall law gives for the tank above, W/K: five faces, film of stirred water (handbook section 5), taken at 25 °C
/// against 20 °C as the twin does.
fn wall_loss(litres: f64) -> f64 {
    let (length, depth, level) = (litres * LITRE / 0.4 / 0.5, 0.5, 0.4);
    let wall = Wall { height: 0.45, thickness: 0.010, conductivity: 1.0, emissivity: WALL_EMISSIVITY };
    let overall = wall.loss(25.0, 20.0, InnerFilm::Stirred(500.0)).overall;
    overall * (2.0 * (length + depth) * level + length * depth)
}

/// tests/reference/thermal_step.csv, `C dT/dt = P - UA (T - Ta)` solved exactly. The walls' loss is brought to the table's UA by the
/// corner's factor, so the wall law itself takes part. MANIFEST.csv: 1e-4 K given C (the chain comes within 1e-5 K).
#[test]
fn a_closed_tank_follows_the_exact_exponential() {
    for row in Table::load("thermal_step").rows() {
        let litres = row.f64("water_L");
        let system = system(&closed_tank(litres, row.f64("P_W"), row.f64("T0_C"), row.f64("Ta_C")));
        let plan = Plan::new(&system);
        let factor = row.f64("UA_W_K") / wall_loss(litres);
        let here = Corner { wall_loss: factor, ..corner() };
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&here)]);
        rig.on("heater");
        rig.run(row.f64("time_h") * HOUR);
        assert_abs(rig.temperature("tank"), row.f64("T_C"), 1e-4, &row.place());
        let lump = Lump { capacity: row.f64("C_J_K"), loss: row.f64("UA_W_K") };
        let exact = lump.step(row.f64("T0_C"), row.f64("Ta_C"), row.f64("P_W"), row.f64("time_h") * HOUR);
        assert_abs(rig.temperature("tank"), exact, 1e-4, &row.place());
    }
}

/// tests/reference/thermal_step.csv, the ramp of a tank that loses nothing: exact but for the heat capacity (TEOS-10, 3e-6).
#[test]
fn an_insulated_tank_warms_on_a_ramp() {
    for row in Table::load("thermal_step").rows() {
        let system = system(&closed_tank(row.f64("water_L"), row.f64("P_W"), 25.0, 21.0));
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&Corner { wall_loss: 0.0, ..corner() })]);
        rig.on("heater");
        rig.run(HOUR);
        assert_abs(rig.temperature("tank") - 25.0, row.f64("ramp_no_loss_K_h"), 1e-5, &row.place());
    }
}

/// The walls as they are, without a corner: what is lost in the first ten seconds is what a lump with the wall law's UA loses.
#[test]
fn walls_lose_what_the_wall_law_says() {
    let system = system(&closed_tank(200.0, 0.0, 25.0, 20.0));
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let before = rig.twin.books(0);
    rig.run(10.0);
    let lost = rig.twin.books(0).heat_lost_j - before.heat_lost_j;
    let capacity = 0.2 * 1023.34 * 3998.98;
    let lump = Lump { capacity, loss: wall_loss(200.0) };
    assert_rel(lost, capacity * (25.0 - lump.step(25.0, 20.0, 0.0, 10.0)), 1e-6, "J");
}

/// tests/reference/wall_heat_loss.csv, glass and acrylic with a stirred inside: MANIFEST.csv gives U rel 2 %, and the twin takes its
/// films at 5 K instead of the row's difference, which is worth 5 % for a factor of two (handbook section 5).
#[test]
fn walls_lose_what_the_table_says() {
    for row in Table::load("wall_heat_loss").rows().filter(|row| row.str("inner_film") != "natural") {
        let (water, air) = (row.f64("Tw_C"), row.f64("Ta_C"));
        // A box of which only the walls lose, filled to the row's height.
        let height = 1000.0 * row.f64("height_m");
        let text = room(air, 10.0)
            + &format!("[water]\ntemperature = \"{water} degC\"\nsalinity = 35\n")
            + &vessel(
                "tank",
                [1000.0, 500.0, height],
                0.0,
                height,
                &format!(
                    "wall = {{ thickness = \"{} mm\", conductivity = \"{} W/m/K\" }}\nbottom_insulated = true\n",
                    row.f64("thickness_mm"),
                    row.f64("k_W_mK")
                ),
            );
        let system = system(&text);
        let plan = Plan::new(&system);
        let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
        rig.run(10.0);
        let flux = rig.twin.books(0).heat_lost_j / 10.0 / (3.0 * row.f64("height_m"));
        let doublings = ((water - air) / 5.0).abs().log2().abs();
        assert_rel(flux / (water - air), row.f64("U_W_m2K"), 0.02 + 0.05 * doublings, &row.place());
    }
}

/// Evaporation and heat lost in the first minute from a square metre: `(kg/m²/h, W/m² beyond what the vapour takes)`.
fn first_minute(row: checks::Row<'_>, factor: f64) -> (f64, f64) {
    let text = format!(
        "[system]\nname = \"pan\"\nscan = \"1 s\"\n[[climate]]\nname = \"room\"\nday = \"{} degC\"\nhumidity = {}\n\
         [[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n[water]\ntemperature = \"{} degC\"\nsalinity = {}\n",
        row.f64("Ta_C"),
        row.f64("RH_frac"),
        row.f64("Tw_C"),
        row.f64("S_pss78"),
    ) + &vessel(
        "pan",
        [1000.0, 1000.0, 500.0],
        0.0,
        400.0,
        &format!("evaporation = {factor}\nair_speed = \"{} m/s\"\n", row.f64("V_m_s")),
    );
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[Some(&Corner { wall_loss: 0.0, ..corner() })]);
    rig.run(60.0);
    let Books { evaporated_m3, heat_lost_j, .. } = rig.twin.books(0);
    let latent = row.f64("hfg_kJ_kg") * 1e3;
    // Vapour takes its latent heat and leaves with the heat of its own water over 0 °C (4.1693 MJ/m³/K, CoolProp at 25 °C).
    let with_vapour = evaporated_m3 * (1000.0 * latent + 4.1693e6 * row.f64("Tw_C"));
    (evaporated_m3 * 1000.0 * 60.0, (heat_lost_j - with_vapour) / 60.0)
}

/// tests/reference/evaporation_ashrae.csv: `W = (0.089 + 0.0782 V)(pw - pa) / Y`. MANIFEST.csv: rel 1e-3 for given pressures, which the
/// chain computes itself from temperature, salinity and humidity with 5e-4 (psychro_water.csv) on each pressure and on the activity.
#[test]
fn pans_evaporate_as_the_ashrae_table_says() {
    for row in Table::load("evaporation_ashrae").rows() {
        let (pw, pa) = (row.f64("pw_Pa"), row.f64("pa_Pa"));
        let tolerance = 1e-3 + (1e-3 * pw + 5e-4 * pa) / (pw - pa);
        let (evaporated, sensible) = first_minute(row, 1.0);
        assert_rel(evaporated, row.f64("W_kg_m2_h"), tolerance, &row.place());
        // The Bowen ratio: rel 2e-3 (latent heat and psychrometric constant), and what the latent part leaves in the difference.
        let latent = row.f64("q_latent_W_m2");
        assert_abs(
            sensible,
            row.f64("q_sensible_W_m2"),
            2e-3 * row.f64("q_sensible_W_m2").abs() + 5e-4 * latent,
            &row.place(),
        );
        if row.f64("V_m_s") == 0.0 {
            let (quiet, _) = first_minute(row, 0.74);
            assert_rel(quiet, row.f64("quiet074_kg_m2_h"), tolerance, &row.place());
        }
    }
}

/// Salt stays while water leaves: `S ρ V` is constant (definition). Ten days of an open tank without top-off; salinity is taken once
/// a minute, in which 2e-5 of the water goes at most.
#[test]
fn salinity_rises_as_water_evaporates() {
    let text = room(24.0, 10.0)
        + "[water]\ntemperature = \"24 degC\"\nsalinity = 35\n"
        + &vessel("tank", [1000.0, 500.0, 500.0], 0.0, 400.0, "evaporation = 1.0\n");
    let system = system(&text);
    let plan = Plan::new(&system);
    let mut rig: Rig<'_, 1> = Rig::new(&plan, &[None]);
    let salt = |rig: &Rig<'_, 1>| {
        let v = vessel_of(&system, "tank");
        let (s, t) = (rig.twin.truth(TruthKind::Salinity(v))[0], rig.temperature("tank"));
        s * seawater::density::density_kg_per_m3(s, t) * rig.volume("tank")
    };
    rig.run(60.0);
    let (salt_before, water_before) = (salt(&rig), rig.volume("tank"));
    rig.run(10.0 * 24.0 * HOUR);
    let lost = water_before - rig.volume("tank");
    assert!(lost > 0.07 * water_before, "only {lost} m3 evaporated");
    assert_rel(salt(&rig), salt_before, 2e-5, "S ρ V");
    assert_rel(
        rig.twin.books(0).evaporated_m3 - 0.0,
        0.2 - rig.volume("tank"),
        1e-9,
        "what left is what evaporated",
    );
}

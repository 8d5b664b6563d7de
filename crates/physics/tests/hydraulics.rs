//! Weirs, pipes, fittings, orifices, siphons, pumps against the reference tables (tolerances of MANIFEST.csv).
#![allow(clippy::unwrap_used)]

use checks::{Table, assert_rel};
use physics::fast::{self, Flow};
use physics::pipe::{self, Fitting, Friction, Pipe, SMOOTH_PVC_ROUGHNESS};
use physics::pump::{Condition, Pump};
use physics::weir::{Formula, LowHeadWeir, Weir};
use physics::{circle_area, orifice};

/// L/h in m³/s.
const LITRE_PER_HOUR: f64 = 1e-3 / 3600.0;

/// Kinematic viscosity of the fluid of the pipe tables: seawater S = 35, 25 °C (gsw; Sharqawy 2010), see their first line.
const SEAWATER_25: f64 = 0.000_959_185_06 / 1023.34363;

/// Density of the same fluid, kg/m³.
const DENSITY_25: f64 = 1023.34363;

fn pipe_of(diameter_mm: f64, length: f64, minor_loss: f64) -> Pipe {
    Pipe { diameter: diameter_mm / 1e3, length, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss }
}

#[test]
fn weir_flows_match_the_table() {
    // weir_rectangular.csv: Rehbock and Kindsvater-Carter by fluids 1.3.1; ISO 1438, contracted, Francis as printed.
    let formulas = [
        (Formula::Rehbock, "Q_rehbock_L_h"),
        (Formula::FullWidth, "Q_kc_full_L_h"),
        (Formula::FullWidth, "Q_iso1438_full_L_h"),
        (Formula::Contracted, "Q_kc_contracted_L_h"),
        (Formula::Francis { contractions: 0 }, "Q_francis_n0_L_h"),
        (Formula::Francis { contractions: 2 }, "Q_francis_n2_L_h"),
    ];
    for row in Table::load("weir_rectangular").rows() {
        let head = row.f64("h_m");
        for (formula, column) in formulas {
            let weir = Weir { formula, width: row.f64("b_m"), crest_height: row.f64("p_m") };
            let want = row.f64(column) * LITRE_PER_HOUR;
            assert_rel(weir.flow(head), want, 1e-4, &format!("{} {column}", row.place()));
            assert_rel(weir.head(want), head, 1e-4, &format!("{} {column} inverse", row.place()));
            assert_eq!(weir.is_valid_at(head), row.f64("in_range") != 0.0, "{}", row.place());
        }
    }
}

#[test]
fn weir_heads_match_the_table() {
    // weir_head_from_flow.csv: ISO 1438 inverted by scipy brentq.
    for row in Table::load("weir_head_from_flow").rows() {
        let weir = Weir { formula: Formula::FullWidth, width: row.f64("b_m"), crest_height: row.f64("p_m") };
        let head = weir.head(row.f64("Q_L_h") * LITRE_PER_HOUR);
        assert_rel(head * 1e3, row.f64("h_mm"), 1e-4, &row.place());
    }
}

#[test]
fn the_table_of_the_weir_module_is_true() {
    // The heads printed in the module's comment, for 250 mm and 2400 L/h.
    let head =
        |formula| Weir { formula, width: 0.25, crest_height: 0.45 }.head(2400.0 * LITRE_PER_HOUR) * 1e3;
    for (formula, want) in [
        (Formula::Rehbock, 11.8),
        (Formula::FullWidth, 12.1),
        (Formula::Contracted, 12.2),
        (Formula::Francis { contractions: 0 }, 12.8),
        (Formula::Francis { contractions: 2 }, 12.9),
    ] {
        assert!((head(formula) - want).abs() < 0.05, "{formula:?}: {}", head(formula));
    }
}

#[test]
fn a_low_head_weir_meets_the_formula_it_is_taken_from() {
    let flow = 2405.0 * LITRE_PER_HOUR;
    for formula in [Formula::FullWidth, Formula::Contracted, Formula::Rehbock] {
        let weir = Weir { formula, width: 0.25, crest_height: 0.5 };
        let low = LowHeadWeir::matching(&weir, flow);
        assert_rel(low.head(flow), weir.head(flow), 1e-12, "head at the operating point");
        assert_rel(low.flow(weir.head(flow)).flow, flow, 1e-12, "flow at the operating point");
    }
    let iso = Weir { formula: Formula::FullWidth, width: 0.25, crest_height: 0.5 };
    assert!((LowHeadWeir::matching(&iso, flow).coefficient - 0.677).abs() < 1e-3);
    assert!((LowHeadWeir::francis(0.25).coefficient - 0.623).abs() < 5e-4);
    // Half the comb blocked: the head grows by 2^(2/3).
    let comb = LowHeadWeir::francis(0.25);
    assert_rel(comb.blocked(0.5).head(flow) / comb.head(flow), libm::cbrt(4.0), 1e-12, "half blocked");
    assert_eq!(comb.blocked(1.0).head(flow), f64::INFINITY);
}

#[test]
fn friction_factors_match_the_table() {
    // friction_factor.csv: fluids 1.3.1.
    for row in Table::load("friction_factor").rows() {
        let (reynolds, roughness) = (row.f64("Re"), row.f64("eps_over_D"));
        let colebrook = pipe::friction_factor(Friction::Colebrook, reynolds, roughness);
        assert_rel(colebrook, row.f64("f_colebrook_or_laminar"), 1e-6, &row.place());
        let churchill = pipe::friction_factor(Friction::Churchill, reynolds, roughness);
        assert_rel(churchill, row.f64("f_churchill1977"), 1e-3, &row.place());
    }
}

#[test]
fn pipe_losses_match_the_table() {
    // pipe_head_loss.csv: fluids 1.3.1 with Colebrook.
    for row in Table::load("pipe_head_loss").rows() {
        let pipe = Pipe {
            diameter: row.f64("D_mm") / 1e3,
            length: row.f64("L_m"),
            roughness: row.f64("eps_m"),
            minor_loss: row.f64("K_sum"),
        };
        let viscosity = row.f64("mu_Pa_s") / row.f64("rho_kg_m3");
        let flow = row.f64("Q_L_h") * LITRE_PER_HOUR;
        assert_rel(pipe.speed(flow), row.f64("v_m_s"), 1e-6, &row.place());
        assert_rel(pipe::reynolds(flow, pipe.diameter, viscosity), row.f64("Re"), 1e-6, &row.place());
        let loss = pipe.head_loss(flow, viscosity, Friction::Colebrook);
        assert_rel(loss, row.f64("h_m"), 1e-4, &row.place());
        assert_rel(loss * row.f64("rho_kg_m3") * physics::GRAVITY, row.f64("dp_Pa"), 1e-4, &row.place());
        let smooth = pipe.head_loss(flow, viscosity, Friction::Churchill);
        assert_rel(smooth, row.f64("h_m"), 1e-2, &row.place());
        assert_rel(pipe.flow_for_head(loss, viscosity, Friction::Colebrook), flow, 1e-12, &row.place());
    }
}

#[test]
fn fittings_match_the_table() {
    // fittings_K.csv: fluids 1.3.1; multipliers of Crane TP-410.
    for row in Table::load("fittings_K").rows() {
        let diameter = row.f64("D_mm") / 1e3;
        let got = match row.str("fitting") {
            "f_T_crane" => pipe::crane_friction_factor(diameter),
            "elbow_90_std_30fT" => Fitting::Elbow90.minor_loss(diameter),
            "elbow_45_16fT" => Fitting::Elbow45.minor_loss(diameter),
            "tee_branch_60fT" => Fitting::TeeBranch.minor_loss(diameter),
            "tee_run_20fT" => Fitting::TeeRun.minor_loss(diameter),
            "ball_valve" => Fitting::BallValve.minor_loss(diameter),
            "swing_check_valve" => Fitting::SwingCheckValve.minor_loss(diameter),
            "entrance_sharp_rennels" => Fitting::SharpInletRennels.minor_loss(diameter),
            "entrance_sharp_crane" => Fitting::SharpInlet.minor_loss(diameter),
            "entrance_inward_projecting_crane" => Fitting::ProjectingInlet.minor_loss(diameter),
            "exit" => Fitting::Exit.minor_loss(diameter),
            other => panic!("no fitting for {other}"),
        };
        assert_rel(got, row.f64("K"), 1e-3, &row.place());
    }
}

#[test]
fn orifices_and_siphons_match_the_table() {
    // orifice_siphon.csv: Q = Cd A sqrt(2gh); siphon by fluids 1.3.1 (Churchill) and scipy brentq.
    for row in Table::load("orifice_siphon").rows() {
        let (diameter_mm, head) = (row.f64("D_mm"), row.f64("H_m"));
        let want = row.f64("Q_L_h") * LITRE_PER_HOUR;
        if row.str("kind") == "orifice" {
            let (coefficient, area) = (row.f64("Cd"), circle_area(diameter_mm / 1e3));
            assert_rel(orifice::flow(coefficient, area, head), want, 1e-3, &row.place());
            assert_rel(orifice::head(coefficient, area, want), head, 1e-3, &row.place());
            let conductance = orifice::conductance(coefficient, area);
            let smooth = fast::orifice(conductance, head, fast::ORIFICE_SMOOTHING).flow;
            assert_rel(smooth, want, 1e-3, &format!("{} smooth", row.place()));
        } else {
            let pipe = pipe_of(diameter_mm, row.f64("L_m"), row.f64("K_sum"));
            let flow = pipe.flow_for_head(head, SEAWATER_25, Friction::Churchill);
            assert_rel(flow, want, 1e-3, &row.place());
        }
    }
}

#[test]
fn drain_times_match_the_table() {
    // drain_time.csv: Torricelli.
    for row in Table::load("drain_time").rows() {
        let got = orifice::drain_time(
            row.f64("tank_area_m2"),
            row.f64("Cd"),
            circle_area(row.f64("hole_mm") / 1e3),
            row.f64("h0_m"),
            row.f64("h1_m"),
        );
        assert_rel(got, row.f64("time_s"), 1e-6, &row.place());
    }
}

#[test]
fn operating_points_match_the_table() {
    // pump_operating_point.csv: fluids 1.3.1 (Churchill) and scipy brentq.
    for row in Table::load("pump_operating_point").rows() {
        let pump = Pump { shutoff_head: row.f64("H0_m"), open_flow: row.f64("Q0_L_h") * LITRE_PER_HOUR };
        let pipe = pipe_of(row.f64("D_mm"), row.f64("L_m"), row.f64("K_sum"));
        let static_head = row.f64("Hstatic_m");
        let point =
            pump.operating_point(&pipe, static_head, Condition::NEW, SEAWATER_25, Friction::Churchill);
        let want = row.f64("Q_L_h") * LITRE_PER_HOUR;
        assert_rel(point.flow, want, 1e-3, &row.place());
        assert_rel(point.head, row.f64("H_m"), 1e-3, &row.place());
        assert_rel(point.hydraulic_power(DENSITY_25), row.f64("hydraulic_W"), 1e-3, &row.place());
        if want > 0.0 {
            // The closed form with a resistance fitted about the point, exact at it, gives the same point.
            let fit = pipe.fit(0.5 * want, 1.5 * want, SEAWATER_25);
            let line = pump.line(fit.passing_through(&pipe, point.flow, SEAWATER_25), Condition::NEW);
            assert_rel(line.flow(static_head).flow, point.flow, 1e-12, &format!("{} closed", row.place()));
        }
    }
}

#[test]
fn a_fit_keeps_the_error_it_states() {
    let mut worst_turbulent: f64 = 0.0;
    for (diameter_mm, length, minor_loss, litres_per_hour) in [
        (25.0, 2.2, 6.0, 2410.0),
        (16.0, 1.5, 3.0, 1000.0),
        (40.0, 1.0, 2.5, 6000.0),
        (20.0, 1.8, 3.5, 1600.0),
    ] {
        let pipe = pipe_of(diameter_mm, length, minor_loss);
        let most = 1.5 * litres_per_hour * LITRE_PER_HOUR;
        let fit = pipe.fit(0.25 * most, most, SEAWATER_25);
        worst_turbulent = worst_turbulent.max(fit.largest_error);
        for i in 0..=1000 {
            let flow = most * (0.25 + 0.75 * f64::from(i) / 1000.0);
            let exact = pipe.head_loss(flow, SEAWATER_25, Friction::Churchill);
            let error = (fit.resistance.head_loss(flow) / exact - 1.0).abs();
            assert!(error <= fit.largest_error * 1.01 + 1e-12, "{error} > {}", fit.largest_error);
        }
    }
    assert!(worst_turbulent < 1e-2, "{worst_turbulent}");
    // A dosing line is laminar (minor losses nil): the linear term alone is exact.
    let dosing = pipe_of(4.0, 2.0, 0.0);
    let fit = dosing.fit(0.5 * LITRE_PER_HOUR, 5.0 * LITRE_PER_HOUR, SEAWATER_25);
    assert!(fit.largest_error < 1e-8, "{}", fit.largest_error);
    // Across the transition no two terms follow Churchill, and the fit says so.
    let across = pipe_of(25.0, 2.0, 0.0).fit(50.0 * LITRE_PER_HOUR, 3000.0 * LITRE_PER_HOUR, SEAWATER_25);
    assert!(across.largest_error > 0.1 && across.largest_error < 0.6, "{}", across.largest_error);
}

#[test]
fn affinity_laws_hold_and_a_stopped_pump_lets_water_back() {
    // Affinity: at the same opening Q scales with n, H with n squared (textbook).
    let pump = Pump { shutoff_head: 3.0, open_flow: 4000.0 * LITRE_PER_HOUR };
    let flow = 2000.0 * LITRE_PER_HOUR;
    let slowed = Condition::slowed(0.75);
    assert_rel(
        pump.head(0.75 * flow, slowed),
        0.75 * 0.75 * pump.head(flow, Condition::NEW),
        1e-12,
        "affinity",
    );
    assert_eq!(pump.head(0.0, Condition::clogged(0.5)), 3.0);
    assert!(pump.head(0.5 * 4000.0 * LITRE_PER_HOUR, Condition::clogged(0.5)).abs() < 1e-12);

    let pipe = pipe_of(25.0, 2.2, 6.0);
    let back = pump.flow_back(&pipe, 1.153, Condition::STOPPED, SEAWATER_25, Friction::Churchill);
    let lost = pipe.head_loss(back, SEAWATER_25, Friction::Churchill) - pump.head(back, Condition::STOPPED);
    assert_rel(lost, 1.153, 1e-12, "siphon-back loses the whole static head");
    assert_eq!(pump.flow_back(&pipe, 1.153, Condition::NEW, SEAWATER_25, Friction::Churchill), 0.0);
    // The simulator's line agrees where its fit is exact.
    let resistance = pipe.fit(0.5 * back, 2.0 * back, SEAWATER_25).passing_through(&pipe, back, SEAWATER_25);
    let Flow { flow, slope } = pump.line(resistance, Condition::STOPPED).flow(1.153);
    assert_rel(flow, -back, 1e-12, "line");
    assert!(slope < 0.0);
}

#[test]
fn a_drain_is_wide_enough_where_diameter_for_says_so() {
    let pipe = pipe_of(40.0, 1.0, 2.5);
    let flow = 2410.0 * LITRE_PER_HOUR;
    let diameter = pipe::diameter_for(&pipe, flow, 0.3, SEAWATER_25);
    let answer = Pipe { diameter, ..pipe };
    assert_rel(answer.flow_for_head(0.3, SEAWATER_25, Friction::Churchill), flow, 1e-9, "diameter");
}

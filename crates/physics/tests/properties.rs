//! Properties of the laws over wide ranges of input: monotone, odd, invertible, right derivatives, never NaN, lane for lane
//! the same bits.
#![allow(clippy::unwrap_used)]

use physics::fast::{self, Drain, Exchange, Flow, ORIFICE_SMOOTHING, PumpLine, Resistance};
use physics::heat::{self, InnerFilm, Lump, Wall};
use physics::pipe::{Friction, Pipe, SMOOTH_PVC_ROUGHNESS};
use physics::pump::{Condition, Pump};
use physics::standpipe::Standpipe;
use physics::weir::{self, Formula, LowHeadWeir, Weir};
use physics::{evaporation, gas, orifice};
use proptest::prelude::*;

/// Seawater S = 35, 25 °C, m²/s (handbook section 1).
const VISCOSITY: f64 = 9.373e-7;

fn formulas() -> impl Strategy<Value = Formula> {
    prop_oneof![
        Just(Formula::FullWidth),
        Just(Formula::Contracted),
        Just(Formula::Rehbock),
        (0u8..=2).prop_map(|contractions| Formula::Francis { contractions }),
    ]
}

prop_compose! {
    fn pipes()(diameter in 0.004..0.06f64, length in 0.0..5.0f64, minor_loss in 0.5..20.0f64) -> Pipe {
        Pipe { diameter, length, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss }
    }
}

prop_compose! {
    fn resistances()(linear in 1.0..1e4f64, quadratic in 0.0..1e7f64) -> Resistance {
        Resistance { linear, quadratic }
    }
}

prop_compose! {
    fn drains()(weir in 0.05..1.0f64, mouth in 0.0..1e12f64, pipe in resistances()) -> Drain {
        Drain { weir, mouth, pipe }
    }
}

/// Central difference over a step that suits the scale of `x`.
fn slope_of(f: impl Fn(f64) -> f64, x: f64, step: f64) -> f64 {
    (f(x + step) - f(x - step)) / (2.0 * step)
}

/// Equal to a relative 1e-4, or to `floor` near zero, as central differences allow.
fn close(got: f64, want: f64, floor: f64) -> bool {
    (got - want).abs() <= 1e-4 * want.abs() + floor
}

fn all_finite(values: &[f64]) -> bool {
    values.iter().all(|value| value.is_finite())
}

fn exchange_is_finite(answer: Exchange) -> bool {
    all_finite(&[answer.flow, answer.by_first, answer.by_second])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1024))]

    #[test]
    fn weirs_rise_with_head_and_invert(
        formula in formulas(), width in 0.1..1.0f64, crest_height in 0.1..1.0f64, head in 1e-4..0.1f64, more in 1e-6..0.02f64,
    ) {
        let weir = Weir { formula, width, crest_height };
        let Flow { flow, slope } = weir.flow_and_slope(head);
        prop_assert!(weir.flow(head + more) > flow);
        prop_assert!((weir.head(flow) / head - 1.0).abs() < 1e-12);
        let numeric = slope_of(|h| weir.flow(h), head, head * 1e-4);
        prop_assert!(close(slope, numeric, 0.0), "{slope} {numeric}");
        let low = LowHeadWeir::matching(&weir, flow);
        prop_assert!((low.head(low.flow(head).flow) / head - 1.0).abs() < 1e-12);
    }

    #[test]
    fn fast_weir_has_its_derivative(conductance in 0.01..10.0f64, head in 1e-5..1.0f64) {
        let numeric = slope_of(|h| fast::weir(conductance, h).flow, head, head * 1e-4);
        prop_assert!(close(fast::weir(conductance, head).slope, numeric, 0.0));
        prop_assert_eq!(fast::weir(conductance, -head), Flow { flow: 0.0, slope: 0.0 });
    }

    #[test]
    fn submerged_weir_has_its_derivatives_and_is_odd(
        conductance in 0.01..10.0f64, first in -0.05..0.2f64, second in -0.05..0.2f64,
    ) {
        let law = |a, b| fast::submerged_weir(conductance, a, b);
        let answer = law(first, second);
        let back = law(second, first);
        prop_assert_eq!(answer.flow, -back.flow);
        prop_assert!(answer.by_first >= 0.0 && answer.by_second <= 0.0);
        prop_assert_eq!(answer.by_first, -back.by_second);
        let step = 1e-9;
        let by_first = slope_of(|h| law(h, second).flow, first, step);
        let by_second = slope_of(|h| law(first, h).flow, second, step);
        // Where both levels meet the second derivative is large, so the difference itself is coarse there.
        let floor = 1e-3 * conductance;
        prop_assert!((answer.by_first - by_first).abs() <= 1e-3 * by_first.abs() + floor, "{answer:?} {by_first}");
        prop_assert!((answer.by_second - by_second).abs() <= 1e-3 * by_second.abs() + floor, "{answer:?} {by_second}");
        prop_assert!(answer.flow <= fast::weir(conductance, first).flow * (1.0 + 1e-9));
    }

    #[test]
    fn submerged_weir_follows_villemonte(upstream in 1e-3..0.3f64, ratio in -0.5..0.95f64) {
        let downstream = ratio * upstream;
        let free = fast::weir(1.0, upstream).flow;
        let got = fast::submerged_weir(1.0, upstream, downstream).flow / free;
        let want = weir::submergence_factor(upstream, downstream);
        let stated = if ratio <= 0.8 { 0.0016 } else { 0.0076 };
        prop_assert!((got / want - 1.0).abs() < stated, "{got} {want}");
    }

    #[test]
    fn orifice_is_odd_rising_and_close_to_the_square_root(conductance in 1e-5..1e-2f64, head in 0.0..2.0f64) {
        let law = |h| fast::orifice(conductance, h, ORIFICE_SMOOTHING);
        let Flow { flow, slope } = law(head);
        prop_assert_eq!(law(-head).flow, -flow);
        prop_assert_eq!(law(-head).slope, slope);
        prop_assert!(slope > 0.0 && slope <= conductance / ORIFICE_SMOOTHING.sqrt() * (1.0 + 1e-12));
        let numeric = slope_of(|h| law(h).flow, head, 1e-7);
        prop_assert!(close(slope, numeric, 1e-6 * conductance), "{slope} {numeric}");
        if head > 0.01 {
            let exact = conductance * head.sqrt();
            prop_assert!((flow / exact - 1.0).abs() < 0.0026);
        }
    }

    #[test]
    fn holes_are_odd_and_dry_below_their_centre(first in -0.2..0.5f64, second in -0.2..0.5f64) {
        let answer = fast::hole(1e-4, first, second, ORIFICE_SMOOTHING);
        prop_assert_eq!(answer.flow, -fast::hole(1e-4, second, first, ORIFICE_SMOOTHING).flow);
        if first <= 0.0 && second <= 0.0 {
            prop_assert_eq!(answer.flow, 0.0);
        }
        if second <= 0.0 && first > 0.0 {
            prop_assert_eq!(answer.flow, fast::orifice(1e-4, first, ORIFICE_SMOOTHING).flow);
            prop_assert_eq!(answer.by_second, 0.0);
        }
    }

    #[test]
    fn exact_orifice_inverts(coefficient in 0.5..0.9f64, area in 1e-6..1e-2f64, head in -2.0..2.0f64) {
        let flow = orifice::flow(coefficient, area, head);
        prop_assert!((orifice::head(coefficient, area, flow) - head).abs() <= 1e-12 * head.abs());
        prop_assert_eq!(orifice::flow(coefficient, area, -head), -flow);
    }

    #[test]
    fn resistances_are_odd_and_invert(resistance in resistances(), head in -5.0..5.0f64) {
        let Flow { flow, slope } = resistance.flow(head);
        prop_assert!((resistance.head_loss(flow) - head).abs() <= 1e-12 * head.abs());
        prop_assert_eq!(resistance.flow(-head).flow, -flow);
        let numeric = slope_of(|h| resistance.flow(h).flow, head, 1e-7);
        prop_assert!((slope / numeric - 1.0).abs() < 1e-3 || head.abs() < 1e-6, "{slope} {numeric}");
    }

    #[test]
    fn pipes_lose_more_with_more_flow_and_invert(pipe in pipes(), flow in 1e-8..2e-3f64, law in prop_oneof![
        Just(Friction::Churchill), Just(Friction::Colebrook),
    ]) {
        let loss = pipe.head_loss(flow, VISCOSITY, law);
        prop_assert!(loss > 0.0 && pipe.head_loss(flow * 1.01, VISCOSITY, law) > loss);
        prop_assert_eq!(pipe.head_loss(-flow, VISCOSITY, law), -loss);
        prop_assert!((pipe.flow_for_head(loss, VISCOSITY, law) / flow - 1.0).abs() < 1e-9);
        prop_assert_eq!(pipe.flow_for_head(-loss, VISCOSITY, law), -pipe.flow_for_head(loss, VISCOSITY, law));
    }

    #[test]
    fn drains_have_their_derivatives_and_stay_below_each_limit(
        drain in drains(), head in 1e-4..0.3f64, drop in 0.05..1.5f64,
    ) {
        let answer = drain.flow(head, drop);
        prop_assert!(answer.flow > 0.0);
        prop_assert!(answer.flow <= fast::weir(drain.weir, head).flow * (1.0 + 1e-12));
        prop_assert!(answer.flow <= drain.pipe.flow(head + drop).flow * (1.0 + 1e-12));
        prop_assert!(answer.by_first >= 0.0 && answer.by_second <= 0.0);
        let scale = answer.flow / head;
        let by_head = slope_of(|h| drain.flow(h, drop).flow, head, head * 1e-5);
        prop_assert!(close(answer.by_first, by_head, 1e-5 * scale), "{answer:?} {by_head}");
        let by_lower = -slope_of(|d| drain.flow(head, d).flow, drop, drop * 1e-5);
        prop_assert!(close(answer.by_second, by_lower, 1e-7 * scale), "{answer:?} {by_lower}");
    }

    #[test]
    fn operating_flow_falls_with_static_head(
        pipe in pipes(), shutoff_head in 0.5..6.0f64, open_flow in 1e-5..3e-3f64,
        low in -0.5..5.0f64, more in 0.001..1.0f64, speed in 0.0..1.0f64, passage in 0.1..1.0f64,
    ) {
        let pump = Pump { shutoff_head, open_flow };
        let condition = Condition { speed, passage };
        let at = |head| pump.operating_point(&pipe, head, condition, VISCOSITY, Friction::Churchill);
        let point = at(low);
        let higher = at(low + more);
        prop_assert!(higher.flow < point.flow || point.flow == 0.0);
        if point.flow > 0.0 {
            let system = low + pipe.head_loss(point.flow, VISCOSITY, Friction::Churchill);
            prop_assert!((point.head - system).abs() < 1e-9);
        }
        let back = pump.flow_back(&pipe, low, condition, VISCOSITY, Friction::Churchill);
        prop_assert!(back >= 0.0 && (back == 0.0 || point.flow == 0.0));
        let line = pump.line(Resistance { linear: 10.0, quadratic: 1e6 }, condition);
        prop_assert!(line.flow(low + more).flow < line.flow(low).flow);
    }

    #[test]
    fn steps_compose_and_times_invert(
        start in 0.0..12.0f64, saturation in 5.0..9.0f64, transfer in 0.0..3.0f64, source in -2.0..2.0f64, time in 0.01..48.0f64,
    ) {
        let whole = gas::step(start, saturation, transfer, source, time);
        let half = gas::step(start, saturation, transfer, source, 0.5 * time);
        let again = gas::step(half, saturation, transfer, source, 0.5 * time);
        prop_assert!((whole - again).abs() < 1e-9 * (1.0 + whole.abs()));
        // Once the approach to the steady state is down to rounding the time is no longer in the number.
        if transfer * time < 10.0 && (whole - start).abs() > 1e-6 {
            let back = gas::time_to_reach(whole, start, saturation, transfer, source).unwrap();
            prop_assert!((back / time - 1.0).abs() < 1e-4, "{back} {time}");
        }
    }

    #[test]
    fn never_nan_for_what_can_be_typed(
        a in 0.0..1e3f64, b in 0.0..1e3f64, c in 0.0..1e3f64, flip in any::<bool>(), zero in 0u8..8,
    ) {
        let a = if zero & 1 == 1 { 0.0 } else { a };
        let b = if zero & 2 == 2 { 0.0 } else { b };
        let c = if zero & 4 == 4 { 0.0 } else { c };
        let signed = if flip { -b } else { b };
        prop_assert!(exchange_is_finite(fast::submerged_weir(a, signed, c)));
        prop_assert!(exchange_is_finite(fast::hole(a, signed, c, ORIFICE_SMOOTHING)));
        let drain = Drain { weir: a, mouth: b, pipe: Resistance { linear: 1.0 + c, quadratic: c } };
        prop_assert!(exchange_is_finite(drain.flow(b, signed)), "{:?}", drain.flow(b, signed));
        let weir = Weir { formula: Formula::FullWidth, width: a, crest_height: b };
        prop_assert!(weir.flow(c).is_finite() && !weir.head(c).is_nan());
        let contracted = Weir { formula: Formula::Francis { contractions: 2 }, ..weir };
        prop_assert!(contracted.flow(c).is_finite() && !contracted.head(c).is_nan());
        prop_assert!(!LowHeadWeir::francis(a).head(b).is_nan());
        prop_assert!(!weir::submergence_factor(signed, a).is_nan());
        prop_assert!(!orifice::drain_time(a, 0.61, b, c, 0.0).is_nan() || b == 0.0);
        let pipe = Pipe { diameter: 1e-4 + a, length: b, roughness: c * 1e-6, minor_loss: c };
        prop_assert!(pipe.head_loss(signed, VISCOSITY, Friction::Churchill).is_finite());
        prop_assert!(pipe.head_loss(signed, VISCOSITY, Friction::Colebrook).is_finite());
        let pump = Pump { shutoff_head: a, open_flow: b };
        let point = pump.operating_point(&pipe, c, Condition::NEW, VISCOSITY, Friction::Churchill);
        prop_assert!(!point.flow.is_nan() && point.flow >= 0.0);
        let falling = pump.operating_point(&pipe, -c, Condition::STOPPED, VISCOSITY, Friction::Churchill);
        prop_assert!(!falling.flow.is_nan() && falling.flow >= 0.0);
        let back = pump.flow_back(&pipe, c, Condition::STOPPED, VISCOSITY, Friction::Churchill);
        prop_assert!(!back.is_nan() && back >= 0.0);
        prop_assert!(!gas::step(a, b, c, -1.0, 10.0).is_nan());
        let lump = Lump { capacity: 1.0 + a, loss: b };
        prop_assert!(!lump.step(c, a, b, 3600.0).is_nan());
    }

    #[test]
    fn films_and_evaporation_are_monotone(difference in 0.0..20.0f64, more in 0.01..5.0f64, speed in 0.0..2.0f64) {
        let air = physics::air::FilmFluid::dry_air(24.0);
        prop_assert!(
            heat::vertical_film(&air, difference + more, 0.5) > heat::vertical_film(&air, difference, 0.5)
        );
        let surface = evaporation::Surface::new(26.0, 24.0, 1500.0 + 100.0 * difference, 1500.0);
        prop_assert!(
            evaporation::natatorium(&surface, speed + more, 2.44e6, 1.0)
                >= evaporation::natatorium(&surface, speed, 2.44e6, 1.0)
        );
        let wall = Wall { height: 0.5, thickness: 0.012, conductivity: 1.0, emissivity: 0.9 };
        let loss = |t| wall.loss(t, 20.0, InnerFilm::Stirred(500.0)).flux;
        prop_assert!(loss(20.0 + difference + more) > loss(20.0 + difference));
    }
}

#[test]
fn lanes_give_the_bits_of_single_calls() {
    let heads: [f64; 8] = [-0.01, 0.0, 1e-6, 0.002, 0.0128, 0.05, 0.3, 1.0];
    let others: [f64; 8] = [0.02, 0.0, 0.01, 0.001, 0.0128, -0.3, 0.29, 0.999];
    let mut flows = [0.0; 8];
    for lane in 0..8 {
        flows[lane] = fast::submerged_weir(0.46, heads[lane], others[lane]).flow
            + fast::orifice(1e-3, heads[lane] - others[lane], ORIFICE_SMOOTHING).flow;
    }
    for lane in 0..8 {
        let (head, other) = (std::hint::black_box(heads[lane]), std::hint::black_box(others[lane]));
        let one = fast::submerged_weir(0.46, head, other).flow
            + fast::orifice(1e-3, head - other, ORIFICE_SMOOTHING).flow;
        assert_eq!(flows[lane].to_bits(), one.to_bits());
    }
}

#[test]
fn newton_on_the_drain_converges_in_a_few_steps() {
    // The use the derivatives are for: level of a box that 2410 L/h enters and a drain leaves.
    let pipe = Pipe { diameter: 0.04, length: 1.0, roughness: SMOOTH_PVC_ROUGHNESS, minor_loss: 3.2 };
    let drain = Standpipe::new(pipe).drain(0.7, VISCOSITY);
    let inflow = 2410.0e-3 / 3600.0;
    let mut head = 0.1;
    let mut n_steps = 0;
    loop {
        let answer = drain.flow(head, 0.7);
        let step = (answer.flow - inflow) / answer.by_first;
        head -= step;
        n_steps += 1;
        if step.abs() < 1e-12 {
            break;
        }
        assert!(n_steps < 12, "no convergence: {head}");
    }
    assert!((drain.flow(head, 0.7).flow / inflow - 1.0).abs() < 1e-9);
}

#[test]
fn a_line_is_odd_about_its_boost() {
    let line = PumpLine { boost: 2.0, resistance: Resistance { linear: 50.0, quadratic: 2e6 } };
    assert_eq!(line.flow(1.5).flow, -line.flow(2.5).flow);
    assert_eq!(line.flow(2.0).flow, 0.0);
}

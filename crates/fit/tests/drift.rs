//! Drift on the library's reef, a small version of the example `drift`: a clog is found within two days (the figure that is asked), nothing is said of
//! runs without trouble.

mod tank;

use fit::drift::{Act, Quantity, State};
use tank::{DAY_H, Tank, Trouble};

/// Days before the clog: what the flow is learned from.
const LEARN_H: u32 = 4 * DAY_H;

#[test]
fn a_clog_is_found_within_two_days_and_nothing_else_is() {
    let system = tank::system();
    let model = trial::rehearse::model(&system).expect("the example compiles");
    let trouble = |l: u32| match l {
        0..8 => (Trouble::Clog, LEARN_H + 5 * l),
        _ => (Trouble::None, 0),
    };
    let mut tank = Tank::new(&model, 5, (0..16).map(trouble).collect());
    tank.run_hours(LEARN_H + 40 + 2 * DAY_H);
    for l in 0..16 {
        let all = tank.courses(l, l % 2 == 0, &[]);
        let flow = all.iter().find(|c| c.quantity == Quantity::Flow).expect("it has a meter");
        for course in all.iter().filter(|c| c.quantity != Quantity::Flow) {
            assert!(course.past.is_empty() && course.drift.is_none(), "{}: {:?}", course.part, course.drift);
        }
        if l >= 8 {
            assert_eq!((flow.state(), flow.past.len()), (State::Steady, 0), "run {l}");
            continue;
        }
        let drift = flow.drift.unwrap_or_else(|| panic!("run {l}: not found; {:?}", flow.points));
        let hours = (drift.found_ms - tank.struck_ms(l)) as f64 / 3.6e6;
        assert!((0.0..=48.0).contains(&hours), "run {l}: {hours} h");
        assert!((-0.26..-0.14).contains(&drift.share), "run {l}: {}", drift.share);
        let verdict = flow.verdict("reef", 0);
        let finding = verdict.finding().expect("it is wrong");
        assert!(
            finding.wrong.starts_with("Return flow is ") && finding.wrong.contains(" below its twin since "),
            "{}",
            finding.wrong
        );
        assert!(finding.act.starts_with("Look at the pump's intake and rotor") && finding.caution.is_some());
        assert_eq!(verdict.id(), "station/reef/twin-drifts/return_flow");
        // Cleaned just now: it is learned anew.
        let act =
            Act::Touched { at_ms: tank.hours[l].last().map_or(0, |h| h.from_ms), part: "return_pump".into() };
        let after = tank.courses(l, true, &[act]);
        let flow = after.iter().find(|c| c.quantity == Quantity::Flow).expect("it has a meter");
        assert_eq!(flow.state(), State::Learning);
        assert!(flow.sentence(0).contains("is being learned"), "{}", flow.sentence(0));
    }
}

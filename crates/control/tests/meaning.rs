//! Random conditions, compiled and run, against a direct reading of the condition itself: the value, the quality, and what a demand,
//! a permissive, a trip and an alarm make of them.

#![allow(clippy::unwrap_used)]

use control::{Compiled, InputPlace, Options, Slot, compile_with};
use program::machine::Decoded;
use program::quality::{Quality, Sample};
use program::{Machine, Program};
use proptest::prelude::*;
use system::System;
use system::expr::{Comparison, Condition, Term};
use system::model::{Derived, SignalIdx, SignalSource};

const HEAD: &str = r#"
[system]
name = "conditions"
timezone = "UTC0"
[[board]]
name = "board"
chip = "ATmega328P"
[[sensor]]
name = "t1"
kind = "ds18b20"
[[sensor]]
name = "t2"
kind = "ds18b20"
[[sensor]]
name = "t3"
kind = "ds18b20"
[[sensor]]
name = "ph"
kind = "ph"
[[sensor]]
name = "c1"
kind = "button"
[[sensor]]
name = "c2"
kind = "button"
[[sensor]]
name = "c3"
kind = "button"
[[sensor]]
name = "c4"
kind = "button"
[[actuator]]
name = "by_demand"
kind = "heater"
[[actuator]]
name = "by_permissive"
kind = "heater"
[[actuator]]
name = "by_trip"
kind = "heater"
[[actuator]]
name = "blind_on"
kind = "heater"
"#;

fn source(condition: &str, other: &str) -> String {
    format!(
        r#"{HEAD}
[[signal]]
name = "kept"
condition = "{condition}"
[[rule]]
drives = "by_demand"
when = "{condition}"
when_blind = "off"
[[rule]]
drives = "by_permissive"
always = true
permissive = "({condition}) and ({other})"
when_blind = "off"
[[rule]]
drives = "by_trip"
always = true
trip = "{condition}"
trip_reset = "when true"
when_blind = "off"
[[rule]]
drives = "blind_on"
when = "({other}) or ({condition})"
when_blind = "on"
[[alarm]]
name = "first"
when = "{condition}"
[[alarm]]
name = "second"
when = "({condition}) or ({other})"
[[alarm]]
name = "third"
when = "({other}) and ({condition})"
"#
    )
}

/// Inputs of a scan by sensor: number or bit, and quality.
type Inputs = Vec<(i32, Quality)>;

/// The condition read directly, in the words of docs/rules.md.
fn meaning(system: &System, condition: &Condition, inputs: &Inputs) -> (bool, Quality) {
    let junction = |parts: &[Condition], all: bool| {
        let parts: Vec<_> = parts.iter().map(|part| meaning(system, part, inputs)).collect();
        let quality = parts.iter().map(|part| part.1).max().unwrap();
        let value = if all { parts.iter().all(|part| part.0) } else { parts.iter().any(|part| part.0) };
        (value, quality)
    };
    match condition {
        Condition::Constant(value) => (*value, Quality::Good),
        Condition::Signal(signal) => {
            let (value, quality) = read(system, *signal, inputs);
            (value != 0, quality)
        }
        Condition::Not(inner) => {
            let (value, quality) = meaning(system, inner, inputs);
            (!value, quality)
        }
        Condition::All(parts) => junction(parts, true),
        Condition::Any(parts) => junction(parts, false),
        Condition::Bad(signal) => (read(system, *signal, inputs).1 == Quality::Bad, Quality::Good),
        Condition::Compare { left, op, right } => {
            let ((a, p), (b, q)) = (term(system, left, inputs), term(system, right, inputs));
            let value = match op {
                Comparison::Less => a < b,
                Comparison::LessEqual => a <= b,
                Comparison::Greater => a > b,
                Comparison::GreaterEqual => a >= b,
            };
            (value, p.max(q))
        }
    }
}

fn term(system: &System, term: &Term, inputs: &Inputs) -> (i64, Quality) {
    match term {
        Term::Constant(value) => ((*value).into(), Quality::Good),
        Term::Signal(signal) => {
            let (value, quality) = read(system, *signal, inputs);
            (value.into(), quality)
        }
        Term::Difference(a, b) | Term::Apart(a, b) => {
            let ((x, p), (y, q)) = (read(system, *a, inputs), read(system, *b, inputs));
            let difference = i64::from(x) - i64::from(y);
            let value = if matches!(term, Term::Apart(..)) { difference.abs() } else { difference };
            (value, p.max(q))
        }
    }
}

fn read(system: &System, signal: SignalIdx, inputs: &Inputs) -> (i32, Quality) {
    match &system.signals[signal.idx()].source {
        SignalSource::Sensor(sensor) => inputs[sensor.idx()],
        other => panic!("conditions of this test read sensors only, not {other:?}"),
    }
}

fn set_inputs(machine: &mut Machine<1>, compiled: &Compiled, inputs: &Inputs) {
    for input in &compiled.inputs {
        let (value, quality) = inputs[input.sensor.idx()];
        match input.place {
            InputPlace::Number(order) => machine.set_number(order.into(), 0, Sample { value, quality }),
            InputPlace::Bit { input, .. } => machine.set_bit(input.into(), 0, value != 0, quality),
        }
    }
}

fn atom() -> impl Strategy<Value = String> {
    let temperature = prop_oneof![Just("t1"), Just("t2"), Just("t3")];
    let pair = prop_oneof![Just(("t1", "t2")), Just(("t2", "t3")), Just(("t3", "t1")), Just(("t1", "t1"))];
    let op = prop_oneof![Just("<"), Just("<="), Just(">"), Just(">=")];
    let limit = prop_oneof![Just("24.0"), Just("25.0"), Just("25.5"), Just("25.501")];
    let contact = prop_oneof![Just("c1"), Just("c2"), Just("c3"), Just("c4")];
    let any = prop_oneof![Just("t1"), Just("ph"), Just("c1"), Just("t2")];
    prop_oneof![
        4 => contact.prop_map(str::to_owned),
        4 => (temperature.clone(), op.clone(), limit.clone()).prop_map(|(t, op, at)| format!("{t} {op} {at} degC")),
        1 => (temperature, op.clone(), limit).prop_map(|(t, op, at)| format!("{at} degC {op} {t}")),
        1 => op.clone().prop_map(|op| format!("ph {op} 8.4")),
        1 => (pair.clone(), op.clone()).prop_map(|((a, b), op)| format!("{a} {op} {b}")),
        1 => (pair.clone(), op.clone()).prop_map(|((a, b), op)| format!("{a} - {b} {op} 0.5 K")),
        2 => (pair.clone(), op.clone()).prop_map(|((a, b), op)| format!("apart({a}, {b}) {op} 1 K")),
        1 => (pair, op).prop_map(|((a, b), op)| format!("apart({a}, {b}) {op} 0 K")),
        2 => any.prop_map(|name| format!("bad({name})")),
        1 => prop_oneof![Just("true".to_owned()), Just("false".to_owned())],
    ]
}

fn condition() -> impl Strategy<Value = String> {
    atom().prop_recursive(4, 24, 5, |inner| {
        prop_oneof![
            2 => prop::collection::vec(inner.clone(), 2..6).prop_map(|parts| format!("({})", parts.join(" and "))),
            2 => prop::collection::vec(inner.clone(), 2..6).prop_map(|parts| format!("({})", parts.join(" or "))),
            1 => inner.prop_map(|inner| format!("not ({inner})")),
        ]
    })
}

/// A bad input has the value 0 (docs/control-program.md, section 2).
fn inputs() -> impl Strategy<Value = Inputs> {
    let quality =
        prop_oneof![8 => Just(Quality::Good), 1 => Just(Quality::Uncertain), 1 => Just(Quality::Bad)];
    let temperature =
        prop_oneof![Just(23_999), Just(24_000), Just(24_500), Just(25_000), Just(25_500), Just(25_501)];
    let ph = prop_oneof![Just(8_399), Just(8_400), Just(8_401)];
    let number = |value, quality| if quality == Quality::Bad { (0, quality) } else { (value, quality) };
    let temperature = (temperature, quality.clone()).prop_map(move |(value, quality)| number(value, quality));
    let ph = (ph, quality.clone()).prop_map(move |(value, quality)| number(value, quality));
    let contact = (0..=1_i32, quality).prop_map(move |(value, quality)| number(value, quality));
    (prop::collection::vec(temperature, 3), ph, prop::collection::vec(contact, 4)).prop_map(
        |(temperatures, ph, contacts)| {
            let mut all = temperatures;
            all.push(ph);
            all.extend(contacts);
            all
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    #[test]
    fn a_compiled_condition_means_what_it_says(
        first in condition(),
        second in condition(),
        scans in prop::collection::vec(inputs(), 1..12),
    ) {
        let loaded = system::load(&source(&first, &second));
        let Some(system) = loaded.system else {
            panic!("{:?}", loaded.diagnostics);
        };
        let condition_of = |name: &str| {
            let signal = system.signals.iter().find(|signal| signal.name == name).unwrap();
            match &signal.source {
                SignalSource::Derived(Derived::Condition(condition)) => condition.clone(),
                other => panic!("{other:?}"),
            }
        };
        let condition = condition_of("kept");
        let both = system.rules[1].permissive.clone().unwrap();
        let system::model::RuleForm::When(either) = system.rules[3].form.clone() else { panic!("not a plain rule") };
        let lean = compile_with(&system, &Options::default()).unwrap();
        let full = compile_with(&system, &Options { keep_all_signals: true, ..Options::default() }).unwrap();
        prop_assert_eq!(&compile_with(&system, &Options::default()).unwrap().bytes, &lean.bytes);
        let mut machines: Vec<(Machine<1>, &Compiled)> = [&lean, &full]
            .map(|compiled| {
                (Machine::new(Decoded::new(&Program::validate(&compiled.bytes).unwrap())), compiled)
            })
            .into();
        for inputs in &scans {
            let (value, quality) = meaning(&system, &condition, inputs);
            let (both_value, both_quality) = meaning(&system, &both, inputs);
            let (either_value, either_quality) = meaning(&system, &either, inputs);
            // A trip that may reset at any time is latched exactly while its cause stands or is bad.
            let tripped = value || quality == Quality::Bad;
            let usable = |quality| quality != Quality::Bad;
            for (machine, compiled) in &mut machines {
                set_inputs(machine, compiled, inputs);
                machine.scan();
                let output = |name: &str| {
                    let at = system.actuators.iter().position(|actuator| actuator.name == name).unwrap();
                    machine.output(compiled.drives[at].unwrap().into(), 0) == 1_000
                };
                prop_assert_eq!(output("by_demand"), value && usable(quality), "demand of {}", &first);
                prop_assert_eq!(output("by_permissive"), both_value && usable(both_quality), "permissive");
                prop_assert_eq!(output("by_trip"), !tripped, "trip");
                prop_assert_eq!(output("blind_on"), either_value || !usable(either_quality), "blind");
                let alarm = machine.alarm(compiled.alarms[0].into(), 0);
                prop_assert_eq!(alarm, (value || !usable(quality), quality), "alarm");
                let alarm = machine.alarm(compiled.alarms[1].into(), 0);
                prop_assert_eq!(alarm, (either_value || !usable(either_quality), either_quality), "alarm of either");
                let alarm = machine.alarm(compiled.alarms[2].into(), 0);
                prop_assert_eq!(alarm, (both_value || !usable(both_quality), both_quality), "alarm of both");
            }
            let (machine, compiled) = &machines[1];
            let at = system.signals.iter().position(|signal| signal.name == "kept").unwrap();
            match compiled.signals[at] {
                Some(Slot::Bit(slot)) => prop_assert_eq!(machine.bit(slot, 0), (value, quality), "kept signal"),
                other => prop_assert!(false, "{:?}", other),
            }
        }
    }
}

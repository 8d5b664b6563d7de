//! What `tidewright new` writes audits without an error, so that a first user begins from a sound design.
#![allow(clippy::expect_used)]

use system::Level;
use system::starter::{Answers, usual_heater_watts, write};

fn errors(answers: &Answers) -> Vec<String> {
    let system = system::load(&write(answers)).system.expect("the starter loads");
    audit::run(&system)
        .findings
        .into_iter()
        .filter(|finding| finding.level == Level::Error)
        .map(|finding| format!("{}: {}", finding.id, finding.message))
        .collect()
}

#[test]
fn the_usual_answers_audit_without_an_error() {
    assert_eq!(errors(&Answers::default()), Vec::<String>::new());
}

#[test]
fn so_do_other_tanks() {
    let usual = Answers::default();
    for (display, sump, top_off) in [
        ([0.6, 0.4, 0.45], None, true),
        ([0.6, 0.4, 0.45], Some([0.5, 0.3, 0.35]), false),
        ([0.9, 0.5, 0.5], Some([0.6, 0.4, 0.4]), true),
        ([1.2, 0.6, 0.6], Some([0.9, 0.4, 0.4]), true),
    ] {
        let answers =
            Answers { display, sump, top_off, heater_watts: usual_heater_watts(display), ..usual.clone() };
        assert_eq!(errors(&answers), Vec::<String>::new(), "{display:?} {sump:?} {top_off}");
    }
}

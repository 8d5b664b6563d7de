//! Short runs of the fuzzing of the link under the sanitizers; the long ones are `make -C firmware fuzz-link N=10000000` and
//! `make -C firmware fuzz-network N=10000000`.

use std::process::Command;

fn fuzz(target: &str) {
    let here = env!("CARGO_MANIFEST_DIR");
    let out = format!("{}/fuzz/", env!("CARGO_TARGET_TMPDIR"));
    let run = Command::new("make")
        .args(["-s", "-f", "fuzz.mk", target, "N=100000", "SEED=7"])
        .arg(format!("FUZZ_OUT={out}"))
        .current_dir(here)
        .output();
    let Ok(run) = run else {
        println!("make is missing: the link is not fuzzed here");
        return;
    };
    let said = format!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    if said.contains("cannot find") && said.contains("asan") {
        println!("the compiler has no sanitizers: the link is not fuzzed here");
        return;
    }
    assert!(run.status.success() && said.contains("no fault found"), "{said}");
}

#[test]
fn a_hundred_thousand_damaged_frames_on_the_cable() {
    fuzz("fuzz-link");
}

#[test]
fn a_hundred_thousand_frames_and_packets_on_the_network() {
    fuzz("fuzz-network");
}

//! FMEA of Harbour Lane, all single faults, 63 h each: one instant with nominal parameters, then all instants and corners.

use std::time::Instant;

use trial::{Model, Options, Wanted, run};

fn main() {
    let system = benches::harbour_lane();
    let model = match Model::new(&system) {
        Ok(model) => model,
        Err(findings) => return eprintln!("the example does not compile: {findings:?}"),
    };
    for (name, one) in [("one instant, nominal", true), ("all instants and corners", false)] {
        let wanted = Wanted { one_instant: one, nominal_only: one };
        let options = Options { wanted, ..Options::default() };
        let began = Instant::now();
        match run(&model, &options, &|_, _| {}) {
            Ok(fmea) => {
                let seconds = began.elapsed().as_secs_f64();
                let effort = fmea.effort;
                println!(
                    "FMEA, {name}: {seconds:.1} s, {} faults, {} runs ({} more equal the run without a fault), {:.1} million scans a second",
                    fmea.rows.len(),
                    effort.n_runs,
                    effort.n_equal,
                    effort.n_scans as f64 / seconds / 1e6
                );
            }
            Err(error) => eprintln!("{error}"),
        }
    }
}

//! A log as somebody wrote it: it is read or refused with a sentence, and no value in it is outside of its times.
#![no_main]

use fit::read::{Reading, csv};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let how = Reading { zone: "CET-1CEST,M3.5.0,M10.5.0/3", begins_s: 1e9, source: None };
    match csv(data, &how) {
        Ok(read) => {
            for series in read.log.names().filter_map(|name| read.log.get(name)) {
                let Some((from, to)) = series.reach() else { continue };
                assert!(from <= to && series.points().all(|(t, _)| (from..=to).contains(&t)));
                let _ = (series.mean(from, to), series.at(0.5 * (from + to)));
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});

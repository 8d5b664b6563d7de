//! Any bytes as what a home-made controller prints: the same values in two chunkings, every line accounted for, never a panic; and any
//! text as its map.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shadow::{Form, Kind, Map, Reader};
use std::sync::LazyLock;
use system::System;

/// Read once: a run takes microseconds.
static SYSTEM: LazyLock<Option<System>> =
    LazyLock::new(|| system::load(include_str!("../../examples/harbour-lane/first-draft.toml")).system);

fuzz_target!(|data: &[u8]| {
    let Some((&choice, bytes)) = data.split_first() else { return };
    let kinds = [Kind::Auto, Kind::Pairs, Kind::Csv, Kind::Json, Kind::Senml];
    let kind = kinds[usize::from(choice) % kinds.len()];
    let form = Form { kind, decimal_comma: choice & 0x80 != 0, ..Form::default() };
    let now = Some(1_772_366_400_000);
    let (mut whole, mut values) = (Reader::joined(&form), vec![]);
    whole.push(bytes, now, &mut |printed| values.push(printed));
    whole.end(now, &mut |printed| values.push(printed));
    let (mut cut, mut others) = (Reader::joined(&form), vec![]);
    for chunk in bytes.chunks(7) {
        cut.push(chunk, now, &mut |printed| others.push(printed));
    }
    cut.end(now, &mut |printed| others.push(printed));
    assert_eq!(values, others);
    assert_eq!(whole.tally(), cut.tally());
    assert_eq!(whole.tally().n_values, values.len() as u64);
    let text = String::from_utf8_lossy(bytes);
    let Some(system) = SYSTEM.as_ref() else { return };
    let (map, findings) = Map::load(&text, system);
    assert!(map.is_some() || !findings.is_empty());
    for annotation in findings.iter().flat_map(|finding| &finding.annotations) {
        assert!(text.get(annotation.span.clone()).is_some());
    }
});

//! Any bytes as the stream of a serial line or of a network: what a station and a board of software read, never a panic.
#![no_main]

use libfuzzer_sys::fuzz_target;
use link::frame::{Splitter, from_cable, stuff, to_cable, unstuff};
use link::message::{Answer, Request, decode_events};
use link::record::{Assembler, Shape};
use link::seal::{Challenge, Session, Side};
use link::{Event, Hello};

fuzz_target!(|data: &[u8]| {
    let mut splitter = Splitter::new();
    let hello = Hello { n_numbers: 9, n_number_inputs: 4, n_bits: 12, n_bit_inputs: 5, n_cells: 3, n_drives: 2, ..Hello::default() };
    let mut assembler = Assembler::new(Shape::of(&hello));
    let challenge = Challenge { protocol: 1, has_key: true, boots: 1, session: 2 };
    let mut session = Session::new(&[7; 16], &challenge, [0; 7], Side::Board);
    for frame in data.iter().filter_map(|&byte| splitter.push(byte)) {
        let again = stuff(frame.as_slice()).expect("a frame fits");
        let back = again.as_slice().split_last().and_then(|(_, stuffed)| unstuff(stuffed));
        assert_eq!(back, Some(frame));
        assert_eq!(session.open(&frame), None, "nobody has the key");
        let Some(message) = from_cable(&frame) else { continue };
        assert_eq!(to_cable(&message), Some(again));
        let bytes = message.as_slice();
        if let Ok((id, request)) = Request::decode(bytes) {
            assert_eq!(request.encode(id), Some(message));
        }
        if let Some(answer) = Answer::decode(bytes) {
            assert_eq!(answer.encode(), Some(message));
            Hello::decode(answer.fields);
            if let Some((_, events)) = decode_events(answer.fields) {
                events.for_each(|event| assert_eq!(Event::decode(&event.encode()), event));
            }
        }
        if let Some(record) = assembler.push(bytes) {
            record.encode();
        }
    }
});

//! Frames and messages as properties: stuffing and checksum against independent crates (`cobs`, `crc`), and what arrives damaged.

use link::frame::{
    Frame, LONGEST_FRAME, LONGEST_MESSAGE, Message, Splitter, from_cable, stuff, to_cable, unstuff,
};
use link::message::{Answer, ProcedureCommand, Request, decode_events};
use link::record::{Assembler, Command, Record, Shape};
use link::seal::{Challenge, Session, Side};
use link::{Event, Hello};
use program::quality::{Quality, Sample};
use proptest::collection::vec;
use proptest::prelude::*;

fn message() -> impl Strategy<Value = Message> {
    vec(prop_oneof![Just(0), any::<u8>()], 2..=LONGEST_MESSAGE)
        .prop_map(|bytes| Message::of(&bytes).expect("not longer"))
}

fn request() -> impl Strategy<Value = (u8, Vec<u8>)> {
    (1..=0x14_u8, vec(any::<u8>(), 0..=54))
}

fn quality() -> impl Strategy<Value = Quality> {
    (0..3_u8).prop_map(Quality::from_code)
}

proptest! {
    #[test]
    fn stuffing_is_that_of_the_cobs_crate(bytes in vec(prop_oneof![Just(0), any::<u8>()], 0..=LONGEST_FRAME)) {
        let stuffed = stuff(&bytes).expect("fits");
        let mut expected = cobs::encode_vec(&bytes);
        expected.push(0);
        prop_assert_eq!(stuffed.as_slice(), expected.as_slice());
        let back = unstuff(&expected[..expected.len() - 1]).expect("sound");
        prop_assert_eq!(back.as_slice(), bytes.as_slice());
    }

    #[test]
    fn any_bytes_unstuff_as_the_cobs_crate_does(bytes in vec(1..=90_u8, 1..80)) {
        let ours = unstuff(&bytes);
        match cobs::decode_vec(&bytes) {
            Ok(theirs) => prop_assert_eq!(ours.expect("sound"), Frame::of(&theirs).expect("fits")),
            Err(_) => prop_assert_eq!(ours, None),
        }
    }

    #[test]
    fn the_checksum_is_that_of_the_crc_crate(message in message()) {
        let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740).checksum(message.as_slice());
        let stuffed = to_cable(&message).expect("fits");
        let frame = unstuff(&stuffed.as_slice()[..stuffed.as_slice().len() - 1]).expect("sound");
        let expected = [message.as_slice(), &crc.to_le_bytes()].concat();
        prop_assert_eq!(frame.as_slice(), expected.as_slice());
    }

    #[test]
    fn frames_are_found_in_any_cut_of_the_stream(
        messages in vec(message(), 0..6),
        noise in vec(any::<u8>(), 0..200),
    ) {
        let mut stream = noise;
        stream.push(0);
        for message in &messages {
            stream.extend_from_slice(to_cable(message).expect("fits").as_slice());
        }
        let mut splitter = Splitter::new();
        let found: Vec<Message> =
            stream.iter().filter_map(|&byte| splitter.push(byte)).filter_map(|frame| from_cable(&frame)).collect();
        prop_assert!(found.len() >= messages.len());
        prop_assert_eq!(&found[found.len() - messages.len()..], messages.as_slice());
    }

    /// CRC-16 CCITT finds any burst of up to 16 bits (its generator has degree 16).
    #[test]
    fn a_burst_of_sixteen_bits_is_found(message in message(), at in 0..8 * LONGEST_MESSAGE, burst in 1..=u16::MAX) {
        let stuffed = to_cable(&message).expect("fits");
        let frame = unstuff(&stuffed.as_slice()[..stuffed.as_slice().len() - 1]).expect("sound");
        let mut altered = frame;
        let n_bits = 8 * altered.as_slice().len();
        let bytes = altered.as_mut_slice();
        // Most significant bit first, as the checksum reads them; its own bytes stand the other way about and are left alone.
        for bit in 0..16 {
            let place = at % (n_bits - 16) + bit;
            if burst >> (15 - bit) & 1 == 1 && place < n_bits - 16 {
                bytes[place / 8] ^= 0x80 >> (place % 8);
            }
        }
        prop_assert!(altered == frame || from_cable(&altered).is_none());
    }

    #[test]
    fn what_decodes_as_a_request_encodes_to_the_same_bytes((message_type, fields) in request(), id: u8) {
        let bytes = [&[message_type, id], fields.as_slice()].concat();
        if let Ok((decoded_id, request)) = Request::decode(&bytes) {
            let encoded = request.encode(decoded_id).expect("fits");
            prop_assert_eq!(encoded.as_slice(), bytes.as_slice());
        }
    }

    #[test]
    fn anything_decodes_without_a_panic(bytes in vec(any::<u8>(), 0..90)) {
        let _ = Request::decode(&bytes);
        let _ = Hello::decode(&bytes);
        let _ = Challenge::decode(&bytes);
        let _ = decode_events(&bytes).map(|(_, events)| events.count());
        if let Some(answer) = Answer::decode(&bytes) {
            let again = answer.encode();
            prop_assert!(bytes.len() > LONGEST_MESSAGE || again.expect("fits").as_slice() == bytes);
        }
        let mut assembler = Assembler::new(Shape::of(&Hello { n_cells: 3, n_drives: 2, ..Hello::default() }));
        let _ = assembler.push(&bytes);
        let mut session = Session::new(&[0; 16], &Challenge { protocol: 1, has_key: true, boots: 0, session: 0 }, [0; 7], Side::Board);
        if let Some(frame) = Frame::of(&bytes) {
            prop_assert_eq!(session.open(&frame), None);
        }
    }

    #[test]
    fn events_keep_their_bytes(sequence: u8, code: u8, argument: u16, minute: u16) {
        let event = Event { sequence, code, argument, minute };
        prop_assert_eq!(Event::decode(&event.encode()), event);
    }

    #[test]
    fn a_record_keeps_its_bits_through_its_messages(
        asked in 0..32_u8,
        scan: u32,
        commands in vec((1..4_u8, any::<u8>(), any::<i16>(), any::<u32>()), 0..4),
        numbers in vec((any::<i32>(), quality()), 30),
        bits in vec((any::<bool>(), quality()), 40),
        cells in vec(any::<u32>(), 60),
    ) {
        let hello = Hello {
            n_numbers: 30, n_number_inputs: 9, n_bits: 42, n_bit_inputs: 11, n_cells: 60,
            n_drives: 5, n_trips: 2, n_alarms: 3, n_procedures: 1, ..Hello::default()
        };
        let has = |section: u8| asked & section != 0;
        let numbers: Vec<Sample> = numbers.into_iter().map(|(value, quality)| Sample { value, quality }).collect();
        let mut record = Record { sections: asked, scan, clock_s: scan ^ 77, is_clock_good: scan % 2 == 0, ..Record::default() };
        if has(1) {
            record.commands = commands.into_iter().map(|(kind, part, value, time_ms)| Command { kind, part, value, time_ms }).collect();
        }
        if has(1 | 8) {
            record.number_inputs = numbers[..9].to_vec();
            record.bit_inputs = bits[..11].to_vec();
        }
        if has(2) {
            record.outputs = vec![0, 1, 1000, -1, 7];
        }
        if has(4) {
            record.hands_left_ms = cells[..5].to_vec();
            record.trips = vec![true, false];
            record.alarms = vec![(true, Quality::Bad, 2), (false, Quality::Good, 0), (true, Quality::Uncertain, 1)];
            record.steps = vec![4];
        }
        if has(8) {
            record.numbers = numbers[9..].to_vec();
            record.bits = bits[11..].to_vec();
        }
        if has(16) {
            record.day = scan / 3;
            record.cells = cells;
        }
        let mut assembler = Assembler::new(Shape::of(&hello));
        let came: Vec<Record> = record.encode().iter().filter_map(|part| assembler.push(part.as_slice())).collect();
        prop_assert_eq!(came, vec![record]);
        prop_assert_eq!(assembler.n_broken, 0);
    }

    #[test]
    fn a_sealed_frame_opens_once_in_its_turn(messages in vec(message(), 2..6), key: [u8; 16], random: [u8; 7], bit in 0..560_usize) {
        let challenge = Challenge { protocol: 1, has_key: true, boots: 70_000, session: 3 };
        let mut station = Session::new(&key, &challenge, random, Side::Station);
        let mut board = Session::new(&key, &challenge, random, Side::Board);
        let frames: Vec<Frame> = messages.iter().map(|message| station.seal(message).expect("numbers left")).collect();
        prop_assert_eq!(&frames[0].as_slice()[..7], random.as_slice());
        prop_assert_eq!(board.open(&frames[1]), None, "not in its turn");
        for (message, frame) in messages.iter().zip(&frames) {
            let mut altered = *frame;
            let n_bits = 8 * altered.as_slice().len();
            altered.as_mut_slice()[bit % n_bits / 8] ^= 1 << (bit % 8);
            let is_random = frame == &frames[0] && bit % n_bits / 8 < 7;
            prop_assert!(is_random || board.open(&altered).is_none());
            prop_assert_eq!(board.open(frame), Some(*message));
            prop_assert_eq!(board.open(frame), None, "not twice");
        }
        // What one side sealed is nothing that the other side's peer sent.
        let mut peer = Session::new(&key, &challenge, random, Side::Station);
        prop_assert_eq!(peer.open(&frames[1]), None);
        let answer = board.seal(&messages[0]).expect("numbers left");
        prop_assert_eq!(peer.open(&answer), Some(messages[0]));
    }
}

/// The worked examples of the stuffing's own paper are longer than a frame; these are the customary short ones (common practice).
#[test]
fn customary_examples_of_stuffing() {
    let cases: [(&[u8], &[u8]); 5] = [
        (&[0], &[1, 1, 0]),
        (&[0, 0], &[1, 1, 1, 0]),
        (&[0x11, 0x22, 0, 0x33], &[3, 0x11, 0x22, 2, 0x33, 0]),
        (&[0x11, 0x22, 0x33, 0x44], &[5, 0x11, 0x22, 0x33, 0x44, 0]),
        (&[0x11, 0, 0, 0], &[2, 0x11, 1, 1, 1, 0]),
    ];
    for (bytes, stuffed) in cases {
        assert_eq!(stuff(bytes).expect("fits").as_slice(), stuffed);
    }
}

#[test]
fn every_request_survives_its_bytes() {
    let entry = [5; 14];
    let key = [6; 16];
    let all = [
        Request::Hello { protocol: 1 },
        Request::Subscribe { sections: 31, every: 2 },
        Request::Events { from: 9 },
        Request::Acknowledge { sequence: 255 },
        Request::Hand { drive: 127, value: -1000, time_ms: u32::MAX },
        Request::ResetTrip { trip: 1 },
        Request::Procedure { procedure: 2, command: ProcedureCommand::Confirm },
        Request::Clock,
        Request::SetClock { utc_s: 0x8000_0000 },
        Request::Calibration { n: 3 },
        Request::Calibrate { entry: &entry },
        Request::LearnKey { key: 0xFF },
        Request::Raw { first: 4 },
        Request::Upload { length: 320 },
        Request::Chunk { offset: 300, bytes: &[1, 2, 3] },
        Request::UploadEnd { minutes: 10 },
        Request::Confirm,
        Request::Revert,
        Request::Restart,
        Request::SetKey { key: &key },
    ];
    for (at, request) in all.iter().enumerate() {
        assert_eq!(usize::from(request.message_type()), at + 1);
        let message = request.encode(7).expect("fits");
        assert_eq!(Request::decode(message.as_slice()), Ok((7, *request)));
    }
    assert_eq!(Request::Chunk { offset: 0, bytes: &[0; 53] }.encode(1), None);
    assert_eq!(Request::Chunk { offset: 0, bytes: &[] }.encode(1), None);
}

//! The station's client against the board's link over a cable: every message, and whatever is no message.

use std::io;
use std::time::Duration;

use fake_board::{Board, Parts};
use link::client::{ClientError, Taken, Told};
use link::frame::{Message, Splitter, from_cable, to_cable};
use link::message::{Answer, AnswerCode, Event, ProcedureCommand, Request, sections};
use link::transport::Transport;
use link::{Client, Hello};
use program::quality::{Quality, Sample, unpack_bit};

const PARTS: Parts = Parts {
    n_numbers: 20,
    n_bits: 30,
    n_cells: 42,
    n_number_inputs: 14,
    n_bit_inputs: 10,
    n_drives: 14,
    n_trips: 4,
    n_alarms: 9,
    n_procedures: 2,
};

fn board() -> Board {
    let mut board = Board::lock();
    board.program(PARTS);
    board.boots(0x0A_0B_0C);
    board
}

#[test]
fn hello_tells_everything() {
    let mut board = board();
    board.event(2, 1, 0xFFFF);
    for _ in 0..5 {
        board.scan();
    }
    let client = Client::over_cable(&mut board).expect("a board");
    let hello = *client.board();
    let expected = Hello {
        protocol: 1,
        chip: 4,
        board: 9,
        runtime: hello.runtime,
        wiring_crc: 0x5566_7788,
        running_crc: 0x1122_3344,
        confirmed_crc: 0xAABB_CCDD,
        boots: 0x0A_0B_0C,
        reset_cause: 8,
        program: 2,
        fallback: 0,
        n_numbers: 20,
        n_bits: 30,
        n_cells: 42,
        n_ops: 77,
        n_number_inputs: 14,
        n_bit_inputs: 10,
        n_drives: 14,
        n_trips: 4,
        n_alarms: 9,
        n_procedures: 2,
        period_ms: 1000,
        scan: 5,
        n_skipped: 0x0102_0304,
        longest_scan_ticks: 61,
        free_stack: 333,
        newest_event: 1,
    };
    assert_eq!(hello, expected);
    assert_eq!(Hello::decode(expected.encode().as_slice()), expected);
    // The runtime's version is the workspace's.
    let version: Vec<u8> =
        env!("CARGO_PKG_VERSION").split('.').filter_map(|part| part.parse().ok()).collect();
    assert_eq!(hello.runtime.as_slice(), version);
}

#[test]
fn every_act_arrives_once_and_whole() {
    let mut board = board();
    let entry: [u8; 14] = std::array::from_fn(|at| at as u8 * 3);
    let key: [u8; 16] = std::array::from_fn(|at| 0xF0 | at as u8);
    let mut acts = 0;
    let mut done = |board: &mut Board, act: &dyn Fn(&mut Client<&mut Board>)| {
        let mut client = Client::over_cable(&mut *board).expect("a board");
        act(&mut client);
        drop(client);
        acts += 1;
        assert_eq!(board.n_acts(), acts);
        board.scan();
        board.last_act()
    };
    let act = done(&mut board, &|client| {
        assert_eq!(client.hand(13, -2, 0x8070_6050).expect("taken"), Taken::ForScan(1));
    });
    assert_eq!((act.kind, act.part, act.value, act.time), (5, 13, -2, 0x8070_6050));
    let act = done(&mut board, &|client| {
        assert_eq!(client.reset_trip(3).expect("taken"), Taken::ForScan(2));
    });
    assert_eq!((act.kind, act.part), (6, 3));
    let act = done(&mut board, &|client| {
        assert_eq!(client.procedure(1, ProcedureCommand::Stop).expect("taken"), Taken::ForScan(3));
    });
    assert_eq!((act.kind, act.part, act.value), (7, 1, 3));
    let act = done(&mut board, &|client| client.set_clock(0xFEDC_BA98).expect("set"));
    assert_eq!((act.kind, act.time), (9, 0xFEDC_BA98));
    let act = done(&mut board, &|client| client.calibrate(&entry).expect("written"));
    assert_eq!((act.kind, act.bytes()), (0x0B, entry.as_slice()));
    let act = done(&mut board, &|client| client.learn_key(7).expect("learns"));
    assert_eq!((act.kind, act.part), (0x0C, 7));
    let act = done(&mut board, &|client| client.confirm().expect("confirmed"));
    assert_eq!(act.kind, 0x11);
    let act = done(&mut board, &|client| client.revert().expect("reverted"));
    assert_eq!(act.kind, 0x12);
    let act = done(&mut board, &|client| client.restart().expect("restarts"));
    assert_eq!(act.kind, 0x13);
    let act = done(&mut board, &|client| client.set_key(&key).expect("set"));
    assert_eq!((act.kind, act.bytes()), (0x14, key.as_slice()));
    let act = done(&mut board, &|client| client.acknowledge(200).expect("acknowledged"));
    assert_eq!((act.kind, act.part), (4, 200));
}

#[test]
fn reading_messages() {
    let mut board = board();
    board.scan();
    let (clock, raw): (u32, Vec<i32>) =
        (board.value(20, 0, 1), (0..14).map(|input| board.value(21, input, 1).cast_signed()).collect());
    let entries: Vec<[u8; 14]> =
        (0..3).map(|n| std::array::from_fn(|at| board.value(22, n, at as u32) as u8)).collect();
    let mut client = Client::over_cable(&mut board).expect("a board");
    assert_eq!(client.clock().expect("clock"), Some(clock));
    assert_eq!(client.raw_codes().expect("codes"), raw);
    assert_eq!(client.calibrations().expect("entries"), entries);
    drop(client);
    board.scan();
    let mut client = Client::over_cable(&mut board).expect("a board");
    assert_eq!(client.clock().expect("clock"), None, "a lost clock is none");
}

#[test]
fn an_upload_arrives_in_order_and_ends_with_the_loaders_verdict() {
    let mut board = board();
    let program: Vec<u8> = (0..318).map(|at| (at * 7) as u8).collect();
    let mut steps = Vec::new();
    Client::over_cable(&mut board).expect("a board").upload(&program, 30, |n| steps.push(n)).expect("sent");
    assert_eq!((steps.first(), steps.last()), (Some(&24), Some(&318)));
    assert_eq!(board.last_act().part, 30);
    assert_eq!(board.n_acts(), 2 + 318_u32.div_ceil(24));
    board.answer(6, 13);
    let mut client = Client::over_cable(&mut board).expect("a board");
    let refused = client.request(&Request::UploadEnd { minutes: 1 });
    assert!(
        matches!(&refused, Err(ClientError::Refused(AnswerCode::Program, detail)) if *detail == [13]),
        "{refused:?}"
    );
}

#[test]
fn a_refused_hand_tells_the_drives_state() {
    let mut board = board();
    board.answer(4, 0);
    let output = (board.value(5, 6, 0) % 1001) as i16;
    let hand_left_ms = board.value(6, 6, 0) >> 2;
    let mut client = Client::over_cable(&mut board).expect("a board");
    assert_eq!(client.hand(6, 1, 1000).expect("an answer"), Taken::Refused { output, hand_left_ms });
    // A refused reset has no drive to tell of.
    assert!(matches!(client.reset_trip(0), Err(ClientError::Refused(AnswerCode::Refused, _))));
}

/// Loses the board's first answers, or all of them.
struct Lossy<'a> {
    board: &'a mut Board,
    n_lost: u32,
}

impl Transport for Lossy<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.board.put(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.board.settle();
        if self.n_lost > 0 {
            let lost = self.board.sent();
            self.n_lost -= u32::from(!lost.is_empty());
            std::thread::sleep(wait.min(Duration::from_millis(20)));
            return Ok(0);
        }
        (&mut *self.board).receive(buffer, wait)
    }
}

#[test]
fn an_answer_that_got_lost_does_nothing_twice() {
    let mut board = board();
    let mut client = Client::over_cable(Lossy { board: &mut board, n_lost: 0 }).expect("a board");
    client.transport().n_lost = 3;
    assert_eq!(client.hand(1, 1, 60_000).expect("taken"), Taken::ForScan(1));
    assert_eq!(client.n_retries, 3);
    drop(client);
    assert_eq!(board.n_acts(), 1);
    // A second tool that begins with the same id is not taken for a repetition.
    let mut client = Client::over_cable(&mut board).expect("a board");
    client.hand(1, 1, 60_000).expect("taken");
    drop(client);
    assert_eq!(board.n_acts(), 2);
}

fn answers(board: &mut Board, message: &[u8]) -> Vec<Message> {
    let frame = to_cable(&Message::of(message).expect("short")).expect("short");
    board.put(frame.as_slice());
    board.settle();
    messages(board)
}

fn messages(board: &mut Board) -> Vec<Message> {
    let mut splitter = Splitter::new();
    let sent = board.sent();
    let messages = sent.iter().filter_map(|&byte| splitter.push(byte));
    let messages = messages.map(|frame| from_cable(&frame).expect("the board's frames are sound")).collect();
    assert_eq!(splitter.n_malformed, 0);
    messages
}

#[test]
fn ids_decide_what_is_done_again() {
    let mut board = board();
    let hand = |id| [5, id, 2, 1, 0, 9, 0, 0, 0];
    assert_eq!(answers(&mut board, &hand(8)), answers(&mut board, &hand(8)));
    assert_eq!(board.n_acts(), 1, "the same id");
    answers(&mut board, &hand(9));
    assert_eq!(board.n_acts(), 2, "another id");
    board.scan();
    answers(&mut board, &hand(0));
    answers(&mut board, &hand(0));
    assert_eq!(board.n_acts(), 4, "id 0 is done each time");
    board.scan();
    board.answer(3, 0);
    answers(&mut board, &hand(10));
    board.answer(0, 0);
    assert_eq!(answers(&mut board, &hand(10))[0].as_slice()[2], 0);
    assert_eq!(board.n_acts(), 6, "what was answered BUSY is done at last");
    answers(&mut board, &[1, 11, 1]);
    answers(&mut board, &hand(10));
    assert_eq!(board.n_acts(), 7, "HELLO empties the memory");
}

#[test]
fn a_scan_takes_three_commands() {
    let mut board = board();
    for id in 1..=3 {
        assert_eq!(answers(&mut board, &[6, id, 0])[0].as_slice()[2], 0);
    }
    assert_eq!(answers(&mut board, &[6, 4, 0])[0].as_slice()[2], 3, "BUSY");
    board.scan();
    board.settle();
    assert_eq!(answers(&mut board, &[6, 4, 0])[0].as_slice()[2], 0);
}

#[test]
fn lengths_and_types_that_are_none() {
    let mut board = board();
    for message_type in 0..=0xFF_u8 {
        for n in 0..=54 {
            let mut message = vec![message_type, 77];
            message.resize(2 + n, 1);
            let decoded = Request::decode(&message);
            let before = board.n_acts();
            let answers = answers(&mut board, &message);
            let [answer] = answers.as_slice() else { panic!("one answer to each sound request") };
            let answer = Answer::decode(answer.as_slice()).expect("an answer");
            let done = board.n_acts() - before;
            assert_eq!((answer.request_type | 0x80, answer.id), (message_type | 0x80, 77));
            match decoded {
                Err(link::message::BadRequest::Unknown) => assert_eq!(answer.code, AnswerCode::Unknown),
                // What a procedure is told is judged by the program.
                Err(_) => assert_eq!(answer.code, AnswerCode::BadValue, "{message:?}"),
                Ok((_, request)) if request.is_act() => assert!(done <= 1),
                Ok(_) => assert_eq!(done, 0),
            }
            if decoded.is_err() {
                assert_eq!(done, 0, "{message:?}");
            }
            // The next one shall not look like a repetition.
            crate::answers(&mut board, &[1, 1, 1]);
            board.scan();
            board.settle();
            board.sent();
        }
    }
}

fn sample(board: &Board, slot: u32, scan: u32) -> Sample {
    let quality = Quality::from_code((board.value(2, slot, scan) % 3) as u8);
    Sample { value: board.value(1, slot, scan).cast_signed(), quality }
}

fn bit(board: &Board, slot: u32, scan: u32) -> (bool, Quality) {
    unpack_bit((board.value(3, slot, scan) & 1 | (board.value(4, slot, scan) % 3) << 1) as u8)
}

#[test]
fn a_whole_record_gives_every_slot() {
    let mut board = board();
    board.scan();
    let mut client = Client::over_cable(&mut board).expect("a board");
    let all = sections::INPUTS | sections::OUTPUTS | sections::STATES | sections::RESULTS | sections::CELLS;
    client.subscribe(all, 1).expect("subscribed");
    client.hand(2, 1, 5000).expect("taken");
    client.procedure(1, ProcedureCommand::Start).expect("taken");
    client.transport().command(1, 3, 0, 700);
    client.transport().scan();
    let record = client.next_record(Duration::from_millis(1)).expect("a line").expect("a record");
    assert_eq!(client.n_broken_records(), 0);
    // Without anything to tell but the head.
    client.subscribe(sections::OUTPUTS, 2).expect("subscribed");
    let mut scans = Vec::new();
    for _ in 0..6 {
        client.transport().scan();
        scans.extend(client.next_record(Duration::from_millis(1)).expect("a line").map(|record| record.scan));
    }
    assert_eq!(scans, [3, 5, 7]);
    client.subscribe(sections::STATES, 0).expect("subscribed");
    for _ in 0..3 {
        client.transport().scan();
        scans.extend(client.next_record(Duration::from_millis(1)).expect("a line").map(|record| record.scan));
    }
    assert_eq!(scans, [3, 5, 7, 9], "once");
    drop(client);

    let scan = 2;
    assert_eq!((record.scan, record.sections), (scan, all));
    assert_eq!((record.clock_s, record.is_clock_good), (board.value(20, 0, scan), false));
    let commands: Vec<_> = record.commands.iter().map(|c| (c.kind, c.part, c.value, c.time_ms)).collect();
    assert_eq!(commands, [(1, 2, 1, 5000), (3, 1, 1, 0), (1, 3, 0, 700)]);
    let numbers: Vec<Sample> = (0..20).map(|slot| sample(&board, slot, scan)).collect();
    assert_eq!([record.number_inputs, record.numbers].concat(), numbers);
    let bits: Vec<_> = (2..30).map(|slot| bit(&board, slot, scan)).collect();
    assert_eq!([record.bit_inputs, record.bits].concat(), bits);
    assert_eq!(record.outputs, (0..14).map(|d| (board.value(5, d, scan) % 1001) as i16).collect::<Vec<_>>());
    assert_eq!(record.hands_left_ms, (0..14).map(|d| board.value(6, d, scan) >> 2).collect::<Vec<_>>());
    assert_eq!(record.trips, (0..4).map(|t| board.value(7, t, scan) & 1 != 0).collect::<Vec<_>>());
    let alarm = |a| (board.value(8, a, scan) & 1 != 0, Quality::Good, (board.value(9, a, scan) % 3) as u8);
    assert_eq!(record.alarms, (0..9).map(alarm).collect::<Vec<_>>());
    assert_eq!(record.steps, (0..2).map(|p| (board.value(10, p, scan) % 33) as u8).collect::<Vec<_>>());
    assert_eq!(record.day, board.value(11, 0, scan));
    assert_eq!(record.cells, (0..42).map(|cell| board.value(12, cell, scan)).collect::<Vec<_>>());
}

#[test]
fn a_record_that_the_next_scan_breaks_off_is_counted() {
    let mut board = board();
    board.scan();
    let mut client = Client::over_cable(&mut board).expect("a board");
    client.subscribe(sections::RESULTS | sections::CELLS, 1).expect("subscribed");
    client.transport().scan();
    for _ in 0..3 {
        client.transport().idle();
    }
    client.transport().scan();
    let record = client.next_record(Duration::from_millis(1)).expect("a line").expect("a record");
    assert_eq!((record.scan, client.n_broken_records()), (3, 1));
}

#[test]
fn events_come_in_order_with_their_gaps() {
    let mut board = board();
    board.next_event(250);
    for n in 0..11 {
        board.event(if n == 7 { 1 } else { 4 }, n, 100 + n);
    }
    let event = |n: u16| {
        let sequence = 250_u8.wrapping_add(n as u8);
        Told::Event(Event { sequence, code: 4, argument: n, minute: 100 + n })
    };
    let mut client = Client::over_cable(&mut board).expect("a board");
    let told = client.events_after(None).expect("events");
    let expected: Vec<Told> = (0..11).map(|n| if n == 7 { Told::Lost(Some(7)) } else { event(n) }).collect();
    assert_eq!(told, expected, "first meeting, across the wrap of the sequence");
    assert_eq!(client.events_after(Some(1)).expect("events"), expected[8..]);
    assert_eq!(client.events_after(Some(4)).expect("events"), []);
    client.acknowledge(1).expect("acknowledged");
    // Had the station stored only up to 251, the acknowledged ones are gone for it: it is told so.
    assert_eq!(client.events_after(Some(251)).expect("events")[0], Told::Lost(None));
    drop(client);
    assert_eq!(board.acknowledged(), 1);
}

#[test]
fn noise_before_between_and_behind_frames_is_no_matter() {
    let mut board = board();
    let mut noise = vec![0x55; 300];
    noise.extend([0, 0, 3, 0, 2, 2, 0xFF, 0]);
    let hello = to_cable(&Message::of(&[1, 5, 1]).expect("short")).expect("short");
    board.put(&noise);
    board.put(hello.as_slice());
    board.put(&noise);
    board.put(hello.as_slice());
    board.settle();
    assert_eq!(messages(&mut board).len(), 2);
    assert!(board.is_quiet());
    assert_eq!(board.n_acts(), 0);
}

#[test]
fn every_altered_bit_of_every_act_changes_nothing() {
    let mut board = board();
    let entry = [7; 14];
    let key = [9; 16];
    let chunk: Vec<u8> = (0..52).collect();
    let requests = [
        Request::Acknowledge { sequence: 3 },
        Request::Hand { drive: 1, value: 1, time_ms: 90_000 },
        Request::ResetTrip { trip: 0 },
        Request::Procedure { procedure: 0, command: ProcedureCommand::Start },
        Request::SetClock { utc_s: 0 },
        Request::Calibrate { entry: &entry },
        Request::LearnKey { key: 0 },
        Request::Upload { length: 256 },
        Request::Chunk { offset: 0, bytes: &chunk },
        Request::UploadEnd { minutes: 1 },
        Request::Confirm,
        Request::Revert,
        Request::Restart,
        Request::SetKey { key: &key },
    ];
    for request in requests {
        let frame = to_cable(&request.encode(1).expect("short")).expect("short");
        for bit in 0..8 * (frame.as_slice().len() - 1) {
            let mut altered = frame.as_slice().to_vec();
            altered[bit / 8] ^= 1 << (bit % 8);
            // A 0 inside ends two frames early; the 0 at the end makes sure that nothing of it stays behind.
            altered.push(0);
            board.put(&altered);
            board.settle();
        }
        for n in 0..frame.as_slice().len() - 1 {
            let mut cut = frame.as_slice()[..n].to_vec();
            cut.push(0);
            board.put(&cut);
            board.settle();
        }
        assert_eq!(board.n_acts(), 0, "{request:?}");
        assert!(board.sent().is_empty(), "{request:?}: no answer either");
    }
}

/// A board that boots while the client already asks.
struct Late<'a> {
    board: &'a mut Board,
    n_requests: u32,
}

impl Transport for Late<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.n_requests += u32::from(bytes.len() > 1);
        if self.n_requests > 6 {
            self.board.put(bytes);
        }
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        (&mut *self.board).receive(buffer, wait)
    }
}

#[test]
fn a_board_that_still_boots_is_waited_for() {
    let mut board = board();
    let client = Client::over_cable(Late { board: &mut board, n_requests: 0 }).expect("a board");
    assert_eq!(client.n_retries, 5);
}

//! The board on a network: address, connection, session, and what an attacker may try; over a W5500 at the level of its registers.

use std::io;
use std::time::Duration;

use fake_board::w5500::{Datagram, DhcpServer, W5500, status};
use fake_board::{Board, Parts};
use link::Client;
use link::client::ClientError;
use link::frame::{Frame, Message, Splitter, from_cable, stuff};
use link::message::{Request, sections};
use link::seal::{Challenge, Session, Side};
use link::transport::{TCP_PORT, Transport};

const KEY: [u8; 16] = [0x5A; 16];
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

/// A board, its chip, and a network with or without a DHCP server.
struct Rig {
    board: Board,
    w5500: W5500,
    server: Option<DhcpServer>,
    ms: u64,
}

impl Rig {
    fn new(server: Option<DhcpServer>) -> Rig {
        let mut board = Board::lock();
        let w5500 = W5500::default();
        board.put_on_bus(Box::new(w5500.clone()));
        board.program(PARTS);
        board.key(Some(&KEY));
        board.boots(258);
        Rig { board, w5500, server, ms: 0 }
    }

    /// One that has its address already.
    fn ready() -> Rig {
        let mut rig = Rig::new(Some(DhcpServer::new(3600)));
        rig.run(3_000);
        assert_eq!(rig.w5500.chip().socket(0), (TCP_PORT, status::LISTEN));
        rig
    }

    fn run(&mut self, ms: u64) {
        let until = self.ms + ms;
        while self.ms < until {
            self.ms += 10;
            self.board.ms(self.ms as u16);
            self.board.settle();
            let sent: Vec<Datagram> = std::mem::take(&mut self.w5500.chip().datagrams);
            for datagram in sent {
                if let Some(answer) = self.server.as_mut().and_then(|server| server.answer(&datagram)) {
                    self.w5500.chip().arrive(&answer);
                }
            }
            // The other side acknowledges the end of a connection.
            if self.w5500.chip().socket(0).1 == status::FIN_WAIT {
                self.w5500.chip().peer_close(TCP_PORT);
            }
        }
        assert_eq!(self.w5500.chip().faults, Vec::<String>::new());
    }

    fn asked(&self) -> Vec<(u8, [u8; 4], bool)> {
        self.server.as_ref().map(|server| server.asked.clone()).unwrap_or_default()
    }

    fn address(&self) -> [u8; 4] {
        self.w5500.chip().address().0
    }

    /// Connects, and reads the challenge, which waits after a first frame that was not sound.
    fn challenge(&mut self) -> Challenge {
        self.timed_challenge().0
    }

    /// The challenge, and how long it took, in steps of 100 ms.
    fn timed_challenge(&mut self) -> (Challenge, u64) {
        assert!(self.w5500.chip().connect(TCP_PORT));
        let begins = self.ms;
        self.run(100);
        let mut frames = self.frames();
        while frames.is_empty() && self.ms < begins + 3_000 {
            self.run(100);
            frames = self.frames();
        }
        let message = from_cable(&frames[0]).expect("a sound frame");
        assert_eq!(frames.len(), 1);
        let challenge = Challenge::decode(message.as_slice()).expect("a challenge");
        assert_eq!(challenge.encode(), message);
        (challenge, self.ms - begins)
    }

    fn frames(&mut self) -> Vec<Frame> {
        let mut splitter = Splitter::new();
        let received = std::mem::take(&mut self.w5500.chip().peer_received);
        received.iter().filter_map(|&byte| splitter.push(byte)).collect()
    }

    /// A peer sends a frame, and gets what comes back.
    fn tell(&mut self, frame: &Frame) -> Vec<Frame> {
        let stuffed = stuff(frame.as_slice()).expect("fits");
        self.w5500.chip().peer_send(TCP_PORT, stuffed.as_slice());
        self.run(100);
        self.frames()
    }

    fn is_connected(&self) -> bool {
        self.w5500.chip().is_connected(TCP_PORT)
    }
}

/// A station's socket on the rig.
struct Tcp<'a>(&'a mut Rig);

impl Transport for Tcp<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.w5500.chip().peer_send(TCP_PORT, bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _: Duration) -> io::Result<usize> {
        self.0.run(10);
        let mut chip = self.0.w5500.chip();
        if chip.peer_received.is_empty() && !chip.is_connected(TCP_PORT) {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "closed"));
        }
        let n = chip.peer_received.len().min(buffer.len());
        buffer[..n].copy_from_slice(&chip.peer_received[..n]);
        chip.peer_received.drain(..n);
        Ok(n)
    }
}

fn request(request: &Request<'_>, id: u8) -> Message {
    request.encode(id).expect("fits")
}

#[test]
fn an_address_is_asked_for_and_listened_on() {
    let mut rig = Rig::new(Some(DhcpServer::new(3600)));
    rig.run(3_000);
    assert_eq!(rig.asked(), [(1, [0; 4], true), (3, [0; 4], true)], "DISCOVER, REQUEST");
    assert_eq!(rig.w5500.chip().address(), ([10, 1, 2, 77], [255, 255, 0, 0], [10, 1, 2, 1]));
    assert_eq!(rig.w5500.chip().hardware(), [0x02, 0x54, 0x64, 0x66, 0x77, 0x88]);
    assert_eq!(rig.w5500.chip().socket(0), (TCP_PORT, status::LISTEN));
}

#[test]
fn answers_that_get_lost_are_asked_for_again() {
    let mut server = DhcpServer::new(3600);
    server.n_lost = 3;
    let mut rig = Rig::new(Some(server));
    rig.run(40_000);
    assert_eq!(rig.address(), [10, 1, 2, 77]);
    let types: Vec<u8> = rig.asked().iter().map(|asked| asked.0).collect();
    assert_eq!(types, [1, 1, 1, 1, 3]);
}

#[test]
fn a_lease_is_renewed_at_half_and_with_everybody_at_seven_eighths() {
    let mut rig = Rig::new(Some(DhcpServer::new(800)));
    rig.run(3_000);
    let own = [10, 1, 2, 77];
    rig.run(390_000);
    assert_eq!(rig.asked().len(), 2, "not yet");
    rig.run(15_000);
    assert_eq!(rig.asked()[2..], [(3, own, false)], "from the server that gave it");
    // Renewed: the next half begins there.
    rig.run(380_000);
    assert_eq!(rig.asked().len(), 3);
    // The server is silent: once a minute, then everybody is asked, and at the end the address is given up.
    if let Some(server) = &mut rig.server {
        server.n_lost = 1000;
    }
    rig.run(310_000);
    let asked = rig.asked();
    assert!(
        asked[3..].iter().all(|&(kind, from, everybody)| (kind, from, everybody) == (3, own, false)),
        "{asked:?}"
    );
    assert_eq!(asked.len(), 3 + 5);
    rig.run(60_000);
    assert_eq!(rig.asked()[8..], [(3, own, true)]);
    assert_eq!(rig.address(), own);
    rig.run(60_000);
    assert_eq!(rig.address(), [0; 4], "the lease is over");
    if let Some(server) = &mut rig.server {
        server.n_lost = 0;
    }
    rig.run(30_000);
    assert_eq!(rig.address(), own);
}

#[test]
fn a_nak_begins_anew_and_ends_the_connection() {
    let mut rig = Rig::new(Some(DhcpServer::new(100)));
    rig.run(3_000);
    rig.challenge();
    if let Some(server) = &mut rig.server {
        server.gives = [10, 1, 2, 99];
    }
    rig.run(58_000);
    assert_eq!(rig.address(), [10, 1, 2, 99]);
    assert!(!rig.is_connected());
    assert_eq!(rig.w5500.chip().socket(0).1, status::LISTEN);
}

#[test]
fn without_a_server_there_is_a_static_address_and_it_goes_on_asking() {
    let mut server = DhcpServer::new(3600);
    server.is_up = false;
    let mut rig = Rig::new(Some(server));
    rig.run(58_000);
    assert_eq!(rig.address(), [0; 4]);
    rig.run(4_000);
    assert_eq!(rig.w5500.chip().address(), ([192, 168, 77, 77], [255, 255, 255, 0], [0; 4]));
    assert_eq!(rig.w5500.chip().socket(0).1, status::LISTEN);
    if let Some(server) = &mut rig.server {
        server.is_up = true;
    }
    rig.run(65_000);
    assert_eq!(rig.address(), [10, 1, 2, 77]);
}

#[test]
fn a_cable_that_was_out_begins_anew() {
    let mut rig = Rig::ready();
    rig.challenge();
    rig.w5500.chip().is_linked = false;
    rig.run(5_000);
    rig.w5500.chip().is_linked = true;
    if let Some(server) = &mut rig.server {
        server.gives = [10, 1, 2, 5];
    }
    rig.run(5_000);
    assert_eq!(rig.address(), [10, 1, 2, 5]);
    assert_eq!(rig.w5500.chip().socket(0).1, status::LISTEN);
    // A chip that lost its power for a moment is set up again, and so is one that came late.
    rig.w5500.chip().forget();
    rig.run(5_000);
    assert_eq!(rig.address(), [10, 1, 2, 5]);
    rig.w5500.chip().is_powered = false;
    rig.w5500.chip().forget();
    rig.run(5_000);
    rig.w5500.chip().is_powered = true;
    rig.run(5_000);
    assert_eq!(rig.address(), [10, 1, 2, 5]);
}

#[test]
fn packets_that_are_no_answer_change_nothing() {
    let mut server = DhcpServer::new(3600);
    server.is_up = false;
    let mut rig = Rig::new(Some(server.clone()));
    server.is_up = true;
    // What the server would have said to the first question, damaged in every byte of its head and cut at every length.
    let mut question = None;
    for _ in 0..30 {
        rig.ms += 100;
        rig.board.ms(rig.ms as u16);
        rig.board.settle();
        question = question.or(rig.w5500.chip().datagrams.pop());
    }
    let answer = server.answer(&question.expect("a question")).expect("an answer");
    for at in (0..8).filter(|&at| !(1..4).contains(&at)).chain(28..34).chain(236..240) {
        let mut damaged = answer.clone();
        damaged.bytes[at] ^= 0x10;
        rig.w5500.chip().arrive(&damaged);
        rig.board.settle();
    }
    for n in 0..answer.bytes.len().min(243) {
        let mut cut = answer.clone();
        cut.bytes.truncate(n);
        rig.w5500.chip().arrive(&cut);
        rig.board.settle();
    }
    for length in 0..=255 {
        // Options whose length points anywhere.
        let mut damaged = answer.clone();
        damaged.bytes.truncate(240);
        damaged.bytes.extend([51, length, 1, 2, 3]);
        rig.w5500.chip().arrive(&damaged);
        rig.board.settle();
    }
    assert_eq!(rig.w5500.chip().datagrams, [], "no REQUEST came of it");
    rig.w5500.chip().arrive(&answer);
    rig.board.settle();
    assert_eq!(rig.w5500.chip().datagrams.len(), 1, "of the sound one it does");
}

#[test]
fn a_station_with_the_key_is_served() {
    let mut rig = Rig::ready();
    let before = rig.challenge();
    rig.w5500.chip().peer_close(TCP_PORT);
    rig.run(100);
    assert!(rig.w5500.chip().connect(TCP_PORT));
    let (mut client, challenge) = Client::over_network(Tcp(&mut rig), &KEY, None).expect("a session");
    assert_eq!(challenge, before, "no session stood on the first one");
    assert_eq!((challenge.boots, challenge.has_key), (258, true));
    assert_eq!(client.board().running_crc, 0x1122_3344);
    for _ in 0..3 {
        client.hand(3, 1, 1000).expect("taken");
        client.raw_codes().expect("codes");
        client.transport().0.board.scan();
    }
    client.subscribe(31, 1).expect("subscribed");
    client.transport().0.board.scan();
    let record = client.next_record(Duration::from_secs(1)).expect("a line").expect("a record");
    assert_eq!((record.scan, record.cells.len()), (4, 42));
    let refused = client.set_key(&[1; 16]);
    assert!(matches!(refused, Err(ClientError::Refused(link::AnswerCode::NotAllowed, _))), "{refused:?}");
    drop(client);
    assert_eq!(rig.board.n_acts(), 3);
    // The peer goes; another comes, and finds the next session.
    rig.w5500.chip().peer_close(TCP_PORT);
    rig.run(100);
    assert_eq!(rig.w5500.chip().socket(0).1, status::LISTEN);
    assert_eq!(rig.challenge().session, challenge.session + 1);
    // A station that knows the last session does not take the same one again.
    rig.w5500.chip().peer_close(TCP_PORT);
    rig.run(100);
    assert!(rig.w5500.chip().connect(TCP_PORT));
    let known = Some((challenge.boots, challenge.session + 1));
    let refused = Client::over_network(Tcp(&mut rig), &KEY, known).map(drop);
    assert!(matches!(refused, Err(ClientError::OldChallenge)), "{refused:?}");
}

#[test]
fn a_station_without_the_key_learns_nothing_and_does_nothing() {
    let mut rig = Rig::ready();
    let before = rig.challenge();
    rig.w5500.chip().peer_close(TCP_PORT);
    rig.run(100);
    assert!(rig.w5500.chip().connect(TCP_PORT));
    let refused = Client::over_network(Tcp(&mut rig), &[0; 16], None).map(drop);
    assert!(matches!(refused, Err(ClientError::Key)), "{refused:?}");
    rig.run(1_000);
    assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 0));
    // No session stood, so its number is still free.
    assert_eq!(rig.challenge(), before);
    // Frames as the cable has them do nothing either.
    let hand = request(&Request::Hand { drive: 1, value: 1, time_ms: 9 }, 1);
    let mut frame = Frame::of(hand.as_slice()).expect("fits");
    frame.extend(&program::crc::crc16(hand.as_slice()).to_le_bytes());
    assert_eq!(rig.tell(&frame), []);
    assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 0));
}

#[test]
fn without_a_key_the_board_hangs_up() {
    let mut rig = Rig::ready();
    rig.board.key(None);
    assert!(rig.w5500.chip().connect(TCP_PORT));
    let refused = Client::over_network(Tcp(&mut rig), &KEY, None).map(drop);
    assert!(matches!(refused, Err(ClientError::NoKey)), "{refused:?}");
    rig.run(1_000);
    assert!(!rig.is_connected());
}

#[test]
fn replayed_swapped_and_altered_frames_end_the_connection() {
    let hand = |id| request(&Request::Hand { drive: 2, value: 1, time_ms: 60_000 }, id);
    let hello = request(&Request::Hello { protocol: 1 }, 1);
    let mut rig = Rig::ready();
    let challenge = rig.challenge();
    let mut station = Session::new(&KEY, &challenge, [1, 2, 3, 4, 5, 6, 7], Side::Station);
    let (first, second, third) = (
        station.seal(&hello).expect("left"),
        station.seal(&hand(2)).expect("left"),
        station.seal(&hand(3)).expect("left"),
    );
    let answer = rig.tell(&first);
    assert!(station.open(&answer[0]).is_some());
    assert_eq!(rig.tell(&second).len(), 1);
    assert_eq!(rig.board.n_acts(), 1);
    assert_eq!(rig.tell(&second), [], "replayed");
    assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 1));

    // The whole recording in a new connection: another session's number.
    assert_eq!(rig.challenge().session, challenge.session + 1);
    assert_eq!(rig.tell(&first), []);
    assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 1));

    // After a restart the boot counter differs.
    rig.board.reset();
    rig.board.program(PARTS);
    rig.board.key(Some(&KEY));
    rig.board.boots(259);
    rig.run(3_000);
    let challenge = rig.challenge();
    assert_eq!(challenge.boots, 259);
    assert_eq!(rig.tell(&first), []);
    assert!(!rig.is_connected());

    // Left out, and swapped.
    let challenge = rig.challenge();
    let mut station = Session::new(&KEY, &challenge, [9; 7], Side::Station);
    rig.tell(&station.seal(&hello).expect("left"));
    station.seal(&hand(2)).expect("left");
    assert_eq!(rig.tell(&station.seal(&hand(3)).expect("left")), []);
    assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 0));

    // Every bit of a frame.
    for bit in (0..8 * third.as_slice().len()).step_by(3) {
        let challenge = rig.challenge();
        let mut station = Session::new(&KEY, &challenge, [9; 7], Side::Station);
        rig.tell(&station.seal(&hello).expect("left"));
        let mut altered = station.seal(&hand(2)).expect("left");
        altered.as_mut_slice()[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(rig.tell(&altered), []);
        assert_eq!((rig.is_connected(), rig.board.n_acts()), (false, 0), "bit {bit}");
    }
}

#[test]
fn pieces_noise_and_endless_frames() {
    let mut rig = Rig::ready();
    let challenge = rig.challenge();
    let mut station = Session::new(&KEY, &challenge, [3; 7], Side::Station);
    let hello = request(&Request::Hello { protocol: 1 }, 1);
    let stuffed = stuff(station.seal(&hello).expect("left").as_slice()).expect("fits");
    // Byte by byte, with empty frames before.
    for &byte in [0, 0].iter().chain(stuffed.as_slice()) {
        rig.w5500.chip().peer_send(TCP_PORT, &[byte]);
        rig.run(10);
    }
    let frames = rig.frames();
    assert_eq!(frames.len(), 1);
    assert!(station.open(&frames[0]).is_some());
    // Two requests at once are answered one after the other.
    for id in 2..4 {
        let frame = station.seal(&request(&Request::Clock, id)).expect("left");
        rig.w5500.chip().peer_send(TCP_PORT, stuff(frame.as_slice()).expect("fits").as_slice());
    }
    rig.run(50);
    assert_eq!(rig.frames().len(), 2);
    // A frame that never ends.
    rig.w5500.chip().peer_send(TCP_PORT, &[0x55; 500]);
    rig.run(50);
    assert!(!rig.is_connected());
    // A stuffing that points beyond its end, and frames too short for a tag.
    for noise in [&[9, 1, 0][..], &[2, 1, 0], &[1, 1, 1, 1, 0]] {
        rig.challenge();
        rig.w5500.chip().peer_send(TCP_PORT, noise);
        rig.run(50);
        assert!(!rig.is_connected(), "{noise:?}");
    }
    assert_eq!(rig.board.n_acts(), 0);
}

#[test]
fn a_silent_connection_ends() {
    let mut rig = Rig::ready();
    rig.challenge();
    rig.run(3_500);
    assert!(rig.is_connected());
    rig.run(2_500);
    assert!(!rig.is_connected(), "5 s for the first frame");
    let challenge = rig.challenge();
    let mut station = Session::new(&KEY, &challenge, [3; 7], Side::Station);
    rig.tell(&station.seal(&request(&Request::Hello { protocol: 1 }, 1)).expect("left"));
    rig.run(50_000);
    assert!(rig.is_connected());
    rig.tell(&station.seal(&request(&Request::Clock, 2)).expect("left"));
    rig.run(58_000);
    assert!(rig.is_connected());
    rig.run(4_000);
    assert!(!rig.is_connected());
}

#[test]
fn a_peer_that_does_not_read_stops_the_records_but_not_the_board() {
    let mut rig = Rig::ready();
    let challenge = rig.challenge();
    let mut station = Session::new(&KEY, &challenge, [3; 7], Side::Station);
    rig.tell(&station.seal(&request(&Request::Hello { protocol: 1 }, 1)).expect("left"));
    let subscribe = Request::Subscribe { sections: sections::RESULTS, every: 1 };
    rig.tell(&station.seal(&request(&subscribe, 2)).expect("left"));
    rig.w5500.chip().acknowledges = false;
    for _ in 0..20 {
        rig.board.scan();
        rig.run(1_000);
    }
    assert_eq!(rig.frames(), []);
    // The cable is served meanwhile.
    assert!(Client::over_cable(&mut rig.board).is_ok());
    // A new key ends the session.
    rig.w5500.chip().acknowledges = true;
    assert!(rig.is_connected());
    let mut client = Client::over_cable(&mut rig.board).expect("a board");
    client.set_key(&[2; 16]).expect("set");
    drop(client);
    rig.run(100);
    assert!(!rig.is_connected());
}

#[test]
fn after_a_first_frame_that_is_not_sound_the_next_challenge_waits() {
    let mut rig = Rig::ready();
    let hello = request(&Request::Hello { protocol: 1 }, 1);
    for n in 0..3 {
        let (challenge, ms) = rig.timed_challenge();
        assert!(if n == 0 { ms == 100 } else { (1_000..=2_100).contains(&ms) }, "{ms} ms");
        let mut stranger = Session::new(&[0x11; 16], &challenge, [3; 7], Side::Station);
        rig.tell(&stranger.seal(&hello).expect("left"));
        assert!(!rig.is_connected());
        rig.run(500);
    }
    // Who has the key is served, and who comes next at once.
    let (challenge, _) = rig.timed_challenge();
    let mut station = Session::new(&KEY, &challenge, [3; 7], Side::Station);
    assert_eq!(rig.tell(&station.seal(&hello).expect("left")).len(), 1);
    rig.w5500.chip().peer_close(TCP_PORT);
    rig.run(500);
    assert_eq!(rig.timed_challenge().1, 100);
}

#[test]
fn a_listen_that_the_chip_has_missed_is_said_again() {
    let mut rig = Rig::new(Some(DhcpServer::new(3600)));
    rig.w5500.chip().n_deaf_to_listen = 2;
    rig.run(3_000);
    assert_eq!(rig.w5500.chip().socket(0), (TCP_PORT, status::LISTEN));
    assert_eq!(rig.w5500.chip().n_deaf_to_listen, 0);
}

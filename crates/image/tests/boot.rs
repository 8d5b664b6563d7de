//! Flashing over simulated bootloaders, with a line that fails at every byte: a board never runs half an image, and a retry succeeds.

#![allow(clippy::unwrap_used)]

mod simulated;

use image::boot::{BootError, Failed, Left, Target, read, write};
use simulated::{Avr109, Board, Erasing, Fault, Protocol, Simulated, Stk500v1, Stk500v2};
use system::parts::{BootProtocol, Library};

struct Kind {
    name: &'static str,
    protocol: BootProtocol,
    make: fn() -> Box<dyn Protocol>,
    chip: &'static str,
    erasing: Erasing,
}

/// Each protocol with each way in which its bootloaders erase.
const KINDS: [Kind; 5] = [
    Kind {
        name: "stk500v1",
        protocol: BootProtocol::Stk500v1,
        make: || Box::new(Stk500v1),
        chip: "ATmega328P",
        erasing: Erasing::Written,
    },
    Kind {
        name: "stk500v2",
        protocol: BootProtocol::Stk500v2,
        make: || Box::new(Stk500v2),
        chip: "ATmega2560",
        erasing: Erasing::Written,
    },
    Kind {
        name: "stk500v2, erasing in ascending order",
        protocol: BootProtocol::Stk500v2,
        make: || Box::new(Stk500v2),
        chip: "ATmega2560",
        erasing: Erasing::Ascending,
    },
    Kind {
        name: "avr109",
        protocol: BootProtocol::Avr109,
        make: || Box::new(Avr109),
        chip: "ATmega32U4",
        erasing: Erasing::Written,
    },
    Kind {
        name: "avr109, erasing all at once",
        protocol: BootProtocol::Avr109,
        make: || Box::new(Avr109),
        chip: "ATmega32U4",
        erasing: Erasing::AllAtOnce,
    },
];

/// Small enough that every byte of a session can fail.
const N_BYTES: usize = 700;

impl Kind {
    fn target(&self) -> Target {
        let chip = Library::builtin().chip(self.chip).unwrap();
        Target { signature: chip.signature.unwrap(), page: chip.page as usize, end: chip.flash as usize }
    }

    fn line(&self) -> Simulated {
        let target = self.target();
        let mut board = Board::new((self.make)(), target.signature, target.page, target.end, self.erasing);
        board.reset();
        Simulated::new(board)
    }

    fn write(&self, line: &mut Simulated, image: &[u8]) -> Result<(), Failed> {
        write(line, self.protocol, self.target(), image, &mut |_, _| {})
    }
}

fn image() -> Vec<u8> {
    (0..N_BYTES).map(|at| (at * 13 + 5) as u8).collect()
}

/// What the flash must hold at the end: the image, its last page filled up with erased bytes, all else as before.
fn assert_whole(line: &Simulated, before: &[u8], kind: &Kind) {
    let page = kind.target().page;
    let image = image();
    let end = image.len().next_multiple_of(page);
    assert_eq!(&line.board.flash[..image.len()], image, "{}", kind.name);
    assert!(line.board.flash[image.len()..end].iter().all(|byte| *byte == 0xFF), "{}", kind.name);
    if kind.protocol != BootProtocol::Avr109 {
        assert!(
            line.board.flash[end..kind.target().end] == before[end..kind.target().end],
            "{}: beyond the image nothing changes",
            kind.name
        );
    }
    assert!(
        line.board.flash[kind.target().end..] == before[kind.target().end..],
        "{}: the bootloader",
        kind.name
    );
}

/// What a board with this flash does when it starts.
#[derive(PartialEq, Eq, Debug)]
enum Runs {
    Old,
    /// `rjmp .-2` at the reset vector, or an erased one, at which these bootloaders stay in charge.
    Nothing,
    New,
    /// Half an image.
    Torn,
}

fn runs(line: &Simulated, before: &[u8], page: usize) -> Runs {
    let flash = &line.board.flash;
    let image = image();
    if flash[..] == before[..] {
        return Runs::Old;
    }
    if flash[..page].chunks(2).all(|word| word == [0xFF, 0xCF]) || flash[..2] == [0xFF, 0xFF] {
        return Runs::Nothing;
    }
    if flash[..image.len()] == image[..] { Runs::New } else { Runs::Torn }
}

#[test]
fn writes_and_reads_back() {
    for kind in &KINDS {
        let mut line = kind.line();
        let before = line.board.flash.clone();
        let mut steps = vec![];
        write(&mut line, kind.protocol, kind.target(), &image(), &mut |n, of| steps.push((n, of))).unwrap();
        assert_whole(&line, &before, kind);
        assert!(!line.board.is_listening(), "{}: it runs", kind.name);
        assert!(steps.is_sorted() && steps.last().is_some_and(|(n, of)| n == of), "{steps:?}");
        // The first page comes last, and no other twice; where pages are erased one by one it also comes first.
        let written = &line.board.written;
        let n_pages = N_BYTES.div_ceil(kind.target().page);
        if kind.protocol == BootProtocol::Avr109 {
            assert_eq!((written.last(), written.len()), (Some(&0), n_pages), "{written:?}");
        } else {
            assert_eq!((written[0], written.last()), (0, Some(&0)), "{written:?}");
            assert_eq!(written.len(), n_pages + 1);
        }
        let back = read(&mut line, kind.protocol, kind.target(), |flash| flash.len() >= N_BYTES).unwrap();
        assert_eq!(back[..N_BYTES], image());
    }
}

#[test]
fn a_full_chip_is_written_to_its_last_page() {
    for kind in &KINDS {
        let mut line = kind.line();
        let full: Vec<u8> = (0..kind.target().end).map(|at| (at / 3) as u8).collect();
        kind.write(&mut line, &full).unwrap();
        assert!(line.board.flash[..full.len()] == full[..], "{}", kind.name);
    }
}

#[test]
fn what_does_not_fit_is_not_begun() {
    for kind in &KINDS {
        for image in [vec![], vec![0; kind.target().end + 1]] {
            let mut line = kind.line();
            let failed = kind.write(&mut line, &image).unwrap_err();
            assert!(matches!(failed.error, BootError::TooLarge { .. }));
            assert_eq!((failed.left, line.n_bytes), (Left::AsItWas, 0));
        }
    }
}

#[test]
fn another_chip_is_left_alone() {
    for kind in &KINDS {
        let mut line = kind.line();
        line.board.signature = [0x1E, 0x94, 0x06];
        let before = line.board.flash.clone();
        let failed = kind.write(&mut line, &image()).unwrap_err();
        assert!(matches!(failed.error, BootError::Signature { found: [0x1E, 0x94, 0x06] }), "{failed:?}");
        assert_eq!((failed.left, &line.board.flash), (Left::AsItWas, &before));
    }
}

/// A bootloader larger than the chip's usual one protects itself: its refusal is told, and the board holds still.
#[test]
fn a_bootloader_that_protects_itself_is_heard() {
    for kind in &KINDS {
        let mut line = kind.line();
        line.board.boot_at = 2 * kind.target().page;
        let failed = kind.write(&mut line, &image()).unwrap_err();
        assert!(
            matches!(failed.error, BootError::Refused { address } if address == 2 * kind.target().page),
            "{failed:?}"
        );
        assert_eq!(failed.left, Left::HoldingStill);
    }
}

#[test]
fn slow_answers_are_waited_for() {
    for kind in &KINDS {
        let mut line = kind.line();
        let before = line.board.flash.clone();
        line.fault = Fault::Slow;
        kind.write(&mut line, &image()).unwrap();
        assert_whole(&line, &before, kind);
    }
}

#[test]
fn nobody_answers() {
    for kind in &KINDS {
        struct Dead;
        impl Protocol for Dead {
            fn take(&mut self, _: &mut simulated::Core<'_>, input: &mut Vec<u8>, _: &mut Vec<u8>) -> bool {
                input.clear();
                true
            }
        }
        let target = kind.target();
        let mut line = Simulated::new(Board::new(
            Box::new(Dead),
            target.signature,
            target.page,
            target.end,
            kind.erasing,
        ));
        let failed = kind.write(&mut line, &image()).unwrap_err();
        assert!(matches!(failed.error, BootError::Silent), "{failed:?}");
        assert_eq!(failed.left, Left::AsItWas);
    }
}

/// Bytes of a session without a fault.
fn n_bytes(kind: &Kind) -> usize {
    let mut line = kind.line();
    kind.write(&mut line, &image()).unwrap();
    line.n_bytes
}

#[test]
fn one_lost_or_garbled_byte_anywhere_is_made_good() {
    for kind in &KINDS {
        let before = kind.line().board.flash;
        for at in 0..n_bytes(kind) {
            for fault in [Fault::Lost(at), Fault::Garbled(at, 0x01), Fault::Garbled(at, 0x80)] {
                let mut line = kind.line();
                line.fault = fault;
                if let Err(failed) = kind.write(&mut line, &image()) {
                    panic!("{}: {fault:?}: {failed:?}", kind.name);
                }
                let n = image().len();
                assert!(line.board.flash[..n] == image()[..], "{}: {fault:?}", kind.name);
                let end = kind.target().end;
                assert!(line.board.flash[end..] == before[end..], "{}: {fault:?}: the bootloader", kind.name);
            }
        }
    }
}

#[test]
fn a_cable_pulled_before_any_byte_never_leaves_half_an_image() {
    for kind in &KINDS {
        let page = kind.target().page;
        let before = kind.line().board.flash;
        for at in 0..n_bytes(kind) {
            let mut line = kind.line();
            line.fault = Fault::Cut(at);
            let result = kind.write(&mut line, &image());
            let runs = runs(&line, &before, page);
            match &result {
                // The last word of a session may be lost with the cable; the image is whole.
                Ok(()) => assert_eq!(runs, Runs::New, "{}: byte {at}", kind.name),
                Err(failed) => {
                    assert!(matches!(failed.error, BootError::Port(_)), "{}: {failed:?}", kind.name);
                    let told = match failed.left {
                        Left::AsItWas => runs == Runs::Old,
                        Left::AsItWasOrStill => matches!(runs, Runs::Old | Runs::Nothing),
                        Left::HoldingStill => runs == Runs::Nothing,
                        Left::StillOrWhole => matches!(runs, Runs::Nothing | Runs::New),
                        Left::Whole => runs == Runs::New,
                    };
                    // Between "erase all" and its answer nothing is left to run either.
                    assert!(told, "{}: byte {at}: {failed:?} but {runs:?}", kind.name);
                }
            }
            line.plug_in();
            kind.write(&mut line, &image()).unwrap();
            assert_eq!(self::runs(&line, &before, page), Runs::New, "{}: byte {at}", kind.name);
        }
    }
}

/// Power goes with the cable, in the middle of a page: that page is torn. Any but the first does no harm, because the first holds still
/// until all others have been read back.
#[test]
fn power_lost_while_a_page_is_written_leaves_a_board_that_holds_still() {
    for kind in &KINDS {
        let page = kind.target().page;
        let before = kind.line().board.flash;
        let n_pages = N_BYTES.div_ceil(page);
        let n_written = if kind.protocol == BootProtocol::Avr109 { n_pages } else { n_pages + 1 };
        for at in 0..n_written {
            let mut line = kind.line();
            line.fault = Fault::CutWriting(at);
            let failed = kind.write(&mut line, &image()).unwrap_err();
            // Neither the first writing of the first page nor the last, in which a few milliseconds remain.
            let is_first_page = at + 1 == n_written || (at == 0 && n_written > n_pages);
            if !is_first_page {
                assert_eq!(failed.left, Left::HoldingStill, "{}: page {at}", kind.name);
                assert_eq!(runs(&line, &before, page), Runs::Nothing, "{}: page {at}", kind.name);
            }
            line.plug_in();
            kind.write(&mut line, &image()).unwrap();
            assert_eq!(runs(&line, &before, page), Runs::New, "{}: page {at}", kind.name);
        }
    }
}

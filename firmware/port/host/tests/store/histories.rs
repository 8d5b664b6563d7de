//! Random long histories, power lost at random bytes among them, against a model that has no bytes.

use std::collections::BTreeMap;

use firmware_host::Runtime;
use firmware_host::store::Running;
use program::calibration::Entry;
use program::eeprom::{Event, Image, Map};
use proptest::prelude::*;

use crate::board::{Act, Board, Facts, RETAINED, assert_sound, entry, golden, kept, variant};

const GAP: u8 = 1;

/// What stands, and what a reset would find.
#[derive(Clone, Debug)]
struct Model {
    confirmed: Option<u8>,
    /// Period, minutes left, boots since it last ran well.
    trial: Option<(u8, u8, u8)>,
    running: Running,
    minutes_up: u8,
    /// For the confirmed program or golden, and for the trial.
    kept: [Option<Vec<u8>>; 2],
    /// Sequence, day and payload are in the bytes.
    entries: BTreeMap<u8, [u8; 14]>,
    newest: u8,
    unconfirmed: Vec<(u8, u8, u16)>,
    /// At least, at most.
    lost: (u16, u16),
    network_key: Option<[u8; 16]>,
}

impl Model {
    fn new() -> Model {
        Model {
            confirmed: None,
            trial: None,
            running: Running::Golden,
            minutes_up: 0,
            kept: [None, None],
            entries: BTreeMap::new(),
            newest: 0,
            unconfirmed: Vec::new(),
            lost: (0, 0),
            network_key: None,
        }
    }

    fn reset(&mut self) {
        if let Some((_, _, resets)) = &mut self.trial {
            *resets += 1;
        }
        if self.trial.is_some_and(|(_, _, resets)| resets > 3) {
            self.trial = None;
        }
        self.minutes_up = 0;
        self.running = match (self.trial, self.confirmed) {
            (Some(_), _) => Running::Trial,
            (None, Some(_)) => Running::Confirmed,
            (None, None) => Running::Golden,
        };
    }

    fn program(&self) -> Vec<u8> {
        match (self.running, self.trial, self.confirmed) {
            (Running::Trial, Some((period, ..)), _) | (Running::Confirmed, _, Some(period)) => {
                variant(period)
            }
            _ => golden().to_vec(),
        }
    }

    fn ring(&self) -> usize {
        usize::from(self.running == Running::Trial)
    }

    fn put(&mut self, code: u8, argument: u16) {
        self.newest = self.newest.wrapping_add(1);
        self.unconfirmed.push((self.newest, code, argument));
    }

    fn apply(&mut self, act: &Act) {
        match *act {
            Act::Reset => self.reset(),
            Act::Upload(period, minutes) => {
                self.trial = Some((period, minutes.max(1), 0));
                self.kept[1] = None;
                // The board resets at once.
                self.reset();
            }
            Act::Confirm => {
                self.confirmed = self.trial.take().map(|(period, ..)| period);
                self.running = Running::Confirmed;
                self.kept[0] = self.kept[1].take();
            }
            Act::Revert => {
                self.trial = None;
                self.reset();
            }
            Act::Keep(state) => {
                let ring = self.ring();
                self.kept[ring] = Some(state.to_vec());
            }
            Act::Event(code, argument) => {
                if self.unconfirmed.len() < Map::SMALL.n_events {
                    self.put(code, argument);
                } else {
                    self.lost = ((self.lost.0 + 1).min(255), (self.lost.1 + 1).min(255));
                }
            }
            Act::Acknowledge => {
                self.unconfirmed.clear();
                if self.lost.1 > 0 {
                    // The argument is looked at where it is compared.
                    self.put(GAP, self.lost.1);
                    self.lost = (0, 0);
                }
            }
            Act::Calibrate(entry) => {
                self.entries.insert(entry.input, entry.to_bytes());
            }
            Act::Forget(input) => {
                self.entries.remove(&input);
            }
            Act::Learn(..) => {}
            Act::NetworkKey(key) => self.network_key = Some(key).filter(|key| *key != [0; 16]),
            Act::Minute => {
                self.minutes_up += 1;
                if let Some((_, minutes, resets)) = &mut self.trial
                    && self.minutes_up < *minutes
                    && self.minutes_up == 10
                {
                    self.minutes_up = 0;
                    *minutes -= 10;
                    *resets = 1;
                }
            }
        }
    }

    /// Whether the act makes sense now.
    fn allows(&self, act: &Act) -> bool {
        match act {
            Act::Upload(..) => self.trial.is_none(),
            Act::Confirm | Act::Revert => self.running == Running::Trial,
            Act::Minute => self.trial.is_none_or(|(_, minutes, _)| self.minutes_up + 1 < minutes),
            _ => true,
        }
    }
}

/// Numbers that a proptest can shrink, made into the next act.
fn act_of(kind: u8, value: u8, model: &Model, n: u16) -> Act {
    let input = value % 6;
    match kind % 16 {
        0 => Act::Reset,
        1 => Act::Upload(1 + value % 6, 1 + value % 60),
        2 | 3 => Act::Confirm,
        4 => Act::Revert,
        5..=7 => Act::Keep(kept(value)),
        8 | 9 => Act::Event(2 + value % 8, n),
        10 => Act::Acknowledge,
        11 | 12 => {
            let sequence = model.entries.get(&input).map_or(value, |before| before[1] + 1 + value % 7);
            Act::Calibrate(entry(input, sequence & 15, n.into()))
        }
        13 => Act::Forget(input),
        14 => Act::NetworkKey([value & 3; 16]),
        _ => Act::Minute,
    }
}

/// Kind, value, and for some the byte at which power fails and what its cell then holds.
type Step = (u8, u8, Option<(u8, u8)>);

fn history() -> impl Strategy<Value = Vec<Step>> {
    let cut = prop::option::weighted(0.3, (any::<u8>(), any::<u8>()));
    prop::collection::vec((any::<u8>(), any::<u8>(), cut), 1..300)
}

fn event_is(event: &Event, known: &(u8, u8, u16), lost_at_least: u16) -> bool {
    let gap = known.1 == GAP && (lost_at_least..=known.2).contains(&event.argument);
    event.sequence == known.0 && event.code == known.1 && (event.argument == known.2 || gap)
}

fn check(facts: &Facts, before: &Model, after: &Model, act: &Act, is_cut: bool) {
    assert_sound(facts);
    let is_old = is_cut && (facts.running, &facts.program) == (before.running, &before.program());
    let is_new = (facts.running, &facts.program) == (after.running, &after.program());
    assert!(is_old || is_new, "{act:?}: runs {:?}", facts.running);
    let retained = facts.retained.as_ref();
    let is_kept = is_old && retained == before.kept[before.ring()].as_ref()
        || is_new && retained == after.kept[after.ring()].as_ref()
        || is_old && matches!(act, Act::Keep(_)) && retained == after.kept[after.ring()].as_ref();
    assert!(is_kept, "{act:?}: retained {retained:?}");
    for input in 0..6 {
        let this = facts.entries.get(&input);
        assert!(
            this == after.entries.get(&input) || is_cut && this == before.entries.get(&input),
            "{act:?}: entry of input {input} is {this:?}, was {:?}, cut: {is_cut}",
            before.entries.get(&input)
        );
    }
    let is_key = facts.network_key == after.network_key
        || is_cut && facts.network_key == before.network_key
        || is_cut && matches!(act, Act::NetworkKey(_)) && facts.network_key.is_none();
    assert!(is_key, "{act:?}: network key");
    // What is not acknowledged for certain is there, in order; more may be, acknowledged ones that the board forgot it knew of.
    let last =
        |model: &Model| model.unconfirmed.iter().filter(|known| before.unconfirmed.contains(known)).count();
    let must = &after.unconfirmed[..if is_cut { last(after) } else { after.unconfirmed.len() }];
    for known in must {
        let lost = if is_cut || known.1 != GAP { before.lost.0 } else { before.lost.0.max(1) };
        assert!(facts.events.iter().any(|event| event_is(event, known, lost)), "{act:?}: {known:?} is lost");
    }
    for pair in facts.events.windows(2) {
        assert_eq!(pair[1].sequence, pair[0].sequence.wrapping_add(1), "{act:?}: a hole in the journal");
    }
}

/// The model as the facts show it.
fn adopt(
    board: &Board<'_>,
    facts: &Facts,
    before: Model,
    after: Model,
    happened: &BTreeMap<u16, u8>,
) -> Model {
    let is_new = (facts.running, &facts.program) == (after.running, &after.program());
    let most = before.lost.1.max(after.lost.1);
    let mut model = if is_new { after } else { before };
    let ring = model.ring();
    model.kept[ring].clone_from(&facts.retained);
    model.entries.clone_from(&facts.entries);
    model.network_key = facts.network_key;
    model.unconfirmed =
        facts.events.iter().map(|event| (event.sequence, event.code, event.argument)).collect();
    for (_, code, argument) in &model.unconfirmed {
        assert!(*code == GAP || happened.get(argument) == Some(code), "an event that never happened");
    }
    let bytes = board.store.bytes();
    let lost = Image::new(&bytes).and_then(|image| image.mark()).map_or(0, |mark| u16::from(mark.lost));
    assert!(lost <= most, "{lost} lost, at most {most} were");
    model.lost = (lost, lost);
    model.newest = board.store.newest_event();
    if let (Some((_, minutes, resets)), Some(boot)) =
        (&mut model.trial, Image::new(&bytes).and_then(|image| image.boot()))
    {
        // Neither shows in what runs, and a cut may have left either.
        assert!(boot.minutes <= *minutes && boot.resets <= 3);
        (*minutes, *resets) = (boot.minutes, boot.resets);
    }
    model
}

fn live(runtime: &mut Runtime, history: &[Step]) -> usize {
    let mut board = Board::new(runtime);
    let mut model = Model::new();
    let mut happened = BTreeMap::new();
    let mut n_cuts = 0;
    for (n, (kind, value, cut)) in history.iter().enumerate() {
        let act = act_of(*kind, *value, &model, n as u16);
        if !model.allows(&act) {
            continue;
        }
        if let Act::Event(code, argument) = act {
            happened.insert(argument, code);
        }
        let before = model.clone();
        model.apply(&act);
        if let Some((at, left)) = cut {
            board.store.cut_at(u32::from(*at) % 40, *left);
        }
        if act == Act::Reset {
            // The power that fails is that of the boot, so it may not be put back by it.
            board.store_reset_keeping_the_cut(cut.map(|(at, left)| (u32::from(at) % 40, left)));
        } else {
            board.act(&act);
        }
        let is_cut = board.store.is_off();
        n_cuts += usize::from(is_cut);
        if is_cut {
            board.store.power_up(false);
            let facts = board.facts();
            let mut old = before;
            old.reset();
            if !matches!(act, Act::Upload(..) | Act::Revert) {
                model.reset();
            }
            check(&facts, &old, &model, &act, true);
            model = adopt(&board, &facts, old, model, &happened);
        } else if matches!(act, Act::Reset | Act::Upload(..) | Act::Revert) {
            board.store.power_up(false);
            if act == Act::Reset {
                model.reset();
            }
            let facts = board.facts();
            check(&facts, &before, &model, &act, false);
            model = adopt(&board, &facts, model.clone(), model, &happened);
        } else {
            board.store.cut_at(u32::MAX, 0);
            let has_retained = model.kept[model.ring()].is_some();
            let facts = board.observe(has_retained);
            let mut model_of_memory = model.clone();
            if has_retained {
                // Memory may be ahead of the cells; it is not here, for each change is kept.
                let ring = model_of_memory.ring();
                model_of_memory.kept[ring] = Some(board.store.retained(RETAINED));
            }
            check(&facts, &before, &model_of_memory, &act, false);
            for known in &mut model.unconfirmed {
                if let Some(event) = facts.events.iter().find(|event| event.sequence == known.0) {
                    known.2 = event.argument;
                }
            }
        }
    }
    n_cuts
}

impl Board<'_> {
    fn store_reset_keeping_the_cut(&mut self, cut: Option<(u32, u8)>) {
        self.store.power_up(false);
        if let Some((at, left)) = cut {
            self.store.cut_at(at, left);
        }
        self.boot();
    }
}

// From a fixed seed: some 9,000 cuts leave torn records, and a CRC-16 takes one torn record in 65,536 for sound
// (docs/control-program.md, section 9); drawn anew each time the test would meet one in every seventh run.
proptest! {
    #![proptest_config(ProptestConfig {
        cases: 200,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(1),
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_board_is_never_other_than_its_history_allows(history in history()) {
        let mut runtime = Runtime::lock();
        live(&mut runtime, &history);
    }
}

#[test]
fn sequences_go_round_many_times() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let mut seen = 0_u32;
    for n in 0..3_000_u16 {
        board.act(&Act::Event(4, n));
        if n % 7 == 6 {
            let from = board.store.confirmed_event().wrapping_add(1);
            let mut at = from;
            while let Some(event) = board.store.event_after(at) {
                assert_eq!(u32::from(event.argument), seen);
                seen += 1;
                at = event.sequence.wrapping_add(1);
            }
            board.act(&Act::Acknowledge);
            if n % 21 == 20 {
                board.act(&Act::Reset);
                // What it forgot that the station has is less than half a ring.
                let again = board.store.newest_event().wrapping_sub(board.store.confirmed_event());
                assert!(again < 6, "{again} acknowledged events are offered again");
                board.act(&Act::Acknowledge);
            }
        }
        board.act(&Act::Keep(kept(n as u8)));
        if n % 50 == 49 {
            board.act(&Act::Reset);
            assert_eq!(board.store.retained(RETAINED), kept(n as u8));
        }
    }
    // Entries too: four bits of sequence.
    for n in 0..200_u8 {
        board.act(&Act::Calibrate(Entry { sequence: n & 15, ..entry(1, 0, n.into()) }));
        board.act(&Act::Reset);
        assert_eq!(board.store.correction(1).1[0], n);
    }
    let long: Vec<_> = (0..2_000_u32)
        .map(|n| {
            let noise = n.wrapping_mul(2_654_435_761).rotate_left(9) ^ n;
            (
                (noise >> 3) as u8,
                (noise >> 11) as u8,
                (noise % 3 == 0).then_some(((noise >> 19) as u8, noise as u8)),
            )
        })
        .collect();
    assert!(live(&mut runtime, &long) > 100);
}

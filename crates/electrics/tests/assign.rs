//! Assignment: 2,000 random systems, each plan checked by an independent verifier and by reading it back as a system file; each "does
//! not fit" of a small one by trying everything.

use std::collections::{BTreeMap, HashSet};
use std::sync::Arc;
use std::time::Instant;

use electrics::assign::{self, Lock, Need, Outcome, Place, Plan, Who};
use system::System;
use system::parts::{Library, Pins};

/// A generator without a state of its own: SplitMix64 (Steele, Lea, Flood 2014).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: u64) -> u64 {
        self.roll() % n
    }
    fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }
}

/// A small chip, so that everything can be tried.
const TINY: &str = r#"
[[chip]]
name = "Tiny"
flash = 32256
sram = 2048
eeprom = 1024
source = "made for the test"
code = 200
pins = ["PB0-PB5", "PC0-PC1"]
edges = ["PB0-PB2"]
pwm = ["PB1"]
channels = { ADC0 = [0, "PC0"], ADC1 = [1, "PC1"], ADC7 = [7] }
i2c = ["PB4", "PB5"]
uart = ["PD0", "PD1"]
spi = ["PB2", "PB3", "PB1", "PB0"]
"#;

fn tiny_library() -> Arc<Library> {
    Arc::new(Library::builtin().with_file(TINY).expect("the parts file is sound"))
}

/// A random system file; wants from a few to many places.
fn random(dice: &mut Dice, chip: &str, most: u64) -> String {
    let mut text = format!("[[board]]\nname = \"board\"\nchip = \"{chip}\"\n\n");
    let n_expanders = dice.below(3);
    for i in 0..n_expanders {
        let kind = ["mcp23008", "mcp23017", "pcf8574"][dice.below(3) as usize];
        text +=
            &format!("[[device]]\nname = \"expander_{i}\"\nkind = \"{kind}\"\naddress = {}\n\n", 0x20 + i);
    }
    if dice.one_in(4) {
        text += "[[device]]\nname = \"clock\"\nkind = \"ds3231\"\n\n";
    }
    let has_card = dice.one_in(2);
    let mut fitting = String::new();
    if has_card {
        text += "[[supply]]\nname = \"mains\"\nkind = \"circuit\"\n\n[[supply]]\nname = \"rail\"\nkind = \"rail\"\nvolts = \"12 V\"\n\n";
        for card in ["card_a", "card_b"] {
            text += &format!("[[supply]]\nname = \"{card}\"\nkind = \"card\"\n\n");
            fitting += &format!("{card} = {{ channels = {} }}\n", 1 + dice.below(4));
        }
    }
    let mut contacts: Vec<String> = vec![];
    for i in 0..1 + dice.below(most) {
        match dice.below(9) {
            0 => text += &format!("[[sensor]]\nname = \"t{i}\"\nkind = \"ds18b20\"\n\n"),
            1 => text += &format!("[[sensor]]\nname = \"ph{i}\"\nkind = \"ph\"\n\n"),
            2 | 3 => {
                text += &format!("[[sensor]]\nname = \"f{i}\"\nkind = \"leak\"\n\n");
                contacts.push(format!("f{i}"));
            }
            4 => text += &format!("[[sensor]]\nname = \"b{i}\"\nkind = \"button\"\n\n"),
            5 if dice.one_in(2) => {
                text += &format!("[[actuator]]\nname = \"m{i}\"\nkind = \"fan\"\nmodulated = true\n\n");
            }
            6 => text += &format!("[[actuator]]\nname = \"z{i}\"\nkind = \"buzzer\"\n\n"),
            _ => {
                text += &format!("[[actuator]]\nname = \"a{i}\"\nkind = \"pump\"\n");
                if has_card && !dice.one_in(3) {
                    let low = dice.one_in(2);
                    text += &format!(
                        "supply = \"{}\"\nswitched_by = \"{}\"\n",
                        if low { "rail" } else { "mains" },
                        if low { "card_a" } else { "card_b" },
                    );
                }
                text += "\n";
            }
        }
    }
    if contacts.len() > 1 && dice.one_in(2) {
        text += &format!(
            "[[signal]]\nname = \"both\"\nvote = \"1oo2\"\nof = [\"{}\", \"{}\"]\n\n",
            contacts[0], contacts[1]
        );
    }
    if !fitting.is_empty() {
        text += &format!("[fitting]\n{fitting}");
    }
    text
}

fn load(text: &str, library: &Arc<Library>) -> System {
    let loaded = system::load_with(text, library);
    match loaded.system {
        Some(system) => system,
        None => panic!("{:#?}\n{text}", loaded.diagnostics),
    }
}

/// The plan as a [wiring] section of the same file: the reader of system files judges it without knowing where it came from.
fn read_back(text: &str, system: &System, plan: &Plan, library: &Arc<Library>) {
    let chip = library.chip(&plan.chip).expect("the chip is known");
    let mut wiring = String::from("\n[wiring]\n");
    for (who, need, place) in &plan.placed {
        let name = assign::owner(system, *who);
        let at = match place {
            Place::Pin(pin) if *need == Need::Channel => format!("channel = \"{}\"", Pins::name(*pin)),
            Place::Pin(pin) => format!("pin = \"{}\"", Pins::name(*pin)),
            Place::Channel(n) => {
                let name =
                    chip.pins.channels.iter().find(|(_, number, _)| number == n).map(|(name, ..)| name);
                format!("channel = \"{}\"", name.expect("the channel exists"))
            }
            Place::Line(device, line) => {
                format!("on = \"{}\", line = {line}", system.wiring.devices[*device].name)
            }
            Place::Contact(..) => continue,
        };
        wiring += &format!("{name} = {{ {at} }}\n");
    }
    let loaded = system::load_with(&format!("{text}{wiring}"), library);
    assert!(loaded.system.is_some(), "{:#?}\n{text}{wiring}", loaded.diagnostics);
}

/// All ways to add at most `n_parts` parts to a small problem, by brute force over everything that may be moved: the fewest moves for
/// each number of parts, found with nothing of the solver but the question.
fn exhaustive(problem: &assign::Problem, n_parts: usize) -> Option<usize> {
    let switches = problem.switches();
    let parts: Vec<_> = switches.iter().copied().filter(|s| s.is_part()).collect();
    let moves: Vec<_> = switches.iter().copied().filter(|s| s.is_move()).collect();
    let mut best: Option<usize> = None;
    for chosen in subsets(parts.len()).filter(|set| set.count_ones() as usize == n_parts) {
        // The second small expander is as good as the first.
        let skips = parts.iter().enumerate().any(|(i, part)| match part {
            assign::Switch::Expander(large, slot) if *slot > 0 && chosen & (1 << i) != 0 => {
                let before = parts.iter().position(|p| *p == assign::Switch::Expander(*large, slot - 1));
                before.is_some_and(|before| chosen & (1 << before) == 0)
            }
            _ => false,
        });
        if skips {
            continue;
        }
        for moved in subsets(moves.len()) {
            let n = moved.count_ones() as usize;
            if best.is_some_and(|best| best <= n) {
                continue;
            }
            let on = |switch: assign::Switch| {
                let at = |all: &[assign::Switch], set: u32| {
                    all.iter().position(|s| *s == switch).is_some_and(|i| set & (1 << i) != 0)
                };
                at(&parts, chosen) || at(&moves, moved)
            };
            let all_joined = !problem.has_bus
                && !problem.joiners.is_empty()
                && problem.joiners.iter().all(|s| on(assign::Switch::Joined(*s)));
            if !all_joined && can_place(problem, &on) {
                best = Some(n);
            }
        }
    }
    best
}

fn subsets(n: usize) -> impl Iterator<Item = u32> {
    assert!(n <= 16, "too many to try");
    0..1 << n
}

/// Whether all wishes can be placed: every set of used places that the first wishes can leave, then the next wish on each. Lines of one
/// expander are alike, and so are channels of one card: of these only the number counts. Bars between voting sensors are open here, as
/// in the search for a change.
fn can_place(problem: &assign::Problem, on: &dyn Fn(assign::Switch) -> bool) -> bool {
    let mut groups: Vec<(u8, usize)> = problem.places.iter().map(|place| group(*place)).collect();
    groups.sort_unstable();
    groups.dedup();
    assert!(groups.len() <= 32 && problem.demands.len() < 16, "too many to try");
    // Four bits a group: how many of its places are used.
    let mut states: HashSet<u128> = HashSet::from([0]);
    for demand in &problem.demands {
        if demand.void.is_some_and(on) {
            continue;
        }
        let mut room: BTreeMap<usize, u128> = BTreeMap::new();
        for (place, guards) in &demand.edges {
            if guards.iter().all(|(switch, wanted)| on(*switch) == *wanted) {
                let at = groups.binary_search(&group(problem.places[*place])).expect("all groups are listed");
                *room.entry(at).or_default() += 1;
            }
        }
        let mut next = HashSet::new();
        for state in &states {
            for (at, room) in &room {
                if state >> (4 * at) & 15 < *room {
                    next.insert(state + (1 << (4 * at)));
                }
            }
        }
        states = next;
    }
    !states.is_empty()
}

fn group(place: Place) -> (u8, usize) {
    match place {
        Place::Pin(pin) => (0, usize::from(pin)),
        Place::Channel(channel) => (1, usize::from(channel)),
        Place::Line(device, _) => (2, device),
        Place::Contact(card, _) => (3, card),
    }
}

#[test]
fn two_thousand_random_systems() {
    let libraries = [tiny_library(), Arc::clone(Library::builtin())];
    let (mut fits, mut conflicts, mut proven) = (0, 0, 0);
    for seed in 0..2000u64 {
        let mut dice = Dice(seed);
        let (library, chip, most) = match seed % 4 {
            0 | 1 => (&libraries[0], "Tiny", 9),
            2 => (&libraries[1], "ATmega328P", 30),
            _ => (&libraries[1], ["ATmega32U4", "ATmega2560"][dice.below(2) as usize], 45),
        };
        let text = random(&mut dice, chip, most);
        let system = load(&text, library);
        match assign::plan(&system, None) {
            Outcome::Fits(plan) => {
                fits += 1;
                let wrong = assign::verify(&system, &plan);
                assert!(wrong.is_empty(), "seed {seed}: {wrong:?}\n{text}");
                read_back(&text, &system, &plan, library);
                // The lock of a plan gives the same plan again, and nothing moves.
                let lock = Lock::read(&Lock::of(&system, &plan).text()).expect("its own text reads");
                let Outcome::Fits(again) = assign::plan(&system, Some(&lock)) else { panic!("seed {seed}") };
                assert_eq!(again.wiring, plan.wiring, "seed {seed}");
                assert!(again.moved.is_empty(), "seed {seed}");
            }
            Outcome::DoesNotFit(conflict) => {
                conflicts += 1;
                // The set of wishes is too large for its places, and smallest: one fewer would be served.
                assert_eq!(conflict.wishes.len(), conflict.places.len() + 1, "seed {seed}");
                assert!(!conflict.sentence.is_empty());
                let problem = assign::question(&system).expect("there is a board");
                let n_moves = problem.switches().iter().filter(|s| s.is_move()).count();
                if chip != "Tiny" || problem.demands.len() > 13 || n_moves > 6 {
                    continue;
                }
                proven += 1;
                assert_eq!(exhaustive(&problem, 0).filter(|moves| *moves == 0), None, "seed {seed}\n{text}");
                let found = (0..=3).find_map(|n| exhaustive(&problem, n).map(|moves| (n, moves)));
                let by_parts =
                    conflict.mend.as_ref().filter(|m| !m.steps.iter().any(|s| s.contains("larger board")));
                assert_eq!(
                    by_parts.map(|m| (m.n_parts, m.n_moves)),
                    found,
                    "seed {seed}\n{}\n{text}",
                    conflict.text()
                );
            }
            Outcome::NoBoard => panic!("seed {seed}"),
        }
    }
    assert!(fits > 500 && conflicts > 300 && proven > 80, "{fits} fit, {conflicts} do not, {proven} proven");
    println!("{fits} fit, {conflicts} do not, {proven} of these proven by trying everything");
}

/// A fixed place stays; a new sensor moves nothing of an earlier plan unless it must.
#[test]
fn what_was_fixed_or_planned_stays() {
    let base = "[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\n[[sensor]]\nname = \"t\"\nkind = \"ds18b20\"\n\n\
                [[sensor]]\nname = \"f\"\nkind = \"leak\"\n\n";
    let library = Library::builtin();
    let system = load(&format!("{base}[wiring]\nf = {{ pin = \"PC3\" }}\n"), library);
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    assert_eq!(plan.place(Who::Sensor(system::model::SensorIdx(1), 0)), Pins::byte("PC3").map(Place::Pin));
    let lock = Lock::of(&system, &plan);
    assert!(!lock.places.contains_key("f"), "what the file fixes stands there alone");
    let more =
        format!("{base}[[sensor]]\nname = \"g\"\nkind = \"button\"\n\n[wiring]\nf = {{ pin = \"PC3\" }}\n");
    let system = load(&more, library);
    let Outcome::Fits(next) = assign::plan(&system, Some(&lock)) else { panic!("it fits") };
    assert!(next.moved.is_empty());
    assert_eq!(next.wiring.sensors[0], plan.wiring.sensors[0]);
}

/// The pin with the lamp of the board is never used for a command, and two contacts that vote sit on two expanders.
#[test]
fn reset_and_votes_are_minded() {
    let mut text = String::from("[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\n");
    for i in 0..2 {
        text += &format!("[[device]]\nname = \"e{i}\"\nkind = \"mcp23017\"\naddress = {}\n\n", 0x20 + i);
        text += &format!("[[sensor]]\nname = \"leak_{i}\"\nkind = \"leak\"\n\n");
    }
    for i in 0..40 {
        text += &format!("[[actuator]]\nname = \"a{i}\"\nkind = \"pump\"\n\n");
    }
    text += "[[signal]]\nname = \"wet\"\nvote = \"1oo2\"\nof = [\"leak_0\", \"leak_1\"]\n";
    let system = load(&text, Library::builtin());
    let Outcome::Fits(plan) = assign::plan(&system, None) else { panic!("it fits") };
    assert!(plan.placed.iter().all(|(.., place)| Some(*place) != Pins::byte("PB5").map(Place::Pin)));
    let on = |i: usize| plan.place(Who::Sensor(system::model::SensorIdx(i), 0));
    assert!(!plan.shares_expander);
    let device = |place: Option<Place>| match place {
        Some(Place::Line(device, _)) => Some(device),
        _ => None,
    };
    assert!(device(on(0)).is_none() || device(on(0)) != device(on(1)), "{:?} {:?}", on(0), on(1));
}

/// The fastest of five: what the plan takes, not what else the machine does.
fn fastest(system: &System) -> (std::time::Duration, Outcome) {
    let run = || {
        let begun = Instant::now();
        let outcome = assign::plan(system, None);
        (begun.elapsed(), outcome)
    };
    (0..5).map(|_| run()).min_by_key(|(time, _)| *time).expect("five runs")
}

/// Under 200 ms for 40 signals, also when it does not fit.
#[test]
fn forty_signals_take_less_than_a_fifth_of_a_second() {
    let mut text = String::from("[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\n");
    for i in 0..14 {
        text += &format!("[[actuator]]\nname = \"a{i}\"\nkind = \"pump\"\n\n");
        text += &format!("[[sensor]]\nname = \"f{i}\"\nkind = \"leak\"\n\n");
    }
    for i in 0..6 {
        text += &format!("[[sensor]]\nname = \"t{i}\"\nkind = \"ds18b20\"\n\n");
        text += &format!("[[sensor]]\nname = \"v{i}\"\nkind = \"ph\"\n\n");
    }
    let unwired = load(&text, Library::builtin());
    let (without, outcome) = fastest(&unwired);
    let Outcome::DoesNotFit(conflict) = outcome else { panic!("40 places on 18 pins") };
    println!("does not fit: {without:?}\n{}", conflict.text());
    let mend = conflict.mend.expect("expanders help");
    assert!(mend.n_parts >= 1);
    for i in 0..2 {
        text += &format!("[[device]]\nname = \"e{i}\"\nkind = \"mcp23017\"\naddress = {}\n\n", 0x20 + i);
    }
    let system = load(&text, Library::builtin());
    let (with, outcome) = fastest(&system);
    println!("fits: {with:?}");
    assert!(matches!(outcome, Outcome::Fits(_)), "{outcome:?}");
    assert!(without.as_millis() < 200 && with.as_millis() < 200, "{without:?}, {with:?}");
}

#[test]
fn a_lock_file_that_is_none_is_refused_with_words() {
    for (text, part) in [
        ("", "no version"),
        ("version = 2\nchip = \"x\"", "version 2"),
        ("version = 1", "no chip"),
        ("version = 1\nchip = \"x\"\n[contact]\na = \"b\"", "card.channel"),
        ("][", "cannot be read"),
    ] {
        let error = Lock::read(text).expect_err("it is refused").to_string();
        assert!(error.contains(part), "{text}: {error}");
    }
    let places: BTreeMap<String, Vec<String>> = BTreeMap::from([("a".to_owned(), vec!["PD2".to_owned()])]);
    let lock = Lock { chip: "ATmega328P".to_owned(), places, ..Lock::default() };
    assert_eq!(Lock::read(&lock.text()), Ok(lock));
}

//! Why it does not fit, in terms of the parts, and the smallest change that makes it fit: fewest added parts, then fewest moved wires.

use std::collections::{BTreeMap, BTreeSet};

use system::System;
use system::parts::{Chip, Pins};
use system::wiring::DeviceKind;

use super::problem::{Need, Place, Problem, Switch, Who};
use super::solver::{Answer, Clash, Solver};
use super::{Outcome, lock, name_of, owner};

/// Most parts that a change may add.
const MOST_PARTS: usize = 3;

/// Why a system does not fit.
#[derive(Clone, PartialEq, Debug)]
pub struct Conflict {
    /// Chip that it was planned for.
    pub chip: String,
    /// A smallest set of wishes that cannot all be met: any one fewer, and the rest fits.
    pub wishes: Vec<(Who, Need)>,
    /// All places that any of them may have.
    pub places: Vec<Place>,
    /// The reason in one sentence.
    pub sentence: String,
    /// What else would do for them, and who has it.
    pub others: Vec<String>,
    /// The smallest change. None: nothing that is known helps.
    pub mend: Option<Mend>,
    /// The next larger chip on which all fits as it is, if there is one.
    pub larger: Option<String>,
}

/// A change that makes it fit.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Mend {
    /// Number of parts that are added.
    pub n_parts: usize,
    /// Number of wires that move.
    pub n_moves: usize,
    /// What to do, a phrase each.
    pub steps: Vec<String>,
}

pub(super) fn conflict(
    system: &System,
    chip: &Chip,
    problem: &Problem,
    solver: &mut Solver<'_>,
    clash: &Clash,
) -> Conflict {
    let wishes: Vec<(Who, Need)> =
        clash.demands.iter().map(|d| (problem.demands[*d].who, problem.demands[*d].need)).collect();
    let places: Vec<Place> = clash.places.iter().map(|place| problem.places[*place]).collect();
    let larger = larger(system, chip);
    let mend = mend(system, problem, solver).or_else(|| {
        larger.as_ref().map(|larger| Mend {
            n_parts: 1,
            n_moves: problem.demands.len(),
            steps: vec![format!("take the next larger board, with {larger}: every wire to the board moves")],
        })
    });
    Conflict {
        chip: chip.name.clone(),
        sentence: sentence(system, chip, problem, &wishes, &places),
        others: others(system, chip, problem, clash),
        wishes,
        places,
        mend,
        larger,
    }
}

/// What a need asks for, for people.
fn asks(need: Need) -> &'static str {
    match need {
        Need::OneWire => "a pin for a one-wire bus",
        Need::Channel => "a converter channel",
        Need::Edge => "a pin that sees edges",
        Need::Trigger => "a pin",
        Need::Contact => "a pin or a line of an expander",
        Need::Button => "a pin for a button",
        Need::Duty => "a pin of the fast timer",
        Need::Tone => "a pin for the buzzer",
        Need::Command => "a pin or a line of an expander for its command",
        Need::Card => "a channel of its card",
    }
}

fn sentence(
    system: &System,
    chip: &Chip,
    problem: &Problem,
    wishes: &[(Who, Need)],
    places: &[Place],
) -> String {
    let mut by_need: BTreeMap<Need, Vec<String>> = BTreeMap::new();
    for (who, need) in wishes {
        let fixed = problem.demands.iter().any(|d| d.who == *who && d.fixed.is_some());
        let mark = if fixed { " (fixed in the file)" } else { "" };
        by_need.entry(*need).or_default().push(format!("`{}`{mark}", owner(system, *who)));
    }
    let groups: Vec<String> = by_need
        .iter()
        .map(|(need, names)| {
            let verb = if names.len() == 1 { "needs" } else { "need" };
            format!("{} {verb} {}", listed(names), asks(*need))
        })
        .collect();
    let n = places.len();
    let names = summary(system, &chip.name, places);
    let there = match n {
        0 => "there is none".to_owned(),
        1 => format!("there is only one: {names}"),
        _ => format!("there are only {n}: {names}"),
    };
    match wishes.len() {
        1 => format!("{}, and {there}", groups.join("; ")),
        count => format!("{count} wishes for {n} places: {}; {there}", groups.join("; ")),
    }
}

/// Pins as runs, lines by expander.
fn summary(system: &System, chip: &str, places: &[Place]) -> String {
    let mut places = places.to_vec();
    places.sort_unstable();
    let mut out: Vec<String> = vec![];
    let mut lines: BTreeMap<usize, Vec<u8>> = BTreeMap::new();
    let mut contacts: BTreeMap<usize, usize> = BTreeMap::new();
    for place in places {
        match place {
            Place::Line(device, line) => lines.entry(device).or_default().push(line),
            Place::Contact(card, _) => *contacts.entry(card).or_default() += 1,
            other => out.push(name_of(system, chip, other)),
        }
    }
    for (device, all) in lines {
        let name =
            system.wiring.devices.get(device).map_or("an added expander", |device| device.name.as_str());
        out.push(format!("{} lines of `{name}`", all.len()));
    }
    for (card, n) in contacts {
        out.push(format!("{n} channels of {}", lock::card_name(system, card)));
    }
    listed(&out)
}

fn listed(all: &[String]) -> String {
    match all {
        [] => "none".to_owned(),
        [one] => one.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// Pins that could do it, had not somebody else taken them.
fn others(system: &System, chip: &Chip, problem: &Problem, clash: &Clash) -> Vec<String> {
    let mut all = vec![];
    let needs: BTreeSet<Need> = clash.demands.iter().map(|d| problem.demands[*d].need).collect();
    if needs.iter().all(|need| *need == Need::Card) {
        return all;
    }
    let form = system.library.form(&chip.name);
    let label = |pin: u8| form.map_or_else(|| Pins::name(pin), |form| form.label(pin));
    let able = |pin: u8| {
        needs.iter().any(|need| match need {
            Need::Channel => chip.pins.channels.iter().any(|(_, _, on)| *on == Some(pin)),
            Need::Edge => chip.pins.edges.contains(&pin),
            Need::Duty => chip.pins.pwm.contains(&pin),
            Need::Card => false,
            _ => chip.pins.digital.contains(&pin),
        })
    };
    let mut by_why: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (pin, why) in &problem.taken {
        if able(*pin) {
            by_why.entry(why).or_default().push(label(*pin));
        }
    }
    for (why, pins) in by_why {
        all.push(format!("{} {} taken by {why}", listed(&pins), if pins.len() == 1 { "is" } else { "are" }));
    }
    for demand in &problem.demands {
        if let Some(Place::Pin(pin)) = demand.fixed
            && able(pin)
            && !clash.places.iter().any(|place| problem.places[*place] == Place::Pin(pin))
        {
            all.push(format!("{} is fixed for `{}` in the file", label(pin), owner(system, demand.who)));
        }
    }
    if let Some(form) = form {
        for (pin, why) in &form.pulses {
            if able(*pin) && !problem.taken.iter().any(|(taken, _)| taken == pin) {
                all.push(format!("{} is left out: {why}", label(*pin)));
            }
        }
    }
    all
}

/// Every way to add so many parts: small expanders, large ones, second cards.
fn additions(problem: &Problem, n: usize) -> Vec<Vec<Switch>> {
    let switches = problem.switches();
    let cards: Vec<Switch> = switches.iter().copied().filter(|s| matches!(s, Switch::Card(_))).collect();
    let slots = problem.addresses.len().min(super::MOST_ADDED);
    let mut all = vec![];
    for set in 0u32..1 << cards.len().min(8) {
        let chosen: Vec<Switch> =
            (0..cards.len().min(8)).filter(|i| set & (1 << i) != 0).map(|i| cards[i]).collect();
        let Some(rest) = n.checked_sub(chosen.len()) else { continue };
        if rest > slots {
            continue;
        }
        for large in 0..=rest {
            let mut these = chosen.clone();
            these.extend((0..rest - large).map(|slot| Switch::Expander(false, slot)));
            these.extend((0..large).map(|slot| Switch::Expander(true, slot)));
            all.push(these);
        }
    }
    // The smaller part first where both do.
    all.sort_by_key(|these| these.iter().filter(|s| matches!(s, Switch::Expander(true, _))).count());
    all
}

/// A change that was found: wires moved, parts added, switches, places.
type Change = (usize, Vec<Switch>, BTreeSet<Switch>, Vec<Option<usize>>);

/// The smallest change; exhaustive over what may be added, by the counter over what may be moved.
fn mend(system: &System, problem: &Problem, solver: &mut Solver<'_>) -> Option<Mend> {
    let parts: Vec<Switch> = problem.switches().into_iter().filter(|switch| switch.is_part()).collect();
    for n in 0..=MOST_PARTS {
        let mut best: Option<Change> = None;
        for these in additions(problem, n) {
            let mut held: Vec<(Switch, bool)> =
                parts.iter().map(|part| (*part, these.contains(part))).collect();
            held.push((Switch::KeepApart, false));
            if !matches!(solver.solve(&held, None), Answer::Fits(..)) {
                continue;
            }
            let most = best.as_ref().map_or(usize::MAX, |(moves, ..)| *moves);
            for moves in 0..most.min(problem.demands.len() + 1) {
                if let Answer::Fits(matching, on) = solver.solve(&held, Some(moves)) {
                    best = Some((moves, these, on, matching));
                    break;
                }
            }
        }
        if let Some((moves, these, on, matching)) = best {
            return Some(Mend {
                n_parts: n,
                n_moves: moves,
                steps: steps(system, problem, &these, &on, &matching),
            });
        }
    }
    None
}

fn steps(
    system: &System,
    problem: &Problem,
    parts: &[Switch],
    on: &BTreeSet<Switch>,
    matching: &[Option<usize>],
) -> Vec<String> {
    let mut all = vec![];
    let mut addresses = problem.addresses.iter();
    for part in parts {
        match part {
            Switch::Expander(large, _) => {
                let (kind, lines) =
                    if *large { (DeviceKind::Mcp23017, "sixteen") } else { (DeviceKind::Mcp23008, "eight") };
                let name = if kind == DeviceKind::Mcp23017 { "MCP23017" } else { "MCP23008" };
                let at = addresses.next().map_or(String::new(), |address| format!(" at {address:#04x}"));
                all.push(format!("add one {lines}-line expander, {name}{at}, to the I2C bus"));
            }
            Switch::Card(card) => {
                all.push(format!("add {}", lock::card_name(system, system.supplies.len() + card)));
            }
            _ => {}
        }
    }
    let mut joined: Vec<String> = vec![];
    for switch in on.iter().filter(|switch| switch.is_move()) {
        let find = |who: Who| problem.demands.iter().position(|demand| demand.who == who);
        let to = |who: Who| {
            let d = find(who)?;
            let place = matching[d]?;
            (problem.demands[d].edges.first().map(|(first, _)| *first) != Some(place))
                .then(|| problem.places[place])
        };
        match switch {
            Switch::MovedFromFile(who) | Switch::MovedFromLock(who) => {
                if let Some(place) = to(*who) {
                    let chip = system.boards.first().map_or("", |board| board.chip.as_str());
                    all.push(format!("move `{}` to {}", owner(system, *who), name_of(system, chip, place)));
                }
            }
            Switch::OtherCard(actuator) => {
                if let Some(Place::Contact(card, _)) = to(Who::Contact(*actuator)) {
                    all.push(format!(
                        "move `{}` to {}",
                        system.actuators[actuator.idx()].name,
                        match system.supplies.get(card) {
                            Some(supply) => format!("the card `{}`", supply.name),
                            None => lock::card_name(system, card),
                        }
                    ));
                }
            }
            Switch::Joined(sensor) => joined.push(format!("`{}`", system.sensors[sensor.idx()].name)),
            _ => {}
        }
    }
    if !joined.is_empty() {
        all.push(format!(
            "let {} share the one-wire bus of another thermometer, and write the ROM code of each in [wiring]",
            listed(&joined)
        ));
    }
    all
}

/// The next larger chip on which everything fits with nothing added.
fn larger(system: &System, chip: &Chip) -> Option<String> {
    let is_own = system.boards.first().is_some_and(|board| board.chip.eq_ignore_ascii_case(&chip.name));
    if !is_own {
        return None;
    }
    let mut all: Vec<&Chip> = (system.library.chips().iter())
        .filter(|other| other.pins.digital.len() > chip.pins.digital.len() && other.code.is_some())
        .collect();
    all.sort_by_key(|other| other.pins.digital.len());
    let fits = |other: &&&Chip| {
        let problem = super::problem::build(system, other, None, false);
        let mut solver = Solver::new(&problem);
        super::fit(&problem, &mut solver).is_ok()
    };
    all.iter().find(fits).map(|other| other.name.clone())
}

impl Conflict {
    /// Conflict and change as a text of a few lines.
    pub fn text(&self) -> String {
        let mut out = format!("It does not fit on the {}: {}.\n", self.chip, self.sentence);
        for other in &self.others {
            out += &format!("  {other}\n");
        }
        match &self.mend {
            Some(mend) => {
                let parts = if mend.n_parts == 1 { "part" } else { "parts" };
                let wires = if mend.n_moves == 1 { "wire" } else { "wires" };
                out += &format!(
                    "The smallest change adds {} {parts} and moves {} {wires}: {}.\n",
                    mend.n_parts,
                    mend.n_moves,
                    mend.steps.join("; ")
                );
            }
            None => out += "No change that is known makes it fit.\n",
        }
        if let Some(larger) = &self.larger {
            out += &format!("On the {larger} all of it fits with nothing added.\n");
        }
        out
    }
}

/// What another board means for the wires: which stay, which move, what to test again.
#[derive(Clone, PartialEq, Debug)]
pub struct Rewiring {
    /// Name of the thing, where it was, where it goes.
    pub moved: Vec<(String, String, String)>,
    /// Names of what keeps its place (on an expander or card).
    pub kept: Vec<String>,
    /// What to test again, a sentence each.
    pub tests: Vec<String>,
}

/// Compares a system's plan with one for another chip. None where either does not fit.
pub fn rewiring(system: &System, from: &super::Plan, chip: &str) -> Result<Rewiring, Box<Outcome>> {
    let to = match super::plan_for(system, chip) {
        Outcome::Fits(plan) => plan,
        other => return Err(Box::new(other)),
    };
    let mut out = Rewiring { moved: vec![], kept: vec![], tests: vec![] };
    for (who, need, place) in &to.placed {
        if *need == Need::Card {
            continue;
        }
        let name = owner(system, *who).to_owned();
        let Some(before) = from.place(*who) else { continue };
        if matches!(place, Place::Line(..)) && before == *place {
            out.kept.push(name);
            continue;
        }
        out.moved.push((
            name.clone(),
            name_of(system, &from.chip, before),
            name_of(system, &to.chip, *place),
        ));
        out.tests.push(match need {
            Need::OneWire => format!("`{name}`: warm the probe in the hand, its value follows, the others stay"),
            Need::Channel => format!("`{name}`: calibrate anew, the converter and its reference are others"),
            Need::Contact => format!("`{name}`: lift and lower by hand, pull its plug: the state follows and the open wire reads as planned"),
            Need::Edge | Need::Trigger => format!("`{name}`: its value follows what is really there"),
            Need::Button => format!("`{name}`: press once, it counts once"),
            Need::Duty => format!("`{name}`: 0, 50 and 100 % by hand, and still with the reset held"),
            Need::Tone => format!("`{name}`: sounds on a test alarm"),
            Need::Command | Need::Card => {
                format!("`{name}`: on and off by hand; with the reset held it falls to its resting side; no click at power-up")
            }
        });
    }
    Ok(out)
}

//! Why it does not fit, in terms of the parts, and the smallest change that makes it fit: fewest added parts, then fewest moved wires.

use std::collections::{BTreeMap, BTreeSet};

use system::System;
use system::model::SensorIdx;
use system::parts::{Chip, Pins, TimerWork};
use system::wiring::{DeviceKind, SensorPlace};

use super::problem::{Family, Need, Place, Problem, Switch, Who};
use super::solver::{Answer, Clash, Held, Solver};
use super::{Lock, Outcome, lock, name_of, owner};
use crate::loads;

/// Most parts that a change may add.
const MOST_PARTS: usize = 3;
/// Conflicts and placings that the search for a change may cost before it gives up.
const MOST_TRIES: u64 = 1500;

/// Why a system does not fit.
#[derive(Clone, PartialEq, Debug)]
pub struct Conflict {
    /// Chip that it was planned for.
    pub chip: String,
    /// What it is about.
    pub cause: Cause,
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

/// What a conflict is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Cause {
    /// More wishes than places.
    Places,
    /// Rules of this family: without them it would fit.
    Rules(Family),
    /// Rules of several families at once.
    SeveralRules,
}

/// A change that makes it fit.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Mend {
    /// Number of parts that are added.
    pub n_parts: usize,
    /// Number of wires that move, and of lines of the file that change.
    pub n_moves: usize,
    /// What to do, a phrase each.
    pub steps: Vec<String>,
}

/// The question that has no answer.
pub(super) struct Asked<'a> {
    pub system: &'a System,
    pub chip: &'a Chip,
    pub lock: Option<&'a Lock>,
    pub keeps_places: bool,
    pub problem: &'a Problem,
}

impl Asked<'_> {
    fn without(&self, families: &[Family]) -> Problem {
        super::problem::build(self.system, self.chip, self.lock, self.keeps_places, families)
    }
}

pub(super) fn conflict(asked: &Asked<'_>, solver: &mut Solver<'_>) -> Conflict {
    let Asked { system, chip, problem, .. } = *asked;
    // Without the rules that are more than places, only a matching is left, and its reason is the smallest.
    let plain = asked.without(&Family::ALL);
    let by_places = |demands: &[usize]| {
        let part = plain.only(demands);
        let clash = super::solver::matching(&part, &most_open(&part)).err()?;
        Some(Clash { demands: clash.demands.iter().map(|d| demands[*d]).collect(), places: clash.places })
    };
    let has_rules = !problem.closed.is_empty() || !problem.sums.is_empty();
    let all: Vec<usize> = (0..problem.demands.len()).collect();
    let (cause, clash) = match by_places(&all) {
        Some(clash) if !has_rules => (Cause::Places, clash),
        found => {
            let (cause, clash) = smallest(asked, found.map(|clash| clash.demands));
            // What no rule is needed for is told by the places.
            by_places(&clash.demands).map_or((cause, clash), |clash| (Cause::Places, clash))
        }
    };
    let about = if cause == Cause::Places { &plain } else { problem };
    let wishes: Vec<(Who, Need)> =
        clash.demands.iter().map(|d| (about.demands[*d].who, about.demands[*d].need)).collect();
    let places: Vec<Place> = clash.places.iter().map(|place| about.places[*place]).collect();
    let larger = larger(system, chip);
    let mend = mend(system, problem, solver).or_else(|| {
        larger.as_ref().map(|larger| Mend {
            n_parts: 1,
            n_moves: problem.demands.iter().filter(|demand| demand.need.is_wired()).count(),
            steps: vec![format!("take the next larger board, with {larger}: every wire to the board moves")],
        })
    });
    let sentence = match cause {
        Cause::Places => sentence(system, chip, &plain, &wishes, &places),
        _ => by_rules(system, problem, &wishes),
    };
    let others = if cause == Cause::Places { others(system, chip, &plain, &clash) } else { vec![] };
    Conflict { chip: chip.name.clone(), cause, sentence, others, wishes, places, mend, larger }
}

/// Switches under which the fewest wishes are left and all that an earlier plan closed is open.
fn most_open(problem: &Problem) -> BTreeSet<Switch> {
    let host = usize::from(!problem.has_bus);
    let joined = problem.coded.iter().skip(host).map(|sensor| Switch::Joined(*sensor));
    let unlocked = problem.switches().into_iter().filter(|switch| matches!(switch, Switch::MovedFromLock(_)));
    unlocked.chain(joined).collect()
}

/// A smallest set of wishes that cannot be met together, found by taking away what is not needed for that, and which rules it is about.
/// `known`: a set that surely cannot.
fn smallest(asked: &Asked<'_>, known: Option<Vec<usize>>) -> (Cause, Clash) {
    let problem = asked.problem;
    let fits = |problem: &Problem, demands: &[usize]| {
        let part = problem.only(demands);
        let mut solver = Solver::new(&part);
        solver.allow(MOST_TRIES);
        // What is not surely a misfit counts as fitting: the set is then not the smallest, but still one that cannot be met.
        super::fit(&part, &mut solver).is_some() || solver.is_spent()
    };
    // Most often it is about those alone that a rule touches.
    let is_ruled = |who: Who| {
        problem.closed.iter().any(|(other, _)| *other == who)
            || problem.sums.iter().any(|sum| {
                sum.terms.iter().any(|(switch, ..)| matches!(switch, Switch::Away(other, _) if *other == who))
            })
    };
    let mut left = known.unwrap_or_else(|| {
        let all: Vec<usize> = (0..problem.demands.len()).collect();
        let ruled: Vec<usize> = all.iter().copied().filter(|d| is_ruled(problem.demands[*d].who)).collect();
        if fits(problem, &ruled) { all } else { ruled }
    });
    let mut chunk = left.len().div_ceil(2);
    while chunk > 0 {
        let mut at = 0;
        while at < left.len() {
            let fewer: Vec<usize> = left
                .iter()
                .enumerate()
                .filter(|(i, _)| *i < at || *i >= at + chunk)
                .map(|(_, d)| *d)
                .collect();
            if fits(problem, &fewer) {
                at += chunk;
            } else {
                left = fewer;
            }
        }
        chunk = if chunk == 1 { 0 } else { chunk.div_ceil(2) };
    }
    let about = Family::ALL.into_iter().find(|family| fits(&asked.without(&[*family]), &left));
    let mut places: Vec<usize> = (left.iter())
        .flat_map(|d| problem.demands[*d].edges.iter())
        .filter(|(_, guards)| {
            guards.iter().all(|(switch, on)| !on || !(switch.is_part() || switch.is_move()))
        })
        .map(|(place, _)| *place)
        .collect();
    places.sort_unstable();
    places.dedup();
    (about.map_or(Cause::SeveralRules, Cause::Rules), Clash { demands: left, places })
}

/// The reason of a conflict that is about more than places.
fn by_rules(system: &System, problem: &Problem, wishes: &[(Who, Need)]) -> String {
    let names: Vec<String> = wishes.iter().map(|(who, _)| format!("`{}`", owner(system, *who))).collect();
    let mut whys: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (who, why) in &problem.closed {
        if wishes.iter().any(|(wish, _)| wish == who) {
            whys.entry(why).or_default().push(format!("`{}`", owner(system, *who)));
        }
    }
    let mut reasons: Vec<String> =
        whys.into_iter().map(|(why, names)| format!("{}: {why}", listed(&names))).collect();
    let mut sums = vec![];
    for sum in &problem.sums {
        let counts = |who: Who| {
            let term =
                sum.terms.iter().find(|(switch, ..)| matches!(switch, Switch::Away(w, _) if *w == who));
            term.map_or(0, |(.., amount)| *amount)
        };
        let all: u32 = wishes.iter().map(|(who, _)| counts(*who)).sum();
        if all > sum.most {
            sums.push((all, sum.title.clone()));
        }
    }
    if let Some((most, _)) = sums.iter().max_by_key(|(all, _)| *all) {
        let titles: Vec<String> = sums.iter().map(|(_, title)| title.clone()).collect();
        reasons.push(format!(
            "the commands of {} take {:.0} mA together, and {}",
            listed(&names),
            f64::from(*most) / 1e3,
            listed(&titles)
        ));
    }
    if reasons.is_empty() {
        reasons.push(format!("{} have no places that bear them together", listed(&names)));
    }
    reasons.join("; ")
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
        Need::Select => "a pin for its select line",
        Need::Watch => "a pin that the runtime watches for edges",
        Need::ToneTimer => "the timer that makes tones",
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
    if needs.contains(&Need::ToneTimer) {
        all.push(
            "a sounder that makes its tone by itself is `kind = \"other\"` and needs no timer".to_owned(),
        );
    }
    if needs.contains(&Need::Watch) {
        all.push("pulse flow meters, echoes and infrared receivers are watched; a contact is not".to_owned());
    }
    if !needs.iter().any(|need| need.is_wired()) {
        return all;
    }
    let form = system.library.form(&chip.name);
    let label = |pin: u8| form.map_or_else(|| Pins::name(pin), |form| form.label(pin));
    let able = |pin: u8| {
        needs.iter().any(|need| match need {
            Need::Channel => chip.pins.channels.iter().any(|(_, _, on)| *on == Some(pin)),
            Need::Edge => chip.pins.edges.contains(&pin),
            Need::Duty => chip.pins.pwm.contains(&pin),
            Need::Card | Need::Watch | Need::ToneTimer => false,
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
    if needs.contains(&Need::Duty) {
        for timer in chip.pins.timers.iter().filter(|timer| !timer.pins.is_empty()) {
            let work = match timer.does {
                TimerWork::Duty => continue,
                TimerWork::Tone => "makes tones",
                TimerWork::Time => "counts the time and stamps infrared and pulses",
            };
            let pins: Vec<String> = timer.pins.iter().map(|pin| label(*pin)).collect();
            all.push(format!("the timer of {} {work}", listed(&pins)));
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

/// The smallest change: fewest parts, then fewest moves, then the fewest large expanders. The solver proves each "fewer does not do".
/// None also when that takes more than [`MOST_TRIES`]: what is not proven smallest is not called so.
fn mend(system: &System, problem: &Problem, solver: &mut Solver<'_>) -> Option<Mend> {
    let large: Vec<Switch> =
        problem.switches().into_iter().filter(|switch| matches!(switch, Switch::Expander(true, _))).collect();
    let mut held = Held { switches: vec![(Switch::KeepApart, false)], ..Held::default() };
    solver.allow(MOST_TRIES);
    let fits = |solver: &mut Solver<'_>, held: &Held| match solver.solve(held) {
        Answer::Fits(matching, on) => Some((matching, on)),
        Answer::Clash => None,
    };
    let n_parts = (0..=MOST_PARTS).find(|n| {
        held.most_parts = Some(*n);
        fits(solver, &held).is_some()
    })?;
    let n_moves = (0..=problem.demands.len()).find(|n| {
        held.most_moves = Some(*n);
        fits(solver, &held).is_some()
    })?;
    let (matching, on) = (0..=large.len()).find_map(|n| {
        held.switches.truncate(1);
        held.switches.extend(large.iter().skip(n).map(|switch| (*switch, false)));
        fits(solver, &held)
    })?;
    (!solver.is_spent()).then(|| Mend { n_parts, n_moves, steps: steps(system, problem, &on, &matching) })
}

fn steps(
    system: &System,
    problem: &Problem,
    on: &BTreeSet<Switch>,
    matching: &[Option<usize>],
) -> Vec<String> {
    let mut all = vec![];
    let mut addresses = problem.addresses.iter();
    for part in on.iter().filter(|switch| switch.is_part()) {
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
            Switch::Driver(actuator) => all.push(format!(
                "put a transistor between `{}` and its place, so that its command takes next to nothing",
                system.actuators[actuator.idx()].name
            )),
            Switch::Filter(actuator) => all.push(format!(
                "put a filter to a voltage (0-10 V), or a driver for the frequency that there is, before `{}`",
                system.actuators[actuator.idx()].name
            )),
            _ => {}
        }
    }
    let mut joined: Vec<String> = vec![];
    let mut to_rail: BTreeMap<usize, Vec<String>> = BTreeMap::new();
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
            Switch::OtherRail(actuator) => {
                if let Some(Place::Contact(card, _)) = to(Who::Contact(*actuator)) {
                    to_rail
                        .entry(card)
                        .or_default()
                        .push(format!("`{}`", system.actuators[actuator.idx()].name));
                }
            }
            Switch::Rescaled(sensor) => {
                let sensor = &system.sensors[sensor.idx()];
                let chosen = on.iter().find_map(|switch| match switch {
                    Switch::Reference(millivolts) => Some(f64::from(*millivolts) / 1e3),
                    _ => None,
                });
                let form = system.boards.first().and_then(|board| system.library.form(&board.chip));
                let volts = chosen.or_else(|| form?.references.first().copied());
                let to = volts.map_or("that of the others".to_owned(), |volts| format!("{volts} V"));
                all.push(format!(
                    "reckon `{}` with a reference of {to}; a divider or an amplifier fits it",
                    sensor.name
                ));
            }
            _ => {}
        }
    }
    for (card, names) in to_rail {
        let rail = loads::rail(system).map_or("rail", |rail| system.supplies[rail.idx()].name.as_str());
        let volts = loads::rail(system).and_then(|rail| loads::volts(system, Some(rail))).unwrap_or(12.0);
        all.push(format!(
            "move {} to the direct current of `{rail}`, as types for {volts:.0} V, on the card `{}`",
            listed(&names),
            system.supplies[card].name
        ));
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
        let problem = super::problem::build(system, other, None, false, &[]);
        super::fit(&problem, &mut Solver::new(&problem)).is_some()
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
                    "The smallest change adds {} {parts} and moves or changes {} {wires}: {}.\n",
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
    let mut bus_moves = |name: &str, of: fn(&Pins) -> &[u8], test: &str| {
        let pins = |chip: &str| {
            let chip = system.library.chip(chip)?;
            let all = of(&chip.pins).iter();
            Some(listed(&all.map(|pin| name_of(system, &chip.name, Place::Pin(*pin))).collect::<Vec<_>>()))
        };
        if let (Some(before), Some(after)) = (pins(&from.chip), pins(&to.chip))
            && before != after
        {
            out.moved.push((name.to_owned(), before, after));
            out.tests.push(format!("{name}: {test}"));
        }
    };
    if system.wiring.devices.iter().any(|device| device.kind.is_on_i2c()) {
        bus_moves("I2C bus", |pins| &pins.i2c, "every part on it answers, the expanders before all");
    }
    if system.wiring.devices.iter().any(|device| device.kind == DeviceKind::W5500) {
        bus_moves("SPI bus", |pins| &pins.spi, "the network answers");
    }
    let place_before = |who: Who| match who {
        // A pin that the file gives a device is no wish.
        Who::Device(device) => {
            let pin = from.wiring.devices.get(device)?.address;
            Some(Place::Pin(pin))
        }
        _ => from.place(who),
    };
    for (who, need, place) in to.placed.iter().filter(|(_, need, _)| need.is_wired()) {
        let name = owner(system, *who).to_owned();
        let Some(before) = place_before(*who) else { continue };
        if matches!(place, Place::Line(..)) && before == *place {
            out.kept.push(name);
            continue;
        }
        out.moved.push((
            name.clone(),
            name_of(system, &from.chip, before),
            name_of(system, &to.chip, *place),
        ));
        out.tests.push(test_of(*need, &name));
    }
    // Thermometers that share a bus take no place of their own, but their wire moves with it.
    for s in 0..system.sensors.len() {
        let sensor = SensorIdx(s);
        let pin = |plan: &super::Plan| match plan.wiring.sensor(sensor) {
            Some(SensorPlace::OneWire { pin, .. }) => Some(Place::Pin(*pin)),
            _ => None,
        };
        let is_listed =
            from.place(Who::Sensor(sensor, 0)).is_some() && to.place(Who::Sensor(sensor, 0)).is_some();
        if let (false, Some(before), Some(after)) = (is_listed, pin(from), pin(&to)) {
            let name = system.sensors[s].name.clone();
            out.tests.push(test_of(Need::OneWire, &name));
            out.moved.push((name, name_of(system, &from.chip, before), name_of(system, &to.chip, after)));
        }
    }
    Ok(out)
}

/// What to test again of a thing that has moved to another board.
fn test_of(need: Need, name: &str) -> String {
    match need {
        Need::OneWire => format!("`{name}`: warm the probe in the hand, its value follows, the others stay"),
        Need::Channel => format!("`{name}`: calibrate anew, the converter and its reference are others"),
        Need::Contact => format!(
            "`{name}`: lift and lower by hand, pull its plug: the state follows and the open wire reads as planned"
        ),
        Need::Edge | Need::Trigger | Need::Watch => {
            format!("`{name}`: its value follows what is really there")
        }
        Need::Select => format!("`{name}`: it answers over the network"),
        Need::Button => format!("`{name}`: press once, it counts once"),
        Need::Duty => format!("`{name}`: 0, 50 and 100 % by hand, and still with the reset held"),
        Need::Tone | Need::ToneTimer => format!("`{name}`: sounds on a test alarm"),
        Need::Command | Need::Card => {
            format!(
                "`{name}`: on and off by hand; with the reset held it falls to its resting side; no click at power-up"
            )
        }
    }
}

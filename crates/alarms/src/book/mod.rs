//! The book of alarms: the states of IEC 62682 (ISA-18.2) and what moves an alarm from one to the next.
//!
//! Below the states that a person sees stand three facts: whether the alarm has occurred and not returned, whether it is acknowledged,
//! whether it is latched. Shelving, suppression by design and being out of service lie over them: the facts go on underneath.
//!
//! Delays end at their own time, however seldom [`Act::Tick`] comes: an alarm whose condition began at 10:00:00 with a delay of 10 s
//! occurs at 10:00:10, also when the next tick is at 10:05. A time before that of the last act counts as that of the last act.

mod terms;

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use serde::{Deserialize, Serialize};

use crate::definition::{Definition, Priority};

use terms::DAY_MS;
pub use terms::{Act, Cause, Condition, Entry, Refusal, Settings, State, Transition};

/// What is known of one alarm.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Alarm {
    condition: Condition,
    /// The condition holds and the alarm has not occurred, or is gone and it has not returned: since when.
    pending_ms: Option<i64>,
    /// Occurred and not returned.
    stands: bool,
    /// Occurred and not acknowledged since.
    unacknowledged: bool,
    /// Latched and not reset.
    latched: bool,
    shelf: Option<Shelf>,
    out: Option<Out>,
    suppressed_by: BTreeSet<String>,
    /// Was acknowledged when the suppression began, and has stood since.
    known: bool,
    state: State,
    since_ms: i64,
    /// Last occurrence.
    occurred_ms: Option<i64>,
    acknowledged_by: Option<String>,
    is_first_out: bool,
    /// Occurrences of the last day, oldest first, at most as many as make it chatter.
    occurrences: VecDeque<i64>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Shelf {
    until_ms: i64,
    by: String,
    why: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Out {
    by: String,
    why: String,
}

impl Alarm {
    fn composed(&self) -> State {
        if self.out.is_some() {
            State::OutOfService
        } else if !self.suppressed_by.is_empty() {
            State::SuppressedByDesign
        } else if self.shelf.is_some() {
            State::Shelved
        } else {
            match (self.stands, self.latched, self.unacknowledged) {
                (true, _, true) => State::Unacknowledged,
                (true, _, false) => State::Acknowledged,
                (false, true, true) => State::LatchedUnacknowledged,
                (false, true, false) => State::LatchedAcknowledged,
                (false, false, true) => State::ReturnedUnacknowledged,
                (false, false, false) => State::Normal,
            }
        }
    }

    fn is_hidden(&self) -> bool {
        self.out.is_some() || self.shelf.is_some() || !self.suppressed_by.is_empty()
    }
}

/// One alarm as it is now, for lists.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct View<'b> {
    /// What it is.
    pub definition: &'b Definition,
    /// Its state.
    pub state: State,
    /// In this state since, ms since 1970 UTC.
    pub since_ms: i64,
    /// What is known of its condition.
    pub condition: Condition,
    /// When it last occurred, ms since 1970 UTC.
    pub occurred_ms: Option<i64>,
    /// Who took it.
    pub acknowledged_by: Option<&'b str>,
    /// Until when it is shelved, ms since 1970 UTC.
    pub shelved_until_ms: Option<i64>,
    /// Who put it aside, and why (shelved or out of service).
    pub aside: Option<(&'b str, &'b str)>,
    /// The first of its group.
    pub is_first_out: bool,
    /// Comes and goes too often to be of use.
    pub is_chattering: bool,
    /// Stands for so long that it is no news.
    pub is_stale: bool,
}

/// All alarms.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Book {
    settings: Settings,
    definitions: BTreeMap<String, Definition>,
    alarms: BTreeMap<String, Alarm>,
    procedures: BTreeSet<String>,
    /// Announcements of the last minutes, oldest first.
    announced: VecDeque<i64>,
    in_flood: bool,
    now_ms: i64,
    /// Changes that time brought while an act was refused.
    unreported: Vec<Transition>,
}

/// Who and why, as they go into a transition.
#[derive(Clone, Default)]
struct Said {
    by: Option<String>,
    why: Option<String>,
    until_ms: Option<i64>,
}

impl Book {
    /// An empty book.
    pub fn new(settings: Settings) -> Self {
        Book { settings, ..Book::default() }
    }

    /// The book that a log gives: the same as after the same acts, one by one. Refused acts change nothing.
    pub fn replay(settings: Settings, definitions: Vec<Definition>, log: &[Entry]) -> Self {
        let mut book = Book::new(settings);
        book.define(definitions, log.first().map_or(0, |e| e.at_ms));
        for entry in log {
            // An act that is refused is refused again.
            let _ = book.apply(entry.at_ms, entry.act.clone());
        }
        book
    }

    /// Sets which alarms there are. What was known of those that stay is kept; those that are gone end.
    pub fn define(&mut self, definitions: Vec<Definition>, now_ms: i64) -> Vec<Transition> {
        let mut out = self.pass(now_ms);
        let now_ms = self.now_ms;
        let wanted: BTreeMap<String, Definition> =
            definitions.into_iter().map(|d| (d.id.clone(), d)).collect();
        let gone: Vec<String> = self.alarms.keys().filter(|id| !wanted.contains_key(*id)).cloned().collect();
        for id in gone {
            if let Some(alarm) = self.alarms.get_mut(&id) {
                *alarm = Alarm { state: alarm.state, since_ms: alarm.since_ms, ..Alarm::default() };
            }
            self.settle(&id, now_ms, Cause::Removed, Said::default(), &mut out);
            self.alarms.remove(&id);
        }
        self.definitions = wanted;
        for id in self.definitions.keys() {
            self.alarms.entry(id.clone()).or_insert_with(|| Alarm { since_ms: now_ms, ..Alarm::default() });
        }
        let ids: Vec<String> = self.definitions.keys().cloned().collect();
        for id in ids {
            self.suppress(&id, now_ms, &mut out);
        }
        self.clear_first_out();
        out
    }

    /// Adds one alarm, or changes it, and leaves all others.
    pub fn define_one(&mut self, definition: Definition, now_ms: i64) -> Vec<Transition> {
        if self.definitions.get(&definition.id) == Some(&definition) {
            return vec![];
        }
        let mut all: Vec<Definition> =
            self.definitions.values().filter(|d| d.id != definition.id).cloned().collect();
        all.push(definition);
        self.define(all, now_ms)
    }

    /// One act at a time; gives all changes that it, and the time that has passed, brought. An act that is refused is not one: no
    /// [`Act`] other than of a person ever is, but one on an alarm that does not exist.
    ///
    /// # Errors
    ///
    /// Why it was not done; the book is then as it was but for the time that has passed. What that brought comes with the next act or
    /// tick.
    pub fn apply(&mut self, at_ms: i64, act: Act) -> Result<Vec<Transition>, Refusal> {
        let mut out = self.pass(at_ms);
        match self.act(act, &mut out) {
            Ok(()) => Ok(out),
            Err(refusal) => {
                self.unreported = out;
                Err(refusal)
            }
        }
    }

    /// Lets time pass.
    pub fn tick(&mut self, now_ms: i64) -> Vec<Transition> {
        self.pass(now_ms)
    }

    /// The earliest time at which something happens by itself, ms since 1970 UTC: when to tick next.
    pub fn next_due_ms(&self) -> Option<i64> {
        self.alarms.iter().flat_map(|(id, alarm)| [self.due(id, alarm), shelf_end(alarm)]).flatten().min()
    }

    /// All alarms as they are.
    pub fn alarms(&self) -> impl Iterator<Item = View<'_>> {
        self.alarms.iter().filter_map(|(id, alarm)| Some(self.view(self.definitions.get(id)?, alarm)))
    }

    /// One alarm as it is.
    pub fn alarm(&self, id: &str) -> Option<View<'_>> {
        Some(self.view(self.definitions.get(id)?, self.alarms.get(id)?))
    }

    /// What needs attention: first what is unacknowledged, then the more urgent, then the first of its group, then the oldest.
    pub fn attention(&self) -> Vec<View<'_>> {
        let mut all: Vec<View<'_>> = self.alarms().filter(|v| v.state.needs_attention()).collect();
        all.sort_by_key(|v| {
            (
                !matches!(v.state, State::Unacknowledged | State::LatchedUnacknowledged),
                std::cmp::Reverse(v.definition.priority),
                !v.is_first_out,
                v.occurred_ms,
                v.definition.id.clone(),
            )
        });
        all
    }

    /// Shelved and out of service: what was put aside by a person and may be forgotten.
    pub fn put_aside(&self) -> impl Iterator<Item = View<'_>> {
        self.alarms().filter(|v| matches!(v.state, State::Shelved | State::OutOfService))
    }

    /// More alarms come than a person can read one by one.
    pub fn is_in_flood(&self) -> bool {
        self.in_flood
    }

    fn view<'b>(&self, definition: &'b Definition, alarm: &'b Alarm) -> View<'b> {
        let aside = (alarm.out.as_ref().map(|o| (o.by.as_str(), o.why.as_str())))
            .or(alarm.shelf.as_ref().map(|s| (s.by.as_str(), s.why.as_str())));
        let within = |ms: i64| alarm.occurrences.iter().filter(|t| self.now_ms - **t < ms).count();
        View {
            definition,
            state: alarm.state,
            since_ms: alarm.since_ms,
            condition: alarm.condition,
            occurred_ms: alarm.occurred_ms,
            acknowledged_by: alarm.acknowledged_by.as_deref(),
            shelved_until_ms: alarm.shelf.as_ref().map(|s| s.until_ms),
            aside,
            is_first_out: alarm.is_first_out,
            is_chattering: within(self.settings.chatter_within_ms) >= self.settings.chatter_count
                || within(DAY_MS) >= self.settings.repeats_a_day,
            is_stale: alarm.stands
                && alarm.occurred_ms.is_some_and(|t| self.now_ms - t > self.settings.stale_ms),
        }
    }

    /// When the pending delay of an alarm ends.
    fn due(&self, id: &str, alarm: &Alarm) -> Option<i64> {
        let definition = self.definitions.get(id)?;
        let delay = if alarm.stands { definition.off_delay_ms } else { definition.on_delay_ms };
        Some(alarm.pending_ms?.saturating_add(delay.max(0)))
    }

    /// Everything that happens by itself up to a time, in the order of time.
    fn pass(&mut self, to_ms: i64) -> Vec<Transition> {
        let mut out = std::mem::take(&mut self.unreported);
        loop {
            let next = (self.alarms.iter())
                .flat_map(|(id, alarm)| [(self.due(id, alarm), false, id), (shelf_end(alarm), true, id)])
                .filter_map(|(due, is_shelf, id)| Some((due?, is_shelf, id)))
                .min()
                .filter(|(due, ..)| *due <= to_ms)
                .map(|(due, is_shelf, id)| (due, is_shelf, id.clone()));
            let Some((due, is_shelf, id)) = next else { break };
            let at_ms = due.max(self.now_ms);
            self.now_ms = at_ms;
            self.calm(at_ms);
            if is_shelf {
                self.unshelve(&id, at_ms, Cause::ShelfEnded, Said::default(), &mut out);
            } else {
                self.delay_over(&id, at_ms, &mut out);
            }
        }
        self.now_ms = self.now_ms.max(to_ms);
        self.calm(self.now_ms);
        out
    }

    fn act(&mut self, act: Act, out: &mut Vec<Transition>) -> Result<(), Refusal> {
        let at_ms = self.now_ms;
        match act {
            Act::Tick => {}
            Act::Condition { alarm: id, now } => self.condition(&id, at_ms, now, out)?,
            Act::Acknowledge { alarm: id, by } => {
                let by = named(by)?;
                let alarm = self.of(&id)?;
                if alarm.is_hidden() || !alarm.unacknowledged {
                    return Err(Refusal::NothingToAcknowledge(alarm.state));
                }
                alarm.unacknowledged = false;
                alarm.acknowledged_by = Some(by.clone());
                let said = Said { by: Some(by), ..Said::default() };
                self.settle(&id, at_ms, Cause::Acknowledged, said, out);
                self.clear_first_out();
            }
            Act::Reset { alarm: id, by } => {
                let by = named(by)?;
                let alarm = self.of(&id)?;
                if !alarm.latched || alarm.is_hidden() {
                    return Err(Refusal::NotLatched(alarm.state));
                }
                if alarm.stands {
                    return Err(Refusal::StillHolds);
                }
                // Who resets has seen it: a reset acknowledges.
                alarm.latched = false;
                if std::mem::take(&mut alarm.unacknowledged) {
                    alarm.acknowledged_by = Some(by.clone());
                }
                self.settle(&id, at_ms, Cause::Reset, Said { by: Some(by), ..Said::default() }, out);
                self.clear_first_out();
            }
            Act::Shelve { alarm: id, by, why, until_ms } => {
                let (by, why) = (named(by)?, reasoned(why)?);
                self.of(&id)?;
                let is_high = self.definitions.get(&id).is_some_and(|d| d.priority == Priority::High);
                let longest = if is_high {
                    self.settings.longest_shelf_high_ms
                } else {
                    self.settings.longest_shelf_ms
                };
                if until_ms <= at_ms {
                    return Err(Refusal::EndIsPast);
                }
                if until_ms > at_ms.saturating_add(longest) {
                    return Err(Refusal::EndTooLate(at_ms.saturating_add(longest)));
                }
                let said = Said { by: Some(by.clone()), why: Some(why.clone()), until_ms: Some(until_ms) };
                let alarm = self.of(&id)?;
                let again = alarm.shelf.replace(Shelf { until_ms, by, why }).is_some();
                if again && alarm.state == State::Shelved {
                    // A new end of a shelf is a new line of the log, from shelved to shelved.
                    self.note(&id, at_ms, (State::Shelved, State::Shelved), Cause::Shelved, said, out);
                } else {
                    self.settle(&id, at_ms, Cause::Shelved, said, out);
                }
            }
            Act::Unshelve { alarm: id, by } => {
                let by = named(by)?;
                let alarm = self.of(&id)?;
                if alarm.shelf.is_none() {
                    return Err(Refusal::NotShelved(alarm.state));
                }
                let said = Said { by: Some(by), ..Said::default() };
                self.unshelve(&id, at_ms, Cause::Unshelved, said, out);
            }
            Act::OutOfService { alarm: id, by, why } => {
                let (by, why) = (named(by)?, reasoned(why)?);
                let alarm = self.of(&id)?;
                if alarm.out.is_some() {
                    return Err(Refusal::AlreadyOut);
                }
                let said = Said { by: Some(by.clone()), why: Some(why.clone()), until_ms: None };
                alarm.out = Some(Out { by, why });
                self.settle(&id, at_ms, Cause::TakenOut, said, out);
            }
            Act::InService { alarm: id, by } => {
                let by = named(by)?;
                let alarm = self.of(&id)?;
                if alarm.out.take().is_none() {
                    return Err(Refusal::InServiceAlready);
                }
                alarm.unacknowledged = alarm.stands || alarm.latched;
                self.settle(&id, at_ms, Cause::PutBack, Said { by: Some(by), ..Said::default() }, out);
            }
            Act::ProcedureBegan { procedure } => {
                self.procedures.insert(procedure);
                self.suppress_all(at_ms, out);
            }
            Act::ProcedureEnded { procedure } => {
                self.procedures.remove(&procedure);
                self.suppress_all(at_ms, out);
            }
        }
        Ok(())
    }

    fn of(&mut self, id: &str) -> Result<&mut Alarm, Refusal> {
        self.alarms.get_mut(id).ok_or_else(|| Refusal::NoSuchAlarm(id.to_owned()))
    }

    fn condition(
        &mut self,
        id: &str,
        at_ms: i64,
        now: Condition,
        out: &mut Vec<Transition>,
    ) -> Result<(), Refusal> {
        let alarm = self.of(id)?;
        if std::mem::replace(&mut alarm.condition, now) == now {
            return Ok(());
        }
        let wants_change = match now {
            Condition::Holds => !alarm.stands,
            Condition::Gone => alarm.stands,
            Condition::Unknown => false,
        };
        alarm.pending_ms = wants_change.then_some(at_ms);
        let is_due =
            self.alarms.get(id).and_then(|alarm| self.due(id, alarm)).is_some_and(|due| due <= at_ms);
        if is_due {
            self.delay_over(id, at_ms, out);
        }
        Ok(())
    }

    fn delay_over(&mut self, id: &str, at_ms: i64, out: &mut Vec<Transition>) {
        let is_latching = self.definitions.get(id).is_some_and(|d| d.is_latching);
        let keep = self.settings.chatter_count.max(self.settings.repeats_a_day);
        let Some(alarm) = self.alarms.get_mut(id) else { return };
        alarm.pending_ms = None;
        if alarm.stands {
            alarm.stands = false;
            alarm.known = false;
            if alarm.is_hidden() && !alarm.latched {
                // It came and went while nobody was to be told: nothing waits for acknowledgement.
                alarm.unacknowledged = false;
            }
            self.settle(id, at_ms, Cause::Returned, Said::default(), out);
        } else {
            alarm.stands = true;
            alarm.unacknowledged = true;
            alarm.latched |= is_latching;
            alarm.acknowledged_by = None;
            alarm.occurred_ms = Some(at_ms);
            alarm.occurrences.push_back(at_ms);
            while alarm.occurrences.len() > keep {
                alarm.occurrences.pop_front();
            }
            let is_hidden = alarm.is_hidden();
            if !is_hidden {
                self.mark_first_out(id);
            }
            self.settle(id, at_ms, Cause::Occurred, Said::default(), out);
        }
        self.clear_first_out();
    }

    fn unshelve(&mut self, id: &str, at_ms: i64, cause: Cause, said: Said, out: &mut Vec<Transition>) {
        let Some(alarm) = self.alarms.get_mut(id) else { return };
        alarm.shelf = None;
        // The shelf was a reminder: what still stands is told anew.
        alarm.unacknowledged = alarm.stands || alarm.latched;
        alarm.known = false;
        self.settle(id, at_ms, cause, said, out);
    }

    fn suppress_all(&mut self, at_ms: i64, out: &mut Vec<Transition>) {
        let ids: Vec<String> = self.alarms.keys().cloned().collect();
        for id in ids {
            self.suppress(&id, at_ms, out);
        }
    }

    /// Brings the suppression of one alarm up to the procedures that run.
    fn suppress(&mut self, id: &str, at_ms: i64, out: &mut Vec<Transition>) {
        let Some(definition) = self.definitions.get(id) else { return };
        let by: BTreeSet<String> =
            definition.suppressed_during.iter().filter(|p| self.procedures.contains(*p)).cloned().collect();
        let Some(alarm) = self.alarms.get_mut(id) else { return };
        let before = std::mem::replace(&mut alarm.suppressed_by, by);
        let procedures = |set: &BTreeSet<String>| set.iter().cloned().collect::<Vec<_>>().join(", ");
        match (before.is_empty(), alarm.suppressed_by.is_empty()) {
            (true, false) => {
                alarm.known = alarm.stands && !alarm.unacknowledged;
                let said = Said { why: Some(procedures(&alarm.suppressed_by)), ..Said::default() };
                self.settle(id, at_ms, Cause::Suppressed, said, out);
            }
            (false, true) => {
                alarm.unacknowledged = (alarm.stands || alarm.latched) && !alarm.known;
                let said = Said { why: Some(procedures(&before)), ..Said::default() };
                self.settle(id, at_ms, Cause::SuppressionEnded, said, out);
            }
            _ => {}
        }
    }

    /// Takes over the state that the facts give, and notes the change.
    fn settle(&mut self, id: &str, at_ms: i64, cause: Cause, said: Said, out: &mut Vec<Transition>) {
        let Some(alarm) = self.alarms.get_mut(id) else { return };
        let (from, to) = (alarm.state, alarm.composed());
        if from != to {
            alarm.state = to;
            alarm.since_ms = at_ms;
            self.note(id, at_ms, (from, to), cause, said, out);
        }
    }

    fn note(
        &mut self,
        id: &str,
        at_ms: i64,
        (from, to): (State, State),
        cause: Cause,
        said: Said,
        out: &mut Vec<Transition>,
    ) {
        if to == State::Unacknowledged {
            self.announced.push_back(at_ms);
            while self.announced.len() > self.settings.flood_count {
                self.announced.pop_front();
            }
            let within = self.settings.flood_within_ms;
            self.in_flood |= self.announced.iter().filter(|t| at_ms - **t < within).count()
                >= self.settings.flood_count.max(1);
        }
        out.push(Transition {
            at_ms,
            alarm: id.to_owned(),
            priority: self.definitions.get(id).map_or(Priority::default(), |d| d.priority),
            from,
            to,
            cause,
            by: said.by,
            why: said.why,
            until_ms: said.until_ms,
            is_first_out: self.alarms.get(id).is_some_and(|a| a.is_first_out),
            in_flood: self.in_flood,
        });
    }

    /// Ends a flood that is over.
    fn calm(&mut self, at_ms: i64) {
        let within = self.settings.flood_within_ms;
        self.in_flood &=
            self.announced.iter().filter(|t| at_ms - **t < within).count() >= self.settings.flood_over;
    }

    fn members(&self, group: &str) -> impl Iterator<Item = &Alarm> {
        (self.definitions.values())
            .filter(move |d| d.group.as_deref() == Some(group))
            .filter_map(|d| self.alarms.get(&d.id))
    }

    fn mark_first_out(&mut self, id: &str) {
        let Some(group) = self.definitions.get(id).and_then(|d| d.group.clone()) else { return };
        let is_taken = self.members(&group).any(|a| a.is_first_out);
        if let Some(alarm) = self.alarms.get_mut(id) {
            alarm.is_first_out |= !is_taken;
        }
    }

    /// The mark stays until the whole group is normal again.
    fn clear_first_out(&mut self) {
        let marked: Vec<String> =
            self.alarms.iter().filter(|(_, a)| a.is_first_out).map(|(id, _)| id.clone()).collect();
        for id in marked {
            let group = self.definitions.get(&id).and_then(|d| d.group.clone());
            let busy = |a: &Alarm| a.stands || a.unacknowledged || a.latched;
            let is_over = group.is_none_or(|g| !self.members(&g).any(busy));
            if let Some(alarm) = self.alarms.get_mut(&id).filter(|_| is_over) {
                alarm.is_first_out = false;
            }
        }
    }
}

fn shelf_end(alarm: &Alarm) -> Option<i64> {
    alarm.shelf.as_ref().map(|s| s.until_ms)
}

fn named(by: String) -> Result<String, Refusal> {
    if by.trim().is_empty() { Err(Refusal::NoName) } else { Ok(by) }
}

fn reasoned(why: String) -> Result<String, Refusal> {
    if why.trim().is_empty() { Err(Refusal::NoReason) } else { Ok(why) }
}

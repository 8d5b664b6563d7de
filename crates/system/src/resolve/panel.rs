//! `[panel]`, `[[page]]`, `[[remote_key]]` and `[buzzer]`: texts to places, and what keys do.

use std::ops::Range;

use units::{Kind, Quantity, UnitSystem};

use super::conditions::report;
use super::context::{Context, Thing};
use super::signals::{Signals, noun_of};
use crate::diagnostic::Diagnostic;
use crate::model::{Actuator, ActuatorIdx, ProcedureIdx, Scale, SignalSource};
use crate::panel::{
    KeyAct, Line, MOST_KEYS, MOST_PAGES, PATTERN_TICKS, Page, Panel, Pattern, Patterns, Piece, Place,
    RemoteKey, Sentences, TICK_MS,
};
use crate::raw::{Bound, Field, Table};
use crate::suggest;

/// Most digits behind the point.
const MOST_DECIMALS: u8 = 3;
/// A page stands at most so long, s.
const LONGEST_TURN_S: f64 = 255.0;
/// Longest time of a key, s: what 16 bits hold.
const LONGEST_KEY_S: f64 = 65_535.0;
/// Highest command of a NEC code; 0xFF stands for none in EEPROM.
const MOST_CODE: u32 = 0xFE_FFFF;

/// Words of a key's `does`, for help.
const DOES: &str = "write one of `skimmer off for 30 min`, `fans 40 % for 1 h`, `light over for 2 h`, `skimmer auto`, \
    `reset topoff_pump`, `start feeding`, `confirm feeding`, `stop feeding`, `start or confirm feeding`, `next page`, \
    `previous page`, `silence for 10 min`";
/// Forms of a place, for help.
const PLACES: &str = "write {signal}, {signal:1} with decimals, {signal?word|word}, {hand actuator}, {clock}, \
    {attention}, {step} or {key}";

/// Reads all four sections.
pub(super) fn panel<'a>(
    context: &Context<'a>,
    root: &Table<'a>,
    signals: &mut Signals<'_, 'a>,
    actuators: &[Actuator],
) -> Panel {
    let mut panel = Panel::default();
    if let Some(table) = root.get("panel").and_then(|field| field.table()) {
        let words = [("metric", UnitSystem::Metric), ("us", UnitSystem::Us)];
        panel.units = table.get("units").and_then(|field| field.word(&words)).unwrap_or_default();
        panel.turn_s = table.get("turn").and_then(|field| turn(&field));
        let said = |key: &'static str| table.text(key).map(str::to_owned);
        panel.sentences = Sentences {
            well: said("well"),
            output: said("output"),
            self_test: said("self_test"),
            device: said("device"),
            program: said("program"),
            other_alarm: said("other_alarm"),
            refused: said("refused"),
        };
        table.finish();
    }
    let mut reader = Reader { context, signals, actuators };
    for entry in &context.pages {
        let field = entry.table.need("lines", "[ \"{attention}\", \"Tank {display_temp}\" ]");
        let fields = field.map(|field| field.one_or_list()).unwrap_or_default();
        let lines = fields.iter().filter_map(|field| reader.line(field)).collect();
        panel.pages.push(Page { lines, span: entry.table.span.clone() });
    }
    too_many(&context.pages.iter().map(|page| &page.table).collect::<Vec<_>>(), MOST_PAGES, "pages");
    for entry in &context.remote_keys {
        let table = &entry.table;
        let name = table.need("name", "\"Feed\"").and_then(|field| field.text()).unwrap_or("").to_owned();
        let code = table.get("code").and_then(|field| field.whole(0, MOST_CODE));
        let act = table.need("does", "\"start feeding\"").and_then(|field| reader.act(&field));
        let same = panel.keys.iter().find(|other| code.is_some() && other.code == code);
        if let (Some(other), Some(field)) = (same, table.get("code")) {
            let finding = Diagnostic::error("duplicate-code", "two keys of the remote have this code")
                .at(Some(field.span()), "")
                .at(Some(other.span.clone()), "the first is here")
                .help("give each key its own code, or leave `code` out and let the board learn it");
            context.sink.report(finding);
        }
        if let Some(act) = act {
            panel.keys.push(RemoteKey { name, code, act, span: table.span.clone() });
        }
    }
    too_many(&context.remote_keys.iter().map(|key| &key.table).collect::<Vec<_>>(), MOST_KEYS, "keys");
    if let Some(table) = root.get("buzzer").and_then(|field| field.table()) {
        panel.patterns = patterns(&table);
        table.finish();
    }
    panel
}

fn too_many(tables: &[&Table<'_>], most: usize, what: &str) {
    if let Some(table) = tables.get(most) {
        table.sink.report(
            Diagnostic::error("out-of-range", format!("a board keeps at most {most} {what}"))
                .at(Some(table.span.clone()), "one too many")
                .help(format!("take out {}", tables.len() - most)),
        );
    }
}

/// `"8 s"`, or `"never"`.
fn turn(field: &Field<'_>) -> Option<u8> {
    if field.value.get_ref().as_str() == Some("never") {
        return Some(0);
    }
    Some(field.quantity(Kind::Time, Bound::Within(1.0, LONGEST_TURN_S))?.round() as u8)
}

fn patterns(table: &Table<'_>) -> Patterns {
    let mut patterns = Patterns::default();
    for (slot, key) in patterns.by_level.iter_mut().zip(["low", "medium", "high", "doubt"]) {
        *slot = table.get(key).and_then(|field| pattern(&field));
    }
    patterns
}

fn pattern(field: &Field<'_>) -> Option<Pattern> {
    let table = field.table()?;
    let tick_s = f64::from(TICK_MS) / 1e3;
    let n_beeps = table.get("beeps").and_then(|field| field.whole(1, 8)).unwrap_or(1);
    let ticks = |key: &'static str| {
        let s = table.quantity(key, Kind::Time, Bound::Within(tick_s, 1.6)).unwrap_or(0.15);
        (s / tick_s).round().max(1.0) as u32
    };
    let (beep, gap) = (ticks("length"), ticks("gap"));
    let every_s = table.quantity("every", Kind::Time, Bound::Within(2.0, 255.0)).unwrap_or(10.0).round();
    let hz = table.quantity("tone", Kind::Frequency, Bound::Within(31.0, 10_000.0)).unwrap_or(2700.0).round();
    table.finish();
    let length = n_beeps * (beep + gap) - gap;
    if length > PATTERN_TICKS {
        field.report(
            "out-of-range",
            format!("the beeps of `{}` take {} ms", field.key, length * TICK_MS),
            "",
            format!("make them fewer or shorter: all together at most {} ms", PATTERN_TICKS * TICK_MS),
        );
        return None;
    }
    Some(Pattern {
        n_beeps: n_beeps as u8,
        beep: beep as u8,
        gap: gap as u8,
        every_s: every_s as u8,
        hz: hz as u16,
    })
}

struct Reader<'r, 'c, 'a> {
    context: &'r Context<'a>,
    signals: &'r mut Signals<'c, 'a>,
    actuators: &'r [Actuator],
}

impl<'a> Reader<'_, '_, 'a> {
    fn line(&mut self, field: &Field<'a>) -> Option<Line> {
        let text = field.text()?;
        let mut pieces = vec![];
        let mut plain = String::new();
        let mut plain_from = 0;
        let mut at = 0;
        while let Some(char) = text[at..].chars().next() {
            let doubled = text[at..].starts_with("{{") || text[at..].starts_with("}}");
            match char {
                '{' | '}' if doubled => {
                    plain.push(char);
                    at += 2;
                }
                '{' => {
                    let Some(length) = text[at..].find('}') else {
                        bad_place(field, at..text.len(), "this brace is never closed");
                        return None;
                    };
                    if !plain.is_empty() {
                        let span = field.inner_span(plain_from..at);
                        pieces.push(Piece::Text(std::mem::take(&mut plain), span));
                    }
                    let inside = at + 1..at + length;
                    at += length + 1;
                    plain_from = at;
                    if let Some(place) = self.place(&text[inside.clone()], inside.start, field) {
                        pieces.push(Piece::Place(place, field.inner_span(inside)));
                    }
                }
                '}' => {
                    bad_place(field, at..at + 1, "this brace closes nothing");
                    return None;
                }
                _ => {
                    plain.push(char);
                    at += char.len_utf8();
                }
            }
        }
        if !plain.is_empty() {
            pieces.push(Piece::Text(plain, field.inner_span(plain_from..at)));
        }
        Some(Line { pieces, span: field.span() })
    }

    /// What stands between braces, whose first byte is number `from` of the field's text.
    fn place(&mut self, text: &str, from: usize, field: &Field<'a>) -> Option<Place> {
        let whole = from..from + text.len();
        match text.trim() {
            "clock" => return Some(Place::Clock),
            "attention" => return Some(Place::Attention),
            "step" => return Some(Place::Step),
            "key" => return Some(Place::Key),
            _ => {}
        }
        if let Some(name) = text.trim().strip_prefix("hand ") {
            let actuator = self.thing(name.trim(), Thing::Actuator, whole, field)?;
            return Some(Place::HandLeft(ActuatorIdx(actuator)));
        }
        let (name, words) = match text.split_once('?') {
            Some((name, words)) => match words.split_once('|') {
                Some((yes, no)) if !no.contains('|') => (name, Some((yes.to_owned(), no.to_owned()))),
                _ => {
                    bad_place(field, whole, "two words stand behind the question mark, with `|` between");
                    return None;
                }
            },
            None => (text, None),
        };
        let (name, decimals) = match name.split_once(':') {
            Some((name, decimals)) => match decimals.trim().parse::<u8>() {
                Ok(n) if n <= MOST_DECIMALS && words.is_none() => (name, Some(n)),
                _ => {
                    let what = format!("behind the colon stands a number of decimals, 0 to {MOST_DECIMALS}");
                    bad_place(field, whole, &what);
                    return None;
                }
            },
            None => (name, None),
        };
        let name = name.trim();
        let signal = if let Some(actuator) = called(name, "tripped") {
            let position = self.thing(actuator, Thing::Actuator, whole.clone(), field)?;
            self.signals.tripped(position, actuator)
        } else if let Some(procedure) = called(name, "running") {
            let position = self.thing(procedure, Thing::Procedure, whole.clone(), field)?;
            self.signals.running(position, procedure)
        } else if name.is_empty() {
            bad_place(field, whole, "nothing is named here");
            return None;
        } else {
            self.signals.named(name, field.inner_span(whole.clone()), field.subject.as_ref())?
        };
        let it = self.signals.get(signal);
        let is_two_state = it.scale == Scale::Bool;
        if let SignalSource::Actuator(actuator) = it.source {
            let is_modulated = self.actuators.get(actuator.idx()).is_some_and(|a| a.modulated);
            return match (words, decimals) {
                (Some(words), _) => Some(Place::Output { actuator, words }),
                (None, None) if is_modulated => Some(Place::Duty(actuator)),
                (None, None) => Some(Place::Output { actuator, words: ("on".to_owned(), "off".to_owned()) }),
                (None, Some(_)) => {
                    bad_place(field, whole, "an actuator has no decimals");
                    None
                }
            };
        }
        match (words, is_two_state) {
            (Some(words), true) => Some(Place::State { signal, words }),
            (None, true) if decimals.is_none() => {
                Some(Place::State { signal, words: ("yes".to_owned(), "no".to_owned()) })
            }
            (None, true) => {
                bad_place(field, whole, &format!("`{name}` is a two-state signal and has no decimals"));
                None
            }
            (Some(_), false) => {
                let what = format!("`{name}` is {}, which has no two words", noun_of(it.scale));
                bad_place(field, whole, &what);
                None
            }
            (None, false) => Some(Place::Number { signal, decimals }),
        }
    }

    fn thing(&self, name: &str, wanted: Thing, part: Range<usize>, field: &Field<'a>) -> Option<usize> {
        match self.context.find(name) {
            Some((thing, position)) if thing == wanted => return Some(position),
            Some((thing, _)) => report(
                field,
                "wrong-kind-of-name",
                part,
                format!("`{name}` is {}, not {}", thing.with_article(), wanted.with_article()),
                suggest::help(name, self.context.names_of(&[wanted]), wanted.plural()),
            ),
            None => report(
                field,
                "unknown-name",
                part,
                format!("no {} of this file is named `{name}`", wanted.noun()),
                suggest::help(name, self.context.names_of(&[wanted]), wanted.plural()),
            ),
        }
        None
    }

    /// What a key does, from its words.
    fn act(&self, field: &Field<'a>) -> Option<KeyAct> {
        let text = field.text()?;
        let whole = 0..text.len();
        let words: Vec<&str> = text.split_whitespace().collect();
        let actuator = |name: &str| {
            let position = self.thing(name, Thing::Actuator, whole.clone(), field)?;
            if self.actuators.get(position).is_some_and(|actuator| actuator.always) {
                report(
                    field,
                    "rule-for-unswitched",
                    whole.clone(),
                    format!("`{name}` always runs, so a key cannot switch it"),
                    "name an actuator that has a rule".to_owned(),
                );
                return None;
            }
            Some(ActuatorIdx(position))
        };
        let procedure =
            |name: &str| self.thing(name, Thing::Procedure, whole.clone(), field).map(ProcedureIdx);
        // Both with a time, which stands behind the last `for`.
        let before_time = || -> Option<(Vec<&str>, u16)> {
            let at = words.iter().rposition(|word| *word == "for");
            let Some(at) = at.filter(|at| *at + 1 < words.len()) else {
                report(
                    field,
                    "hand-without-end",
                    whole.clone(),
                    format!("`{text}` could last for ever"),
                    format!("say for how long: `{text} for 30 min`"),
                );
                return None;
            };
            match Quantity::parse_as(&words[at + 1..].join(" "), Kind::Time) {
                Ok(time) if (1.0..=LONGEST_KEY_S).contains(&time.value.round()) => {
                    Some((words[..at].to_vec(), time.value.round() as u16))
                }
                _ => {
                    report(
                        field,
                        "bad-key",
                        whole.clone(),
                        format!("`{}` is no time from 1 s to 18 h", words[at + 1..].join(" ")),
                        "write it like `for 30 min`".to_owned(),
                    );
                    None
                }
            }
        };
        match words[..] {
            ["next", "page"] => Some(KeyAct::NextPage),
            ["previous", "page"] => Some(KeyAct::PreviousPage),
            ["start", name] => procedure(name).map(KeyAct::Start),
            ["confirm", name] => procedure(name).map(KeyAct::Confirm),
            ["stop", name] => procedure(name).map(KeyAct::Stop),
            ["start", "or", "confirm", name] => procedure(name).map(KeyAct::StartOrConfirm),
            ["reset", name] => actuator(name).map(KeyAct::Reset),
            [name, "auto"] => actuator(name).map(KeyAct::Auto),
            ["silence", ..] => {
                let (head, time_s) = before_time()?;
                if head.len() > 1 {
                    return bad_key(field, text);
                }
                Some(KeyAct::Silence(time_s))
            }
            [name, "on" | "off" | "over", ..] => {
                let (head, time_s) = before_time()?;
                if head.len() != 2 {
                    return bad_key(field, text);
                }
                let actuator = actuator(name)?;
                Some(match words[1] {
                    "over" => KeyAct::Toggle { actuator, time_s },
                    word => KeyAct::Hand { actuator, permille: if word == "on" { 1000 } else { 0 }, time_s },
                })
            }
            [name, ..] if text.contains('%') => {
                let (head, time_s) = before_time()?;
                let share = Quantity::parse_as(&head[1..].join(" "), Kind::Ratio);
                let actuator = actuator(name)?;
                match share {
                    Ok(share) if (0.0..=1.0).contains(&share.value) => {
                        if !self.actuators.get(actuator.idx()).is_some_and(|a| a.modulated) {
                            report(
                                field,
                                "not-modulated",
                                whole.clone(),
                                format!("`{name}` is on or off, it has no duty"),
                                format!("write `{name} on for ...`, or set `modulated = true`"),
                            );
                            return None;
                        }
                        let permille = (share.value * 1e3).round() as u16;
                        Some(KeyAct::Hand { actuator, permille, time_s })
                    }
                    _ => bad_key(field, text),
                }
            }
            _ => bad_key(field, text),
        }
    }
}

/// The name in `word(name)`.
fn called<'t>(text: &'t str, word: &str) -> Option<&'t str> {
    Some(text.strip_prefix(word)?.trim_start().strip_prefix('(')?.strip_suffix(')')?.trim())
}

fn bad_place(field: &Field<'_>, part: Range<usize>, what: &str) {
    report(field, "bad-place", part, what.to_owned(), PLACES.to_owned());
}

fn bad_key(field: &Field<'_>, text: &str) -> Option<KeyAct> {
    report(
        field,
        "bad-key",
        0..text.len(),
        format!("`{text}` does not say what the key does"),
        DOES.to_owned(),
    );
    None
}

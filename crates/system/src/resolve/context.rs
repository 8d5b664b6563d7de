//! What all sections share while they are resolved: the named things of the file, and how a text refers to one.

use std::cell::RefCell;
use std::collections::HashMap;
use std::ops::Range;

use crate::diagnostic::Diagnostic;
use crate::language::lex::RESERVED;
use crate::parts::Library;
use crate::places::Places;
use crate::raw::{Field, Sink, Table};
use crate::suggest;

/// Kinds of thing that share one set of names.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Thing {
    Vessel,
    Air,
    Passage,
    Supply,
    Board,
    Actuator,
    Sensor,
    Signal,
    Procedure,
    Device,
}

impl Thing {
    /// For sentences.
    pub(super) fn noun(self) -> &'static str {
        match self {
            Thing::Vessel => "vessel",
            Thing::Air => "air space",
            Thing::Passage => "passage",
            Thing::Supply => "supply",
            Thing::Board => "board",
            Thing::Actuator => "actuator",
            Thing::Sensor => "sensor",
            Thing::Signal => "signal",
            Thing::Procedure => "procedure",
            Thing::Device => "device",
        }
    }

    pub(super) fn with_article(self) -> String {
        let noun = self.noun();
        let article = if noun.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
        format!("{article} {noun}")
    }

    pub(super) fn plural(self) -> &'static str {
        match self {
            Thing::Vessel => "vessels",
            Thing::Air => "air spaces",
            Thing::Passage => "passages",
            Thing::Supply => "supplies",
            Thing::Board => "boards",
            Thing::Actuator => "actuators",
            Thing::Sensor => "sensors",
            Thing::Signal => "signals",
            Thing::Procedure => "procedures",
            Thing::Device => "devices",
        }
    }
}

/// One `[[section]]`.
pub(super) struct Entry<'a> {
    /// Its name; made up when the file gives none.
    pub name: String,
    /// Its keys.
    pub table: Table<'a>,
}

/// A named thing: what, its position in its section, where.
#[derive(Clone)]
struct Named {
    thing: Thing,
    position: usize,
    span: Range<usize>,
}

/// Names, sections and findings.
pub(super) struct Context<'a> {
    pub sink: &'a Sink<'a>,
    pub library: &'a Library,
    pub places: RefCell<Places>,
    names: HashMap<String, Named>,
    pub climates: Vec<Entry<'a>>,
    pub corners: Vec<Entry<'a>>,
    pub vessels: Vec<Entry<'a>>,
    pub airs: Vec<Entry<'a>>,
    pub passages: Vec<Entry<'a>>,
    pub supplies: Vec<Entry<'a>>,
    pub boards: Vec<Entry<'a>>,
    pub actuators: Vec<Entry<'a>>,
    pub sensors: Vec<Entry<'a>>,
    pub signals: Vec<Entry<'a>>,
    pub rules: Vec<Entry<'a>>,
    pub procedures: Vec<Entry<'a>>,
    pub devices: Vec<Entry<'a>>,
    pub pages: Vec<Entry<'a>>,
    pub remote_keys: Vec<Entry<'a>>,
    pub alarms: Vec<Entry<'a>>,
    pub requirements: Vec<Entry<'a>>,
    pub accepted: Vec<Entry<'a>>,
}

impl<'a> Context<'a> {
    pub(super) fn read(root: &Table<'a>, library: &'a Library, sink: &'a Sink<'a>) -> Self {
        let mut context = Context {
            sink,
            library,
            places: RefCell::default(),
            names: HashMap::new(),
            climates: entries(root, "climate"),
            corners: entries(root, "corner"),
            vessels: entries(root, "vessel"),
            airs: entries(root, "air"),
            passages: entries(root, "passage"),
            supplies: entries(root, "supply"),
            boards: entries(root, "board"),
            actuators: entries(root, "actuator"),
            sensors: entries(root, "sensor"),
            signals: entries(root, "signal"),
            rules: entries(root, "rule"),
            procedures: entries(root, "procedure"),
            devices: entries(root, "device"),
            pages: entries(root, "page"),
            remote_keys: entries(root, "remote_key"),
            alarms: entries(root, "alarm"),
            requirements: entries(root, "requirement"),
            accepted: entries(root, "accepted"),
        };
        context.name_things();
        for section in ["system", "water", "livestock", "fitted", "requirements"] {
            let Some(table) =
                root.get(section).filter(|f| f.value.get_ref().is_table()).and_then(|f| f.table())
            else {
                continue;
            };
            let mut places = context.places.borrow_mut();
            places.note(section, table.span.clone());
            for (key, _, field) in table.entries() {
                places.note(format!("{section}.{key}"), field.span());
            }
        }
        context
    }

    fn name_things(&mut self) {
        let mut names = HashMap::new();
        let mut places = Places::default();
        let shared = [
            (Thing::Vessel, &mut self.vessels),
            (Thing::Air, &mut self.airs),
            (Thing::Passage, &mut self.passages),
            (Thing::Supply, &mut self.supplies),
            (Thing::Board, &mut self.boards),
            (Thing::Actuator, &mut self.actuators),
            (Thing::Sensor, &mut self.sensors),
            (Thing::Signal, &mut self.signals),
            (Thing::Procedure, &mut self.procedures),
            (Thing::Device, &mut self.devices),
        ];
        for (thing, entries) in shared {
            let key = if thing == Thing::Air { "air" } else { thing.noun() };
            for (position, entry) in entries.iter_mut().enumerate() {
                let span = name_entry(entry, key, position, self.sink, &mut places);
                claim(&mut names, entry, Named { thing, position, span }, thing.noun());
            }
        }
        // These are only ever spoken of among themselves, so `cold` may be both an alarm and a requirement.
        let apart = [
            ("climate", &mut self.climates),
            ("corner", &mut self.corners),
            ("alarm", &mut self.alarms),
            ("requirement", &mut self.requirements),
        ];
        for (key, entries) in apart {
            let mut own = HashMap::new();
            for (position, entry) in entries.iter_mut().enumerate() {
                let span = name_entry(entry, key, position, self.sink, &mut places);
                claim(&mut own, entry, Named { thing: Thing::Signal, position, span }, key);
            }
        }
        for (position, entry) in self.rules.iter_mut().enumerate() {
            let drives =
                entry.table.get("drives").and_then(|f| f.value.get_ref().as_str().map(str::to_owned));
            entry.name = drives.unwrap_or_else(|| format!("rule {}", position + 1));
            entry.table.label = format!("the rule of `{}`", entry.name);
            entry.table.subject = Some(entry.name.clone());
            note_places(entry, "rule", entry.table.span.clone(), &mut places);
        }
        for (key, noun, entries) in
            [("page", "page", &mut self.pages), ("remote_key", "remote key", &mut self.remote_keys)]
        {
            for (position, entry) in entries.iter_mut().enumerate() {
                entry.name = format!("{}", position + 1);
                entry.table.label = format!("{noun} {}", position + 1);
                note_places(entry, key, entry.table.span.clone(), &mut places);
            }
        }
        for (position, entry) in self.accepted.iter_mut().enumerate() {
            entry.name = format!("{}", position + 1);
            entry.table.label = format!("accepted risk {}", position + 1);
            note_places(entry, "accepted", entry.table.span.clone(), &mut places);
        }
        self.names = names;
        self.places = RefCell::new(places);
    }

    /// Position of the thing of that name, and what it is.
    pub(super) fn find(&self, name: &str) -> Option<(Thing, usize)> {
        self.names.get(name).map(|named| (named.thing, named.position))
    }

    /// All names of these kinds, in alphabetical order.
    pub(super) fn names_of(&self, things: &[Thing]) -> Vec<&str> {
        let mut all: Vec<&str> = self
            .names
            .iter()
            .filter(|(_, n)| things.contains(&n.thing))
            .map(|(name, _)| name.as_str())
            .collect();
        all.sort_unstable();
        all
    }

    /// Position of the thing of this kind that a field names; reports when there is none.
    pub(super) fn refer(&self, field: &Field<'a>, wanted: Thing) -> Option<usize> {
        let name = field.text()?;
        let span = field.span();
        let what = format!("`{}` of {}", field.key, field.label);
        let finding = match self.names.get(name) {
            Some(named) if named.thing == wanted => return Some(named.position),
            Some(named) => Diagnostic::error(
                "wrong-kind-of-name",
                format!(
                    "`{name}` is {}, but {what} takes {}",
                    named.thing.with_article(),
                    wanted.with_article()
                ),
            )
            .at(Some(span), "")
            .at(Some(named.span.clone()), format!("`{name}` is named here")),
            None => Diagnostic::error(
                "unknown-name",
                format!("no {} of this file is named `{name}`, which {what} refers to", wanted.noun()),
            )
            .at(Some(span), "unknown name"),
        };
        let finding = finding.help(suggest::help(name, self.names_of(&[wanted]), wanted.plural()));
        self.sink.report(match &field.subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        });
        None
    }

    /// As [`Context::refer`], for a key that may be absent.
    pub(super) fn refer_key(&self, table: &Table<'a>, key: &'static str, wanted: Thing) -> Option<usize> {
        self.refer(&table.get(key)?, wanted)
    }

    /// As [`Context::refer`], for a key that must be there. A position beyond any list when it is not.
    pub(super) fn need_refer(&self, table: &Table<'a>, key: &'static str, wanted: Thing) -> usize {
        const NOWHERE: usize = usize::MAX;
        let example = format!("\"<{}>\"", wanted.noun());
        table.need(key, &example).and_then(|field| self.refer(&field, wanted)).unwrap_or(NOWHERE)
    }

    /// Where a name is given.
    pub(super) fn name_span(&self, name: &str) -> Option<Range<usize>> {
        self.names.get(name).map(|named| named.span.clone())
    }

    /// Reports the unknown keys of all sections.
    pub(super) fn finish(&self) {
        let all = [
            &self.climates,
            &self.corners,
            &self.vessels,
            &self.airs,
            &self.passages,
            &self.supplies,
            &self.boards,
            &self.actuators,
            &self.sensors,
            &self.signals,
            &self.rules,
            &self.procedures,
            &self.devices,
            &self.pages,
            &self.remote_keys,
            &self.alarms,
            &self.requirements,
            &self.accepted,
        ];
        for entry in all.into_iter().flatten() {
            entry.table.finish();
        }
    }
}

/// The tables of `[[key]]`.
fn entries<'a>(root: &Table<'a>, key: &'static str) -> Vec<Entry<'a>> {
    let Some(field) = root.get(key) else { return vec![] };
    if field.value.get_ref().is_table() {
        field.report(
            "wrong-type",
            format!("`{key}` may stand many times in the file"),
            "a single table",
            format!("write its header with two brackets: [[{key}]]"),
        );
        return vec![];
    }
    let items = field.list().unwrap_or_default();
    items
        .into_iter()
        .filter_map(|item| {
            let mut table = item.table()?;
            table.label = format!("this {key}");
            Some(Entry { name: String::new(), table })
        })
        .collect()
}

/// Reads the name of a section; returns its place.
fn name_entry<'a>(
    entry: &mut Entry<'a>,
    key: &'static str,
    position: usize,
    sink: &'a Sink<'a>,
    places: &mut Places,
) -> Range<usize> {
    let field = entry.table.need("name", &format!("\"my_{key}\""));
    let name = field.as_ref().and_then(Field::text);
    let span = field.as_ref().map_or(entry.table.span.clone(), Field::span);
    match name {
        Some(name) => {
            entry.name = name.to_owned();
            entry.table.label = format!("{key} `{name}`");
            entry.table.subject = Some(name.to_owned());
            if !is_name(name) {
                sink.report(
                    Diagnostic::error("bad-name", format!("`{name}` cannot be a name"))
                        .at(Some(span.clone()), "")
                        .subject(name)
                        .help(
                            "a name has small letters, digits and `_`, and begins with a letter: `sump_c`, \
                             `heater_2`",
                        ),
                );
            } else if RESERVED.contains(&name) {
                sink.report(
                    Diagnostic::error("bad-name", format!("`{name}` is a word of the rule language"))
                        .at(Some(span.clone()), "")
                        .subject(name)
                        .help(format!("choose another name, such as `{name}_1`")),
                );
            }
        }
        None => entry.name = format!("unnamed {key} {}", position + 1),
    }
    note_places(entry, key, span.clone(), places);
    span
}

fn is_name(name: &str) -> bool {
    const LONGEST: usize = 40;
    name.len() <= LONGEST
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

fn claim(names: &mut HashMap<String, Named>, entry: &Entry<'_>, named: Named, noun: &str) {
    if entry.name.starts_with("unnamed ") {
        return;
    }
    let Some(other) = names.get(&entry.name) else {
        names.insert(entry.name.clone(), named);
        return;
    };
    let label = format!("this {noun} has the same name");
    let (first, second) = if other.span.start < named.span.start {
        ((other.span.clone(), "first given here".to_owned()), (named.span, label))
    } else {
        ((named.span, label), (other.span.clone(), "given again here".to_owned()))
    };
    entry.table.sink.report(
        Diagnostic::error("duplicate-name", format!("the name `{}` is given twice", entry.name))
            .at(Some(second.0), second.1)
            .at(Some(first.0), first.1)
            .subject(entry.name.clone())
            .help(format!("rename one of them, such as `{}_2`", entry.name)),
    );
}

fn note_places(entry: &Entry<'_>, key: &str, span: Range<usize>, places: &mut Places) {
    let name = &entry.name;
    places.note(format!("{key}.{name}"), span);
    for (inner, _, field) in entry.table.entries() {
        places.note(format!("{key}.{name}.{inner}"), field.span());
    }
}

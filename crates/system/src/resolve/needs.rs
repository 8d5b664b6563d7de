//! `[requirements]`, `[[requirement]]` and `[[accepted]]`: what must hold, and which risks are taken.

use units::{Kind, Quantity};

use super::context::{Context, Entry, Thing};
use crate::diagnostic::Diagnostic;
use crate::expr::{Comparison, Predicate, Stl, StlTerm};
use crate::language::Word;
use crate::language::formula::{Formula, FormulaTerm, Window, parse};
use crate::model::{
    Accepted, ActuatorIdx, ActuatorKind, Harm, MarginUnit, NOTHING_WRONG, PassageKind, Requirement, Severity,
    System, Truth, TruthIdx, TruthKind, VesselIdx, VesselRole,
};
use crate::parts::PartOf;
use crate::raw::{Bound, Field, Table, unit_id};
use crate::suggest;

/// The default set, editable by whoever writes their own.
const DEFAULTS: &str = include_str!("../../parts/requirements.toml");

const HARMS: &[(&str, Harm)] = &[
    ("flood", Harm::Flood),
    ("cook", Harm::Cook),
    ("chill", Harm::Chill),
    ("suffocate", Harm::Suffocate),
    ("overdose", Harm::Overdose),
    ("starve", Harm::Starve),
    ("equipment", Harm::Equipment),
    ("dark", Harm::Dark),
    ("other", Harm::Other),
];

const SEVERITIES: &[(&str, Severity)] = &[
    ("minor", Severity::Minor),
    ("marginal", Severity::Marginal),
    ("critical", Severity::Critical),
    ("catastrophic", Severity::Catastrophic),
];

/// A name behind the point, and the truth it makes of the thing before it.
type TruthName<T> = (&'static str, fn(T) -> TruthKind);
/// Names of truths of vessels.
const VESSEL_TRUTHS: &[TruthName<VesselIdx>] = &[
    ("temperature", TruthKind::Temperature),
    ("oxygen", TruthKind::Oxygen),
    ("salinity", TruthKind::Salinity),
    ("ph", TruthKind::Ph),
    ("alkalinity", TruthKind::Alkalinity),
    ("level", TruthKind::Level),
    ("volume", TruthKind::Volume),
    ("movement", TruthKind::Movement),
    ("light", TruthKind::Light),
];
/// Names of truths of actuators.
const ACTUATOR_TRUTHS: &[TruthName<ActuatorIdx>] =
    &[("bare", TruthKind::Bare), ("running", TruthKind::Running)];

pub(super) fn requirements<'a>(context: &Context<'a>, root: &Table<'a>, system: &mut System) {
    let table = root.get("requirements").and_then(|field| field.table());
    let defaults = table.as_ref().and_then(|table| table.boolean("defaults")).unwrap_or(true);
    let mut without: Vec<String> = vec![];
    if let Some(table) = &table {
        let items = table.get("without").map(|field| field.one_or_list()).unwrap_or_default();
        without = items.iter().filter_map(Field::text).map(str::to_owned).collect();
        table.finish();
    }
    let own: Vec<String> = context.requirements.iter().map(|entry| entry.name.clone()).collect();
    if defaults {
        let mut names = vec![];
        for (base, requirement) in default_set(system) {
            names.push(base.clone());
            if !own.contains(&base) && !own.contains(&requirement.name) && !without.contains(&base) {
                add(system, requirement);
            }
        }
        if let Some(field) = table.as_ref().and_then(|table| table.get("without")) {
            for item in field.one_or_list() {
                if let Some(name) = item.text()
                    && !names.iter().any(|known| known == name)
                {
                    item.report(
                        "unknown-name",
                        format!("no default requirement of this system is named `{name}`"),
                        "",
                        suggest::help(name, names.iter().map(String::as_str), "default requirements"),
                    );
                }
            }
        }
    }
    for entry in &context.requirements {
        if let Some(requirement) = own_requirement(context, entry, system) {
            system.requirements.push(requirement);
        }
    }
}

/// A default whose text is known, before its truths are interned.
struct Unread {
    name: String,
    text: String,
    harm: Harm,
    severity: Severity,
}

/// The default requirements for this system's displays, heaters and pumps, each with its name in the data file.
fn default_set(system: &System) -> Vec<(String, Unread)> {
    let sink = crate::raw::Sink::new(DEFAULTS);
    let Ok(document) = toml::de::DeTable::parse(DEFAULTS) else { return vec![] };
    let root = Table::new(document.get_ref(), 0..0, "the default requirements", None, &sink);
    let items = root.get("requirement").map(|field| field.one_or_list()).unwrap_or_default();
    let mut all = vec![];
    for table in items.iter().filter_map(Field::table) {
        let (Some(name), Some(text)) = (table.text("name"), table.text("text")) else { continue };
        let harm = table.get("harm").and_then(|f| f.word(HARMS)).unwrap_or(Harm::Other);
        let severity = table.get("severity").and_then(|f| f.word(SEVERITIES)).unwrap_or(Severity::Marginal);
        let subjects = subjects(system, table.text("each").unwrap_or("house"));
        for subject in &subjects {
            let named = if subjects.len() > 1 && !subject.is_empty() {
                format!("{name}_{subject}")
            } else {
                name.to_owned()
            };
            let text = text.replace("{it}", subject);
            all.push((name.to_owned(), Unread { name: named, text, harm, severity }));
        }
    }
    all
}

/// What a default requirement is about: one for each of these.
fn subjects(system: &System, each: &str) -> Vec<String> {
    let displays = || system.vessels.iter().enumerate().filter(|(_, v)| v.role == VesselRole::Display);
    let lives_in = |position: usize| system.livestock.as_ref().is_some_and(|l| l.vessel.idx() == position);
    match each {
        "display" => displays().map(|(_, v)| v.name.clone()).collect(),
        "display with livestock" => {
            displays().filter(|(position, _)| lives_in(*position)).map(|(_, v)| v.name.clone()).collect()
        }
        "display with light" => displays()
            .filter(|(position, _)| system.actuators.iter().any(|a| a.lights == Some(VesselIdx(*position))))
            .map(|(_, v)| v.name.clone())
            .collect(),
        "display with movement" => displays()
            .filter(|(position, _)| system.actuators.iter().any(|a| a.moves == Some(VesselIdx(*position))))
            .map(|(_, v)| v.name.clone())
            .collect(),
        "heater or pump" => {
            let has_intake = |actuator: usize| {
                system.passages.iter().any(
                    |p| matches!(p.kind, PassageKind::Pumped { pump, .. } if pump == ActuatorIdx(actuator)),
                )
            };
            system
                .actuators
                .iter()
                .enumerate()
                .filter(|(position, a)| {
                    let kind = matches!(a.kind, ActuatorKind::Heater | ActuatorKind::Pump);
                    kind && ((a.mark.is_some() && a.vessel.is_some()) || has_intake(*position))
                })
                .map(|(_, a)| a.name.clone())
                .collect()
        }
        _ if system.vessels.is_empty() => vec![],
        _ => vec![String::new()],
    }
}

fn add(system: &mut System, unread: Unread) {
    let Ok(formula) = parse(&unread.text) else { return };
    let mut reader = Reader { system, field: None, unit: None };
    if let Some(formula) = reader.formula(&formula) {
        let margin_unit = reader.unit.unwrap_or(MarginUnit::One);
        system.requirements.push(Requirement {
            name: unread.name,
            text: unread.text,
            formula,
            harm: unread.harm,
            severity: unread.severity,
            margin_unit,
        });
    }
}

fn own_requirement<'a>(
    _context: &Context<'a>,
    entry: &Entry<'a>,
    system: &mut System,
) -> Option<Requirement> {
    let table = &entry.table;
    let harm = table.get("harm").and_then(|field| field.word(HARMS)).unwrap_or(Harm::Other);
    let severity = table.get("severity").and_then(|f| f.word(SEVERITIES)).unwrap_or(Severity::Marginal);
    let field = table.need("text", "\"always display.temperature <= 31 degC\"")?;
    let text = field.text()?;
    let formula = match parse(text) {
        Ok(formula) => formula,
        Err(error) => {
            let finding = Diagnostic::error("bad-requirement", format!("{}: {}", table.label, error.message))
                .at(Some(field.inner_span(error.span)), "")
                .help(error.help);
            table.sink.report(table.about(finding));
            return None;
        }
    };
    let mut reader = Reader { system, field: Some(&field), unit: None };
    let formula = reader.formula(&formula)?;
    let margin_unit = reader.unit.unwrap_or(MarginUnit::One);
    Some(Requirement {
        name: entry.name.clone(),
        text: text.to_owned(),
        formula,
        harm,
        severity,
        margin_unit,
    })
}

/// Turns words into truths and quantities into SI.
struct Reader<'s, 'f, 'a> {
    system: &'s mut System,
    /// Where findings point; None for the defaults, which a test holds sound.
    field: Option<&'f Field<'a>>,
    /// Unit of the predicates so far.
    unit: Option<MarginUnit>,
}

/// Kind of quantity of a truth and the unit of its margin.
fn kind_of(what: TruthKind) -> (Kind, MarginUnit) {
    match what {
        TruthKind::Temperature(_) => (Kind::Temperature, MarginUnit::Kelvin),
        TruthKind::Oxygen(_) => (Kind::Concentration, MarginUnit::MgPerLitre),
        TruthKind::Salinity(_) => (Kind::Salinity, MarginUnit::Salinity),
        TruthKind::Ph(_) => (Kind::Ph, MarginUnit::Ph),
        TruthKind::Alkalinity(_) => (Kind::AmountPerVolume, MarginUnit::MeqPerLitre),
        TruthKind::Level(_) => (Kind::Length, MarginUnit::Metre),
        TruthKind::Volume(_) | TruthKind::Floor => (Kind::Volume, MarginUnit::CubicMetre),
        TruthKind::Bare(_) | TruthKind::Running(_) | TruthKind::Movement(_) | TruthKind::Light(_) => {
            (Kind::Ratio, MarginUnit::One)
        }
    }
}

impl Reader<'_, '_, '_> {
    fn report(&self, id: &'static str, span: std::ops::Range<usize>, message: String, help: String) {
        if let Some(field) = self.field {
            super::conditions::report(field, id, span, message, help);
        }
    }

    fn formula(&mut self, formula: &Formula) -> Option<Stl> {
        Some(match formula {
            Formula::Truth(word) => {
                let truth = self.truth(word)?;
                let what = self.system.truths[truth.idx()].what;
                if !matches!(what, TruthKind::Bare(_) | TruthKind::Running(_) | TruthKind::Movement(_)) {
                    self.report(
                        "not-a-condition",
                        word.span.clone(),
                        format!("`{}` is a quantity, not a condition", word.text),
                        format!("compare it: `{} > ...`", word.text),
                    );
                    return None;
                }
                self.margin(MarginUnit::One, word)?;
                const HALF: f64 = 0.5;
                Stl::Predicate(Predicate {
                    term: StlTerm::Truth(truth),
                    op: Comparison::GreaterEqual,
                    constant: HALF,
                })
            }
            Formula::Compare { term, op, constant } => self.compare(term, *op, constant)?,
            Formula::Not(inner) => Stl::Not(Box::new(self.formula(inner)?)),
            Formula::And(parts) => Stl::And(self.all(parts)?),
            Formula::Or(parts) => Stl::Or(self.all(parts)?),
            Formula::Always(interval, inner) => {
                let (from, to) = self.interval(interval.as_ref())?;
                Stl::Always { from, to, of: Box::new(self.formula(inner)?) }
            }
            Formula::Eventually(interval, inner) => {
                let (from, to) = self.interval(interval.as_ref())?;
                Stl::Eventually { from, to, of: Box::new(self.formula(inner)?) }
            }
            Formula::Until(interval, left, right) => {
                let (from, to) = self.interval(interval.as_ref())?;
                let (left, right) = (self.formula(left), self.formula(right));
                Stl::Until { from, to, left: Box::new(left?), right: Box::new(right?) }
            }
        })
    }

    fn all(&mut self, parts: &[Formula]) -> Option<Vec<Stl>> {
        let all: Vec<Option<Stl>> = parts.iter().map(|part| self.formula(part)).collect();
        all.into_iter().collect()
    }

    fn interval(&self, interval: Option<&(Word, Word)>) -> Option<(f64, Option<f64>)> {
        let Some((from, to)) = interval else { return Some((0.0, None)) };
        let (start, end) = (self.quantity(from, Kind::Time), self.quantity(to, Kind::Time));
        let (start, end) = (start?, end?);
        if start < 0.0 || end < start {
            self.report(
                "bad-requirement",
                from.span.start..to.span.end,
                "the interval ends before it begins".to_owned(),
                "write the earlier time first: [0 h, 2 h]".to_owned(),
            );
            return None;
        }
        Some((start, Some(end)))
    }

    fn quantity(&self, word: &Word, kind: Kind) -> Option<f64> {
        match Quantity::parse_as(&word.text, kind) {
            Ok(quantity) => Some(quantity.value),
            Err(error) => {
                let span = word.span.start + error.span.start..word.span.start + error.span.end;
                self.report(unit_id(&error), span, error.to_string(), error.help());
                None
            }
        }
    }

    fn compare(&mut self, term: &FormulaTerm, op: Comparison, constant: &Word) -> Option<Stl> {
        match term {
            FormulaTerm::Truth(word) => {
                let truth = self.truth(word)?;
                let (kind, unit) = kind_of(self.system.truths[truth.idx()].what);
                let constant = self.quantity(constant, kind);
                self.margin(unit, word)?;
                Some(Stl::Predicate(Predicate { term: StlTerm::Truth(truth), op, constant: constant? }))
            }
            FormulaTerm::Window { how, truth: word, window } => {
                let truth = self.truth(word)?;
                let (kind, unit) = kind_of(self.system.truths[truth.idx()].what);
                let kind = if kind == Kind::Temperature { Kind::TemperatureDifference } else { kind };
                let (window, constant) = (self.window(window), self.quantity(constant, kind));
                self.margin(unit, word)?;
                let window = window?;
                let term = match how {
                    Window::Range => StlTerm::Range(truth, window),
                    Window::Rise => StlTerm::Rise(truth, window),
                    Window::Fall => StlTerm::Fall(truth, window),
                };
                Some(Stl::Predicate(Predicate { term, op, constant: constant? }))
            }
            FormulaTerm::Time { truth: word, op: inner, constant: against, window } => {
                let truth = self.truth(word)?;
                let (kind, _) = kind_of(self.system.truths[truth.idx()].what);
                let (against, window) = (self.quantity(against, kind), self.window(window));
                let constant = self.quantity(constant, Kind::Time);
                self.margin(MarginUnit::Seconds, word)?;
                let term = StlTerm::Time { truth, op: *inner, constant: against?, window: window? };
                Some(Stl::Predicate(Predicate { term, op, constant: constant? }))
            }
        }
    }

    fn window(&self, word: &Word) -> Option<f64> {
        let window = self.quantity(word, Kind::Time)?;
        if window > 0.0 {
            return Some(window);
        }
        self.report(
            "not-positive",
            word.span.clone(),
            "the window must be longer than zero".to_owned(),
            "write a time such as `24 h`".to_owned(),
        );
        None
    }

    /// All margins of one formula must be in one unit, else their minimum means nothing.
    fn margin(&mut self, unit: MarginUnit, word: &Word) -> Option<()> {
        match self.unit {
            Some(first) if first != unit => {
                self.report(
                    "mixed-margins",
                    word.span.clone(),
                    "this requirement mixes quantities of different kinds, so its margin has no unit"
                        .to_owned(),
                    "write one requirement for each kind of quantity".to_owned(),
                );
                None
            }
            _ => {
                self.unit = Some(unit);
                Some(())
            }
        }
    }

    fn truth(&mut self, word: &Word) -> Option<TruthIdx> {
        let what = self.truth_kind(word)?;
        if let Some(position) = self.system.truths.iter().position(|truth| truth.what == what) {
            return Some(TruthIdx(position));
        }
        self.system.truths.push(Truth { name: word.text.clone(), what });
        Some(TruthIdx(self.system.truths.len() - 1))
    }

    fn truth_kind(&self, word: &Word) -> Option<TruthKind> {
        if word.text == "floor.outside" {
            return Some(TruthKind::Floor);
        }
        let Some((owner, what)) = word.text.split_once('.') else {
            self.report(
                "unknown-name",
                word.span.clone(),
                format!("`{}` is not a true quantity", word.text),
                "write what of which part: `display.temperature`, `heater.bare`, `floor.outside`".to_owned(),
            );
            return None;
        };
        let system = &self.system;
        if let Some(position) = system.vessels.iter().position(|v| v.name == owner) {
            if let Some((_, make)) = VESSEL_TRUTHS.iter().find(|(name, _)| *name == what) {
                return Some(make(VesselIdx(position)));
            }
            self.unknown_truth(word, owner, what, VESSEL_TRUTHS.iter().map(|(name, _)| *name));
            return None;
        }
        if let Some(position) = system.actuators.iter().position(|a| a.name == owner) {
            if let Some((_, make)) = ACTUATOR_TRUTHS.iter().find(|(name, _)| *name == what) {
                return Some(make(ActuatorIdx(position)));
            }
            self.unknown_truth(word, owner, what, ACTUATOR_TRUTHS.iter().map(|(name, _)| *name));
            return None;
        }
        let names = system.vessels.iter().map(|v| v.name.as_str());
        let names = names.chain(system.actuators.iter().map(|a| a.name.as_str())).chain(["floor"]);
        self.report(
            "unknown-name",
            word.span.clone(),
            format!("no vessel or actuator of this file is named `{owner}`"),
            suggest::help(owner, names, "vessels and actuators"),
        );
        None
    }

    fn unknown_truth(&self, word: &Word, owner: &str, what: &str, known: impl Iterator<Item = &'static str>) {
        self.report(
            "unknown-name",
            word.span.clone(),
            format!("`{owner}` has no true quantity `{what}`"),
            suggest::help(what, known, "true quantities of it"),
        );
    }
}

pub(super) fn accepted(context: &Context<'_>, system: &mut System) {
    let all: Vec<Accepted> =
        context.accepted.iter().map(|entry| one_accepted(context, &entry.table, system)).collect();
    system.accepted = all;
}

fn one_accepted(context: &Context<'_>, table: &Table<'_>, system: &System) -> Accepted {
    const ANY: &str = "*";
    let text = |key, example| table.need(key, example).and_then(|f| f.text()).unwrap_or("").to_owned();
    // Parts of FMEA rows that are no named thing of the file.
    let outside = context.library.ids(PartOf::Place);
    let part_field = table.need("part", "\"heater\"");
    let part = part_field.as_ref().and_then(Field::text).unwrap_or(ANY);
    let found = context.find(part);
    let mode_field = table.need("mode", "\"stuck-up\"");
    let mode = mode_field.as_ref().and_then(Field::text).unwrap_or(ANY);
    // With every part whole, the row goes by its corner.
    let whole = mode == NOTHING_WRONG;
    let corner_names = || system.corners.iter().map(|c| c.name.as_str()).chain(["nominal"]);
    if whole
        && part != ANY
        && !corner_names().any(|name| name == part)
        && let Some(field) = &part_field
    {
        field.report(
            "accepted-names-nothing",
            format!("{} names no corner of this file", table.label),
            "unknown corner",
            suggest::help(part, corner_names(), "corners"),
        );
    }
    if part != ANY
        && !whole
        && !outside.contains(&part)
        && !matches!(
            found,
            Some((
                Thing::Vessel
                    | Thing::Passage
                    | Thing::Supply
                    | Thing::Board
                    | Thing::Actuator
                    | Thing::Sensor
                    | Thing::Procedure,
                _
            ))
        )
        && let Some(field) = &part_field
    {
        let mut names = context.names_of(&[
            Thing::Vessel,
            Thing::Passage,
            Thing::Supply,
            Thing::Board,
            Thing::Actuator,
            Thing::Sensor,
        ]);
        names.extend(outside);
        field.report(
            "accepted-names-nothing",
            format!("{} names no part of this file", table.label),
            "unknown part",
            suggest::help(part, names, "parts"),
        );
    }
    let class = crate::parts::class_of(system, part);
    let known = match class {
        Some(class) => class.mode(mode).is_some(),
        None => context.library.has_mode(mode),
    };
    if mode != ANY
        && !whole
        && !known
        && let Some(field) = &mode_field
    {
        let modes = match class {
            Some(class) => class.modes.iter().map(|mode| mode.id.as_str()).collect(),
            None => context.library.mode_ids(),
        };
        field.report(
            "accepted-names-nothing",
            format!("{} names no failure mode of `{part}`", table.label),
            "unknown failure mode",
            suggest::help(mode, modes, "failure modes of it"),
        );
    }
    let requirement_field = table.get("requirement");
    let requirement = requirement_field.as_ref().and_then(Field::text).unwrap_or(ANY);
    if requirement != ANY
        && !system.requirements.iter().any(|r| r.name == requirement)
        && let Some(field) = &requirement_field
    {
        field.report(
            "accepted-names-nothing",
            format!("{} names no requirement of this system", table.label),
            "unknown requirement",
            suggest::help(requirement, system.requirements.iter().map(|r| r.name.as_str()), "requirements"),
        );
    }
    let corners: Vec<Field<'_>> = table.get("corners").map(|f| f.one_or_list()).unwrap_or_default();
    for field in &corners {
        if let Some(name) = field.text()
            && name != "nominal"
            && !system.corners.iter().any(|corner| corner.name == name)
        {
            field.report(
                "accepted-names-nothing",
                format!("{} names no corner of this file", table.label),
                "unknown corner",
                suggest::help(name, corner_names(), "corners"),
            );
        }
    }
    let review_field = table.need("review", "\"2027-03-01\"");
    let review = review_field.as_ref().and_then(review_date).unwrap_or_default();
    Accepted {
        part: part.to_owned(),
        mode: mode.to_owned(),
        requirement: requirement.to_owned(),
        reason: text("reason", "\"why the risk is taken\""),
        minimum_time_s: table.quantity("minimum_time", Kind::Time, Bound::NotNegative).unwrap_or(0.0),
        procedure: text("procedure", "\"what is relied on\""),
        review,
        corners: corners.iter().filter_map(Field::text).map(str::to_owned).collect(),
    }
}

/// An ISO 8601 calendar date, as a text or as a TOML date.
fn review_date(field: &Field<'_>) -> Option<String> {
    let text = match field.value.get_ref() {
        toml::de::DeValue::Datetime(date) => date.to_string(),
        _ => field.text()?.to_owned(),
    };
    let date: Option<toml_edit::Datetime> = text.parse().ok();
    if let Some(date) = date
        && date.date.is_some()
        && date.time.is_none()
    {
        return Some(text);
    }
    field.report(
        "bad-date",
        format!("`{text}` is not a date"),
        "",
        "write year, month and day: \"2027-03-01\"",
    );
    None
}

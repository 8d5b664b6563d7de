//! The raw layer: TOML with spans, read key by key so that every mistake of the file is reported in one go.
//!
//! A [`Table`] notes which keys were asked for; [`Table::finish`] reports all others as unknown. A reader that got `None` has
//! already reported why, or the key is absent: callers go on with any value, for a file with errors gives no `System`.

use std::cell::{Cell, RefCell};
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use units::{Kind, Quantity};

use crate::diagnostic::{Diagnostic, Level};
use crate::suggest;

/// Label of the table that is the whole file.
pub(crate) const ROOT: &str = "the file";

/// Where findings go while the file is read.
pub(crate) struct Sink<'a> {
    /// The whole text.
    pub source: &'a str,
    findings: RefCell<Vec<Diagnostic>>,
}

impl<'a> Sink<'a> {
    pub(crate) fn new(source: &'a str) -> Self {
        Sink { source, findings: RefCell::new(vec![]) }
    }

    pub(crate) fn report(&self, finding: Diagnostic) {
        // One broken name used in ten places is ten findings; the same finding at the same place twice is noise.
        let mut findings = self.findings.borrow_mut();
        if !findings.contains(&finding) {
            findings.push(finding);
        }
    }

    pub(crate) fn n_errors(&self) -> usize {
        self.findings.borrow().iter().filter(|f| f.level == Level::Error).count()
    }

    pub(crate) fn into_findings(self) -> Vec<Diagnostic> {
        let mut findings = self.findings.into_inner();
        findings.sort_by_key(|f| f.annotations.first().map_or(usize::MAX, |a| a.span.start));
        findings
    }
}

/// One table of the file.
pub(crate) struct Table<'a> {
    map: &'a DeTable<'a>,
    /// Place of its header or braces.
    pub span: Range<usize>,
    /// What it is, for sentences: ``vessel `display` ``.
    pub label: String,
    /// The named thing it describes.
    pub subject: Option<String>,
    asked: RefCell<Vec<&'static str>>,
    left: Cell<bool>,
    /// Where findings go.
    pub sink: &'a Sink<'a>,
}

/// One `key = value`.
#[derive(Clone)]
pub(crate) struct Field<'a> {
    /// Key or position, for sentences.
    pub key: String,
    /// The value.
    pub value: &'a Spanned<DeValue<'a>>,
    /// What the table is.
    pub label: String,
    /// The named thing it describes.
    pub subject: Option<String>,
    /// Where findings go.
    pub sink: &'a Sink<'a>,
}

/// Limits on a number.
#[derive(Clone, Copy)]
pub(crate) enum Bound {
    /// Any.
    Any,
    /// More than zero.
    Positive,
    /// Zero or more.
    NotNegative,
    /// From .. to, in the base unit.
    Within(f64, f64),
}

impl<'a> Table<'a> {
    pub(crate) fn new(
        map: &'a DeTable<'a>,
        span: Range<usize>,
        label: impl Into<String>,
        subject: Option<String>,
        sink: &'a Sink<'a>,
    ) -> Self {
        Table {
            map,
            span,
            label: label.into(),
            subject,
            asked: RefCell::new(vec![]),
            left: Cell::new(false),
            sink,
        }
    }

    /// The keys as written, with their places, in file order.
    pub(crate) fn entries(&self) -> Vec<(&'a str, Range<usize>, Field<'a>)> {
        let mut all: Vec<_> = self
            .map
            .iter()
            .map(|(key, value)| (key.get_ref().as_ref(), key.span(), self.field(key.get_ref(), value)))
            .collect();
        all.sort_by_key(|(_, span, _)| span.start);
        all
    }

    fn field(&self, key: &str, value: &'a Spanned<DeValue<'a>>) -> Field<'a> {
        Field {
            key: key.to_owned(),
            value,
            label: self.label.clone(),
            subject: self.subject.clone(),
            sink: self.sink,
        }
    }

    /// The value of a key that may be absent.
    pub(crate) fn get(&self, key: &'static str) -> Option<Field<'a>> {
        self.asked.borrow_mut().push(key);
        self.map.get(key).map(|value| self.field(key, value))
    }

    /// The value of a key if it is written, without taking it as asked for.
    pub(crate) fn written(&self, key: &str) -> Option<Field<'a>> {
        self.map.get(key).map(|value| self.field(key, value))
    }

    /// Whether the key is written, without reading it.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.map.contains_key(key)
    }

    /// The value of a key that must be there; `example` shows what would be right.
    pub(crate) fn need(&self, key: &'static str, example: &str) -> Option<Field<'a>> {
        let field = self.get(key);
        if field.is_none() {
            self.missing(key, example);
        }
        field
    }

    pub(crate) fn missing(&self, key: &str, example: &str) {
        self.sink.report(
            self.about(Diagnostic::error("missing-key", format!("{} lacks `{key}`", self.label)))
                .at(Some(self.span.clone()), format!("`{key}` must stand here"))
                .help(format!("add `{key} = {example}`")),
        );
    }

    /// Puts the named thing to a finding.
    pub(crate) fn about(&self, finding: Diagnostic) -> Diagnostic {
        match &self.subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        }
    }

    pub(crate) fn quantity(&self, key: &'static str, kind: Kind, bound: Bound) -> Option<f64> {
        self.get(key)?.quantity(kind, bound)
    }

    pub(crate) fn need_quantity(&self, key: &'static str, kind: Kind, bound: Bound, example: &str) -> f64 {
        self.need(key, example).and_then(|field| field.quantity(kind, bound)).unwrap_or(f64::NAN)
    }

    pub(crate) fn number(&self, key: &'static str, bound: Bound) -> Option<f64> {
        self.get(key)?.number(bound)
    }

    pub(crate) fn boolean(&self, key: &'static str) -> Option<bool> {
        self.get(key)?.boolean()
    }

    pub(crate) fn text(&self, key: &'static str) -> Option<&'a str> {
        self.get(key)?.text()
    }

    /// Gives the table up after a finding that makes all its keys unjudgeable.
    pub(crate) fn leave(&self) {
        self.left.set(true);
    }

    /// Reports each key that nobody asked for.
    pub(crate) fn finish(&self) {
        if self.left.get() {
            return;
        }
        let asked = self.asked.borrow();
        for (key, span, _) in self.entries() {
            if asked.contains(&key) {
                continue;
            }
            let mut known = asked.clone();
            known.sort_unstable();
            known.dedup();
            self.sink.report(
                self.about(Diagnostic::error(
                    "unknown-key",
                    format!("`{key}` is not a key of {}", self.label),
                ))
                .at(Some(span), "unknown key")
                .help(suggest::help(
                    key,
                    known.into_iter().filter(|k| !self.has(k)),
                    "keys that may be added",
                )),
            );
        }
    }
}

impl<'a> Field<'a> {
    /// Place of the value.
    pub(crate) fn span(&self) -> Range<usize> {
        self.value.span()
    }

    /// Reports a finding at the value.
    pub(crate) fn report(
        &self,
        id: &'static str,
        message: impl Into<String>,
        label: &str,
        help: impl Into<String>,
    ) {
        self.report_at(Diagnostic::error(id, message), self.span(), label, help);
    }

    /// Reports a warning at the value.
    pub(crate) fn warn(
        &self,
        id: &'static str,
        message: impl Into<String>,
        label: &str,
        help: impl Into<String>,
    ) {
        self.report_at(Diagnostic::warning(id, message), self.span(), label, help);
    }

    fn report_at(&self, finding: Diagnostic, span: Range<usize>, label: &str, help: impl Into<String>) {
        let finding = finding.at(Some(span), label).help(help);
        self.sink.report(match &self.subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        });
    }

    fn wrong_type(&self, wanted: &str, help: &str) {
        self.report(
            "wrong-type",
            format!("`{}` of {} must be {wanted}", self.key, self.label),
            &format!("this is {}", type_name(self.value.get_ref())),
            help,
        );
    }

    /// A string.
    pub(crate) fn text(&self) -> Option<&'a str> {
        let text = self.value.get_ref().as_str();
        if text.is_none() {
            self.wrong_type("a text in quotes", "write it in quotes: \"...\"");
        }
        text
    }

    /// Byte offset of the string's first character in the file, when the text stands there unescaped.
    pub(crate) fn text_offset(&self) -> Option<usize> {
        let text = self.value.get_ref().as_str()?;
        let written = self.sink.source.get(self.span())?;
        written.find(text).map(|at| self.span().start + at)
    }

    /// Place in the file of a part of the string; the whole value when escapes make the offsets differ.
    pub(crate) fn inner_span(&self, part: Range<usize>) -> Range<usize> {
        match self.text_offset() {
            Some(offset) => offset + part.start..offset + part.end,
            None => self.span(),
        }
    }

    pub(crate) fn boolean(&self) -> Option<bool> {
        let value = self.value.get_ref().as_bool();
        if value.is_none() {
            self.wrong_type("`true` or `false`", "write `true` or `false` without quotes");
        }
        value
    }

    fn plain_number(&self) -> Option<f64> {
        match self.value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        }
        .filter(|x: &f64| x.is_finite())
    }

    /// A whole number that is not negative, judging nothing.
    pub(crate) fn plain_whole(&self) -> Option<u32> {
        self.plain_number().filter(|x| *x >= 0.0 && x.fract() == 0.0).map(|x| x as u32)
    }

    /// A number without a unit.
    pub(crate) fn number(&self, bound: Bound) -> Option<f64> {
        match self.plain_number() {
            Some(x) => self.bounded(x, bound, ""),
            None => {
                self.wrong_type("a plain number", "write the number without quotes and without a unit");
                None
            }
        }
    }

    /// A whole number within limits.
    pub(crate) fn whole(&self, from: u32, to: u32) -> Option<u32> {
        let x = self.number(Bound::Within(f64::from(from), f64::from(to)))?;
        if x.fract() != 0.0 {
            self.wrong_type("a whole number", "leave the fraction out");
            return None;
        }
        Some(x as u32)
    }

    /// A number with a unit of this kind, in the kind's base unit.
    pub(crate) fn quantity(&self, kind: Kind, bound: Bound) -> Option<f64> {
        let value = match self.value.get_ref() {
            DeValue::String(text) => match Quantity::parse_as(text, kind) {
                Ok(quantity) => quantity.value,
                Err(error) => {
                    let span = self.inner_span(error.span.clone());
                    self.report_at(
                        Diagnostic::error(
                            unit_id(&error),
                            format!("`{}` of {}: {error}", self.key, self.label),
                        ),
                        span,
                        "",
                        error.help(),
                    );
                    return None;
                }
            },
            _ => match self.plain_number() {
                Some(x) if kind.may_be_plain() => x,
                Some(x) => {
                    let unit = kind.units().next().map_or("", |unit| unit.symbol);
                    self.report(
                        "missing-unit",
                        format!(
                            "`{}` of {} needs a unit: it is {}",
                            self.key,
                            self.label,
                            kind.with_article()
                        ),
                        "a number without a unit",
                        format!("write it in quotes with its unit, such as `{} = \"{x} {unit}\"`", self.key),
                    );
                    return None;
                }
                None => {
                    self.wrong_type(
                        &format!("{} with its unit, in quotes", kind.with_article()),
                        "write a number and a unit in quotes, such as \"380 L\"",
                    );
                    return None;
                }
            },
        };
        self.bounded(value, bound, kind.base_symbol())
    }

    fn bounded(&self, x: f64, bound: Bound, unit: &str) -> Option<f64> {
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        let (ok, wanted) = match bound {
            Bound::Any => (true, String::new()),
            Bound::Positive => (x > 0.0, "more than zero".to_owned()),
            Bound::NotNegative => (x >= 0.0, "zero or more".to_owned()),
            Bound::Within(from, to) => (x >= from && x <= to, format!("from {from}{unit} to {to}{unit}")),
        };
        if ok {
            return Some(x);
        }
        let id =
            if x <= 0.0 && !matches!(bound, Bound::Within(..)) { "not-positive" } else { "out-of-range" };
        self.report(
            id,
            format!("`{}` of {} must be {wanted}", self.key, self.label),
            &format!("this is {x}{unit}"),
            format!("write a value that is {wanted}"),
        );
        None
    }

    /// One of a closed list of words.
    pub(crate) fn word<T: Copy>(&self, words: &[(&'static str, T)]) -> Option<T> {
        let text = self.text()?;
        let found = words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        if found.is_none() {
            self.report(
                "unknown-word",
                format!("`{text}` is not one of the words that `{}` of {} takes", self.key, self.label),
                "unknown word",
                suggest::help(text, words.iter().map(|(word, _)| *word), "words"),
            );
        }
        found
    }

    /// `"on"` or `"off"`.
    pub(crate) fn on_off(&self) -> Option<bool> {
        self.word(&[("on", true), ("off", false)])
    }

    /// A table in braces or under its own header.
    pub(crate) fn table(&self) -> Option<Table<'a>> {
        match self.value.get_ref() {
            DeValue::Table(map) => Some(Table::new(
                map,
                self.span(),
                if self.label == ROOT {
                    format!("[{}]", self.key)
                } else {
                    format!("`{}` of {}", self.key, self.label)
                },
                self.subject.clone(),
                self.sink,
            )),
            _ => {
                self.wrong_type("a table", "write it in braces: { key = value, ... }");
                None
            }
        }
    }

    /// A list of values.
    pub(crate) fn list(&self) -> Option<Vec<Field<'a>>> {
        match self.value.get_ref() {
            DeValue::Array(items) => Some(
                items
                    .iter()
                    .enumerate()
                    .map(|(i, value)| Field { key: format!("{}[{i}]", self.key), value, ..self.clone() })
                    .collect(),
            ),
            _ => {
                self.wrong_type("a list", "write it in square brackets: [ ..., ... ]");
                None
            }
        }
    }

    /// A list, or one value that stands for a list of one.
    pub(crate) fn one_or_list(&self) -> Vec<Field<'a>> {
        match self.value.get_ref() {
            DeValue::Array(_) => self.list().unwrap_or_default(),
            _ => vec![self.clone()],
        }
    }

    /// Three lengths.
    pub(crate) fn three_lengths(&self) -> Option<[f64; 3]> {
        let items = self.list()?;
        if items.len() != 3 {
            self.report(
                "wrong-type",
                format!("`{}` of {} must be three lengths", self.key, self.label),
                &format!("these are {}", items.len()),
                "write length, depth and height: [\"1200 mm\", \"600 mm\", \"580 mm\"]",
            );
            return None;
        }
        let mut all = [f64::NAN; 3];
        let mut ok = true;
        for (slot, item) in all.iter_mut().zip(&items) {
            match item.quantity(Kind::Length, Bound::Positive) {
                Some(length) => *slot = length,
                None => ok = false,
            }
        }
        ok.then_some(all)
    }
}

/// The finding of a quantity that could not be read.
pub(crate) fn unit_id(error: &units::UnitError) -> &'static str {
    match error.problem {
        units::Problem::WrongKind { .. } => "wrong-unit",
        units::Problem::UnknownUnit { .. } => "unknown-unit",
        units::Problem::MissingUnit(_) => "missing-unit",
        _ => "unreadable-quantity",
    }
}

fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

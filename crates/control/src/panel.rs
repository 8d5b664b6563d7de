//! The panel table of a system and its program: pages laid out for the display that is wired, keys and sentences in the program's
//! numbers, patterns of the buzzer (docs/panel.md).

use program::panel::{
    Action, Counts, Form, Key, KeyCommand, LONGEST_TEXT, Line, MOST_COLUMNS, Panel, Pattern, Piece, Source,
    Text, Texts, What, charset, counts_of,
};
use program::{NumRef, Program};
use system::model::{ActuatorIdx, ActuatorKind, Scale, SensorKind, SignalIdx};
use system::panel::{self as file, KeyAct, Place, UnitSystem};
use system::wiring::DeviceKind;
use system::{Diagnostic, System};

use crate::{Compiled, Slot};

/// A page stands so long when the file does not say, s (common practice, no source).
const USUAL_TURN_S: u8 = 6;
/// Display when none is wired: the commonest.
const USUAL_SHAPE: (u8, u8) = (16, 2);
/// Fewest columns in which a sentence can be read as it walks.
const LEAST_SENTENCE: usize = 8;
/// Chars of the time left and of the clock, without the mark.
const TIME_WIDTH: usize = 5;

/// A table and what was found while it was made.
#[derive(Clone, Debug)]
pub struct Made {
    /// The table.
    pub panel: Panel,
    /// Findings that do not stop it.
    pub warnings: Vec<Diagnostic>,
}

/// Whether a system has anything for a panel: a display, a receiver or a buzzer, or a section about them.
pub fn is_wanted(system: &System) -> bool {
    system.panel.is_begun() || shape(system).is_some() || has_receiver(system) || buzzer(system).is_some()
}

/// The panel table of a system for a compiled program.
///
/// # Errors
/// Lines that do not fit, keys that have nothing to act on, with places in the file.
pub fn table(system: &System, compiled: &Compiled) -> Result<Made, Vec<Diagnostic>> {
    let counts = match Program::validate(&compiled.bytes) {
        Ok(program) => counts_of(&program),
        Err(error) => {
            return Err(vec![Diagnostic::error("program-not-possible", error.to_string())]);
        }
    };
    let (columns, rows) = shape(system).unwrap_or(USUAL_SHAPE);
    let mut maker = Maker { system, compiled, columns, rows, findings: vec![] };
    let panel = maker.panel(counts);
    let has_errors = maker.findings.iter().any(|finding| finding.level == system::Level::Error);
    match panel {
        Some(panel) if !has_errors => Ok(Made { panel, warnings: maker.findings }),
        _ => Err(maker.findings),
    }
}

/// The table's bytes.
///
/// # Errors
/// As [`table`], and a table that is too long.
pub fn bytes(system: &System, compiled: &Compiled) -> Result<Vec<u8>, Vec<Diagnostic>> {
    table(system, compiled)?.panel.encode().map_err(|error| {
        let cure = "shorten texts, or take out pages and keys";
        vec![Diagnostic::error("panel-too-large", error.to_string()).help(cure)]
    })
}

/// Columns and rows of the wired display.
fn shape(system: &System) -> Option<(u8, u8)> {
    system.wiring.devices.iter().find_map(|device| match device.kind {
        DeviceKind::TextDisplay { columns, rows } => Some((columns, rows)),
        _ => None,
    })
}

fn has_receiver(system: &System) -> bool {
    system.wiring.devices.iter().any(|device| device.kind == DeviceKind::InfraredReceiver)
}

/// The buzzer, by its kind.
fn buzzer(system: &System) -> Option<ActuatorIdx> {
    system.actuators.iter().position(|it| it.kind == ActuatorKind::Buzzer && !it.always).map(ActuatorIdx)
}

/// A buzzer that no rule drives: its output stands behind those of the drives.
pub fn output_behind_drives(system: &System, compiled: &Compiled) -> Option<ActuatorIdx> {
    buzzer(system).filter(|actuator| compiled.drives[actuator.idx()].is_none())
}

/// A table under way.
pub(crate) struct Maker<'s> {
    pub(crate) system: &'s System,
    pub(crate) compiled: &'s Compiled,
    pub(crate) columns: u8,
    pub(crate) rows: u8,
    findings: Vec<Diagnostic>,
}

/// One piece whose width may still depend on what is left of the line.
pub(crate) enum Laid {
    Fixed(Vec<Piece>),
    Rest(What),
}

impl Laid {
    fn width(&self) -> usize {
        match self {
            Laid::Fixed(pieces) => pieces.iter().map(Piece::width).sum(),
            Laid::Rest(_) => 0,
        }
    }
}

fn fixed(width: usize, what: What) -> Laid {
    // No place is wider than a display.
    Laid::Fixed(vec![Piece::Place { width: width.min(255) as u8, what }])
}

impl Maker<'_> {
    fn panel(&mut self, counts: Counts) -> Option<Panel> {
        self.check_parts();
        let file = &self.system.panel;
        let keys: Vec<Key> = file.keys.iter().filter_map(|key| self.key(key)).collect();
        let longest_key = keys.iter().map(|key| key.name.len()).max().unwrap_or(1);
        let pages: Vec<Vec<Line>> = if file.pages.is_empty() {
            self.usual_pages(!keys.is_empty())
        } else {
            file.pages.iter().map(|page| self.page(page, longest_key)).collect()
        };
        let is_attention = |piece: &Piece| matches!(piece, Piece::Place { what: What::Attention, .. });
        let attention_page = pages.iter().position(|page| page.iter().flatten().any(is_attention));
        let mut pages = pages;
        let attention_page = attention_page.unwrap_or_else(|| {
            // No page has a place for it: one of its own, which is not passed over in silence when all is well either.
            let mut page = vec![vec![]; usize::from(self.rows)];
            page[0].push(Piece::Place { width: self.columns, what: What::Attention });
            pages.insert(0, page);
            0
        });
        let n_drives = self.compiled.drives.iter().flatten().count();
        let buzzer = buzzer(self.system).map(|actuator| {
            self.compiled.drives[actuator.idx()].map_or(n_drives, usize::from).min(254) as u8
        });
        let patterns = std::array::from_fn(|level| match file.patterns.by_level[level] {
            Some(pattern) => Pattern {
                hz: pattern.hz,
                period_s: pattern.every_s,
                beeps: Pattern::beeps(
                    u32::from(pattern.n_beeps),
                    u32::from(pattern.beep),
                    u32::from(pattern.gap),
                )
                .unwrap_or(1),
            },
            None => Pattern::USUAL[level],
        });
        Some(Panel {
            counts,
            columns: self.columns,
            rows: self.rows,
            page_s: file.turn_s.unwrap_or(USUAL_TURN_S),
            attention_page: attention_page as u8,
            pages,
            keys,
            buzzer,
            patterns,
            texts: self.texts(),
        })
    }

    fn report(&mut self, finding: Diagnostic, span: Option<std::ops::Range<usize>>) {
        let finding = finding.at(span, "");
        if !self.findings.contains(&finding) {
            self.findings.push(finding);
        }
    }

    /// What the file says about parts that are not wired.
    fn check_parts(&mut self) {
        let file = &self.system.panel;
        let wants = [
            (
                file.pages.first().map(|page| page.span.clone()).filter(|_| shape(self.system).is_none()),
                "pages, but no text display",
                "add [[device]] with kind = \"text_display\"",
            ),
            (
                file.keys.first().map(|key| key.span.clone()).filter(|_| !has_receiver(self.system)),
                "keys of a remote, but no receiver",
                "add [[device]] with kind = \"infrared_receiver\"",
            ),
            (
                self.system
                    .places
                    .find("buzzer")
                    .filter(|_| *file != file::Panel::default() && buzzer(self.system).is_none()),
                "patterns of a buzzer, but no buzzer",
                "add [[actuator]] with kind = \"buzzer\"",
            ),
        ];
        for (span, what, cure) in wants {
            if span.is_some() {
                let finding = Diagnostic::warning("panel-part-missing", format!("the file has {what}"));
                self.report(finding.help(cure), span);
            }
        }
    }

    /// A text in codes of the display.
    fn text(&mut self, text: &str, span: Option<std::ops::Range<usize>>) -> Text {
        let (codes, unknown) = charset::encode(text);
        if let Some(unknown) = unknown {
            let what = format!("the display has no `{unknown}`: it shows `?`");
            let finding = Diagnostic::warning("letter-not-shown", what);
            self.report(finding.help("write it with letters of the Latin alphabet"), span);
        }
        codes
    }

    /// A whole sentence, cut to what the board keeps.
    fn sentence(&mut self, text: &str, span: Option<std::ops::Range<usize>>) -> Text {
        let mut codes = self.text(text, span.clone());
        if codes.len() > LONGEST_TEXT {
            let what = format!("this text has {} characters; the display shows {LONGEST_TEXT}", codes.len());
            self.report(Diagnostic::warning("text-cut", what).help("make it shorter"), span);
            codes.truncate(LONGEST_TEXT);
        }
        codes
    }

    fn texts(&mut self) -> Texts {
        let system = self.system;
        let said = &system.panel.sentences;
        let place = system.places.find("panel");
        let mut say =
            |own: &Option<String>, usual: &str| self.sentence(own.as_deref().unwrap_or(usual), place.clone());
        let well = say(&said.well, "All is well");
        let doubts = [
            say(&said.output, "Board: an output does not follow"),
            say(&said.self_test, "Board: it restarted by itself, see its journal"),
            say(&said.device, "Board: a part on the bus does not answer"),
            say(&said.program, "Board: another program runs than the one that was to"),
        ];
        let foreign_alarm = say(&said.other_alarm, "Alarm of the program on trial");
        let refused = say(&said.refused, "Not now");
        let alarms = (system.alarms.iter())
            .map(|alarm| {
                let span = system.places.find(&format!("alarm.{}.text", alarm.name));
                self.sentence(&alarm.text, span)
            })
            .collect();
        let steps = (system.procedures.iter())
            .map(|procedure| {
                let span = system.places.find(&format!("procedure.{}.step", procedure.name));
                procedure.steps.iter().map(|step| self.sentence(&step.text, span.clone())).collect()
            })
            .collect();
        Texts { well, doubts, foreign_alarm, refused, alarms, steps }
    }

    fn page(&mut self, page: &file::Page, longest_key: usize) -> Vec<Line> {
        let n_rows = usize::from(self.rows);
        if let Some(line) = page.lines.get(n_rows) {
            let what = format!("this page has {} lines, the display {n_rows}", page.lines.len());
            let finding = Diagnostic::error("too-many-lines", what);
            self.report(finding.help("move what is too much to a page of its own"), Some(line.span.clone()));
        }
        let mut lines: Vec<Line> =
            page.lines.iter().take(n_rows).map(|line| self.line(line, longest_key)).collect();
        lines.resize(n_rows, vec![]);
        lines
    }

    fn line(&mut self, line: &file::Line, longest_key: usize) -> Line {
        let mut laid: Vec<Laid> = vec![];
        let has_sentence = line.pieces.iter().any(
            |piece| matches!(piece, file::Piece::Place(place, _) if matches!(place, Place::Attention | Place::Step)),
        );
        for piece in &line.pieces {
            match piece {
                file::Piece::Text(text, span) => {
                    let codes = self.text(text, Some(span.clone()));
                    laid.push(Laid::Fixed(codes.into_iter().map(Piece::Char).collect()));
                }
                file::Piece::Place(place, span) => {
                    let Some(next) = self.place(place, span, has_sentence, longest_key) else { continue };
                    // The blank in front of a value is where its mark stands.
                    let has_mark = matches!(
                        next,
                        Laid::Fixed(ref pieces)
                            if matches!(pieces[..], [Piece::Place { ref what, .. }] if *what != What::Key)
                    );
                    if let (true, Some(Laid::Fixed(before))) = (has_mark, laid.last_mut())
                        && before.last() == Some(&Piece::Char(b' '))
                    {
                        before.pop();
                    }
                    laid.push(next);
                }
            }
        }
        self.fit(laid, line)
    }

    /// Gives what is left of the line to the sentence in it.
    fn fit(&mut self, laid: Vec<Laid>, line: &file::Line) -> Line {
        let columns = usize::from(self.columns);
        let taken: usize = laid.iter().map(Laid::width).sum();
        let n_rests = laid.iter().filter(|piece| matches!(piece, Laid::Rest(_))).count();
        if n_rests > 1 {
            let finding = Diagnostic::error("places-compete", "two sentences cannot share a line");
            let cure = "give `{attention}` and `{step}` a line each";
            self.report(finding.help(cure), Some(line.span.clone()));
            return vec![];
        }
        let is_key = laid.iter().any(|piece| matches!(piece, Laid::Rest(What::Key)));
        let least = if n_rests == 0 || is_key { n_rests } else { LEAST_SENTENCE };
        if taken + least > columns {
            let mut finding = Diagnostic::error(
                "line-too-long",
                format!("this line needs {} columns, the display has {columns}", taken + least),
            )
            .help("shorten words, show fewer decimals, or move a part to another line");
            if least > 1 {
                finding = finding.note(format!("a sentence needs at least {least} columns"));
            }
            self.report(finding, Some(line.span.clone()));
            return vec![];
        }
        let rest = (columns - taken) as u8;
        laid.into_iter()
            .flat_map(|piece| match piece {
                Laid::Fixed(pieces) => pieces,
                Laid::Rest(what) => vec![Piece::Place { width: rest, what }],
            })
            .collect()
    }

    fn place(
        &mut self,
        place: &Place,
        span: &std::ops::Range<usize>,
        has_sentence: bool,
        longest_key: usize,
    ) -> Option<Laid> {
        Some(match place {
            Place::Attention => Laid::Rest(What::Attention),
            Place::Step => Laid::Rest(What::Step),
            Place::Key if has_sentence => fixed(longest_key, What::Key),
            Place::Key => Laid::Rest(What::Key),
            Place::Clock => {
                let NumRef(slot) = self.compiled.local_time?;
                fixed(TIME_WIDTH + 1, What::Clock { slot })
            }
            Place::HandLeft(actuator) => {
                let drive = self.drive(*actuator, Some(span.clone()))?;
                fixed(TIME_WIDTH + 1, What::HandLeft { drive })
            }
            Place::Duty(actuator) => {
                let drive = self.drive(*actuator, Some(span.clone()))?;
                let form = form(Scale::Permille, UnitSystem::Metric, 0);
                fixed(form_width(&form, (0, 1000)) + 1, What::Number { source: Source::Output(drive), form })
            }
            Place::Output { actuator, words } => {
                let actuator_is_always = self.system.actuators[actuator.idx()].always;
                if actuator_is_always {
                    let codes = self.text(&words.0, Some(span.clone()));
                    return Some(Laid::Fixed(codes.into_iter().map(Piece::Char).collect()));
                }
                let drive = self.drive(*actuator, Some(span.clone()))?;
                self.state(Source::Output(drive), false, words, span)
            }
            Place::State { signal, words } => match self.compiled.signals[signal.idx()]? {
                Slot::Bit(bit) => self.state(Source::Slot(bit.index() as u16), bit.is_negated(), words, span),
                Slot::Number(_) => return None,
            },
            Place::Number { signal, decimals } => self.number(*signal, *decimals)?,
        })
    }

    fn state(
        &mut self,
        source: Source,
        is_negated: bool,
        words: &(String, String),
        span: &std::ops::Range<usize>,
    ) -> Laid {
        let mut when_true = self.text(&words.0, Some(span.clone()));
        let mut when_false = self.text(&words.1, Some(span.clone()));
        let width = when_true.len().max(when_false.len()).max(1);
        when_true.resize(width, b' ');
        when_false.resize(width, b' ');
        fixed(width + 1, What::State { source, is_negated, when_true, when_false })
    }

    /// A signal in the file's units; `None` when the program does not hold it.
    pub(crate) fn number(&self, signal: SignalIdx, decimals: Option<u8>) -> Option<Laid> {
        let it = &self.system.signals[signal.idx()];
        let Slot::Number(NumRef(slot)) = self.compiled.signals[signal.idx()]? else { return None };
        let units = self.system.panel.units;
        let form = form(it.scale, units, decimals.unwrap_or_else(|| usual_decimals(it.scale, units)));
        let width = form_width(&form, it.range) + 1;
        Some(fixed(width, What::Number { source: Source::Slot(slot), form }))
    }

    fn drive(&mut self, actuator: ActuatorIdx, span: Option<std::ops::Range<usize>>) -> Option<u8> {
        let drive = self.compiled.drives[actuator.idx()].and_then(|drive| u8::try_from(drive).ok());
        if drive.is_none() {
            let name = &self.system.actuators[actuator.idx()].name;
            let finding = Diagnostic::error("not-driven", format!("no rule drives `{name}`"));
            self.report(finding.help(format!("add [[rule]] with drives = \"{name}\"")), span);
        }
        drive
    }

    fn key(&mut self, key: &file::RemoteKey) -> Option<Key> {
        let span = Some(key.span.clone());
        let value_of = |maker: &Self, actuator: ActuatorIdx, permille: u16| -> i16 {
            match maker.system.actuators[actuator.idx()].modulated {
                true => permille.min(1000) as i16,
                false => i16::from(permille > 0),
            }
        };
        let procedure = |procedure: system::model::ProcedureIdx, command: KeyCommand| Action::Procedure {
            procedure: procedure.idx().min(255) as u8,
            command,
        };
        let action = match key.act {
            KeyAct::Hand { actuator, permille, time_s } => {
                let drive = self.drive(actuator, span.clone())?;
                Action::Hand { drive, value: value_of(self, actuator, permille), time_s }
            }
            KeyAct::Toggle { actuator, time_s } => {
                let drive = self.drive(actuator, span.clone())?;
                Action::Toggle { drive, value: value_of(self, actuator, 1000), time_s }
            }
            KeyAct::Auto(actuator) => Action::GiveBack { drive: self.drive(actuator, span.clone())? },
            KeyAct::Reset(actuator) => {
                let trips = &self.compiled.trips[actuator.idx()];
                let Some(first) = trips.iter().map(|trip| trip.order).min() else {
                    let name = &self.system.actuators[actuator.idx()].name;
                    let what = format!("`{name}` has no trip that a key could reset");
                    let cure = "take the key out, or give the rule a trip or a limit that latches";
                    self.report(Diagnostic::error("nothing-to-reset", what).help(cure), span);
                    return None;
                };
                Action::ResetTrips { first: first.min(255) as u8, n: trips.len().min(255) as u8 }
            }
            KeyAct::Start(which) => procedure(which, KeyCommand::Start),
            KeyAct::Confirm(which) => procedure(which, KeyCommand::Confirm),
            KeyAct::Stop(which) => procedure(which, KeyCommand::Stop),
            KeyAct::StartOrConfirm(which) => procedure(which, KeyCommand::Advance),
            KeyAct::NextPage => Action::Page { is_next: true },
            KeyAct::PreviousPage => Action::Page { is_next: false },
            KeyAct::Silence(time_s) => Action::Silence { time_s },
        };
        if let Action::Hand { time_s, .. } | Action::Toggle { time_s, .. } = action
            && i64::from(time_s) * 1000 > i64::from(crate::LONGEST_HAND_MS)
        {
            let hours = crate::LONGEST_HAND_MS / 3_600_000;
            let what = format!("hand lasts at most {hours} h: this key's is cut to that");
            let cure = format!("write at most `for {hours} h`");
            self.report(Diagnostic::warning("hand-cut", what).help(cure), span.clone());
        }
        let mut name = self.text(&key.name, span.clone());
        if name.is_empty() || name.len() > usize::from(MOST_COLUMNS) {
            let what = format!("the name of a key has 1 to {MOST_COLUMNS} characters");
            self.report(
                Diagnostic::error("line-too-long", what).help("write what the display shall echo"),
                span,
            );
            name = b"?".to_vec();
        }
        Some(Key { code: key.code, action, name })
    }
}

/// Unit of a scale as people read it: counts times this, plus this, is the shown value.
fn unit(scale: Scale, units: UnitSystem) -> (f64, f64) {
    const MM_PER_INCH: f64 = 25.4;
    const L_PER_GALLON: f64 = 3.785_411_784;
    let is_us = units == UnitSystem::Us;
    match scale {
        Scale::MilliCelsius if is_us => (1.8e-3, 32.0),
        Scale::MilliKelvin | Scale::MilliKelvinPerHour if is_us => (1.8e-3, 0.0),
        Scale::Micrometre | Scale::MicrometrePerHour if is_us => (1e-3 / MM_PER_INCH, 0.0),
        Scale::Millilitre if is_us => (1e-3 / L_PER_GALLON, 0.0),
        Scale::MillilitrePerMinute if is_us => (0.06 / L_PER_GALLON, 0.0),
        // L/h.
        Scale::MillilitrePerMinute => (0.06, 0.0),
        // Minutes.
        Scale::Millisecond => (1.0 / 60e3, 0.0),
        // Percent.
        Scale::Permille => (0.1, 0.0),
        Scale::Bool | Scale::Count => (1.0, 0.0),
        // °C, K, pH, mm, L, mS/cm, and their rates an hour.
        _ => (1e-3, 0.0),
    }
}

fn usual_decimals(scale: Scale, units: UnitSystem) -> u8 {
    match scale {
        Scale::MilliPh | Scale::MilliPhPerHour => 2,
        Scale::MilliCelsius
        | Scale::MilliKelvin
        | Scale::MilliKelvinPerHour
        | Scale::Millilitre
        | Scale::MicrosiemensPerCm => 1,
        Scale::Micrometre | Scale::MicrometrePerHour if units == UnitSystem::Us => 1,
        _ => 0,
    }
}

/// How a scale is written with so many decimals.
fn form(scale: Scale, units: UnitSystem, decimals: u8) -> Form {
    let (factor, offset) = unit(scale, units);
    let power = 10f64.powi(i32::from(decimals));
    let (multiplier, divisor) = ratio(factor * power);
    Form { decimals, multiplier, divisor, offset: (offset * power).round() as i16 }
}

/// The nearest fraction of two numbers of 16 bits, by its continued fraction. Better than 1 in 10^6 for every unit here.
fn ratio(x: f64) -> (u16, u16) {
    const CLOSE: f64 = 1e-9;
    let (mut before, mut last) = ((0u64, 1u64), (1u64, 0u64));
    let mut rest = x;
    loop {
        let whole = rest.floor();
        let next = (whole as u64 * last.0 + before.0, whole as u64 * last.1 + before.1);
        if next.0 > u64::from(u16::MAX) || next.1 > u64::from(u16::MAX) {
            break;
        }
        (before, last) = (last, next);
        let is_exact = (last.0 as f64 / last.1 as f64 / x - 1.0).abs() < CLOSE;
        if is_exact || rest - whole < CLOSE {
            break;
        }
        rest = 1.0 / (rest - whole);
    }
    (last.0.max(1) as u16, last.1.max(1) as u16)
}

/// Chars that the widest value of a range takes, without the mark.
fn form_width(form: &Form, range: (i32, i32)) -> usize {
    let width = |value: i32| {
        let shown = form.shown(value);
        let digits = shown.unsigned_abs().to_string().len().max(usize::from(form.decimals) + 1);
        digits + usize::from(form.decimals > 0) + usize::from(shown < 0)
    };
    width(range.0).max(width(range.1))
}

/// Thermometers and pH electrodes, whose values a usual page shows.
pub(crate) fn is_usual(kind: &SensorKind) -> bool {
    matches!(
        kind,
        SensorKind::Ds18b20
            | SensorKind::Tmp36 { .. }
            | SensorKind::Ntc { .. }
            | SensorKind::Ph { .. }
            | SensorKind::RoomTemperature
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(scale: Scale, units: UnitSystem, decimals: u8, value: i32) -> f64 {
        f64::from(form(scale, units, decimals).shown(value)) / 10f64.powi(i32::from(decimals))
    }

    // Exact relations: °F = °C * 9/5 + 32; 1 in = 25.4 mm; 1 US gal = 3.785411784 L (NIST SP 811, appendix B).
    #[test]
    fn units_are_those_of_the_definitions() {
        assert_eq!(shown(Scale::MilliCelsius, UnitSystem::Metric, 1, 25_449), 25.4);
        assert_eq!(shown(Scale::MilliCelsius, UnitSystem::Metric, 1, -50), -0.1);
        assert_eq!(shown(Scale::MilliCelsius, UnitSystem::Us, 1, 25_400), 77.7);
        assert_eq!(shown(Scale::MilliCelsius, UnitSystem::Us, 3, 100_000), 212.0);
        assert_eq!(shown(Scale::MilliKelvin, UnitSystem::Us, 1, 1000), 1.8);
        assert_eq!(shown(Scale::MilliPh, UnitSystem::Us, 2, 8_215), 8.22);
        assert_eq!(shown(Scale::Micrometre, UnitSystem::Us, 2, 25_400), 1.0);
        assert_eq!(shown(Scale::Micrometre, UnitSystem::Metric, 0, 513_400), 513.0);
        assert_eq!(shown(Scale::Millilitre, UnitSystem::Us, 2, 378_541), 100.0);
        assert_eq!(shown(Scale::MillilitrePerMinute, UnitSystem::Metric, 0, 1000), 60.0);
        assert_eq!(shown(Scale::MillilitrePerMinute, UnitSystem::Us, 1, 63_090), 1000.0);
        assert_eq!(shown(Scale::Permille, UnitSystem::Metric, 0, 705), 71.0);
        assert_eq!(shown(Scale::Millisecond, UnitSystem::Metric, 0, 3_600_000), 60.0);
    }

    #[test]
    fn every_fraction_is_close() {
        use Scale::*;
        for scale in
            [MilliCelsius, MilliPh, Micrometre, Millilitre, MillilitrePerMinute, Millisecond, Permille]
        {
            for units in [UnitSystem::Metric, UnitSystem::Us] {
                for decimals in 0..=3 {
                    let (multiplier, divisor) = {
                        let form = form(scale, units, decimals);
                        (f64::from(form.multiplier), f64::from(form.divisor))
                    };
                    let wanted = unit(scale, units).0 * 10f64.powi(i32::from(decimals));
                    let error = (multiplier / divisor / wanted - 1.0).abs();
                    assert!(error < 1e-6, "{scale:?} {units:?} {decimals}: {error:e}");
                }
            }
        }
    }
}

//! The interned signals: sensors, states of actuators, and how a text refers to one. `derived` adds the `[[signal]]`s.

use std::collections::HashMap;
use std::ops::Range;

use units::Kind;

use super::context::{Context, Thing};
use crate::diagnostic::Diagnostic;
use crate::expr::Condition;
use crate::language::condition::Cond;
use crate::model::{
    Actuator, ActuatorIdx, Passage, PassageKind, ProcedureIdx, Scale, Sensor, SensorIdx, SensorKind, Signal,
    SignalIdx, SignalSource, Vessel,
};
use crate::raw::{Bound, Field, Table};

/// All signals so far.
pub(super) struct Signals<'c, 'a> {
    pub context: &'c Context<'a>,
    pub list: Vec<Signal>,
    by_name: HashMap<String, SignalIdx>,
}

/// Kind of quantity of a scale and counts for one base unit of it. None for two-state signals.
pub(super) fn unit_of(scale: Scale) -> Option<(Kind, f64)> {
    const PER_HOUR: f64 = 3600.0;
    Some(match scale {
        Scale::Bool => return None,
        Scale::MilliCelsius => (Kind::Temperature, 1e3),
        Scale::MilliKelvin => (Kind::TemperatureDifference, 1e3),
        Scale::MilliPh => (Kind::Ph, 1e3),
        Scale::Micrometre => (Kind::Length, 1e6),
        Scale::Millilitre => (Kind::Volume, 1e6),
        Scale::MillilitrePerMinute => (Kind::Flow, 6e7),
        Scale::Millisecond => (Kind::Time, 1e3),
        Scale::MicrosiemensPerCm => (Kind::Conductivity, 1e3),
        Scale::Permille => (Kind::Ratio, 1e3),
        Scale::Count => (Kind::Ratio, 1.0),
        Scale::MilliKelvinPerHour => (Kind::TemperatureRate, 1e3 * PER_HOUR),
        Scale::MilliPhPerHour => (Kind::PerTime, 1e3 * PER_HOUR),
        Scale::MicrometrePerHour => (Kind::Speed, 1e6 * PER_HOUR),
    })
}

/// What a scale measures, for sentences.
pub(super) fn noun_of(scale: Scale) -> String {
    match scale {
        Scale::Bool => "a two-state signal".to_owned(),
        Scale::Count => "a count".to_owned(),
        Scale::MilliPhPerHour => "a rate of pH".to_owned(),
        Scale::MicrometrePerHour => "a rate of level".to_owned(),
        _ => unit_of(scale).map_or_else(String::new, |(kind, _)| kind.with_article()),
    }
}

/// Integer of a value in the base unit; saturates.
pub(super) fn counts(value: f64, per_unit: f64) -> i32 {
    (value * per_unit).round().clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32
}

impl<'c, 'a> Signals<'c, 'a> {
    pub(super) fn new(
        context: &'c Context<'a>,
        vessels: &[Vessel],
        passages: &[Passage],
        sensors: &mut [Sensor],
        actuators: &mut [Actuator],
    ) -> Self {
        let mut signals = Signals { context, list: vec![], by_name: HashMap::new() };
        for (position, sensor) in sensors.iter_mut().enumerate() {
            let (scale, range) = sensor_scale(sensor, vessels, passages);
            let range = declared_range(&context.sensors[position].table, scale).unwrap_or(range);
            sensor.signal =
                signals.add(&sensor.name, scale, range, SignalSource::Sensor(SensorIdx(position)));
        }
        for (position, actuator) in actuators.iter_mut().enumerate() {
            let source = SignalSource::Actuator(ActuatorIdx(position));
            actuator.signal = signals.add(&actuator.name, Scale::Bool, (0, 1), source);
        }
        signals
    }

    pub(super) fn add(
        &mut self,
        name: &str,
        scale: Scale,
        range: (i32, i32),
        source: SignalSource,
    ) -> SignalIdx {
        let index = SignalIdx(self.list.len());
        self.list.push(Signal { name: name.to_owned(), scale, range, source });
        self.by_name.entry(name.to_owned()).or_insert(index);
        index
    }

    /// A signal that no section names, made at its first use.
    fn intern(&mut self, name: String, source: SignalSource) -> SignalIdx {
        match self.by_name.get(&name) {
            Some(index) => *index,
            None => self.add(&name, Scale::Bool, (0, 1), source),
        }
    }

    pub(super) fn first_scan(&mut self) -> SignalIdx {
        self.intern("first_scan".to_owned(), SignalSource::FirstScan)
    }

    pub(super) fn tripped(&mut self, actuator: usize, name: &str) -> SignalIdx {
        self.intern(format!("tripped({name})"), SignalSource::Tripped(ActuatorIdx(actuator)))
    }

    pub(super) fn running(&mut self, procedure: usize, name: &str) -> SignalIdx {
        self.intern(format!("running({name})"), SignalSource::Running(ProcedureIdx(procedure)))
    }

    /// The signal of that name, if it is one; reports otherwise, except when the reason was reported already.
    pub(super) fn named(
        &self,
        name: &str,
        span: Range<usize>,
        subject: Option<&String>,
    ) -> Option<SignalIdx> {
        if let Some(index) = self.by_name.get(name) {
            return Some(*index);
        }
        let known = self.context.names_of(&[Thing::Sensor, Thing::Actuator, Thing::Signal]);
        let finding = match self.context.find(name) {
            // A signal of a loop, or one that could not be read: reported where it is defined.
            Some((Thing::Sensor | Thing::Actuator | Thing::Signal, _)) => return None,
            Some((Thing::Procedure, _)) => {
                Diagnostic::error("wrong-kind-of-name", format!("`{name}` is a procedure, not a signal"))
                    .help(format!("write `running({name})`"))
            }
            Some((thing, _)) => Diagnostic::error(
                "wrong-kind-of-name",
                format!("`{name}` is {}, not a signal", thing.with_article()),
            )
            .help("name a sensor, an actuator or a `[[signal]]`"),
            None => Diagnostic::error("unknown-name", format!("no signal of this file is named `{name}`"))
                .help(crate::suggest::help(name, known, "signals")),
        };
        let finding = finding.at(Some(span), "");
        self.context.sink.report(match subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        });
        None
    }

    /// As [`Signals::named`], of a whole field.
    pub(super) fn refer(&self, field: &Field<'a>) -> Option<SignalIdx> {
        self.named(field.text()?, field.span(), field.subject.as_ref())
    }

    pub(super) fn get(&self, index: SignalIdx) -> &Signal {
        &self.list[index.idx()]
    }
}

/// Reads the text of a condition; reports where it is wrong.
pub(super) fn condition_text(field: &Field<'_>) -> Option<Cond> {
    let text = match field.value.get_ref() {
        toml::de::DeValue::Boolean(value) => return Some(Cond::Constant(*value)),
        _ => field.text()?,
    };
    match crate::language::condition::parse(text) {
        Ok(condition) => Some(condition),
        Err(error) => {
            let finding = Diagnostic::error(
                "bad-condition",
                format!("`{}` of {}: {}", field.key, field.label, error.message),
            )
            .at(Some(field.inner_span(error.span)), "")
            .help(error.help);
            field.sink.report(match &field.subject {
                Some(subject) => finding.subject(subject.clone()),
                None => finding,
            });
            None
        }
    }
}

impl<'a> Signals<'_, 'a> {
    /// The numeric signal that a field names.
    pub(super) fn numeric(&self, field: &Field<'a>) -> Option<SignalIdx> {
        let index = self.refer(field)?;
        if self.get(index).scale == Scale::Bool {
            field.report(
                "different-scales",
                format!(
                    "`{}` is a two-state signal, but `{}` of {} takes a number",
                    self.get(index).name,
                    field.key,
                    field.label
                ),
                "",
                "name a signal that measures something",
            );
            return None;
        }
        Some(index)
    }

    /// Signals of one scale: all numeric, or all two-state.
    pub(super) fn group(&self, fields: &[Field<'a>], numeric: bool) -> Option<Vec<SignalIdx>> {
        let all: Vec<Option<SignalIdx>> =
            fields.iter().map(|f| if numeric { self.numeric(f) } else { self.refer(f) }).collect();
        let all: Vec<SignalIdx> = all.into_iter().collect::<Option<_>>()?;
        let first = all.first()?;
        for (field, index) in fields.iter().zip(&all) {
            if !numeric && self.get(*index).scale != Scale::Bool {
                field.report(
                    "different-scales",
                    format!(
                        "`{}` is {}; a vote takes two-state signals",
                        self.get(*index).name,
                        noun_of(self.get(*index).scale)
                    ),
                    "",
                    "make a `[[signal]]` with a condition of it, or use `middle` for numbers",
                );
                return None;
            }
            same_scale(field, self.get(*first), self.get(*index))?;
        }
        Some(all)
    }

    pub(super) fn condition(&mut self, field: &Field<'a>) -> Option<Condition> {
        let condition = condition_text(field)?;
        self.resolve(&condition, field)
    }
}

pub(super) fn same_scale(field: &Field<'_>, a: &Signal, b: &Signal) -> Option<()> {
    if a.scale == b.scale {
        return Some(());
    }
    field.report(
        "different-scales",
        format!("`{}` is {}, `{}` is {}", a.name, noun_of(a.scale), b.name, noun_of(b.scale)),
        "",
        "only signals of one kind go together",
    );
    None
}

/// Scale of the difference of two signals.
pub(super) fn difference_scale(scale: Scale) -> Scale {
    if scale == Scale::MilliCelsius { Scale::MilliKelvin } else { scale }
}

/// Calibrated flow of the line that a pump drives, m³/s.
pub(super) fn line_flow(passages: &[Passage], actuator: ActuatorIdx) -> Option<f64> {
    passages.iter().find_map(|passage| match passage.kind {
        PassageKind::Line { pump, flow, .. } if pump == actuator => Some(flow),
        _ => None,
    })
}

/// Scale of a sensor's signal, and the range in which its quality can be good.
fn sensor_scale(sensor: &Sensor, vessels: &[Vessel], passages: &[Passage]) -> (Scale, (i32, i32)) {
    // Water and the air around it; 85.0 °C, the power-on value of a DS18B20, lies outside (handbook section 8).
    const WATER: (i32, i32) = (0, 60_000);
    const AIR: (i32, i32) = (-20_000, 60_000);
    const PH: (i32, i32) = (0, 14_000);
    const CONDUCTIVITY: (i32, i32) = (0, 100_000);
    /// 2 m of water, the most that a home's level probe sees when its vessel is not named.
    const DEEPEST: i32 = 2_000_000;
    /// 200 L/min, more than any home pump.
    const FASTEST: i32 = 200_000;
    match &sensor.kind {
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => {
            (Scale::MilliCelsius, WATER)
        }
        SensorKind::RoomTemperature => (Scale::MilliCelsius, AIR),
        SensorKind::Ph { .. } => (Scale::MilliPh, PH),
        SensorKind::Conductivity => (Scale::MicrosiemensPerCm, CONDUCTIVITY),
        SensorKind::Level { .. } => {
            let height = sensor.vessel.and_then(|v| vessels.get(v.idx())).map(|v| counts(v.inside[2], 1e6));
            (Scale::Micrometre, (0, height.filter(|h| *h > 0).unwrap_or(DEEPEST)))
        }
        SensorKind::Flow { passage, .. } => {
            let most = passages.get(passage.idx()).and_then(|p| match p.kind {
                // A pump gives more than its curve says when its outlet hangs low: half as much again is plenty.
                PassageKind::Pumped { flow0, .. } => Some(counts(flow0 * 1.5, 6e7)),
                _ => None,
            });
            (Scale::MillilitrePerMinute, (0, most.filter(|m| *m > 0).unwrap_or(FASTEST)))
        }
        SensorKind::Charge { .. } => (Scale::Permille, (0, 1000)),
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button => {
            (Scale::Bool, (0, 1))
        }
    }
}

/// `range = ["0 degC", "40 degC"]`.
pub(super) fn declared_range(table: &Table<'_>, scale: Scale) -> Option<(i32, i32)> {
    let field = table.get("range")?;
    let Some((kind, per_unit)) = unit_of(scale) else {
        field.report(
            "conflicting-keys",
            format!("{} has two states, so it has no range", table.label),
            "",
            "take out `range`",
        );
        return None;
    };
    let items = field.list()?;
    let values: Vec<f64> = items.iter().filter_map(|item| item.quantity(kind, Bound::Any)).collect();
    match values.as_slice() {
        [low, high] if low < high => Some((counts(*low, per_unit), counts(*high, per_unit))),
        // An item that could not be read has its own finding.
        _ if items.len() == 2 && values.len() < 2 => None,
        _ => {
            field.report(
                "out-of-range",
                format!("`range` of {} must be a lower and a higher value", table.label),
                "",
                "write range = [\"lowest\", \"highest\"]",
            );
            None
        }
    }
}

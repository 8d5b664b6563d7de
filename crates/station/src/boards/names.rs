//! From a board's numbers to the names of the system file: series, drives, trips, alarms, procedures.

use std::fmt;

use control::{Compiled, Slot, TripCause};
use link::message::Hello;
use link::record::Record;
use program::quality::Quality;
use system::System;
use system::model::{ActuatorIdx, AlarmIdx, ProcedureIdx, Scale, SignalIdx};
use virtual_board::Made;

/// What of a board's records means what the system file says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// Wiring and program are those of the file.
    All,
    /// The wiring is that of the file, the program another: inputs are what the file says, nothing else is.
    Inputs,
    /// Another wiring: nothing has a name.
    Nothing,
}

impl Trust {
    /// Compares a board with the file; what differs, in words, when something does.
    pub fn of(made: &Made, hello: &Hello) -> (Trust, Option<String>) {
        if hello.wiring_crc != made.wiring_crc {
            let words = format!(
                "the board is wired by another file (wiring {:08x}, this file's is {:08x}); nothing it says has a name here: \
                 flash it with this file, or name its own file in the station file",
                hello.wiring_crc, made.wiring_crc
            );
            return (Trust::Nothing, Some(words));
        }
        if hello.running_crc != made.program_crc {
            let words = format!(
                "the board runs another program ({:08x}, this file's is {:08x}); only its inputs are shown: upload this file's \
                 program, or name the file that it runs",
                hello.running_crc, made.program_crc
            );
            return (Trust::Inputs, Some(words));
        }
        (Trust::All, None)
    }
}

/// One signal of a board over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// As in the system file.
    pub name: String,
    /// Unit that people read, empty for plain numbers and for 0 or 1.
    pub unit: &'static str,
    /// Units for each count of the raw value.
    pub scale: f64,
    /// 0 or 1.
    pub is_bit: bool,
    /// Which value of the system it is.
    pub what: What,
}

/// What a series is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// A measured or derived signal.
    Signal(SignalIdx),
    /// What an actuator is told: 0 or 1, permille if modulated.
    Output(ActuatorIdx),
}

/// A value as the program has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Value {
    /// In counts of the series' scale.
    pub raw: i32,
    /// Good, uncertain, bad (then the raw value is 0).
    pub quality: Quality,
}

/// Where a value stands in a record.
#[derive(Clone, Copy, Debug)]
enum Place {
    Number(usize),
    Bit { index: usize, is_negated: bool },
    Output(usize),
}

/// Names of everything that a board has.
#[derive(Clone, Debug)]
pub struct Names {
    /// Every series, in a fixed order.
    pub series: Vec<Series>,
    places: Vec<Place>,
    n_number_inputs: usize,
    n_bit_inputs: usize,
    /// By the program's drives.
    pub drives: Vec<ActuatorIdx>,
    /// By the program's trips.
    pub trips: Vec<(ActuatorIdx, TripCause)>,
    /// By the program's alarms.
    pub alarms: Vec<AlarmIdx>,
    /// By the program's procedures.
    pub procedures: Vec<ProcedureIdx>,
    /// Sensors' names by number input, then by bit input.
    inputs: [Vec<String>; 2],
}

/// Bits in front of the bit inputs: one that is always true, and the first scan.
const N_BUILT_IN: usize = 2;

/// The inverse of "what stands where": by order, which.
fn by_order<T: Copy>(n: u8, of: impl Iterator<Item = (usize, T)>, none: T) -> Vec<T> {
    let mut all = vec![none; n.into()];
    for (order, which) in of {
        if let Some(place) = all.get_mut(order) {
            *place = which;
        }
    }
    all
}

impl Names {
    /// Of a compiled system.
    pub fn new(system: &System, compiled: &Compiled) -> Names {
        let sizes = compiled.sizes;
        let n_numbers = (compiled.inputs.iter())
            .filter(|input| matches!(input.place, control::InputPlace::Number(_)))
            .count();
        let mut names = Names {
            series: vec![],
            places: vec![],
            n_number_inputs: n_numbers,
            n_bit_inputs: compiled.inputs.len() - n_numbers,
            drives: by_order(
                sizes.n_drives as u8,
                (compiled.drives.iter().enumerate())
                    .filter_map(|(a, drive)| drive.map(|order| (usize::from(order), ActuatorIdx(a)))),
                ActuatorIdx(0),
            ),
            trips: by_order(
                sizes.n_trips as u8,
                (compiled.trips.iter().enumerate()).flat_map(|(a, trips)| {
                    trips.iter().map(move |trip| (usize::from(trip.order), (ActuatorIdx(a), trip.cause)))
                }),
                (ActuatorIdx(0), TripCause::Condition),
            ),
            alarms: by_order(
                sizes.n_alarms as u8,
                (compiled.alarms.iter().enumerate()).map(|(a, order)| (usize::from(*order), AlarmIdx(a))),
                AlarmIdx(0),
            ),
            procedures: by_order(
                sizes.n_procedures as u8,
                (compiled.procedures.iter().enumerate())
                    .map(|(p, order)| (usize::from(*order), ProcedureIdx(p))),
                ProcedureIdx(0),
            ),
            inputs: [vec![], vec![]],
        };
        for input in &compiled.inputs {
            let bank = usize::from(!matches!(input.place, control::InputPlace::Number(_)));
            names.inputs[bank].push(system.sensors[input.sensor.idx()].name.clone());
        }
        for (s, (signal, slot)) in system.signals.iter().zip(&compiled.signals).enumerate() {
            let is_output = system.actuators.iter().any(|actuator| actuator.signal == SignalIdx(s));
            let Some(slot) = slot.filter(|_| !is_output) else { continue };
            let (unit, scale) = trial::rehearse::unit_of(signal.scale);
            let place = match slot {
                Slot::Number(slot) => Place::Number(slot.index()),
                Slot::Bit(slot) => Place::Bit { index: slot.index(), is_negated: slot.is_negated() },
            };
            names.push(
                &signal.name,
                unit,
                scale,
                signal.scale == Scale::Bool,
                What::Signal(SignalIdx(s)),
                place,
            );
        }
        for (order, actuator) in names.drives.clone().into_iter().enumerate() {
            let part = &system.actuators[actuator.idx()];
            let (unit, scale) = if part.modulated { ("%", 0.1) } else { ("", 1.0) };
            names.push(
                &part.name,
                unit,
                scale,
                !part.modulated,
                What::Output(actuator),
                Place::Output(order),
            );
        }
        names
    }

    fn push(&mut self, name: &str, unit: &'static str, scale: f64, is_bit: bool, what: What, place: Place) {
        self.series.push(Series { name: name.to_owned(), unit, scale, is_bit, what });
        self.places.push(place);
    }

    /// The values of a record, one for each of [`Names::series`] in that order; `None` for what the record does not hold or what
    /// cannot be trusted.
    pub fn values<'a>(
        &'a self,
        record: &'a Record,
        trust: Trust,
    ) -> impl Iterator<Item = Option<Value>> + 'a {
        self.places.iter().map(move |place| self.value(*place, record, trust))
    }

    /// The value of one series, by its position.
    pub fn value_of(&self, series: usize, record: &Record, trust: Trust) -> Option<Value> {
        self.value(*self.places.get(series)?, record, trust)
    }

    /// The series of a signal, by its position.
    pub fn series_of(&self, what: What) -> Option<usize> {
        self.series.iter().position(|series| series.what == what)
    }

    fn value(&self, place: Place, record: &Record, trust: Trust) -> Option<Value> {
        let is_input = match place {
            Place::Number(index) => index < self.n_number_inputs,
            Place::Bit { index, .. } => index >= N_BUILT_IN && index - N_BUILT_IN < self.n_bit_inputs,
            Place::Output(_) => false,
        };
        match trust {
            Trust::All => {}
            Trust::Inputs if is_input => {}
            _ => return None,
        }
        match place {
            Place::Number(index) => {
                let inputs = record.number_inputs.len();
                let sample = record
                    .number_inputs
                    .get(index)
                    .or_else(|| record.numbers.get(index.checked_sub(inputs)?));
                sample.map(|sample| Value { raw: sample.value, quality: sample.quality })
            }
            Place::Bit { index, is_negated } => {
                let (value, quality) = match index {
                    0 => (true, Quality::Good),
                    1 => (record.scan == 1, Quality::Good),
                    _ => {
                        let index = index - N_BUILT_IN;
                        let inputs = record.bit_inputs.len();
                        let bit = record
                            .bit_inputs
                            .get(index)
                            .or_else(|| record.bits.get(index.checked_sub(inputs)?));
                        *bit?
                    }
                };
                let value = (value != is_negated) && quality != Quality::Bad;
                Some(Value { raw: value.into(), quality })
            }
            Place::Output(order) => {
                record.outputs.get(order).map(|&output| Value { raw: output.into(), quality: Quality::Good })
            }
        }
    }

    /// The drive of an actuator. `None`: no rule drives it.
    pub fn drive(&self, actuator: ActuatorIdx) -> Option<u8> {
        self.drives.iter().position(|a| *a == actuator).map(|order| order as u8)
    }

    /// Which number input of the program a sensor is; `None`: it is none, or a contact.
    pub fn number_input(&self, sensor: &str) -> Option<u8> {
        self.inputs[0].iter().position(|name| name == sensor).and_then(|order| u8::try_from(order).ok())
    }

    /// Where a procedure stands in the program.
    pub fn procedure(&self, procedure: ProcedureIdx) -> Option<u8> {
        self.procedures.iter().position(|p| *p == procedure).map(|order| order as u8)
    }

    /// The sensor of an input, as the journal names it (low byte: input, high byte: 0 number, 1 bit).
    pub fn input(&self, argument: u16) -> Option<&str> {
        let bank = self.inputs.get(usize::from(argument >> 8))?;
        bank.get(usize::from(argument & 0xFF)).map(String::as_str)
    }
}

/// A trip in words.
#[derive(Clone, Copy, Debug)]
pub struct TripWords<'a> {
    /// The system that it belongs to.
    pub system: &'a System,
    /// Which.
    pub trip: (ActuatorIdx, TripCause),
}

impl fmt::Display for TripWords<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (actuator, cause) = self.trip;
        write!(f, "`{}` of {}", cause.key(), self.system.actuators[actuator.idx()].name)
    }
}

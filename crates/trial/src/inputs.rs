//! From the twin's raw codes to the program's inputs, through the board's own conversions (docs/control-program.md).

use control::{Compiled, InputPlace};
use program::calibration::Correction;
use program::convert::{self, Aged};
use program::machine::Machine;
use program::quality::{Quality, Sample, pack_bit};
use system::System;
use twin::NO_ANSWER;

/// UTC seconds at 2000-01-01 00:00, where the board's clock begins.
pub const UTC_AT_2000: i64 = 946_684_800;

#[derive(Clone, Debug)]
enum Conversion {
    /// The driver that the board's wiring table has for it.
    Number {
        source: Box<control::wiring::NumberSource>,
        /// Position of the thermometer that compensates it, which stands before it.
        temperature: Option<usize>,
    },
    Contact {
        is_normally_closed: bool,
    },
}

#[derive(Clone, Debug)]
struct Converter {
    sensor: usize,
    input: usize,
    conversion: Conversion,
}

/// Conversions of all sensors that the program reads, in their order in the program.
#[derive(Clone, Debug)]
pub(crate) struct Converters {
    all: Vec<Converter>,
    period_ms: i32,
}

/// What the conversions remember of the last scan.
#[derive(Clone, Debug)]
pub(crate) struct Memory<const L: usize> {
    codes: Vec<[i32; L]>,
    /// Values of the thermometers that compensated them.
    temperatures: Vec<[Sample; L]>,
    /// What the number inputs hold.
    values: Vec<[Sample; L]>,
    pub aged: Vec<[Aged; L]>,
    /// By converter: the calibration.
    corrections: Vec<Option<Correction>>,
    fresh: bool,
}

impl<const L: usize> Memory<L> {
    pub fn new(converters: &Converters) -> Self {
        let n = converters.all.len();
        Memory {
            codes: vec![[NO_ANSWER; L]; n],
            temperatures: vec![[Sample::BAD; L]; n],
            values: vec![[Sample::BAD; L]; n],
            aged: vec![[Aged::NONE; L]; n],
            corrections: vec![None; n],
            fresh: true,
        }
    }

    /// Calibration of what this converter converts.
    pub fn correct(&mut self, at: usize, correction: Option<Correction>) {
        self.corrections[at] = correction;
        self.fresh = true;
    }

    /// Forgets which codes were converted: a lane has come from elsewhere, or a board has started.
    pub fn invalidate(&mut self) {
        self.fresh = true;
    }
}

impl Converters {
    pub fn new(system: &System, compiled: &Compiled) -> Self {
        let mut all = vec![];
        let sources = control::wiring::numbers(system, &compiled.inputs);
        for input in &compiled.inputs {
            let sensor = input.sensor.idx();
            all.push(match input.place {
                InputPlace::Number(order) => Converter {
                    sensor,
                    input: order.into(),
                    conversion: Conversion::Number {
                        source: Box::new(sources[usize::from(order)]),
                        temperature: None,
                    },
                },
                InputPlace::Bit { input, true_when_closed } => Converter {
                    sensor,
                    input: input.into(),
                    conversion: Conversion::Contact { is_normally_closed: !true_when_closed },
                },
            });
        }
        // What compensates another input is converted before it.
        let compensated = |converter: &Converter| match &converter.conversion {
            Conversion::Number { source, .. } => source.input.driver.temperature_input().is_some(),
            Conversion::Contact { .. } => false,
        };
        all.sort_by_key(compensated);
        let place_of = |order: u8| {
            all.iter().position(|converter| {
                matches!(converter.conversion, Conversion::Number { .. })
                    && converter.input == usize::from(order)
            })
        };
        let places: Vec<Option<usize>> = (all.iter())
            .map(|converter| match &converter.conversion {
                Conversion::Number { source, .. } => {
                    source.input.driver.temperature_input().and_then(place_of)
                }
                Conversion::Contact { .. } => None,
            })
            .collect();
        for (converter, place) in all.iter_mut().zip(places) {
            if let Conversion::Number { temperature, .. } = &mut converter.conversion {
                *temperature = place;
            }
        }
        Converters { all, period_ms: system.scan_ms as i32 }
    }

    /// Position of the converter of a number input, and the sensor that it reads.
    pub fn of_number(&self, input: u8) -> Option<(usize, usize)> {
        let is_it = |converter: &Converter| {
            matches!(converter.conversion, Conversion::Number { .. }) && converter.input == usize::from(input)
        };
        self.all.iter().position(is_it).map(|at| (at, self.all[at].sensor))
    }
}

/// Sets all inputs of the program from the codes of this scan.
pub(crate) fn set<const L: usize>(
    converters: &Converters,
    memory: &mut Memory<L>,
    codes: &[[i32; L]],
    machine: &mut Machine<L>,
) {
    let all_anew = std::mem::take(&mut memory.fresh);
    for (i, converter) in converters.all.iter().enumerate() {
        let code = &codes[converter.sensor];
        let is_same = memory.codes[i] == *code;
        match &converter.conversion {
            Conversion::Contact { is_normally_closed } => {
                if is_same && !all_anew {
                    continue;
                }
                memory.codes[i] = *code;
                let mut bits = [0; L];
                for l in 0..L {
                    bits[l] = pack_bit(convert::contact(code[l] != 0, *is_normally_closed), Quality::Good);
                }
                if let Some(input) = machine.bit_input(converter.input) {
                    *input = bits;
                }
            }
            Conversion::Number { source, temperature } => {
                // The same codes give the same value; an answer that fails ages, so it is looked at each time.
                let is_steady = is_same
                    && !code.contains(&NO_ANSWER)
                    && temperature.is_none_or(|at| memory.temperatures[i] == memory.values[at]);
                if is_steady && !all_anew {
                    continue;
                }
                memory.codes[i] = *code;
                if let Some(at) = temperature {
                    memory.temperatures[i] = memory.values[*at];
                }
                for (l, &code) in code.iter().enumerate() {
                    let warmth = temperature.map_or(Sample::BAD, |at| memory.values[at][l]);
                    let reading = (code != NO_ANSWER).then(|| {
                        let correction = memory.corrections[i].as_ref();
                        source.input.driver.convert(
                            code,
                            source.adc,
                            correction,
                            warmth,
                            converters.period_ms,
                        )
                    });
                    let sample =
                        memory.aged[i][l].take(reading, converters.period_ms, source.input.age_limit_ms);
                    memory.values[i][l] = sample;
                    machine.set_number(converter.input, l, sample);
                }
            }
        }
    }
}

//! From the twin's raw codes to the program's inputs, through the board's own conversions (docs/control-program.md).

use control::{Compiled, InputPlace};
use program::calibration::PhElectrode;
use program::convert::{self, AdcScale, AdcSum, Aged, NtcTable, PhAmplifier};
use program::machine::Machine;
use program::quality::{Quality, Sample, pack_bit};
use system::System;
use system::model::SensorKind;
use twin::{NO_ANSWER, PH_GAIN, PH_SAMPLES};

/// UTC seconds at 2000-01-01 00:00, where the board's clock begins.
pub const UTC_AT_2000: i64 = 946_684_800;

/// Slope of a new electrode at 25 °C, µV per pH (Nernst, exact SI: 59.159 mV).
const NERNST_UV: u16 = 59_159;

#[derive(Clone, Debug)]
enum Conversion {
    Ds18b20,
    Tmp36 {
        scale: AdcScale,
        n_samples: u8,
    },
    Ntc {
        scale: AdcScale,
        table: Box<NtcTable>,
    },
    Ph {
        scale: AdcScale,
        amplifier: PhAmplifier,
        electrode: PhElectrode,
        temperature: Option<usize>,
    },
    /// Code times a factor over a divisor.
    Linear {
        multiplier: i32,
    },
    Flow {
        pulses_per_litre: i32,
        period_ms: i32,
    },
    /// Active when the contact is in this state.
    Contact {
        active_when_closed: bool,
    },
}

#[derive(Clone, Debug)]
struct Converter {
    sensor: usize,
    input: usize,
    is_bit: bool,
    max_age_ms: i32,
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
    /// Codes of the thermometers that stand behind them.
    temperatures: Vec<[i32; L]>,
    pub aged: Vec<[Aged; L]>,
    fresh: bool,
}

impl<const L: usize> Memory<L> {
    pub fn new(converters: &Converters) -> Self {
        let n = converters.all.len();
        Memory {
            codes: vec![[NO_ANSWER; L]; n],
            temperatures: vec![[NO_ANSWER; L]; n],
            aged: vec![[Aged::NONE; L]; n],
            fresh: true,
        }
    }

    /// Forgets which codes were converted: a lane has come from elsewhere, or a board has started.
    pub fn invalidate(&mut self) {
        self.fresh = true;
    }
}

fn adc(volts: f64) -> AdcScale {
    AdcScale { reference_mv: libm::round(volts * 1000.0).clamp(1.0, 6000.0) as u16, full_scale: 1024 }
}

impl Converters {
    pub fn new(system: &System, compiled: &Compiled) -> Self {
        let thermometer = system.sensors.iter().position(|s| s.kind == SensorKind::Ds18b20);
        let all = (compiled.inputs.iter())
            .map(|input| {
                let sensor = &system.sensors[input.sensor.idx()];
                let conversion = match &sensor.kind {
                    SensorKind::Ds18b20 | SensorKind::RoomTemperature => Conversion::Ds18b20,
                    SensorKind::Tmp36 { reference_v, oversample } => Conversion::Tmp36 {
                        scale: adc(*reference_v),
                        n_samples: (*oversample).clamp(1, 16) as u8,
                    },
                    SensorKind::Ntc { beta, r25, series } => Conversion::Ntc {
                        scale: adc(5.0),
                        table: Box::new(NtcTable::beta(*beta, *r25, *series, true)),
                    },
                    SensorKind::Ph { reference_v } => Conversion::Ph {
                        scale: adc(*reference_v),
                        amplifier: PhAmplifier {
                            midpoint_mv: libm::round(reference_v * 500.0) as u16,
                            gain_permille: (PH_GAIN * 1000.0) as i32,
                        },
                        electrode: PhElectrode {
                            offset_uv: 0,
                            acid_slope_uv: NERNST_UV,
                            base_slope_uv: NERNST_UV,
                        },
                        temperature: thermometer,
                    },
                    SensorKind::Level { resolution } => {
                        Conversion::Linear { multiplier: libm::round(resolution * 1e6).max(1.0) as i32 }
                    }
                    SensorKind::Conductivity | SensorKind::Charge { .. } => {
                        Conversion::Linear { multiplier: 1 }
                    }
                    SensorKind::Flow { pulses_per_litre, .. } => Conversion::Flow {
                        pulses_per_litre: libm::round(*pulses_per_litre).max(1.0) as i32,
                        period_ms: system.scan_ms as i32,
                    },
                    SensorKind::Float { .. }
                    | SensorKind::Leak
                    | SensorKind::Presence { .. }
                    | SensorKind::Button => Conversion::Contact {
                        active_when_closed: matches!(
                            input.place,
                            InputPlace::Bit { true_when_closed: true, .. }
                        ),
                    },
                };
                let (input_idx, is_bit) = match input.place {
                    InputPlace::Number(input) => (usize::from(input), false),
                    InputPlace::Bit { input, .. } => (usize::from(input), true),
                };
                Converter {
                    sensor: input.sensor.idx(),
                    input: input_idx,
                    is_bit,
                    max_age_ms: libm::round(sensor.max_age_s * 1000.0).clamp(0.0, 1e9) as i32,
                    conversion,
                }
            })
            .collect();
        Converters { all, period_ms: system.scan_ms as i32 }
    }
}

impl Conversion {
    fn value<const L: usize>(&self, code: i32, codes: &[[i32; L]], l: usize) -> Sample {
        let sum = |n_samples: u8| AdcSum { sum: code, n_samples };
        match self {
            Conversion::Ds18b20 => convert::ds18b20(code),
            Conversion::Tmp36 { scale, n_samples } => convert::tmp36(sum(*n_samples), *scale),
            Conversion::Ntc { scale, table } => table.temperature(sum(1), *scale),
            Conversion::Ph { scale, amplifier, electrode, temperature } => {
                let temperature = match temperature.map(|s| codes[s][l]) {
                    Some(code) if code != NO_ANSWER => convert::ds18b20(code),
                    _ => Sample::BAD,
                };
                match convert::electrode_microvolts(sum(PH_SAMPLES as u8), *scale, *amplifier) {
                    Some(uv) => convert::ph(uv, temperature, electrode),
                    None => Sample::BAD,
                }
            }
            Conversion::Linear { multiplier } => Sample::good(code.saturating_mul(*multiplier)),
            Conversion::Flow { pulses_per_litre, period_ms } => {
                convert::pulse_flow(code, *pulses_per_litre, *period_ms)
            }
            Conversion::Contact { active_when_closed } => {
                Sample::good(i32::from((code != 0) == *active_when_closed))
            }
        }
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
        let temperature = match converter.conversion {
            Conversion::Ph { temperature: Some(sensor), .. } => Some(&codes[sensor]),
            _ => None,
        };
        // The same codes give the same value; an answer that fails ages, so it is looked at each time.
        let steady = memory.codes[i] == *code
            && temperature.is_none_or(|t| memory.temperatures[i] == *t)
            && !code.contains(&NO_ANSWER);
        if steady && !all_anew {
            continue;
        }
        if let Some(temperature) = temperature {
            memory.temperatures[i] = *temperature;
        }
        memory.codes[i] = *code;
        if converter.is_bit {
            let mut bits = [0; L];
            for l in 0..L {
                let sample = converter.conversion.value(code[l], codes, l);
                bits[l] = pack_bit(sample.value != 0, Quality::Good);
            }
            if let Some(input) = machine.bit_input(converter.input) {
                *input = bits;
            }
            continue;
        }
        for (l, &code) in code.iter().enumerate() {
            let reading = (code != NO_ANSWER).then(|| converter.conversion.value(code, codes, l));
            let sample = memory.aged[i][l].take(reading, converters.period_ms, converter.max_age_ms);
            machine.set_number(converter.input, l, sample);
        }
    }
}

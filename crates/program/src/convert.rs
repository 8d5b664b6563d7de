//! Raw codes to values, in integers: what the sensor drivers read to what the number slots hold. Normative like the
//! operations: twin, reference VM and C runtime go through the same arithmetic.
//!
//! Every division rounds to the nearest integer, halves away from zero, unless said otherwise. Each function is a pure
//! function of its arguments, so that callers run it over lanes as they like.

use crate::calibration::{Linear, PhElectrode};
use crate::quality::{Quality, Sample};

/// How an analogue-digital converter's sums are to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AdcScale {
    /// Reference voltage, mV: 1 to 6000.
    pub reference_mv: u16,
    /// Counts of full scale: 1024 for 10 bits, at most 4096.
    pub full_scale: u16,
}

/// A sum of oversampled conversions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AdcSum {
    /// Sum of the counts.
    pub sum: i32,
    /// How many conversions it holds, 1 to 16.
    pub n_samples: u8,
}

impl AdcSum {
    fn full(self, scale: AdcScale) -> i64 {
        i64::from(self.n_samples.max(1)) * i64::from(scale.full_scale.max(1))
    }

    /// Whether every conversion stood at an end of the range: a broken wire or a short, not a measurement.
    fn is_at_end(self, scale: AdcScale) -> bool {
        let n = i64::from(self.n_samples.max(1));
        i64::from(self.sum) <= 0 || i64::from(self.sum) >= self.full(scale) - n
    }

    /// Voltage at the pin, µV.
    pub fn microvolts(self, scale: AdcScale) -> i32 {
        nearest(i64::from(self.sum) * i64::from(scale.reference_mv) * 1_000, self.full(scale)) as i32
    }
}

/// Nearest integer of a quotient, halves away from zero; the divisor is above zero.
fn nearest(numerator: i64, divisor: i64) -> i64 {
    let half = divisor / 2;
    if numerator >= 0 { (numerator + half) / divisor } else { (numerator - half) / divisor }
}

fn within(value: i64, range: core::ops::RangeInclusive<i64>) -> Sample {
    if range.contains(&value) { Sample::good(value as i32) } else { Sample::BAD }
}

/// A usable sample with this quality; a bad one stays bad.
fn with_quality(sample: Sample, quality: Quality) -> Sample {
    if sample.quality == Quality::Bad { sample } else { Sample { quality, ..sample } }
}

/// TMP36: 10 mV/K with 500 mV at 0 °C (Analog Devices TMP35/36/37 data sheet, 750 mV at 25 °C), -40 to 125 °C. In m°C.
pub fn tmp36(reading: AdcSum, scale: AdcScale) -> Sample {
    if reading.is_at_end(scale) {
        return Sample::BAD;
    }
    let hundredfold_mv =
        nearest(i64::from(reading.sum) * i64::from(scale.reference_mv) * 100, reading.full(scale));
    within(hundredfold_mv - 50_000, -40_000..=125_000)
}

/// Points of an [`NtcTable`]: every thirty-second part of full scale.
pub const N_NTC_POINTS: usize = 33;
const NTC_STEPS: i64 = N_NTC_POINTS as i64 - 1;
/// One unit of an NTC table, m°C.
pub const NTC_UNIT: i32 = 4;

/// Temperature against divider ratio, linear between points; [`NtcTable::OUT`] marks points beyond use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NtcTable(pub [i16; N_NTC_POINTS]);

impl NtcTable {
    /// A point outside the thermistor's range.
    pub const OUT: i16 = i16::MIN;

    /// Temperature in m°C; bad between points of which one is [`NtcTable::OUT`].
    pub fn temperature(&self, reading: AdcSum, scale: AdcScale) -> Sample {
        if reading.is_at_end(scale) {
            return Sample::BAD;
        }
        let full = reading.full(scale);
        let place = i64::from(reading.sum) * NTC_STEPS;
        let index = ((place / full) as usize).min(N_NTC_POINTS - 2);
        let (low, high) = (self.0[index], self.0[index + 1]);
        if low == NtcTable::OUT || high == NtcTable::OUT {
            return Sample::BAD;
        }
        let into = place - index as i64 * full;
        let rise = (i64::from(high) - i64::from(low)) * i64::from(NTC_UNIT);
        Sample::good((i64::from(low) * i64::from(NTC_UNIT) + nearest(rise * into, full)) as i32)
    }

    /// The table of a thermistor by the beta equation `R = R25 exp(B(1/T - 1/298.15))`, good to about 0.1-0.3 K over
    /// 15-35 °C (project handbook, section 7), in a divider with `fixed_ohm`; -40 to 125 °C.
    #[cfg(feature = "alloc")]
    pub fn beta(beta_k: f64, r25_ohm: f64, fixed_ohm: f64, ntc_to_ground: bool) -> NtcTable {
        let mut points = [NtcTable::OUT; N_NTC_POINTS];
        for (index, point) in points.iter_mut().enumerate().skip(1).take(N_NTC_POINTS - 2) {
            let ratio = index as f64 / NTC_STEPS as f64;
            let ratio = if ntc_to_ground { ratio } else { 1.0 - ratio };
            let resistance = fixed_ohm * ratio / (1.0 - ratio);
            let kelvin = 1.0 / (1.0 / 298.15 + libm::log(resistance / r25_ohm) / beta_k);
            let celsius = kelvin - 273.15;
            if (-40.0..=125.0).contains(&celsius) {
                *point = libm::round(celsius * 1_000.0 / f64::from(NTC_UNIT)) as i16;
            }
        }
        NtcTable(points)
    }
}

/// Code that a DS18B20 holds after power-up: 85.0 °C, before any conversion.
pub const DS18B20_POWER_ON: i32 = 85 * 16;
/// What many drivers answer for "no sensor": -127 °C.
pub const DS18B20_ABSENT: i32 = -127 * 16;

/// DS18B20: sixteenths of a degree to m°C, rounded down; -55 to 125 °C. The power-on code and -127 °C are not
/// temperatures.
pub fn ds18b20(sixteenths: i32) -> Sample {
    if sixteenths == DS18B20_POWER_ON || !(-55 * 16..=125 * 16).contains(&sixteenths) {
        return Sample::BAD;
    }
    Sample::good((sixteenths * 125) >> 1)
}

/// What stands between a pH electrode and the converter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhAmplifier {
    /// Output at 0 mV from the electrode, mV.
    pub midpoint_mv: u16,
    /// Output change over electrode change, thousandths, with sign; not 0.
    pub gain_permille: i32,
}

/// Electrode voltage behind an amplifier, µV; nothing when the converter stands at an end.
pub fn electrode_microvolts(reading: AdcSum, scale: AdcScale, amplifier: PhAmplifier) -> Option<i32> {
    if reading.is_at_end(scale) || amplifier.gain_permille == 0 {
        return None;
    }
    let above = i64::from(reading.microvolts(scale)) - i64::from(amplifier.midpoint_mv) * 1_000;
    let gain = i64::from(amplifier.gain_permille);
    i32::try_from(nearest(above * 1_000 * gain.signum(), gain.abs())).ok()
}

/// Temperature to which electrode slopes are referred, mK (25 °C).
const SLOPE_REFERENCE_MK: i64 = 298_150;
const ZERO_CELSIUS_MK: i64 = 273_150;
const ISOPOTENTIAL_MILLI_PH: i64 = 7_000;

/// pH of an electrode: `pH = 7 + (offset - E) / (slope T / 298.15 K)` (Nernst; isopotential point at pH 7), in
/// milli-pH, 0 to 14, electrode within ±1 V. With a bad temperature, 25 °C is taken and the result is uncertain.
pub fn ph(electrode_uv: i32, temperature: Sample, electrode: &PhElectrode) -> Sample {
    let (milli_celsius, quality) = match temperature.quality {
        Quality::Bad => (25_000, Quality::Uncertain),
        quality => (temperature.value, quality),
    };
    let below = i64::from(electrode.offset_uv) - i64::from(electrode_uv);
    let slope = i64::from(if below < 0 { electrode.acid_slope_uv } else { electrode.base_slope_uv });
    let kelvin = i64::from(milli_celsius) + ZERO_CELSIUS_MK;
    if !(-1_000_000..=1_000_000).contains(&electrode_uv)
        || slope == 0
        || !(250_000..=400_000).contains(&kelvin)
    {
        return Sample::BAD;
    }
    let away = nearest(below * 1_000 * SLOPE_REFERENCE_MK, slope * kelvin);
    with_quality(within(ISOPOTENTIAL_MILLI_PH + away, 0..=14_000), quality)
}

/// A voltage to a quantity that is linear in it: `(V - zero) per_volt`, in the quantity's unit; at an end of the
/// converter bad.
pub fn linear_voltage(reading: AdcSum, scale: AdcScale, zero_uv: i32, per_volt: i32) -> Sample {
    if reading.is_at_end(scale) {
        return Sample::BAD;
    }
    let above = i64::from(reading.microvolts(scale).saturating_sub(zero_uv));
    within(nearest(above * i64::from(per_volt), 1_000_000), i32::MIN.into()..=i32::MAX.into())
}

/// Conductivity referred to 25 °C: `c / (1 + a (t - 25 °C))`, `a` in ppm per kelvin (about 20 000 for seawater, common
/// practice), the factor within 0.1 to 2.147. With a bad temperature it is left as it is and uncertain.
pub fn conductivity_at_25(conductivity: Sample, temperature: Sample, ppm_per_k: i32) -> Sample {
    if conductivity.quality == Quality::Bad || ppm_per_k == 0 {
        return conductivity;
    }
    if temperature.quality == Quality::Bad {
        return Sample::uncertain(conductivity.value);
    }
    let factor = 1_000_000_000 + i64::from(ppm_per_k) * i64::from(temperature.value.saturating_sub(25_000));
    if !(100_000_000..=i64::from(i32::MAX)).contains(&factor) {
        return Sample::BAD;
    }
    let value = nearest(i64::from(conductivity.value) * 1_000_000_000, factor);
    let quality = conductivity.quality.max(temperature.quality);
    with_quality(within(value, i32::MIN.into()..=i32::MAX.into()), quality)
}

/// Level by ultrasonic echo: mounting height less half the way, µm. Speed of sound in air 331.3 + 0.606 t m/s (from
/// memory, good to 0.1 % over 0-40 °C); 20 °C with a bad temperature, then uncertain. No echo (0) or one above
/// 23.2 ms (4 m) is bad.
pub fn ultrasonic(echo_us: i32, mounted_um: i32, temperature: Sample) -> Sample {
    if !(1..=23_200).contains(&echo_us) {
        return Sample::BAD;
    }
    let (milli_celsius, quality) = match temperature.quality {
        Quality::Bad => (20_000, Quality::Uncertain),
        quality => (temperature.value.clamp(-40_000, 60_000), quality),
    };
    let um_per_ms = 331_300 + (i64::from(milli_celsius) * 606).div_euclid(1_000);
    let distance = nearest(i64::from(echo_us) * um_per_ms, 2_000);
    with_quality(within(i64::from(mounted_um) - distance, i32::MIN.into()..=i32::MAX.into()), quality)
}

/// Flow by a pulse meter over one scan, mL/min; bad when the meter's constant is 0.
pub fn pulse_flow(n_pulses: i32, pulses_per_litre: i32, period_ms: i32) -> Sample {
    if pulses_per_litre <= 0 || period_ms <= 0 || n_pulses < 0 {
        return Sample::BAD;
    }
    let divisor = i64::from(pulses_per_litre) * i64::from(period_ms);
    within(nearest(i64::from(n_pulses) * 60_000_000, divisor), 0..=i32::MAX.into())
}

/// Applies a linear calibration; the quality stays, a result beyond 32 bits is bad.
pub fn calibrated(sample: Sample, linear: &Linear) -> Sample {
    if sample.quality == Quality::Bad {
        return Sample::BAD;
    }
    let value =
        nearest(i64::from(sample.value) * i64::from(linear.gain_ppm), 1_000_000) + i64::from(linear.offset);
    match i32::try_from(value) {
        Ok(value) => Sample { value, quality: sample.quality },
        Err(_) => Sample::BAD,
    }
}

/// A contact sampled every 5 ms: it changes after `needed` samples in a row that differ.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Debounce {
    /// The debounced state.
    pub is_closed: bool,
    n_differing: u8,
}

impl Debounce {
    /// Starts from the first sample as it is.
    pub fn new(is_closed: bool) -> Debounce {
        Debounce { is_closed, n_differing: 0 }
    }

    /// Takes one sample; a `needed` of 0 counts as 1.
    pub fn sample(&mut self, is_closed: bool, needed: u8) {
        self.n_differing = if is_closed == self.is_closed { 0 } else { self.n_differing.saturating_add(1) };
        if self.n_differing >= needed.max(1) {
            self.is_closed = is_closed;
            self.n_differing = 0;
        }
    }
}

/// Whether a contact says "active": closed for a normally open one, open for a normally closed one.
pub fn contact(is_closed: bool, is_normally_closed: bool) -> bool {
    is_closed != is_normally_closed
}

/// The last value read and its age: a reading that fails leaves the value until it is too old.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Aged {
    last: Sample,
    age_ms: i32,
}

impl Aged {
    /// Nothing read yet: bad.
    pub const NONE: Aged = Aged { last: Sample::BAD, age_ms: 0 };

    /// What the slot holds this scan: the new reading, or without one (`None`, or a bad one that the driver calls a
    /// failed reading) the last value until it is older than `limit_ms`.
    pub fn take(&mut self, reading: Option<Sample>, period_ms: i32, limit_ms: i32) -> Sample {
        match reading {
            Some(sample) => {
                *self = Aged { last: sample, age_ms: 0 };
            }
            None => {
                self.age_ms = self.age_ms.saturating_add(period_ms);
                if self.age_ms > limit_ms {
                    self.last = Sample::BAD;
                }
            }
        }
        self.last
    }
}

//! The new rules in shadow: mapped readings into the reference machine at the scan rate, and each output that the controller reports
//! beside what the rules would set.
//!
//! Contract: a pure function of system, map and the values with their times. The rules begin as a board that is switched on when the
//! first value comes; so they do again after a break in which nothing came. An output is compared once its start delay and shortest times are over and its
//! rule has come to a decision of its own, or agrees with the controller.

use std::sync::Arc;

use control::{Compiled, InputPlace};
use program::Program;
use program::machine::{Command, Decoded, Machine};
use program::quality::{Quality, Sample};
use serde::{Deserialize, Serialize};
use system::model::{ActuatorIdx, Scale, SensorIdx};
use system::{Diagnostic, System};

use crate::because::{Because, Decided};
use crate::map::{How, Map, Meaning};
use crate::parse::Printed;

/// UTC seconds at 2000-01-01 00:00, where a board's clock begins.
const UTC_AT_2000: i64 = 946_684_800;
/// A clock that steps back further begins anew, ms; less is disorder.
const STEP_BACK_MS: i64 = 60_000;
/// Differences that are kept one by one; more are only summed up.
pub const MOST_DIFFERENCES: usize = 1_000;
/// Differences that are kept over a restart.
pub const KEPT: usize = 100;
/// Breaks that are kept one by one.
pub const MOST_BREAKS: usize = 200;

/// A time in which an output was otherwise than the rules would have it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Difference {
    /// Name of the actuator.
    pub output: String,
    /// First scan of it, ms since 1970 UTC.
    pub from_ms: i64,
    /// First scan after it; None: it lasts.
    pub to_ms: Option<i64>,
    /// The controller's duty at its beginning, permille.
    pub theirs: i32,
    /// The rules' duty at its beginning, permille.
    pub ours: i32,
    /// Why the rules had it so then.
    pub because: Because,
}

/// Time and number of differences of an output in one direction.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sum {
    /// ms in all.
    pub ms: i64,
    /// How many.
    pub n: u64,
    /// The first.
    pub first: Option<Difference>,
    /// The last, while it lasts too.
    pub last: Option<Difference>,
}

/// What is known of one output.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputSum {
    /// ms in which both were known and compared.
    pub compared_ms: i64,
    /// ms in which the controller told nothing fresh of it.
    pub unknown_ms: i64,
    /// ms in which the rules had no decision of their own yet.
    pub settling_ms: i64,
    /// The rules had it on, or higher.
    pub more: Sum,
    /// The rules had it off, or lower.
    pub less: Sum,
    /// Differences that were no longer than the tolerance.
    pub n_short: u64,
}

/// What is known of one sensor.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SensorSum {
    /// Values taken.
    pub n: u64,
    /// Values that said that there is no reading, or could not be one.
    pub n_no_reading: u64,
    /// Values of which nobody can tell what they mean.
    pub n_unclear: u64,
    /// The first of these.
    pub unclear: Option<String>,
    /// ms in which the rules had no value of it.
    pub bad_ms: i64,
    /// When that began first, ms since 1970 UTC.
    pub first_bad_ms: Option<i64>,
}

/// A time in which the rules did not run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Break {
    /// Last scan before it, ms since 1970 UTC.
    pub from_ms: i64,
    /// First scan after it.
    pub to_ms: i64,
    /// Why.
    pub why: Why,
}

/// Why the rules did not run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// No mapped value came for longer than `stale`.
    Silent,
    /// The times stepped back by more than a minute.
    SteppedBack,
    /// Whoever runs the shadow did not run.
    NotRunning,
}

/// All that has come of it so far.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sums {
    /// The first scan ever, ms since 1970 UTC.
    pub since_ms: Option<i64>,
    /// The last scan.
    pub until_ms: Option<i64>,
    /// By place in the map.
    pub outputs: Vec<OutputSum>,
    /// By place in the system.
    pub sensors: Vec<SensorSum>,
    /// The first [`MOST_DIFFERENCES`] that have ended, and then the latest in place of the oldest.
    pub differences: Vec<Difference>,
    /// Ended differences that are not kept one by one any more.
    pub n_dropped: u64,
    /// The latest breaks.
    pub breaks: Vec<Break>,
    /// All breaks.
    pub n_breaks: u64,
    /// Values older than what had been heard, or of no possible time.
    pub n_late: u64,
    /// Values of names that the map does not have.
    pub n_unmapped: u64,
}

/// What must be kept to go on after a restart: what a board keeps through a reset, and the sums.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Fingerprint of program and map: others begin anew.
    pub of: u64,
    /// What a board keeps in EEPROM.
    pub retained: Vec<u8>,
    /// All sums.
    pub sums: Sums,
}

/// The newest value of something.
#[derive(Clone, Copy, Debug)]
struct Newest {
    meaning: Meaning,
    time: i64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Target {
    Reading(usize),
    Output(usize),
}

/// An output as it is compared.
#[derive(Clone, Debug)]
struct Compared {
    actuator: ActuatorIdx,
    drive: Option<usize>,
    newest: Option<Newest>,
    is_settled: bool,
    open: Option<Difference>,
}

/// The rules beside a controller.
#[derive(Debug)]
pub struct Shadow {
    system: Arc<System>,
    map: Map,
    of: u64,
    compiled: Compiled,
    machine: Machine<1>,
    /// By printed name, sorted: what it is.
    targets: Vec<(String, Target)>,
    /// By sensor.
    sensors: Vec<Option<Newest>>,
    /// By sensor: what the program's input holds.
    set: Vec<Option<Meaning>>,
    outputs: Vec<Compared>,
    /// By actuator: the duty of the scan before.
    before: Vec<i32>,
    /// Time of the next scan; None: the rules do not run.
    next: Option<i64>,
    /// The last scan before a break.
    paused_at: Option<(i64, Why)>,
    /// Scans since the start of the machine.
    n_scans: i64,
    /// The newest mapped value.
    heard: Option<i64>,
    sums: Sums,
}

/// An output now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OutputNow {
    /// The controller's duty, permille; None: nothing fresh is known.
    pub theirs: Option<i32>,
    /// The rules' duty, permille; None: the rules do not run.
    pub ours: Option<i32>,
    /// Whether it is compared.
    pub is_compared: bool,
    /// Why the rules have it so.
    pub because: Option<Because>,
    /// Since when they differ, ms since 1970 UTC; also for shorter than the tolerance.
    pub differs_since_ms: Option<i64>,
}

impl Shadow {
    /// The rules of a system beside what a map reads.
    ///
    /// # Errors
    ///
    /// The compiler's findings.
    pub fn new(system: Arc<System>, map: Map) -> Result<Shadow, Vec<Diagnostic>> {
        // Every signal is kept, so that the reasons can be told; what the program decides is the same.
        let options = control::Options { keep_all_signals: true, ..control::Options::default() };
        let compiled = control::compile_with(&system, &options)?;
        let program = Program::validate(&compiled.bytes).map_err(|error| {
            vec![Diagnostic::error("program-refused", format!("the compiled program is refused: {error}"))]
        })?;
        let machine = Machine::new(Decoded::new(&program));
        let outputs: Vec<Compared> = (map.outputs.iter())
            .map(|output| Compared {
                actuator: output.actuator,
                drive: compiled.drives[output.actuator.idx()].map(usize::from),
                newest: None,
                is_settled: false,
                open: None,
            })
            .collect();
        let readings =
            map.readings.iter().enumerate().map(|(at, r)| (r.printed.clone(), Target::Reading(at)));
        let driven = map.outputs.iter().enumerate().map(|(at, o)| (o.printed.clone(), Target::Output(at)));
        let mut targets: Vec<(String, Target)> = readings.chain(driven).collect();
        targets.sort_by(|a, b| a.0.cmp(&b.0));
        let sums = Sums {
            outputs: vec![OutputSum::default(); outputs.len()],
            sensors: vec![SensorSum::default(); system.sensors.len()],
            ..Sums::default()
        };
        let of = fingerprint(&compiled.bytes, &map);
        Ok(Shadow {
            sensors: vec![None; system.sensors.len()],
            set: vec![None; system.sensors.len()],
            before: vec![0; system.actuators.len()],
            system,
            map,
            of,
            compiled,
            machine,
            targets,
            outputs,
            next: None,
            paused_at: None,
            n_scans: 0,
            heard: None,
            sums,
        })
    }

    /// Goes on from what was kept; `false`: that was of another program or map, and nothing is taken from it.
    pub fn resume(&mut self, kept: Kept) -> bool {
        let fits = kept.of == self.of
            && kept.sums.outputs.len() == self.sums.outputs.len()
            && kept.sums.sensors.len() == self.sums.sensors.len()
            && self.machine.restore(0, &kept.retained);
        if fits {
            self.paused_at = kept.sums.until_ms.map(|until| (until, Why::NotRunning));
            self.sums = kept.sums;
        }
        fits
    }

    /// What must be kept to go on after a restart, with the latest [`KEPT`] differences. A difference that lasts ends with it.
    pub fn keep(&self) -> Kept {
        let mut sums = self.sums.clone();
        let n_over = sums.differences.len().saturating_sub(KEPT);
        sums.differences.drain(..n_over);
        sums.n_dropped += n_over as u64;
        for (at, output) in self.outputs.iter().enumerate() {
            if let (Some(open), Some(until)) = (output.open.clone(), self.next) {
                close(&mut sums, at, open, until, self.map.tolerance_ms);
            }
        }
        Kept { of: self.of, retained: self.machine.keep(0), sums }
    }

    /// The system.
    pub fn system(&self) -> &Arc<System> {
        &self.system
    }

    /// The map.
    pub fn map(&self) -> &Map {
        &self.map
    }

    fn period(&self) -> i64 {
        i64::from(self.machine.decoded().period_ms()).max(1)
    }

    /// Takes a printed value of that time, ms since 1970 UTC; scans up to it are run first. `false`: the map has no such name.
    pub fn take(&mut self, printed: &Printed, time: i64) -> bool {
        let from = self.targets.partition_point(|(name, _)| *name < printed.name);
        let n = self.targets[from..].iter().take_while(|(name, _)| *name == printed.name).count();
        if n == 0 {
            self.sums.n_unmapped += 1;
            return false;
        }
        if !(0..logs::LATEST_TIME).contains(&time) {
            self.sums.n_late += 1;
            return true;
        }
        if let Some(heard) = self.heard.filter(|heard| time < *heard) {
            if heard - time <= STEP_BACK_MS {
                // A little disorder: it is a value of now, unless a newer one has come.
                self.sums.n_late += 1;
            } else {
                self.pause(Why::SteppedBack);
                self.forget();
            }
        }
        self.advance_before(time);
        self.heard = Some(self.heard.map_or(time, |heard| heard.max(time)));
        if self.next.is_none() {
            self.start(time);
        }
        for at in from..from + n {
            match self.targets[at].1 {
                Target::Reading(reading) => self.take_reading(reading, printed, time),
                Target::Output(output) => self.take_output(output, printed, time),
            }
        }
        true
    }

    fn take_reading(&mut self, at: usize, printed: &Printed, time: i64) {
        let reading = &self.map.readings[at];
        let sensor = reading.sensor.idx();
        let signal = &self.system.signals[self.system.sensors[sensor].signal.idx()];
        let mut meaning = reading.how.meaning(printed, signal.scale);
        // Beyond what the sensor can have it is no reading, as on the board.
        if let Meaning::Value(value) = meaning
            && !(signal.range.0..=signal.range.1).contains(&value)
        {
            meaning = Meaning::NoReading;
        }
        let sum = &mut self.sums.sensors[sensor];
        sum.n += 1;
        match meaning {
            Meaning::Value(_) => {}
            Meaning::NoReading => sum.n_no_reading += 1,
            Meaning::Unclear => {
                sum.n_unclear += 1;
                sum.unclear.get_or_insert_with(|| shown(printed));
            }
        }
        let newest = &mut self.sensors[sensor];
        if newest.is_none_or(|newest| newest.time <= time) {
            *newest = Some(Newest { meaning, time });
        }
    }

    fn take_output(&mut self, at: usize, printed: &Printed, time: i64) {
        let output = &self.map.outputs[at];
        let meaning = match (output.how.meaning(printed, Scale::Permille), &output.how) {
            (Meaning::Value(value), How::Switch { .. }) => Meaning::Value(value * 1_000),
            (Meaning::Value(value), How::Number { .. }) => Meaning::Value(value.clamp(0, 1_000)),
            (other, _) => other,
        };
        let newest = &mut self.outputs[at].newest;
        if newest.is_none_or(|newest| newest.time <= time) {
            *newest = Some(Newest { meaning, time });
        }
    }

    /// Nothing more comes before `now`: scans up to it are run, and what has become too old is.
    pub fn advance(&mut self, now: i64) {
        self.advance_before(now.saturating_add(1));
    }

    /// Runs the scans before a time.
    fn advance_before(&mut self, time: i64) {
        let period = self.period();
        while let Some(next) = self.next.filter(|next| *next < time) {
            if self.heard.is_none_or(|heard| next - heard > self.map.stale_ms) {
                self.pause(Why::Silent);
                return;
            }
            self.scan(next);
            self.next = Some(next + period);
        }
    }

    /// Starts the machine as a board that is switched on.
    fn start(&mut self, time: i64) {
        self.next = Some(time);
        self.n_scans = 0;
        self.set.fill(None);
        for output in &mut self.outputs {
            output.is_settled = false;
        }
        self.before.fill(0);
        self.sums.since_ms.get_or_insert(time);
        if let Some((from_ms, why)) = self.paused_at.take() {
            self.machine.restart(0);
            self.sums.n_breaks += 1;
            if self.sums.breaks.len() == MOST_BREAKS {
                self.sums.breaks.remove(0);
            }
            self.sums.breaks.push(Break { from_ms, to_ms: time, why });
        }
    }

    /// Stops the machine: nobody knows what happens now.
    fn pause(&mut self, why: Why) {
        let Some(next) = self.next.take() else { return };
        for at in 0..self.outputs.len() {
            self.end_difference(at, next);
        }
        self.paused_at = Some((next - self.period(), why));
    }

    /// Forgets the values, which are of another time.
    fn forget(&mut self) {
        self.heard = None;
        self.sensors.fill(None);
        for output in &mut self.outputs {
            output.newest = None;
        }
    }

    fn scan(&mut self, time: i64) {
        let period = self.period();
        self.set_inputs(time, period);
        let clock_s = u32::try_from(time.div_euclid(1_000) - UTC_AT_2000).ok();
        self.machine.set_clock(0, clock_s);
        for (actuator, drive) in self.compiled.drives.iter().enumerate() {
            self.before[actuator] = drive.map_or(0, |drive| self.machine.output(usize::from(drive), 0));
        }
        self.machine.scan();
        for at in 0..self.outputs.len() {
            self.compare(at, time, period);
        }
        self.n_scans += 1;
        self.sums.until_ms = Some(time);
    }

    fn value_of(&self, sensor: SensorIdx, time: i64) -> Meaning {
        if let Some(assumed) = self.map.assumed.iter().find(|assumed| assumed.sensor == sensor) {
            return Meaning::Value(assumed.value);
        }
        match self.sensors[sensor.idx()] {
            Some(newest) if time - newest.time <= self.map.stale_ms => newest.meaning,
            _ => Meaning::NoReading,
        }
    }

    fn set_inputs(&mut self, time: i64, period: i64) {
        for at in 0..self.compiled.inputs.len() {
            let input = self.compiled.inputs[at];
            let sensor = input.sensor.idx();
            let meaning = self.value_of(input.sensor, time);
            if !matches!(meaning, Meaning::Value(_)) {
                let sum = &mut self.sums.sensors[sensor];
                sum.bad_ms += period;
                sum.first_bad_ms.get_or_insert(time);
            }
            if self.set[sensor] == Some(meaning) {
                continue;
            }
            self.set[sensor] = Some(meaning);
            match (input.place, meaning) {
                (InputPlace::Number(order), Meaning::Value(value)) => {
                    self.machine.set_number(order.into(), 0, Sample { value, quality: Quality::Good });
                }
                (InputPlace::Number(order), _) => self.machine.set_number(order.into(), 0, Sample::BAD),
                (InputPlace::Bit { input, .. }, Meaning::Value(value)) => {
                    self.machine.set_bit(input.into(), 0, value != 0, Quality::Good);
                }
                (InputPlace::Bit { input, .. }, _) => {
                    self.machine.set_bit(input.into(), 0, false, Quality::Bad);
                }
            }
        }
    }

    fn decided(&self) -> Decided<'_> {
        Decided {
            system: &self.system,
            compiled: &self.compiled,
            machine: &self.machine,
            before: &self.before,
            uptime_ms: self.n_scans * self.period(),
        }
    }

    fn theirs(&self, at: usize, time: i64) -> Option<i32> {
        let newest = self.outputs[at].newest.filter(|newest| time - newest.time <= self.map.stale_ms)?;
        match newest.meaning {
            Meaning::Value(duty) => Some(duty),
            _ => None,
        }
    }

    fn ours(&self, at: usize) -> i32 {
        self.outputs[at].drive.map_or(0, |drive| self.machine.output(drive, 0))
    }

    fn compare(&mut self, at: usize, time: i64, period: i64) {
        let Some(theirs) = self.theirs(at, time) else {
            self.sums.outputs[at].unknown_ms += period;
            self.end_difference(at, time);
            return;
        };
        let ours = self.ours(at);
        let differs = (ours - theirs).abs() > self.map.duty_tolerance;
        let actuator = self.outputs[at].actuator;
        if !self.outputs[at].is_settled {
            let decided = self.decided();
            // After a power-up an output rests (or runs) as long as after a switching.
            let delay_ms = decided.rule(actuator).map_or(0.0, |rule| {
                rule.start_delay_s.max(rule.shortest_rest_s).max(rule.shortest_run_s) * 1e3
            });
            let is_over = decided.uptime_ms as f64 >= delay_ms;
            let is_settled = is_over && (!differs || decided.has_decided(actuator));
            if !is_settled {
                self.sums.outputs[at].settling_ms += period;
                return;
            }
            self.outputs[at].is_settled = true;
        }
        self.sums.outputs[at].compared_ms += period;
        let goes_on = (self.outputs[at].open.as_ref())
            .is_some_and(|open| differs && (open.ours > open.theirs) == (ours > theirs));
        if goes_on {
            return;
        }
        self.end_difference(at, time);
        if differs {
            let because = self.decided().because(actuator);
            let output = self.system.actuators[actuator.idx()].name.clone();
            let difference = Difference { output, from_ms: time, to_ms: None, theirs, ours, because };
            self.outputs[at].open = Some(difference);
        }
    }

    fn end_difference(&mut self, at: usize, time: i64) {
        if let Some(open) = self.outputs[at].open.take() {
            close(&mut self.sums, at, open, time, self.map.tolerance_ms);
        }
    }

    /// What has come of it, with the differences that last as they are now.
    pub fn sums(&self) -> Sums {
        let mut sums = self.sums.clone();
        for (at, output) in self.outputs.iter().enumerate() {
            let Some((open, next)) = output.open.as_ref().zip(self.next) else { continue };
            let ms = next - open.from_ms;
            if ms > self.map.tolerance_ms {
                sums.outputs[at].direction(open).add(open, ms);
            }
        }
        sums
    }

    /// Differences that last now and are longer than the tolerance.
    pub fn lasting(&self) -> Vec<Difference> {
        let is_counted =
            |open: &&Difference| self.next.is_some_and(|next| next - open.from_ms > self.map.tolerance_ms);
        self.outputs.iter().filter_map(|output| output.open.as_ref()).filter(is_counted).cloned().collect()
    }

    /// Each output of the map now.
    pub fn now(&self) -> Vec<OutputNow> {
        let time = self.next.map(|next| next - self.period());
        (self.outputs.iter().enumerate())
            .map(|(at, output)| {
                let is_running = time.is_some() && self.n_scans > 0;
                OutputNow {
                    theirs: time.and_then(|time| self.theirs(at, time)),
                    ours: is_running.then(|| self.ours(at)),
                    is_compared: is_running && output.is_settled,
                    because: is_running.then(|| self.decided().because(output.actuator)),
                    differs_since_ms: output.open.as_ref().map(|open| open.from_ms),
                }
            })
            .collect()
    }

    /// Whether the rules run now: values come.
    pub fn is_running(&self) -> bool {
        self.next.is_some()
    }

    /// Resets every latched trip of the rules, as a person would at the board; one whose cause stands stays.
    pub fn reset_trips(&mut self) {
        let n_trips = self.compiled.trips.iter().map(Vec::len).sum::<usize>();
        for trip in 0..n_trips {
            self.machine.command(0, Command::ResetTrip { trip: trip as u16 });
        }
    }

    /// Names of actuators whose trips are latched in the rules now.
    pub fn tripped(&self) -> Vec<&str> {
        (self.compiled.trips.iter().enumerate())
            .filter(|(_, trips)| trips.iter().any(|trip| self.machine.is_tripped(usize::from(trip.order), 0)))
            .map(|(actuator, _)| self.system.actuators[actuator].name.as_str())
            .collect()
    }

    /// Sensors that the rules read and that the map gives no value.
    pub fn missing(&self) -> Vec<SensorIdx> {
        let mut all: Vec<SensorIdx> = (self.compiled.inputs.iter().map(|input| input.sensor))
            .filter(|sensor| !self.map.has_sensor(*sensor))
            .collect();
        all.dedup();
        all
    }
}

impl OutputSum {
    fn direction(&mut self, difference: &Difference) -> &mut Sum {
        if difference.ours > difference.theirs { &mut self.more } else { &mut self.less }
    }
}

impl Sum {
    fn add(&mut self, difference: &Difference, ms: i64) {
        self.ms += ms;
        self.n += 1;
        self.first.get_or_insert_with(|| difference.clone());
        self.last = Some(difference.clone());
    }
}

fn close(sums: &mut Sums, at: usize, mut difference: Difference, to_ms: i64, tolerance_ms: i64) {
    let ms = to_ms - difference.from_ms;
    if ms <= tolerance_ms {
        sums.outputs[at].n_short += 1;
        return;
    }
    difference.to_ms = Some(to_ms);
    sums.outputs[at].direction(&difference).add(&difference, ms);
    if sums.differences.len() == MOST_DIFFERENCES {
        sums.differences.remove(0);
        sums.n_dropped += 1;
    }
    sums.differences.push(difference);
}

fn shown(printed: &Printed) -> String {
    match &printed.value {
        crate::Value::Word(word) => format!("{}={word}", printed.name),
        crate::Value::Number(number) => format!("{}={number}", printed.name),
        crate::Value::Nothing => printed.name.clone(),
    }
}

/// What program and map are, in one number: FNV-1a, 64 bits. (A CRC would not do: a program that ends with its own has always the same.)
fn fingerprint(bytes: &[u8], map: &Map) -> u64 {
    const BASIS: u64 = 0xCBF2_9CE4_8422_2325;
    const PRIME: u64 = 0x0100_0000_01B3;
    let text = format!("{map:?}");
    let all = bytes.iter().chain(text.as_bytes());
    all.fold(BASIS, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(PRIME))
}

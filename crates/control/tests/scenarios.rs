//! Runs `tests/rules/*.md`: in each section, rules in TOML and a table of what goes in and what must come out.
//!
//! The blocks before the first section belong to every section of the file. A row is a scan; between rows the inputs stay and the
//! board scans on. A sensor's column sets it (`bad`, or `bad 24.0` for a doubtful last value; `25.0?` is uncertain), any other column
//! is checked after the scan; an empty cell changes or checks nothing. `event` happens just before its row's scan.

#![allow(clippy::unwrap_used)]

use std::fmt::Write;
use std::path::Path;

use control::{Compiled, InputPlace, Options, Slot, compile_with};
use program::machine::{Command, Decoded};
use program::quality::{Quality, Sample};
use program::vm::ProcedureCommand;
use program::{Machine, Program};
use system::System;
use system::model::{ProcedureIdx, Scale, SensorIdx};

/// 2026-06-01, days since 2000-01-01.
const DAY: u32 = 9_648;
const DAY_S: u32 = 86_400;
const NOON_S: u32 = 43_200;

struct Section {
    title: String,
    line: usize,
    toml: String,
    table: Vec<(usize, Vec<String>)>,
}

fn sections(text: &str) -> Vec<Section> {
    let mut all = vec![];
    let mut shared = String::new();
    let mut in_toml = false;
    for (index, line) in text.lines().enumerate() {
        let section: Option<&mut Section> = all.last_mut();
        match line {
            "```toml" => in_toml = true,
            "```" => in_toml = false,
            _ if in_toml => {
                let toml = section.map_or(&mut shared, |section| &mut section.toml);
                let _ = writeln!(toml, "{line}");
            }
            _ if line.starts_with("## ") => all.push(Section {
                title: line[3..].to_owned(),
                line: index + 1,
                toml: shared.clone(),
                table: vec![],
            }),
            _ if line.starts_with('|') && !line.starts_with("|-") => {
                if let Some(section) = section {
                    let cells = line.trim().trim_matches('|').split('|').map(|cell| cell.trim().to_owned());
                    section.table.push((index + 1, cells.collect()));
                }
            }
            _ => {}
        }
    }
    all
}

/// `90 s`, `1 h + 5 s`, in ms.
fn time_ms(text: &str) -> i64 {
    text.split('+')
        .map(|part| {
            let (number, unit) =
                part.trim().split_once(' ').unwrap_or_else(|| panic!("`{part}` is not a time"));
            let unit = match unit {
                "ms" => 1,
                "s" => 1_000,
                "min" => 60_000,
                "h" => 3_600_000,
                "d" => 86_400_000,
                _ => panic!("`{unit}` is no unit of time"),
            };
            number.parse::<i64>().unwrap_or_else(|_| panic!("`{number}` is not a number")) * unit
        })
        .sum()
}

/// Counts of a scale in one of the unit that a table writes.
fn counts(scale: Scale) -> f64 {
    match scale {
        Scale::MilliCelsius
        | Scale::MilliKelvin
        | Scale::MilliPh
        | Scale::Millisecond
        | Scale::Micrometre => 1e3,
        Scale::MilliKelvinPerHour | Scale::MilliPhPerHour | Scale::MicrometrePerHour => 1e3,
        _ => 1.0,
    }
}

struct Run<'s> {
    system: &'s System,
    compiled: &'s Compiled,
    machine: Machine<1>,
    inputs: Vec<(i32, Quality)>,
    /// UTC seconds at time 0 of the table; `None` while the clock is lost.
    clock_s: Option<i64>,
    next_ms: i64,
}

impl<'s> Run<'s> {
    fn new(system: &'s System, compiled: &'s Compiled) -> Self {
        let program = Program::validate(&compiled.bytes).unwrap();
        Run {
            system,
            compiled,
            machine: Machine::new(Decoded::new(&program)),
            inputs: vec![(0, Quality::Bad); system.sensors.len()],
            clock_s: Some(i64::from(DAY * DAY_S + NOON_S)),
            next_ms: 0,
        }
    }

    fn scan(&mut self) {
        for input in &self.compiled.inputs {
            let (value, quality) = self.inputs[input.sensor.idx()];
            match input.place {
                InputPlace::Number(order) => {
                    self.machine.set_number(order.into(), 0, Sample { value, quality })
                }
                InputPlace::Bit { input, .. } => self.machine.set_bit(input.into(), 0, value != 0, quality),
            }
        }
        let now = self.clock_s.map(|base| u32::try_from(base + self.next_ms / 1_000).unwrap());
        self.machine.set_clock(0, now);
        self.machine.scan();
        self.next_ms += i64::from(self.system.scan_ms);
    }

    fn drive(&self, name: &str) -> u16 {
        let at = self.system.actuators.iter().position(|actuator| actuator.name == name);
        self.compiled.drives[at.unwrap_or_else(|| panic!("no actuator `{name}`"))].unwrap()
    }

    fn procedure(&self, name: &str) -> ProcedureIdx {
        let at = self.system.procedures.iter().position(|procedure| procedure.name == name);
        ProcedureIdx(at.unwrap_or_else(|| panic!("no procedure `{name}`")))
    }

    fn event(&mut self, event: &str) {
        let words: Vec<&str> = event.split_whitespace().collect();
        let command = match words.as_slice() {
            ["clock", "lost"] => {
                self.clock_s = None;
                return;
            }
            ["clock", time] => {
                let parts: Vec<i64> = time.split(':').map(|part| part.parse().unwrap()).collect();
                let second = parts[0] * 3_600 + parts[1] * 60 + parts[2];
                self.clock_s = Some(i64::from(DAY * DAY_S) + second - self.next_ms / 1_000);
                return;
            }
            ["restart"] => {
                self.machine.restart(0);
                return;
            }
            ["hand", name, "auto"] => Command::Hand { drive: self.drive(name), value: 0, time_ms: 0 },
            ["hand", name, state, "for", time @ ..] => {
                let value = match *state {
                    "on" => 1_000,
                    "off" => 0,
                    duty => duty.parse().unwrap(),
                };
                Command::Hand { drive: self.drive(name), value, time_ms: time_ms(&time.join(" ")) as i32 }
            }
            ["reset", name] => {
                let at = self.system.actuators.iter().position(|actuator| actuator.name == *name).unwrap();
                for trip in &self.compiled.trips[at] {
                    assert!(self.machine.command(0, Command::ResetTrip { trip: trip.order }));
                }
                return;
            }
            [act @ ("start" | "confirm" | "stop"), name] => {
                let command = match *act {
                    "start" => ProcedureCommand::Start,
                    "confirm" => ProcedureCommand::Confirm,
                    _ => ProcedureCommand::Stop,
                };
                let procedure = self.compiled.procedures[self.procedure(name).idx()];
                Command::Procedure { procedure, command }
            }
            _ => panic!("`{event}` is no event"),
        };
        assert!(self.machine.command(0, command), "{event}");
    }

    fn set(&mut self, sensor: SensorIdx, cell: &str) {
        let scale = self.system.signals[self.system.sensors[sensor.idx()].signal.idx()].scale;
        let value =
            |text: &str| match text {
                "yes" => 1,
                "no" | "" => 0,
                number => (number.parse::<f64>().unwrap_or_else(|_| panic!("`{number}`")) * counts(scale))
                    .round() as i32,
            };
        self.inputs[sensor.idx()] = match (cell.strip_prefix("bad"), cell.strip_suffix('?')) {
            (Some(rest), _) => (value(rest.trim()), Quality::Bad),
            (_, Some(rest)) => (value(rest), Quality::Uncertain),
            _ => (value(cell), Quality::Good),
        };
    }

    fn shown(&self, column: &str) -> String {
        let inner =
            |call: &str| column.strip_prefix(call)?.strip_prefix('(')?.strip_suffix(')').map(str::to_owned);
        let yes = |value: bool| if value { "yes" } else { "no" }.to_owned();
        let with = |quality: Quality, text: String| match quality {
            Quality::Good => text,
            Quality::Uncertain => format!("{text}?"),
            Quality::Bad => format!("bad {text}"),
        };
        if let Some(name) = inner("alarm") {
            let at = self.system.alarms.iter().position(|alarm| alarm.name == name);
            let at = at.unwrap_or_else(|| panic!("no alarm `{name}`"));
            return yes(self.machine.alarm(self.compiled.alarms[at].into(), 0).0);
        }
        if let Some(name) = inner("step") {
            let order = self.compiled.procedures[self.procedure(&name).idx()];
            return self.machine.procedure_step(order.into(), 0).to_string();
        }
        if let Some(name) = inner("tripped") {
            let at = self.system.actuators.iter().position(|actuator| actuator.name == name).unwrap();
            let causes: Vec<&str> = self.compiled.trips[at]
                .iter()
                .filter(|trip| self.machine.is_tripped(trip.order.into(), 0))
                .map(|trip| trip.cause.key())
                .collect();
            return if causes.is_empty() { "no".to_owned() } else { causes.join(" ") };
        }
        if let Some(at) = self.system.actuators.iter().position(|actuator| actuator.name == column) {
            let duty = self.machine.output(self.compiled.drives[at].unwrap().into(), 0);
            return match (self.system.actuators[at].modulated, duty) {
                (true, duty) => duty.to_string(),
                (false, 0) => "off".to_owned(),
                (false, _) => "on".to_owned(),
            };
        }
        let at = self.system.signals.iter().position(|signal| signal.name == column);
        let at = at.unwrap_or_else(|| panic!("no column can be named `{column}`"));
        match self.compiled.signals[at].unwrap() {
            Slot::Bit(slot) => {
                let (value, quality) = self.machine.bit(slot, 0);
                with(quality, yes(value))
            }
            Slot::Number(slot) => {
                let sample = self.machine.number(slot, 0);
                let value = f64::from(sample.value) / counts(self.system.signals[at].scale);
                with(sample.quality, format!("{value}"))
            }
        }
    }
}

/// Runs one section; what differs from the table comes back as text.
fn run(section: &Section, path: &Path) -> String {
    let place = format!("{}:{} {}", path.display(), section.line, section.title);
    let loaded = system::load(&section.toml);
    let Some(system) = loaded.system else {
        return format!("{place}: the rules do not load\n{:#?}\n", loaded.diagnostics);
    };
    let options = Options { keep_all_signals: true, ..Options::default() };
    let full = compile_with(&system, &options).unwrap_or_else(|findings| panic!("{place}: {findings:#?}"));
    let lean = control::compile(&system).unwrap_or_else(|findings| panic!("{place}: {findings:#?}"));
    let [(_, header), rows @ ..] = section.table.as_slice() else { return String::new() };
    let mut differences = String::new();
    let (mut run, mut lean_run) = (Run::new(&system, &full), Run::new(&system, &lean));
    for (line, cells) in rows {
        let at_ms = time_ms(&cells[0]);
        while run.next_ms < at_ms {
            run.scan();
            lean_run.scan();
        }
        assert_eq!(run.next_ms, at_ms, "{place}: line {line}: this time is no scan");
        let columns: Vec<(&str, &str)> =
            header.iter().zip(cells).skip(1).map(|(column, cell)| (column.as_str(), cell.as_str())).collect();
        for (column, cell) in columns.iter().filter(|(_, cell)| !cell.is_empty()) {
            let sensor = system.sensors.iter().position(|sensor| sensor.name == *column);
            for run in [&mut run, &mut lean_run] {
                if *column == "event" {
                    cell.split(';').for_each(|event| run.event(event.trim()));
                } else if let Some(sensor) = sensor {
                    run.set(SensorIdx(sensor), cell);
                }
            }
        }
        run.scan();
        lean_run.scan();
        for (column, cell) in columns {
            let is_input = column == "event" || system.sensors.iter().any(|sensor| sensor.name == column);
            if is_input || cell.is_empty() {
                continue;
            }
            let shown = run.shown(column);
            if shown != cell {
                let _ = writeln!(differences, "{place}: line {line}: `{column}` is {shown}, not {cell}");
            }
        }
        for (drive, name) in
            system.actuators.iter().enumerate().filter_map(|(at, actuator)| {
                full.drives[at].map(|drive| (usize::from(drive), &actuator.name))
            })
        {
            let lean_drive = usize::from(lean_run.drive(name));
            assert_eq!(
                run.machine.output(drive, 0),
                lean_run.machine.output(lean_drive, 0),
                "{place}: {name}"
            );
        }
    }
    differences
}

#[test]
fn every_form_of_rule_does_what_its_section_says() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rules");
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let (mut differences, mut n_sections, mut n_rows) = (String::new(), 0, 0);
    for path in &paths {
        let text = std::fs::read_to_string(path).unwrap();
        for section in sections(&text) {
            n_sections += 1;
            n_rows += section.table.len().saturating_sub(1);
            differences += &run(&section, path);
        }
    }
    assert!(differences.is_empty(), "\n{differences}");
    assert!(n_sections >= 40 && n_rows >= 200, "only {n_sections} sections with {n_rows} rows were found");
}

//! From the system to the graph: which signals are needed, then alarms, trips, procedures and final stages.

use program::BitRef;
use program::op::{Op, Priority, StepEnd, TimeKind};
use system::model::{self, ActuatorIdx, SensorKind, SignalIdx, SignalSource, Step, System};
use system::{Diagnostic, Level};

use crate::graph::Graph;
use crate::layout::Layout;
use crate::{Compiled, Options, TripCause, signals};

/// A latch before it has its order.
pub(crate) struct PlannedTrip {
    pub actuator: ActuatorIdx,
    pub cause: TripCause,
    /// An [`Op::Trip`].
    pub op: Op,
}

/// A step whose forces still name actuators.
pub(crate) struct PlannedStep {
    pub end: StepEnd,
    pub longest_ms: i32,
    pub holds: Vec<(ActuatorIdx, bool)>,
}

/// Everything that a program does to the outside, over one graph.
pub(crate) struct Plan {
    /// By [`model::AlarmIdx`], each an [`Op::Alarm`].
    pub alarms: Vec<Op>,
    /// In the order of actuators.
    pub trips: Vec<PlannedTrip>,
    /// By [`model::ProcedureIdx`].
    pub procedures: Vec<Vec<PlannedStep>>,
    /// By actuator: its final stage; its `trip` operand is put in by the layout.
    pub drives: Vec<Option<Op>>,
}

/// A compilation under way.
pub(crate) struct Lowering<'s> {
    pub system: &'s System,
    pub options: &'s Options,
    pub scan_ms: i32,
    pub graph: Graph,
    pub findings: Vec<Diagnostic>,
    /// Key of what is being compiled, for the place of a finding.
    pub at: String,
    pub bit_of: Vec<Option<BitRef>>,
    pub number_of: Vec<Option<program::NumRef>>,
    /// Local time of day, where a page of the display shows it.
    pub clock: Option<program::NumRef>,
}

impl<'s> Lowering<'s> {
    pub(crate) fn new(system: &'s System, options: &'s Options) -> Self {
        Lowering {
            system,
            options,
            scan_ms: system.scan_ms.min(i32::MAX as u32) as i32,
            graph: Graph::new(),
            findings: vec![],
            at: String::new(),
            bit_of: vec![None; system.signals.len()],
            number_of: vec![None; system.signals.len()],
            clock: None,
        }
    }

    pub(crate) fn run(mut self) -> Result<Compiled, Vec<Diagnostic>> {
        self.signals();
        let plan = Plan {
            alarms: (0..self.system.alarms.len()).map(|alarm| self.alarm(alarm)).collect(),
            trips: self.trips(),
            procedures: self.procedures(),
            drives: self.drives(),
        };
        // Last, so that a page moves nothing of the program that was there without it.
        if self.system.panel.shows_clock() {
            self.clock = Some(self.graph.number_op(Op::Time(TimeKind::LocalTimeOfDay)));
        }
        let compiled = if self.has_errors() { None } else { Layout::new(&mut self, plan).compile() };
        match compiled {
            Some(mut compiled) if !self.has_errors() => {
                compiled.warnings = self.findings;
                Ok(compiled)
            }
            _ => {
                self.findings.sort_by_key(|finding| std::cmp::Reverse(finding.level));
                debug_assert!(self.findings.first().is_some_and(|finding| finding.level == Level::Error));
                Err(self.findings)
            }
        }
    }

    /// Makes the signals that are needed, each behind all it reads: the system lists them in such an order, so a long chain of them
    /// needs no recursion.
    fn signals(&mut self) {
        let system = self.system;
        let mut needed = vec![self.options.keep_all_signals; system.signals.len()];
        for rule in &system.rules {
            crate::rules::mark(rule, &mut needed);
        }
        for step in system.procedures.iter().flat_map(|procedure| &procedure.steps) {
            if let Some(until) = &step.until {
                signals::mark(until, &mut needed);
            }
        }
        for alarm in &system.alarms {
            signals::mark(&alarm.when, &mut needed);
        }
        for signal in system.panel.signals() {
            needed[signal.idx()] = true;
        }
        for (index, signal) in system.signals.iter().enumerate().rev() {
            if let (true, SignalSource::Derived(derived)) = (needed[index], &signal.source) {
                signals::mark_operands(derived, &mut needed);
            }
        }
        for index in (0..needed.len()).map(SignalIdx).filter(|index| needed[index.idx()]) {
            if self.is_two_state(index) {
                self.bit_signal(index);
            } else {
                self.number_signal(index);
            }
        }
    }

    fn alarm(&mut self, index: usize) -> Op {
        let alarm = &self.system.alarms[index];
        let key = format!("alarm.{}", alarm.name);
        Op::Alarm {
            priority: match alarm.priority {
                model::Priority::Low => Priority::Low,
                model::Priority::Medium => Priority::Medium,
                model::Priority::High => Priority::High,
            },
            input: self.condition_of(&alarm.when, &format!("{key}.when")),
            on_ms: self.ms(alarm.delay_s, &format!("{key}.delay")),
            off_ms: self.ms(alarm.off_delay_s, &format!("{key}.off_delay")),
        }
    }

    fn procedures(&mut self) -> Vec<Vec<PlannedStep>> {
        let system = self.system;
        system
            .procedures
            .iter()
            .map(|procedure| {
                let key = format!("procedure.{}.step", procedure.name);
                self.check_procedure(procedure, &key);
                procedure.steps.iter().map(|step| self.step(step, &key)).collect()
            })
            .collect()
    }

    /// A step that waits for a condition ends the procedure when that does not come; so does one that waits for a person.
    fn step(&mut self, step: &Step, key: &str) -> PlannedStep {
        let end = match &step.until {
            Some(until) => StepEnd::When(self.condition_of(until, key)),
            None if step.confirm => StepEnd::Confirmed,
            None => StepEnd::Timed,
        };
        PlannedStep { end, longest_ms: self.ms(step.longest_s, key), holds: step.holds.clone() }
    }

    fn check_procedure(&mut self, procedure: &model::Procedure, key: &str) {
        const MOST_STEPS: usize = 32;
        const MOST_HOLDS: usize = 63;
        let n_steps = procedure.steps.len();
        if n_steps == 0 || n_steps > MOST_STEPS {
            self.report(
                Diagnostic::error(
                    "procedure-too-long",
                    format!(
                        "procedure `{}` has {n_steps} steps; the board takes 1 to {MOST_STEPS}",
                        procedure.name
                    ),
                )
                .help("split it into two procedures"),
                key,
                "",
            );
        }
        if procedure.steps.iter().any(|step| step.holds.len() > MOST_HOLDS) {
            self.report(
                Diagnostic::error(
                    "procedure-too-long",
                    format!("a step of `{}` holds more than {MOST_HOLDS} actuators", procedure.name),
                )
                .help("hold fewer, or put a contactor before them"),
                key,
                "",
            );
        }
    }
}

/// Whether the signal is true while the contact is closed; `None` for what is no contact.
pub(crate) fn true_when_closed(kind: &SensorKind) -> Option<bool> {
    match kind {
        SensorKind::Float { true_above, closed_above, .. } => Some(true_above == closed_above),
        SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button => Some(true),
        _ => None,
    }
}

//! A system made ready to run: plan of the twin, compiled program, conversions.

use std::sync::Arc;

use control::Compiled;
use program::Program;
use program::machine::Decoded;
use system::{Diagnostic, System};
use twin::Plan;

use crate::inputs::Converters;

/// Everything that runs of one system share.
#[derive(Clone, Debug)]
pub struct Model {
    /// The physical side; holds the system.
    pub plan: Plan,
    /// The control side.
    pub compiled: Compiled,
    pub(crate) decoded: Arc<Decoded>,
    pub(crate) converters: Converters,
}

impl Model {
    /// Compiles the rules and plans the twin.
    ///
    /// # Errors
    ///
    /// The compiler's findings when the rules do not compile.
    pub fn new(system: &System) -> Result<Self, Vec<Diagnostic>> {
        Self::with_options(system, &control::Options::default())
    }

    /// As [`Model::new`], with compiler options.
    ///
    /// # Errors
    ///
    /// As [`Model::new`].
    pub fn with_options(system: &System, options: &control::Options) -> Result<Self, Vec<Diagnostic>> {
        let compiled = control::compile_with(system, options)?;
        let program = Program::validate(&compiled.bytes).map_err(|error| {
            vec![Diagnostic::error("program-refused", format!("the compiled program is refused: {error}"))]
        })?;
        let decoded = Decoded::new(&program);
        let converters = Converters::new(system, &compiled);
        Ok(Model { plan: Plan::new(system), compiled, decoded, converters })
    }

    /// The system.
    pub fn system(&self) -> &System {
        &self.plan.system
    }
}

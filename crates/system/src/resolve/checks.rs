//! Checks of gear against geometry that need the whole system.

use super::context::Context;
use crate::model::System;

pub(super) fn check(_context: &Context<'_>, _system: &System) {}

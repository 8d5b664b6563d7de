//! Checks of the ways of the water.

use super::context::Context;
use crate::model::System;

pub(super) fn check(_context: &Context<'_>, _system: &System) {}

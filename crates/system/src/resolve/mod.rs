//! Raw tables -> resolved [`System`]: names first, then each section, then the checks that need the whole.

mod checks;
mod conditions;
mod context;
mod derived;
mod electrics;
mod gear;
mod needs;
mod panel;
mod procedures;
mod rules;
mod sensors;
mod settings;
mod signals;
mod topology;
mod trips;
mod water;
mod wiring;

use std::sync::Arc;

use toml::Spanned;
use toml::de::DeTable;

use crate::model::System;
use crate::parts::Library;
use crate::raw::{ROOT, Sink, Table};
use context::Context;
pub(crate) use gear::{ACTUATOR_KINDS, SUPPLY_KINDS};
pub(crate) use sensors::SENSOR_KINDS;
pub(crate) use water::{PASSAGE_KINDS, VESSEL_ROLES};

/// Resolves a parsed file. Findings go to the sink; without errors there the result is a sound system.
pub(crate) fn resolve<'a>(
    root: &'a Spanned<DeTable<'a>>,
    library: &'a Arc<Library>,
    sink: &'a Sink<'a>,
) -> System {
    let root = Table::new(root.get_ref(), 0..0, ROOT, None, sink);
    let context = Context::read(&root, library, sink);

    let settings = settings::system(&context, &root);
    let climates = settings::climates(&context);
    let fitted = settings::fitted(&root);
    let corners = settings::corners(&context, &climates);
    let mut vessels = water::vessels(&context);
    let air_spaces = water::air_spaces(&context);
    let passages = water::passages(&context, &vessels);
    water::settle(&context, &mut vessels, &passages);
    let supplies = gear::supplies(&context);
    let boards = gear::boards(&context);
    let mut actuators = gear::actuators(&context);
    let mut sensors = sensors::sensors(&context);

    let mut signals = signals::Signals::new(&context, &vessels, &passages, &mut sensors, &mut actuators);
    signals.derived(&passages);
    let rules = rules::rules(&context, &mut signals, &actuators, &passages);
    let procedures = procedures::procedures(&context, &mut signals, &actuators);
    let alarms = procedures::alarms(&context, &mut signals);
    let panel = panel::panel(&context, &root, &mut signals, &actuators);

    let wiring = wiring::wiring(&context, &root, &sensors, &actuators);
    let electrics = electrics::electrics(&context, &root);
    let mut system = System {
        name: settings.name,
        mains_volts: settings.mains_volts,
        timezone: settings.timezone,
        scan_ms: settings.scan_ms,
        unattended_s: settings.unattended_s,
        response: settings.response,
        telling: settings.telling,
        climates,
        water: settings.water,
        livestock: settings.livestock,
        vessels,
        air_spaces,
        passages,
        supplies,
        boards,
        wiring,
        electrics,
        panel,
        actuators,
        sensors,
        signals: signals.list,
        rules,
        procedures,
        alarms,
        truths: vec![],
        requirements: vec![],
        fitted,
        corners,
        accepted: vec![],
        bund: settings.bund,
        assumptions: settings.assumptions,
        notes: settings.notes,
        places: context.places.take(),
        library: Arc::clone(library),
    };
    needs::requirements(&context, &root, &mut system);
    needs::accepted(&context, &mut system);
    wiring::check(&context, &system);
    context.finish();
    root.finish();
    checks::check(&context, &system);
    topology::check(&context, &system);
    system
}

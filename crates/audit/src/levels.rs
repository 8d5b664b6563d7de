//! Running levels against the file, drain-down after a stop, a shut way out, and marks against the lowest water.

use crate::context::{Context, FLOOR_LIMIT, LITRES, sills};
use crate::facts::{BlockedFact, DrainDownFact};
use crate::geometry::{Rest, free_above, level_for, pour, rim, volume_between};
use crate::running::{self, pipe_contents, system_volume};
use system::Diagnostic;
use system::model::{PassageKind, VesselIdx, VesselRole};

/// A running level this far from the level of the file is told, m.
const LEVEL_NEAR: f64 = 0.01;
/// Lowest cover of an intake that keeps air out, m (common practice, no source).
const INTAKE_COVER: f64 = 0.03;
/// Step in which a break height is searched, m.
const BREAK_STEP: f64 = 1e-3;
/// A drain should carry this many times the flow, with its vessel at the rim (common practice, no source).
const DRAIN_RESERVE: f64 = 1.5;
/// Clearance over the lowest break height that the help recommends, m (assumed: growth and waves).
const BREAK_CLEARANCE: f64 = 2e-3;
/// Where a break hole is best, below the running surface, m: wet, so that it does not hiss, and shallow (common practice).
const BELOW_SURFACE: f64 = 6e-3;

pub(crate) fn check(context: &mut Context<'_>) {
    if context.system.vessels.is_empty() {
        return;
    }
    let (vessels, pumps, weirs) = running::facts(context.system, &context.point);
    context.facts.vessels = vessels;
    context.facts.pumps = pumps;
    context.facts.weirs = weirs;
    for v in 0..context.system.vessels.len() {
        let fact = &mut context.facts.vessels[v];
        fact.stopped_mm = context.stopped.levels[v] * 1e3;
        fact.stopped_worst_mm = context.worst.levels[v] * 1e3;
        fact.drained_mm = context.lowest[v] * 1e3;
    }
    running_levels(context);
    pumped_lines(context);
    drain_down(context);
    blocked(context);
}

fn running_levels(context: &mut Context<'_>) {
    let system = context.system;
    for &v in &context.point.overwhelmed.clone() {
        let vessel = &system.vessels[v.idx()];
        context.add(
            Diagnostic::error("drain-too-small", format!("what runs into `{}` cannot run out of it below its rim", vessel.name))
                .at(context.place(&format!("vessel.{}", vessel.name)), "")
                .note("flow in is the pump at its real head; flow out the weir (Francis 1883), or the pipe's rim, mouth and full bore (Churchill 1977 friction)")
                .help("a wider weir or drain, or a smaller pump")
                .subject(vessel.name.clone()),
        );
    }
    for v in 0..system.vessels.len() {
        let vessel = &system.vessels[v];
        let level = context.point.levels[v];
        let off = level - vessel.start_level;
        // A box of a few square decimetres holds too little to matter.
        if off.abs() < LEVEL_NEAR
            || vessel.role == VesselRole::Box
            || context.point.overwhelmed.contains(&VesselIdx(v))
        {
            continue;
        }
        let litres = volume_between(vessel, vessel.start_level, level) * LITRES;
        context.add(
            Diagnostic::note_level(
                "start-level-off",
                format!(
                    "`{}` starts at {:.0} mm but runs at {:.0} mm",
                    vessel.name,
                    vessel.start_level * 1e3,
                    level * 1e3
                ),
            )
            .at(context.place(&format!("vessel.{}.level", vessel.name)), "")
            .note(format!("the {litres:+.1} L between the two come out of or go into the return chamber"))
            .help(format!("set level = \"{:.0} mm\" to start in the running state", level * 1e3))
            .subject(vessel.name.clone()),
        );
    }
}

fn pumped_lines(context: &mut Context<'_>) {
    let system = context.system;
    let pumped: Vec<_> = context.pumped().collect();
    for (p, passage) in pumped {
        let PassageKind::Pumped { intake, head0, .. } = passage.kind else { continue };
        let name = &passage.name;
        if context.point.flows[p] <= 0.0 {
            context.add(
                Diagnostic::error(
                    "pump-too-weak",
                    format!("the pump of `{name}` cannot lift the water: no flow"),
                )
                .at(context.place(&format!("passage.{name}.head0")), "")
                .note(format!(
                    "it makes {head0:.2} m at no flow; the lift is {:.2} m",
                    context.point.statics[p]
                ))
                .help(format!(
                    "a pump with more than {:.1} m of head at no flow",
                    context.point.statics[p] * 1.5
                ))
                .subject(name.clone()),
            );
        }
        let cover = context.point.levels[passage.from.idx()] - intake;
        if cover < INTAKE_COVER {
            context.add(
                Diagnostic::warning(
                    "intake-near-surface",
                    format!("only {:.0} mm of water stand over the intake of `{name}`", cover * 1e3),
                )
                .at(context.place(&format!("passage.{name}.intake")), "")
                .note(format!(
                    "less than {:.0} mm draws air (common practice, no source)",
                    INTAKE_COVER * 1e3
                ))
                .help(format!(
                    "intake at {:.0} mm or lower",
                    (context.point.levels[passage.from.idx()] - INTAKE_COVER) * 1e3
                ))
                .subject(name.clone()),
            );
        }
    }
    for i in 0..context.facts.weirs.len() {
        let fact = context.facts.weirs[i].clone();
        let Some(capacity) = fact.capacity_l_h else { continue };
        if fact.flow_l_h > 0.0 && capacity < DRAIN_RESERVE * fact.flow_l_h {
            context.add(
                Diagnostic::warning(
                    "drain-without-reserve",
                    format!("`{}` carries {capacity:.0} L/h at most, {:.0} L/h run", fact.passage, fact.flow_l_h),
                )
                .at(context.place(&format!("passage.{}.bore", fact.passage)), "")
                .note("full bore with its vessel at the rim: (f L/D + K) v²/2g over the whole drop, Churchill 1977 friction")
                .note(format!("a reserve of {DRAIN_RESERVE} is common practice, no source"))
                .help("a wider pipe, fewer bends, or a second drain")
                .subject(fact.passage.clone()),
            );
        }
    }
    if context.has_water() {
        let volume = system_volume(system, &context.point);
        let (s, t) = (system.water.salinity, system.water.temperature_c);
        context.facts.water = Some(crate::dosing::water_fact(system, volume, s, t));
    }
}

/// Litres that came down, over the rim and on the floor.
fn released(context: &Context<'_>, rest: &Rest) -> f64 {
    let system = context.system;
    let sinks: Vec<VesselIdx> = context.sources().iter().flat_map(|v| context.tank_of(*v)).collect();
    let (pipes, _) = pipe_contents(system, &context.point);
    let vessels: f64 = (0..system.vessels.len())
        .filter(|v| !sinks.contains(&VesselIdx(*v)))
        .map(|v| volume_between(&system.vessels[v], rest.levels[v], context.point.levels[v]))
        .sum();
    vessels + pipes.iter().sum::<f64>()
}

fn drain_down(context: &mut Context<'_>) {
    let system = context.system;
    if context.sources().is_empty() {
        return;
    }
    let sinks: Vec<VesselIdx> = context.sources().iter().flat_map(|v| context.tank_of(*v)).collect();
    let free: f64 =
        sinks.iter().map(|v| free_above(&system.vessels[v.idx()], context.point.levels[v.idx()])).sum();
    let (pipes, _) = pipe_contents(system, &context.point);
    let mut fact = DrainDownFact {
        released_l: released(context, &context.stopped) * LITRES,
        pipes_l: pipes.iter().sum::<f64>() * LITRES,
        free_l: free * LITRES,
        spilled_l: context.stopped.spilled * LITRES,
        floor_l: context.floor(context.stopped.spilled) * LITRES,
        worst_released_l: released(context, &context.worst) * LITRES,
        worst_spilled_l: context.worst.spilled * LITRES,
        worst_floor_l: context.floor(context.worst.spilled) * LITRES,
        break_needed_mm: None,
        mended_released_l: None,
    };
    let pumped: Vec<_> = context.pumped().collect();
    for (_, passage) in &pumped {
        let PassageKind::Pumped { outlet, break_hole, .. } = passage.kind else { continue };
        let to = &system.vessels[passage.to.idx()];
        let surface = context.point.levels[passage.to.idx()];
        let name = &passage.name;
        if surface <= outlet {
            continue;
        }
        let below = (surface - outlet) * 1e3;
        let mended = mended_break(context, passage.to, outlet);
        if let Some((height, litres)) = mended.filter(|_| context.stopped.spilled > FLOOR_LIMIT) {
            fact.break_needed_mm = Some(height * 1e3);
            fact.mended_released_l = Some(litres * LITRES);
        }
        if break_hole.is_none() {
            let spills = context.stopped.spilled > FLOOR_LIMIT;
            let level = if spills { system::Level::Error } else { system::Level::Note };
            let help = match mended {
                Some((height, _)) => {
                    let best = (surface - BELOW_SURFACE).max(height);
                    format!(
                        "drill a break hole at {:.0} mm in `{}`, just below the surface: drain-down falls to {:.1} L ({:.0} mm or higher is needed)",
                        best * 1e3,
                        to.name,
                        released_with_break(context, passage.to, outlet, best) * LITRES,
                        (height + BREAK_CLEARANCE).min(surface) * 1e3
                    )
                }
                None => "drill a break hole just below the surface, and make room in the sump".into(),
            };
            context.add(
                Diagnostic::new(
                    "no-siphon-break",
                    level,
                    format!("`{name}` siphons `{}` down to its outlet, {below:.0} mm below the surface", to.name),
                )
                .at(context.place(&format!("passage.{name}.outlet")), "no break hole")
                .note("a stopped pump lets water back until the siphon draws air: at the outlet when there is no hole")
                .help(help)
                .subject(name.clone()),
            );
        }
    }
    if context.stopped.spilled > FLOOR_LIMIT {
        let mut finding = Diagnostic::error(
            "sump-overflows-on-stop",
            format!(
                "{:.1} L run over the rim each time the return pump stops, {:.1} L of it on the floor",
                fact.spilled_l, fact.floor_l
            ),
        );
        if let Some((_, passage)) = pumped.first() {
            finding = finding
                .at(
                    context.place(&format!("passage.{}.outlet", passage.name)),
                    "sets how far the water falls",
                )
                .subject(passage.name.clone());
        }
        let sink = sinks.first().map(|v| system.vessels[v.idx()].name.clone()).unwrap_or_default();
        finding = finding
            .at(context.place(&format!("vessel.{sink}")), "receives it")
            .note(format!(
                "{:.1} L come down ({:.1} L of it from pipes), {:.1} L are free up to the rim",
                fact.released_l, fact.pipes_l, fact.free_l
            ))
            .note(
                "geometry: area x (running head over the crest + fall to the siphon break) + boxes + pipes",
            );
        finding = finding.help(match (fact.break_needed_mm, fact.mended_released_l) {
            (Some(height), Some(litres)) => {
                format!("put the siphon break at {height:.0} mm or higher: {litres:.1} L come down")
            }
            _ => format!(
                "make {:.0} L more room in the sump: run it lower, or a larger one",
                fact.spilled_l.ceil()
            ),
        });
        context.add(finding);
        context.hours("return pump stops", "water over the sump's rim", 0.02);
    } else if context.worst.spilled > FLOOR_LIMIT {
        context.add(
            Diagnostic::warning(
                "sump-overflows-when-hole-shut",
                format!(
                    "{:.1} L run over the rim if a break hole grows shut or a check valve leaks",
                    fact.worst_spilled_l
                ),
            )
            .note(format!(
                "{:.1} L come down then, {:.1} L are free up to the rim",
                fact.worst_released_l, fact.free_l
            ))
            .help("raise the outlet, so that it breaks the siphon itself, or run the sump lower")
            .subject(pumped.first().map(|(_, p)| p.name.clone()).unwrap_or_default()),
        );
    }
    context.facts.drain_down = Some(fact);
}

/// Water at rest with the siphon broken at a height in the fed vessel.
fn with_break(context: &Context<'_>, vessel: VesselIdx, outlet: f64, height: f64) -> Rest {
    let system = context.system;
    let (pipes, _) = pipe_contents(system, &context.point);
    let floor = system.vessels[vessel.idx()].floor_m;
    let mut ways = sills(system, &context.point, false);
    for way in &mut ways {
        if way.from == vessel && (way.height - floor - outlet).abs() < 1e-9 {
            way.height = floor + height;
        }
    }
    pour(system, &context.point.levels, &pipes, &ways)
}

/// What comes down with the siphon broken at a height, m³.
fn released_with_break(context: &Context<'_>, vessel: VesselIdx, outlet: f64, height: f64) -> f64 {
    released(context, &with_break(context, vessel, outlet, height))
}

/// Lowest break height in a fed vessel at which nothing spills, and what comes down with it, m and m³.
fn mended_break(context: &Context<'_>, vessel: VesselIdx, outlet: f64) -> Option<(f64, f64)> {
    let surface = context.point.levels[vessel.idx()];
    let good = |height: f64| with_break(context, vessel, outlet, height).spilled <= FLOOR_LIMIT * 0.1;
    let (mut low, mut high) = (outlet, surface - BREAK_STEP);
    if high <= low || !good(high) {
        return None;
    }
    if good(low) {
        return Some((low, released_with_break(context, vessel, outlet, low)));
    }
    while high - low > BREAK_STEP {
        let middle = 0.5 * (low + high);
        if good(middle) { high = middle } else { low = middle }
    }
    Some((high, released_with_break(context, vessel, outlet, high)))
}

fn blocked(context: &mut Context<'_>) {
    let system = context.system;
    let reservoir: f64 = system
        .passages
        .iter()
        .filter(|p| crate::dosing::doses(system, p))
        .map(|p| crate::dosing::usable(system, p))
        .sum();
    let refill: f64 = system
        .passages
        .iter()
        .filter(|p| crate::dosing::doses(system, p))
        .map(|p| match p.kind {
            PassageKind::Line { flow, .. } => flow,
            _ => 0.0,
        })
        .sum();
    let pumped: Vec<_> = context.pumped().collect();
    for (p, passage) in pumped {
        let PassageKind::Pumped { pump, intake, .. } = passage.kind else { continue };
        let (from, to) = (passage.from.idx(), passage.to.idx());
        let vessel = &system.vessels[to];
        let leaves =
            system.passages.iter().any(|q| q.from.idx() == to && !matches!(q.kind, PassageKind::Line { .. }));
        if !leaves || vessel.inside_of.is_some() || passage.from == passage.to {
            continue;
        }
        let level = context.point.levels[to];
        // Chambers before the pump's own run down to their sills, and the drain empties, before the pump draws air.
        let before: f64 = context
            .tank_of(passage.from)
            .iter()
            .filter(|v| v.idx() != from)
            .map(|v| {
                volume_between(
                    &system.vessels[v.idx()],
                    context.lowest[v.idx()],
                    context.point.levels[v.idx()],
                )
                .max(0.0)
            })
            .sum::<f64>()
            + boxes(context, passage.to)
            + drains(context);
        let source = &system.vessels[from];
        let down_to =
            |height: f64| before + volume_between(source, height, context.point.levels[from]).max(0.0);
        let risen = |volume: f64| level_for(vessel, vessel.volume_below(level) + volume);
        let to_intake = down_to(intake);
        let low_float = context.low_stop(pump, passage.from).map(down_to);
        let high_float = context
            .floats_in(passage.to)
            .filter(|(sensor, _, high)| *high > level && context.stops(pump, *sensor, true))
            .map(|(_, _, high)| volume_between(vessel, level, high))
            .reduce(f64::min);
        let to_float = [low_float, high_float].into_iter().flatten().reduce(f64::min);
        let freeboard = free_above(vessel, level);
        let alone = low_float.unwrap_or(to_intake);
        let with_reservoir = alone + reservoir;
        let flow = context.point.flows[p];
        let minutes = if with_reservoir <= freeboard || flow <= 0.0 {
            None
        } else if to_intake >= freeboard {
            Some(freeboard / flow / 60.0)
        } else if refill > 0.0 {
            Some((freeboard - to_intake) / refill / 60.0)
        } else {
            None
        };
        let fact = BlockedFact {
            vessel: vessel.name.clone(),
            freeboard_l: freeboard * LITRES,
            source_to_intake_l: to_intake * LITRES,
            level_to_intake_mm: risen(to_intake) * 1e3,
            to_float_l: to_float.map(|v| v * LITRES),
            level_to_float_mm: to_float.map(|v| risen(v) * 1e3),
            level_with_reservoir_mm: risen(with_reservoir) * 1e3,
            spilled_with_reservoir_l: (with_reservoir - freeboard).max(0.0) * LITRES,
            minutes_to_rim: minutes,
        };
        let held = to_float.unwrap_or(to_intake);
        let place = context.place(&format!("vessel.{}", vessel.name));
        let numbers = format!(
            "{:.1} L fit above the running level of {:.0} mm; the return chamber gives {:.1} L down to the intake, the reservoirs {:.1} L",
            fact.freeboard_l,
            level * 1e3,
            fact.source_to_intake_l,
            reservoir * LITRES
        );
        let help = format!(
            "a float in `{}` at {:.0} mm that stops the return and the top-off, or a smaller return chamber",
            vessel.name,
            (level + 0.25 * (rim(vessel) - level)) * 1e3
        );
        if held > freeboard + FLOOR_LIMIT {
            context.add(
                Diagnostic::error(
                    "display-overflows-when-drain-blocked",
                    format!("`{}` runs over if its way out is blocked", vessel.name),
                )
                .at(place, "")
                .note(numbers)
                .help(help)
                .subject(vessel.name.clone()),
            );
        } else if held + top_off_unheld(context, passage.to) > freeboard + FLOOR_LIMIT {
            context.add(
                Diagnostic::error(
                    "display-overflows-when-drain-blocked",
                    format!("`{}` runs over if its way out is blocked: top-off refills the emptied return chamber", vessel.name),
                )
                .at(place, "")
                .note(numbers)
                .note(match fact.minutes_to_rim {
                    Some(minutes) => format!("over the rim after {minutes:.0} min, {:.1} L in the end", fact.spilled_with_reservoir_l),
                    None => format!("{:.1} L in the end", fact.spilled_with_reservoir_l),
                })
                .help(help)
                .subject(vessel.name.clone()),
            );
        }
        if let Some(minutes) = fact.minutes_to_rim.filter(|_| to_float.is_none()) {
            context.hours(
                format!("way out of {} blocked", vessel.name),
                "water on the floor",
                minutes / 60.0,
            );
        }
        context.facts.blocked.push(fact);
    }
}

/// Water that stands in boxes inside a vessel above their drains, m³.
fn boxes(context: &Context<'_>, vessel: VesselIdx) -> f64 {
    let system = context.system;
    (0..system.vessels.len())
        .filter(|v| system.vessels[*v].inside_of == Some(vessel))
        .map(|v| {
            volume_between(&system.vessels[v], context.stopped.levels[v], context.point.levels[v]).max(0.0)
        })
        .sum()
}

/// Water on its way through drains, m³.
fn drains(context: &Context<'_>) -> f64 {
    let mut only = context.point.clone();
    for (p, passage) in context.system.passages.iter().enumerate() {
        if matches!(passage.kind, PassageKind::Pumped { .. }) {
            only.flows[p] = 0.0;
        }
    }
    pipe_contents(context.system, &only).0.iter().sum()
}

/// What top-off can still bring while the vessel is over its running level: pumps that a float in it stops bring nothing,
/// limits bind the others, m³.
fn top_off_unheld(context: &Context<'_>, vessel: VesselIdx) -> f64 {
    let system = context.system;
    let mut sum = 0.0;
    for line in system.passages.iter().filter(|p| crate::dosing::doses(system, p)) {
        let PassageKind::Line { pump, .. } = line.kind else { continue };
        let held = context.floats_in(vessel).any(|(sensor, _, high)| {
            high > context.point.levels[vessel.idx()] && context.stops(pump, sensor, true)
        });
        if !held {
            let usable = crate::dosing::usable(system, line);
            sum += crate::dosing::limited(system, line).map_or(usable, |most| most.min(usable));
        }
    }
    sum
}

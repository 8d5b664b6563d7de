//! Both directions of each thin line and hose: a siphon needs only an outlet below the source's surface, submerged or not.

use crate::context::{Context, FLOOR_LIMIT, LITRES};
use crate::facts::SiphonFact;
use crate::geometry::{free_above, level_for, volume_between};
use system::Diagnostic;
use system::model::{PassageKind, VesselIdx};

/// One direction of a tube between two vessels. Heights over the floor of the vessel they are in, m.
struct Tube<'a> {
    name: &'a str,
    from: VesselIdx,
    from_end: f64,
    to: VesselIdx,
    to_end: f64,
    held_by: Option<&'static str>,
}

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    for passage in &system.passages {
        let (from, to) = (passage.from, passage.to);
        let name = passage.name.as_str();
        match &passage.kind {
            PassageKind::Line { intake, outlet, occludes, .. } => {
                let held_by = occludes.then_some("squeezed tube");
                direction(context, &Tube { name, from, from_end: *intake, to, to_end: *outlet, held_by });
                direction(
                    context,
                    &Tube { name, from: to, from_end: *outlet, to: from, to_end: *intake, held_by },
                );
            }
            PassageKind::Pumped { intake, outlet, .. } => {
                // Back through the pump is drain-down; forward needs an outlet below the source.
                direction(
                    context,
                    &Tube { name, from, from_end: *intake, to, to_end: *outlet, held_by: None },
                );
            }
            _ => {}
        }
    }
}

fn direction(context: &mut Context<'_>, tube: &Tube<'_>) {
    let system = context.system;
    let (source, sink) = (&system.vessels[tube.from.idx()], &system.vessels[tube.to.idx()]);
    // Full reservoirs and stopped water are the worst starts.
    let highest = |v: VesselIdx| {
        let vessel = &system.vessels[v.idx()];
        let running = context.point.levels[v.idx()].max(context.stopped.levels[v.idx()]);
        running.max(vessel.full_level.unwrap_or(0.0))
    };
    let level = highest(tube.from);
    let end = sink.floor_m + tube.to_end;
    // The tank's own line hangs over its surface unless its end is under water.
    if level <= tube.from_end || source.floor_m + level <= end {
        return;
    }
    let sink_level = context.point.levels[tube.to.idx()];
    let mut low = 0.0;
    let mut high = volume_between(source, tube.from_end, level).max(0.0);
    let runs_on = |moved: f64| {
        let from = source.floor_m + level_for(source, source.volume_below(level) - moved);
        let to = sink.floor_m + level_for(sink, sink.volume_below(sink_level) + moved);
        from > end.max(to)
    };
    if !runs_on(high) {
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if runs_on(middle) { low = middle } else { high = middle }
        }
    }
    let volume = high;
    if volume < 1e-6 {
        return;
    }
    let free: f64 = context
        .tank_of(tube.to)
        .iter()
        .map(|v| free_above(&system.vessels[v.idx()], context.point.levels[v.idx()]))
        .sum();
    let spilled = (volume - free).max(0.0);
    context.facts.siphons.push(SiphonFact {
        passage: tube.name.into(),
        from: source.name.clone(),
        to: sink.name.clone(),
        volume_l: volume * LITRES,
        spilled_l: spilled * LITRES,
        held_by: tube.held_by.map(str::to_owned),
    });
    if tube.held_by.is_some() {
        return;
    }
    let mut finding = Diagnostic::warning(
        "line-siphons",
        format!(
            "`{}` can siphon {:.1} L from `{}` into `{}` while its pump stands still",
            tube.name,
            volume * LITRES,
            source.name,
            sink.name
        ),
    )
    .at(context.place(&format!("passage.{}", tube.name)), "")
    .note(format!(
        "its end in `{}` is at {:.0} mm over the cabinet floor, the surface of `{}` at {:.0} mm",
        sink.name,
        end * 1e3,
        source.name,
        (source.floor_m + level) * 1e3
    ))
    .note("a siphon needs only an outlet below the source's surface, submerged or not (Bernoulli)")
    .help(format!(
        "end the line at {:.0} mm over the cabinet floor or higher, or use a pump that squeezes its tube shut",
        (source.floor_m + level) * 1e3
    ))
    .subject(tube.name);
    if spilled > FLOOR_LIMIT {
        finding.level = system::Level::Error;
        finding = finding.note(format!("{:.1} L of it run over the rim", spilled * LITRES));
    }
    context.add(finding);
}

//! Everything that can run is stuck on: what the sizes alone let happen.

use crate::body::{Body, heaters};
use crate::context::{Context, FLOOR_LIMIT, LITRES, sills, span_h};
use crate::dosing::{doses, ph_nbs, tank_water, usable};
use crate::evaporation::mean_c;
use crate::facts::EverythingOnFact;
use crate::geometry::pour;
use crate::running::{pipe_contents, system_volume};
use seawater::alkalinity::dkh_from_umol_per_kg;
use seawater::limewater::{Dosing, EQUIVALENTS_PER_MOL, dosed};
use system::Diagnostic;
use system::model::{Contents, PassageKind, VesselIdx};

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    if !context.has_water() {
        return;
    }
    let t = system.water.temperature_c;
    let mut water = tank_water(system, system_volume(system, &context.point));
    let mut into = vec![0.0; system.vessels.len()];
    let mut emptied: Vec<VesselIdx> = vec![];
    let (mut volume, mut hours) = (0.0, 0.0f64);
    for passage in system.passages.iter().filter(|p| doses(system, p)) {
        let PassageKind::Line { flow, .. } = passage.kind else { continue };
        if emptied.contains(&passage.from) {
            continue;
        }
        emptied.push(passage.from);
        let litres = usable(system, passage);
        let strength = match system.vessels[passage.from.idx()].holds {
            Contents::Limewater(meq_l) => meq_l / 1e3 / EQUIVALENTS_PER_MOL,
            _ => 0.0,
        };
        water = dosed(water, litres * LITRES, strength, t, Dosing::Overfills);
        into[passage.to.idx()] += litres;
        volume += litres;
        hours = hours.max(litres / flow / 3600.0);
    }
    let tanks: Vec<VesselIdx> = context.sources().iter().flat_map(|v| context.tank_of(*v)).collect();
    let running = pour(
        system,
        &context.point.levels,
        &into,
        &crate::dosing::backing_up(system, &context.point, &tanks),
    );
    let (pipes, _) = pipe_contents(system, &context.point);
    let both: Vec<f64> = pipes.iter().zip(&into).map(|(a, b)| a + b).collect();
    let stopped = pour(system, &context.point.levels, &both, &sills(system, &context.point, false));
    let warmest = system.climates.iter().max_by(|a, b| mean_c(a).total_cmp(&mean_c(b)));
    let all = heaters(system);
    let (settles, by_dials) = match warmest {
        Some(climate) if !all.is_empty() => {
            let body = Body::new(system, &context.point, None, climate);
            let (gear, light) = body.gains();
            let power = gear + light + all.iter().map(|(_, watts)| watts).sum::<f64>();
            let settles = body.steady(power, false, 0.0);
            let without = body.steady(gear + light, false, 0.0);
            // A dial holds its own heater: the hottest that any of them allows, or what the room makes anyway.
            let dials =
                all.iter().map(|(h, _)| system.actuators[h.idx()].own_thermostat_c.unwrap_or(settles));
            let by_dials = dials.fold(without, f64::max).min(settles.max(without));
            (Some(settles), Some(by_dials))
        }
        _ => (None, None),
    };
    let level = tanks.iter().map(|v| running.levels[v.idx()]).fold(0.0, f64::max);
    let fact = EverythingOnFact {
        dosed_l: volume * LITRES,
        hours,
        salinity: water.salinity,
        alkalinity_dkh: dkh_from_umol_per_kg(water.alkalinity_umol_per_kg, water.salinity, t),
        ph_nbs: ph_nbs(&water, t),
        sump_mm: level * 1e3,
        spilled_l: running.spilled * LITRES,
        spilled_on_stop_l: stopped.spilled * LITRES,
        settles_c: settles,
        settles_by_dials_c: by_dials,
    };
    if volume > 0.0 || settles.is_some() {
        let floor = context.floor(running.spilled);
        let comes_to = match (volume > 0.0, settles) {
            (true, Some(settles)) => {
                format!("{:.0} L come and the water heats to {settles:.1} °C", fact.dosed_l)
            }
            (true, None) => format!("{:.0} L come", fact.dosed_l),
            (false, settles) => format!("the water heats to {:.1} °C", settles.unwrap_or(t)),
        };
        let mut finding = Diagnostic::note_level(
            "everything-stuck-on",
            format!("with everything that can run stuck on and nothing acting, {comes_to}"),
        )
            .note(format!(
                "{:.1} L come in {}: salinity {:.2}, {:.1} dKH, pH up to {:.2} (closed to the air)",
                fact.dosed_l,
                span_h(fact.hours), fact.salinity, fact.alkalinity_dkh, fact.ph_nbs
            ))
            .note(format!(
                "sump at {:.0} mm, {:.1} L over the rim while running, {:.1} L if the pumps then stop",
                fact.sump_mm, fact.spilled_l, fact.spilled_on_stop_l
            ))
            .help("sizes that cannot harm beat rules: a smaller reservoir, a slower pump, weaker heaters, more freeboard")
            .subject("system");
        if let (Some(settles), Some(dials)) = (fact.settles_c, fact.settles_by_dials_c) {
            finding = finding.note(format!("all heaters in the warmest room: {settles:.1} °C, held by their own thermostats {dials:.1} °C"));
        }
        if floor > FLOOR_LIMIT {
            finding = finding.note(format!("{:.1} L of it on the floor", floor * LITRES));
        }
        context.add(finding);
    }
    context.facts.everything_on = Some(fact);
}

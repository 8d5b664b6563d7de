//! Top-off and limewater: the most that a float can call, with each limit, and what it does to space, salt and lime.

use crate::context::{Context, FLOOR_LIMIT, LITRES, span_h};
use crate::facts::{DoseFact, DosingFact, WaterFact};
use crate::geometry::{Rest, Sill, pour, volume_between};
use crate::reads;
use crate::running::{Running, system_volume};
use seawater::alkalinity::{
    calcium_umol_per_kg_from_mg_per_l, dkh_from_meq_per_l, dkh_from_umol_per_kg, umol_per_kg_from_meq_per_l,
};
use seawater::carbonate::{BoronRatio, Constants, Known};
use seawater::density::density_kg_per_m3;
use seawater::limewater::{Dosing, EQUIVALENTS_PER_MOL, TankWater, dosed};
use system::model::{Contents, Passage, PassageKind, Rule, VesselIdx};
use system::{Diagnostic, Level, System};

/// Limits of the customary requirements (common practice, no source): salinity, pH, rise of alkalinity in 24 h in dKH.
pub const LOWEST_SALINITY: f64 = 32.5;
const HIGHEST_PH: f64 = 8.7;
const HIGHEST_RISE_DKH: f64 = 1.4;
const DAY: f64 = 86_400.0;

/// Whether a passage brings fresh water or limewater into the system's water.
pub fn doses(system: &System, passage: &Passage) -> bool {
    matches!(passage.kind, PassageKind::Line { .. })
        && system.vessels[passage.from.idx()].holds != Contents::Tank
        && system.vessels[passage.to.idx()].holds == Contents::Tank
}

/// What a line's source holds above intake and dead level, at its full mark if that is higher than the start, m³.
pub fn usable(system: &System, passage: &Passage) -> f64 {
    let PassageKind::Line { intake, .. } = passage.kind else { return 0.0 };
    let source = &system.vessels[passage.from.idx()];
    let top = source.start_level.max(source.full_level.unwrap_or(0.0));
    volume_between(source, intake.max(source.dead_level), top).max(0.0)
}

fn rule_and_flow<'a>(system: &'a System, passage: &Passage) -> (Option<&'a Rule>, f64) {
    match passage.kind {
        PassageKind::Line { pump, flow, .. } => (reads::rule_of(system, pump), flow),
        _ => (None, 0.0),
    }
}

/// Most in one run, m³.
fn longest(system: &System, passage: &Passage) -> Option<f64> {
    let (rule, flow) = rule_and_flow(system, passage);
    rule?.longest_run_s.map(|time| time * flow)
}

/// Most in a day by volume, run time, or as a metered dose, m³.
pub fn daily(system: &System, passage: &Passage) -> Option<f64> {
    let (rule, flow) = rule_and_flow(system, passage);
    let rule = rule?;
    let by_time = rule.daily_run_s.map(|time| time * flow);
    let by_dose = match rule.form {
        system::model::RuleForm::Dose { per_day_m3, .. } => Some(per_day_m3),
        _ => None,
    };
    [rule.daily_volume_m3, by_time, by_dose].into_iter().flatten().reduce(f64::min)
}

/// Most that the limits of the rule let through over the unattended time while a call never ends, m³.
pub fn limited(system: &System, passage: &Passage) -> Option<f64> {
    let (rule, _) = rule_and_flow(system, passage);
    let latches = rule?.limit_latches;
    // The unattended time touches one UTC day more than it has whole ones.
    let days = (system.unattended_s / DAY).floor() + 1.0;
    let by_day = daily(system, passage).map(|volume| if latches { volume } else { volume * days });
    [longest(system, passage), by_day].into_iter().flatten().reduce(f64::min)
}

/// The system's water as it starts.
pub fn tank_water(system: &System, volume: f64) -> TankWater {
    let (s, t) = (system.water.salinity, system.water.temperature_c);
    let alkalinity = umol_per_kg_from_meq_per_l(system.water.alkalinity_meq_l, s, t);
    let constants = Constants::at(s, t, BoronRatio::default());
    let calcium = calcium_umol_per_kg_from_mg_per_l(system.water.calcium_mg_l, s, t);
    let air = system.climates.first().map_or(420.0, |climate| climate.co2_ppm);
    let second = match system.water.ph_nbs {
        Some(ph) => Known::PhNbs(ph),
        None => Known::Pco2(seawater::vapour::wet_partial_pressure_uatm(
            air,
            seawater::STANDARD_ATMOSPHERE_PA,
            s,
            t,
        )),
    };
    let dic = constants
        .solve(Known::Alkalinity(alkalinity), second, calcium)
        .map_or(0.9 * alkalinity, |c| c.dic_umol_per_kg);
    TankWater {
        mass_kg: volume * density_kg_per_m3(s, t),
        salinity: s,
        alkalinity_umol_per_kg: alkalinity,
        dic_umol_per_kg: dic,
        calcium_umol_per_kg: calcium,
    }
}

/// pH (NBS) of mixed water.
pub fn ph_nbs(water: &TankWater, temperature_c: f64) -> f64 {
    let constants = Constants::at(water.salinity, temperature_c, BoronRatio::default());
    let ph = constants.ph_total_from(water.alkalinity_umol_per_kg, water.dic_umol_per_kg, 8.1);
    ph + constants.nbs_minus_total
}

/// The system's water as a fact.
pub(crate) fn water_fact(system: &System, volume: f64, salinity: f64, temperature_c: f64) -> WaterFact {
    let tank = tank_water(system, volume);
    WaterFact {
        volume_l: volume * LITRES,
        mass_kg: tank.mass_kg,
        heat_capacity_mj_k: volume
            * physics::conditions::volumetric_heat_capacity(salinity, temperature_c)
            * 1e-6,
        alkalinity_dkh: dkh_from_meq_per_l(system.water.alkalinity_meq_l),
        ph_nbs: ph_nbs(&tank, temperature_c),
    }
}

/// Ca(OH)2 in what a vessel holds, mol/L.
fn strength(contents: Contents) -> f64 {
    match contents {
        Contents::Limewater(meq_l) => meq_l / 1e3 / EQUIVALENTS_PER_MOL,
        _ => 0.0,
    }
}

/// Sills between the chambers of one tank while water runs over them: higher water backs up, running heads stay.
pub fn backing_up(system: &System, point: &Running, tank: &[VesselIdx]) -> Vec<Sill> {
    let mut sills = vec![];
    for passage in &system.passages {
        let (PassageKind::Baffle { top: height, .. }
        | PassageKind::Weir { crest: height, .. }
        | PassageKind::Opening { height, .. }) = passage.kind
        else {
            continue;
        };
        if !tank.contains(&passage.from) || !tank.contains(&passage.to) {
            continue;
        }
        let upper = system.vessels[passage.from.idx()].floor_m + height.max(point.levels[passage.from.idx()]);
        sills.push(Sill { from: passage.from, to: Some(passage.to), height: upper, both_ways: true });
    }
    sills
}

/// Water added to a vessel while everything runs.
pub fn added(context: &Context<'_>, vessel: VesselIdx, volume: f64) -> Rest {
    let system = context.system;
    let mut into = vec![0.0; system.vessels.len()];
    into[vessel.idx()] = volume;
    let tank = context.tank_of(vessel);
    pour(system, &context.point.levels, &into, &backing_up(system, &context.point, &tank))
}

/// What a dose does.
fn dose(context: &Context<'_>, passage: &Passage, volume: f64, flow: f64) -> DoseFact {
    let system = context.system;
    let t = system.water.temperature_c;
    let tank = tank_water(system, system_volume(system, &context.point));
    let before = dkh_from_umol_per_kg(tank.alkalinity_umol_per_kg, tank.salinity, t);
    let source = &system.vessels[passage.from.idx()];
    let after = dosed(tank, volume * LITRES, strength(source.holds), t, Dosing::Overfills);
    let rest = added(context, passage.to, volume);
    let alkalinity = dkh_from_umol_per_kg(after.alkalinity_umol_per_kg, after.salinity, t);
    DoseFact {
        volume_l: volume * LITRES,
        hours: if flow > 0.0 { volume / flow / 3600.0 } else { 0.0 },
        salinity: after.salinity,
        level_mm: rest.levels[passage.to.idx()] * 1e3,
        spilled_l: rest.spilled * LITRES,
        floor_l: context.floor(rest.spilled) * LITRES,
        alkalinity_dkh: alkalinity,
        alkalinity_rise_dkh: alkalinity - before,
        ph_nbs: ph_nbs(&after, t),
    }
}

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    for passage in &system.passages {
        if doses(system, passage) {
            line(context, passage);
        }
    }
}

fn line(context: &mut Context<'_>, passage: &Passage) {
    let system = context.system;
    let PassageKind::Line { pump, flow, .. } = passage.kind else { return };
    let to = passage.to;
    let receiving = &system.vessels[to.idx()];
    let running = context.point.levels[to.idx()];
    let rule = reads::rule_of(system, pump);
    let deciding = rule.map(|rule| reads::deciding_sensors(system, rule)).unwrap_or_default();
    let satisfied = context
        .floats_in(to)
        .filter(|(sensor, _, _)| deciding.contains(sensor))
        .map(|(_, _, high)| high)
        .reduce(f64::max)
        .unwrap_or(running);
    // What fits between the satisfied level and a float that cuts the pump.
    let up_to = |hardware: bool| -> Option<f64> {
        context
            .floats_in(to)
            .filter(|(sensor, _, _)| !deciding.contains(sensor))
            .filter(|(sensor, _, _)| {
                if hardware {
                    context.stops_in_hardware(pump, *sensor, true)
                } else {
                    context.stops_by_rule(pump, *sensor, true)
                }
            })
            .map(|(_, _, high)| {
                let rise = volume_between(receiving, satisfied, high).max(0.0);
                // Above the baffle tops the other chambers take part: the pour says how much.
                let mut volume = rise;
                for _ in 0..40 {
                    let level = added(context, to, volume).levels[to.idx()] + (satisfied - running);
                    if level >= high - 1e-6 || volume > 1.0 {
                        break;
                    }
                    volume += (high - level) * crate::geometry::area_at(receiving, high);
                }
                volume
            })
            .reduce(f64::min)
    };
    let (series, permissive) = (up_to(true), up_to(false));
    let source = usable(system, passage);
    let limits = limited(system, passage);
    let called =
        [Some(source), limits, series, permissive].into_iter().flatten().fold(f64::INFINITY, f64::min);
    let welded = series.map_or(source, |volume| volume.min(source));
    let tank = tank_water(system, system_volume(system, &context.point));
    let to_limit = if tank.salinity > LOWEST_SALINITY {
        tank.mass_kg * (tank.salinity / LOWEST_SALINITY - 1.0) / 1000.0
    } else {
        0.0
    };
    let fact = DosingFact {
        passage: passage.name.clone(),
        pump: system.actuators[pump.idx()].name.clone(),
        flow_l_h: flow * 3.6e6,
        source_l: source * LITRES,
        longest_run_l: longest(system, passage).map(|v| v * LITRES),
        daily_l: daily(system, passage).map(|v| v * LITRES),
        series_l: series.map(|v| v * LITRES),
        permissive_l: permissive.map(|v| v * LITRES),
        called: dose(context, passage, called, flow),
        welded: dose(context, passage, welded, flow),
        unlimited: dose(context, passage, source, flow),
        to_salinity_limit_l: to_limit * LITRES,
        hours_to_salinity_limit: (source > to_limit).then(|| to_limit / flow / 3600.0),
    };
    harms(
        context,
        passage,
        &fact,
        limits.is_some(),
        series.is_some() || permissive.is_some(),
        deciding.len(),
    );
    context.facts.dosing.push(fact);
}

fn harms(
    context: &mut Context<'_>,
    passage: &Passage,
    fact: &DosingFact,
    limited: bool,
    cut: bool,
    n_deciding: usize,
) {
    let system = context.system;
    let pump = &fact.pump;
    let place = context
        .place(&format!("rule.{pump}"))
        .or_else(|| context.place(&format!("passage.{}", passage.name)));
    let reservoir = &system.vessels[passage.from.idx()].name;
    if !limited {
        // A source too small to harm is a bound as good as any timer.
        let harmless = harm_of(&fact.unlimited).is_none();
        let level = if harmless { Level::Note } else { Level::Error };
        context.add(
            Diagnostic::new(
                "top-off-without-limit",
                level,
                format!("`{pump}` has no longest run and no daily limit"),
            )
            .at(place.clone(), "")
            .note(format!(
                "a stuck float empties `{reservoir}`: {:.1} L in {} at {:.1} L/h",
                fact.source_l,
                span_h(fact.unlimited.hours),
                fact.flow_l_h
            ))
            .help("add longest_run, daily_volume and limit = \"latches\" to its rule")
            .subject(pump.clone()),
        );
    }
    if !cut && n_deciding <= 1 {
        context.add(
            Diagnostic::warning("single-float", format!("one float alone decides when `{pump}` stops"))
                .at(place.clone(), "")
                .note("a float that sticks is the commonest failure of a top-off (common practice, no source)")
                .help("a second float above the first in series with the pump (`series`), and as its `permissive`")
                .subject(pump.clone()),
        );
    }
    let alike = (fact.called.volume_l - fact.welded.volume_l).abs() < 1e-9;
    let cases = if alike {
        vec![("if the float that calls is stuck or its contact is welded", &fact.called)]
    } else {
        vec![
            ("if the float that calls is stuck", &fact.called),
            ("if its contact is welded: only floats in series still stop it", &fact.welded),
        ]
    };
    for (case, dose) in cases {
        let Some(hours) = harm_of(dose) else { continue };
        if dose.floor_l > FLOOR_LIMIT * LITRES {
            context.add(
                Diagnostic::error(
                    "top-off-floods",
                    format!("`{pump}` puts {:.1} L on the floor {case}", dose.floor_l),
                )
                .at(place.clone(), "")
                .note(format!(
                    "{:.1} L come in {}; level {:.0} mm, {:.1} L over the rim",
                    dose.volume_l,
                    span_h(dose.hours),
                    dose.level_mm,
                    dose.spilled_l
                ))
                .help(format!(
                    "a reservoir of at most {:.0} L, a float in series, or a daily limit",
                    (dose.volume_l - dose.spilled_l).floor().max(1.0)
                ))
                .subject(pump.clone()),
            );
        }
        if dose.salinity < LOWEST_SALINITY {
            let mut finding =
                Diagnostic::error("top-off-dilutes", format!("`{pump}` takes salinity to {:.2} {case}", dose.salinity))
                    .at(place.clone(), "")
                    .note(format!(
                        "S' = S m/(m + V rho): {:.1} L into {:.0} kg of water; {:.1} L are enough for S {LOWEST_SALINITY}",
                        dose.volume_l,
                        context.facts.water.as_ref().map_or(0.0, |w| w.mass_kg),
                        fact.to_salinity_limit_l
                    ))
                    .help(format!(
                        "hold it below {:.0} L: a smaller reservoir, a daily limit that latches, or a float in series",
                        fact.to_salinity_limit_l.floor()
                    ))
                    .subject(pump.clone());
            if let Some(hours) = fact.hours_to_salinity_limit {
                finding = finding.note(format!("below S {LOWEST_SALINITY} after {:.0} min", hours * 60.0));
                context.hours(format!("{pump} stuck on"), "salinity below 32.5", hours);
            }
            context.add(finding);
        }
        if dose.ph_nbs > HIGHEST_PH || rise_in_a_day(dose) > HIGHEST_RISE_DKH {
            context.add(
                Diagnostic::error(
                    "top-off-overdoses-lime",
                    format!("`{pump}` raises alkalinity to {:.1} dKH and pH towards {:.2} {case}", dose.alkalinity_dkh, dose.ph_nbs),
                )
                .at(place.clone(), "")
                .note(format!(
                    "{:.1} L of limewater in {}; TA' = (m TA + 2 c V)/m'; pH closed to the air and without precipitation, an upper bound",
                    dose.volume_l,
                    span_h(hours)
                ))
                .help("dose lime from its own small vessel by a slow pump; leave fresh water in the reservoir")
                .subject(pump.clone()),
            );
        }
    }
}

/// Rise of alkalinity in the first day, dKH.
fn rise_in_a_day(dose: &DoseFact) -> f64 {
    dose.alkalinity_rise_dkh * (24.0 / dose.hours.max(24.0))
}

/// Hours of a dose that harms; None: it does not.
fn harm_of(dose: &DoseFact) -> Option<f64> {
    let harms = dose.floor_l > FLOOR_LIMIT * LITRES
        || dose.salinity < LOWEST_SALINITY
        || dose.ph_nbs > HIGHEST_PH
        || rise_in_a_day(dose) > HIGHEST_RISE_DKH;
    harms.then_some(dose.hours)
}

//! Evaporation from top-off: between two instants at which the float found the level full again, what came in is what evaporated.

use system::model::{Contents, PassageKind, SensorKind};

use crate::doubts::{self, Doubt};
use crate::fitted::{Parameter, Quantity, Residual, Residuals};
use crate::regress::{Estimated, jackknife};
use crate::scene::Scene;

/// Least time between the ends of a block, s: a day, less what a fill may come early.
const BLOCK_S: f64 = 22.0 * 3600.0;
/// Pumps must have run so long before an instant for the levels to be those of a running tank, s.
const SETTLED_S: f64 = 900.0;
/// Blocks that are needed.
const LEAST_BLOCKS: usize = 4;

/// A stretch between two full levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Block {
    pub from_s: f64,
    pub to_s: f64,
    /// What evaporated, m³.
    pub lost: f64,
    /// What the file expects, m³.
    pub expected: f64,
}

/// Float that keeps the level of a vessel: the one whose marks are nearest to the level at which the file starts.
fn keeper(scene: &Scene<'_>, vessel: usize) -> Option<usize> {
    let start = scene.system.vessels[vessel].start_level;
    let off = |i: usize| match scene.system.sensors[i].kind {
        SensorKind::Float { low, high, .. } => (0.5 * (low + high) - start).abs(),
        _ => f64::INFINITY,
    };
    (0..scene.system.sensors.len())
        .filter(|i| scene.system.sensors[*i].vessel.is_some_and(|v| v.idx() == vessel))
        .filter(|i| off(*i).is_finite() && scene.series(*i).is_some())
        .min_by(|a, b| off(*a).total_cmp(&off(*b)))
}

/// Instants at which the level was found full again. Err: why there are none, as a sentence.
fn fills(scene: &Scene<'_>) -> Result<Vec<f64>, String> {
    let lines = scene.system.passages.iter().filter(|p| {
        matches!(p.kind, PassageKind::Line { .. })
            && scene.system.vessels[p.from.idx()].holds != Contents::Tank
            && scene.system.vessels[p.to.idx()].holds == Contents::Tank
    });
    let mut into: Vec<usize> = lines.map(|p| p.to.idx()).collect();
    into.dedup();
    let Some(&vessel) = into.first() else {
        return Err("the file has no top-off line: nothing measures what evaporates".to_owned());
    };
    let float = keeper(scene, vessel).ok_or_else(|| {
        format!(
            "the log has no float that keeps the level of `{}`: log it, or what it lost is not known",
            scene.system.vessels[vessel].name
        )
    })?;
    let SensorKind::Float { true_above, .. } = scene.system.sensors[float].kind else { return Ok(vec![]) };
    let Some(series) = scene.series(float) else { return Ok(vec![]) };
    let points: Vec<(f64, bool)> =
        series.points().filter(|p| p.1.is_finite()).map(|(t, v)| (t, (v > 0.5) == true_above)).collect();
    let rises = points.windows(2).filter(|w| !w[0].1 && w[1].1).map(|w| 0.5 * (w[0].0 + w[1].0));
    Ok(rises.filter(|t| is_settled(scene, *t)).collect())
}

/// All pumps that carry the tank's water round ran for some time, as far as the log tells.
fn is_settled(scene: &Scene<'_>, at_s: f64) -> bool {
    scene.system.passages.iter().all(|p| match p.kind {
        PassageKind::Pumped { pump, .. } => {
            scene.drive(pump.idx(), at_s - SETTLED_S, at_s).is_none_or(|d| d > 0.999)
        }
        _ => true,
    })
}

/// A reservoir of the tank was near its dead level at some time: a pump that runs there brings nothing.
fn ran_dry(scene: &Scene<'_>, from_s: f64, to_s: f64) -> bool {
    scene.system.sensors.iter().enumerate().any(|(i, s)| {
        let (SensorKind::Float { low, true_above, .. }, Some(v)) = (&s.kind, s.vessel) else { return false };
        let vessel = &scene.system.vessels[v.idx()];
        let is_mark = vessel.holds != Contents::Tank && *low < 0.5 * vessel.start_level;
        let below = |on: f64| if *true_above { 1.0 - on } else { on };
        is_mark && scene.series(i).and_then(|s| s.mean(from_s, to_s)).is_some_and(|on| below(on) > 0.0)
    })
}

/// Stretches between full levels.
pub(crate) fn blocks(scene: &Scene<'_>) -> Result<Vec<Block>, String> {
    let mut from = None;
    let mut all = vec![];
    for at in fills(scene)? {
        let Some(begin) = from else {
            from = Some(at);
            continue;
        };
        if at - begin < BLOCK_S {
            continue;
        }
        from = Some(at);
        if ran_dry(scene, begin, at) {
            continue;
        }
        let Some(dosed) = scene.dosed(begin, at) else {
            return Err(
                "a dosing pump is not in the log, so what it brought in is not known: log all outputs"
                    .to_owned(),
            );
        };
        let brought: f64 = dosed.iter().map(|(_, v)| v).sum();
        let carried: f64 = (scene.system.actuators.iter().enumerate())
            .filter(|(_, a)| a.removes > 0.0)
            .map(|(a, part)| part.removes * scene.drive(a, begin, at).unwrap_or(0.0) * (at - begin))
            .sum();
        if let Some(expected) = scene.evaporation_m3(begin, at) {
            all.push(Block { from_s: begin, to_s: at, lost: brought - carried, expected });
        }
    }
    Ok(all)
}

/// What was found, for the heat balance.
pub(crate) struct Evaporation {
    pub blocks: Vec<Block>,
    /// Factor on the file's.
    pub factor: f64,
}

impl Evaporation {
    /// Factor at a time: of its block where it lies in one.
    pub fn at(&self, time_s: f64) -> f64 {
        let block = self.blocks.iter().find(|b| b.from_s <= time_s && time_s < b.to_s);
        block.filter(|b| b.expected > 0.0).map_or(self.factor, |b| b.lost / b.expected)
    }
}

fn ratio(blocks: &[Block], without: Option<usize>) -> Option<Vec<f64>> {
    let kept = || blocks.iter().enumerate().filter(|(i, _)| Some(*i) != without).map(|(_, b)| b);
    let (lost, expected) = (kept().map(|b| b.lost).sum::<f64>(), kept().map(|b| b.expected).sum::<f64>());
    (expected > 0.0).then(|| vec![lost / expected])
}

/// The factor, by day and over all. None: nothing tells it.
pub(crate) fn evaporation(scene: &Scene<'_>) -> Option<Evaporation> {
    let blocks = blocks(scene).ok()?;
    let factor = ratio(&blocks, None)?[0];
    (blocks.len() >= LEAST_BLOCKS).then_some(Evaporation { blocks, factor })
}

/// The parameter and its residuals.
pub(crate) fn fit(scene: &Scene<'_>) -> (Parameter, Option<Residuals>) {
    let parameter = Parameter::of(Quantity::Evaporation, None, scene.system.fitted.evaporation);
    let blocks = match blocks(scene) {
        Ok(blocks) => blocks,
        Err(why) => return (parameter.not_told(why), None),
    };
    let estimated: Option<Estimated> =
        if blocks.len() < LEAST_BLOCKS { None } else { jackknife(blocks.len(), |w| ratio(&blocks, w)) };
    let Some(estimated) = estimated else {
        let why = format!(
            "the level was found full again only {} times a day or more apart; {} are needed: a longer log",
            blocks.len() + 1,
            LEAST_BLOCKS + 1
        );
        return (parameter.not_told(why), None);
    };
    let doubts: Vec<Doubt> = doubts::of_balance(scene);
    let again = |s: &Scene<'_>| evaporation(s).map(|e| vec![e.factor]);
    let effects = doubts::effects(scene, &doubts, &estimated.values, &again);
    let mut told = doubts::told(parameter, &estimated, 0, &effects, "scatter from day to day");
    told.how = format!(
        "What the dosing pumps brought in between {} full levels, over what the file's surfaces lose to a room as {}",
        blocks.len() + 1,
        if scene.is_room_measured() { "warm as measured" } else { "the file describes" }
    );
    let points = (blocks.iter())
        .map(|b| {
            let per_day = 86_400.0 / (b.to_s - b.from_s) * 1000.0;
            let model = estimated.values[0] * b.expected;
            Residual { from_s: b.from_s, to_s: b.to_s, measured: b.lost * per_day, model: model * per_day }
        })
        .collect();
    (told, Some(Residuals { name: "water lost".to_owned(), unit: "L/day", points }))
}

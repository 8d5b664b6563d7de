//! Heaters and walls from the heat balance of the whole water, hour by hour: what the water gained is what heaters, pumps and lamps gave less
//! what walls, surface, vapour and cold top-off took. It is linear in the power of each heater and in the factor on the walls.
//!
//! The heater's own steps tell its power, for the water's heat is known; the walls have what remains of the whole. These are kept apart: the
//! power is taken from what changes within a quarter of a day alone. A colder room than is known makes the heater run more, and a
//! regression over all would take that for a weaker heater. So the heater's time less its mean over the quarter day is the instrument of its
//! power, the loss itself that of the walls (instrumental variables; Wooldridge, Introductory Econometrics, ch. 15, from memory).
//!
//! Vapour is what top-off replaced, day by day, so that nobody has to know the humidity. A probe that lags, or that stands where a heater's
//! water has not yet been mixed, is off by the same each time a heater runs: a column for the heater's state at both ends of the hour takes
//! that up, and where heater and probe are alone with most of the water it is the probe's lag.

use system::model::{ActuatorKind, Contents, PassageKind};

use crate::doubts::{self, Doubt, Effect};
use crate::fitted::{Parameter, Quantity, Residual, Residuals};
use crate::regress::{Estimated, Sums, by_blocks};
use crate::scene::Scene;
use crate::water::{self, Evaporation};

const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;
/// Ends of an hour are means over so long, before and after, s.
const END_S: f64 = 300.0;
/// Pieces of the mean over an end.
const PIECES: usize = 10;
/// Days that are needed, and on which a heater must have run.
const LEAST_DAYS: usize = 4;
/// A heater that is on for less of a day did not run on it.
const RAN: f64 = 0.01;
/// Hours of a quarter of a day.
const QUARTER: usize = 6;
/// A heater whose time changes less than this share of itself within the quarters of days shows no steps.
const STEPS: f64 = 5e-3;
/// Share of the tank's water that a vessel must hold for its heater to tell the lag of a probe: where water goes round, its mixing takes
/// minutes and looks like a lag.
const MOST_WATER: f64 = 0.9;
/// Heat of a cubic metre of fresh water, J/m³/K at 25 °C (as in the twin).
const FRESH_HEAT: f64 = 4.1693e6;

/// Weights of a mean over an end by trapezoids.
fn ends() -> impl Iterator<Item = (f64, f64)> {
    (0..=PIECES).map(|k| {
        let weight = if k == 0 || k == PIECES { 0.5 } else { 1.0 } / PIECES as f64;
        (END_S * (2.0 * k as f64 / PIECES as f64 - 1.0), weight)
    })
}

/// What the balance is made of for one system.
struct Balance<'s, 'a> {
    scene: &'s Scene<'a>,
    evaporation: Option<Evaporation>,
    /// By tank vessel: heat that its water holds, J/K.
    capacity: Vec<(usize, f64)>,
    /// Heaters whose power is sought.
    sought: &'s [usize],
}

/// One hour.
#[derive(Clone, Debug)]
struct Row {
    from_s: f64,
    /// Quarter of a day in which it lies, counted from the start.
    quarter: usize,
    /// Heat that heaters and walls have to explain, J.
    y: f64,
    /// By sought heater: J for each W; then walls, J at factor 1, negative; then by sought heater the change of its state.
    x: Vec<f64>,
}

/// Heaters of tank water that are in the log.
fn heaters(scene: &Scene<'_>) -> Vec<usize> {
    let system = scene.system;
    (0..system.actuators.len())
        .filter(|a| system.actuators[*a].kind == ActuatorKind::Heater)
        .filter(|a| {
            system.actuators[*a]
                .heats
                .is_some_and(|(v, share)| share > 0.0 && system.vessels[v.idx()].holds == Contents::Tank)
        })
        .collect()
}

/// Days of the log on which a heater ran.
fn days_run(scene: &Scene<'_>, heater: usize, from_s: f64, to_s: f64) -> usize {
    let n = ((to_s - from_s) / DAY_S).floor() as usize;
    let day = |d: usize| (from_s + d as f64 * DAY_S, from_s + (d + 1) as f64 * DAY_S);
    (0..n).filter(|d| scene.drive(heater, day(*d).0, day(*d).1).is_some_and(|on| on > RAN)).count()
}

impl<'s, 'a> Balance<'s, 'a> {
    fn new(scene: &'s Scene<'a>, sought: &'s [usize]) -> Self {
        let water = &scene.system.water;
        let per_m3 = seawater::density::density_kg_per_m3(water.salinity, water.temperature_c)
            * seawater::heat::heat_capacity_j_per_kg_k(water.salinity, water.temperature_c)
            * scene.shift.capacity;
        let mut capacity: Vec<(usize, f64)> = scene.waters().map(|v| (v, scene.volume(v) * per_m3)).collect();
        for passage in &scene.system.passages {
            if let PassageKind::Pumped { pipe, .. } = &passage.kind
                && let Some(c) = capacity.iter_mut().find(|c| c.0 == passage.to.idx())
            {
                c.1 += pipe.volume() * per_m3;
            }
        }
        Balance { scene, evaporation: water::evaporation(scene), capacity, sought }
    }

    /// Mean over an end of the hour of what `f` gives at each instant.
    fn end(&self, at_s: f64, f: impl Fn(f64) -> Option<f64>) -> Option<f64> {
        ends().map(|(off, weight)| Some(f(at_s + off)? * weight)).sum()
    }

    /// Seconds at full drive between the ends of an hour.
    fn run_s(&self, actuator: usize, from_s: f64, to_s: f64) -> Option<f64> {
        let length = to_s - from_s;
        self.end(from_s, |t| self.scene.drive(actuator, t, t + length)).map(|d| d * length)
    }

    fn row(&self, from_s: f64, quarter: usize) -> Option<Row> {
        let scene = self.scene;
        let system = scene.system;
        let to_s = from_s + HOUR_S;
        let mut y = 0.0;
        let mut walls = 0.0;
        let room_c = scene.room_c(from_s, to_s)?;
        for &(v, capacity) in &self.capacity {
            let at = |t: f64| scene.water_c(v, t - END_S, t + END_S);
            y += capacity * (at(to_s)? - at(from_s)?);
            let vessel = &system.vessels[v];
            let per_k = scene.plan.wall_w_per_k(system::model::VesselIdx(v), vessel.start_level);
            walls -= per_k * (scene.water_c(v, from_s, to_s)? - room_c) * HOUR_S;
        }
        let mut x = vec![0.0; 2 * self.sought.len() + 1];
        for (a, part) in system.actuators.iter().enumerate() {
            let Some((v, share)) = part.heats else { continue };
            if system.vessels[v.idx()].holds != Contents::Tank {
                continue;
            }
            if let Some(j) = self.sought.iter().position(|h| *h == a) {
                x[j] = share * self.run_s(a, from_s, to_s)?;
                let state = |t: f64| scene.drive_at(a, t);
                x[self.sought.len() + 1 + j] = self.end(to_s, state)? - self.end(from_s, state)?;
                continue;
            }
            let gear = if part.kind == ActuatorKind::Heater { scene.shift.heaters } else { scene.shift.gear };
            y -= part.watts * gear * share * self.run_s(a, from_s, to_s)?;
        }
        x[self.sought.len()] = walls;
        let factor = self
            .evaporation
            .as_ref()
            .map_or(scene.shift.evaporation * system.fitted.evaporation, |e| e.at(from_s));
        for (_, surface) in scene.surfaces(from_s, to_s)? {
            y += factor * (surface.vapour_kg_s * surface.latent + surface.sensible_w) * HOUR_S;
        }
        for (p, volume) in scene.dosed(from_s, to_s).unwrap_or_default() {
            let into = system.passages[p].to.idx();
            y += volume * FRESH_HEAT * (scene.water_c(into, from_s, to_s)? - room_c);
        }
        Some(Row { from_s, quarter, y, x })
    }

    /// Rows of all hours, by day of the log.
    fn days(&self, from_s: f64, to_s: f64) -> Vec<Vec<Row>> {
        let n = ((to_s - from_s - 2.0 * END_S) / HOUR_S).floor().max(0.0) as usize;
        let mut days: Vec<Vec<Row>> = vec![vec![]; n.div_ceil(24)];
        for k in 0..n {
            if let Some(row) = self.row(from_s + END_S + k as f64 * HOUR_S, k / QUARTER) {
                days[k / 24].push(row);
            }
        }
        days.retain(|day| !day.is_empty());
        days
    }
}

/// Sums by day: heaters and their states by what changes within the quarters of the day, the walls by the whole. Beside them, for each
/// heater, the squares of its time and of what changes of it.
fn sums(days: &[Vec<Row>], n: usize) -> (Vec<Sums>, Vec<(f64, f64)>) {
    let k = 2 * n + 1;
    let mut steps = vec![(0.0, 0.0); n];
    let mut of = |day: &Vec<Row>| {
        let mut sums = Sums::new(k);
        for quarter in day.chunk_by(|a, b| a.quarter == b.quarter) {
            let mean = |j: usize| quarter.iter().map(|r| r.x[j]).sum::<f64>() / quarter.len() as f64;
            let means: Vec<f64> = (0..k).map(|j| if j == n { 0.0 } else { mean(j) }).collect();
            for row in quarter {
                let z: Vec<f64> = row.x.iter().zip(&means).map(|(x, m)| x - m).collect();
                for (step, (x, z)) in steps.iter_mut().zip(row.x.iter().zip(&z)) {
                    *step = (step.0 + x * x, step.1 + z * z);
                }
                sums.add_by(&z, &row.x, row.y);
            }
        }
        sums
    };
    let all = days.iter().map(&mut of).collect();
    (all, steps)
}

/// A regression in short: its coefficients again under a shift.
fn again(scene: &Scene<'_>, sought: &[usize], over: (f64, f64)) -> Option<Vec<f64>> {
    let n = sought.len();
    let days = Balance::new(scene, sought).days(over.0, over.1);
    let (blocks, _) = sums(&days, n);
    Some(lags_in_place(Sums::total(&blocks, 2 * n + 1).solve()?, n))
}

/// Puts the lag, s, in the place of the coefficient of a heater's state: it is minus power times lag.
fn lags_in_place(mut values: Vec<f64>, n: usize) -> Vec<f64> {
    for j in 0..n {
        let power = values[j];
        if let Some(state) = values.get_mut(n + 1 + j) {
            *state = if power.abs() > 1e-9 { -*state / power } else { f64::NAN };
        }
    }
    values
}

/// Why the balance cannot be made, as a sentence.
fn missing(scene: &Scene<'_>) -> Option<String> {
    let n_probes = scene.waters().filter(|v| scene.probes_of(*v).next().is_some()).count();
    if n_probes == 0 {
        return Some("the log has no thermometer of the tank's water".to_owned());
    }
    let system = scene.system;
    let not_logged = |a: &usize| {
        let part = &system.actuators[*a];
        part.heats.is_some() && !part.always && scene.log.get(&part.name).is_none()
    };
    (0..system.actuators.len()).find(not_logged).map(|a| {
        format!(
            "`{}` warms the water and is not in the log: log what it did, or the balance has a hole",
            system.actuators[a].name
        )
    })
}

/// What is found of heaters, walls and lags.
pub(crate) fn fit(scene: &Scene<'_>, from_s: f64, to_s: f64) -> (Vec<Parameter>, Option<Residuals>) {
    let system = scene.system;
    let all = heaters(scene);
    let wall = Parameter::of(Quantity::WallLoss, None, system.fitted.wall_loss);
    let power = |a: usize| {
        Parameter::of(Quantity::HeaterPower, Some(&system.actuators[a].name), system.actuators[a].watts)
    };
    let why_not = |why: &str| {
        let mut none: Vec<Parameter> = vec![wall.clone().not_told(why)];
        none.extend(all.iter().map(|a| power(*a).not_told(why)));
        (none, None)
    };
    if let Some(why) = missing(scene) {
        return why_not(&why);
    }
    let (ran, rare): (Vec<usize>, Vec<usize>) =
        all.iter().partition(|a| days_run(scene, **a, from_s, to_s) >= LEAST_DAYS);
    let (_, steps) = sums(&Balance::new(scene, &ran).days(from_s, to_s), ran.len());
    let is_stepping = |j: usize| steps[j].1 >= STEPS * steps[j].0;
    let sought: Vec<usize> = (0..ran.len()).filter(|j| is_stepping(*j)).map(|j| ran[j]).collect();
    let steady: Vec<usize> = (0..ran.len()).filter(|j| !is_stepping(*j)).map(|j| ran[j]).collect();
    let k = 2 * sought.len() + 1;
    let days = Balance::new(scene, &sought).days(from_s, to_s);
    let (blocks, _) = sums(&days, sought.len());
    let estimated = if days.len() < LEAST_DAYS {
        None
    } else {
        by_blocks(&blocks, k, |b| lags_in_place(b, sought.len()))
    };
    let Some((estimated, coefficients)) = estimated.zip(Sums::total(&blocks, k).solve()) else {
        return why_not(&format!(
            "the balance can be made on {} days only, or hangs on a single one; {LEAST_DAYS} days with probes, room and outputs are needed",
            days.len()
        ));
    };
    let doubts = of_heat(scene, !rare.is_empty() || !steady.is_empty());
    let again = |s: &Scene<'_>| again(s, &sought, (from_s, to_s));
    let effects = doubts::effects(scene, &doubts, &estimated.values, &again);
    let mut told = vec![];
    for (j, of) in sought.iter().map(|a| power(*a)).enumerate().chain([(sought.len(), wall.clone())]) {
        let mut parameter = doubts::told(of, &estimated, j, &effects, "scatter from day to day");
        parameter.how = how(scene, j == sought.len(), days.len());
        told.push(parameter);
    }
    told.rotate_right(1);
    for a in steady {
        told.push(power(a).not_told(
            "its power and the loss of the walls show only as a ratio: it was on all the time and never stopped within hours; milder days, \
             or an hour off by hand, would tell them apart",
        ));
    }
    for a in rare {
        told.push(power(a).not_told(format!(
            "it ran on fewer than {LEAST_DAYS} days of the log: let it heat alone for some nights, or test it by hand and watch the water"
        )));
    }
    told.extend(lags(scene, &sought, (from_s, to_s)));
    let residuals = residuals(&days, &coefficients, sought.len());
    (told, Some(residuals))
}

/// Lags of the thermometers of the tank.
fn lags(scene: &Scene<'_>, sought: &[usize], over: (f64, f64)) -> Vec<Parameter> {
    let system = scene.system;
    let whole: f64 = scene.waters().map(|v| scene.volume(v)).sum();
    let probes = scene.waters().flat_map(|v| scene.probes_of(v).map(move |i| (v, i)));
    probes
        .map(|(v, i)| {
            let of = Parameter::of(Quantity::ProbeLag, Some(&system.sensors[i].name), system.sensors[i].lag_s);
            if scene.volume(v) < MOST_WATER * whole {
                return of.not_told(
                    "water that goes round between vessels mixes for minutes, and a log cannot tell that from the lag of a probe",
                );
            }
            let own: Vec<usize> = (0..sought.len())
                .filter(|j| system.actuators[sought[*j]].heats.is_some_and(|(h, _)| h.idx() == v))
                .collect();
            lag(&scene.with_only(i), sought, &own, over).map_or_else(
                || of.clone().not_told("no heater in its vessel ran on enough days to show it by its steps"),
                |(estimated, delay_s)| {
                    // Somewhere between nought and twice as long: a rectangle about half of it.
                    let warms = Effect {
                        source: format!("the heater's glass takes {delay_s} s to warm by the file, or none, or twice that"),
                        is_even: true,
                        change: vec![0.5 * delay_s / 3.0_f64.sqrt()],
                    };
                    let mut told =
                        doubts::told(of.clone(), &estimated, 0, &[warms], "scatter from day to day");
                    told.how = "How late the probe follows when the heater in its vessel starts and stops".to_owned();
                    told
                },
            )
        })
        .collect()
}

/// Lag of the one probe of a scene by the heater that tells it best, and the time in which that comes to full heat.
fn lag(scene: &Scene<'_>, sought: &[usize], own: &[usize], over: (f64, f64)) -> Option<(Estimated, f64)> {
    let k = 2 * sought.len() + 1;
    let days = Balance::new(scene, sought).days(over.0, over.1);
    if days.len() < LEAST_DAYS {
        return None;
    }
    let (blocks, _) = sums(&days, sought.len());
    let all = by_blocks(&blocks, k, |b| lags_in_place(b, sought.len()))?;
    let by = |j: &usize| all.standard[sought.len() + 1 + *j];
    let best = own.iter().min_by(|a, b| by(a).total_cmp(&by(b)))? + sought.len() + 1;
    let delay_s = scene.system.actuators[sought[best - sought.len() - 1]].delay_s;
    let lag = Estimated {
        values: vec![all.values[best] - 0.5 * delay_s],
        standard: vec![all.standard[best]],
        dof: vec![all.dof[best]],
    };
    Some((lag, delay_s))
}

fn how(scene: &Scene<'_>, is_wall: bool, n_days: usize) -> String {
    let room = if scene.is_room_measured() { "a measured room" } else { "the room of the file's climate" };
    if is_wall {
        format!(
            "Heat balance of the whole water hour by hour on {n_days} days against {room}: what heat remains for the walls"
        )
    } else {
        format!(
            "Heat balance of the whole water hour by hour on {n_days} days: how fast the water warms while it is on"
        )
    }
}

fn of_heat(scene: &Scene<'_>, has_untold: bool) -> Vec<Doubt> {
    let mut all = doubts::of_balance(scene);
    if has_untold {
        all.push(Doubt {
            source: format!(
                "heaters that the log cannot tell have the file's power, give or take {:.0} %",
                100.0 * doubts::HEATER
            ),
            is_even: true,
            change: Box::new(|s| s.heaters = 1.0 + doubts::HEATER / 3.0_f64.sqrt()),
        });
    }
    if water::evaporation(scene).is_none() {
        all.push(Doubt {
            source: format!(
                "evaporation by the file's law, good to {:.0} %: no top-off in the log shows it",
                100.0 * doubts::EVAPORATION
            ),
            is_even: false,
            change: Box::new(|s| s.evaporation = 1.0 + doubts::EVAPORATION),
        });
    }
    all
}

/// Heat of the heaters by day, W, against what the balance explains.
fn residuals(days: &[Vec<Row>], values: &[f64], n: usize) -> Residuals {
    let of = |day: &Vec<Row>| {
        let given: f64 = day.iter().flat_map(|r| r.x.iter().zip(values).take(n)).map(|(x, b)| x * b).sum();
        let others: f64 =
            day.iter().map(|r| r.y - r.x.iter().zip(values).skip(n).map(|(x, b)| x * b).sum::<f64>()).sum();
        let time = day.len() as f64 * HOUR_S;
        let from_s = day.first().map_or(0.0, |r| r.from_s);
        let to_s = day.last().map_or(0.0, |r| r.from_s + HOUR_S);
        Residual { from_s, to_s, measured: given / time, model: others / time }
    };
    Residuals { name: "heat of the heaters".to_owned(), unit: "W", points: days.iter().map(of).collect() }
}

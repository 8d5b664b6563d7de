//! Gas exchange from the pH by night and day: carbon dioxide that livestock breathes out leaves through surface, skimmer and falling
//! water the faster the more of it there is, so the night's rise bends over, and how soon says how strong the exchange is. The height at which
//! it settles says what breathes, once the room's carbon dioxide is known.
//!
//! pH and alkalinity give the dissolved carbon (handbook section 2). Its change over an hour, less what lime and calcification did, is
//! regressed on the exchange at the file's figures, on the file's demand by night and day, and on the light.

use seawater::carbonate::{BoronRatio, Constants, Known};
use seawater::oxygen::O2_G_PER_MOL;
use system::model::{Contents, Livestock, PassageKind, SensorKind, VesselIdx};

use crate::doubts::{self, Doubt};
use crate::fitted::{Interval, Parameter, Quantity, Residual, Residuals};
use crate::flow;
use crate::regress::{Sums, by_blocks};
use crate::scene::{Scene, Shift};

const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;
/// Hours over which a change is taken: longer than noise of the probe needs, shorter than the bend.
const STEP_S: f64 = 2.0 * HOUR_S;
/// Ends of a step are means over so long, before and after, s.
const END_S: f64 = 900.0;
/// Temperature to which the given exchange belongs, °C (as in the twin).
const EXCHANGE_AT_C: f64 = 25.0;
const LEAST_DAYS: usize = 4;
/// Below this share of a column that the others do not explain, it cannot be told from them.
const OWN_SHARE: f64 = 1e-3;
/// Alkalinity is reckoned forward from the file's so long, then it has wandered too far, days.
const LONGEST_DAYS: f64 = 60.0;

/// Columns.
const EXCHANGE: usize = 0;
const DEMAND: usize = 1;
const N: usize = 3;

/// One step.
struct Row {
    from_s: f64,
    /// Carbon that the water gained, by lime and corals not, mol.
    y: f64,
    /// At factor 1: by exchange, by breathing; by the light at the file's figure, negative.
    x: [f64; N],
}

/// Carbonate system at an instant.
struct At {
    dic_mol: f64,
    co2_umol_kg: f64,
    air_umol_kg: f64,
    celsius: f64,
    rho: f64,
}

struct Chemistry<'s, 'a> {
    scene: &'s Scene<'a>,
    probe: usize,
    vessel: usize,
    volume: f64,
    live: &'s Livestock,
}

fn ph_probe(scene: &Scene<'_>) -> Option<(usize, usize)> {
    scene.system.sensors.iter().enumerate().find_map(|(i, s)| {
        let is_ph = matches!(s.kind, SensorKind::Ph { .. }) && scene.series(i).is_some();
        Some((i, s.vessel.filter(|_| is_ph)?.idx()))
    })
}

impl<'s, 'a> Chemistry<'s, 'a> {
    /// Alkalinity of the whole water at a time, meq/L: the file's, with lime in and what corals take out.
    fn alkalinity(&self, begin_s: f64, at_s: f64) -> Option<f64> {
        let system = self.scene.system;
        let mut meq = 0.0;
        for (p, volume) in self.scene.dosed(begin_s, at_s)? {
            if let Contents::Limewater(meq_l) = system.vessels[system.passages[p].from.idx()].holds {
                meq += meq_l * volume * 1000.0;
            }
        }
        let taken = system.water.consumption_meq_l_day * (at_s - begin_s) / DAY_S;
        let start = system.water.alkalinity_meq_l + self.scene.shift.alkalinity;
        Some(start + meq / (self.volume * 1000.0) - taken)
    }

    fn at(&self, at_s: f64, alkalinity_meq_l: f64) -> Option<At> {
        let scene = self.scene;
        let s = scene.system.water.salinity;
        let over = (at_s - END_S, at_s + END_S);
        let celsius = scene.water_c(self.vessel, over.0, over.1)?;
        let ph = scene.series(self.probe)?.mean(over.0, over.1)? - scene.shift.offsets[self.probe];
        let k = Constants::at(s, celsius, BoronRatio::default());
        let ta = seawater::alkalinity::umol_per_kg_from_meq_per_l(alkalinity_meq_l, s, celsius);
        let found = k.solve(Known::Alkalinity(ta), Known::PhNbs(ph), 1.0).ok()?;
        let rho = seawater::density::density_kg_per_m3(s, celsius);
        let over_water = seawater::vapour::vapour_pressure_pa(s, celsius);
        let climate = scene.system.climates.first();
        let ppm = climate.map_or(420.0, |c| c.co2_ppm) + scene.shift.co2_ppm;
        let dry = (seawater::STANDARD_ATMOSPHERE_PA - over_water) / seawater::STANDARD_ATMOSPHERE_PA;
        Some(At {
            dic_mol: found.dic_umol_per_kg * 1e-6 * rho * self.volume,
            co2_umol_kg: found.co2_umol_per_kg,
            air_umol_kg: k.co2_at_pco2_umol_per_kg(ppm * dry),
            celsius,
            rho,
        })
    }

    /// Water brought to equilibrium each second at factor 1 and 25 °C, m³/s.
    fn exchange(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let system = self.scene.system;
        let mut sum: f64 = self.scene.waters().map(|v| system.vessels[v].still_exchange).sum();
        for (a, part) in system.actuators.iter().enumerate().filter(|(_, a)| a.exchange > 0.0) {
            let is_in_tank = part.vessel.is_some_and(|v| system.vessels[v.idx()].holds == Contents::Tank);
            if is_in_tank {
                sum += part.exchange * self.scene.drive(a, from_s, to_s)?;
            }
        }
        let falling: f64 = (system.passages.iter())
            .filter(|p| !matches!(p.kind, PassageKind::Line { .. }))
            .map(|p| p.aeration)
            .sum();
        if falling > 0.0 {
            sum += falling * flow::circulation(self.scene, from_s, to_s)?;
        }
        Some(sum)
    }

    fn light(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let system = self.scene.system;
        let lamps = (0..system.actuators.len())
            .filter(|a| system.actuators[*a].lights == Some(VesselIdx(self.live.vessel.idx())));
        let sum: f64 = lamps.map(|a| self.scene.drive(a, from_s, to_s)).sum::<Option<f64>>()?;
        Some(sum.min(1.0))
    }

    fn row(&self, begin_s: f64, from_s: f64) -> Option<Row> {
        let to_s = from_s + STEP_S;
        let alkalinity = (self.alkalinity(begin_s, from_s)?, self.alkalinity(begin_s, to_s)?);
        let (a, b) = (self.at(from_s, alkalinity.0)?, self.at(to_s, alkalinity.1)?);
        let water = &self.scene.system.water;
        // Calcification takes one carbon for two of alkalinity; lime brings none.
        let corals = 0.5 * water.consumption_meq_l_day * STEP_S / DAY_S * self.volume;
        let middle = 0.5 * (a.celsius + b.celsius);
        let factor = libm::pow(physics::gas::TEMPERATURE_FACTOR, middle - EXCHANGE_AT_C);
        let gap = 0.5 * (a.air_umol_kg + b.air_umol_kg - a.co2_umol_kg - b.co2_umol_kg) * 1e-6 * a.rho;
        let exchange = physics::gas::CO2_AGITATED * self.exchange(from_s, to_s)? * factor * gap * STEP_S;
        let live = self.live;
        let corals_dark = live.coral_cm2 * live.coral_umol_cm2_h * 1e-6 / HOUR_S;
        let others = (live.fish_kg * live.fish_mg_kg_h + live.other_mg_h) * 1e-3 / O2_G_PER_MOL / HOUR_S;
        let light = corals_dark * live.light_ratio * self.light(from_s, to_s)?;
        Some(Row {
            from_s,
            y: b.dic_mol - a.dic_mol + corals,
            x: [exchange, (corals_dark + others) * STEP_S, -light * STEP_S],
        })
    }

    fn days(&self, from_s: f64, to_s: f64) -> Vec<Vec<Row>> {
        let to_s = to_s.min(from_s + LONGEST_DAYS * DAY_S);
        let n = ((to_s - from_s - 2.0 * END_S) / STEP_S).floor().max(0.0) as usize;
        let per_day = (DAY_S / STEP_S) as usize;
        let mut days: Vec<Vec<Row>> = vec![];
        days.resize_with(n.div_ceil(per_day), Vec::new);
        for k in 0..n {
            if let Some(row) = self.row(from_s, from_s + END_S + k as f64 * STEP_S) {
                days[k / per_day].push(row);
            }
        }
        days.retain(|day| !day.is_empty());
        days
    }
}

fn chemistry<'s, 'a>(scene: &'s Scene<'a>) -> Result<Chemistry<'s, 'a>, String> {
    let Some((probe, vessel)) = ph_probe(scene) else {
        return Err(
            "no pH of the tank is in the log, and no oxygen probe is known: nothing shows the exchange"
                .to_owned(),
        );
    };
    let Some(live) = &scene.system.livestock else {
        return Err("the file has no livestock: what breathes is not known".to_owned());
    };
    let volume = scene.waters().map(|v| scene.volume(v)).sum::<f64>() * scene.shift.capacity;
    Ok(Chemistry { scene, probe, vessel, volume, live })
}

fn sums(days: &[Vec<Row>]) -> Vec<Sums> {
    let of = |day: &Vec<Row>| {
        let mut sums = Sums::new(N);
        day.iter().for_each(|row| sums.add(&row.x, row.y));
        sums
    };
    days.iter().map(of).collect()
}

fn doubts(scene: &Scene<'_>) -> Vec<Doubt> {
    let mut all = vec![];
    let mut push = |source: String, is_even: bool, change: Box<dyn Fn(&mut Shift)>| {
        all.push(Doubt { source, is_even, change });
    };
    if let Some((probe, _)) = ph_probe(scene)
        && let Some(tolerance) = doubts::tolerance(scene, probe)
    {
        let name = &scene.system.sensors[probe].name;
        push(
            format!("`{name}` may be off by {tolerance}"),
            true,
            Box::new(move |s| s.offsets[probe] = tolerance / 3.0_f64.sqrt()),
        );
    }
    push(
        format!("alkalinity by the file, good to {} meq/L", doubts::ALKALINITY),
        false,
        Box::new(|s| s.alkalinity = doubts::ALKALINITY),
    );
    push(
        format!("carbon dioxide of the room by the file, good to {} ppm", doubts::CO2_PPM),
        false,
        Box::new(|s| s.co2_ppm = doubts::CO2_PPM),
    );
    push(
        format!("the water's volume by the file, good to {:.0} %", 100.0 * doubts::CAPACITY),
        false,
        Box::new(|s| s.capacity = 1.0 + doubts::CAPACITY),
    );
    push(
        format!("dosing pumps deliver what the file says to {:.0} %", 100.0 * doubts::LINES),
        false,
        Box::new(|s| s.lines = 1.0 + doubts::LINES),
    );
    all
}

/// Puts the logarithm of the exchange in its place: an electrode that is off by a tenth reads another share of the carbon dioxide, so what
/// it does to the exchange is a factor, the same up and down. NaN where it came out as none.
fn logarithm(mut coefficients: Vec<f64>) -> Vec<f64> {
    if let Some(exchange) = coefficients.get_mut(EXCHANGE) {
        *exchange = libm::log(*exchange);
    }
    coefficients
}

/// Takes a parameter that was told by its logarithm back.
fn exponential(mut p: Parameter) -> Parameter {
    if p.unknown.is_some() {
        return p;
    }
    let value = libm::exp(p.found.value);
    p.found = Interval { value, low: libm::exp(p.found.low), high: libm::exp(p.found.high) };
    p.shares.iter_mut().for_each(|s| s.standard *= value);
    p
}

/// Gas exchange and respiration.
pub(crate) fn fit(scene: &Scene<'_>, from_s: f64, to_s: f64) -> (Vec<Parameter>, Option<Residuals>) {
    let exchange = Parameter::of(Quantity::GasExchange, None, scene.system.fitted.gas_exchange);
    let demand = Parameter::of(Quantity::Respiration, None, scene.system.fitted.respiration);
    let why_not = |why: &str| (vec![exchange.clone().not_told(why), demand.clone().not_told(why)], None);
    let balance = match chemistry(scene) {
        Ok(balance) => balance,
        Err(why) => return why_not(&why),
    };
    let days = balance.days(from_s, to_s);
    let blocks = sums(&days);
    let estimated = if days.len() < LEAST_DAYS { None } else { by_blocks(&blocks, N, logarithm) };
    let Some((estimated, coefficients)) = estimated.zip(Sums::total(&blocks, N).solve()) else {
        return why_not(&format!(
            "pH, temperature, lamps and dosing pumps are in the log together on {} days only; {LEAST_DAYS} with nights and days are needed",
            days.len()
        ));
    };
    let shares = Sums::total(&blocks, N).own_shares();
    if shares[EXCHANGE] < OWN_SHARE || shares[DEMAND] < OWN_SHARE {
        return why_not("pH hardly moved by night and day, so exchange and breathing show only together");
    }
    let again = |s: &Scene<'_>| {
        let days = chemistry(s).ok()?.days(from_s, to_s);
        Sums::total(&sums(&days), N).solve().map(logarithm)
    };
    let effects = doubts::effects(scene, &doubts(scene), &estimated.values, &again);
    let scatter = "scatter from day to day";
    let mut exchange = exponential(doubts::told(exchange, &estimated, EXCHANGE, &effects, scatter));
    exchange.how = format!(
        "How fast carbon dioxide leaves the water as it rises by night and falls by day, from pH and alkalinity on {} days",
        days.len()
    );
    let mut demand = doubts::told(demand, &estimated, DEMAND, &effects, scatter);
    demand.how = format!(
        "Carbon dioxide that comes into the water by night beyond what the room gives, from pH and alkalinity on {} days",
        days.len()
    );
    let points = (days.iter().flatten())
        .map(|r| {
            let model: f64 = r.x.iter().zip(&coefficients).map(|(x, b)| x * b).sum();
            let per_hour = 1000.0 / (STEP_S / HOUR_S);
            Residual {
                from_s: r.from_s,
                to_s: r.from_s + STEP_S,
                measured: r.y * per_hour,
                model: model * per_hour,
            }
        })
        .collect();
    (vec![exchange, demand], Some(Residuals { name: "carbon gained".to_owned(), unit: "mmol/h", points }))
}

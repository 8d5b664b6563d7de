//! The standard changes of the trade as edits of a text, sized for its system. Physical bounds come first (a reservoir too small to harm, a
//! pump too slow, a dial): they cannot fail. Sizes are common practice without a source where nothing else is said.

use audit::Facts;
use serde::Serialize;
use serde_json::{Value, json};
use system::System;
use system::model::{
    ActuatorIdx, ActuatorKind, Harm, PassageKind, SensorKind, SupplyKind, VesselIdx, VesselRole,
};
use toml_edit::{DocumentMut, Item, Table};

use crate::edit::Edit;

/// At most so many are tried for one row.
const MOST: usize = 10;
/// A float for the worst stands so far over the level that is kept, m.
const OVER_KEPT_M: f64 = 0.010;
/// A float that guards a fed vessel stands at this share of its freeboard.
const SHARE_OF_FREEBOARD: f64 = 0.3;
/// Between the two heights at which a float switches, m.
const FLOAT_STEP_M: f64 = 0.002;
/// A siphon break lies so far below the running surface, m.
const BELOW_SURFACE_M: f64 = 0.006;
/// A top-off pump gives so many times what evaporates at worst.
const PUMP_RESERVE: f64 = 2.5;
/// A reservoir holds so many times what is needed at worst.
const RESERVOIR_RESERVE: f64 = 1.15;
/// A day's limit is so many times what evaporates at worst.
const DAY_RESERVE: f64 = 1.25;
/// A heater's own dial stands so far over the water's usual temperature, K.
const DIAL_OVER_K: f64 = 1.5;
/// The master cut opens so far over it, K.
const CUT_OVER_K: f64 = 2.4;

/// One change of a design.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Remedy {
    /// Stable kebab-case id.
    pub id: &'static str,
    /// What is done, in a sentence.
    pub text: String,
    /// The edits that do it.
    #[serde(skip)]
    pub edits: Vec<Edit>,
}

struct Design<'a> {
    system: &'a System,
    toml: DocumentMut,
    facts: Facts,
    harm: Option<Harm>,
    part: &'a str,
}

fn set(path: impl Into<String>, key: &str, value: impl Into<Value>) -> Edit {
    Edit::Set { path: path.into(), key: key.to_owned(), value: value.into() }
}

fn add(kind: &str, id: &str, values: Value) -> Edit {
    let values = match values {
        Value::Object(map) => map,
        _ => serde_json::Map::new(),
    };
    Edit::Add { kind: kind.to_owned(), id: id.to_owned(), values }
}

fn mm(metres: f64) -> String {
    format!("{:.0} mm", metres * 1000.0)
}

/// Remedies for a fault that does a harm, those that cannot fail first. Which of them fit the file its edits tell.
pub(crate) fn remedies(system: &System, text: &str, fault: &str, harm: Option<Harm>) -> Vec<Remedy> {
    let Ok(toml) = text.parse::<DocumentMut>() else { return vec![] };
    let part = fault.split_once(':').map_or(fault, |(part, _)| part);
    let design = Design { system, toml, facts: audit::run(system).facts, harm, part };
    let mut all = match harm {
        Some(Harm::Flood) => {
            [design.fresh_water(), design.drain_down(), design.blocked(), design.tray()].concat()
        }
        Some(Harm::Cook) => [design.too_hot(), design.board()].concat(),
        Some(Harm::Chill) => [design.too_cold(), design.board()].concat(),
        Some(Harm::Suffocate) => [design.air(), design.board()].concat(),
        Some(Harm::Overdose | Harm::Starve) => [design.fresh_water(), design.air(), design.board()].concat(),
        Some(Harm::Equipment) => [design.low(), design.fresh_water()].concat(),
        Some(Harm::Dark | Harm::Other) | None => design.board(),
    };
    all.extend(design.alarm());
    all.truncate(MOST);
    all
}

impl Design<'_> {
    /// A name that nothing has yet.
    fn fresh(&self, base: &str) -> String {
        let s = self.system;
        let taken = |name: &str| {
            s.sensors.iter().any(|x| x.name == name)
                || s.actuators.iter().any(|x| x.name == name)
                || s.signals.iter().any(|x| x.name == name)
                || s.supplies.iter().any(|x| x.name == name)
                || s.vessels.iter().any(|x| x.name == name)
                || s.passages.iter().any(|x| x.name == name)
                || s.alarms.iter().any(|x| x.name == name)
                || s.procedures.iter().any(|x| x.name == name)
                || s.boards.iter().any(|x| x.name == name)
        };
        let mut name = base.to_owned();
        let mut n = 2;
        while taken(&name) {
            name = format!("{base}_{n}");
            n += 1;
        }
        name
    }

    fn rule(&self, actuator: &str) -> Option<&Table> {
        let all = self.toml.get("rule").and_then(Item::as_array_of_tables)?;
        all.iter().find(|rule| rule.get("drives").and_then(Item::as_str) == Some(actuator))
    }

    fn written(&self, actuator: &str, key: &str) -> Option<&str> {
        self.rule(actuator)?.get(key)?.as_str()
    }

    /// Adds a condition to what a rule needs; nothing for what has no rule.
    fn permit(&self, actuator: &str, condition: &str) -> Option<Edit> {
        self.rule(actuator)?;
        let all = match self.written(actuator, "permissive") {
            Some(old) if old.contains(" or ") => format!("({old}) and {condition}"),
            Some(old) => format!("{old} and {condition}"),
            None => condition.to_owned(),
        };
        Some(set(format!("rule.{actuator}"), "permissive", all))
    }

    fn name(&self, actuator: ActuatorIdx) -> &str {
        &self.system.actuators[actuator.idx()].name
    }

    /// Evaporation at its worst, L/day.
    fn evaporation(&self) -> Option<f64> {
        let most = self.facts.evaporation.iter().map(|e| e.high_l_day).fold(0.0, f64::max);
        (most > 0.0).then_some(most)
    }

    /// Running level of a vessel and its rim, m.
    fn levels(&self, vessel: VesselIdx) -> Option<(f64, f64)> {
        let name = &self.system.vessels[vessel.idx()].name;
        let fact = self.facts.vessels.iter().find(|v| v.name == *name)?;
        Some((fact.running_mm / 1000.0, fact.rim_mm / 1000.0))
    }

    /// Pumps of fresh water and limewater with their line and its two ends; the one that fails first.
    fn dosers(&self) -> Vec<(ActuatorIdx, &str, VesselIdx, VesselIdx)> {
        let mut all: Vec<_> = (self.system.passages.iter())
            .filter_map(|p| Some((p.kind.pump()?, p.name.as_str(), p.from, p.to)))
            .filter(|(_, _, from, _)| {
                matches!(self.system.vessels[from.idx()].role, VesselRole::Reservoir | VesselRole::Lime)
            })
            .collect();
        all.sort_by_key(|(pump, line, ..)| self.name(*pump) != self.part && *line != self.part);
        all
    }

    /// Pumped lines of the tank's own water.
    fn returns(&self) -> Vec<(ActuatorIdx, &str, VesselIdx, VesselIdx)> {
        (self.system.passages.iter())
            .filter(|p| matches!(p.kind, PassageKind::Pumped { .. }))
            .filter_map(|p| Some((p.kind.pump()?, p.name.as_str(), p.from, p.to)))
            .filter(|(_, _, from, _)| {
                !matches!(self.system.vessels[from.idx()].role, VesselRole::Reservoir | VesselRole::Lime)
            })
            .collect()
    }

    fn remedy(&self, id: &'static str, text: String, edits: Vec<Edit>) -> Remedy {
        Remedy { id, text, edits }
    }

    /// Bounds of what fresh water and limewater can do.
    fn fresh_water(&self) -> Vec<Remedy> {
        let mut all = vec![];
        let Some(&(pump, line, from, to)) = self.dosers().first() else { return all };
        let pump_name = self.name(pump).to_owned();
        let flow_l_h = self.facts.dosing.iter().find(|d| d.pump == pump_name).map(|d| d.flow_l_h);
        if let (Some(day), Some(flow)) = (self.evaporation(), flow_l_h) {
            all.extend(self.smaller_reservoir(from));
            let slow = (day * PUMP_RESERVE / 24.0 * 10.0).ceil() / 10.0;
            if flow > 1.5 * slow {
                let text = format!(
                    "A slower pump: `{line}` gives {slow:.1} L/h, {PUMP_RESERVE} times what evaporates at worst."
                );
                let edit = set(format!("passage.{line}"), "flow", format!("{slow:.1} L/h"));
                all.push(self.remedy("slower-pump", text, vec![edit]));
            }
            if self.rule(&pump_name).is_some() {
                let path = format!("rule.{pump_name}");
                let minutes = (day / flow / 4.0 * 60.0).ceil().clamp(1.0, 600.0);
                let text = format!(
                    "A longest run: `{pump_name}` trips after {minutes:.0} min, a quarter of a day's need."
                );
                let edits = vec![set(&path, "longest_run", format!("{minutes:.0} min"))];
                all.push(self.remedy("longest-run", text, edits));
                let litres = (day * DAY_RESERVE * 10.0).ceil() / 10.0;
                let text = format!(
                    "A limit a day: `{pump_name}` trips after {litres:.1} L, {DAY_RESERVE} times the worst need."
                );
                let edits = vec![
                    set(&path, "daily_volume", format!("{litres:.1} L")),
                    set(&path, "limit", "latches"),
                ];
                all.push(self.remedy("daily-volume", text, edits));
            }
        }
        all.extend(self.second_float(pump, to));
        all
    }

    fn smaller_reservoir(&self, from: VesselIdx) -> Option<Remedy> {
        let vessel = &self.system.vessels[from.idx()];
        let fact = self.facts.reservoirs.iter().find(|r| r.vessel == vessel.name)?;
        let usable = fact.need_worst_l * RESERVOIR_RESERVE;
        if fact.usable_l < 1.1 * usable {
            return None;
        }
        let area = vessel.inside[0] * vessel.inside[1];
        let full = vessel.dead_level + usable / 1000.0 / area;
        let path = format!("vessel.{}", vessel.name);
        let text = format!(
            "A smaller reservoir: `{}` is filled to {} only, {usable:.1} L for {:.1} L that are needed at worst.",
            vessel.name,
            mm(full),
            fact.need_worst_l
        );
        let edits = vec![set(&path, "level", mm(full)), set(&path, "full", mm(full))];
        Some(self.remedy("smaller-reservoir", text, edits))
    }

    /// A float over the kept level, in series with the pump in hardware.
    fn second_float(&self, pump: ActuatorIdx, to: VesselIdx) -> Option<Remedy> {
        let vessel = &self.system.vessels[to.idx()];
        let kept = (self.system.sensors.iter())
            .filter(|s| s.vessel == Some(to))
            .filter_map(|s| match s.kind {
                SensorKind::Float { high, .. } if high < vessel.inside[2] - 0.03 => Some(high),
                _ => None,
            })
            .fold(vessel.start_level, f64::max);
        let high = kept + OVER_KEPT_M;
        if high > vessel.inside[2] - 0.005 {
            return None;
        }
        let (float, pump_name) = (self.fresh("float_over_kept"), self.name(pump).to_owned());
        let mut series: Vec<Value> = (self.system.actuators[pump.idx()].series.iter())
            .map(|s| json!(self.system.sensors[s.idx()].name))
            .collect();
        series.push(json!(float));
        let mut edits = vec![
            self.float(&float, &vessel.name, high),
            set(format!("actuator.{pump_name}"), "series", series),
        ];
        edits.extend(self.permit(&pump_name, &format!("not {float}")));
        let text = format!(
            "A second float in `{}` at {}, in series with `{pump_name}` in hardware.",
            vessel.name,
            mm(high)
        );
        Some(self.remedy("second-float", text, edits))
    }

    /// A float that tells when water stands above it; a wire that breaks reads as if it did.
    fn float(&self, name: &str, vessel: &str, high: f64) -> Edit {
        let values = json!({
            "vessel": vessel, "low": mm(high - FLOAT_STEP_M), "high": mm(high),
            "true_when": "above", "closed_when": "below",
        });
        add("float", name, values)
    }

    /// Less water comes down when the pumps stop.
    fn drain_down(&self) -> Vec<Remedy> {
        let mut all = vec![];
        for (_, line, _, to) in self.returns() {
            let Some((running, _)) = self.levels(to) else { continue };
            let passage = self.system.passages.iter().find(|p| p.name == line);
            let Some(PassageKind::Pumped { outlet, break_hole, .. }) = passage.map(|p| &p.kind) else {
                continue;
            };
            let hole = running - BELOW_SURFACE_M;
            if hole > break_hole.unwrap_or(*outlet) + 0.001 && hole > *outlet {
                let text = format!(
                    "A higher siphon break: a hole in `{line}` at {}, {} below the surface.",
                    mm(hole),
                    mm(BELOW_SURFACE_M)
                );
                let edit = set(format!("passage.{line}"), "break_hole", mm(hole));
                all.push(self.remedy("higher-siphon-break", text, vec![edit]));
            }
        }
        all
    }

    /// Something stops the pump when what it feeds fills up.
    fn blocked(&self) -> Vec<Remedy> {
        let mut all = vec![];
        for (pump, _, _, to) in self.returns() {
            let (Some((running, rim)), vessel) = (self.levels(to), &self.system.vessels[to.idx()]) else {
                continue;
            };
            let pump = self.name(pump).to_owned();
            let high = running + SHARE_OF_FREEBOARD * (rim - running);
            let float = self.fresh(&format!("float_{}_full", vessel.name));
            let signal = self.fresh(&format!("{}_full", vessel.name));
            // Floats in moving water need seconds beyond their debounce.
            let mut edits = vec![
                self.float(&float, &vessel.name, high),
                add("signal", &signal, json!({ "on_delay": "20 s", "of": float })),
            ];
            let Some(permit) = self.permit(&pump, &format!("not {signal}")) else { continue };
            edits.push(permit);
            edits.extend(
                self.dosers().first().and_then(|d| self.permit(self.name(d.0), &format!("not {signal}"))),
            );
            let text = format!("A float high in `{}`, at {}, that stops `{pump}`.", vessel.name, mm(high));
            all.push(self.remedy("float-stops-pump", text, edits));
        }
        all
    }

    /// What runs over stays in a tray, and somebody hears of it.
    fn tray(&self) -> Vec<Remedy> {
        let mut all = vec![];
        let side = |length: f64| mm(length);
        let inside = match self.system.bund {
            Some(bund) => [bund.inside[0], bund.inside[1], bund.inside[2] + 0.05],
            None => match self.system.vessels.iter().find(|v| v.role == VesselRole::Display) {
                Some(display) => [display.inside[0], display.inside[1], 0.06],
                None => return all,
            },
        };
        let litres = inside.iter().product::<f64>() * 1000.0;
        let text = format!("A tray under the stand, {} high inside: {litres:.0} L.", side(inside[2]));
        let sides: Vec<Value> = inside.iter().map(|x| json!(side(*x))).collect();
        all.push(self.remedy("tray", text, vec![set("system", "bund", sides)]));
        let leak = self.fresh("leak_in_tray");
        let mut edits = vec![add("leak", &leak, json!({}))];
        let stopped: Vec<String> = (self.returns().iter().chain(&self.dosers()))
            .map(|(pump, ..)| self.name(*pump).to_owned())
            .filter(|pump| self.rule(pump).is_some())
            .collect();
        edits.extend(stopped.iter().filter_map(|pump| self.permit(pump, &format!("not {leak}"))));
        let alarm = self.fresh("water_in_tray");
        edits.push(add(
            "alarm",
            &alarm,
            json!({ "when": leak, "delay": "5 s", "priority": "high", "text": "Water in the tray: its pumps are stopped" }),
        ));
        let text = format!("A leak probe in the tray that stops {}, with an alarm.", list(&stopped));
        all.push(self.remedy("leak-probe", text, edits));
        all
    }

    fn heaters(&self) -> Vec<(usize, &system::model::Actuator)> {
        let mut all: Vec<_> = (self.system.actuators.iter().enumerate())
            .filter(|(_, a)| a.kind == ActuatorKind::Heater)
            .collect();
        all.sort_by_key(|(_, a)| a.name != self.part);
        all
    }

    fn dial(&self) -> String {
        format!("{:.1} degC", self.system.water.temperature_c + DIAL_OVER_K)
    }

    fn circuit_name(&self, supply: Option<system::model::SupplyIdx>) -> Option<&str> {
        supply.map(|s| self.system.supplies[s.idx()].name.as_str())
    }

    /// The mains circuit at the root of what feeds a part.
    fn root(&self, supply: Option<system::model::SupplyIdx>) -> Option<usize> {
        let chain: Vec<usize> = self.system.supply_chain(supply).map(system::model::SupplyIdx::idx).collect();
        chain.into_iter().rev().find(|&s| matches!(self.system.supplies[s].kind, SupplyKind::Circuit { .. }))
    }

    /// Another circuit of the house than the one that feeds a part; it is made where there is none.
    fn other_circuit(&self, supply: Option<system::model::SupplyIdx>, edits: &mut Vec<Edit>) -> String {
        let own = self.root(supply);
        let other = (self.system.supplies.iter().enumerate()).find(|(s, x)| {
            Some(*s) != own && x.fed_by.is_none() && matches!(x.kind, SupplyKind::Circuit { .. })
        });
        if let Some((_, other)) = other {
            return other.name.clone();
        }
        let name = self.fresh("circuit_2");
        edits.push(add("supply", &name, json!({ "kind": "circuit", "rcd": "30 mA", "fuse": "10 A" })));
        name
    }

    /// Keys of a switched part beside those of its kind.
    fn switched(&self, like: &system::model::Actuator, supply: &str, contact: &str, more: Value) -> Value {
        let mut values = json!({ "supply": supply, "contact": contact });
        if let (Some(card), Value::Object(map)) = (self.circuit_name(like.switched_by), &mut values) {
            map.insert("switched_by".into(), json!(card));
        }
        if let (Value::Object(map), Value::Object(more)) = (&mut values, more) {
            map.extend(more);
        }
        values
    }

    /// One more heater like another, on another circuit, in the display.
    fn another_heater(
        &self,
        like: &system::model::Actuator,
        watts: f64,
        edits: &mut Vec<Edit>,
    ) -> Option<String> {
        let display = self.system.vessels.iter().find(|v| v.role == VesselRole::Display)?;
        let name = self.fresh("heater_2");
        let circuit = self.other_circuit(like.supply, edits);
        let more = json!({
            "power": format!("{watts:.0} W"), "vessel": display.name, "mark": mm(display.start_level / 2.0),
            "own_thermostat": self.dial(), "heats": { "vessel": display.name, "share": "100 %" },
        });
        edits.push(add("heater", &name, self.switched(like, &circuit, "NC", more)));
        let (start, stop) = (self.written(&like.name, "start")?, self.written(&like.name, "stop")?);
        edits.push(add(
            "rule",
            &name,
            json!({ "start": start, "stop": stop, "start_delay": "60 s", "shortest_rest": "3 min", "when_blind": "on" }),
        ));
        Some(name)
    }

    fn too_hot(&self) -> Vec<Remedy> {
        let mut all = vec![];
        let heaters = self.heaters();
        if let Some((_, heater)) = heaters.first() {
            let name = &heater.name;
            let open: Vec<&str> = (heaters.iter())
                .filter(|(_, h)| {
                    h.own_thermostat_c.is_none_or(|c| c > self.system.water.temperature_c + DIAL_OVER_K + 0.5)
                })
                .map(|(_, h)| h.name.as_str())
                .collect();
            if !open.is_empty() {
                let edits = open
                    .iter()
                    .map(|h| set(format!("actuator.{h}"), "own_thermostat", self.dial()))
                    .collect();
                let text =
                    format!("The own dial of {} just above the setpoint, at {}.", list(&open), self.dial());
                all.push(self.remedy("own-thermostat", text, edits));
            }
            let half = (heater.watts / 2.0 / 25.0).ceil() * 25.0;
            if heater.watts >= 100.0 {
                let mut edits = vec![
                    set(format!("actuator.{name}"), "power", format!("{half:.0} W")),
                    set(format!("actuator.{name}"), "own_thermostat", self.dial()),
                ];
                if let Some(other) = self.another_heater(heater, half, &mut edits) {
                    let text = format!(
                        "Two small heaters for a large one: `{name}` and `{other}` of {half:.0} W each, on two circuits, each with its own dial."
                    );
                    all.push(self.remedy("two-small-heaters", text, edits));
                }
            }
            all.extend(self.master_cut(heater));
        }
        all.extend(self.fans());
        if let Some(light) = self.system.actuators.iter().find(|a| a.lights.is_some())
            && let Some(probe) = self.display_probe()
            && let Some(permit) = self
                .permit(&light.name, &format!("{probe} < {:.1} degC", self.system.water.temperature_c + 2.5))
        {
            let text = format!("`{}` goes off when the water is warm.", light.name);
            all.push(self.remedy("light-off-when-warm", text, vec![permit]));
        }
        all
    }

    /// A thermometer in the display.
    fn display_probe(&self) -> Option<&str> {
        (self.system.sensors.iter())
            .find(|s| {
                matches!(s.kind, SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. })
                    && s.vessel.is_some_and(|v| self.system.vessels[v.idx()].role == VesselRole::Display)
            })
            .map(|s| s.name.as_str())
    }

    /// A contactor on a probe of its own before the heater.
    fn master_cut(&self, heater: &system::model::Actuator) -> Option<Remedy> {
        let display = self.system.vessels.iter().find(|v| v.role == VesselRole::Display)?;
        let (probe, cut, behind) =
            (self.fresh("cut_probe"), self.fresh("heat_cut"), self.fresh("behind_heat_cut"));
        let circuit = self.circuit_name(heater.supply)?;
        let low = self.battery().or_else(|| self.circuit_name(self.system.boards.first()?.supply))?;
        let limit = self.system.water.temperature_c + CUT_OVER_K;
        let edits = vec![
            add(
                "ds18b20",
                &probe,
                json!({ "vessel": display.name, "height": mm(display.start_level * 0.6) }),
            ),
            add("contactor", &cut, self.switched(heater, low, "NC", json!({ "power": "2 W" }))),
            add("supply", &behind, json!({ "kind": "circuit", "fed_by": circuit, "through": cut })),
            set(format!("actuator.{}", heater.name), "supply", behind.clone()),
            add(
                "rule",
                &cut,
                json!({
                    "always": true, "trip": format!("{probe} > {limit:.1} degC"),
                    "trip_reset": format!("3 per day below {:.1} degC", self.system.water.temperature_c + 0.6),
                    "at_power_up": "on", "when_blind": "on",
                }),
            ),
        ];
        let text = format!(
            "A master cut: a contactor before `{}` that opens at {limit:.1} °C on a probe of its own.",
            heater.name
        );
        Some(self.remedy("master-cut", text, edits))
    }

    fn battery(&self) -> Option<&str> {
        (self.system.supplies.iter())
            .find(|s| matches!(s.kind, SupplyKind::Battery { .. }))
            .map(|s| s.name.as_str())
    }

    fn fans(&self) -> Option<Remedy> {
        let display = self.system.vessels.iter().find(|v| v.role == VesselRole::Display)?;
        if self.system.actuators.iter().any(|a| a.blows.is_some()) {
            return None;
        }
        let (probe, like) = (self.display_probe()?, self.system.actuators.iter().find(|a| !a.always)?);
        let supply = self.battery().or_else(|| self.circuit_name(like.supply))?;
        let fans = self.fresh("fans");
        let more = json!({ "power": "5 W", "blows": { "over": display.name, "speed": "1.0 m/s" } });
        let warm = self.system.water.temperature_c;
        let edits = vec![
            add("fan", &fans, self.switched(like, supply, "NO", more)),
            add(
                "rule",
                &fans,
                json!({
                    "start": format!("{probe} > {:.1} degC", warm + 1.0), "stop": format!("{probe} < {:.1} degC", warm + 0.6),
                    "when_blind": "on",
                }),
            ),
        ];
        Some(self.remedy("fans", format!("Fans over `{}`.", display.name), edits))
    }

    fn too_cold(&self) -> Vec<Remedy> {
        let mut all = vec![];
        let heaters = self.heaters();
        let Some((_, heater)) = heaters.first() else { return all };
        let mut edits = vec![];
        if let Some(other) = self.another_heater(heater, heater.watts, &mut edits) {
            let text = format!(
                "A second heater: `{other}` of {:.0} W in the display, on another circuit.",
                heater.watts
            );
            all.push(self.remedy("second-heater", text, edits));
        }
        let name = &heater.name;
        if !heater.on_when_dead && !heater.always {
            let edits = vec![
                set(format!("actuator.{name}"), "contact", "NC"),
                set(format!("actuator.{name}"), "own_thermostat", self.dial()),
            ];
            let text =
                format!("`{name}` on a normally closed contact: without the board its own dial holds it.");
            all.push(self.remedy("heater-normally-closed", text, edits));
        }
        if self.rule(name).is_some() {
            let edits = vec![
                set(format!("rule.{name}"), "when_blind", "on"),
                set(format!("actuator.{name}"), "own_thermostat", self.dial()),
            ];
            let text = format!("`{name}` heats on its own dial while its probe is silent.");
            all.push(self.remedy("heats-when-blind", text, edits));
        }
        let more = (heater.watts * 1.5 / 25.0).ceil() * 25.0;
        let text = format!("A stronger heater: `{name}` of {more:.0} W.");
        let edits = vec![set(format!("actuator.{name}"), "power", format!("{more:.0} W"))];
        all.push(self.remedy("stronger-heater", text, edits));
        all.extend(self.second_probe());
        all
    }

    /// Rules go on by a second probe while the first is silent.
    fn second_probe(&self) -> Option<Remedy> {
        let first = self.display_probe()?;
        let display = self.system.vessels.iter().find(|v| v.role == VesselRole::Display)?;
        let (second, either) = (self.fresh("second_probe"), self.fresh("either_probe"));
        let mut edits = vec![
            add(
                "ds18b20",
                &second,
                json!({ "vessel": display.name, "height": mm(display.start_level * 0.6) }),
            ),
            add("signal", &either, json!({ "substitute": second, "of": first })),
        ];
        for (_, heater) in self.heaters() {
            for key in ["start", "stop"] {
                let Some(written) = self.written(&heater.name, key) else { continue };
                let new: Vec<&str> = written
                    .split(' ')
                    .map(|word| if word == first { either.as_str() } else { word })
                    .collect();
                let new = new.join(" ");
                if new != written {
                    edits.push(set(format!("rule.{}", heater.name), key, new));
                }
            }
        }
        (edits.len() > 2).then(|| {
            let text = format!("A second probe in `{}` that rules while `{first}` is silent.", display.name);
            self.remedy("second-probe", text, edits)
        })
    }

    fn air(&self) -> Vec<Remedy> {
        let mut all = vec![];
        let Some(display) = self.system.vessels.iter().find(|v| v.role == VesselRole::Display) else {
            return all;
        };
        let litres_h = (display.volume_below(display.start_level) * 1000.0 * 0.2).max(5.0);
        let mut edits = vec![];
        let battery = match self.battery() {
            Some(battery) => battery.to_owned(),
            None => {
                let (name, circuit) = (self.fresh("battery"), self.other_circuit(None, &mut edits));
                let values = json!({
                    "kind": "battery", "fed_by": circuit, "volts": "12.8 V", "capacity": "40 Ah", "usable": "83 %",
                });
                edits.push(add("supply", &name, values));
                name
            }
        };
        let (stone, more) = (
            self.fresh("air_stone"),
            json!({
                "power": "3 W", "supply": battery, "always": true, "vessel": display.name, "moves": display.name,
                "exchange": format!("{litres_h:.0} L/h"),
            }),
        );
        edits.push(add("air_pump", &stone, more));
        let text = format!("An air pump on `{battery}`, which runs while the mains are out.");
        all.push(self.remedy("air-on-battery", text, edits));
        let mover =
            (self.system.actuators.iter()).find(|a| a.kind == ActuatorKind::Circulation || a.moves.is_some());
        let mut edits = vec![];
        let circuit = self.other_circuit(mover.and_then(|a| a.supply), &mut edits);
        let name = self.fresh("circulation_added");
        let more = json!({
            "power": "8 W", "supply": circuit, "always": true, "vessel": display.name, "mark": mm(display.start_level / 2.0),
            "heats": { "vessel": display.name, "share": "100 %" }, "moves": display.name, "exchange": "50 L/h",
        });
        edits.push(add("circulation", &name, more));
        let text =
            format!("A second mover of water in `{}`, on another circuit, without a contact.", display.name);
        all.push(self.remedy("second-mover", text, edits));
        let open: Vec<&system::model::Actuator> = (self.system.actuators.iter())
            .filter(|a| a.moves.is_some() && !a.on_when_dead && !a.always)
            .collect();
        if !open.is_empty() {
            let names: Vec<&str> = open.iter().map(|a| a.name.as_str()).collect();
            let edits = names.iter().map(|name| set(format!("actuator.{name}"), "contact", "NC")).collect();
            let text = format!("{} on normally closed contacts: without the board they run.", list(&names));
            all.push(self.remedy("movers-normally-closed", text, edits));
        }
        all
    }

    /// Something stops what would run bare.
    fn low(&self) -> Vec<Remedy> {
        let mut all = vec![];
        for (pump, _, from, _) in self.returns() {
            let (vessel, name) = (&self.system.vessels[from.idx()], self.name(pump).to_owned());
            let mark = self.system.actuators[pump.idx()].mark.unwrap_or(0.05);
            let low = mark + 0.02;
            let float = self.fresh(&format!("float_{}_low", vessel.name));
            let signal = self.fresh(&format!("{}_low", vessel.name));
            let values = json!({
                "vessel": vessel.name, "low": mm(low), "high": mm(low + 0.03), "true_when": "below", "closed_when": "above",
            });
            let mut edits = vec![
                add("float", &float, values),
                add("signal", &signal, json!({ "off_delay": "60 s", "of": float })),
            ];
            let Some(permit) = self.permit(&name, &format!("not {signal}")) else { continue };
            edits.push(permit);
            for (_, heater) in self.heaters().into_iter().filter(|(_, h)| h.vessel == Some(from)) {
                edits.extend(self.permit(&heater.name, &format!("not {signal}")));
            }
            let text = format!(
                "A float low in `{}`, at {}, that stops `{name}` and what heats there.",
                vessel.name,
                mm(low)
            );
            all.push(self.remedy("float-stops-dry", text, edits));
        }
        for (_, heater) in self.heaters() {
            if let (Some(mark), Some(vessel)) = (heater.mark, heater.vessel)
                && mark > 0.08
                && self.system.vessels[vessel.idx()].role == VesselRole::Sump
            {
                let text = format!("`{}` lower: its mark at 80 mm.", heater.name);
                let edits = vec![set(format!("actuator.{}", heater.name), "mark", "80 mm")];
                all.push(self.remedy("lower-mark", text, edits));
            }
        }
        all
    }

    fn board(&self) -> Vec<Remedy> {
        let Some(board) = self.system.boards.first() else { return vec![] };
        if board.watchdog && !board.freezes {
            return vec![];
        }
        let path = format!("board.{}", board.name);
        let edits = vec![set(&path, "watchdog", true), set(&path, "when_dead", "release")];
        let text = "Outputs that fall off with the board: a watchdog, and a card that releases.".to_owned();
        vec![self.remedy("watchdog", text, edits)]
    }

    /// Somebody hears of it while there is time. It closes no row, but may bring help.
    fn alarm(&self) -> Option<Remedy> {
        let (base, when, words) = match self.harm? {
            Harm::Cook => {
                let limit = self.system.water.temperature_c + 2.0;
                (
                    "warm_early",
                    format!("{} > {limit:.1} degC", self.display_probe()?),
                    "The display is getting warm",
                )
            }
            Harm::Chill => {
                let limit = self.system.water.temperature_c - 1.0;
                (
                    "cold_early",
                    format!("{} < {limit:.1} degC", self.display_probe()?),
                    "The display is getting cold",
                )
            }
            Harm::Overdose | Harm::Flood | Harm::Equipment => {
                let doser = self.dosers().first().map(|d| self.name(d.0).to_owned())?;
                self.rule(&doser)?;
                (
                    "topoff_tripped",
                    format!("tripped({doser})"),
                    "Top-off tripped: look at its float and its level",
                )
            }
            _ => return None,
        };
        let name = self.fresh(base);
        let values = json!({ "when": when, "delay": "10 min", "priority": "high", "text": words });
        let text = format!("An alarm `{name}`: {when}.");
        Some(self.remedy("alarm", text, vec![add("alarm", &name, values)]))
    }
}

/// Names as they stand in a sentence.
fn list<S: AsRef<str>>(names: &[S]) -> String {
    let all: Vec<String> = names.iter().map(|name| format!("`{}`", name.as_ref())).collect();
    match all.as_slice() {
        [] => "nothing".to_owned(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::words::HARMS;
    use crate::{Beside, edit};

    const EXAMPLES: [(&str, &str); 4] = [
        ("mended", include_str!("../../../examples/harbour-lane/system.toml")),
        ("draft", include_str!("../../../examples/harbour-lane/first-draft.toml")),
        ("desk", include_str!("../../../examples/desk-60l/system.toml")),
        ("raceway", include_str!("../../../examples/raceway/system.toml")),
    ];

    /// Every remedy is a change that the file takes, whatever pump or heater fails, in tanks with and without a sump, a reservoir, a battery.
    #[test]
    fn every_remedy_fits_the_file_that_it_is_made_for() {
        let beside = Beside::default();
        let mut seen: BTreeSet<&str> = BTreeSet::new();
        for (name, text) in EXAMPLES {
            let system = beside.load(text).system.expect("the example");
            // What fails decides which pump or heater comes first.
            let pumps = system.passages.iter().filter_map(|p| p.kind.pump()).map(ActuatorIdx::idx);
            let heaters =
                (0..system.actuators.len()).filter(|a| system.actuators[*a].kind == ActuatorKind::Heater);
            let parts: BTreeSet<&str> =
                pumps.chain(heaters).map(|a| system.actuators[a].name.as_str()).chain(["room"]).collect();
            for harm in HARMS {
                let mut tried: BTreeSet<String> = BTreeSet::new();
                for part in &parts {
                    for remedy in remedies(&system, text, part, Some(harm)) {
                        if !tried.insert(format!("{:?}", remedy.edits)) {
                            continue;
                        }
                        seen.insert(remedy.id);
                        let done = edit::apply(text, &remedy.edits, &beside);
                        assert!(
                            done.is_ok(),
                            "{name}, {harm:?}, {}: {:?}\n{:#?}",
                            remedy.id,
                            remedy.edits,
                            done.err()
                        );
                    }
                }
                assert!(tried.len() < 40, "{name} {harm:?}: {}", tried.len());
            }
        }
        assert!(seen.len() >= 22, "{seen:?}");
    }

    #[test]
    fn names_stand_in_a_sentence() {
        assert_eq!(list(&["a"]), "`a`");
        assert_eq!(list(&["a", "b", "c"]), "`a`, `b` and `c`");
        assert_eq!(list::<&str>(&[]), "nothing");
    }
}

//! What a design comes to, in a dozen numbers: water, heat, air, reserve, and the room that the board has left.

use audit::Audit;
use control::Compiled;
use program::eeprom::Map;
use serde::Serialize;
use system::System;

/// One number of the design.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Figure {
    /// Stable kebab-case id.
    pub id: &'static str,
    /// What it is.
    pub label: String,
    /// The number.
    pub value: f64,
    /// Its unit; `1` for a plain number.
    pub unit: &'static str,
    /// The number with its unit, and what it stands against.
    pub text: String,
}

struct Figures(Vec<Figure>);

impl Figures {
    fn add(
        &mut self,
        id: &'static str,
        label: impl Into<String>,
        value: f64,
        unit: &'static str,
        text: String,
    ) {
        if value.is_finite() {
            self.0.push(Figure { id, label: label.into(), value, unit, text });
        }
    }
}

/// The figures, in the order in which they are read.
pub(crate) fn figures(system: &System, audit: &Audit, compiled: Option<&Compiled>) -> Vec<Figure> {
    let mut all = Figures(vec![]);
    water(&mut all, audit);
    reserve(&mut all, system, audit);
    heat(&mut all, audit);
    air(&mut all, system, audit);
    board(&mut all, system, compiled);
    all.0
}

fn water(all: &mut Figures, audit: &Audit) {
    let facts = &audit.facts;
    if let Some(water) = &facts.water {
        all.add("volume", "Water of the system", water.volume_l, "L", format!("{:.0} L", water.volume_l));
    }
    for pump in &facts.pumps {
        let text = format!(
            "{:.0} L/h at {:.2} m of head, {:.1} times the volume an hour",
            pump.flow_l_h, pump.head_m, pump.turnovers_per_h
        );
        all.add("flow", format!("Flow of `{}`", pump.passage), pump.flow_l_h, "L/h", text);
    }
    if let Some(down) = &facts.drain_down {
        let against = |released: f64, floor: f64| {
            if floor > 0.0 {
                format!("{released:.1} L come down, {floor:.1} L of it on the floor")
            } else {
                format!("{released:.1} L come down, {:.1} L fit", down.free_l)
            }
        };
        all.add(
            "drain-down",
            "After the pumps stop",
            down.released_l,
            "L",
            against(down.released_l, down.floor_l),
        );
        all.add(
            "drain-down-worst",
            "After the pumps stop, at its worst",
            down.worst_released_l,
            "L",
            against(down.worst_released_l, down.worst_floor_l),
        );
    }
    for blocked in &facts.blocked {
        let text = match blocked.minutes_to_rim {
            Some(minutes) => format!("runs over after {minutes:.0} min"),
            None => match (blocked.to_float_l, blocked.level_to_float_mm) {
                (Some(litres), Some(level)) => {
                    format!("a float stops the pump after {litres:.1} L, at {level:.0} mm")
                }
                _ => format!(
                    "takes what the sump gives: {:.1} L of {:.1} L",
                    blocked.source_to_intake_l, blocked.freeboard_l
                ),
            },
        };
        all.add(
            "freeboard",
            format!("`{}` with its way out shut", blocked.vessel),
            blocked.freeboard_l,
            "L",
            text,
        );
    }
}

fn reserve(all: &mut Figures, system: &System, audit: &Audit) {
    let hours = system.unattended_s / 3600.0;
    let most = audit.facts.evaporation.iter().map(|e| e.high_l_day).fold(0.0, f64::max);
    if most > 0.0 {
        all.add("evaporation", "Evaporation at its worst", most, "L/day", format!("{most:.1} L/day"));
    }
    for reservoir in &audit.facts.reservoirs {
        let text = format!(
            "{:.1} L usable; {:.1} L needed in {hours:.0} h at worst: lasts {:.1} days",
            reservoir.usable_l, reservoir.need_worst_l, reservoir.days_worst
        );
        all.add("reserve", format!("`{}` lasts", reservoir.vessel), reservoir.days_worst, "days", text);
    }
    for battery in &audit.facts.batteries {
        if let Some(aged) = battery.hours_aged {
            let text = format!("{aged:.0} h aged at {:.1} W; {hours:.0} h unattended", battery.load_w);
            all.add("battery", format!("`{}` lasts", battery.supply), aged, "h", text);
        }
    }
}

fn heat(all: &mut Figures, audit: &Audit) {
    let coldest = (audit.facts.climates.iter()).max_by(|a, b| a.heater_need_w.total_cmp(&b.heater_need_w));
    let Some(coldest) = coldest else { return };
    let mut heaters: Vec<(&str, f64)> = vec![];
    for heater in &audit.facts.heaters {
        if !heaters.iter().any(|(name, _)| *name == heater.heater) {
            heaters.push((&heater.heater, heater.watts));
        }
    }
    let have: f64 = heaters.iter().map(|(_, watts)| watts).sum();
    let text = format!(
        "{:.0} W in `{}` ({:.0} W at worst); {have:.0} W are there",
        coldest.heater_need_w, coldest.climate, coldest.heater_need_high_w
    );
    all.add("heat-need", "Heat needed in the coldest room", coldest.heater_need_w, "W", text);
    let dead = (audit.facts.heaters.iter()).min_by(|a, b| a.dead_worst_c.total_cmp(&b.dead_worst_c));
    if let Some(dead) = dead {
        let text = format!(
            "settles at {:.1} °C in `{}` ({:.1} °C at worst)",
            dead.dead_c, dead.climate, dead.dead_worst_c
        );
        all.add("heater-dead", format!("With `{}` dead", dead.heater), dead.dead_worst_c, "degC", text);
    }
    let stuck = (audit.facts.heaters.iter())
        .filter_map(|h| h.hours_to_31.map(|hours| (hours, h)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((hours, stuck)) = stuck {
        let cut = stuck.cut_c.map_or("nothing cuts it".to_owned(), |c| format!("cut at {c:.1} °C"));
        let text = format!("31 °C after {hours:.1} h in `{}`; {cut}", stuck.climate);
        all.add("heater-stuck", format!("With `{}` stuck on", stuck.heater), hours, "h", text);
    }
}

fn air(all: &mut Figures, system: &System, audit: &Audit) {
    let soonest = (audit.facts.oxygen.iter())
        .filter_map(|o| o.heavy_hours_to_4.or(o.hours_to_4).map(|hours| (hours, o)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((hours, state)) = soonest {
        let text = format!(
            "below 4 mg/L after {hours:.1} h; a person needs {:.1} h",
            system.response.weekend_s / 3600.0
        );
        all.add("oxygen", format!("Oxygen, {}", state.state), hours, "h", text);
    }
}

fn board(all: &mut Figures, system: &System, compiled: Option<&Compiled>) {
    let (Some(compiled), Some(board)) = (compiled, system.boards.first()) else { return };
    let bytes = compiled.bytes.len();
    let text = match capacity_of(system) {
        Some(slot) if bytes > slot => format!("{bytes} bytes; a trial of it has room for {slot}"),
        Some(slot) => format!("{bytes} of {slot} bytes, {} left", slot - bytes),
        None => format!("{bytes} bytes"),
    };
    all.add("program", format!("Program of `{}`", board.name), bytes as f64, "bytes", text);
    let outputs = compiled.drives.iter().flatten().count();
    let inputs = compiled.inputs.len();
    all.add("outputs", "Outputs that rules drive", outputs as f64, "1", format!("{outputs}"));
    all.add("inputs", "Inputs that the program reads", inputs as f64, "1", format!("{inputs}"));
}

/// Room for a program that is tried on the first board, bytes. None: its chip is not known.
pub(crate) fn capacity_of(system: &System) -> Option<usize> {
    let chip = system.library.chip(&system.boards.first()?.chip)?;
    Map::for_size(chip.eeprom as usize).map(|map| map.slot)
}

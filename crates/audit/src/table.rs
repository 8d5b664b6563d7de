//! The facts as plain text tables for a terminal.

use crate::facts::{DoseFact, DosingFact, DrainDownFact, Facts};
use std::fmt::Write as _;

/// One printed table.
struct Sheet<'a> {
    title: &'a str,
    head: &'a [&'a str],
    rows: Vec<Vec<String>>,
}

impl Facts {
    /// All facts as plain text tables, empty ones left out.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for sheet in self.sheets() {
            if !sheet.rows.is_empty() {
                write_sheet(&mut out, &sheet);
            }
        }
        out
    }

    fn sheets(&self) -> Vec<Sheet<'static>> {
        let mut sheets = self.water_sheets();
        sheets.extend(self.heat_sheets());
        sheets.extend(self.gear_sheets());
        sheets
    }

    fn water_sheets(&self) -> Vec<Sheet<'static>> {
        vec![
            Sheet {
                title: "Levels, mm (volume L)",
                head: &["vessel", "start", "running", "stopped", "worst", "lowest", "rim", "holds", "free"],
                rows: rows(&self.vessels, |v| {
                    vec![
                        v.name.clone(),
                        f(v.start_mm, 0),
                        f(v.running_mm, 0),
                        f(v.stopped_mm, 0),
                        f(v.stopped_worst_mm, 0),
                        f(v.drained_mm, 0),
                        f(v.rim_mm, 0),
                        f(v.running_l, 1),
                        f(v.free_l, 1),
                    ]
                }),
            },
            Sheet {
                title: "Pumps",
                head: &["line", "pump", "static m", "flow L/h", "head m", "m/s", "turnovers/h", "cover mm"],
                rows: rows(&self.pumps, |p| {
                    vec![
                        p.passage.clone(),
                        p.pump.clone(),
                        f(p.static_head_m, 3),
                        f(p.flow_l_h, 0),
                        f(p.head_m, 2),
                        f(p.speed_m_s, 2),
                        f(p.turnovers_per_h, 1),
                        f(p.cover_over_intake_mm, 0),
                    ]
                }),
            },
            Sheet {
                title: "Overflows",
                head: &["passage", "flow L/h", "head mm", "half blocked mm", "full bore L/h"],
                rows: rows(&self.weirs, |w| {
                    vec![
                        w.passage.clone(),
                        f(w.flow_l_h, 0),
                        f(w.head_mm, 1),
                        f(w.head_if_half_blocked_mm, 1),
                        o(w.capacity_l_h, 0),
                    ]
                }),
            },
            Sheet {
                title: "Water of the system",
                head: &["volume L", "mass kg", "MJ/K", "dKH", "pH NBS"],
                rows: rows(self.water.as_slice(), |w| {
                    vec![
                        f(w.volume_l, 1),
                        f(w.mass_kg, 1),
                        f(w.heat_capacity_mj_k, 3),
                        f(w.alkalinity_dkh, 2),
                        f(w.ph_nbs, 2),
                    ]
                }),
            },
            Sheet {
                title: "Drain-down when the pumps stop, L",
                head: &["", "comes down", "free", "over the rim", "floor"],
                rows: self.drain_down.iter().flat_map(drain_down_rows).collect(),
            },
            Sheet {
                title: "Siphons, both directions",
                head: &["line", "from", "to", "volume L", "over the rim L", "held by"],
                rows: rows(&self.siphons, |s| {
                    vec![
                        s.passage.clone(),
                        s.from.clone(),
                        s.to.clone(),
                        f(s.volume_l, 1),
                        f(s.spilled_l, 1),
                        s.held_by.clone().unwrap_or_else(|| "nothing".into()),
                    ]
                }),
            },
            Sheet {
                title: "Way out shut",
                head: &[
                    "vessel",
                    "freeboard L",
                    "to float L",
                    "mm",
                    "to intake L",
                    "mm",
                    "with reservoir mm",
                    "over L",
                ],
                rows: rows(&self.blocked, |b| {
                    vec![
                        b.vessel.clone(),
                        f(b.freeboard_l, 1),
                        o(b.to_float_l, 1),
                        o(b.level_to_float_mm, 0),
                        f(b.source_to_intake_l, 1),
                        f(b.level_to_intake_mm, 0),
                        f(b.level_with_reservoir_mm, 0),
                        f(b.spilled_with_reservoir_l, 1),
                    ]
                }),
            },
            Sheet {
                title: "Floats, mm",
                head: &["float", "vessel", "low", "high", "running", "stopped", "worst", "lowest"],
                rows: rows(&self.floats, |x| {
                    vec![
                        x.sensor.clone(),
                        x.vessel.clone(),
                        f(x.low_mm, 0),
                        f(x.high_mm, 0),
                        f(x.running_mm, 0),
                        f(x.stopped_mm, 0),
                        f(x.stopped_worst_mm, 0),
                        f(x.drained_mm, 0),
                    ]
                }),
            },
            Sheet {
                title: "Fresh water and limewater",
                head: &["line", "case", "L", "hours", "S", "level mm", "floor L", "dKH", "pH NBS"],
                rows: self.dosing.iter().flat_map(dosing_rows).collect(),
            },
            Sheet {
                title: "Evaporation, L/day",
                head: &["climate", "water °C", "fans", "low", "nominal", "high"],
                rows: rows(&self.evaporation, |e| {
                    vec![
                        e.climate.clone(),
                        f(e.water_c, 1),
                        if e.fans { "on" } else { "off" }.into(),
                        f(e.low_l_day, 1),
                        f(e.l_day, 1),
                        f(e.high_l_day, 1),
                    ]
                }),
            },
            Sheet {
                title: "Reservoirs",
                head: &["vessel", "usable L", "days", "days worst", "need L", "need worst L"],
                rows: rows(&self.reservoirs, |r| {
                    vec![
                        r.vessel.clone(),
                        f(r.usable_l, 1),
                        f(r.days, 1),
                        f(r.days_worst, 1),
                        f(r.need_l, 1),
                        f(r.need_worst_l, 1),
                    ]
                }),
            },
        ]
    }

    fn heat_sheets(&self) -> Vec<Sheet<'static>> {
        vec![
            Sheet {
                title: "Heat, W",
                head: &[
                    "climate",
                    "room °C",
                    "walls",
                    "vapour",
                    "surface",
                    "gear",
                    "light",
                    "heater need",
                    "-30 %",
                    "+30 %",
                ],
                rows: rows(&self.climates, |c| {
                    vec![
                        c.climate.clone(),
                        f(c.room_c, 1),
                        f(c.walls_w, 0),
                        f(c.latent_w, 0),
                        f(c.sensible_w, 0),
                        f(c.gear_w, 0),
                        f(c.light_w, 0),
                        f(c.heater_need_w, 0),
                        f(c.heater_need_low_w, 0),
                        f(c.heater_need_high_w, 0),
                    ]
                }),
            },
            Sheet {
                title: "Settles at, °C",
                head: &["climate", "unheated", "fans", "fans, no light", "top corner", "all heaters stuck"],
                rows: rows(&self.climates, |c| {
                    vec![
                        c.climate.clone(),
                        f(c.unheated_c, 1),
                        f(c.with_fans_c, 1),
                        f(c.fans_no_light_c, 1),
                        f(c.fans_no_light_high_c, 1),
                        f(c.all_heaters_c, 1),
                    ]
                }),
            },
            Sheet {
                title: "Heaters stuck and dead",
                head: &[
                    "heater",
                    "climate",
                    "stuck °C",
                    "h to 29.5",
                    "h to 31",
                    "cut °C",
                    "h to cut",
                    "dead °C",
                    "+30 %",
                    "h to 22",
                ],
                rows: rows(&self.heaters, |h| {
                    vec![
                        h.heater.clone(),
                        h.climate.clone(),
                        f(h.stuck_c, 1),
                        o(h.hours_to_29_5, 1),
                        o(h.hours_to_31, 1),
                        o(h.cut_c, 1),
                        o(h.hours_to_cut, 1),
                        f(h.dead_c, 1),
                        f(h.dead_worst_c, 1),
                        o(h.hours_to_22, 1),
                    ]
                }),
            },
            Sheet {
                title: "Bodies of water while the return stands still, coldest room",
                head: &["vessels", "L", "heaters W", "rise K/h", "settles °C"],
                rows: rows(&self.still_bodies, |b| {
                    vec![
                        b.vessels.join(" + "),
                        f(b.volume_l, 1),
                        f(b.heaters_w, 0),
                        f(b.rise_k_h, 1),
                        f(b.settles_c, 1),
                    ]
                }),
            },
            Sheet {
                title: "Oxygen, mg/L",
                head: &[
                    "state",
                    "demand /h",
                    "kLa /h",
                    "start",
                    "settles",
                    "h to 4",
                    "h to 3",
                    "heavy settles",
                    "h to 4",
                    "h to 3",
                ],
                rows: rows(&self.oxygen, |x| {
                    vec![
                        x.state.clone(),
                        f(x.demand_mg_l_h, 2),
                        f(x.kla_per_h, 2),
                        f(x.start_mg_l, 2),
                        o(x.settles_mg_l, 2),
                        o(x.hours_to_4, 1),
                        o(x.hours_to_3, 1),
                        o(x.heavy_settles_mg_l, 2),
                        o(x.heavy_hours_to_4, 1),
                        o(x.heavy_hours_to_3, 1),
                    ]
                }),
            },
        ]
    }

    fn gear_sheets(&self) -> Vec<Sheet<'static>> {
        vec![
            Sheet {
                title: "Batteries",
                head: &["supply", "Wh", "W", "hours", "aged", "need Wh"],
                rows: rows(&self.batteries, |b| {
                    vec![
                        b.supply.clone(),
                        f(b.usable_wh, 0),
                        f(b.load_w, 1),
                        o(b.hours, 1),
                        o(b.hours_aged, 1),
                        f(b.need_wh, 0),
                    ]
                }),
            },
            Sheet {
                title: "Deadbands against the steps of probes",
                head: &["actuator", "signal", "sensor", "band", "step", "noise", "unit"],
                rows: rows(&self.deadbands, |d| {
                    vec![
                        d.actuator.clone(),
                        d.signal.clone(),
                        d.sensor.clone(),
                        f(d.band, 3),
                        f(d.step, 3),
                        f(d.noise, 3),
                        d.unit.clone(),
                    ]
                }),
            },
            Sheet {
                title: "De-energised",
                head: &["actuator", "rests", "board dead", "card dead", "mains out", "mains back", "tripped"],
                rows: rows(&self.de_energised, |d| {
                    vec![
                        d.actuator.clone(),
                        d.contact.clone(),
                        d.board_dead.clone(),
                        d.rail_dead.clone(),
                        d.mains_out.clone(),
                        d.mains_back.clone(),
                        d.tripped.clone(),
                    ]
                }),
            },
            Sheet {
                title: "Dangers of a dead board",
                head: &["actuator", "what it does"],
                rows: self
                    .de_energised
                    .iter()
                    .filter(|d| !d.danger.is_empty())
                    .map(|d| vec![d.actuator.clone(), d.danger.clone()])
                    .collect(),
            },
            Sheet {
                title: "Marks, mm",
                head: &[
                    "part",
                    "vessel",
                    "mark",
                    "running",
                    "stopped",
                    "lowest",
                    "water L",
                    "h without top-off",
                    "worst",
                ],
                rows: rows(&self.marks, |m| {
                    vec![
                        m.actuator.clone(),
                        m.vessel.clone(),
                        f(m.mark_mm, 0),
                        f(m.running_mm, 0),
                        f(m.stopped_mm, 0),
                        f(m.lowest_mm, 0),
                        f(m.to_mark_l, 1),
                        o(m.hours_to_mark, 1),
                        o(m.hours_to_mark_worst, 1),
                    ]
                }),
            },
            Sheet {
                title: "Everything that can run is stuck on",
                head: &[
                    "L",
                    "hours",
                    "S",
                    "dKH",
                    "pH",
                    "sump mm",
                    "over L",
                    "on stop L",
                    "settles °C",
                    "by dials °C",
                ],
                rows: rows(self.everything_on.as_slice(), |e| {
                    vec![
                        f(e.dosed_l, 1),
                        f(e.hours, 1),
                        f(e.salinity, 2),
                        f(e.alkalinity_dkh, 2),
                        f(e.ph_nbs, 2),
                        f(e.sump_mm, 0),
                        f(e.spilled_l, 1),
                        f(e.spilled_on_stop_l, 1),
                        o(e.settles_c, 1),
                        o(e.settles_by_dials_c, 1),
                    ]
                }),
            },
            Sheet {
                title: "Hours to harm, hours to a person",
                head: &["what", "harm", "hours", "person"],
                rows: rows(&self.hours, |h| {
                    vec![h.what.clone(), h.harm.clone(), f(h.hours, 1), f(h.person_h, 1)]
                }),
            },
        ]
    }
}

fn drain_down_rows(d: &DrainDownFact) -> Vec<Vec<String>> {
    let row = |name: &str, released: f64, spilled: f64, floor: f64| {
        vec![name.into(), f(released, 1), f(d.free_l, 1), f(spilled, 1), f(floor, 1)]
    };
    vec![
        row("as designed", d.released_l, d.spilled_l, d.floor_l),
        row("holes shut", d.worst_released_l, d.worst_spilled_l, d.worst_floor_l),
    ]
}

fn dosing_rows(d: &DosingFact) -> Vec<Vec<String>> {
    let row = |case: &str, x: &DoseFact| {
        vec![
            d.passage.clone(),
            case.into(),
            f(x.volume_l, 1),
            f(x.hours, 2),
            f(x.salinity, 2),
            f(x.level_mm, 0),
            f(x.floor_l, 1),
            f(x.alkalinity_dkh, 2),
            f(x.ph_nbs, 2),
        ]
    };
    vec![row("call stuck", &d.called), row("contact welded", &d.welded), row("nothing holds", &d.unlimited)]
}

fn rows<T>(of: &[T], row: impl Fn(&T) -> Vec<String>) -> Vec<Vec<String>> {
    of.iter().map(row).collect()
}

fn f(value: f64, digits: usize) -> String {
    format!("{value:.digits$}")
}

fn o(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "-".into(), |value| f(value, digits))
}

fn write_sheet(out: &mut String, sheet: &Sheet<'_>) {
    let mut widths: Vec<usize> = sheet.head.iter().map(|h| h.chars().count()).collect();
    for row in &sheet.rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    if !out.is_empty() {
        out.push('\n');
    }
    let _ = writeln!(out, "{}", sheet.title);
    let head: Vec<String> = sheet.head.iter().map(|h| (*h).to_owned()).collect();
    for row in core::iter::once(&head).chain(&sheet.rows) {
        let mut line = String::from("  ");
        for ((cell, width), i) in row.iter().zip(&widths).zip(0..) {
            let pad = " ".repeat(width - cell.chars().count());
            // The first column is words; numbers line up on the right.
            let words = i == 0 || sheet.rows.iter().any(|r| r[i].chars().any(|c| c.is_alphabetic()));
            let text = if words { format!("{cell}{pad}") } else { format!("{pad}{cell}") };
            line.push_str(&text);
            line.push_str("  ");
        }
        let _ = writeln!(out, "{}", line.trim_end());
    }
}

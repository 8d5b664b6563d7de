//! What wears and fills: relays, tubes, the battery, the disk.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::Record;
use super::expected::middle;
use super::finding::{Check, Finding, Outcome, STATION, Sure, Verdict};
use super::history::{DAY_MS, HOUR_MS, History};
use super::layout::Layout;
use super::settings::Settings;
use crate::peril::MAINS;
use crate::words::{decimal, hours, plain, sentence, span};

/// What the last look through the store found wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Damage {
    /// Places in the structure of the file.
    pub n_structure: usize,
    /// Blocks and other parts whose checksum is wrong; all else can be read.
    pub n_parts: usize,
}

/// The verdict on the store.
pub(super) fn store(damage: Damage) -> Verdict {
    let Damage { n_structure, n_parts } = damage;
    let outcome = if n_structure + n_parts == 0 {
        Outcome::Fine("all is as it was written".to_owned())
    } else {
        let act = if n_structure > 0 {
            "Start the station again: it puts the file aside and saves what can be read. Then look at the disk."
        } else {
            "Make a copy of the store, and look at the disk: memory cards that wear out begin like this."
        };
        Outcome::Wrong(Finding {
            wrong: format!("{} of what the station keeps are damaged.", count(n_structure + n_parts, "part")),
            sure: Sure::Certain,
            because: "checksums and structure, at the last look through the file".to_owned(),
            act: act.to_owned(),
            caution: None,
        })
    };
    Verdict { board: STATION.to_owned(), ..Verdict::new(Check::StoreDamaged, STATION, outcome) }
}

fn count(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

/// The disk that the station writes to, bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Disk {
    /// Free.
    pub free: u64,
    /// All.
    pub size: u64,
}

const DISK_DAYS_KEPT: usize = 30;
/// Days over which the trend of the disk is drawn, at least.
const DISK_DAYS: usize = 5;
const OUTAGES_KEPT: usize = 8;
/// An outage says something about the battery when it lasted so long and took so much of its charge, %.
const OUTAGE_MS: i64 = 30 * 60_000;
const OUTAGE_PERCENT: f64 = 5.0;
/// The charge is smoothed over so long, ms: the probe is noisy, the battery is slow.
const SMOOTH_MS: f64 = 300_000.0;
/// Days from which the usual number of starts is taken.
const CYCLE_DAYS: usize = 14;

/// What an outage told about a battery.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Outage {
    at_ms: i64,
    /// Usable by this outage, Wh.
    usable_wh: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct OnBattery {
    since_ms: i64,
    from_percent: f64,
    drawn_wh: f64,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct BatteryState {
    /// Smoothed charge, %.
    charge: Option<f64>,
    on_battery: Option<OnBattery>,
    outages: VecDeque<Outage>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Life {
    on_ms: f64,
    starts: u64,
    was_on: bool,
}

/// What is kept about wear.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Care {
    lives: Vec<Life>,
    batteries: Vec<BatteryState>,
    /// (day, used bytes), one a day.
    disk: VecDeque<(i64, u64)>,
    disk_now: Option<Disk>,
}

impl Care {
    pub fn new(layout: &Layout) -> Self {
        Care {
            lives: vec![Life::default(); layout.drives.len()],
            batteries: vec![BatteryState::default(); layout.batteries.len()],
            ..Care::default()
        }
    }

    pub fn take_over(&mut self, old: &Care, drives: &[Option<usize>]) {
        for (life, to) in old.lives.iter().zip(drives) {
            if let Some(place) = to.and_then(|to| self.lives.get_mut(to)) {
                *place = *life;
            }
        }
        self.batteries.iter_mut().zip(&old.batteries).for_each(|(new, old)| new.clone_from(old));
        self.disk.clone_from(&old.disk);
    }

    pub fn replaced(&mut self, drive: usize) {
        if let Some(life) = self.lives.get_mut(drive) {
            *life = Life { was_on: life.was_on, ..Life::default() };
        }
    }

    pub fn record(
        &mut self,
        layout: &Layout,
        record: &Record<'_>,
        since_ms: i64,
        value: impl Fn(usize) -> f64,
    ) {
        for (life, duty) in self.lives.iter_mut().zip(record.duties) {
            let is_on = *duty > 0.0;
            life.on_ms += f64::from(*duty) * since_ms as f64;
            life.starts += u64::from(is_on && !life.was_on);
            life.was_on = is_on;
        }
        for ((b, battery), state) in layout.batteries.iter().enumerate().zip(&mut self.batteries) {
            let charge = value(battery.charge);
            if charge.is_finite() {
                let share = 1.0 - (-(since_ms as f64) / SMOOTH_MS).exp();
                let old = state.charge.unwrap_or(charge);
                state.charge = Some(old + share * (charge - old));
            }
            let Some(now) = state.charge else { continue };
            let is_out = battery.mains.is_some_and(|m| value(m) == 0.0);
            if !is_out {
                if let Some(outage) = state.on_battery.take()
                    && let Some(known) = outage.result(record.at_ms, now)
                {
                    state.outages.push_back(known);
                    while state.outages.len() > OUTAGES_KEPT {
                        state.outages.pop_front();
                    }
                }
                continue;
            }
            let driven: f64 = (layout.drives.iter().zip(record.duties))
                .filter(|(d, _)| d.battery == Some(b))
                .map(|(d, duty)| d.watts * f64::from(if d.draws_off { 1.0 - duty } else { *duty }))
                .sum();
            let on = state.on_battery.get_or_insert(OnBattery {
                since_ms: record.at_ms,
                from_percent: now,
                drawn_wh: 0.0,
            });
            on.drawn_wh += (driven + battery.always_w) * since_ms as f64 / HOUR_MS as f64;
        }
    }

    pub fn note_disk(&mut self, now_ms: i64, disk: Disk) {
        self.disk_now = Some(disk);
        let day = now_ms.div_euclid(DAY_MS);
        let used = disk.size.saturating_sub(disk.free);
        match self.disk.back_mut() {
            Some((last, bytes)) if *last >= day => *bytes = used,
            _ => self.disk.push_back((day, used)),
        }
        while self.disk.len() > DISK_DAYS_KEPT {
            self.disk.pop_front();
        }
    }

    /// Days until the disk is full by its trend; None: it does not fill, or there are too few days.
    fn disk_days(&self) -> Option<f64> {
        let free = self.disk_now?.free as f64;
        if self.disk.len() < DISK_DAYS {
            return None;
        }
        let n = self.disk.len() as f64;
        let mean_x = self.disk.iter().map(|d| d.0 as f64).sum::<f64>() / n;
        let mean_y = self.disk.iter().map(|d| d.1 as f64).sum::<f64>() / n;
        let xy: f64 = self.disk.iter().map(|d| (d.0 as f64 - mean_x) * (d.1 as f64 - mean_y)).sum();
        let xx: f64 = self.disk.iter().map(|d| (d.0 as f64 - mean_x).powi(2)).sum();
        let a_day = xy / xx;
        (a_day > 0.0).then(|| free / a_day)
    }

    pub fn disk(&self, settings: &Settings) -> Option<Verdict> {
        let disk = self.disk_now?;
        let share = disk.free as f64 / disk.size.max(1) as f64;
        let days = self.disk_days();
        let free = decimal(disk.free as f64 / 1e9, 1, "GB");
        let is_soon = days.is_some_and(|d| d < settings.disk_days);
        let outcome = if share >= settings.disk_share && !is_soon {
            Outcome::Fine(format!("{free} free"))
        } else {
            Outcome::Wrong(Finding {
                wrong: match days.filter(|_| is_soon) {
                    Some(days) => format!(
                        "The station's disk is full in {}: {free} left.",
                        span((days * DAY_MS as f64) as i64)
                    ),
                    None => format!("The station's disk is nearly full: {free} left."),
                },
                sure: if is_soon { Sure::Likely } else { Sure::Certain },
                because: if is_soon {
                    "by the trend of its days".to_owned()
                } else {
                    "as the system says".to_owned()
                },
                act: "Keep raw samples for a shorter time, or move other files off the disk.".to_owned(),
                caution: None,
            })
        };
        Some(Verdict { board: STATION.to_owned(), ..Verdict::new(Check::DiskFilling, STATION, outcome) })
    }

    pub fn wear(&self, layout: &Layout, settings: &Settings, history: &History) -> Vec<Verdict> {
        let mut all = vec![];
        for (d, (drive, life)) in layout.drives.iter().zip(&self.lives).enumerate() {
            if drive.is_switched {
                let part = drive.name.clone();
                all.push(Verdict::new(Check::PartWorn, part, self.worn(layout, settings, history, d, life)));
                let outcome = cycling(layout, settings, history, d);
                all.push(Verdict::new(Check::ShortCycling, drive.name.clone(), outcome));
            }
        }
        all
    }

    fn worn(
        &self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        d: usize,
        life: &Life,
    ) -> Outcome {
        let drive = &layout.drives[d];
        let run_h = life.on_ms / HOUR_MS as f64;
        let contact = life.starts as f64 / settings.relay_operations.max(1.0);
        let tube = if drive.is_dosing { run_h / settings.tube_hours.max(1.0) } else { 0.0 };
        let used = contact.max(tube);
        let name = plain(&drive.name);
        let (has_done, of, what) = if tube > contact {
            (hours(run_h), hours(settings.tube_hours), "tube")
        } else {
            (format!("{} starts", life.starts), format!("{:.0}", settings.relay_operations), "contact")
        };
        if used < settings.worn_share {
            return Outcome::Fine(format!("{:.0} % of its life: {has_done}", used * 100.0));
        }
        let day = history.window(24);
        let a_day = day.map_or(0.0, |w| {
            let run = w.drives[d];
            if tube > contact {
                run.on_ms / HOUR_MS as f64 / settings.tube_hours
            } else {
                f64::from(run.starts) / settings.relay_operations
            }
        });
        let left = if a_day > 0.0 {
            span(((1.0 - used).max(0.0) / a_day * DAY_MS as f64) as i64)
        } else {
            "?".to_owned()
        };
        Outcome::Wrong(Finding {
            wrong: format!("The {what} of {name} has done {has_done} of {of}; about {left} are left."),
            sure: Sure::Possible,
            because: "parts last longer or shorter than their data sheets say".to_owned(),
            act: format!("Have a spare; replace the {what} when convenient and say so here."),
            caution: Some(MAINS.to_owned()),
        })
    }

    pub fn battery(&self, layout: &Layout, settings: &Settings, history: &History) -> Vec<Verdict> {
        (layout.batteries.iter().zip(&self.batteries))
            .map(|(battery, state)| {
                let newest = state.outages.back();
                let name = plain(&battery.name);
                let charged = history.window(24).and_then(|w| {
                    let mains = battery.mains.is_none_or(|m| w.mean(m) == Some(1.0));
                    w.mean(battery.charge).filter(|_| mains)
                });
                let poor = charged.filter(|c| *c < settings.battery_charged);
                let share = newest.map(|o| o.usable_wh / battery.usable_wh.max(1.0));
                let outcome = if let Some(charge) = poor {
                    Outcome::Wrong(Finding {
                        wrong: format!("The {name} stands at {charge:.0} % after a day of mains."),
                        sure: Sure::Likely,
                        because: "a charged one stands above 90 %".to_owned(),
                        act: "Look at its charger and fuse.".to_owned(),
                        caution: Some(
                            "A battery gives hundreds of amperes: no ring, no loose tool.".to_owned(),
                        ),
                    })
                } else if let (Some(outage), Some(share)) =
                    (newest, share.filter(|s| *s < settings.battery_share))
                {
                    Outcome::Wrong(Finding {
                        wrong: format!(
                            "The {name} held {:.0} Wh in its last outage, {:.0} % of new.",
                            outage.usable_wh,
                            share * 100.0
                        ),
                        sure: Sure::Likely,
                        because: "by what was drawn and how far its charge fell".to_owned(),
                        act: format!("Reckon with {share:.2} of the backup time; plan its replacement."),
                        caution: Some(
                            "A battery gives hundreds of amperes: no ring, no loose tool.".to_owned(),
                        ),
                    })
                } else if let Some(share) = share {
                    Outcome::Fine(format!("{:.0} % of new in its last outage", share * 100.0))
                } else {
                    Outcome::Unknown("no outage yet that tells its capacity; test it once a year".to_owned())
                };
                Verdict::new(Check::BatteryAgeing, battery.name.clone(), outcome)
            })
            .collect()
    }
}

impl OnBattery {
    fn result(self, at_ms: i64, now_percent: f64) -> Option<Outage> {
        let fall = self.from_percent - now_percent;
        let told = at_ms - self.since_ms >= OUTAGE_MS && fall >= OUTAGE_PERCENT;
        told.then(|| Outage { at_ms, usable_wh: self.drawn_wh / fall * 100.0 })
    }
}

fn cycling(layout: &Layout, settings: &Settings, history: &History, d: usize) -> Outcome {
    let Some(day) = history.window(24) else {
        return Outcome::Unknown("less than a day of records".to_owned());
    };
    let starts = f64::from(day.drives[d].starts);
    let before = history.days.iter().rev().skip(1).take(CYCLE_DAYS).map(|s| f64::from(s.drives[d].starts));
    let Some(usual) = middle(before.collect()) else {
        return Outcome::Unknown("not yet learned".to_owned());
    };
    if starts <= settings.cycling_a_day.max(settings.cycling_factor * usual) {
        return Outcome::Fine(format!("{starts:.0} starts a day"));
    }
    let name = plain(&layout.drives[d].name);
    Outcome::Wrong(Finding {
        wrong: format!("{} went on {starts:.0} times in a day; {usual:.0} is usual.", sentence(&name)),
        sure: Sure::Certain,
        because: "counted from its output".to_owned(),
        act: "Look at the float or probe that rules it: loose, fouled, in moving water.".to_owned(),
        caution: None,
    })
}

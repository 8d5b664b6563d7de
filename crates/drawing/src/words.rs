//! The section in words, for a reader that cannot see it.

use system::model::{PassageKind, SensorKind, System};

use crate::WaterLines;
use crate::bodies::Bodies;
use crate::pipes::both;
use crate::text::mm;

/// One paragraph: size and water of each vessel, every way of the water, gear and sensors with their heights.
pub(crate) fn describe(system: &System, bodies: &Bodies, lines: &[WaterLines], scale: f64) -> String {
    let mut out = format!("Section of {} in elevation, scale 1:{scale}. ", system.name);
    out.push_str(
        "Heights are in millimetres over the cabinet floor, in brackets over the vessel's own floor. ",
    );
    for (v, vessel) in system.vessels.iter().enumerate() {
        let body = &bodies.list[v];
        out.push_str(&format!(
            "{}: {} by {} by {} inside",
            vessel.name,
            mm(vessel.inside[0]),
            mm(vessel.inside[1]),
            mm(vessel.inside[2])
        ));
        if let Some(parent) = body.inside_of {
            out.push_str(&format!(", stands in {}", system.vessels[parent].name));
        } else if let Some(tank) = &vessel.chamber_of {
            out.push_str(&format!(", chamber of {tank}"));
        }
        out.push_str(&format!(", floor at {}", mm(body.floor)));
        for set in lines {
            if let Some(level) = set.levels.get(v).copied().flatten() {
                out.push_str(&format!(", water {} at {}", set.name, both(body.floor, level)));
            }
        }
        out.push_str(". ");
    }
    let floor = |v: usize| bodies.list.get(v).map_or(0.0, |b| b.floor);
    for p in &system.passages {
        let (Some(from), Some(to)) = (system.vessels.get(p.from.idx()), system.vessels.get(p.to.idx()))
        else {
            continue;
        };
        let (a, b) = (floor(p.from.idx()), floor(p.to.idx()));
        let way = match &p.kind {
            PassageKind::Weir { crest, .. } => format!("weir with crest at {}", both(a, *crest)),
            PassageKind::Baffle { top, .. } => format!("baffle with top at {}", both(a, *top)),
            PassageKind::Opening { height, .. } => format!("opening at {}", both(a, *height)),
            PassageKind::Drain { inlet, outlet, .. } => {
                format!("drain from {} to {}", both(a, *inlet), both(b, *outlet))
            }
            PassageKind::Sock { rim, .. } => format!("filter sock with rim at {}", both(a, *rim)),
            PassageKind::Pumped { intake, outlet, break_hole, .. } => {
                let hole = break_hole
                    .map_or("no siphon break".to_owned(), |h| format!("siphon break at {}", both(b, h)));
                format!("pumped from {} to {}, {hole}", both(a, *intake), both(b, *outlet))
            }
            PassageKind::Line { intake, outlet, .. } => {
                format!("dosing line from {} to {}", both(a, *intake), both(b, *outlet))
            }
            PassageKind::Siphon { inlet, outlet, .. } => {
                format!("siphon from {} to {}", both(a, *inlet), both(b, *outlet))
            }
        };
        out.push_str(&format!("{}: from {} to {}, {way}. ", p.name, from.name, to.name));
    }
    for s in &system.sensors {
        let Some(v) = s.vessel.filter(|v| v.idx() < bodies.list.len()) else { continue };
        let place = &system.vessels[v.idx()].name;
        match (&s.kind, s.height) {
            (SensorKind::Float { low, high, .. }, _) => out.push_str(&format!(
                "{}: float in {place}, switches at {} and {}. ",
                s.name,
                both(floor(v.idx()), *high),
                both(floor(v.idx()), *low)
            )),
            (_, Some(h)) => {
                out.push_str(&format!("{}: probe in {place} at {}. ", s.name, both(floor(v.idx()), h)))
            }
            _ => {}
        }
    }
    for a in &system.actuators {
        if let Some(v) = crate::slots::vessel_of(a).filter(|&v| v < bodies.list.len()) {
            out.push_str(&format!("{} in {}", a.name, system.vessels[v].name));
            if let Some(mark) = a.mark {
                out.push_str(&format!(", bare below {}", both(floor(v), mark)));
            }
            out.push_str(". ");
        }
    }
    out.trim_end().to_owned()
}

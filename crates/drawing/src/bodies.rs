//! Vessels as bodies in elevation, in metres: cleaned of impossible numbers, chambers joined into their tank, and moved apart
//! where the file draws two tanks over each other.

use system::model::{PassageKind, System, Vessel};

/// Gap drawn between tanks that the file lets overlap, m.
const APART: f64 = 0.08;
/// Partition between chambers when the file gives none, m.
const PARTITION: f64 = 0.010;
/// Largest coordinate that is drawn, m. A house aquarium is far smaller; a wrong unit is larger.
const FARTHEST: f64 = 60.0;
/// Smallest inside size that is drawn, m.
const SMALLEST: f64 = 0.02;

/// One vessel in elevation, m; z over the cabinet floor.
#[derive(Clone, Debug)]
pub(crate) struct Body {
    /// Inside, left.
    pub x0: f64,
    /// Inside, right.
    pub x1: f64,
    /// Inside floor.
    pub floor: f64,
    /// Upper edge.
    pub rim: f64,
    /// Wall thickness.
    pub wall: f64,
    /// Index of its tank.
    pub tank: usize,
    /// Stands in another vessel.
    pub inside_of: Option<usize>,
    /// Water that may be told from the system's by tint.
    pub fresh: bool,
}

impl Body {
    pub fn length(&self) -> f64 {
        self.x1 - self.x0
    }
    pub fn middle(&self) -> f64 {
        (self.x0 + self.x1) / 2.0
    }
}

/// One shell: a vessel, or the chambers of one sump.
#[derive(Clone, Debug)]
pub(crate) struct Tank {
    /// Name of the vessel or of the common tank.
    pub name: String,
    /// Vessels in it, from the left. Boxes standing inside are not among them.
    pub chambers: Vec<usize>,
    /// Inside of the shell.
    pub x0: f64,
    pub x1: f64,
    pub floor: f64,
    pub rim: f64,
    pub wall: f64,
    /// Stands in a vessel (then it is drawn with thin walls).
    pub boxed: bool,
}

/// All vessels of a system in elevation.
#[derive(Clone, Debug, Default)]
pub(crate) struct Bodies {
    /// By vessel index.
    pub list: Vec<Body>,
    pub tanks: Vec<Tank>,
    /// Tanks that had to be moved, by name.
    pub moved: Vec<String>,
}

fn bounded(value: f64, low: f64, high: f64, or: f64) -> f64 {
    if value.is_finite() { value.clamp(low, high) } else { or }
}

fn body(vessel: &Vessel, n_vessels: usize, own: usize) -> Body {
    let length = bounded(vessel.inside[0], SMALLEST, FARTHEST / 2.0, SMALLEST);
    let tall = bounded(vessel.inside[2], SMALLEST, FARTHEST / 4.0, SMALLEST);
    let floor = bounded(vessel.floor_m, -FARTHEST / 4.0, FARTHEST / 4.0, 0.0);
    let x0 = bounded(vessel.x_m, -FARTHEST, FARTHEST, 0.0);
    let fresh = !matches!(vessel.holds, system::model::Contents::Tank);
    Body {
        x0,
        x1: x0 + length,
        floor,
        rim: floor + tall,
        wall: bounded(vessel.wall_m, 0.0, 0.1, 0.006),
        tank: 0,
        inside_of: vessel.inside_of.map(|v| v.idx()).filter(|&v| v < n_vessels && v != own),
        fresh,
    }
}

/// Thickness of the partition between two chambers, from the baffle that joins them.
fn partition(system: &System, a: usize, b: usize) -> f64 {
    system
        .passages
        .iter()
        .filter(|p| (p.from.idx(), p.to.idx()) == (a, b) || (p.from.idx(), p.to.idx()) == (b, a))
        .find_map(|p| match p.kind {
            PassageKind::Baffle { thickness, .. } => Some(bounded(thickness, 0.002, 0.05, PARTITION)),
            _ => None,
        })
        .unwrap_or(PARTITION)
}

/// Lays out the vessels.
pub(crate) fn lay_out(system: &System) -> Bodies {
    let n = system.vessels.len();
    let mut list: Vec<Body> = system.vessels.iter().enumerate().map(|(i, v)| body(v, n, i)).collect();
    let mut tanks: Vec<Tank> = vec![];
    for (i, own) in list.iter_mut().enumerate() {
        let common = system.vessels[i].chamber_of.as_deref().filter(|_| own.inside_of.is_none());
        let known = common.and_then(|name| {
            tanks.iter().position(|t| {
                t.name == name
                    && t.chambers
                        .first()
                        .is_some_and(|&c| system.vessels[c].chamber_of.as_deref() == Some(name))
            })
        });
        let tank = match known {
            Some(t) => {
                tanks[t].chambers.push(i);
                t
            }
            None => {
                tanks.push(Tank {
                    name: common.unwrap_or(&system.vessels[i].name).to_owned(),
                    chambers: vec![i],
                    x0: 0.0,
                    x1: 0.0,
                    floor: 0.0,
                    rim: 0.0,
                    wall: 0.0,
                    boxed: own.inside_of.is_some(),
                });
                tanks.len() - 1
            }
        };
        own.tank = tank;
    }
    for tank in &mut tanks {
        set_chambers(system, &mut list, tank);
    }
    put_boxes_inside(&mut list, &mut tanks);
    let moved = move_apart(&mut list, &mut tanks);
    Bodies { list, tanks, moved }
}

/// Chambers stand beside each other with their partitions between; where the file's x disagree they follow the file's order.
fn set_chambers(system: &System, list: &mut [Body], tank: &mut Tank) {
    let mut order = tank.chambers.clone();
    order.sort_by(|&a, &b| list[a].x0.total_cmp(&list[b].x0));
    for pair in order.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let gap = partition(system, a, b);
        let length = list[b].length();
        let wanted = list[a].x1 + gap;
        if list[b].x0 < wanted - 1e-9 || list[b].x0 > wanted + 0.02 {
            list[b].x0 = wanted;
            list[b].x1 = wanted + length;
        }
    }
    let low =
        |f: fn(&Body) -> f64, list: &[Body]| order.iter().map(|&c| f(&list[c])).fold(f64::INFINITY, f64::min);
    let high = |f: fn(&Body) -> f64, list: &[Body]| {
        order.iter().map(|&c| f(&list[c])).fold(f64::NEG_INFINITY, f64::max)
    };
    tank.x0 = low(|b| b.x0, list);
    tank.x1 = high(|b| b.x1, list);
    tank.floor = low(|b| b.floor, list);
    tank.rim = high(|b| b.rim, list);
    tank.wall = high(|b| b.wall, list);
    tank.chambers = order;
}

/// A box stands within the length of its parent; parents come first however deep boxes nest, and a loop is left as it is.
fn put_boxes_inside(list: &mut [Body], tanks: &mut [Tank]) {
    for _ in 0..list.len() {
        let mut changed = false;
        for i in 0..list.len() {
            let Some(parent) = list[i].inside_of else { continue };
            let (p0, p1) = (list[parent].x0, list[parent].x1);
            let length = list[i].length().min(p1 - p0);
            let x0 = list[i].x0.min(p1 - length).max(p0);
            if (x0 - list[i].x0).abs() > 1e-9 || (x0 + length - list[i].x1).abs() > 1e-9 {
                list[i].x0 = x0;
                list[i].x1 = x0 + length;
                let tank = &mut tanks[list[i].tank];
                tank.x0 = x0;
                tank.x1 = x0 + length;
                changed = true;
            }
        }
        if !changed {
            break;
        }
    }
}

fn shift(list: &mut [Body], tanks: &mut [Tank], tank: usize, by: f64) {
    tanks[tank].x0 += by;
    tanks[tank].x1 += by;
    let mut owners = tanks[tank].chambers.clone();
    let mut seen = vec![false; list.len()];
    while let Some(vessel) = owners.pop() {
        if std::mem::replace(&mut seen[vessel], true) {
            continue;
        }
        list[vessel].x0 += by;
        list[vessel].x1 += by;
        for child in (0..list.len()).filter(|&c| list[c].inside_of == Some(vessel)) {
            if list[child].tank != tank {
                let own = list[child].tank;
                tanks[own].x0 += by;
                tanks[own].x1 += by;
            }
            owners.push(child);
        }
    }
}

/// Tanks that would be drawn over each other move to the right, in file order.
fn move_apart(list: &mut [Body], tanks: &mut [Tank]) -> Vec<String> {
    let mut moved = vec![];
    for t in 0..tanks.len() {
        if tanks[t].boxed {
            continue;
        }
        let start = tanks[t].x0;
        for _ in 0..tanks.len() {
            let clash = (0..t).filter(|&o| !tanks[o].boxed).find(|&o| {
                let (a, b) = (&tanks[t], &tanks[o]);
                a.x0 - a.wall < b.x1 + b.wall - 1e-6
                    && b.x0 - b.wall < a.x1 + a.wall - 1e-6
                    && a.floor - a.wall < b.rim - 1e-6
                    && b.floor - b.wall < a.rim - 1e-6
            });
            let Some(o) = clash else { break };
            let by = tanks[o].x1 + tanks[o].wall + tanks[t].wall + APART - tanks[t].x0;
            shift(list, tanks, t, by);
        }
        if (tanks[t].x0 - start).abs() > 1e-6 {
            moved.push(tanks[t].name.clone());
        }
    }
    moved
}

//! Places texts so that none covers another: beside their part where there is room, else in a column at the side with a
//! leader, or, over and under a drawing that is far wider than tall, in bands of flags. Both always take what is left; if
//! they are too small, the sheet has to grow.

use crate::draft::Wish;
use crate::sheet::{Align, Label, Point, Rect};
use crate::text;

/// Air around a text, mm.
const AIR: f64 = 0.5;
/// Air between texts of a column, mm.
const COLUMN_AIR: f64 = 0.9;
/// Level part of a leader beside its text, mm.
const STUB: f64 = 2.2;
/// Distances of a text from its part that are tried, mm.
const REACH: [f64; 6] = [1.0, 2.2, 3.8, 6.0, 9.0, 12.5];
/// Cost (mm of distance and what a leader crosses) beyond which a column is better.
const DEAREST: f64 = 13.0;
/// Distance from which a leader is drawn, mm.
const NEEDS_LEADER: f64 = 1.8;
/// Grid on which a text seeks its place inside a vessel, mm.
const GRID: f64 = 1.5;
/// Rounds in which texts that have no place free of leaders go to the columns too.
const ROUNDS: usize = 8;

/// Where texts may go.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Room {
    /// Texts beside their part stay in here.
    pub middle: Rect,
    /// Column at the left, its texts ending at its right edge.
    pub left: Rect,
    /// Column at the right.
    pub right: Rect,
    /// The drawing, when bands over and under it take the place of the columns.
    pub bands: Option<Rect>,
}

/// Result: labels, or how many more millimetres of height are needed; infinity when no height helps (bands only).
pub(crate) fn place(
    wishes: &[Wish],
    room: Room,
    hard: &[Rect],
    soft: &[Rect],
    fixed: &[Label],
) -> Result<Vec<Label>, f64> {
    // Bands begin where the drawing ends.
    let near = room.bands.map_or(room.middle, |d| Rect::new(room.middle.x, d.y, room.middle.w, d.h));
    let mut in_column = vec![false; wishes.len()];
    let taken: Vec<Rect> = fixed.iter().map(|l| l.bounds.grown(AIR)).collect();
    let mut inside_first: Vec<usize> = (0..wishes.len()).collect();
    inside_first.sort_by_key(|&i| wishes[i].inside.is_none());
    let mut stacked: Vec<Label> = vec![];
    for round in 0.. {
        let mut placed: Vec<Label> = vec![];
        let mut homeless = vec![];
        for &i in inside_first.iter().filter(|&&i| !in_column[i]) {
            // In the last round a text may lie over a leader rather than move once more.
            let leaders = if round < ROUNDS { &stacked[..] } else { &[] };
            match local(&wishes[i], near, hard, soft, &taken, &placed, leaders) {
                Some(label) => placed.push(label),
                None => homeless.push(i),
            }
        }
        homeless.retain(|&i| !wishes[i].optional);
        if round > 0 && homeless.is_empty() {
            placed.append(&mut stacked);
            return Ok(placed);
        }
        for i in homeless {
            in_column[i] = true;
        }
        let members: Vec<usize> = (0..wishes.len()).filter(|&i| in_column[i]).collect();
        stacked = match room.bands {
            Some(drawn) => bands(wishes, &members, room, drawn)?,
            None => columns(wishes, &members, room)?,
        };
    }
    Ok(stacked)
}

fn crosses(leader: &[Point], rect: &Rect) -> bool {
    leader.windows(2).any(|pair| rect.crossed_by(pair[0], pair[1]))
}

fn label(wish: &Wish, bounds: Rect, align: Align, leader: Vec<Point>) -> Label {
    Label {
        part: wish.part.clone(),
        key: wish.key,
        lines: wish.lines.clone(),
        bounds,
        align,
        turned: false,
        leader,
    }
}

/// The cheapest free place near the part.
fn local(
    wish: &Wish,
    area: Rect,
    hard: &[Rect],
    soft: &[Rect],
    fixed: &[Rect],
    placed: &[Label],
    leaders: &[Label],
) -> Option<Label> {
    let (w, h) = text::extent(&wish.lines);
    let free = |bounds: &Rect, leader: &[Point]| {
        let wide = bounds.grown(AIR);
        area.contains(bounds)
            && !fixed.iter().any(|r| r.overlaps(bounds) || crosses(leader, r))
            && !hard.iter().any(|r| r.overlaps(bounds))
            && !leaders.iter().any(|l| crosses(&l.leader, bounds))
            && !placed
                .iter()
                .any(|l| l.bounds.overlaps(&wide) || crosses(leader, &l.bounds) || crosses(&l.leader, bounds))
    };
    let mess = |bounds: &Rect, leader: &[Point]| {
        let over = soft.iter().filter(|r| r.overlaps(bounds)).count() as f64;
        let through = hard.iter().filter(|r| !r.overlaps(&wish.own) && crosses(leader, r)).count() as f64;
        over * 6.0 + through * 24.0
    };
    let mut best: Option<(f64, Label)> = None;
    let mut offer = |cost: f64, bounds: Rect, align: Align, leader: Vec<Point>| {
        if best.as_ref().is_none_or(|(least, _)| cost < *least) && free(&bounds, &leader) {
            let cost = cost + mess(&bounds, &leader);
            if best.as_ref().is_none_or(|(least, _)| cost < *least) {
                best = Some((cost, label(wish, bounds, align, leader)));
            }
        }
    };
    if let Some(inside) = wish.inside {
        let columns = ((inside.w - w) / GRID).floor().max(-1.0) as i64;
        let rows = ((inside.h - h) / GRID).floor().max(-1.0) as i64;
        for row in 0..=rows.min(200) {
            for column in 0..=columns.min(400) {
                let bounds = Rect::new(inside.x + column as f64 * GRID, inside.y + row as f64 * GRID, w, h);
                offer(row as f64 * 0.4 + column as f64 * 0.1, bounds, Align::Left, vec![]);
            }
        }
    }
    if wish.inside.is_none() {
        for d in REACH.into_iter().filter(|&d| !wish.optional || d < NEEDS_LEADER) {
            for (cost, bounds, align, end) in around(&wish.own, w, h, d) {
                let leader = if d > NEEDS_LEADER { vec![end, nearest(&wish.own, end)] } else { vec![] };
                offer(d + cost, bounds, align, leader);
            }
        }
    }
    best.filter(|(cost, _)| *cost < DEAREST).map(|(_, l)| l)
}

/// The point of a box that is nearest to `to`.
fn nearest(own: &Rect, to: Point) -> Point {
    Point::new(to.x.max(own.x).min(own.right()), to.y.max(own.y).min(own.bottom()))
}

/// Places around a box at distance `d`: cost, bounds, alignment, where a leader starts.
fn around(own: &Rect, w: f64, h: f64, d: f64) -> [(f64, Rect, Align, Point); 8] {
    let c = own.centre();
    let right = own.right() + d;
    let left = own.x - d - w;
    let above = own.y - d - h;
    let below = own.bottom() + d;
    let (mid_x, mid_y) = (c.x - w / 2.0, c.y - h / 2.0);
    [
        (0.0, Rect::new(right, mid_y, w, h), Align::Left, Point::new(right - AIR, c.y)),
        (0.2, Rect::new(left, mid_y, w, h), Align::Right, Point::new(left + w + AIR, c.y)),
        (0.6, Rect::new(mid_x, above, w, h), Align::Middle, Point::new(c.x, above + h)),
        (0.8, Rect::new(mid_x, below, w, h), Align::Middle, Point::new(c.x, below)),
        (1.2, Rect::new(right, above, w, h), Align::Left, Point::new(right, above + h)),
        (1.4, Rect::new(right, below, w, h), Align::Left, Point::new(right, below)),
        (1.6, Rect::new(left, above, w, h), Align::Right, Point::new(left + w, above + h)),
        (1.8, Rect::new(left, below, w, h), Align::Right, Point::new(left + w, below)),
    ]
}

/// Stacks what found no room into the two columns.
fn columns(wishes: &[Wish], members: &[usize], room: Room) -> Result<Vec<Label>, f64> {
    let tall = |i: usize| text::extent(&wishes[i].lines).1 + COLUMN_AIR;
    let middle = room.middle.centre().x;
    let mut by_x: Vec<usize> = members.to_vec();
    by_x.sort_by(|&a, &b| wishes[a].anchor.x.total_cmp(&wishes[b].anchor.x));
    let total: f64 = by_x.iter().map(|&i| tall(i)).sum();
    let natural = by_x.iter().filter(|&&i| wishes[i].anchor.x < middle).count();
    let height = |part: &[usize]| part.iter().map(|&i| tall(i)).sum::<f64>();
    // The split nearest to the middle of the drawing with which both columns hold their texts.
    let split = (0..=by_x.len())
        .filter(|&s| height(&by_x[..s]) <= room.left.h && height(&by_x[s..]) <= room.right.h)
        .min_by_key(|&s| s.abs_diff(natural));
    let Some(split) = split else {
        // One text more than half may end on one side, so ask for half the surplus and the tallest text.
        let tallest = members.iter().map(|&i| tall(i)).fold(0.0, f64::max);
        return Err((total - room.left.h - room.right.h).max(0.0) / 2.0 + tallest);
    };
    let mut labels = stack(wishes, &by_x[..split], room.left, Align::Right);
    labels.extend(stack(wishes, &by_x[split..], room.right, Align::Left));
    Ok(labels)
}

fn stack(wishes: &[Wish], members: &[usize], column: Rect, align: Align) -> Vec<Label> {
    let (edge, stub) = match align {
        Align::Right => (column.right(), column.right() + STUB),
        _ => (column.x, column.x - STUB),
    };
    let mut order = members.to_vec();
    order.sort_by(|&a, &b| wishes[a].anchor.y.total_cmp(&wishes[b].anchor.y));
    let leader_start =
        |i: usize, y: f64| Point::new(stub, y + wishes[i].lines.first().map_or(0.0, |l| l.size) * 0.64);
    let mut ys = spread(wishes, &order, column);
    // Each swap of two crossing leaders makes their sum shorter, so this ends; the bound guards against rounding.
    for _ in 0..order.len() * order.len() {
        let cross =
            (0..order.len()).flat_map(|a| (a + 1..order.len()).map(move |b| (a, b))).find(|&(a, b)| {
                let (i, j) = (order[a], order[b]);
                segments_cross(
                    leader_start(i, ys[a]),
                    wishes[i].anchor,
                    leader_start(j, ys[b]),
                    wishes[j].anchor,
                )
            });
        let Some((a, b)) = cross else { break };
        order.swap(a, b);
        ys = spread(wishes, &order, column);
    }
    order
        .iter()
        .zip(&ys)
        .map(|(&i, &y)| {
            let wish = &wishes[i];
            let (w, h) = text::extent(&wish.lines);
            let x = if align == Align::Right { edge - w } else { edge };
            let start = leader_start(i, y);
            let beside = Point::new(if align == Align::Right { edge + AIR } else { edge - AIR }, start.y);
            label(wish, Rect::new(x, y, w, h), align, vec![beside, start, wish.anchor])
        })
        .collect()
}

/// Heights of stacked texts as near as possible to their anchors: isotonic regression by pooling adjacent violators, on
/// the wanted heights less the room that the texts above need.
fn spread(wishes: &[Wish], order: &[usize], column: Rect) -> Vec<f64> {
    let mut offset = 0.0;
    let mut offsets = vec![];
    let mut blocks: Vec<(f64, f64)> = vec![];
    for &i in order {
        let h = text::extent(&wishes[i].lines).1;
        offsets.push(offset);
        blocks.push((wishes[i].anchor.y - h / 2.0 - offset, 1.0));
        while let [.., (a, n), (b, m)] = blocks[..] {
            if a <= b {
                break;
            }
            blocks.truncate(blocks.len() - 2);
            blocks.push(((a * n + b * m) / (n + m), n + m));
        }
        offset += h + COLUMN_AIR;
    }
    let lowest = (column.bottom() - offset + COLUMN_AIR).max(column.y);
    blocks
        .iter()
        .flat_map(|&(y, n)| std::iter::repeat_n(y.min(lowest).max(column.y), n as usize))
        .zip(&offsets)
        .map(|(y, o)| y + o)
        .collect()
}

/// Least distance of two leaders beside each other, mm.
const LEADER_APART: f64 = 1.7;

/// A flag of a band: its leader's x, and the distances of its near and far edge from the band's foot.
struct Flag {
    wish: usize,
    x: f64,
    w: f64,
    near: f64,
    far: f64,
}

/// Flags on upright leaders over and under the drawing. From the right to the left each flag rises just over the leaders of
/// those that stand under it, so no leader crosses a text.
fn bands(wishes: &[Wish], members: &[usize], room: Room, drawn: Rect) -> Result<Vec<Label>, f64> {
    let mut order = members.to_vec();
    order.sort_by(|&a, &b| wishes[b].anchor.x.total_cmp(&wishes[a].anchor.x));
    let middle = drawn.centre().y;
    let mut sides: [Vec<Flag>; 2] = [vec![], vec![]];
    for i in order {
        let (w, h) = text::extent(&wishes[i].lines);
        let offer = |flags: &[Flag]| {
            let x = flags.last().map_or(wishes[i].anchor.x, |f| wishes[i].anchor.x.min(f.x - LEADER_APART));
            let under = flags.iter().filter(|f| f.x < x + w + 2.0 * AIR + COLUMN_AIR);
            let near = under.map(|f| f.far + COLUMN_AIR).fold(0.0, f64::max);
            Flag { wish: i, x, w, near, far: near + h }
        };
        let (up, down) = (offer(&sides[0]), offer(&sides[1]));
        // A part in the other half is worth one text's height of going round.
        let upwards = wishes[i].anchor.y < middle;
        let price = |flag: &Flag, natural: bool| flag.far + if natural { 0.0 } else { h };
        if price(&up, upwards) <= price(&down, !upwards) { sides[0].push(up) } else { sides[1].push(down) }
    }
    let highest = |flags: &[Flag]| flags.iter().map(|f| f.far).fold(0.0, f64::max);
    let (foot, base) = (drawn.y - COLUMN_AIR, drawn.bottom() + COLUMN_AIR);
    let short = (room.middle.y - (foot - highest(&sides[0])))
        .max(base + highest(&sides[1]) - room.middle.bottom())
        .max(0.0);
    if sides.iter().flatten().any(|f| f.x < room.middle.x || f.x + AIR + f.w > room.middle.right()) {
        return Err(f64::INFINITY);
    }
    if short > 1e-9 {
        return Err(short * 2.0);
    }
    let mut labels = vec![];
    for (flags, upwards) in sides.iter().zip([true, false]) {
        for f in flags {
            let h = f.far - f.near;
            let y = if upwards { foot - f.far } else { base + f.near };
            let (end, bend) = if upwards { (y, foot) } else { (y + h, base) };
            let leader = vec![Point::new(f.x, end), Point::new(f.x, bend), wishes[f.wish].anchor];
            labels.push(label(&wishes[f.wish], Rect::new(f.x + AIR, y, f.w, h), Align::Left, leader));
        }
    }
    Ok(labels)
}

fn segments_cross(a: Point, b: Point, c: Point, d: Point) -> bool {
    let side = |p: Point, q: Point, r: Point| (q.x - p.x) * (r.y - p.y) - (q.y - p.y) * (r.x - p.x);
    side(a, b, c) * side(a, b, d) < -1e-9 && side(c, d, a) * side(c, d, b) < -1e-9
}

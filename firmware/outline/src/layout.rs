//! The order of the functions: a call within 4 KB takes two bytes, any other four.

use std::collections::HashMap;
use std::ops::Range;

use crate::assembly::{Item, Program, SHARED, parts};

/// What a short call reaches, less what far calls make longer between it and its target.
const REACH: u32 = 4030;

/// Calls from one function into another.
struct Call {
    from: usize,
    from_offset: u32,
    to: usize,
    to_offset: u32,
}

/// Puts the functions into an order with few far calls: moves drawn from a fixed seed, kept when they are better or, in the
/// beginning, not much worse.
pub fn run(program: &mut Program, n_moves: u32) {
    let (functions, rest) = split(&program.items);
    let sizes: Vec<u32> = functions.iter().map(|range| bytes(&program.items[range.clone()])).collect();
    let calls = calls(&program.items, &functions);
    let mut order: Vec<usize> = (0..functions.len()).collect();
    if order.len() > 2 {
        improve(&mut order, &sizes, &calls, n_moves);
    }
    let ranges = rest.into_iter().chain(order.into_iter().map(|i| functions[i].clone()));
    program.items = ranges.flat_map(|range| program.items[range].to_vec()).collect();
}

fn improve(order: &mut Vec<usize>, sizes: &[u32], calls: &[Call], n_moves: u32) {
    let mut random = Random(1);
    let mut positions = vec![0; order.len() + 1];
    let mut cost = n_far(order, sizes, calls, &mut positions);
    let mut best = (cost, order.clone());
    let n = order.len() as u32;
    for i in 0..n_moves {
        if best.0 == 0 {
            break;
        }
        let allowed = (5 * u64::from(n_moves - i) / u64::from(n_moves)) as u32;
        let length = 1 + random.below(4) as usize;
        let from = random.below(n) as usize;
        let to = random.below(n) as usize;
        let moved = moved(order, from, length, to);
        let new = n_far(&moved, sizes, calls, &mut positions);
        if new <= cost + random.below(allowed + 1) {
            cost = new;
            *order = moved;
            if cost < best.0 {
                best = (cost, order.clone());
            }
        }
    }
    *order = best.1;
}

fn moved(order: &[usize], from: usize, length: usize, to: usize) -> Vec<usize> {
    let mut all = order.to_vec();
    let taken: Vec<usize> = all.drain(from..(from + length).min(order.len())).collect();
    let to = to.min(all.len());
    all.splice(to..to, taken);
    all
}

fn n_far(order: &[usize], sizes: &[u32], calls: &[Call], positions: &mut [u32]) -> u32 {
    let mut at = 0;
    for &i in order {
        positions[i] = at;
        at += sizes[i];
    }
    positions[order.len()] = at; // the compiler's library
    let is_far = |call: &&Call| {
        (positions[call.from] + call.from_offset).abs_diff(positions[call.to] + call.to_offset) > REACH
    };
    calls.iter().filter(is_far).count() as u32
}

/// Functions, and what stands between them.
fn split(items: &[Item]) -> (Vec<Range<usize>>, Vec<Range<usize>>) {
    let (mut functions, mut rest) = (vec![], vec![]);
    let mut start = 0;
    let mut is_function = false;
    for (i, item) in items.iter().enumerate() {
        if item.text.starts_with("\t.section") && !is_function {
            rest.push(start..i);
            start = i;
        }
        is_function |= item.text.contains("@function");
        if item.ends_function && is_function {
            functions.push(start..i + 1);
            start = i + 1;
            is_function = false;
        }
    }
    rest.push(start..items.len());
    (functions, rest)
}

/// With all calls short.
fn size(item: &Item) -> u32 {
    if matches!(parts(&item.text).0, "call" | "jmp") { 2 } else { item.bytes }
}

fn bytes(items: &[Item]) -> u32 {
    items.iter().map(size).sum()
}

fn calls(items: &[Item], functions: &[Range<usize>]) -> Vec<Call> {
    let mut places = HashMap::new();
    for (i, range) in functions.iter().enumerate() {
        let mut offset = 0;
        for item in &items[range.clone()] {
            if let Some(name) = item.text.strip_suffix(':') {
                places.insert(name.to_owned(), (i, offset));
            }
            if let Some(n) = item.label {
                places.insert(format!("{SHARED}{n}"), (i, offset));
            }
            offset += size(item);
        }
    }
    let mut all = vec![];
    for (from, range) in functions.iter().enumerate() {
        let mut from_offset = 0;
        for item in &items[range.clone()] {
            let (name, target) = parts(&item.text);
            if name == "call" || name == "jmp" {
                let (to, to_offset) = places.get(target).copied().unwrap_or((functions.len(), 0));
                if to != from {
                    all.push(Call { from, from_offset, to, to_offset });
                }
            }
            from_offset += size(item);
        }
    }
    all
}

/// A linear congruential generator (multiplier and increment of the usual one of 64 bits).
struct Random(u64);

impl Random {
    fn below(&mut self, n: u32) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (((self.0 >> 32) * u64::from(n)) >> 32) as u32
    }
}

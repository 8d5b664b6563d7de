//! The order in which arguments are loaded: the compiler's choice is free, so those that many calls of a function share are loaded last,
//! right before the call, where they can be shared with it.

use std::collections::HashMap;

use crate::assembly::{Item, Kind, Program, parts};

/// A load of one register or pair of registers, before a call.
struct Load {
    writes: Vec<u8>,
    reads: Vec<u8>,
    /// Reads memory: such stay in order among themselves.
    is_of_memory: bool,
}

pub fn run(program: &mut Program) {
    let runs = runs(&program.items);
    let mut counts: HashMap<(u32, u32), u32> = HashMap::new();
    for &(first, call) in &runs {
        for i in first..call {
            *counts.entry((program.items[call].token, program.items[i].token)).or_default() += 1;
        }
    }
    for (first, call) in runs {
        let mut left: Vec<Item> = program.items[first..call].to_vec();
        let target = program.items[call].token;
        // From the call backwards: what most calls share, of loads from memory only the last.
        for place in (first..call).rev() {
            let last_of_memory =
                left.iter().rposition(|item| load(item).is_some_and(|load| load.is_of_memory));
            let may_be_last = |&i: &usize| {
                last_of_memory
                    .is_none_or(|last| i == last || !load(&left[i]).is_some_and(|load| load.is_of_memory))
            };
            let count = |i: &usize| counts.get(&(target, left[*i].token)).copied().unwrap_or(0);
            let Some(i) = (0..left.len()).filter(may_be_last).max_by_key(|i| (count(i), *i)) else { break };
            program.items[place] = left.remove(i);
        }
    }
}

/// Loads that do not touch each other's registers, and the call behind them.
fn runs(items: &[Item]) -> Vec<(usize, usize)> {
    let mut all = vec![];
    for (call, item) in items.iter().enumerate() {
        let name = parts(&item.text).0;
        if item.kind == Kind::Border || item.is_guarded || !(name == "call" || name == "jmp") {
            continue;
        }
        let mut first = call;
        let mut loads: Vec<Load> = vec![];
        while first > 0 && items[first - 1].kind == Kind::Plain && !items[first - 1].is_guarded {
            let Some(new) = load(&items[first - 1]) else { break };
            let touch = |a: &[u8], b: &[u8]| a.iter().any(|register| b.contains(register));
            if loads.iter().any(|other| {
                touch(&new.writes, &other.reads)
                    || touch(&new.writes, &other.writes)
                    || touch(&new.reads, &other.writes)
            }) {
                break;
            }
            loads.push(new);
            first -= 1;
        }
        if call - first > 1 {
            all.push((first, call));
        }
    }
    all
}

fn load(item: &Item) -> Option<Load> {
    let (name, operands) = parts(&item.text);
    let (to, from) = operands.split_once(',')?;
    let register = |text: &str| text.trim().strip_prefix('r').and_then(|n| n.parse::<u8>().ok());
    let pointer = |text: &str| match text.trim().chars().next() {
        Some('X') => Some(26),
        Some('Y') => Some(28),
        Some('Z') => Some(30),
        _ => None,
    };
    let to = register(to);
    let (writes, reads, is_of_memory) = match name {
        "ldi" => (vec![to?], vec![], false),
        "mov" => (vec![to?], vec![register(from)?], false),
        "movw" => {
            let (to, from) = (to?, register(from)?);
            (vec![to, to + 1], vec![from, from + 1], false)
        }
        "lds" => (vec![to?], vec![], true),
        "ldd" => {
            let pointer = pointer(from)?;
            (vec![to?], vec![pointer, pointer + 1], true)
        }
        _ => return None,
    };
    Some(Load { writes, reads, is_of_memory })
}

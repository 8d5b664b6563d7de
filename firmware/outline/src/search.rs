//! Which sequences are given one place: the one that saves most, again and again.

use std::collections::{BinaryHeap, HashMap};

use crate::assembly::{Item, Kind, Program, SHARED, parts};

/// Longest sequence, in instructions.
const LONGEST: usize = 64;
/// A call or jump within this many bytes takes two bytes instead of four: 4096 less what may come between.
const NEAR: u32 = 4000;
const NEAR_BYTES: i32 = 2;
const FAR_BYTES: i32 = 4;

/// A sequence of instructions and where it occurs.
struct Candidate {
    starts: Vec<usize>,
    length: usize,
}

/// How a sequence is shared, and what that saves.
struct Plan {
    saved: i32,
    /// Occurrences that are replaced.
    replaced: Vec<usize>,
    /// The occurrence that stays where it is, or behind whose function the shared one stands.
    anchor: usize,
    stays: bool,
    /// It ends its function; so a jump leads to it instead of a call.
    is_end: bool,
}

/// Shares until nothing is saved any more.
pub fn run(program: &mut Program) {
    while round(program) {}
}

/// Shares what occurs several times now; what has come up by that is for the next round.
fn round(program: &mut Program) -> bool {
    let offsets = offsets(&program.items);
    let candidates = candidates(&program.items);
    let tokens: Vec<u32> = program.items.iter().map(|item| item.token).collect();
    let mut heap = BinaryHeap::new();
    for (i, candidate) in candidates.iter().enumerate() {
        if let Some(plan) = plan(&program.items, &offsets, &candidate.starts, candidate.length) {
            heap.push((plan.saved, candidate.length, candidates.len() - i));
        }
    }
    let mut is_gone = vec![false; program.items.len()];
    let mut added: Vec<(usize, Vec<Item>)> = vec![];
    let mut is_changed = false;
    while let Some((saved, length, key)) = heap.pop() {
        let is_there = |start: &usize| {
            let items = &program.items[*start..start + length];
            let is_same = |(i, item): (usize, &Item)| {
                item.token == tokens[start + i] && !is_gone[start + i] && (i == 0 || item.label.is_none())
            };
            items.iter().enumerate().all(is_same)
        };
        let all = &candidates[candidates.len() - key].starts;
        let starts: Vec<usize> = all.iter().copied().filter(is_there).collect();
        let Some(plan) = plan(&program.items, &offsets, &starts, length) else { continue };
        if plan.saved < saved {
            heap.push((plan.saved, length, key));
            continue;
        }
        added.extend(apply(program, &plan, length, &mut is_gone));
        is_changed = true;
    }
    rebuild(program, &is_gone, added);
    is_changed
}

/// Where each item is, about: before the linker has shortened calls.
fn offsets(items: &[Item]) -> Vec<u32> {
    let mut at = 0;
    items
        .iter()
        .map(|item| {
            at += item.bytes;
            at - item.bytes
        })
        .collect()
}

/// All sequences that occur twice or more, of two instructions and more.
fn candidates(items: &[Item]) -> Vec<Candidate> {
    let mut groups: HashMap<u32, Vec<usize>> = HashMap::new();
    for (i, item) in items.iter().enumerate() {
        if item.kind != Kind::Border && item.kind != Kind::End && !item.is_guarded {
            groups.entry(item.token).or_default().push(i);
        }
    }
    let mut groups: Vec<Vec<usize>> = groups.into_values().collect();
    let mut all = vec![];
    for length in 2..=LONGEST {
        let mut longer = vec![];
        for starts in groups {
            let mut by_next: HashMap<u32, Vec<usize>> = HashMap::new();
            for start in starts {
                let last = start + length - 1;
                let Some(item) = items.get(last) else { continue };
                if item.kind != Kind::Border && item.label.is_none() && items[last - 1].kind != Kind::End {
                    by_next.entry(item.token).or_default().push(start);
                }
            }
            longer.extend(by_next.into_values().filter(|starts| starts.len() > 1));
        }
        longer.sort_unstable();
        all.extend(longer.iter().map(|starts| Candidate { starts: starts.clone(), length }));
        groups = longer;
    }
    all
}

/// Bytes with calls between short and long ones; what is worth sharing was found to be told best so.
fn usual_bytes(items: &[Item]) -> i32 {
    let bytes = |item: &Item| match parts(&item.text).0 {
        "call" | "jmp" => (NEAR_BYTES + FAR_BYTES) / 2,
        _ => item.bytes as i32,
    };
    items.iter().map(bytes).sum()
}

/// The best way to share a sequence; none when nothing is saved.
fn plan(items: &[Item], offsets: &[u32], starts: &[usize], length: usize) -> Option<Plan> {
    let mut apart: Vec<usize> = vec![];
    for &start in starts {
        if apart.last().is_none_or(|last| start >= last + length) {
            apart.push(start);
        }
    }
    let sequence = &items[*apart.first()?..*apart.first()? + length];
    let last = sequence.last()?;
    let is_end = last.kind == Kind::End;
    if !is_end && (last.kind == Kind::Skip || sequence.iter().any(|item| item.kind == Kind::Stack)) {
        return None;
    }
    let bytes = usual_bytes(sequence);
    // A call at the end becomes a jump; anything else needs a return.
    let body_bytes = if is_end || is_last_call(last) { bytes } else { bytes + 2 };
    let mut best: Option<Plan> = None;
    for &anchor in &apart {
        let stays = is_end || returns(items, anchor + length);
        let saving = |start: usize| {
            let is_near = offsets[start].abs_diff(offsets[anchor]) < NEAR;
            bytes - if is_near { NEAR_BYTES } else { FAR_BYTES }
        };
        let replaced: Vec<usize> =
            apart.iter().copied().filter(|&start| saving(start) > 0 && !(stays && start == anchor)).collect();
        let saved =
            replaced.iter().map(|&start| saving(start)).sum::<i32>() - if stays { 0 } else { body_bytes };
        if saved > best.as_ref().map_or(0, |plan| plan.saved) {
            best = Some(Plan { saved, replaced, anchor, stays, is_end });
        }
    }
    best
}

/// A call that nothing skips, which at the end of a function may be a jump.
fn is_last_call(item: &Item) -> bool {
    parts(&item.text).0 == "call" && !item.is_guarded
}

/// What is carried out from here is a return, labels aside.
fn returns(items: &[Item], from: usize) -> bool {
    let is_label = |item: &&Item| item.kind == Kind::Border && item.text.trim_end().ends_with(':');
    items[from..].iter().find(|item| !is_label(item)).is_some_and(|item| parts(&item.text).0 == "ret")
}

/// Puts calls or jumps where the sequence was; answers what is added behind which item.
fn apply(
    program: &mut Program,
    plan: &Plan,
    length: usize,
    is_gone: &mut [bool],
) -> Option<(usize, Vec<Item>)> {
    let body: Vec<Item> = program.items[plan.anchor..plan.anchor + length].to_vec();
    let n = match program.items[plan.anchor].label {
        Some(n) if plan.stays => n,
        _ => {
            program.n_shared += 1;
            program.n_shared
        }
    };
    let instead = program.instruction(&format!("{} {SHARED}{n}", if plan.is_end { "jmp" } else { "call" }));
    for &start in &plan.replaced {
        let label = program.items[start].label;
        program.items[start] = Item { label, ..instead.clone() };
        is_gone[start + 1..start + length].fill(true);
    }
    if plan.stays {
        program.items[plan.anchor].label = Some(n);
        return None;
    }
    Some((plan.anchor, function(program, n, body, plan.is_end)))
}

/// A shared sequence as a function of its own.
fn function(program: &mut Program, n: u32, mut body: Vec<Item>, is_end: bool) -> Vec<Item> {
    let name = format!("{SHARED}{n}");
    if let Some(first) = body.first_mut() {
        first.label = Some(n);
    }
    if let Some(last) = body.pop() {
        if !is_end && is_last_call(&last) {
            let jump = program.instruction(&format!("jmp {}", parts(&last.text).1));
            body.push(Item { label: last.label, ..jump });
        } else {
            body.push(last);
            if !is_end {
                body.push(program.instruction("ret"));
            }
        }
    }
    let mut all = vec![
        Program::border(format!("\t.section\t.text.{name},\"ax\",@progbits")),
        Program::border(format!("\t.type\t{name}, @function")),
    ];
    all.append(&mut body);
    let mut end = Program::border(format!("\t.size\t{name}, .-{name}"));
    end.ends_function = true;
    all.push(end);
    all
}

/// Takes out what is gone, and puts what is added behind the function it was taken from.
fn rebuild(program: &mut Program, is_gone: &[bool], mut added: Vec<(usize, Vec<Item>)>) {
    added.sort_by_key(|(anchor, _)| *anchor);
    let mut added = added.into_iter().peekable();
    let mut items = vec![];
    for (i, item) in std::mem::take(&mut program.items).into_iter().enumerate() {
        if is_gone[i] {
            continue;
        }
        let ends_function = item.ends_function;
        items.push(item);
        while ends_function && added.peek().is_some_and(|(anchor, _)| *anchor < i) {
            items.extend(added.next().map(|(_, new)| new).unwrap_or_default());
        }
    }
    program.items = items;
}

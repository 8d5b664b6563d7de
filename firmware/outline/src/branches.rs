//! Branches: the compiler takes a branch over a jump where it thinks a branch does not reach; with sequences shared, many do.

use std::collections::HashMap;

use crate::assembly::{Program, parts};

/// What a branch reaches, in bytes, both ways, less its own.
const REACH: u32 = 122;

/// What labels of jumps begin with that branches lead to.
const HOP: &str = ".Lhop";

fn opposite(name: &str) -> Option<&'static str> {
    const PAIRS: [(&str, &str); 7] = [
        ("breq", "brne"),
        ("brlo", "brsh"),
        ("brlt", "brge"),
        ("brmi", "brpl"),
        ("brcs", "brcc"),
        ("brts", "brtc"),
        ("brvs", "brvc"),
    ];
    PAIRS.iter().find_map(|&(a, b)| if name == a { Some(b) } else { (name == b).then_some(a) })
}

/// Branches straight to what reaches, or else to a jump there that reaches; until nothing more does.
pub fn run(program: &mut Program) {
    let mut n_hops = 0;
    // Jumps that branches lead to, by the hop's number; they stay.
    let mut hops: HashMap<usize, u32> = HashMap::new();
    loop {
        let Places { labels, offsets, jumps } = measure(program);
        let mut is_changed = false;
        for i in 1..program.items.len().saturating_sub(1) {
            let (name, over) = parts(&program.items[i].text);
            let (jump, target) = parts(&program.items[i + 1].text);
            let counts_over_both = parts(&program.items[i - 1].text).1.starts_with(".+");
            if over != ".+2"
                || jump != "rjmp"
                || program.items[i].is_guarded
                || counts_over_both
                || hops.contains_key(&(i + 1))
            {
                continue;
            }
            let (Some(opposite), Some(place)) = (opposite(name), labels.get(target)) else { continue };
            let reaches = |at: u32| offsets[i].abs_diff(at) <= REACH;
            let to = if reaches(*place) {
                target.to_owned()
            } else {
                let is_hop = |&&other: &&usize| {
                    other != i + 1 && reaches(offsets[other]) && !program.items[other].text.is_empty()
                };
                let Some(&other) = jumps.get(target).and_then(|jumps| jumps.iter().find(is_hop)) else {
                    continue;
                };
                let n = *hops.entry(other).or_insert_with(|| {
                    n_hops += 1;
                    n_hops
                });
                format!("{HOP}{n}")
            };
            program.items[i].text = format!("\t{opposite} {to}");
            program.items[i + 1].text.clear();
            is_changed = true;
        }
        if !is_changed {
            break;
        }
        let mut moved = HashMap::new();
        let mut items = vec![];
        for (i, item) in std::mem::take(&mut program.items).into_iter().enumerate() {
            if let Some(n) = hops.get(&i) {
                moved.insert(items.len(), *n);
            }
            if !item.text.is_empty() {
                items.push(item);
            }
        }
        program.items = items;
        hops = moved;
    }
    let mut items = vec![];
    for (i, item) in std::mem::take(&mut program.items).into_iter().enumerate() {
        if let Some(n) = hops.get(&i) {
            items.push(Program::border(format!("{HOP}{n}:")));
        }
        items.push(item);
    }
    program.items = items;
}

/// Where everything is, in bytes, and which items jump to a label.
struct Places {
    labels: HashMap<String, u32>,
    offsets: Vec<u32>,
    jumps: HashMap<String, Vec<usize>>,
}

fn measure(program: &Program) -> Places {
    let (mut labels, mut jumps) = (HashMap::new(), HashMap::<String, Vec<usize>>::new());
    let mut offsets = vec![];
    let mut at = 0;
    for (i, item) in program.items.iter().enumerate() {
        if let Some(name) = item.text.strip_suffix(':') {
            labels.insert(name.to_owned(), at);
        }
        if let ("rjmp", target) = parts(&item.text)
            && target.starts_with(".L")
        {
            jumps.entry(target.to_owned()).or_default().push(i);
        }
        offsets.push(at);
        at += item.bytes;
    }
    Places { labels, offsets, jumps }
}

//! The wires as a netlist in the open format of KiCad (version E), for those who draw their own circuit board.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::{Harness, ItemKind, Terminal};

/// Terminals that are joined, each net with its name.
pub fn nets(harness: &Harness) -> Vec<(String, Vec<Terminal>)> {
    let mut index: BTreeMap<&Terminal, usize> = BTreeMap::new();
    for wire in &harness.wires {
        for end in [&wire.from, &wire.to] {
            let n = index.len();
            index.entry(end).or_insert(n);
        }
    }
    let mut root: Vec<usize> = (0..index.len()).collect();
    let find = |root: &mut Vec<usize>, mut at: usize| {
        while root[at] != at {
            root[at] = root[root[at]];
            at = root[at];
        }
        at
    };
    for wire in &harness.wires {
        let (a, b) = (find(&mut root, index[&wire.from]), find(&mut root, index[&wire.to]));
        root[a] = b;
    }
    let mut all: BTreeMap<usize, Vec<Terminal>> = BTreeMap::new();
    for (terminal, at) in &index {
        all.entry(find(&mut root, *at)).or_default().push((*terminal).clone());
    }
    let mut nets: Vec<(String, Vec<Terminal>)> = (all.into_values())
        .map(|terminals| {
            // A bar gives its name, else the first terminal.
            let bar = terminals.iter().find(|t| harness.items[t.item].kind == ItemKind::Bar);
            let name = bar.or(terminals.first()).map_or(String::new(), |t| harness.terminal(t));
            (name, terminals)
        })
        .collect();
    nets.sort();
    nets
}

/// The netlist's text.
pub fn kicad(harness: &Harness) -> String {
    let quoted = |text: &str| format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""));
    let mut out = String::from("(export (version \"E\")\n  (design (tool \"tidewright\"))\n  (components");
    let mut refs: Vec<usize> = harness.wires.iter().flat_map(|w| [w.from.item, w.to.item]).collect();
    refs.sort_unstable();
    refs.dedup();
    for item in refs {
        let item = &harness.items[item];
        let _ = write!(out, "\n    (comp (ref {}) (value {}))", quoted(&item.name), quoted(&item.title));
    }
    out.push_str(")\n  (nets");
    for (code, (name, terminals)) in nets(harness).iter().enumerate() {
        let _ = write!(out, "\n    (net (code \"{}\") (name {})", code + 1, quoted(name));
        for terminal in terminals {
            let reference = quoted(&harness.items[terminal.item].name);
            let _ = write!(out, "\n      (node (ref {reference}) (pin {}))", quoted(&terminal.name));
        }
        out.push(')');
    }
    out.push_str("))\n");
    out
}

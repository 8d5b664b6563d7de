//! Prologues: what a function saves when it is entered, given one place for all that save the same.
//!
//! A call puts its return on the stack, below which nothing could be saved. So the shared prologue takes it from there into Z, where nothing
//! is at the entry of a function, saves, and jumps back. Only for chips whose program counter has two bytes.

use std::collections::BTreeMap;

use crate::assembly::{Item, Program, SAVES};

/// What stands behind the entry of a function, and which items it takes.
struct Prologue {
    first: usize,
    length: usize,
    /// Instead of it, return in Z.
    body: Vec<String>,
    bytes: u32,
}

pub fn run(program: &mut Program) {
    let mut groups: BTreeMap<Vec<String>, Vec<Prologue>> = BTreeMap::new();
    for i in 1..program.items.len() {
        let before = program.items[i - 1].text.trim();
        if before.starts_with('.')
            && before.contains("@function")
            && let Some(found) = at_entry(&program.items, i + 1)
        {
            groups.entry(found.body.clone()).or_default().push(found);
        }
    }
    let mut added = vec![];
    for (n, (body, all)) in groups.iter().enumerate() {
        let body_bytes = 4 + 2 * body.len() as u32;
        let least = all.iter().map(|one| one.bytes.saturating_sub(3)).sum::<u32>();
        if least <= body_bytes {
            continue;
        }
        let name = format!("{SAVES}{}", n + 1);
        let call = program.instruction(&format!("call {name}"));
        for one in all {
            program.items[one.first..one.first + one.length].iter_mut().for_each(|item| item.text.clear());
            program.items[one.first] = call.clone();
        }
        added.push(Program::border(format!("\t.section\t.text.{name},\"ax\",@progbits")));
        added.push(Program::border(format!("\t.type\t{name}, @function")));
        added.push(Program::border(format!("{name}:")));
        for line in ["pop r31", "pop r30"].into_iter().chain(body.iter().map(String::as_str)) {
            added.push(program.instruction(line));
        }
        added.push(Item { ends_function: true, ..Program::border(format!("\t.size\t{name}, .-{name}")) });
    }
    program.items.retain(|item| !item.text.is_empty());
    // Behind the last function: search and layout take them from there.
    let end =
        program.items.iter().rposition(|item| item.ends_function).map_or(program.items.len(), |i| i + 1);
    program.items.splice(end..end, added);
}

/// Pushes, or the library's saving of many registers with its return in Z.
fn at_entry(items: &[Item], first: usize) -> Option<Prologue> {
    let text = |i: usize| items.get(i).map_or("", |item| item.text.trim());
    let length = (first..items.len()).take_while(|&i| text(i).starts_with("push r")).count();
    if length > 2 && (first..first + length).all(|i| text(i) != "push r0" && text(i) != "push r1") {
        let mut body: Vec<String> = (first..first + length).map(|i| text(i).to_owned()).collect();
        body.push("ijmp".to_owned());
        return Some(Prologue { first, length, body, bytes: 2 * length as u32 });
    }
    let is_saving = text(first).starts_with("ldi r26,")
        && text(first + 1).starts_with("ldi r27,")
        && text(first + 2) == "ldi r30,lo8(gs(1f))"
        && text(first + 3) == "ldi r31,hi8(gs(1f))"
        && text(first + 4).starts_with("jmp __prologue_saves__")
        && text(first + 5) == "1:";
    is_saving.then(|| Prologue {
        first,
        length: 6,
        body: [first, first + 1, first + 4].iter().map(|&i| text(i).to_owned()).collect(),
        bytes: 10,
    })
}

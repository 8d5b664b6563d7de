//! Small programs before and after, and many made-up ones carried out by an interpreter of the few instructions that they have.

use std::collections::HashMap;

use crate::{outlined, undo};

/// A function as the compiler writes it.
fn function(name: &str, lines: &str) -> String {
    let body: String = lines.split("; ").map(place).collect();
    format!(
        "\t.section\t.text.{name},\"ax\",@progbits\n\t.type\t{name}, @function\n{name}:\n{body}\t.size\t{name}, .-{name}\n"
    )
}

/// A label or comment at the margin, an instruction behind a tab.
fn place(line: &str) -> String {
    if line.ends_with(':') || line.starts_with("/*") { format!("{line}\n") } else { format!("\t{line}\n") }
}

fn small(functions: &[String]) -> String {
    outlined(&functions.concat(), &[]).expect("a program")
}

const LONG: &str = "lds r24,a; sts b,r24; lds r24,c; sts d,r24";

#[test]
fn a_sequence_of_several_functions_stands_once() {
    let text =
        small(&["f", "g", "h"].map(|name| function(name, &format!("{LONG}; ldi r25,{}; ret", name.len()))));
    assert_eq!(text.matches("lds r24,a").count(), 1, "{text}");
    let text = small(&["f", "g", "h"].map(|name| function(name, &format!("{LONG}; sts {name},r24; ret"))));
    assert_eq!(text.matches("lds r24,a").count(), 1, "{text}");
    assert_eq!(text.matches("call shared.1").count(), 3, "{text}");
}

#[test]
fn what_is_long_enough_for_a_jump_alone_stays() {
    let functions = ["f", "g"].map(|name| function(name, &format!("sts {name},r24; ret")));
    assert_eq!(small(&functions), functions.concat());
}

#[test]
fn ends_of_functions_are_jumped_to() {
    let text = small(
        &["f", "g"].map(|name| function(name, &format!("sts {name},r1; pop r29; pop r28; pop r17; ret"))),
    );
    assert_eq!((text.matches("pop r29").count(), text.matches("jmp shared.1").count()), (1, 1), "{text}");
}

#[test]
fn saving_of_registers_is_not_called() {
    let functions =
        ["f", "g"].map(|name| function(name, &format!("push r16; push r17; push r28; sts {name},r1; ret")));
    assert_eq!(small(&functions), functions.concat());
}

#[test]
fn what_a_test_may_skip_stays_behind_it() {
    let text = small(
        &["f", "g", "h"].map(|name| function(name, &format!("cpse r24,r1; {LONG}; sts {name},r1; ret"))),
    );
    assert!(!text.contains("cpse r24,r1\n\tcall"), "{text}");
    let text = small(
        &["f", "g", "h"].map(|name| function(name, &format!("{LONG}; cpse r24,r1; sts {name},r1; ret"))),
    );
    for (place, _) in text.match_indices("cpse") {
        assert!(text[place..].starts_with("cpse r24,r1\n\tsts"), "{text}");
    }
}

#[test]
fn some_functions_are_left_alone() {
    let counts_cycles = format!("#APP\n\t; unshared\n#NOAPP\n{}", LONG.replace("; ", "\n\t"));
    let after_prologue = format!("/* prologue: function */; push r24; {LONG}; ret");
    for (name, body) in [("f", counts_cycles), ("__vector_3", format!("{LONG}; ret")), ("f", after_prologue)]
    {
        let functions = [function(name, &body), function("g", &format!("{LONG}; ret"))];
        assert_eq!(small(&functions).matches("lds r24,a").count(), 2, "{name}: {body}");
    }
    let functions = ["f.part.1", "g", "h"].map(|name| function(name, &format!("{LONG}; ret"))).concat();
    let text = outlined(&functions, &["f"]).expect("a program");
    assert_eq!(text.matches("lds r24,a").count(), 2, "{text}");
}

#[test]
fn branches_go_straight_where_they_reach() {
    let far =
        ["lds r24,a"; 40].iter().enumerate().map(|(i, line)| format!("{line}{i}; ")).collect::<String>();
    let text = small(&[function("f", "breq .+2; rjmp .L1; inc r24; .L1:; ret")]);
    assert!(text.contains("\tbrne .L1\n\tinc r24"), "{text}");
    let jump_between = format!("breq .+2; rjmp .L1; inc r24; rjmp .L1; {far}.L1:; ret");
    let text = small(&[function("f", &jump_between)]);
    assert!(text.contains("\tbrne .Lhop1\n\tinc r24\n.Lhop1:\n\trjmp .L1"), "{text}");
    let text = small(&[function("f", &format!("breq .+2; rjmp .L1; inc r24; {far}.L1:; ret"))]);
    assert!(text.contains("breq .+2\n\trjmp .L1"), "{text}");
}

#[test]
fn prologues_save_the_same_from_one_place() {
    let functions: Vec<String> = (0..8)
        .map(|i| {
            function(
                &format!("f{i}"),
                &format!("push r16; push r17; push r28; push r29; {LONG}; ldi r16,{i}; ret"),
            )
        })
        .collect();
    let text = outlined(&functions.concat(), &["share-prologues"]).expect("a program");
    assert_eq!((text.matches("push r29").count(), text.matches("call saves.1").count()), (1, 8), "{text}");
    assert!(text.contains("pop r31\n\tpop r30\n\tpush r16"), "{text}");
    assert_eq!(text.matches(":\n\tcall saves.1").count(), 8, "called by each function itself: {text}");
}

#[test]
fn another_program_is_not_taken_for_the_same() {
    let before = ["f", "g", "h"].map(|name| function(name, &format!("{LONG}; sts {name},r24; ret"))).concat();
    let mut program = crate::assembly::Program::read(&before, &[]).expect("a program");
    crate::search::run(&mut program);
    let after = program.text();
    undo::compare(&before, &after).expect("the same");
    for (from, to) in [("lds r24,c", "lds r24,e"), ("call shared.1", "call f"), ("\tsts h,r24\n", "")] {
        assert!(undo::compare(&before, &after.replacen(from, to, 1)).is_err(), "{from} -> {to}");
    }
}

/// Registers, memory by name, and a stack of bytes; returns the memory after `main` has returned.
fn carried_out(text: &str) -> Result<HashMap<String, u8>, String> {
    let says_nothing = |line: &&str| [".s", ".t", "/*"].iter().any(|start| line.starts_with(start));
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !says_nothing(line)).collect();
    let labels: HashMap<&str, usize> =
        lines.iter().enumerate().filter_map(|(i, line)| Some((line.strip_suffix(':')?, i))).collect();
    let (mut registers, mut memory, mut stack) = ([0_u8; 32], HashMap::new(), vec![0xFF_u8, 0xFF]);
    let mut at = labels["main"];
    for _ in 0..1_000_000 {
        let (name, operands) = lines[at].split_once(' ').unwrap_or((lines[at], ""));
        let (first, second) = operands.split_once(',').unwrap_or((operands, ""));
        let register = |text: &str| text.strip_prefix('r').and_then(|n| n.parse::<usize>().ok()).unwrap_or(0);
        let (to, from) = (register(first), register(second));
        at += 1;
        match name {
            "ldi" => registers[to] = second.parse().map_err(|_| second.to_owned())?,
            "mov" => registers[to] = registers[from],
            "add" => registers[to] = registers[to].wrapping_add(registers[from]),
            "lds" => registers[to] = memory.get(second).copied().unwrap_or(0),
            "sts" => {
                memory.insert(first.to_owned(), registers[from]);
            }
            "push" => stack.push(registers[to]),
            "pop" => registers[to] = stack.pop().ok_or("an empty stack")?,
            "cpse" if registers[to] == registers[from] => at += 1,
            "cpse" => {}
            "call" => {
                stack.extend((at as u16).to_le_bytes());
                at = *labels.get(first).ok_or_else(|| first.to_owned())?;
            }
            "jmp" | "rjmp" => at = *labels.get(first).ok_or_else(|| first.to_owned())?,
            "ijmp" => at = usize::from(u16::from_le_bytes([registers[30], registers[31]])),
            "ret" => {
                let high = stack.pop().ok_or("an empty stack")?;
                let low = stack.pop().ok_or("an empty stack")?;
                if (low, high) == (0xFF, 0xFF) {
                    return Ok(memory);
                }
                at = usize::from(u16::from_le_bytes([low, high]));
            }
            label if label.ends_with(':') => {}
            other => return Err(other.to_owned()),
        }
    }
    Err("it does not end".to_owned())
}

#[test]
fn made_up_programs_do_the_same() {
    let mut state = 7_u64;
    let mut below = move |n: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % n
    };
    let mut n_shared = 0;
    for _ in 0..300 {
        let mut functions = vec![];
        for f in 0..6 {
            let name = if f == 0 { "main".to_owned() } else { format!("f{f}") };
            let saved: Vec<u64> = (0..below(5)).map(|i| 12 + i).collect();
            let mut lines: Vec<String> = saved.iter().map(|r| format!("push r{r}")).collect();
            lines.push("/* prologue: function */".to_owned());
            for i in 0..10 + below(30) {
                let (a, b) = (16 + below(3), 16 + below(3));
                lines.push(match below(12) {
                    0 => format!("ldi r{a},{}", below(3)),
                    1 => format!("mov r{a},r{b}"),
                    2 => format!("add r{a},r{b}"),
                    3 | 4 => format!("lds r{a},m{}", below(3)),
                    5 => format!("sts m{},r{a}", below(3)),
                    6 => format!("cpse r{a},r{b}"),
                    7 if f < 5 => format!("call f{}", f + 1 + below(5 - f)),
                    7 => "add r16,r17".to_owned(),
                    8 | 9 => format!("lds r16,m{}; sts m{},r16", below(2), below(2)),
                    _ => format!("rjmp .L{f}_{i}; add r16,r18; .L{f}_{i}:; mov r17,r16"),
                });
            }
            // A test is not the last, nor before a label.
            lines.push("mov r18,r16".to_owned());
            lines.extend(saved.iter().rev().map(|r| format!("pop r{r}")));
            lines.push("ret".to_owned());
            functions.push(function(&name, &lines.join("; ")));
        }
        let before = functions.concat();
        let after = outlined(&before, &["share-prologues"]).expect("a program");
        n_shared += after.matches("shared.").count();
        assert_eq!(carried_out(&before), carried_out(&after), "{before}\nand\n{after}");
    }
    assert!(n_shared > 3_000, "{n_shared}");
}

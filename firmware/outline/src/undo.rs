//! Takes all sharing back and compares with what was there before. Shares no code with the search.

use std::collections::HashMap;

use crate::assembly::{SAVES, SHARED};

/// # Errors
/// The smaller program is not the first one with sequences shared, and where.
pub fn compare(before: &str, after: &str) -> Result<(), String> {
    let before = lines(before);
    let after = lines(after);
    let mut labels = HashMap::new();
    for (i, line) in after.iter().enumerate() {
        if let Some(name) = line.strip_suffix(':').filter(|name| name.starts_with(SHARED)) {
            labels.insert(name, i);
        }
    }
    let whole = Whole { lines: &after, labels };
    let mut all = vec![];
    let mut is_added = false;
    for (i, line) in after.iter().enumerate() {
        if line.starts_with(&format!(".section\t.text.{SHARED}")) {
            is_added = true;
        }
        if !is_added && !line.starts_with(SHARED) {
            match shared_target(line) {
                Some((is_call, name)) => {
                    if i == 0 || is_test(after[i - 1]) {
                        return Err(format!("`{line}` may be skipped"));
                    }
                    whole.expand(name, is_call, &mut all, 0)?;
                }
                None => all.push((*line).to_owned()),
            }
        }
        if line.starts_with(&format!(".size\t{SHARED}")) {
            is_added = false;
        }
    }
    for (i, was) in before.iter().enumerate() {
        let is = all.get(i).map_or("nothing", String::as_str);
        if is != *was {
            return Err(format!("line {i} was `{was}` and would be `{is}`"));
        }
    }
    if all.len() == before.len() { Ok(()) } else { Err("something is left behind the end".to_owned()) }
}

struct Whole<'a> {
    lines: &'a [&'a str],
    labels: HashMap<&'a str, usize>,
}

impl Whole<'_> {
    /// What is carried out at a shared sequence.
    fn expand(&self, name: &str, is_call: bool, all: &mut Vec<String>, depth: u32) -> Result<(), String> {
        let start = *self.labels.get(name).ok_or_else(|| format!("`{name}` is nowhere"))?;
        if depth > 50 {
            return Err(format!("`{name}` leads to itself"));
        }
        for (i, line) in self.lines.iter().enumerate().skip(start) {
            if line.ends_with(':') {
                continue;
            }
            let after_test = is_test(self.lines[i - 1]);
            if let Some((is_inner_call, target)) = shared_target(line) {
                if after_test {
                    return Err(format!("`{line}` may be skipped"));
                }
                self.expand(target, is_inner_call || is_call, all, depth + 1)?;
                if is_inner_call {
                    continue;
                }
                return Ok(());
            }
            let (mnemonic, operands) = line.split_once([' ', '\t']).unwrap_or((line, ""));
            let ends = matches!(mnemonic, "ret" | "jmp" | "rjmp");
            let moves_stack = matches!(mnemonic, "push" | "pop")
                || operands.contains("__SP_")
                || operands.starts_with(SAVES);
            if is_call && moves_stack {
                return Err(format!("`{line}` moves the stack between a call and its return"));
            }
            if ends && after_test {
                return Err(format!("`{line}` in {name} may be skipped"));
            }
            let is_own_jump = mnemonic == "rjmp" && !is_call;
            if line.starts_with('.')
                || mnemonic.starts_with("br")
                || (operands.contains(".L") && !is_own_jump)
            {
                return Err(format!("`{line}` is in {name}"));
            }
            match (ends, is_call) {
                (false, _) => all.push((*line).to_owned()),
                (true, false) => all.push((*line).to_owned()),
                (true, true) if mnemonic == "ret" => {}
                (true, true) => all.push(format!("call {operands}")),
            }
            if ends {
                return Ok(());
            }
        }
        Err(format!("`{name}` does not end"))
    }
}

/// A call of or jump to a shared sequence.
fn shared_target(line: &str) -> Option<(bool, &str)> {
    let (mnemonic, target) = line.split_once(' ')?;
    target.starts_with(SHARED).then_some((mnemonic == "call", target))
}

fn is_test(line: &str) -> bool {
    ["cpse ", "sbrs ", "sbrc ", "sbis ", "sbic "].iter().any(|test| line.starts_with(test))
}

/// Lines that say something.
fn lines(text: &str) -> Vec<&str> {
    let is_comment =
        |line: &str| line.starts_with([';', '#']) || (line.starts_with("/*") && line.ends_with("*/"));
    text.lines()
        .map(str::trim)
        .filter(|line| !line.is_empty() && !is_comment(line) && !line.starts_with(".L__stack_usage"))
        .collect()
}

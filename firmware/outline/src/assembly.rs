//! A program as lines of assembly, and what of it may be moved.
//!
//! An instruction may be part of a shared sequence unless it is a border: a label, a directive, a branch within its function, an
//! instruction that counts from where it stands, inline assembly, and all of a function that is to be left alone, answers an interrupt,
//! puts arguments on the stack or says by the comment [`UNSHARED`] that it counts cycles. Calls and returns keep registers and flags, so whatever else stands
//! between two borders means the same elsewhere, with three exceptions:
//!
//! * what a test may skip stays behind its test;
//! * what moves the stack pointer or saves registers cannot stand between a call and its return, only before the function's own end;
//! * an end (`ret`, a jump to another function) ends the sequence.

use std::collections::HashMap;

/// A comment in inline assembly: nothing of this function is shared.
pub const UNSHARED: &str = "unshared";
/// What labels of shared sequences begin with.
pub const SHARED: &str = "shared.";
/// What labels of shared prologues begin with.
pub const SAVES: &str = "saves.";

/// What an instruction is, as far as moving it goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// No part of any shared sequence.
    Border,
    /// Means the same anywhere.
    Plain,
    /// Skips the next instruction, or not.
    Skip,
    /// Moves the stack pointer.
    Stack,
    /// Does not go on to the next instruction.
    End,
}

/// One line that says something.
#[derive(Clone, Debug)]
pub struct Item {
    pub text: String,
    pub kind: Kind,
    /// Equal for equal instructions; 0 for borders.
    pub token: u32,
    /// Bytes, before the linker has shortened calls.
    pub bytes: u32,
    /// The test before may skip it.
    pub is_guarded: bool,
    /// The last line of a function.
    pub ends_function: bool,
    /// Number of the shared sequence that begins here.
    pub label: Option<u32>,
}

/// The lines of a whole program.
pub struct Program {
    pub items: Vec<Item>,
    tokens: HashMap<String, u32>,
    pub n_shared: u32,
}

/// Mnemonic and operands.
pub fn parts(text: &str) -> (&str, &str) {
    let text = text.trim();
    text.split_once(char::is_whitespace).map_or((text, ""), |(name, operands)| (name, operands.trim()))
}

fn is_instruction(line: &str) -> bool {
    line.starts_with('\t') && line[1..].starts_with(|c: char| c.is_ascii_lowercase())
}

/// A name of this function only, or a place counted from the instruction.
fn is_local(operands: &str) -> bool {
    let is_numbered = |word: &str| {
        word.len() > 1
            && word.ends_with(['f', 'b'])
            && word[..word.len() - 1].bytes().all(|c| c.is_ascii_digit())
    };
    operands.contains(".L")
        || operands.split([',', ' ', '(', ')']).any(|word| word.starts_with('.') || is_numbered(word))
}

/// What an instruction is by itself; where it stands may make it a border.
pub fn kind_of(text: &str) -> Kind {
    let (name, operands) = parts(text);
    if name == "rjmp" && operands.starts_with(".L") {
        return Kind::End; // where the same jump stands, the same function is
    }
    if is_local(operands) || name.starts_with("br") || name == "reti" || name == "ijmp" {
        return Kind::Border;
    }
    match name {
        "ret" | "jmp" | "rjmp" => Kind::End,
        "cpse" | "sbrs" | "sbrc" | "sbis" | "sbic" => Kind::Skip,
        "push" | "pop" => Kind::Stack,
        "call" if operands.starts_with(SAVES) => Kind::Stack,
        "in" | "out" if operands.contains("__SP_") => Kind::Stack,
        _ => Kind::Plain,
    }
}

pub fn bytes_of(text: &str) -> u32 {
    match parts(text).0 {
        "call" | "jmp" | "lds" | "sts" => 4,
        _ => 2,
    }
}

impl Program {
    /// # Errors
    /// A jump over one instruction is not followed by a border: not what the compiler writes.
    pub fn read(text: &str, left_alone: &[&str]) -> Result<Program, String> {
        let mut program = Program { items: vec![], tokens: HashMap::new(), n_shared: 0 };
        let (mut is_code, mut is_inline) = (false, false);
        let mut first_of_function = 0;
        let (mut is_unshared, mut is_past_prologue, mut passes_on_stack) = (false, false, false);
        for line in text.lines() {
            let trimmed = line.trim();
            if trimmed == "#APP" || trimmed == "#NOAPP" {
                is_inline = trimmed == "#APP";
                continue;
            }
            if trimmed.starts_with("/* prologue") {
                is_past_prologue = true;
            }
            if is_inline && trimmed.trim_start_matches(';').trim() == UNSHARED {
                is_unshared = true;
            }
            let is_comment =
                trimmed.starts_with([';', '#']) || (trimmed.starts_with("/*") && trimmed.ends_with("*/"));
            if trimmed.is_empty() || is_comment || trimmed.starts_with(".L__stack_usage") {
                continue;
            }
            if trimmed.starts_with(".section") || trimmed.starts_with(".text") || trimmed.starts_with(".data")
            {
                is_code = trimmed.starts_with(".section\t.text") || trimmed.starts_with(".text");
            }
            let mut kind = Kind::Border;
            if is_code && !is_inline && is_instruction(line) {
                kind = kind_of(trimmed);
                passes_on_stack |= is_past_prologue && parts(trimmed).0 == "push";
            }
            let bytes = if is_code && is_instruction(line) { bytes_of(trimmed) } else { 0 };
            let text = line.to_owned();
            let mut item =
                Item { text, kind, token: 0, bytes, is_guarded: false, ends_function: false, label: None };
            if trimmed.starts_with(".size") && is_code {
                item.ends_function = true;
                let name = parts(trimmed).1.split(',').next().unwrap_or_default();
                // The compiler puts something behind a dot when it has split or copied a function.
                let is_left_alone = name.split('.').next().is_some_and(|name| left_alone.contains(&name));
                if is_left_alone || is_unshared || passes_on_stack || name.starts_with("__vector") {
                    program.items[first_of_function..].iter_mut().for_each(|item| item.kind = Kind::Border);
                }
                first_of_function = program.items.len();
                (is_unshared, is_past_prologue, passes_on_stack) = (false, false, false);
            }
            program.items.push(item);
        }
        program.number()?;
        Ok(program)
    }

    /// Gives tokens, and finds what is guarded.
    fn number(&mut self) -> Result<(), String> {
        let mut is_guarded = false;
        let mut jumped_over: u32 = 0; // bytes
        for i in 0..self.items.len() {
            let text = self.items[i].text.trim().to_owned();
            // What may be skipped or jumped over does not end a sequence.
            if self.items[i].kind == Kind::End
                && (is_guarded || (jumped_over != 0 && text.starts_with("rjmp .L")))
            {
                self.items[i].kind = Kind::Border;
            }
            if jumped_over != 0 && self.items[i].kind != Kind::Border {
                return Err(format!(
                    "`{text}` is jumped over by a branch that counts bytes, and may be shared"
                ));
            }
            let (name, operands) = parts(&text);
            let over =
                operands.strip_prefix(".+").filter(|_| name.starts_with("br")).and_then(|n| n.parse().ok());
            jumped_over = over.unwrap_or(0).max(jumped_over.saturating_sub(self.items[i].bytes));
            let token = if self.items[i].kind == Kind::Border { 0 } else { self.token(&text) };
            let item = &mut self.items[i];
            item.token = token;
            item.is_guarded = is_guarded;
            is_guarded = matches!(name, "cpse" | "sbrs" | "sbrc" | "sbis" | "sbic");
        }
        Ok(())
    }

    fn token(&mut self, text: &str) -> u32 {
        let next = self.tokens.len() as u32 + 1;
        *self.tokens.entry(text.to_owned()).or_insert(next)
    }

    /// An instruction made up here.
    pub fn instruction(&mut self, text: &str) -> Item {
        Item {
            text: format!("\t{text}"),
            kind: kind_of(text),
            token: self.token(text),
            bytes: bytes_of(text),
            is_guarded: false,
            ends_function: false,
            label: None,
        }
    }

    /// A label or directive made up here.
    pub fn border(text: String) -> Item {
        Item {
            text,
            kind: Kind::Border,
            token: 0,
            bytes: 0,
            is_guarded: false,
            ends_function: false,
            label: None,
        }
    }

    pub fn text(&self) -> String {
        let mut all = String::new();
        for item in &self.items {
            if let Some(n) = item.label {
                all.push_str(&format!("{SHARED}{n}:\n"));
            }
            all.push_str(&item.text);
            all.push('\n');
        }
        all
    }
}

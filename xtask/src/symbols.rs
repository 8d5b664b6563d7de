//! Symbols of an image, and which source file each belongs to: with link-time optimisation the object files no longer tell.

use std::collections::HashMap;
use std::fs;
use std::path::Path;

/// One symbol with a size.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Symbol {
    /// As the source has it.
    pub name: String,
    size: u32,
    kind: char,
}

impl Symbol {
    /// Bytes of flash: code, constants, and the first values of variables.
    pub fn flash(&self) -> u32 {
        if matches!(self.kind.to_ascii_lowercase(), 't' | 'w' | 'r' | 'd') { self.size } else { 0 }
    }

    /// Bytes of SRAM.
    pub fn sram(&self) -> u32 {
        if matches!(self.kind.to_ascii_lowercase(), 'd' | 'b') { self.size } else { 0 }
    }
}

/// Reads what `avr-nm --print-size` prints: address, size, kind, name.
pub fn symbols(text: &str) -> Vec<Symbol> {
    let symbol = |line: &str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [_, size, kind, name] = words[..] else { return None };
        // What the compiler split off or made its own has something behind a dot.
        let name = name.split('.').next().unwrap_or(name).to_owned();
        Some(Symbol { name, size: u32::from_str_radix(size, 16).ok()?, kind: kind.chars().next()? })
    };
    text.lines().filter_map(symbol).collect()
}

/// Which file defines what.
pub struct Modules {
    of: HashMap<String, String>,
}

impl Modules {
    /// Looks through the C files of the core and the AVR port.
    ///
    /// # Errors
    /// A folder or file cannot be read.
    pub fn scan(root: &Path) -> Result<Modules, String> {
        let mut of = HashMap::new();
        for (folder, group) in [("core", None), ("core/drivers", Some("drivers")), ("port/avr", Some("port"))]
        {
            let path = root.join(folder);
            let unreadable = |error: std::io::Error| format!("{}: {error}", path.display());
            for entry in fs::read_dir(&path).map_err(unreadable)? {
                let file = entry.map_err(unreadable)?.path();
                let Some(stem) = file.file_name().and_then(|name| name.to_str()?.strip_suffix(".c")) else {
                    continue;
                };
                // The files of a module have its name before a low line.
                let module = group.unwrap_or_else(|| stem.split('_').next().unwrap_or(stem)).to_owned();
                let text = fs::read_to_string(&file).map_err(unreadable)?;
                for name in defined(&text) {
                    of.entry(name.to_owned()).or_insert_with(|| module.clone());
                }
            }
        }
        // The optimiser puts whatever is called once into its caller, and main calls nearly all.
        of.insert("main".to_owned(), "main and what it takes in".to_owned());
        // What firmware/outline makes of sequences that several functions have.
        for name in ["shared", "saves"] {
            of.insert(name.to_owned(), "pieces of several modules".to_owned());
        }
        Ok(Modules { of })
    }

    /// The module that defines a symbol. None: a library, or start-up code.
    pub fn of(&self, name: &str) -> Option<&str> {
        self.of.get(name).map(String::as_str)
    }
}

/// Names that the lines of a C file may define: the identifier before a parenthesis, bracket, equals sign or semicolon, on lines that
/// begin at the margin or with `static`.
fn defined(text: &str) -> Vec<&str> {
    let mut all = vec![];
    for line in text.lines() {
        let is_at_margin = line.starts_with(|c: char| c.is_ascii_alphabetic() || c == '}');
        if !is_at_margin && !line.trim_start().starts_with("static") {
            continue;
        }
        let is_word = |c: char| c.is_ascii_alphanumeric() || c == '_';
        for (at, _) in line.match_indices(['(', '[', '=', ';', ',']) {
            let before = line[..at].trim_end();
            let start = before.rfind(|c: char| !is_word(c)).map_or(0, |i| i + 1);
            if !before[start..].is_empty() {
                all.push(&before[start..]);
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::{defined, symbols};

    #[test]
    fn reads_sizes_and_kinds() {
        let all =
            symbols("00000068 000001f4 T vm_scan\n00800100 0000020c b pool.2156\n00000000 a __tmp_reg__\n");
        assert_eq!(all.len(), 2);
        assert_eq!((all[0].flash(), all[0].sram()), (500, 0));
        assert_eq!((all[1].name.as_str(), all[1].flash(), all[1].sram()), ("pool", 0, 524));
    }

    #[test]
    fn finds_what_a_file_defines() {
        let text = "static uint8_t a, b[3];\nuint8_t vm_load(const struct code *code)\n{\n    call(x);\n    static int c = 1;\n}\n} pool;\n";
        let names = defined(text);
        for wanted in ["a", "b", "vm_load", "c", "pool"] {
            assert!(names.contains(&wanted), "{wanted} in {names:?}");
        }
        assert!(!names.contains(&"call"));
    }
}

//! Text to codes of the HD44780's character generator, code page A00.
//!
//! Source: data sheet of the HD44780U, table 4 (ROM code A00). Its lower half is ASCII but for three places; of the upper half only
//! what reads as a letter or sign in a Latin text is used here.

use super::Text;

/// What a sentence cannot be shown with.
const UNKNOWN: u8 = b'?';

/// Signs beyond ASCII that the generator has. It writes β for ß.
const SIGNS: &[(char, u8)] = &[
    ('¥', 0x5C),
    ('→', 0x7E),
    ('←', 0x7F),
    ('°', 0xDF),
    ('α', 0xE0),
    ('ä', 0xE1),
    ('β', 0xE2),
    ('ß', 0xE2),
    ('ε', 0xE3),
    ('µ', 0xE4),
    ('μ', 0xE4),
    ('σ', 0xE5),
    ('ρ', 0xE6),
    ('√', 0xE8),
    ('¢', 0xEC),
    ('£', 0xED),
    ('ñ', 0xEE),
    ('ö', 0xEF),
    ('θ', 0xF2),
    ('∞', 0xF3),
    ('Ω', 0xF4),
    ('ü', 0xF5),
    ('Σ', 0xF6),
    ('π', 0xF7),
    ('÷', 0xFD),
    ('█', 0xFF),
    ('·', 0xA5),
];

/// What stands for a letter or sign that it lacks.
const INSTEAD: &[(char, &str)] = &[
    ('Ä', "Ae"),
    ('Ö', "Oe"),
    ('Ü', "Ue"),
    ('à', "a"),
    ('á', "a"),
    ('â', "a"),
    ('ã', "a"),
    ('å', "a"),
    ('ç', "c"),
    ('è', "e"),
    ('é', "e"),
    ('ê', "e"),
    ('ë', "e"),
    ('ì', "i"),
    ('í', "i"),
    ('î', "i"),
    ('ï', "i"),
    ('ò', "o"),
    ('ó', "o"),
    ('ô', "o"),
    ('õ', "o"),
    ('ø', "o"),
    ('ù', "u"),
    ('ú', "u"),
    ('û', "u"),
    ('ý', "y"),
    ('À', "A"),
    ('Á', "A"),
    ('Â', "A"),
    ('Å', "A"),
    ('Ç', "C"),
    ('È', "E"),
    ('É', "E"),
    ('Ê', "E"),
    ('Ñ', "N"),
    ('Ó', "O"),
    ('Ô', "O"),
    ('Ø', "O"),
    ('Ú', "U"),
    ('æ', "ae"),
    ('Æ', "Ae"),
    ('œ', "oe"),
    ('~', "-"),
    ('\\', "/"),
    ('–', "-"),
    ('—', "-"),
    ('−', "-"),
    ('×', "x"),
    ('‘', "'"),
    ('’', "'"),
    ('“', "\""),
    ('”', "\""),
    ('…', "..."),
    ('²', "2"),
    ('³', "3"),
    ('₂', "2"),
    ('₃', "3"),
    ('\u{a0}', " "),
    ('\u{202f}', " "),
    ('\n', " "),
    ('\t', " "),
];

/// A text as the display has it, and the first char that it lacks and nothing stands for; such chars become `?`.
pub fn encode(text: &str) -> (Text, Option<char>) {
    let mut codes = Text::new();
    let mut unknown = None;
    for char in text.chars() {
        if let Some(&(_, code)) = SIGNS.iter().find(|(sign, _)| *sign == char) {
            codes.push(code);
        } else if let Some((_, other)) = INSTEAD.iter().find(|(sign, _)| *sign == char) {
            codes.extend(other.bytes());
        } else if (' '..='}').contains(&char) {
            codes.push(char as u8);
        } else {
            codes.push(UNKNOWN);
            unknown = unknown.or(Some(char));
        }
    }
    (codes, unknown)
}

/// Codes as text, for reports and tests; `?` for those that no Latin text has.
pub fn decode(codes: &[u8]) -> alloc::string::String {
    let char_of = |code: &u8| match SIGNS.iter().find(|(_, known)| known == code) {
        Some((sign, _)) => *sign,
        None if (b' '..=b'}').contains(code) => char::from(*code),
        None => '?',
    };
    codes.iter().map(char_of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Codes from the data sheet of the HD44780U, table 4 (ROM code A00).
    #[test]
    fn codes_of_the_data_sheet() {
        assert_eq!(encode("25.4 °C").0, [b'2', b'5', b'.', b'4', b' ', 0xDF, b'C']);
        assert_eq!(encode("äöü µ Ω ÷ → ←").0, b"\xE1\xEF\xF5 \xE4 \xF4 \xFD \x7E \x7F");
    }

    #[test]
    fn what_it_lacks_is_spelled_or_told() {
        assert_eq!(encode("Überlauf"), (b"Ueberlauf".to_vec(), None));
        assert_eq!(encode("a~b\\c"), (b"a-b/c".to_vec(), None));
        assert_eq!(encode("水 ok"), (b"? ok".to_vec(), Some('水')));
        assert_eq!(decode(&encode("25 °C, 5 µm").0), "25 °C, 5 µm");
    }
}

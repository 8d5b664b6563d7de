//! What is given to others: a system file without addresses, secrets and names, comments and reasons kept.

/// Stands where something was left out.
pub const LEFT_OUT: &str = "[left out]";

/// Something that was left out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Omission {
    /// Line, from 1.
    pub line: usize,
    /// What it was taken for.
    pub what: &'static str,
}

/// The text without what looks like a mail address, a web address, a host's address, a hardware address, a telephone number or a key, and without
/// the given words.
pub fn scrubbed(text: &str, words: &[String]) -> (String, Vec<Omission>) {
    let mut omissions = vec![];
    let mut out = String::with_capacity(text.len());
    for (n, line) in text.split_inclusive('\n').enumerate() {
        let mut note = |what| omissions.push(Omission { line: n + 1, what });
        // A word that was cut out of another may have hidden an address.
        let plain = without_patterns(line, &mut note);
        let named = without_words(&plain, words, &mut note);
        out.push_str(&without_patterns(&named, &mut note));
    }
    (out, omissions)
}

fn without_words(line: &str, words: &[String], note: &mut impl FnMut(&'static str)) -> String {
    let mut line = line.to_owned();
    for word in words.iter().map(|word| word.trim()).filter(|word| !word.is_empty()) {
        let mut from = 0;
        while let Some(at) = find(&line, word, from) {
            line.replace_range(at..at + word.len(), LEFT_OUT);
            from = at + LEFT_OUT.len();
            note("a word you named");
        }
    }
    line
}

/// The next place of a word that stands alone, whatever its case.
fn find(line: &str, word: &str, mut from: usize) -> Option<usize> {
    let is_part = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    loop {
        let at = (from..line.len().checked_sub(word.len()).map_or(from, |last| last + 1))
            .find(|&at| line.get(at..at + word.len()).is_some_and(|here| here.eq_ignore_ascii_case(word)))?;
        let (before, after) = (line[..at].chars().next_back(), line[at + word.len()..].chars().next());
        if !is_part(before) && !is_part(after) {
            return Some(at);
        }
        from = at + line[at..].chars().next().map_or(1, char::len_utf8);
    }
}

fn is_between(c: char) -> bool {
    c.is_whitespace()
        || matches!(
            c,
            '"' | '\'' | '[' | ']' | '(' | ')' | '{' | '}' | ',' | ';' | '`' | '<' | '>' | '=' | '#'
        )
}

fn without_patterns(line: &str, note: &mut impl FnMut(&'static str)) -> String {
    let mut out = String::with_capacity(line.len());
    let mut rest = line;
    let mut is_phone = false;
    while !rest.is_empty() {
        let gap = rest.find(|c| !is_between(c)).unwrap_or(rest.len());
        let (between, after) = rest.split_at(gap);
        let end = after.find(is_between).unwrap_or(after.len());
        let (token, next) = after.split_at(end);
        let bare = token.trim_end_matches(['.', ':', '!', '?']);
        // The groups of a telephone number go with its beginning.
        let goes_on =
            is_phone && between.chars().all(|c| c == ' ' || c == '(' || c == ')') && is_digits(bare);
        let what = if goes_on { Some("") } else { kind(bare) };
        is_phone = goes_on || what == Some("a telephone number");
        match what {
            Some("") => {}
            Some(what) => {
                note(what);
                out.push_str(between);
                out.push_str(LEFT_OUT);
                out.push_str(&token[bare.len()..]);
            }
            None => {
                out.push_str(between);
                out.push_str(token);
            }
        }
        rest = next;
    }
    out
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || matches!(c, '-' | '/' | '.'))
}

/// What a word looks like, if it should not go out.
fn kind(word: &str) -> Option<&'static str> {
    let n_digits = word.chars().filter(char::is_ascii_digit).count();
    let is_hex = |text: &str| !text.is_empty() && text.chars().all(|c| c.is_ascii_hexdigit());
    if let Some((name, host)) = word.split_once('@')
        && !name.is_empty()
        && host.contains('.')
    {
        return Some("a mail address");
    }
    if word.contains("://") {
        return Some("a web address");
    }
    let parts: Vec<&str> = word.split('.').collect();
    if parts.len() == 4 && parts.iter().all(|part| part.parse::<u8>().is_ok()) {
        return Some("a host's address");
    }
    let pairs: Vec<&str> = word.split([':', '-']).collect();
    if pairs.len() == 6 && pairs.iter().all(|pair| pair.len() == 2 && is_hex(pair)) {
        return Some("a hardware address");
    }
    if word.matches(':').count() >= 3
        && word.split(':').all(|part| part.len() <= 4 && (part.is_empty() || is_hex(part)))
    {
        return Some("a host's address");
    }
    if word.starts_with('+') && n_digits >= 2 && is_digits(&word[1..]) && !word.contains('.') {
        return Some("a telephone number");
    }
    if word.len() >= 24 && is_hex(word) {
        return Some("a key");
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn out(text: &str) -> String {
        scrubbed(text, &["Mara".to_owned(), "Harbour Lane".to_owned()]).0
    }

    #[test]
    fn what_should_not_go_out_does_not() {
        for (text, wanted) in [
            ("# ask mara (mara@example.org).", "# ask [left out] ([left out])."),
            ("key = \"00112233445566778899aabbccddeeff\"", "key = \"[left out]\""),
            ("at 192.168.1.20, or fe80::1:2:3", "at [left out], or [left out]"),
            ("call +49 170 1234567 at night", "call [left out] at night"),
            ("http://reef.example/x and 02:00:5e:10:00:ff", "[left out] and [left out]"),
            ("name = \"HARBOUR LANE reef\"", "name = \"[left out] reef\""),
        ] {
            assert_eq!(out(text), wanted);
        }
    }

    #[test]
    fn what_a_file_needs_stays() {
        for text in [
            "review = \"2027-03-01\"",
            "offset = \"+0.5 K\"   # marathon stays",
            "timezone = \"CET-1CEST,M3.5.0,M10.5.0/3\"",
            "size = [\"1200 mm\", \"600 mm\"]",
            "crc 3f0c9a51, version 1.2.3, 10:30:00",
        ] {
            assert_eq!(out(text), text);
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_stumble_and_a_second_pass_finds_nothing(text in "\\PC{0,80}", word in "[a-zé ]{0,4}") {
            let (once, _) = scrubbed(&text, &[word]);
            proptest::prop_assert_eq!(scrubbed(&once, &[]).1, vec![]);
        }
    }
}

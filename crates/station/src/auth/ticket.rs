//! Random secrets that are handed out once: session cookies, API tokens, the code for the first account, recovery codes.
//!
//! The station keeps only their hash, so whoever reads its file cannot use them. A plain SHA-256 does: 256 random bits need no slow hash.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

/// A secret of 256 random bits as text.
pub struct Ticket(String);

impl fmt::Debug for Ticket {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Ticket")
    }
}

impl Ticket {
    /// A new one; `None` when the operating system has no randomness.
    pub fn new() -> Option<Self> {
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes).ok()?;
        Some(Ticket(URL_SAFE_NO_PAD.encode(bytes)))
    }

    /// The text that is handed out.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// What is kept of it.
    pub fn hash(&self) -> [u8; 32] {
        hash(&self.0)
    }
}

/// What is kept of a secret that somebody shows.
pub fn hash(text: &str) -> [u8; 32] {
    Sha256::digest(text.as_bytes()).into()
}

/// Characters that nobody takes for one another: no 0 O 1 I L U.
const PLAIN: &[u8; 30] = b"23456789ABCDEFGHJKMNPQRSTVWXYZ";

/// A code for people to type: groups of four, such as `7KQM-2WXH-N4TB`; 4.9 bits a character. `None` when the operating system has
/// no randomness.
pub fn typed_code(n_groups: usize) -> Option<String> {
    let mut code = String::new();
    let mut n = 0;
    while n < n_groups * 4 {
        let mut byte = [0];
        getrandom::fill(&mut byte).ok()?;
        // 240 is a multiple of 30: bytes above it would favour the first letters.
        if byte[0] >= 240 {
            continue;
        }
        if n > 0 && n.is_multiple_of(4) {
            code.push('-');
        }
        code.push(char::from(PLAIN[usize::from(byte[0]) % PLAIN.len()]));
        n += 1;
    }
    Some(code)
}

/// A typed code as it is compared: capitals, no blanks or dashes.
pub fn as_compared(typed: &str) -> String {
    typed.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect()
}

/// Whether two hashes are the same, in the same time for any.
pub fn same(a: &[u8; 32], b: &[u8; 32]) -> bool {
    a.iter().zip(b).fold(0, |differing, (a, b)| differing | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tickets_differ_and_do_not_print() {
        let (a, b) = (Ticket::new().expect("randomness"), Ticket::new().expect("randomness"));
        assert_ne!(a.text(), b.text());
        assert_eq!(a.text().len(), 43);
        assert_eq!(a.hash(), hash(a.text()));
        assert!(same(&a.hash(), &hash(a.text())) && !same(&a.hash(), &b.hash()));
        assert_eq!(format!("{a:?}"), "Ticket");
    }

    #[test]
    fn a_typed_code_is_taken_however_it_is_written() {
        let code = typed_code(3).expect("randomness");
        assert_eq!(code.len(), 14, "{code}");
        assert_eq!(as_compared(&code.to_lowercase().replace('-', " ")), as_compared(&code));
    }
}

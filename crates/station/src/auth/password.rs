//! Passwords: argon2id with the parameters of the OWASP Password Storage Cheat Sheet, one at a time.
//!
//! Contract: a [`Password`] never prints. Hashing takes 19 MiB, so a [`Hasher`] does one after the other; who waits too long is
//! told so, and memory stays what it is whoever asks.

use std::fmt;
use std::time::Duration;

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use serde::Deserialize;
use tokio::sync::Semaphore;

/// Memory of one hash, KiB. OWASP Password Storage Cheat Sheet: "a minimum configuration of 19 MiB of memory, an iteration count of
/// 2, and 1 degree of parallelism".
const MEMORY_KIB: u32 = 19 * 1024;
/// Passes over that memory; as above.
const PASSES: u32 = 2;
/// Lanes; as above.
const LANES: u32 = 1;
/// Shortest password, characters. (NIST SP 800-63B-4: at least 15 where it is the only factor, 8 beside a second one. The second factor is
/// offered, not forced, so the rule is for those without.)
pub const SHORTEST: usize = 12;
/// Longest, bytes: far above any passphrase, and bounded, for it goes into a hash.
pub const LONGEST: usize = 256;
/// How long somebody waits for the hasher before being told that too many are logging in.
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// A password as somebody typed it.
#[derive(Deserialize, Clone)]
#[serde(transparent)]
pub struct Password(String);

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Password")
    }
}

impl Password {
    /// Takes a text as a password.
    pub fn new(text: impl Into<String>) -> Self {
        Password(text.into())
    }

    /// The text.
    fn text(&self) -> &str {
        &self.0
    }
}

/// Why a text is no password, as a sentence for who chose it.
pub fn weakness(password: &Password, name: &str) -> Option<String> {
    let text = password.text();
    let n = text.chars().count();
    if n < SHORTEST {
        return Some(format!(
            "the password has {n} characters and needs at least {SHORTEST}: four words that have nothing to do with each other do well"
        ));
    }
    if text.len() > LONGEST {
        return Some(format!("the password is longer than {LONGEST} bytes"));
    }
    let lower = text.to_lowercase();
    let folded: Vec<char> = lower.chars().collect();
    let mut distinct = folded.clone();
    distinct.sort_unstable();
    distinct.dedup();
    if distinct.len() < 5 {
        return Some(
            "the password repeats a few characters; it is among the first that are tried".to_owned(),
        );
    }
    let n_steps = folded.windows(2).filter(|pair| is_step(pair[0], pair[1])).count();
    if n_steps * 3 > folded.len() * 2 {
        return Some(
            "the password runs along the keyboard or the alphabet; it is among the first that are tried"
                .to_owned(),
        );
    }
    let mut rest = lower.clone();
    for word in
        COMMON.iter().copied().chain((name.chars().count() > 2).then_some(name.to_lowercase().as_str()))
    {
        rest = rest.replace(word, "");
    }
    if rest.chars().filter(|c| c.is_alphabetic()).count() < 4 && rest.chars().count() < 8 {
        return Some(
            "the password is a common word, or the name of the account, with little beside it".to_owned(),
        );
    }
    None
}

/// Words that passwords are made of again and again (from memory, no source), and those of the trade that anybody would guess here.
const COMMON: &[&str] = &[
    "password",
    "passwort",
    "passw0rd",
    "letmein",
    "welcome",
    "administrator",
    "admin",
    "iloveyou",
    "monkey",
    "dragon",
    "football",
    "baseball",
    "sunshine",
    "princess",
    "superman",
    "batman",
    "master",
    "shadow",
    "michael",
    "jordan",
    "charlie",
    "trustno",
    "whatever",
    "starwars",
    "computer",
    "internet",
    "secret",
    "changeme",
    "default",
    "qwerty",
    "asdf",
    "abc123",
    "123456789",
    "12345",
    "tidewright",
    "aquarium",
    "reeftank",
    "saltwater",
    "limewater",
    "clownfish",
    "harbourlane",
    "harborlane",
    "harbour",
    "harbor",
    "coral",
    "reef",
    "tank",
    "lane",
];

/// Whether two characters follow each other in the alphabet, in counting or on a row of the keyboard, either way, or are the same.
fn is_step(a: char, b: char) -> bool {
    const ROWS: [&str; 5] =
        ["abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm"];
    a == b
        || ROWS.iter().any(|row| {
            let at = |c| row.find(c);
            matches!((at(a), at(b)), (Some(a), Some(b)) if a.abs_diff(b) == 1)
        })
}

/// Somebody else is hashing, and has been for too long.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Crowded;

/// Hashes passwords, one at a time.
#[derive(Debug)]
pub struct Hasher {
    turn: Semaphore,
    /// A hash of nothing that anybody knows: checked where no account has the name, so that the answer takes as long.
    nobody: String,
}

fn argon() -> Argon2<'static> {
    // The parameters are constants within what the algorithm takes; the default is what is left if they ever were not.
    let params = Params::new(MEMORY_KIB, PASSES, LANES, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

fn hash_now(password: &Password) -> Option<String> {
    let mut salt = [0; 16];
    getrandom::fill(&mut salt).ok()?;
    let salt = SaltString::encode_b64(&salt).ok()?;
    argon().hash_password(password.text().as_bytes(), &salt).ok().map(|hash| hash.to_string())
}

impl Default for Hasher {
    fn default() -> Self {
        Hasher::new()
    }
}

impl Hasher {
    /// A hasher; takes as long as one hash.
    pub fn new() -> Self {
        let nobody = super::ticket::Ticket::new().map(|ticket| Password::new(ticket.text()));
        let nobody = nobody.as_ref().and_then(hash_now).unwrap_or_default();
        Hasher { turn: Semaphore::new(1), nobody }
    }

    async fn in_turn<T: Send + 'static>(
        &self,
        act: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Crowded> {
        let waited = tokio::time::timeout(LONGEST_WAIT, self.turn.acquire()).await;
        let Ok(Ok(_turn)) = waited else { return Err(Crowded) };
        tokio::task::spawn_blocking(act).await.map_err(|_| Crowded)
    }

    /// The hash to keep, as a PHC string.
    ///
    /// # Errors
    /// [`Crowded`]: try again.
    pub async fn hash(&self, password: Password) -> Result<String, Crowded> {
        self.in_turn(move || hash_now(&password)).await?.ok_or(Crowded)
    }

    /// Whether this is the password of a hash; without one it takes as long and is not.
    ///
    /// # Errors
    /// [`Crowded`]: try again.
    pub async fn verify(&self, password: Password, hash: Option<String>) -> Result<bool, Crowded> {
        if password.text().len() > LONGEST {
            return Ok(false);
        }
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.nobody.clone());
        let is_right = self
            .in_turn(move || {
                PasswordHash::new(&hash)
                    .is_ok_and(|hash| argon().verify_password(password.text().as_bytes(), &hash).is_ok())
            })
            .await?;
        Ok(is_right && known)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_hash_states_the_parameters_and_takes_only_its_password() {
        let hasher = Hasher::new();
        let hash = hasher.hash(Password::new("four words or more")).await.expect("nobody else hashes");
        // PHC string format, https://github.com/P-H-C/phc-string-format
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        assert_eq!(hasher.verify(Password::new("four words or more"), Some(hash.clone())).await, Ok(true));
        assert_eq!(hasher.verify(Password::new("four words or less"), Some(hash)).await, Ok(false));
        assert_eq!(hasher.verify(Password::new("four words or more"), None).await, Ok(false));
        assert_eq!(hasher.verify(Password::new("x"), Some("no hash".to_owned())).await, Ok(false));
    }

    #[test]
    fn argon2id_gives_the_vector_of_rfc_9106() {
        // RFC 9106, section 5.3: Argon2id test vector.
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).expect("12 bytes"))
            .build()
            .expect("the vector's parameters");
        let argon =
            Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).expect("8 bytes");
        let mut tag = [0; 32];
        argon.hash_password_into(&[1; 32], &[2; 16], &mut tag).expect("hashes");
        assert_eq!(tag[..8], [0x0d, 0x64, 0x0d, 0xf5, 0x8d, 0x78, 0x76, 0x6c]);
        assert_eq!(tag[24..], [0xb5, 0x25, 0x20, 0xe9, 0x6b, 0x01, 0xe6, 0x59]);
    }

    #[test]
    fn what_everybody_would_guess_is_no_password() {
        for text in [
            "short",
            "aaaaaaaaaaaaaaaa",
            "abcdefghijklmnop",
            "qwertyuiop1234567890",
            "Password1234",
            "keeper-12345678",
            "Aquarium-2026!",
            "coralreeftank",
        ] {
            assert!(weakness(&Password::new(text), "keeper").is_some(), "{text}");
        }
        for text in ["barnacle wicket nine staircase", "vT7#qLw92!mz", "Überraschend viele Kiesel"] {
            assert_eq!(weakness(&Password::new(text), "keeper"), None, "{text}");
        }
        assert!(weakness(&Password::new("x7".repeat(200)), "keeper").is_some());
    }

    #[test]
    fn a_password_does_not_print() {
        assert_eq!(format!("{:?}", Some(Password::new("vT7#qLw92!mz"))), "Some(Password)");
    }
}

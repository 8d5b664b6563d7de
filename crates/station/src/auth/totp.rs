//! One-time codes by RFC 6238 (TOTP): HMAC-SHA-1, 30 s, six digits, as every authenticator app takes them.
//!
//! A code counts in its own half minute and one before and after, and once only: the station keeps the step of the last code taken, and an
//! earlier or the same one is refused.

use std::fmt;

use hmac::{Hmac, Mac};
use sha1::Sha1;

/// Length of a step, s; RFC 6238 section 5.2.
const STEP_S: u64 = 30;
/// Steps that a clock may be off, either way; RFC 6238 section 5.2 wants it small.
const STEPS_OFF: u64 = 1;

/// The shared secret of an account, 160 bits (RFC 4226 section 4, R6).
#[derive(Clone, PartialEq, Eq)]
pub struct Seed([u8; 20]);

impl fmt::Debug for Seed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Seed")
    }
}

impl Seed {
    /// A new one; `None` when the operating system has no randomness.
    pub fn new() -> Option<Self> {
        let mut bytes = [0; 20];
        getrandom::fill(&mut bytes).ok()?;
        Some(Seed(bytes))
    }

    /// From what is stored; `None` if that is none.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        bytes.try_into().ok().map(Seed)
    }

    /// To store.
    pub fn as_bytes(&self) -> &[u8; 20] {
        &self.0
    }

    /// As people type it into an app: base 32 (RFC 4648).
    pub fn base32(&self) -> String {
        const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
        let mut text = String::new();
        let (mut bits, mut n_bits) = (0_u32, 0);
        for byte in self.0 {
            bits = bits << 8 | u32::from(byte);
            n_bits += 8;
            while n_bits >= 5 {
                n_bits -= 5;
                text.push(char::from(LETTERS[(bits >> n_bits & 31) as usize]));
            }
        }
        text
    }

    /// The address that an app reads from a picture (the key URI that authenticator apps share; common practice, no standard).
    pub fn uri(&self, station: &str, account: &str) -> String {
        let (station, account) = (percent(station), percent(account));
        format!("otpauth://totp/{station}:{account}?secret={}&issuer={station}", self.base32())
    }

    /// The step whose code this is, if it is one of now and was not taken: its step is above `last_step`.
    pub fn check(&self, code: &str, now_s: u64, last_step: u64) -> Option<u64> {
        let code: String = code.chars().filter(|c| !c.is_whitespace()).collect();
        let now = now_s / STEP_S;
        (now.saturating_sub(STEPS_OFF)..=now + STEPS_OFF)
            .filter(|step| *step > last_step)
            .find(|step| format!("{:06}", digits(&self.0, *step, 1_000_000)) == code)
    }

    /// The code of a time; what an app shows.
    pub fn code(&self, at_s: u64) -> String {
        format!("{:06}", digits(&self.0, at_s / STEP_S, 1_000_000))
    }
}

/// HOTP of RFC 4226 section 5.3.
fn digits(seed: &[u8], step: u64, modulus: u32) -> u32 {
    // HMAC takes a key of any length.
    let Ok(mut mac) = Hmac::<Sha1>::new_from_slice(seed) else { return 0 };
    mac.update(&step.to_be_bytes());
    let hash = mac.finalize().into_bytes();
    let at = usize::from(hash[19] & 0xF);
    let word = u32::from_be_bytes([hash[at], hash[at + 1], hash[at + 2], hash[at + 3]]);
    (word & 0x7FFF_FFFF) % modulus
}

/// Percent encoding of all but unreserved characters (RFC 3986).
fn percent(text: &str) -> String {
    text.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                char::from(byte).to_string()
            }
            _ => format!("%{byte:02X}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The seed of RFC 6238, appendix B.
    const RFC: &[u8; 20] = b"12345678901234567890";

    #[test]
    fn codes_are_those_of_rfc_6238_appendix_b() {
        for (time, code) in [
            (59, 94_287_082),
            (1_111_111_109, 7_081_804),
            (1_111_111_111, 14_050_471),
            (1_234_567_890, 89_005_924),
            (2_000_000_000, 69_279_037),
            (20_000_000_000, 65_353_130),
        ] {
            assert_eq!(digits(RFC, time / STEP_S, 100_000_000), code, "{time}");
        }
    }

    #[test]
    fn base_32_is_that_of_rfc_4648() {
        // The seed of RFC 6238 as apps show it.
        assert_eq!(Seed(*RFC).base32(), "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ");
        assert!(
            Seed(*RFC)
                .uri("Harbour Lane", "keeper")
                .starts_with("otpauth://totp/Harbour%20Lane:keeper?secret=GEZD")
        );
    }

    #[test]
    fn a_code_counts_once_and_only_near_its_time() {
        let seed = Seed(*RFC);
        let now = 1_111_111_111;
        let code = seed.code(now);
        let step = seed.check(&code, now, 0).expect("the code of now");
        assert_eq!(seed.check(&code, now + 30, step), None, "taken before");
        assert!(seed.check(&code, now + 30, 0).is_some() && seed.check(&code, now - 30, 0).is_some());
        assert_eq!(seed.check(&code, now + 90, 0), None);
        assert_eq!(seed.check(&code, now - 90, 0), None);
        assert_eq!(seed.check("", now, 0), None);
        assert_eq!(seed.check("14050471", now, 0), None, "eight digits are another code");
    }

    #[test]
    fn a_later_code_shuts_out_those_before_it() {
        let seed = Seed(*RFC);
        let now = 1_111_111_111;
        let step = seed.check(&seed.code(now), now, 0).expect("the code of now");
        assert_eq!(seed.check(&seed.code(now - 30), now, step), None);
    }

    #[test]
    fn a_seed_does_not_print() {
        assert_eq!(format!("{:?}", Seed(*RFC)), "Seed");
    }
}

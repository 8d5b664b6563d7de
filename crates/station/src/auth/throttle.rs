//! How much one address may ask for, and how long somebody waits after wrong guesses. Pure: the caller gives the time.

use std::collections::HashMap;
use std::net::IpAddr;

/// Requests that an address may make at once.
pub const BURST: f64 = 240.0;
/// Requests a second that it may make on and on: a page that draws trends asks for some twenty at a time.
pub const A_SECOND: f64 = 40.0;
/// Addresses that are remembered; beyond it the one that was silent longest is forgotten.
const MOST_ADDRESSES: usize = 2048;

/// Who shares a bucket: an IPv4 address, or the 64 bits of an IPv6 network, for whoever has one has all of its addresses.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Origin([u8; 8]);

impl Origin {
    /// Of an address.
    pub fn of(address: IpAddr) -> Self {
        match address {
            IpAddr::V4(v4) => Origin::v4(v4.octets()),
            IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
                Some(v4) => Origin::v4(v4.octets()),
                None => {
                    let mut network = [0; 8];
                    network.copy_from_slice(&v6.octets()[..8]);
                    Origin(network)
                }
            },
        }
    }

    fn v4(octets: [u8; 4]) -> Self {
        // ::ffff:0:0 has no /64 of its own that a guest could have.
        Origin([0, 0, 0xFF, 0xFF, octets[0], octets[1], octets[2], octets[3]])
    }

    /// As text, for the store.
    pub fn key(self) -> String {
        self.0.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

#[derive(Debug)]
struct Bucket {
    left: f64,
    at_ms: i64,
}

/// Requests left for each address.
#[derive(Debug, Default)]
pub struct Buckets(HashMap<Origin, Bucket>);

impl Buckets {
    /// Takes so much from the bucket of an address.
    ///
    /// # Errors
    /// Seconds after which there is enough again.
    pub fn take(&mut self, origin: Origin, cost: f64, now_ms: i64) -> Result<(), u64> {
        if self.0.len() >= MOST_ADDRESSES && !self.0.contains_key(&origin) {
            let oldest = self.0.iter().min_by_key(|(_, bucket)| bucket.at_ms).map(|(origin, _)| *origin);
            if let Some(oldest) = oldest {
                self.0.remove(&oldest);
            }
        }
        let bucket = self.0.entry(origin).or_insert(Bucket { left: BURST, at_ms: now_ms });
        // A clock that steps back gives nothing and takes nothing.
        let passed_s = (now_ms - bucket.at_ms).max(0) as f64 / 1000.0;
        bucket.left = (bucket.left + passed_s * A_SECOND).min(BURST);
        bucket.at_ms = now_ms;
        if bucket.left < cost {
            return Err(((cost - bucket.left) / A_SECOND).ceil().max(1.0) as u64);
        }
        bucket.left -= cost;
        Ok(())
    }
}

/// Wrong guesses without a wait: who mistypes is not punished.
const FREE_GUESSES: u32 = 4;
/// Longest wait of an account or a far address, ms.
pub const LONGEST_WAIT_MS: i64 = 15 * 60_000;
/// Longest wait at the machine itself, ms: its keeper is never shut out, and a program there that guesses has six guesses a minute.
pub const LONGEST_WAIT_HERE_MS: i64 = 10_000;

/// How long to wait after so many wrong guesses in a row, ms: 1 s after the fifth, then twice as long each time.
pub fn wait_ms(n_wrong: u32, longest_ms: i64) -> i64 {
    match n_wrong.checked_sub(FREE_GUESSES + 1) {
        None => 0,
        Some(n) => (1000_i64 << n.min(20)).min(longest_ms),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bucket_empties_fills_and_never_overflows() {
        let mut buckets = Buckets::default();
        let origin = Origin::of(IpAddr::from([192, 0, 2, 1]));
        for _ in 0..BURST as u32 {
            assert_eq!(buckets.take(origin, 1.0, 0), Ok(()));
        }
        assert_eq!(buckets.take(origin, 1.0, 0), Err(1));
        assert_eq!(buckets.take(Origin::of(IpAddr::from([192, 0, 2, 2])), 1.0, 0), Ok(()), "another address");
        assert_eq!(buckets.take(origin, A_SECOND, 1000), Ok(()));
        assert!(buckets.take(origin, 1.0, 1000).is_err());
        assert!(buckets.take(origin, 1.0, -5000).is_err(), "a clock that steps back gives nothing");
        assert_eq!(buckets.take(origin, BURST, 3_600_000), Ok(()));
        assert!(buckets.take(origin, 1.0, 3_600_000).is_err(), "an hour gives no more than the burst");
    }

    #[test]
    fn many_addresses_take_bounded_memory() {
        let mut buckets = Buckets::default();
        for n in 0..100_000_u32 {
            let _ = buckets.take(Origin::of(IpAddr::from(n.to_be_bytes())), 1.0, n.into());
        }
        assert_eq!(buckets.0.len(), MOST_ADDRESSES);
    }

    #[test]
    fn a_network_of_ipv6_is_one_origin_and_a_mapped_address_its_own() {
        let of = |text: &str| Origin::of(text.parse().expect("an address"));
        assert_eq!(of("2001:db8::1"), of("2001:db8::ffff:1"));
        assert_ne!(of("2001:db8::1"), of("2001:db8:0:1::1"));
        assert_eq!(of("::ffff:192.0.2.1"), of("192.0.2.1"));
        assert_ne!(of("192.0.2.1"), of("192.0.2.2"));
    }

    #[test]
    fn waits_double_up_to_their_limit() {
        let waits: Vec<i64> = (3..8).map(|n| wait_ms(n, LONGEST_WAIT_MS)).collect();
        assert_eq!(waits, [0, 0, 1000, 2000, 4000]);
        assert_eq!(wait_ms(u32::MAX, LONGEST_WAIT_MS), LONGEST_WAIT_MS);
        assert_eq!(wait_ms(30, LONGEST_WAIT_HERE_MS), LONGEST_WAIT_HERE_MS);
    }
}

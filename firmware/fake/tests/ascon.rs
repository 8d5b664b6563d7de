//! The board's Ascon-AEAD128 against the known answers of its designers and against an independent implementation.

use ascon_aead::AsconAead128;
use ascon_aead::aead::inout::InOutBuf;
use ascon_aead::aead::{AeadInOut, KeyInit};
use fake_board::Board;
use proptest::collection::vec;
use proptest::prelude::*;

/// The independent implementation: ciphertext and tag.
fn oracle(key: &[u8; 16], nonce: &[u8; 16], message: &[u8], associated: &[u8]) -> Vec<u8> {
    let mut bytes = message.to_vec();
    let cipher = AsconAead128::new(key.into());
    let tag = cipher
        .encrypt_inout_detached(nonce.into(), associated, InOutBuf::from(bytes.as_mut_slice()))
        .expect("short enough");
    bytes.extend_from_slice(&tag);
    bytes
}

/// Known answers of the reference implementation of NIST SP 800-232, see the file's first line. The board uses no associated data:
/// rows that have some test the oracle.
#[test]
fn known_answers() {
    let table = include_str!("../../../tests/reference/ascon_aead128_kat.csv");
    let key: [u8; 16] = std::array::from_fn(|at| at as u8);
    let nonce: [u8; 16] = std::array::from_fn(|at| 0x10 + at as u8);
    let mut board = Board::lock();
    let mut n_rows = 0;
    for row in table.lines().skip(2) {
        let cells: Vec<&str> = row.split(',').collect();
        let n = |cell: &str| cell.parse::<u8>().expect("a number");
        let message: Vec<u8> = (0..n(cells[1])).map(|at| 0x20 + at).collect();
        let associated: Vec<u8> = (0..n(cells[2])).map(|at| 0x30 + at).collect();
        let expected: Vec<u8> = (0..cells[3].len() / 2)
            .map(|at| u8::from_str_radix(&cells[3][2 * at..2 * at + 2], 16).expect("hex"))
            .collect();
        assert_eq!(oracle(&key, &nonce, &message, &associated), expected, "row {}", cells[0]);
        if associated.is_empty() {
            assert_eq!(board.seal(&key, &nonce, &message), expected, "row {}", cells[0]);
            assert_eq!(board.open(&key, &nonce, &expected), Some(message), "row {}", cells[0]);
        }
        n_rows += 1;
    }
    assert_eq!(n_rows, 65);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]
    #[test]
    fn equals_the_oracle(key: [u8; 16], nonce: [u8; 16], message in vec(any::<u8>(), 0..=72), bit: usize) {
        let mut board = Board::lock();
        let sealed = board.seal(&key, &nonce, &message);
        prop_assert_eq!(&sealed, &oracle(&key, &nonce, &message, &[]));
        prop_assert_eq!(board.open(&key, &nonce, &sealed), Some(message));
        let mut altered = sealed;
        let n_bits = 8 * altered.len();
        altered[bit % n_bits / 8] ^= 1 << (bit % 8);
        prop_assert_eq!(board.open(&key, &nonce, &altered), None);
    }
}

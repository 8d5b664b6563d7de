//! Numbers as bytes: variable-length integers, and columns of integers, each in the smallest of a few forms.

use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress};

/// Forms of a column.
const CONSTANT: u8 = 0;
const RUNS: u8 = 1;
const OFFSETS: u8 = 2;
const WIDE: u8 = 3;

/// More numbers than any block or roll-up holds; a length beyond it is damage.
pub(crate) const MOST: usize = 1 << 20;

pub(crate) fn put(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Small magnitudes take few bytes, whatever their sign.
pub(crate) fn put_signed(out: &mut Vec<u8>, value: i64) {
    put(out, ((value << 1) ^ (value >> 63)) as u64);
}

/// Reads what was put; None past the end or where it can't be.
pub(crate) struct Bytes<'a>(pub &'a [u8]);

impl<'a> Bytes<'a> {
    pub fn take(&mut self) -> Option<u64> {
        let mut value = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(value);
            }
        }
        None
    }

    pub fn take_signed(&mut self) -> Option<i64> {
        let value = self.take()?;
        Some((value >> 1) as i64 ^ -((value & 1) as i64))
    }

    pub fn byte(&mut self) -> Option<u8> {
        let (&byte, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(byte)
    }

    pub fn slice(&mut self, n: usize) -> Option<&'a [u8]> {
        let (slice, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(slice)
    }
}

/// Writes a column: a constant as one number; few runs of equal numbers as runs; else compressed, as offsets from the smallest where
/// these fit 32 bits.
pub(crate) fn put_column(out: &mut Vec<u8>, numbers: &[i64]) {
    let Some(&first) = numbers.first() else { return };
    let n_runs = 1 + numbers.windows(2).filter(|w| w[0] != w[1]).count();
    if n_runs == 1 {
        out.push(CONSTANT);
        put_signed(out, first);
        return;
    }
    if n_runs <= 8 || n_runs * 24 <= numbers.len() {
        return put_runs(out, numbers, n_runs);
    }
    let config = ChunkConfig::default();
    let low = numbers.iter().min().copied().unwrap_or(0);
    let offsets: Option<Vec<u32>> =
        numbers.iter().map(|&v| v.checked_sub(low).and_then(|d| u32::try_from(d).ok())).collect();
    let (form, data) = match &offsets {
        Some(offsets) => (OFFSETS, simple_compress(offsets, &config)),
        None => (WIDE, simple_compress(numbers, &config)),
    };
    // The default configuration is valid and a vector takes any bytes; were it otherwise, runs hold anything.
    let Ok(data) = data else { return put_runs(out, numbers, n_runs) };
    out.push(form);
    put_signed(out, low);
    put(out, data.len() as u64);
    out.extend(data);
}

fn put_runs(out: &mut Vec<u8>, numbers: &[i64], n_runs: usize) {
    out.push(RUNS);
    put(out, n_runs as u64);
    let mut before = 0;
    for run in numbers.chunk_by(|a, b| a == b) {
        put_signed(out, run[0].wrapping_sub(before));
        put(out, run.len() as u64);
        before = run[0];
    }
}

/// Reads a column of `n` numbers.
pub(crate) fn take_column(bytes: &mut Bytes<'_>, n: usize) -> Option<Vec<i64>> {
    if n == 0 {
        return Some(Vec::new());
    }
    if n > MOST {
        return None;
    }
    match bytes.byte()? {
        CONSTANT => Some(vec![bytes.take_signed()?; n]),
        RUNS => {
            let mut numbers = Vec::with_capacity(n);
            let mut value = 0i64;
            for _ in 0..bytes.take()? {
                value = value.wrapping_add(bytes.take_signed()?);
                let length = usize::try_from(bytes.take()?).ok()?;
                if length > n - numbers.len() {
                    return None;
                }
                numbers.resize(numbers.len() + length, value);
            }
            (numbers.len() == n).then_some(numbers)
        }
        form @ (OFFSETS | WIDE) => {
            let low = bytes.take_signed()?;
            let length = usize::try_from(bytes.take()?).ok()?;
            let data = bytes.slice(length)?;
            let numbers = if form == OFFSETS {
                let offsets: Vec<u32> = simple_decompress(data).ok()?;
                offsets.into_iter().map(|d| low.wrapping_add(i64::from(d))).collect()
            } else {
                simple_decompress::<i64>(data).ok()?
            };
            (numbers.len() == n).then_some(numbers)
        }
        _ => None,
    }
}

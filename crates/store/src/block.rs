//! A block: some thousand samples of one series as bytes (`docs/store.md` has the format). The block's row repeats series, first and last
//! time and number; all of them are under the checksum, so a block in another's row is found.

use crate::bytes::{Bytes, MOST, put, put_column, take_column};
use crate::error::{Error, Result};
use crate::memory::Columns;
use crate::series::{Quality, SeriesId};

/// Form of the bytes.
const VERSION: u8 = 1;

/// Where a block belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Place {
    pub series: SeriesId,
    pub first: i64,
    pub last: i64,
    pub n: usize,
}

fn checksum(place: &Place, data: &[u8]) -> [u8; 4] {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&place.series.0.to_le_bytes());
    hasher.update(&place.first.to_le_bytes());
    hasher.update(&place.last.to_le_bytes());
    hasher.update(&(place.n as u64).to_le_bytes());
    hasher.update(data);
    hasher.finalize().to_le_bytes()
}

/// Bytes of a block and where it belongs. The columns are not empty and sorted.
pub(crate) fn encode(series: SeriesId, columns: &Columns) -> (Place, Vec<u8>) {
    let place =
        Place { series, first: columns.times[0], last: columns.times[columns.len() - 1], n: columns.len() };
    let mut out = vec![VERSION];
    let steps: Vec<i64> = columns.times.windows(2).map(|w| w[1] - w[0]).collect();
    put_column(&mut out, &steps);
    put_column(&mut out, &columns.values);
    for run in columns.qualities.chunk_by(|a, b| a == b) {
        out.push(run[0] as u8);
        put(&mut out, run.len() as u64);
    }
    let crc = checksum(&place, &out);
    out.extend(crc);
    (place, out)
}

/// The samples of a block.
///
/// # Errors
///
/// `Damaged` when it is not as it was written, or not in its place.
pub(crate) fn decode(place: &Place, data: &[u8]) -> Result<Columns> {
    let damaged = |what: &str| Error::Damaged {
        what: format!(
            "{what} of the block of series {} from {} to {} ms; its samples are not used",
            place.series.0, place.first, place.last
        ),
    };
    let (data, crc) =
        data.split_at_checked(data.len().wrapping_sub(4)).ok_or_else(|| damaged("the length"))?;
    if checksum(place, data) != crc {
        return Err(damaged("the checksum"));
    }
    let read = || {
        let mut bytes = Bytes(data);
        if bytes.byte()? != VERSION || place.n == 0 || place.n > MOST {
            return None;
        }
        let mut times = Vec::with_capacity(place.n);
        times.push(place.first);
        let mut time = place.first;
        for step in take_column(&mut bytes, place.n - 1)? {
            time = time.checked_add(step)?;
            times.push(time);
        }
        let values = take_column(&mut bytes, place.n)?;
        let mut qualities = Vec::with_capacity(place.n);
        while qualities.len() < place.n {
            let quality = Quality::from_code(bytes.byte()?);
            let length = usize::try_from(bytes.take()?).ok()?;
            if length > place.n - qualities.len() {
                return None;
            }
            qualities.resize(qualities.len() + length, quality);
        }
        Some(Columns { times, values, qualities })
    };
    read().ok_or_else(|| damaged("the content"))
}

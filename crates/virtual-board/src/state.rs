//! The state file of a virtual board: water and board, so that another start of the process goes on with them.

use std::io::{self, Write};
use std::path::Path;

use program::eeprom::Map;
use twin::Start;

use crate::board::Board;
use crate::file::{Reader, Writer};
use crate::memory::Memory;
use crate::server::StartError;
use crate::world::Tank;

/// The file begins with it.
const STATE_MAGIC: &[u8; 4] = b"TwV1";

/// What the state file holds.
pub(crate) struct Saved {
    pub start: Start,
    pub snapshot: twin::Snapshot,
    pub memory: Memory,
}

/// Writes it beside the one before, then in its place.
pub(crate) fn save(path: &Path, start: &Start, board: &Board<Tank<'_>>) -> io::Result<()> {
    let mut out = Writer::default();
    out.bytes(STATE_MAGIC);
    out.u64(start.utc_s.cast_unsigned());
    out.u32(start.local_offset_s.cast_unsigned());
    out.u64(start.seed);
    out.block(&board.world().snapshot().to_bytes());
    board.memory().save(&mut out);
    let beside = path.with_extension("new");
    let mut file = std::fs::File::create(&beside)?;
    file.write_all(&out.finish())?;
    file.sync_all()?;
    std::fs::rename(&beside, path)
}

/// `None`: there is none yet.
pub(crate) fn load(path: &Path, map: Map) -> Result<Option<Saved>, StartError> {
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(StartError::State(path.to_owned(), error.to_string())),
    };
    let read = || {
        let mut file = Reader::new(&bytes)?;
        if file.array()? != STATE_MAGIC {
            return None;
        }
        let start = Start {
            utc_s: file.u64()?.cast_signed(),
            local_offset_s: file.u32()?.cast_signed(),
            seed: file.u64()?,
        };
        let snapshot = twin::Snapshot::from_bytes(file.block()?)?;
        Some(Saved { start, snapshot, memory: Memory::load(map, &mut file)? })
    };
    let is_none = || StartError::State(path.to_owned(), "this is no sound state of a virtual board".into());
    read().map(Some).ok_or_else(is_none)
}

//! Long answers, written while they go out: a few pieces are in memory at a time, whatever their length.

use std::io::{self, Write};

use axum::body::{Body, Bytes};
use futures_util::stream;
use tokio::sync::mpsc;

/// Hands what is written on, a piece at a time; a reader that is gone ends it.
#[derive(Debug)]
pub struct Pieces {
    to: mpsc::Sender<io::Result<Bytes>>,
    piece: Vec<u8>,
}

/// Bytes of a piece.
const PIECE: usize = 32 * 1024;

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.piece.extend_from_slice(bytes);
        if self.piece.len() >= PIECE {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.piece.is_empty() {
            return Ok(());
        }
        let piece = Bytes::from(std::mem::take(&mut self.piece));
        self.to.blocking_send(Ok(piece)).map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))
    }
}

/// An answer that is written while it goes out. A failure ends it early, so that the reader sees that it is not whole.
pub fn in_pieces(write: impl FnOnce(&mut Pieces) -> io::Result<()> + Send + 'static) -> Body {
    let (to, pieces) = mpsc::channel(4);
    tokio::task::spawn_blocking(move || {
        let mut out = Pieces { to, piece: vec![] };
        if let Err(error) = write(&mut out).and_then(|()| out.flush()) {
            let _ = out.to.blocking_send(Err(error));
        }
    });
    Body::from_stream(stream::unfold(pieces, |mut pieces| async move {
        pieces.recv().await.map(|piece| (piece, pieces))
    }))
}

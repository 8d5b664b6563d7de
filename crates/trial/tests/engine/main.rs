//! The engine of trials on a small tank with known answers: equal results however they are run, closed forms, acceptances, the board
//! and the record of a rehearsal.

mod accepted;
mod board;
mod equal;
mod known;
mod record;
mod small;
mod streamed;
mod told;

//! Who somebody is: passwords, one-time codes, sessions, tokens, and how often a guess may be made.
//!
//! | module | holds |
//! |---|---|
//! | [`password`] | argon2id, one hash at a time, and what is no password |
//! | [`totp`] | RFC 6238 codes, each taken once; recovery codes |
//! | [`ticket`] | random secrets that are handed out once and kept as hashes |
//! | [`throttle`] | requests a second for each address; waiting after wrong guesses |
//! | [`door`] | logging in and out, and who a request comes from |
//! | [`needs`] | what each route needs; a route that is not in the table is refused to everybody |

pub mod door;
pub mod needs;
pub mod password;
pub mod throttle;
pub mod ticket;
pub mod totp;

//! One module a command; each reads its options, calls the libraries and says what came out.

pub mod audit;
pub mod build;
pub mod care;
pub mod compare;
pub mod completions;
pub mod fit;
pub mod flash;
pub mod fmea;
pub mod listen;
pub mod man;
pub mod new;
pub mod rehearse;
pub mod report;
pub mod revisions;
pub mod section;
pub mod serve;
pub mod shadow;
pub mod trial;
pub mod water;
pub mod weigh;
pub mod wire;

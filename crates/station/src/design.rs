//! What the design routes share: how much of the machine they may take. The boards come first.

use tokio::sync::Semaphore;

/// Looks that are worked out at once.
const MOST_LOOKS: usize = 2;

/// Places for design work.
#[derive(Debug)]
pub struct Design {
    /// For what takes a moment.
    pub looks: Semaphore,
}

impl Default for Design {
    fn default() -> Self {
        Design { looks: Semaphore::new(MOST_LOOKS) }
    }
}

//! Sliding windows that the monitors are made of: extremes, delay lines, held time and bounded until. Each takes amortised
//! constant time a sample and keeps no more than its window.

use std::collections::VecDeque;

/// The greater; neither may be NaN (the monitors let none in).
pub(super) fn greater(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// The lesser; neither may be NaN.
pub(super) fn lesser(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// Highest value of a window, by the monotonic queue of Lemire (2006, "Streaming maximum-minimum filter using no more
/// than three comparisons per element"): values that can no longer be the highest are dropped when a higher one comes.
#[derive(Debug, Default)]
pub(super) struct Highest {
    /// Sample number and value, highest first.
    entries: VecDeque<(u64, f64)>,
}

impl Highest {
    /// Takes in the newest value.
    pub(super) fn push(&mut self, at: u64, value: f64) {
        while self.entries.back().is_some_and(|&(_, older)| older <= value) {
            self.entries.pop_back();
        }
        self.entries.push_back((at, value));
    }

    /// Lets the window begin at `first`.
    pub(super) fn begin_at(&mut self, first: u64) {
        while self.entries.front().is_some_and(|&(at, _)| at < first) {
            self.entries.pop_front();
        }
    }

    /// The highest value; `-inf` of an empty window.
    pub(super) fn value(&self) -> f64 {
        self.entries.front().map_or(f64::NEG_INFINITY, |&(_, value)| value)
    }

    /// Empties the window; keeps its memory.
    pub(super) fn clear(&mut self) {
        self.entries.clear();
    }
}

impl Clone for Highest {
    fn clone(&self) -> Self {
        Self { entries: self.entries.clone() }
    }

    fn clone_from(&mut self, source: &Self) {
        self.entries.clone_from(&source.entries);
    }
}

/// Number of samples of the last `window` in which something held; samples from before the beginning count as held.
#[derive(Debug)]
pub(super) struct HeldCount {
    /// One bit a sample of the window, as a ring.
    bits: Vec<u64>,
    window: u64,
    next: u64,
    n_held: u64,
}

impl HeldCount {
    /// Nothing seen yet. `window` in samples, 1 at least.
    pub(super) fn new(window: u64) -> Self {
        Self { bits: vec![u64::MAX; window.div_ceil(64) as usize], window, next: 0, n_held: window }
    }

    /// Takes in the newest sample and drops the oldest.
    pub(super) fn push(&mut self, held: bool) {
        let (word, mask) = ((self.next / 64) as usize, 1 << (self.next % 64));
        let was_held = self.bits[word] & mask != 0;
        self.n_held = self.n_held + u64::from(held) - u64::from(was_held);
        if held != was_held {
            self.bits[word] ^= mask;
        }
        self.next += 1;
        if self.next == self.window {
            self.next = 0;
        }
    }

    /// How many samples of the window held.
    pub(super) fn n_held(&self) -> u64 {
        self.n_held
    }

    /// Back to nothing seen.
    pub(super) fn clear(&mut self) {
        self.bits.fill(u64::MAX);
        (self.next, self.n_held) = (0, self.window);
    }
}

impl Clone for HeldCount {
    fn clone(&self) -> Self {
        Self { bits: self.bits.clone(), ..*self }
    }

    fn clone_from(&mut self, source: &Self) {
        self.bits.clone_from(&source.bits);
        (self.window, self.next, self.n_held) = (source.window, source.next, source.n_held);
    }
}

/// Robustness of `left until right` over a stretch of samples, with what is needed to append another stretch.
///
/// Stretches compose associatively: `(u1, g1) (u2, g2) = (max(u1, min(g1, u2)), min(g1, g2))`. That is what lets a sliding
/// window be kept as two stacks (Tangwongsan, Hirzel, Schneider & Wu 2015, "General incremental sliding-window
/// aggregation") instead of being walked anew at each sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    /// Highest, over its samples j, of the lesser of `right` at j and of `left` at all samples before j.
    pub(super) until: f64,
    /// Lowest `left` of all its samples.
    pub(super) left: f64,
}

impl Stretch {
    /// Of no samples.
    pub(super) const EMPTY: Self = Self { until: f64::NEG_INFINITY, left: f64::INFINITY };

    /// Of one sample.
    pub(super) fn sample(left: f64, right: f64) -> Self {
        Self { until: right, left }
    }

    /// This stretch, then `later`.
    pub(super) fn then(self, later: Self) -> Self {
        Self {
            until: greater(self.until, lesser(self.left, later.until)),
            left: lesser(self.left, later.left),
        }
    }
}

/// `left until[from, to] right` over a sliding window, `left` over the samples from now until before `right`.
///
/// With `m = k + from`: `min(lowest left of [k, m), stretch of [m, k + to])`, exact because `left` enters only as a minimum.
#[derive(Debug)]
pub(super) struct UntilWindow {
    /// Samples from the oldest on, newest at the bottom: own `left`, and the stretch from it to the bottom.
    front: Vec<(f64, Stretch)>,
    /// Samples after those, oldest at the bottom: `left`, `right`.
    back: Vec<(f64, f64)>,
    back_stretch: Stretch,
    /// Number of the oldest sample of the two stacks.
    first: u64,
    /// `-left` of the samples between now and `from`.
    before: Highest,
}

impl UntilWindow {
    /// Empty.
    pub(super) fn new() -> Self {
        Self {
            front: Vec::new(),
            back: Vec::new(),
            back_stretch: Stretch::EMPTY,
            first: 0,
            before: Highest::default(),
        }
    }

    /// Takes in the newest sample.
    pub(super) fn push(&mut self, left: f64, right: f64) {
        self.back.push((left, right));
        self.back_stretch = self.back_stretch.then(Stretch::sample(left, right));
    }

    /// The robustness at sample `now`, whose interval begins `from` samples later and ends with the newest sample.
    /// `now` must not go back.
    pub(super) fn value(&mut self, now: u64, from: u64) -> f64 {
        while self.first < now + from {
            let Some(left) = self.pop() else { break };
            self.before.push(self.first, -left);
            self.first += 1;
        }
        self.before.begin_at(now);
        let front = self.front.last().map_or(Stretch::EMPTY, |&(_, stretch)| stretch);
        lesser(-self.before.value(), front.then(self.back_stretch).until)
    }

    /// Takes the oldest sample out of the two stacks and gives its `left`.
    fn pop(&mut self) -> Option<f64> {
        if self.front.is_empty() {
            let mut stretch = Stretch::EMPTY;
            for &(left, right) in self.back.iter().rev() {
                stretch = Stretch::sample(left, right).then(stretch);
                self.front.push((left, stretch));
            }
            self.back.clear();
            self.back_stretch = Stretch::EMPTY;
        }
        self.front.pop().map(|(left, _)| left)
    }

    /// Empties the window; keeps its memory.
    pub(super) fn clear(&mut self) {
        self.front.clear();
        self.back.clear();
        self.back_stretch = Stretch::EMPTY;
        self.first = 0;
        self.before.clear();
    }
}

impl Clone for UntilWindow {
    fn clone(&self) -> Self {
        Self {
            front: self.front.clone(),
            back: self.back.clone(),
            before: self.before.clone(),
            back_stretch: self.back_stretch,
            first: self.first,
        }
    }

    fn clone_from(&mut self, source: &Self) {
        self.front.clone_from(&source.front);
        self.back.clone_from(&source.back);
        self.before.clone_from(&source.before);
        (self.back_stretch, self.first) = (source.back_stretch, source.first);
    }
}

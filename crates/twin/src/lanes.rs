//! Lanes: several simulations of the same system side by side, and one-bit-a-lane masks.
//!
//! Contract: every function works lane by lane with the same operations in the same order, whatever the other lanes do, so that
//! a lane's bits do not depend on how many lanes there are.

/// One number for each lane.
pub type Lane<const L: usize> = [f64; L];

/// One bit for each lane; at most sixteen lanes run side by side.
pub type Mask = u16;

/// Most lanes that a [`Mask`] can hold.
pub const MOST_LANES: usize = 16;

/// The mask with all of the first `L` lanes set.
pub const fn all<const L: usize>() -> Mask {
    if L >= MOST_LANES { Mask::MAX } else { (1 << L) - 1 }
}

/// The bit of lane `l`.
pub const fn bit(l: usize) -> Mask {
    1 << l
}

/// All lanes or none.
pub const fn spread<const L: usize>(on: bool) -> Mask {
    if on { all::<L>() } else { 0 }
}

/// Whether lane `l` is set.
pub const fn has(mask: Mask, l: usize) -> bool {
    mask >> l & 1 != 0
}

/// Sets or clears lane `l`.
pub fn put(mask: &mut Mask, l: usize, on: bool) {
    *mask = *mask & !bit(l) | (on as Mask) << l;
}

/// Packs a test of each lane.
#[inline(always)]
pub fn pack<const L: usize>(test: impl Fn(usize) -> bool) -> Mask {
    let mut mask = 0;
    for l in 0..L {
        mask |= (test(l) as Mask) << l;
    }
    mask
}

/// 1.0 where set, else 0.0.
#[inline(always)]
pub fn unpack<const L: usize>(mask: Mask) -> Lane<L> {
    let mut out = [0.0; L];
    for (l, x) in out.iter_mut().enumerate() {
        *x = (mask >> l & 1) as f64;
    }
    out
}

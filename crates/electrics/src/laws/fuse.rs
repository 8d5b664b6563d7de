//! Fuses and the wire that each protects.

/// Rated currents that are sold, A (IEC 60127 and blade fuses).
pub const RATINGS: [f64; 16] =
    [0.25, 0.5, 0.8, 1.0, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 13.0, 16.0, 20.0];

/// Least cross-section of a flexible cord by rated current, mm² (IEC 60335-1 table 11, from memory).
const CORDS: [(f64, f64); 7] =
    [(0.2, 0.25), (3.0, 0.5), (6.0, 0.75), (10.0, 1.0), (16.0, 1.5), (25.0, 2.5), (32.0, 4.0)];
/// The same for low voltage in an enclosure: two amperes for the thin ones, as for wires in bundles (common practice, no source).
const LOW: [(f64, f64); 9] = [
    (0.5, 0.14),
    (1.5, 0.25),
    (2.5, 0.34),
    (4.0, 0.5),
    (6.3, 0.75),
    (10.0, 1.0),
    (16.0, 1.5),
    (20.0, 2.5),
    (32.0, 4.0),
];

/// The fuse for a load: a quarter above its steady current, and not blown by its inrush.
///
/// A slow fuse (T, IEC 60127-2) carries ten times its rating for 10 ms and four times for 150 ms at the least (from memory). Below a
/// millisecond its heat counts, I²t: ten times for 10 ms is the same as thirty times for one.
pub fn choose(amps: f64, inrush: f64, inrush_s: f64) -> Option<f64> {
    let bears = if inrush_s <= 0.001 {
        30.0
    } else if inrush_s <= 0.02 {
        10.0
    } else if inrush_s <= 0.15 {
        4.0
    } else {
        2.0
    };
    RATINGS.into_iter().find(|rating| *rating >= 1.25 * amps && rating * bears >= inrush)
}

/// Least cross-section that a fuse of this rating protects, mm².
pub fn least_mm2(fuse_a: f64, mains: bool) -> f64 {
    let table: &[(f64, f64)] = if mains { &CORDS } else { &LOW };
    table.iter().find(|(amps, _)| fuse_a <= *amps).map_or(6.0, |(_, mm2)| *mm2)
}

/// Current at which a circuit breaker of type B may open at once, A: three times its rating (IEC 60898-1).
pub fn breaker_instant(rated: f64) -> f64 {
    3.0 * rated
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fuse_bears_its_load() {
        // 38 W at 230 V and power factor 0.5: 0.33 A running, 1 A for 200 ms.
        assert_eq!(choose(0.33, 1.0, 0.2), Some(0.5));
        // A lamp driver: 60 A for 0.3 ms asks for 2 A, 60 A for 10 ms for 6.3 A.
        assert_eq!(choose(0.5, 60.0, 0.0003), Some(2.0));
        assert_eq!(choose(0.5, 60.0, 0.01), Some(6.3));
        assert_eq!(choose(30.0, 30.0, 1.0), None);
    }

    /// IEC 60335-1 table 11: 0.75 mm² to 6 A, 1.0 mm² to 10 A, 1.5 mm² to 16 A (from memory).
    #[test]
    fn cords_are_those_of_the_standard() {
        assert_eq!((least_mm2(6.0, true), least_mm2(10.0, true), least_mm2(16.0, true)), (0.75, 1.0, 1.5));
        assert_eq!(least_mm2(1.0, false), 0.25);
        assert_eq!(breaker_instant(10.0), 30.0);
    }
}

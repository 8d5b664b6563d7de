//! Heat and room in a closed box.

/// Heat that a square metre of box passes to the air per kelvin, W/(m² K): sheet or plastic in still air, 5.5 (common practice of
/// enclosure makers, IEC TR 60890 in the large).
const PER_AREA: f64 = 5.5;
/// Openings at top and bottom halve the rise (common practice, no source).
const VENTED: f64 = 0.5;

/// How much warmer the air inside is, K, with so many watts; sides in metres, standing on a wall: its back does not count.
pub fn rise(watts: f64, sides: [f64; 3], vented: bool) -> f64 {
    let [w, h, d] = sides;
    let area = w * h + 2.0 * h * d + 2.0 * w * d;
    let rise = watts / (PER_AREA * area.max(1e-6));
    if vented { rise * VENTED } else { rise }
}

/// Way that a door of this width needs before its edge meets something, m, to open by a right angle.
pub fn door_needs(width: f64) -> f64 {
    width
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 400 x 300 x 120 mm: 0.12 + 0.072 + 0.096 = 0.288 m²; 10 W: 6.3 K.
    #[test]
    fn a_small_box_with_ten_watts() {
        assert!((rise(10.0, [0.4, 0.3, 0.12], false) - 6.313).abs() < 0.01);
        assert!((rise(10.0, [0.4, 0.3, 0.12], true) - 3.157).abs() < 0.01);
        assert_eq!(door_needs(0.4), 0.4);
    }
}

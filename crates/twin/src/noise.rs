//! Noise by counter: a number depends only on (seed, source, scan), so a fault in one place never shifts the noise of another.

/// SplitMix64's finaliser (Steele, Lea & Flood, OOPSLA 2014): one word in, one well-mixed word out.
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Noise of standard deviation 1 and mean 0, bounded by ±3.46: the sum of four uniform 16-bit numbers (Irwin-Hall, n = 4),
/// close enough to normal for a probe and cheap enough for each scan.
#[inline]
pub fn noise(seed: u64, source: u64, scan: u64) -> f64 {
    let z = mix(
        seed ^ mix(source.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ scan.wrapping_mul(0xd134_2543_de82_ef95))
    );
    let sum = (z & 0xffff) + (z >> 16 & 0xffff) + (z >> 32 & 0xffff) + (z >> 48);
    // Sum of four uniforms on 0..1 has mean 2 and variance 4/12.
    (sum as f64 / 65_535.0 - 2.0) * 1.732_050_807_568_877_2
}

#[cfg(test)]
mod tests {
    use super::noise;

    #[test]
    fn has_the_stated_moments() {
        let n = 100_000_u64;
        let (mut sum, mut square) = (0.0, 0.0);
        for scan in 0..n {
            let x = noise(7, 3, scan);
            sum += x;
            square += x * x;
        }
        assert!((sum / n as f64).abs() < 0.01);
        assert!((square / n as f64 - 1.0).abs() < 0.02);
    }

    #[test]
    fn sources_and_seeds_are_independent() {
        let n = 20_000_u64;
        let correlation =
            |f: &dyn Fn(u64) -> (f64, f64)| (0..n).map(f).map(|(a, b)| a * b).sum::<f64>() / n as f64;
        assert!(correlation(&|k| (noise(1, 2, k), noise(1, 3, k))).abs() < 0.03);
        assert!(correlation(&|k| (noise(1, 2, k), noise(2, 2, k))).abs() < 0.03);
        assert!(correlation(&|k| (noise(1, 2, k), noise(1, 2, k + 1))).abs() < 0.03);
    }
}

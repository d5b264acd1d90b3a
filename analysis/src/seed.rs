//! Chance with a seed: the same seed gives the same numbers, on every machine.
//!
//! The generator is xoshiro256** (Blackman and Vigna, 2018), its state filled by SplitMix64 (Steele, Lea and Flood,
//! 2014); both were put into the public domain by their authors. Written here from their description, and checked
//! against the published first outputs. Everything below uses integers and exactly rounded arithmetic only.

/// SplitMix64: turns one number into a well-mixed sequence. Used to fill the state of [`Seeded`].
fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A generator of pseudo-random numbers; not for secrets.
///
/// ```
/// use tallyhook_analysis::seed::Seeded;
/// let (mut a, mut b) = (Seeded::new(7), Seeded::new(7));
/// assert_eq!(a.next_u64(), b.next_u64());
/// ```
#[derive(Clone, Debug)]
pub struct Seeded([u64; 4]);

impl Seeded {
    /// The generator of a seed.
    pub fn new(seed: u64) -> Self {
        let mut mix = seed;
        Seeded(std::array::from_fn(|_| split_mix(&mut mix)))
    }

    /// The next 64 bits.
    pub fn next_u64(&mut self) -> u64 {
        let s = &mut self.0;
        let out = s[1].wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// A fraction, evenly spread over 0 (included) to 1 (not included), in steps of 2⁻⁵³.
    pub fn fraction(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A whole number from 0 to `n - 1`; 0 for `n` of 0. The bias is below n/2⁶⁴.
    pub fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next_u64()) * n as u128) >> 64) as usize
    }

    /// A draw that is normal with mean 0 and variance 1 to within what a forecast can tell: the sum of twelve even
    /// draws of 16 bits, less its mean. Its kurtosis is 2.9 instead of 3 and nothing lies beyond 6.
    pub fn normal(&mut self) -> f64 {
        let mut sum = 0_u64;
        for _ in 0..3 {
            let bits = self.next_u64();
            sum += (bits & 0xffff) + (bits >> 16 & 0xffff) + (bits >> 32 & 0xffff) + (bits >> 48);
        }
        // Twelve draws of mean 65535/2, each of variance (2^32 - 1)/12.
        (sum as f64 - 6.0 * 65_535.0) / 65_536.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_the_published_first_outputs() {
        // xoshiro256** from the state 1, 2, 3, 4, and SplitMix64 from 1234567: test vectors of the public reference code.
        let mut x = Seeded([1, 2, 3, 4]);
        let first: Vec<u64> = (0..5).map(|_| x.next_u64()).collect();
        assert_eq!(first, [11_520, 0, 1_509_978_240, 1_215_971_899_390_074_240, 1_216_172_134_540_287_360]);
        let mut state = 1_234_567;
        assert_eq!(split_mix(&mut state), 6_457_827_717_110_365_317);
        assert_eq!(split_mix(&mut state), 3_203_168_211_198_807_973);
    }

    #[test]
    fn the_normal_draw_has_the_normal_quantiles() {
        let mut x = Seeded::new(1);
        let n = 200_000;
        let mut draws: Vec<f64> = (0..n).map(|_| x.normal()).collect();
        draws.sort_by(f64::total_cmp);
        for (share, quantile) in [(0.05, -1.6449), (0.1, -1.2816), (0.5, 0.0), (0.9, 1.2816), (0.95, 1.6449)] {
            let at = draws[(share * n as f64) as usize];
            assert!((at - quantile).abs() < 0.02, "{share}: {at}");
        }
        let variance = draws.iter().map(|d| d * d).sum::<f64>() / n as f64;
        assert!((variance - 1.0).abs() < 0.02, "{variance}");
    }

    #[test]
    fn below_reaches_every_number_and_no_other() {
        let mut x = Seeded::new(3);
        let mut seen = [0_u32; 7];
        (0..7_000).for_each(|_| seen[x.below(7)] += 1);
        assert!(seen.iter().all(|&n| (800..1200).contains(&n)), "{seen:?}");
        assert_eq!(x.below(0), 0);
        assert!((0..1000).all(|_| (0.0..1.0).contains(&x.fraction())));
    }
}

//! Random numbers whose stream will never change, so that a committed site can always be remade.

use std::f64::consts::TAU;

/// The splitmix64 generator: small, fast, and fixed by its definition rather than by a library's version.
pub struct Random(u64);

impl Random {
    /// A stream of its own for each seed and place, so that blocks can be made in any order.
    pub fn new(seed: u64, place: [u64; 3]) -> Self {
        let mut random = Random(seed);
        for part in place {
            random.0 = random.next() ^ part.wrapping_mul(0xD6E8_FEB8_6659_FD93);
        }
        random
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform from 0 (included) to 1 (not).
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + self.unit() * (high - low)
    }

    /// True once in so many times.
    pub fn once_in(&mut self, n: f64) -> bool {
        self.unit() * n < 1.0
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller), through libm: the standard library's
    /// logarithm and cosine may differ in the last bit between systems.
    pub fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        radius * libm::cos(TAU * self.unit())
    }

    /// The place of a draw in a list of weights that add up to 1.
    pub fn choose(&mut self, weights: &[f64]) -> usize {
        let mut left = self.unit();
        for (place, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return place;
            }
        }
        weights.len() - 1
    }
}

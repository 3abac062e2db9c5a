//! Random numbers that a seed decides, and Gaussian fields made of them.
#![allow(dead_code)]

use std::f64::consts::{PI, TAU};

use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

/// A standard normal number (Box and Muller).
pub fn normal(random: &mut SmallRng) -> f64 {
    let (a, b): (f64, f64) = (random.random(), random.random());
    (-2.0 * (1.0 - a).ln()).sqrt() * (TAU * b).cos()
}

/// Normal and uniform random numbers that a seed decides.
pub struct Normal(SmallRng);

impl Normal {
    pub fn new(seed: u64) -> Self {
        Normal(SmallRng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        self.0.random()
    }

    pub fn next(&mut self) -> f64 {
        normal(&mut self.0)
    }

    pub fn generator(&mut self) -> &mut SmallRng {
        &mut self.0
    }
}

/// A wave: wave numbers east and north, and phase.
pub type Wave = [f64; 3];

/// A wave of a field of correlation exp(−3 h / range): directions are even, wave numbers follow its spectrum, whose
/// distribution function is 1 − 1/√(1 + (k a)²) with a = range / 3.
pub fn field_wave(random: &mut SmallRng, range: f64) -> Wave {
    let share: f64 = random.random();
    let k = ((1.0 - share).powi(-2) - 1.0).sqrt() / (range / 3.0);
    let direction = random.random::<f64>() * TAU;
    [k * direction.cos(), k * direction.sin(), random.random::<f64>() * TAU]
}

/// A wave of a smooth field, of correlation exp(−3 (h / range)²): wave numbers east and north are normal.
pub fn smooth_wave(random: &mut SmallRng, range: f64) -> Wave {
    let spread = 6f64.sqrt() / range;
    [spread * normal(random), spread * normal(random), random.random::<f64>() * TAU]
}

/// The same as of a field along one direction: wave numbers of a Cauchy distribution.
pub fn stripe_wave(random: &mut SmallRng, range: f64, [east, north]: [f64; 2]) -> Wave {
    let k = (PI * (random.random::<f64>() - 0.5)).tan() / (range / 3.0);
    [k * east, k * north, random.random::<f64>() * TAU]
}

/// The sum of waves at a place: of unit variance.
pub fn sum_of(waves: &[Wave], x: f64, y: f64) -> f64 {
    let sum: f64 = waves.iter().map(|[kx, ky, phase]| (kx * x + ky * y + phase).cos()).sum();
    sum * (2.0 / waves.len() as f64).sqrt()
}

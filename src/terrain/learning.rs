//! Bias and SD of each return, learned on one half of the site and tested on the other.

use crate::stats::moments::Moments;
use crate::units::Micrometres;

/// Fewest residuals that a return's bias and SD are learned from. At 30 an SD has a standard error of
/// 1/√(2 · 29) = 13 % (normal distribution).
pub const LEARN_FROM: u64 = 30;

/// Bias and SD of a return, as learned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    /// Mean of dz, micrometres.
    pub bias: f64,
    /// Standard deviation of dz, micrometres: of the survey and of the reference together.
    pub sd: f64,
}

/// What is learned by return number.
pub type ByReturn = [Option<Learned>; 16];

/// The fold of a position, 0 or 1: blocks of `edge` micrometres, aligned to multiples of it from coordinate zero, take
/// turns like the squares of a chessboard.
#[inline]
pub fn fold_of(x: Micrometres, y: Micrometres, edge: Micrometres) -> usize {
    ((x.div_euclid(edge) + y.div_euclid(edge)) & 1) as usize
}

/// Residuals of the points of each fold by return number.
#[derive(Clone, Debug, PartialEq)]
pub struct Learning {
    edge: Micrometres,
    folds: [[Moments; 16]; 2],
}

impl Learning {
    /// Nothing learned yet, with blocks of `edge` micrometres.
    pub fn new(edge: Micrometres) -> Self {
        Learning { edge, folds: Default::default() }
    }

    /// Adds the dz of a ground point of the survey.
    pub fn add(&mut self, x: Micrometres, y: Micrometres, return_number: u8, dz: Micrometres) {
        self.folds[fold_of(x, y, self.edge)][usize::from(return_number & 15)].add(dz);
    }

    /// Adds what another part of the site taught.
    pub fn merge(&mut self, other: &Learning) {
        let theirs = other.folds.iter().flatten();
        self.folds.iter_mut().flatten().zip(theirs).for_each(|(a, b)| a.merge(b));
    }

    /// What may be used in each fold: learned in the other one. Nothing for a return with too few residuals there.
    pub fn for_folds(&self) -> [ByReturn; 2] {
        [1, 0].map(|other: usize| {
            self.folds[other].map(|of| {
                let enough = of.n >= LEARN_FROM;
                of.mean().zip(of.sd()).filter(|_| enough).map(|(bias, sd)| Learned { bias, sd })
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_fold_is_judged_by_what_the_other_taught() {
        assert_eq!(
            [(5, 5), (-5, 5), (-5, -5), (15, 5), (-15, 5)].map(|(x, y)| fold_of(x, y, 10)),
            [0, 1, 0, 1, 0]
        );
        let mut parts = [Learning::new(10), Learning::new(10)];
        for i in 0..30 {
            parts[i as usize % 2].add(5, 5, 1, 100 + i % 2 * 2);
            parts[i as usize % 2].add(15, 5, 1, -50 + i % 2 * 4);
        }
        parts[0].add(5, 5, 2, 7);
        let [mut all, other] = parts;
        all.merge(&other);
        let [first, second] = all.for_folds();
        assert_eq!((first[1].unwrap().bias, second[1].unwrap().bias), (-48.0, 101.0));
        assert!((second[1].unwrap().sd - (30.0f64 / 29.0).sqrt()).abs() < 1e-12);
        assert_eq!((first[2], second[2]), (None, None));
    }
}

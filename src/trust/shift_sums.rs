//! Sums over all comparisons from which their figures with a shift in plan taken out follow, whatever the shift.

use crate::stages::compared::Compared;
use crate::stats::moments::Moments;
use crate::tile::gradient::Gradient;

/// Whole sums over the comparisons of known slope: of gradients in steps of [`Gradient::STEP`], and of their products with each
/// other and with dz in micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SlopeSums {
    n: i128,
    rises: [i128; 2],
    /// East × east, east × north, north × north.
    products: [i128; 3],
    /// dz × east, dz × north.
    with_dz: [i128; 2],
}

impl SlopeSums {
    /// Adds a comparison. Where its slope is not known a shift leaves it as it is.
    #[inline]
    pub fn add(&mut self, one: &Compared) {
        let Some(Gradient { east, north }) = one.gradient else { return };
        let [east, north] = [east, north].map(i64::from);
        self.n += 1;
        self.rises[0] += i128::from(east);
        self.rises[1] += i128::from(north);
        self.products[0] += i128::from(east * east);
        self.products[1] += i128::from(east * north);
        self.products[2] += i128::from(north * north);
        // dz fits 40 bits.
        self.with_dz[0] += i128::from(one.dz * east);
        self.with_dz[1] += i128::from(one.dz * north);
    }

    /// Adds those of others.
    pub fn merge(&mut self, other: &SlopeSums) {
        self.n += other.n;
        for i in 0..2 {
            self.rises[i] += other.rises[i];
            self.with_dz[i] += other.with_dz[i];
        }
        (0..3).for_each(|i| self.products[i] += other.products[i]);
    }
}

/// What figures without a shift follow from.
#[derive(Clone, Copy, Debug, Default)]
pub struct ShiftSums {
    /// Moments of dz over all comparisons, micrometres.
    pub dz: Moments,
    /// Sums over those of known slope.
    pub slopes: SlopeSums,
}

/// Figures in micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WithoutShift {
    /// Mean.
    pub bias: f64,
    /// Sample standard deviation; none of one comparison.
    pub sd: Option<f64>,
    /// Root mean square.
    pub rmse: f64,
}

impl ShiftSums {
    /// Whether the slope is known anywhere.
    pub fn is_sloped(&self) -> bool {
        self.slopes.n > 0
    }

    /// Root mean square of the slopes that are known, rise over run.
    pub fn slope_rms(&self) -> Option<f64> {
        let SlopeSums { n, products, .. } = self.slopes;
        let squares = (products[0] + products[2]) as f64;
        self.is_sloped().then(|| (squares / n as f64).sqrt() * Gradient::STEP)
    }

    /// Sums of squares about the means, divided by n: of dz, of what the shift adds, and of the product of both.
    fn about_means(&self, [east, north]: [f64; 2]) -> [f64; 3] {
        let SlopeSums { rises, products, with_dz, .. } = self.slopes;
        let n = self.dz.n as f64;
        // The whole part of the mean is taken off first, so that products with a large bias lose nothing.
        let whole = self.dz.mean().unwrap_or(0.0).floor() as i128;
        let (rest, squares) = self.dz.about(whole);
        let (rest, squares) = (rest as f64 / n, squares as f64 / n);
        let dz = (squares - rest * rest).max(0.0);
        let [mean_east, mean_north] = rises.map(|sum| sum as f64 / n);
        let [ee, en, nn] = products.map(|sum| sum as f64 / n);
        let (ee, en, nn) =
            (ee - mean_east * mean_east, en - mean_east * mean_north, nn - mean_north * mean_north);
        let with = |i: usize, mean: f64| (with_dz[i] - whole * rises[i]) as f64 / n - rest * mean;
        let [with_east, with_north] = [with(0, mean_east), with(1, mean_north)];
        // The shift adds −(east ∂z/∂x + north ∂z/∂y).
        let [a, b] = [east, north].map(|shift| -shift * Gradient::STEP);
        let added = (a * a * ee + 2.0 * a * b * en + b * b * nn).max(0.0);
        [dz, added, a * with_east + b * with_north]
    }

    /// Standard deviation that a shift (micrometres) adds to dz.
    pub fn adds_sd(&self, shift: [f64; 2]) -> f64 {
        self.about_means(shift)[1].sqrt()
    }

    /// Share of the variance of dz that goes when a shift is taken out, at least 0.
    pub fn share_explained(&self, shift: [f64; 2]) -> Option<f64> {
        let [dz, added, both] = self.about_means(shift);
        (dz > 0.0).then(|| ((2.0 * both - added) / dz).max(0.0))
    }

    /// The figures with a shift taken out; nothing without comparisons.
    pub fn without(&self, shift: [f64; 2]) -> Option<WithoutShift> {
        let n = self.dz.n as f64;
        let [dz, added, both] = self.about_means(shift);
        let rise = |i: usize| shift[i] * Gradient::STEP * self.slopes.rises[i] as f64 / n;
        let bias = self.dz.mean()? + rise(0) + rise(1);
        let variance = (dz + added - 2.0 * both).max(0.0);
        Some(WithoutShift {
            bias,
            sd: (self.dz.n > 1).then(|| (variance * n / (n - 1.0)).sqrt()),
            rmse: (variance + bias * bias).sqrt(),
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tile::strata::Strata;

    proptest! {
        /// Against the figures of each dz with its own share of the shift taken out, whatever the order and the level.
        #[test]
        fn the_figures_are_those_of_every_comparison_without_its_share(
            all in proptest::collection::vec((-90_000i64..90_000, proptest::option::of((-0.8f64..0.8, -0.8f64..0.8))), 2..60),
            level in -3_000_000_000i64..3_000_000_000, shift in (-200_000.0f64..200_000.0, -200_000.0f64..200_000.0), cut in 0usize..60,
        ) {
            let compared = |(dz, rises): &(i64, Option<(f64, f64)>)| Compared {
                x: 0, y: 0, dz: level + dz, headroom: None,
                gradient: rises.map(|(east, north)| Gradient::of([east, north])), local_gradient: None, strata: Strata::default(),
            };
            let all: Vec<Compared> = all.iter().map(compared).collect();
            let sum = |part: &[Compared]| part.iter().fold(SlopeSums::default(), |mut sums, one| { sums.add(one); sums });
            let cut = cut % all.len();
            let mut slopes = sum(&all[cut..]);
            slopes.merge(&sum(&all[..cut]));
            prop_assert_eq!(slopes, sum(&all));
            let mut sums = ShiftSums { slopes, ..ShiftSums::default() };
            all.iter().for_each(|one| sums.dz.add(one.dz));
            let shift = [shift.0, shift.1];
            let left = |one: &Compared| {
                let [east, north] = one.gradient.map_or([0.0; 2], |g| [g.east, g.north].map(|rise| f64::from(rise) * Gradient::STEP));
                (one.dz - level) as f64 + shift[0] * east + shift[1] * north
            };
            let n = all.len() as f64;
            let mean = |of: &dyn Fn(&Compared) -> f64| all.iter().map(of).sum::<f64>() / n;
            let bias = mean(&left);
            let squares = |of: &dyn Fn(&Compared) -> f64, about: f64| mean(&|one| (of(one) - about).powi(2));
            let variance = squares(&left, bias);
            let found = sums.without(shift).unwrap();
            prop_assert!((found.bias - level as f64 - bias).abs() < 1e-3);
            prop_assert!((found.sd.unwrap() - (variance * n / (n - 1.0)).sqrt()).abs() < 1e-2 + 1e-6 * variance.sqrt());
            prop_assert!((found.rmse / ((bias + level as f64).powi(2) + variance).sqrt() - 1.0).abs() < 1e-6);
            let raw = |one: &Compared| (one.dz - level) as f64;
            let before = squares(&raw, mean(&raw));
            if before > 1e6 {
                let share = sums.share_explained(shift).unwrap();
                prop_assert!((share - (1.0 - variance / before).max(0.0)).abs() < 1e-5, "{} {}", share, 1.0 - variance / before);
            }
        }
    }
}

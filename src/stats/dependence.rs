//! What kind of error neighbouring residuals share, weighed by how well each kind explains the means of cells.
//!
//! The error of a bias that was found on part of a survey is the difference of two means: over the comparisons, and over
//! all delivered ground. Its variance follows from how the error is correlated, which is not known: over some metres, or
//! over hundreds; in stripes along track; strip by strip. So all of these are tried, on a ladder of lengths and of strengths
//! beside the uncorrelated error, and each counts as much as its restricted likelihood (Patterson and Thompson 1971, from
//! memory) says. An interval is one of the mixture of t distributions that results: it is as wide as what the sample cannot
//! exclude. Priors: each rung of a ladder alike; strips, and stripes seen in a few places apart, alike over their standard
//! deviation. For SD and RMSE lengths beyond what the comparisons span count the less the longer they
//! are: there the residuals tell variance over length alone, and nothing keeps the variance that the site would have from growing
//! with the length. A prior that is made to say least falls alike (as the inverse square of the length: Berger, De Oliveira and
//! Sansó 2001, from memory). Strips that were seen have the offsets that they show, whatever strips in general may have.

use libm::{exp, log};
use rayon::prelude::*;

use crate::stats::kinds::{Kind, Structure, structures};
use crate::stats::layout::Layout;
use crate::stats::likelihood::{Fit, likelihood};
use crate::stats::mixture::probabilities;

/// Variance of the correlated error of a cell over that of its uncorrelated one.
const STRENGTHS: [f64; 7] = [0.02, 0.1, 0.5, 2.5, 12.5, 62.5, 312.5];
/// By which power of its strength a difference between a few strips or stripes counts more: all standard deviations alike, as the
/// variance of a few is hardly known (Gelman 2006, from memory).
const FOR_FEW: f64 = 0.5;
/// Degrees of freedom at the most, however many cells there are: correlated ones come to fewer; of stripes or strips few are
/// seen. Five to ten and twelve hold the truth on sites like those of `tests/README.md` (simulated).
const DF_OF_FEW: f64 = 7.0;
const DF_OF_FIELDS: f64 = 12.0;
/// The same of stripes seen in places apart from each other, as of plots: as many as the places, but no fewer than this.
const DF_OF_PLACES: f64 = 3.0;
/// The same of squares of few, above: one strip or stripe that was not seen may make most of them, and none makes them less.
const DF_OF_FEW_SQUARES: f64 = 3.0;
/// Strips that were seen differ by so many times the variance that their means show, as the means err themselves. With no more than
/// they show the upper end of the SD lay below the truth on 5 to 7 % of sites with eight and twelve strips (simulated).
const SPARE: f64 = 2.0;
/// By which power of a length beyond the span it counts less for SD and RMSE. With 1 one block is up to 2.2 times as wide as need be,
/// with 2 the upper end of its SD lay below the truth on 3 to 7 % of sites (simulated).
const LESS: f64 = 1.5;
/// How much more likely (as a logarithm) than no shared error a kind must be to be named. With some ten kinds tried, pure
/// noise comes to as much about once in a hundred times (chi-square with one degree of freedom at 10, halved).
const EVIDENT: f64 = 5.0;
/// How much less likely (as a logarithm) than the best a length may be and is not excluded: 95 % of chi-square with one degree
/// of freedom, halved.
const NOT_EXCLUDED: f64 = 1.92;

/// How much the strips with residuals differ, variances in µm².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StripSpread {
    /// As their means show it.
    pub shown: f64,
    /// The most that they do not exclude (at 95 %, one-sided) for strips in general.
    pub most: f64,
}

/// The kinds of shared error that a sample does not exclude.
pub struct Dependence {
    structures: Vec<Structure>,
    /// The most that the strips with residuals differ by, a variance in µm².
    most_of_seen: f64,
    /// Fits with their probabilities, those that count.
    fits: Vec<(f64, Fit)>,
    /// The same for what squares of errors tell.
    fits_of_squares: Vec<(f64, Fit)>,
    cells: usize,
    /// Degrees of freedom of the means of cells.
    pub df: f64,
    /// The most likely kind where one is much more likely than none.
    pub evident: Option<Kind>,
    /// Expected covariance of the correlated error between cells, µm².
    pub covariance: Vec<f64>,
    /// Expected variance of the uncorrelated error of a cell, µm².
    pub alone: f64,
}

/// How the residuals of a group, and the ground that they stand for, lie over the cells.
#[derive(Clone, Debug)]
pub struct Weights {
    /// Shares of the residuals.
    pub sample: Vec<f64>,
    /// Shares of the ground; none where it is not known.
    pub ground: Vec<f64>,
    /// Factors of the uncorrelated variance in the variance of: the difference of the two means, the sample's, the ground's.
    pub alone: [f64; 3],
    /// The part of the ground that has residuals.
    pub covered: f64,
}

impl Weights {
    /// Of a group that has `n` residuals in each cell.
    pub fn new(layout: &Layout, n: &[f64]) -> Self {
        let all: f64 = n.iter().sum();
        let mut sample: Vec<f64> = n.iter().map(|n| n / all).collect();
        sample.resize(layout.cells.len(), 0.0);
        let mut ground = layout.ground.clone();
        if layout.knows_ground() {
            // Where there are residuals it is known how much of the ground the group has; elsewhere as much as there on average.
            let of_all: Vec<f64> = layout
                .sums
                .by_group()
                .iter()
                .map(|groups| groups.iter().map(|(_, s)| s.n as f64).sum())
                .collect();
            let average = all / of_all.iter().sum::<f64>();
            ground.iter_mut().enumerate().for_each(|(i, ground)| {
                *ground *= if i < layout.seen { n[i] / of_all[i] } else { average };
            });
            let total: f64 = ground.iter().sum();
            if total > 0.0 {
                ground.iter_mut().for_each(|ground| *ground /= total);
            }
        }
        let (mut own, mut whole, mut both, mut covered) = (0.0, 0.0, 0.0, 0.0);
        for (i, cell) in layout.cells.iter().enumerate() {
            whole += ground[i] * ground[i] * (layout.edge / cell.edge) * (layout.edge / cell.edge);
            if i < layout.seen {
                own += sample[i] * sample[i] * layout.sparse[i];
                both += sample[i] * ground[i];
                covered += ground[i] / layout.sparse[i];
            }
        }
        let alone = [(own + whole - 2.0 * both).max(0.0), own, whole];
        Weights { sample, ground, alone, covered: covered.clamp(0.0, 1.0) }
    }

    fn difference(&self) -> Vec<f64> {
        self.sample.iter().zip(&self.ground).map(|(a, b)| a - b).collect()
    }

    /// Effective number of cells with residuals.
    pub fn effective_cells(&self) -> f64 {
        1.0 / self.sample.iter().map(|w| w * w).sum::<f64>()
    }
}

/// Σ a_i c_ij b_j.
fn form(a: &[f64], c: &[f64], b: &[f64]) -> f64 {
    let m = a.len();
    let row = |i: usize| -> f64 { c[i * m..(i + 1) * m].iter().zip(b).map(|(c, b)| c * b).sum() };
    (0..m).filter(|&i| a[i] != 0.0).map(|i| a[i] * row(i)).sum()
}

/// Σ d_i (c_ij about the mean with weights `w`)² d_j: of squares of a Gaussian field, half their covariance.
fn form_of_squares(d: &[f64], c: &[f64], w: &[f64]) -> f64 {
    let m = d.len();
    let along: Vec<f64> =
        (0..m).map(|i| c[i * m..(i + 1) * m].iter().zip(w).map(|(c, w)| c * w).sum()).collect();
    let total: f64 = along.iter().zip(w).map(|(a, w)| a * w).sum();
    let mut sum = 0.0;
    for i in 0..m {
        let own = total - along[i];
        let row = c[i * m..(i + 1) * m].iter().zip(&along).zip(d);
        sum += d[i] * row.map(|((c, along), d)| (c - along + own) * (c - along + own) * d).sum::<f64>();
    }
    sum.max(0.0)
}

/// Of error of this covariance, in a group: the variance of the difference between the mean of the residuals and that of the
/// ground, by how much the variance of the ground exceeds that of the residuals, and the variance of the difference of mean
/// squares about the mean.
fn forms(c: &[f64], weights: &Weights) -> [f64; 3] {
    let d = weights.difference();
    let about = if weights.ground.iter().any(|w| *w > 0.0) { &weights.ground } else { &weights.sample };
    [
        form(&d, c, &d).max(0.0),
        form(&weights.sample, c, &weights.sample) - form(&weights.ground, c, &weights.ground),
        2.0 * form_of_squares(&d, c, about),
    ]
}

/// What the kinds of error say of one group's variances, µm² and µm⁴.
#[derive(Clone, Copy, Debug, Default)]
pub struct Spreads {
    /// Variance of the difference between the mean of the residuals and that of the ground.
    pub mean: f64,
    /// By how much the variance of the ground exceeds that of the residuals.
    pub excess: f64,
    /// Variance of the difference of the mean squares about the mean.
    pub about_mean: f64,
}

/// What one fit says of a group.
#[derive(Clone, Copy, Debug)]
pub struct ByFit {
    /// Its probability.
    pub probability: f64,
    /// Degrees of freedom of means.
    pub df: f64,
    /// The same of squares, below and above.
    pub df_of_squares: [f64; 2],
    /// Variances.
    pub spreads: Spreads,
}

impl Dependence {
    /// From the means of the cells with residuals about the mean of all. Strips differ by no more than `strips` says, if at
    /// all: where every cell has points of all strips, its mean does not tell. Nothing below three cells.
    pub fn new(layout: &Layout, means: &[f64], strips: Option<StripSpread>) -> Option<Self> {
        if layout.seen < 3 {
            return None;
        }
        let structures = structures(layout, means, strips.is_some());
        let of_structure = |(i, structure): (usize, &Structure)| -> Vec<Fit> {
            let strengths = STRENGTHS.iter().filter_map(move |&strength| {
                let mut fit = likelihood(layout, &structure.covariance, means, strength)?;
                if structure.kind == Kind::Strips && fit.shared > strips.map_or(0.0, |strips| strips.most) {
                    return None;
                }
                let is_of_few = structure.kind == Kind::Strips || structure.places > 1;
                let more = if is_of_few { FOR_FEW * log(strength) } else { 0.0 };
                fit.log_likelihood += log(structure.prior) + more;
                Some(Fit { structure: i, ..fit })
            });
            strengths.collect()
        };
        let fits: Vec<Vec<Fit>> = structures.par_iter().enumerate().map(of_structure).collect();
        let mut fits: Vec<Fit> = fits.into_iter().flatten().collect();
        let none = likelihood(layout, &structures[0].covariance, means, 0.0);
        let none_at = none.map_or(f64::NEG_INFINITY, |fit| fit.log_likelihood);
        let most_likely = fits.iter().fold(None, |best: Option<&Fit>, fit| match best {
            Some(best) if best.plain >= fit.plain => Some(best),
            _ => Some(fit),
        });
        let evident = most_likely.filter(|fit| fit.plain >= none_at + EVIDENT);
        let evident = evident.map(|fit| structures[fit.structure].kind);
        fits.extend(none);
        let span = layout.span();
        let of_squares = |fit: &Fit| match structures[fit.structure].kind {
            Kind::Field(length) => fit.log_likelihood + LESS * log((span / (3.0 * length)).min(1.0)),
            Kind::Stripes(_) | Kind::Strips => fit.log_likelihood,
        };
        let fits_of_squares = probabilities(fits.iter().map(|fit| (of_squares(fit), *fit)).collect())?;
        let fits = probabilities(fits.into_iter().map(|fit| (fit.log_likelihood, fit)).collect())?;
        let cells = layout.cells.len();
        let mut covariance = vec![0.0; cells * cells];
        let mut alone = 0.0;
        let most_of_seen = SPARE * strips.map_or(0.0, |strips| strips.shown);
        for (i, structure) in structures.iter().enumerate() {
            let of_structure = || fits.iter().filter(|(_, fit)| fit.structure == i);
            let weight: f64 = of_structure().map(|(p, fit)| p * fit.shared).sum();
            if weight > 0.0 {
                covariance.iter_mut().zip(&structure.covariance).for_each(|(sum, c)| *sum += weight * c);
            }
            let known: f64 = of_structure().map(|(p, fit)| p * (fit.shared - most_of_seen).max(0.0)).sum();
            if let Some(of_seen) = structure.of_seen.as_ref().filter(|_| known > 0.0) {
                covariance.iter_mut().zip(of_seen).for_each(|(sum, c)| *sum -= known * c);
            }
        }
        fits.iter().for_each(|(p, fit)| alone += p * fit.alone);
        let df = layout.seen as f64 - 1.0;
        Some(Dependence {
            structures,
            most_of_seen,
            fits,
            fits_of_squares,
            cells,
            df,
            evident,
            covariance,
            alone,
        })
    }

    /// How far error is shared as far as the means of cells tell, micrometres. Where neighbours evidently share error: where the
    /// longest correlation that is not much less likely than the best has fallen to 5 %. Else where what they may share is
    /// expected to have fallen to a tenth of the variance of a cell's mean. Stripes and strips are left out: they have no end
    /// along track.
    pub fn reach(&self) -> f64 {
        let fields = |(p, fit): &(f64, Fit)| match self.structures[fit.structure].kind {
            Kind::Field(length) => Some((*p, *fit, length)),
            Kind::Stripes(_) | Kind::Strips => None,
        };
        let fields: Vec<(f64, Fit, f64)> = self.fits.iter().filter_map(fields).collect();
        if self.evident.is_some() {
            let best = fields.iter().map(|(_, fit, _)| fit.plain).fold(f64::NEG_INFINITY, f64::max);
            let likely = fields.iter().filter(|(_, fit, _)| fit.plain >= best - NOT_EXCLUDED);
            let longest = likely.map(|(_, _, length)| *length).fold(0.0, f64::max);
            // Up to half way to the next rung.
            return 3.0 * longest * std::f64::consts::SQRT_2;
        }
        let whole: f64 = self.fits.iter().map(|(p, fit)| p * (fit.shared + fit.alone)).sum();
        let at =
            |h: f64| fields.iter().map(|(p, fit, length)| p * fit.shared * exp(-h / length)).sum::<f64>();
        let (mut near, mut far) = (0.0, 6.0 * fields.iter().map(|field| field.2).fold(0.0, f64::max));
        for _ in 0..48 {
            let middle = 0.5 * (near + far);
            if at(middle) > 0.1 * whole { near = middle } else { far = middle }
        }
        far
    }

    /// The expected variances of a group.
    pub fn expected(&self, weights: &Weights) -> Spreads {
        let [mean, excess, about_mean] = forms(&self.covariance, weights);
        self.spreads(weights, self.alone, 1.0, [mean, excess, about_mean])
    }

    fn spreads(
        &self,
        weights: &Weights,
        alone: f64,
        shared: f64,
        [mean, excess, squares]: [f64; 3],
    ) -> Spreads {
        Spreads {
            mean: alone * weights.alone[0] + shared * mean,
            excess: alone * (weights.alone[1] - weights.alone[2]) + shared * excess,
            about_mean: shared * shared * squares,
        }
    }

    /// The variances of a group by each fit, as fits count for the bias, and as they count for SD and RMSE.
    pub fn by_fit(&self, weights: &Weights) -> [Vec<ByFit>; 2] {
        let fits = [&self.fits, &self.fits_of_squares];
        let counts = |i: usize| fits.into_iter().flatten().any(|(_, fit)| fit.structure == i);
        let of_structure = |(i, structure): (usize, &Structure)| match counts(i) {
            true => forms(&structure.covariance, weights),
            false => [0.0; 3],
        };
        let by_structure: Vec<[f64; 3]> = self.structures.par_iter().enumerate().map(of_structure).collect();
        let one = |&(probability, fit): &(f64, Fit)| {
            let structure = &self.structures[fit.structure];
            let most = match structure.kind {
                Kind::Stripes(_) if structure.places > 1 => {
                    let places = (structure.places as f64).clamp(DF_OF_PLACES, DF_OF_FEW);
                    [places, DF_OF_FIELDS, DF_OF_FEW_SQUARES]
                }
                Kind::Stripes(_) | Kind::Strips => [DF_OF_FEW, DF_OF_FIELDS, DF_OF_FEW_SQUARES],
                Kind::Field(_) => [DF_OF_FIELDS; 3],
            };
            // The offsets of strips that were seen are no larger than they are, whatever strips in general may have.
            let forms = match &structure.of_seen {
                Some(of_seen) if fit.shared > self.most_of_seen => {
                    let known = 1.0 - self.most_of_seen / fit.shared;
                    let left = structure.covariance.iter().zip(of_seen).map(|(all, seen)| all - known * seen);
                    forms(&left.collect::<Vec<_>>(), weights)
                }
                _ => by_structure[fit.structure],
            };
            let spreads = self.spreads(weights, fit.alone, fit.shared, forms);
            let [df, below, above] = most.map(|most| self.df.min(most));
            ByFit { probability, df, df_of_squares: [below, above], spreads }
        };
        fits.map(|fits| fits.iter().map(one).collect())
    }

    /// What the mean of a group's residuals shows from cell to cell, on average: the expected sum over cells of the squares of
    /// (share · (cell's mean − mean)), where the residuals' own noise adds `noise` / n to the variance of a cell's mean.
    pub fn shown(&self, layout: &Layout, weights: &Weights, n: &[f64], noise: f64) -> f64 {
        let m = self.cells;
        let w = &weights.sample;
        let own = |i: usize| self.alone * layout.sparse[i] + if n[i] > 0.0 { noise / n[i] } else { 0.0 };
        let along = |i: usize| {
            let row = self.covariance[i * m..(i + 1) * m].iter().zip(w);
            row.map(|(c, w)| c * w).sum::<f64>() + own(i) * w[i]
        };
        let along: Vec<f64> = (0..layout.seen).map(along).collect();
        let total: f64 = along.iter().zip(w).map(|(a, w)| a * w).sum();
        (0..layout.seen)
            .map(|i| w[i] * w[i] * (self.covariance[i * m + i] + own(i) - 2.0 * along[i] + total))
            .sum()
    }
}

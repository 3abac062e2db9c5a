//! The kinds of error that neighbouring residuals may share: over some metres or over hundreds, in stripes along track, strip by
//! strip. Each says how cells of a site correlate.

use libm::{cos, exp, sin};
use rayon::prelude::*;

use crate::stats::averages::{Averages, symmetric};
use crate::stats::layout::Layout;
use crate::stats::likelihood::likelihood;

/// Shortest length of the ladder for correlation that is alike in all directions, in edges of a cell; it doubles from there.
/// Without rungs under an edge, cells that share a little with their neighbours would be taken to share it with all.
const FIRST_RUNG: f64 = 0.25;
/// Shortest length of correlation that is smooth, likewise: what varies faster looks like the other kind.
const FIRST_SMOOTH: f64 = 1.0;
/// Length of an exponential whose correlation falls to 5 % where that of the smooth kind, exp(−(h / length)²), does.
const AS_EXPONENTIAL: f64 = 0.577;
/// Weight of stripes, and of strips, where the rung of the shortest correlation has 1.
const STRIPES: f64 = 4.0;
const STRIPS: f64 = 8.0;
/// Lengths of stripes across, in edges of a cell.
const ACROSS: [f64; 4] = [0.5, 1.0, 2.0, 4.0];
/// Directions tried where none is known from strips.
const DIRECTIONS: usize = 8;
/// How much less likely (as a logarithm) than the best a direction of stripes may be and still counts.
const AS_LIKELY: f64 = 4.0;

/// A kind of shared error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// Alike in all directions, over a length in micrometres.
    Field(f64),
    /// In stripes, correlated across this direction.
    Stripes([f64; 2]),
    /// The same within a flight strip.
    Strips,
}

/// A kind of shared error and the covariance of cells that it means, of unit variance.
pub struct Structure {
    /// The kind.
    pub kind: Kind,
    /// How much it counts before anything is known.
    pub prior: f64,
    /// The covariance, row by row.
    pub covariance: Vec<f64>,
    /// The part of it by strips that have residuals, whose offsets are there to be seen.
    pub of_seen: Option<Vec<f64>>,
    /// In how many places apart across stripes the residuals lie.
    pub places: usize,
}

impl Structure {
    fn new(kind: Kind, prior: f64, covariance: Vec<f64>) -> Self {
        Structure { kind, prior, covariance, of_seen: None, places: 1 }
    }
}

/// All kinds of shared error that the layout allows to tell.
pub fn structures(layout: &Layout, means: &[f64], with_strips: bool) -> Vec<Structure> {
    let averages = Averages::new(layout);
    let field = |length: f64| averages.over_distance(&|h| exp(-h / length));
    let smooth = |length: f64| averages.over_distance(&|h| exp(-(h / length) * (h / length)));
    let lengths = |first: f64| {
        let doubled = std::iter::successors(Some(first * layout.edge), |length| Some(2.0 * length));
        doubled.take_while(|length| *length <= layout.diagonal().max(layout.edge))
    };
    let mut all = Vec::new();
    for length in lengths(FIRST_RUNG) {
        all.push(Structure::new(Kind::Field(length), 1.0, field(length)));
    }
    for length in lengths(FIRST_SMOOTH) {
        all.push(Structure::new(Kind::Field(AS_EXPONENTIAL * length), 1.0, smooth(length)));
    }
    // Stripes and strips come with and without a field of short range beside them.
    let short = field(1.5 * layout.edge);
    let with_and_without = |kind: Kind, prior: f64, covariance: Vec<f64>, all: &mut Vec<Structure>| {
        let both = covariance.iter().zip(&short).map(|(a, b)| a + b).collect();
        all.push(Structure::new(kind, prior / 2.0, covariance));
        all.push(Structure::new(kind, prior / 2.0, both));
    };
    let striped = |across: [f64; 2], length: f64| averages.along(across, &|h| exp(-h / length));
    let candidates: Vec<[f64; 2]> = match layout.along_strips() {
        Some([east, north]) => vec![[-north, east], [east, north]],
        None => (0..DIRECTIONS)
            .map(|i| std::f64::consts::PI * i as f64 / DIRECTIONS as f64)
            .map(|angle| [cos(angle), sin(angle)])
            .collect(),
    };
    // Directions in which stripes explain hardly anything beside the best say nothing then. Others may: plots in rows look much
    // the same from several, and their mean does not.
    let explains = |across: [f64; 2]| {
        let fits = [0.5, 2.0].iter().filter_map(|times| {
            let covariance = striped(across, times * layout.edge);
            likelihood(layout, &covariance, means, 1.6).map(|fit| fit.log_likelihood)
        });
        fits.fold(f64::NEG_INFINITY, f64::max)
    };
    let explained: Vec<f64> = candidates.par_iter().map(|&across| explains(across)).collect();
    let best = explained.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let likely = candidates.iter().zip(explained).filter(|(_, explained)| *explained >= best - AS_LIKELY);
    let likely: Vec<[f64; 2]> = likely.map(|(across, _)| *across).collect();
    for &across in &likely {
        let before = all.len();
        for times in ACROSS {
            let prior = STRIPES / (ACROSS.len() * likely.len()) as f64;
            with_and_without(Kind::Stripes(across), prior, striped(across, times * layout.edge), &mut all);
        }
        let places = layout.places_along(across);
        all[before..].iter_mut().for_each(|structure| structure.places = places);
    }
    if with_strips {
        let of = |wanted: &(dyn Fn(u16) -> bool + Sync)| {
            symmetric(layout.cells.len(), &|i, j| layout.shared_strips(i, j, wanted))
        };
        let before = all.len();
        with_and_without(Kind::Strips, STRIPS, of(&|_| true), &mut all);
        let of_seen = of(&|strip| layout.has_seen(strip));
        all[before..].iter_mut().for_each(|structure| structure.of_seen = Some(of_seen.clone()));
    }
    all
}

//! The gradient of the survey's ground at a position as it is there, not smoothed: noisy, but right on average.

use crate::raster::Extent;
use crate::stages::ground_limits::SurveyGround;
use crate::units::Micrometres;

/// Cells on either side that it looks at.
const AROUND: usize = 2;

/// Rise over run of the ground at a position, eastwards and northwards, from the lowest elevations of the two cells on either
/// side: differences of fourth order, which follow waves of ten cells within half a per cent. Of filtered ground the lowest
/// elevation of a cell is taken where it is ground, elsewhere the opened surface; of delivered ground the lowest of its cell.
/// Nothing at the edge, or where cells have none.
pub fn local_gradient(ground: &SurveyGround, x: Micrometres, y: Micrometres) -> Option<[f64; 2]> {
    match ground {
        SurveyGround::Filtered(limits) => {
            let origin = limits.origin.as_ref()?;
            let at = |i: usize| {
                let lowest = origin.filled[i];
                if lowest <= limits.highest.values[i] { lowest } else { origin.ground.values[i] }
            };
            gradient(&origin.ground.extent, at, x, y)
        }
        SurveyGround::Delivered(lowest) => gradient(&lowest.extent, |i| lowest.values[i], x, y),
    }
}

/// That of the elevations that `at` gives by cell.
fn gradient(extent: &Extent, at: impl Fn(usize) -> f64, x: Micrometres, y: Micrometres) -> Option<[f64; 2]> {
    let i = extent.index_of(x, y)?;
    let (column, row) = (i % extent.columns, i / extent.columns);
    let inside = |at: usize, count: usize| (AROUND..count.saturating_sub(AROUND)).contains(&at);
    if !inside(column, extent.columns) || !inside(row, extent.rows) {
        return None;
    }
    let rise = |step: usize| {
        let [a, b, c, d] = [at(i - 2 * step), at(i - step), at(i + step), at(i + 2 * step)];
        (8.0 * (c - b) - (d - a)) / (12.0 * extent.cell)
    };
    let gradient = [rise(1), rise(extent.columns)];
    gradient.iter().all(|rise| rise.is_finite()).then_some(gradient)
}

#[cfg(test)]
mod tests {
    use std::rc::Rc;

    use super::*;
    use crate::raster::Raster;
    use crate::raster::morphology::Scratch;
    use crate::stages::ground::Ground;

    #[test]
    fn waves_keep_their_steepness_and_what_is_no_ground_does_not_count() {
        let extent = Extent::covering(5e5, (0, 30_000_000), (0, 30_000_000), 0);
        let mut lowest = Raster::empty(extent);
        // 6 m long, 0.1 m high, over a slope towards the south.
        let (k, size, cell) = (std::f64::consts::TAU / 6e6, 1e5, extent.cell);
        let middle = |i: usize| [i % extent.columns, i / extent.columns].map(|at| (at as f64 + 0.5) * cell);
        for i in 0..extent.len() {
            let [x, y] = middle(i);
            lowest.values[i] = 1e8 + size * (k * x).sin() - 0.05 * y;
        }
        // A car.
        lowest.values[31 * extent.columns + 30] += 1.5e6;
        let asked = Extent::covering(5e5, (8_000_000, 22_000_000), (8_000_000, 22_000_000), 0);
        let delivered = SurveyGround::Delivered(Rc::new(lowest.clone()));
        let limits = Ground::default().limits(lowest, &asked, true, false, &mut Scratch::default());
        let limits = SurveyGround::Filtered(Rc::new(limits));
        for i in [20 * 60 + 21, 25 * 60 + 30, 40 * 60 + 35] {
            let [x, y] = middle(i);
            let [east, north] = local_gradient(&limits, x as i64, y as i64).unwrap();
            assert!(
                (east - size * k * (k * x).cos()).abs() < 0.005 * size * k && (north + 0.05).abs() < 1e-6
            );
        }
        let [x, y] = middle(20 * 60 + 21).map(|at| at as i64);
        assert_eq!(local_gradient(&delivered, x, y), local_gradient(&limits, x, y));
        let [x, y] = middle(30 * 60 + 30);
        let [_, north] = local_gradient(&limits, x as i64, y as i64).unwrap();
        assert!(north.abs() < 0.3, "{north}");
        assert_eq!(local_gradient(&limits, 100_000, 100_000), None);
    }
}

//! What the fitted correlation says about sums over blocks: how much of a mean's variance blocks cannot show.

use crate::stats::blocks::BlockSums;
use crate::stats::correlation::{BlockMeans, CorrelationModel};

/// Pairs of different blocks near enough for their residuals to correlate, and the mean correlation of residuals and
/// of their squares between them.
pub(super) struct Neighbours {
    within: (f64, f64),
    pairs: Vec<(u32, u32, f64, f64)>,
}

/// Distances of the exponential beyond which its correlation (below 0.1 %) is left out.
const REACH: f64 = 7.0;
/// Rows and columns of blocks looked at, at the most.
const MOST_ROWS: f64 = 12.0;

impl Neighbours {
    pub(super) fn new(sums: &BlockSums, correlation: &CorrelationModel) -> Self {
        let Some(range) = correlation.range_um else {
            return Neighbours { within: (0.0, 0.0), pairs: Vec::new() };
        };
        let length = range as f64 / 3.0 / sums.size_um() as f64;
        let reach = (REACH * length).ceil().min(MOST_ROWS) as usize;
        // The square of an exponential is one of half the length.
        let (plain, squared) = (BlockMeans::new(length, reach), BlockMeans::new(length / 2.0, reach));
        let blocks = sums.rows_and_columns();
        let far = reach as i64;
        let mut pairs = Vec::new();
        for (i, &(row, column)) in blocks.iter().enumerate() {
            // Each pair once: later columns of the same row, and all near columns of later rows.
            for down in 0..=far {
                let start = if down == 0 { column + 1 } else { column - far };
                let from = blocks.partition_point(|&block| block < (row + down, start));
                let others = blocks.iter().enumerate().skip(from);
                for (j, &(_, other)) in others.take_while(|(_, block)| **block <= (row + down, column + far))
                {
                    let (rows, columns) = (down as usize, other.abs_diff(column) as usize);
                    pairs.push((i as u32, j as u32, plain.at(rows, columns), squared.at(rows, columns)));
                }
            }
        }
        Neighbours { within: (plain.at(0, 0), squared.at(0, 0)), pairs }
    }

    /// How much larger the variance of a mean is than block sums about it show, and their degrees of freedom, when
    /// two residuals have the covariance `a` · correlation + `b` · correlation² and each has the variance `own`.
    /// `block` and `n` are the occupied blocks (sorted) and how many residuals each holds. Nothing below two blocks.
    ///
    /// With C the covariance of block sums, w the blocks' shares and P = I − w 1ᵀ: the true variance is 1ᵀC1, shown is
    /// tr(PCPᵀ), and its degrees of freedom are tr(PCPᵀ)² / ‖PCPᵀ‖².
    pub(super) fn model(&self, block: &[usize], n: &[f64], a: f64, b: f64, own: f64) -> Option<(f64, f64)> {
        if n.len() < 2 {
            return None;
        }
        let mut index = vec![usize::MAX; block.last()? + 1];
        block.iter().enumerate().for_each(|(i, &block)| index[block] = i);
        let total: f64 = n.iter().sum();
        let share: Vec<f64> = n.iter().map(|n| n / total).collect();
        let within = a * self.within.0 + b * self.within.1;
        let diagonal: Vec<f64> = n.iter().map(|n| n * own + n * (n - 1.0) * within).collect();
        let mut rows = diagonal.clone();
        let mut along_share: Vec<f64> = diagonal.iter().zip(&share).map(|(d, w)| d * w).collect();
        let mut norm: f64 = diagonal.iter().map(|d| d * d).sum();
        if a + b > 0.0 {
            for &(i, j, plain, squared) in &self.pairs {
                let place = |block: u32| index.get(block as usize).copied().filter(|&at| at != usize::MAX);
                let (Some(i), Some(j)) = (place(i), place(j)) else { continue };
                let c = n[i] * n[j] * (a * plain + b * squared);
                rows[i] += c;
                rows[j] += c;
                along_share[i] += c * share[j];
                along_share[j] += c * share[i];
                norm += 2.0 * c * c;
            }
        }
        let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
        let truth: f64 = rows.iter().sum();
        let (ww, wr) = (dot(&share, &share), dot(&share, &rows));
        let shown = diagonal.iter().sum::<f64>() - 2.0 * wr + truth * ww;
        let shown_norm = norm + 2.0 * ww * dot(&rows, &rows) + truth * truth * ww * ww
            - 4.0 * dot(&along_share, &rows)
            + 2.0 * truth * dot(&along_share, &share)
            + 2.0 * wr * wr
            - 4.0 * truth * ww * wr;
        (shown > 0.0 && shown_norm > 0.0).then(|| (truth / shown, shown * shown / shown_norm))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of 10 m in rows of `columns`, with as many residuals each as `n` says.
    fn neighbours(n: &[f64], columns: usize, range_um: Option<i64>) -> Neighbours {
        let mut sums = BlockSums::new(10_000_000, 1);
        for i in 0..n.len() {
            sums.add((i % columns) as i64 * 10_000_000, (i / columns) as i64 * 10_000_000, 0, 0);
        }
        Neighbours::new(&sums, &CorrelationModel { range_um, ..CorrelationModel::unknown() })
    }

    #[test]
    fn independent_blocks_of_one_size_are_the_textbook_case() {
        let n = [5.0; 12];
        let block: Vec<usize> = (0..12).collect();
        let (inflation, df) = neighbours(&n, 4, None).model(&block, &n, 0.0, 0.0, 1.0).unwrap();
        assert!((inflation - 12.0 / 11.0).abs() < 1e-12 && (df - 11.0).abs() < 1e-9, "{inflation} {df}");
    }

    #[test]
    fn sparse_sums_equal_the_dense_matrices() {
        let n: Vec<f64> = (0..30).map(|i| f64::from(1 + i * i % 17)).collect();
        let block: Vec<usize> = (0..30).collect();
        let (a, b, own) = (0.5, 0.3, 1.2);
        let sparse = neighbours(&n, 6, Some(25_000_000));
        let found = sparse.model(&block, &n, a, b, own).unwrap();
        // C from the block means, P = I − w 1ᵀ, and P C Pᵀ by plain sums.
        let length = 25.0 / 3.0 / 10.0;
        let (plain, squared) = (BlockMeans::new(length, 12), BlockMeans::new(length / 2.0, 12));
        let c = |i: usize, j: usize| {
            let (rows, columns) = ((i / 6).abs_diff(j / 6), (i % 6).abs_diff(j % 6));
            let reach = rows.max(columns) as f64 <= (REACH * length).ceil();
            let mean = if reach { a * plain.at(rows, columns) + b * squared.at(rows, columns) } else { 0.0 };
            if i == j { n[i] * own + n[i] * (n[i] - 1.0) * mean } else { n[i] * n[j] * mean }
        };
        let total: f64 = n.iter().sum();
        let p = |i: usize, j: usize| f64::from(u8::from(i == j)) - n[i] / total;
        let all = 0..30usize;
        let pc: Vec<Vec<f64>> = all
            .clone()
            .map(|i| all.clone().map(|j| all.clone().map(|k| p(i, k) * c(k, j)).sum()).collect())
            .collect();
        let pcp = |i: usize, j: usize| all.clone().map(|k| pc[i][k] * p(j, k)).sum::<f64>();
        let truth: f64 = all.clone().map(|i| all.clone().map(|j| c(i, j)).sum::<f64>()).sum();
        let shown: f64 = all.clone().map(|i| pcp(i, i)).sum();
        let norm: f64 = all.clone().map(|i| all.clone().map(|j| pcp(i, j).powi(2)).sum::<f64>()).sum();
        assert!((found.0 / (truth / shown) - 1.0).abs() < 1e-9, "{found:?} {}", truth / shown);
        assert!((found.1 / (shown * shown / norm) - 1.0).abs() < 1e-9, "{found:?} {}", shown * shown / norm);
    }
}

//! Mean, standard deviation and root mean square from sums of integers, exact whatever the order.

/// Count, sum and sum of squares of whole numbers, with the least and the greatest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moments {
    /// Number of values.
    pub n: u64,
    sum: i128,
    sum_of_squares: u128,
    range: Option<(i64, i64)>,
}

impl Moments {
    /// Bytes of the sums.
    pub const ENCODED: usize = 56;

    /// One value, `times` over.
    pub fn repeated(value: i64, times: u64) -> Self {
        Moments {
            n: times,
            sum: i128::from(value) * i128::from(times),
            sum_of_squares: u128::from(value.unsigned_abs()).pow(2) * u128::from(times),
            range: (times > 0).then_some((value, value)),
        }
    }

    /// Adds one value.
    pub fn add(&mut self, value: i64) {
        self.n += 1;
        self.sum += i128::from(value);
        self.sum_of_squares += u128::from(value.unsigned_abs()).pow(2);
        self.range = Some(self.range.map_or((value, value), |(low, high)| (low.min(value), high.max(value))));
    }

    /// Adds all values of another.
    pub fn merge(&mut self, other: &Moments) {
        self.n += other.n;
        self.sum += other.sum;
        self.sum_of_squares += other.sum_of_squares;
        self.range = match (self.range, other.range) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
    }

    /// As bytes.
    pub fn encode(&self) -> [u8; Self::ENCODED] {
        // Without values the least and greatest are not read again.
        let (low, high) = self.range.unwrap_or_default();
        let mut bytes = [0; Self::ENCODED];
        bytes[..8].copy_from_slice(&self.n.to_le_bytes());
        bytes[8..24].copy_from_slice(&self.sum.to_le_bytes());
        bytes[24..40].copy_from_slice(&self.sum_of_squares.to_le_bytes());
        bytes[40..48].copy_from_slice(&low.to_le_bytes());
        bytes[48..].copy_from_slice(&high.to_le_bytes());
        bytes
    }

    /// What [`Moments::encode`] turned into these bytes.
    pub fn decode(bytes: &[u8; Self::ENCODED]) -> Self {
        let eight = |at: usize| bytes[at..at + 8].try_into().expect("eight bytes");
        let sixteen = |at: usize| bytes[at..at + 16].try_into().expect("sixteen bytes");
        let n = u64::from_le_bytes(eight(0));
        let range = (i64::from_le_bytes(eight(40)), i64::from_le_bytes(eight(48)));
        Moments {
            n,
            sum: i128::from_le_bytes(sixteen(8)),
            sum_of_squares: u128::from_le_bytes(sixteen(24)),
            range: (n > 0).then_some(range),
        }
    }

    /// Least value; nothing without values.
    pub fn min(&self) -> Option<i64> {
        self.range.map(|(low, _)| low)
    }

    /// Greatest value; nothing without values.
    pub fn max(&self) -> Option<i64> {
        self.range.map(|(_, high)| high)
    }

    /// Arithmetic mean; nothing without values.
    pub fn mean(&self) -> Option<f64> {
        (self.n > 0).then(|| ratio(self.sum, i128::from(self.n)))
    }

    /// Sums of what the values lie above a whole number, and of its squares: near the mean of values of up to 40 bits they fit,
    /// however many.
    pub fn about(&self, whole: i128) -> (i128, i128) {
        let n = i128::from(self.n);
        let squares = self.sum_of_squares as i128 - 2 * whole * self.sum + n * whole * whole;
        (self.sum - n * whole, squares)
    }

    /// Sample standard deviation, with n − 1; nothing below two values.
    pub fn sd(&self) -> Option<f64> {
        if self.n < 2 {
            return None;
        }
        let n = i128::from(self.n);
        // Exact while it fits 128 bits: up to 10^9 values of a kilometre each in micrometres.
        let exact = i128::try_from(self.sum_of_squares)
            .ok()
            .and_then(|squares| squares.checked_mul(n)?.checked_sub(self.sum.checked_mul(self.sum)?));
        let numerator = match exact {
            Some(numerator) => numerator as f64,
            None => (self.sum_of_squares as f64 - self.sum as f64 / n as f64 * self.sum as f64) * n as f64,
        };
        Some((numerator / (n as f64 * (n - 1) as f64)).max(0.0).sqrt())
    }

    /// Root mean square, with n; nothing without values.
    pub fn rmse(&self) -> Option<f64> {
        (self.n > 0).then(|| (self.sum_of_squares as f64 / self.n as f64).sqrt())
    }
}

/// `numerator / denominator`, keeping what a plain conversion of a large numerator would lose.
fn ratio(numerator: i128, denominator: i128) -> f64 {
    (numerator / denominator) as f64 + (numerator % denominator) as f64 / denominator as f64
}

/// Root mean square of `n` values of this mean and SD: RMSE² = mean² + (n − 1)/n SD².
pub fn rmse_about(mean: f64, sd: Option<f64>, n: u64) -> f64 {
    let n = n as f64;
    (mean * mean + sd.map_or(0.0, |sd| (n - 1.0) / n * sd * sd)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_repeated_value_is_what_adding_it_again_and_again_gives() {
        for (value, times) in [(-7, 5), (i64::MIN, 2), (3, 1), (9, 0)] {
            assert_eq!(Moments::repeated(value, times), moments((0..times).map(|_| value)));
        }
    }

    fn moments(values: impl IntoIterator<Item = i64>) -> Moments {
        let mut all = Moments::default();
        values.into_iter().for_each(|v| all.add(v));
        all
    }

    /// NIST StRD NumAcc2 to NumAcc4 (certified mean and SD 0.1), scaled by ten to whole numbers: `base` + 2, then
    /// 500 pairs of `base` + 1 and `base` + 3.
    fn num_acc(base: i64) -> Moments {
        moments(std::iter::once(base + 2).chain((0..500).flat_map(|_| [base + 1, base + 3])))
    }

    #[test]
    fn nist_numacc_certified_values() {
        // NIST StRD, univariate summary statistics: the certified values.
        let first = moments([10_000_001, 10_000_003, 10_000_002]);
        assert_eq!((first.mean(), first.sd()), (Some(10_000_002.0), Some(1.0)));
        for base in [10, 10_000_000, 100_000_000] {
            let set = num_acc(base);
            assert_eq!(set.mean(), Some(base as f64 + 2.0));
            assert_eq!(set.sd(), Some(1.0)); // certified 0.1, times ten
        }
    }

    #[test]
    fn seven_checkpoints_of_a_published_example() {
        // PE&RS, May 2014, p. 397: dH of seven checkpoints; printed SD 0.030 m; mean and RMSE computed
        // independently.
        let dh = moments([55, -6, -17, 42, -11, 13, 48]);
        assert!((dh.mean().unwrap() - 17.714).abs() < 5e-4);
        assert!((dh.sd().unwrap() - 30.308).abs() < 5e-4);
        assert!((dh.rmse().unwrap() - 33.183).abs() < 5e-4);
    }

    #[test]
    fn sums_come_back_from_their_bytes_as_they_were() {
        for values in [vec![], vec![-7], vec![i64::MIN, i64::MAX, 3]] {
            let all = moments(values);
            assert_eq!(Moments::decode(&all.encode()), all);
        }
    }

    #[test]
    fn about_a_whole_number_sums_are_those_of_what_is_left() {
        let values = [-3_000_000_007, -3_000_000_001, -2_999_999_990];
        let rest = values.map(|value| i128::from(value) + 3_000_000_000);
        let expected = (rest.iter().sum(), rest.iter().map(|v| v * v).sum());
        assert_eq!(moments(values).about(-3_000_000_000), expected);
    }

    #[test]
    fn rmse_follows_from_mean_and_sd() {
        // RMSE² = mean² + (n − 1)/n · SD² follows from the definitions, with n − 1 in the SD and n in the RMSE.
        let set = moments([3, -2, 5, 1, -4, 2, 6, -1, 4, 0]);
        let (n, mean, sd) = (set.n as f64, set.mean().unwrap(), set.sd().unwrap());
        assert!((set.rmse().unwrap().powi(2) - (mean * mean + (n - 1.0) / n * sd * sd)).abs() < 1e-12);
    }

    #[test]
    fn what_does_not_exist_is_nothing() {
        let (none, one) = (moments([]), moments([7]));
        assert_eq!((none.mean(), none.sd(), none.rmse(), none.min()), (None, None, None, None));
        assert_eq!((one.mean(), one.sd(), one.rmse(), one.max()), (Some(7.0), None, Some(7.0), Some(7)));
    }

    #[test]
    fn beyond_128_bits_the_sd_is_still_right() {
        let mut huge = moments([-400_000_000_000, 400_000_000_000]);
        for _ in 0..40 {
            let copy = huge;
            huge.merge(&copy);
        }
        assert!((huge.sd().unwrap() / 400_000_000_000.0 - 1.0).abs() < 1e-9);
    }
}

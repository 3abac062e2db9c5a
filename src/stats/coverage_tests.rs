//! Whether 95 % intervals hold the truth about 95 times in a hundred, on simulated sites.

use crate::stats::blocks::{BlockSums, default_size_um};
use crate::stats::bootstrap::bootstrap;
use crate::stats::simulated::{Field, Normal, Site};
use crate::stats::variogram::correlation;

const TRIALS: u64 = 1_000;

/// How often, in so many trials, intervals held the truth.
#[derive(Debug)]
struct Held {
    /// Of mean, SD and RMSE: for each of three returns, and all together.
    intervals: [[u64; 3]; 4],
    /// The plain interval of the mean, which takes residuals for independent.
    plain: [u64; 4],
}

/// The block size is the default that follows from the variogram of each trial.
fn trials(site: &Site, count: u64) -> Held {
    let groups = [vec![0u16], vec![1], vec![2], vec![0, 1, 2]];
    let truth: Vec<[f64; 3]> = groups.iter().map(|group| site.truth(group)).collect();
    let mut found = Held { intervals: [[0; 3]; 4], plain: [0; 4] };
    let holds = |interval: Option<[f64; 2]>, truth: f64| {
        let [low, high] = interval.expect("an interval");
        u64::from(low <= truth && truth <= high)
    };
    for trial in 0..count {
        let residuals = site.residuals(&mut Normal::new(trial));
        let correlation = correlation(&residuals, 7);
        let sums = BlockSums::of(&residuals, default_size_um(&correlation, &residuals), 3).few_enough();
        let drawn = bootstrap(&sums, &groups, &correlation, 7);
        for (i, truth) in truth.iter().enumerate() {
            let estimate = drawn.estimate(i);
            let intervals = [estimate.mean_ci95, estimate.sd_ci95, estimate.rmse_ci95];
            (0..3).for_each(|k| found.intervals[i][k] += holds(intervals[k], truth[k]));
            let (mean, half) =
                (estimate.mean.unwrap(), 1.96 * estimate.sd.unwrap() / (estimate.n as f64).sqrt());
            found.plain[i] += holds(Some([mean - half, mean + half]), truth[0]);
        }
    }
    found
}

fn site(field: Field, field_sd: f64, residuals: usize) -> Site {
    let returns = [(5_000.0, 15_000.0), (-10_000.0, 40_000.0), (-30_000.0, 80_000.0)];
    Site { side: 100, field, field_sd, returns, residuals }
}

/// 93 to 97 %.
fn hold_as_they_say(held: &Held) {
    assert!(held.intervals.iter().flatten().all(|h| (930..=970).contains(h)), "{held:?}");
}

#[test]
fn intervals_hold_where_correlation_falls_exponentially() {
    let held = trials(&site(Field::Exponential(4.0), 20_000.0, 1_500), TRIALS);
    hold_as_they_say(&held);
    // Taking neighbours for independent fails, most for the returns that are measured best.
    assert!(held.plain[0] < 750 && held.plain[3] < 850, "{held:?}");
}

#[test]
fn intervals_hold_where_correlation_has_another_shape_than_the_fitted() {
    let held = trials(&site(Field::MovingAverage(10), 50_000.0, 1_000), TRIALS);
    hold_as_they_say(&held);
    assert!(held.plain[0] < 750 && held.plain[3] < 750, "{held:?}");
}

#[test]
fn intervals_hold_without_correlation() {
    let held = trials(&site(Field::Exponential(1.0), 0.0, 800), TRIALS);
    hold_as_they_say(&held);
    assert!(held.plain.iter().all(|h| (930..=970).contains(h)), "{held:?}");
}

#[test]
fn with_a_range_of_a_third_of_the_site_intervals_are_a_little_too_narrow() {
    // 30 m on 100 m: no 30 blocks can be that wide, and the range itself is hardly known. 93 % is not reached: over
    // 1,000 trials 93 to 94 % of the intervals of bias held, 90 to 94 % of SD, 92 to 94 % of RMSE. Plain ones of bias: 36 to 63 %.
    let count = 300;
    let held = trials(&site(Field::Exponential(10.0), 40_000.0, 1_500), count);
    assert!(held.intervals.iter().flatten().all(|h| h * 100 >= 86 * count), "{held:?}");
    assert!(held.plain.iter().all(|h| h * 100 < 75 * count), "{held:?}");
}

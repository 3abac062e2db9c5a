//! The numerical core against answers of general array libraries: `tests/oracle/reference_values.py` wrote
//! `tests/oracle/reference_values.json`. Also the worked examples of published texts that fit it.

use echograde::cloud::Point;
use echograde::cloud::buckets::{BucketGrid, Offset};
use echograde::raster::morphology::{Scratch, open};
use echograde::raster::{Extent, Raster};
use echograde::stages::alternative::WindowGrowth;
use echograde::stages::ground::Ground;
use echograde::stages::matching::{Matcher, Search};
use echograde::stats::moments::Moments;
use echograde::stats::quantiles::{Residual, RobustStatistics, robust_statistics};
use echograde::units::{Length, Unit};
use serde_json::Value;

fn section(name: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("oracle/reference_values.json")).unwrap();
    all[name].clone()
}

fn items(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

fn whole(value: &Value) -> i64 {
    value.as_i64().unwrap()
}

fn pair(value: &Value) -> (i64, i64) {
    (whole(&value[0]), whole(&value[1]))
}

fn length(value: &Value) -> Length {
    Length::parse(value.as_str().unwrap()).unwrap()
}

/// Equal but for the last few bits of a float.
fn close(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= 1e-15 * expected.abs()
}

fn raster(rows: &Value) -> Raster {
    let values: Vec<f64> = items(rows).iter().flat_map(items).map(|v| v.as_f64().unwrap()).collect();
    let rows = items(rows).len();
    let extent = Extent { cell: 1.0, first_column: 0, first_row: 0, columns: values.len() / rows, rows };
    Raster { extent, values }
}

#[test]
fn grey_openings_agree() {
    let cases = section("openings");
    let mut compared = 0;
    for case in items(&cases) {
        let mut surface = raster(&case["raster"]);
        let mut check = |surface: &mut Raster, answer: &Value| {
            let window = whole(&answer["window"]);
            open(surface, window as usize, &mut Scratch::default());
            assert_eq!(*surface, raster(&answer["opened"]), "{}, window {window}", case["name"]);
            compared += 1;
        };
        for answer in items(&case["alone"]) {
            check(&mut surface.clone(), answer);
        }
        // One window after the other, each on what the one before left.
        check(&mut surface, &case["alone"][0]);
        for answer in items(&case["progressive"]) {
            check(&mut surface, answer);
        }
    }
    assert_eq!(compared, 3 * (4 + 4));
}

#[test]
fn nearest_distances_agree_with_a_tree() {
    let case = section("nearest");
    let points: Vec<(i64, i64)> = items(&case["points"]).iter().map(pair).collect();
    let answers: Vec<f64> = items(&case["distances"]).iter().map(|d| d.as_f64().unwrap()).collect();
    let mut out_of_reach = 0;
    // A radius that reaches every query, and one that half of them are beyond.
    for radius in [3_000_000, 60_000] {
        let mut near = BucketGrid::default();
        points.iter().for_each(|&(x, y)| near.add(x, y, ()));
        near.sort(radius);
        for (query, &answer) in items(&case["queries"]).iter().zip(&answers) {
            let (x, y) = pair(query);
            let mut least: Option<i64> = None;
            near.for_each(x, y, |(), Offset { squared, .. }| {
                least = Some(least.map_or(squared, |l| l.min(squared)));
            });
            match least {
                // Squared distances are whole numbers, so rounding gives them back exactly.
                Some(squared) => assert_eq!(squared as f64, (answer * answer).round(), "{query}"),
                None => {
                    assert!(answer > radius as f64, "{query}: nothing within {radius}, but {answer}");
                    out_of_reach += 1;
                }
            }
        }
    }
    assert_eq!(out_of_reach, answers.iter().filter(|d| **d > 60_000.0).count());
    assert!(out_of_reach > 20 && out_of_reach < answers.len() - 20, "{out_of_reach}");
}

fn statistics(sample: &[i64]) -> (Moments, RobustStatistics) {
    let mut moments = Moments::default();
    sample.iter().for_each(|&v| moments.add(v));
    let residuals: Vec<Residual> = sample.iter().map(|&dz| Residual { group: 2, dz }).collect();
    let robust = robust_statistics(&residuals[..], &[(&[2], moments)]).unwrap();
    (moments, robust[0])
}

#[test]
fn statistics_agree() {
    let cases = section("statistics");
    for case in items(&cases) {
        let sample: Vec<i64> = items(&case["sample"]).iter().map(whole).collect();
        let (moments, robust) = statistics(&sample);
        for (name, found) in [
            ("mean", moments.mean()),
            ("sd", moments.sd()),
            ("rmse", moments.rmse()),
            ("median", robust.median),
            ("nmad", robust.nmad),
            ("abs_p95", robust.abs_p95),
        ] {
            match (found, case[name].as_f64()) {
                (Some(found), Some(expected)) => {
                    assert!(close(found, expected), "{name} {found} {expected} of {sample:?}");
                }
                (found, expected) => assert_eq!(found, expected, "{name} of {sample:?}"),
            }
        }
        assert_eq!(moments.sd().is_none(), sample.len() == 1, "{sample:?}");
    }
    assert!(items(&cases).iter().any(|case| case["sd"].is_null()));
}

#[test]
fn plane_heights_agree_to_the_micrometre() {
    let cases = section("planes");
    for case in items(&cases) {
        let points: Vec<Point> = items(&case["points"])
            .iter()
            .map(|p| Point { x: whole(&p[0]), y: whole(&p[1]), z: whole(&p[2]), ..Point::default() })
            .collect();
        let n = points.len();
        let (x, y) = pair(&case["at"]);
        let asked = Point { x, y, z: 5_000_000, ..Point::default() };
        let mut matcher = Matcher::default();
        matcher.start(1);
        matcher.ask(&asked);
        matcher.ready(Search::Plane(Length::metres(0.5).micrometres()), 1);
        points.iter().for_each(|point| matcher.offer(point));
        let found = matcher.found(0, &asked).unwrap();
        assert_eq!(found.points as usize, n);
        let expected = case["height"].as_f64().unwrap();
        // Heights are whole micrometres, so rounding is all the difference that there may be.
        assert!((found.elevation as f64 - expected).abs() <= 0.5 + 1e-6, "{n} points: {found:?} {expected}");
    }
}

#[test]
fn elevations_in_a_triangulation_agree() {
    let cases = section("triangulations");
    for case in items(&cases) {
        let points: Vec<Point> = items(&case["points"])
            .iter()
            .map(|p| Point { x: whole(&p[0]), y: whole(&p[1]), z: whole(&p[2]), ..Point::default() })
            .collect();
        let places = items(&case["at"]).iter().map(pair);
        let asked: Vec<Point> =
            places.map(|(x, y)| Point { x, y, z: 5_000_000, ..Point::default() }).collect();
        let mut matcher = Matcher::default();
        matcher.start(asked.len());
        asked.iter().for_each(|point| matcher.ask(point));
        // Facets of up to 2 m: longer than any inside.
        matcher.ready(Search::Triangles(Length::metres(2.0).micrometres()), 1);
        points.iter().for_each(|point| matcher.offer(point));
        let mut found = 0;
        for (i, point) in asked.iter().enumerate() {
            let expected = case["heights"][i].as_f64().unwrap();
            let Some(there) = matcher.found(i, point) else { continue };
            found += 1;
            // Whole micrometres, and corners moved by half a micrometre at the most.
            assert!((there.elevation as f64 - expected).abs() <= 2.0, "{there:?} {expected}");
        }
        assert!(found >= 18, "{found} of 20 facets among {} points", points.len());
    }
}

#[test]
fn windows_and_thresholds_agree() {
    let cases = section("ground_series");
    for case in items(&cases) {
        let filter = Ground {
            cell: length(&case["cell"]),
            window_max: length(&case["window_max"]),
            window_growth: match case["window_growth"].as_str().unwrap() {
                "linear" => WindowGrowth::Linear,
                _ => WindowGrowth::Exponential,
            },
            slope: case["slope"].as_f64().unwrap(),
            dh_initial: length(&case["dh_initial"]),
            dh_max: length(&case["dh_max"]),
            ..Ground::default()
        };
        let passes = filter.passes();
        let windows: Vec<i64> = passes.iter().map(|p| p.window as i64).collect();
        let thresholds: Vec<i64> = passes.iter().map(|p| p.threshold).collect();
        assert_eq!(windows, items(&case["windows"]).iter().map(whole).collect::<Vec<_>>(), "{case}");
        assert_eq!(thresholds, items(&case["thresholds"]).iter().map(whole).collect::<Vec<_>>(), "{case}");
    }
}

/// Printed figures, as far as they are printed.
fn assert_printed(found: Option<f64>, printed: f64, half_of_last_digit: f64) {
    let found = found.unwrap();
    assert!((found - printed).abs() <= half_of_last_digit, "{found}, printed {printed}");
}

#[test]
fn seven_checkpoints_in_plan_of_a_published_example() {
    // PE&RS, May 2014, p. 397: dE and dN (m) of seven checkpoints, printed SD 0.075 and 0.073. Resources and RMSE to
    // the sixth decimal are computed from the printed residuals.
    for (thousandths, sd, mean, rmse) in [
        ([-60, 100, -60, -112, -120, -100, -60], 0.075, -0.058857, 0.090825),
        ([80, -45, 80, 7, 150, -45, 80], 0.073, 0.043857, 0.080887),
    ] {
        let (moments, _) = statistics(&thousandths.map(|v| v * 1000));
        let metres = |um: Option<f64>| um.map(|um| Unit::Metre.from_micrometres(um));
        assert_printed(metres(moments.sd()), sd, 0.0005);
        assert_printed(metres(moments.mean()), mean, 5e-7);
        assert_printed(metres(moments.rmse()), rmse, 5e-7);
    }
}

/// `n` whole numbers whose mean and SD (n − 1) are those given, to within the rounding.
fn sample_of(n: usize, mean: f64, sd: f64) -> Vec<i64> {
    // Half of the values lie a step below the mean, half above; with n odd, one lies on it.
    let paired = n - n % 2;
    let step = sd * ((n - 1) as f64 / paired as f64).sqrt();
    let values = (0..n).map(|i| match i {
        _ if i == paired => mean,
        _ if i % 2 == 0 => mean - step,
        _ => mean + step,
    });
    values.map(|v| v.round() as i64).collect()
}

#[test]
fn rmse_follows_from_mean_and_sd_as_in_a_published_report() {
    // USGS vertical accuracy report of LA_Barataria_2013 (VA.txt): open terrain, n 51, mean -0.00533333349535 m, SD
    // 0.0577205913534 m, RMSE 0.0574002119585 m; forested, n 6, mean 0.0448333347837 m, SD 0.0714154522031 m, RMSE
    // 0.0791212… m (as far as it was read). This shows SD with n − 1 and RMSE with n. Samples with these means and SDs
    // are made here in nanometres, which rounds them by up to one.
    for (n, mean, sd, rmse, half_of_last_digit) in [
        (51, -0.00533333349535, 0.0577205913534, 0.0574002119585, 1.0),
        (6, 0.0448333347837, 0.0714154522031, 0.07912125, 50.0),
    ] {
        let (moments, _) = statistics(&sample_of(n, mean * 1e9, sd * 1e9));
        assert_printed(moments.mean(), mean * 1e9, 1.0);
        assert_printed(moments.sd(), sd * 1e9, 1.0);
        assert_printed(moments.rmse(), rmse * 1e9, half_of_last_digit);
    }
}

#[test]
fn thirty_checkpoints_of_a_worked_example() {
    // Made up and worked out by hand for this program, in centimetres; sum 23, sum of squares 351.
    let sample =
        [3, -2, 5, 1, -4, 2, 6, -1, 4, 0, 2, -3, 7, -5, 3, 1, -2, 4, -1, 2, 5, -4, 0, 3, -6, 2, 1, -3, 4, -1];
    let (moments, robust) = statistics(&sample);
    assert_eq!(moments.mean(), Some(23.0 / 30.0));
    assert_eq!(moments.rmse(), Some((351.0f64 / 30.0).sqrt()));
    assert_printed(moments.sd(), 3.390487, 5e-7);
    // Rank 0.95 · 29 = 27.55 from 0: both neighbours are 6.
    assert_eq!(robust.abs_p95, Some(6.0));
}

#[test]
fn twelve_checkpoints_with_one_far_off() {
    // Standard formulas on a made-up sample (ft), worked out with a general array library: one gross error shifts the
    // mean and the SD, hardly the median and the NMAD. Factor 1.4826: Höhle and Höhle 2009, ISPRS Journal 64(4).
    let twelve = [30, -20, 50, 10, -40, 20, 60, -10, 40, 0, 20, 350];
    for (sample, [mean, sd, rmse, median, nmad, abs_p95]) in [
        (&twelve[..], [0.042500, 0.101096, 0.105712, 0.020000, 0.037065, 0.190500]),
        (&twelve[..11], [0.014545, 0.030451, 0.032474, 0.020000, 0.029652, 0.055000]),
    ] {
        let feet: Vec<i64> =
            sample.iter().map(|&v| Unit::Foot.to_micrometres(f64::from(v) / 1000.0)).collect();
        let (moments, robust) = statistics(&feet);
        for (found, printed) in [
            (moments.mean(), mean),
            (moments.sd(), sd),
            (moments.rmse(), rmse),
            (robust.median, median),
            (robust.nmad, nmad),
            (robust.abs_p95, abs_p95),
        ] {
            // A thousandth of a foot is 304.8 µm, so residuals are rounded by up to half a micrometre.
            assert_printed(found.map(|um| Unit::Foot.from_micrometres(um)), printed, 2.5e-6);
        }
    }
}

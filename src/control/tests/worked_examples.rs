//! Published and worked examples: `standards.md` names them by letter.

use super::{Linear, near};
use crate::control::*;

/// Example G: control minus lidar at six points, in feet: X, Y, difference, sigma.
const DIFFERENCES: [[f64; 4]; 6] = [
    [0.0, 0.0, 0.031, 0.020],
    [100.0, 0.0, 0.052, 0.020],
    [100.0, 80.0, 0.058, 0.030],
    [0.0, 80.0, 0.020, 0.020],
    [50.0, 40.0, 0.047, 0.015],
    [20.0, 60.0, 0.150, 0.020],
];

fn shift() -> Vec<Linear> {
    DIFFERENCES.iter().map(|[_, _, dz, sigma]| Linear::one(*dz, &[(0, 1.0)], *sigma)).collect()
}

fn plane() -> Vec<Linear> {
    let row =
        |[x, y, dz, sigma]: &[f64; 4]| Linear::one(*dz, &[(0, 1.0), (1, x - 50.0), (2, y - 40.0)], *sigma);
    DIFFERENCES.iter().map(row).collect()
}

fn values(solution: &Solution) -> impl Iterator<Item = &CheckedValue> {
    solution.observations.iter().flat_map(|one| &one.values)
}

fn all_near(found: impl Iterator<Item = f64>, expected: &[f64]) {
    let found: Vec<f64> = found.collect();
    assert_eq!(found.len(), expected.len());
    found.iter().zip(expected).for_each(|(one, other)| near(*one, *other, 5.1e-7));
}

#[test]
fn example_g_a_shift_of_six_points_with_a_blunder() {
    let observations = shift();
    let solution = adjust(&observations, &[0.0], &none_withheld()).unwrap();
    near(solution.unknowns[0], 0.058_232, 5e-7);
    near(solution.sigma(0), 0.008_018, 5e-7);
    let v = [0.027232, 0.006232, 0.000232, 0.038232, 0.011232, -0.091768];
    let r = [0.839286, 0.839286, 0.928571, 0.839286, 0.714286, 0.839286];
    let w = [1.486267, 0.340136, 0.008030, 2.086622, 0.886003, -5.008477];
    let left_out = [0.032447, 0.007426, 0.000250, 0.045553, 0.015725, -0.109340];
    all_near(values(&solution).map(|value| value.residual), &v);
    all_near(values(&solution).map(|value| value.redundancy), &r);
    all_near(values(&solution).map(|value| value.standardised.unwrap()), &w);
    all_near(values(&solution).map(|value| value.left_out.unwrap()), &left_out);
    near(values(&solution).last().unwrap().detectable.unwrap(), 0.090_209, 5e-7);
    near(solution.square_sum, 27.219_439, 5e-7);
    near(solution.variance_factor().unwrap(), 5.443_888, 5e-7);
    assert_eq!(global_test(&solution).unwrap().verdict, Verdict::TooLarge);

    let (suggestions, without) = suggest(&observations, &solution, &none_withheld()).unwrap();
    let named: Vec<usize> = suggestions.iter().map(|one| one.value.observation).collect();
    assert_eq!(named, [5]);
    near(suggestions[0].variance_factor[1].unwrap(), 0.533_650, 5e-7);
    near(without.unknowns[0], 0.040_660, 5e-7);
    near(without.sigma(0), 0.008_752, 5e-7);
    let five = values(&without).take(5);
    all_near(
        five.map(|value| value.standardised.unwrap()),
        &[0.537137, -0.630604, -0.604301, 1.148811, -0.520469],
    );
    all_near(
        values(&without).take(5).map(|value| value.redundancy),
        &[0.808511, 0.808511, 0.914894, 0.808511, 0.659574],
    );
    let test = global_test(&without).unwrap();
    assert!(test.passed() && without.degrees_of_freedom == 4);
    all_near([test.statistic, test.lower, test.upper].into_iter(), &[2.134598, 0.484419, 11.143287]);
    // The withheld point keeps its residual: the prediction of the others minus what was observed there.
    let withheld = &without.observations[5].values[0];
    assert!(withheld.withheld);
    near(withheld.residual, -0.109_340, 5e-7);
}

#[test]
fn example_g_a_plane_smears_the_blunder_and_only_the_largest_goes() {
    let observations = plane();
    let solution = adjust(&observations, &[0.0; 3], &none_withheld()).unwrap();
    let w: Vec<f64> = values(&solution).map(|value| value.standardised.unwrap()).collect();
    near(w[5], -5.062_859, 5e-7);
    near(w[3], 3.452_985, 5e-7);
    let (suggestions, without) = suggest(&observations, &solution, &none_withheld()).unwrap();
    assert_eq!((suggestions.len(), suggestions[0].value.observation, suggestions[0].also_above), (1, 5, 1));
    all_near(without.unknowns.iter().copied(), &[0.041993, 0.000285, -0.000043]);
    all_near(
        values(&without).take(5).map(|value| value.redundancy),
        &[0.232082, 0.300341, 0.522184, 0.300341, 0.645051],
    );
    near(without.variance_factor().unwrap(), 0.155_171, 5e-7);
    assert_eq!(without.degrees_of_freedom, 2);
}

/// A target of a levelled scan: heading, then a shift in three directions.
struct Target {
    scan: [f64; 3],
    control: [f64; 3],
    covariance: Covariance,
}

impl Observation for Target {
    fn rows(&self, at: &[f64]) -> Vec<Row> {
        let ([x, y, z], (sin, cos)) = (self.scan, at[0].sin_cos());
        let there = [cos * x - sin * y + at[1], sin * x + cos * y + at[2], z + at[3]];
        let turn = [-sin * x - cos * y, cos * x - sin * y, 0.0];
        (0..3)
            .map(|axis| Row {
                misclosure: self.control[axis] - there[axis],
                coefficients: vec![(0, turn[axis]), (axis + 1, 1.0)],
            })
            .collect()
    }

    fn covariance(&self) -> &Covariance {
        &self.covariance
    }
}

#[test]
fn example_h_a_levelled_scan_on_four_targets() {
    let targets = [
        ([10.0, 5.0, 1.5], [2006.164, 5009.327, 101.502]),
        ([-20.0, 15.0, 0.8], [1975.177, 5002.995, 100.796]),
        ([30.0, -25.0, 2.1], [2038.484, 4993.350, 102.103]),
        ([-5.0, -40.0, 1.2], [2015.665, 4962.857, 101.199]),
    ]
    .map(|(scan, control)| Target { scan, control, covariance: Covariance::independent(&[0.003; 3]) });
    // A start far off: a quarter turn, and a kilometre.
    let solution = adjust(&targets, &[2.0, 1000.0, 4000.0, 0.0], &none_withheld()).unwrap();
    near(solution.unknowns[0].to_degrees().rem_euclid(360.0), 29.994_407_572, 5e-9);
    all_near(solution.unknowns[1..].iter().copied(), &[2000.000673, 5000.000902, 100.0]);
    let expected = [
        [-0.002163, 0.003427, -0.002],
        [0.003457, -0.001295, 0.004],
        [-0.003214, -0.003489, -0.003],
        [0.001920, 0.001356, 0.001],
    ];
    all_near(values(&solution).map(|value| value.residual), expected.as_flattened());
    near(solution.square_sum * 9e-6, 0.000_088_084, 5e-10);
    assert_eq!(solution.degrees_of_freedom, 8);
    all_near(
        solution.observations[0].left_out.clone().unwrap().into_iter(),
        &[-0.003174, 0.004524, -0.002667],
    );
    all_near(solution.observations[2].left_out.clone().unwrap().into_iter(), &[-0.004187, -0.007067, -0.004]);
}

/// Example I: seven lines between two benchmarks; unknowns A, B, C.
fn levels(sigmas: [f64; 7]) -> Vec<Linear> {
    let (x, y) = (100.00, 107.50);
    let lines: [(f64, &[(usize, f64)]); 7] = [
        (x + 5.10, &[(0, 1.0)]),
        (2.34 - y, &[(0, -1.0)]),
        (y - 1.25, &[(2, 1.0)]),
        (-6.13 - x, &[(2, -1.0)]),
        (-0.68, &[(0, -1.0), (1, 1.0)]),
        (y - 3.00, &[(1, 1.0)]),
        (1.70, &[(1, -1.0), (2, 1.0)]),
    ];
    let each = lines.iter().zip(sigmas);
    each.map(|((observed, coefficients), sigma)| Linear::one(*observed, coefficients, sigma)).collect()
}

#[test]
fn example_i_a_levelling_network() {
    let scaled = |solution: &Solution| {
        let s0 = Sigmas::Scaled.factor(solution);
        (0..3).map(|i| s0 * solution.sigma(i)).collect::<Vec<_>>()
    };
    let equal = adjust(&levels([1.0; 7]), &[0.0; 3], &none_withheld()).unwrap();
    all_near(equal.unknowns.iter().copied(), &[105.140952, 104.482857, 106.187619]);
    let v = [0.040952, 0.019048, -0.062381, -0.057619, 0.021905, -0.017143, 0.004762];
    all_near(values(&equal).map(|value| value.residual), &v);
    near(equal.variance_factor().unwrap().sqrt(), 0.050_119, 5e-7);
    all_near(scaled(&equal).into_iter(), &[0.030934, 0.032811, 0.030934]);

    let by_length = levels([4.0, 3.0, 2.0, 3.0, 2.0, 2.0, 2.0].map(|length: f64| (length / 12.0).sqrt()));
    let weighted = adjust(&by_length, &[0.0; 3], &none_withheld()).unwrap();
    all_near(weighted.unknowns.iter().copied(), &[105.1504, 104.4892, 106.1972]);
    all_near(
        values(&weighted).map(|value| value.residual),
        &[0.0504, 0.0096, -0.0528, -0.0672, 0.0188, -0.0108, 0.0080],
    );
    near(weighted.variance_factor().unwrap().sqrt(), 0.107_219, 5e-7);
    all_near(scaled(&weighted).into_iter(), &[0.032756, 0.029759, 0.029035]);
}

/// NIST StRD Longley: y, x1 … x5; x6 is the year, from 1947 on.
const LONGLEY: [[f64; 6]; 16] = [
    [60323.0, 83.0, 234289.0, 2356.0, 1590.0, 107608.0],
    [61122.0, 88.5, 259426.0, 2325.0, 1456.0, 108632.0],
    [60171.0, 88.2, 258054.0, 3682.0, 1616.0, 109773.0],
    [61187.0, 89.5, 284599.0, 3351.0, 1650.0, 110929.0],
    [63221.0, 96.2, 328975.0, 2099.0, 3099.0, 112075.0],
    [63639.0, 98.1, 346999.0, 1932.0, 3594.0, 113270.0],
    [64989.0, 99.0, 365385.0, 1870.0, 3547.0, 115094.0],
    [63761.0, 100.0, 363112.0, 3578.0, 3350.0, 116219.0],
    [66019.0, 101.2, 397469.0, 2904.0, 3048.0, 117388.0],
    [67857.0, 104.6, 419180.0, 2822.0, 2857.0, 118734.0],
    [68169.0, 108.4, 442769.0, 2936.0, 2798.0, 120445.0],
    [66513.0, 110.8, 444546.0, 4681.0, 2637.0, 121950.0],
    [68655.0, 112.6, 482704.0, 3813.0, 2552.0, 123366.0],
    [69564.0, 114.2, 502601.0, 3931.0, 2514.0, 125368.0],
    [69331.0, 115.7, 518173.0, 4806.0, 2572.0, 127852.0],
    [70551.0, 116.9, 554894.0, 4007.0, 2827.0, 130081.0],
];

#[test]
fn longley_in_raw_columns_to_ten_digits() {
    let observations: Vec<Linear> = LONGLEY
        .iter()
        .enumerate()
        .map(|(i, [y, x @ ..])| {
            let mut coefficients = vec![(0, 1.0), (6, 1947.0 + i as f64)];
            coefficients.extend(x.iter().enumerate().map(|(j, x)| (j + 1, *x)));
            Linear::one(*y, &coefficients, 1.0)
        })
        .collect();
    let solution = adjust(&observations, &[0.0; 7], &none_withheld()).unwrap();
    // Certified values and their standard deviations.
    let certified = [
        (-3482258.63459582, 890420.383607373),
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910E-01, 0.334910077722432E-01),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807E-01, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ];
    let s0 = Sigmas::Scaled.factor(&solution);
    near(s0, 304.854073561965, 304.0 * 1e-10);
    for (i, (value, sigma)) in certified.into_iter().enumerate() {
        near(solution.unknowns[i], value, value.abs() * 1e-10);
        near(s0 * solution.sigma(i), sigma, sigma * 1e-6);
    }
}

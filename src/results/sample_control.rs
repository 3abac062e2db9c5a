//! Made-up results of a registration and of a fit for the tests of the page, and a way to look at them.

use crate::control::Verdict;
use crate::results::fit::{
    Added, Fit, FitPoint, Fits, Parameter, Raw, RawFigures, RawReturn, SuggestedPoint, Tilt,
};
use crate::results::registration::{
    Agreement, ComponentRow, PointResiduals, Redundancy, Registration, SetupRow, SuggestedRow, VarianceTest,
    WithheldRow,
};
use crate::results::sample::{Sample, decided};

/// Three setups and a fitted survey, a blunder in each.
pub fn controlled() -> Sample {
    let (mut summary, histogram) = decided();
    summary.registration = Some(registration());
    summary.fit = Some(fit());
    summary.reference_uncertainty = Some(0.0062);
    (summary, histogram)
}

fn test(statistic: f64, verdict: Verdict) -> Option<VarianceTest> {
    Some(VarianceTest { statistic, limits: [8.231, 31.526], verdict })
}

fn component(component: &'static str, residual: f64, w: f64) -> ComponentRow {
    ComponentRow {
        component,
        residual,
        sigma: 0.002,
        redundancy: 0.61,
        standardised: Some(w),
        detectable: Some(0.0106),
        left_out: Some(residual / 0.61),
    }
}

fn registration() -> Registration {
    let setup = |i: usize, tilt: f64| SetupRow {
        setup: format!("S{i} <yard>"),
        targets: 5,
        heading: 40.107_1 * i as f64,
        tilt,
        origin: [400_107.512_3, 6_100_046.504_1, 12.345_6],
        sigma_heading: 0.0031,
        sigma_tilt: Some(0.0024),
        sigma: [0.0018, 0.0019, 0.0022],
        compared: 120_000 / i as u64,
        sigma_compared: Some(0.0041),
        largest_gap: Some(130.0),
    };
    let row = |setup: Option<&str>, name: &str, on_control: bool, east: f64| PointResiduals {
        setup: setup.map(str::to_string),
        name: name.to_string(),
        on_control,
        components: vec![
            component("east", east, east / 0.0016),
            component("north", -0.0011, -0.7),
            component("up", 0.0004, 0.3),
        ],
    };
    Registration {
        model: "full",
        setups: (1..4).map(|i| setup(i, 0.03 * i as f64)).collect(),
        residuals: vec![
            row(Some("S1 <yard>"), "C1", true, 0.0012),
            row(Some("S1 <yard>"), "T7", false, -0.0008),
            row(Some("S2 <yard>"), "C4", true, 0.0097),
        ],
        control: vec![row(None, "C1", true, -0.0009), row(None, "C4", true, 0.0031)],
        redundancy: Redundancy { observations: 57, unknowns: 39, degrees_of_freedom: 18 },
        variance_factor: Some(2.31),
        variance_test: test(41.6, Verdict::TooLarge),
        variance_scale: 2.31,
        critical_value: 3.74,
        leave_one_out: Agreement { points: 15, horizontal: Some(0.0041), vertical: Some(0.0033) },
        withheld: vec![WithheldRow {
            setup: "S3 <yard>".into(),
            name: "C3".into(),
            residual: [0.0031, -0.0012, 0.0054],
            sigma: [0.0032, 0.0031, 0.0036],
            standardised: [1.0, -0.4, 1.5],
        }],
        withheld_agreement: Agreement { points: 1, horizontal: Some(0.0033), vertical: Some(0.0054) },
        suggested: vec![SuggestedRow {
            name: "C4".into(),
            setup: Some("S2 <yard>".into()),
            component: "east",
            standardised: 6.1,
            critical: 3.74,
            left_out: 0.0159,
            variance_factor: [Some(2.31), Some(0.94)],
            or_else: Vec::new(),
            reason: "target C4 in S2 <yard>, east: without it the rest of the network gives it a residual of 15.9 mm".into(),
        }],
        not_used: vec!["T9".into()],
        noise: 0.003,
        common: Some(0.0029),
    }
}

fn fit() -> Fit {
    let parameter = |name, value, sigma| Parameter {
        name,
        value,
        sigma,
        standardised: value / sigma,
        significant: f64::abs(value / sigma) > 1.96,
    };
    let point = |name: &str, before: f64, status: &'static str, reason: Option<&str>| FitPoint {
        name: name.to_string(),
        easting: 400_107.5,
        northing: 6_100_046.5,
        elevation: 12.345,
        survey_elevation: reason.is_none().then_some(12.345 + before),
        sigma: Some(0.014),
        status,
        reason: reason.map(str::to_string),
        before: reason.is_none().then_some(before),
        after: reason.is_none().then_some(before - 0.0312),
        left_out: (status == "used").then_some((before - 0.0312) / 0.7),
        redundancy: (status == "used").then_some(0.7),
        standardised: reason.is_none().then_some((before - 0.0312) / 0.0117),
        detectable: (status == "used").then_some(0.069),
    };
    let raw = |bias| RawFigures { compared: 12_490, bias: Some(bias), sd: Some(0.0291), rmse: Some(0.0418) };
    let fits = |points, mean, rms| Fits { points, mean: Some(mean), rms: Some(rms) };
    Fit {
        model: "plane",
        to: "control/flight.csv".into(),
        parameters: vec![
            parameter("shift", -0.0312, 0.0047),
            parameter("slope_east", 0.000_021, 0.000_034),
            parameter("slope_north", -0.000_113, 0.000_041),
        ],
        centre: [400_107.5, 6_100_046.5],
        covariance: vec![vec![2.2e-5, 0.0, 0.0], vec![0.0, 1.2e-9, 0.0], vec![0.0, 0.0, 1.7e-9]],
        redundancy: Redundancy { observations: 9, unknowns: 3, degrees_of_freedom: 6 },
        variance_factor: Some(1.12),
        variance_test: test(6.72, Verdict::Passed),
        variance_scale: 1.0,
        critical_value: 3.29,
        tilt: Some(Tilt { statistic: 8.4, limit: 5.99, significant: true }),
        before: fits(9, 0.0312, 0.0341),
        after: fits(9, 0.0, 0.0098),
        leave_one_out: fits(9, 0.0004, 0.0163),
        withheld: fits(1, -0.0071, 0.0071),
        points: vec![
            point("K1", 0.0402, "used", None),
            point("K2 & K3", 0.0951, "used", None),
            point("K4", 0.0241, "withheld", None),
            point("K5", 0.0, "not_used", Some("outside the survey")),
        ],
        suggested: vec![SuggestedPoint {
            name: "K2 & K3".into(),
            standardised: 5.5,
            critical: 3.29,
            left_out: 0.0913,
            variance_factor: [Some(1.12), Some(0.41)],
            or_else: Vec::new(),
            reason: "K2 & K3: a fit without it leaves it +91.3 mm (survey minus control)".into(),
        }],
        added: Some(Added {
            mean: -0.0309,
            min: -0.0371,
            max: -0.0252,
            sigma_of_mean: 0.0048,
            sigma: 0.0061,
        }),
        raw: Raw {
            returns: vec![
                RawReturn { return_number: 1, figures: raw(0.0321) },
                RawReturn { return_number: 2, figures: raw(0.0402) },
            ],
            all: raw(0.0336),
        },
    }
}

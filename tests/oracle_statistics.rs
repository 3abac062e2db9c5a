//! Distributions and tests of groups against scipy: `tests/oracle/reference_values.py` wrote the answers.

use echograde::stats::distributions::{
    chi_squared_quantile, chi_squared_sf, f_quantile, f_sf, ln_normal_cdf, normal_quantile, t_quantile, t_sf,
};
use echograde::stats::group_tests::{brown_forsythe, welch, welch_t};
use serde_json::Value;

fn section(name: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("oracle/reference_values.json")).unwrap();
    all[name].clone()
}

fn items(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[track_caller]
fn close(found: Option<f64>, expected: &Value, relative: f64, what: &Value) {
    let (found, expected) = (found.unwrap(), number(expected));
    // The median of t and of the normal distribution is 0, give or take what rounding leaves.
    let allowed = (relative * expected.abs()).max(1e-15);
    assert!((found - expected).abs() <= allowed, "{found}, expected {expected}: {what}");
}

#[test]
fn distributions_agree_with_scipy() {
    let all = section("distributions");
    for case in items(&all["normal"]) {
        close(normal_quantile(number(&case["p"])), &case["x"], 1e-13, case);
    }
    for case in items(&all["ln_normal_cdf"]) {
        close(Some(ln_normal_cdf(number(&case["x"]))), &case["ln"], 1e-13, case);
    }
    let df = |case: &Value| number(&case["df"]);
    for case in items(&all["t"]) {
        close(t_quantile(number(&case["p"]), df(case)), &case["x"], 1e-8, case);
    }
    for case in items(&all["chi_squared"]) {
        close(chi_squared_quantile(number(&case["p"]), df(case)), &case["x"], 1e-9, case);
    }
    for case in items(&all["f"]) {
        let found = f_quantile(number(&case["p"]), number(&case["df1"]), number(&case["df2"]));
        close(found, &case["x"], 1e-8, case);
    }
    for case in items(&all["tails"]) {
        let x = number(&case["x"]);
        close(t_sf(x, df(case)), &case["t"], 1e-8, case);
        close(f_sf(x, 3.0, df(case)), &case["f"], 1e-8, case);
        // Far out, what is left is a difference of nothing from nothing.
        if number(&case["chi_squared"]) > 1e-100 {
            close(chi_squared_sf(x * df(case), df(case)), &case["chi_squared"], 1e-6, case);
        }
    }
}

#[test]
fn tests_of_groups_agree_with_scipy() {
    for case in items(&section("group_tests")) {
        let groups: Vec<Vec<f64>> =
            items(&case["groups"]).iter().map(|g| items(g).iter().map(number).collect()).collect();
        let groups: Vec<&[f64]> = groups.iter().map(Vec::as_slice).collect();
        let found = welch(&groups).unwrap();
        close(Some(found.f), &case["welch"][0], 1e-9, case);
        close(Some(found.p), &case["welch"][1], 1e-9, case);
        let found = brown_forsythe(&groups).unwrap();
        close(Some(found.f), &case["brown_forsythe"][0], 1e-9, case);
        close(Some(found.p), &case["brown_forsythe"][1], 1e-9, case);
        let found = welch_t(groups[0], groups[1]).unwrap();
        close(Some(found.t), &case["welch_t"][0], 1e-9, case);
        close(Some(found.df), &case["welch_t"][1], 1e-9, case);
        close(Some(found.p), &case["welch_t"][2], 1e-9, case);
    }
}

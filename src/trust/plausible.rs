//! Differences that no survey has: their cause lies in units, systems or files, and no option of the program helps.

use crate::units::Unit;

/// Metres from which on a bias is beyond anything plausible: three times the coarsest common class (this program's own choice).
pub const LIMIT: f64 = 3.0;

/// The geoid lies within so many metres of the ellipsoid (from memory: −107 to +85 m; citation not verified), and what is
/// below the lower number is not said to be one.
const GEOID: (f64, f64) = (8.0, 110.0);

/// How near a ratio of elevations must come to that of foot and metre: headers give ranges, trees included.
const NEAR: f64 = 0.1;

/// The elevations of the two clouds, metres, as their headers state them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Elevations {
    /// Of the survey.
    pub survey: (f64, f64),
    /// Of the reference.
    pub reference: (f64, f64),
}

/// What a difference of `dz` metres, survey minus reference, most likely comes from, and what to do.
pub fn cause(dz: f64, elevations: Option<&Elevations>) -> String {
    let foot = Unit::Foot.micrometres() / 1e6;
    let ratio = elevations.map(|elevations| {
        let (low, high) = elevations.reference;
        let reference = (low + high) / 2.0;
        ((reference + dz) / reference, (elevations.survey.0 + elevations.survey.1) / 2.0 / reference)
    });
    let near = |wanted: f64| {
        ratio.is_some_and(|(by_dz, by_headers)| {
            [by_dz, by_headers].iter().any(|found| (found / wanted - 1.0).abs() < NEAR)
        })
    };
    let geoid = (GEOID.0..=GEOID.1).contains(&dz.abs());
    let unit = |which: &str, other: &str| {
        let else_geoid = if geoid {
            ". Where the units are right, one cloud has heights above the ellipsoid, the other above sea level"
        } else {
            ""
        };
        format!(
            "the elevations of the {which} are about 3.28 times those of the {other}, the ratio of the metre to the foot: one of them \
             is read in the wrong unit. State the right one with `units: {{vertical: …}}` beside `files:` (m, ft or ftUS){else_geoid}"
        )
    };
    if near(1.0 / foot) {
        unit("survey", "reference")
    } else if near(foot) {
        unit("reference", "survey")
    } else if geoid {
        "this is the size of a geoid height: one cloud probably has heights above the ellipsoid, the other above sea level. Transform \
         both to one vertical datum"
            .to_string()
    } else {
        "check that both are files of one site, with the right vertical unit, datum and offsets".to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cause_follows_from_the_size_and_the_ratio() {
        let at = |survey: (f64, f64), reference: (f64, f64)| {
            let dz = (survey.0 + survey.1 - reference.0 - reference.1) / 2.0;
            cause(dz, Some(&Elevations { survey, reference }))
        };
        assert!(
            at((328.0, 345.0), (100.0, 105.0)).starts_with("the elevations of the survey are about 3.28")
        );
        assert!(at((30.5, 32.0), (100.0, 105.0)).starts_with("the elevations of the reference are about"));
        assert!(at((147.0, 152.0), (100.0, 105.0)).contains("geoid"));
        assert!(at((147.0, 152.0), (900.0, 905.0)).starts_with("check that both"));
        assert!(cause(-32.0, None).contains("geoid"));
        assert!(cause(4.0, None).starts_with("check that both"));
    }
}

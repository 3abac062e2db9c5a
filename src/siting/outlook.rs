//! What checkpoints at the sites proposed would tell: how wide the 95 % intervals of so many are, and which limits that the last run
//! left inconclusive they would settle, if the figures stay as they are.
//!
//! Sites stand far apart, and are taken as independent: so intervals of so few points are those of t and chi-square.

use std::fs;
use std::path::Path;

use serde::Serialize;
use serde_json::Value;

use crate::standards::MIN_CHECKPOINTS;
use crate::stats::distributions::{chi_squared_quantile, t_quantile};
use crate::tile::strata::Cover;
use crate::units::Unit;

/// A limit that the last run left inconclusive; lengths in the unit of its report.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenLimit {
    /// The limit, for people.
    pub text: String,
    /// What is limited: `rmse`, `bias`, `sd`, `class`, `share` or `coverage`.
    pub measure: String,
    /// The limit as a number.
    pub bound: f64,
    /// What was found.
    pub value: Option<f64>,
    /// Its 95 % interval.
    pub ci95: Option<[f64; 2]>,
    /// Standard deviation of dz in its group.
    sd: Option<f64>,
    /// The cover that it is for, as results name it.
    cover: Option<String>,
    /// The class of slope that it is for.
    slope: Option<String>,
}

/// How badly ground of a kind needs checkpoints, worst first.
#[derive(Clone, Debug, PartialEq)]
pub enum Need {
    /// A limit for it is inconclusive.
    Inconclusive(String),
    /// The last run had fewer comparisons there than the standard asks for.
    FewComparisons(u64),
    /// Neither.
    Known,
}

impl Need {
    /// 0 for the worst.
    pub fn rank(&self) -> u8 {
        match self {
            Need::Inconclusive(_) => 0,
            Need::FewComparisons(_) => 1,
            Need::Known => 2,
        }
    }
}

/// What the last run of the pipeline file knew.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Limits that are inconclusive.
    pub open: Vec<OpenLimit>,
    /// Limits in all.
    pub limits: usize,
    /// Comparisons by cover and by class of slope, as results name them.
    compared: Vec<(String, u64)>,
    /// The unit of the report.
    pub units: Unit,
}

impl Known {
    /// What `summary.json` in a run folder says; nothing where there is none, and why where it cannot be used.
    ///
    /// # Errors
    /// A file that is there and cannot be read as a summary.
    pub fn read(folder: &Path) -> Result<Option<Self>, String> {
        let path = folder.join("summary.json");
        let text = match fs::read(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(format!("{}: {error}", path.display())),
        };
        let summary = serde_json::from_slice(&text).ok().and_then(|summary| Known::of(&summary));
        summary.map(Some).ok_or_else(|| format!("{}: this is not a summary of a run", path.display()))
    }

    fn of(summary: &Value) -> Option<Self> {
        let limits = summary["accept"].as_array()?;
        let text = |value: &Value| value.as_str().map(str::to_string);
        let groups = summary["groups"].as_array()?.iter().chain(summary["returns"].as_array()?);
        let groups: Vec<&Value> = groups.collect();
        let sd_of = |group: &Value| {
            let by_return = |row: &Value| {
                group.as_object().is_some_and(|map| map.len() == 1)
                    && row["by"].is_null()
                    && row["return"] == group["return"]
            };
            let row = match group.as_object().is_some_and(serde_json::Map::is_empty) {
                true => Some(&summary["all"]),
                false => groups.iter().copied().find(|row| row["by"] == *group || by_return(row)),
            };
            row?["sd"].as_f64()
        };
        let open = limits.iter().filter(|limit| limit["verdict"] == "inconclusive").map(|limit| OpenLimit {
            text: text(&limit["limit"]).unwrap_or_default(),
            measure: text(&limit["measure"]).unwrap_or_default(),
            bound: limit["bound"].as_f64().unwrap_or(f64::NAN),
            value: limit["value"].as_f64(),
            ci95: serde_json::from_value(limit["ci95"].clone()).ok(),
            sd: sd_of(&limit["group"]),
            cover: text(&limit["group"]["cover"]),
            slope: text(&limit["group"]["slope"]),
        });
        let represented = &summary["represented"];
        let rows = ["covers", "slopes"].iter().filter_map(|key| represented[*key].as_array()).flatten();
        let compared = rows.filter_map(|row| {
            let by = row["by"].as_object()?.values().next()?.as_str()?;
            Some((by.to_string(), row["compared"].as_u64()?))
        });
        Some(Known {
            open: open.collect(),
            limits: limits.len(),
            compared: compared.collect(),
            units: serde_json::from_value(summary["units"].clone()).ok()?,
        })
    }

    /// How badly ground under a cover and of a class of slope needs checkpoints.
    pub fn need(&self, cover: Cover, slope: &str) -> Need {
        let limit = self.open.iter().find(|limit| limit.holds(cover, slope) && limit.rests_on_points());
        if let Some(limit) = limit {
            return Need::Inconclusive(limit.text.clone());
        }
        let compared = |name: &str| self.compared.iter().find(|(of, _)| of == name).map(|(_, n)| *n);
        let fewest = [compared(cover.word()), compared(slope)].into_iter().flatten().min();
        fewest.filter(|n| *n < MIN_CHECKPOINTS).map_or(Need::Known, Need::FewComparisons)
    }
}

impl OpenLimit {
    /// Whether ground under a cover and of a class of slope is in its group.
    pub fn holds(&self, cover: Cover, slope: &str) -> bool {
        self.cover.as_deref().is_none_or(|own| own == cover.word())
            && self.slope.as_deref().is_none_or(|own| own == slope)
    }

    /// Whether checkpoints say something of it.
    pub fn rests_on_points(&self) -> bool {
        !matches!(self.measure.as_str(), "share" | "coverage")
    }

    /// The interval that `n` independent checkpoints would give.
    fn interval(&self, n: u64) -> Option<[f64; 2]> {
        let value = self.value?;
        match self.measure.as_str() {
            "rmse" | "class" => Some(rmse_factors(n)?.map(|factor| factor * value)),
            "sd" => {
                let [low, high] = rmse_factors(n.checked_sub(1)?)?;
                Some([low * value, high * value])
            }
            "bias" => {
                let half = bias_half(n)? * self.sd?;
                Some([value - half, value + half])
            }
            _ => None,
        }
    }

    /// Whether an interval of `n` checkpoints lies on one side of the limit: met, or missed; nothing where it holds the limit, or under
    /// the number that the standard asks for.
    fn decided(&self, n: u64) -> Option<bool> {
        let [low, high] = self.interval(n).filter(|_| n >= MIN_CHECKPOINTS)?;
        if low.max(-high) > self.bound {
            return Some(false);
        }
        (high.max(-low) <= self.bound).then_some(true)
    }

    /// What `sites` checkpoints in its group would tell.
    pub fn outlook(&self, sites: u64) -> Outlook {
        let expected = match (self.rests_on_points(), self.value, self.decided(sites)) {
            (false, ..) | (_, None, _) => "unknown",
            (_, _, Some(true)) => "met",
            (_, _, Some(false)) => "missed",
            (_, _, None) => "inconclusive",
        };
        let needed = || {
            // The interval only narrows.
            let (mut low, mut high) = (MIN_CHECKPOINTS, MOST_SITES);
            self.decided(high)?;
            while low < high {
                let middle = (low + high) / 2;
                if self.decided(middle).is_some() { high = middle } else { low = middle + 1 }
            }
            Some(high)
        };
        Outlook {
            limit: self.text.clone(),
            measure: self.measure.clone(),
            bound: self.bound,
            value: self.value,
            ci95: self.ci95,
            sites,
            expected_ci95: self.interval(sites),
            expected,
            sites_needed: needed(),
        }
    }
}

/// More checkpoints than that nobody measures.
const MOST_SITES: u64 = 2000;

/// What checkpoints at the sites proposed would tell of a limit that is inconclusive; lengths in the unit of that run's report.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlook {
    /// The limit, for people.
    pub limit: String,
    /// What is limited.
    pub measure: String,
    /// The limit as a number.
    pub bound: f64,
    /// What the last run found.
    pub value: Option<f64>,
    /// Its 95 % interval there.
    pub ci95: Option<[f64; 2]>,
    /// Sites proposed in its group.
    pub sites: u64,
    /// The 95 % interval of so many checkpoints, if the figure stays as it is.
    pub expected_ci95: Option<[f64; 2]>,
    /// The verdict then: `met`, `missed`, `inconclusive`, or `unknown` where checkpoints say nothing of it or there is no figure.
    pub expected: &'static str,
    /// Checkpoints from which on there is a verdict, if the figure stays as it is; nothing where more than 2,000.
    pub sites_needed: Option<u64>,
}

/// The ends of the 95 % interval of an RMSE from so many independent checkpoints, over the RMSE itself.
pub fn rmse_factors(n: u64) -> Option<[f64; 2]> {
    let n = n as f64;
    let factor = |p: f64| Some((n / chi_squared_quantile(p, n)?).sqrt());
    Some([factor(0.975)?, factor(0.025)?])
}

/// Half the 95 % interval of a bias from so many independent checkpoints, over the SD.
pub fn bias_half(n: u64) -> Option<f64> {
    Some(t_quantile(0.975, n.checked_sub(1)? as f64)? / (n as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn summary() -> Value {
        let limit = |text: &str, group: Value, measure: &str, bound: f64, value: f64, verdict: &str| json!({"limit": text, "group": group, "measure": measure, "bound": bound, "value": value, "verdict": verdict, "ci95": [0.0, 1.0]});
        json!({
            "units": "m", "all": {"sd": 0.03}, "returns": [{"return": 2, "sd": 0.05}],
            "groups": [{"by": {"cover": "canopy"}, "sd": 0.06}],
            "accept": [
                limit("open", json!({"cover": "open"}), "class", 0.05, 0.02, "met"),
                limit("canopy", json!({"cover": "canopy"}), "rmse", 0.08, 0.07, "inconclusive"),
                limit("bias", json!({"return": 2}), "bias", 0.02, -0.01, "inconclusive"),
                limit("coverage", json!({}), "coverage", 0.95, 0.94, "inconclusive"),
            ],
            "represented": {
                "covers": [{"by": {"cover": "open"}, "compared": 900}, {"by": {"cover": "low"}, "compared": 12}],
                "slopes": [{"by": {"slope": "<0.1"}, "compared": 900}, {"by": {"slope": "0.1-0.2"}, "compared": 0}],
            },
        })
    }

    /// Factors of RMSE and SD, and of t, from published tables: n = 30 and 60.
    #[test]
    fn intervals_of_so_many_points_are_those_of_the_tables() {
        let near = |a: f64, b: f64| (a - b).abs() < 5e-6;
        // Of n − 1 = 29 and 59 degrees of freedom, the factors of an SD: 0.796407 to 1.344315, 0.847634 to 1.219662.
        for (df, low, high) in [(29, 0.796_407, 1.344_315), (59, 0.847_634, 1.219_662)] {
            let [a, b] = rmse_factors(df).unwrap();
            assert!(near(a, low) && near(b, high), "{a} {b}");
        }
        // t(29, 0.975) = 2.045230.
        assert!(near(bias_half(30).unwrap(), 2.045_230 / 30f64.sqrt()));
        assert_eq!((rmse_factors(0), bias_half(1), bias_half(0)), (None, None, None));
    }

    #[test]
    fn what_the_last_run_left_open_comes_first_and_what_points_settle_of_it_is_told() {
        let known = Known::of(&summary()).unwrap();
        assert_eq!((known.open.len(), known.limits), (3, 4));
        let mut known_without_bias = known.clone();
        known_without_bias.open.retain(|limit| limit.measure != "bias");
        let need = |cover, slope| known_without_bias.need(cover, slope);
        assert_eq!(need(Cover::Canopy, "<0.1"), Need::Inconclusive("canopy".into()));
        assert_eq!(need(Cover::Open, "<0.1"), Need::Known);
        assert_eq!(need(Cover::Open, "0.1-0.2"), Need::FewComparisons(0));
        assert_eq!(need(Cover::Low, "<0.1"), Need::FewComparisons(12));
        assert_eq!(known.need(Cover::Open, "<0.1"), Need::Inconclusive("bias".into()));

        let [canopy, bias, coverage] = &known.open[..] else { panic!() };
        // 70 mm against 80 mm: the upper end comes to 80 mm where √(n / χ²) is 8/7.
        let needed = canopy.outlook(30).sites_needed.unwrap();
        assert!(canopy.decided(needed) == Some(true) && canopy.decided(needed - 1).is_none());
        let ratio = |n: u64| rmse_factors(n).unwrap()[1];
        assert!(ratio(needed) <= 8.0 / 7.0 && ratio(needed - 1) > 8.0 / 7.0);
        assert_eq!(canopy.outlook(30).expected, "inconclusive");
        assert_eq!(canopy.outlook(needed).expected, "met");
        assert_eq!(canopy.outlook(29).expected, "inconclusive");
        // −10 ± t · 50/√n mm against 20 mm either way: the group's own SD.
        assert_eq!(
            bias.outlook(30).expected_ci95.unwrap(),
            [-0.01 - 0.05 * bias_half(30).unwrap(), -0.01 + 0.05 * bias_half(30).unwrap()]
        );
        assert_eq!(bias.outlook(120).expected, "met");
        assert_eq!((coverage.outlook(99).expected, coverage.outlook(99).sites_needed), ("unknown", None));
        let missed = OpenLimit { value: Some(0.13), ..canopy.clone() };
        assert_eq!(missed.outlook(40).expected, "missed");
    }

    #[test]
    fn a_summary_that_is_none_is_said_to_be() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Known::read(folder.path()), Ok(None));
        fs::write(folder.path().join("summary.json"), "{\"accept\": 7}").unwrap();
        assert!(Known::read(folder.path()).unwrap_err().contains("not a summary"));
    }
}

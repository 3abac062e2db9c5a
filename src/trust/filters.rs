//! What the counts of several settings of the ground filter speak for.
//!
//! A setting is judged by what it truncates of the residuals and by what it refuses of the reference's ground. Never by bias, SD or
//! RMSE: the smallest error may be the one of which the most was cut off, and to choose it would be to choose the answer.

use serde_json::Value;

use crate::results::filters::{FilterReturn, FilterSetting};
use crate::results::format::percent;
use crate::results::statistics::Support;
use crate::trust::matching::{REFUSED, largest_refused};
use crate::trust::warnings::MANY_NEAR_LIMIT;

/// Shares that differ by less than this are called alike. This program's own choice.
const ALIKE: f64 = 0.01;

/// A setting and what it is judged by.
struct Judged<'a> {
    setting: &'a FilterSetting,
    /// Its options for people.
    name: String,
    /// The largest share near the limit among returns with comparisons enough, and that return.
    truncation: Option<(f64, u8)>,
    /// The largest share refused of the reference, among notable slope classes.
    refused: Option<f64>,
}

impl<'a> Judged<'a> {
    fn of(setting: &'a FilterSetting, own: &FilterSetting) -> Self {
        let enough = |row: &&FilterReturn| row.compared >= Support::FEWEST_COMPARISONS;
        let near = setting.returns.iter().filter(enough);
        let near = near.filter_map(|row| Some((row.within_sd_of_limit?, row.return_number?)));
        let reference = setting.reference.as_ref();
        Judged {
            setting,
            name: name(setting, own),
            truncation: near.max_by(|a, b| a.0.total_cmp(&b.0)),
            refused: reference.and_then(|reference| largest_refused(&reference.by_slope)),
        }
    }

    fn near(&self) -> f64 {
        self.truncation.map_or(0.0, |(near, _)| near)
    }

    /// Whether nothing of it would be warned of.
    fn passes(&self) -> bool {
        self.near() < MANY_NEAR_LIMIT && self.refused.is_none_or(|refused| refused <= REFUSED)
    }
}

/// What a setting is called: the options in which it differs from the run's own, `dh_initial 0.2 m, slope 0.5`; of the run's own all in
/// which some other differs.
pub fn name(setting: &FilterSetting, own: &FilterSetting) -> String {
    let is_own = setting.options == own.options;
    let differs = |(key, value): &(&String, &Value)| is_own || own.options.get(*key) != Some(value);
    let options = setting.options.iter().filter(differs).map(|(key, value)| {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_string);
        format!("{key} {value}")
    });
    options.collect::<Vec<_>>().join(", ")
}

/// What the counts speak for, in sentences.
pub fn suggestion(own: &FilterSetting, alternatives: &[FilterSetting]) -> String {
    let all: Vec<Judged> = [own].into_iter().chain(alternatives).map(|one| Judged::of(one, own)).collect();
    if all.iter().all(|one| one.truncation.is_none()) {
        return "Too few comparisons to judge the settings by what they truncate: only their counts can be compared."
            .to_string();
    }
    let accepts = |one: &Judged| one.setting.all.ground;
    let passing = all.iter().enumerate().filter(|(_, one)| one.passes());
    let verdict = match passing.min_by_key(|(i, one)| (accepts(one), *i)) {
        None => none_passes(&all),
        Some((0, _)) => format!(
            "The run's own setting ({}) truncates no return much ({}), and is the tightest that does not.",
            all[0].name,
            judged(&all[0])
        ),
        Some((at, one)) => {
            let compared = compared(&all[0], one);
            let own = match (all[0].passes(), all[0].truncation) {
                (true, _) => {
                    "The run's own setting would do as well, and accepts more than it takes.".to_string()
                }
                (false, Some((near, number))) if near >= MANY_NEAR_LIMIT => {
                    format!("The run's own setting truncates return {number}.")
                }
                _ => "The run's own setting refuses ground of the reference for its slope.".to_string(),
            };
            let looser: Vec<&Judged> = all
                .iter()
                .enumerate()
                .filter(|(i, other)| *i != at && accepts(other) > accepts(one))
                .map(|(_, other)| other)
                .collect();
            let gained = looser.iter().any(|other| one.near() - other.near() > ALIKE);
            let beyond = match (looser.is_empty(), gained) {
                (true, _) => "",
                (false, true) => " Looser settings truncate still less.",
                (false, false) => {
                    " Nothing is gained above it: what looser settings accept besides may be low vegetation or roofs."
                }
            };
            format!(
                "{} is the tightest setting that truncates no return much. {compared} {own}{beyond}",
                one.name
            )
        }
    };
    format!(
        "{verdict} Judged by truncation and by what is refused of the reference alone, never by how small the error comes out; the run \
         rests on its own setting whatever is said here."
    )
}

/// What one setting does beside the run's own, for the return of which that truncates most.
fn compared(own: &Judged, one: &Judged) -> String {
    let Some((near, number)) = own.truncation else { return judged(one) + "." };
    let of = |setting: &FilterSetting| {
        setting.returns.iter().find(|row| row.return_number == Some(number)).cloned().unwrap_or_default()
    };
    let (before, after) = (of(own.setting), of(one.setting));
    let change = match before.ground {
        0 => String::new(),
        ground => {
            let change = after.ground as f64 / ground as f64 - 1.0;
            let way = if change < 0.0 { "less" } else { "more" };
            format!(
                "keeps {} % {way} of return {number}'s ground than the run's own, and ",
                percent(change.abs())
            )
        }
    };
    let refused = match (own.refused, one.refused) {
        (Some(own), Some(one)) => format!(
            "; of the reference, {} % instead of {} % is refused for its slope in the worst slope class",
            percent(one),
            percent(own)
        ),
        _ => String::new(),
    };
    format!(
        "It {change}has {} % instead of {} % of its comparisons within one SD of the limit{refused}.",
        percent(after.within_sd_of_limit.unwrap_or(0.0)),
        percent(near)
    )
}

/// `at most 0.4 % within one SD of the limit, return 5`.
fn judged(one: &Judged) -> String {
    match one.truncation {
        Some((near, number)) => {
            format!(
                "at most {} % of the comparisons within one SD of the limit, return {number}",
                percent(near)
            )
        }
        None => "too few comparisons".to_string(),
    }
}

fn none_passes(all: &[Judged]) -> String {
    let least = all.iter().min_by(|a, b| {
        let refused = |one: &Judged| one.refused.unwrap_or(0.0);
        a.near().total_cmp(&b.near()).then(refused(a).total_cmp(&refused(b)))
    });
    let Some(least) = least else { return String::new() };
    let refused = least.refused.filter(|refused| *refused > REFUSED);
    let why = match (least.near() >= MANY_NEAR_LIMIT, refused) {
        (true, _) => "try a larger `dh_initial`, or use the truncation-corrected figures".to_string(),
        (false, refused) => format!(
            "but {} % of the reference's ground in the worst slope class is refused for its slope: try `local_slope: true` or a \
             smaller `cell`",
            percent(refused.unwrap_or(0.0))
        ),
    };
    format!(
        "No setting is free of warnings. The least is truncated with {} ({}); {why}.",
        least.name,
        judged(least)
    )
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::results::filters::FilterReference;
    use crate::results::slope_row::SlopeRow;

    /// A setting with the ground points of return 5, its share near the limit, RMSE, and what is refused of 1,000 points.
    fn setting(dh: &str, ground: u64, near: f64, rmse: f64, refused: u64) -> FilterSetting {
        let row = FilterReturn {
            return_number: Some(5),
            ground,
            compared: ground / 10,
            rmse: Some(rmse),
            within_sd_of_limit: Some(near),
            ..FilterReturn::default()
        };
        let by_slope = vec![SlopeRow {
            slope: "<0.1".to_string(),
            ground: 1_000 - refused,
            above_ground: refused,
            slope_refused: refused,
        }];
        FilterSetting {
            options: [("dh_initial".to_string(), json!(dh))].into_iter().collect(),
            all: FilterReturn { return_number: None, ..row.clone() },
            returns: vec![row],
            coverage: None,
            reference: Some(FilterReference { ground: 1_000 - refused, by_slope, share_refused: None }),
        }
    }

    #[test]
    fn the_tightest_setting_that_truncates_little_is_named_whatever_the_errors() {
        let own = setting("0.3 m", 1_000, 0.06, 0.01, 4);
        let alternatives = [
            setting("0.2 m", 800, 0.15, 0.005, 9),
            setting("0.4 m", 1_120, 0.004, 0.09, 2),
            setting("0.6 m", 1_200, 0.001, 0.2, 1),
        ];
        let text = suggestion(&own, &alternatives);
        assert!(text.starts_with("dh_initial 0.4 m is the tightest setting"), "{text}");
        assert!(text.contains("keeps 12.0 % more of return 5's ground"), "{text}");
        assert!(text.contains("0.4 % instead of 6.0 % of its comparisons"), "{text}");
        assert!(text.contains("0.2 % instead of 0.4 % is refused"), "{text}");
        assert!(
            text.contains("The run's own setting truncates return 5. Nothing is gained above it"),
            "{text}"
        );
        assert!(text.contains("never by how small the error comes out"), "{text}");
        // Errors change nothing.
        let mut other = alternatives.clone();
        other.iter_mut().for_each(|one| one.returns[0].rmse = Some(1.0 - one.returns[0].rmse.unwrap()));
        assert_eq!(suggestion(&own, &other), text);
    }

    #[test]
    fn the_own_setting_may_be_enough_and_none_may_be() {
        let own = setting("0.5 m", 1_000, 0.01, 0.01, 4);
        let text =
            suggestion(&own, &[setting("0.3 m", 900, 0.05, 0.01, 4), setting("0.8 m", 1_100, 0.0, 0.1, 4)]);
        assert!(
            text.starts_with(
                "The run's own setting (dh_initial 0.5 m) truncates no return much (at most 1.0 %"
            ),
            "{text}"
        );
        let text = suggestion(&setting("0.1 m", 500, 0.3, 0.01, 90), &[setting("0.2 m", 700, 0.1, 0.01, 80)]);
        assert!(text.contains("The least is truncated with dh_initial 0.2 m"), "{text}");
        assert!(text.contains("try a larger `dh_initial`"), "{text}");
        let text = suggestion(&setting("0.6 m", 900, 0.001, 0.01, 90), &[]);
        assert!(
            text.contains("but 9.0 % of the reference's ground") && text.contains("`local_slope: true`"),
            "{text}"
        );
        let few = setting("0.6 m", 90, 0.001, 0.01, 90);
        assert!(suggestion(&few, &[]).starts_with("Too few comparisons"));
    }
}

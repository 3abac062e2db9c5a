//! What must be said before any figure: that they cannot be right, or that part of a cloud is not in them.

use crate::results::confidence::WarningCode;
use crate::results::format::{percent, thousands};
use crate::results::summary::{CloudCounts, Summary};

/// A bias that cannot be, and lost points; none where the figures may be right and both clouds are whole.
pub fn data_loss(summary: &Summary) -> Vec<String> {
    let clouds = [Some(("survey", &summary.survey)), summary.reference.as_ref().map(|c| ("reference", c))];
    let clouds = clouds.into_iter().flatten();
    let lost = clouds
        .flat_map(|(cloud, counts)| [damaged_blocks(cloud, counts), out_of_range(cloud, counts)])
        .flatten();
    implausible(summary).map(str::to_string).into_iter().chain(lost).collect()
}

/// A bias beyond anything plausible.
pub fn implausible(summary: &Summary) -> Option<&str> {
    let first = summary.trust.warnings.first()?;
    (first.code == WarningCode::ImplausibleBias).then_some(first.text.as_str())
}

fn of_all(part: u64, counts: &CloudCounts) -> String {
    let share = percent(part as f64 / counts.read.max(1) as f64);
    format!("{} of {} points ({share} %)", thousands(part), thousands(counts.read))
}

fn damaged_blocks(cloud: &str, counts: &CloudCounts) -> Option<String> {
    let blocks = match counts.damaged_blocks {
        0 => return None,
        1 => "A damaged block".to_string(),
        n => format!("{} damaged blocks", thousands(n)),
    };
    let verb = if counts.damaged_blocks == 1 { "was" } else { "were" };
    Some(format!(
        "{blocks} of the {cloud} {verb} skipped: {} are lost. The ground that they cover is missing from all \
         figures here. Copy or export the files again; manifest.json names file and position of each block.",
        of_all(counts.lost_points, counts)
    ))
}

/// Impossible coordinates are a sign of damage that decoding did not notice.
fn out_of_range(cloud: &str, counts: &CloudCounts) -> Option<String> {
    (counts.out_of_range > 0).then(|| {
        format!(
            "Of the {cloud} {} have impossible coordinates (4.5 million km from the origin, or 200 km above or below it) and \
             were not used: a file is damaged, or its scale factors or offsets are wrong.",
            of_all(counts.out_of_range, counts)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::accounting;
    use crate::report::text;

    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn whole_clouds_give_no_warning_and_lost_points_one_before_all_figures() {
        let (mut summary, pictures) = sample::five_returns(Unit::Metre);
        assert!(data_loss(&summary).is_empty());
        assert!(!crate::report::html::page(&summary, &pictures).contains("class=\"data-loss\""));
        summary.survey.read = 2_000_000;
        (summary.survey.damaged_blocks, summary.survey.lost_points) = (3, 150_000);
        let warnings = data_loss(&summary);
        assert_eq!(warnings.len(), 1);
        assert!(
            warnings[0].starts_with(
                "3 damaged blocks of the survey were skipped: 150,000 of 2,000,000 points (7.5 %)"
            )
        );
        let page = crate::report::html::page(&summary, &pictures);
        let (warning, table) = (page.find("class=\"data-loss\"").unwrap(), page.find("<table").unwrap());
        assert!(warning < table);
        let text = text::result_text(&summary);
        let line = text.lines().find(|line| line.starts_with("WARNING: 3 damaged blocks"));
        assert!(line.is_some(), "{text}");
        assert!(text.find("WARNING").unwrap() < text.find("By return;").unwrap());
        let lines = accounting::lines(&summary.survey, None);
        assert_eq!((lines[0].label.as_str(), lines[0].counts[0]), ("lost in damaged blocks", Some(150_000)));
    }

    #[test]
    fn impossible_coordinates_are_reported_too() {
        let (mut summary, _) = sample::one_comparison();
        summary.reference.as_mut().unwrap().out_of_range = 5;
        assert!(data_loss(&summary)[0].starts_with("Of the reference 5 of "));
    }
}

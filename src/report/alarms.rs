//! What must be said before any figure: that part of a cloud is not in them.

use crate::results::format::{percent, thousands};
use crate::results::summary::{CloudCounts, Summary};

/// What a reader must know before the figures; nothing where both clouds are whole.
pub fn alarms(summary: &Summary) -> Vec<String> {
    let clouds = [Some(("survey", &summary.survey)), summary.reference.as_ref().map(|c| ("reference", c))];
    let clouds = clouds.into_iter().flatten();
    clouds.flat_map(|(cloud, counts)| [lost(cloud, counts), far_out(cloud, counts)]).flatten().collect()
}

fn of_all(part: u64, counts: &CloudCounts) -> String {
    let share = percent(part as f64 / counts.read.max(1) as f64);
    format!("{} of {} points ({share} %)", thousands(part), thousands(counts.read))
}

fn lost(cloud: &str, counts: &CloudCounts) -> Option<String> {
    let blocks = match counts.damaged_blocks {
        0 => return None,
        1 => "A damaged block".to_string(),
        n => format!("{} damaged blocks", thousands(n)),
    };
    let verb = if counts.damaged_blocks == 1 { "was" } else { "were" };
    Some(format!(
        "{blocks} of the {cloud} {verb} skipped: {} are lost. Whatever lies on the ground they covered is in no figure \
         here. Copy or export the files anew; manifest.json names file and place of each block.",
        of_all(counts.lost_points, counts)
    ))
}

/// Points beyond all coordinates are a sign of damage that decoding did not notice.
fn far_out(cloud: &str, counts: &CloudCounts) -> Option<String> {
    (counts.out_of_range > 0).then(|| {
        format!(
            "Of the {cloud} {} lie where nothing can (4.5 million km from the origin or 200 km above or below it) and were \
             left out: a file is damaged, or its scale factors or offsets are wrong.",
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
    fn whole_clouds_raise_no_alarm_and_lost_points_a_loud_one() {
        let (mut summary, histogram) = sample::five_returns(Unit::Metre);
        assert!(alarms(&summary).is_empty());
        assert!(!crate::report::html::page(&summary, &histogram).contains("class=\"alarm\""));
        summary.survey.read = 2_000_000;
        (summary.survey.damaged_blocks, summary.survey.lost_points) = (3, 150_000);
        let told = alarms(&summary);
        assert_eq!(told.len(), 1);
        assert!(
            told[0].starts_with(
                "3 damaged blocks of the survey were skipped: 150,000 of 2,000,000 points (7.5 %)"
            )
        );
        let page = crate::report::html::page(&summary, &histogram);
        let (alarm, table) = (page.find("class=\"alarm\"").unwrap(), page.find("<table").unwrap());
        assert!(alarm < table);
        let text = text::result_text(&summary);
        let line = text.lines().find(|line| line.starts_with("WARNING: 3 damaged blocks"));
        assert!(line.is_some(), "{text}");
        assert!(text.find("WARNING").unwrap() < text.find("By return;").unwrap());
        let ledger = accounting::ledger(&summary.survey, None);
        assert_eq!(
            (ledger[0].label.as_str(), ledger[0].counts[0]),
            ("lost in damaged blocks", Some(150_000))
        );
    }

    #[test]
    fn points_far_out_are_told_too() {
        let (mut summary, _) = sample::one_place();
        summary.reference.as_mut().unwrap().out_of_range = 5;
        assert!(alarms(&summary)[0].starts_with("Of the reference 5 of "));
    }
}

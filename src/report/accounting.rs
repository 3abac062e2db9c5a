//! Point accounting: each point read is counted once.

use std::collections::BTreeMap;

use crate::results::format::thousands;
use crate::results::summary::CloudCounts;
use crate::tile::points::GroundFrom;

/// Why one point of a cloud is not ground, in the order in which points are judged, and how many there are.
struct Reason {
    order: (u8, usize),
    label: String,
    count: u64,
}

fn reasons(counts: &CloudCounts) -> Vec<Reason> {
    let reason = |order, label: &str, count| Reason { order: (order, 0), label: label.to_string(), count };
    let mut all = vec![
        reason(1, "flagged withheld", counts.withheld),
        reason(2, "with impossible coordinates", counts.out_of_range),
    ];
    if counts.lost_points > 0 {
        all.insert(0, reason(0, "lost in damaged blocks", counts.lost_points));
    }
    if counts.outside_area > 0 {
        let label = "in COPC nodes outside the area of select (not decoded)";
        all.insert(0, Reason { order: (0, 1), label: label.to_string(), count: counts.outside_area });
    }
    all.extend(counts.select.iter().map(|select| Reason {
        order: (3, select.stage),
        label: format!("not selected (stage {})", select.stage),
        count: select.not_selected,
    }));
    all.push(reason(4, "classified as noise (7 or 18)", counts.noise));
    match counts.ground_from {
        Some(GroundFrom::Classes) => {
            all.push(reason(7, "of other classes than ground (2)", counts.other_class))
        }
        _ => all.extend([
            reason(5, "low outliers", counts.low_outlier),
            reason(6, "above the ground (rejected by the filter)", counts.above_ground),
        ]),
    }
    all
}

/// Points that no reason accounts for: selected, but without a ground filter.
fn not_filtered(counts: &CloudCounts) -> u64 {
    let accounted: u64 = reasons(counts).iter().map(|reason| reason.count).sum();
    counts.read.saturating_sub(accounted + counts.ground)
}

/// One line of the account of points: what happened to them, and how many of the survey and of the reference
/// (none where the line does not apply to that cloud).
pub struct AccountLine {
    /// What happened to these points.
    pub label: String,
    /// How many of the survey, and of the reference.
    pub counts: [Option<u64>; 2],
}

/// The lines of the account: each point read is counted once.
pub fn lines(survey: &CloudCounts, reference: Option<&CloudCounts>) -> Vec<AccountLine> {
    let mut lines: BTreeMap<(u8, usize), AccountLine> = BTreeMap::new();
    for (cloud, counts) in [Some(survey), reference].into_iter().enumerate() {
        let Some(counts) = counts else { continue };
        let mut all = reasons(counts);
        let rest = not_filtered(counts);
        if rest > 0 {
            all.push(Reason {
                order: (8, 0),
                label: "selected, not ground-filtered".to_string(),
                count: rest,
            });
        }
        all.push(Reason { order: (9, 0), label: "accepted as ground".to_string(), count: counts.ground });
        for Reason { order, label, count } in all {
            lines.entry(order).or_insert(AccountLine { label, counts: [None, None] }).counts[cloud] =
                Some(count);
        }
    }
    lines.into_values().collect()
}

/// The points of one cloud that are not ground, in one sentence; none where every point is ground.
pub fn not_ground(cloud: &str, counts: &CloudCounts) -> Option<String> {
    let mut parts: Vec<_> = reasons(counts)
        .iter()
        .filter(|reason| reason.count > 0)
        .map(|reason| format!("{} {}", thousands(reason.count), reason.label))
        .collect();
    if not_filtered(counts) > 0 {
        parts.push(format!("{} not ground-filtered", thousands(not_filtered(counts))));
    }
    let mut text = String::new();
    if !parts.is_empty() {
        text = format!("Points of the {cloud} that are not ground: {}.", parts.join(", "));
    }
    if counts.invalid_return > 0 {
        let n = thousands(counts.invalid_return);
        let invalid =
            format!("Excluded from per-return results: {n} of the {cloud} with an invalid return number.");
        text = if text.is_empty() { invalid } else { format!("{text} {invalid}") };
    }
    (!text.is_empty()).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn each_point_is_counted_once() {
        let summary = sample::five_returns(Unit::Metre).0;
        let lines = lines(&summary.survey, summary.reference.as_ref());
        for (cloud, read) in [summary.survey.read, summary.reference.unwrap().read].into_iter().enumerate() {
            assert_eq!(lines.iter().filter_map(|line| line.counts[cloud]).sum::<u64>(), read);
        }
        let unfiltered = CloudCounts { read: 10, withheld: 1, ..CloudCounts::default() };
        assert_eq!(
            not_ground("survey", &unfiltered).unwrap(),
            "Points of the survey that are not ground: 1 flagged withheld, 9 not ground-filtered."
        );
        let delivered = CloudCounts {
            read: 12,
            noise: 2,
            other_class: 7,
            ground: 3,
            ground_from: Some(GroundFrom::Classes),
            ..CloudCounts::default()
        };
        assert_eq!(
            not_ground("survey", &delivered).unwrap(),
            "Points of the survey that are not ground: 2 classified as noise (7 or 18), 7 of other classes than ground (2)."
        );
        // Beside a filtered reference, each line that does not apply to a cloud is left empty.
        let filtered = CloudCounts { read: 4, above_ground: 1, ground: 3, ..CloudCounts::default() };
        let lines = super::lines(&delivered, Some(&filtered));
        let of = |label: &str| lines.iter().find(|line| line.label.contains(label)).unwrap().counts;
        assert_eq!((of("other classes"), of("above the ground")), ([Some(7), None], [None, Some(1)]));
        assert_eq!(not_ground("survey", &CloudCounts { read: 3, ground: 3, ..CloudCounts::default() }), None);
    }
}

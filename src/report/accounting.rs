//! Point accounting: where every point read went, in lines for people.

use std::collections::BTreeMap;

use crate::results::format::thousands;
use crate::results::summary::CloudCounts;

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
        reason(2, "out of the usable range", counts.out_of_range),
    ];
    if counts.lost_points > 0 {
        all.insert(0, reason(0, "lost in damaged blocks", counts.lost_points));
    }
    all.extend(counts.select.iter().map(|select| Reason {
        order: (3, select.stage),
        label: format!("not selected (stage {})", select.stage),
        count: select.not_selected,
    }));
    all.extend([
        reason(4, "of a noise class (7 or 18)", counts.noise),
        reason(5, "low outliers", counts.low_outlier),
        reason(6, "above the ground", counts.above_ground),
    ]);
    all
}

/// Points that no reason accounts for: kept, but no ground filter judged them.
fn not_judged(counts: &CloudCounts) -> u64 {
    let told: u64 = reasons(counts).iter().map(|reason| reason.count).sum();
    counts.read.saturating_sub(told + counts.ground)
}

/// One line of the account of points: what happened to them, and how many of the survey and of the reference
/// (none where the line does not apply to that cloud).
pub struct LedgerLine {
    /// What happened to these points.
    pub label: String,
    /// How many of the survey, and of the reference.
    pub counts: [Option<u64>; 2],
}

/// Where the points went: every point read stands in exactly one line.
pub fn ledger(survey: &CloudCounts, reference: Option<&CloudCounts>) -> Vec<LedgerLine> {
    let mut lines: BTreeMap<(u8, usize), LedgerLine> = BTreeMap::new();
    for (cloud, counts) in [Some(survey), reference].into_iter().enumerate() {
        let Some(counts) = counts else { continue };
        let mut all = reasons(counts);
        let rest = not_judged(counts);
        if rest > 0 {
            all.push(Reason {
                order: (7, 0),
                label: "kept, but judged by no ground filter".to_string(),
                count: rest,
            });
        }
        all.push(Reason { order: (8, 0), label: "accepted as ground".to_string(), count: counts.ground });
        for Reason { order, label, count } in all {
            lines.entry(order).or_insert(LedgerLine { label, counts: [None, None] }).counts[cloud] =
                Some(count);
        }
    }
    lines.into_values().collect()
}

/// What was left out of one cloud, in one sentence; none where every point is ground.
pub fn left_out(cloud: &str, counts: &CloudCounts) -> Option<String> {
    let mut parts: Vec<_> = reasons(counts)
        .iter()
        .filter(|reason| reason.count > 0)
        .map(|reason| format!("{} {}", thousands(reason.count), reason.label))
        .collect();
    if not_judged(counts) > 0 {
        parts.push(format!("{} judged by no ground filter", thousands(not_judged(counts))));
    }
    let mut text = String::new();
    if !parts.is_empty() {
        text = format!("Left out of the {cloud}: {}.", parts.join(", "));
    }
    if counts.invalid_return > 0 {
        let n = thousands(counts.invalid_return);
        let invalid = format!("In no row by return: {n} of the {cloud} with an invalid return number.");
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
    fn every_point_read_stands_in_one_line_of_the_ledger() {
        let summary = sample::five_returns(Unit::Metre).0;
        let lines = ledger(&summary.survey, summary.reference.as_ref());
        for (cloud, read) in [summary.survey.read, summary.reference.unwrap().read].into_iter().enumerate() {
            assert_eq!(lines.iter().filter_map(|line| line.counts[cloud]).sum::<u64>(), read);
        }
        let unfiltered = CloudCounts { read: 10, withheld: 1, ..CloudCounts::default() };
        assert_eq!(
            left_out("survey", &unfiltered).unwrap(),
            "Left out of the survey: 1 flagged withheld, 9 judged by no ground filter."
        );
        assert_eq!(left_out("survey", &CloudCounts { read: 3, ground: 3, ..CloudCounts::default() }), None);
    }
}

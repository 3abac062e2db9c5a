//! Areas left out of the comparisons: what each took out, and why.

use crate::results::format::thousands;
use crate::results::summary::Summary;

/// A row of the table of areas.
pub struct AreaRow {
    /// Its file.
    pub area: String,
    /// Reason for leaving it out.
    pub why: String,
    /// Ground points of the survey, and of the reference.
    pub points: [String; 2],
}

/// The rows of the table.
pub fn rows(summary: &Summary) -> Vec<AreaRow> {
    let row = |area: &crate::results::summary::ExcludedArea| AreaRow {
        area: area.area.clone(),
        why: area.why.clone(),
        points: [area.survey, area.reference].map(thousands),
    };
    summary.excluded.iter().map(row).collect()
}

/// Areas with a sentence of their own.
const MOST_SENTENCES: usize = 8;

/// The same in sentences, one for each area, and one for those beyond a few.
pub fn sentences(summary: &Summary) -> impl Iterator<Item = String> + '_ {
    let more = summary.excluded.len().saturating_sub(MOST_SENTENCES);
    let rest = (more > 0).then(|| format!("{more} more areas are left out; the report lists them."));
    let named = summary.excluded.iter().take(MOST_SENTENCES).map(|area| {
        format!(
            "Left out of the comparisons: {} ({}): {} ground points of the survey, {} of the reference.",
            area.area,
            area.why,
            thousands(area.survey),
            thousands(area.reference)
        )
    });
    named.chain(rest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::results::summary::ExcludedArea;
    use crate::units::Unit;

    #[test]
    fn areas_are_listed_with_what_they_took() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert!(rows(&summary).is_empty() && sentences(&summary).next().is_none());
        let area = ExcludedArea {
            area: "bridge.geojson".into(),
            why: "bridge deck".into(),
            survey: 12_345,
            reference: 0,
        };
        summary.excluded = vec![area];
        assert_eq!(
            sentences(&summary).collect::<Vec<_>>(),
            [
                "Left out of the comparisons: bridge.geojson (bridge deck): 12,345 ground points of the survey, 0 of the reference."
            ]
        );
        assert_eq!(rows(&summary)[0].points, ["12,345", "0"]);
        summary.excluded = vec![summary.excluded[0].clone(); 11];
        let all: Vec<String> = sentences(&summary).collect();
        assert_eq!((all.len(), all[8].as_str()), (9, "3 more areas are left out; the report lists them."));
    }
}

//! Which part of the survey the reference represents: shares of its ground and of the comparisons, side by side.

use crate::results::confidence::{Represented, RepresentedRow};
use crate::results::group_key::{GroupKey, Property};
use crate::stages::summarise::Summarise;
use crate::tile::kinds::PointsByKind;
use crate::tile::strata::{Cover, class_name};

/// The shares of the survey's ground points and of the comparisons, by strip, slope class and cover; the latter two where
/// results are grouped by cover or slope, as otherwise they are not known.
pub fn represented(ground: &PointsByKind, compared: &PointsByKind, summarise: &Summarise) -> Represented {
    let row = |property: Property, points: u64, comparisons: u64| RepresentedRow {
        by: GroupKey::new([property]),
        ground: points,
        ground_share: share(points, ground.total()),
        compared: comparisons,
        compared_share: share(comparisons, compared.total()),
    };
    let of_strip = |strip: &u16| compared.strips.get(strip).copied().unwrap_or(0);
    let strips =
        ground.strips.iter().map(|(&strip, &n)| row(Property::Strip(Some(strip)), n, of_strip(&strip)));
    let cover = |place: usize| Property::Cover(place.checked_sub(1).map(|i| Cover::ALL[i]));
    let slope = |place: usize| {
        let class = place.checked_sub(1).map(|class| class_name(class as u8, &summarise.slope_breaks));
        Property::Slope(class)
    };
    let rows =
        |ground: &[u64], compared: &[u64], property: &dyn Fn(usize) -> Property| -> Vec<RepresentedRow> {
            if ground[1..].iter().all(|&n| n == 0) {
                return Vec::new();
            }
            // What is not known comes last.
            let places = (1..ground.len()).chain([0]).filter(|&i| ground[i] + compared[i] > 0);
            places.map(|i| row(property(i), ground[i], compared[i])).collect()
        };
    Represented {
        area: None,
        strips: strips.collect(),
        slopes: rows(&ground.slopes, &compared.slopes, &slope),
        covers: rows(&ground.covers, &compared.covers, &cover),
    }
}

/// The rows without any comparison that have more than this share of the survey's ground are worth a warning.
const MUCH_GROUND: f64 = 0.05;

/// The rows that have much of the survey's ground and no comparison.
pub fn missing(represented: &Represented) -> impl Iterator<Item = &RepresentedRow> {
    let all = [&represented.strips, &represented.slopes, &represented.covers];
    let is_missing = |row: &&RepresentedRow| row.compared == 0 && row.ground_share > Some(MUCH_GROUND);
    all.into_iter().flatten().filter(is_missing)
}

/// A part of a whole; nothing of nothing.
pub fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::strata::Strata;

    #[test]
    fn shares_stand_side_by_side_and_what_has_no_comparison_is_found() {
        let (mut ground, mut compared) = (PointsByKind::default(), PointsByKind::default());
        let strata = |strip, cover, slope| Strata { strip: Some(strip), cover, slope, ..Strata::default() };
        let open = Some(Cover::Open);
        ground.add(&strata(1, open, Some(0)), 60);
        ground.add(&strata(2, open, Some(1)), 30);
        ground.add(&strata(2, None, Some(0)), 6);
        ground.add(&strata(3, Some(Cover::Low), Some(0)), 4);
        compared.add(&strata(1, open, Some(0)), 8);
        let found = represented(&ground, &compared, &Summarise::default());
        let names = |rows: &[RepresentedRow]| rows.iter().map(|row| row.by.to_string()).collect::<Vec<_>>();
        assert_eq!(names(&found.covers), ["open ground", "low vegetation", "cover unknown"]);
        assert_eq!(names(&found.slopes), ["slope <0.1", "slope 0.1-0.2"]);
        let strip = &found.strips[1];
        assert_eq!(
            (strip.ground, strip.ground_share, strip.compared, strip.compared_share),
            (36, Some(0.36), 0, Some(0.0))
        );
        // Strip 3 and low vegetation have too little ground to matter.
        let missing: Vec<String> = missing(&found).map(|row| row.by.to_string()).collect();
        assert_eq!(missing, ["strip 2", "slope 0.1-0.2", "cover unknown"]);
        // Without cover and slope there are strips alone.
        let (mut ground, compared) = (PointsByKind::default(), PointsByKind::default());
        ground.add(&strata(1, None, None), 5);
        let found = represented(&ground, &compared, &Summarise::default());
        assert_eq!((found.strips.len(), found.covers.len(), found.slopes.len()), (1, 0, 0));
        assert_eq!(found.strips[0].compared_share, None);
    }
}

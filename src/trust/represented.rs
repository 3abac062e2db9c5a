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
        strips: strips.collect(),
        slopes: rows(&ground.slopes, &compared.slopes, &slope),
        covers: rows(&ground.covers, &compared.covers, &cover),
    }
}

fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

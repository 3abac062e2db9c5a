//! Counts of points by what became of them, as tiles give them back.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::cloud::point::{MAX_RETURN, Point};
use crate::stats::delivered::Delivered;
use crate::tile::kinds::PointsByKind;
use crate::tile::points::ByStatus;
use crate::tile::strata::{Strata, StratumCounts};
use crate::tile::yields::{Sections, YieldError, Yields};

/// The section of the counts.
const SECTION: &str = "counts";

/// Counts of one cloud's core points in one or all tiles.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StatusCounts {
    /// Labelled noise by the file.
    pub noise: u64,
    /// Far below their surroundings.
    pub low_outlier: u64,
    /// Above the threshold of some window.
    pub above_ground: u64,
    /// Of another class than ground, where the classes are taken as delivered.
    pub other_class: u64,
    /// Ground by return number; 0 holds those without a valid one.
    pub ground_by_return: [u64; MAX_RETURN + 1],
}

impl StatusCounts {
    /// Adds points with the returns of `first`.
    pub fn add(&mut self, first: &Point, statuses: &ByStatus) {
        let [ground, noise, low_outlier, above_ground, other_class, _] = statuses;
        self.noise += noise;
        self.low_outlier += low_outlier;
        self.above_ground += above_ground;
        self.other_class += other_class;
        self.ground_by_return[usize::from(first.valid_return().unwrap_or(0))] += ground;
    }

    /// Adds the counts of another tile.
    pub fn merge(&mut self, other: &StatusCounts) {
        self.noise += other.noise;
        self.low_outlier += other.low_outlier;
        self.above_ground += other.above_ground;
        self.other_class += other.other_class;
        for (a, b) in self.ground_by_return.iter_mut().zip(other.ground_by_return) {
            *a += b;
        }
    }
}

/// Counts of both clouds in one or all tiles.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Counts {
    /// Of the survey.
    pub survey: StatusCounts,
    /// Of the reference.
    pub reference: StatusCounts,
    /// Survey points by stratum, and how many of them are ground.
    #[serde(with = "as_list")]
    pub strata: BTreeMap<Strata, StratumCounts>,
    /// Ground points of the survey by strip and kind of ground.
    pub ground_by_kind: PointsByKind,
    /// Ground points of the survey by square of the site and strip.
    pub delivered: Delivered,
}

impl Counts {
    /// The counts of all tiles.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn conclude(yields: &dyn Yields) -> Result<Self, YieldError> {
        let mut all = Counts::default();
        yields.for_each(SECTION, &mut |bytes| {
            for counts in serde_json::Deserializer::from_slice(bytes).into_iter::<Counts>() {
                all.merge(&counts.ok()?);
            }
            Some(())
        })?;
        Ok(all)
    }

    /// Gives them back.
    pub fn give(&self, sections: &mut Sections) {
        serde_json::to_writer(sections.of(SECTION), self).expect("plain data into memory");
    }

    fn merge(&mut self, other: &Counts) {
        self.survey.merge(&other.survey);
        self.reference.merge(&other.reference);
        self.ground_by_kind.merge(&other.ground_by_kind);
        self.delivered.merge(&other.delivered);
        for (strata, counts) in &other.strata {
            self.strata.entry(*strata).or_default().merge(counts);
        }
    }
}

/// JSON has no map whose keys are more than text: a list of pairs stands for it.
mod as_list {
    use std::collections::BTreeMap;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::tile::strata::{Strata, StratumCounts};

    pub fn serialize<S: Serializer>(map: &BTreeMap<Strata, StratumCounts>, s: S) -> Result<S::Ok, S::Error> {
        map.iter().collect::<Vec<_>>().serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<BTreeMap<Strata, StratumCounts>, D::Error> {
        Ok(Vec::deserialize(d)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;
    use crate::tile::strata::ReturnType;

    /// A point of these returns.
    fn point(return_number: u8, number_of_returns: u8) -> Point {
        Point { return_number, number_of_returns, ..Point::default() }
    }

    fn sections(counts: &[Counts]) -> Sections {
        let mut sections = Sections::default();
        counts.iter().for_each(|one| one.give(&mut sections));
        sections
    }

    #[test]
    fn points_are_counted_by_status_and_ground_by_valid_return() {
        let mut counts = StatusCounts::default();
        // Ground, noise, low outliers, above ground, other classes, not selected: a select stage counts the last ones itself.
        counts.add(&point(2, 3), &[1, 2, 3, 4, 6, 5]);
        counts.add(&point(2, 2), &[10, 0, 0, 0, 0, 0]);
        counts.add(&point(3, 2), &[100, 20, 30, 40, 50, 0]);
        let mut ground_by_return = [0; MAX_RETURN + 1];
        (ground_by_return[0], ground_by_return[2]) = (100, 11);
        let expected =
            StatusCounts { noise: 22, low_outlier: 33, above_ground: 44, other_class: 56, ground_by_return };
        assert_eq!(counts, expected);
    }

    #[test]
    fn the_counts_of_all_tiles_and_of_all_that_one_gave_back_are_added_up() {
        let strata = |return_type| Strata { return_number: 1, return_type, ..Strata::default() };
        let [single, first] = [ReturnType::Single, ReturnType::FirstOfMany].map(|kind| strata(Some(kind)));
        let one = |ground: u64, key: Strata| {
            let mut counts = Counts::default();
            counts.survey.add(&point(1, 1), &[ground, 1, 2, 3, 4, 0]);
            counts.strata.entry(key).or_default().add(&[ground, 1, 2, 3, 4, 0]);
            counts
        };
        let mut reference = Counts::default();
        reference.reference.add(&point(1, 1), &[7, 0, 0, 1, 0, 0]);
        let mut given = Given::default();
        assert_eq!(Counts::conclude(&given).unwrap(), Counts::default());
        // A tile may give counts back twice: the reference's while visiting, the survey's afterwards.
        given.add(&sections(&[reference, one(10, single)]));
        given.add(&sections(&[one(100, first)]));
        given.add(&sections(&[one(1000, single)]));
        given.add(&Sections::default());
        let all = Counts::conclude(&given).unwrap();
        assert_eq!(all.survey.ground_by_return[1], 1110);
        assert_eq!([all.survey.noise, all.survey.low_outlier, all.survey.above_ground], [3, 6, 9]);
        assert_eq!(all.survey.other_class, 12);
        assert_eq!((all.reference.ground_by_return[1], all.reference.above_ground), (7, 1));
        let of = |points, ground| StratumCounts { points, ground };
        assert_eq!(all.strata, BTreeMap::from([(single, of(1030, 1010)), (first, of(110, 100))]));
    }

    #[test]
    fn bytes_that_are_no_counts_are_an_error() {
        let mut sections = sections(&[Counts::default()]);
        sections.of(SECTION).extend(b"{");
        let mut given = Given::default();
        given.add(&sections);
        assert!(matches!(Counts::conclude(&given), Err(YieldError::Damaged { .. })));
    }
}

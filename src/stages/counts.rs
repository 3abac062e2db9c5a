//! Counts of points by what became of them, as tiles give them back.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::cloud::point::{MAX_RETURN, Point};
use crate::tile::points::{ByStatus, Cloud};
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
    /// Ground by return number; 0 holds those without a valid one.
    pub ground_by_return: [u64; MAX_RETURN + 1],
}

impl StatusCounts {
    /// Adds points with the returns of `first`.
    pub fn add(&mut self, first: &Point, statuses: &ByStatus) {
        let [ground, noise, low_outlier, above_ground, _] = statuses;
        self.noise += noise;
        self.low_outlier += low_outlier;
        self.above_ground += above_ground;
        self.ground_by_return[usize::from(first.valid_return().unwrap_or(0))] += ground;
    }

    /// Adds the counts of another tile.
    pub fn merge(&mut self, other: &StatusCounts) {
        self.noise += other.noise;
        self.low_outlier += other.low_outlier;
        self.above_ground += other.above_ground;
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

    /// Those of one cloud.
    pub fn of(&self, cloud: Cloud) -> &StatusCounts {
        match cloud {
            Cloud::Survey => &self.survey,
            Cloud::Reference => &self.reference,
        }
    }

    fn merge(&mut self, other: &Counts) {
        self.survey.merge(&other.survey);
        self.reference.merge(&other.reference);
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

//! The verdict on every point of a file, as the run came to it.

use crate::cloud::point::{Decoded, MAX_RETURN};
use crate::engine::export::kept::KeptOfTiles;
use crate::engine::store::error::EngineError;
use crate::fit::VerticalFit;
use crate::results::summary::CloudCounts;
use crate::stages::stage::WhileReading;
use crate::tile::points::PointStatus;
use crate::tile::tiling::Tiling;
use crate::units::Micrometres;

/// Ground, unclassified and low point: LAS 1.4 R16, classification tables.
const GROUND: u8 = 2;
const UNCLASSIFIED: u8 = 1;
const LOW_POINT: u8 = 7;

/// What became of a point; nothing is known of those that never reached the ground filter.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Verdict {
    /// What the filter made of it.
    pub status: Option<PointStatus>,
    /// The highest elevation that is ground in its cell.
    pub limit: Option<Micrometres>,
    /// Its dz, where it was compared and that is kept.
    pub dz: Option<Micrometres>,
}

impl Verdict {
    /// The class of a point that came with this one.
    pub fn class(&self, came: u8) -> u8 {
        match self.status {
            Some(PointStatus::Ground) => GROUND,
            Some(PointStatus::LowOutlier) => LOW_POINT,
            Some(PointStatus::AboveGround) if came == GROUND => UNCLASSIFIED,
            _ => came,
        }
    }
}

/// Points by what became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Classified {
    /// Ground by return number; 0 holds those without a valid one.
    pub ground_by_return: [u64; MAX_RETURN + 1],
    /// Low outliers.
    pub low_outlier: u64,
    /// Neither.
    pub above_ground: u64,
    /// Never judged.
    pub as_they_came: u64,
}

impl Classified {
    fn count(&mut self, decoded: &Decoded, verdict: &Verdict) {
        match verdict.status {
            Some(PointStatus::Ground) => {
                self.ground_by_return[usize::from(decoded.point.valid_return().unwrap_or(0))] += 1;
            }
            Some(PointStatus::LowOutlier) => self.low_outlier += 1,
            Some(_) => self.above_ground += 1,
            None => self.as_they_came += 1,
        }
    }

    /// Adds those of others.
    pub fn merge(&mut self, other: &Classified) {
        self.ground_by_return.iter_mut().zip(other.ground_by_return).for_each(|(a, b)| *a += b);
        self.low_outlier += other.low_outlier;
        self.above_ground += other.above_ground;
        self.as_they_came += other.as_they_came;
    }

    /// Ground points.
    pub fn ground(&self) -> u64 {
        self.ground_by_return.iter().sum()
    }

    /// How they differ from what the run has counted, in words. A `select` behind the ground filter takes ground away from its
    /// counts, but not from the cloud: `places` are those of the others, among the stages.
    pub fn differs(&self, counted: &CloudCounts, places: &[usize]) -> Option<String> {
        let behind = counted.select.iter().filter(|select| !places.contains(&select.stage));
        let ground = counted.ground + behind.map(|select| select.not_selected).sum::<u64>();
        let pairs = [
            ("ground", self.ground(), ground),
            ("low outliers", self.low_outlier, counted.low_outlier),
            ("above ground", self.above_ground, counted.above_ground),
        ];
        let mut differ = pairs.into_iter().filter(|(_, written, counted)| written != counted);
        differ
            .next()
            .map(|(what, written, counted)| format!("{written} points {what} written, {counted} counted"))
    }
}

/// Judges points.
pub struct Classifier<'a> {
    /// What judged points of the survey as they were read.
    pub selects: &'a [&'a WhileReading],
    /// What is kept of the tiles.
    pub kept: &'a KeptOfTiles<'a>,
    /// The tiles.
    pub tiling: Tiling,
    /// What is added to dz, where the survey is fitted to control.
    pub fit: Option<&'a VerticalFit>,
}

impl Classifier<'_> {
    /// The verdict on each of these points, with counts.
    ///
    /// # Errors
    /// Where the disk does not give the limits back.
    pub fn judge(
        &self,
        points: &[Decoded],
        verdicts: &mut Vec<Verdict>,
        counts: &mut Classified,
    ) -> Result<(), EngineError> {
        verdicts.clear();
        verdicts.resize(points.len(), Verdict::default());
        let reached = |decoded: &Decoded| {
            !decoded.withheld
                && decoded.in_range
                && self.selects.iter().all(|one| one.filter.selects(&decoded.point))
                && !decoded.point.is_noise()
        };
        let mut left: Vec<u32> =
            (0..).zip(points).filter(|(_, decoded)| reached(decoded)).map(|(i, _)| i).collect();
        // Tile by tile, so that the limits of one are in hand at a time: points of a block mostly lie in few.
        while let Some(&first) = left.first() {
            let point = &points[first as usize].point;
            let key = self.tiling.key_of(point.x, point.y);
            let (x, y) = self.tiling.ground(key, 0);
            let kept = self.kept.get(key)?;
            left.retain(|&i| {
                let point = &points[i as usize].point;
                let here = x.0 <= point.x && point.x < x.1 && y.0 <= point.y && point.y < y.1;
                if here {
                    let (status, limit) = match &kept.limits {
                        Some(limits) => limits.judge(point.x, point.y, point.z),
                        None => (PointStatus::AboveGround, None),
                    };
                    let raw = (status == PointStatus::Ground).then(|| kept.dz.at(point)).flatten();
                    let dz = raw.map(|dz| dz + self.fit.map_or(0, |fit| fit.added(point.x, point.y)));
                    verdicts[i as usize] = Verdict { status: Some(status), limit, dz };
                }
                !here
            });
        }
        points.iter().zip(verdicts.iter()).for_each(|(decoded, verdict)| counts.count(decoded, verdict));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::results::summary::SelectCounts;
    use crate::units::Unit;

    #[test]
    fn ground_is_class_2_low_outliers_are_7_and_what_came_as_ground_and_is_none_becomes_1() {
        let class = |status, came| Verdict { status, ..Verdict::default() }.class(came);
        for came in [0, 1, 2, 5, 12, 31, 200] {
            assert_eq!(class(Some(PointStatus::Ground), came), 2);
            assert_eq!(class(Some(PointStatus::LowOutlier), came), 7);
            assert_eq!(class(Some(PointStatus::AboveGround), came), if came == 2 { 1 } else { came });
            assert_eq!(class(None, came), came);
        }
    }

    #[test]
    fn what_is_written_is_held_against_what_was_counted() {
        let (summary, _) = sample::five_returns(Unit::Metre);
        let mut counted = summary.survey;
        counted.select = vec![
            SelectCounts { stage: 2, selected: 90, not_selected: 10 },
            SelectCounts { stage: 4, selected: 60, not_selected: 7 },
        ];
        let mut written = Classified {
            low_outlier: counted.low_outlier,
            above_ground: counted.above_ground,
            ..Classified::default()
        };
        written.ground_by_return[3] = counted.ground + 7;
        assert_eq!(written.differs(&counted, &[2]), None);
        written.ground_by_return[1] += 1;
        assert!(written.differs(&counted, &[2]).unwrap().contains("ground"));
    }
}

//! What tiles give back of each setting of the ground filter that is compared, and what all of them come to.

use crate::cloud::packed::{pack_40, unpack_40};
use crate::cloud::point::MAX_RETURN;
use crate::stages::alternative::Alternative;
use crate::stages::compared::Compared;
use crate::stages::refused::RefusedCounts;
use crate::stats::moments::Moments;
use crate::tile::yields::{Sections, YieldError, Yields};
use crate::units::Micrometres;

/// Settings at the most, with the run's own, which is the first.
const SETTINGS: usize = Alternative::MOST + 1;

/// Sections of the settings: ground points, comparisons, the reference, terrain cells.
const GROUND: [&str; SETTINGS] = [
    "filter 0 ground",
    "filter 1 ground",
    "filter 2 ground",
    "filter 3 ground",
    "filter 4 ground",
    "filter 5 ground",
    "filter 6 ground",
    "filter 7 ground",
    "filter 8 ground",
];
const COMPARED: [&str; SETTINGS] = [
    "filter 0 compared",
    "filter 1 compared",
    "filter 2 compared",
    "filter 3 compared",
    "filter 4 compared",
    "filter 5 compared",
    "filter 6 compared",
    "filter 7 compared",
    "filter 8 compared",
];
const REFERENCE: [&str; SETTINGS] = [
    "filter 0 reference",
    "filter 1 reference",
    "filter 2 reference",
    "filter 3 reference",
    "filter 4 reference",
    "filter 5 reference",
    "filter 6 reference",
    "filter 7 reference",
    "filter 8 reference",
];
const REFUSED: [&str; SETTINGS] = [
    "filter 0 refused",
    "filter 1 refused",
    "filter 2 refused",
    "filter 3 refused",
    "filter 4 refused",
    "filter 5 refused",
    "filter 6 refused",
    "filter 7 refused",
    "filter 8 refused",
];
/// Terrain cells of a setting; see [`Coverage`](crate::terrain::coverage::Coverage). All ground counts as of return 1.
pub const CELLS: [&str; SETTINGS] = [
    "filter 0 cells",
    "filter 1 cells",
    "filter 2 cells",
    "filter 3 cells",
    "filter 4 cells",
    "filter 5 cells",
    "filter 6 cells",
    "filter 7 cells",
    "filter 8 cells",
];

/// Ground points by return number; 0 holds those without a valid one.
pub type GroundCounts = [u64; MAX_RETURN + 1];

/// Gives the ground points of one tile under a setting back.
pub fn give_ground(number: usize, ground: &GroundCounts, sections: &mut Sections) {
    if ground.iter().any(|count| *count > 0) {
        sections.of(GROUND[number]).extend(ground.iter().flat_map(|count| count.to_le_bytes()));
    }
}

/// Gives what a setting makes of the reference of one tile back: how many are ground, and what is refused.
pub fn give_reference(number: usize, ground: u64, refused: &RefusedCounts, sections: &mut Sections) {
    sections.of(REFERENCE[number]).extend(ground.to_le_bytes());
    refused.give(REFUSED[number], sections);
}

/// Bytes of a comparison: return number, dz, headroom.
pub const RECORD: usize = 1 + 5 + 2;

/// Gives one comparison back.
pub fn give_compared(
    number: usize,
    return_number: u8,
    dz: Micrometres,
    headroom: Option<u16>,
    sections: &mut Sections,
) {
    let bytes = sections.of(COMPARED[number]);
    bytes.push(return_number);
    bytes.extend_from_slice(&pack_40(dz));
    bytes.extend_from_slice(&headroom.unwrap_or(u16::MAX).to_le_bytes());
}

/// What a setting comes to over all tiles.
#[derive(Debug)]
pub struct FilterFound {
    /// Ground points of the survey by return number.
    pub ground: GroundCounts,
    /// Comparisons by return number: sums of dz.
    pub dz: [Moments; MAX_RETURN + 1],
    /// Those within one SD of the limit of the filter, by return number.
    pub near_limit: [u64; MAX_RETURN + 1],
    /// Ground points of the reference, and what is refused of it.
    pub reference: (u64, RefusedCounts),
}

impl FilterFound {
    /// What all tiles found under a setting.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn conclude(number: usize, yields: &dyn Yields) -> Result<Self, YieldError> {
        let mut ground = GroundCounts::default();
        yields.for_each(GROUND[number], &mut |bytes| {
            let (all, rest) = bytes.as_chunks::<{ 8 * (MAX_RETURN + 1) }>();
            for one in all {
                let counts = one.as_chunks::<8>().0.iter().map(|count| u64::from_le_bytes(*count));
                ground.iter_mut().zip(counts).for_each(|(sum, count)| *sum += count);
            }
            rest.is_empty().then_some(())
        })?;
        let mut dz = [Moments::default(); MAX_RETURN + 1];
        for_each_compared(number, yields, &mut |return_number, value, _| {
            dz.get_mut(usize::from(return_number)).map(|sums| sums.add(value))
        })?;
        // The SD is known once all are.
        let sd = dz.map(|sums| sums.sd());
        let mut near_limit = [0; MAX_RETURN + 1];
        for_each_compared(number, yields, &mut |return_number, _, headroom| {
            let place = usize::from(return_number);
            let left = headroom.map(|steps| (i64::from(steps) * Compared::HEADROOM_STEP) as f64);
            let is_near = left.zip(sd[place]).is_some_and(|(left, sd)| left <= sd);
            near_limit[place] += u64::from(is_near);
            Some(())
        })?;
        let mut accepted = 0;
        yields.for_each(REFERENCE[number], &mut |bytes| {
            let (all, rest) = bytes.as_chunks::<8>();
            accepted += all.iter().map(|count| u64::from_le_bytes(*count)).sum::<u64>();
            rest.is_empty().then_some(())
        })?;
        let refused = RefusedCounts::conclude(REFUSED[number], yields)?;
        Ok(FilterFound { ground, dz, near_limit, reference: (accepted, refused) })
    }
}

fn for_each_compared(
    number: usize,
    yields: &dyn Yields,
    f: &mut dyn FnMut(u8, Micrometres, Option<u16>) -> Option<()>,
) -> Result<(), YieldError> {
    yields.for_each(COMPARED[number], &mut |bytes| {
        let (records, rest) = bytes.as_chunks::<RECORD>();
        for record in records {
            let headroom = u16::from_le_bytes([record[6], record[7]]);
            f(record[0], unpack_40(&record[1..6]), (headroom != u16::MAX).then_some(headroom))?;
        }
        rest.is_empty().then_some(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;

    #[test]
    fn comparisons_within_an_sd_of_their_limit_are_counted_return_by_return() {
        let mut given = Given::default();
        let mut sections = Sections::default();
        // Return 1: SD 10 mm; headroom 9.9 mm, 10 mm, 10.1 mm, none. Return 2: one alone has no SD.
        for (dz, headroom) in [(-10_000, Some(99)), (10_000, Some(101)), (0, Some(100))] {
            give_compared(3, 1, dz, headroom, &mut sections);
        }
        give_compared(3, 2, 5, Some(0), &mut sections);
        give_ground(3, &std::array::from_fn(|i| i as u64), &mut sections);
        give_reference(3, 7, &RefusedCounts::default(), &mut sections);
        given.add(&sections);
        given.add(&sections);
        let found = FilterFound::conclude(3, &given).unwrap();
        assert_eq!((found.dz[1].n, found.ground[15], found.reference.0), (6, 30, 14));
        // Twice as many have the smaller SD of 8.9 mm: none is that near.
        assert_eq!((found.near_limit[1], found.near_limit[2]), (0, 2));
        let other = FilterFound::conclude(2, &given).unwrap();
        assert_eq!((other.dz[1].n, other.ground[15]), (0, 0));
        sections.of(COMPARED[3]).push(1);
        given.add(&sections);
        assert!(FilterFound::conclude(3, &given).is_err());
    }
}

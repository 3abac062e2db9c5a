//! Which blocks a part of the deal-out reads: a stretch of all blocks of all files, in their order, by what reading them costs.

use crate::cloud::Block;
use crate::engine::plan::job::Job;
use crate::engine::store::phase::PartOf;
use crate::tile::points::Cloud;

/// What opening a source costs, in points; its hash and what is missing of it fall to the part that opens it first.
pub const SOURCE_COST: u64 = 1000;

/// What a block costs, in points: one that no area of `select` meets is only counted.
pub fn block_cost(block: &Block, is_needed: bool) -> u64 {
    if is_needed { block.points.saturating_add(SOURCE_COST) } else { 1 }
}

/// A stretch of all blocks, and how far it has been asked about.
#[derive(Clone, Debug)]
pub struct Share {
    from: u128,
    to: u128,
    at: u128,
}

impl Share {
    /// All blocks.
    pub fn whole() -> Self {
        Share { from: 0, to: u128::MAX, at: 0 }
    }

    /// That of a part, of both clouds together; it is asked about the survey first.
    pub fn of(part: PartOf, job: &Job) -> Self {
        let (from, to) = part.stretch(costs(job).into_iter().fold(0, u64::saturating_add));
        Share { from: from.into(), to: to.into(), at: 0 }
    }

    /// Whether it is all blocks.
    pub fn is_whole(&self) -> bool {
        (self.from, self.to) == (0, u128::MAX)
    }

    /// The same stretch, for the reference: what is asked about follows the whole survey.
    pub fn after_survey(&self, job: &Job) -> Self {
        Share { at: costs(job)[0].into(), ..*self }
    }

    /// Whether the next block or source, which costs so much, is in the stretch: where it begins decides.
    pub fn takes(&mut self, cost: u64) -> bool {
        let is_in = (self.from..self.to).contains(&self.at);
        self.at += u128::from(cost);
        is_in
    }
}

/// What all sources and blocks of the survey cost, and of the reference.
fn costs(job: &Job) -> [u64; 2] {
    let clouds = [(Cloud::Survey, Some(&job.survey)), (Cloud::Reference, job.reference.as_ref())];
    clouds.map(|(cloud, from)| {
        let grounds = job.chain.grounds(cloud);
        let of_source = |(source, units): (&crate::cloud::Source, &(_, _))| {
            let cost = |block: &Block| block_cost(block, source.may_lie_on(block, &grounds, units.0));
            SOURCE_COST + source.blocks().iter().map(cost).sum::<u64>()
        };
        from.map_or(0, |from| from.sources.iter().zip(&from.units).map(of_source).sum())
    })
}

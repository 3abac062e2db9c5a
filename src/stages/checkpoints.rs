//! `checkpoints`: the draw of the points where survey and reference are compared.

use std::collections::BTreeSet;
use std::sync::{Mutex, MutexGuard, PoisonError};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::areas::LeftOut;
use crate::cloud::point::{MAX_RETURN, Point};
use crate::raster::Raster;
use crate::stages::auto::Count;
use crate::stages::compare::Compare;
use crate::stages::draw::{Draw, IN_MEMORY};
use crate::stages::left_out;
use crate::stages::matching::{Candidate, Candidates, Counted, Matcher, NO_DISTANCE};
use crate::stages::matching_sums::MatchingSums;
use crate::stages::search::Match;
use crate::stages::spacing::stay;
use crate::stages::stage::{Preparing, StageOptions, Step, TileStage, Visitor, Wanted};
use crate::tile::at_work::{Halo, Tile, holds};
use crate::tile::points::{Cloud, PointSet};
use crate::units::Length;

/// Draws the checkpoints at random, for each return by itself.
///
/// A ground point of the survey is a candidate where the `compare` stage finds reference ground within reach. Each
/// candidate has a seeded hash. Of candidates of one return closer together than `spacing`, only the one with the
/// smallest hash remains (Matérn's second hard-core rule); of those that remain, the `per_return` smallest hashes are
/// drawn. The draw is uniform, depends only on the data and `seed`, and repeats with them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Checkpoints {
    /// Number of checkpoints to draw for each return, or `all`: every candidate is compared, however close to
    /// others, and the draw decides only which of them `checkpoints.csv` lists.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub per_return: Count,
    /// Smallest horizontal distance between two checkpoints of one return.
    #[schemars(extend("x-source" = "Matérn 1960 (second hard-core process); value: this program's own choice"))]
    pub spacing: Length,
    /// Number of checkpoints of each return that `checkpoints.csv` lists, or `all`. They are listed in the order drawn,
    /// so that the first rows are a smaller random draw.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub list: Count,
}

impl Default for Checkpoints {
    fn default() -> Self {
        Checkpoints { per_return: Count::All, spacing: Length::metres(1.0), list: Count::AtMost(5000) }
    }
}

impl Checkpoints {
    /// What the draw is for.
    pub fn draw(&self) -> Draw {
        let (listed, everything_counts) = match self.per_return {
            Count::All => (self.list, true),
            drawn => (drawn, false),
        };
        Draw { kept: listed, listed, everything_counts, spacing: self.spacing.micrometres() as f64 / 1e6 }
    }
}

impl StageOptions for Checkpoints {
    fn step(&self) -> Step {
        Step::Draw
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        let compare = preparing.find::<Compare>().cloned().unwrap_or_default();
        preparing.tiles.push(Box::new(DrawCheckpoints {
            options: self.clone(),
            compare,
            seed: preparing.seed,
            put_up: PutUp::new(self.draw().kept),
            left_out: preparing.left_out.clone(),
            by_setup: preparing.setups.middles.is_some(),
        }));
    }
}

/// The stage at work.
pub struct DrawCheckpoints {
    /// The options.
    pub options: Checkpoints,
    /// How the reference within reach is found.
    pub compare: Compare,
    /// The seed of the draw.
    pub seed: u64,
    /// What all tiles have put up for the draw so far.
    pub put_up: PutUp,
    /// The areas whose points are not compared.
    pub left_out: LeftOut,
    /// Whether the setup of the reference is found too.
    pub by_setup: bool,
}

/// Hashes of the checkpoints put up for the draw so far, by return number: as many of the smallest as will be drawn, each
/// once, though a part of a tile may be worked on again. It only saves work: what cannot be drawn any more need not be put
/// up. The draw is the same whatever it holds.
pub struct PutUp {
    wanted: Option<usize>,
    smallest: Mutex<Vec<BTreeSet<u64>>>,
}

impl PutUp {
    /// None yet, of a draw of so many.
    pub fn new(drawn: Count) -> Self {
        let wanted = match drawn {
            Count::AtMost(n) if n <= IN_MEMORY => Some(n as usize),
            _ => None,
        };
        PutUp { wanted, smallest: Mutex::new(vec![BTreeSet::new(); MAX_RETURN + 1]) }
    }

    /// By return number: greater hashes are not drawn any more.
    fn up_to(&self) -> [u64; MAX_RETURN + 1] {
        let mut up_to = [u64::MAX; MAX_RETURN + 1];
        let Some(wanted) = self.wanted else { return up_to };
        for (up_to, smallest) in up_to.iter_mut().zip(&*self.smallest()) {
            if let Some(greatest) = smallest.last().filter(|_| smallest.len() >= wanted) {
                *up_to = *greatest;
            }
        }
        up_to
    }

    fn smallest(&self) -> MutexGuard<'_, Vec<BTreeSet<u64>>> {
        self.smallest.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn add(&self, return_number: u8, keys: impl Iterator<Item = u64>) {
        let Some(wanted) = self.wanted else { return };
        let smallest = &mut self.smallest()[usize::from(return_number)];
        for key in keys {
            smallest.insert(key);
            if smallest.len() > wanted {
                smallest.pop_last();
            }
        }
    }
}

impl TileStage for DrawCheckpoints {
    fn halo(&self) -> Halo {
        // A candidate may give way to one that far off, which must have reference within its own reach.
        let spacing = self.options.spacing.micrometres();
        Halo { survey: spacing, reference: spacing + self.compare.search().reach() }
    }

    fn wants(&self, tile: &Tile<'_>) -> Wanted {
        if tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    fn bytes_per_point(&self, reference_per_m2: f64) -> f64 {
        let mut asked =
            Matcher::bytes_per_position(self.compare.search(), reference_per_m2) + size_of::<Asked>() as f64;
        if self.by_setup {
            asked += size_of::<(i64, u16)>() as f64;
        }
        GROUND_SHARE * asked + MATCHED_SHARE * MATCHED_BYTES
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let matcher = tile.reusable.take::<Matcher>().unwrap_or_default();
        let up_to = self.put_up.up_to();
        Some(Box::new(MatchVisitor { stage: self, up_to, asked: Vec::new(), matcher }))
    }
}

/// Shares of the survey's points that are ground, and that find the reference within reach: more do where a scanner stood,
/// far fewer elsewhere.
const GROUND_SHARE: f64 = 0.75;
const MATCHED_SHARE: f64 = 0.25;

/// Bytes of a comparison, in memory and as bytes, and of a candidate for the draw.
const MATCHED_BYTES: f64 = 64.0 + 24.0 + 80.0;

/// Finds the reference at the survey's ground points.
struct MatchVisitor<'a> {
    stage: &'a DrawCheckpoints,
    /// By return number: greater hashes are not drawn any more.
    up_to: [u64; MAX_RETURN + 1],
    /// The points at which the reference is asked for.
    asked: Vec<Asked>,
    matcher: Matcher,
}

/// A ground point of the survey at which the reference is asked for.
struct Asked {
    index: u32,
    key: u64,
    counts: bool,
}

impl MatchVisitor<'_> {
    fn may_be_drawn(&self, point: &Point, key: u64) -> bool {
        key <= self.up_to[usize::from(point.return_number)]
    }
}

impl Visitor for MatchVisitor<'_> {
    fn survey_visited(&mut self, tile: &mut Tile<'_>) {
        let DrawCheckpoints { options, compare, seed, .. } = self.stage;
        if !tile.is_compared() {
            return;
        }
        // Nothing of the reference lies within reach of the others.
        let reach = compare.search().reach();
        let Some(near) = tile.near_reference(reach) else { return };
        self.matcher.start(tile.survey.points.len());
        for index in tile.survey.ground() {
            let point = &tile.survey.points[index];
            if point.valid_return().is_none() || !holds(near, point) {
                continue;
            }
            if self.stage.left_out.first(left_out::place(Cloud::Survey), point).is_some() {
                continue;
            }
            let counts = options.per_return == Count::All && index < tile.survey.core;
            let key = point.seeded_hash(*seed);
            if counts || self.may_be_drawn(point, key) {
                self.matcher.ask(point);
                self.asked.push(Asked { index: index as u32, key, counts });
            }
        }
        match self.stage.by_setup {
            true => self.matcher.ready_by_setup(compare.search(), *seed),
            false => self.matcher.ready(compare.search(), *seed),
        }
    }

    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud == Cloud::Reference && !self.asked.is_empty() {
            let left_out = |point: &Point| self.stage.left_out.first(left_out::place(cloud), point).is_some();
            let ground = piece.ground().map(|i| &piece.points[i]);
            self.matcher.offer_all(ground.filter(|point| !left_out(point)));
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        let mut candidates = Candidates::default();
        let mut by_return: Vec<Vec<Candidate>> = vec![Vec::new(); MAX_RETURN + 1];
        let mut sums = MatchingSums::default();
        for (place, asked) in self.asked.iter().enumerate() {
            let point = &tile.survey.points[asked.index as usize];
            let Some(reference) = self.matcher.found(place, point) else { continue };
            if asked.counts {
                let Match { elevation, plane, points, around, setup } = reference;
                match &plane {
                    Some(plane) => sums.add_plane(plane, points, around),
                    // What the slope adds is summed up where it is known.
                    None => sums.add_level(around, points),
                }
                let distance = if plane.is_some() { NO_DISTANCE } else { around.distance };
                candidates.counted.push(Counted { index: asked.index, distance, elevation });
                if self.stage.by_setup {
                    candidates.setups.push(setup);
                }
            }
            if self.may_be_drawn(point, asked.key) {
                let candidate = Candidate { index: asked.index as usize, key: asked.key, reference };
                by_return[usize::from(point.return_number)].push(candidate);
            }
        }
        for (number, of_return) in (0..).zip(by_return) {
            let spaced = self.stage.space_out(of_return, tile);
            self.stage.put_up.add(number, spaced.iter().map(|candidate| candidate.key));
            candidates.spaced.extend(spaced);
        }
        sums.give(&mut tile.sections);
        tile.reusable.put(self.matcher);
        tile.shared.put(candidates);
    }
}

impl DrawCheckpoints {
    /// Core candidates of one return that have no candidate of smaller hash closer than the spacing.
    fn space_out(&self, mut candidates: Vec<Candidate>, tile: &Tile<'_>) -> Vec<Candidate> {
        let point = |candidate: &Candidate| tile.survey.points[candidate.index];
        // Two points that agree in everything have one hash: the first in this order stands for both. Few hashes are alike.
        let rest = |candidate: &Candidate| (point(candidate), candidate.index);
        candidates
            .sort_unstable_by(|one, other| one.key.cmp(&other.key).then_with(|| rest(one).cmp(&rest(other))));
        let place = |candidate: &Candidate| {
            let Point { x, y, z, number_of_returns, .. } = point(candidate);
            (x, y, z, number_of_returns)
        };
        candidates.dedup_by(|second, first| second.key == first.key && place(second) == place(first));
        let places: Vec<_> = candidates.iter().map(|one| (point(one).x, point(one).y)).collect();
        let stay = stay(&places, self.options.spacing.micrometres());
        let core = tile.survey.core;
        let stays = candidates.into_iter().zip(stay).filter(|(one, stays)| *stays && one.index < core);
        stays.map(|(candidate, _)| candidate).collect()
    }
}

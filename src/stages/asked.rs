//! The reference asked for at points of the survey beside those of the run's own comparisons: every point counts, whatever is
//! drawn.

use crate::areas::LeftOut;
use crate::cloud::point::Point;
use crate::stages::compare::Compare;
use crate::stages::left_out;
use crate::stages::matching::Matcher;
use crate::stages::search::{Match, Search};
use crate::stages::stage::{Preparing, Wanted};
use crate::tile::at_work::{Tile, holds};
use crate::tile::points::{Cloud, PointSet, PointStatus};

/// How the reference of a point is found.
pub struct Asking {
    /// Nothing where the run compares no points with a cloud.
    search: Option<Search>,
    seed: u64,
    left_out: LeftOut,
}

impl Asking {
    /// As the run's own comparisons find it.
    pub fn of(preparing: &Preparing<'_>) -> Self {
        let compare = preparing.find::<Compare>().filter(|_| preparing.surveyed.is_none());
        Asking {
            search: compare.map(Compare::search),
            seed: preparing.seed,
            left_out: preparing.left_out.clone(),
        }
    }

    /// Whether the run compares points with a cloud at all.
    pub fn compares(&self) -> bool {
        self.search.is_some()
    }

    /// The points of a tile that are wanted for it.
    pub fn wants(&self, tile: &Tile<'_>) -> Wanted {
        if self.compares() && tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    /// Bytes of memory that a point takes at which it is asked for, among so many of the reference a square metre.
    pub fn bytes_per_point<T>(&self, per_m2: f64) -> f64 {
        self.search
            .map_or(0.0, |search| Matcher::bytes_per_position(search, per_m2) + size_of::<(u32, T)>() as f64)
    }
}

/// The points of one tile at which the reference is asked for, with what is to be known of each.
pub struct Asked<'a, T> {
    how: &'a Asking,
    points: Vec<(u32, T)>,
    matcher: Matcher,
}

/// The matchers of all who ask, whose memory is used again from tile to tile.
#[derive(Default)]
struct Reused(Vec<Matcher>);

impl<'a, T: Copy> Asked<'a, T> {
    /// None yet.
    pub fn none(how: &'a Asking, tile: &mut Tile<'_>) -> Self {
        let mut reused = tile.reusable.take::<Reused>().unwrap_or_default();
        let matcher = reused.0.pop().unwrap_or_default();
        tile.reusable.put(reused);
        Asked { how, points: Vec::new(), matcher }
    }

    /// Whether the reference is asked for nowhere.
    pub fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// Asks at those points of the core with a valid return that `chooses` says something of.
    pub fn ask(&mut self, tile: &Tile<'_>, chooses: impl Fn(&Point, PointStatus) -> Option<T>) {
        let Some(search) = self.how.search.filter(|_| tile.is_compared()) else { return };
        let Some(near) = tile.near_reference(search.reach()) else { return };
        self.matcher.start(tile.survey.core);
        let place = left_out::place(Cloud::Survey);
        let core = tile.survey.points.iter().zip(&tile.survey.statuses).take(tile.survey.core);
        for (index, (point, status)) in (0..).zip(core) {
            if point.valid_return().is_none() || !holds(near, point) {
                continue;
            }
            let Some(chosen) = chooses(point, *status) else { continue };
            if self.how.left_out.first(place, point).is_none() {
                self.matcher.ask(point);
                self.points.push((index, chosen));
            }
        }
        self.matcher.ready(search, self.how.seed);
    }

    /// Offers those points of the reference that are ground.
    pub fn offer(&mut self, piece: &PointSet, is_ground: impl Fn(&Point, PointStatus) -> bool) {
        if self.is_empty() {
            return;
        }
        let place = left_out::place(Cloud::Reference);
        let Asked { how, matcher, .. } = self;
        let ground = piece.points.iter().zip(&piece.statuses).filter(|(point, status)| {
            is_ground(point, **status) && how.left_out.first(place, point).is_none()
        });
        matcher.offer_all(ground.map(|(point, _)| point));
    }

    /// Hands over each point that has reference.
    pub fn found(&self, survey: &PointSet, mut each: impl FnMut(T, &Point, Match)) {
        for (place, (index, chosen)) in self.points.iter().enumerate() {
            let point = &survey.points[*index as usize];
            if let Some(reference) = self.matcher.found(place, point) {
                each(*chosen, point, reference);
            }
        }
    }

    /// Gives the memory back.
    pub fn done(self, tile: &mut Tile<'_>) {
        let mut reused = tile.reusable.take::<Reused>().unwrap_or_default();
        reused.0.push(self.matcher);
        tile.reusable.put(reused);
    }
}

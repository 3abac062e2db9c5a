//! Which of the ground that suits is proposed: as many sites as are asked for, drawn by lot, spread over the quadrants of the site and
//! its classes of slope, as far apart as that many go, each with an alternative.

use std::collections::HashMap;

use crate::cloud::bounds::Range;
use crate::siting::suitable::Suitable;
use crate::units::Micrometres;

/// Least share of the sites in each quadrant, and least distance between them over the diagonal of the site. Source: FGDC-STD-007.3,
/// 3-C.3; USGS Lidar Base Specification 2025, glossary.
pub const QUADRANT_SHARE: f64 = 0.2;
/// See [`QUADRANT_SHARE`].
pub const SPACING_SHARE: f64 = 0.1;

/// The names of the quadrants, in order.
pub const QUADRANTS: [&str; 4] = ["NE", "NW", "SE", "SW"];

/// From one distance that is tried to the next.
const STEP: f64 = 0.95;

/// How many orders of the lots are tried at the standard's distance before it is given up: as many sites as just fit do not come
/// about in each.
const TURNS: usize = 16;

/// An alternative lies at the most so much of the spacing away, or that many radii where sites stand close together.
const ALTERNATIVE: (f64, f64) = (0.5, 8.0);

/// What sites are chosen from, and how many.
#[derive(Clone, Debug)]
pub struct Lot<'a> {
    /// Places that suit, as they are drawn.
    pub drawn: &'a [Suitable],
    /// How many sites.
    pub wanted: usize,
    /// The box around the survey.
    pub site: (Range, Range),
    /// How far around a site ground is looked at, micrometres: sites nearer than twice that see the same ground.
    pub radius: Micrometres,
    /// What each class of slope should have of the sites, in any measure.
    pub weights: &'a [f64],
}

/// A site that is proposed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Site {
    /// Where.
    pub at: Suitable,
    /// Its quadrant, by its place among [`QUADRANTS`].
    pub quadrant: usize,
    /// Another place that suits, nearby.
    pub alternative: Option<Suitable>,
}

/// What was chosen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Choice {
    /// The sites, as they were drawn.
    pub sites: Vec<Site>,
    /// Places that suit by quadrant: none where one has no site for want of ground.
    pub places: [usize; 4],
    /// Least distance between two sites, micrometres; none of fewer than two.
    pub spacing: Option<f64>,
}

/// The diagonal of a site, micrometres.
pub fn diagonal((x, y): (Range, Range)) -> f64 {
    libm::hypot((x.1 - x.0) as f64, (y.1 - y.0) as f64)
}

/// Sites that a quadrant must have of so many; of few, no more than all four can.
pub fn least_in_quadrant(sites: usize) -> usize {
    ((QUADRANT_SHARE * sites as f64).ceil() as usize).min(sites / 4)
}

impl Lot<'_> {
    fn quadrant(&self, one: &Suitable) -> usize {
        let (x, y) = self.site;
        let is_west = 2 * one.x < x.0 + x.1;
        let is_south = 2 * one.y < y.0 + y.1;
        usize::from(is_west) + 2 * usize::from(is_south)
    }

    /// Draws the sites: as far apart as so many go with the quadrants' shares, or where they do not fit so, without these.
    pub fn choose(&self) -> Choice {
        let mut places = [0; 4];
        self.drawn.iter().for_each(|one| places[self.quadrant(one)] += 1);
        let nothing = Choice { places, ..Choice::default() };
        if self.wanted == 0 || self.drawn.is_empty() {
            return nothing;
        }
        let there: Vec<f64> = places.iter().map(|n| *n as f64).collect();
        let quadrants = shares(self.wanted, &there, least_in_quadrant(self.wanted));
        let classes = shares(self.wanted, self.weights, 1);
        let (rule, least) = (SPACING_SHARE * diagonal(self.site), 2.0 * self.radius as f64);
        let any = vec![self.wanted; 4];
        let mut best: Vec<usize> = Vec::new();
        // Nothing spreads so many farther than the corners of equal triangles over the box.
        let ((x0, x1), (y0, y1)) = self.site;
        let area = (x1 - x0) as f64 * (y1 - y0) as f64;
        let widest =
            (area / self.wanted as f64 * 2.0 / 3f64.sqrt()).sqrt().min(diagonal(self.site)).max(least);
        let down_from = |from: f64| {
            let steps =
                std::iter::successors(Some(from), move |one| Some(one * STEP).filter(|one| *one > least));
            steps.chain([least])
        };
        // The classes of slope are a wish; spacing and quadrants are the standard's. What cannot be had goes in that order.
        let rule = rule.max(least);
        let down = |from: f64, to: f64| down_from(from).take_while(move |apart| *apart >= to);
        let turned = |by_class| (1..TURNS).map(move |turn| (rule, true, by_class, turn));
        let tries = (down(widest, rule).map(|apart| (apart, true, true, 0)))
            .chain(turned(true))
            .chain(down(widest, rule).map(|apart| (apart, true, false, 0)))
            .chain(turned(false))
            .chain(down(rule, 0.0).map(|apart| (apart, true, false, 0)))
            .chain(down(rule, 0.0).map(|apart| (apart, false, false, 0)));
        for (apart, by_quadrant, by_class, turn) in tries {
            let quadrants = if by_quadrant { &quadrants } else { &any };
            let found = self.draw(apart, quadrants, by_class.then_some(&classes[..]), turn);
            if found.len() > best.len() {
                best = found;
            }
            if best.len() == self.wanted {
                break;
            }
        }
        best.sort_unstable();
        let sites: Vec<Suitable> = best.iter().map(|i| self.drawn[*i]).collect();
        let nearest = |i: usize| {
            let others = sites.iter().enumerate().filter(|(other, _)| *other != i);
            others.map(|(_, other)| other.from((sites[i].x, sites[i].y))).min_by(f64::total_cmp)
        };
        let spacing = (0..sites.len()).filter_map(nearest).min_by(f64::total_cmp);
        let mut taken = sites.clone();
        let mut site = |at: &Suitable| {
            let alternative = self.alternative(at, &taken, spacing);
            taken.extend(alternative);
            Site { at: *at, quadrant: self.quadrant(at), alternative }
        };
        Choice { sites: sites.iter().map(&mut site).collect(), spacing, ..nothing }
    }

    /// Draws sites so far apart, as many as each quadrant is to have at the most, and each class of slope where that is asked for.
    /// The lots are taken from another place in their order for each turn.
    fn draw(&self, apart: f64, quadrants: &[usize], classes: Option<&[usize]>, turn: usize) -> Vec<usize> {
        let (mut found, mut in_quadrants, mut in_classes) = (Vec::new(), [0; 4], vec![0; self.weights.len()]);
        // Sites by squares as wide as they are apart: only those around can be too near.
        let mut squares: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        let side = (apart as Micrometres).max(1);
        let first = turn * self.drawn.len() / TURNS;
        for i in (first..self.drawn.len()).chain(0..first) {
            let one = &self.drawn[i];
            if found.len() == self.wanted {
                break;
            }
            let (quadrant, class) = (self.quadrant(one), usize::from(one.class).min(in_classes.len() - 1));
            let is_full = |classes: &[usize]| in_classes[class] >= classes[class];
            if in_quadrants[quadrant] >= quadrants[quadrant] || classes.is_some_and(is_full) {
                continue;
            }
            let (x, y) = (one.x.div_euclid(side), one.y.div_euclid(side));
            let around = (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| (x + dx, y + dy)));
            let mut others = around.filter_map(|square| squares.get(&square)).flatten();
            if !others.any(|other| self.drawn[*other].from((one.x, one.y)) < apart) {
                found.push(i);
                squares.entry((x, y)).or_default().push(i);
                in_quadrants[quadrant] += 1;
                in_classes[class] += 1;
            }
        }
        found
    }

    /// The nearest place that suits as well, does not see the same ground, and no nearer to other sites than that.
    fn alternative(&self, at: &Suitable, taken: &[Suitable], spacing: Option<f64>) -> Option<Suitable> {
        let apart = 2.0 * self.radius as f64;
        let most = ALTERNATIVE.0 * spacing.unwrap_or(f64::INFINITY);
        let most = most.max(ALTERNATIVE.1 * self.radius as f64);
        let distance = |one: &&Suitable| one.from((at.x, at.y));
        let fits = |one: &&Suitable| {
            (apart..=most).contains(&distance(one))
                && taken.iter().all(|other| one.from((other.x, other.y)) >= apart)
        };
        self.drawn.iter().filter(fits).min_by(|a, b| distance(a).total_cmp(&distance(b))).copied()
    }
}

/// A number in whole shares by weight, those of any weight at least `least` of them as long as there are so many.
pub fn shares(number: usize, weights: &[f64], least: usize) -> Vec<usize> {
    let there = weights.iter().filter(|weight| **weight > 0.0).count();
    if there == 0 {
        return vec![0; weights.len()];
    }
    let least = least.min(number / there);
    let total: f64 = weights.iter().sum();
    let mut shares: Vec<usize> = weights.iter().map(|weight| if *weight > 0.0 { least } else { 0 }).collect();
    // One after the other to whom most is owed.
    for _ in 0..number - shares.iter().sum::<usize>() {
        let owed = |i: usize| number as f64 * weights[i] / total - shares[i] as f64;
        let most = (0..weights.len()).filter(|i| weights[*i] > 0.0).max_by(|a, b| {
            let (a, b) = (*a, *b);
            owed(a).total_cmp(&owed(b)).then(b.cmp(&a))
        });
        if let Some(most) = most {
            shares[most] += 1;
        }
    }
    shares
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tile::strata::Cover;

    /// Places every 4 m of a site of 200 m × 120 m where they are wanted, as they are drawn.
    fn drawn(is_there: impl Fn(i64, i64) -> bool) -> Vec<Suitable> {
        let mut all: Vec<Suitable> = (0..50 * 30)
            .map(|i| (i % 50 * 4 + 2, i / 50 * 4 + 2))
            .filter(|(x, y)| is_there(*x, *y))
            .map(|(x, y)| Suitable {
                x: x * 1_000_000,
                y: y * 1_000_000,
                z: 0,
                slope: 0,
                roughness: 0,
                points: 100,
                cover: Cover::Open,
                class: u8::from(y > 90),
            })
            .collect();
        all.sort_by_key(|one| one.rank(5));
        all
    }

    fn lot(drawn: &[Suitable], wanted: usize) -> Lot<'_> {
        let site = ((0, 200_000_000), (0, 120_000_000));
        Lot { drawn, wanted, site, radius: 3_000_000, weights: &[3.0, 1.0] }
    }

    fn by_quadrant(choice: &Choice) -> [usize; 4] {
        let mut counts = [0; 4];
        choice.sites.iter().for_each(|site| counts[site.quadrant] += 1);
        counts
    }

    proptest! {
        #[test]
        fn shares_add_up_and_no_weight_goes_without(number in 0usize..200, weights in proptest::collection::vec(0..50u32, 1..6)) {
            let weights: Vec<f64> = weights.into_iter().map(f64::from).collect();
            let found = shares(number, &weights, 2);
            let there = weights.iter().filter(|w| **w > 0.0).count();
            prop_assert_eq!(found.iter().sum::<usize>(), if there > 0 { number } else { 0 });
            let total: f64 = weights.iter().sum();
            for (share, weight) in found.iter().zip(&weights) {
                if *weight == 0.0 {
                    prop_assert_eq!(*share, 0);
                } else {
                    prop_assert!(*share >= 2.min(number / there));
                    prop_assert!(*share as f64 <= (number as f64 * weight / total).ceil().max(2.0) + 1e-9);
                }
            }
        }
    }

    #[test]
    fn sites_keep_the_spacing_of_the_standard_and_its_share_in_every_quadrant() {
        let all = drawn(|_, _| true);
        for wanted in [1, 4, 5, 12, 20, 30] {
            let choice = lot(&all, wanted).choose();
            assert_eq!(choice.sites.len(), wanted);
            if wanted > 1 {
                assert!(
                    choice.spacing.unwrap() >= SPACING_SHARE * diagonal(((0, 200_000_000), (0, 120_000_000))),
                    "{wanted}"
                );
            }
            if wanted >= 5 {
                assert!(
                    by_quadrant(&choice).iter().all(|n| *n >= least_in_quadrant(wanted)),
                    "{wanted}: {:?}",
                    by_quadrant(&choice)
                );
                // A quarter of the weight is that of the steeper ground.
                let steep = choice.sites.iter().filter(|site| site.at.class == 1).count();
                assert_eq!(steep, shares(wanted, &[3.0, 1.0], 1)[1]);
            }
            for site in &choice.sites {
                let alternative = site.alternative.unwrap();
                let off = alternative.from((site.at.x, site.at.y));
                assert!((6e6..30e6).contains(&off), "{off}");
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_closer_together_or_fewer() {
        // Ground in the south-west alone: 44 m × 44 m.
        let corner = drawn(|x, y| x < 44 && y < 44);
        let few = lot(&corner, 5).choose();
        assert_eq!((few.sites.len(), few.places[..3].to_vec()), (5, vec![0; 3]));
        let many = lot(&corner, 30).choose();
        // Places 4 m apart that are 6 m apart at the least are 8 m apart, or a step aside.
        for choice in [many, lot(&corner, 300).choose()] {
            assert_eq!(choice.spacing, Some(8e6));
            assert!((18..37).contains(&choice.sites.len()), "{}", choice.sites.len());
        }
        assert_eq!(lot(&[], 9).choose(), Choice::default());
    }
}

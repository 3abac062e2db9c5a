//! Points one after another that lie side by side: a scanner writes them so.

use crate::cloud::point::Point;
use crate::units::Micrometres;

/// Points that are looked at together, at the most.
const TOGETHER: usize = 32;

/// So few are each looked at alone.
pub const FEW: usize = 4;

/// Points side by side, and the box around them.
#[derive(Default)]
pub struct Beside {
    points: Vec<Point>,
    sides: [(Micrometres, Micrometres); 2],
}

impl Beside {
    /// Adds a point; does not where there are enough, or the box would be wider than `width`.
    #[inline]
    pub fn add(&mut self, point: &Point, width: Micrometres) -> bool {
        if self.points.is_empty() {
            self.start(point);
            return true;
        }
        let wider = |(low, high): (Micrometres, Micrometres), at: Micrometres| (low.min(at), high.max(at));
        let sides = [wider(self.sides[0], point.x), wider(self.sides[1], point.y)];
        if self.points.len() == TOGETHER || sides.iter().any(|(low, high)| high - low > width) {
            return false;
        }
        self.sides = sides;
        self.points.push(*point);
        true
    }

    /// Holds one point instead.
    pub fn start(&mut self, point: &Point) {
        self.points.clear();
        self.points.push(*point);
        self.sides = box_around(&self.points);
    }

    /// Forgets them; the memory is used again.
    pub fn clear(&mut self) {
        self.points.clear();
    }

    /// The points.
    pub fn points(&self) -> &[Point] {
        &self.points
    }
}

/// The least and the greatest x of some points, and y.
pub fn box_around(points: &[Point]) -> [(Micrometres, Micrometres); 2] {
    [|point: &Point| point.x, |point: &Point| point.y].map(|along| {
        let all = || points.iter().map(along);
        (all().min().unwrap_or(0), all().max().unwrap_or(0))
    })
}

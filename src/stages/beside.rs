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
        self.sides = [(point.x, point.x), (point.y, point.y)];
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
#[inline]
pub fn box_around(points: &[Point]) -> [(Micrometres, Micrometres); 2] {
    let first = points.first().map_or((0, 0), |point| (point.x, point.y));
    points.iter().fold([(first.0, first.0), (first.1, first.1)], |[x, y], point| {
        [wider(x, point.x), wider(y, point.y)]
    })
}

/// A side that reaches to a coordinate, too.
#[inline]
fn wider((low, high): (Micrometres, Micrometres), at: Micrometres) -> (Micrometres, Micrometres) {
    (low.min(at), high.max(at))
}

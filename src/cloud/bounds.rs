//! Ranges of coordinates, and boxes around points.

use serde::{Deserialize, Serialize};

use crate::units::Micrometres;

/// A half-open range of coordinates, micrometres.
pub type Range = (Micrometres, Micrometres);

/// A range with `margin` more on either side.
pub fn widened(range: Range, margin: Micrometres) -> Range {
    (range.0 - margin, range.1 + margin)
}

/// What two ranges share; nothing where that is nothing.
pub fn within(one: Range, other: Range) -> Option<Range> {
    let both = (one.0.max(other.0), one.1.min(other.1));
    (both.0 < both.1).then_some(both)
}

/// The ground that two ranges of x and y share; nothing where that is nothing.
pub fn overlap(one: (Range, Range), other: (Range, Range)) -> Option<(Range, Range)> {
    Some((within(one.0, other.0)?, within(one.1, other.1)?))
}

/// A box around points; it starts with none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bounds {
    low: (Micrometres, Micrometres),
    high: (Micrometres, Micrometres),
}

impl Default for Bounds {
    fn default() -> Self {
        Bounds { low: (i64::MAX, i64::MAX), high: (i64::MIN, i64::MIN) }
    }
}

impl Bounds {
    /// The box around positions between these, both included.
    pub fn new(low: (Micrometres, Micrometres), high: (Micrometres, Micrometres)) -> Self {
        Bounds { low, high }
    }

    /// The box around all positions on some ground.
    pub fn over((x, y): (Range, Range)) -> Self {
        Bounds::new((x.0, y.0), (x.1 - 1, y.1 - 1))
    }

    /// Widens the box so that it holds a position.
    #[inline]
    pub fn add(&mut self, (x, y): (Micrometres, Micrometres)) {
        self.low = (self.low.0.min(x), self.low.1.min(y));
        self.high = (self.high.0.max(x), self.high.1.max(y));
    }

    /// Widens the box so that it holds another.
    pub fn merge(&mut self, other: &Bounds) {
        if other.ranges().is_some() {
            self.add(other.low);
            self.add(other.high);
        }
    }

    /// The half-open ranges of x and y that hold all points; nothing where there are none.
    pub fn ranges(&self) -> Option<(Range, Range)> {
        (self.low.0 <= self.high.0).then(|| ((self.low.0, self.high.0 + 1), (self.low.1, self.high.1 + 1)))
    }
}

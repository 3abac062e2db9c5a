//! Whether a position lies in a polygon: exact, since all coordinates are whole micrometres.
//!
//! A position lies inside where a line from it to the east crosses an odd number of edges (even–odd rule). An edge spans
//! its southern end and not its northern one, and a position on an edge lies to the east of it: so of two areas that share
//! an edge exactly one holds a position on it. Edges are listed by rows of equal height.

use crate::units::Micrometres;

/// A corner, micrometres.
type Corner = (Micrometres, Micrometres);

/// Entries in the rows for each edge at the most.
const ENTRIES_PER_EDGE: usize = 16;

/// Rows at the most.
const MOST_ROWS: i64 = 1 << 14;

/// Polygons: a position lies in the area where it lies in one of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Area {
    polygons: Vec<Polygon>,
    rings: Vec<Vec<Corner>>,
}

#[derive(Clone, Debug, PartialEq)]
struct Polygon {
    low: Corner,
    high: Corner,
    /// Height of a row.
    height: Micrometres,
    /// The edges that cross each row, one row after another, and where each row begins.
    edges: Vec<Edge>,
    starts: Vec<u32>,
    /// The level edges, which no line to the east crosses, from south to north.
    level: Vec<Edge>,
}

/// An edge, from south to north where it is not level.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Edge {
    from: Corner,
    to: Corner,
}

impl Edge {
    /// Whether the line from a position to the east crosses it.
    #[inline]
    fn crosses(&self, x: Micrometres, y: Micrometres) -> bool {
        let (from, to) = (self.from, self.to);
        if y < from.1 || y >= to.1 || x >= from.0.max(to.0) {
            return false;
        }
        if x < from.0.min(to.0) {
            return true;
        }
        let along = i128::from(to.1 - from.1) * i128::from(x - from.0);
        along < i128::from(to.0 - from.0) * i128::from(y - from.1)
    }

    /// Whether some of it lies within `reach` of a position.
    fn is_near(&self, x: Micrometres, y: Micrometres, reach: Micrometres) -> bool {
        let ((east, north), reach) =
            (((self.to.0 - self.from.0) as f64, (self.to.1 - self.from.1) as f64), reach as f64);
        let (dx, dy) = ((x - self.from.0) as f64, (y - self.from.1) as f64);
        let squared = east * east + north * north;
        let along = if squared > 0.0 { ((dx * east + dy * north) / squared).clamp(0.0, 1.0) } else { 0.0 };
        let (off_x, off_y) = (dx - along * east, dy - along * north);
        off_x * off_x + off_y * off_y <= reach * reach
    }
}

impl Area {
    /// The area of these polygons, each a list of rings. Rings need not be closed; those of fewer than three corners
    /// enclose nothing.
    pub fn new<'a>(polygons: impl IntoIterator<Item = &'a Vec<Vec<Corner>>>) -> Self {
        let mut area = Area::default();
        for rings in polygons {
            area.polygons.extend(Polygon::new(rings));
            area.rings.extend_from_slice(rings);
        }
        area
    }

    /// Its rings, as they were given.
    pub fn rings(&self) -> &[Vec<Corner>] {
        &self.rings
    }

    /// Whether it encloses nothing at all.
    pub fn is_empty(&self) -> bool {
        self.polygons.is_empty()
    }

    /// Whether a position lies in it.
    #[inline]
    pub fn holds(&self, x: Micrometres, y: Micrometres) -> bool {
        self.polygons.iter().any(|polygon| polygon.holds(x, y))
    }

    /// Whether some of it lies within `reach` of a position.
    pub fn is_near(&self, x: Micrometres, y: Micrometres, reach: Micrometres) -> bool {
        self.polygons.iter().any(|polygon| polygon.is_near(x, y, reach))
    }
}

impl Polygon {
    fn new(rings: &[Vec<Corner>]) -> Option<Self> {
        let (mut edges, mut level) = (Vec::new(), Vec::new());
        for ring in rings {
            let next = ring.iter().cycle().skip(1);
            for (&a, &b) in ring.iter().zip(next) {
                let list = if a.1 == b.1 { &mut level } else { &mut edges };
                list.push(if a.1 < b.1 { Edge { from: a, to: b } } else { Edge { from: b, to: a } });
            }
        }
        let corners = || edges.iter().flat_map(|edge| [edge.from, edge.to]);
        let low = (corners().map(|c| c.0).min()?, corners().map(|c| c.1).min()?);
        let high = (corners().map(|c| c.0).max()?, corners().map(|c| c.1).max()?);
        let mut rows = (edges.len() as i64).clamp(1, MOST_ROWS);
        let row_range =
            |edge: &Edge, height: i64| (edge.from.1 - low.1) / height..=(edge.to.1 - 1 - low.1) / height;
        // Tall edges are in many rows.
        let height = loop {
            let height = (high.1 - low.1) / rows + 1;
            let entries: i64 =
                edges.iter().map(|edge| row_range(edge, height)).map(|r| r.end() - r.start() + 1).sum();
            if rows == 1 || entries as usize <= ENTRIES_PER_EDGE * edges.len() {
                break height;
            }
            rows /= 2;
        };
        let rows = ((high.1 - 1 - low.1) / height + 1) as usize;
        let mut by_row = vec![Vec::new(); rows];
        for edge in &edges {
            row_range(edge, height).for_each(|row| by_row[row as usize].push(*edge));
        }
        let mut starts = vec![0];
        starts.extend(by_row.iter().scan(0, |sum, row| {
            *sum += row.len() as u32;
            Some(*sum)
        }));
        level.sort_unstable_by_key(|edge| edge.from.1);
        Some(Polygon { low, high, height, edges: by_row.concat(), starts, level })
    }

    #[inline]
    fn holds(&self, x: Micrometres, y: Micrometres) -> bool {
        if x < self.low.0 || x >= self.high.0 || y < self.low.1 || y >= self.high.1 {
            return false;
        }
        let row = ((y - self.low.1) / self.height) as usize;
        let edges = &self.edges[self.starts[row] as usize..self.starts[row + 1] as usize];
        edges.iter().fold(false, |inside, edge| inside ^ edge.crosses(x, y))
    }

    fn is_near(&self, x: Micrometres, y: Micrometres, reach: Micrometres) -> bool {
        let beyond = |at: i64, low: i64, high: i64| at < low - reach || at > high + reach;
        if beyond(x, self.low.0, self.high.0) || beyond(y, self.low.1, self.high.1) {
            return false;
        }
        let last = self.starts.len() as i64 - 2;
        let row = |y: Micrometres| (y - self.low.1).div_euclid(self.height).clamp(0, last) as usize;
        let rows = self.starts[row(y - reach)] as usize..self.starts[row(y + reach) + 1] as usize;
        let southern = self.level.partition_point(|edge| edge.from.1 < y - reach);
        let northern = self.level.partition_point(|edge| edge.from.1 <= y + reach);
        let mut edges = self.edges[rows].iter().chain(&self.level[southern..northern]);
        self.holds(x, y) || edges.any(|edge| edge.is_near(x, y, reach))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The same by looking at every edge, in rational numbers.
    fn by_looking(rings: &[Vec<Corner>], (x, y): Corner) -> bool {
        let mut inside = false;
        for ring in rings {
            for i in 0..ring.len() {
                let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
                if (a.1 <= y) != (b.1 <= y) {
                    // x of the edge at y is a.x + (y - a.y) (b.x - a.x) / (b.y - a.y).
                    let (run, rise) = (i128::from(b.0 - a.0), i128::from(b.1 - a.1));
                    let over = i128::from(x - a.0) * rise - i128::from(y - a.1) * run;
                    inside ^= if rise > 0 { over < 0 } else { over > 0 };
                }
            }
        }
        inside
    }

    proptest! {
        #[test]
        fn rows_change_nothing(
            rings in proptest::collection::vec(proptest::collection::vec((-40i64..40, -40i64..40), 0..30), 0..4),
            scale in prop_oneof![Just(1i64), Just(7), Just(1 << 46)], shift in -1000i64..1000,
        ) {
            let place = |v: i64| v * scale + shift;
            let rings: Vec<Vec<Corner>> =
                rings.iter().map(|ring| ring.iter().map(|c| (place(c.0), place(c.1))).collect()).collect();
            let area = Area::new([&rings]);
            for x in -42..42 {
                for y in -42..42 {
                    let at = (place(x), place(y));
                    prop_assert_eq!(area.holds(at.0, at.1), by_looking(&rings, at), "{:?}", at);
                }
            }
        }
    }

    #[test]
    fn what_lies_within_reach_of_an_area_is_near_it() {
        // A triangle with a level edge far longer than it is high, and a hole.
        let outer = vec![(0, 0), (1_000_000, 0), (1_000_000, 50)];
        let hole = vec![(900_000, 5), (990_000, 5), (990_000, 45)];
        let area = Area::new([&vec![outer, hole]]);
        for (x, y, reach, near) in [
            (500_000, 10, 0, true),
            (500_000, -9, 9, true),
            (500_000, -10, 9, false),
            (1_000_003, 54, 5, true),
            (1_000_003, 54, 4, false),
            (980_000, 20, 3, false),
            (980_000, 8, 3, true),
            (-4, -3, 5, true),
            (-4, -4, 5, false),
        ] {
            assert_eq!(area.is_near(x, y, reach), near, "{x} {y} within {reach}");
        }
    }

    #[test]
    fn areas_side_by_side_hold_each_position_once() {
        let square = |x: i64, y: i64| vec![vec![(x, y), (x + 10, y), (x + 10, y + 10), (x, y + 10)]];
        let areas = [(0, 0), (10, 0), (0, 10), (10, 10)].map(|(x, y)| Area::new([&square(x, y)]));
        for x in 0..20 {
            for y in 0..20 {
                assert_eq!(areas.iter().filter(|area| area.holds(x, y)).count(), 1, "{x} {y}");
            }
        }
        assert!(!areas[3].holds(20, 15) && !areas[0].holds(-1, 5));
    }

    #[test]
    fn holes_are_outside_and_polygons_that_overlap_are_one_area() {
        let square = |from: i64, to: i64| vec![(from, from), (to, from), (to, to), (from, to)];
        let with_hole = vec![square(0, 100), square(40, 60)];
        let (one, other) = (vec![square(0, 10)], vec![square(5, 15)]);
        let area = Area::new([&with_hole]);
        assert!(area.holds(10, 50) && !area.holds(50, 50) && area.holds(70, 50));
        let both = Area::new([&one, &other]);
        assert!(both.holds(7, 7) && both.holds(12, 12) && !both.holds(2, 12));
        assert!(Area::new([&vec![vec![(0, 0), (5, 0)]]]).is_empty());
    }
}

//! How many ground points the survey delivered, by square of the site and flight strip: what an interval must speak of.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Edge of the squares as a power of two of micrometres: 8.4 m.
const EDGE_BITS: u32 = 23;

/// (row, column) of squares, by strip.
pub type SquaresByStrip = Vec<(u16, Vec<(i64, i64)>)>;

/// Ground points by square, aligned to coordinate zero, and strip.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Delivered {
    squares: BTreeMap<(i32, i32, u16), u64>,
}

/// A square of the site.
#[derive(Clone, Debug, PartialEq)]
pub struct Square {
    /// West and south edge, micrometres.
    pub corner: [f64; 2],
    /// Ground points.
    pub n: f64,
    /// The same by strip.
    pub strips: Vec<(u16, f64)>,
}

impl Delivered {
    /// Edge of the squares, micrometres.
    pub const EDGE: f64 = (1u64 << EDGE_BITS) as f64;

    /// Whether two places in micrometres lie in one square.
    #[inline]
    pub fn is_one_square(a: (i64, i64), b: (i64, i64)) -> bool {
        ((a.0 ^ b.0) | (a.1 ^ b.1)) >> EDGE_BITS == 0
    }

    /// Adds so many ground points at a place in micrometres.
    pub fn add(&mut self, x: i64, y: i64, strip: u16, n: u64) {
        if n > 0 {
            *self.squares.entry(((y >> EDGE_BITS) as i32, (x >> EDGE_BITS) as i32, strip)).or_default() += n;
        }
    }

    /// Adds another's points.
    pub fn merge(&mut self, other: &Delivered) {
        for (&square, &n) in &other.squares {
            *self.squares.entry(square).or_default() += n;
        }
    }

    /// The same with all strips as one, of number 0.
    pub fn without_strips(&self) -> Delivered {
        let mut all = Delivered::default();
        for (&(row, column, _), &n) in &self.squares {
            *all.squares.entry((row, column, 0)).or_default() += n;
        }
        all
    }

    /// Number of ground points of each strip.
    pub fn by_strip(&self) -> BTreeMap<u16, u64> {
        let mut strips = BTreeMap::new();
        self.squares.iter().for_each(|(&(_, _, strip), n)| *strips.entry(strip).or_default() += n);
        strips
    }

    /// (row, column) of the squares, joined four by four until there are at most `most`, and their edge in micrometres.
    pub fn places(&self, most: usize) -> (i64, Vec<(i64, i64)>) {
        let own = self.squares.keys().map(|&(row, column, _)| (i64::from(row), i64::from(column)));
        let (mut edge, mut places) = (1i64 << EDGE_BITS, own.collect::<BTreeSet<_>>());
        while places.len() > most {
            edge *= 2;
            places = places.iter().map(|(row, column)| (row.div_euclid(2), column.div_euclid(2))).collect();
        }
        (edge, places.into_iter().collect())
    }

    /// (row, column) of the squares of each strip, joined four by four until there are at most `most` in all, and their edge in
    /// micrometres.
    pub fn places_by_strip(&self, most: usize) -> (i64, SquaresByStrip) {
        let own = self.squares.keys().map(|&(row, column, strip)| (strip, i64::from(row), i64::from(column)));
        let (mut edge, mut places) = (1i64 << EDGE_BITS, own.collect::<BTreeSet<_>>());
        while places.len() > most {
            let before = places.len();
            edge *= 2;
            places = places.iter().map(|(strip, r, c)| (*strip, r.div_euclid(2), c.div_euclid(2))).collect();
            if places.len() == before {
                break;
            }
        }
        let mut strips = SquaresByStrip::new();
        for (strip, row, column) in places {
            match strips.last_mut() {
                Some((last, squares)) if *last == strip => squares.push((row, column)),
                _ => strips.push((strip, vec![(row, column)])),
            }
        }
        (edge, strips)
    }

    /// The squares, sorted.
    pub fn squares(&self) -> Vec<Square> {
        let mut squares: Vec<Square> = Vec::new();
        let mut last = None;
        for (&(row, column, strip), &n) in &self.squares {
            let n = n as f64;
            if last != Some((row, column)) {
                last = Some((row, column));
                let corner = [column, row].map(|at| f64::from(at) * Self::EDGE);
                squares.push(Square { corner, n: 0.0, strips: Vec::new() });
            }
            if let Some(square) = squares.last_mut() {
                square.n += n;
                square.strips.push((strip, n));
            }
        }
        squares
    }
}

/// As a list: JSON has no map whose keys are more than text.
impl Serialize for Delivered {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_seq(&self.squares)
    }
}

impl<'de> Deserialize<'de> for Delivered {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Ok(Delivered { squares: Vec::deserialize(d)?.into_iter().collect() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_counted_by_square_and_strip_in_any_order() {
        let mut parts = [Delivered::default(), Delivered::default()];
        for i in 0..1_000i64 {
            parts[i as usize % 2].add(i * 40_000 - 9_000_000, i * 7_000, (i % 3) as u16, 2);
        }
        let [mut all, other] = parts.clone();
        all.merge(&other);
        let [other, mut turned] = parts;
        turned.merge(&other);
        assert_eq!(all, turned);
        assert_eq!(all.by_strip().values().sum::<u64>(), 2_000);
        let squares = all.squares();
        assert_eq!(squares.iter().map(|square| square.n).sum::<f64>(), 2_000.0);
        assert_eq!(squares[0].corner, [-2.0 * Delivered::EDGE, 0.0]);
        let (edge, strips) = all.places_by_strip(1_000);
        assert_eq!((edge, strips.len()), (Delivered::EDGE as i64, 3));
        assert_eq!(strips.iter().map(|(_, squares)| squares.len()).sum::<usize>(), all.squares.len());
        let (edge, strips) = all.places_by_strip(5);
        assert!(edge > Delivered::EDGE as i64 && strips.iter().all(|(_, squares)| squares.len() <= 3));
        let as_one = all.without_strips();
        assert_eq!(as_one.by_strip(), BTreeMap::from([(0, 2_000)]));
        let numbers = |squares: &[Square]| squares.iter().map(|square| square.n).collect::<Vec<_>>();
        assert_eq!(numbers(&as_one.squares()), numbers(&squares));
        let text = serde_json::to_string(&all).unwrap();
        assert_eq!(serde_json::from_str::<Delivered>(&text).unwrap(), all);
        assert!(Delivered::is_one_square((-1, 5), (-8_000_000, 8_000_000)));
        assert!(!Delivered::is_one_square((-1, 5), (1, 5)));
    }
}

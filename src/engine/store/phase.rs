//! The phases of a run that are done in parts, and one of their parts.

use std::fmt;
use std::str::FromStr;

/// What all parts of a run agree on.
pub(super) const PLAN: &str = "plan.json";

/// A phase that is done in parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Reads the clouds and partitions their points into tiles.
    Deal,
    /// Makes the surfaces of tiles.
    Surface,
    /// Works on tiles.
    Work,
}

/// The phases that are done in parts, in their order.
pub const PHASES: [Phase; 3] = [Phase::Deal, Phase::Surface, Phase::Work];

impl Phase {
    /// Its name on the command line and in the folder.
    pub fn name(self) -> &'static str {
        match self {
            Phase::Deal => "deal",
            Phase::Surface => "surface",
            Phase::Work => "work",
        }
    }
}

/// The most parts that a phase is divided into.
pub const MOST_PARTS: u32 = 100_000;

/// One of so many parts, such as `2/7`; the first is 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PartOf {
    /// Which part.
    pub number: u32,
    /// Parts in all.
    pub of: u32,
}

impl PartOf {
    /// The stretch from `from` up to `to` that the part takes of something `whole` long: each position is in one part.
    pub fn stretch(self, whole: u64) -> (u64, u64) {
        let at = |number: u32| (u128::from(whole) * u128::from(number) / u128::from(self.of)) as u64;
        (at(self.number - 1), at(self.number))
    }
}

impl fmt::Display for PartOf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

impl FromStr for PartOf {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers = text.split_once('/').and_then(|(k, n)| Some((k.parse().ok()?, n.parse().ok()?)));
        match numbers {
            Some((number, of)) if (1..=of).contains(&number) && of <= MOST_PARTS => Ok(PartOf { number, of }),
            _ => Err(format!(
                "`{text}` is not a part: expected K/N, such as 2/7, with K from 1 to N and N at most {MOST_PARTS}"
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_position_is_in_one_part() {
        for (whole, of) in [(0, 3), (5, 7), (1000, 7), (u64::MAX, 1000)] {
            let parts: Vec<(u64, u64)> =
                (1..=of).map(|number| PartOf { number, of }.stretch(whole)).collect();
            assert_eq!((parts[0].0, parts[parts.len() - 1].1), (0, whole));
            assert!(parts.windows(2).all(|two| two[0].1 == two[1].0 && two[0].0 <= two[0].1));
        }
    }

    #[test]
    fn parts_are_read_and_nonsense_is_refused() {
        assert_eq!("2/7".parse(), Ok(PartOf { number: 2, of: 7 }));
        for wrong in ["", "2", "0/3", "4/3", "1/0", "-1/2", "a/b", "1/1000000", "1/2/3"] {
            assert!(wrong.parse::<PartOf>().is_err(), "{wrong}");
        }
    }
}

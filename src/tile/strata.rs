//! Strata: the kind of return that a ground point is, and the cover and slope where it lies; results are grouped by them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::point::Point;
use crate::tile::points::ByStatus;

/// A property to group by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// Return number, 1 to 15.
    Return,
    /// Open ground, ground under low vegetation or under canopy.
    Cover,
    /// Slope class.
    Slope,
    /// Band of scan angle, on either side of nadir.
    ScanAngle,
    /// Flight strip (point source ID).
    Strip,
    /// The only return of its pulse, or the first, an intermediate or the last of several.
    ReturnType,
}

impl By {
    /// Its name in pipeline files and results.
    pub fn word(self) -> &'static str {
        match self {
            By::Return => "return",
            By::Cover => "cover",
            By::Slope => "slope",
            By::ScanAngle => "scan_angle",
            By::Strip => "strip",
            By::ReturnType => "return_type",
        }
    }
}

/// Cover of the ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Cover {
    /// Open ground: of the first returns around, less than the stated shares are vegetation.
    Open,
    /// Under low vegetation.
    Low,
    /// Under canopy.
    Canopy,
}

impl Cover {
    /// All of them, in order.
    pub const ALL: [Cover; 3] = [Cover::Open, Cover::Low, Cover::Canopy];

    /// Its name in results.
    pub fn word(self) -> &'static str {
        match self {
            Cover::Open => "open",
            Cover::Low => "low",
            Cover::Canopy => "canopy",
        }
    }

    /// Where ground under it lies, for people.
    pub fn place(self) -> &'static str {
        match self {
            Cover::Open => "on open ground",
            Cover::Low => "under low vegetation",
            Cover::Canopy => "under canopy",
        }
    }

    /// Its name for people.
    pub fn words(self) -> &'static str {
        match self {
            Cover::Open => "open ground",
            Cover::Low => "low vegetation",
            Cover::Canopy => "canopy",
        }
    }
}

/// Place of a return among those of its pulse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReturnType {
    /// The only one.
    Single,
    /// First of several.
    FirstOfMany,
    /// Neither first nor last.
    Intermediate,
    /// Last of several.
    LastOfMany,
}

impl ReturnType {
    /// Its name in results.
    pub fn word(self) -> &'static str {
        match self {
            ReturnType::Single => "single",
            ReturnType::FirstOfMany => "first_of_many",
            ReturnType::Intermediate => "intermediate",
            ReturnType::LastOfMany => "last_of_many",
        }
    }

    /// The place of a point among the returns of its pulse; nothing where its return number is not valid.
    pub fn of(point: &Point) -> Option<Self> {
        let number = point.valid_return()?;
        Some(match (number, point.number_of_returns) {
            (1, 1) => ReturnType::Single,
            (1, _) => ReturnType::FirstOfMany,
            (n, all) if n == all => ReturnType::LastOfMany,
            _ => ReturnType::Intermediate,
        })
    }
}

/// The strata of a ground point; what is not known, or not asked for, is none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Strata {
    /// Return number, 1 to 15; 0 where not asked for, or not valid.
    pub return_number: u8,
    /// What stands over the ground.
    pub cover: Option<Cover>,
    /// Class of terrain slope, from 0.
    pub slope: Option<u8>,
    /// Band of the scan angle, from 0.
    pub scan_angle: Option<u8>,
    /// Flight strip.
    pub strip: Option<u16>,
    /// Place among the returns of the pulse.
    pub return_type: Option<ReturnType>,
}

/// Most classes of slope, and most bands of the scan angle.
pub const MOST_CLASSES: usize = 7;

/// Bytes of strata on disk.
pub const ENCODED: usize = 5;

impl Strata {
    /// These strata with nothing but the properties named.
    pub fn only(self, by: &[By]) -> Strata {
        let has = |one| by.contains(&one);
        Strata {
            return_number: if has(By::Return) { self.return_number } else { 0 },
            cover: self.cover.filter(|_| has(By::Cover)),
            slope: self.slope.filter(|_| has(By::Slope)),
            scan_angle: self.scan_angle.filter(|_| has(By::ScanAngle)),
            strip: self.strip.filter(|_| has(By::Strip)),
            return_type: self.return_type.filter(|_| has(By::ReturnType)),
        }
    }

    /// The strata as a number, of which `mask` leaves only some properties.
    pub fn code(self) -> u64 {
        let [a, b, c, d, e] = self.encode();
        u64::from_le_bytes([a, b, c, d, e, 0, 0, 0])
    }

    /// What leaves nothing but the properties named in a [`Strata::code`].
    pub fn mask(by: &[By]) -> u64 {
        let bits = |one: &By| match one {
            By::Return => 0xff,
            By::Cover => 0b11 << 8,
            By::ReturnType => 0b111 << 10,
            By::Slope => 0xf << 16,
            By::ScanAngle => 0xf << 20,
            By::Strip => 1 << 13 | 0xffff << 24,
        };
        by.iter().map(bits).fold(0, |all, bits| all | bits)
    }

    /// The strata as bytes.
    pub fn encode(self) -> [u8; ENCODED] {
        let cover = self.cover.map_or(0, |cover| cover as u8 + 1);
        let return_type = self.return_type.map_or(0, |one| one as u8 + 1);
        let class = |class: Option<u8>| class.map_or(0, |class| class + 1);
        let [low, high] = self.strip.unwrap_or(0).to_le_bytes();
        let flags = cover | return_type << 2 | u8::from(self.strip.is_some()) << 5;
        [self.return_number, flags, class(self.slope) | class(self.scan_angle) << 4, low, high]
    }

    /// The strata that [`Strata::encode`] turned into these bytes.
    pub fn decode(b: [u8; ENCODED]) -> Strata {
        let class = |bits: u8| (bits & 15).checked_sub(1);
        Strata {
            return_number: b[0],
            cover: match b[1] & 3 {
                0 => None,
                1 => Some(Cover::Open),
                2 => Some(Cover::Low),
                _ => Some(Cover::Canopy),
            },
            slope: class(b[2]),
            scan_angle: class(b[2] >> 4),
            strip: (b[1] & 1 << 5 != 0).then(|| u16::from_le_bytes([b[3], b[4]])),
            return_type: match b[1] >> 2 & 7 {
                0 => None,
                1 => Some(ReturnType::Single),
                2 => Some(ReturnType::FirstOfMany),
                3 => Some(ReturnType::Intermediate),
                _ => Some(ReturnType::LastOfMany),
            },
        }
    }
}

/// Points of one stratum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct StratumCounts {
    /// Survey points that the stages selected.
    pub points: u64,
    /// Those of them that are ground.
    pub ground: u64,
}

impl StratumCounts {
    /// Adds points of the stratum.
    pub fn add(&mut self, statuses: &ByStatus) {
        let [ground, noise, low_outlier, above_ground, other_class, _] = statuses;
        self.ground += ground;
        self.points += ground + noise + low_outlier + above_ground + other_class;
    }

    /// Adds the counts of another tile.
    pub fn merge(&mut self, other: &StratumCounts) {
        self.points += other.points;
        self.ground += other.ground;
    }
}

/// The name of a class between breaks: `<0.1`, `0.1-0.2`, `>=0.4`.
pub fn class_name(class: u8, breaks: &[f64]) -> String {
    let class = usize::from(class).min(breaks.len());
    match (class.checked_sub(1).map(|i| breaks[i]), breaks.get(class)) {
        (None, Some(high)) => format!("<{high}"),
        (Some(low), Some(high)) => format!("{low}-{high}"),
        (Some(low), None) => format!(">={low}"),
        (None, None) => "any".to_string(),
    }
}

/// The class that a value falls in: the number of `breaks` that it reaches.
pub fn class_of(value: f64, breaks: &[f64]) -> u8 {
    breaks.iter().filter(|edge| value >= **edge).count() as u8
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn echoes_by_their_place_in_the_pulse() {
        let return_type = |return_number, number_of_returns| {
            ReturnType::of(&Point { return_number, number_of_returns, ..Point::default() })
        };
        let all = [
            return_type(1, 1),
            return_type(1, 3),
            return_type(2, 3),
            return_type(3, 3),
            return_type(4, 3),
            return_type(0, 0),
        ];
        let expected =
            [ReturnType::Single, ReturnType::FirstOfMany, ReturnType::Intermediate, ReturnType::LastOfMany]
                .map(Some);
        assert_eq!(all[..4], expected);
        assert_eq!(all[4..], [None, None]);
    }

    #[test]
    fn a_value_at_a_break_belongs_to_the_upper_class() {
        let classes = [0.0, 0.0999, 0.1, 0.39, 5.0].map(|slope| class_of(slope, &[0.1, 0.2, 0.4]));
        assert_eq!(classes, [0, 0, 1, 2, 3]);
        let names: Vec<_> = (0..4).map(|class| class_name(class, &[0.1, 0.2, 0.4])).collect();
        assert_eq!(names, ["<0.1", "0.1-0.2", "0.2-0.4", ">=0.4"]);
    }

    proptest! {
        #[test]
        fn strata_come_back_as_they_were(
            return_number in 0u8..16, cover in 0..4, return_type in 0..5, slope in 0u8..8, angle in 0u8..8,
            strip in any::<Option<u16>>(), chosen in 0..7usize,
        ) {
            let strata = Strata {
                return_number,
                cover: [None, Some(Cover::Open), Some(Cover::Low), Some(Cover::Canopy)][cover as usize],
                slope: slope.checked_sub(1),
                scan_angle: angle.checked_sub(1),
                strip,
                return_type: [None, Some(ReturnType::Single), Some(ReturnType::FirstOfMany), Some(ReturnType::Intermediate), Some(ReturnType::LastOfMany)][return_type as usize],
            };
            prop_assert_eq!(Strata::decode(strata.encode()), strata);
            let all = [By::Return, By::Cover, By::Slope, By::ScanAngle, By::Strip, By::ReturnType];
            for by in [&all[..chosen], &all[chosen..]] {
                prop_assert_eq!(strata.code() & Strata::mask(by), strata.only(by).code());
            }
        }
    }
}

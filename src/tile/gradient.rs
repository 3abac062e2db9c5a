//! The gradient of the ground, as few bytes.

/// Rise of the ground towards east and north, rise over run, in steps of [`Gradient::STEP`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Gradient {
    /// Towards east.
    pub east: i16,
    /// Towards north.
    pub north: i16,
}

/// Bytes of a gradient, or of none.
pub const ENCODED: usize = 4;

/// Stands for none.
const NONE: i16 = i16::MIN;

impl Gradient {
    /// A ten-thousandth: the gradient of a surface is not known better.
    pub const STEP: f64 = 1e-4;

    /// That of a surface that rises so much over a run of one; beyond 73° along an axis it is held to that.
    pub fn of([east, north]: [f64; 2]) -> Self {
        let steps = |rise: f64| (rise / Self::STEP).round().clamp(-f64::from(i16::MAX), f64::from(i16::MAX));
        Gradient { east: steps(east) as i16, north: steps(north) as i16 }
    }

    /// Steepest slope in hundredths, at most 254 of them.
    pub fn slope_percent(self) -> u8 {
        let [east, north] = [self.east, self.north].map(f64::from);
        ((east * east + north * north).sqrt() * Self::STEP * 100.0).round().min(254.0) as u8
    }

    /// As bytes.
    pub fn encode(gradient: Option<Self>) -> [u8; ENCODED] {
        let Gradient { east, north } = gradient.unwrap_or(Gradient { east: NONE, north: NONE });
        let ([a, b], [c, d]) = (east.to_le_bytes(), north.to_le_bytes());
        [a, b, c, d]
    }

    /// What [`Gradient::encode`] turned into these bytes.
    pub fn decode([a, b, c, d]: [u8; ENCODED]) -> Option<Self> {
        let (east, north) = (i16::from_le_bytes([a, b]), i16::from_le_bytes([c, d]));
        (east != NONE).then_some(Gradient { east, north })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gradient_comes_back_and_knows_its_slope() {
        for (rises, percent) in
            [([0.0, 0.0], 0), ([0.12, -0.16], 20), ([-9.0, 9.0], 254), ([-3.0, 0.00004], 254)]
        {
            let gradient = Gradient::of(rises);
            assert_eq!(Gradient::decode(Gradient::encode(Some(gradient))), Some(gradient));
            assert_eq!(gradient.slope_percent(), percent);
        }
        assert_eq!(Gradient::decode(Gradient::encode(None)), None);
    }
}

//! What is added to the points of a classified cloud, as whole steps.

use crate::cloud::ExtraDimension;
use crate::units::{Micrometres, Unit};

/// A dimension that is added, and its steps.
#[derive(Clone, Copy, Debug)]
pub enum Added {
    /// The limit of the ground filter in the cell of the point.
    GroundLimit(LimitSteps),
    /// dz, by the micrometres in a unit of z.
    Dz(f64),
}

/// Value of a step of dz, in units of z.
const DZ_STEP: f64 = 1e-4;

impl Added {
    /// The dimension that holds it.
    pub fn dimension(&self) -> ExtraDimension {
        match self {
            Added::GroundLimit(steps) => steps.dimension(),
            Added::Dz(_) => ExtraDimension {
                name: "dz",
                description: "survey minus reference",
                scale: DZ_STEP,
                offset: 0.0,
            },
        }
    }

    /// Its steps at a point with this limit and this dz, micrometres.
    pub fn steps(&self, limit: Option<Micrometres>, dz: Option<Micrometres>) -> i32 {
        match self {
            Added::GroundLimit(steps) => steps.of(limit),
            Added::Dz(micrometres) => dz.map_or(ExtraDimension::NONE, |dz| {
                // A cast keeps to what can be held; the least number stands for none.
                ((dz as f64 / micrometres / DZ_STEP).round() as i32).max(-i32::MAX)
            }),
        }
    }
}

/// Elevations as whole steps of z in a file.
#[derive(Clone, Copy, Debug)]
pub struct LimitSteps {
    scale: f64,
    offset: f64,
    /// Micrometres in its unit.
    micrometres: f64,
    /// What is added to its elevations.
    shift: Micrometres,
}

impl LimitSteps {
    /// Those of a file with this scale and offset of z.
    pub fn new(scale: f64, offset: f64, unit: Unit, shift: Micrometres) -> Self {
        LimitSteps { scale: scale.abs(), offset, micrometres: unit.micrometres(), shift }
    }

    /// The dimension that holds them.
    pub fn dimension(&self) -> ExtraDimension {
        ExtraDimension {
            name: "ground_limit",
            description: "highest ground elevation in cell",
            scale: self.scale,
            offset: self.offset,
        }
    }

    /// The elevation of a number of steps, as it is read.
    fn elevation(&self, steps: f64) -> Micrometres {
        let z = (steps * self.scale + self.offset) * self.micrometres;
        (z + 0.5f64.copysign(z)) as Micrometres + self.shift
    }

    /// The highest number of steps whose elevation is not above a limit, so that the points of a cell that are ground are those
    /// whose z is at most its limit.
    pub fn of(&self, limit: Option<Micrometres>) -> i32 {
        let Some(limit) = limit else { return ExtraDimension::NONE };
        let mut steps = (((limit - self.shift) as f64 / self.micrometres - self.offset) / self.scale).floor();
        while self.elevation(steps + 1.0) <= limit {
            steps += 1.0;
        }
        while self.elevation(steps) > limit {
            steps -= 1.0;
        }
        let held = f64::from(ExtraDimension::NONE) < steps && steps <= f64::from(i32::MAX);
        if held { steps as i32 } else { ExtraDimension::NONE }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_limit_in_steps_parts_elevations_as_the_limit_does(
            scale in prop_oneof![Just(0.001), Just(0.01), Just(0.0001), Just(0.00025), Just(0.5)],
            offset in -500.0..500.0f64,
            unit in prop_oneof![Just(Unit::Metre), Just(Unit::Foot), Just(Unit::UsSurveyFoot)],
            shift in -50_000_000i64..50_000_000,
            limit in -900_000_000i64..4_000_000_000,
            near in -3i32..4,
        ) {
            let steps = LimitSteps::new(scale, offset, unit, shift);
            let found = steps.of(Some(limit));
            prop_assume!(found != ExtraDimension::NONE);
            let z = found + near;
            prop_assert_eq!(steps.elevation(f64::from(z)) <= limit, z <= found);
        }
    }

    #[test]
    fn dz_is_in_ten_thousandths_of_the_unit_of_z() {
        let (metres, feet) = (Added::Dz(1e6), Added::Dz(304_800.0));
        assert_eq!(metres.steps(None, Some(-12_345_670)), -123_457);
        assert_eq!(feet.steps(None, Some(304_800)), 10_000);
        assert_eq!(metres.steps(Some(5), None), ExtraDimension::NONE);
        assert_eq!(metres.steps(None, Some(-300_000_000_000)), -i32::MAX);
    }

    #[test]
    fn no_limit_and_one_beyond_what_the_file_can_hold_are_none() {
        let steps = LimitSteps::new(0.001, 0.0, Unit::Metre, 0);
        assert_eq!(steps.of(None), ExtraDimension::NONE);
        assert_eq!(steps.of(Some(3_000_000_000_000)), ExtraDimension::NONE);
        assert_eq!(steps.of(Some(1_234_567)), 1234);
        assert_eq!(steps.of(Some(-1_234_567)), -1235);
    }
}

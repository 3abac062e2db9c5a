//! The pose of a scan: as its file states it, or as it is registered.

use crate::units::Micrometres;

/// How the coordinates of a source lie in the system of the cloud: a turn, then a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// The turn, a unit quaternion: w, x, y, z.
    pub rotation: [f64; 4],
    /// The shift along x, y and z, in the units of the file.
    pub translation: [f64; 3],
}

impl Pose {
    /// The turn as a matrix, row by row.
    pub fn matrix(&self) -> [[f64; 3]; 3] {
        let [w, x, y, z] = self.rotation;
        [
            [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
            [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
            [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
        ]
    }

    /// A position, turned and shifted.
    pub fn apply(&self, at: [f64; 3]) -> [f64; 3] {
        let turned = self.matrix().map(|row| row[0] * at[0] + row[1] * at[1] + row[2] * at[2]);
        [0, 1, 2].map(|axis| turned[axis] + self.translation[axis])
    }
}

/// A pose found by registration, in micrometres: p ↦ to + turn (p − from). Both places lie in the middle of the setup's targets, so that
/// what is turned is small, whatever the size of the coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Registered {
    /// The turn, row by row.
    pub turn: [[f64; 3]; 3],
    /// The place about which it turns, in the frame of the setup.
    pub from: [Micrometres; 3],
    /// Where that lies in the system of the cloud.
    pub to: [Micrometres; 3],
}

impl Registered {
    /// By how much a place (micrometres) lies off `to`.
    #[inline]
    pub fn off(&self, at: [f64; 3]) -> [f64; 3] {
        let arm = [0, 1, 2].map(|axis| at[axis] - self.from[axis] as f64);
        self.turn.map(|row| row[0] * arm[0] + row[1] * arm[1] + row[2] * arm[2])
    }

    /// A place, turned and shifted, in whole micrometres.
    #[inline]
    pub fn apply(&self, at: [Micrometres; 3]) -> [Micrometres; 3] {
        let off = self.off(at.map(|v| v as f64));
        [0, 1, 2].map(|axis| self.to[axis] + off[axis].round() as Micrometres)
    }

    /// The box around a box, each from least to greatest, in metres.
    pub fn around(&self, ranges: [(f64, f64); 3]) -> [(f64, f64); 3] {
        let mut found = [(f64::INFINITY, f64::NEG_INFINITY); 3];
        for corner in 0..8 {
            let at = [0, 1, 2].map(|axis| {
                let (low, high) = ranges[axis];
                1e6 * if corner & (1 << axis) == 0 { low } else { high }
            });
            let off = self.off(at);
            for axis in 0..3 {
                let value = (self.to[axis] as f64 + off[axis]) / 1e6;
                found[axis] = (found[axis].0.min(value), found[axis].1.max(value));
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_registered_place_is_right_to_the_micrometre_far_from_zero() {
        let (sin, cos) = (0.6, 0.8);
        let pose = Registered {
            turn: [[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]],
            from: [1_000_000, 2_000_000, 0],
            to: [6_500_000_000_123, 5_400_000_000_456, 101_000_000],
        };
        // 5 m along x: 4 m east and 3 m north.
        assert_eq!(
            pose.apply([6_000_000, 2_000_000, -7]),
            [6_500_004_000_123, 5_400_003_000_456, 100_999_993]
        );
        let around = pose.around([(1.0, 6.0), (2.0, 2.0), (0.0, 1.0)]);
        for (found, expected) in around.iter().zip([
            (6_500_000.000_123, 6_500_004.000_123),
            (5_400_000.000_456, 5_400_003.000_456),
            (101.0, 102.0),
        ]) {
            assert!((found.0 - expected.0).abs() < 1e-8 && (found.1 - expected.1).abs() < 1e-8, "{found:?}");
        }
    }
}

//! The pose of a scan.

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

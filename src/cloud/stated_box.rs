//! The box around points as their file states it.

/// The box around the points of a source as its file states it, in the units of the file. A number that the file lacks is
/// not a number here; what an E57 file does not state is endless.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StatedBox {
    /// Least x, y and z.
    pub min: [f64; 3],
    /// Greatest x, y and z.
    pub max: [f64; 3],
    /// By how much each may be rounded.
    pub rounding: [f64; 3],
}

//! Directions for people.

/// The nearest of the eight compass directions to (east, north).
pub fn compass_direction([east, north]: [f64; 2]) -> &'static str {
    // A half of the angle between two directions, 22.5°, has the tangent √2 − 1.
    let along = |one: f64, other: f64| one.abs() < (2f64.sqrt() - 1.0) * other.abs();
    match (along(north, east), along(east, north), east > 0.0, north > 0.0) {
        (true, _, true, _) => "east",
        (true, _, false, _) => "west",
        (_, true, _, true) => "north",
        (_, true, _, false) => "south",
        (_, _, true, true) => "north-east",
        (_, _, false, true) => "north-west",
        (_, _, true, false) => "south-east",
        (_, _, false, false) => "south-west",
    }
}

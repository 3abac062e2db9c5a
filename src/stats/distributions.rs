//! Stub.
/// Stub.
pub fn f_sf(_f: f64, _a: f64, _b: f64) -> f64 {
    0.0
}

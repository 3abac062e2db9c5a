//! Why an object cannot be read.

/// Why bytes of an object cannot be had.
#[cfg_attr(
    not(feature = "remote"),
    expect(dead_code, reason = "without objects there are no errors of them")
)]
#[derive(Debug)]
pub(in crate::cloud) enum ObjectError {
    /// The store does not give them.
    Refused {
        /// What is wrong.
        what: String,
        /// What to do.
        remedy: &'static str,
    },
    /// The object is another than when it was opened.
    Changed,
}

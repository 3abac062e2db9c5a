//! Blocks: what the work of decoding a source is cut into.

/// A run of points that can be decoded on its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block {
    /// Number of the block in its file, from 0.
    pub number: usize,
    /// Number of points before it in the file.
    pub first_point: u64,
    /// Number of points in it, at least 1.
    pub points: u64,
    /// Byte of the file at which it begins.
    pub offset: u64,
    /// Bytes that it takes in the file.
    pub bytes: u64,
}

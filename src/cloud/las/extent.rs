//! The extent of the points of a block, and whether it lies in the box that the header states: damage inside a chunk may
//! still decode, but hardly to points in that box.

use crate::cloud::las::copc::NodeGround;
use crate::cloud::las::header::LasFile;

/// Metres or feet by which points may lie outside the box, beside a step of the scale factor: writers round it.
const ROUNDING: f64 = 0.01;

/// Least and greatest raw coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Extent {
    low: [i32; 3],
    high: [i32; 3],
}

impl Extent {
    /// Of no points.
    pub const NONE: Extent = Extent { low: [i32::MAX; 3], high: [i32::MIN; 3] };

    /// Widens it by raw records of the given length.
    #[inline]
    pub fn add(&mut self, records: &[u8], length: usize) {
        let Extent { mut low, mut high } = *self;
        for record in records.chunks_exact(length) {
            let core: &[u8; 12] = record[..12].try_into().expect("records are as long as the format says");
            for axis in 0..3 {
                let raw = i32::from_le_bytes(core[4 * axis..4 * axis + 4].try_into().expect("four bytes"));
                low[axis] = low[axis].min(raw);
                high[axis] = high[axis].max(raw);
            }
        }
        *self = Extent { low, high };
    }

    /// How points lie outside the ground of their node, in words; nothing where they do not. Positions may be rounded by a
    /// step of the scale factor.
    pub fn outside_node(&self, node: &NodeGround, scale: [f64; 3], offset: [f64; 3]) -> Option<String> {
        let axes = [("x", 0, node.x), ("y", 1, node.y)];
        axes.into_iter().find_map(|(name, axis, [low, high])| {
            let value = |raw: i32| f64::from(raw) * scale[axis] + offset[axis];
            let (a, b) = (value(self.low[axis]), value(self.high[axis]));
            let slack = scale[axis].abs() * 1.5;
            // Written so that not-a-number lies outside, too.
            let inside = a.min(b) >= low - slack && a.max(b) <= high + slack;
            (!inside).then(|| {
                let (a, b) = (a.min(b), a.max(b));
                format!("its points range in {name} from {a:.2} to {b:.2}, but its node of the octree from {low:.2} to {high:.2}")
            })
        })
    }
}

/// The box that a header states, in raw coordinates.
pub(super) struct Limits {
    low: [f64; 3],
    high: [f64; 3],
    scale: [f64; 3],
    offset: [f64; 3],
}

impl Limits {
    /// Those of a file; nothing where its header states no box.
    pub fn of(file: &LasFile) -> Option<Self> {
        file.stated_bounds()?;
        let (mut low, mut high) = ([0.0; 3], [0.0; 3]);
        for axis in 0..3 {
            let (scale, offset) = (file.scale[axis], file.offset[axis]);
            let slack = scale.abs().max(ROUNDING);
            let ends = [file.stated_min[axis] - slack, file.stated_max[axis] + slack];
            let [a, b] = ends.map(|end| (end - offset) / scale);
            (low[axis], high[axis]) = (a.min(b), a.max(b));
        }
        Some(Limits { low, high, scale: file.scale, offset: file.offset })
    }

    /// How points lie outside, in words; nothing where they do not.
    pub fn outside(&self, extent: &Extent) -> Option<String> {
        let axis = (0..3).find(|&axis| {
            f64::from(extent.low[axis]) < self.low[axis] || f64::from(extent.high[axis]) > self.high[axis]
        })?;
        let value = |raw: f64| raw * self.scale[axis] + self.offset[axis];
        let ends = |low: f64, high: f64| {
            let (a, b) = (value(low), value(high));
            format!("{:.2} to {:.2}", a.min(b), a.max(b))
        };
        Some(format!(
            "its points range in {} from {}, but the header states {}",
            ["x", "y", "z"][axis],
            ends(extent.low[axis].into(), extent.high[axis].into()),
            ends(self.low[axis], self.high[axis])
        ))
    }
}

impl LasFile {
    /// The box that the header states, least and greatest; nothing where it states none (all zeros, or not numbers).
    pub fn stated_bounds(&self) -> Option<([f64; 3], [f64; 3])> {
        let (min, max) = (self.stated_min, self.stated_max);
        let zero = min.iter().chain(&max).all(|end| *end == 0.0);
        let in_order = (0..3).all(|axis| min[axis] <= max[axis] && (max[axis] - min[axis]).is_finite());
        (in_order && !zero).then_some((min, max))
    }
}

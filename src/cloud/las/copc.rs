//! The octree of a COPC file: which of its chunks holds which ground, so that of an area only those are decoded.
//!
//! Source: COPC 1.0, an open standard: a LAZ file of LAS 1.4 whose chunks are the nodes of an octree. A record of user `copc`,
//! number 1, states the cube that the tree divides and where its hierarchy begins; the hierarchy lists, page by page, the
//! key of each node and the chunk that it is.

use std::collections::HashSet;

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::las::vlr::Record;
use crate::cloud::ranges::RangeReader;

/// Bytes of the record with the cube, and of an entry of the hierarchy.
const INFO: usize = 160;
const ENTRY: usize = 32;

/// Levels of a tree at the most: keys are 32-bit numbers.
const MOST_LEVELS: i32 = 31;

/// Bytes of a page at the most.
const LONGEST_PAGE: u64 = 128 << 20;

/// What to do with a hierarchy that cannot be right.
const REMEDY: &str = "Export the file again, as COPC or as plain LAZ";

/// Ground of a node, least and greatest x and y, in the file's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cloud) struct NodeGround {
    /// Least and greatest x.
    pub x: [f64; 2],
    /// Least and greatest y.
    pub y: [f64; 2],
}

/// The cube that the tree divides.
struct Cube {
    /// Least x, y and z.
    low: [f64; 3],
    side: f64,
}

impl Cube {
    fn node(&self, level: i32, key: [i32; 3]) -> NodeGround {
        let side = self.side / (1i64 << level) as f64;
        let along = |axis: usize| {
            let low = self.low[axis] + side * f64::from(key[axis]);
            [low, low + side]
        };
        NodeGround { x: along(0), y: along(1) }
    }
}

/// The ground of each of the `blocks` of a COPC file, in their order; nothing where the file is none.
///
/// # Errors
/// When the hierarchy cannot be read, or does not fit the chunks.
pub(super) fn read(
    source: &mut RangeReader,
    records: &[Record],
    blocks: &[Block],
) -> Result<Option<Vec<NodeGround>>, CloudError> {
    let Some(info) = records.iter().find(|record| record.user == "copc" && record.id == 1) else {
        return Ok(None);
    };
    let path = source.path().to_path_buf();
    let wrong = |what: String, offset: u64| CloudError::Header {
        path: path.clone(),
        what: format!("the hierarchy of the COPC file is damaged: {what}"),
        offset,
        remedy: REMEDY,
    };
    let data = info.data.as_slice();
    if data.len() < INFO {
        return Err(wrong(format!("its record has {} bytes, not {INFO}", data.len()), info.offset));
    }
    let number = |at: usize| f64::from_le_bytes(data[at..at + 8].try_into().expect("eight bytes"));
    let word = |at: usize| u64::from_le_bytes(data[at..at + 8].try_into().expect("eight bytes"));
    let half = number(24);
    let cube = Cube { low: [0, 8, 16].map(|at| number(at) - half), side: 2.0 * half };
    if !(half > 0.0 && half.is_finite() && cube.low.iter().all(|low| low.is_finite())) {
        return Err(wrong(format!("its cube has half a side of {half:?}"), info.offset));
    }
    let mut grounds: Vec<Option<NodeGround>> = vec![None; blocks.len()];
    let mut keys = HashSet::new();
    let mut pages = vec![(word(40), word(48), info.offset + 40)];
    let mut seen = HashSet::new();
    // Pages that overlap would be longer than the file in all.
    let mut left = source.size();
    while let Some((offset, bytes, stated_at)) = pages.pop() {
        if !seen.insert(offset) {
            return Err(wrong(
                format!("its page at byte {offset} is part of itself, or listed twice"),
                stated_at,
            ));
        }
        if bytes > left.min(LONGEST_PAGE) || bytes % ENTRY as u64 != 0 || bytes == 0 {
            return Err(wrong(format!("its page at byte {offset} is said to have {bytes} bytes"), stated_at));
        }
        left -= bytes;
        if offset.checked_add(bytes).is_none_or(|end| end > source.size()) {
            return Err(wrong(
                format!("its page of {bytes} bytes at byte {offset} lies beyond the file"),
                stated_at,
            ));
        }
        let page = source.bytes(offset, bytes, "hierarchy of the octree")?;
        for (entry, at) in page.as_chunks::<ENTRY>().0.iter().zip((offset..).step_by(ENTRY)) {
            let whole = |at: usize| i32::from_le_bytes(entry[at..at + 4].try_into().expect("four bytes"));
            let (level, key) = (whole(0), [whole(4), whole(8), whole(12)]);
            let place = u64::from_le_bytes(entry[16..24].try_into().expect("eight bytes"));
            let (bytes, points) = (whole(24), whole(28));
            let name = || format!("node {level}-{}-{}-{}", key[0], key[1], key[2]);
            let fits = |k: &i32| *k >= 0 && i64::from(*k) < 1i64 << level;
            if !(0..=MOST_LEVELS).contains(&level) || !key.iter().all(fits) {
                return Err(wrong(format!("there is no {}", name()), at));
            }
            if points == -1 {
                pages.push((place, u64::try_from(bytes).unwrap_or(u64::MAX), at));
                continue;
            }
            if !keys.insert((level, key)) {
                return Err(wrong(format!("{} is listed twice", name()), at));
            }
            if points == 0 {
                continue;
            }
            let block = blocks.binary_search_by_key(&place, |block| block.offset).ok();
            let block = block.filter(|&i| {
                let block = &blocks[i];
                (u64::try_from(bytes), u64::try_from(points)) == (Ok(block.bytes), Ok(block.points))
            });
            let Some(ground) = block.and_then(|i| grounds.get_mut(i)) else {
                let what = format!(
                    "{} is said to be {points} points in {bytes} bytes from byte {place}: there is no such chunk",
                    name()
                );
                return Err(wrong(what, at));
            };
            if ground.replace(cube.node(level, key)).is_some() {
                return Err(wrong(format!("{} is a chunk that another node has, too", name()), at));
            }
        }
    }
    let listed = grounds.iter().flatten().count();
    let all: Option<Vec<NodeGround>> = grounds.into_iter().collect();
    all.map(Some).ok_or_else(|| {
        wrong(format!("it lists {listed} of {} chunks with points", blocks.len()), info.offset)
    })
}

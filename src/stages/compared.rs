//! Comparisons: one dz each, as bytes and in a row.

use std::io;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::cloud::packed::{pack_40, unpack_40};
use crate::tile::gradient::{self, Gradient};
use crate::tile::strata::{self, Strata};
use crate::tile::yields::{Sections, Stretch, Yields};
use crate::units::Micrometres;

/// One dz, with its position and what is known of its survey point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Compared {
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing, micrometres.
    pub y: Micrometres,
    /// Survey elevation minus reference elevation, micrometres.
    pub dz: Micrometres,
    /// How much higher the point could lie and still be ground, as the other points set it, in steps of
    /// [`Compared::HEADROOM_STEP`]; none where no other point sets a limit.
    pub headroom: Option<u16>,
    /// Gradient of the survey's ground there; none where it has too few cells.
    pub gradient: Option<Gradient>,
    /// The same, not smoothed.
    pub local_gradient: Option<Gradient>,
    /// The strata it belongs to.
    pub strata: Strata,
}

/// Bytes of a comparison on disk.
pub const ENCODED: usize = 5 + 5 + 5 + 2 + 2 * gradient::ENCODED + strata::ENCODED;

impl Compared {
    /// A tenth of a millimetre: far below what a threshold is good for.
    pub const HEADROOM_STEP: Micrometres = 100;

    /// `headroom` from the point's elevation and the highest that would have been accepted.
    pub fn headroom(z: Micrometres, highest: Option<Micrometres>) -> Option<u16> {
        // The greatest value stands for "none"; so much headroom cuts nothing off.
        highest
            .map(|highest| ((highest - z).max(0) / Self::HEADROOM_STEP).min(i64::from(u16::MAX) - 1) as u16)
    }

    /// The highest dz that the ground filter would have accepted here, micrometres.
    pub fn limit(&self) -> Option<Micrometres> {
        self.headroom.map(|headroom| self.dz + i64::from(headroom) * Self::HEADROOM_STEP)
    }

    /// Steepest slope of the ground there, in hundredths; see [`Gradient::slope_percent`].
    pub fn slope_percent(&self) -> Option<u8> {
        self.gradient.map(Gradient::slope_percent)
    }

    /// Whether its position can be stored relative to that of another.
    pub fn is_near(&self, other: &Compared) -> bool {
        let near = |d: Micrometres| (-FARTHEST..FARTHEST).contains(&d);
        near(self.x - other.x) && near(self.y - other.y)
    }

    /// Adds it as bytes, its position relative to `base`; whether that was near enough.
    pub fn encode(&self, base: (Micrometres, Micrometres), to: &mut Vec<u8>) -> bool {
        let (dx, dy) = (self.x - base.0, self.y - base.1);
        if [dx, dy].iter().any(|d| !(-FARTHEST..FARTHEST).contains(d)) {
            return false;
        }
        for value in [dx, dy, self.dz] {
            to.extend_from_slice(&pack_40(value));
        }
        to.extend_from_slice(&self.headroom.unwrap_or(u16::MAX).to_le_bytes());
        to.extend_from_slice(&Gradient::encode(self.gradient));
        to.extend_from_slice(&Gradient::encode(self.local_gradient));
        to.extend_from_slice(&self.strata.encode());
        true
    }

    /// What [`Compared::encode`] turned into these bytes.
    pub fn decode(b: &[u8; ENCODED], base: (Micrometres, Micrometres)) -> Self {
        let headroom = u16::from_le_bytes([b[15], b[16]]);
        Compared {
            x: base.0 + unpack_40(&b[0..5]),
            y: base.1 + unpack_40(&b[5..10]),
            dz: unpack_40(&b[10..15]),
            headroom: (headroom != u16::MAX).then_some(headroom),
            gradient: Gradient::decode([b[17], b[18], b[19], b[20]]),
            local_gradient: Gradient::decode([b[21], b[22], b[23], b[24]]),
            strata: Strata::decode([b[25], b[26], b[27], b[28], b[29]]),
        }
    }
}

/// All comparisons of a run, which can be read again and again, in any order.
pub trait Comparisons: Sync {
    /// How many there are.
    fn len(&self) -> u64;

    /// Whether there is none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// In how many parts they can be read, each by itself.
    fn parts(&self) -> usize;

    /// Hands over those of one part, in blocks.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    fn read_part(&self, part: usize, f: &mut dyn FnMut(&[Compared])) -> io::Result<()>;
}

impl dyn Comparisons + '_ {
    /// Reads all once, shared among the workers: each adds up the parts that it takes, and their sums are merged. Which
    /// worker takes which part is left to chance, so that sums must be the same in any order.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn sum_up<A: Send>(
        &self,
        none: impl Fn() -> A + Sync,
        add: impl Fn(&mut A, &[Compared]) + Sync,
        merge: impl Fn(&mut A, A) + Sync,
    ) -> io::Result<A> {
        let next = AtomicUsize::new(0);
        let worker = |_| {
            let mut sum = none();
            loop {
                let part = next.fetch_add(1, Ordering::Relaxed);
                if part >= self.parts() {
                    return Ok(sum);
                }
                self.read_part(part, &mut |block| add(&mut sum, block))?;
            }
        };
        let workers = (0..rayon::current_num_threads()).into_par_iter().with_max_len(1).map(worker);
        let merged = |mut all: A, sum: A| {
            merge(&mut all, sum);
            Ok(all)
        };
        workers.try_reduce_with(merged).unwrap_or_else(|| Ok(none()))
    }
}

/// Comparisons held in memory: few.
pub struct ComparedInMemory(pub Vec<Compared>);

impl Comparisons for ComparedInMemory {
    fn len(&self) -> u64 {
        self.0.len() as u64
    }

    fn parts(&self) -> usize {
        self.0.len().div_ceil(BLOCK)
    }

    fn read_part(&self, part: usize, f: &mut dyn FnMut(&[Compared])) -> io::Result<()> {
        self.0.chunks(BLOCK).skip(part).take(1).for_each(f);
        Ok(())
    }
}

/// The section of the comparisons: a base for the positions, then the comparisons.
const SECTION: &str = "compared";

/// Bytes of the base.
const BASE: usize = 16;

/// Gives comparisons of one tile back.
///
/// # Panics
/// Where they lie farther apart than any tile is wide.
pub fn give(compared: &[Compared], to: &mut Sections) {
    let Some(first) = compared.first() else { return };
    let (base, bytes) = ((first.x, first.y), to.of(SECTION));
    bytes.reserve(BASE + compared.len() * ENCODED);
    bytes.extend_from_slice(&base.0.to_le_bytes());
    bytes.extend_from_slice(&base.1.to_le_bytes());
    let fit = compared.iter().all(|one| one.encode(base, bytes));
    assert!(fit, "comparisons lie farther apart than any tile is wide");
}

/// Comparisons of a part.
const AT_A_TIME: usize = 1 << 13;

/// Comparisons decoded at a time.
const BLOCK: usize = 1 << 9;

/// The comparisons that tiles gave back.
pub struct ComparedInTiles<'a> {
    yields: &'a dyn Yields,
    /// Stretches, and where in them so many bytes of comparisons begin.
    parts: Vec<(Stretch, u64, usize)>,
}

impl<'a> ComparedInTiles<'a> {
    /// Those of all tiles.
    pub fn new(yields: &'a dyn Yields) -> Self {
        ComparedInTiles::in_parts(yields, AT_A_TIME)
    }

    fn in_parts(yields: &'a dyn Yields, at_a_time: usize) -> Self {
        let most = at_a_time * ENCODED;
        let parts_of = |stretch: Stretch| {
            let starts = (BASE as u64..stretch.bytes).step_by(most);
            starts.map(move |from| (stretch, from, ((stretch.bytes - from) as usize).min(most)))
        };
        ComparedInTiles { yields, parts: yields.stretches(SECTION).into_iter().flat_map(parts_of).collect() }
    }
}

impl Comparisons for ComparedInTiles<'_> {
    fn len(&self) -> u64 {
        self.parts.iter().map(|(_, _, bytes)| (bytes / ENCODED) as u64).sum()
    }

    fn parts(&self) -> usize {
        self.parts.len()
    }

    fn read_part(&self, part: usize, f: &mut dyn FnMut(&[Compared])) -> io::Result<()> {
        let (stretch, from, count) = &self.parts[part];
        let (mut base, mut bytes) = ([[0; 8]; 2], vec![0; *count]);
        self.yields.read_part(stretch, 0, base.as_flattened_mut())?;
        self.yields.read_part(stretch, *from, &mut bytes)?;
        let base = base.map(i64::from_le_bytes).into();
        let (encoded, rest) = bytes.as_chunks();
        if !rest.is_empty() {
            return Err(self.yields.damaged(stretch).into());
        }
        let mut block = Vec::with_capacity(BLOCK);
        for encoded in encoded.chunks(BLOCK) {
            block.clear();
            block.extend(encoded.iter().map(|one| Compared::decode(one, base)));
            f(&block);
        }
        Ok(())
    }
}

/// Positions are stored up to this far from their base, micrometres: what fits 40 bits.
const FARTHEST: Micrometres = 1 << 39;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tile::tiling::TileKey;
    use crate::tile::yields::YieldError;

    /// What tiles gave back, in memory.
    struct Given(Vec<Vec<u8>>);

    impl Yields for Given {
        fn stretches(&self, _: &str) -> Vec<Stretch> {
            let key = TileKey { row: 0, column: 0 };
            let stretch = |(file, bytes): (usize, &Vec<u8>)| Stretch {
                key,
                file,
                offset: 0,
                bytes: bytes.len() as u64,
            };
            self.0.iter().enumerate().map(stretch).collect()
        }

        fn read_part(&self, stretch: &Stretch, from: u64, bytes: &mut [u8]) -> Result<(), YieldError> {
            bytes.copy_from_slice(&self.0[stretch.file][from as usize..][..bytes.len()]);
            Ok(())
        }

        fn damaged(&self, _: &Stretch) -> YieldError {
            YieldError::Damaged { path: "tiles".into() }
        }
    }

    fn compared(x: i64) -> Compared {
        Compared {
            x,
            y: -x,
            dz: 7 * x,
            headroom: None,
            gradient: None,
            local_gradient: None,
            strata: Strata::default(),
        }
    }

    proptest! {
        #[test]
        fn workers_together_find_what_one_alone_finds(
            tiles in proptest::collection::vec(1..60i64, 0..9), at_a_time in 1..30usize, threads in 1..5usize,
        ) {
            let mut first = 0;
            let mut given = Vec::new();
            for count in tiles {
                let mut sections = Sections::default();
                give(&(first..first + count).map(compared).collect::<Vec<_>>(), &mut sections);
                given.push(sections.of(SECTION).clone());
                first += count;
            }
            let given = Given(given);
            let all: &dyn Comparisons = &ComparedInTiles::in_parts(&given, at_a_time);
            let mut alone = Vec::new();
            (0..all.parts()).for_each(|part| all.read_part(part, &mut |block| alone.extend_from_slice(block)).unwrap());
            prop_assert_eq!(&alone, &(0..first).map(compared).collect::<Vec<_>>());
            prop_assert_eq!(all.len(), alone.len() as u64);
            let workers = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let mut together = workers.install(|| {
                all.sum_up(Vec::new, |sum, block| sum.extend_from_slice(block), |sum, other| sum.extend(other)).unwrap()
            });
            together.sort_unstable();
            prop_assert_eq!(together, alone);
        }

        #[test]
        fn what_is_no_whole_number_of_comparisons_is_damaged(count in 1..99i64, cut in 1..ENCODED) {
            let mut sections = Sections::default();
            give(&(0..count).map(compared).collect::<Vec<_>>(), &mut sections);
            let mut bytes = sections.of(SECTION).clone();
            bytes.truncate(bytes.len() - cut);
            let given = Given(vec![bytes]);
            let all: &dyn Comparisons = &ComparedInTiles::in_parts(&given, 10);
            prop_assert!(all.sum_up(|| (), |_, _| (), |_, _| ()).is_err());
        }

        #[test]
        fn a_comparison_comes_back_as_it_was(
            (x, y) in (-FARTHEST..FARTHEST, -FARTHEST..FARTHEST), dz in -400_000_000_000i64..400_000_000_000,
            headroom in proptest::option::of(0..u16::MAX), rises in proptest::option::of((-4.0..4.0, -4.0..4.0)), strip in any::<Option<u16>>(),
        ) {
            let strata = Strata { return_number: 3, strip, ..Strata::default() };
            let base = (1 << 52, -1 << 52);
            let gradient = rises.map(|(east, north)| Gradient::of([east, north]));
            let local_gradient = rises.map(|(east, north)| Gradient::of([north, -east]));
            let compared = Compared { x: x + base.0, y: y + base.1, dz, headroom, gradient, local_gradient, strata };
            let mut bytes = Vec::new();
            prop_assert!(compared.encode(base, &mut bytes));
            prop_assert_eq!(Compared::decode(bytes[..].try_into().unwrap(), base), compared);
            prop_assert!(!compared.encode((0, 0), &mut bytes));
        }
    }
}

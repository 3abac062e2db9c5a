//! Counting all that is in a cloud, in one pass over its blocks. Partial counts merge in any order to the same
//! result.

use std::collections::HashMap;

use rayon::prelude::*;

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::point::{Decoded, Fields, MAX_RETURN, Point};
use crate::cloud::source::{Decoder, Source};
use crate::units::{Micrometres, Unit};

/// Side of the smallest cell in which points are counted for the density: one metre.
const CELL: Micrometres = 1_000_000;

/// Cells of a block of cells along each axis; a block is one 64-bit word.
const WORD: i64 = 8;

/// Points that a cell must hold on the average for its area to count as covered: below this, cells would be empty
/// by chance alone, and the density over the occupied ones too high (by 1 in 3,000 at 8, if points fall at
/// random).
const CELL_POINTS: u64 = 8;

/// The widest cells for the density, in metres.
const WIDEST: i64 = 64;

/// As many points are searched for duplicates, drawn by a hash of the point so that all copies of a point are
/// drawn or none.
const DUPLICATE_SAMPLE: u64 = 2_000_000;

/// What is in a cloud.
#[derive(Clone, Debug)]
pub struct Census {
    /// Points by return number (first index) and number of returns (second), as the file states them.
    pub pulses: [[u64; MAX_RETURN + 1]; MAX_RETURN + 1],
    /// Points by class.
    pub classes: [u64; 256],
    /// Points by point source ID, 65,536 of them.
    pub strips: Vec<u64>,
    /// Points flagged withheld.
    pub withheld: u64,
    /// Points whose coordinates are out of range, left out of all that needs a position.
    pub out_of_range: u64,
    /// Least and greatest x, y and z in micrometres; least above greatest where there is none.
    pub bounds: [(Micrometres, Micrometres); 3],
    /// Least and greatest scan angle, in units of 0.006 degree.
    pub scan_angle: (i16, i16),
    /// First and last GPS time that is a number; first after last where there is none.
    pub gps_time: (f64, f64),
    /// GPS times that are not numbers.
    pub times_missing: u64,
    /// What could not be decoded.
    pub damaged: Vec<(usize, String)>,
    /// Blocks with points outside the box that the header states, and how far.
    pub outside: Vec<(usize, String)>,
    /// Blocks that could be decoded.
    pub blocks: usize,
    /// Points that are neither withheld nor noise nor out of range: those that the density counts.
    pub usable: u64,
    /// First returns among the usable points.
    pub usable_first: u64,
    cells: HashMap<(i32, i32), u64>,
    sample: Vec<u64>,
    repeats: u64,
}

impl Default for Census {
    fn default() -> Self {
        Census {
            pulses: Default::default(),
            classes: [0; 256],
            strips: vec![0; 1 << 16],
            withheld: 0,
            out_of_range: 0,
            bounds: [(Micrometres::MAX, Micrometres::MIN); 3],
            scan_angle: (i16::MAX, i16::MIN),
            gps_time: (f64::INFINITY, f64::NEG_INFINITY),
            times_missing: 0,
            damaged: Vec::new(),
            outside: Vec::new(),
            blocks: 0,
            usable: 0,
            usable_first: 0,
            cells: HashMap::new(),
            sample: Vec::new(),
            repeats: 0,
        }
    }
}

/// Points per unit of area, and how they were counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointDensity {
    /// Usable points per square metre.
    pub points: f64,
    /// Usable first returns per square metre.
    pub first_returns: f64,
    /// Area of the occupied cells in square metres.
    pub area: f64,
    /// Side of the cells in metres.
    pub cell: i64,
}

impl Census {
    /// Counts the points of `source`, whose x and y are in `horizontal` and z in `vertical` units. A damaged block
    /// is recorded, and the count continues.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn of(source: &Source, horizontal: Unit, vertical: Unit) -> Result<Census, CloudError> {
        let fields = Fields { strip: true, scan_angle: true, gps_time: true };
        let thinning = sample_one_in(source.points());
        let mut census = source
            .blocks()
            .par_iter()
            .try_fold(
                || (None, Census::default()),
                |(decoder, mut census), block| -> Result<_, CloudError> {
                    let mut decoder = match decoder {
                        Some(decoder) => decoder,
                        None => source.decoder(fields, horizontal, vertical)?,
                    };
                    census.add_block(&mut decoder, block, thinning)?;
                    Ok((Some(decoder), census))
                },
            )
            .map(|result| result.map(|(_, census)| census))
            .try_reduce(Census::default, |a, b| Ok(a.merge(b)))?;
        census.sample.sort();
        census.damaged.sort();
        census.outside.sort();
        census.repeats += repeats(&mut census.sample);
        census.repeats *= thinning;
        Ok(census)
    }

    fn add_block(&mut self, decoder: &mut Decoder, block: &Block, thinning: u64) -> Result<(), CloudError> {
        let mut sample = Vec::new();
        let mut word = ((i32::MIN, i32::MIN), 0);
        let result = decoder.for_each(block, |decoded| {
            self.add(decoded, &mut word);
            let hash = hash(decoded);
            if hash & (thinning - 1) == 0 {
                sample.push(hash);
            }
        });
        self.flush(&mut word);
        sample.sort_unstable();
        self.repeats += repeats(&mut sample);
        self.sample.extend(sample);
        match result {
            // What a store does not give is no damage of the file.
            Err(error @ (CloudError::Fetch { .. } | CloudError::Changed { .. })) => return Err(error),
            Err(error) => self.damaged.push((block.number, error.to_string())),
            Ok(()) => {
                self.blocks += 1;
                let error = decoder.outside().map(|what| decoder.damaged(block, what).to_string());
                self.outside.extend(error.map(|error| (block.number, error)));
            }
        }
        Ok(())
    }

    fn add(&mut self, decoded: &Decoded, word: &mut ((i32, i32), u64)) {
        let point = &decoded.point;
        self.pulses[usize::from(point.return_number & 15)][usize::from(point.number_of_returns & 15)] += 1;
        self.classes[usize::from(point.class)] += 1;
        self.strips[usize::from(point.strip)] += 1;
        self.withheld += u64::from(decoded.withheld);
        self.scan_angle = (self.scan_angle.0.min(point.scan_angle), self.scan_angle.1.max(point.scan_angle));
        if decoded.gps_time.is_finite() {
            self.gps_time = (self.gps_time.0.min(decoded.gps_time), self.gps_time.1.max(decoded.gps_time));
        } else {
            self.times_missing += 1;
        }
        if !decoded.in_range {
            self.out_of_range += 1;
            return;
        }
        for (bounds, value) in self.bounds.iter_mut().zip([point.x, point.y, point.z]) {
            *bounds = (bounds.0.min(value), bounds.1.max(value));
        }
        if decoded.withheld || point.is_noise() {
            return;
        }
        self.usable += 1;
        self.usable_first += u64::from(point.valid_return() == Some(1));
        let (column, row) = (point.x.div_euclid(CELL), point.y.div_euclid(CELL));
        let key = (column.div_euclid(WORD) as i32, row.div_euclid(WORD) as i32);
        // Neighbours in a file are mostly neighbours on the ground, so that most points stay in their word.
        if key != word.0 {
            self.flush(word);
            word.0 = key;
        }
        word.1 |= 1 << (row.rem_euclid(WORD) * WORD + column.rem_euclid(WORD));
    }

    fn flush(&mut self, word: &mut ((i32, i32), u64)) {
        if word.1 != 0 {
            *self.cells.entry(word.0).or_default() |= word.1;
            word.1 = 0;
        }
    }

    fn merge(mut self, other: Census) -> Census {
        let add = |to: &mut [u64], from: &[u64]| to.iter_mut().zip(from).for_each(|(to, from)| *to += from);
        for (to, from) in self.pulses.iter_mut().zip(&other.pulses) {
            add(to, from);
        }
        add(&mut self.classes, &other.classes);
        add(&mut self.strips, &other.strips);
        self.withheld += other.withheld;
        self.out_of_range += other.out_of_range;
        self.usable += other.usable;
        self.usable_first += other.usable_first;
        self.repeats += other.repeats;
        for (to, from) in self.bounds.iter_mut().zip(other.bounds) {
            *to = (to.0.min(from.0), to.1.max(from.1));
        }
        self.scan_angle =
            (self.scan_angle.0.min(other.scan_angle.0), self.scan_angle.1.max(other.scan_angle.1));
        self.gps_time = (self.gps_time.0.min(other.gps_time.0), self.gps_time.1.max(other.gps_time.1));
        self.times_missing += other.times_missing;
        self.damaged.extend(other.damaged);
        self.outside.extend(other.outside);
        self.blocks += other.blocks;
        self.sample.extend(other.sample);
        for (key, word) in other.cells {
            *self.cells.entry(key).or_default() |= word;
        }
        self
    }

    /// Points that were counted.
    pub fn points(&self) -> u64 {
        self.classes.iter().sum()
    }

    /// Points of a return number, whatever the number of returns.
    pub fn of_return(&self, number: usize) -> u64 {
        self.pulses[number].iter().sum()
    }

    /// Points of a return number that lies between 1 and the number of returns.
    pub fn of_valid_return(&self, number: usize) -> u64 {
        self.count(|point| point.valid_return() == Some(number as u8))
    }

    /// Points that are the last return of their pulse.
    pub fn last(&self) -> u64 {
        self.count(|point| point.is_last())
    }

    /// Points whose return number does not lie between 1 and the number of returns.
    pub fn invalid(&self) -> u64 {
        self.count(|point| point.valid_return().is_none())
    }

    fn count(&self, wanted: impl Fn(&Point) -> bool) -> u64 {
        let mut count = 0;
        for (return_number, row) in self.pulses.iter().enumerate() {
            for (number_of_returns, points) in row.iter().enumerate() {
                let (return_number, number_of_returns) = (return_number as u8, number_of_returns as u8);
                if wanted(&Point { return_number, number_of_returns, ..Point::default() }) {
                    count += points;
                }
            }
        }
        count
    }

    /// Points that equal an earlier one in position, GPS time and return number. An estimate, from one point in
    /// [`sample_one_in`], for large clouds.
    pub fn duplicates(&self) -> u64 {
        self.repeats
    }

    /// The density over the cells that hold a point, not over the rectangle around the cloud. The cells are the
    /// smallest of 1, 2, 4, … 64 m whose occupied ones hold 8 points on the average. Nothing where no point is
    /// usable.
    pub fn density(&self) -> Option<PointDensity> {
        let mut side = 1;
        let mut words = self.cells.clone();
        loop {
            let cells: u64 = words.values().map(|word| u64::from(word.count_ones())).sum();
            if cells == 0 {
                return None;
            }
            if self.usable >= CELL_POINTS * cells || side >= WIDEST {
                let area = (cells as i64 * side * side) as f64;
                return Some(PointDensity {
                    points: self.usable as f64 / area,
                    first_returns: self.usable_first as f64 / area,
                    area,
                    cell: side,
                });
            }
            side *= 2;
            words = coarser(&words);
        }
    }
}

/// Cells twice as wide: each is occupied where one of its four is.
fn coarser(words: &HashMap<(i32, i32), u64>) -> HashMap<(i32, i32), u64> {
    let mut wide: HashMap<(i32, i32), u64> = HashMap::with_capacity(words.len() / 3);
    for (&(column, row), &word) in words {
        let mut bits = word;
        let to = wide.entry((column.div_euclid(2), row.div_euclid(2))).or_default();
        let half = WORD / 2;
        let (left, low) = (i64::from(column.rem_euclid(2)) * half, i64::from(row.rem_euclid(2)) * half);
        while bits != 0 {
            let bit = i64::from(bits.trailing_zeros());
            *to |= 1 << ((low + bit / WORD / 2) * WORD + left + bit % WORD / 2);
            bits &= bits - 1;
        }
    }
    wide
}

/// One point in how many is searched for duplicates, in a cloud of `points`: a power of two, 1 for small clouds.
pub fn sample_one_in(points: u64) -> u64 {
    points.div_ceil(DUPLICATE_SAMPLE).next_power_of_two()
}

/// Takes the repeats out of sorted numbers, and counts them.
fn repeats(sorted: &mut Vec<u64>) -> u64 {
    let before = sorted.len();
    sorted.dedup();
    (before - sorted.len()) as u64
}

/// A hash of position, time and return number: each part is folded in by a multiplication of 64 by 64 bits.
fn hash(decoded: &Decoded) -> u64 {
    let point = &decoded.point;
    let parts = [
        point.x as u64,
        point.y as u64,
        point.z as u64,
        decoded.gps_time.to_bits(),
        u64::from(point.return_number),
    ];
    parts.into_iter().fold(0x9E37_79B9_7F4A_7C15, |hash: u64, part| {
        let product = u128::from(hash ^ part) * 0xD6E8_FEB8_6659_FD93;
        (product as u64) ^ (product >> 64) as u64
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::las::testing::{Builder, Raw, open, points};

    fn census(points: Vec<Raw>) -> Census {
        let (_folder, cloud) = open(&Builder::new(4, 6, points).laz(64));
        Census::of(&Source::Las(cloud.unwrap()), Unit::Metre, Unit::Metre).unwrap()
    }

    #[test]
    fn counts_returns_valid_and_not() {
        let pulse =
            |return_number, number_of_returns| Raw { return_number, number_of_returns, ..Raw::default() };
        let found =
            census(vec![pulse(1, 1), pulse(1, 2), pulse(2, 2), pulse(3, 2), pulse(0, 0), pulse(15, 15)]);
        assert_eq!((found.points(), found.invalid(), found.last()), (6, 2, 3));
        assert_eq!((found.of_return(3), found.of_valid_return(3)), (1, 0));
        assert_eq!(found.pulses[1][1], 1);
    }

    #[test]
    fn blocks_merge_to_the_sum_of_their_points() {
        let raw = points(500, 6);
        let found = census(raw.clone());
        assert_eq!(found.points(), 500);
        assert_eq!(found.withheld, raw.iter().filter(|point| point.withheld).count() as u64);
        let z: Vec<i64> = raw.iter().map(|point| 50_000_000 + i64::from(point.xyz[2]) * 100).collect();
        assert_eq!(found.bounds[2], (*z.iter().min().unwrap(), *z.iter().max().unwrap()));
        assert_eq!(found.gps_time, (1000.5, 1000.5 + 166.0));
    }

    #[test]
    fn duplicates_are_found_within_and_across_blocks() {
        let mut raw = points(300, 6);
        raw.push(raw[0]);
        raw.push(raw[7]);
        raw.insert(2, raw[1]);
        assert_eq!(census(raw).duplicates(), 3);
        assert_eq!(census(points(300, 6)).duplicates(), 0);
    }

    #[test]
    fn the_sample_is_bounded() {
        assert_eq!([1, 2_000_000, 2_000_001, 300_000_000].map(sample_one_in), [1, 1, 2, 256]);
    }

    /// 16 points for each square metre of an L of 3/4 of a 16 m square, far from the rectangle's density.
    #[test]
    fn density_is_that_of_the_covered_ground() {
        let mut raw = Vec::new();
        for column in 0..64 {
            for row in 0..64 {
                if column < 32 || row < 32 {
                    // The builder's scales are 1 mm in x and 10 mm in y.
                    raw.push(Raw {
                        xyz: [column * 250 - 100_000, row * 25, 0],
                        return_number: 1,
                        number_of_returns: 1,
                        ..Raw::default()
                    });
                }
            }
        }
        let found = census(raw.clone()).density().unwrap();
        assert_eq!(found, PointDensity { points: 16.0, first_returns: 16.0, area: 192.0, cell: 1 });
        // A sixteenth of the points: one in a square metre needs wider cells, and gives the same area.
        let thin: Vec<Raw> =
            raw.into_iter().filter(|p| p.xyz[0] % 1000 == 0 && p.xyz[1] % 100 == 0).collect();
        let found = census(thin).density().unwrap();
        assert_eq!(found, PointDensity { points: 1.0, first_returns: 1.0, area: 192.0, cell: 4 });
    }

    #[test]
    fn a_damaged_block_is_recorded_and_the_count_goes_on() {
        let mut bytes = Builder::new(4, 6, points(200, 6)).laz(64);
        let offset = u32::from_le_bytes(bytes[96..100].try_into().unwrap()) as usize;
        bytes[offset + 8 + 30] = 63;
        let (_folder, cloud) = open(&bytes);
        let found = Census::of(&Source::Las(cloud.unwrap()), Unit::Metre, Unit::Metre).unwrap();
        assert_eq!(found.points(), 200 - 64);
        assert!(found.damaged[0].1.contains("block 1 of 4"), "{:?}", found.damaged);
    }
}

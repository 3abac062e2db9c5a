//! The point that the stages work on, and the fields that a stage may ask for.

use twox_hash::XxHash3_64;

use crate::units::Micrometres;

/// One return of a pulse, in the program's own integers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Point {
    /// Easting, micrometres from coordinate zero.
    pub x: Micrometres,
    /// Northing, micrometres from coordinate zero.
    pub y: Micrometres,
    /// Elevation, micrometres.
    pub z: Micrometres,
    /// Return number as the file states it, 0 to 15; see [`Point::valid_return`].
    pub return_number: u8,
    /// Number of returns of the pulse as the file states it, 0 to 15.
    pub number_of_returns: u8,
    /// Classification code.
    pub class: u8,
    /// Point source ID (flight strip); 0 unless [`Fields::strip`] was asked for.
    pub strip: u16,
    /// Scan angle in units of 0.006 degree; 0 unless [`Fields::scan_angle`] was asked for.
    pub scan_angle: i16,
}

/// The highest return number that LAS 1.4 can hold.
pub const MAX_RETURN: usize = 15;

impl Point {
    /// The return number where it lies between 1 and the number of returns, as LAS 1.4 demands; otherwise
    /// nothing: such a point is left out of all results by return.
    pub fn valid_return(&self) -> Option<u8> {
        (1..=self.number_of_returns).contains(&self.return_number).then_some(self.return_number)
    }

    /// What it states of returns, in a byte: return number and, 16 times, number of returns.
    #[inline]
    pub fn returns(&self) -> u8 {
        self.return_number & 15 | self.number_of_returns << 4
    }

    /// Whether this is the last return of its pulse.
    pub fn is_last(&self) -> bool {
        self.valid_return().is_some() && self.return_number == self.number_of_returns
    }

    /// The seeded hash of the point: of its position and its returns, and of nothing that depends on files or tiles.
    pub fn seeded_hash(&self, seed: u64) -> u64 {
        let mut bytes = [0u8; 26];
        bytes[0..8].copy_from_slice(&self.x.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.y.to_le_bytes());
        bytes[16..24].copy_from_slice(&self.z.to_le_bytes());
        bytes[24] = self.return_number;
        bytes[25] = self.number_of_returns;
        XxHash3_64::oneshot_with_seed(seed, &bytes)
    }

    /// Whether the file labels the point ground: class 2.
    pub fn is_ground_class(&self) -> bool {
        self.class == 2
    }

    /// Whether the file labels the point noise: class 7 (low point) or 18 (high noise).
    pub fn is_noise(&self) -> bool {
        matches!(self.class, 7 | 18)
    }
}

/// The fields that must be decoded beside x, y, z, returns, class and flags, which every run needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Fields {
    /// Point source ID.
    pub strip: bool,
    /// Scan angle.
    pub scan_angle: bool,
    /// GPS time.
    pub gps_time: bool,
}

impl Fields {
    /// What either asks for.
    pub fn or(self, other: Fields) -> Fields {
        Fields {
            strip: self.strip || other.strip,
            scan_angle: self.scan_angle || other.scan_angle,
            gps_time: self.gps_time || other.gps_time,
        }
    }
}

/// One point as decoded, with what a [`Point`] has no room for.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Decoded {
    /// The point; its coordinates are 0 unless `in_range`.
    pub point: Point,
    /// Whether the file says that the point is not to be used.
    pub withheld: bool,
    /// Whether all coordinates are finite, x and y below 2^52 µm (4.5 million km) and z within 200 km.
    pub in_range: bool,
    /// GPS time in seconds as the file states it; 0 unless [`Fields::gps_time`] was asked for and the format has
    /// it.
    pub gps_time: f64,
}

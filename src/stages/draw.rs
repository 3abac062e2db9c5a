//! The draw of checkpoints: what is drawn, how many, and a checkpoint as bytes.

use crate::cloud::point::Point;
use crate::stages::auto::Count;
use crate::stages::compared::Compared;
use crate::stages::matching_sums::MatchingSums;
use crate::stages::plane_sums::{Inner, Plane};
use crate::stages::search::{Around, Match};
use crate::tile::gradient::{self, Gradient};
use crate::tile::strata::{self, Strata};
use crate::tile::yields::{Sections, YieldError, Yields};
use crate::units::Micrometres;

/// Up to this many a return the draw is held in memory; beyond, it waits on disk.
pub const IN_MEMORY: u64 = 20_000;

/// What the draw of checkpoints is for.
#[derive(Clone, Copy, Debug)]
pub struct Draw {
    /// Checkpoints of each return that are kept.
    pub kept: Count,
    /// Checkpoints of each return that are listed.
    pub listed: Count,
    /// Whether every candidate counts, drawn or not.
    pub everything_counts: bool,
    /// No two checkpoints of one return are closer, metres.
    pub spacing: f64,
}

impl Draw {
    /// That of a pipeline without checkpoints.
    pub const NONE: Draw =
        Draw { kept: Count::AtMost(1), listed: Count::AtMost(1), everything_counts: true, spacing: 0.0 };

    /// Bytes of disk that the draw may take, over so many points on so many square metres.
    pub fn disk_bytes(&self, points: u64, area: f64) -> u64 {
        if matches!(self.kept, Count::AtMost(n) if n <= IN_MEMORY) {
            return 0;
        }
        // Discs a spacing wide about the checkpoints of one return do not overlap: at the densest they fill 91 % of
        // the plane. Few sites have more than five returns of ground.
        let most = 5.0 * area * 0.91 / (self.spacing * self.spacing * std::f64::consts::FRAC_PI_4);
        (most.min(points as f64) * DISK_PER_DRAWN) as u64
    }
}

/// Bytes of disk for a checkpoint that waits there: in the journal, in the draw, and as a row of the results.
const DISK_PER_DRAWN: f64 = 2.0 * ENCODED as f64 + 140.0;

/// A checkpoint put up for the draw. The order is that of the draw: by hash, and where two hashes agree by the
/// point itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Drawn {
    /// The seeded hash of the point.
    pub key: u64,
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing, micrometres.
    pub y: Micrometres,
    /// Elevation in the survey, micrometres.
    pub z: Micrometres,
    /// Return number.
    pub return_number: u8,
    /// Number of returns of the pulse.
    pub number_of_returns: u8,
    /// Elevation of the reference, micrometres.
    pub reference_z: Micrometres,
    /// Reference points that it rests on.
    pub reference_points: u32,
    /// How much higher the point could lie and still be ground; see [`Compared::headroom`].
    pub headroom: Option<u16>,
    /// Gradient of the survey's ground there; see [`Compared::gradient`].
    pub gradient: Option<Gradient>,
    /// The same, not smoothed.
    pub local_gradient: Option<Gradient>,
    /// The strata it belongs to.
    pub strata: Strata,
    /// Slope (rise over run, in millionths) and residual SD (micrometres) of the plane fitted to the reference.
    pub plane: Option<(u64, u64)>,
    /// How many of its points lie near its middle, and the mean of their residuals, micrometres.
    pub inner: (u32, i32),
    /// What is known of the reference points around.
    pub around: Around,
    /// The setup of the reference; see [`Match::setup`].
    pub setup: u16,
}

impl Drawn {
    /// The checkpoint at a survey point of this hash, with the reference there and what the comparison knows of it.
    pub fn new(key: u64, point: &Point, reference: &Match, compared: &Compared) -> Self {
        Drawn {
            key,
            x: point.x,
            y: point.y,
            z: point.z,
            return_number: point.return_number,
            number_of_returns: point.number_of_returns,
            reference_z: reference.elevation,
            reference_points: reference.points,
            headroom: compared.headroom,
            gradient: compared.gradient,
            local_gradient: compared.local_gradient,
            strata: compared.strata,
            plane: reference.plane.map(|p| ((p.slope * 1e6).round() as u64, p.residual_sd.round() as u64)),
            inner: reference.plane.map_or((0, 0), |p| (p.inner.points, p.inner.mean.round() as i32)),
            around: reference.around,
            setup: reference.setup,
        }
    }

    /// Adds what matching may have added here.
    pub fn add_matching(&self, sums: &mut MatchingSums) {
        let inner = Inner { points: self.inner.0, mean: self.inner.1.into() };
        let plane =
            |(slope, sd): (u64, u64)| Plane { slope: slope as f64 / 1e6, residual_sd: sd as f64, inner };
        let found = Match {
            elevation: self.reference_z,
            points: self.reference_points,
            plane: self.plane.map(plane),
            around: self.around,
            setup: self.setup,
        };
        sums.add(&found, self.compared().slope_percent());
    }

    /// Survey elevation minus reference elevation, micrometres.
    pub fn dz(&self) -> Micrometres {
        self.z - self.reference_z
    }

    /// The comparison that it stands for.
    pub fn compared(&self) -> Compared {
        Compared {
            x: self.x,
            y: self.y,
            dz: self.dz(),
            headroom: self.headroom,
            gradient: self.gradient,
            local_gradient: self.local_gradient,
            strata: self.strata,
        }
    }
}

/// The section of the checkpoints put up for the draw.
const SECTION: &str = "drawn";

/// Gives checkpoints of one tile back.
pub fn give(drawn: &[Drawn], to: &mut Sections) {
    if !drawn.is_empty() {
        let bytes = to.of(SECTION);
        drawn.iter().for_each(|one| encode(one, bytes));
    }
}

/// Hands over all checkpoints that tiles put up for the draw, some at a time.
///
/// # Errors
/// Where the disk does not give them back, or `f` fails.
pub fn for_each<E: From<YieldError>>(
    yields: &dyn Yields,
    mut f: impl FnMut(&[Drawn]) -> Result<(), E>,
) -> Result<(), E> {
    for stretch in yields.stretches(SECTION) {
        let bytes = yields.read(&stretch)?;
        let (whole, rest) = bytes.as_chunks::<ENCODED>();
        if !rest.is_empty() {
            return Err(yields.damaged(&stretch).into());
        }
        f(&whole.iter().map(|one| decode(one)).collect::<Vec<_>>())?;
    }
    Ok(())
}

/// Bytes of a checkpoint on disk.
pub const ENCODED: usize = AROUND + 16;

/// Where in them the points around begin.
const AROUND: usize = 63 + 2 + 2 * gradient::ENCODED + strata::ENCODED;

/// Adds a checkpoint as bytes.
pub fn encode(d: &Drawn, to: &mut Vec<u8>) {
    let (slope, residual_sd) = d.plane.unwrap_or((0, 0));
    for word in [d.key, d.x as u64, d.y as u64, d.z as u64, d.reference_z as u64, slope, residual_sd] {
        to.extend_from_slice(&word.to_le_bytes());
    }
    to.extend_from_slice(&d.reference_points.to_le_bytes());
    to.push(d.number_of_returns);
    to.push(u8::from(d.plane.is_some()));
    to.push(d.return_number);
    to.extend_from_slice(&d.headroom.unwrap_or(u16::MAX).to_le_bytes());
    to.extend_from_slice(&Gradient::encode(d.gradient));
    to.extend_from_slice(&Gradient::encode(d.local_gradient));
    to.extend_from_slice(&d.strata.encode());
    to.extend_from_slice(&d.inner.0.to_le_bytes());
    to.extend_from_slice(&d.inner.1.to_le_bytes());
    to.extend_from_slice(&d.around.distance.to_le_bytes());
    to.extend_from_slice(&[d.around.rung, d.around.points]);
    to.extend_from_slice(&d.setup.to_le_bytes());
}

/// The checkpoint that [`encode`] turned into these bytes.
pub fn decode(b: &[u8]) -> Drawn {
    let word = |i: usize| u64::from_le_bytes(b[i * 8..i * 8 + 8].try_into().expect("eight bytes"));
    let short = |i: usize| -> [u8; 4] { b[i..i + 4].try_into().expect("four bytes") };
    let headroom = u16::from_le_bytes([b[63], b[64]]);
    Drawn {
        key: word(0),
        x: word(1) as i64,
        y: word(2) as i64,
        z: word(3) as i64,
        return_number: b[62],
        number_of_returns: b[60],
        reference_z: word(4) as i64,
        reference_points: u32::from_le_bytes(b[56..60].try_into().expect("four bytes")),
        headroom: (headroom != u16::MAX).then_some(headroom),
        gradient: Gradient::decode(short(65)),
        local_gradient: Gradient::decode(short(69)),
        strata: Strata::decode(b[73..78].try_into().expect("five bytes")),
        plane: (b[61] != 0).then(|| (word(5), word(6))),
        inner: (u32::from_le_bytes(short(AROUND)), i32::from_le_bytes(short(AROUND + 4))),
        around: Around {
            distance: u32::from_le_bytes(short(AROUND + 8)),
            rung: b[AROUND + 12],
            points: b[AROUND + 13],
        },
        setup: u16::from_le_bytes([b[AROUND + 14], b[AROUND + 15]]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_draw_counts_towards_the_disk() {
        let draw = |kept, spacing| Draw { kept, listed: kept, everything_counts: true, spacing };
        assert_eq!(draw(Count::AtMost(5000), 0.0).disk_bytes(1_000_000, 1e4), 0);
        assert_eq!(draw(Count::All, 0.0).disk_bytes(1_000_000, 1e4), 328_000_000);
        let spaced = draw(Count::All, 1.0).disk_bytes(1_000_000, 1e4);
        assert!((15_000_000..19_500_000).contains(&spaced), "{spaced}");
    }
}

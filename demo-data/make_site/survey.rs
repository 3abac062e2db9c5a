//! The airborne survey: strips flown from west to east, one file each, overlapping at their sides.

use std::path::Path;

use serde::Serialize;

use crate::Site;
use crate::output::{Cloud, Record};
use crate::random::Random;
use crate::terrain::{Cover, Tree, ground};

/// Bias of a ground echo by return number, metres: what the survey adds to the truth.
pub const BIAS: [f64; 5] = [0.005, 0.002, -0.004, -0.010, -0.018];
/// Standard deviation of a ground echo by return number, metres.
pub const SD: [f64; 5] = [0.020, 0.030, 0.045, 0.060, 0.080];
/// How often a pulse under a crown comes back as one to five echoes.
const ECHOES: [f64; 5] = [0.08, 0.20, 0.26, 0.26, 0.20];
/// How often the last of them is the ground.
const REACHES_GROUND: f64 = 0.72;

/// Distance between the middles of strips, and how far two neighbours overlap, metres.
const STRIP_SPACING: f64 = 45.0;
const OVERLAP: f64 = 15.0;
const FLYING_HEIGHT: f64 = 60.0;
/// A power of two, so that pulse times are exact; pulses that fall beside the swath or between strips are not used.
const PULSES_PER_SECOND: f64 = 131_072.0;
const PULSES_PER_LINE: f64 = 1024.0;
/// Adjusted standard GPS time of the first pulse.
const START: f64 = 400_000_000.0;
/// Scan lines that are made at a time, from a stream of random numbers of their own.
const LINES_PER_BLOCK: u64 = 50;

/// What a survey holds, counted as it was made.
#[derive(Clone, Default, Serialize)]
pub struct Counts {
    /// Points in the files.
    pub points: u64,
    /// Flagged withheld.
    pub withheld: u64,
    /// Not withheld, with a return number above the number of returns.
    pub invalid_return: u64,
    /// Not withheld, valid, by return number.
    pub by_return: [u64; 5],
    /// Echoes of the true ground among them, with the noise of their return and nothing else.
    pub true_ground_by_return: [u64; 5],
    /// Multipath echoes far below the ground, whether labelled noise or not.
    pub low_outliers: u64,
    /// Points of class 7.
    pub class_7: u64,
}

impl Counts {
    /// Both together.
    pub fn add(mut self, other: &Counts) -> Counts {
        self.points += other.points;
        self.withheld += other.withheld;
        self.invalid_return += other.invalid_return;
        self.low_outliers += other.low_outliers;
        self.class_7 += other.class_7;
        for i in 0..5 {
            self.by_return[i] += other.by_return[i];
            self.true_ground_by_return[i] += other.true_ground_by_return[i];
        }
        self
    }
}

/// How many strips cover a site of this height.
pub fn strips(height: f64) -> usize {
    ((height / STRIP_SPACING).ceil() as usize).max(2)
}

/// How many strips cover a place of a site of this height, on average.
pub fn flown_over(height: f64) -> f64 {
    1.0 + (strips(height) - 1) as f64 * OVERLAP / height
}

/// Flies one strip and writes its file.
pub fn fly(site: &Site, strip: usize, path: &Path) -> las::Result<Counts> {
    let spacing = site.height / strips(site.height) as f64;
    let middle = (strip as f64 + 0.5) * spacing;
    let half = (spacing + OVERLAP) / 2.0;
    let swath = Swath {
        site,
        strip,
        middle,
        south: (middle - half).max(0.0),
        north: (middle + half).min(site.height),
        step: 1.0 / site.density.sqrt(),
    };
    let mut cloud = Cloud::create(path, site.unit, swath.source_id())?;
    let mut counts = Counts::default();
    let mut records = Vec::new();
    let lines = (site.width / swath.step).ceil() as u64 + 1;
    for block in 0..lines.div_ceil(LINES_PER_BLOCK) {
        records.clear();
        let mut random = Random::new(site.seed, [2, strip as u64, block]);
        for line in block * LINES_PER_BLOCK..lines.min((block + 1) * LINES_PER_BLOCK) {
            swath.line(line, &mut random, &mut records, &mut counts);
        }
        counts.points += records.len() as u64;
        cloud.write(&records)?;
    }
    cloud.close()?;
    Ok(counts)
}

/// One strip's way over the site.
struct Swath<'a> {
    site: &'a Site,
    strip: usize,
    middle: f64,
    south: f64,
    north: f64,
    step: f64,
}

/// Where an echo comes from.
#[derive(Clone, Copy, PartialEq)]
enum Source {
    Ground,
    /// Anything else, at this elevation.
    At(f64),
}

impl Swath<'_> {
    fn source_id(&self) -> u16 {
        101 + self.strip as u16
    }

    /// Makes one scan line, from south to north.
    fn line(&self, line: u64, random: &mut Random, records: &mut Vec<Record>, counts: &mut Counts) {
        let pulses = ((self.north - self.south) / self.step) as u64;
        for pulse in 0..=pulses {
            let x = (line as f64 + random.between(-0.5, 0.5)) * self.step;
            let y = self.south + (pulse as f64 + random.between(-0.5, 0.5)) * self.step;
            if x < 0.0 || x >= self.site.width || y < self.south || y >= self.north {
                continue;
            }
            let unit = self.site.unit;
            // The truth holds at the place that the file will state, after rounding.
            let (stored_x, stored_y) = (unit.store(x), unit.store(y));
            let shot = Record {
                x: stored_x,
                y: stored_y,
                class: 1,
                strip: self.source_id(),
                scan_angle: (libm::atan((y - self.middle) / FLYING_HEIGHT).to_degrees() / 0.006).round()
                    as i16,
                gps_time: START
                    + self.strip as f64 * 600.0
                    + (line as f64 * PULSES_PER_LINE + pulse as f64) / PULSES_PER_SECOND,
                ..Record::default()
            };
            self.pulse(shot, unit.restore(stored_x), unit.restore(stored_y), random, records, counts);
        }
    }

    /// Makes the echoes of one pulse, from the top down.
    fn pulse(
        &self,
        shot: Record,
        x: f64,
        y: f64,
        random: &mut Random,
        records: &mut Vec<Record>,
        counts: &mut Counts,
    ) {
        let truth = ground(x, y);
        let (sources, returns) = self.sources(x, y, truth, random);
        for (i, source) in sources[..returns].iter().enumerate() {
            let mut record = Record { return_number: i as u8 + 1, number_of_returns: returns as u8, ..shot };
            let mut is_ground = false;
            let mut z = match *source {
                Source::At(z) => z + 0.02 * random.normal(),
                Source::Ground => {
                    is_ground = true;
                    truth + BIAS[i] + SD[i] * random.normal()
                }
            };
            record.intensity = (random.between(20.0, 40.0) * 50.0 / returns as f64) as u16 / 25 * 25;
            if is_ground && random.once_in(3000.0) {
                is_ground = false;
                z -= random.between(2.0, 8.0);
                counts.low_outliers += 1;
                if random.once_in(4.0) {
                    record.class = 7;
                    counts.class_7 += 1;
                }
            }
            if random.once_in(20_000.0) {
                record.return_number = record.number_of_returns + 1;
            } else if random.once_in(10_000.0) {
                record.withheld = true;
                z += random.between(10.0, 20.0);
            }
            if record.withheld {
                counts.withheld += 1;
            } else if record.return_number > record.number_of_returns {
                counts.invalid_return += 1;
            } else {
                counts.by_return[i] += 1;
                counts.true_ground_by_return[i] += u64::from(is_ground);
            }
            record.z = self.site.unit.store(z);
            records.push(record);
        }
    }

    /// What the echoes of one pulse come from, and how many there are.
    fn sources(&self, x: f64, y: f64, truth: f64, random: &mut Random) -> ([Source; 5], usize) {
        let mut sources = [Source::Ground; 5];
        let returns = match self.site.plot(x, y).cover(x, y) {
            Cover::Open => 1,
            Cover::Roof(z) => {
                sources[0] = Source::At(z);
                1
            }
            Cover::Grass => {
                sources[0] = Source::At(truth + random.between(0.1, 0.5));
                1 + usize::from(random.once_in(2.0))
            }
            Cover::Tree(tree) => {
                let returns = 1 + random.choose(&ECHOES);
                let by_stem = tree.distance(x, y) < tree.stem + 0.03;
                let crown_echoes =
                    if !by_stem && random.unit() < REACHES_GROUND { returns - 1 } else { returns };
                self.crown(tree, x, y, &mut sources[..crown_echoes], random);
                returns
            }
        };
        (sources, returns)
    }

    /// Spreads echoes over the levels of a crown, from the top down.
    fn crown(&self, tree: &Tree, x: f64, y: f64, sources: &mut [Source], random: &mut Random) {
        let foot = ground(tree.x, tree.y);
        let out = tree.distance(x, y) / tree.crown;
        let (top, bottom) = (foot + tree.height * (1.0 - 0.4 * out * out), foot + 3.0);
        let level = (top - bottom) / sources.len().max(1) as f64;
        for (i, source) in sources.iter_mut().enumerate() {
            *source = Source::At(top - level * (i as f64 + random.between(0.1, 0.9)));
        }
    }
}

//! One cloud of a run, as its headers state it.

use crate::cloud::{Placing, Source};
use crate::engine::plan::budget::{DENSE_SIDE, Density, FileBox};
use crate::units::Unit;

/// One cloud of a run.
pub struct CloudJob {
    /// Its sources, in the order of their paths.
    pub sources: Vec<Source>,
    /// Units of each source's x and y, and of its z.
    pub units: Vec<(Unit, Unit)>,
    /// What is laid down for each source.
    pub placing: Vec<Placing>,
    /// Points and density, as the headers state them.
    pub density: Density,
}

impl CloudJob {
    /// Of these sources.
    pub fn new(sources: Vec<Source>, units: Vec<(Unit, Unit)>, placing: Vec<Placing>) -> Self {
        let density = density(&sources, &units, &placing);
        CloudJob { sources, units, placing, density }
    }

    /// The boxes of its sources, with what is added to their elevations; nothing where one of them states none.
    pub fn boxes(&self) -> Option<Vec<MetreBox>> {
        let of = |((source, units), placing): ((&Source, &(Unit, Unit)), &Placing)| {
            Some(MetreBox::of(source, *units)?.placed(placing))
        };
        self.sources.iter().zip(&self.units).zip(&self.placing).map(of).collect()
    }
}

/// A box around points in metres, least and greatest x, y and z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MetreBox {
    /// Easting.
    pub x: (f64, f64),
    /// Northing.
    pub y: (f64, f64),
    /// Elevation.
    pub z: (f64, f64),
}

impl MetreBox {
    /// The box that a source states, in these units; nothing where it states none.
    pub fn of(source: &Source, units: (Unit, Unit)) -> Option<Self> {
        source.states_box().then(|| MetreBox::stated(source, units))
    }

    /// The same, whatever stands there.
    fn stated(source: &Source, units: (Unit, Unit)) -> Self {
        let stated = source.stated_box();
        let axis = |axis: usize, unit: Unit| {
            let metres = |value: f64| value * unit.micrometres() / 1e6;
            (metres(stated.min[axis]), metres(stated.max[axis]))
        };
        MetreBox { x: axis(0, units.0), y: axis(1, units.0), z: axis(2, units.1) }
    }

    /// The box around it where a source is laid down so.
    pub fn placed(self, placing: &Placing) -> Self {
        let [x, y, z] = match &placing.pose {
            Some(pose) => pose.around([self.x, self.y, self.z]),
            None => [self.x, self.y, self.z],
        };
        let shift = placing.vertical_shift as f64 / 1e6;
        MetreBox { x, y, z: (z.0 + shift, z.1 + shift) }
    }

    /// Whether two boxes lie within `reach` of each other in plan.
    pub fn overlaps(&self, other: &MetreBox, reach: f64) -> bool {
        apart(self.x, other.x) <= reach && apart(self.y, other.y) <= reach
    }
}

/// How far two ranges lie apart; 0 or less where they overlap.
pub fn apart(a: (f64, f64), b: (f64, f64)) -> f64 {
    (b.0 - a.1).max(a.0 - b.1)
}

/// Points a square metre where no file states a box (an E57 file need not): what is common among drone surveys.
const ASSUMED_PER_M2: f64 = 100.0;

/// Points and density from the headers: over the box around all sources, or of the densest one where that is more.
fn density(sources: &[Source], units: &[(Unit, Unit)], placing: &[Placing]) -> Density {
    let mut points = 0;
    let mut boxes = Vec::with_capacity(sources.len());
    for ((source, units), placing) in sources.iter().zip(units).zip(placing) {
        let there = source.points() - source.missing();
        points = u64::saturating_add(points, there);
        let MetreBox { x, y, .. } = MetreBox::stated(source, *units).placed(placing);
        if x.1 >= x.0 && y.1 >= y.0 && (x.1 - x.0).is_finite() && (y.1 - y.0).is_finite() {
            boxes.push(FileBox { points: there as f64, x, y });
        }
    }
    let per_m2 = |points: f64, x: (f64, f64), y: (f64, f64)| points / ((x.1 - x.0) * (y.1 - y.0)).max(1.0);
    let densest = boxes.iter().map(|file| per_m2(file.points, file.x, file.y)).fold(0.0, f64::max);
    let both = |a: (f64, f64), b: (f64, f64)| (a.0.min(b.0), a.1.max(b.1));
    let all = boxes.iter().map(|file| (file.x, file.y)).reduce(|a, b| (both(a.0, b.0), both(a.1, b.1)));
    let over_all = all.map_or(0.0, |(x, y)| per_m2(points as f64, x, y));
    if boxes.len() < sources.len() {
        boxes.clear();
    }
    let per_m2 = if all.is_some() { over_all.max(densest) * DENSE_SIDE } else { ASSUMED_PER_M2 };
    let area_m2 = all.map_or(points as f64 / per_m2, |(x, y)| (x.1 - x.0) * (y.1 - y.0));
    Density { points, per_m2, boxes, area_m2 }
}

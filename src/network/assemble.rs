//! From rows to a network: points numbered by name, unknowns, and observations in an order of their own, so that the order of
//! rows and files does not matter.

use std::collections::{BTreeMap, BTreeSet};

use libm::{cos, sin};

use crate::control::{Covariance, ValueId, Withheld};
use crate::network::equations::{Coordinate, Line, NetworkObservation, Observed, Spot};
use crate::network::load::Loaded;
use crate::network::rows::{AXES, LevelRow, Measured, Origin, PositionRow, SightRow};

/// A point of the network.
#[derive(Clone, Debug)]
pub(super) struct Point {
    pub name: String,
    pub spot: Spot,
    /// Coordinates that the file holds.
    pub held: [bool; 3],
}

/// Where observed values come from, and what they are of.
#[derive(Clone, Debug)]
pub(super) struct Source {
    /// What each value is.
    pub kinds: Vec<&'static str>,
    /// The point observed from, or the only one.
    pub from: usize,
    /// The point observed, where there are two.
    pub to: Option<usize>,
    /// The set of a direction, where it has a name.
    pub set: Option<String>,
    /// None: a coordinate that the network file itself gives, with a sigma.
    pub origin: Option<Origin>,
}

/// A network ready to be adjusted.
#[derive(Clone, Debug)]
pub(super) struct Network {
    pub points: Vec<Point>,
    /// Stations and their sets, whose orientations are the unknowns from `first_orientation` on.
    pub sets: Vec<(usize, String)>,
    pub first_orientation: usize,
    pub observations: Vec<NetworkObservation>,
    pub sources: Vec<Source>,
    pub withheld: Withheld,
    /// What was assumed, for people.
    pub notes: Vec<String>,
}

impl Network {
    /// How many unknowns there are.
    pub fn unknowns(&self) -> usize {
        self.first_orientation + self.sets.len()
    }

    /// Whether a value takes part in the adjustment.
    pub fn is_used(&self, observation: usize, value: usize) -> bool {
        !self.withheld.contains(&ValueId { observation, value })
    }

    fn add(&mut self, observed: Observed, covariance: Covariance, source: Source, withheld: &[bool]) {
        let observation = self.observations.len();
        let held = withheld.iter().enumerate().filter(|(_, held)| **held);
        self.withheld.extend(held.map(|(value, _)| ValueId { observation, value }));
        self.observations.push(NetworkObservation { observed, covariance });
        self.sources.push(source);
    }
}

/// What of points is observed, gathered before unknowns are numbered.
#[derive(Default)]
struct Reach {
    plan: BTreeSet<String>,
    up: BTreeSet<String>,
    sets: BTreeSet<(String, String)>,
}

/// Whether a value is there and takes part.
fn is_used(measured: Option<Measured>) -> bool {
    measured.is_some_and(|value| !value.withheld)
}

/// Puts the rows of a file together.
pub(super) fn assemble(loaded: &Loaded) -> Network {
    let (mut levels, mut positions, mut sights) =
        (loaded.levels.clone(), loaded.positions.clone(), loaded.sights.clone());
    sort(&mut levels, &mut positions, &mut sights);
    let reach = reach(loaded, &levels, &positions, &sights);
    let (points, first_orientation) = number(loaded, &reach, &levels, &positions, &sights);
    let index: BTreeMap<String, usize> =
        points.iter().enumerate().map(|(index, point)| (point.name.clone(), index)).collect();
    let of = |name: &str| index[name];
    let mut network = Network {
        sets: reach.sets.iter().map(|(station, set)| (of(station), set.clone())).collect(),
        first_orientation,
        observations: Vec::new(),
        sources: Vec::new(),
        withheld: Withheld::new(),
        notes: loaded.notes.clone(),
        points,
    };
    for point in &loaded.file.fixed {
        fixed(&mut network, of(&point.name.0), point, loaded);
    }
    for row in &levels {
        let (from, to) = (of(&row.from), of(&row.to));
        let observed =
            Observed::Level { from: network.points[from].spot, to: network.points[to].spot, dh: row.dh };
        let source =
            Source { kinds: vec!["level"], from, to: Some(to), set: None, origin: Some(row.origin.clone()) };
        network.add(observed, Covariance::independent(&[row.sigma]), source, &[row.withheld]);
    }
    for row in &positions {
        position(&mut network, of(&row.name), row);
    }
    let mut flat = 0;
    let lengths: BTreeMap<[&str; 2], f64> =
        sights.iter().filter_map(|row| row.distance.map(|distance| (pair(row), distance.value))).collect();
    for row in &sights {
        sight(&mut network, [of(&row.station), of(&row.target)], row, &lengths, loaded, &mut flat);
    }
    if flat > 0 {
        network.notes.push(format!(
            "Distances taken as horizontal: {flat}. They have no zenith angle, and nothing gives the heights of both ends."
        ));
    }
    network
}

fn pair(row: &SightRow) -> [&str; 2] {
    let mut pair = [row.station.as_str(), row.target.as_str()];
    pair.sort_unstable();
    pair
}

fn sort(levels: &mut [LevelRow], positions: &mut [PositionRow], sights: &mut [SightRow]) {
    let order =
        |measured: Option<Measured>| measured.map_or([0; 2], |m| [m.value.to_bits(), m.sigma.to_bits()]);
    levels.sort_by_cached_key(|row| {
        (
            row.from.clone(),
            row.to.clone(),
            row.dh.to_bits(),
            row.sigma.to_bits(),
            row.withheld,
            row.origin.clone(),
        )
    });
    positions.sort_by_cached_key(|row| {
        let values = row.values.map(|value| value.map(f64::to_bits));
        (row.name.clone(), values, row.covariance.map(|row| row.map(f64::to_bits)), row.origin.clone())
    });
    sights.sort_by_cached_key(|row| {
        let values = [row.direction, row.zenith, row.distance].map(order);
        (row.station.clone(), row.set.clone(), row.target.clone(), values, row.origin.clone())
    });
}

/// Which coordinates some observation depends on, and which sets have directions.
fn reach(loaded: &Loaded, levels: &[LevelRow], positions: &[PositionRow], sights: &[SightRow]) -> Reach {
    let mut reach = Reach::default();
    for row in levels.iter().filter(|row| !row.withheld) {
        reach.up.extend([row.from.clone(), row.to.clone()]);
    }
    for row in positions {
        if (0..2).any(|axis| row.values[axis].is_some() && !row.withheld[axis]) {
            reach.plan.insert(row.name.clone());
        }
        if row.values[2].is_some() && !row.withheld[2] {
            reach.up.insert(row.name.clone());
        }
    }
    for point in loaded.file.fixed.iter().filter(|point| sigma(loaded, point) > 0.0) {
        reach.plan.extend(point.easting.map(|_| point.name.0.clone()));
        reach.up.extend(point.elevation.map(|_| point.name.0.clone()));
    }
    for row in sights {
        let ends = [row.station.clone(), row.target.clone()];
        if [row.direction, row.zenith, row.distance].into_iter().any(is_used) {
            reach.plan.extend(ends.clone());
        }
        if is_used(row.zenith) {
            reach.up.extend(ends);
        }
        if is_used(row.direction) {
            reach.sets.insert((row.station.clone(), row.set.clone()));
        }
    }
    reach
}

fn sigma(loaded: &Loaded, point: &super::file::FixedPoint) -> f64 {
    point.sigma.map_or(0.0, |sigma| sigma.metres(loaded.file.units))
}

/// Numbers points by name, and what is unknown of them.
fn number(
    loaded: &Loaded,
    reach: &Reach,
    levels: &[LevelRow],
    positions: &[PositionRow],
    sights: &[SightRow],
) -> (Vec<Point>, usize) {
    let mut names: BTreeSet<&str> = loaded.file.fixed.iter().map(|point| point.name.0.as_str()).collect();
    names.extend(levels.iter().flat_map(|row| [row.from.as_str(), row.to.as_str()]));
    names.extend(positions.iter().map(|row| row.name.as_str()));
    names.extend(sights.iter().flat_map(|row| [row.station.as_str(), row.target.as_str()]));
    let unit = loaded.file.units.metres();
    let mut next = 0;
    let mut unknown = || {
        next += 1;
        Coordinate::Unknown(next - 1)
    };
    let mut points = Vec::new();
    for name in names {
        let fixed = loaded.file.fixed.iter().find(|point| point.name.0 == name);
        let fixed = fixed.filter(|point| sigma(loaded, point) == 0.0);
        let known = fixed.map_or([None; 3], |point| [point.easting, point.northing, point.elevation]);
        let concerned = [reach.plan.contains(name), reach.plan.contains(name), reach.up.contains(name)];
        let spot = [0, 1, 2].map(|axis| match known[axis] {
            Some(value) => Coordinate::Held(value * unit),
            None if concerned[axis] => unknown(),
            None => Coordinate::Held(f64::NAN),
        });
        points.push(Point { name: name.to_string(), spot, held: known.map(|value| value.is_some()) });
    }
    (points, next)
}

/// A known point with a sigma of its own is an observation.
fn fixed(network: &mut Network, index: usize, point: &super::file::FixedPoint, loaded: &Loaded) {
    let sigma = sigma(loaded, point);
    if sigma == 0.0 {
        return;
    }
    let unit = loaded.file.units.metres();
    let given = [point.easting, point.northing, point.elevation];
    let values: Vec<(usize, f64)> =
        (0..3).filter_map(|axis| given[axis].map(|value| (axis, value * unit))).collect();
    let kinds = values.iter().map(|(axis, _)| AXES[*axis]).collect();
    let source = Source { kinds, from: index, to: None, set: None, origin: None };
    let covariance = Covariance::independent(&vec![sigma; values.len()]);
    let used = vec![false; values.len()];
    let point = network.points[index].spot;
    network.add(Observed::Position { point, values }, covariance, source, &used);
}

fn position(network: &mut Network, index: usize, row: &PositionRow) {
    let axes: Vec<usize> = (0..3).filter(|&axis| row.values[axis].is_some()).collect();
    let values = axes.iter().filter_map(|&axis| row.values[axis].map(|value| (axis, value))).collect();
    let part: Vec<Vec<f64>> =
        axes.iter().map(|&i| axes.iter().map(|&j| row.covariance[i][j]).collect()).collect();
    let part: Vec<&[f64]> = part.iter().map(Vec::as_slice).collect();
    let covariance = Covariance::full(&part).expect("checked when it was read");
    let kinds = axes.iter().map(|&axis| AXES[axis]).collect();
    let source = Source { kinds, from: index, to: None, set: None, origin: Some(row.origin.clone()) };
    let withheld: Vec<bool> = axes.iter().map(|&axis| row.withheld[axis]).collect();
    let point = network.points[index].spot;
    network.add(Observed::Position { point, values }, covariance, source, &withheld);
}

/// The direction, zenith angle and distance of a row: three observations, independent of each other.
fn sight(
    network: &mut Network,
    [station, target]: [usize; 2],
    row: &SightRow,
    lengths: &BTreeMap<[&str; 2], f64>,
    loaded: &Loaded,
    flat: &mut usize,
) {
    let line = Line {
        station: network.points[station].spot,
        target: network.points[target].spot,
        rise: row.target_height - row.station_height,
        scale: loaded.file.scale_factor,
        refraction: loaded.file.refraction,
    };
    let set = network.sets.iter().position(|(of, set)| *of == station && *set == row.set);
    let orientation = set.map(|set| network.first_orientation + set);
    let mut add = |observed, sigma: f64, kind, withheld| {
        let set = (kind == "direction" && !row.set.is_empty()).then(|| row.set.clone());
        let origin = Some(row.origin.clone());
        let source = Source { kinds: vec![kind], from: station, to: Some(target), set, origin };
        network.add(observed, Covariance::independent(&[sigma]), source, &[withheld]);
    };
    if let Some(direction) = row.direction {
        let observed = match orientation {
            Some(orientation) => Observed::Direction { line, orientation, angle: direction.value },
            None => Observed::Alone,
        };
        add(observed, direction.sigma, "direction", direction.withheld);
    }
    let tilt = row.zenith.map_or(std::f64::consts::FRAC_PI_2, |zenith| zenith.value);
    if let Some(zenith) = row.zenith {
        // What the heights of instrument and target are uncertain by, seen over the length of the sight.
        let of_heights = lengths.get(&pair(row)).map_or(0.0, |length| row.height_sigma * sin(tilt) / length);
        let sigma = (zenith.sigma * zenith.sigma + of_heights * of_heights).sqrt();
        add(Observed::Zenith { line, angle: zenith.value }, sigma, "zenith", zenith.withheld);
    }
    if let Some(distance) = row.distance {
        let of_heights = row.height_sigma * cos(tilt);
        let sigma = (distance.sigma * distance.sigma + of_heights * of_heights).sqrt();
        let has_height = |spot: &Spot| match spot[2] {
            Coordinate::Held(value) => !value.is_nan(),
            Coordinate::Unknown(_) => true,
        };
        let is_slope = has_height(&line.station) && has_height(&line.target);
        let value = distance.value;
        let observed = match (is_slope, row.zenith) {
            (true, _) => Observed::Slope { line, distance: value },
            // A zenith angle that is withheld still says how the line slopes.
            (false, Some(_)) => Observed::Horizontal { line, distance: value * sin(tilt) },
            (false, None) => {
                *flat += 1;
                Observed::Horizontal { line, distance: value }
            }
        };
        add(observed, sigma, "distance", distance.withheld);
    }
}

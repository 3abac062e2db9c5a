//! Approximate coordinates: from known points outwards, in whatever order they become known.

mod frame;
mod intersect;
mod plan;
mod seen;

use std::collections::BTreeMap;

use libm::{cos, sin, sqrt};

use crate::network::approximate::seen::{Plan, Seen};
use crate::network::assemble::Network;
use crate::network::equations::{Coordinate, Observed};
use crate::network::load::Loaded;

/// Approximate unknowns.
pub(super) struct Start {
    /// The unknowns.
    pub unknowns: Vec<f64>,
    /// Points placed anywhere, because nothing holds what they hang on: there must be a defect.
    pub assumed: Vec<usize>,
    /// Points that could not be placed.
    pub missing: Vec<usize>,
}

/// Finds approximate unknowns.
pub(super) fn find(network: &Network, loaded: &Loaded) -> Start {
    let (mut plan, mut up) = known(network, loaded);
    let mut assumed = Vec::new();
    heights(network, &plan, &mut up);
    let seen = seen(network, &up);
    plan::complete(&seen, &mut plan, &mut assumed);
    heights(network, &plan, &mut up);
    // What hangs together in height and is held nowhere begins at zero.
    for index in 0..network.points.len() {
        if up[index].is_none() && network.points[index].spot[2].unknown().is_some() {
            up[index] = Some(0.0);
            assumed.push(index);
            heights(network, &plan, &mut up);
        }
    }
    let mut start = Start { unknowns: vec![0.0; network.unknowns()], assumed, missing: Vec::new() };
    for (index, point) in network.points.iter().enumerate() {
        let values = [plan[index].map(|at| at[0]), plan[index].map(|at| at[1]), up[index]];
        for (coordinate, value) in point.spot.iter().zip(values) {
            match (coordinate.unknown(), value) {
                (Some(unknown), Some(value)) => start.unknowns[unknown] = value,
                (Some(_), None) if start.missing.last() != Some(&index) => start.missing.push(index),
                _ => {}
            }
        }
    }
    for (set, (station, directions)) in seen.sets.iter().enumerate() {
        let orientation = plan::orientation(*station, directions, &plan);
        start.unknowns[network.first_orientation + set] = orientation.unwrap_or(0.0);
    }
    start
}

/// Coordinates that the file gives, held or approximate, or else the means of positions.
fn known(network: &Network, loaded: &Loaded) -> (Vec<Option<Plan>>, Vec<Option<f64>>) {
    let count = network.points.len();
    let mut sums = vec![[(0.0, 0u32); 3]; count];
    for (index, (one, source)) in network.observations.iter().zip(&network.sources).enumerate() {
        if let Observed::Position { values, .. } = &one.observed {
            let used = values.iter().enumerate().filter(|(number, _)| network.is_used(index, *number));
            for (_, &(axis, value)) in used {
                let sum = &mut sums[source.from][axis];
                *sum = (sum.0 + value, sum.1 + 1);
            }
        }
    }
    let unit = loaded.file.units.metres();
    let value = |index: usize, axis: usize| {
        if let Coordinate::Held(value) = network.points[index].spot[axis] {
            return Some(value).filter(|value| !value.is_nan());
        }
        let stated = loaded.file.approximate.iter().find(|point| point.name.0 == network.points[index].name);
        let stated = stated.and_then(|point| [point.easting, point.northing, point.elevation][axis]);
        let (sum, n) = sums[index][axis];
        stated.map(|value| value * unit).or((n > 0).then(|| sum / f64::from(n)))
    };
    let plan = (0..count).map(|index| Some([value(index, 0)?, value(index, 1)?])).collect();
    (plan, (0..count).map(|index| value(index, 2)).collect())
}

/// Directions and distances that are used, in plan.
fn seen(network: &Network, up: &[Option<f64>]) -> Seen {
    let mut seen = Seen {
        sets: network.sets.iter().map(|(station, _)| (*station, Vec::new())).collect(),
        ..Seen::default()
    };
    let mut sums: BTreeMap<[usize; 2], (f64, u32)> = BTreeMap::new();
    let mut tilts: BTreeMap<[usize; 2], f64> = BTreeMap::new();
    let used = || {
        let all = network.observations.iter().enumerate();
        all.filter(|(index, _)| network.is_used(*index, 0))
    };
    let ends = |index: usize| {
        let source = &network.sources[index];
        source.to.map(|to| [source.from.min(to), source.from.max(to)])
    };
    for (index, one) in used() {
        if let (Observed::Zenith { angle, .. }, Some(ends)) = (&one.observed, ends(index)) {
            tilts.entry(ends).or_insert(*angle);
        }
    }
    for (index, one) in used() {
        let Some(ends) = ends(index) else { continue };
        let horizontal = match &one.observed {
            Observed::Direction { orientation, angle, .. } => {
                let to = network.sources[index].to.unwrap_or_default();
                seen.sets[orientation - network.first_orientation].1.push((to, *angle));
                continue;
            }
            Observed::Horizontal { line, distance } => distance * line.scale,
            Observed::Slope { line, distance } => {
                let source = &network.sources[index];
                let heights = source.to.and_then(|to| Some((up[source.from]?, up[to]?)));
                let rise = heights.map(|(from, to)| to - from + line.rise);
                line.scale * flattened(*distance, tilts.get(&ends), rise)
            }
            _ => continue,
        };
        let sum = sums.entry(ends).or_insert((0.0, 0));
        *sum = (sum.0 + horizontal, sum.1 + 1);
    }
    seen.distances = sums.into_iter().map(|(ends, (sum, n))| (ends, sum / f64::from(n))).collect();
    seen
}

/// The horizontal part of a slope distance, from a zenith angle or the heights of its ends.
fn flattened(slope: f64, tilt: Option<&f64>, rise: Option<f64>) -> f64 {
    match (tilt, rise) {
        (Some(tilt), _) => slope * sin(*tilt),
        // However wrong the heights are, some of the distance is horizontal.
        (None, Some(rise)) => sqrt((slope * slope - rise * rise).max(0.01 * slope * slope)),
        (None, None) => slope,
    }
}

/// Carries heights on along levels and zenith angles.
fn heights(network: &Network, plan: &[Option<Plan>], up: &mut [Option<f64>]) {
    // Each tie: the second point lies so much higher than the first.
    let mut ties: Vec<(usize, usize, f64)> = Vec::new();
    for (index, (one, source)) in network.observations.iter().zip(&network.sources).enumerate() {
        let (Some(to), true) = (source.to, network.is_used(index, 0)) else { continue };
        match &one.observed {
            Observed::Level { dh, .. } => ties.push((source.from, to, *dh)),
            Observed::Zenith { line, angle } => {
                if let (Some(a), Some(b)) = (plan[source.from], plan[to]) {
                    let ground = libm::hypot(b[0] - a[0], b[1] - a[1]) / line.scale;
                    ties.push((source.from, to, ground * cos(*angle) / sin(*angle) - line.rise));
                }
            }
            _ => {}
        }
    }
    loop {
        let mut found = false;
        for &(from, to, rise) in &ties {
            match (up[from], up[to]) {
                (Some(height), None) => up[to] = Some(height + rise),
                (None, Some(height)) => up[from] = Some(height - rise),
                _ => continue,
            }
            found = true;
        }
        if !found {
            return;
        }
    }
}

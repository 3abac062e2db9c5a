//! What is missing where the observations do not determine the network, in words: which points hang on nothing, and in what.

use crate::control::Defect;
use crate::network::assemble::Network;
use crate::network::equations::Observed;
use crate::network::rows::AXES;
use crate::results::format::and_list;

/// Names of points shown before "and n more".
const MOST_NAMES: usize = 8;

/// Says what is missing, a sentence each with its remedy. `at` are the unknowns at which the defect was found.
pub(super) fn explain(network: &Network, defect: &Defect, at: &[f64]) -> Vec<String> {
    let mut texts = Vec::new();
    let mut known: Vec<Vec<f64>> = Vec::new();
    for group in groups(network, 2) {
        let lift = moved(network, &group, at, &|_, _, _| [0.0, 0.0, 1.0], 0.0);
        if defect.holds(&lift) {
            texts.push(format!(
                "nothing fixes the heights of {}: give the elevation of one of them under `fixed` (any, if heights do not matter)",
                names(network, &group)
            ));
            known.push(lift);
        }
    }
    for group in groups(network, 0) {
        let free = plan(network, defect, &group, at);
        if free.is_empty() {
            continue;
        }
        let what: Vec<String> = free.iter().map(|(what, _)| what.to_string()).collect();
        let remedy = match free.iter().any(|(what, _)| *what == "position") {
            true if free.len() > 1 => {
                "give easting and northing of two of them under `fixed`, or GNSS positions"
            }
            true => "give easting and northing of one of them under `fixed`, or a GNSS position",
            false => {
                "give easting and northing of a second point under `fixed`, or observe one that is known"
            }
        };
        let names = names(network, &group);
        texts.push(format!("nothing fixes the {} in plan of {names}: {remedy}", and_list(&what)));
        known.extend(free.into_iter().flat_map(|(_, directions)| directions));
    }
    for direction in defect.beside(&known) {
        texts.push(local(network, &direction));
    }
    texts.sort();
    texts.dedup();
    texts
}

/// The ways in which a group of points can move in plan as a whole, each with its directions.
fn plan(
    network: &Network,
    defect: &Defect,
    group: &[usize],
    at: &[f64],
) -> Vec<(&'static str, Vec<Vec<f64>>)> {
    let unknown: Vec<usize> =
        group.iter().copied().filter(|&p| network.points[p].spot[0].unknown().is_some()).collect();
    // Two held points hold a group; what hangs loosely on them is said of each point.
    let held = group.iter().filter(|&&p| network.points[p].held[0]);
    if unknown.is_empty() || held.count() > 1 {
        return Vec::new();
    }
    // What is held does not turn: a group turns about its one held point, or about its centre.
    let held = group.iter().find(|&&p| network.points[p].held[0]);
    let place = |p: usize| [0, 1].map(|axis| network.points[p].spot[axis].at(at));
    let centre = held.map_or_else(
        || {
            let sum = unknown.iter().map(|&p| place(p)).fold([0.0; 2], |s, at| [s[0] + at[0], s[1] + at[1]]);
            sum.map(|sum| sum / unknown.len() as f64)
        },
        |&p| place(p),
    );
    let east = moved(network, group, at, &|_, _, _| [1.0, 0.0, 0.0], 0.0);
    let north = moved(network, group, at, &|_, _, _| [0.0, 1.0, 0.0], 0.0);
    let turn = moved(network, group, at, &|e, n, _| [n - centre[1], centre[0] - e, 0.0], 1.0);
    let scale = moved(network, group, at, &|e, n, _| [e - centre[0], n - centre[1], 0.0], 0.0);
    let mut free = Vec::new();
    if defect.holds(&east) && defect.holds(&north) {
        free.push(("position", vec![east, north]));
    }
    if defect.holds(&turn) {
        free.push(("orientation", vec![turn]));
    }
    if defect.holds(&scale) {
        free.push(("scale", vec![scale]));
    }
    free
}

/// The unknowns moved by what `by` says of a point at easting, northing and elevation; orientations of its stations by `turn`.
fn moved(
    network: &Network,
    group: &[usize],
    at: &[f64],
    by: &dyn Fn(f64, f64, f64) -> [f64; 3],
    turn: f64,
) -> Vec<f64> {
    let mut all = vec![0.0; at.len()];
    for &point in group {
        let spot = network.points[point].spot;
        let [e, n, u] = spot.map(|coordinate| coordinate.at(at));
        for (coordinate, change) in spot.iter().zip(by(e, n, u)) {
            if let Some(unknown) = coordinate.unknown() {
                all[unknown] = change;
            }
        }
    }
    for (set, (station, _)) in network.sets.iter().enumerate() {
        if group.contains(station) {
            all[network.first_orientation + set] = turn;
        }
    }
    all
}

/// Groups of points that used observations tie to each other in height (axis 2) or in plan (axis 0), those alone too.
fn groups(network: &Network, axis: usize) -> Vec<Vec<usize>> {
    let mut root: Vec<usize> = (0..network.points.len()).collect();
    fn top(root: &[usize], mut point: usize) -> usize {
        while root[point] != point {
            point = root[point];
        }
        point
    }
    for (observation, (one, source)) in network.observations.iter().zip(&network.sources).enumerate() {
        let ties = match one.observed {
            Observed::Level { .. } => axis == 2,
            Observed::Zenith { .. } | Observed::Slope { .. } => true,
            Observed::Direction { .. } | Observed::Horizontal { .. } => axis == 0,
            Observed::Position { .. } | Observed::Alone => false,
        };
        if let (Some(to), true, true) = (source.to, ties, network.is_used(observation, 0)) {
            let (a, b) = (top(&root, source.from), top(&root, to));
            root[a.max(b)] = a.min(b);
        }
    }
    let mut all: Vec<Vec<usize>> = vec![Vec::new(); root.len()];
    (0..root.len()).for_each(|point| all[top(&root, point)].push(point));
    all.retain(|group| !group.is_empty());
    all
}

/// What is left once whole groups are accounted for: the points that move most.
fn local(network: &Network, direction: &[f64]) -> String {
    let share = |unknown: Option<usize>| unknown.map_or(0.0, |unknown| direction[unknown].abs());
    let most = direction[..network.first_orientation].iter().fold(0.0, |most: f64, one| most.max(one.abs()));
    if most == 0.0 {
        let sets = network.sets.iter().enumerate();
        let turning = sets.filter(|(set, _)| direction[network.first_orientation + set] != 0.0);
        let stations: Vec<String> =
            turning.map(|(_, (station, _))| network.points[*station].name.clone()).collect();
        return format!(
            "nothing fixes the orientation of the station {}: observe a known point from it",
            and_list(&stations)
        );
    }
    let moving: Vec<usize> = (0..network.points.len())
        .filter(|&p| network.points[p].spot.iter().any(|c| share(c.unknown()) > 0.3 * most))
        .collect();
    let axes: Vec<String> = (0..3)
        .filter(|&axis| moving.iter().any(|&p| share(network.points[p].spot[axis].unknown()) > 0.1 * most))
        .map(|axis| AXES[axis].to_string())
        .collect();
    format!(
        "the observations leave the {} of {} free: observe it from another point, or give it under `fixed`",
        and_list(&axes),
        names(network, &moving)
    )
}

fn names(network: &Network, points: &[usize]) -> String {
    let all: Vec<String> = points.iter().map(|&point| network.points[point].name.clone()).collect();
    first_few(&all)
}

/// Texts in a sentence, the first few of many.
pub(super) fn first_few(all: &[String]) -> String {
    if all.len() <= MOST_NAMES {
        return and_list(all);
    }
    format!("{} and {} more", all[..MOST_NAMES].join(", "), all.len() - MOST_NAMES)
}

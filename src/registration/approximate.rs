//! Poses to start from: setups are joined to the control, or to each other first, by the points that both know.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Vector3};

use crate::registration::{Model, Observed, Unregistered};

/// A turn about a point, and where that comes to lie: p ↦ to + turn (p − from).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turned {
    /// The turn.
    pub turn: Matrix3<f64>,
    /// The point about which it turns.
    pub from: Vector3<f64>,
    /// Where that lies afterwards.
    pub to: Vector3<f64>,
}

impl Turned {
    const NOT: Turned =
        Turned { turn: Matrix3::new(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0), from: ZERO, to: ZERO };

    /// A place, turned and shifted.
    pub fn apply(&self, at: &Vector3<f64>) -> Vector3<f64> {
        self.to + self.turn * (at - self.from)
    }

    /// First this, then `next`.
    fn then(&self, next: &Turned) -> Turned {
        Turned { turn: next.turn * self.turn, from: self.from, to: next.apply(&self.to) }
    }
}

const ZERO: Vector3<f64> = Vector3::new(0.0, 0.0, 0.0);

/// A turn about the vertical axis.
pub fn heading(angle: f64) -> Matrix3<f64> {
    let (sin, cos) = (libm::sin(angle), libm::cos(angle));
    Matrix3::new(cos, -sin, 0.0, sin, cos, 0.0, 0.0, 0.0, 1.0)
}

/// Points nearer in plan, or to a line, than this share of how far they are spread, or than a millimetre, do not fix a pose.
const APART: f64 = 1e-3;

/// Setups with known relative poses: points by name in a frame of their own, and the pose of each setup in it.
struct Cluster {
    points: BTreeMap<String, Vector3<f64>>,
    setups: Vec<(usize, Turned)>,
}

/// Poses of all setups, from places in metres: `targets` those in the frames of the setups, `known` those of the control.
///
/// # Errors
/// The setups that too few points join to the control.
pub fn poses(
    observed: &Observed,
    targets: &[Vector3<f64>],
    known: BTreeMap<String, Vector3<f64>>,
) -> Result<Vec<Turned>, Unregistered> {
    let mut clusters = vec![Cluster { points: known, setups: Vec::new() }];
    for setup in 0..observed.setups.len() {
        let seen = observed.targets.iter().zip(targets);
        let seen = seen.filter(|(target, _)| target.setup == setup && !observed.is_withheld(&target.name));
        let points = seen.map(|(target, at)| (target.name.clone(), *at)).collect();
        clusters.push(Cluster { points, setups: vec![(setup, Turned::NOT)] });
    }
    while let Some((into, from, pose)) = best(&clusters, observed.model) {
        let joined = clusters.remove(from);
        let into = &mut clusters[into];
        into.setups.extend(joined.setups.iter().map(|(setup, own)| (*setup, own.then(&pose))));
        for (name, at) in joined.points {
            into.points.entry(name).or_insert_with(|| pose.apply(&at));
        }
    }
    if clusters.len() > 1 {
        return Err(loose(observed, &clusters));
    }
    let mut found = clusters.remove(0).setups;
    found.sort_by_key(|(setup, _)| *setup);
    Ok(found.into_iter().map(|(_, pose)| pose).collect())
}

/// The pair of clusters that shares most points, the control before others, and how the second lies in the first.
fn best(clusters: &[Cluster], model: Model) -> Option<(usize, usize, Turned)> {
    let mut best: Option<(usize, (usize, usize, Turned))> = None;
    for into in 0..clusters.len() {
        for from in into + 1..clusters.len() {
            let shared: Vec<(Vector3<f64>, Vector3<f64>)> = clusters[from]
                .points
                .iter()
                .filter_map(|(name, at)| Some((*at, *clusters[into].points.get(name)?)))
                .collect();
            if best.as_ref().is_none_or(|(most, _)| shared.len() > *most)
                && let Some(pose) = fit(&shared, model)
            {
                best = Some((shared.len(), (into, from, pose)));
            }
        }
        if into == 0 && best.is_some() {
            break;
        }
    }
    best.map(|(_, pair)| pair)
}

/// One point in two frames.
type Pair = (Vector3<f64>, Vector3<f64>);

/// The pose that brings the first of each pair onto the second, by least squares with equal weights; none where they do not
/// determine it.
pub fn fit(pairs: &[Pair], model: Model) -> Option<Turned> {
    let count = pairs.len() as f64;
    if pairs.len() < 2 {
        return None;
    }
    let mean = |pick: fn(&Pair) -> Vector3<f64>| pairs.iter().map(pick).sum::<Vector3<f64>>() / count;
    let (from, to) = (mean(|pair| pair.0), mean(|pair| pair.1));
    let centred: Vec<_> = pairs.iter().map(|(a, b)| (a - from, b - to)).collect();
    let turn = match model {
        Model::Level => {
            let spread = centred.iter().map(|(a, _)| a.xy().norm()).fold(0.0, f64::max);
            if spread < APART {
                return None;
            }
            let (mut sin, mut cos) = (0.0, 0.0);
            for (a, b) in &centred {
                sin += a.x * b.y - a.y * b.x;
                cos += a.x * b.x + a.y * b.y;
            }
            heading(libm::atan2(sin, cos))
        }
        Model::Full => {
            let scatter: Matrix3<f64> = centred.iter().map(|(a, _)| a * a.transpose()).sum();
            let mut spread: Vec<f64> =
                scatter.symmetric_eigenvalues().iter().map(|v| v.max(0.0).sqrt()).collect();
            spread.sort_by(f64::total_cmp);
            if pairs.len() < 3 || spread[1] < APART.max(APART * spread[2]) {
                return None;
            }
            let cross: Matrix3<f64> = centred.iter().map(|(a, b)| b * a.transpose()).sum();
            let svd = cross.svd(true, true);
            let (u, v) = (svd.u?, svd.v_t?);
            // The least of the three directions is turned round where the best fit would be a reflection.
            let mut least = Matrix3::identity();
            let smallest = svd.singular_values.imin();
            least[(smallest, smallest)] = (u * v).determinant().signum();
            u * least * v
        }
    };
    Some(Turned { turn, from, to })
}

/// The setups that hang in the air, each with what it sees.
fn loose(observed: &Observed, clusters: &[Cluster]) -> Unregistered {
    let loose: Vec<usize> =
        clusters[1..].iter().flat_map(|one| one.setups.iter().map(|(setup, _)| *setup)).collect();
    let describe = |&setup: &usize| {
        let own = || observed.targets.iter().filter(move |target| target.setup == setup);
        let used = || own().filter(|target| !observed.is_withheld(&target.name));
        let known = used().filter(|target| observed.known(&target.name).is_some()).count();
        let shared = used()
            .filter(|target| observed.known(&target.name).is_none())
            .filter(|target| {
                observed.targets.iter().any(|other| other.setup != setup && other.name == target.name)
            })
            .count();
        let withheld = own().count() - used().count();
        let mut text =
            format!("{} ({known} on control, {shared} shared with other setups", observed.setups[setup]);
        if withheld > 0 {
            text += &format!(", {withheld} withheld");
        }
        text + ")"
    };
    let listed: Vec<String> = loose.iter().map(describe).collect();
    Unregistered {
        message: format!("too few targets join these setups to the control: {}", listed.join(", ")),
        help: format!(
            "with `model: {}` a setup needs {} which are control points or which a setup that is joined sees too; names must be \
             the same in both lists",
            observed.model.word(),
            observed.model.needs()
        ),
    }
}

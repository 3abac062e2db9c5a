//! The adjustment of all setups together.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Matrix3, Vector3};

use crate::control::{
    Covariance, Failure, GlobalTest, Observation, Row, Solution, Suggestion, Verdict, adjust, global_test,
    none_withheld, suggest,
};
use crate::registration::approximate::{Turned, heading, poses};
use crate::registration::{Control, Model, Observed, Unregistered, origin};
use crate::units::Micrometres;

/// Adjusted setups.
#[derive(Clone, Debug)]
pub struct Network {
    /// What was adjusted.
    pub observed: Observed,
    /// The whole point from which metres are counted, micrometres.
    pub origin: [Micrometres; 3],
    /// The poses: places in the frame of a setup, metres, to metres from the origin.
    pub poses: Vec<Turned>,
    /// Places of targets in the frames of their setups, metres.
    pub places: Vec<Vector3<f64>>,
    /// What each observation of the solution is of.
    pub of: Vec<Of>,
    /// The adjustment; its unknowns are as in [`Network::unknown`].
    pub solution: Solution,
    /// Values that look like blunders.
    pub suggested: Vec<Suggestion>,
    /// The test of the variance factor; none without redundancy.
    pub test: Option<GlobalTest>,
    /// Names of points that take no part: seen from one setup alone and no control, or control that no setup sees.
    pub unused: Vec<String>,
    /// Adjusted places of the points, metres from the origin.
    pub points: BTreeMap<String, Vector3<f64>>,
}

/// What an observation is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    /// The target of that index.
    Target(usize),
    /// The control point of that index, and the axes that are observed (the others are held).
    Control(usize, [bool; 3]),
}

/// A coordinate of a point: held, or an unknown.
#[derive(Clone, Copy, Debug)]
enum Place {
    Held(f64),
    Unknown(usize),
}

impl Place {
    fn at(self, unknowns: &[f64]) -> f64 {
        match self {
            Place::Held(value) => value,
            Place::Unknown(index) => unknowns[index],
        }
    }
}

/// One observation: what it is linearised from.
enum Seen {
    /// A target of a setup: its place about the centre of the setup's targets, turned as at the start.
    Target { model: Model, first: usize, arm: Vector3<f64>, point: [Place; 3], covariance: Covariance },
    /// Coordinates of control: their unknowns and values.
    Control { values: Vec<(usize, f64)>, covariance: Covariance },
}

impl Observation for Seen {
    fn rows(&self, at: &[f64]) -> Vec<Row> {
        match self {
            Seen::Control { values, .. } => values
                .iter()
                .map(|&(unknown, value)| Row {
                    misclosure: value - at[unknown],
                    coefficients: vec![(unknown, 1.0)],
                })
                .collect(),
            Seen::Target { model, first, arm, point, .. } => {
                let turns = model.unknowns() - 3;
                let (turned, by_turn) = turned(*model, &at[*first..*first + turns], arm);
                let row = |axis: usize| {
                    // In the axes of the system: the same weights, as a target is as uncertain in all directions.
                    let shift = first + turns + axis;
                    let mut coefficients = vec![(shift, -1.0)];
                    for (turn, column) in by_turn.iter().enumerate() {
                        coefficients.push((first + turn, -column[axis]));
                    }
                    if let Place::Unknown(index) = point[axis] {
                        coefficients.push((index, 1.0));
                    }
                    Row { misclosure: at[shift] + turned[axis] - point[axis].at(at), coefficients }
                };
                [0, 1, 2].map(row).to_vec()
            }
        }
    }

    fn covariance(&self) -> &Covariance {
        match self {
            Seen::Target { covariance, .. } | Seen::Control { covariance, .. } => covariance,
        }
    }
}

/// The arm turned further by these unknowns, and the derivatives by each.
fn turned(model: Model, turns: &[f64], arm: &Vector3<f64>) -> (Vector3<f64>, Vec<Vector3<f64>>) {
    match model {
        Model::Level => {
            let turned = heading(turns[0]) * arm;
            (turned, vec![Vector3::new(-turned.y, turned.x, 0.0)])
        }
        Model::Full => {
            let small = Vector3::new(turns[0], turns[1], turns[2]);
            let turned = rotation(&small) * arm;
            let cross = small.cross_matrix();
            // The left Jacobian of a turn by so many radians; the turn is small, as it is counted from the last one.
            let jacobian = Matrix3::identity() + cross * 0.5 + cross * cross / 6.0;
            (turned, (0..3).map(|turn| jacobian.column(turn).cross(&turned)).collect())
        }
    }
}

/// The turn by a vector of radians (Rodrigues).
fn rotation(by: &Vector3<f64>) -> Matrix3<f64> {
    let angle = by.norm();
    if angle < 1e-300 {
        return Matrix3::identity();
    }
    let cross = (by / angle).cross_matrix();
    Matrix3::identity() + cross * libm::sin(angle) + cross * cross * (1.0 - libm::cos(angle))
}

/// Times that the poses are adjusted anew from where they came to lie, so that the last turns are small.
const ROUNDS: usize = 3;

impl Network {
    /// Adjusts the setups.
    ///
    /// # Errors
    /// Setups that nothing joins to the control, or what cannot be adjusted.
    pub fn adjust(observed: Observed) -> Result<Network, Unregistered> {
        let origin = origin(&observed.control);
        let metres = |at: &[f64; 3], from: [Micrometres; 3]| {
            Vector3::from_fn(|axis, _| (at[axis] - from[axis] as f64) / 1e6)
        };
        let places: Vec<Vector3<f64>> =
            observed.targets.iter().map(|target| metres(&target.at, [0; 3])).collect();
        let known = observed.control.iter().filter(|one| !observed.is_withheld(&one.name));
        let known: BTreeMap<String, Vector3<f64>> =
            known.map(|one| (one.name.clone(), metres(&one.at, origin))).collect();
        let start = poses(&observed, &places, known.clone())?;
        // About the centre of a setup's targets, where its turn and its shift are least correlated.
        let mut poses: Vec<Turned> = (0..observed.setups.len())
            .map(|setup| {
                let own = observed.targets.iter().zip(&places).filter(|(target, _)| target.setup == setup);
                let used: Vec<_> = own
                    .filter(|(target, _)| !observed.is_withheld(&target.name))
                    .map(|(_, at)| *at)
                    .collect();
                let centre = used.iter().sum::<Vector3<f64>>() / used.len().max(1) as f64;
                Turned { turn: start[setup].turn, from: centre, to: start[setup].apply(&centre) }
            })
            .collect();
        let mut setting = Setting::new(&observed, &known);
        setting.start(&observed, &places, &poses, &known);
        let mut adjusted = None;
        for _ in 0..ROUNDS {
            let seen = setting.observations(&observed, &places, &poses, &known);
            let solution =
                adjust(&seen, &setting.unknowns, &none_withheld()).map_err(|why| failed(&observed, &why))?;
            setting.take_over(&solution, &mut poses, observed.model);
            adjusted = Some((seen, solution));
        }
        let (seen, solution) = adjusted.expect("some rounds");
        let (suggested, _) =
            suggest(&seen, &solution, &none_withheld()).map_err(|why| failed(&observed, &why))?;
        let at = |place: &[Place; 3]| Vector3::from_fn(|axis, _| place[axis].at(&solution.unknowns));
        let points = setting.points.iter().map(|(name, place)| (name.clone(), at(place))).collect();
        let test = global_test(&solution);
        let Setting { of, unused, .. } = setting;
        Ok(Network { observed, origin, poses, places, of, solution, suggested, test, unused, points })
    }

    /// The first unknown of a setup: its turns, then its shifts of the centre of its targets along the axes.
    pub fn unknown(&self, setup: usize) -> usize {
        setup * self.observed.model.unknowns()
    }

    /// The middles of the targets of the setups, about which they turn, in plan.
    pub fn middles(&self) -> Vec<[Micrometres; 2]> {
        let middle = |pose: &Turned| {
            [0, 1].map(|axis| self.origin[axis] + (pose.to[axis] * 1e6).round() as Micrometres)
        };
        self.poses.iter().map(middle).collect()
    }

    /// By what the variances of the adjustment count: the variance factor where the residuals are larger than the sigmas allow, else 1.
    pub fn variance_scale(&self) -> f64 {
        match &self.test {
            Some(test) if test.verdict == Verdict::TooLarge => self.solution.variance_factor().unwrap_or(1.0),
            _ => 1.0,
        }
    }

    /// What moves the place of a setup at `place` (metres from the origin) along an axis: unknowns and their effect.
    pub fn moves(&self, setup: usize, place: &Vector3<f64>, axis: usize) -> Vec<(usize, f64)> {
        let first = self.unknown(setup);
        let turns = self.observed.model.unknowns() - 3;
        let arm = place - self.poses[setup].to;
        let columns: Vec<Vector3<f64>> = match self.observed.model {
            Model::Level => vec![Vector3::new(-arm.y, arm.x, 0.0)],
            Model::Full => (0..3).map(|turn| Vector3::ith_axis(turn).cross(&arm)).collect(),
        };
        let mut moves: Vec<(usize, f64)> =
            columns.iter().enumerate().map(|(turn, column)| (first + turn, column[axis])).collect();
        moves.push((first + turns + axis, 1.0));
        moves
    }
}

/// The unknowns, and where they stand.
struct Setting {
    points: BTreeMap<String, [Place; 3]>,
    unknowns: Vec<f64>,
    of: Vec<Of>,
    unused: Vec<String>,
}

impl Setting {
    fn new(observed: &Observed, known: &BTreeMap<String, Vector3<f64>>) -> Self {
        let mut next = observed.setups.len() * observed.model.unknowns();
        let mut seen: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
        for target in &observed.targets {
            seen.entry(&target.name).or_default().insert(target.setup);
        }
        let is_used = |name: &str| {
            let setups = seen.get(name).map_or(0, BTreeSet::len);
            !observed.is_withheld(name) && (setups > 1 || setups == 1 && known.contains_key(name))
        };
        let mut unknown = || {
            next += 1;
            Place::Unknown(next - 1)
        };
        let mut points = BTreeMap::new();
        for name in seen.keys().copied().filter(|name| is_used(name)) {
            let control = observed.known(name);
            let place = [0, 1, 2].map(|axis| match control.filter(|one| one.sigma[axis] == 0.0) {
                Some(_) => Place::Held(known[name][axis]),
                None => unknown(),
            });
            points.insert(name.to_string(), place);
        }
        let mut of: Vec<Of> = Vec::new();
        for (index, target) in observed.targets.iter().enumerate() {
            if points.contains_key(&target.name) {
                of.push(Of::Target(index));
            }
        }
        for (index, control) in observed.control.iter().enumerate() {
            let observed_axes = [0, 1, 2].map(|axis| control.sigma[axis] > 0.0);
            if points.contains_key(&control.name) && observed_axes.contains(&true) {
                of.push(Of::Control(index, observed_axes));
            }
        }
        let names = observed.control.iter().map(|one| one.name.as_str()).chain(seen.keys().copied());
        let unused: BTreeSet<&str> =
            names.filter(|name| !points.contains_key(*name) && !observed.is_withheld(name)).collect();
        let unused = unused.into_iter().map(str::to_string).collect();
        Setting { points, unknowns: vec![0.0; next], of, unused }
    }

    /// Where the unknowns stand at the poses found first.
    fn start(
        &mut self,
        observed: &Observed,
        places: &[Vector3<f64>],
        poses: &[Turned],
        known: &BTreeMap<String, Vector3<f64>>,
    ) {
        let per_setup = observed.model.unknowns();
        for (setup, pose) in poses.iter().enumerate() {
            let shifts = (setup + 1) * per_setup - 3;
            self.unknowns[shifts..shifts + 3].copy_from_slice(pose.to.as_slice());
        }
        for (name, place) in &self.points {
            let seen = || {
                let all = observed.targets.iter().zip(places).find(|(target, _)| target.name == *name);
                all.map(|(target, at)| poses[target.setup].apply(at))
            };
            let Some(at) = known.get(name).copied().or_else(seen) else { continue };
            for axis in 0..3 {
                if let Place::Unknown(index) = place[axis] {
                    self.unknowns[index] = at[axis];
                }
            }
        }
    }

    fn observations(
        &self,
        observed: &Observed,
        places: &[Vector3<f64>],
        poses: &[Turned],
        known: &BTreeMap<String, Vector3<f64>>,
    ) -> Vec<Seen> {
        let one = |of: &Of| match of {
            Of::Target(index) => {
                let target = &observed.targets[*index];
                let pose = &poses[target.setup];
                Seen::Target {
                    model: observed.model,
                    first: target.setup * observed.model.unknowns(),
                    arm: pose.turn * (places[*index] - pose.from),
                    point: self.points[&target.name],
                    covariance: Covariance::independent(&[target.sigma / 1e6; 3]),
                }
            }
            Of::Control(index, axes) => {
                let control = &observed.control[*index];
                let place = self.points[&control.name];
                let axes: Vec<usize> = (0..3).filter(|axis| axes[*axis]).collect();
                let values = axes.iter().filter_map(|&axis| match place[axis] {
                    Place::Unknown(unknown) => Some((unknown, known[&control.name][axis])),
                    Place::Held(_) => None,
                });
                Seen::Control { values: values.collect(), covariance: covariance(control, &axes) }
            }
        };
        self.of.iter().map(one).collect()
    }

    /// The adjusted turns go into the poses; those that follow are counted from there.
    fn take_over(&mut self, solution: &Solution, poses: &mut [Turned], model: Model) {
        self.unknowns.copy_from_slice(&solution.unknowns);
        let per_setup = model.unknowns();
        for (setup, pose) in poses.iter_mut().enumerate() {
            let first = setup * per_setup;
            let turns = &mut self.unknowns[first..first + per_setup - 3];
            let further = match model {
                Model::Level => heading(turns[0]),
                Model::Full => rotation(&Vector3::new(turns[0], turns[1], turns[2])),
            };
            turns.fill(0.0);
            pose.turn = further * pose.turn;
            let shifts = first + per_setup - 3;
            pose.to = Vector3::from_row_slice(&solution.unknowns[shifts..shifts + 3]);
        }
    }
}

/// The covariance of coordinates of control, square metres.
fn covariance(control: &Control, axes: &[usize]) -> Covariance {
    let of = |i: usize, j: usize| match (i.min(j), i.max(j)) {
        (i, j) if i == j => control.sigma[i] * control.sigma[i] / 1e12,
        (0, 1) => control.covariance / 1e12,
        _ => 0.0,
    };
    let rows: Vec<Vec<f64>> = axes.iter().map(|&i| axes.iter().map(|&j| of(i, j)).collect()).collect();
    let rows: Vec<&[f64]> = rows.iter().map(Vec::as_slice).collect();
    Covariance::full(&rows).unwrap_or_else(|| {
        // Correlated so closely that the matrix cannot be inverted.
        Covariance::independent(&axes.iter().map(|&axis| control.sigma[axis] / 1e6).collect::<Vec<_>>())
    })
}

fn failed(observed: &Observed, why: &Failure) -> Unregistered {
    let message = match why {
        Failure::Defect(_) => "targets and control do not determine the poses of the setups".to_string(),
        other => format!("the setups cannot be registered: {other}"),
    };
    let help = format!(
        "with `model: {}` each setup needs {}, on control or shared with setups that are; look for names that stand for different points",
        observed.model.word(),
        observed.model.needs()
    );
    Unregistered { message, help }
}

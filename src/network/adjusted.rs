//! From a loaded network to its adjustment.

use std::fmt;

use crate::control::{
    self, CheckedValue, Ellipse, FAMILY_LEVEL, Failure, GLOBAL_LEVEL, POWER, SINGLE_LEVEL, Sigmas, Solution,
    Suggestion, ValueId, critical_value, detectable, global_test, suggest,
};
use crate::network::approximate;
use crate::network::assemble::{Network, assemble};
use crate::network::datum;
use crate::network::equations::{Coordinate, Observed};
use crate::network::file::NetworkFile;
use crate::network::load::Loaded;
use crate::network::results::{
    Adjustment, BlunderTest, EllipseRow, GlobalTestRow, ObservationRow, OrientationRow, PointRow, SigmaPair,
    SuggestedRow,
};
use crate::results::format::{and_list, decimal, signed, signed_length};

/// Why a network cannot be adjusted.
#[derive(Clone, Debug)]
pub enum NetworkError {
    /// The observations do not determine it: what is missing, a sentence each.
    Undetermined(Vec<String>),
    /// Approximate coordinates of some points cannot be found.
    NotPlaced(String),
    /// The steps do not become small.
    NoConvergence(String),
}

impl fmt::Display for NetworkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            NetworkError::Undetermined(texts) => {
                format!("the network is not determined: {}", texts.join("; "))
            }
            NetworkError::NotPlaced(text) | NetworkError::NoConvergence(text) => text.clone(),
        };
        // Names from tables must not steer the terminal.
        f.write_str(&text.replace(char::is_control, " "))
    }
}

impl std::error::Error for NetworkError {}

/// Adjusts a network.
///
/// # Errors
/// Where the observations do not determine it.
pub(crate) fn adjust(loaded: &Loaded) -> Result<Adjustment, NetworkError> {
    let network = assemble(loaded);
    let start = approximate::find(&network, loaded);
    if !start.missing.is_empty() {
        return Err(not_placed(&network, &start.missing));
    }
    let solution = match control::adjust(&network.observations, &start.unknowns, &network.withheld) {
        Ok(solution) => solution,
        Err(Failure::Defect(defect)) => {
            return Err(NetworkError::Undetermined(datum::explain(&network, &defect, &start.unknowns)));
        }
        Err(Failure::NoConvergence | Failure::NotFinite) => {
            return Err(no_convergence(&network, &start.unknowns));
        }
    };
    if !start.assumed.is_empty() {
        return Err(not_placed(&network, &start.assumed));
    }
    let (suggestions, _) = suggest(&network.observations, &solution, &network.withheld)
        .map_err(|_| no_convergence(&network, &solution.unknowns))?;
    Ok(results(loaded, &network, &solution, &suggestions))
}

fn not_placed(network: &Network, points: &[usize]) -> NetworkError {
    let observed = |point: usize| {
        let of_it = network.sources.iter().filter(|source| source.from == point || source.to == Some(point));
        let mut kinds: Vec<(&str, usize)> = Vec::new();
        for kind in of_it.flat_map(|source| &source.kinds) {
            match kinds.iter_mut().find(|(known, _)| known == kind) {
                Some((_, count)) => *count += 1,
                None => kinds.push((kind, 1)),
            }
        }
        let kinds: Vec<String> = kinds.iter().map(|(kind, count)| format!("{count} {kind}")).collect();
        format!("{} ({})", network.points[point].name, and_list(&kinds))
    };
    let all: Vec<String> = points.iter().map(|point| observed(*point)).collect();
    NetworkError::NotPlaced(format!(
        "approximate coordinates cannot be found for {}: observe them from known points, or give rough coordinates under \
         `approximate`",
        datum::first_few(&all)
    ))
}

/// Names the observation that fits the approximate coordinates worst.
fn no_convergence(network: &Network, at: &[f64]) -> NetworkError {
    let mut worst = (0.0, String::new());
    for (index, (one, source)) in network.observations.iter().zip(&network.sources).enumerate() {
        let rows = control::Observation::rows(one, at).into_iter().enumerate();
        for (value, row) in rows.filter(|(value, _)| network.is_used(index, *value)) {
            // Between two points at one place there is no direction.
            let is_known = row.coefficients.iter().all(|(_, coefficient)| coefficient.is_finite());
            let off = (row.misclosure / one.covariance.sigma(value)).abs();
            let off = if is_known && off.is_finite() { off } else { f64::INFINITY };
            if off > worst.0 {
                let name = |point: usize| network.points[point].name.as_str();
                let origin = source.origin.as_ref().map(|origin| (origin.file.as_str(), origin.line));
                let (from, to) = (name(source.from), source.to.map(name));
                worst = (off, described(source.kinds[value], from, to, origin));
            }
        }
    }
    NetworkError::NoConvergence(format!(
        "the adjustment does not converge. The observation that fits the approximate coordinates worst: {}. Check it for a mistyped \
         number, a wrong name or unit, or give better coordinates under `approximate`",
        worst.1
    ))
}

/// Units of the results.
#[derive(Clone, Copy)]
struct Units<'a> {
    /// Metres in a unit of length.
    length: f64,
    file: &'a NetworkFile,
}

impl Units<'_> {
    fn is_angle(kind: &str) -> bool {
        matches!(kind, "direction" | "zenith")
    }

    /// What a residual, in metres or radians, is multiplied by.
    fn small(self, kind: &str) -> f64 {
        match Self::is_angle(kind) {
            true => self.file.angles.unwrap_or_default().small_per_radian(),
            false => 1.0 / self.length,
        }
    }

    /// The unit of residuals.
    fn symbol(self, kind: &str) -> &'static str {
        match Self::is_angle(kind) {
            true => self.file.angles.unwrap_or_default().small(),
            false => self.file.units.symbol(),
        }
    }

    /// An observed value.
    fn whole(self, kind: &str, value: f64) -> f64 {
        let angles = self.file.angles.unwrap_or_default();
        match kind {
            "direction" => angles.of_radians(value).rem_euclid(angles.circle()),
            "zenith" => angles.of_radians(value),
            _ => value / self.length,
        }
    }
}

fn results(
    loaded: &Loaded,
    network: &Network,
    solution: &Solution,
    suggestions: &[Suggestion],
) -> Adjustment {
    let file = &loaded.file;
    let units = Units { length: file.units.metres(), file };
    let angles = file.angles.unwrap_or_default();
    let sigmas = Sigmas::careful(solution);
    let places = places(network);
    let observations = observations(network, solution, suggestions, units);
    let withheld = observations.iter().filter(|row| !row.used).count();
    let tested = solution.tested();
    let suggested = suggestions.iter().map(|one| suggested(one, &observations, &places, units)).collect();
    Adjustment {
        title: file.title.clone(),
        units: file.units,
        angles,
        small_angles: angles.small(),
        scale_factor: file.scale_factor,
        refraction: file.refraction,
        points: points(network, solution, sigmas, units),
        orientations: orientations(network, solution, sigmas, units),
        used: observations.len() - withheld,
        withheld,
        observations,
        unknowns: solution.unknowns.len(),
        degrees_of_freedom: solution.degrees_of_freedom,
        weighted_square_sum: solution.square_sum,
        variance_factor: solution.variance_factor(),
        s0: solution.variance_factor().map(f64::sqrt),
        global_test: global_test(solution).map(|test| GlobalTestRow {
            statistic: test.statistic,
            lower: test.lower,
            upper: test.upper,
            level: GLOBAL_LEVEL,
            verdict: test.verdict,
        }),
        sigmas,
        sigma_factor: sigmas.factor(solution),
        ellipse_95: sigmas.enlargement(solution),
        blunder_test: BlunderTest {
            tested,
            critical_value: critical_value(tested),
            level: SINGLE_LEVEL,
            family_level: FAMILY_LEVEL,
            delta0: detectable(),
            power: POWER,
        },
        suggested,
        notes: network.notes.clone(),
    }
}

/// Where each value stands in the list of all.
fn places(network: &Network) -> Vec<usize> {
    let mut next = 0;
    let mut first = |count: usize| {
        next += count;
        next - count
    };
    network.sources.iter().map(|source| first(source.kinds.len())).collect()
}

fn points(network: &Network, solution: &Solution, sigmas: Sigmas, units: Units<'_>) -> Vec<PointRow> {
    let factor = sigmas.factor(solution);
    let enlargement = sigmas.enlargement(solution);
    let scaled = Sigmas::Scaled.factor(solution);
    let row = |point: &super::assemble::Point| {
        let value = |coordinate: Coordinate| {
            Some(coordinate.at(&solution.unknowns) / units.length).filter(|value| !value.is_nan())
        };
        let [easting, northing, elevation] = point.spot.map(value);
        // A priori, in units of length; 0 where the coordinate is held.
        let variance = |i: usize, j: usize| match (point.spot[i].unknown(), point.spot[j].unknown()) {
            (Some(i), Some(j)) => solution.covariance[(i, j)] / (units.length * units.length),
            _ => 0.0,
        };
        let sigma = |axis: usize, is_there: Option<f64>| is_there.map(|_| variance(axis, axis).sqrt());
        let (east, north) = (sigma(0, easting), sigma(1, northing));
        let horizontal = east.zip(north).map(|(east, north)| libm::hypot(east, north));
        let vertical = sigma(2, elevation);
        let times = |value: Option<f64>, factor: f64| value.map(|value| value * factor);
        let pair =
            |factor| SigmaPair { sigma_h: times(horizontal, factor), sigma_v: times(vertical, factor) };
        let ellipse = point.spot[0].unknown().map(|_| {
            let ellipse = Ellipse::of(variance(0, 0), variance(1, 1), variance(0, 1)).enlarged(factor);
            EllipseRow {
                semi_major: ellipse.semi_major,
                semi_minor: ellipse.semi_minor,
                azimuth: ellipse.azimuth.to_degrees(),
                semi_major_95: ellipse.semi_major * enlargement,
                semi_minor_95: ellipse.semi_minor * enlargement,
            }
        });
        PointRow {
            name: point.name.clone(),
            easting,
            northing,
            elevation,
            held: (0..3).filter(|&axis| point.held[axis]).map(|axis| super::rows::AXES[axis]).collect(),
            sigma_e: times(east, factor),
            sigma_n: times(north, factor),
            sigma_h: times(horizontal, factor),
            sigma_v: times(vertical, factor),
            covariance_en: easting.map(|_| variance(0, 1) * factor * factor),
            ellipse,
            a_priori: pair(1.0),
            scaled: pair(scaled),
        }
    };
    network.points.iter().map(row).collect()
}

fn orientations(
    network: &Network,
    solution: &Solution,
    sigmas: Sigmas,
    units: Units<'_>,
) -> Vec<OrientationRow> {
    let row = |(index, (station, set)): (usize, &(usize, String))| {
        let unknown = network.first_orientation + index;
        OrientationRow {
            station: network.points[*station].name.clone(),
            set: set.clone(),
            orientation: units.whole("direction", solution.unknowns[unknown]),
            sigma: solution.sigma(unknown) * sigmas.factor(solution) * units.small("direction"),
        }
    };
    network.sets.iter().enumerate().map(row).collect()
}

fn observations(
    network: &Network,
    solution: &Solution,
    suggestions: &[Suggestion],
    units: Units<'_>,
) -> Vec<ObservationRow> {
    let mut rows = Vec::new();
    for (observation, (one, source)) in network.observations.iter().zip(&network.sources).enumerate() {
        for (value, kind) in source.kinds.iter().enumerate() {
            let id = ValueId { observation, value };
            let checked: &CheckedValue = &solution.observations[observation].values[value];
            let observed = match &one.observed {
                Observed::Level { dh, .. } => *dh,
                Observed::Position { values, .. } => values[value].1,
                Observed::Direction { angle, .. } | Observed::Zenith { angle, .. } => *angle,
                Observed::Slope { distance, .. } | Observed::Horizontal { distance, .. } => *distance,
                Observed::Alone => f64::NAN,
            };
            let small = units.small(kind);
            let known = |value: f64| Some(value * small).filter(|value| !value.is_nan());
            let is_suspect = suggestions.iter().any(|one| one.value == id || one.or_else.contains(&id));
            rows.push(ObservationRow {
                kind,
                from: network.points[source.from].name.clone(),
                to: source.to.map(|to| network.points[to].name.clone()),
                set: source.set.clone(),
                file: source.origin.as_ref().map(|origin| origin.file.clone()),
                line: source.origin.as_ref().map(|origin| origin.line),
                observed: units.whole(kind, observed),
                adjusted: Some(units.whole(kind, observed + checked.residual))
                    .filter(|value| !value.is_nan()),
                residual: known(checked.residual),
                sigma: checked.sigma * small,
                redundancy: checked.redundancy,
                w: checked.standardised.filter(|w| !w.is_nan()),
                left_out: checked.left_out.and_then(known),
                detectable: checked.detectable.and_then(known),
                unit: units.symbol(kind),
                used: !checked.withheld,
                why: source
                    .origin
                    .as_ref()
                    .and_then(|origin| origin.why.clone())
                    .filter(|_| checked.withheld),
                verdict: match () {
                    () if checked.withheld => "withheld",
                    () if is_suspect => "suspect",
                    () if checked.standardised.is_none() => "unchecked",
                    () => "good",
                },
            });
        }
    }
    rows
}

fn suggested(one: &Suggestion, rows: &[ObservationRow], places: &[usize], units: Units<'_>) -> SuggestedRow {
    let place = |id: ValueId| places[id.observation] + id.value;
    let row = &rows[place(one.value)];
    let left_out = one.left_out * units.small(row.kind);
    let [before, after] = one.variance_factor;
    let factor = |value: Option<f64>| value.map_or("none".to_string(), |value| decimal(value, 2));
    let difference = match Units::is_angle(row.kind) {
        true => format!("{} {}", signed(left_out, 1), row.unit),
        false => signed_length(left_out, units.file.units),
    };
    let mut reason = format!(
        "w is {}, beyond ±{}; the other observations differ from it by {difference}; without it the variance factor goes from {} to {}.",
        decimal(one.standardised, 1),
        decimal(one.critical, 2),
        factor(before),
        factor(after)
    );
    if one.also_above > 0 {
        reason += &match one.also_above {
            1 => " One other value exceeded it too; it was tested again without this one.".to_string(),
            n => format!(" {n} other values exceeded it too; they were tested again without this one."),
        };
    }
    if !one.or_else.is_empty() {
        let others: Vec<String> = one.or_else.iter().map(|id| name(&rows[place(*id)])).collect();
        reason += &format!(
            " The observations do not tell it apart from {}: it may be any of them.",
            and_list(&others)
        );
    }
    SuggestedRow {
        observation: place(one.value),
        kind: row.kind,
        from: row.from.clone(),
        to: row.to.clone(),
        file: row.file.clone(),
        line: row.line,
        w: one.standardised,
        critical_value: one.critical,
        left_out,
        unit: row.unit,
        or_else: one.or_else.iter().map(|id| place(*id)).collect(),
        variance_factor_before: before,
        variance_factor_after: after,
        reason,
    }
}

/// An observed value in words: `level A to B (levels.csv line 3)`.
pub(crate) fn name(row: &ObservationRow) -> String {
    described(row.kind, &row.from, row.to.as_deref(), row.file.as_deref().zip(row.line))
}

fn described(kind: &str, from: &str, to: Option<&str>, place: Option<(&str, usize)>) -> String {
    let to = to.map_or(String::new(), |to| format!(" to {to}"));
    let place = place.map_or("`fixed`".to_string(), |(file, line)| format!("{file} line {line}"));
    format!("{kind} {from}{to} ({place})")
}

//! One point from known ones: by rays, by distances, or by its own directions to them.

use libm::{cos, hypot, sin, sqrt};

use crate::network::approximate::seen::Plan;

/// Sine of the flattest angle at which two rays still place a point.
const FLATTEST: f64 = 0.02;

/// Where two rays meet, each from a point at an azimuth; of several, the two that cross best.
pub(super) fn rays(rays: &[(Plan, f64)]) -> Option<Plan> {
    let mut best: Option<(f64, Plan)> = None;
    for (i, (a, first)) in rays.iter().enumerate() {
        for (b, second) in &rays[..i] {
            let cross = sin(second - first);
            if cross.abs() < FLATTEST.max(best.map_or(0.0, |(cross, _)| cross)) {
                continue;
            }
            let [east, north] = [b[0] - a[0], b[1] - a[1]];
            // Along the first ray until the second is met.
            let along = (sin(*second) * north - cos(*second) * east) / cross;
            best = Some((cross.abs(), [a[0] + along * sin(*first), a[1] + along * cos(*first)]));
        }
    }
    best.map(|(_, at)| at)
}

/// Where circles about known points meet: two of them at two places, of which a third decides.
pub(super) fn circles(circles: &[(Plan, f64)]) -> Option<Plan> {
    let mut best: Option<(f64, [Plan; 2], [usize; 2])> = None;
    for (i, (a, first)) in circles.iter().enumerate() {
        for (j, (b, second)) in circles[..i].iter().enumerate() {
            let [east, north] = [b[0] - a[0], b[1] - a[1]];
            let apart = hypot(east, north);
            if apart < 1e-3 {
                continue;
            }
            let along = (apart * apart + first * first - second * second) / (2.0 * apart);
            let aside = sqrt((first * first - along * along).max(0.0));
            // How well they cross: 1 at right angles.
            let quality = aside * apart / (first * second);
            if best.as_ref().is_some_and(|(other, ..)| *other >= quality) {
                continue;
            }
            let at = |side: f64| {
                [a[0] + (along * east - side * north) / apart, a[1] + (along * north + side * east) / apart]
            };
            best = Some((quality, [at(aside), at(-aside)], [i, j]));
        }
    }
    let (quality, places, used) = best?;
    let misfit = |at: &Plan| -> f64 {
        let others = circles.iter().enumerate().filter(|(i, _)| !used.contains(i));
        others.map(|(_, (centre, radius))| (hypot(at[0] - centre[0], at[1] - centre[1]) - radius).abs()).sum()
    };
    let [first, second] = [misfit(&places[0]), misfit(&places[1])];
    // Centres in one line leave both sides open.
    let is_clear = circles.len() > 2
        && (first - second).abs() > 0.01 * hypot(places[0][0] - places[1][0], places[0][1] - places[1][1]);
    (quality > FLATTEST && is_clear).then(|| if first < second { places[0] } else { places[1] })
}

/// Where one stands who sees three known points at these directions (resection).
pub(super) fn resection(seen: &[(Plan, f64)]) -> Option<Plan> {
    for (i, a) in seen.iter().enumerate() {
        for (j, b) in seen.iter().enumerate().skip(i + 1) {
            for c in &seen[j + 1..] {
                if let Some(at) = of_three([a, b, c]) {
                    return Some(at);
                }
            }
        }
    }
    None
}

/// By the two circles that see the sides ab and bc at the angles observed: both pass through b and the station.
fn of_three([a, b, c]: [&(Plan, f64); 3]) -> Option<Plan> {
    let centre = |from: &(Plan, f64), to: &(Plan, f64)| {
        let angle = to.1 - from.1;
        let [east, north] = [to.0[0] - from.0[0], to.0[1] - from.0[1]];
        let cotangent = cos(angle) / sin(angle);
        // From the middle of the chord to its right, where the station is that sees `from` left of `to`.
        (sin(angle).abs() > 1e-3).then(|| {
            [
                0.5 * (from.0[0] + to.0[0]) + 0.5 * north * cotangent,
                0.5 * (from.0[1] + to.0[1]) - 0.5 * east * cotangent,
            ]
        })
    };
    let (first, second) = (centre(a, b)?, centre(b, c)?);
    let [east, north] = [second[0] - first[0], second[1] - first[1]];
    let apart = hypot(east, north);
    let radius = hypot(b.0[0] - first[0], b.0[1] - first[1]);
    // Centres that nearly coincide: the danger circle.
    if apart < 0.02 * radius {
        return None;
    }
    // The station mirrors b in the line of the centres.
    let along = ((b.0[0] - first[0]) * east + (b.0[1] - first[1]) * north) / (apart * apart);
    let foot = [first[0] + along * east, first[1] + along * north];
    let at = [2.0 * foot[0] - b.0[0], 2.0 * foot[1] - b.0[1]];
    (hypot(at[0] - b.0[0], at[1] - b.0[1]) > 1e-3 * radius).then_some(at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use libm::atan2;

    const KNOWN: [Plan; 4] = [[0.0, 0.0], [100.0, 20.0], [40.0, 130.0], [-60.0, 50.0]];

    fn near(found: Option<Plan>, expected: Plan) {
        let found = found.unwrap();
        assert!(hypot(found[0] - expected[0], found[1] - expected[1]) < 1e-6, "{found:?} {expected:?}");
    }

    #[test]
    fn a_point_is_placed_from_known_ones_on_every_side() {
        for at in [[30.0, 40.0], [200.0, -50.0], [-100.0, 150.0], [10.0, -70.0]] {
            let azimuth = |from: Plan, to: Plan| atan2(to[0] - from[0], to[1] - from[1]);
            let seen: Vec<(Plan, f64)> = KNOWN.iter().map(|one| (*one, azimuth(*one, at))).collect();
            near(rays(&seen), at);
            let apart: Vec<(Plan, f64)> =
                KNOWN.iter().map(|one| (*one, hypot(at[0] - one[0], at[1] - one[1]))).collect();
            near(circles(&apart), at);
            for orientation in [0.0, 1.0, 4.0] {
                let own: Vec<(Plan, f64)> =
                    KNOWN[..3].iter().map(|one| (*one, azimuth(at, *one) - orientation)).collect();
                near(resection(&own), at);
            }
        }
    }

    #[test]
    fn what_is_not_clear_is_not_guessed() {
        assert_eq!(circles(&[(KNOWN[0], 60.0), (KNOWN[1], 70.0)]), None);
        // Three centres in a line: either side would do.
        let line: Vec<(Plan, f64)> =
            [0.0, 50.0, 90.0].map(|east| ([east, 0.0], hypot(30.0 - east, 40.0))).into();
        assert_eq!(circles(&line), None);
        assert_eq!(rays(&[(KNOWN[0], 1.0), (KNOWN[0], 1.001)]), None);
    }
}

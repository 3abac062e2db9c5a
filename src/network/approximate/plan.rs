//! Approximate positions in plan: each way of placing points in turn, until no more become known.

use libm::{atan2, cos, sin};

use crate::network::approximate::frame::{Frame, frames, join, moved};
use crate::network::approximate::intersect::{circles, rays, resection};
use crate::network::approximate::seen::{Plan, Seen};

/// Places all points that can be placed. Where nothing holds them, they are placed anywhere and said to be `assumed`.
pub(super) fn complete(seen: &Seen, plan: &mut [Option<Plan>], assumed: &mut Vec<usize>) {
    let mut frames = frames(seen);
    loop {
        let polar = polar(seen, plan);
        if polar | place_frames(&frames, plan) || single(seen, plan) {
            continue;
        }
        if join(&mut frames) {
            continue;
        }
        // Nothing more can be known: a frame that nothing holds is laid down as it is, or at its one known point.
        let Some(frame) = frames.iter().position(|frame| frame.keys().any(|point| plan[*point].is_none()))
        else {
            return;
        };
        let frame = frames.swap_remove(frame);
        let held = frame
            .iter()
            .find_map(|(point, at)| plan[*point].map(|there| [there[0] - at[0], there[1] - at[1]]));
        let [east, north] = held.unwrap_or([0.0, 0.0]);
        for (point, at) in frame {
            if plan[point].is_none() {
                plan[point] = Some([at[0] + east, at[1] + north]);
                assumed.push(point);
            }
        }
    }
}

/// The azimuth of the zero of a set, from its targets that are known.
pub(super) fn orientation(station: usize, directions: &[(usize, f64)], plan: &[Option<Plan>]) -> Option<f64> {
    let from = plan[station]?;
    let (mut east, mut north) = (0.0, 0.0);
    for (target, direction) in directions {
        if let Some(to) = plan[*target] {
            let azimuth = atan2(to[0] - from[0], to[1] - from[1]) - direction;
            (east, north) = (east + sin(azimuth), north + cos(azimuth));
        }
    }
    (east != 0.0 || north != 0.0).then(|| atan2(east, north))
}

/// Targets at a direction and distance from a station that is known and oriented.
fn polar(seen: &Seen, plan: &mut [Option<Plan>]) -> bool {
    let mut found = false;
    for (station, directions) in &seen.sets {
        let Some(orientation) = orientation(*station, directions, plan) else { continue };
        let from = plan[*station].expect("it is oriented");
        for (target, direction) in directions {
            if let (None, Some(distance)) = (plan[*target], seen.distance(*station, *target)) {
                let azimuth = orientation + direction;
                plan[*target] = Some([from[0] + distance * sin(azimuth), from[1] + distance * cos(azimuth)]);
                found = true;
            }
        }
    }
    found
}

/// Frames of which two points are known.
fn place_frames(frames: &[Frame], plan: &mut [Option<Plan>]) -> bool {
    let mut found = false;
    for frame in frames {
        if frame.keys().all(|point| plan[*point].is_some()) {
            continue;
        }
        let Some(placed) = moved(frame, &|point| plan[point]) else { continue };
        for (point, at) in placed {
            if plan[point].is_none() {
                plan[point] = Some(at);
                found = true;
            }
        }
    }
    found
}

/// One point more, from rays, distances or directions of its own.
fn single(seen: &Seen, plan: &mut [Option<Plan>]) -> bool {
    let oriented: Vec<Option<(Plan, f64)>> = seen
        .sets
        .iter()
        .map(|(station, directions)| Some((plan[*station]?, orientation(*station, directions, plan)?)))
        .collect();
    for point in 0..plan.len() {
        if plan[point].is_some() {
            continue;
        }
        let mut seen_from = Vec::new();
        let mut own: Option<Plan> = None;
        for ((station, directions), oriented) in seen.sets.iter().zip(&oriented) {
            if *station == point {
                let known: Vec<(Plan, f64)> = directions
                    .iter()
                    .filter_map(|(target, direction)| Some((plan[*target]?, *direction)))
                    .collect();
                own = own.or_else(|| resection(&known));
            } else if let Some((from, orientation)) = *oriented {
                let to_it = directions.iter().filter(|(target, _)| *target == point);
                seen_from.extend(to_it.map(|(_, direction)| (from, orientation + direction)));
            }
        }
        let apart: Vec<(Plan, f64)> = seen
            .distances
            .iter()
            .filter_map(|([a, b], distance)| match (*a == point, *b == point) {
                (true, _) => Some((plan[*b]?, *distance)),
                (_, true) => Some((plan[*a]?, *distance)),
                _ => None,
            })
            .collect();
        if let Some(at) = rays(&seen_from).or_else(|| circles(&apart)).or(own) {
            plan[point] = Some(at);
            return true;
        }
    }
    false
}

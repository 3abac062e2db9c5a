//! Frames: points placed relative to each other, by a station that saw them at directions and distances, and turned and shifted
//! onto others that share two of them.

use std::collections::BTreeMap;

use libm::{atan2, cos, hypot, sin};

use crate::network::approximate::seen::{Plan, Seen};

/// Points in a frame of their own.
pub(super) type Frame = BTreeMap<usize, Plan>;

/// The frames of all sets: the station at zero, and its targets with a direction and a distance.
pub(super) fn frames(seen: &Seen) -> Vec<Frame> {
    let mut all: Vec<Frame> = Vec::new();
    for (station, directions) in &seen.sets {
        let mut frame = Frame::from([(*station, [0.0, 0.0])]);
        for &(target, direction) in directions {
            if let Some(distance) = seen.distance(*station, target) {
                frame.insert(target, [distance * sin(direction), distance * cos(direction)]);
            }
        }
        if frame.len() > 1 {
            all.push(frame);
        }
    }
    all
}

/// Two points that both frames have, the farther apart the better.
fn shared(frame: &Frame, onto: &impl Fn(usize) -> Option<Plan>) -> Vec<(Plan, Plan)> {
    frame.iter().filter_map(|(point, at)| Some((*at, onto(*point)?))).collect()
}

/// The frame turned and shifted onto the points that `onto` knows; none where it knows fewer than two of them.
pub(super) fn moved(frame: &Frame, onto: &impl Fn(usize) -> Option<Plan>) -> Option<Frame> {
    let pairs = shared(frame, onto);
    if pairs.len() < 2 {
        return None;
    }
    let n = pairs.len() as f64;
    let centre = |of: fn(&(Plan, Plan)) -> Plan| {
        let sum = pairs.iter().map(of).fold([0.0; 2], |sum, at| [sum[0] + at[0], sum[1] + at[1]]);
        [sum[0] / n, sum[1] / n]
    };
    let (from, to) = (centre(|pair| pair.0), centre(|pair| pair.1));
    let (mut across, mut along) = (0.0, 0.0);
    for (a, b) in &pairs {
        let (a, b) = ([a[0] - from[0], a[1] - from[1]], [b[0] - to[0], b[1] - to[1]]);
        across += a[0] * b[1] - a[1] * b[0];
        along += a[0] * b[0] + a[1] * b[1];
    }
    if hypot(across, along) < 1e-6 {
        return None;
    }
    let turn = atan2(across, along);
    let (sine, cosine) = (sin(turn), cos(turn));
    let place = |at: &Plan| {
        let [x, y] = [at[0] - from[0], at[1] - from[1]];
        [cosine * x - sine * y + to[0], sine * x + cosine * y + to[1]]
    };
    Some(frame.iter().map(|(point, at)| (*point, place(at))).collect())
}

/// Joins two frames that share two points; whether there were any.
pub(super) fn join(frames: &mut Vec<Frame>) -> bool {
    for first in 0..frames.len() {
        for second in first + 1..frames.len() {
            let base = &frames[first];
            if let Some(moved) = moved(&frames[second], &|point| base.get(&point).copied()) {
                for (point, at) in moved {
                    frames[first].entry(point).or_insert(at);
                }
                frames.remove(second);
                return true;
            }
        }
    }
    false
}

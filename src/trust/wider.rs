//! Warnings of error that is shared over more than blocks: it rules the intervals, and a person can look for its cause.

use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::{decimal, distance};
use crate::stats::kinds::Kind;
use crate::trust::compass::compass_direction;
use crate::trust::findings::Findings;
use crate::units::Unit;

/// No intervals at all, or intervals that are much wider than those of independent blocks, and what is the cause.
pub fn wider_than_blocks(f: &Findings) -> Vec<Warning> {
    if let Some(reason) = f.rows.first().and_then(|all| all.interval_reason.as_ref()) {
        let text = format!("Confidence intervals {reason}. No limit can be met with confidence.");
        return vec![Warning { code: WarningCode::NoIntervals, text }];
    }
    let Some(wider) = f.wider else { return Vec::new() };
    let text = format!(
        "The confidence intervals are {} times as wide as independent blocks of {} would make them: {}.",
        decimal(wider.times, 1),
        f.correlation.block.map_or_else(String::new, |block| distance(block, f.units)),
        cause(wider.kind, f.units)
    );
    let code = match wider.kind {
        Some(Kind::Field(_)) => WarningCode::LongRange,
        Some(Kind::Stripes(_) | Kind::Strips) | None => WarningCode::WiderThanBlocks,
    };
    vec![Warning { code, text }]
}

/// What helps then.
pub const SPREAD: &str =
    "a reference spread over more of the site helps more than more points in the same area";

fn cause(kind: Option<Kind>, units: Unit) -> String {
    match kind {
        Some(Kind::Strips) => {
            "flight strips differ from each other, so that they count rather than points; check the strip \
                         adjustment, and measure reference in more strips"
                .to_string()
        }
        Some(Kind::Stripes(across)) => format!(
            "the residuals lie in stripes that run {} to {}, as trajectory errors do along track; measure reference over more \
             of the width across them",
            along(across)[0],
            along(across)[1]
        ),
        Some(Kind::Field(length)) => format!(
            "residuals are spatially correlated over about {}; {SPREAD}",
            // The exponential falls to 5 % at three times its length.
            distance(3.0 * units.from_micrometres(length), units)
        ),
        None => format!(
            "the reference covers too little of the site to exclude error that is shared over longer distances; {SPREAD}"
        ),
    }
}

/// The two compass directions in which stripes run, the northern or eastern one first, given that across them as east and north.
fn along([east, north]: [f64; 2]) -> [&'static str; 2] {
    let ends = [[-north, east], [north, -east]].map(compass_direction);
    match ends[0] {
        "north" | "north-east" | "east" | "south-east" => ends,
        _ => [ends[1], ends[0]],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stripes_run_at_a_right_angle_to_what_they_vary_along() {
        assert_eq!(along([1.0, 0.0])[0], "north");
        assert_eq!(along([0.0, 1.0])[0], "east");
        assert_eq!(along([0.7, -0.7]), ["north-east", "south-west"]);
        assert_eq!(along([0.7, 0.7])[0], "south-east");
    }
}

//! Reasons to doubt the registration of the scans.

use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::and_list_of;
use crate::results::registration::{PointResiduals, Registration};
use crate::trust::variance_test;

/// An angle without a target in it, degrees, from which on targets lie to one side.
const ONE_SIDED: f64 = 180.0;

/// Redundancy numbers below this: nine tenths of a blunder go into the poses unseen (this program's own choice).
pub const FEW: f64 = 0.1;

/// Suspected blunders that are named one by one.
const NAMED: usize = 3;
/// Unchecked targets that are named.
const UNCHECKED: usize = 6;

/// What a person should know before relying on the poses.
pub fn warnings(found: &Registration) -> Vec<Warning> {
    let mut all = Vec::new();
    let mut warn = |code: WarningCode, text: String| all.push(Warning { code, text });
    for one in found.suggested.iter().take(NAMED) {
        warn(
            WarningCode::SuspectedBlunder,
            format!(
                "Registration: {}. Nothing was left out: find out what happened, and `withhold` the point if it was measured wrongly.",
                one.reason
            ),
        );
    }
    if found.suggested.len() > NAMED {
        let more = found.suggested.len() - NAMED;
        warn(
            WarningCode::SuspectedBlunder,
            format!(
                "Registration: {more} more values look like blunders. So many are rarely blunders: look at the sigmas stated, and for names that stand for different points."
            ),
        );
    }
    let consequence = |times: f64| format!(". All its sigmas were multiplied by {times:.2}.");
    let test = found.variance_test.as_ref().zip(found.variance_factor);
    if let Some(text) = variance_test::text(test, "registration", "networks", &consequence) {
        warn(WarningCode::RegistrationTest, text);
    }
    if found.redundancy.degrees_of_freedom == 0 {
        warn(
            WarningCode::FewRedundancies,
            "The registration has no redundancy: targets and control just determine the poses, and nothing checks them. A wrong target \
             would not be noticed. Measure more targets."
                .to_string(),
        );
    } else {
        let rows = found.residuals.iter().filter(|row| row.components.iter().any(|one| one.redundancy < FEW));
        let in_setup =
            |row: &PointResiduals| format!("{} in {}", row.name, row.setup.as_deref().unwrap_or_default());
        let names: Vec<String> = rows.map(in_setup).collect();
        if !names.is_empty() {
            warn(
                WarningCode::FewRedundancies,
                format!(
                    "Targets that nothing checks, or hardly (redundancy under {FEW}): {}. A blunder there goes into the pose unseen.",
                    and_list_of(&names, UNCHECKED)
                ),
            );
        }
    }
    for setup in &found.setups {
        if let Some(gap) = setup.largest_gap.filter(|gap| *gap > ONE_SIDED) {
            warn(
                WarningCode::ControlOneSided,
                format!(
                    "The targets of setup {} do not surround its comparisons: seen from their middle, {gap:.0}° are without a target. The pose \
                     is extrapolated there.",
                    setup.setup
                ),
            );
        }
    }
    all
}

//! Where on the page a warning leads: the section whose figures it rests on.

use crate::results::confidence::WarningCode;

/// The name of a section's heading, and its title. Whether a page has the section depends on the run.
pub fn section(code: WarningCode) -> (&'static str, &'static str) {
    use WarningCode::*;
    match code {
        CutTail | LowOutliers => ("truncation", "Truncation correction"),
        Skew => ("histograms", "Residual histograms"),
        Bias | Tilt | ImplausibleBias => ("by-return", "By return"),
        ReferenceUncertaintyUnknown | ReferenceTooCoarse | FewCheckpoints => {
            ("standards", "Published standards")
        }
        RegistrationTest | SuspectedBlunder | FewRedundancies | SharedControl => {
            ("registration", "Registration of the scans")
        }
        FitTest | FitModel | FitExtrapolated | ControlOneSided => ("fit", "Fit of the survey to control"),
        PlanShift => ("plan-shift", "Agreement in plan"),
        StripsDiffer | StripOff | StripsDisagree | SetupOff | SetupsDisagree => {
            ("strips", "Strips and setups")
        }
        LongRange | FewBlocks | WiderThanBlocks | NoIntervals => ("intervals", "Confidence intervals"),
        NotRepresented => ("represented", "What the reference represents"),
        SlopeRefused => ("slopes", "Ground filter on slopes"),
        TooFewForFilter | Unclassified | NoiseAsLowVegetation => ("accounting", "Point accounting"),
        WideRadius | PlanesDoNotFollow => ("method", "Method"),
    }
}

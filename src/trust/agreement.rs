//! From the tallies of strips and setups to what the report says of them.

use std::collections::BTreeMap;

use crate::agreement::Strip;
use crate::agreement::cell::CellRule;
use crate::agreement::offsets::{FEWEST_CELLS, Offsets, PairFigures, adjust, pairs, tolerance};
use crate::agreement::tally::{Largest, Tally};
use crate::results::agreement::{Agreement, AgreementLimits, Disagreement, Member, MemberPair, label};
use crate::results::confidence::{Trust, Warning, WarningCode};
use crate::results::format::{and_list, capitalised, length};
use crate::standards::{SWATH_LARGEST, SWATH_RMS, SWATH_SMOOTHNESS};
use crate::trust::compliance::class_that_counts;
use crate::units::Unit;

/// What strips and setups are judged with.
pub struct Basis<'a> {
    /// How cells were judged.
    pub rule: CellRule,
    /// Names of the setups.
    pub names: &'a BTreeMap<u16, String>,
    /// Unit of the report.
    pub units: Unit,
    /// The survey's unit of easting and northing.
    pub horizontal: Unit,
    /// Which class counts.
    pub limits: Option<AgreementLimits>,
}

impl Basis<'_> {
    /// A length of the report.
    fn length(&self, um: f64) -> f64 {
        self.units.from_micrometres(um)
    }
}

/// The limits of the class that counts.
pub fn limits(trust: &Trust, units: Unit) -> Option<AgreementLimits> {
    let (class_cm, asked) = class_that_counts(&trust.accept, &trust.standards.groups, units)?;
    let class = units.from_micrometres(class_cm * 10_000.0);
    Some(AgreementLimits {
        class_cm,
        asked,
        rms: SWATH_RMS * class,
        largest: SWATH_LARGEST * class,
        smoothness: SWATH_SMOOTHNESS * class,
    })
}

/// One side: its members, its pairs, its tolerance and what disagrees.
struct Side {
    members: Option<Vec<Member>>,
    pairs: Vec<MemberPair>,
    tolerance: Option<f64>,
    disagree: Vec<Disagreement>,
}

/// How strips and setups agree; nothing where no cell tells anything.
pub fn agreement([survey, reference]: &[Tally; 2], basis: &Basis<'_>) -> Option<Agreement> {
    if survey.is_empty() && reference.is_empty() {
        return None;
    }
    let (strips, setups) = (side(survey, None, basis), side(reference, Some(basis.names), basis));
    Some(Agreement {
        cell: basis.length(basis.rule.cell),
        slope: basis.rule.slope,
        horizontal_units: basis.horizontal,
        limits: basis.limits,
        strips: strips.members,
        strip_pairs: strips.pairs,
        strip_tolerance: strips.tolerance,
        strips_disagree: strips.disagree,
        setups: setups.members,
        setup_pairs: setups.pairs,
        setup_tolerance: setups.tolerance,
        setups_disagree: setups.disagree,
    })
}

fn side(tally: &Tally, names: Option<&BTreeMap<u16, String>>, basis: &Basis<'_>) -> Side {
    let smoothness = tally.smoothness();
    let tolerance = tolerance(&smoothness);
    let pairs = pairs(tally);
    let adjusted = tolerance.map(|tolerance| adjust(&pairs, tolerance)).unwrap_or_default();
    Side {
        members: (!tally.is_empty()).then(|| members(tally, &smoothness, &adjusted, names, basis)),
        pairs: pairs.iter().map(|pair| pair_of(pair, basis)).collect(),
        tolerance: tolerance.filter(|_| !pairs.is_empty()).map(|um| basis.length(um)),
        disagree: adjusted
            .disagreeing
            .iter()
            .map(|(pair, difference)| Disagreement { pair: *pair, difference: basis.length(*difference) })
            .collect(),
    }
}

fn members(
    tally: &Tally,
    smoothness: &BTreeMap<Strip, (u64, f64)>,
    adjusted: &Offsets,
    names: Option<&BTreeMap<u16, String>>,
    basis: &Basis<'_>,
) -> Vec<Member> {
    let mut numbers: Vec<Strip> = smoothness.keys().copied().collect();
    numbers.extend(tally.blocks.keys().flat_map(|(pair, ..)| *pair));
    numbers.sort_unstable();
    numbers.dedup();
    let length = |um: f64| basis.length(um);
    let member = |number: Strip| {
        let (cells, scatter) = smoothness.get(&number).copied().unwrap_or_default();
        let scatter = (cells >= FEWEST_CELLS).then(|| length(scatter));
        let tied = adjusted.offsets.iter().find(|offset| offset.strip == number);
        Member {
            number,
            name: names.and_then(|names| names.get(&number).cloned()),
            cells,
            smoothness: scatter,
            smoothness_within: scatter
                .zip(basis.limits)
                .map(|(scatter, limits)| scatter <= limits.smoothness),
            group: tied.map(|tied| tied.group),
            offset: tied.map(|tied| length(tied.offset)),
            offset_ci95: tied
                .map(|tied| [tied.offset - tied.half_width, tied.offset + tied.half_width].map(length)),
            off: tied.and_then(|tied| tied.off),
        }
    };
    numbers.into_iter().map(member).collect()
}

fn pair_of(pair: &PairFigures, basis: &Basis<'_>) -> MemberPair {
    let length = |um: f64| basis.length(um);
    let middle = |Largest { cell: (row, column), .. }: Largest| {
        [column, row].map(|at| basis.horizontal.from_micrometres((at as f64 + 0.5) * basis.rule.cell))
    };
    let (rms, largest) = (length(pair.rms), pair.largest.map(|one| length(one.value as f64)));
    MemberPair {
        pair: pair.strips,
        cells: pair.cells,
        area_m2: pair.cells as f64 * (basis.rule.cell / 1e6).powi(2),
        bias: length(pair.bias),
        bias_ci95: pair.half_width.map(|half| [pair.bias - half, pair.bias + half].map(length)),
        rms,
        rms_noise: length(pair.noise),
        rms_within: basis.limits.map(|limits| rms <= limits.rms),
        largest,
        largest_at: pair.largest.map(middle),
        largest_within: largest.zip(basis.limits).map(|(largest, limits)| largest.abs() <= limits.largest),
    }
}

/// Strips and setups that are off, or that differ though none can be named.
pub fn warnings(agreement: &Agreement, units: Unit) -> Vec<Warning> {
    let strips = Words {
        one: "strip",
        codes: [WarningCode::StripOff, WarningCode::StripsDisagree],
        advice: "Check the strip adjustment.",
    };
    let setups = Words {
        one: "setup",
        codes: [WarningCode::SetupOff, WarningCode::SetupsDisagree],
        advice: "Check the registration of the setups: all that is compared with them carries the difference.",
    };
    let mut all =
        strips.warnings(agreement.strips.as_deref().unwrap_or_default(), &agreement.strips_disagree, units);
    all.extend(setups.warnings(
        agreement.setups.as_deref().unwrap_or_default(),
        &agreement.setups_disagree,
        units,
    ));
    all
}

/// How a side is spoken of.
struct Words {
    one: &'static str,
    codes: [WarningCode; 2],
    advice: &'static str,
}

impl Words {
    fn warnings(&self, members: &[Member], disagree: &[Disagreement], units: Unit) -> Vec<Warning> {
        let mut all = Vec::new();
        let Words { one, advice, codes: [off_code, disagree_code] } = *self;
        let off: Vec<String> = members
            .iter()
            .filter(|member| member.off == Some(true))
            .filter_map(|member| {
                let (offset, ends) = member.offset.zip(member.offset_ci95)?;
                let half = length((ends[1] - ends[0]) / 2.0, units);
                let side = if offset > 0.0 { "above" } else { "below" };
                let far = length(offset.abs(), units);
                Some(format!("{one} {} lies {far} (± {half}) {side}", member.label()))
            })
            .collect();
        if !off.is_empty() {
            let text = format!(
                "{} the level on which most of the {one}s that overlap agree, on open ground. {advice}",
                capitalised(&and_list(&off))
            );
            all.push(Warning { code: off_code, text });
        }
        for Disagreement { pair, difference } in disagree {
            let [low, high] = if *difference > 0.0 { *pair } else { [pair[1], pair[0]] };
            let tied = members.iter().find(|member| member.number == pair[0]).and_then(|member| member.group);
            let count =
                members.iter().filter(|member| member.group.is_some() && member.group == tied).count();
            let why = if count == 2 {
                "With two, the one at fault cannot be told."
            } else {
                "No majority agrees on one level, so that the one at fault cannot be told."
            };
            let text = format!(
                "{}s disagree: {} lies {} above {} on open ground where they overlap. {why} {advice}",
                capitalised(one),
                label(high, members),
                length(difference.abs(), units),
                label(low, members)
            );
            all.push(Warning { code: disagree_code, text });
        }
        all
    }
}

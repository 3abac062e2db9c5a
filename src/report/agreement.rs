//! Strips and setups: how they agree with each other, in sentences and tables.

use crate::report::row::{Cell, Row, cell, shown};
use crate::results::agreement::{Agreement, Member, MemberPair, label};
use crate::results::format::{
    ResidualFormat, UNDEFINED, and_list_of, capitalised, decimal, length, shortest, thousands,
};
use crate::results::summary::Summary;
use crate::units::Unit;

/// What the page says of strips, or of setups.
pub struct SideText {
    /// `Strips` or `Setups of the reference`.
    pub head: &'static str,
    /// `Strip` or `Setup`.
    pub one: &'static str,
    /// The result in a sentence.
    pub sentence: String,
    /// The unit of easting and northing.
    pub horizontal: &'static str,
    /// Each strip.
    pub members: Vec<Row>,
    /// Strips two by two.
    pub pairs: Vec<Row>,
    /// Members and pairs that the page has no room for.
    pub left: usize,
}

/// Strips, and setups where there are any.
pub fn sides(summary: &Summary) -> Vec<SideText> {
    let Some(agreement) = &summary.agreement else { return Vec::new() };
    let unit = summary.units;
    let all = [
        ("Strips", "Strip", &agreement.strips, &agreement.strip_pairs),
        ("Setups of the reference", "Setup", &agreement.setups, &agreement.setup_pairs),
    ];
    let texts = all.into_iter().filter_map(|(head, one, members, pairs)| {
        let members = members.as_ref()?;
        let (rows, members_left) = shown(members.iter().map(|member| member_row(member, unit)).collect());
        let (two_by_two, pairs_left) =
            shown(pairs.iter().map(|pair| pair_row(pair, members, unit)).collect());
        Some(SideText {
            left: members_left + pairs_left,
            head,
            one,
            sentence: side_sentence(&one.to_lowercase(), members, pairs, agreement, unit),
            horizontal: agreement.horizontal_units.symbol(),
            members: rows,
            pairs: two_by_two,
        })
    });
    texts.collect()
}

/// The same in sentences for the terminal: strips, then setups, where any overlap.
pub fn sentences(summary: &Summary) -> Vec<String> {
    let Some(agreement) = &summary.agreement else { return Vec::new() };
    let all = [
        ("strip", &agreement.strips, &agreement.strip_pairs),
        ("setup", &agreement.setups, &agreement.setup_pairs),
    ];
    let overlapping = all.into_iter().filter(|(.., pairs)| !pairs.is_empty());
    overlapping
        .filter_map(|(one, members, pairs)| {
            Some(side_sentence(one, members.as_ref()?, pairs, agreement, summary.units))
        })
        .collect()
}

fn side_sentence(
    one: &str,
    members: &[Member],
    pairs: &[MemberPair],
    agreement: &Agreement,
    unit: Unit,
) -> String {
    let Some(worst) = pairs.iter().max_by(|a, b| a.rms.total_cmp(&b.rms)) else {
        return match members {
            [only] if one == "strip" => format!(
                "All single returns on smooth, open ground have the point source ID {}: there are no strips to compare. If the flight \
                 had several, write the number of the flight line into the point source ID.",
                only.number
            ),
            _ => format!("No two {one}s share smooth, open ground."),
        } + &too_rough(one, members, agreement, unit);
    };
    let count = pairs.len();
    let cells: u64 = pairs.iter().map(|pair| pair.cells).sum();
    let of =
        |pair: &MemberPair| format!("{} and {}", label(pair.pair[0], members), label(pair.pair[1], members));
    let mut text = format!(
        "{} to {one}, {count} pair{} over {} cells of open ground: the RMS difference is {}{}, the largest of a cell {}",
        capitalised(one),
        if count == 1 { "" } else { "s" },
        thousands(cells),
        if count == 1 { String::new() } else { "at most ".to_string() } + &length(worst.rms, unit),
        if count == 1 { String::new() } else { format!(" ({})", of(worst)) },
        largest(pairs).map_or(UNDEFINED.to_string(), |value| length(value, unit)),
    );
    if let Some(limits) = agreement.limits {
        let within = pairs.iter().all(|pair| pair.rms_within == Some(true));
        text += &format!(
            "; the {}-cm class, which {}, allows {}: {}",
            number(limits.class_cm),
            if limits.asked { "is asked for" } else { "open ground meets" },
            length(limits.rms, unit),
            if within { "within" } else { "exceeded" }
        );
    }
    text + "." + &too_rough(one, members, agreement, unit)
}

/// A class with as many decimals as it has, three at the most.
fn number(value: f64) -> String {
    shortest(value, 3)
}

/// Which members are rougher than the limit, as a sentence after others.
fn too_rough(one: &str, members: &[Member], agreement: &Agreement, unit: Unit) -> String {
    let rough = members.iter().filter(|member| member.smoothness_within == Some(false));
    let rough: Vec<String> = rough.map(Member::label).collect();
    let (Some(limits), false) = (agreement.limits, rough.is_empty()) else { return String::new() };
    format!(
        " The smoothness of {one}{} {} exceeds the limit of {}.",
        if rough.len() == 1 { "" } else { "s" },
        and_list_of(&rough, NAMED),
        length(limits.smoothness, unit)
    )
}

/// Strips and setups that a sentence names: the others are in the table.
const NAMED: usize = 5;

fn verdict(within: Option<bool>) -> &'static str {
    match within {
        Some(true) => "within",
        Some(false) => "exceeded",
        None => UNDEFINED,
    }
}

fn largest(pairs: &[MemberPair]) -> Option<f64> {
    pairs.iter().filter_map(|pair| pair.largest).map(f64::abs).reduce(f64::max)
}

fn member_row(member: &Member, unit: Unit) -> Row {
    let format = ResidualFormat::of(unit);
    let off = match (member.off, member.offset) {
        (Some(true), _) => "off",
        (Some(false), _) => "agrees",
        (None, Some(_)) => "cannot be told",
        (None, None) => "no overlap",
    };
    let words = |text: String| Cell { first: true, ..cell(text, true) };
    Row {
        name: member.label(),
        cells: vec![
            cell(thousands(member.cells), true),
            cell(format.length(member.smoothness), false),
            cell(verdict(member.smoothness_within).to_string(), false),
            cell(format.signed(member.offset), true),
            cell(format.signed_interval(member.offset_ci95), false),
            words(off.to_string()),
        ],
    }
}

fn pair_row(pair: &MemberPair, members: &[Member], unit: Unit) -> Row {
    let format = ResidualFormat::of(unit);
    let place = pair
        .largest_at
        .map_or(UNDEFINED.to_string(), |[x, y]| format!("{}, {}", decimal(x, 1), decimal(y, 1)));
    Row {
        name: format!("{} and {}", label(pair.pair[0], members), label(pair.pair[1], members)),
        cells: vec![
            cell(thousands(pair.cells), true),
            cell(format.signed(Some(pair.bias)), true),
            cell(format.signed_interval(pair.bias_ci95), false),
            cell(format.length(Some(pair.rms)), true),
            cell(format.length(Some(pair.rms_noise)), false),
            cell(verdict(pair.rms_within).to_string(), false),
            cell(format.signed(pair.largest), true),
            cell(verdict(pair.largest_within).to_string(), false),
            cell(place, true),
        ],
    }
}

/// What the limits are, and how the figures came about.
pub fn note(summary: &Summary) -> Option<String> {
    let agreement = summary.agreement.as_ref()?;
    let unit = summary.units;
    let mut text = format!(
        "Ground points of single returns, in cells of {} {} of open ground no steeper than {} % and no rougher than 100 mm. One plane is \
         fitted to each cell, with a level for each strip: the difference of two levels is free of the slope. RMS: root mean square of \
         these differences; “noise” is what of it the scatter of the points alone makes. Offset: by adjustment of all pairs, from the \
         level on which more than half of the strips that overlap agree",
        decimal(agreement.cell, 2),
        unit.symbol(),
        decimal(agreement.slope * 100.0, 0)
    );
    let tolerances: Vec<String> =
        [("strip", agreement.strip_tolerance), ("setup", agreement.setup_tolerance)]
            .into_iter()
            .filter_map(|(one, tolerance)| Some(format!("a {one} {}", length(tolerance?, unit))))
            .collect();
    text += &format!(
        "; off is what exceeds a third of the median smoothness, 3 mm at least ({}), or twice that where only so a majority agrees, and \
         its interval at 95 % for all strips together, which is wider than the one shown. Smoothness: SD of points about their plane \
         that the smoothest quarter of the cells does not exceed, taken for hard surface.",
        if tolerances.is_empty() { UNDEFINED.to_string() } else { tolerances.join(", ") }
    );
    if let Some(limits) = agreement.limits {
        text += &format!(
            " Limits of the {}-cm class ({}): RMS {}, largest {}, smoothness {} (ASPRS Edition 2, section 7.4, read through a secondary text).",
            number(limits.class_cm),
            if limits.asked { "asked for" } else { "met by open ground" },
            length(limits.rms, unit),
            length(limits.largest, unit),
            length(limits.smoothness, unit)
        );
    }
    Some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn strips_and_setups_are_told_two_by_two_and_one_by_one() {
        let summary = sample::decided().0;
        let all = sides(&summary);
        assert_eq!(
            all.iter().map(|side| side.head).collect::<Vec<_>>(),
            ["Strips", "Setups of the reference"]
        );
        assert_eq!(
            sentences(&summary),
            [
                "Strip to strip, 2 pairs over 2,408 cells of open ground: the RMS difference is at most 30.4 mm (101 and 102), the \
                 largest of a cell 47.5 mm; the 2.5-cm class, which open ground meets, allows 20.0 mm: exceeded. The smoothness of \
                 strips 101, 102, 103 and 104 exceeds the limit of 15.0 mm.",
                "Setup to setup, 1 pair over 1,204 cells of open ground: the RMS difference is 11.0 mm, the largest of a cell 16.0 mm; \
                 the 2.5-cm class, which open ground meets, allows 20.0 mm: within. The smoothness of setups S1 <north> and S2 <north> \
                 exceeds the limit of 15.0 mm.",
            ]
        );
        let texts = |row: &Row| row.cells.iter().map(|cell| cell.text.clone()).collect::<Vec<_>>();
        assert_eq!(
            texts(&all[0].members[1]),
            ["4,321", "18.0", "exceeded", "+30.1", "+28.9 to +31.3", "off"]
        );
        assert_eq!(texts(&all[0].members[3]), ["4,321", "18.0", "exceeded", "–", "–", "no overlap"]);
        assert_eq!(texts(&all[1].members[0])[5], "cannot be told");
        assert_eq!(all[1].pairs[0].name, "S1 <north> and S2 <north>");
        assert!(note(&summary).unwrap().contains("(a strip 5.8 mm, a setup 3.0 mm)"));
    }

    #[test]
    fn classes_and_smoothness_are_said_as_they_are() {
        assert_eq!([1.0, 1.25, 2.5, 10.0, 3.048].map(number), ["1", "1.25", "2.5", "10", "3.048"]);
        let mut summary = sample::decided().0;
        let agreement = summary.agreement.as_mut().unwrap();
        for member in agreement.strips.iter_mut().flatten() {
            member.smoothness_within = Some(member.number != 103);
        }
        agreement.setups.iter_mut().flatten().for_each(|member| member.smoothness_within = None);
        let sentences = sentences(&summary);
        assert!(
            sentences[0].ends_with(" The smoothness of strip 103 exceeds the limit of 15.0 mm."),
            "{}",
            sentences[0]
        );
        assert!(!sentences[1].contains("smoothness"), "{}", sentences[1]);
    }

    #[test]
    fn a_single_strip_is_said_to_be_one() {
        let mut summary = sample::decided().0;
        let agreement = summary.agreement.as_mut().unwrap();
        agreement.strips.as_mut().unwrap().truncate(1);
        agreement.strip_pairs.clear();
        (agreement.setups, agreement.setup_pairs) = (None, Vec::new());
        let all = sides(&summary);
        assert!(all.len() == 1 && all[0].sentence.contains("there are no strips to compare"));
        assert!(sentences(&summary).is_empty());
        summary.agreement = None;
        assert!(sides(&summary).is_empty() && note(&summary).is_none());
    }
}

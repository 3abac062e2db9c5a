//! The page as a whole: with all its pictures, and of the largest runs.

use crate::report::html::page;
use crate::results::confidence::GroupRow;
use crate::results::group_key::{GroupKey, Property};
use crate::results::pictures::{ComparedFile, Echo};
use crate::results::sample::{self, Sample};
use crate::results::sample_pictures::mapped;
use crate::results::statistics::Statistics;
use crate::results::summary::ExcludedArea;
use crate::tile::strata::Cover;
use crate::units::Unit;

/// The figures of a group with so many comparisons.
fn group_of(all: &Statistics, compared: u64) -> Statistics {
    Statistics { compared, bias_ci95: Some([-0.01, 0.01]), ..all.clone() }
}

/// More of everything than any page has room for.
pub(super) fn big() -> Sample {
    let (mut summary, mut pictures) = mapped(77);
    let fifteen = sample::fifteen_returns();
    summary.returns = fifteen.0.returns;
    pictures.histogram = fifteen.1.histogram;
    let map = pictures.map.as_mut().unwrap();
    for (i, cell) in map.cells.iter_mut().enumerate() {
        let dz = |number: u8| 0.1 * (((i * 31 + usize::from(number) * 17) % 97) as f64 / 97.0 - 0.5);
        cell.returns = (1..=15).map(|number| (number, 123_456, dz(number))).collect();
    }
    let relief = pictures.relief.as_mut().unwrap();
    (relief.columns, relief.rows) = (300, 200);
    // As rough as no ground is, so that nothing can be packed.
    let rough = |at: u64| Some((at.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 44) as f64);
    relief.heights = (0..60_000).map(rough).collect();
    relief.reference = (0..60_000).map(|at| at % 7 < 2).collect();
    for profile in &mut pictures.profiles {
        let echo = |i: i64| Echo {
            return_number: 1 + (i % 15) as u8,
            is_ground: i % 2 == 0,
            along: i * 24_000,
            z: i * 1_000,
        };
        profile.echoes = (0..800).map(echo).collect();
    }
    let strips = (0..400).map(|strip| (strip, (0..20).map(|i| (i64::from(strip), 2 * i)).collect()));
    pictures.strips.1 = strips.collect();
    let ring = |area: i64| (0..1_000).map(|i| (area * 77_001 + i * i % 9_999_999, i * 100_003)).collect();
    pictures.left_out = (0..300).map(|area| (format!("area {area}"), vec![ring(area)])).collect();
    let area = |i: u64| ExcludedArea {
        area: format!("areas/{i}.geojson"),
        why: "a building".into(),
        survey: i,
        reference: i,
    };
    summary.excluded = (0..300).map(area).collect();
    pictures.files =
        (0..2_000).map(|i| ComparedFile { name: format!("{i}.laz"), ..pictures.files[0].clone() }).collect();
    summary.trust.groups = (0..4_000u16)
        .map(|strip| GroupRow {
            by: GroupKey::new([Property::Strip(Some(strip)), Property::Cover(Some(Cover::Canopy))]),
            statistics: group_of(&summary.all, u64::from(strip) / 40),
        })
        .collect();
    (summary, pictures)
}

#[test]
fn the_largest_page_has_less_than_three_megabytes() {
    let (summary, pictures) = big();
    let text = page(&summary, &pictures);
    assert!(text.len() < 3_000_000, "{}", text.len());
    // What it has no room for is counted.
    assert!(text.contains("more groups stand in summary.json") && text.contains("more files are listed"));
    assert!(text.contains("Of 400 strips the first 24 can be shown"));
}

#[test]
fn groups_with_few_comparisons_are_folded_away_with_their_number() {
    let (mut summary, pictures) = mapped(20);
    let group = |cover, compared| GroupRow {
        by: GroupKey::new([Property::Cover(Some(cover))]),
        statistics: group_of(&summary.all, compared),
    };
    summary.trust.groups = vec![group(Cover::Open, 29), group(Cover::Canopy, 30)];
    let text = page(&summary, &pictures);
    let (before, folded) = text.split_once("groups with fewer than 30 comparisons</summary>").unwrap();
    let folded = folded.split("</details>").next().unwrap();
    let row = |text: &str, name: &str| text.contains(&format!("<th scope=\"row\">{name}"));
    assert!(before.ends_with("<summary>1 "), "{}", &before[before.len() - 40..]);
    assert!(row(folded, "open ground") && !row(folded, "under canopy"));
}

#[test]
fn the_page_with_all_its_pictures_asks_for_nothing_and_says_what_they_show() {
    let (summary, pictures) = mapped(40);
    let text = page(&summary, &pictures);
    for outside in ["src=", "url(", "@import", "href=\"http", "fetch(", "XMLHttpRequest"] {
        assert!(!text.contains(outside), "{outside}");
    }
    let inside = ["href=\"data:image/png;base64,", "href=\"#"].map(|link| text.matches(link).count());
    assert_eq!(text.matches("href=").count(), inside.iter().sum::<usize>());
    // Text of files does not become markup.
    assert!(text.contains("left out: a shed &amp; its &lt;yard&gt;") && !text.contains("<yard>"));
    for layer in ["map-ground", "map-cells", "map-reference", "map-left-out", "map-strips"] {
        assert!(
            text.contains(&format!("id=\"{layer}\"")) && text.contains(&format!("value=\"{layer}\"")),
            "{layer}"
        );
    }
    assert_eq!(text.matches("id=\"profile-").count(), 2 * pictures.profiles.len());
    assert!(text.contains("measured 2026-10-14"), "the day of the flight");
    assert_eq!(text, page(&summary, &pictures));
    // In feet the same site has its figures in feet.
    let mut feet = pictures;
    feet.horizontal = Unit::UsSurveyFoot;
    assert!(page(&summary, &feet).contains("distance from the western end, ftUS"));
}

//! No two sentences of a result may contradict each other, whatever the study found.

use serde_json::{Value, json};

use crate::report::{decision, html, sentences, text};
use crate::results::sample;
use crate::results::statistics::Order;
use crate::results::summary::Summary;
use crate::stages::compared::Compared;
use crate::stats::simulated::Normal;
use crate::tile::strata::Cover;
use crate::trust::test_site::{pipeline, site, study};

/// Words that do not go together, in sentences and on the page.
const CONTRARY: [(&str, &str); 12] = [
    ("no spatial correlation detected", "n_eff ="),
    ("no spatial correlation detected", "are spatially correlated"),
    ("Raise dh_initial", "smaller dh_initial or"),
    ("also at the upper 95 % limit", "supports a claim for"),
    ("also at the upper 95 % limit", "does not support a claim"),
    ("also at the upper 95 % limit", "nothing is said at 95 % confidence"),
    ("Confidence intervals cannot be told", "confidence intervals are approximate"),
    ("Confidence intervals cannot be told", "also at the upper 95 % limit"),
    ("Confidence intervals cannot be told", "The confidence intervals allow for that"),
    ("nothing has been subtracted.", "offset of the reference removed"),
    ("2 is worse than the first return", "2 cannot be distinguished from the first return"),
    ("2 is worse than the first return", "eturn 2 and return 1 share no"),
];

/// All that a result says: the printed result, and the page without its markup.
fn said(summary: &Summary) -> String {
    let page = html::page(summary, &sample::five_returns(summary.units).1);
    let mut inside = false;
    let words = page.chars().filter(|c| {
        inside = (inside || *c == '<') && *c != '>';
        !inside && *c != '>'
    });
    let all = format!("{} {}", text::result_text(summary), words.collect::<String>());
    all.replace('`', "").split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The result of a study of made comparisons.
fn studied(all: Vec<Compared>, changes: Value) -> Summary {
    let pipeline = pipeline(changes);
    let studied = study(all, &pipeline);
    let mut summary = sample::five_returns(crate::units::Unit::Metre).0;
    summary.reference_uncertainty =
        pipeline.reference.and_then(|r| r.uncertainty).map(|u| u.total_um() / 1e6);
    (summary.returns, summary.all, summary.trust) = (studied.returns, studied.all, studied.trust);
    summary
}

fn grass(all: Vec<Compared>) -> Vec<Compared> {
    let mut normal = Normal::new(2);
    let mut high = || if normal.uniform() < 0.3 { 30_000 + normal.below(90_000) as i64 } else { 0 };
    all.into_iter().map(|one| Compared { dz: one.dz + high(), ..one }).collect()
}

fn limited(all: Vec<Compared>, limit: i64) -> Vec<Compared> {
    let below = all.into_iter().filter(|one| one.dz <= limit);
    below.map(|one| Compared { headroom: Compared::headroom(one.dz, Some(limit)), ..one }).collect()
}

/// Squares of 20 m share an error.
fn correlated(all: Vec<Compared>) -> Vec<Compared> {
    let mut normal = Normal::new(3);
    let shared: Vec<i64> = (0..50).map(|_| (15_000.0 * normal.next()) as i64).collect();
    let of = |one: &Compared| shared[(one.x / 20_000_000 + 10 * (one.y / 20_000_000)) as usize];
    all.into_iter().map(|one| Compared { dz: one.dz + of(&one), ..one }).collect()
}

/// Each return on a cover of its own.
fn apart(all: Vec<Compared>) -> Vec<Compared> {
    all.into_iter()
        .filter(|one| (one.strata.return_number == 1) == (one.strata.cover == Some(Cover::Open)))
        .collect()
}

fn made() -> Vec<(&'static str, Summary)> {
    let reference = |more: Value| {
        let mut reference = json!({"files": ["reference.laz"]});
        for (key, value) in more.as_object().unwrap() {
            reference[key] = value.clone();
        }
        json!({ "reference": reference })
    };
    let snow = json!({"value": "40 mm", "sigma": "5 mm", "why": "snow"});
    let mut all = vec![
        ("sound", studied(site(), json!({}))),
        ("grass", studied(grass(site()), json!({}))),
        ("truncated", studied(limited(site(), 60_000), json!({}))),
        ("truncated grass", studied(limited(grass(site()), 100_000), json!({}))),
        ("correlated", studied(correlated(site()), json!({}))),
        ("apart", studied(apart(site()), json!({}))),
        ("few", studied(site().into_iter().take(25).collect(), json!({}))),
        ("some", studied(site().into_iter().take(50).collect(), json!({}))),
        (
            "one place",
            studied(
                site().into_iter().filter(|one| one.x < 6_000_000 && one.y < 6_000_000).collect(),
                json!({}),
            ),
        ),
        (
            "one corner",
            studied(
                site().into_iter().filter(|one| one.x < 30_000_000 && one.y < 20_000_000).collect(),
                json!({}),
            ),
        ),
        ("coarse reference", studied(site(), reference(json!({"uncertainty": "30 mm"})))),
        ("hopeless reference", studied(site(), reference(json!({"uncertainty": "2 m"})))),
        ("snow", studied(site(), reference(json!({"uncertainty": "5 mm", "offset": snow})))),
    ];
    let mut level = sample::decided().0;
    let against = level.returns[1].statistics.vs_first.as_mut().unwrap();
    (against.spread_verdict, against.bias_verdict) = (Order::Undecided, Order::Undecided);
    all.push(("level", level));
    for range in [None, Some(8.0)] {
        for n_effective in [None, Some(500.0), Some(12_000.0)] {
            let mut summary = sample::decided().0;
            summary.trust.correlation.range = range;
            summary.trust.correlation.block = Some(10.0);
            summary.all.n_effective = n_effective;
            all.push(("made up", summary));
        }
    }
    all
}

#[test]
fn no_two_sentences_contradict_each_other() {
    for (name, summary) in made() {
        let said = said(&summary);
        for (one, other) in CONTRARY {
            assert!(!(said.contains(one) && said.contains(other)), "{name}: “{one}” and “{other}” in {said}");
        }
    }
}

#[test]
fn the_words_that_are_looked_for_are_still_those_of_the_result() {
    // A test that looks for words that nobody says cannot fail.
    let all: Vec<String> = made().iter().map(|(_, summary)| said(summary)).collect();
    let known = |words: &str| all.iter().any(|said| said.contains(words));
    for (one, other) in CONTRARY {
        assert!(known(one), "{one}");
        assert!(known(other), "{other}");
    }
    let figures = made()
        .into_iter()
        .map(|(_, summary)| [decision::sentences(&summary), sentences::cautions(&summary)].concat().len());
    assert!(figures.min() > Some(2));
}

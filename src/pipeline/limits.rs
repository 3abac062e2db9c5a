//! Checks of the limits under `accept:`: their values, and whether the results will have the groups that they name.

use crate::cloud::point::MAX_RETURN;
use crate::pipeline::accept::AcceptLimits;
use crate::pipeline::locate::Seg;
use crate::pipeline::model::Pipeline;
use crate::pipeline::option_check::OptionCheck;
use crate::pipeline::parse::Entry;
use crate::pipeline::problem::Notes;
use crate::stages::summarise::Summarise;
use crate::tile::strata::{By, class_name};

/// Notes every limit that is wrong.
pub(super) fn check(pipeline: &Pipeline, entries: &[Entry], notes: &mut Notes) {
    let summarise = entries.iter().find_map(|entry| entry.stage.as_summarise()).cloned().unwrap_or_default();
    for (i, limits) in pipeline.accept.iter().enumerate() {
        let path: [Seg; 2] = ["accept".into(), i.into()];
        let mut check = OptionCheck { path: &path, notes };
        for (key, length) in
            [("rmse", limits.rmse), ("bias", limits.bias), ("sd", limits.sd), ("class", limits.class)]
        {
            if let Some(length) = length {
                check.positive(key, length);
            }
        }
        for (key, share) in [("share", limits.share), ("coverage", limits.coverage)] {
            if let Some(share) = share.filter(|share| !(0.0..=1.0).contains(share)) {
                check.wrong(key, &format!("is `{share}`"), "expected a share from 0 to 1", None);
            }
        }
        if limits.count() == 0 && !check.notes.known(&path) {
            let help = "for example `- {group: {return: 1}, rmse: 5 cm}`".to_string();
            let message = "an entry of `accept` sets no limit".to_string();
            let label = "expected `rmse`, `bias`, `sd`, `class`, `share` or `coverage`".to_string();
            notes.value(&path, message, label, Some(help));
        }
        group(limits, &summarise, &path, notes);
    }
}

/// Notes a group that the results will not have.
fn group(limits: &AcceptLimits, summarise: &Summarise, path: &[Seg], notes: &mut Notes) {
    let group = &limits.group;
    let mut check = OptionCheck { path: &[path, &["group".into()]].concat(), notes };
    if let Some(number) = group.return_number.filter(|number| !(1..=MAX_RETURN as u8).contains(number)) {
        check.wrong("return", &format!("is `{number}`"), "expected a return number from 1 to 15", None);
    }
    for (key, name, breaks) in [
        ("slope", &group.slope, &summarise.slope_breaks),
        ("scan_angle", &group.scan_angle, &summarise.scan_angle_breaks),
    ] {
        let names: Vec<String> = (0..=breaks.len() as u8).map(|class| class_name(class, breaks)).collect();
        if let Some(name) = name.as_ref().filter(|name| !names.contains(name)) {
            let names: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
            check.wrong(key, &format!("is `{name}`"), &format!("expected one of {}", names.join(", ")), None);
        }
    }
    let by = group.by();
    let key = "group";
    let mut check = OptionCheck { path, notes };
    if limits.coverage.is_some() && by.iter().any(|by| *by != By::Return) {
        let help = Some("leave `group` out, or write `group: {return: 2}` for returns 1 and 2");
        check.wrong(key, "does not fit `coverage`", "coverage is counted by return only", help);
    } else if !in_results(&by, &summarise.by) {
        let names = |by: &[By]| by.iter().map(|by| format!("`{}`", by.word())).collect::<Vec<_>>().join(", ");
        let why = format!("names {}, which the results are not grouped by", names(&by));
        let label = format!("`summarise` groups by {}", names(&summarise.by));
        check.wrong(key, &why, &label, Some("list the same properties under `by` of `summarise`"));
    }
}

/// Whether the results have a group by these properties: all together, each return, open ground, low vegetation and canopy where
/// `summarise` groups by cover, and whatever it crosses.
fn in_results(by: &[By], crossed: &[By]) -> bool {
    let same = by.len() == crossed.len() && by.iter().all(|by| crossed.contains(by));
    same || matches!(by, [] | [By::Return]) || (by == [By::Cover] && crossed.contains(&By::Cover))
}

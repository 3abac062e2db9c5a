//! Whether the stages are complete, each once, in the order of work.

use crate::pipeline::locate::Seg;
use crate::pipeline::parse::Entry;
use crate::pipeline::problem::Notes;
use crate::stages::export::Dimension;
use crate::stages::ground::Ground;
use crate::stages::list::Stage;
use crate::stages::method::Method;
use crate::stages::stage::CloudChoice;
use crate::stages::terrain::TerrainMethod;
use crate::tile::points::{Cloud, GroundFrom};

const ORDER: &str = "the order of work: `read`, then `select` and `ground`, `checkpoints`, `compare`, `summarise`, `terrain`, `export`";

/// Notes what is wrong with the list of stages as a whole. With `gaps` an entry could not be read, and missing stages
/// are not reported.
pub(super) fn check(entries: &[Entry], reference: ReferenceKind, gaps: bool, notes: &mut Notes) {
    let once = repeated(entries, notes);
    misplaced(&once, notes);
    if !gaps {
        missing(entries, reference, notes);
    }
    compared_twice(entries, notes);
    for entry in entries {
        without_ground_class(entry, entries, notes);
        nothing_classified(entry, entries, notes);
        nothing_but_checkpoints(entry, entries, reference, notes);
    }
    if reference == ReferenceKind::List {
        for entry in entries {
            for_a_list(entry, notes);
        }
    }
}

/// Settings of the ground filter are compared by one stage.
fn compared_twice(entries: &[Entry], notes: &mut Notes) {
    let asks = |entry: &&Entry| entry.stage.as_ground().is_some_and(|ground| !ground.compare.is_empty());
    for entry in entries.iter().filter(asks).skip(1) {
        let path = [&entry.path[..], &["compare".into()]].concat();
        if !notes.known(&path) {
            notes.value(
                &path,
                "two `ground` stages compare settings".to_string(),
                "expected in one of them".to_string(),
                Some(
                    "remove it here, and compare the settings of this cloud in a run of their own"
                        .to_string(),
                ),
            );
        }
    }
}

/// What the pipeline file names as the reference.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ReferenceKind {
    /// Nothing.
    None,
    /// Point files.
    Cloud,
    /// A list of surveyed points.
    List,
}

/// Stages that do not fit a list of surveyed points.
fn for_a_list(entry: &Entry, notes: &mut Notes) {
    match &entry.stage {
        Stage::Checkpoints(_) => {
            let message =
                "stage `checkpoints` draws from a cloud, but the reference is a list of surveyed points"
                    .to_string();
            let help = "remove the stage: every point of the list is a checkpoint".to_string();
            point(entry, message, "nothing to draw from".to_string(), Some(help), notes);
        }
        Stage::Compare(compare) if !matches!(compare.method(), Method::Auto | Method::Triangulated) => {
            let message = "a list of surveyed points is compared by triangulation only".to_string();
            let help = "write `compare: {match: triangulated}`".to_string();
            point(entry, message, "expected `match: triangulated`".to_string(), Some(help), notes);
        }
        _ => {}
    }
}

/// A `select` stage that leaves out all that a `ground` stage takes as delivered.
fn without_ground_class(entry: &Entry, entries: &[Entry], notes: &mut Notes) {
    let Stage::Select(select) = &entry.stage else { return };
    let of_cloud = |ground: &Ground| ground.cloud.clouds().any(|cloud| select.cloud.includes(cloud));
    let delivered = entries.iter().filter_map(|entry| entry.stage.as_ground());
    let mut delivered = delivered.filter(|ground| ground.from == GroundFrom::Classes && of_cloud(ground));
    let leaves_out =
        select.classes.as_ref().is_some_and(|classes| !classes.is_empty() && !classes.contains(&2));
    let path = [&entry.path[..], &["classes".into()]].concat();
    if leaves_out && delivered.next().is_some() && !notes.known(&path) {
        notes.value(
            &path,
            "`classes` of `select` leaves out class 2, which `ground` takes for the ground".to_string(),
            "no class 2".to_string(),
            Some("add 2, or remove `from: classes` from `ground`".to_string()),
        );
    }
}

/// What all comparisons are needed for where there are none but the checkpoints.
fn nothing_but_checkpoints(entry: &Entry, entries: &[Entry], reference: ReferenceKind, notes: &mut Notes) {
    let Stage::Export(export) = &entry.stage else { return };
    let all = entries.iter().any(|entry| match &entry.stage {
        Stage::Checkpoints(checkpoints) => checkpoints.draw().everything_counts,
        _ => false,
    });
    if all && reference == ReferenceKind::Cloud {
        return;
    }
    for (key, asked) in
        [("comparisons", export.comparisons), ("extra_bytes", export.extra_bytes.contains(&Dimension::Dz))]
    {
        let path = [&entry.path[..], &[key.into()]].concat();
        if asked && !notes.known(&path) {
            let what = if key == "extra_bytes" {
                "`dz` is that of every point compared"
            } else {
                "`comparisons` writes all of them"
            };
            let message = format!("{what}, but there are no comparisons beside the checkpoints");
            let help = "remove it: `checkpoints.csv` has those; or write `per_return: all` in `checkpoints`"
                .to_string();
            notes.value(&path, message, "nothing to write".to_string(), Some(help));
        }
    }
}

/// A classified cloud where the survey's classes are taken as they were delivered.
fn nothing_classified(entry: &Entry, entries: &[Entry], notes: &mut Notes) {
    let Stage::Export(export) = &entry.stage else { return };
    let delivered =
        |ground: &Ground| ground.cloud.includes(Cloud::Survey) && ground.from == GroundFrom::Classes;
    if export.cloud && entries.iter().filter_map(|entry| entry.stage.as_ground()).any(delivered) {
        let message = "`export` writes the survey with the classes that the ground filter finds, but `ground` takes them from \
                       the files"
            .to_string();
        let help = "write `export: {cloud: false}`, or remove `from: classes` from `ground`".to_string();
        point(entry, message, "the classes would be those of the survey".to_string(), Some(help), notes);
    }
}

/// Notes stages listed more often than they may be, and gives back the others.
fn repeated<'e>(entries: &'e [Entry], notes: &mut Notes) -> Vec<&'e Entry> {
    let mut once: Vec<&Entry> = Vec::new();
    for entry in entries {
        let mut earlier = once.iter().filter(|before| before.name == entry.name);
        let (clash, help) = match &entry.stage {
            Stage::Select(_) => (false, ""),
            Stage::Ground(ground) => {
                let shares = |before: &&Entry| match &before.stage {
                    Stage::Ground(other) => {
                        let both = CloudChoice::Both;
                        ground.cloud == both || other.cloud == both || ground.cloud == other.cloud
                    }
                    _ => false,
                };
                let help = "two `ground` stages are possible where one has `cloud: survey` and the other \
                            `cloud: reference`";
                (earlier.any(shares), help)
            }
            _ => (earlier.count() > 0, "only `select` may be listed more than once"),
        };
        if clash {
            let message = format!("stage `{}` is listed more than once", entry.name);
            point(entry, message, "already listed above".to_string(), Some(help.to_string()), notes);
        } else {
            once.push(entry);
        }
    }
    once
}

/// Stages in the wrong place: the fewest that must move for the rest to be in order.
fn misplaced(entries: &[&Entry], notes: &mut Notes) {
    let steps: Vec<usize> = entries.iter().map(|entry| entry.stage.options().step() as usize).collect();
    let stay = in_order(&steps);
    for (at, entry) in entries.iter().enumerate().filter(|(at, _)| !stay.contains(at)) {
        let before = stay.iter().rev().find(|i| steps[**i] < steps[at]);
        let after = stay.iter().find(|i| steps[**i] > steps[at]);
        let label = match (before, after) {
            (Some(before), _) if *before > at => format!("belongs after `{}`", entries[*before].name),
            (_, Some(after)) => format!("belongs before `{}`", entries[*after].name),
            _ => "out of order".to_string(),
        };
        let message = format!("stage `{}` is in the wrong place", entry.name);
        point(entry, message, label, Some(ORDER.to_string()), notes);
    }
}

/// The places of a longest run of steps that never goes back.
fn in_order(steps: &[usize]) -> Vec<usize> {
    let mut best: Vec<Vec<usize>> = Vec::new();
    for (at, step) in steps.iter().enumerate() {
        let longest = best.iter().filter(|run| run.last().is_none_or(|last| steps[*last] <= *step));
        let mut run = longest.max_by_key(|run| run.len()).cloned().unwrap_or_default();
        run.push(at);
        best.push(run);
    }
    best.into_iter().rev().max_by_key(Vec::len).unwrap_or_default()
}

/// Stages and inputs that others need.
fn missing(entries: &[Entry], reference: ReferenceKind, notes: &mut Notes) {
    let list: [Seg; 1] = ["stages".into()];
    let Some((first, last)) = entries.first().zip(entries.last()) else {
        let help = "remove `stages:` to use the default stages, or list at least `read` and `summarise`";
        let label = "expected at least one stage".to_string();
        return notes.value(&list, "`stages` is an empty list".to_string(), label, Some(help.to_string()));
    };
    let find = |name: &str| entries.iter().find(|entry| entry.name == name);
    let absent =
        |name: &str, place: &str| (format!("stage `{name}` is missing"), format!("add `- {name}:` {place}"));
    let survey_ground = entries.iter().any(|entry| match &entry.stage {
        Stage::Ground(ground) => ground.cloud != CloudChoice::Reference,
        _ => false,
    });
    let mut note = |entry: &Entry, label: &str, (message, help): (String, String)| {
        point(entry, message, label.to_string(), Some(help), notes);
    };
    if find("read").is_none() {
        note(first, "`read` must come first", absent("read", "as the first entry of `stages`"));
    }
    if let Some(checkpoints) = find("checkpoints") {
        if !survey_ground {
            let label = "`checkpoints` draws from the survey's ground points";
            note(checkpoints, label, absent("ground", "before `checkpoints`"));
        }
        if find("compare").is_none() {
            note(checkpoints, "only `compare` uses checkpoints", absent("compare", "after `checkpoints`"));
        }
    }
    if let Some(compare) = find("compare")
        && find("checkpoints").is_none()
        && reference != ReferenceKind::List
    {
        let label = "`compare` needs the points that `checkpoints` draws";
        note(compare, label, absent("checkpoints", "between `ground` and `compare`"));
    }
    if find("summarise").is_none() {
        match find("terrain") {
            Some(terrain) => {
                let label = "`terrain` needs the account of returns that `summarise` gives";
                note(terrain, label, absent("summarise", "before `terrain`"));
            }
            None => {
                note(
                    last,
                    "`summarise` must come last",
                    absent("summarise", "as the last entry of `stages`"),
                );
            }
        }
    }
    if let Some(terrain) = find("terrain") {
        if !survey_ground {
            let label = "`terrain` is made of the survey's ground points";
            note(terrain, label, absent("ground", "before `terrain`"));
        }
        let weighted =
            terrain.stage.as_terrain().is_some_and(|options| options.method == TerrainMethod::Weighted);
        if weighted && reference != ReferenceKind::Cloud {
            let message =
                "`method: weighted` of `terrain` needs a scanned reference to learn the weights from";
            let help = "write `method: triangulation`, or add `reference: {files: [scan/*.laz]}`";
            note(terrain, "nothing to learn weights from", (message.to_string(), help.to_string()));
        }
    }
    let export = entries.iter().find(|entry| matches!(&entry.stage, Stage::Export(export) if export.cloud));
    if let Some(export) = export.filter(|_| !survey_ground) {
        let label = "`cloud` is the survey with its ground classified";
        note(export, label, absent("ground", "before `export`, or write `export: {cloud: false}`"));
    }
    if let Some(compare) = find("compare").filter(|_| reference == ReferenceKind::List && !survey_ground) {
        let label = "`compare` triangulates the survey's ground points";
        note(compare, label, absent("ground", "before `compare`"));
    }
    if reference == ReferenceKind::None
        && let Some(needy) = find("checkpoints").or(find("compare"))
    {
        let message = format!("stage `{}` needs a reference, but the file names none", needy.name);
        let help =
            "add `reference: {files: [scan/*.laz]}`, or remove `checkpoints` and `compare`".to_string();
        note(needy, "nothing to compare with", (message, help));
    }
}

fn point(entry: &Entry, message: String, label: String, help: Option<String>, notes: &mut Notes) {
    if notes.given(&entry.path) {
        notes.key(&entry.path, message, label, help);
    } else {
        // A stage written as its bare name.
        notes.value(&entry.path[..2], message, label, help);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fewest_stages_are_blamed() {
        assert_eq!(in_order(&[0, 1, 2, 3, 4]), [0, 1, 2, 3, 4]);
        assert_eq!(in_order(&[4, 0, 1, 2, 3]), [1, 2, 3, 4]);
        assert_eq!(in_order(&[0, 2, 1, 1, 3]), [0, 2, 3, 4]);
        assert_eq!(in_order(&[]), [0; 0]);
    }
}

//! The figures of two runs, group by group; their limits and warnings.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::diff::contents::{Figures, Summary, Warning, close};
use crate::diff::run_folder::RunFolder;
use crate::units::Unit;

/// A group whose figures are not the same.
#[derive(Debug, Serialize)]
pub struct FiguresRow {
    /// The group: `all`, `return 2`, `return 2, canopy`.
    pub group: String,
    /// Its figures in the first run; nothing where it has no such group.
    pub before: Option<Figures>,
    /// Its figures in the second run.
    pub after: Option<Figures>,
}

/// The groups whose figures are not the same: all together, by return, then the groups of `summarise`.
pub fn changes(first: &RunFolder, second: &RunFolder) -> Vec<FiguresRow> {
    let unit = first.summary.units;
    let [before, after] = [first, second].map(|run| rows(&run.summary, unit));
    let only_after = after.iter().filter(|(name, _)| !before.iter().any(|(other, _)| other == name));
    let names: Vec<&String> = before.iter().chain(only_after).map(|(name, _)| name).collect();
    let of = |rows: &[(String, Figures)], name: &str| {
        rows.iter().find(|(other, _)| other == name).map(|(_, figures)| figures.clone())
    };
    let row = |name: &String| {
        let row = FiguresRow { group: name.clone(), before: of(&before, name), after: of(&after, name) };
        let same = match (&row.before, &row.after) {
            (Some(before), Some(after)) => before.is_same(after),
            _ => false,
        };
        (!same).then_some(row)
    };
    names.into_iter().filter_map(row).collect()
}

fn rows(summary: &Summary, unit: Unit) -> Vec<(String, Figures)> {
    let all = [("all".to_string(), &summary.all)];
    let returns = summary.returns.iter().map(|row| (format!("return {}", row.number), &row.figures));
    let groups = summary.groups.iter().map(|row| (name(&row.by), &row.figures));
    let mut rows: Vec<(String, Figures)> = Vec::new();
    for (name, figures) in all.into_iter().chain(returns).chain(groups) {
        // Groups by return alone are the rows by return again.
        if !rows.iter().any(|(known, _)| *known == name) {
            rows.push((name, figures.clone().in_unit(summary.units, unit)));
        }
    }
    rows
}

/// A group for people: `return 2, canopy`.
fn name(by: &Map<String, Value>) -> String {
    let parts = by.iter().map(|(key, value)| {
        let text = value.as_str().map_or_else(|| value.to_string(), str::to_string);
        match key.as_str() {
            "cover" | "return_type" if !value.is_null() => text.replace('_', " "),
            _ => format!("{} {}", key.replace('_', " "), if value.is_null() { "unknown" } else { &text }),
        }
    });
    parts.collect::<Vec<_>>().join(", ")
}

/// A limit that changed.
#[derive(Debug, PartialEq, Serialize)]
pub struct LimitChange {
    /// The limit for people.
    pub limit: String,
    /// Its verdict in the first run: `met`, `missed` or `inconclusive`; nothing where it is not set there.
    pub before: Option<String>,
    /// Its verdict in the second run.
    pub after: Option<String>,
    /// What was found, in each run: a length in the unit of the first run, or a share.
    pub values: [Option<f64>; 2],
}

/// Limits of which verdict or figure changed, and those that one run alone has.
pub fn limits(first: &RunFolder, second: &RunFolder) -> Vec<LimitChange> {
    let [before, after] = [first, second].map(|run| &run.summary.accept);
    let find = |run: &RunFolder, text: &str| {
        let found = run.summary.accept.iter().find(|limit| limit.limit == text);
        let value = found.and_then(|limit| limit.in_unit(run.summary.units, first.summary.units));
        (found.map(|limit| limit.verdict.clone()), value)
    };
    let only_after = after.iter().filter(|limit| !before.iter().any(|other| other.limit == limit.limit));
    let all = before.iter().chain(only_after).map(|limit| {
        let ((one, was), (other, is)) = (find(first, &limit.limit), find(second, &limit.limit));
        LimitChange { limit: limit.limit.clone(), before: one, after: other, values: [was, is] }
    });
    let is_same = |change: &LimitChange| {
        let [was, is] = change.values;
        change.before == change.after && (was == is || was.zip(is).is_some_and(|(was, is)| close(was, is)))
    };
    all.filter(|change| !is_same(change)).collect()
}

/// Warnings that one run alone has.
#[derive(Debug, PartialEq, Serialize)]
pub struct WarningChanges {
    /// Those of the first.
    pub gone: Vec<OfWarning>,
    /// Those of the second.
    pub new: Vec<OfWarning>,
}

/// A warning.
#[derive(Debug, PartialEq, Serialize)]
pub struct OfWarning {
    /// What it is about.
    pub code: String,
    /// The warning itself.
    pub text: String,
}

/// Warnings about something that only one run warns of, or more often than the other; others may state other figures.
pub fn warnings(first: &RunFolder, second: &RunFolder) -> WarningChanges {
    let [first, second] = [first, second].map(|run| &run.summary.warnings[..]);
    WarningChanges { gone: beyond(first, second), new: beyond(second, first) }
}

fn beyond(own: &[Warning], others: &[Warning]) -> Vec<OfWarning> {
    let count = |all: &[Warning], code: &str| all.iter().filter(|one| one.code == code).count();
    let more = |one: &&Warning| count(own, &one.code) > count(others, &one.code);
    let unknown = |one: &&Warning| !others.iter().any(|other| other.text == one.text);
    let found = own.iter().filter(more).filter(unknown);
    found.map(|one| OfWarning { code: one.code.clone(), text: one.text.clone() }).collect()
}

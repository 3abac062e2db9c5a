//! The comparison of two runs on the terminal, what matters most first.

use crate::diff::contents::Figures;
use crate::diff::data::{DataChange, DataFile};
use crate::diff::figures::{FiguresRow, LimitChange, OfWarning};
use crate::diff::found::Diff;
use crate::diff::options::THERE;
use crate::diff::paired::{Finding, PairedRow};
use crate::report::lines::{WIDTH, columns, wrap, wrap_to};
use crate::results::format::{ResidualFormat, UNDEFINED, thousands};
use crate::results::statistics::Support;

/// Groups that are shown at the most.
const MOST_GROUPS: usize = 24;
/// Characters of a group's name at the most.
const LONGEST_NAME: usize = 30;

/// Text of which no line is longer than 100 columns.
pub fn text(found: &Diff) -> String {
    let mut out = String::new();
    for (run, name) in found.runs.iter().zip(["First", "Second"]) {
        let title = Some(run.title.trim()).filter(|title| !title.is_empty());
        let title = title.map_or(String::new(), |title| format!(" ({title})"));
        out += &wrap(&format!("{name} run: {}{title}", run.folder.display()));
    }
    out.push('\n');
    found.verdict.iter().for_each(|sentence| out += &wrap(sentence));
    if found.runs[0].units != found.runs[1].units {
        let [one, other] = found.runs.each_ref().map(|run| run.units.symbol());
        out += &wrap(&format!(
            "The first run is in {one}, the second in {other}: its lengths are converted to {one} here."
        ));
    }
    out.push('\n');
    out += &changed(found);
    out += &common_places(found);
    out += &figures(found);
    out
}

/// Data, options, program, limits and warnings that changed, a line each.
fn changed(found: &Diff) -> String {
    let mut lines: Vec<String> = Vec::new();
    lines.extend(found.limits.iter().map(limit));
    lines.extend(found.data.iter().map(data));
    lines.extend(found.options.iter().map(|option| {
        let values = [&option.before, &option.after].map(|value| value.as_deref().unwrap_or("not set"));
        match values {
            ["not set", THERE] => format!("option   stage `{}` is new", option.key),
            [THERE, "not set"] => format!("option   stage `{}` is gone", option.key),
            [before, after] => format!("option   {}: {before} → {after}", option.key),
        }
    }));
    let [one, other] = found.runs.each_ref().map(|run| &run.version);
    if one != other {
        lines.push(format!("program  version {one} → {other}"));
    }
    lines.extend(found.warnings.gone.iter().map(|warning| of_warning("gone", warning)));
    lines.extend(found.warnings.new.iter().map(|warning| of_warning("new", warning)));
    let unchanged: Vec<&str> = [
        ("data", found.data.is_empty()),
        ("options", found.options.is_empty()),
        ("program", one == other),
        ("figures", found.figures.is_empty()),
    ]
    .into_iter()
    .filter_map(|(name, same)| same.then_some(name))
    .collect();
    let mut out = String::new();
    if !lines.is_empty() {
        out += "Changed\n";
        lines.iter().for_each(|line| out += &indented(line));
    }
    if !unchanged.is_empty() {
        out += &format!("Not changed: {}.\n", unchanged.join(", "));
    }
    out
}

/// A line, the rest of which stands under its second word.
fn indented(line: &str) -> String {
    const HEAD: usize = 9;
    let (head, rest) = line.split_at(HEAD);
    let wrapped = wrap_to(rest, WIDTH - HEAD - 2);
    let lines = wrapped.lines().enumerate();
    lines.map(|(i, line)| format!("  {}{line}\n", if i == 0 { head } else { "         " })).collect()
}

fn data(change: &DataChange) -> String {
    let points = |file: &DataFile| {
        file.points.map_or(String::new(), |points| format!("{} points, ", thousands(points)))
    };
    let of = |file: &DataFile| format!("{}{} bytes", points(file), thousands(file.size));
    let what = match (&change.before, &change.after) {
        (Some(before), Some(after)) => {
            format!("{} has other content: {} → {}", before.name(), of(before), of(after))
        }
        (Some(before), None) => format!("{} is gone ({})", before.name(), of(before)),
        (None, Some(after)) => format!("{} is new ({})", after.name(), of(after)),
        (None, None) => String::new(),
    };
    format!("data     {}: {what}", change.of)
}

fn limit(change: &LimitChange) -> String {
    let word = |verdict: &Option<String>| match verdict.as_deref() {
        Some("met") => "PASS",
        Some("missed") => "FAIL",
        Some(_) => "INCONCLUSIVE",
        None => "not set",
    };
    let (before, after) = (word(&change.before), word(&change.after));
    let verdicts =
        if before == after { format!("{before} in both") } else { format!("{before} → {after}") };
    format!("limit    {}: {verdicts}", change.limit)
}

/// The first sentence of a warning.
fn of_warning(word: &str, warning: &OfWarning) -> String {
    let first = warning.text.split_once(". ").map_or(warning.text.as_str(), |(first, _)| first);
    format!("warning  {word}: {}.", first.trim_end_matches('.'))
}

/// The table of differences at common places.
fn common_places(found: &Diff) -> String {
    let paired = &found.paired;
    let Some(all) = paired.all.as_ref().filter(|all| all.finding != Finding::Same) else {
        return String::new();
    };
    let format = ResidualFormat::of(found.units);
    let header = [
        "return",
        "places",
        "bias, first",
        "second",
        "difference",
        "95 % interval",
        "SD of diff.",
        "finding",
    ];
    let row = |row: &PairedRow| {
        [
            row.return_number.map_or("all".to_string(), |number| number.to_string()),
            thousands(row.n),
            format.signed(Some(row.biases[0])),
            format.signed(Some(row.biases[1])),
            format.signed(Some(row.difference)),
            format.signed_interval(row.ci95),
            format.length(row.sd),
            match row.finding {
                Finding::Same => "same",
                Finding::Constant | Finding::Real => "real",
                Finding::Chance => "chance",
                Finding::Unknown => "too few",
            }
            .to_string(),
        ]
    };
    let returns = paired.returns.iter().filter(|_| paired.returns.len() > 1);
    let rows: Vec<_> =
        [header.map(String::from)].into_iter().chain(returns.map(row)).chain([row(all)]).collect();
    format!(
        "\nAt the same places; dz in {}, difference = second minus first\n{}",
        format.symbol,
        columns(&rows, 0)
    )
}

/// The table of figures that changed.
fn figures(found: &Diff) -> String {
    if found.figures.is_empty() {
        return String::new();
    }
    let format = ResidualFormat::of(found.units);
    let header = ["group", "comparisons", "bias", "SD", "RMSE"];
    let row = |row: &FiguresRow| {
        let [one, other] = [&row.before, &row.after].map(Option::as_ref);
        let figure = |of: &dyn Fn(&Figures) -> Option<f64>, signed: bool| {
            let written = |figures: Option<&Figures>| {
                let value = figures.filter(|figures| figures.compared >= Support::FEWEST_COMPARISONS);
                let value = value.and_then(of);
                if signed { format.signed(value) } else { format.length(value) }
            };
            arrow(&written(one), &written(other))
        };
        let count = |figures: Option<&Figures>| {
            figures.map_or(UNDEFINED.to_string(), |figures| thousands(figures.compared))
        };
        let name: String = row.group.chars().take(LONGEST_NAME).collect();
        [
            name,
            arrow(&count(one), &count(other)),
            figure(&|figures| figures.bias, true),
            figure(&|figures| figures.sd, false),
            figure(&|figures| figures.rmse, false),
        ]
    };
    // What changes by less than is shown is no row.
    let changed = |row: &[String; 5]| row.iter().any(|cell| cell.contains('→'));
    let changed: Vec<[String; 5]> = found.figures.iter().map(row).filter(changed).collect();
    if changed.is_empty() {
        return "\nThe figures changed by less than is shown of them: --json has all digits.\n".to_string();
    }
    let more = changed.len().saturating_sub(MOST_GROUPS);
    let more = if more > 0 { format!("{more} more groups differ: --json has all.\n") } else { String::new() };
    let rows: Vec<_> =
        [header.map(String::from)].into_iter().chain(changed.into_iter().take(MOST_GROUPS)).collect();
    format!(
        "\nFigures that changed, first → second; residuals (dz) in {}\n{}{more}",
        format.symbol,
        columns(&rows, 1)
    )
}

fn arrow(before: &str, after: &str) -> String {
    if before == after { before.to_string() } else { format!("{before} → {after}") }
}

//! The pipeline file with its comments.

use std::fmt::Write;

use crate::cli::new::SCHEMA;
use crate::cli::new::inputs::Inputs;
use crate::cli::new::suggest::{Suggestion, Value};
use crate::results::format::thousands;
use crate::units::Unit;

/// Columns of comments after values.
const COMMENT: usize = 34;

/// The whole file.
pub fn pipeline(title: &str, survey: &Inputs, reference: Option<&Inputs>, suggestion: &Suggestion) -> String {
    let mut text = format!("# yaml-language-server: $schema={SCHEMA}\n");
    text.push_str(
        "# Made from the headers and a sample of the points. Each value stands beside its reason: change what you know better.\n\
         # Every option is explained by `echograde stages`; every key of this file by `echograde stages pipeline`.\n",
    );
    for note in &suggestion.notes {
        let _ = writeln!(text, "# {note}");
    }
    let _ = writeln!(text, "title: {}\n", quoted(title));
    cloud(&mut text, survey);
    if let Some(reference) = reference {
        cloud(&mut text, reference);
        let why = "of the reference, vertical, one sigma: state it, or no class can be claimed";
        line(&mut text, "  # uncertainty: 10 mm", why);
    }
    let _ = writeln!(text, "output: {}", quoted(&format!("runs/{title}")));
    line(&mut text, "seed: 1", "of random draws: the same seed and data give the same bytes");
    text.push('\n');
    text.push_str("stages:\n  - read: {}\n");
    inline(&mut text, "select", "returns", &suggestion.returns);
    text.push_str("  - ground:\n");
    for (key, value) in [
        ("cell", &suggestion.cell),
        ("window_max", &suggestion.window_max),
        ("slope", &suggestion.slope),
        ("local_slope", &suggestion.local_slope),
        ("dh_initial", &suggestion.dh_initial),
    ] {
        line(&mut text, &format!("      {key}: {}", value.value), &value.why);
    }
    if let Some(within) = &suggestion.within {
        text.push_str("  - checkpoints: {per_return: all}\n");
        inline(&mut text, "compare", "within", within);
    }
    text.push_str("  - summarise: {by: [return, cover]}\n");
    if reference.is_some() {
        text.push_str(
            "\n# What the client ordered; each limit comes out as PASS, FAIL or INCONCLUSIVE:\n# accept:\n#   - {class: 5 cm, group: {cover: \
             open}}\n#   - {rmse: 10 cm, group: {cover: canopy}}\n",
        );
    }
    text
}

fn cloud(text: &mut String, inputs: &Inputs) {
    let patterns: Vec<String> = inputs.patterns.iter().map(|pattern| quoted(pattern)).collect();
    line(text, &format!("{}:", inputs.cloud), &format!("{} points", thousands(inputs.points())));
    let _ = writeln!(text, "  files: [{}]", patterns.join(", "));
    match inputs.units() {
        [Some(horizontal), Some(vertical)] => {
            line(text, &format!("  # units: {}", units(horizontal, vertical)), "as the headers state");
        }
        [horizontal, vertical] => {
            let known = |unit: Option<Unit>| unit.unwrap_or(Unit::Metre);
            let guess = units(known(horizontal), known(vertical));
            line(
                text,
                &format!("  units: {guess}"),
                "CONFIRM: the headers do not state it; m, ft (international) or ftUS (US survey foot)",
            );
        }
    }
}

fn units(horizontal: Unit, vertical: Unit) -> String {
    if horizontal == vertical {
        return horizontal.symbol().to_string();
    }
    format!("{{horizontal: {}, vertical: {}}}", horizontal.symbol(), vertical.symbol())
}

fn inline(text: &mut String, stage: &str, key: &str, value: &Value) {
    line(text, &format!("  - {stage}: {{{key}: {}}}", value.value), &value.why);
}

fn line(text: &mut String, content: &str, why: &str) {
    let _ = writeln!(text, "{content:<COMMENT$} # {why}");
}

/// In single quotes, as YAML takes anything in them.
fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}

//! `echograde stages`: what the stages do and what can be set, from the schema that checks pipeline files.

use serde_json::Value;

use crate::pipeline::schema::{expected, keys, schema, stage_names, stage_options};

/// Characters in a line.
const WIDTH: usize = 100;

/// The name under which the other keys of a pipeline file are explained.
const OTHER_KEYS: &str = "pipeline";

/// Every stage in the order of work, or the one named, or the other keys of the file (`pipeline`): what it does
/// and every option with its default, its values and its source.
///
/// # Errors
/// The names that can be given, if `name` is none of them.
pub fn stages(name: Option<&str>) -> Result<String, String> {
    let schema = schema();
    let known = stage_names(&schema);
    match name {
        None => {
            let all: Vec<String> =
                known.iter().filter_map(|name| Some(chapter(name, stage_options(&schema, name)?))).collect();
            Ok(all.concat()
                + "The other keys of a pipeline file (survey, reference, output, …): echograde stages pipeline\n")
        }
        Some(OTHER_KEYS) => Ok(chapter(OTHER_KEYS, &schema)),
        Some(name) => match stage_options(&schema, name) {
            Some(options) => Ok(chapter(name, options)),
            None => Err(format!(
                "there is no stage `{name}`; the stages are {}; `{OTHER_KEYS}` lists the other keys of the file",
                known.join(", ")
            )),
        },
    }
}

/// A stage, or the file as a whole: what it is and what can be set.
fn chapter(name: &str, group: &Value) -> String {
    let mut text = format!("{name}\n");
    for paragraph in description(group).split("\n\n") {
        text += &wrap(paragraph, 2);
        text.push('\n');
    }
    options(group, "", &mut text);
    text
}

/// Every option of a group, those of groups within it by their full names (`area.x`).
fn options(group: &Value, prefix: &str, text: &mut String) {
    for key in keys(group) {
        let option = &group["properties"][key];
        let name = format!("{prefix}{key}");
        let required = group["required"].as_array().is_some_and(|keys| keys.iter().any(|k| k == key));
        let default = if required { "must be given".to_string() } else { default(option) };
        *text += &wrap(&format!("{name} ({default})"), 2);
        *text += &wrap(description(option), 6);
        let nested = option["properties"].is_object();
        // The list of stages has chapters of its own.
        if !nested && key != "stages" {
            *text += &wrap(&format!("Value: {}", expected(option)), 6);
        }
        if let Some(source) = option["x-source"].as_str() {
            *text += &wrap(&format!("Source: {source}"), 6);
        }
        text.push('\n');
        if nested {
            options(option, &format!("{name}."), text);
        }
    }
}

fn description(schema: &Value) -> &str {
    schema["description"].as_str().unwrap_or("")
}

/// The default of an option as text.
fn default(option: &Value) -> String {
    let plain = |value: &Value| value.as_str().map_or(value.to_string(), str::to_string);
    match (option["x-default"].as_str(), option.get("default")) {
        (Some(words), _) => format!("default: {words}"),
        (None, Some(Value::Array(list))) => {
            format!("default: [{}]", list.iter().map(plain).collect::<Vec<_>>().join(", "))
        }
        (None, Some(value)) => format!("default: {}", plain(value)),
        (None, None) => "default: not set".to_string(),
    }
}

/// `text` in lines of [`WIDTH`], indented.
fn wrap(text: &str, indent: usize) -> String {
    let margin = " ".repeat(indent);
    let mut lines = String::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && indent + line.chars().count() + 1 + word.chars().count() > WIDTH {
            lines += &format!("{margin}{line}\n");
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line += word;
    }
    lines + &format!("{margin}{line}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stage_lists_its_options_with_default_value_and_source() {
        let ground = stages(Some("ground")).unwrap();
        assert!(ground.contains("  dh_initial (default: 0.3 m)\n"), "{ground}");
        assert!(ground.contains("Value: a length with its unit"), "{ground}");
        assert!(ground.contains("Source: Zhang et al. 2003, equation 7"), "{ground}");
        assert!(ground.contains("  window_growth (default: exponential)"), "{ground}");
    }

    #[test]
    fn all_stages_come_in_the_order_of_work() {
        let all = stages(None).unwrap();
        let places: Vec<_> = ["read", "select", "ground", "checkpoints", "compare", "summarise"]
            .iter()
            .map(|name| all.find(&format!("\n{name}\n")).or(all.starts_with(name).then_some(0)).unwrap())
            .collect();
        assert!(places.is_sorted());
        assert!(all.lines().all(|line| line.chars().count() <= WIDTH), "{all}");
    }

    #[test]
    fn an_unknown_name_lists_the_known_ones() {
        let error = stages(Some("grund")).unwrap_err();
        assert!(error.contains("read, select, ground, checkpoints, compare, summarise"), "{error}");
        assert!(stages(Some("pipeline")).unwrap().contains("  survey.files"));
    }
}

//! The JSON Schema of the pipeline file, made from the same option structs and doc comments that decode it. It
//! feeds editors, the messages about wrong values, and `echograde stages`.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

use crate::pipeline::locate::Seg;
use crate::pipeline::model::Pipeline;

/// Keys of a cloud that only the reference has.
pub const REFERENCE_ALONE: [&str; 7] =
    ["scans", "register", "points", "uncertainty", "vertical_shift", "why", "offset"];

/// Keys of a cloud that only the survey has.
pub const SURVEY_ALONE: [&str; 1] = ["fit"];

/// [`schema`] as text, as editors read it.
pub fn schema_text() -> String {
    serde_json::to_string_pretty(&schema()).expect("a schema is plain data") + "\n"
}

/// The JSON Schema of the pipeline file.
///
/// Beyond the standard's own words it has, where they apply, `x-source` (where an option comes from), `x-default`
/// (a default in words, where it depends on something else) and `x-expected` (the value in words).
pub fn schema() -> Value {
    let mut root = schema_of::<Pipeline>("echograde pipeline file");
    require(&mut root, "survey");
    require(&mut root["properties"]["survey"], "files");
    remove(&mut root["properties"]["reference"]["properties"]["files"], "default");
    // The survey is under test: only the reference has an uncertainty or an offset.
    for key in REFERENCE_ALONE {
        remove(&mut root["properties"]["survey"]["properties"], key);
    }
    for key in SURVEY_ALONE {
        remove(&mut root["properties"]["reference"]["properties"], key);
    }
    open_stages(&mut root["properties"]["stages"]["items"]);
    root
}

/// The schema of a file that holds a `T`, for messages about it.
pub(crate) fn schema_of<T: JsonSchema>(title: &str) -> Value {
    let settings = SchemaSettings::draft2020_12().with(|settings| settings.inline_subschemas = true);
    let mut root = settings.into_generator().into_root_schema_for::<T>().to_value();
    tidy(&mut root);
    root["title"] = json!(title);
    root
}

/// The names of the stages, in the order of work.
pub fn stage_names(schema: &Value) -> Vec<&str> {
    stage_entries(schema).filter_map(|entry| entry["required"][0].as_str()).collect()
}

/// The schema of the options of a stage.
pub fn stage_options<'s>(schema: &'s Value, name: &str) -> Option<&'s Value> {
    stage_entries(schema).find_map(|entry| entry["properties"].get(name))
}

fn stage_entries(schema: &Value) -> impl Iterator<Item = &Value> {
    schema["properties"]["stages"]["items"]["oneOf"].as_array().into_iter().flatten()
}

/// The part of `schema` that describes the value at `path`.
pub fn part<'s>(schema: &'s Value, path: &[Seg]) -> Option<&'s Value> {
    let Some((first, rest)) = path.split_first() else { return Some(schema) };
    let below = match first {
        Seg::Key(key) => schema["properties"].get(key.as_str()),
        Seg::Item(_) => schema.get("items"),
    };
    match below {
        Some(below) => part(below, rest),
        None => alternatives(schema).find_map(|one| part(one, path)),
    }
}

/// The alternatives of which a value may be one.
pub fn alternatives(schema: &Value) -> impl Iterator<Item = &Value> {
    ["anyOf", "oneOf"].into_iter().filter_map(|word| schema[word].as_array()).flatten()
}

/// The keys that a group of options may have.
pub fn keys(schema: &Value) -> Vec<&str> {
    match schema["properties"].as_object() {
        Some(properties) => properties.keys().map(String::as_str).collect(),
        None => alternatives(schema).flat_map(keys).collect(),
    }
}

/// The option of a group which is a group itself and has this key.
pub fn group_with<'s>(schema: &'s Value, key: &str) -> Option<&'s str> {
    let mut own = schema["properties"].as_object().into_iter().flatten();
    let found = own.find(|(_, part)| part["type"] == "object" && keys(part).contains(&key));
    found
        .map(|(group, _)| group.as_str())
        .or_else(|| alternatives(schema).find_map(|one| group_with(one, key)))
}

/// The fixed words that a value may be.
pub fn words(schema: &Value) -> Vec<&str> {
    own_words(schema).chain(alternatives(schema).flat_map(words)).collect()
}

/// What a value may be, in words: `a whole number from 0 to 255`.
pub fn expected(schema: &Value) -> String {
    if let Some(words) = schema["x-expected"].as_str() {
        return words.to_string();
    }
    let (fixed, open): (Vec<_>, Vec<_>) = alternatives(schema).partition(|one| is_fixed(one));
    let fixed = own_words(schema).chain(fixed.into_iter().flat_map(own_words));
    let mut choices: Vec<String> = fixed.map(|word| format!("`{word}`")).collect();
    choices.extend(open.into_iter().map(expected));
    if !choices.is_empty() {
        return either(&choices);
    }
    match schema["type"].as_str().or_else(|| schema["type"][0].as_str()) {
        Some("integer") => match (schema["minimum"].as_u64(), schema["maximum"].as_u64()) {
            (Some(low), Some(high)) => format!("a whole number from {low} to {high}"),
            (Some(low), None) => format!("a whole number, {low} or more"),
            _ => "a whole number".to_string(),
        },
        Some("number") => "a number".to_string(),
        Some("boolean") => "`true` or `false`".to_string(),
        Some("string") => "text".to_string(),
        Some("array") if schema["maxItems"] == 2 => format!("a list of two: {}", expected(&schema["items"])),
        Some("array")
            if schema["items"]["type"] == "string" && schema["items"].get("x-expected").is_none() =>
        {
            "a list of text entries".to_string()
        }
        Some("array") => format!("a list, each entry {}", expected(&schema["items"])),
        Some("object") => {
            let keys: Vec<_> = keys(schema).into_iter().map(|key| format!("`{key}`")).collect();
            format!("a group of options: {}", keys.join(", "))
        }
        _ => "a different value".to_string(),
    }
}

fn is_fixed(schema: &Value) -> bool {
    schema.get("const").is_some() || schema.get("enum").is_some()
}

fn own_words(schema: &Value) -> impl Iterator<Item = &str> {
    let choices = schema["enum"].as_array().into_iter().flatten();
    choices.chain(schema.get("const")).filter_map(Value::as_str)
}

/// `a, b or c`.
fn either(choices: &[String]) -> String {
    match choices {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

/// Takes out what only Rust needs to know: `null` for an option not given (in a file it is simply left out),
/// number formats, line breaks inside paragraphs, and the stand-in of a default that is given in words.
fn tidy(schema: &mut Value) {
    match schema {
        Value::Array(list) => list.iter_mut().for_each(tidy),
        Value::Object(map) => {
            for (word, below) in map.iter_mut() {
                match (word.as_str(), below) {
                    ("properties", Value::Object(named)) => named.values_mut().for_each(tidy),
                    ("default" | "examples", _) => {}
                    (_, below) => tidy(below),
                }
            }
            map.shift_remove("format");
            if map.contains_key("x-default") {
                map.shift_remove("default");
            }
            if let Some(Value::String(text)) = map.get_mut("description") {
                *text = text.split("\n\n").map(|p| p.replace('\n', " ")).collect::<Vec<_>>().join("\n\n");
            }
            drop_null(map);
        }
        _ => {}
    }
}

fn drop_null(map: &mut Map<String, Value>) {
    if let Some(Value::Array(types)) = map.get_mut("type") {
        types.retain(|kind| kind != "null");
        if let [one] = &types[..] {
            let one = one.clone();
            map.insert("type".to_string(), one);
        }
    }
    let Some(Value::Array(choices)) = map.get_mut("anyOf") else { return };
    choices.retain(|choice| *choice != json!({ "type": "null" }));
    if let [Value::Object(only)] = &choices[..] {
        let only = only.clone();
        map.shift_remove("anyOf");
        for (key, value) in only {
            map.entry(key).or_insert(value);
        }
    }
}

/// A stage with all defaults may be written `- ground:` or `- ground`.
fn open_stages(items: &mut Value) {
    let Some(entries) = items["oneOf"].as_array_mut() else { return };
    let mut names = Vec::new();
    for entry in entries.iter_mut() {
        let Some(name) = entry["required"][0].as_str().map(str::to_string) else { continue };
        let options = &mut entry["properties"][&name];
        options["type"] = json!(["object", "null"]);
        let first_sentence = options["description"].as_str().unwrap_or("").split("\n\n").next().unwrap_or("");
        entry["description"] = json!(first_sentence);
        names.push(name);
    }
    entries.push(json!({ "enum": names, "description": "A stage with all its defaults." }));
}

/// Makes a key one that must be given: decoding lets it pass, so that a later check can say what is missing.
fn require(group: &mut Value, key: &str) {
    group["required"] = json!([key]);
    remove(&mut group["properties"][key], "default");
}

fn remove(schema: &mut Value, key: &str) {
    if let Some(map) = schema.as_object_mut() {
        map.shift_remove(key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn option(stage: &str, name: &str) -> Value {
        stage_options(&schema(), stage).unwrap()["properties"][name].clone()
    }

    #[test]
    fn stages_stand_in_the_order_of_work() {
        let schema = schema();
        let names = ["read", "select", "ground", "checkpoints", "compare", "summarise", "terrain", "export"];
        assert_eq!(stage_names(&schema), names);
    }

    #[test]
    fn what_is_expected_is_described() {
        assert_eq!(expected(&option("ground", "cloud")), "`both`, `survey` or `reference`");
        assert_eq!(expected(&option("checkpoints", "per_return")), "`all` or a whole number, 1 or more");
        assert!(expected(&option("read", "tile")).starts_with("`auto` or a length with its unit"));
        assert_eq!(expected(&option("select", "classes")), "a list, each entry a whole number from 0 to 255");
        assert_eq!(expected(&option("ground", "slope")), "a number");
        let one = part(&option("select", "returns"), &[0.into()]).map(expected);
        assert_eq!(one.as_deref(), Some("`last`, `single` or a whole number from 1 to 15"));
        let units = part(&schema(), &["survey".into(), "units".into()]).unwrap().clone();
        assert_eq!(
            expected(&units),
            "`m`, `ft` (international foot) or `ftUS` (US survey foot) or a group of options: `horizontal`, `vertical`"
        );
    }

    #[test]
    fn every_object_is_closed_and_every_key_is_described() {
        fn walk(schema: &Value, place: &str) {
            if let Some(properties) = schema["properties"].as_object() {
                assert_eq!(schema["additionalProperties"], false, "{place} is open");
                for (key, below) in properties {
                    assert!(below["description"].is_string(), "{place}.{key} has no description");
                    walk(below, &format!("{place}.{key}"));
                }
            }
            alternatives(schema).chain(schema.get("items")).for_each(|below| walk(below, place));
        }
        walk(&schema(), "pipeline");
    }

    #[test]
    fn every_option_has_a_default_unless_leaving_it_out_means_no_condition() {
        let schema = schema();
        for name in stage_names(&schema) {
            for (key, option) in stage_options(&schema, name).unwrap()["properties"].as_object().unwrap() {
                let stated = option.get("default").or(option.get("x-default")).is_some();
                assert!(stated || name == "select", "{name}.{key} states no default");
            }
        }
    }
}

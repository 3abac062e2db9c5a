//! What a run was started with: a later run may continue its work only if all of it is the same.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::units::Micrometres;

/// Counts the ways in which working data have been written: to be raised when one changes within a version.
const FORMAT: u32 = 17;

/// Differences that are listed one by one.
const LISTED: usize = 12;

/// What a run was started with.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Identity {
    version: String,
    format: u32,
    pipeline: Value,
    /// The files that it reads.
    pub inputs: Vec<Input>,
    /// Edge of the tiles. The results do not depend on it, but the working data do: a later run keeps it.
    pub tile_edge: Micrometres,
    /// Whether the results of an earlier run may be replaced.
    pub may_replace: bool,
}

/// A file that a run reads.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Input {
    /// `survey` or `reference`.
    pub cloud: String,
    /// Its path, the same wherever the program is started.
    pub path: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Of an object, its strong entity tag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entity_tag: Option<String>,
}

impl Identity {
    /// That of a run that is about to start.
    pub fn new(pipeline: Value, inputs: Vec<Input>, tile_edge: Micrometres, may_replace: bool) -> Self {
        let version = env!("CARGO_PKG_VERSION").to_string();
        Identity { version, format: FORMAT, pipeline, inputs, tile_edge, may_replace }
    }

    /// What has changed between the start of a run and now, one line each; nothing where a run may continue.
    pub fn differences(&self, now: &Identity) -> Vec<String> {
        let mut found = Vec::new();
        if (&self.version, self.format) != (&now.version, now.format) {
            found.push(format!("the program: it was version {}, now it is {}", self.version, now.version));
        }
        compare("", Some(&self.pipeline), Some(&now.pipeline), &mut found);
        for old in &self.inputs {
            let same = |new: &&Input| (&new.cloud, &new.path) == (&old.cloud, &old.path);
            match now.inputs.iter().find(same) {
                None => found.push(format!("{} is no longer a file of the {}", old.path, old.cloud)),
                Some(new) if new.size != old.size => {
                    found.push(format!("{}: it had {} bytes, now it has {}", old.path, old.size, new.size));
                }
                Some(new) if new.sha256 != old.sha256 => {
                    found.push(format!("{}: its contents are not what they were", old.path));
                }
                Some(_) => {}
            }
        }
        for new in &now.inputs {
            if !self.inputs.iter().any(|old| (&old.cloud, &old.path) == (&new.cloud, &new.path)) {
                found.push(format!("{} is a new file of the {}", new.path, new.cloud));
            }
        }
        if found.len() > LISTED {
            let more = found.len() - LISTED;
            found.truncate(LISTED);
            found.push(format!("and {more} more"));
        }
        found
    }
}

/// Notes the keys of the pipeline file that differ.
fn compare(at: &str, old: Option<&Value>, new: Option<&Value>, found: &mut Vec<String>) {
    let inner = |key: &str| if at.is_empty() { key.to_string() } else { format!("{at}.{key}") };
    match (old, new) {
        (Some(Value::Object(a)), Some(Value::Object(b))) => {
            for key in a.keys().chain(b.keys().filter(|key| !a.contains_key(*key))) {
                compare(&inner(key), a.get(key), b.get(key), found);
            }
        }
        (Some(Value::Array(a)), Some(Value::Array(b))) if a.len() == b.len() => {
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                compare(&format!("{at}[{}]", i + 1), Some(a), Some(b), found);
            }
        }
        (old, new) if old != new => {
            let words = |value: Option<&Value>| match value {
                None | Some(Value::Null) => "not set".to_string(),
                Some(Value::String(text)) => format!("`{text}`"),
                Some(other) => format!("`{other}`"),
            };
            found.push(format!("{at} of the pipeline file: it was {}, now it is {}", words(old), words(new)));
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn identity(pipeline: Value, inputs: &[(&str, u64, &str)]) -> Identity {
        let input = |&(path, size, sha256): &(&str, u64, &str)| Input {
            cloud: "survey".into(),
            path: path.into(),
            size,
            sha256: sha256.into(),
            entity_tag: None,
        };
        Identity {
            version: "1".into(),
            format: FORMAT,
            pipeline,
            inputs: inputs.iter().map(input).collect(),
            tile_edge: 1,
            may_replace: false,
        }
    }

    #[test]
    fn every_difference_is_told_by_its_key_or_its_file() {
        let old = identity(
            json!({"seed": 7, "stages": [{"read": {}}, {"ground": {"slope": 0.3, "cell": "0.5 m"}}]}),
            &[("a.laz", 5, "x"), ("b.laz", 6, "y"), ("c.laz", 7, "z")],
        );
        assert!(old.differences(&old.clone()).is_empty());
        let mut new = identity(
            json!({"seed": 7, "stages": [{"read": {}}, {"ground": {"slope": 0.4, "cell": "0.5 m"}}], "units": "ft"}),
            &[("a.laz", 9, "x"), ("b.laz", 6, "q"), ("d.laz", 1, "z")],
        );
        new.tile_edge = 2;
        assert_eq!(
            old.differences(&new),
            [
                "stages[2].ground.slope of the pipeline file: it was `0.3`, now it is `0.4`",
                "units of the pipeline file: it was not set, now it is `ft`",
                "a.laz: it had 5 bytes, now it has 9",
                "b.laz: its contents are not what they were",
                "c.laz is no longer a file of the survey",
                "d.laz is a new file of the survey",
            ]
        );
    }
}

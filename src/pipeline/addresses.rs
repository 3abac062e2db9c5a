//! The addresses of clouds that a pipeline file names: what they lead to, and how they stand in results.

use std::collections::HashMap;

use crate::cloud::address::{is_address, is_pattern, shown};
use crate::cloud::{Location, Stores};
use crate::pipeline::model::Pipeline;
use crate::pipeline::problem::Wrong;

/// What an address, or a pattern of one, leads to. `seen` holds those of the cloud so far, each as it is shown.
pub(super) fn matches(
    pattern: &str,
    stores: &Stores,
    seen: &mut HashMap<String, String>,
) -> Result<Vec<Location>, Wrong> {
    let cannot = |said: String| Wrong(said, "cannot be read", None);
    if !is_pattern(pattern) {
        let before = seen.insert(shown(pattern), pattern.to_string());
        if before.is_some_and(|before| before != pattern) {
            return Err(Wrong(
                format!("two addresses differ only in what follows `?`: `{}`", shown(pattern)),
                "shown like an earlier one",
                Some("results name an object without that, as it may be a secret: give each object an address of its own".into()),
            ));
        }
        return Ok(vec![stores.object(pattern).map_err(cannot)?.into()]);
    }
    let found = stores.matching(pattern).map_err(cannot)?;
    if found.is_empty() {
        return Err(Wrong(
            format!("no object matches `{}`", shown(pattern)),
            "matches nothing",
            Some(
                "letters are matched as they are written: check the bucket, the folders and the pattern"
                    .to_string(),
            ),
        ));
    }
    Ok(found.into_iter().map(Location::from).collect())
}

/// What is wrong with an address where only a file will do; nothing where it is a file.
pub(super) fn not_a_file(name: &str) -> Option<Wrong> {
    is_address(name).then(|| {
        Wrong(
            format!("`{}` is an address, but only clouds are read from addresses", shown(name)),
            "expected a file",
            Some("download it and name the file".to_string()),
        )
    })
}

/// Leaves users and queries out of the addresses in a pipeline, as they may be secrets and change while the objects stay.
pub(super) fn leave_out_secrets(pipeline: &mut Pipeline) {
    let clouds = [Some(&mut pipeline.survey), pipeline.reference.as_mut()];
    for cloud in clouds.into_iter().flatten() {
        let of_scans = cloud.scans.iter_mut().flat_map(|scan| &mut scan.files);
        cloud.files.iter_mut().chain(of_scans).for_each(|file| *file = shown(file));
    }
}

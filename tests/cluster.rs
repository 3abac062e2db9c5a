//! The jobs that `echograde cluster` writes: their text, and what comes of them where a stand-in takes the place of the scheduler.
//! On a real Slurm they are tested by `tests/slurm/check.sh`.
#![cfg(unix)]

mod common;

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use common::{
    contains_all, copied_demo, describe, echograde, refused, results, root, slow_pipeline, try_run,
};
use serde_json::Value;
use tempfile::TempDir;

const PROGRAM: &str = env!("CARGO_BIN_EXE_echograde");

/// The job for a scheduler, in three parts.
fn job(pipeline: &Path, scheduler: &str, out: &Path) -> String {
    let output = echograde()
        .arg("cluster")
        .arg(pipeline)
        .args(["--parts", "3", "--for", scheduler, "--memory", "400M", "--out"])
        .arg(out)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    String::from_utf8(output.stdout).unwrap()
}

/// Folder of a name that a shell must be told with care, and a pipeline in it.
fn place() -> (TempDir, PathBuf, PathBuf) {
    let base = TempDir::new().unwrap();
    let folder = base.path().join("it's a site");
    fs::create_dir(&folder).unwrap();
    let pipeline = slow_pipeline(&folder, &copied_demo(base.path()));
    (base, folder, pipeline)
}

/// A program of this name that a shell finds first, as the text has it.
fn stand_in(folder: &Path, name: &str, text: &str) -> String {
    let bin = folder.join("bin");
    fs::create_dir_all(&bin).unwrap();
    fs::write(bin.join(name), text).unwrap();
    fs::set_permissions(bin.join(name), fs::Permissions::from_mode(0o755)).unwrap();
    format!("{}:{}", bin.display(), std::env::var("PATH").unwrap())
}

#[test]
fn the_script_for_slurm_submits_two_arrays_and_the_end_and_gives_the_bytes_of_run() {
    let (_base, folder, pipeline) = place();
    let out = folder.join("in parts");
    let script = job(&pipeline, "slurm", &out);
    contains_all(
        &script,
        &[
            "#!/bin/bash",
            "400 MiB allowed to each part",
            "25 % more are asked for",
            "4 times as much is asked for",
            "--mem=500M",
            "--time=00:10:00",
            "--array=1-3",
            "--dependency=afterok:",
            "--threads 2 --memory 400M",
        ],
    );
    // What is asked for comes from what `check` says.
    let checked = echograde().arg("check").arg(&pipeline).output().unwrap();
    let checked = String::from_utf8(checked.stdout).unwrap();
    contains_all(&checked, &["in parts: reading the clouds", "can be divided among machines"]);
    let file = folder.join("job.sh");
    fs::write(&file, &script).unwrap();
    // Does at once what is submitted, and notes the options.
    let path = stand_in(
        &folder,
        "sbatch",
        r#"#!/bin/bash
set -eu
echo "$*" >>submitted
array=
for word; do
    case $word in
    --array=*) array=${word#--array=1-} ;;
    --*) ;;
    *) break ;;
    esac
    shift
done
if [ -n "$array" ]; then
    for k in $(seq "$array"); do SLURM_ARRAY_TASK_ID=$k bash "$@" >&2; done
else
    bash "$@" >finished
fi
echo "$(wc -l <submitted);a-cluster"
"#,
    );
    let output = Command::new("bash").arg(&file).env("PATH", path).current_dir(&folder).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    let submitted = fs::read_to_string(folder.join("submitted")).unwrap();
    let lines: Vec<&str> = submitted.lines().collect();
    assert_eq!(lines.len(), 3, "{submitted}");
    // Of the number that a federation answers, the cluster is no part.
    assert!(!lines[0].contains("dependency"), "{submitted}");
    assert!(lines[1].contains("afterok:1 ") && lines[2].contains("afterok:2 "), "{submitted}");
    assert!(fs::read_to_string(folder.join("finished")).unwrap().contains("By return"));
    let whole = folder.join("whole");
    assert!(try_run(&pipeline, &whole, &[]).status.success());
    assert!(results(&out) == results(&whole));
    // The end, once more, has nothing to do.
    let again = Command::new("bash").arg(&file).arg("finish").current_dir(&folder).output().unwrap();
    assert!(again.status.success(), "{}", describe(&again));
}

/// What does not fit a schema, of which the few words of `tests/data/kubernetes_job.schema.json` are known.
fn misfits(schema: &Value, value: &Value, at: &str, found: &mut Vec<String>) {
    let is_label = |text: &str| {
        text.len() <= 63
            && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
            && !text.starts_with('-')
            && !text.ends_with('-')
    };
    let is_quantity = |text: &str| {
        let digits = text.trim_end_matches(|c: char| c.is_alphabetic());
        digits.parse::<f64>().is_ok() && ["", "m", "Ki", "Mi", "Gi"].contains(&&text[digits.len()..])
    };
    let is_of_type = match schema["type"].as_str() {
        None => true,
        Some("object") => value.is_object(),
        Some("array") => value.as_array().is_some_and(|items| !items.is_empty()),
        Some("string") => value.is_string(),
        Some("integer") => value.is_i64(),
        Some("boolean") => value.is_boolean(),
        Some(other) => panic!("the schema has a type {other}"),
    };
    let text = value.as_str().unwrap_or("");
    let fits = is_of_type
        && schema["enum"].as_array().is_none_or(|allowed| allowed.contains(value))
        && schema["minimum"].as_i64().is_none_or(|least| value.as_i64() >= Some(least))
        && (schema["label"].is_null() || is_label(text))
        && (schema["quantity"].is_null() || is_quantity(text));
    if !fits {
        found.push(format!("{at}: {value}"));
    }
    for key in schema["required"].as_array().into_iter().flatten() {
        if value[key.as_str().unwrap()].is_null() {
            found.push(format!("{at}: {key} is missing"));
        }
    }
    for (key, inner) in value.as_object().into_iter().flatten() {
        match schema["properties"].get(key) {
            Some(schema) => misfits(schema, inner, &format!("{at}.{key}"), found),
            None => found.push(format!("{at}.{key} is unknown")),
        }
    }
    for (i, item) in value.as_array().into_iter().flatten().enumerate() {
        misfits(&schema["items"], item, &format!("{at}[{i}]"), found);
    }
}

#[test]
fn the_job_for_kubernetes_fits_its_schema_and_gives_the_bytes_of_run_in_whatever_order_pods_start() {
    let (base, folder, pipeline) = place();
    let out = folder.join("in parts");
    let text = job(&pipeline, "kubernetes", &out);
    let manifest: Value = serde_yaml::from_str(&text).unwrap();
    let schema = fs::read_to_string(root().join("tests/data/kubernetes_job.schema.json")).unwrap();
    let schema: Value = serde_json::from_str(&schema).unwrap();
    let found = |manifest: &Value| {
        let mut found = Vec::new();
        misfits(&schema, manifest, "job", &mut found);
        found
    };
    assert!(found(&manifest).is_empty(), "{:?}", found(&manifest));
    // The schema is not one that takes anything.
    let mut wrong = manifest.clone();
    wrong["spec"]["completion"] = 7.into();
    wrong["spec"]["parallelism"] = "3".into();
    wrong["metadata"]["name"] = "A site".into();
    wrong["spec"]["template"]["spec"].as_object_mut().unwrap().remove("restartPolicy");
    assert_eq!(found(&wrong).len(), 4, "{:?}", found(&wrong));

    let spec = &manifest["spec"];
    assert_eq!((&spec["completions"], &spec["parallelism"]), (&7.into(), &3.into()));
    let container = &spec["template"]["spec"]["containers"][0];
    assert_eq!(container["resources"]["limits"]["memory"], "500Mi");
    let mount = Path::new(container["volumeMounts"][0]["mountPath"].as_str().unwrap());
    // The folder of the pipeline file and of the clouds.
    assert_eq!(mount, base.path());
    let elsewhere = Path::new("/nowhere/out");
    let mut refusal = echograde();
    refusal.args(["cluster", "--parts", "2", "--for", "kubernetes", "--out"]).args([elsewhere, &pipeline]);
    let output = refusal.output().unwrap();
    contains_all(&refused(&output, 2), &["lie in no folder", "put them into one"]);

    // Pods of all indexes at once, the last first: each waits for what it needs.
    let path = stand_in(&folder, "unused", "");
    symlink(PROGRAM, folder.join("bin/echograde")).unwrap();
    let pod = |index: u32| -> Child {
        let words = |key: &str| container[key].as_array().unwrap().iter().map(|word| word.as_str().unwrap());
        let mut command = words("command").chain(words("args"));
        Command::new(command.next().unwrap())
            .args(command)
            .env("PATH", &path)
            .env("JOB_COMPLETION_INDEX", index.to_string())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    };
    let pods: Vec<Child> = (0..7).rev().map(pod).collect();
    let outputs: Vec<Output> = pods.into_iter().map(|pod| pod.wait_with_output().unwrap()).collect();
    for output in &outputs {
        assert!(output.status.success(), "{}", describe(output));
    }
    let whole = folder.join("whole");
    assert!(try_run(&pipeline, &whole, &[]).status.success());
    assert!(results(&out) == results(&whole));
    let again = pod(6).wait_with_output().unwrap();
    assert!(again.status.success(), "{}", describe(&again));
}

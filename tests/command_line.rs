//! The program as a user meets it: exit codes, what it prints and where, and what it writes and leaves alone.

mod common;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use common::made::{COMPARE_ALL, grid, pipeline, point, slope, write_plain};
use common::{describe, echograde, flat, root, run};
use serde_json::Value;
use tempfile::TempDir;

/// A folder with a survey, a reference 20 mm lower, and a pipeline file over them.
fn site() -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    let raised =
        |by: f64| -> Vec<_> { grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + by)).collect() };
    write_plain(&folder.path().join("survey.laz"), &raised(0.02));
    write_plain(&folder.path().join("reference.laz"), &raised(0.0));
    let file = pipeline(folder.path(), COMPARE_ALL);
    (folder, file)
}

fn output(arguments: &[&str]) -> Output {
    echograde().args(arguments).output().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// All files and folders below a folder, with the sizes of files.
fn listing(folder: &Path) -> BTreeSet<(PathBuf, u64)> {
    let mut found = BTreeSet::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(listing(&path));
            found.insert((path, 0));
        } else {
            let size = fs::metadata(&path).unwrap().len();
            found.insert((path, size));
        }
    }
    found
}

/// Runs a command that must fail with `code`, print nothing on standard output, leave `folder` as it was, and say
/// each of `words` on standard error.
fn assert_fails(folder: &Path, arguments: &[&str], code: i32, words: &[&str]) {
    let before = listing(folder);
    let output = output(arguments);
    assert_eq!(output.status.code(), Some(code), "{arguments:?}\n{}", describe(&output));
    assert!(output.stdout.is_empty(), "{}", describe(&output));
    let said = stderr(&output);
    for word in words {
        assert!(said.contains(word), "no `{word}` in\n{said}");
    }
    assert!(!said.contains("panicked"), "{said}");
    assert_eq!(listing(folder), before, "{arguments:?}");
}

#[test]
fn a_good_run_prints_its_result_and_nothing_else() {
    let (folder, file) = site();
    let out = folder.path().join("out");
    let found = output(&["run", text(&file), "--out", text(&out)]);
    assert_eq!(found.status.code(), Some(0), "{}", describe(&found));
    let printed = stdout(&found);
    assert!(printed.contains("By return"), "{printed}");
    for log in ["INFO", "WARN", "reading", "results in", "\u{1b}", "\r"] {
        assert!(!printed.contains(log), "{log}: {printed}");
    }
    // Where the results are and what to know about the inputs is said beside.
    assert!(stderr(&found).contains(text(&out)), "{}", describe(&found));
    assert!(stderr(&found).contains("do not both state their horizontal system"), "{}", describe(&found));
}

#[test]
fn json_on_standard_output_is_summary_json() {
    let (folder, file) = site();
    let out = folder.path().join("out");
    let found = output(&["run", text(&file), "--out", text(&out), "--json"]);
    assert_eq!(found.status.code(), Some(0), "{}", describe(&found));
    assert_eq!(stdout(&found), fs::read_to_string(out.join("summary.json")).unwrap());
    assert_eq!(serde_json::from_str::<Value>(&stdout(&found)).unwrap()["all"]["bias"], 0.02);
}

#[test]
fn a_wrong_command_line_ends_with_2_and_writes_nothing() {
    let (folder, file) = site();
    let (at, file) = (folder.path(), text(&file));
    let missing = at.join("missing.yaml");
    assert_fails(at, &["run", text(&missing)], 2, &["missing.yaml", "cannot be read"]);
    assert_fails(at, &["check", text(&missing)], 2, &["missing.yaml"]);
    assert_fails(at, &["run", text(at)], 2, &["this is a folder"]);
    assert_fails(at, &["run", text(&at.join("survey.laz"))], 2, &["this is a point file"]);
    assert_fails(at, &["run", file, "--threads", "0"], 2, &["'0'", "--threads", "1..=1024"]);
    assert_fails(
        at,
        &["run", file, "--memory", "1M"],
        2,
        &["1 MiB of memory is too little", "need 84 MiB", "--memory"],
    );
    assert_fails(at, &["check", file, "--memory", "1M"], 2, &["1 MiB", "--memory"]);
    assert_fails(at, &["run", file, "--memory", "much"], 2, &["`much` is not a size", "512M"]);
    assert_fails(at, &["stages", "grund"], 2, &["`grund`", "read, select, ground", "checkpoints, compare"]);
    assert_fails(at, &["run"], 2, &["<FILE>"]);
    assert_fails(at, &["walk", file], 2, &["walk", "--help"]);
    // What the run reads must not be what it replaces, even where an earlier run wrote the folder.
    let earlier = at.join("earlier");
    assert_eq!(output(&["run", file, "--out", text(&earlier)]).status.code(), Some(0));
    fs::rename(at.join("survey.laz"), earlier.join("survey.laz")).unwrap();
    let moved = fs::read_to_string(file).unwrap().replace("[survey.laz]", "[earlier/survey.laz]");
    fs::write(file, moved).unwrap();
    let words = ["earlier holds `survey.laz`, which the run reads"];
    assert_fails(at, &["run", file, "--out", text(&earlier), "--replace"], 2, &words);
}

#[test]
fn a_wrong_pipeline_file_ends_with_2_and_tells_everything_at_once() {
    let (folder, file) = site();
    let wrong = fs::read_to_string(&file).unwrap().replace("ground: {}", "ground: {cell: 0.5, slop: 0.3}");
    fs::write(&file, wrong).unwrap();
    for command in ["run", "check"] {
        let words = ["pipeline.yaml:3:", "has no unit", "`0.5 m`", "slop", "slope"];
        assert_fails(folder.path(), &[command, text(&file)], 2, &words);
    }
}

#[test]
fn a_cloud_that_cannot_be_read_ends_with_1_and_leaves_nothing() {
    let (folder, file) = site();
    let survey = folder.path().join("survey.laz");
    let whole = fs::read(&survey).unwrap();
    let out = folder.path().join("out");
    let run = ["run", text(&file), "--out", text(&out)];

    fs::write(&survey, "x y z\n1 2 3\n".repeat(100)).unwrap();
    assert_fails(folder.path(), &run, 1, &["survey.laz", "not a LAS, LAZ or E57 file"]);
    assert_fails(folder.path(), &["check", text(&file)], 1, &["survey.laz", "not a LAS, LAZ or E57 file"]);
    fs::write(&survey, "").unwrap();
    assert_fails(folder.path(), &run, 1, &["survey.laz"]);
    fs::write(&survey, &whole[..whole.len() / 2]).unwrap();
    assert_fails(folder.path(), &run, 1, &["survey.laz"]);

    // Damage that only shows when the points are read, when the run has begun: the sizes of the chunk's layers, after
    // the offset of the chunk table (8 bytes), a whole point (30) and the number of points (4).
    let points_at = u32::from_le_bytes(whole[96..100].try_into().unwrap()) as usize;
    let mut damaged = whole.clone();
    damaged[points_at + 42..points_at + 42 + 36].fill(0xff);
    fs::write(&survey, &damaged).unwrap();
    assert_eq!(output(&["check", text(&file)]).status.code(), Some(0));
    assert_fails(folder.path(), &run, 1, &["survey.laz"]);

    fs::write(&survey, &whole).unwrap();
    assert_eq!(output(&run).status.code(), Some(0));
}

#[test]
fn what_stands_in_the_run_folder_is_safe() {
    let (folder, file) = site();
    let (at, file) = (folder.path(), text(&file));
    let other = at.join("letters");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("letter.txt"), "Dear").unwrap();
    assert_fails(at, &["run", file, "--out", text(&other)], 1, &["letters", "files that no run wrote"]);
    assert_fails(at, &["run", file, "--out", text(&other), "--replace"], 1, &["files that no run wrote"]);
    let letter = other.join("letter.txt");
    // A file in its place is refused before anything is read; 1 or 2 is for the program to choose.
    let found = output(&["run", file, "--out", text(&letter), "--replace"]);
    assert!(matches!(found.status.code(), Some(1 | 2)), "{}", describe(&found));
    assert!(stderr(&found).contains("is a file"), "{}", describe(&found));
    assert_eq!(fs::read_to_string(&letter).unwrap(), "Dear");

    let out = at.join("out");
    assert_eq!(output(&["run", file, "--out", text(&out)]).status.code(), Some(0));
    assert_fails(at, &["run", file, "--out", text(&out)], 1, &["out", "--replace"]);
    // A run that fails leaves the results before it as they were, even when it may replace them.
    let before = listing(&out);
    let survey = at.join("survey.laz");
    let whole = fs::read(&survey).unwrap();
    fs::write(&survey, &whole[..400]).unwrap();
    assert_fails(at, &["run", file, "--out", text(&out), "--replace"], 1, &["survey.laz"]);
    assert_eq!(listing(&out), before);
    fs::write(&survey, whole).unwrap();

    let manifest = || fs::read_to_string(out.join("manifest.json")).unwrap();
    let first = manifest();
    assert_eq!(output(&["run", file, "--out", text(&out), "--replace"]).status.code(), Some(0));
    assert_ne!(first, manifest(), "the results are new ones");
    let empty = at.join("empty");
    fs::create_dir(&empty).unwrap();
    assert_eq!(output(&["run", file, "--out", text(&empty)]).status.code(), Some(0));
    assert!(listing(at).iter().all(|(path, _)| !text(path).contains("unfinished")));
}

#[test]
fn check_shows_what_it_should_and_writes_nothing() {
    let (folder, file) = site();
    let before = listing(folder.path());
    let found = output(&["check", text(&file), "--memory", "300M", "--threads", "3"]);
    assert_eq!(found.status.code(), Some(0), "{}", describe(&found));
    let said = stdout(&found);
    for promised in [
        "can be run; results go to",
        "runs/pipeline",
        "survey: 1,200 points in 1 file(s)",
        "reference: 1,200 points in 1 file(s)",
        "x and y in metres, z in metres",
        "report in metres",
        "tiles of",
        "3 threads",
        "300 MiB allowed",
        "disk needed:",
        "do not both state their horizontal system",
        "pipeline as resolved",
        "dh_initial: 0.3 m",
        "spacing: 1 m",
    ] {
        assert!(said.contains(promised), "no `{promised}` in\n{said}");
    }
    let found = output(&["check", text(&file), "--json"]);
    let checked: Value = serde_json::from_str(&stdout(&found)).unwrap();
    assert_eq!((&checked["survey"]["points"], &checked["report_units"]), (&1200.into(), &"m".into()));
    assert_eq!(listing(folder.path()), before);
    // The pipeline that check shows is the one that a run writes down.
    assert_eq!(checked["resolved"].as_str(), Some(&*run(&file, &[]).text("pipeline.yaml")));
}

#[test]
fn the_pipeline_written_down_gives_the_same_results_again() {
    let original = root().join("pipelines/scan-reference.yaml");
    let first = run(&original, &[]);
    let folder = TempDir::new().unwrap();
    let data = root().join("demo-data").display().to_string().replace('\\', "/");
    // Beside the original means: with the original's paths.
    let resolved = first.text("pipeline.yaml");
    assert!(resolved.contains("../demo-data/"));
    let again = folder.path().join("again.yaml");
    fs::write(&again, resolved.replace("../demo-data", &data)).unwrap();
    let second = run(&again, &["--threads", "1"]);
    assert_eq!(first.same_bytes(), second.same_bytes());
    assert_eq!(second.text("pipeline.yaml"), fs::read_to_string(&again).unwrap());
}

fn schema() -> Value {
    let found = output(&["schema"]);
    assert_eq!(found.status.code(), Some(0), "{}", describe(&found));
    serde_json::from_str(&stdout(&found)).unwrap()
}

/// Stages by name, with the schema of their options.
fn stages(schema: &Value) -> Vec<(String, Value)> {
    let entries = schema["properties"]["stages"]["items"]["oneOf"].as_array().unwrap();
    let stages = entries.iter().filter_map(|entry| entry["properties"].as_object()).flatten();
    stages.map(|(name, options)| (name.clone(), options.clone())).collect()
}

#[test]
fn the_schema_has_every_stage() {
    let names: Vec<String> = stages(&schema()).into_iter().map(|(name, _)| name).collect();
    for name in ["read", "select", "ground", "checkpoints", "compare", "summarise", "terrain"] {
        assert!(names.contains(&name.to_string()), "{name} in {names:?}");
    }
}

#[test]
fn pipeline_files_name_the_schema_by_which_editors_check_them() {
    // Made again with: cargo run --release -- schema > pipelines/echograde.schema.json
    let kept = fs::read_to_string(root().join("pipelines/echograde.schema.json")).unwrap();
    assert!(
        kept == stdout(&output(&["schema"])),
        "pipelines/echograde.schema.json is not what `schema` prints"
    );
    for entry in fs::read_dir(root().join("pipelines")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|extension| extension == "yaml") {
            let text = fs::read_to_string(&path).unwrap();
            assert!(text.starts_with("# yaml-language-server: $schema=echograde.schema.json\n"), "{path:?}");
        }
    }
}

/// The commands, as the help lists them.
fn commands() -> Vec<String> {
    let help = stdout(&output(&["--help"]));
    let listed =
        help.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    listed
        .filter(|line| !line.starts_with("   "))
        .map(|line| line.split_whitespace().next().unwrap().into())
        .collect()
}

#[test]
fn shells_complete_every_command_and_each_has_a_page() {
    let folder = TempDir::new().unwrap();
    let pages = folder.path().join("man");
    assert_eq!(output(&["manual", "--out", text(&pages)]).status.code(), Some(0));
    let commands = commands();
    assert!(commands.len() > 8, "{commands:?}");
    for command in commands.iter().filter(|name| *name != "help") {
        let page = fs::read_to_string(pages.join(format!("echograde-{command}.1"))).unwrap();
        assert!(page.contains(".SH SYNOPSIS") && page.contains(".SH OPTIONS"), "{page}");
    }
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = stdout(&output(&["completions", shell]));
        for word in commands.iter().map(String::as_str).chain(["resume", "memory"]) {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
    fs::write(folder.path().join("file"), "").unwrap();
    assert_fails(folder.path(), &["manual", "--out", text(&folder.path().join("file"))], 1, &["file"]);
}

#[test]
fn patterns_are_expanded_where_the_shell_does_not() {
    let (folder, _) = site();
    let ask = |arguments: &[&str]| echograde().args(arguments).current_dir(folder.path()).output().unwrap();
    let found = ask(&["inspect", "*.laz"]);
    let said = stdout(&found);
    assert_eq!(found.status.code(), Some(0), "{}", describe(&found));
    assert!(said.find("reference.laz").unwrap() < said.find("survey.laz").unwrap(), "{said}");
    assert_eq!(ask(&["new", "s*.laz", "--reference", "ref*.laz", "--out", "a.yaml"]).status.code(), Some(0));
    assert_eq!(ask(&["run", "a.y*"]).status.code(), Some(0));
    let none = ask(&["inspect", "*.e57"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(stderr(&none).contains("no file matches `*.e57`"), "{}", stderr(&none));
}

#[test]
fn a_log_that_is_asked_to_tell_more_does() {
    let (folder, file) = site();
    let run = |level: &str, out: &str| {
        let mut command = echograde();
        command.args(["run", text(&file), "--out", text(&folder.path().join(out))]).env("RUST_LOG", level);
        stderr(&command.output().unwrap())
    };
    let (more, less) = (run("debug", "more"), run("info", "less"));
    assert!(more.contains("DEBUG") && more.contains("fields") && more.contains("part(s)"), "{more}");
    assert!(!less.contains("DEBUG"), "{less}");
}

#[test]
fn stages_lists_every_option_with_its_default_and_its_source() {
    // Lines are broken to fit the screen; words are compared.
    let all = flat(&stdout(&output(&["stages"])));
    let mut checked = 0;
    for (name, options) in stages(&schema()) {
        let chapter = output(&["stages", &name]);
        assert_eq!(chapter.status.code(), Some(0), "{}", describe(&chapter));
        let chapter = flat(&stdout(&chapter));
        assert!(all.contains(&chapter), "{name}");
        assert!(chapter.contains(&flat(options["description"].as_str().unwrap())), "{name}: {chapter}");
        let properties = options["properties"].as_object().cloned().unwrap_or_default();
        for (option, schema) in &properties {
            let at = format!("{name}.{option}");
            let start = chapter.find(&format!("{option} (")).unwrap_or_else(|| panic!("{at}: {chapter}"));
            let entry = &chapter[start..];
            let default =
                schema["x-default"].as_str().map(str::to_string).or_else(|| {
                    let default = schema.get("default")?;
                    Some(default.as_str().map_or_else(
                        || default.to_string().replace('"', "").replace(',', ", "),
                        str::to_string,
                    ))
                });
            let default = default.unwrap_or_else(|| "not set".to_string());
            assert!(entry.starts_with(&format!("{option} (default: {default})")), "{at}: {entry}");
            let description =
                schema["description"].as_str().unwrap_or_else(|| panic!("{at} is not described"));
            assert!(entry.contains(&flat(description)), "{at}: {entry}");
            let source = schema["x-source"].as_str().unwrap_or_else(|| panic!("{at} names no source"));
            assert!(entry.contains(&format!("Source: {}", flat(source))), "{at}: {entry}");
            checked += 1;
        }
    }
    assert!(checked >= 20, "{checked}");
}

/// Runs a command whose standard output nobody reads any more.
fn with_closed_pipe(arguments: &[&str]) -> Output {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let program = echograde().get_program().to_owned();
    Command::new(program).args(arguments).stdout(writer).stderr(Stdio::piped()).output().unwrap()
}

#[test]
fn a_reader_that_has_seen_enough_is_no_failure() {
    let (folder, file) = site();
    let out = folder.path().join("out");
    for arguments in
        [&["stages"][..], &["schema"], &["check", text(&file)], &["run", text(&file), "--out", text(&out)]]
    {
        let found = with_closed_pipe(arguments);
        assert_eq!(found.status.code(), Some(0), "{arguments:?}\n{}", describe(&found));
        assert!(!stderr(&found).contains("panicked"), "{}", describe(&found));
    }
    assert!(out.join("summary.json").is_file());
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_under_standard_output_is_a_failure() {
    let full = fs::File::options().write(true).open("/dev/full").unwrap();
    let program = echograde().get_program().to_owned();
    let found = Command::new(program).arg("stages").stdout(full).output().unwrap();
    assert_eq!(found.status.code(), Some(1), "{}", describe(&found));
    assert!(stderr(&found).contains("standard output"), "{}", describe(&found));
}

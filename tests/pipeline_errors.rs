//! Pipeline files, wrong ones and right ones: what is said of each, and where.
//!
//! The files are in `tests/pipelines`; what is said of a wrong one is in `tests/snapshots`.

use std::fs;
use std::path::{Path, PathBuf};

use echograde::cloud::Location;
use echograde::pipeline::resolved::resolved_yaml;
use echograde::pipeline::{Loaded, PipelineError, load, load_text};
use echograde::stages::list::Stage;
use echograde::units::Length;
use proptest::prelude::*;

fn files(folder: &str) -> Vec<PathBuf> {
    let entries = fs::read_dir(Path::new("tests/pipelines").join(folder)).unwrap();
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

fn wrong(name: &str) -> PipelineError {
    load(&Path::new("tests/pipelines/wrong").join(name)).unwrap_err()
}

fn good(name: &str) -> Loaded {
    load(&Path::new("tests/pipelines/good").join(name)).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn every_wrong_file_is_explained() {
    let files = files("wrong");
    assert!(files.len() >= 30, "{} files", files.len());
    for file in files {
        let error = load(&file).expect_err(&file.display().to_string());
        let name = file.file_stem().unwrap().to_str().unwrap();
        insta::with_settings!({ prepend_module_to_snapshot => false, omit_expression => true }, {
            insta::assert_snapshot!(name, error.to_string().replace('\\', "/"));
        });
    }
}

#[cfg(not(feature = "remote"))]
#[test]
fn an_address_is_refused_at_its_place_with_the_remedy_where_the_program_is_built_without_them() {
    let text = "survey: {files: [a.laz, 'https://data.example/b.laz?X-Amz-Signature=hushed']}\nreference: {files: ['s3://bucket/*.laz']}\n\
                exclude: [{area: 'https://data.example/c.geojson', why: roads}]\n";
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.laz"), "LASF").unwrap();
    let error = load_text(&folder.path().join("site.yaml"), text).unwrap_err();
    let said: Vec<&str> = error.problems.iter().map(|problem| problem.message.as_str()).collect();
    let remedy = "is an address, which this build of echograde cannot read: download the file and name it, or install with \
                  `cargo install --path . --features remote`";
    assert_eq!(
        said,
        [
            &format!("`https://data.example/b.laz` {remedy}"),
            &format!("`s3://bucket/*.laz` {remedy}"),
            "`https://data.example/c.geojson` is an address, but only clouds are read from addresses",
        ]
    );
    assert_eq!(error.line_and_column(&error.problems[0]), Some((1, 25)));
    assert!(!error.to_string().contains("hushed"), "{error}");
}

#[test]
fn no_message_speaks_of_the_program_s_own_types() {
    for file in files("wrong") {
        let message = load(&file).unwrap_err().to_string();
        for word in
            ["struct", "enum", "invalid type", "u64", "f64", "sequence", "variant", "field", "line 1 column"]
        {
            assert!(!message.contains(word), "`{word}` in:\n{message}");
        }
    }
}

#[test]
fn ten_problems_are_reported_at_once_each_in_its_place() {
    let error = wrong("ten_problems.yaml");
    let places: Vec<_> =
        error.problems.iter().map(|problem| error.line_and_column(problem).unwrap()).collect();
    let expected =
        [(3, 34), (4, 3), (6, 8), (8, 5), (9, 27), (11, 13), (12, 14), (13, 15), (14, 5), (14, 31)];
    assert_eq!(places, expected, "{error}");
}

#[test]
fn columns_count_letters_not_bytes() {
    let error = wrong("letters_beyond_ascii.yaml");
    assert_eq!(error.line_and_column(&error.problems[0]), Some((2, 42)), "{error}");
}

#[test]
fn a_file_that_is_no_text_is_named_without_a_place() {
    let message = load(Path::new("tests/data/simple.las")).unwrap_err().to_string();
    assert!(
        message.contains("this is a point file") && message.contains("tests/data/simple.las"),
        "{message}"
    );
    let message = load(Path::new("tests/data")).unwrap_err().to_string();
    assert!(message.contains("this is a folder"), "{message}");
    let message = load(Path::new("tests/none.yaml")).unwrap_err().to_string();
    assert!(message.contains("cannot be read"), "{message}");
}

#[test]
fn a_hopeless_file_is_given_up_soon() {
    let path = Path::new("tests/pipelines/wrong/x.yaml");
    let keys: String = (0..20_000).map(|n| format!("key_{n}: 1\n")).collect();
    let error = load_text(path, &keys).unwrap_err();
    assert_eq!(error.problems.len(), 50);
    assert!(error.to_string().contains("there may be more"));

    // Each line repeats the line before nine times: nine of them are half a billion entries.
    let mut bomb = "k0: &k0 [x, x, x, x, x, x, x, x, x]\n".to_string();
    for n in 1..10 {
        let before = format!("*k{}, ", n - 1).repeat(9);
        bomb += &format!("k{n}: &k{n} [{before}]\n");
    }
    assert!(load_text(path, &bomb).unwrap_err().to_string().contains("repeats itself"));
    assert!(load_text(path, &"[".repeat(100_000)).unwrap_err().to_string().contains("nested too deeply"));
}

#[test]
fn colour_adds_nothing_but_colour() {
    let error = wrong("ten_problems.yaml");
    let coloured = error.render(true);
    assert!(coloured.contains("\u{1b}["));
    // A colour begins with an escape and ends with an m.
    let mut plain = String::new();
    let mut in_colour = false;
    for c in coloured.chars() {
        match c {
            '\u{1b}' => in_colour = true,
            'm' if in_colour => in_colour = false,
            c if !in_colour => plain.push(c),
            _ => {}
        }
    }
    assert_eq!(plain, error.render(false));
}

#[test]
fn the_shortest_file_has_every_default() {
    let loaded = good("shortest.yaml");
    assert_eq!(loaded.pipeline.title, "shortest");
    assert_eq!(loaded.pipeline.output, Path::new("runs/shortest"));
    assert_eq!(loaded.output_folder(), Path::new("tests/pipelines/good/runs/shortest"));
    assert_eq!(loaded.pipeline.seed, 1);
    assert_eq!(loaded.pipeline.stages.len(), 3);
    assert_eq!(good("with_reference.yaml").pipeline.stages.len(), 5);
}

#[test]
fn the_files_of_a_pattern_are_sorted_and_each_is_there_once() {
    let text = "survey: {files: ['../../data/simple.las', '../../data/*.la?', './../../data/simple.las']}";
    let loaded = load_text(Path::new("tests/pipelines/good/x.yaml"), text).unwrap();
    let names: Vec<String> = loaded.survey_files.iter().map(Location::name).collect();
    let count = |wanted: &str| names.iter().filter(|name| *name == wanted).count();
    assert_eq!((count("simple.las"), count("autzen_trim.laz"), count("README.md")), (1, 1, 0), "{names:?}");
}

#[test]
fn a_folder_name_with_brackets_is_taken_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let site = folder.path().join("site [north]*");
    fs::create_dir(&site).unwrap();
    fs::write(site.join("a.laz"), "").unwrap();
    fs::write(site.join("._a.laz"), "").unwrap();
    let loaded = load_text(&site.join("p.yaml"), "survey: {files: ['*.laz']}").unwrap();
    let found: Vec<&Path> = loaded.survey_files.iter().map(Location::path).collect();
    assert_eq!(found, [site.join("a.laz")]);
}

#[test]
fn what_is_resolved_loads_to_the_same() {
    for file in files("good") {
        let loaded = load(&file).unwrap_or_else(|error| panic!("{error}"));
        assert_same_again(&loaded);
        insta::with_settings!({ prepend_module_to_snapshot => false, omit_expression => true }, {
            let name = format!("resolved_{}", file.file_stem().unwrap().to_str().unwrap());
            insta::assert_snapshot!(name, resolved_yaml(&loaded.pipeline));
        });
    }
}

fn assert_same_again(loaded: &Loaded) {
    let text = resolved_yaml(&loaded.pipeline);
    let again =
        load_text(&loaded.folder.join("pipeline.yaml"), &text).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(again.pipeline, loaded.pipeline);
    assert_eq!(resolved_yaml(&again.pipeline), text);
}

#[test]
fn a_later_check_can_point_into_the_file() {
    let loaded = good("every_option.yaml");
    let units =
        loaded.problem_at(&["survey".into(), "units".into()], "no such unit", "here", Some("mend it"));
    let cell = loaded.problem_at(&loaded.option_path(3, "cell"), "too small", "for this cloud", None);
    let message = loaded.error(vec![units, cell]).to_string();
    assert!(
        message.contains("every_option.yaml:5:10") && message.contains("every_option.yaml:24:35"),
        "{message}"
    );
}

#[test]
fn a_run_folder_named_later_is_checked_too() {
    let loaded = good("shortest.yaml");
    assert!(loaded.output_clash(Path::new("tests")).unwrap().contains("simple.las"));
    assert_eq!(loaded.output_clash(Path::new("tests/nowhere")), None);
}

/// Lengths as people write them.
fn length(low: u32, high: u32) -> impl Strategy<Value = Length> {
    let unit = prop::sample::select(vec!["mm", "cm", "m", "ft", "ftUS"]);
    (low..high, unit).prop_map(|(thousandths, unit)| {
        // Not below 0.3 m nor above 10 km in any unit.
        let factor = match unit {
            "mm" => 1.0,
            "cm" => 0.1,
            _ => 0.001,
        };
        Length::parse(&format!("{} {unit}", f64::from(thousandths) * factor)).unwrap()
    })
}

proptest! {
    #[test]
    fn any_options_come_back_from_what_is_resolved(
        title in "[ -~äöé]{1,30}", seed: u64, tile in length(4000, 500_000), cell in length(4000, 9000),
        slope in 0.0..10.0f64, spacing in length(1, 9000), within in length(1, 9000), per_return in 1u64..
    ) {
        let mut loaded = good("every_option.yaml");
        loaded.pipeline.seed = seed;
        loaded.pipeline.title = format!("x{title}");
        for stage in &mut loaded.pipeline.stages {
            match stage {
                Stage::Read(read) => read.tile = echograde::stages::auto::Auto::Fixed(tile),
                Stage::Ground(ground) => {
                    ground.cell = cell;
                    ground.window_max = Length::metres(30.0);
                    ground.slope = slope;
                }
                Stage::Checkpoints(checkpoints) => {
                    checkpoints.spacing = spacing;
                    checkpoints.per_return = echograde::stages::auto::Count::AtMost(per_return);
                }
                Stage::Compare(compare) => compare.within = Some(echograde::stages::auto::Auto::Fixed(within)),
                _ => {}
            }
        }
        assert_same_again(&loaded);
    }

    /// Whatever is done to a file: it loads, or something is said of it, in a place that exists.
    #[test]
    fn a_damaged_file_is_never_met_with_silence(
        at in any::<prop::sample::Index>(), out in 0usize..12, put in "[\\[\\]{}:,'\"*&!#|>%@`~ \n\t0-9a-zé-]{0,6}"
    ) {
        for name in ["every_option.yaml", "stages_by_name.yaml"] {
            let path = Path::new("tests/pipelines/good").join(name);
            let mut text: Vec<char> = fs::read_to_string(&path).unwrap().chars().collect();
            let start = at.index(text.len());
            let end = (start + out).min(text.len());
            text.splice(start..end, put.chars());
            let text: String = text.into_iter().collect();
            if let Err(error) = load_text(&path, &text) {
                prop_assert!(!error.problems.is_empty());
                for problem in &error.problems {
                    prop_assert!(error.line_and_column(problem).is_some());
                }
                prop_assert!(error.render(false).contains("error: "));
            }
        }
    }
}

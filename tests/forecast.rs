//! What `check` expects of a run before it reads points, held against what the run took.

mod common;

use common::{echograde, manifest, root, run};
use serde_json::Value;

fn check(pipeline: &str) -> Value {
    let output = echograde().args(["check", "--json"]).arg(root().join(pipeline)).output().unwrap();
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn tiles_are_those_of_the_run_and_disk_and_memory_are_near() {
    for pipeline in ["pipelines/demo.yaml", "pipelines/feet.yaml", "pipelines/scan-reference.yaml"] {
        let checked = check(pipeline);
        let run = run(&root().join(pipeline), &[]);
        let manifest = manifest(&run.out);
        assert_eq!(checked["tiles"], manifest["tiles"], "{pipeline}");
        assert_eq!(checked["tile_edge_m"], manifest["tile_edge_m"], "{pipeline}");
        // Points make up most of the disk: surfaces, comparisons and terrain cells come on top.
        let (expected, spilled) = (checked["disk_needed"].as_f64(), manifest["spill_bytes"].as_f64());
        let ratio = expected.unwrap() / spilled.unwrap();
        assert!((1.0..2.0).contains(&ratio), "{pipeline}: {ratio}");
        // Small sites are mostly the program itself; bench/README.md has large ones.
        if let Some(peak) = manifest["peak_memory"].as_f64() {
            let ratio = checked["memory_expected"].as_f64().unwrap() / peak;
            assert!((0.5..3.0).contains(&ratio), "{pipeline}: {ratio}");
        }
        assert!(checked["memory_floor"].as_u64() < checked["memory_allowed"].as_u64());
    }
}

//! The job as an indexed Job of Kubernetes (`batch/v1`): one index for each part of each phase and one for the end, started in
//! ascending order, each waiting for the phase before.
//!
//! One Job instead of three: Kubernetes starts the missing index with the smallest number first, so that those that wait never
//! take the place of one that they wait for.

use std::path::{Path, PathBuf};

use crate::cli::cluster::Plan;
use crate::cli::error::CliError;
use crate::engine::parts::missing::quoted;
use crate::engine::store::phase::Phase;

/// The manifest.
///
/// # Errors
/// Where no folder holds all files: a volume cannot be mounted in place of the root.
pub fn job(plan: &Plan) -> Result<String, CliError> {
    let Plan { name, parts, resources, .. } = plan;
    let remarks: String = plan.remarks.iter().map(|line| format!("# {line}\n")).collect();
    let path = |path: &Path| quoted(&path.display().to_string());
    let memory = plan.memory.div_ceil(1 << 20);
    // All of it, one phase after the other, and as much again for starting pods.
    let deadline = 2 * plan.seconds.iter().sum::<u64>();
    let common = common_folder(plan);
    if common.parent().is_none() {
        let message = format!(
            "{}, the clouds and {} lie in no folder that a volume could be mounted at: put them into one",
            plan.pipeline.display(),
            plan.out.display()
        );
        return Err(CliError::Usage(message));
    }
    let mount = serde_json::to_string(&common.display().to_string()).expect("plain data");
    let script = format!(
        r#"set -eu
program=echograde
pipeline={pipeline}
out={out}
index=$JOB_COMPLETION_INDEX
wait_for() {{
  number=1
  while [ "$number" -le {parts} ]; do
    if [ -e "$1/$number" ]; then number=$((number + 1)); else sleep 5; fi
  done
}}
if [ "$index" -lt {parts} ]; then
  exec {deal}
elif [ "$index" -lt {twice} ]; then
  wait_for {dealt}
  exec {work}
fi
if {is_finished}; then exit 0; fi
wait_for {worked}
exec "$program" finish "$out" {options}
"#,
        pipeline = path(&plan.pipeline),
        out = path(&plan.out),
        deal = plan.part("deal", "$((index + 1))"),
        work = plan.part("work", &format!("$((index - {parts} + 1))")),
        twice = 2 * parts,
        dealt = path(&plan.folder(Phase::Deal)),
        worked = path(&plan.folder(Phase::Work)),
        is_finished = plan.is_finished(),
        options = plan.options(),
    );
    let script: String = script.lines().map(|line| format!("              {line}\n")).collect();
    Ok(format!(
        r#"# A run of echograde in {parts} parts, as an indexed Job: `kubectl apply -f THIS-FILE`. Indexes 0 to {last_deal} read the clouds (`deal`),
# {parts} to {last_work} work on tiles (`work`), {last} concludes (`finish`); at most {parts} run at once, and each waits for the phase before.
{remarks}# To be set: the image, which holds the program and a shell, and the claim of the volume, which all pods mount at the same place.
apiVersion: batch/v1
kind: Job
metadata:
  name: {name}
spec:
  completionMode: Indexed
  completions: {completions}
  parallelism: {parts}
  backoffLimitPerIndex: 3
  maxFailedIndexes: 0
  activeDeadlineSeconds: {deadline}
  template:
    spec:
      restartPolicy: Never
      containers:
        - name: echograde
          image: "echograde:{version}"
          command: ["/bin/sh", "-c"]
          args:
            - |
{script}          resources:
            requests: {{cpu: "{threads}", memory: "{memory}Mi"}}
            limits: {{memory: "{memory}Mi"}}
          volumeMounts:
            - {{name: data, mountPath: {mount}}}
      volumes:
        - name: data
          persistentVolumeClaim: {{claimName: echograde-data}}
"#,
        last_deal = parts - 1,
        last_work = 2 * parts - 1,
        last = 2 * parts,
        completions = 2 * parts + 1,
        version = env!("CARGO_PKG_VERSION"),
        threads = resources.threads,
    ))
}

/// The folder that holds all that the parts read and write.
fn common_folder(plan: &Plan) -> PathBuf {
    let folder = |path: &Path| path.parent().unwrap_or(path).to_path_buf();
    let all = plan.inputs.iter().chain([&plan.pipeline, &plan.out]).map(|path| folder(path));
    let shared = |one: PathBuf, other: PathBuf| {
        one.ancestors().find(|ancestor| other.starts_with(ancestor)).unwrap_or(&one).to_path_buf()
    };
    all.reduce(shared).unwrap_or_default()
}

//! The job as a script for Slurm's `sbatch`: it submits two arrays and the end, each depending on the one before.

use crate::cli::cluster::Plan;
use crate::engine::parts::missing::quoted;

/// The script.
pub fn script(plan: &Plan) -> String {
    let Plan { name, parts, resources, seconds, .. } = plan;
    let remarks: String = plan.remarks.iter().map(|line| format!("# {line}\n")).collect();
    let path = |path: &std::path::Path| quoted(&path.display().to_string());
    let memory = plan.memory.div_ceil(1 << 20);
    let [deal, work, finish] = seconds.map(time);
    let submit = |phase: &str, time: &str, more: &str| {
        format!(
            "sbatch --parsable --job-name={name}-{phase} --cpus-per-task={} --mem={memory}M --time={time} --requeue \\\n        \
             --open-mode=append {more} \"$0\" {phase}",
            resources.threads
        )
    };
    let array = |phase: &str, after: &str| format!("{after}--array=1-{parts} --output={name}-{phase}-%a.log");
    let after = |job: &str| format!("--dependency=afterok:\"${{{job}%%;*}}\" --kill-on-invalid-dep=yes ");
    let deal = submit("deal", &deal, &array("deal", ""));
    let work = submit("work", &work, &array("work", &after("deal")));
    let finish = submit("finish", &finish, &format!("{}--output={name}-finish.log", after("work")));
    format!(
        r#"#!/bin/bash
# A run of echograde in {parts} parts. `sbatch` (or `bash`) of this file submits an array that reads the clouds (`deal`), one
# that works on tiles (`work`) and the end (`finish`), each depending on the one before. A part that was lost is requeued, or
# submitted again by `sbatch --array=NUMBER THIS-FILE deal`; none does harm when it runs twice.
{remarks}# All paths must be the same on all machines.
#SBATCH --job-name={name}
#SBATCH --output={name}-submit.log
#SBATCH --ntasks=1
#SBATCH --mem={memory}M
#SBATCH --time=10
set -euo pipefail
program={program}
pipeline={pipeline}
out={out}
case "${{1:-submit}}" in
submit)
    deal=$({deal})
    work=$({work})
    finish=$({finish})
    echo "submitted: deal $deal, work $work, finish $finish; results go to $out"
    ;;
deal)
    exec {part_deal}
    ;;
work)
    exec {part_work}
    ;;
finish)
    if {is_finished}; then exit 0; fi
    exec "$program" finish "$out" {options}
    ;;
esac
"#,
        program = path(&plan.program),
        pipeline = path(&plan.pipeline),
        out = path(&plan.out),
        part_deal = plan.part("deal", "$SLURM_ARRAY_TASK_ID"),
        part_work = plan.part("work", "$SLURM_ARRAY_TASK_ID"),
        is_finished = plan.is_finished(),
        options = plan.options(),
    )
}

/// Seconds as Slurm takes them, rounded up to minutes: `1-02:30:00`.
fn time(seconds: u64) -> String {
    let minutes = seconds.div_ceil(60);
    let (days, hours) = (minutes / 1440, minutes / 60 % 24);
    let days = if days > 0 { format!("{days}-") } else { String::new() };
    format!("{days}{hours:02}:{:02}:00", minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::time;

    #[test]
    fn times_are_whole_minutes_with_days_in_front() {
        assert_eq!([600, 601, 86_400 + 9000].map(time), ["00:10:00", "00:11:00", "1-02:30:00"]);
    }
}

#!/usr/bin/env bash
# The job that `echograde cluster --for slurm` writes, on a real Slurm on this machine: the bytes of `run`; a part killed and requeued;
# two copies of a part at once; a node whose clock is an hour ahead; parts on different numbers of threads.
# Where Slurm cannot be installed or started it says so and is skipped.
#
#   bash tests/slurm/check.sh target/release/echograde [PIPELINE [PARTS]]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
program=$(realpath "$1") pipeline=$(realpath "${2:-$here/../../pipelines/demo.yaml}") parts=${3:-3}
work=$(mktemp -d)
cd "$work"
stop() { bash "$here/stop.sh" "$work/slurm" || true; rm -rf "$work"; }
trap stop EXIT
status=0
bash "$here/start.sh" "$work/slurm" || status=$?
if [ "$status" = 77 ]; then
    echo "SKIPPED: the test on Slurm, for the reason above" >&2
    exit 0
fi
[ "$status" = 0 ] || exit "$status"
export SLURM_CONF=$work/slurm/slurm.conf

fail() { echo "FAILED on Slurm: $*" >&2; tail -n 5 ./*.log >&2 || true; exit 1; }
# Waits until no job is left; gives up after a quarter of an hour.
drain() {
    for _ in $(seq 1800); do
        [ -z "$(squeue -h -o %i)" ] && return
        sleep 0.5
    done
    squeue >&2
    fail "jobs do not end"
}
# Waits for a condition, a minute or so.
wait_for() {
    for _ in $(seq 600); do
        "$@" && return
        sleep 0.1
    done
    squeue >&2
    fail "waited in vain: $*"
}
same() { # FOLDER
    [ -f "$1/manifest.json" ] || fail "there are no results in $1"
    [ ! -e "$1.unfinished" ] || fail "parts are left in $1.unfinished"
    # log.txt and manifest.json tell of times and machines.
    diff -r -q -x log.txt -x manifest.json whole "$1" >&2 || fail "$1 differs from the run in one piece"
    echo "Slurm: $2: the same bytes"
}
job() { # FOLDER OPTIONS...
    local out=$1
    shift
    "$program" cluster "$pipeline" --parts "$parts" --for slurm --out "$work/$out" "$@" >"$out.sh"
}

"$program" run "$pipeline" --out whole >/dev/null 2>whole.log || [ $? = 3 ]

# The job as it is written.
job plain
sbatch plain.sh >/dev/null
drain
same plain "the job as written"

# The same commands, with mishaps. Each part has a number of threads of its own.
cat >mishaps.sh <<'JOB'
#!/bin/bash
#SBATCH --requeue --open-mode=append --mem=700M --output=mishaps-%x-%a.log
set -euo pipefail
# On the node whose clock is wrong, all that the part sees of times is an hour ahead.
[ "$SLURM_ARRAY_TASK_ID" != 2 ] || [ -z "${FAKETIME_LIBRARY:-}" ] || export LD_PRELOAD=$FAKETIME_LIBRARY FAKETIME=+1h
# Once, the first part is killed in the middle, and its node hangs until the job is requeued.
if [ "$SLURM_ARRAY_TASK_ID" = 1 ] && [ "${SLURM_RESTART_COUNT:-0}" = 0 ]; then
    "$PROGRAM" run "$PIPELINE" --out "$OUT" --phase "$1" --part "1/$PARTS" --threads 1 &
    until ls -d "$OUT.unfinished/$1/1-"* >/dev/null 2>&1; do kill -0 $!; done
    kill -KILL $!
    trap '' TERM
    touch "$OUT-$1.killed"
    sleep 600
    exit 9
fi
exec "$PROGRAM" run "$PIPELINE" --out "$OUT" --phase "$1" --part "$SLURM_ARRAY_TASK_ID/$PARTS" --threads "$SLURM_ARRAY_TASK_ID"
JOB
faketime=$(ls /usr/lib/*/faketime/libfaketimeMT.so.1 2>/dev/null | head -n 1 || true)
[ -n "$faketime" ] || echo "Slurm: libfaketime is not there: a clock that is wrong is shown by the times of files alone" >&2
export PROGRAM=$program PIPELINE=$pipeline OUT=$work/mishaps PARTS=$parts FAKETIME_LIBRARY=$faketime
begin_now() { # JOB
    squeue -h -j "$1" -o %T | grep -q PENDING && scontrol update JobId="$1" StartTime=now
}
for phase in deal work; do
    array=$(sbatch --parsable --job-name="$phase" --array="1-$parts" mishaps.sh "$phase")
    # A copy of the second part beside it.
    copy=$(sbatch --parsable --job-name="$phase-copy" --array=2 mishaps.sh "$phase")
    wait_for test -e "$OUT-$phase.killed"
    [ ! -e "$OUT.unfinished/$phase/1" ] || fail "$phase 1 was there before it was killed"
    scontrol requeue "${array}_1"
    # A job that is requeued may wait two minutes, in case its node is to blame: not here.
    wait_for begin_now "${array}_1"
    drain
    for id in "$array" "$copy"; do
        scontrol show job "$id" | grep -q 'JobState=\(FAILED\|TIMEOUT\|NODE_FAIL\|CANCELLED\)' && fail "a part of $phase failed"
    done
    grep -q "$phase 1/$parts done" "$OUT.unfinished/$phase/1/log.txt" || fail "$phase 1 was not done again"
    scontrol show job "${array}_1" | grep -q 'Restarts=1' || fail "$phase 1 was not requeued"
    if [ -n "$faketime" ] && [ "$parts" -ge 3 ]; then
        ahead=$(head -c 19 "$OUT.unfinished/$phase/2/log.txt") right=$(head -c 19 "$OUT.unfinished/$phase/3/log.txt")
        [[ "$ahead" > "$right" ]] || fail "the clock of $phase 2 was not ahead: $ahead, $right"
    fi
    # As on a file system whose server is an hour ahead.
    find "$OUT.unfinished/$phase/3" -type f -exec touch -d '+1 hour' {} + 2>/dev/null || true
done
"$program" finish "$OUT" >/dev/null 2>finish.log || [ $? = 3 ] || fail "finish: $(cat finish.log)"
same mishaps "parts killed and requeued, copied, with clocks an hour ahead, on 1 to $parts threads"

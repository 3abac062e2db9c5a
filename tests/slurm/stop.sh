#!/usr/bin/env bash
# Stops what start.sh started, by process id.
#
#   bash tests/slurm/stop.sh FOLDER
for file in slurmd.pid slurmctld.pid munge/pid; do
    [ -f "$1/$file" ] || continue
    pid=$(cat "$1/$file")
    kill "$pid" 2>/dev/null || continue
    for _ in $(seq 100); do kill -0 "$pid" 2>/dev/null && sleep 0.1 || break; done
done
exit 0

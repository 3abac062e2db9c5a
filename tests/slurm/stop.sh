#!/usr/bin/env bash
# Stops what start.sh started, by process id.
#
#   bash tests/slurm/stop.sh FOLDER
for pid in slurmd.pid slurmctld.pid munge/pid; do
    [ -f "$1/$pid" ] && kill "$(cat "$1/$pid")" 2>/dev/null
done
exit 0

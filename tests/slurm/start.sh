#!/usr/bin/env bash
# Starts Slurm with munge on this machine alone, for tests: a controller and a node on loopback, all state in the folder given.
# Needs root, and slurm-wlm and munge, which it installs where apt can. Says why it cannot, and leaves with 77.
#
#   bash tests/slurm/start.sh FOLDER [CPUS]
set -euo pipefail
folder=$(mkdir -p "$1" && cd "$1" && pwd) cpus=${2:-4}
cannot() { echo "Slurm cannot be started: $*" >&2; exit 77; }

[ "$(uname -s)" = Linux ] || cannot "it is only run on Linux here"
[ "$(id -u)" = 0 ] || cannot "only root can start its daemons"
if ! command -v slurmctld slurmd sbatch munged >/dev/null; then
    command -v apt-get >/dev/null || cannot "slurm-wlm and munge are not installed, and there is no apt to install them"
    { apt-get update -qq && DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -qq --no-install-recommends slurm-wlm munge libfaketime; } >"$folder/install.log" 2>&1 ||
        cannot "slurm-wlm and munge cannot be installed: $(tail -n 1 "$folder/install.log")"
fi
# Nothing that is there is touched: another Slurm may be in use.
if scontrol ping 2>/dev/null | grep -q ' is UP'; then cannot "one is running on this machine already"; fi

# All of munge is private to the test: key, socket, log.
mkdir -p "$folder/munge" "$folder/state" "$folder/spool"
chown -R root:root "$folder/munge"
chmod 700 "$folder/munge"
head -c 1024 /dev/urandom >"$folder/munge/key"
chmod 400 "$folder/munge/key"
munged --force --key-file="$folder/munge/key" --socket="$folder/munge/socket" --pid-file="$folder/munge/pid" \
    --log-file="$folder/munge/log" --seed-file="$folder/munge/seed" >"$folder/munged.log" 2>&1 ||
    cannot "munge does not start: $(tail -n 1 "$folder/munged.log")"

host=$(hostname -s)
cat >"$folder/slurm.conf" <<CONF
ClusterName=test
SlurmctldHost=$host(127.0.0.1)
SlurmctldPort=16817
SlurmdPort=16818
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$folder/munge/socket
CredType=cred/munge
StateSaveLocation=$folder/state
SlurmdSpoolDir=$folder/spool
SlurmctldPidFile=$folder/slurmctld.pid
SlurmdPidFile=$folder/slurmd.pid
SlurmctldLogFile=$folder/slurmctld.log
SlurmdLogFile=$folder/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
SchedulerParameters=batch_sched_delay=1,sched_interval=2
KillWait=2
# More processors than there may be: parts then run beside each other on any machine.
SlurmdParameters=config_overrides
ReturnToService=2
MpiDefault=none
JobRequeue=1
MinJobAge=3600
NodeName=$host NodeAddr=127.0.0.1 CPUs=$cpus RealMemory=16000 State=UNKNOWN
PartitionName=all Nodes=$host Default=YES MaxTime=60 State=UP
CONF
export SLURM_CONF=$folder/slurm.conf
slurmctld -c >"$folder/out.log" 2>&1 && slurmd -c >>"$folder/out.log" 2>&1 ||
    cannot "its daemons do not start: $(tail -n 1 "$folder/out.log")"
for _ in $(seq 60); do
    sinfo -h -o %t 2>/dev/null | grep -qE '^(idle|mix)' && exit 0
    sleep 0.5
done
cannot "its node does not come up: $(tail -n 1 "$folder/slurmctld.log")"

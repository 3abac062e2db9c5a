#!/usr/bin/env bash
# The program on sites of growing size: prints a Markdown table of wall time, points a second, peak memory and spill.
#
#   bash bench/growth.sh [--sizes "10e6 30e6 100e6 300e6"] [--threads 2] [--memory SIZE] [--keep]
#
# Each site is deleted once it is measured, unless --keep.
set -euo pipefail
cd "$(dirname "$0")/.."

sizes="10e6 30e6 100e6 300e6" threads=2 memory=() keep=no
while [ $# -gt 0 ]; do
    case $1 in
        --sizes) sizes=$2; shift 2 ;;
        --threads) threads=$2; shift 2 ;;
        --memory) memory=(--memory "$2"); shift 2 ;;
        --keep) keep=yes; shift ;;
        *) sed -n '2,6s/^# \{0,1\}//p' "$0" >&2; exit 2 ;;
    esac
done

cargo build --release --quiet --locked --bins --examples
mkdir -p target/bench
table=target/bench/growth.jsonl
rm -f "$table"
for points in $sizes; do
    # Bytes a survey point: 5 of survey and reference in files, 9 of spill, 6 of residuals and slack.
    needed=$(awk -v n="$points" 'BEGIN { printf "%.0f", n * 20 / 1024 }')
    free=$(df -Pk target/bench | awk 'NR == 2 { print $4 }')
    if [ "$free" -lt "$needed" ]; then
        echo "$points points need about $((needed >> 20)) GiB of disk, but $((free >> 20)) GiB are free" >&2
        break
    fi
    echo "$points points ..." >&2
    site=$(bash bench/site.sh "$points")
    cat "$site"/survey/*.laz "$site"/reference/*.laz > /dev/null # into the system's cache, as far as they fit
    "${PYTHON:-python3}" bench/measure.py run "$site/growth.jsonl" growth target/release/echograde run \
        "$site/pipeline.yaml" --out "$site/run" --replace --threads "$threads" ${memory[@]+"${memory[@]}"}
    "${PYTHON:-python3}" bench/measure.py size "$site/growth.jsonl" "$site/run/manifest.json" >> "$table"
    [ "$keep" = yes ] || rm -r "$site"
done
[ -f "$table" ] && "${PYTHON:-python3}" bench/measure.py growth "$table"

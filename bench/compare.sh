#!/usr/bin/env bash
# Decode-only, the program and the Python script side by side on one made site: prints wall times, peak memory and the
# two ratios that count.
#
#   bash bench/compare.sh [--points 20e6] [--threads 2] [--rounds 3] [--skip-script]
set -euo pipefail
cd "$(dirname "$0")/.."

points=20e6 threads=2 rounds=3 script=yes
while [ $# -gt 0 ]; do
    case $1 in
        --points) points=$2; shift 2 ;;
        --threads) threads=$2; shift 2 ;;
        --rounds) rounds=$2; shift 2 ;;
        --skip-script) script=no; shift ;;
        *) sed -n '2,5s/^# \{0,1\}//p' "$0" >&2; exit 2 ;;
    esac
done

cargo build --release --quiet --locked --bins --examples
site=$(bash bench/site.sh "$points")
if [ "$script" = yes ]; then
    venv=target/oracle-venv
    [ -x "$venv/bin/python" ] || "${PYTHON:-python3}" -m venv "$venv"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r tests/oracle/requirements.txt
fi

measured=$site/measured.jsonl
rm -f "$measured"
measure() { # LABEL COMMAND...
    echo "$1 ..." >&2
    "${PYTHON:-python3}" bench/measure.py run "$measured" "$@"
}
decode_only() {
    measure "$1" target/release/examples/decode-only --threads "$threads" --fields-of "$site/pipeline.yaml" \
        "$site"/survey/*.laz "$site"/reference/*.laz
}

# The warm-up leaves the files in the system's cache, from where all three read them.
decode_only warm-up
for round in $(seq "$rounds"); do
    decode_only decode-only
    measure program target/release/echograde run "$site/pipeline.yaml" --out "$site/run" --replace \
        --threads "$threads"
    # Once: it is slow.
    if [ "$script" = yes ] && [ "$round" = 1 ]; then
        measure script "$venv/bin/python" bench/script.py --survey "$site/survey/*.laz" \
            --reference "$site/reference/*.laz" --out "$site/script.json"
        "${PYTHON:-python3}" bench/measure.py same "$site/run/summary.json" "$site/script.json"
    fi
done
"${PYTHON:-python3}" bench/measure.py ratios "$measured" "$site/run/manifest.json"

#!/usr/bin/env bash
# Decode-only, the program and (unless skipped) the Python script over a matrix of sites made by sites.py: density of
# pulses by share scanned by kind of reference. Prints one row of a table for each site. Builds nothing.
#
#   bash bench/matrix.sh [--points 20e6] [--densities "10 60 250 1000"] [--shares "0.02 0.2 0.4"]
#                        [--references "grid tripod"] [--site-options "--error two-scales --setups 3"]
#                        [--program target/release/echograde] [--decode target/release/examples/decode-only]
#                        [--threads 2] [--memory 512M] [--rounds 3] [--skip-script]
#                        [--folder target/bench/matrix] [--drop-sites]
set -euo pipefail
here=$(cd "$(dirname "$0")/.." && pwd)
usage() { sed -n '2,9s/^# \{0,1\}//p' "$here/bench/matrix.sh" >&2; exit 2; }

points=20e6 densities="10 60 250 1000" shares="0.02 0.2 0.4" references="grid tripod" site_options=
program=$here/target/release/echograde decode=$here/target/release/examples/decode-only
threads=2 memory=512M rounds=3 script=yes folder=$here/target/bench/matrix drop=no
while [ $# -gt 0 ]; do
    case $1 in
        --skip-script) script=no; shift; continue ;;
        --drop-sites) drop=yes; shift; continue ;;
        --*) [ $# -gt 1 ] || usage ;;
    esac
    case $1 in
        --points) points=$2 ;;
        --densities) densities=$2 ;;
        --shares) shares=$2 ;;
        --references) references=$2 ;;
        --site-options) site_options=$2 ;;
        --program) program=$2 ;;
        --decode) decode=$2 ;;
        --threads) threads=$2 ;;
        --memory) memory=$2 ;;
        --rounds) rounds=$2 ;;
        --folder) folder=$2 ;;
        *) usage ;;
    esac
    shift 2
done
for built in "$program" "$decode"; do
    [ -x "$built" ] || { echo "$built is not there: cargo build --release --bins --examples" >&2; exit 1; }
done

# Sites and the script need the packages; the program and bare decoding do not.
venv=$here/target/oracle-venv
[ -x "$venv/bin/python" ] || "${PYTHON:-python3}" -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$here/tests/oracle/requirements.txt"

measure() { # LABEL COMMAND...
    "$venv/bin/python" "$here/bench/measure.py" run "$measured" "$@"
}
decode_only() { # LABEL
    measure "$1" "$decode" --threads "$threads" --fields-of "$site/pipeline.yaml" \
        "$site"/survey/*.laz "$site"/reference/*.laz
}
# Measures one site. Succeeds whatever becomes of the program: a refusal is a row like any other.
measure_site() {
    measured=$site/measured.jsonl message=$site/message.txt
    rm -rf "$measured" "$message" "$site/run" "$site/run.unfinished"
    # The warm-up leaves the files in the system's cache, from where all three read them.
    decode_only warm-up
    for round in $(seq "$rounds"); do
        decode_only decode-only
        measure program "$program" run "$site/pipeline.yaml" --out "$site/run" --replace \
            --threads "$threads" --memory "$memory" 2>"$message" || return 0
        tail -n 1 "$message" >&2
        # Once: it is slow.
        if [ "$script" = yes ] && [ "$round" = 1 ]; then
            measure script "$venv/bin/python" "$here/bench/script.py" --survey "$site/survey/*.laz" --unit "$unit" \
                --reference "$site/reference/*.laz" --out "$site/script.json" || continue
            "$venv/bin/python" "$here/bench/measure.py" same "$site/run/summary.json" "$site/script.json" || true
        fi
    done
}

mkdir -p "$folder"
"$venv/bin/python" "$here/bench/matrix_row.py" head
for reference in $references; do
    for density in $densities; do
        for share in $shares; do
            options=(--points "$points" --density "$density" --share "$share" --reference "$reference" $site_options)
            name=$(IFS=_; echo "${options[*]}" | tr -d -- -)
            site=$folder/$name
            echo "$name" >&2
            [ -f "$site/truth.json" ] || "$venv/bin/python" "$here/bench/sites.py" "$site" "${options[@]}" >&2
            unit=$("$venv/bin/python" -c 'import json, sys; print(json.load(open(sys.argv[1]))["units"])' \
                "$site/truth.json")
            measure_site
            "$venv/bin/python" "$here/bench/matrix_row.py" row "$site" | tee -a "$folder/rows.md"
            [ "$drop" = no ] || rm -r "$site"
        done
    done
done

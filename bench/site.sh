#!/usr/bin/env bash
# Makes the site of about so many survey points (20e6, say) that the benchmarks run on, with its pipeline file, if it
# is not there; prints its folder. From the project's top folder.
set -euo pipefail
points=$1

name=$(awk -v n="$points" 'BEGIN { printf "%gm", n / 1e6 }')
site=target/bench/$name
# A fifth as many reference points as survey points: about 1.1 million a scanned plot.
scans=$(awk -v n="$points" 'BEGIN { s = int(n * 0.2 / 1.1e6 + 0.5); print s < 1 ? 1 : s }')
if [ ! -f "$site/truth.json" ]; then
    mkdir -p "$site"
    cargo run --release --quiet --locked --example make-site -- "$site" --points "$points" --scans "$scans" >&2
fi
cp bench/pipeline.yaml "$site/pipeline.yaml"
echo "$site"

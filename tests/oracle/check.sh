#!/bin/sh
# Remakes every JSON file here, and fails if any differs from the committed one.
set -eu
cd "$(dirname "$0")/../.."

venv=target/oracle-venv
mkdir -p target
[ -x "$venv/bin/python" ] || "${PYTHON:-python3}" -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r tests/oracle/requirements.txt

remade=$(mktemp -d)
trap 'rm -rf "$remade"' EXIT
"$venv/bin/python" tests/oracle/reference_values.py "$remade/reference_values.json"
"$venv/bin/python" tests/oracle/area_values.py "$remade/area_values.json"
"$venv/bin/python" tests/oracle/shift_values.py "$remade/shift_values.json"
"$venv/bin/python" tests/oracle/registration_values.py "$remade/registration_values.json"
"$venv/bin/python" tests/oracle/network_values.py "$remade/network_values.json"
"$venv/bin/python" tests/oracle/agreement_values.py "$remade/agreement_values.json"
"$venv/bin/python" tests/oracle/surface_values.py "$remade/surface_values.json"
"$venv/bin/python" tests/oracle/terrain_values.py "$remade/terrain_values.json"
"$venv/bin/python" tests/oracle/studies.py "$remade"
"$venv/bin/python" tests/oracle/clouds.py "$remade/clouds.json"
"$venv/bin/python" tests/oracle/compare.py tests/oracle "$remade"

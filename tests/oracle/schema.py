#!/usr/bin/env python3
"""Checks the JSON Schema of the pipeline file with a validator that has nothing to do with this program.

    echograde schema | python3 tests/oracle/schema.py

Every file of tests/pipelines/good must pass. Every file of tests/pipelines/wrong must fail, but for those that are
wrong in a way no schema can tell: not YAML at all, files that do not exist, options that do not fit each other, the
order of the stages.
"""
import json
import pathlib
import sys

import jsonschema
import yaml

BEYOND_A_SCHEMA = {
    "a_folder_for_files", "cell_too_large_for_the_default_window", "checkpoints_missing", "file_does_not_exist",
    "first_threshold_above_the_greatest", "folder_does_not_exist", "key_twice",
    "no_stage_at_all", "out_of_order", "output_is_a_file", "output_over_the_input", "pattern_matches_a_folder",
    "pattern_matches_nothing", "pattern_of_other_case", "pattern_that_is_none", "reference_missing", "stage_twice",
    "stages_missing", "survey_ground_missing", "window_under_three_cells",
}
NOT_YAML = {
    "bracket_not_closed", "colon_in_a_text", "indentation", "quote_not_closed", "star_without_quotes", "tab", "tag",
    "two_documents",
}

schema = json.load(sys.stdin)
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)
pipelines = pathlib.Path(__file__).parent.parent / "pipelines"
failures = []
for file in sorted(pipelines.glob("*/*.yaml")):
    if file.stem in NOT_YAML:
        continue
    errors = list(validator.iter_errors(yaml.safe_load(file.read_text(encoding="utf-8-sig"))))
    should_pass = file.parent.name == "good" or file.stem in BEYOND_A_SCHEMA
    if should_pass == bool(errors):
        failures.append(f"{file}: {errors[0].message if errors else 'passes'}")
print("\n".join(failures) or "the schema and the files agree")
sys.exit(bool(failures))

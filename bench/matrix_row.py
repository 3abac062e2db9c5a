"""Rows of the table of matrix.sh. Needs nothing but Python's own library.

    matrix_row.py head         prints the head of the table
    matrix_row.py row FOLDER   prints the row of a site measured in this folder
"""

import json
import os
import statistics
import sys

from measure import MIB, lines

HEAD = [
    "reference", "pulses/m²", "scanned, %", "survey points", "reference points", "densest, points/m²",
    "decode-only, s", "program, s", "program / decode-only", "µs a point", "peak memory, MiB", "sum up, %",
    "work on tiles, %", "script, s", "script, MiB", "script / program",
]


def load(*path):
    with open(os.path.join(*path)) as file:
        return json.load(file)


def refusal(path):
    """The program's message: all lines from its first that begins with `error`, on one line; else the last."""
    with open(path) as file:
        said = [line.strip() for line in file if line.strip()]
    # The last line is measure.py's, which repeats the command.
    said = said[:-1] or said
    first = next((i for i, line in enumerate(said) if line.lower().startswith("error")), len(said) - 1)
    return " ".join(said[first:]).replace("|", "\\|")


def row(site):
    truth = load(site, "truth.json")
    survey, reference = truth["survey"]["points"], truth["reference"]["points"]
    measured = {}
    for line in lines(os.path.join(site, "measured.jsonl")):
        measured.setdefault(line["label"], []).append(line)
    median = {name: statistics.median(one["seconds"] for one in of) for name, of in measured.items()}
    peak = {name: max(one["peak_memory"] for one in of) / MIB for name, of in measured.items()}
    cells = [
        truth["reference"]["kind"],
        f"{truth['pulses_per_m2']:g}",
        f"{100 * truth['reference']['scanned_share']:.1f}",
        f"{survey:,}",
        f"{reference:,}",
        f"{truth['reference']['densest_points_per_m2']:,.0f}",
        f"{median['decode-only']:.2f}",
    ]
    if "program" not in measured or not os.path.exists(os.path.join(site, "run", "manifest.json")):
        return [*cells, refusal(os.path.join(site, "message.txt"))]
    steps = {one["step"]: one["seconds"] for one in load(site, "run", "manifest.json")["seconds"]}
    in_all = sum(steps.values())
    cells += [
        f"{median['program']:.2f}",
        f"{median['program'] / median['decode-only']:.2f}",
        f"{1e6 * median['program'] / (survey + reference):.3f}",
        f"{peak['program']:,.0f}",
        f"{100 * steps.get('sum up', 0) / in_all:.0f}",
        f"{100 * steps.get('work on tiles', 0) / in_all:.0f}",
    ]
    if "script" in measured:
        cells += [
            f"{median['script']:.1f}", f"{peak['script']:,.0f}", f"{median['script'] / median['program']:.1f}",
        ]
    return cells


def main():
    if sys.argv[1:] == ["head"]:
        print("| " + " | ".join(HEAD) + " |")
        print("| --- |" + " ---: |" * (len(HEAD) - 1))
    elif len(sys.argv) == 3 and sys.argv[1] == "row":
        cells = row(sys.argv[2])
        print("| " + " | ".join(cells + [""] * (len(HEAD) - len(cells))) + " |")
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main()

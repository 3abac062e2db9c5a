"""Makes the studies of the demo site, one for each pipeline in pipelines/ that compares every candidate.

    python studies.py [OUT]

Run from the project's top folder.
"""

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SURVEY = "demo-data/survey/*.laz"
REFERENCE = "demo-data/reference/*.laz"

STUDIES = {
    "demo_study.json": ["--reference", REFERENCE],
    "plane_study.json": ["--reference", REFERENCE, "--match", "plane", "--within", "20 cm"],
    "two_strips_study.json": [
        "--reference", SURVEY, "--survey-strips", "101", "--reference-strips", "102",
        "--returns", "last", "--match", "plane", "--within", "0.5 m",
    ],
    "feet_study.json": [
        "--reference", REFERENCE, "--report-unit", "ftUS", "--within", "0.05 ftUS", "--cell", "1.5 ftUS",
        "--window-max", "60 ftUS", "--dh-initial", "1 ftUS", "--dh-max", "3 ftUS",
    ],
    # What a threshold near the noise of the late returns does.
    "tight_threshold_study.json": ["--reference", REFERENCE, "--dh-initial", "0.15 m"],
}


def main():
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    for name, options in STUDIES.items():
        command = [sys.executable, HERE / "site_study.py", "--survey", SURVEY, *options, "--out", out / name]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()

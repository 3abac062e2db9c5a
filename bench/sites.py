"""Makes test sites in a folder: survey/strip-NNN.laz, reference/*.laz, pipeline.yaml, truth.json.

Independent of demo-data/make_site: other ground, other cover, other errors, other references, another language. It
streams, so that a hundred million points need no more memory than a million. Needs NumPy and laspy with lazrs
(tests/oracle/requirements.txt).

    python bench/sites.py FOLDER --points 20e6 --density 60 --share 0.2 --reference tripod --error two-scales

The density counts the pulses of all strips together; there are more points than pulses, mostly under trees.
"""

import argparse
import json
import math
import multiprocessing
import os
import shutil
import sys
from pathlib import Path

import site_reference
import site_survey
from site_files import UNITS
from site_land import Land
from site_reference import Grid, Tripod
from site_survey import Sums, Survey

ASPECT = 4 / 3  # of width to height, where neither is given
STRIP_SPACING = 80.0  # about, where no number of strips is given

PIPELINE = """\
# All options at their defaults.
title: A made site
survey:
  files: [survey/*.laz]
reference:
  files: [reference/*.laz]
  uncertainty: 5 mm
"""

# What the processes that write files work on; they are forked, and so have it.
SITE = {}


def arguments():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("folder", type=Path)
    add("--points", type=float, default=1e6, help="about so many survey points; sets the size of the site (1e6)")
    add("--width", type=float, help="of the site along the strips, metres; with --height in place of --points")
    add("--height", type=float)
    add("--density", type=float, default=60, help="pulses per m2, of all strips together (60)")
    add("--share", type=float, default=0.2, help="of the site that is scanned (0.2)")
    add("--reference", choices=["grid", "tripod"], default="grid", help="plots of even density, or set-ups (grid)")
    add("--reference-points", type=float,
        help="grid: in all (a fifth of the survey's); tripod: each set-up (a quarter of the survey's)")
    add("--plots", type=int, help="grid: at least so many; by default one for every four hectares, at most 64")
    add("--setups", type=int, help="tripod: how many; by default as the share wants at 40 m each, at most 8")
    add("--strips", type=int, help="by default one every 80 m, two at least")
    add("--slope", type=float, default=0.12, help="root mean square of rise over run, small roughness apart (0.12)")
    add("--woods", type=float, default=0.12, help="share of the site (0.12)")
    add("--shrubs", type=float, default=0.04, help="share of the site (0.04)")
    add("--units", choices=list(UNITS), default="m", help="of the files (m)")
    add("--error", choices=list(site_survey.ERRORS), default="white", help="what comes on top of the noise (white)")
    add("--low-outliers", type=float, default=50, help="a hectare: ground echoes 1 to 6 m too low (50)")
    add("--seed", type=int, default=1)
    add("--jobs", type=int, default=os.cpu_count(), help="files written at a time (one for each core)")
    options = parser.parse_args()
    if (options.width is None) != (options.height is None):
        parser.error("--width and --height go together")
    if not 0 < options.share <= 0.7:
        parser.error("--share must be above 0 and at most 0.7")
    return options


def make_land(options):
    def of(width, height):
        return Land(options.seed, width, height, options.slope, options.woods, options.shrubs)

    if options.width is not None:
        return of(options.width, options.height)
    # The share of woods is kept, so the first guess tells how many echoes a pulse has.
    echoes = 1.25
    for _ in range(2):
        height = math.sqrt(options.points / (options.density * echoes) / ASPECT)
        land = of(height * ASPECT, height)
        echoes = land.echoes_a_pulse(options.seed)
    return land


def write(task):
    kind, part, path = task
    return SITE["survey"].fly(part, path) if kind == "survey" else (SITE["reference"].scan(part, path), None)


def make(options):
    land = make_land(options)
    expected = land.width * land.height * options.density * land.echoes_a_pulse(options.seed)
    if options.reference == "grid":
        points = options.reference_points or expected / 5
        reference = Grid(land, options.seed, options.units, options.share, options.plots, points)
    else:
        points = options.reference_points or expected / 4
        reference = Tripod(land, options.seed, options.units, options.share, options.setups, points)
    strips = options.strips or max(2, round(land.height / STRIP_SPACING))
    survey = Survey(
        land, reference, options.seed, options.density, strips, options.error, options.low_outliers, options.units
    )
    SITE.update(survey=survey, reference=reference)

    folder = options.folder
    # Files of an earlier site in the same folder would be read along with the new ones.
    for name in ("survey", "reference"):
        shutil.rmtree(folder / name, ignore_errors=True)
        (folder / name).mkdir(parents=True)
    (folder / "truth.json").unlink(missing_ok=True)
    tasks = [("survey", i, folder / f"survey/strip-{101 + i}.laz") for i in range(strips)]
    tasks += [
        ("reference", i, folder / f"reference/{reference.name}-{1 + i:03}.laz") for i in range(reference.parts)
    ]
    sums, counts = Sums(), {"survey": 0, "reference": 0}
    with multiprocessing.get_context("fork").Pool(options.jobs) as pool:
        for (kind, _, path), (points, found) in zip(tasks, pool.imap(write, tasks)):
            counts[kind] += points
            if found is not None:
                sums.merge(found)
            print(f"  {path.name}: {points:,} points", file=sys.stderr)
    (folder / "pipeline.yaml").write_text(PIPELINE)
    # Last: who finds it finds a whole site.
    truth = told(options, land, survey, reference, sums, counts)
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n")
    print(f"{counts['survey']:,} survey points, {counts['reference']:,} reference points", file=sys.stderr)


def told(options, land, survey, reference, sums, counts):
    fields, offset = site_survey.ERRORS[options.error]
    return {
        "seed": options.seed,
        "units": options.units,
        "width_m": round(land.width, 3),
        "height_m": round(land.height, 3),
        "slope": options.slope,
        "pulses_per_m2": options.density,
        "strips": survey.strips,
        "survey": {
            "points": counts["survey"],
            "points_by_return": sums.points_by_return.tolist(),
            "low_outliers": sums.low_outliers,
            "meant": {
                "bias_by_return_m": site_survey.BIAS.tolist(),
                "noise_sd_by_return_m": site_survey.SD.tolist(),
                "error": options.error,
                "error_fields": [dict(zip(("sd_m", "scale_along_m", "scale_across_m"), one)) for one in fields],
                "sd_of_strip_offsets_m": offset,
            },
            "ground_echoes": sums.told(),
        },
        "reference": {
            "points": counts["reference"],
            "offset_m": 0.0,
            "sd_m": site_reference.SD,
            "scanned_share": round(reference.share(), 4),
            **reference.told(),
        },
    }


if __name__ == "__main__":
    make(arguments())

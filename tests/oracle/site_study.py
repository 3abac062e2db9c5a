"""The whole job on a small site, in memory, with general array libraries: an answer to check echograde against.

It follows the written rules of the program (ground filter, match, statistics) and shares no code with it. Where
those rules leave a choice, the choice made here is marked "Choice:".

    python site_study.py --survey 'demo-data/survey/*.laz' --reference 'demo-data/reference/*.laz' \
        --truth demo-data/truth.json
"""

import argparse
import glob
import json
import sys
from dataclasses import dataclass
from fractions import Fraction

import laspy
import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

# Micrometres in one unit, exactly.
UNITS = {
    "mm": Fraction(1_000),
    "cm": Fraction(10_000),
    "m": Fraction(1_000_000),
    "ft": Fraction(304_800),
    "ftUS": Fraction(1_200_000_000, 3937),
}
NOISE_CLASSES = (7, 18)
INF = np.inf


def nearest_whole(value):
    """A fraction as a whole number, halves away from zero."""
    whole = int(abs(value) + Fraction(1, 2))
    return whole if value >= 0 else -whole


def exact_length(text):
    """`1.5 ftUS` in micrometres, as a fraction."""
    number, unit = text.split()
    return Fraction(number) * UNITS[unit]


def length(text):
    """`0.5 m` in whole micrometres."""
    return nearest_whole(exact_length(text))


@dataclass
class Cloud:
    """The points of one cloud that are not withheld; lengths in whole micrometres."""

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    return_number: np.ndarray
    number_of_returns: np.ndarray
    klass: np.ndarray
    strip: np.ndarray

    def __len__(self):
        return len(self.x)

    def __getitem__(self, chosen):
        return Cloud(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    @property
    def valid(self):
        return (self.return_number >= 1) & (self.return_number <= self.number_of_returns)


def read(patterns, unit):
    """Reads point files and drops what is withheld; gives the cloud and how many points were read and withheld."""
    paths = sorted(path for pattern in patterns for path in glob.glob(pattern))
    if not paths:
        sys.exit(f"no file matches {patterns}")
    factor = float(UNITS[unit])
    parts = []
    read_count = 0
    for path in paths:
        las = laspy.read(path)
        read_count += len(las.points)
        axes = [
            np.rint((np.asarray(stored, dtype=np.int64) * scale + offset) * factor).astype(np.int64)
            for stored, scale, offset in zip((las.X, las.Y, las.Z), las.header.scales, las.header.offsets)
        ]
        names = ("return_number", "number_of_returns", "classification", "point_source_id")
        others = [np.asarray(las[name]).astype(np.int64) for name in names]
        parts.append(Cloud(*axes, *others)[np.asarray(las.withheld) == 0])
    cloud = Cloud(*(np.concatenate([getattr(p, n) for p in parts]) for n in Cloud.__dataclass_fields__))
    return cloud, {"read": read_count, "withheld": read_count - len(cloud)}


def select(cloud, returns, strips):
    """The points that a `select` stage with these returns and strips lets through. Choice: a point whose return number
    is not valid meets no condition on returns."""
    kept = np.ones(len(cloud), dtype=bool)
    if returns:
        numbers = [int(one) for one in returns if one != "last"]
        wanted = np.isin(cloud.return_number, numbers)
        if "last" in returns:
            wanted |= cloud.return_number == cloud.number_of_returns
        kept &= cloud.valid & wanted
    if strips:
        kept &= np.isin(cloud.strip, strips)
    return kept


def windows(cell, window_max, growth):
    """The windows of the ground filter, in cells."""
    found = []
    k = 0
    while True:
        window = 2 * 2**k + 1 if growth == "exponential" else 2 * (k + 1) + 1
        if window * cell > window_max:
            return found
        found.append(window)
        k += 1


def thresholds(series, cell, slope, dh_initial, dh_max):
    """The threshold of each window, in whole micrometres."""
    found = []
    for before, window in zip([None, *series], series):
        growth = 0 if window == 3 else nearest_whole(Fraction(slope) * (window - before) * cell)
        found.append(min(growth + dh_initial, dh_max))
    return found


def lowest(shape, row, column, z):
    """The lowest elevation of each cell; infinite where there is none."""
    surface = np.full(shape, INF)
    np.minimum.at(surface, (row, column), z.astype(float))
    return surface


def low_outliers(surface, row, column, z, limit):
    """Points far below the cells around their own.

    Of the 24 cells around, at least five lie more than `limit` above the cell's lowest point and at most three do
    not; and within nine cells, two or more others that do not are not found in three of the four quarters around. Quarters that
    hold less than half as many cells with points as the fullest are passed over; where fewer than three remain, all of
    them must hold one. Then all points of the cell more than `limit` below the fourth lowest of the 24 cells are
    outliers.
    """
    padded = np.pad(surface, 2, constant_values=INF)
    height, width = surface.shape
    around = np.stack([
        padded[2 + dr : 2 + dr + height, 2 + dc : 2 + dc + width]
        for dr in range(-2, 3) for dc in range(-2, 3) if (dr, dc) != (0, 0)
    ])
    occupied = np.isfinite(around).sum(axis=0)
    as_low = (around - limit <= surface).sum(axis=0)
    suspects = np.isfinite(surface) & (as_low <= 3) & (occupied - as_low >= 5)
    fourth = np.full(surface.shape, -INF)
    wide = np.pad(surface, 9, constant_values=INF)
    for r, c in zip(*np.nonzero(suspects)):
        window = wide[r : r + 19, c : c + 19]
        quarters = [window[9:, 10:], window[10:, :10], window[:10, :9], window[:9, 9:]]
        filled = [np.isfinite(quarter).sum() for quarter in quarters]
        telling = [q for q, n in zip(quarters, filled) if n > 0 and 2 * n >= max(filled)]
        as_low_there = sum((quarter - limit <= surface[r, c]).sum() >= 2 for quarter in telling)
        if as_low_there < min(3, len(telling)):
            fourth[r, c] = np.partition(around[:, r, c], 3)[3]
    return z < fourth[row, column] - limit


def fill(surface, reach):
    """Gives each empty cell the value of the nearest cell that has one, no farther than `reach` cells between centres.

    Choice: of equally near cells the lowest value counts.
    """
    empty = ~np.isfinite(surface)
    rows, columns = ndimage.distance_transform_edt(empty, return_distances=False, return_indices=True)
    here = np.indices(surface.shape)
    squared = (rows - here[0]) ** 2 + (columns - here[1]) ** 2
    filled = surface.copy()
    side = int(reach)
    padded = np.pad(surface, side, constant_values=INF)
    for distance in np.unique(squared[empty & (squared <= reach**2)]):
        r, c = np.nonzero(empty & (squared == distance))
        value = np.full(len(r), INF)
        for dr in range(-side, side + 1):
            dc = int(round(max(distance - dr * dr, 0) ** 0.5))
            if dr * dr + dc * dc == distance:
                for step in {dc, -dc}:
                    value = np.minimum(value, padded[side + r + dr, side + c + step])
        filled[r, c] = value
    return filled


def opening(surface, window):
    """Erosion, then dilation. Choice: cells still empty count as beyond the edge, in both."""
    size = (window, window)
    eroded = ndimage.grey_erosion(surface, size=size, mode="constant", cval=INF)
    eroded[~np.isfinite(surface)] = -INF
    opened = ndimage.grey_dilation(eroded, size=size, mode="constant", cval=-INF)
    return np.where(np.isfinite(surface), opened, INF)


def ground(cloud, options):
    """Which points the ground filter accepts, and how many it turned away for what."""
    part = ~np.isin(cloud.klass, NOISE_CLASSES)
    points = cloud[part]
    cell = options.cell
    # Whole numbers throughout: a cell in US survey feet is no whole number of micrometres.
    row, column = (along * cell.denominator // cell.numerator for along in (points.y, points.x))
    row, column = row - row.min(), column - column.min()
    shape = (row.max() + 1, column.max() + 1)

    low = low_outliers(lowest(shape, row, column, points.z), row, column, points.z, options.low_outlier)
    # Choice: a cell that holds a low outlier counts as empty, whatever else lies in it.
    surface = lowest(shape, row, column, points.z)
    surface[row[low], column[low]] = INF
    surface = fill(surface, float(options.fill_max / cell))

    accepted = ~low
    series = windows(cell, options.window_max, options.window_growth)
    limits = thresholds(series, cell, options.slope, options.dh_initial, options.dh_max)
    for window, limit in zip(series, limits):
        surface = opening(surface, window)
        accepted &= points.z - surface[row, column] <= limit

    result = np.zeros(len(cloud), dtype=bool)
    result[np.nonzero(part)[0][accepted]] = True
    counts = {
        "noise": int((~part).sum()),
        "low_outlier": int(low.sum()),
        "above_ground": int((~low & ~accepted).sum()),
        "ground": int(accepted.sum()),
    }
    return result, counts


def plan(cloud, origin):
    return np.column_stack([cloud.x - origin[0], cloud.y - origin[1]]).astype(float)


def match_nearest(survey, reference, within):
    """dz to the reference point nearest in plan. Choice: of equally near ones, the one lowest in (x, y, z)."""
    order = np.lexsort((reference.z, reference.y, reference.x))
    reference = reference[order]
    origin = (reference.x.min(), reference.y.min())
    neighbours = min(8, len(reference))
    _, found = cKDTree(plan(reference, origin)).query(
        plan(survey, origin), k=neighbours, distance_upper_bound=within + 1.0
    )
    found = found.reshape(len(survey), neighbours)
    there = found < len(reference)
    at = np.where(there, found, 0)
    squared = (reference.x[at] - survey.x[:, None]) ** 2 + (reference.y[at] - survey.y[:, None]) ** 2
    squared = np.where(there, squared, np.iinfo(np.int64).max)
    nearest = squared.min(axis=1)
    first = np.where(squared == nearest[:, None], at, len(reference)).min(axis=1)
    matched = nearest <= within**2
    dz = np.zeros(len(survey), dtype=np.int64)
    dz[matched] = survey.z[matched] - reference.z[first[matched]]
    return matched, dz


def match_plane(survey, reference, within):
    """dz to the least-squares plane through the reference points within reach, at the survey point.

    Choice: points are in line when their spread across is no more than a tenth of their spread along.
    """
    origin = (reference.x.min(), reference.y.min())
    tree = cKDTree(plan(reference, origin))
    places = plan(survey, origin)
    matched = np.zeros(len(survey), dtype=bool)
    dz = np.zeros(len(survey), dtype=np.int64)
    for start in range(0, len(survey), 4000):
        block = np.arange(start, min(start + 4000, len(survey)))
        lists = tree.query_ball_point(places[block], within)
        counts = np.array([len(found) for found in lists])
        block, lists, counts = block[counts >= 6], lists[counts >= 6], counts[counts >= 6]
        if len(block) == 0:
            continue
        found = np.concatenate([np.asarray(one) for one in lists])
        of = np.repeat(np.arange(len(block)), counts)
        firsts = np.concatenate([[0], np.cumsum(counts)[:-1]])
        mean = lambda values: np.add.reduceat(values, firsts) / counts
        x = (reference.x[found] - survey.x[block][of]).astype(float)
        y = (reference.y[found] - survey.y[block][of]).astype(float)
        z = (reference.z[found] - survey.z[block][of]).astype(float)
        mx, my, mz = mean(x), mean(y), mean(z)
        x, y, z = x - mx[of], y - my[of], z - mz[of]
        xx, xy, yy, xz, yz = mean(x * x), mean(x * y), mean(y * y), mean(x * z), mean(y * z)
        determinant = xx * yy - xy * xy
        half = (xx + yy) / 2
        root = np.sqrt(np.maximum(half**2 - determinant, 0.0))
        flat = half - root > 0.01 * (half + root)
        determinant = np.where(flat, determinant, 1.0)
        gx = (xz * yy - yz * xy) / determinant
        gy = (yz * xx - xz * xy) / determinant
        height = mz - gx * mx - gy * my
        matched[block[flat]] = True
        dz[block[flat]] = -np.rint(height[flat]).astype(np.int64)
    return matched, dz


def statistics(dz, unit):
    """The figures of one group, in `unit`; null where there is none."""
    names = ("bias", "sd", "rmse", "min", "max", "median", "nmad", "abs_p95")
    if len(dz) == 0:
        return dict.fromkeys(names)
    value = dz.astype(float)
    median = np.median(value)
    figures = (
        value.mean(),
        value.std(ddof=1) if len(value) > 1 else None,
        np.sqrt(np.mean(value**2)),
        value.min(),
        value.max(),
        median,
        1.4826 * np.median(np.abs(value - median)),
        np.percentile(np.abs(value), 95),
    )
    per_unit = float(UNITS[unit])
    return {name: None if v is None else float(v) / per_unit for name, v in zip(names, figures)}


def study(options):
    """The summary, named as echograde's summary.json names it."""
    survey, survey_counts = read(options.survey, options.unit)
    reference, reference_counts = read(options.reference, options.unit)
    survey_counts["invalid_return"] = int((~survey.valid).sum())
    reference_counts["invalid_return"] = int((~reference.valid).sum())

    kept = select(survey, options.returns, options.survey_strips)
    reference_kept = select(reference, options.returns, options.reference_strips)
    accepted, counts = ground(survey[kept], options)
    survey_counts |= {"kept": int(kept.sum())} | counts
    reference_accepted, counts = ground(reference[reference_kept], options)
    reference_counts |= {"kept": int(reference_kept.sum())} | counts

    is_ground = np.zeros(len(survey), dtype=bool)
    is_ground[np.nonzero(kept)[0][accepted]] = True
    reference = reference[reference_kept][reference_accepted]
    checked = np.nonzero(is_ground & survey.valid)[0]
    within = options.within or length({"nearest": "15 mm", "plane": "0.5 m"}[options.match])
    match = {"nearest": match_nearest, "plane": match_plane}[options.match]
    matched, dz = match(survey[checked], reference, within)
    checked, dz = checked[matched], dz[matched]

    def group(points, compared):
        return {
            "points": int(points.sum()),
            "share": float(points.sum() / len(survey)),
            "ground": int((points & is_ground).sum()),
            "compared": int(compared.sum()),
        } | statistics(dz[compared], options.report_unit or options.unit)

    numbers = np.where(survey.valid, survey.return_number, 0)
    returns = [
        {"return": r} | group(numbers == r, numbers[checked] == r) for r in range(1, int(numbers.max()) + 1)
    ]
    return {
        "units": options.report_unit or options.unit,
        "points": len(survey),
        "returns": returns,
        "all": group(np.ones(len(survey), dtype=bool), np.ones(len(checked), dtype=bool)),
        "survey": survey_counts,
        "reference": reference_counts,
    }


def compare_with_truth(summary, path):
    """Prints what was found beside what the site was made from; elevations in millimetres."""
    with open(path) as file:
        truth = json.load(file)
    noise, offset = truth["reference"]["sd_m"], truth["reference"]["offset_m"]
    to_mm = float(UNITS[summary["units"]]) / 1000
    print("return  true ground    ground  compared   mean true   mean (in SE)      sd true     sd (in SE)")
    for row in summary["returns"][:5]:
        i, n = row["return"] - 1, row["compared"]
        mean = 1000 * (truth["survey"]["bias_by_return_m"][i] - offset)
        sd = 1000 * (truth["survey"]["sd_by_return_m"][i] ** 2 + noise**2) ** 0.5
        got_mean, got_sd = row["bias"] * to_mm, row["sd"] * to_mm
        print(
            f"{row['return']:6} {truth['survey']['counts']['true_ground_by_return'][i]:12} {row['ground']:9}"
            f" {n:9} {mean:11.2f} {got_mean:9.2f} ({(got_mean - mean) / sd * n**0.5:+5.1f})"
            f" {sd:11.2f} {got_sd:9.2f} ({(got_sd - sd) / sd * (2 * n) ** 0.5:+5.1f})"
        )


def parse_arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--survey", nargs="+", required=True)
    parser.add_argument("--reference", nargs="+", required=True)
    parser.add_argument("--unit", default="m", choices=["m", "ft", "ftUS"], help="of the files")
    parser.add_argument("--report-unit", choices=["m", "ft", "ftUS"])
    parser.add_argument("--returns", nargs="*", default=[1, 2, 3, 4, 5], help="numbers, or last")
    parser.add_argument("--survey-strips", nargs="*", type=int, default=[])
    parser.add_argument("--reference-strips", nargs="*", type=int, default=[])
    parser.add_argument("--cell", type=exact_length, default=exact_length("0.5 m"))
    parser.add_argument("--window-max", type=length, default=length("18 m"))
    parser.add_argument("--window-growth", default="exponential", choices=["exponential", "linear"])
    parser.add_argument("--slope", default="0.3")
    parser.add_argument("--dh-initial", type=length, default=length("0.3 m"))
    parser.add_argument("--dh-max", type=length, default=length("1 m"))
    parser.add_argument("--fill-max", type=length, default=length("10 m"))
    parser.add_argument("--low-outlier", type=length, default=length("1 m"))
    parser.add_argument("--match", default="nearest", choices=["nearest", "plane"])
    parser.add_argument("--within", type=length)
    parser.add_argument("--truth", help="truth.json to print the findings beside")
    parser.add_argument("--out", help="file to write instead of standard output")
    return parser.parse_args()


def main():
    options = parse_arguments()
    summary = study(options)
    text = json.dumps(summary, indent=2) + "\n"
    if options.out:
        with open(options.out, "w") as file:
            file.write(text)
    elif not options.truth:
        print(text, end="")
    if options.truth:
        compare_with_truth(summary, options.truth)


if __name__ == "__main__":
    main()

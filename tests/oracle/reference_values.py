"""Makes reference_values.json: answers of general array libraries, for echograde's own tests to agree with.

    python reference_values.py [OUT]
"""

import json
import platform
import statistics
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import scipy
from scipy import ndimage, stats
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree

from site_study import exact_length, length, thresholds, windows

INF = np.inf


class Stream:
    """Random whole numbers that no library version can change: a 64-bit linear congruential generator."""

    def __init__(self, seed):
        self.state = seed

    def below(self, n):
        self.state = (self.state * 6364136223846793005 + 1442695040888963407) % 2**64
        return (self.state >> 33) % n

    def list(self, count, low, high):
        return [low + self.below(high - low) for _ in range(count)]


def rows(raster):
    return [[int(value) for value in row] for row in raster]


def grey_opening(raster, window):
    """Erosion with nothing (+inf) beyond the edge, then dilation with nothing (-inf) beyond it."""
    size = (window, window)
    eroded = ndimage.grey_erosion(raster, size=size, mode="constant", cval=INF)
    return ndimage.grey_dilation(eroded, size=size, mode="constant", cval=-INF)


def openings():
    """Rasters in micrometres, and each opened by itself with each window and by one window after the other."""
    cases = []
    for seed, height, width, name in [
        (11, 40, 37, "noise on a slope, a block and pits"),
        (12, 12, 9, "smaller than the widest window"),
        (13, 1, 23, "a single row"),
    ]:
        stream = Stream(seed)
        raster = np.array(stream.list(height * width, 0, 200_000), dtype=float).reshape(height, width)
        raster += 50_000 * np.arange(width)[None, :] + 20_000 * np.arange(height)[:, None]
        if seed == 11:
            raster[8:20, 10:22] += 4_000_000
            raster[30, 5] -= 3_000_000
            raster[25, 30] -= 2_500_000
        one_by_one, progressive = [], []
        surface = raster
        for window in (3, 5, 9, 17):
            one_by_one.append({"window": window, "opened": rows(grey_opening(raster, window))})
            surface = grey_opening(surface, window)
            progressive.append({"window": window, "opened": rows(surface)})
        # The first window has the same answer both ways.
        cases.append({"name": name, "raster": rows(raster), "alone": one_by_one, "progressive": progressive[1:]})
    return cases


def nearest():
    """Distances in plan from each query to its nearest point; coordinates in micrometres."""
    stream = Stream(21)
    points = [stream.list(2, 0, 2_000_000) for _ in range(300)]
    queries = [stream.list(2, -200_000, 2_200_000) for _ in range(200)]
    distance, _ = cKDTree(np.array(points, dtype=float)).query(np.array(queries, dtype=float))
    return {"points": points, "queries": queries, "distances": [float(d) for d in distance]}


def samples():
    """Statistics of whole numbers (micrometres)."""
    stream = Stream(31)
    cases = [
        [-4321],
        [0],
        [15_000, -2_500],
        [7, 7],
        [3, -2, 5, 1, -4, 2, 6, -1, 4, 0, 2, -3, 7, -5, 3, 1, -2, 4, -1, 2, 5, -4, 0, 3, -6, 2, 1, -3, 4, -1],
        stream.list(11, -80_000, 60_000),
        stream.list(40, -80_000, 60_000),
        stream.list(101, -300_000, 320_000),
        # A spread that is small beside the mean: a careless variance loses it.
        stream.list(60, 1_000_000_000_000, 1_000_000_000_050),
    ]
    results = []
    for sample in cases:
        value = np.array(sample, dtype=float)
        median = float(np.median(value))
        results.append({
            "sample": sample,
            # From fractions: sums of floats lose digits of the last sample.
            "mean": float(statistics.mean(map(Fraction, sample))),
            "sd": float(statistics.stdev(sample)) if len(sample) > 1 else None,
            "rmse": float(np.sqrt(np.mean(value**2))),
            "median": median,
            "nmad": float(1.4826 * np.median(np.abs(value - median))),
            "abs_p95": float(np.percentile(np.abs(value), 95)),
        })
    return results


def planes():
    """Heights at a place of least-squares planes; all in micrometres, far from coordinate zero as in a survey."""
    cases = []
    for seed, count in [(41, 6), (42, 7), (43, 20), (44, 60), (45, 200)]:
        stream = Stream(seed)
        at = [400_000_000_000 + stream.below(10**9), 6_100_000_000_000 + stream.below(10**9)]
        slope = [stream.below(400) / 1000 - 0.2, stream.below(400) / 1000 - 0.2]
        points = []
        for _ in range(count):
            dx, dy = stream.list(2, -350_000, 350_000)
            z = round(41_000_000 + slope[0] * dx + slope[1] * dy) + stream.below(24_000) - 12_000
            points.append([at[0] + dx, at[1] + dy, z])
        relative = np.array(points, dtype=np.int64) - np.array([*at, 41_000_000])
        design = np.column_stack([np.ones(count), relative[:, 0], relative[:, 1]])
        solution, *_ = np.linalg.lstsq(design, relative[:, 2].astype(float), rcond=None)
        cases.append({"at": at, "points": points, "height": 41_000_000 + float(solution[0])})
    return cases


def triangulations():
    """Elevations at places of points linearly interpolated in their Delaunay triangulation; in micrometres."""
    cases = []
    for seed, count in [(51, 40), (52, 120), (53, 400)]:
        stream = Stream(seed)
        corner = [400_000_000_000 + stream.below(10**9), 6_100_000_000_000 + stream.below(10**9)]
        points = []
        for _ in range(count):
            dx, dy = stream.list(2, 0, 4_000_000)
            points.append([corner[0] + dx, corner[1] + dy, 41_000_000 + dx // 9 + stream.below(90_000)])
        at = [[corner[0] + dx, corner[1] + dy] for dx, dy in (stream.list(2, 1_000_000, 3_000_000) for _ in range(20))]
        relative = np.array(points, dtype=np.int64) - np.array([*corner, 0])
        surface = LinearNDInterpolator(relative[:, :2].astype(float), relative[:, 2].astype(float))
        heights = surface(np.array(at, dtype=float) - np.array(corner, dtype=float))
        cases.append({"points": points, "at": at, "heights": [float(one) for one in heights]})
    return cases


def series():
    """Windows in cells and thresholds in micrometres of the ground filter."""
    sets = [
        ("0.5 m", "18 m", "exponential", "0.3", "0.3 m", "1 m"),
        ("0.5 m", "8.5 m", "exponential", "0.3", "0.3 m", "1 m"),
        ("0.5 m", "8.4 m", "exponential", "0.3", "0.3 m", "1 m"),
        ("0.5 m", "10 m", "linear", "0.15", "0.3 m", "0.5 m"),
        ("1 m", "33 m", "exponential", "0.1", "0.15 m", "1 m"),
        ("1 m", "9 m", "linear", "0.1", "0.15 m", "1 m"),
        ("25 cm", "20 m", "exponential", "0.3", "0.2 m", "3 m"),
        ("1.5 ft", "60 ft", "exponential", "0.3", "1 ft", "3 ft"),
        ("1.5 ftUS", "60 ftUS", "linear", "0.25", "1 ftUS", "3 ftUS"),
        ("0.5 m", "1.5 m", "exponential", "0.3", "0.3 m", "0.2 m"),
    ]
    cases = []
    for cell, window_max, growth, slope, dh_initial, dh_max in sets:
        found = windows(exact_length(cell), exact_length(window_max), growth)
        limits = thresholds(found, exact_length(cell), slope, length(dh_initial), length(dh_max))
        cases.append({
            "cell": cell,
            "window_max": window_max,
            "window_growth": growth,
            "slope": float(slope),
            "dh_initial": dh_initial,
            "dh_max": dh_max,
            "windows": found,
            "thresholds": limits,
        })
    return cases


def distributions():
    """Upper-tail probabilities and quantiles; ln of the normal distribution in both tails."""
    degrees = [1, 2.5, 7, 30, 999, 10_000, 1_000_000]
    probabilities = [1e-6, 0.005, 0.025, 0.3, 0.5, 0.9, 0.975, 0.999]
    return {
        "normal": [{"p": p, "x": float(stats.norm.ppf(p))} for p in probabilities],
        "ln_normal_cdf": [
            {"x": x, "ln": float(stats.norm.logcdf(x))}
            for x in (6.0, 2.0, 0.5, 0.0, -0.5, -3.0, -8.0, -11.9, -12.1, -20.0, -50.0, -1000.0)
        ],
        "t": [{"df": d, "p": p, "x": float(stats.t.ppf(p, d))} for d in degrees for p in probabilities],
        "chi_squared": [{"df": d, "p": p, "x": float(stats.chi2.ppf(p, d))} for d in degrees for p in probabilities],
        "f": [
            {"df1": a, "df2": b, "p": p, "x": float(stats.f.ppf(p, a, b))}
            for a in (1, 4, 25)
            for b in (5, 8.213989, 300)
            for p in probabilities
        ],
        "tails": [
            {"x": x, "df": d, "t": float(stats.t.sf(x, d)), "chi_squared": float(stats.chi2.sf(x * d, d)),
             "f": float(stats.f.sf(x, 3, d))}
            for x in (0.7, 1.3, 2.2)
            for d in degrees
        ],
    }


def group_tests():
    """Welch's and Brown and Forsythe's tests of groups of unequal size, mean and spread."""
    cases = []
    for seed, shapes in [
        (51, [(8, 0, 40), (11, 10, 90)]),
        (52, [(30, 0, 40), (25, -5, 60), (40, 3, 50), (12, 20, 200)]),
        (53, [(200, 0, 1000), (150, 0, 1000), (3, 40, 900)]),
        (54, [(5, 1_000_000, 9), (6, 1_000_004, 12), (7, 1_000_000, 9)]),
    ]:
        stream = Stream(seed)
        groups = [[mean + value for value in stream.list(count, -spread, spread)] for count, mean, spread in shapes]
        welch = stats.f_oneway(*groups, equal_var=False)
        levene = stats.levene(*groups, center="median")
        pair = stats.ttest_ind(groups[0], groups[1], equal_var=False)
        cases.append({
            "groups": groups,
            "welch": [float(welch.statistic), float(welch.pvalue)],
            "brown_forsythe": [float(levene.statistic), float(levene.pvalue)],
            "welch_t": [float(pair.statistic), float(pair.df), float(pair.pvalue)],
        })
    return cases


def write(value, indent=""):
    """JSON with one line for each list of plain numbers, so that a difference can be read."""
    inner = indent + " "
    if isinstance(value, dict):
        items = [f"{inner}{json.dumps(key)}: {write(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(item, (dict, list)) for item in value):
        return "[\n" + ",\n".join(inner + write(item, inner) for item in value) + f"\n{indent}]"
    return json.dumps(value, separators=(",", ":"))


def main():
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("reference_values.json")
    values = {
        "made_with": {
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
        },
        "openings": openings(),
        "nearest": nearest(),
        "statistics": samples(),
        "planes": planes(),
        "triangulations": triangulations(),
        "ground_series": series(),
        "distributions": distributions(),
        "group_tests": group_tests(),
    }
    out.write_text(write(values) + "\n")


if __name__ == "__main__":
    main()

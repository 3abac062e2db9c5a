"""Elevations of a terrain model at the middle of cells, by scipy's linear interpolation in a Delaunay triangulation.

Usage: surface_values.py OUTPUT.json
"""

import json
import sys

import numpy as np
from scipy.interpolate import LinearNDInterpolator

rng = np.random.default_rng(20261127)


def case(points, cell, side, corner):
    """Points in metres from a corner, cells in micrometres."""
    xyz = np.rint(points * 1000).astype(np.int64) * 1000
    xyz[:, 0] += corner[0]
    xyz[:, 1] += corner[1]
    # Each place once: what becomes of points at one place is a rule of the program's own.
    _, first = np.unique(xyz[:, :2], axis=0, return_index=True)
    xyz = xyz[np.sort(first)]
    first_column, first_row = int(corner[0] // cell), int(corner[1] // cell)
    count = int(side * 1e6 // cell)
    x = (np.arange(first_column, first_column + count) + 0.5) * cell
    y = (np.arange(first_row, first_row + count) + 0.5) * cell
    grid_x, grid_y = np.meshgrid(np.rint(x) - corner[0], np.rint(y) - corner[1])
    interpolate = LinearNDInterpolator(xyz[:, :2] - np.array(corner), xyz[:, 2].astype(float))
    z = interpolate(grid_x, grid_y).ravel()
    return {
        "cell": cell,
        "first_column": first_column,
        "first_row": first_row,
        "columns": count,
        "rows": count,
        "points": xyz.tolist(),
        "elevations": [None if np.isnan(value) else round(float(value), 3) for value in z],
    }


def site(count, side, slope, roughness, clustered=False):
    if clustered:
        centres = rng.uniform(0, side, (max(count // 12, 3), 2))
        plan = np.clip(centres[rng.integers(len(centres), size=count)] + rng.normal(0, side / 30, (count, 2)), 0, side)
    else:
        plan = rng.uniform(0, side, (count, 2))
    z = 150 + slope * plan[:, 0] + 0.4 * np.sin(plan[:, 1]) + rng.normal(0, roughness, count)
    return np.column_stack([plan, z])


cases = [
    case(site(300, 12, 0.1, 0.02), 500_000.0, 12, (501_000_000_000, 4_202_000_000_000)),
    case(site(60, 12, 0.6, 0.1), 500_000.0, 12, (-40_000_000, 7_000_000)),
    case(site(250, 10, -0.3, 0.05, clustered=True), 304_800.60960121920, 10, (982_000_000_000, 61_000_000_000)),
]
with open(sys.argv[1], "w", encoding="utf-8") as output:
    json.dump({"cases": cases}, output)
    output.write("\n")

"""Makes terrain_values.json: terrain elevations and largest holes, found with NumPy and SciPy by the written rules.

    python terrain_values.py [OUT]

Terrain at a place: each cell that has ground is one observation, the weighted mean of its points at their weighted
centroid; its weight is the sum of its points' weights times (1 - d^2/R^2)^2. Half windows of 1, 2, 3, 4, 6, 8, ...
cells and the reach, R = (half + 1) cells. A window counts when it holds six cells or more within R, their centroids are
not in line (least eigenvalue of their covariance above 1 % of the greatest), and the place lies within two
standard deviations of their centroid. For each least half window, the smallest such window from it on, otherwise the
largest such window.
"""

import json
import math
import sys
from pathlib import Path

import numpy as np
from scipy import ndimage

from reference_values import Stream

REACH = 3_000_000
SMOOTHING = [1, 2, 3, 4]


def observations(points, cell, weights):
    """Cell (column, row) -> weight, x, y, z."""
    grouped = {}
    for x, y, z, r in points:
        if weights.get(r):
            weight, bias = weights[r]
            key = math.floor(x / cell), math.floor(y / cell)
            grouped.setdefault(key, []).append((weight, x, y, z - bias))
    result = {}
    for key, members in grouped.items():
        w, x, y, z = np.array(members).T
        result[key] = (w.sum(), *(np.average(v, weights=w) for v in (x, y, z)))
    return result


def half_windows(cell):
    last = max(int(REACH / cell), 1)
    return [h for h in (1, 2, 3, 4, 6, 8, 12, 16) if h < last] + [last]


def heights(cells, cell, place):
    column, row = (math.floor(v / cell) for v in place)
    valid = []
    for half in half_windows(cell):
        radius = (half + 1) * cell
        used = []
        for (c, r), (w, x, y, z) in cells.items():
            if abs(c - column) <= half and abs(r - row) <= half:
                nearness = 1 - ((x - place[0]) ** 2 + (y - place[1]) ** 2) / radius**2
                if nearness > 0:
                    used.append((w * nearness**2, x - place[0], y - place[1], z))
        if len(used) < 6:
            continue
        w, x, y, z = np.array(used).T
        centre = np.array([np.average(x, weights=w), np.average(y, weights=w)])
        covariance = np.cov(x, y, aweights=w, ddof=0)
        least, greatest = np.linalg.eigvalsh(covariance)
        if least <= 0.01 * greatest or centre @ np.linalg.inv(covariance) @ centre > 4:
            continue
        root = np.sqrt(w)
        # Metres and a local level, so that the columns are of like size.
        design = np.column_stack([np.ones_like(x), x / 1e6, y / 1e6]) * root[:, None]
        level = z.mean()
        fit, *_ = np.linalg.lstsq(design, (z - level) * root, rcond=None)
        valid.append((half, level + fit[0]))
    if not valid:
        return None
    return [next((z for half, z in valid if half >= least), valid[-1][1]) for least in SMOOTHING]


def terrain_cases():
    stream = Stream(11)
    cases = []
    for cell, count, learned in [
        (500_000, 300, []),
        (500_000, 60, []),
        (457_200.9144, 150, [[1, 20e3, 5e3], [2, 45e3, -4e3], [3, 90e3, -20e3]]),
        (300_000, 25, [[1, 20e3, 5e3], [3, 60e3, 0.0]]),
    ]:
        points = []
        for _ in range(count):
            x, y = stream.list(2, -4_000_000, 4_000_000)
            if x > 1_500_000 and y > 0:
                continue
            z = 700_000_000 + x // 5 - y // 7 + round(3e5 * math.sin(x / 1.3e6)) + stream.below(80_000)
            points.append([x, y, z, 1 + stream.below(3)])
        if learned:
            best = min(sd for _, sd, _ in learned)
            weights = {r: ((best / sd) ** 2, bias) for r, sd, bias in learned}
        else:
            weights = {r: (1.0, 0.0) for r in (1, 2, 3)}
        cells = observations(points, cell, weights)
        places = []
        for _ in range(25):
            x, y = stream.list(2, -3_900_000, 3_900_000)
            found = heights(cells, cell, (x, y))
            places.append({"x": x, "y": y, "heights": found and [round(h, 3) for h in found]})
        cases.append({"cell": cell, "points": points, "learned": learned, "places": places})
    return cases


def hole_cases():
    """States as in the program: 0 outside, 1 to 15 the lowest return with ground, 16 seen without ground."""
    stream = Stream(12)
    cases = []
    for rows, columns, kinds in [(40, 60, [1, 2, 3, 16, 16]), (30, 30, [0, 1, 16, 16]), (25, 70, [1, 2, 5, 5, 16, 16, 16])]:
        states = np.array([kinds[stream.below(len(kinds))] for _ in range(rows * columns)]).reshape(rows, columns)
        largest = []
        for k in range(1, 6):
            labels, count = ndimage.label(states > k)
            largest.append(int(np.bincount(labels.ravel())[1:].max()) if count else 0)
        cases.append({"columns": columns, "states": states.ravel().tolist(), "largest": largest})
    return cases


def main():
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("terrain_values.json")
    out.write_text(json.dumps({"terrain": terrain_cases(), "voids": hole_cases()}, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()

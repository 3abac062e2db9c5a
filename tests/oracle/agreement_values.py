"""Makes agreement_values.json: differences of strips in a cell, by NumPy's least squares on the whole design matrix.

    python agreement_values.py [OUT]

z = a x + b y + (level of the strip): one plane through all strips with at least four points, a level for each. The
difference of two levels has the variance c' (A'A)^-1 c s^2, with s^2 the sum of squared residuals over n - k - 2. It is left out
where more than half of that variance comes from the slope.
"""

import itertools
import json
import sys
from pathlib import Path

import numpy as np

from reference_values import Stream

FEWEST = 4


def uniform(stream):
    return stream.below(1 << 30) / (1 << 30)


def normal(stream):
    return sum(uniform(stream) for _ in range(12)) - 6


def points_of(stream, cell, strips, count, slopes, noise, base):
    """Points of so many strips in the cell whose corner is (base, base) cells from zero: micrometres."""
    points = []
    for strip in range(strips):
        # Each strip covers a part of the cell of its own.
        low = [0.35 * uniform(stream) for _ in range(2)]
        for _ in range(count - 2 * strip):
            x, y = ((base + side + (0.999 - side) * uniform(stream)) * cell for side in low)
            z = 3e8 + slopes[0] * (x - base * cell) + slopes[1] * (y - base * cell)
            z += 15_000 * strip + noise * normal(stream)
            points.append([int(x), int(y), int(round(z)), 7 + 2 * strip])
    return points


def differences(points):
    x, y, z, strip = np.array(points, dtype=float).T
    numbers = [n for n in np.unique(strip) if (strip == n).sum() >= FEWEST]
    used = np.isin(strip, numbers)
    x, y, z, strip = (v[used] for v in (x, y, z, strip))
    x, y, base = x - x.mean(), y - y.mean(), z.mean()
    design = np.column_stack([x, y] + [strip == n for n in numbers]).astype(float)
    scale = np.sqrt((design**2).sum(axis=0))
    solution, residual, _, _ = np.linalg.lstsq(design / scale, z - base, rcond=None)
    solution /= scale
    inverse = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
    variance = ((z - base - design @ solution) ** 2).sum() / (len(z) - len(numbers) - 2)
    result = []
    for i, j in itertools.combinations(range(len(numbers)), 2):
        contrast = np.zeros(len(solution))
        contrast[2 + i], contrast[2 + j] = -1, 1
        both = contrast @ inverse @ contrast
        of_points = sum(1 / (strip == numbers[k]).sum() for k in (i, j))
        # Cells near the limit are no test.
        assert abs(both / of_points - 2) > 1e-3
        if both <= 2 * of_points:
            strips = [int(numbers[i]), int(numbers[j])]
            value = solution[2 + j] - solution[2 + i]
            result.append({"strips": strips, "value": float(value), "sigma": float(np.sqrt(variance * both))})
    return result


def main():
    stream = Stream(29)
    cells = []
    for cell, strips, count, noise, base in itertools.product(
        (1_000_000, 457_200.914_4, 3_000_000), (2, 3), (8, 25), (8_000, 40_000), (-3, 1_234_567)
    ):
        slopes = [0.6 * uniform(stream) - 0.3, 0.6 * uniform(stream) - 0.3]
        points = points_of(stream, cell, strips, count, slopes, noise, base)
        cells.append({"cell": cell, "points": points, "differences": differences(points)})
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_suffix(".json")
    out.write_text(json.dumps({"cells": cells}, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()

"""Reads the clouds of tests/data with laspy and writes what it finds to clouds.json beside this file.

    python clouds.py [OUT]
"""

import json
import platform
import sys
from importlib.metadata import version
from pathlib import Path

import laspy
import numpy as np

HERE = Path(__file__).parent
FACTORS = {"m": 1_000_000.0, "ft": 304_800.0, "ftUS": 1_200_000_000 / 3937}


# Floats are written as text: readers of JSON do not all round them alike.


def counts(values):
    found, number = np.unique(np.asarray(values), return_counts=True)
    return {str(int(value)): int(n) for value, n in zip(found, number)}


def micrometres(raw, scale, offset, factor):
    """Whole micrometres, half away from zero."""
    value = (np.asarray(raw, dtype=np.float64) * scale + offset) * factor
    return np.where(value < 0, -np.floor(-value + 0.5), np.floor(value + 0.5)).astype(np.int64)


# Boxes as shares of the file's own, least and greatest x, then y.
BOXES = [(0.0, 1.0, 0.0, 1.0), (0.1, 0.35, 0.6, 0.8), (0.5, 0.52, 0.0, 1.0), (0.7, 0.9, 0.1, 0.3), (0.0, 0.03, 0.0, 0.04)]


def areas(path, las):
    """Of a COPC file the points in boxes, as the octree gives them, which must be those of reading everything."""
    found = []
    raw = [np.asarray(values, dtype=np.int64) for values in (las.X, las.Y, las.Z)]
    with laspy.CopcReader.open(path) as reader:
        header = reader.header
        for box in BOXES:
            ends = []
            for axis in (0, 1):
                least, most = int(raw[axis].min()), int(raw[axis].max())
                low, high = (least + round(share * (most - least)) for share in box[2 * axis : 2 * axis + 2])
                # Limits lie between two steps of the coordinates, so that it does not matter what they belong to.
                ends.append((low - 0.25, high + 0.25))
            x, y = ([float(end * header.scales[axis] + header.offsets[axis]) for end in ends[axis]] for axis in (0, 1))
            points = reader.query(laspy.copc.Bounds(mins=np.array([x[0], y[0]]), maxs=np.array([x[1], y[1]])))
            inside = (ends[0][0] < raw[0]) & (raw[0] < ends[0][1]) & (ends[1][0] < raw[1]) & (raw[1] < ends[1][1])
            by_tree = [np.asarray(values, dtype=np.int64) for values in (points.X, points.Y, points.Z)]
            for tree, whole in zip(by_tree, raw):
                assert np.array_equal(np.sort(tree), np.sort(whole[inside])), (path, box)
            um = [
                micrometres(values, header.scales[axis], header.offsets[axis], FACTORS["m"])
                for axis, values in enumerate(by_tree)
            ]
            found.append(
                {
                    "x": [repr(end) for end in x],
                    "y": [repr(end) for end in y],
                    "points": len(points),
                    "withheld": int(np.asarray(points.withheld).sum()),
                    "micrometres": [str(sum(int(value) for value in values)) for values in um],
                }
            )
    return found


def describe(path):
    las = laspy.read(path)
    header = las.header
    legacy = header.point_format.id < 6
    angle = las.scan_angle_rank if legacy else las.scan_angle
    axes = list(zip("xyz", (las.X, las.Y, las.Z), header.scales, header.offsets))
    gps = np.asarray(las.gps_time)
    return {
        "version": str(header.version),
        "format": header.point_format.id,
        "record_length": header.point_format.size,
        "points": len(las.points),
        "points_by_return": [int(n) for n in header.number_of_points_by_return][:15],
        "returns": counts(las.return_number),
        "numbers_of_returns": counts(las.number_of_returns),
        "classes": counts(las.classification),
        "strips": counts(las.point_source_id),
        "withheld": int(np.asarray(las.withheld).sum()),
        "scan_angle_sum": int(np.asarray(angle, dtype=np.int64).sum()),
        "gps_time": [repr(float(gps.min())), repr(float(gps.max()))],
        "scales": [repr(float(value)) for value in header.scales],
        "offsets": [repr(float(value)) for value in header.offsets],
        "raw_sum": {name: int(np.asarray(raw, dtype=np.int64).sum()) for name, raw, _, _ in axes},
        "min": [repr(float(value)) for value in header.mins],
        "max": [repr(float(value)) for value in header.maxs],
        "micrometres": {
            unit: {
                name: {
                    "sum": str(sum(int(v) for v in values)),
                    "min": int(values.min()),
                    "max": int(values.max()),
                }
                for name, raw, scale, offset in axes
                for values in [micrometres(raw, scale, offset, factor)]
            }
            for unit, factor in FACTORS.items()
        },
        **({"areas": areas(path, las)} if path.name.endswith(".copc.laz") else {}),
        "first_points": [
            [int(las.X[i]), int(las.Y[i]), int(las.Z[i]), int(las.return_number[i]), repr(float(gps[i]))] for i in range(5)
        ],
    }


result = {
    "made_with": {
        "python": platform.python_version(),
        **{name: version(name) for name in ("laspy", "lazrs", "numpy")},
    },
    "clouds": {
        path.name: describe(path)
        for path in sorted((HERE.parent / "data").iterdir())
        if path.suffix in (".las", ".laz")
    },
}
out = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "clouds.json"
out.write_text(json.dumps(result, indent=1) + "\n")

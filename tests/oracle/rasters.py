"""Reads the rasters of the terrain model with rasterio, and holds them against what numpy and scipy make of the same points.

Usage: rasters.py PROGRAM DEMO_RUN

Sites are made here, classified, so that which points are ground is known: metres with a compound system, US survey feet, feet
without a code, no system at all, thin and dense, with voids and several strips. DEMO_RUN is a run folder of pipelines/demo.yaml.
"""

import hashlib
import json
import math
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

import laspy
import numpy as np
import rasterio
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

warnings.filterwarnings("ignore", category=rasterio.errors.NotGeoreferencedWarning)
NO_DATA = -999999.0
FOOT_US = 1200 / 3937
UTM = (
    'PROJCS["UTM 33N",GEOGCS["ETRS89",DATUM["ETRS89",SPHEROID["GRS 1980",6378137,298.257222101]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],UNIT["metre",1],AUTHORITY["EPSG","25833"]]'
)
METRES = f'COMPD_CS["c",{UTM},VERT_CS["EGM2008 height",VERT_DATUM["EGM2008 geoid",2005],UNIT["metre",1],AUTHORITY["EPSG","3855"]]]'
FEET = (
    'COMPD_CS["c",PROJCS["NAD83 / New York Long Island (ftUS)",GEOGCS["NAD83",DATUM["North_American_Datum_1983",'
    'SPHEROID["GRS 1980",6378137,298.257222101]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],'
    'PROJECTION["Lambert_Conformal_Conic_2SP"],UNIT["US survey foot",0.3048006096012192],AUTHORITY["EPSG","2263"]],'
    'VERT_CS["NAVD88 height (ftUS)",VERT_DATUM["North American Vertical Datum 1988",2005],'
    'UNIT["US survey foot",0.3048006096012192],AUTHORITY["EPSG","6360"]]]'
)
LOCAL = FEET.replace(',AUTHORITY["EPSG","2263"]', "").replace(',AUTHORITY["EPSG","6360"]', "").replace(
    "NAD83 / New York Long Island (ftUS)", "Works grid"
)
#       name      WKT     units of the file                  metres  corner                   side  points void  strips cell          fill
SITES = [
    ("metres", METRES, None, 1.0, (401_200.0, 5_650_000.0, 120.0), 150.0, 60_000, 9.0, 3, "0.5 m", "4 m"),
    ("thin", METRES, None, 1.0, (401_200.0, 5_650_000.0, 1500.0), 300.0, 20_000, 0.0, 1, "1 m", "10 m"),
    ("dense", METRES, None, 1.0, (-1_000.0, -70.0, -20.0), 20.0, 80_000, 3.0, 2, "0.1 m", "1 m"),
    ("feet", FEET, None, FOOT_US, (982_000.0, 196_000.0, 300.0), 400.0, 40_000, 25.0, 2, "2 ftUS", "12 ftUS"),
    ("local feet", LOCAL, None, FOOT_US, (5_000.0, 9_000.0, 300.0), 300.0, 20_000, 0.0, 2, "0.5 m", "15 ftUS"),
    ("no system", None, "m", 1.0, (1_000.0, 2_000.0, 50.0), 100.0, 15_000, 6.0, 1, "0.5 m", "3 m"),
]


def write_site(folder, site):
    name, wkt, _, _, corner, side, count, void, strips, _, _ = site
    rng = np.random.default_rng(sum(map(ord, name)))
    plan = rng.uniform(0, side, (count, 2))
    if void:
        plan = plan[np.hypot(plan[:, 0] - side * 0.4, plan[:, 1] - side * 0.6) > void]
    z = 0.08 * plan[:, 0] + side / 60 * np.sin(plan[:, 1] * 9 / side) + rng.normal(0, side / 5000, len(plan))
    first = rng.random(len(plan)) < 0.8
    ground = first | (rng.random(len(plan)) < 0.7)
    for strip in range(strips):
        mine = np.arange(len(plan)) % strips == strip
        header = laspy.LasHeader(version="1.4", point_format=6)
        header.scales, header.offsets = [0.001] * 3, list(corner)
        if wkt:
            header.global_encoding.wkt = True
            header.vlrs.append(laspy.vlrs.known.WktCoordinateSystemVlr(wkt))
        las = laspy.LasData(header)
        las.x, las.y, las.z = corner[0] + plan[mine, 0], corner[1] + plan[mine, 1], corner[2] + z[mine]
        las.return_number = np.where(first[mine], 1, 2)
        las.number_of_returns = np.where(first[mine], 1, 2)
        las.classification = np.where(ground[mine], 2, 1)
        las.point_source_id = np.full(mine.sum(), strip + 1)
        las.write(folder / f"s{strip}.las")


def read_ground(folder):
    """Ground points as the files hold them, each place once with its mean elevation, and all of them by return."""
    clouds = [laspy.read(path) for path in sorted(folder.glob("s*.las"))]
    join = lambda of: np.concatenate([np.asarray(of(cloud)) for cloud in clouds])
    xyz = np.column_stack([join(lambda c: c.x), join(lambda c: c.y), join(lambda c: c.z)])
    returns, ground = join(lambda c: c.return_number), join(lambda c: c.classification) == 2
    return xyz, returns, ground


def check(condition, *what):
    if not condition:
        sys.exit(" ".join(map(str, ("rasters.py:",) + what)))


def length(text, unit):
    number, symbol = text.split()
    return float(number) * {"m": 1.0, "ftUS": FOOT_US}[symbol] / unit


def check_file(path, name, run, unit):
    """What any GeoTIFF reader is to find; gives values with NaN for no data."""
    with rasterio.open(path) as raster:
        check(set(raster.dtypes) == {"float32"} and raster.nodata == NO_DATA, name, "type or nodata")
        check(set(raster.block_shapes) == {(256, 256)}, name, "blocks", raster.block_shapes)
        structure = raster.tags(ns="IMAGE_STRUCTURE")
        check(structure.get("LAYOUT") == "COG" and structure["COMPRESSION"] == "DEFLATE", name, structure)
        expected, side = [], max(raster.shape)
        while side > 256 * 2 ** len(expected):
            expected.append(2 ** (len(expected) + 1))
        values = raster.read().astype(float)
        values[values == NO_DATA] = np.nan
        for band in range(1, raster.count + 1):
            check(raster.overviews(band) == expected, name, "overviews", raster.overviews(band))
            of_band, tags = values[band - 1], raster.tags(band)
            if np.isfinite(of_band).any():
                figures = [np.nanmin(of_band), np.nanmax(of_band), np.nanmean(of_band), np.nanstd(of_band)]
                for key, figure in zip(["MINIMUM", "MAXIMUM", "MEAN", "STDDEV"], figures):
                    stated = float(tags[f"STATISTICS_{key}"])
                    check(math.isclose(stated, figure, rel_tol=1e-6, abs_tol=1e-6), name, key, stated, figure)
        tags = raster.tags()
        check(tags["TIFFTAG_SOFTWARE"].startswith("echograde "), name, tags)
        manifest = json.loads((run / "manifest.json").read_text())
        check(tags["ECHOGRADE_PIPELINE_SHA256"] == manifest["pipeline_sha256"], name, "hash of the pipeline")
        listed = next(product for product in manifest["products"] if product["file"] == path.name)
        data = path.read_bytes()
        check(listed["sha256"] == hashlib.sha256(data).hexdigest() and listed["bytes"] == len(data), name, "manifest")
        check(listed["stage"] == "terrain", name, listed)
        if path.name in ("terrain.tif", "terrain-standard-error.tif", "terrain-dz.tif"):
            check(raster.units[0] == {1.0: "metres", FOOT_US: "US survey feet"}[unit], name, "unit", raster.units)
        for level, _ in enumerate(expected):
            with rasterio.open(path, overview_level=level) as overview:
                below = values if level == 0 else halves
                size = [(0, 0), (0, below.shape[1] % 2), (0, below.shape[2] % 2)]
                padded = np.pad(below, size, constant_values=np.nan)
                four = padded.reshape(padded.shape[0], padded.shape[1] // 2, 2, padded.shape[2] // 2, 2)
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore", RuntimeWarning)
                    means = np.nanmean(four, axis=(2, 4))
                if path.name in ("terrain-return.tif", "terrain-voids.tif"):
                    means = padded[:, ::2, ::2]
                halves = overview.read().astype(float)
                halves[halves == NO_DATA] = np.nan
                check(np.array_equal(np.isnan(halves), np.isnan(means)), name, "overview nodata", level)
                check(np.nanmax(np.abs(halves - means), initial=0) < 1e-3, name, "overview values", level)
        return values, raster.transform, raster.crs


def check_site(program, folder, site):
    name, wkt, units, unit, corner, side, _, _, _, cell_text, fill_text = site
    write_site(folder, site)
    given = f", units: {units}" if units else ""
    (folder / "run.yaml").write_text(
        f"title: {name} & co\nsurvey: {{files: ['s*.las']{given}}}\noutput: run\nstages:\n  - read:\n"
        f"  - ground: {{from: classes}}\n  - summarise:\n"
        f"  - terrain: {{cell: {cell_text}, fill: {fill_text}, returns: [1, 2]}}\n"
    )
    subprocess.run([program, "run", folder / "run.yaml"], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    run = folder / "run"
    files = {path.name: check_file(path, f"{name}, {path.name}:", run, unit) for path in sorted(run.glob("*.tif"))}
    check(len(files) == 5, name, list(files))
    (terrain,), transform, crs = files["terrain.tif"]
    # The system, by the units of its axes and by its codes.
    text = crs.to_wkt()
    foot, metre = text.count('UNIT["US survey foot"'), text.count('UNIT["metre"')
    check((foot, metre) == ((2, 0) if unit == FOOT_US else (0, 2)), name, text)
    for code in {"metres": ["25833", "3855"], "feet": ["2263", "6360"]}.get(name, []):
        check(f'"EPSG","{code}"' in text, name, code, text)
    # Where the cells are: aligned to multiples of their edge from coordinate zero.
    cell, fill = length(cell_text, unit), length(fill_text, unit)
    check(math.isclose(transform.a, cell, rel_tol=1e-12) and math.isclose(transform.e, -cell, rel_tol=1e-12), name, transform)
    column, row = transform.c / cell, transform.f / cell
    check(abs(column - round(column)) < 1e-6 and abs(row - round(row)) < 1e-6, name, "not aligned", transform)
    xyz, returns, ground = read_ground(folder)
    # Elevations by scipy, in the facets that are allowed.
    unique, first = np.unique(xyz[ground, :2], axis=0, return_inverse=True)
    z = np.bincount(first.ravel(), xyz[ground, 2]) / np.bincount(first.ravel())
    plan = unique - np.array(corner[:2])
    triangulation = Delaunay(plan)
    rows, columns = np.mgrid[: terrain.shape[0], : terrain.shape[1]]
    x = transform.c + (columns + 0.5) * cell - corner[0]
    y = transform.f - (rows + 0.5) * cell - corner[1]
    middles = np.column_stack([x.ravel(), y.ravel()])
    facet = triangulation.find_simplex(middles)
    a, b, c = (plan[triangulation.simplices[facet, i]] for i in range(3))
    sides = [np.hypot(*(p - q).T) for p, q in ((a, b), (b, c), (c, a))]
    area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = sides[0] * sides[1] * sides[2] / (4 * area)
    allowed = ((facet >= 0) & (radius <= fill)).reshape(terrain.shape)
    expected = LinearNDInterpolator(triangulation, z)(middles).reshape(terrain.shape)
    edge = np.abs(radius - fill).reshape(terrain.shape) < 1e-5
    check((np.isfinite(terrain) == allowed)[~edge].all(), name, "where there is terrain", (np.isfinite(terrain) != allowed).sum())
    both = np.isfinite(terrain) & np.isfinite(expected)
    worst = np.abs(terrain - expected)[both]
    # 32-bit numbers, and points at one circle, where either diagonal would do.
    rounding = np.spacing(np.float32(np.abs(expected[both]).max())) + 2e-6
    check((worst <= rounding).mean() > 0.9995, name, "elevations", worst.max(), (worst > rounding).sum())
    # Ground density, returns that decided, voids and standard errors.
    at_column = np.floor(xyz[:, 0] / cell).astype(int) - round(column)
    at_row = round(row) - 1 - np.floor(xyz[:, 1] / cell).astype(int)
    inside = (at_row >= 0) & (at_row < terrain.shape[0]) & (at_column >= 0) & (at_column < terrain.shape[1])
    check(inside.all(), name, "points outside of the raster")

    def counted(chosen):
        counts = np.zeros(terrain.shape)
        np.add.at(counts, (at_row[chosen], at_column[chosen]), 1)
        return counts

    seen, density = counted(np.ones(len(xyz), bool)) > 0, files["terrain-ground-density.tif"][0]
    check(density.shape[0] == 2, name, density.shape)
    for number in (1, 2):
        expected = counted(ground & (returns == number)) / (cell * unit) ** 2
        own = density[number - 1]
        known = np.isfinite(own)
        # Coordinates at the very edge of a cell fall to either side by rounding.
        check((np.abs(own - expected)[known] <= 1e-4 * expected.max()).mean() > 0.999, name, "density", number)
        check((known == (seen | np.isfinite(terrain))).mean() > 0.9999, name, "density where", number)
    voids, has_ground = files["terrain-voids.tif"][0][0], counted(ground) > 0
    expected = np.where(np.isfinite(terrain), np.where(has_ground, 0, 1), np.where(seen, 2, np.nan))
    check(((voids == expected) | (np.isnan(voids) & np.isnan(expected))).mean() > 0.999, name, "voids")
    decided = files["terrain-return.tif"][0][0]
    check(set(np.unique(decided[np.isfinite(decided)])) <= {1.0, 2.0}, name, "returns")
    check((np.isfinite(decided) == np.isfinite(terrain)).all(), name, "where returns decided")
    error = files["terrain-standard-error.tif"][0][0]
    check((np.isfinite(error) <= np.isfinite(terrain)).all() and np.nanmin(error) >= 0, name, "standard errors")
    noise = np.nanmedian(error[np.isfinite(error)]) / (side / 5000)
    check(0.3 < noise < 3 or name == "thin", name, "standard error against the noise", noise)
    print(f"{name}: {terrain.shape}, {np.isfinite(terrain).sum()} cells, largest difference {worst.max():.2g}")


def ground_of_demo(x, y):
    """The true ground of demo-data/make_site/terrain.rs."""
    turn = 2 * math.pi

    def hump(distance, half):
        return np.where(np.abs(distance) < half, 0.5 + 0.5 * np.cos(math.pi * distance / half), 0)

    rolling = 40 + 0.9 * np.sin(turn * x / 83 + 0.4) + 0.7 * np.sin(turn * y / 67 + 1.1)
    rolling += 0.15 * np.sin(turn * (x + 0.7 * y) / 37)
    u, v = x % 120, y % 90
    meander = 1.5 * np.sin(turn * v / 90)
    return rolling - hump(u - 84 - meander, 1.4) + 0.7 * hump(u - 22 + meander, 3.0)


def check_demo(run, share, most_sd):
    """Terrain of the demo against the ground that it was made from, outside of the grass, which is taken for ground."""
    files = {path.name: check_file(path, f"demo, {path.name}:", run, 1.0) for path in sorted(run.glob("*.tif"))}
    check(len(files) == 6, "demo", list(files))
    (terrain,), transform, _ = files["terrain.tif"]
    error = files["terrain-standard-error.tif"][0][0]
    rows, columns = np.mgrid[: terrain.shape[0], : terrain.shape[1]]
    x = transform.c + (columns + 0.5) * transform.a - 400_000
    y = transform.f + (rows + 0.5) * transform.e - 6_100_000
    grass = (x > 96) & (x < 118) & (y > 5) & (y < 41)
    known = np.isfinite(terrain) & np.isfinite(error) & ~grass
    off = (terrain - ground_of_demo(x, y))[known]
    within = (np.abs(off - np.median(off)) < 2 * error[known]).mean()
    check(known.sum() > 38_000 and abs(off.mean()) < 0.008 and off.std() < most_sd, "demo", off.mean(), off.std())
    check(within > share, "demo: cells within two standard errors", within)
    dz = files["terrain-dz.tif"][0][0]
    # The reference lies 6 mm too high.
    apart = (dz + 0.006 - (terrain - ground_of_demo(x, y)))[np.isfinite(dz) & known]
    check(np.isfinite(dz).sum() > 10_000 and abs(apart.mean()) < 0.003, "demo: dz", apart.mean(), apart.std())
    print(f"demo: bias {off.mean() * 1e3:.1f} mm, SD {off.std() * 1e3:.1f} mm, {within:.3f} within two standard errors")


def main():
    program, demo = Path(sys.argv[1]).resolve(), Path(sys.argv[2])
    with tempfile.TemporaryDirectory() as base:
        for site in SITES:
            folder = Path(base) / site[0].replace(" ", "-")
            folder.mkdir()
            check_site(program, folder, site)
        check_demo(demo, 0.94, 0.02)
        # The same with the variance-weighted terrain: the ditches apart it is nearer to the truth.
        root = Path(__file__).resolve().parents[2]
        text = (root / "pipelines/demo.yaml").read_text().replace("../demo-data", (root / "demo-data").as_posix())
        check("- terrain:" in text, "the demo makes no terrain model")
        weighted = Path(base) / "weighted.yaml"
        weighted.write_text(text[: text.index("- terrain:")] + "- terrain: {method: weighted}\n")
        run = Path(base) / "weighted"
        subprocess.run([program, "run", weighted, "--out", run], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        check_demo(run, 0.85, 0.018)


if __name__ == "__main__":
    main()

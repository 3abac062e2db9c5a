"""Reads what `export` wrote with laspy, SQLite, pyogrio and shapely, and holds it against the survey and against the independent ground filter.

    python products.py demo RUN          the run folder of pipelines/demo.yaml, from the project's top folder
    python products.py plan ECHOGRADE RUN    plans sites on the demo with that program, and checks them on the ground that RUN classified
    python products.py formats ECHOGRADE makes a survey of all point formats, exports it with that program, and checks it
"""

import csv
import json
import sqlite3
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import laspy
import numpy as np
import pyogrio
import rasterio
import rasterio.features
import shapely
from scipy import ndimage
from site_study import ground, parse_arguments, read, select

GROUND, LOW = 2, 7


def check(condition, what):
    if not condition:
        sys.exit(f"products: {what}")


def same_fields(source, copy, added=()):
    """Every field of the copy is that of the source, but the class and what was added."""
    was, now = laspy.read(source), laspy.read(copy)
    head, again = was.header, now.header
    check(head.version == again.version and head.point_format.id == again.point_format.id, f"{copy}: version or format")
    for name in ("scales", "offsets", "mins", "maxs", "number_of_points_by_return"):
        check(np.array_equal(getattr(head, name), getattr(again, name)), f"{copy}: {name}")
    for name in ("uuid", "system_identifier", "generating_software", "creation_date", "file_source_id", "point_count"):
        check(getattr(head, name) == getattr(again, name), f"{copy}: {name}")
    check(head.global_encoding.value == again.global_encoding.value, f"{copy}: global encoding")
    names = list(was.point_format.dimension_names)
    check(list(now.point_format.dimension_names) == names + list(added), f"{copy}: dimensions")
    for name in names:
        if name == "classification":
            continue
        a, b = np.asarray(was.points.array[name] if name in was.points.array.dtype.names else was[name]), None
        b = np.asarray(now.points.array[name] if name in now.points.array.dtype.names else now[name])
        check(a.dtype == b.dtype and a.tobytes() == b.tobytes(), f"{copy}: {name}")
    for kind in ("vlrs", "evlrs"):
        def records(header_of):
            all_of = getattr(header_of, kind) or []
            skipped = {("laszip encoded", 22204), ("echograde", 1)} | ({("LASF_Spec", 4)} if added else set())
            return [(v.user_id, v.record_id, v.record_data_bytes()) for v in all_of if (v.user_id, v.record_id) not in skipped]
        before, after = (records(f if kind == "evlrs" else f.header) for f in (was, now))
        check(before == after, f"{copy}: {kind}")
    own = [v for v in now.header.vlrs if v.user_id == "echograde"]
    check(len(own) == 1 and len(json.loads(own[0].record_data_bytes())["pipeline_sha256"]) == 64, f"{copy}: origin")
    return was, now


def classes_of_the_demo(run):
    """Class 2 is what the ground filter of site_study.py accepts, point by point; class 7 besides is as many as it finds low."""
    sys.argv = ["site_study.py", "--survey", "demo-data/survey/*.laz", "--reference", "demo-data/reference/*.laz"]
    options = parse_arguments()
    survey, _ = read(options.survey, "m")
    kept = select(survey, options.returns, [])
    accepted, counts = ground(survey[kept], options)
    is_ground = np.zeros(len(survey), dtype=bool)
    is_ground[np.nonzero(kept)[0][accepted]] = True
    judged = np.zeros(len(survey), dtype=bool)
    judged[kept] = ~np.isin(survey.klass[kept], (7, 18))
    at, low, by_return = 0, 0, {}
    limits = 0
    for source in sorted(Path("demo-data/survey").glob("*.laz")):
        was, now = same_fields(source, run / "cloud" / source.name)
        used = np.asarray(was.withheld) == 0
        part = slice(at, at + int(used.sum()))
        at = part.stop
        before, after = np.asarray(was.classification)[used], np.asarray(now.classification)[used]
        untouched = np.asarray(was.classification)[~used], np.asarray(now.classification)[~used]
        check(np.array_equal(*untouched), f"{source}: withheld points")
        own, mine = judged[part], is_ground[part]
        check(np.array_equal(after[own] == GROUND, mine[own]), f"{source}: ground")
        check(np.array_equal(before[~own], after[~own]), f"{source}: points that were not judged")
        rest = own & ~mine
        low += int((after[rest] == LOW).sum())
        kept_class = (after == before) | ((before == GROUND) & (after == 1)) | (after == LOW)
        check(kept_class[rest].all(), f"{source}: points above ground")
        numbers = survey.return_number[part][mine & survey.valid[part]]
        for number in np.unique(numbers):
            by_return[int(number)] = by_return.get(int(number), 0) + int((numbers == number).sum())
    check(low == counts["low_outlier"], f"{low} low outliers, not {counts['low_outlier']}")
    summary = json.loads((run / "summary.json").read_text())
    for row in summary["returns"]:
        check(row["ground"] == by_return.get(row["return"], 0), f"ground of return {row['return']}")


def shape_of(blob, srs):
    """The geometry of a feature: GeoPackage header, then well-known binary."""
    check(blob[:3] == b"GP\0", "a geometry does not begin as one of a GeoPackage")
    flags = blob[3]
    check(flags & 1 and struct.unpack("<i", blob[4:8])[0] == srs, "system of a geometry")
    envelope = (0, 32, 48, 48, 64)[flags >> 1 & 7]
    shape = shapely.from_wkb(blob[8 + envelope :])
    if envelope:
        west, east, south, north = struct.unpack("<4d", blob[8:40])
        check(shape.bounds == (west, south, east, north), "envelope of a geometry")
    return shape


def geopackage(run, code):
    """The GeoPackage is whole, and its checkpoints are those of checkpoints.csv."""
    file = sqlite3.connect(f"file:{run / 'points.gpkg'}?mode=ro", uri=True)
    one = lambda sql, *values: file.execute(sql, values).fetchone()[0]  # noqa: E731
    check(one("PRAGMA application_id") == 0x47504B47 and one("PRAGMA user_version") >= 10200, "no GeoPackage")
    check(one("PRAGMA integrity_check") == "ok" and not file.execute("PRAGMA foreign_key_check").fetchall(), "integrity")
    table, column, kind, srs = file.execute(
        "SELECT table_name, column_name, geometry_type_name, srs_id FROM gpkg_geometry_columns WHERE table_name = 'checkpoints'"
    ).fetchone()
    check((column, kind, srs) == ("geom", "POINT", code), f"geometry column: {column} {kind} {srs}")
    name, organization, definition = file.execute(
        "SELECT srs_name, organization, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?", (srs,)
    ).fetchone()
    check(organization == "EPSG" and definition.startswith("PROJ"), f"system: {name} {organization} {definition[:40]}")
    check(one("SELECT count(*) FROM gpkg_extensions WHERE table_name = 'checkpoints' AND extension_name = 'gpkg_rtree_index'") == 1, "R-tree is not announced")
    with open(run / "checkpoints.csv") as text:
        rows = list(csv.DictReader(text))
    columns = list(rows[0])
    found = file.execute(f"SELECT fid, geom, {', '.join(chr(34) + c + chr(34) for c in columns)} FROM checkpoints ORDER BY fid").fetchall()
    check(len(found) == len(rows) > 100, f"{len(found)} checkpoints, not {len(rows)}")
    bounds = [np.inf, np.inf, -np.inf, -np.inf]
    for row, (fid, geometry, *values) in zip(rows, found):
        point = shape_of(geometry, srs)
        check((point.x, point.y) == (float(row["x"]), float(row["y"])), f"position of {fid}")
        bounds = [min(bounds[0], point.x), min(bounds[1], point.y), max(bounds[2], point.x), max(bounds[3], point.y)]
        for name, value in zip(columns, values):
            text = row[name]
            check(value is None if text == "" else (value == text if isinstance(value, str) else float(value) == float(text)), f"{name} of {fid}: {value} for {text}")
    check(list(file.execute("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'checkpoints'").fetchone()) == bounds, "extent")
    # The index finds what lies in a box; it holds floats, rounded outwards.
    west, south, east, north = bounds[0], bounds[1], (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    indexed = {i for (i,) in file.execute("SELECT id FROM rtree_checkpoints_geom WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?", (west, east, south, north))}
    inside = {fid for row, (fid, *_) in zip(rows, found) if float(row["x"]) <= east and float(row["y"]) <= north}
    check(inside <= indexed and one("SELECT count(*) FROM rtree_checkpoints_geom") == len(rows), "index")
    check(json.loads(one("SELECT metadata FROM gpkg_metadata"))["program"] == "echograde", "origin")
    # Another reader of the format: system, kinds, and what lies in a box.
    info = pyogrio.read_info(run / "points.gpkg", layer="checkpoints")
    check(info["crs"] == f"EPSG:{code}" and info["geometry_type"] == "Point" and info["features"] == len(rows), f"{info}")
    check(tuple(info["total_bounds"]) == tuple(bounds) and list(info["fields"]) == columns, f"{info}")
    _, _, shapes, _ = pyogrio.raw.read(run / "points.gpkg", layer="checkpoints", bbox=(west, south, east, north))
    check(len(shapes) == len(inside), f"{len(shapes)} in a box, not {len(inside)}")


def voids(run):
    """The polygons of voids are the voids of the raster: each joins cells of one kind that touch along an edge, and holds no other."""
    with rasterio.open(run / "terrain-voids.tif") as raster:
        cells, transform = raster.read(1), raster.transform
    info, _, blobs, values = pyogrio.raw.read(run / "points.gpkg", layer="voids")
    columns = dict(zip(info["fields"], values))
    shapes = shapely.from_wkb(blobs)
    check(shapely.is_valid(shapes).all(), "a polygon of a void is not valid")
    cell = transform.a
    check(np.allclose(shapely.area(shapes), columns["cells"] * cell**2, rtol=1e-9, atol=1e-6), "area of a void")
    check(np.allclose(columns["area_m2"], columns["cells"] * cell**2), "area_m2 of a void")
    expected = 0
    for code, filled in ((1, True), (2, False)):
        labels, count = ndimage.label(cells == code)
        own = columns["filled"].astype(bool) == filled
        check(own.sum() == count, f"{own.sum()} voids of kind {code}, not {count}")
        expected += count
        if count == 0:
            continue
        numbered = [(shape, number) for number, shape in enumerate(shapes[own], start=1)]
        again = rasterio.features.rasterize(numbered, out_shape=cells.shape, transform=transform, dtype="int32")
        check(np.array_equal(again > 0, cells == code), f"cells of voids of kind {code}")
        # One polygon for each void, and one void for each polygon.
        pairs = {(int(a), int(b)) for a, b in zip(labels[again > 0], again[again > 0])}
        check(len(pairs) == count, f"voids of kind {code} are joined otherwise")
        sizes = np.bincount(again[again > 0])[1:]
        check(np.array_equal(sizes, columns["cells"][own]), f"cells of each void of kind {code}")
    check(expected == len(shapes) > 10, f"{expected} voids")
    print(f"{expected} voids of the terrain model are polygons of their cells")


def sites(program, run):
    """Elevation, slope and roughness of sites are those of numpy's plane through the classified ground around; the GeoPackage has the table."""
    parts = []
    for source in sorted((run / "cloud").glob("*.laz")):
        cloud = laspy.read(source)
        used = (np.asarray(cloud.withheld) == 0) & (np.asarray(cloud.classification) == GROUND)
        parts.append(np.column_stack([cloud.x, cloud.y, cloud.z])[used])
    ground_points = np.concatenate(parts)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan"
        command = [program, "plan", "pipelines/demo.yaml", "--open", "30", "--low", "5", "--canopy", "20", "--class", "10 cm", "--out", out]
        done = subprocess.run(command, capture_output=True, text=True)
        check(done.returncode == 0, done.stderr)
        with open(out / "sites.csv") as text:
            rows = list(csv.DictReader(text))
        check(len(rows) == 55, f"{len(rows)} sites")
        for row in rows:
            x, y = float(row["easting"]), float(row["northing"])
            # The cells of 1 m of which some part lies within 3 m of the middle of the site's own.
            off = np.floor(ground_points[:, :2]) - np.floor([x, y])
            nearest = np.maximum(np.abs(off) - 0.5, 0)
            near = ground_points[np.hypot(*nearest.T) < 3]
            check(len(near) == int(row["ground_points"]), f"{row['name']}: {len(near)} ground points")
            design = np.column_stack([np.ones(len(near)), near[:, 0] - x, near[:, 1] - y])
            plane, squares, *_ = np.linalg.lstsq(design, near[:, 2], rcond=None)
            check(abs(plane[0] - float(row["elevation"])) < 6e-4, f"{row['name']}: elevation {plane[0]}")
            check(abs(np.hypot(*plane[1:]) - float(row["slope"])) < 6e-4, f"{row['name']}: slope {plane[1:]}")
            check(abs(np.sqrt(squares[0] / (len(near) - 3)) - float(row["roughness"])) < 6e-5, f"{row['name']}: roughness")
        for layer, prefix in (("sites", ""), ("alternatives", "alternative_")):
            info, _, blobs, values = pyogrio.raw.read(out / "sites.gpkg", layer=layer)
            check(info["crs"] == "EPSG:25832", f"{info}")
            there = [row for row in rows if row[prefix + "easting"]]
            columns = dict(zip(info["fields"], values))
            check(len(blobs) == len(there), f"{len(blobs)} {layer}")
            for point, row, elevation in zip(shapely.from_wkb(blobs), there, columns["elevation"]):
                check((point.x, point.y) == (float(row[prefix + "easting"]), float(row[prefix + "northing"])), f"position of {row['name']}")
                check(elevation == float(row[prefix + "elevation"]), f"elevation of {row['name']}")
        texts = pyogrio.raw.read(out / "sites.gpkg", layer="sites", columns=["reason"], read_geometry=False)[3][0]
        check(list(texts) == [row["reason"] for row in rows], "reasons")
    print(f"{len(rows)} sites have the plane of the ground around them")


def make(path, version, number, compressed, rng):
    """A cloud of ground on a slope under bushes, all fields of it filled at random; with records, and extra bytes in two formats of three."""
    header = laspy.LasHeader(version=version, point_format=number)
    header.scales, header.offsets = [0.001, 0.0025, 0.00025], [400_000.5, 5_000_000.25, -17.125]
    header.generating_software, header.system_identifier = "a test", "by hand"
    header.vlrs.append(laspy.VLR("someone", 77, "of their own", b"\x00\x01 kept as it is"))
    if number % 3:
        header.add_extra_dims([laspy.ExtraBytesParams("amplitude", "f4"), laspy.ExtraBytesParams("pair", "2u2")])
    las = laspy.LasData(header)
    n = 20_000
    x, y = rng.uniform(0, 60, n), rng.uniform(0, 60, n)
    returns = rng.integers(1, 4, n)
    first = rng.integers(1, 4, n)
    number_of_returns = np.maximum(returns, first)
    z = 100 + 0.1 * x - 0.05 * y + rng.normal(0, 0.02, n) + np.where(returns < number_of_returns, rng.uniform(1, 6, n), 0)
    z[:5] -= 8
    las.points = laspy.ScaleAwarePointRecord.zeros(n, header=header)
    raw = las.points.array
    for name in raw.dtype.names:
        field = raw[name]
        raw[name] = np.frombuffer(rng.bytes(field.nbytes), dtype=field.dtype).reshape(field.shape)
        if field.dtype.kind == "f":
            raw[name] = rng.normal(0, 1e3, field.shape).astype(field.dtype)
    las.x, las.y, las.z = x + 400_000, y + 5_000_000, z
    las.return_number, las.number_of_returns = returns, number_of_returns
    las.classification = rng.choice([0, 1, 2, 5, 7], n)
    las.withheld = (rng.uniform(size=n) < 0.02).astype(np.uint8)
    if "gps_time" in raw.dtype.names:
        las.gps_time = np.sort(rng.uniform(0, 1e5, n))
    if version == "1.4":
        las.evlrs = laspy.vlrs.vlrlist.VLRList([laspy.VLR("someone", 78, "behind the points", bytes(range(256)) * 300)])
    las.write(path, do_compress=compressed)


def formats(program):
    """All point formats, LAS and LAZ, with and without a dimension more: every field comes back."""
    rng = np.random.default_rng(16)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        count = 0
        for number in range(11):
            least = 0 if number < 2 else 2 if number < 4 else 3 if number < 6 else 4
            # laspy writes versions from 1.1 on.
            for minor in range(max(least, 1), 5):
                for compressed in (False, True):
                    suffix = "laz" if compressed else "las"
                    make(folder / f"f{number}-{minor}-{suffix}.{suffix}", f"1.{minor}", number, compressed, rng)
                    count += 1
        for dimensions in ([], ["ground_limit"]):
            pipeline = folder / "pipeline.yaml"
            pipeline.write_text(
                "survey: {files: ['f*.la?'], units: m}\nstages: [read: {}, ground: {}, summarise: {}, "
                f"export: {{extra_bytes: [{', '.join(dimensions)}]}}]\n"
            )
            out = folder / f"out{len(dimensions)}"
            done = subprocess.run([program, "run", pipeline, "--out", out], capture_output=True, text=True)
            check(done.returncode == 0, done.stderr)
            ground_points, checked = 0, 0
            for source in sorted(folder.glob("f*.la?")):
                was, now = same_fields(source, out / "cloud" / f"{source.stem}.laz", dimensions)
                judged = (np.asarray(was.withheld) == 0) & ~np.isin(was.classification, (7, 18))
                after = np.asarray(now.classification)
                check(np.array_equal(np.asarray(was.classification)[~judged], after[~judged]), f"{source}: not judged")
                ground_points += int((judged & (after == GROUND)).sum())
                if dimensions:
                    limit = np.asarray(now.points.array["ground_limit"])
                    check(np.array_equal(limit != -(2**31), judged), f"{source}: where there is a limit")
                    known = judged & (after != LOW)
                    check(np.array_equal(after[known] == GROUND, now.Z[known] <= limit[known]), f"{source}: limit")
                    scaled = np.asarray(now.ground_limit)[known] - np.asarray(now.z)[known]
                    check(np.abs(scaled - (limit - now.Z)[known] * now.header.scales[2]).max() < 1e-6, f"{source}: scale of the limit")
                checked += 1
            counted = json.loads((out / "summary.json").read_text())["survey"]["ground"]
            check(checked == count and ground_points == counted, f"{ground_points} ground points, {counted} counted")
    print(f"{count} files of all point formats are as they were but for their classes")


def main():
    if sys.argv[1:2] == ["demo"]:
        run = Path(sys.argv[2])
        classes_of_the_demo(run)
        geopackage(run, 25832)
        voids(run)
        print("the classified cloud and the points of the demo are right")
    elif sys.argv[1:2] == ["plan"]:
        sites(sys.argv[2], Path(sys.argv[3]))
    else:
        formats(sys.argv[2])


if __name__ == "__main__":
    main()

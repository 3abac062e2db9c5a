"""Writing the point files of a made site: LAS 1.4, point format 6, compressed in chunks of 50,000 points."""

from datetime import date
from pathlib import Path

import laspy
import numpy as np
from laspy.vlrs.known import WktCoordinateSystemVlr

SYSTEMS = Path(__file__).parent.parent / "demo-data/make_site"
# Of a unit: metres in one, the site's corner (in open sea in each system, for no real place is meant),
# and the coordinate system.
UNITS = {
    "m": (1.0, (400_000.0, 6_100_000.0), "metre.wkt"),
    "ft": (0.3048, (150_000.0, 500_000.0), "foot.wkt"),
    "ftUS": (1200 / 3937, (1_200_000.0, 60_000.0), "us-survey-foot.wkt"),
}
# Coordinates are whole thousandths of a unit.
SCALE = 0.001


class Cloud:
    """A point file being written, batch by batch."""

    def __init__(self, path, unit, source_id):
        metres, origin, system = UNITS[unit]
        self.step, self.source_id = metres * SCALE, source_id
        header = laspy.LasHeader(version="1.4", point_format=6)
        header.offsets = [*origin, 0.0]
        header.scales = [SCALE] * 3
        header.creation_date = date(2024, 1, 1)  # the day it was made must not change the file
        header.file_source_id = source_id
        header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
        header.global_encoding.wkt = True
        header.system_identifier = "SIMULATION"
        header.generating_software = "bench/sites.py"
        header.vlrs.append(WktCoordinateSystemVlr((SYSTEMS / system).read_text().strip().replace("\n", "")))
        self.format = header.point_format
        # One thread for each file: several files are made at a time.
        self.writer = laspy.open(path, mode="w", header=header, laz_backend=laspy.LazBackend.Lazrs)
        self.points = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.writer.close()

    def store(self, metres):
        """Lengths as the whole numbers that the file holds."""
        return np.rint(metres / self.step).astype(np.int32)

    def restore(self, stored):
        """The lengths in metres that stored numbers stand for."""
        return stored * self.step

    def write(self, x, y, z, **others):
        """Adds points, coordinates as stored; returns are single unless said otherwise."""
        records = np.zeros(len(x), dtype=self.format.dtype())
        records["X"], records["Y"], records["Z"] = x, y, z
        records["bit_fields"] = 1 | 1 << 4
        for name, values in others.items():
            records[name] = values
        self.writer.write_points(laspy.PackedPointRecord(records, self.format))
        self.points += len(records)

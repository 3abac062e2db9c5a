"""The reference of a made site: plots of an even density, or the set-ups of a scanner on a tripod."""

import math

import numpy as np

from site_files import Cloud
from site_land import BUILDING, OPEN, SHRUB, WOODS

SD = 0.005  # of its elevations, independent, metres; nothing else is wrong with it
SHRUB_SEEN = 0.6  # of what falls on a shrub is the shrub
STEM_SEEN = 0.03  # of what falls in the woods is a stem
LOWEST_SEEN = 0.4  # metres over the ground: lower points of either would pass for ground
BATCH = 500_000
# The tripod: height of the scanner, nearest and farthest reach in plan, metres.
TRIPOD, NEAREST, FARTHEST = 1.8, 0.3, 40.0


def squares(number, width, height):
    """Columns and rows of a layout of at least so many nearly square parts."""
    columns = max(1, round(math.sqrt(number * width / height)))
    return columns, math.ceil(number / columns)


class Reference:
    """What both kinds share: points put on the ground and what stands on it."""

    def __init__(self, land, seed, unit):
        self.land, self.seed, self.unit = land, seed, unit

    def share(self):
        """Of the site, how much is scanned."""
        random = np.random.default_rng([self.seed, 5])
        x, y = random.uniform(0, self.land.width, 400_000), random.uniform(0, self.land.height, 400_000)
        return float(self.covers(x, y).mean())

    def scan(self, part, path):
        """Writes one file; gives its number of points."""
        random = np.random.default_rng([self.seed, 6, part])
        with Cloud(path, self.unit, 1 + part) as cloud:
            for x, y in self.places(part, random):
                self._points(cloud, x, y, random)
        return cloud.points

    def _points(self, cloud, x, y, random):
        inside = (x >= 0) & (x < self.land.width) & (y >= 0) & (y < self.land.height)
        stored_x, stored_y = cloud.store(x[inside]), cloud.store(y[inside])
        x, y = cloud.restore(stored_x), cloud.restore(stored_y)
        kind, top = self.land.cover(x, y)
        chance = random.random(len(x), dtype=np.float32)
        z = self.land.ground(x, y) + SD * random.standard_normal(len(x), dtype=np.float32)
        for there, high in (
            (np.nonzero((kind == SHRUB) & (chance < SHRUB_SEEN))[0], top),
            (np.nonzero((kind == WOODS) & (chance < STEM_SEEN))[0], np.full(len(x), 3.0)),
        ):
            z[there] += LOWEST_SEEN + (high[there] - LOWEST_SEEN) * random.random(len(there))
        seen = kind != BUILDING
        cloud.write(stored_x[seen], stored_y[seen], cloud.store(z)[seen], point_source_id=cloud.source_id)


class Grid(Reference):
    """Plots in the middles of equal parts of the site, each filled row by row."""

    name = "plot"

    def __init__(self, land, seed, unit, share, plots, points):
        super().__init__(land, seed, unit)
        plots = plots or min(64, max(1, round(land.width * land.height / 40_000)))
        self.columns, self.rows = squares(plots, land.width, land.height)
        self.parts = self.columns * self.rows
        self.part = (land.width / self.columns, land.height / self.rows)
        self.edge = math.sqrt(share)  # of a plot, in edges of its part
        self.step = math.sqrt(land.width * land.height * share / points)

    def covers(self, x, y):
        off_x, off_y = (np.abs(along / edge % 1 - 0.5) for along, edge in ((x, self.part[0]), (y, self.part[1])))
        return (off_x < self.edge / 2) & (off_y < self.edge / 2)

    def places(self, part, random):
        width, height = (edge * self.edge for edge in self.part)
        west = (part % self.columns + 0.5) * self.part[0] - width / 2
        south = (part // self.columns + 0.5) * self.part[1] - height / 2
        a_row, rows = round(width / self.step), round(height / self.step)
        at_once = max(1, BATCH // a_row)
        for first in range(0, rows, at_once):
            number = np.arange(first * a_row, min(rows, first + at_once) * a_row)
            x = west + (number % a_row + random.random(len(number))) * width / a_row
            y = south + (number // a_row + random.random(len(number))) * height / rows
            yield x, y

    def told(self):
        return {"kind": "grid", "plots": self.parts, "densest_points_per_m2": round(1 / self.step**2, 1)}


class Tripod(Reference):
    """Set-ups that turn round slowly and sweep from the foot outwards in even steps of the angle.

    So the density on the ground goes with h / ((h^2 + r^2) r), for a scanner at the height h.
    """

    name = "setup"

    def __init__(self, land, seed, unit, share, setups, points):
        super().__init__(land, seed, unit)
        wanted = share * land.width * land.height
        self.parts = setups or min(8, max(1, round(wanted / (math.pi * FARTHEST**2))))
        self.reach = max(1.0, min(FARTHEST, math.sqrt(wanted / (math.pi * self.parts))))
        self.angles = (math.atan(NEAREST / TRIPOD), math.atan(self.reach / TRIPOD))
        swept = self.angles[1] - self.angles[0]
        self.turns = round(math.sqrt(points * 2 * math.pi / swept))
        self.sweeps = round(points / self.turns)
        self.at = [self._place(part) for part in range(self.parts)]

    def _place(self, part):
        """Somewhere about the middle of its part of the site, on open ground."""
        columns, rows = squares(self.parts, self.land.width, self.land.height)
        random = np.random.default_rng([self.seed, 7, part])
        for wide in np.linspace(0.1, 0.9, 40):
            x = (part % columns + 0.5 + random.uniform(-0.5, 0.5) * wide) * self.land.width / columns
            y = (part // columns + 0.5 + random.uniform(-0.5, 0.5) * wide) * self.land.height / rows
            if self.land.cover(np.array([x]), np.array([y]))[0][0] == OPEN:
                break
        return x, y

    def covers(self, x, y):
        covered = np.zeros(len(x), dtype=bool)
        for east, north in self.at:
            squared = (x - east) ** 2 + (y - north) ** 2
            covered |= (squared >= NEAREST**2) & (squared < self.reach**2)
        return covered

    def places(self, part, random):
        east, north = self.at[part]
        low, high = self.angles
        at_once = max(1, BATCH // self.sweeps)
        for first in range(0, self.turns, at_once):
            number = np.arange(first * self.sweeps, min(self.turns, first + at_once) * self.sweeps)
            turn = (number // self.sweeps + random.random(len(number))) * 2 * math.pi / self.turns
            angle = low + (number % self.sweeps + random.random(len(number))) * (high - low) / self.sweeps
            distance = TRIPOD * np.tan(angle)
            yield east + distance * np.cos(turn), north + distance * np.sin(turn)

    def told(self):
        swept = 2 * math.pi * (self.angles[1] - self.angles[0])
        at_foot = self.turns * self.sweeps * TRIPOD / ((TRIPOD**2 + NEAREST**2) * NEAREST) / swept
        return {
            "kind": "tripod",
            "setups": [[round(along, 3) for along in place] for place in self.at],
            "reach_m": round(self.reach, 3),
            "densest_points_per_m2": round(at_foot, 1),
        }

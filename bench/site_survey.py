"""The airborne survey of a made site: strips flown side by side, to and fro along x, one file each.

The truth is known of every ground echo, so what the survey is wrong by is summed up while it is written.
"""

import math

import numpy as np

from site_files import Cloud
from site_land import BUILDING, SHRUB, WOODS, Field

# What a ground echo adds to the truth, by return number, metres: bias, and SD of independent noise.
BIAS = np.array([0.004, 0.001, -0.005, -0.012, -0.020])
SD = np.array([0.015, 0.022, 0.035, 0.050, 0.070])
# Of each kind of error, what comes on top of the noise: SD and scale along and across the track of each random field,
# and SD of one offset for the whole strip, metres.
ERRORS = {
    "white": ([], 0.0),
    "one-scale": ([(0.020, 10.0, 10.0)], 0.0),
    "two-scales": ([(0.015, 2.0, 2.0), (0.008, 60.0, 60.0)], 0.0),
    "stripes": ([(0.015, 80.0, 2.0)], 0.0),
    "strips": ([], 0.020),
}
OVERLAP = 0.2  # of the distance between strips
PULSES_PER_SECOND = 240_000
START = 410_000_000.0
BATCH = 300_000


class Sums:
    """Number, sum and sum of squares of what ground echoes are wrong by, micrometres: by return, under woods or not,
    in the scanned part or not."""

    def __init__(self):
        self.sums = np.zeros((3, 2, 2, 5))
        self.points_by_return = np.zeros(5, dtype=np.int64)
        self.low_outliers = 0

    def add(self, error, returns, woods, scanned):
        """Returns count from 0."""
        group = (woods * 2 + scanned) * 5 + returns
        micrometres = np.rint(error * 1e6)
        for i in range(3):
            self.sums[i] += np.bincount(group, micrometres**i, minlength=20).reshape(2, 2, 5)

    def merge(self, other):
        self.sums += other.sums
        self.points_by_return += other.points_by_return
        self.low_outliers += other.low_outliers

    def told(self):
        """What truth.json says: of all ground delivered, and of the scanned part."""
        return {
            name: {
                "all": _moments(of.sum(axis=(1, 2, 3))),
                "by_return": [_moments(of[:, :, :, i].sum(axis=(1, 2))) for i in range(5)],
                "open_by_return": [_moments(of[:, 0, :, i].sum(axis=1)) for i in range(5)],
                "woods_by_return": [_moments(of[:, 1, :, i].sum(axis=1)) for i in range(5)],
            }
            for name, of in (("delivered", self.sums), ("scanned", self.sums[:, :, 1:, :]))
        }


def _moments(sums):
    n, total, squares = (float(one) for one in sums)
    if n < 2:
        return {"n": int(n)}
    mean = total / n
    sd = math.sqrt(max(0.0, (squares - n * mean**2) / (n - 1)))
    return {"n": int(n), "bias_m": round(mean / 1e6, 7), "sd_m": round(sd / 1e6, 7)}


class Survey:
    """How a site is flown."""

    def __init__(self, land, reference, seed, density, strips, error, low_outliers, unit):
        self.land, self.reference, self.seed, self.strips, self.unit = land, reference, seed, strips, unit
        self.spacing = land.height / strips
        self.overlap = OVERLAP * self.spacing if strips > 1 else 0.0
        flown_over = 1 + (strips - 1) * self.overlap / land.height
        self.step = math.sqrt(flown_over / density)
        # Given by area, where a dense survey has no more of them than a thin one: it is cells that they spoil.
        self.low_outliers = low_outliers / 1e4 / density
        self.flying_height = max(60.0, 0.8 * self.spacing)
        fields, self.offset_sd = ERRORS[error]
        random = np.random.default_rng([seed, 3])
        self.fields = [Field(random, *one, cells=2048) for one in fields]

    def fly(self, strip, path):
        """Writes one strip; gives its number of points and sums."""
        random = np.random.default_rng([self.seed, 4, strip])
        # Each strip sees other parts of the fields: what one flight is wrong by, another is not.
        shifts = random.uniform(0, 10_000, (len(self.fields), 2))
        offset = self.offset_sd * random.standard_normal()
        middle = (strip + 0.5) * self.spacing
        half = (self.spacing + self.overlap) / 2
        south, north = max(0.0, middle - half), min(self.land.height, middle + half)
        a_line = math.ceil((north - south) / self.step)
        lines = math.ceil(self.land.width / self.step)
        sums = Sums()
        lines_at_once = max(1, BATCH // a_line)
        with Cloud(path, self.unit, 101 + strip) as cloud:
            for first in range(0, lines, lines_at_once):
                pulses = np.arange(first * a_line, min(lines, first + lines_at_once) * a_line)
                along = (pulses // a_line + random.random(len(pulses))) * self.step
                x = along if strip % 2 == 0 else self.land.width - along
                y = south + (pulses % a_line + random.random(len(pulses))) * self.step
                inside = (x >= 0) & (x < self.land.width) & (y < north)
                times = START + strip * 3600 + pulses[inside] / PULSES_PER_SECOND
                error = (x[inside], y[inside], shifts, offset)
                self._pulses(cloud, x[inside], y[inside], times, middle, self._error(*error), random, sums)
        return cloud.points, sums

    def _error(self, x, y, shifts, offset):
        error = np.full(len(x), offset)
        for field, (dx, dy) in zip(self.fields, shifts):
            error += field.at(x + dx, y + dy)
        return error

    def _pulses(self, cloud, x, y, times, middle, error, random, sums):
        """Writes the echoes of pulses, from the top down."""
        # The truth holds at the place that the file will state, after rounding.
        x, y = cloud.restore(cloud.store(x)), cloud.restore(cloud.store(y))
        truth = self.land.ground(x, y)
        kind, top = self.land.cover(x, y)
        total, above = self.land.echoes(kind, random)
        of = np.repeat(np.arange(len(x)), total)
        echo = np.arange(len(of)) - np.repeat(np.cumsum(total) - total, total)  # counts from 0
        is_ground = echo >= above[of]

        noise = random.standard_normal(len(of), dtype=np.float32)
        z = truth[of] + error[of] + BIAS[echo] + SD[echo] * noise
        aside = np.zeros(len(of))
        there = np.nonzero(~is_ground)[0]
        height = self._heights(there, of, echo, kind, top, above, truth, random)
        z[there] = truth[of[there]] + height + 0.02 * noise[there]
        # Above the ground the beam was nearer the middle of the strip.
        lean = (y - middle) / self.flying_height
        aside[there] = -height * lean[of[there]]
        low = np.nonzero(is_ground & (random.random(len(of), dtype=np.float32) < self.low_outliers))[0]
        z[low] -= random.uniform(1, 6, len(low))
        is_ground[low] = False

        stored_z = cloud.store(z)
        angle = np.rint(np.degrees(np.arctan(lean)) / 0.006).astype(np.int16)
        cloud.write(
            cloud.store(x)[of],
            cloud.store(y[of] + aside),
            stored_z,
            intensity=(random.gamma(6.0, 3000.0, len(x))[of] / total[of]).clip(0, 65535).astype(np.uint16),
            bit_fields=(echo + 1 | total[of] << 4).astype(np.uint8),
            classification=1,
            scan_angle=angle[of],
            point_source_id=cloud.source_id,
            gps_time=times[of],
        )
        sums.low_outliers += len(low)
        sums.points_by_return += np.bincount(echo, minlength=5)
        good = np.nonzero(is_ground)[0]
        pulse = of[good]
        scanned = self.reference.covers(x, y)
        sums.add(cloud.restore(stored_z[good]) - truth[pulse], echo[good], kind[pulse] == WOODS, scanned[pulse])

    @staticmethod
    def _heights(there, of, echo, kind, top, above, truth, random):
        """Heights over the ground of echoes from what stands on it."""
        pulse = of[there]
        kind, top, echo = kind[pulse], top[pulse], echo[there]
        share = random.uniform(0.1, 0.9, len(there))
        # In the woods each echo has a level of its own, so that they come from the top down.
        height = 2 + (top - 2) * (1 - (echo + share) / above[pulse])
        # Shrubs echo from near their tops: what a ground filter takes for ground would be no part of the truth.
        height = np.where(kind == SHRUB, top * (0.8 + 0.2 * share), height)
        return np.where(kind == BUILDING, top - truth[pulse], height)


"""The ground of a made site, and what stands on it. Lengths in metres, places from the site's south-west corner."""

import math

import numpy as np

OPEN, WOODS, SHRUB, BUILDING = range(4)

# How often a pulse in the woods comes back as one to five echoes, and how often the last of them is the ground.
ECHOES = [0.12, 0.22, 0.26, 0.24, 0.16]
REACHES_GROUND = 0.7
SHRUB_HIT, SHRUB_THROUGH = 0.7, 0.6
# One building in some of the squares of this edge; none on sites too small for one.
SQUARE = 60.0
BUILT = 0.35
SMALLEST_BUILT_SITE = 40.0


class Field:
    """A random field that repeats: normal values of the given spread, whose correlation at a distance d is
    exp(-(d / scale)^2), made on a grid by FFT and taken bilinearly. Scales may differ along x and y."""

    def __init__(self, random, sd, scale_x, scale_y=None, cells=1024):
        scales = (scale_x, scale_x if scale_y is None else scale_y)
        self.per_cell = [8.0 / scale for scale in scales]
        self.cells = cells  # a power of two
        # The same for both axes, since the cell is an eighth of the scale; amplitudes of the waves are the root of
        # the spectrum, and their mean square is the variance that white noise comes out with.
        waves = np.exp(-((2 * math.pi * np.fft.fftfreq(cells) * 8) ** 2) / 8)
        scaled = waves / math.sqrt(np.mean(waves**2))
        noise = np.fft.rfft2(random.standard_normal((cells, cells), dtype=np.float32))
        noise *= (sd * np.outer(scaled, scaled[: cells // 2 + 1])).astype(np.float32)
        self.values = np.fft.irfft2(noise).astype(np.float32).ravel()

    def at(self, x, y):
        column, right = self._cell(x, self.per_cell[0])
        row, up = self._cell(y, self.per_cell[1])
        next_column = (column + 1) & (self.cells - 1)
        next_row = ((row + 1) & (self.cells - 1)) * self.cells
        row *= self.cells
        low = self.values[row + column] * (1 - right) + self.values[row + next_column] * right
        high = self.values[next_row + column] * (1 - right) + self.values[next_row + next_column] * right
        return low * (1 - up) + high * up

    def _cell(self, along, per_cell):
        along = along * per_cell
        whole = np.floor(along)
        return whole.astype(np.int64) & (self.cells - 1), along - whole


class Land:
    """Waves and random relief with small roughness; woods, shrubs, buildings."""

    def __init__(self, seed, width, height, slope, woods, shrubs):
        self.width, self.height = width, height
        random = np.random.default_rng([seed, 1])
        # On a small site everything is smaller, so that it holds slopes and woods all the same.
        shrink = min(1.0, max(0.1, min(width, height) / 150))
        # Half the mean square of the slope is that of the waves, in equal parts; half that of the relief.
        self.waves = []
        for length in (180.0, 110.0, 70.0, 45.0):
            number = 2 * math.pi / (length * shrink)
            heading, phase = random.uniform(0, 2 * math.pi, 2)
            self.waves.append((slope / (2 * number), number * math.cos(heading), number * math.sin(heading), phase))
        scale = 25.0 * shrink
        self.relief = Field(random, slope / math.sqrt(2) * scale / 2, scale)
        self.roughness = Field(random, 0.008, 0.4)
        self._cover(random, shrink, woods, shrubs)
        self._buildings(random)

    def ground(self, x, y):
        z = 40 + self.relief.at(x, y) + self.roughness.at(x, y)
        for amplitude, by_x, by_y, phase in self.waves:
            z += amplitude * np.sin(by_x * x + by_y * y + phase)
        return z

    def _cover(self, random, shrink, woods, shrubs):
        """Woods and shrubs stand where a field is high; how high follows from the share wanted of this very site."""
        self.woods_field = Field(random, 1, 12 * shrink)
        self.shrub_field = Field(random, 1, 1.2)
        x, y = random.uniform(0, self.width, 200_000), random.uniform(0, self.height, 200_000)
        self.woods_from = np.quantile(self.woods_field.at(x, y), 1 - woods)
        self.shrubs_from = np.quantile(self.shrub_field.at(x, y), 1 - shrubs)

    def _buildings(self, random):
        shape = (math.ceil(self.height / SQUARE), math.ceil(self.width / SQUARE))
        rows, columns = np.indices(shape)
        half_x, half_y = random.uniform(4, 8, shape), random.uniform(3, 6, shape)
        x = (columns + random.uniform(0.3, 0.7, shape)) * SQUARE
        y = (rows + random.uniform(0.3, 0.7, shape)) * SQUARE
        eaves = self.ground(x, y) + random.uniform(3, 7, shape)
        built = random.random(shape) < (BUILT if min(self.width, self.height) >= SMALLEST_BUILT_SITE else 0)
        self.squares = shape
        self.buildings = np.stack([x, y, np.where(built, half_x, -1), half_y, eaves], -1).reshape(-1, 5)

    def cover(self, x, y):
        """What stands at each place, and its top: height over the ground, or elevation of a roof."""
        kind = np.zeros(len(x), dtype=np.uint8)
        top = np.zeros(len(x))
        excess = self.shrub_field.at(x, y) - self.shrubs_from
        there = np.nonzero(excess > 0)[0]
        kind[there] = SHRUB
        top[there] = np.minimum(0.5 + excess[there], 1.5)
        excess = self.woods_field.at(x, y) - self.woods_from
        there = np.nonzero(excess > 0)[0]
        kind[there] = WOODS
        top[there] = 8 + 12 * np.minimum(excess[there], 1)
        column = np.clip((x / SQUARE).astype(int), 0, self.squares[1] - 1)
        row = np.clip((y / SQUARE).astype(int), 0, self.squares[0] - 1)
        own = self.buildings[row * self.squares[1] + column]
        from_ridge = np.abs(y - own[:, 1])
        there = np.nonzero((np.abs(x - own[:, 0]) < own[:, 2]) & (from_ridge < own[:, 3]))[0]
        kind[there] = BUILDING
        top[there] = own[there, 4] + 0.5 * (own[there, 3] - from_ridge[there])
        return kind, top

    def echoes(self, kind, random):
        """How many echoes each pulse has, and how many of them, the first, are not of the ground."""
        total = np.ones(len(kind), dtype=np.int64)
        above = (kind == BUILDING).astype(np.int64)
        there = np.nonzero(kind == WOODS)[0]
        total[there] = 1 + np.searchsorted(np.cumsum(ECHOES[:-1]), random.random(len(there)), side="right")
        above[there] = total[there] - (random.random(len(there)) < REACHES_GROUND)
        there = np.nonzero(kind == SHRUB)[0]
        there = there[random.random(len(there)) < SHRUB_HIT]
        above[there] = 1
        total[there] += random.random(len(there)) < SHRUB_THROUGH
        return total, above

    def echoes_a_pulse(self, seed):
        """The mean, over the whole site."""
        random = np.random.default_rng([seed, 2])
        x, y = random.uniform(0, self.width, 300_000), random.uniform(0, self.height, 300_000)
        total, _ = self.echoes(self.cover(x, y)[0], random)
        return total.mean()

"""Control networks adjusted with scipy.optimize.least_squares: the networks as files, and the results.

Each observation is written down again here, as a function of all coordinates; derivatives are scipy's own differences.
Redundancy numbers and standardised residuals come from the whole covariance of the residuals.

    python network_values.py network_values.json
"""

import json
import math
import sys

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

RADIUS = 6_371_000.0
TRUTH = {
    "A": (501000.0, 4202000.0, 150.0),
    "B": (501180.0, 4202040.0, 155.2),
    "C": (501320.0, 4201930.0, 171.0),
    "D": (501250.0, 4201780.0, 168.3),
    "E": (501060.0, 4201800.0, 152.1),
    "F": (501170.0, 4201900.0, 149.0),
}


class Network:
    """Files of a network with its observation equations."""

    def __init__(self, seed, unit=1.0, scale=1.0, refraction=0.13):
        self.random = np.random.default_rng(seed)
        self.unit, self.scale, self.refraction = unit, scale, refraction
        self.files, self.equations = {}, []  # (label, function of the dictionary of unknowns, observed, sigma, period)
        self.held = {}
        self.orientations = {}
        self.correlated = []  # (indices of equations, covariance)

    def truth(self, name):
        return [value / self.unit for value in TRUTH[name]]

    def noise(self, sigma):
        return float(self.random.normal(0.0, sigma))

    def add(self, label, function, observed, sigma, period=None):
        self.equations.append((label, function, observed, sigma, period))

    def levels(self, lines):
        text = "from,to,dh,sigma\n"
        for a, b, sigma in lines:
            dh = round(self.truth(b)[2] - self.truth(a)[2] + self.noise(sigma), 5)
            text += f"{a},{b},{dh},{sigma}\n"
            self.add(("level", a, b), lambda x, a=a, b=b: x[b, 2] - x[a, 2], dh, sigma)
        self.files["levels.csv"] = text

    def positions(self, names, sigmas, correlation=0.0):
        text = "name,easting,northing,elevation,sigma_e,sigma_n,sigma_u,cov_en,cov_eu,cov_nu\n"
        for name in names:
            cov = np.diag(np.square(sigmas))
            for i, j in ((0, 1), (0, 2), (1, 2)):
                cov[i, j] = cov[j, i] = correlation * sigmas[i] * sigmas[j] * (-1) ** j
            cov_text = [float(f"{cov[i, j]:.9g}") for i, j in ((0, 1), (0, 2), (1, 2))]
            for (i, j), value in zip(((0, 1), (0, 2), (1, 2)), cov_text):
                cov[i, j] = cov[j, i] = value
            values = np.array(self.truth(name)) + self.random.multivariate_normal(np.zeros(3), cov)
            values = [round(float(value), 5) for value in values]
            text += ",".join([name, *map(str, values), *map(str, sigmas), *map(str, cov_text)]) + "\n"
            first = len(self.equations)
            for axis, kind in enumerate(("easting", "northing", "elevation")):
                self.add((kind, name, None), lambda x, n=name, k=axis: x[n, k], values[axis], sigmas[axis])
            self.correlated.append((range(first, first + 3), cov))
        self.files["gnss.csv"] = text

    def sight(self, x, s, t, hi, ht):
        """Horizontal distance as measured, rise from instrument to target, azimuth."""
        east, north = x[t, 0] - x[s, 0], x[t, 1] - x[s, 1]
        return math.hypot(east, north) / self.scale, x[t, 2] + ht - x[s, 2] - hi, math.atan2(east, north)

    def zenith(self, x, s, t, hi, ht):
        ground, up, _ = self.sight(x, s, t, hi, ht)
        radius = RADIUS / self.unit
        out = ground * (1 + up / (2 * radius))
        return math.atan2(out, up - (1 - self.refraction) * ground**2 / (2 * radius))

    def sights(self, setups, sigmas, gon=False):
        circle, small = (400.0, 400_000.0) if gon else (360.0, 1_296_000.0)
        text = "station,set,target,direction,zenith,distance,station_height,target_height,sigma_direction,sigma_zenith,sigma_distance\n"
        true = {(name, axis): value for name in TRUTH for axis, value in enumerate(self.truth(name))}
        radian, fine = circle / (2 * math.pi), small / (2 * math.pi)
        for s, name, targets in setups:
            key = (s, name)
            self.orientations[key] = float(self.random.uniform(0, 2 * math.pi))
            hi = round(float(self.random.uniform(1.4, 1.6)) / self.unit, 3)
            for t in targets:
                ht = round(1.3 / self.unit, 3)
                ground, up, azimuth = self.sight(true, s, t, hi, ht)
                direction = round((azimuth - self.orientations[key] + self.noise(sigmas[0] / fine)) % (2 * math.pi) * radian, 6)
                zenith = round((self.zenith(true, s, t, hi, ht) + self.noise(sigmas[1] / fine)) * radian, 6)
                distance = round(math.hypot(ground, up) + self.noise(sigmas[2]), 5)
                row = [s, name, t, direction, zenith, distance, hi, ht, *sigmas]
                text += ",".join(map(str, row)) + "\n"
                self.add(
                    ("direction", s, t),
                    lambda x, s=s, t=t, k=key, hi=hi, ht=ht: self.sight(x, s, t, hi, ht)[2] - x[k],
                    direction / radian,
                    sigmas[0] / fine,
                    2 * math.pi,
                )
                self.add(
                    ("zenith", s, t),
                    lambda x, s=s, t=t, hi=hi, ht=ht: self.zenith(x, s, t, hi, ht),
                    zenith / radian,
                    sigmas[1] / fine,
                )
                self.add(
                    ("distance", s, t),
                    lambda x, s=s, t=t, hi=hi, ht=ht: math.hypot(*self.sight(x, s, t, hi, ht)[:2]),
                    distance,
                    sigmas[2],
                )
        self.files["ts.csv"] = text

    def solve(self, yaml, axes):
        """Adjusts; `axes` are the coordinates that are sought."""
        names = sorted(TRUTH)
        known = {(n, a): v for n in names for a, v in enumerate(self.truth(n))}
        keys = [(n, a) for n in names for a in axes if (n, a) not in self.held] + sorted(self.orientations)
        start = np.array([self.orientations[k] if k in self.orientations else known[k] for k in keys])
        size = len(self.equations)
        covariance = np.diag([sigma**2 for *_, sigma, _ in self.equations])
        for where, cov in self.correlated:
            covariance[np.ix_(where, where)] = cov
        whiten = np.linalg.inv(np.linalg.cholesky(covariance))

        def misclosures(step):
            x = {**known, **dict(zip(keys, start + step))}
            values = []
            for _, function, observed, _, period in self.equations:
                value = function(x) - observed
                values.append((value + period / 2) % period - period / 2 if period else value)
            return np.array(values)

        def whitened(step):
            return whiten @ misclosures(step)

        found = least_squares(
            whitened, np.zeros(len(keys)), method="trf", jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15
        )
        v = misclosures(found.x)
        design = np.linalg.solve(whiten, found.jac)
        weight = np.linalg.inv(covariance)
        unknowns = np.linalg.inv(found.jac.T @ found.jac)
        residuals = covariance - design @ unknowns @ design.T
        redundancy = np.diag(residuals @ weight)
        test = np.diag(weight @ residuals @ weight)
        square_sum = float(v @ weight @ v)
        freedom = size - len(keys)
        sigma = np.sqrt(np.diag(unknowns))
        points = {
            n: {
                str(a): [
                    round(float(start[keys.index((n, a))] + found.x[keys.index((n, a))]), 7),
                    round(float(sigma[keys.index((n, a))]), 9),
                ]
                for a in axes
                if (n, a) in keys
            }
            for n in names
        }
        # A small-angle residual in its own sigmas is free of units.
        observations = [
            {
                "kind": label[0],
                "from": label[1],
                "to": label[2],
                "observed": observed,
                "in_sigmas": round(float(v[i] / s), 6),
                "redundancy": round(float(redundancy[i]), 6),
                "w": round(float((weight @ v)[i] / math.sqrt(test[i])), 6) if redundancy[i] > 1e-6 else None,
            }
            for i, (label, _, observed, s, _) in enumerate(self.equations)
        ]
        return {
            "files": {**self.files, "network.yaml": yaml},
            "points": {n: p for n, p in points.items() if p},
            "square_sum": round(square_sum, 6),
            "degrees_of_freedom": freedom,
            "chi_squared": [float(chi2.ppf(q, freedom)) for q in (0.025, 0.975)],
            "observations": observations,
        }


def held(network, name, axes):
    values = network.truth(name)
    network.held.update({(name, axis): values[axis] for axis in axes})
    words = ("easting", "northing", "elevation")
    return "{name: %s, %s}" % (name, ", ".join(f"{words[a]}: {values[a]!r}" for a in axes))


RING = "ABCDE"


def setups(sets=1):
    """A ring of stations, each of which sees its neighbours and F; some twice."""
    all_of_them = []
    for i, station in enumerate(RING):
        targets = [RING[i - 1], RING[(i + 1) % 5], "F"]
        for number in range(sets if i % 2 == 0 else 1):
            all_of_them.append((station, str(number + 1), targets))
    return all_of_them


LINES = [("A", "B"), ("B", "C"), ("C", "D"), ("D", "E"), ("E", "A"), ("A", "F"), ("F", "C"), ("F", "D")]


def networks():
    levels = Network(1)
    levels.levels([(a, b, 0.0008 + 0.0001 * i) for i, (a, b) in enumerate(LINES)])
    fixed = held(levels, "A", (2,))
    yield "levels", levels.solve(f"units: m\nfixed: [{fixed}]\nlevels: levels.csv\n", (2,))

    traverse = Network(2, scale=0.9996, refraction=0.2)
    traverse.sights(setups(2), (2.0, 3.0, 0.002))
    fixed = f"{held(traverse, 'A', (0, 1, 2))}, {held(traverse, 'D', (0, 1))}"
    yield "traverse", traverse.solve(
        f"units: m\nangles: deg\nscale_factor: 0.9996\nrefraction: 0.2\nfixed: [{fixed}]\nobservations: ts.csv\n", (0, 1, 2)
    )

    gon = Network(3)
    gon.sights(setups(), (0.5, 1.0, 0.0015), gon=True)
    gon.positions("ABCDA", (0.008, 0.007, 0.015), correlation=0.4)
    gon.levels([(a, b, 0.001) for a, b in LINES])
    yield "together", gon.solve(
        "units: m\nangles: gon\nlevels: levels.csv\npositions: gnss.csv\nobservations: ts.csv\n", (0, 1, 2)
    )

    feet = Network(4, unit=1200 / 3937, scale=0.99995)
    feet.sights(setups(), (3.0, 4.0, 0.006))
    feet.positions("ACE", (0.03, 0.03, 0.05))
    fixed = held(feet, "B", (2,))
    yield "feet", feet.solve(
        f"units: ftUS\nangles: deg\nscale_factor: 0.99995\nfixed: [{fixed}]\npositions: gnss.csv\nobservations: ts.csv\n", (0, 1, 2)
    )


if __name__ == "__main__":
    with open(sys.argv[1], "w") as file:
        json.dump(dict(networks()), file, indent=1)
        file.write("\n")

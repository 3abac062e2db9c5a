"""Writes registration_values.json: three setups registered in one adjustment, by scipy.optimize.least_squares.

    python registration_values.py OUTPUT

The network: setups see five control points and four other targets in part; one setup sees a single control point. Unknown are the
poses and the places of all points; control is observed with its sigmas. The covariance of what is asked for is J Cx J', with the
derivatives by the step method of scipy about the solution, and no variance factor in it.
"""

import json
import sys

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

CORNER = np.array([500_000.0, 4_200_000.0, 300.0])
SETUPS = ["S1", "S2", "S3"]
SEEN = {
    "S1": ["C1", "C2", "C4", "T1", "T2", "T3"],
    "S2": ["C2", "C3", "C5", "T1", "T2", "T4"],
    "S3": ["C5", "T1", "T3", "T4", "T2"],
}
PLACES = {
    "C1": (2, 3, 1), "C2": (60, -4, 3), "C3": (95, 40, -2), "C4": (10, 70, 4), "C5": (80, 85, 0.5),
    "T1": (45, 30, 2.5), "T2": (52, 48, -1), "T3": (25, 55, 6), "T4": (70, 60, 3.5),
}
SIGMA_TARGET = {"S1": 0.002, "S2": 0.003, "S3": 0.0025}
SIGMA_CONTROL = {"C1": (0.004, 0.006), "C2": (0.005, 0.008), "C3": (0.006, 0.009), "C4": (0.004, 0.007), "C5": (0.010, 0.012)}


def observe(model, draw):
    """Lists of targets and control as they would be measured."""
    targets, control = [], []
    for i, setup in enumerate(SETUPS):
        tilt = draw.uniform(-0.2, 0.2, 2) if model == "full" else np.zeros(2)
        turn = Rotation.from_euler("zxy", [draw.uniform(-3, 3), *tilt])
        stood = np.array([30 + 20 * i, 25 + 15 * i, 1.7])
        for name in SEEN[setup]:
            own = turn.inv().apply(np.array(PLACES[name]) - stood) + draw.normal(0, SIGMA_TARGET[setup], 3)
            targets.append({"setup": setup, "name": name, "at": [round(v, 4) for v in own], "sigma": SIGMA_TARGET[setup]})
    for name, (plan, up) in SIGMA_CONTROL.items():
        at = CORNER + np.array(PLACES[name]) + draw.normal(0, 1, 3) * [plan, plan, up]
        control.append({"name": name, "at": [round(v, 4) for v in at], "sigma": [plan, up]})
    return targets, control


def adjust(model, targets, control):
    names = sorted(PLACES)
    per_setup = 6 if model == "full" else 4

    def rotation(x, i):
        own = x[i * per_setup:(i + 1) * per_setup]
        return Rotation.from_rotvec(own[:3] if model == "full" else [0, 0, own[0]]), own[-3:]

    def place(x, name):
        at = len(SETUPS) * per_setup + 3 * names.index(name)
        return x[at:at + 3]

    def residuals(x):
        all = []
        for t in targets:
            turn, shift = rotation(x, SETUPS.index(t["setup"]))
            all.extend((turn.inv().apply(place(x, t["name"]) - shift) - t["at"]) / t["sigma"])
        for c in control:
            sigma = [c["sigma"][0], c["sigma"][0], c["sigma"][1]]
            all.extend((place(x, c["name"]) - (np.array(c["at"]) - CORNER)) / sigma)
        return np.array(all)

    # From the truth, as it is known here.
    draw = np.random.default_rng(7 if model == "full" else 6)
    start = []
    for i, _ in enumerate(SETUPS):
        tilt = draw.uniform(-0.2, 0.2, 2) if model == "full" else np.zeros(2)
        turn = Rotation.from_euler("zxy", [draw.uniform(-3, 3), *tilt])
        draw.normal(0, 1, 3 * len(SEEN[SETUPS[i]]))
        rotvec = turn.as_rotvec()
        start.extend(rotvec if model == "full" else [rotvec[2]])
        start.extend([30 + 20 * i, 25 + 15 * i, 1.7])
    for name in names:
        start.extend(PLACES[name])
    found = least_squares(residuals, start, method="lm", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=100_000)
    cofactors = np.linalg.inv(found.jac.T @ found.jac)

    def derivative(f):
        steps = [1e-6] * len(found.x)
        one = lambda k, h: np.array([v + (h if i == k else 0) for i, v in enumerate(found.x)])
        return np.array([(f(one(k, h)) - f(one(k, -h))) / (2 * h) for k, h in enumerate(steps)])

    # Elevations of places that each setup sees.
    places, sigmas = [], []
    for i, setup in enumerate(SETUPS):
        turn, shift = rotation(found.x, i)
        for at in [(0, 0, 0), (50, 40, 1), (120, 90, -3)]:
            own = turn.inv().apply(np.array(at) - shift)

            def up(x, i=i, own=own):
                turn, shift = rotation(x, i)
                return (turn.apply(own) + shift)[2]

            g = derivative(up)
            places.append({"setup": setup, "at": [float(v) for v in CORNER + at]})
            sigmas.append(g)
    covariance = np.array(sigmas) @ cofactors @ np.array(sigmas).T
    mean = np.full(len(sigmas), 1 / len(sigmas))
    freedom = len(found.fun) - len(found.x)
    figures = lambda v: [round(float(x), 8) for x in v]
    rows = []
    for i, _ in enumerate(SETUPS):
        turn, shift = rotation(found.x, i)
        rows.append({"turn": [figures(r) for r in turn.as_matrix()], "origin": [float(f"{v:.6f}") for v in shift + CORNER]})
    return {
        "setups": rows,
        "degrees_of_freedom": freedom,
        "square_sum": float(f"{2 * found.cost:.6g}"),
        "places": places,
        "sigma": [float(f"{v:.6g}") for v in np.sqrt(np.diag(covariance))],
        "sigma_of_mean": float(f"{np.sqrt(mean @ covariance @ mean):.6g}"),
    }


def main():
    all = []
    for model, seed in [("level", 6), ("full", 7)]:
        targets, control = observe(model, np.random.default_rng(seed))
        all.append({"model": model, "targets": targets, "control": control, **adjust(model, targets, control)})
    with open(sys.argv[1], "w") as out:
        json.dump(all, out, indent=1)
        out.write("\n")


main()

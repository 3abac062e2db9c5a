"""Writes shift_values.json: shifts in plan of made comparisons by NumPy and SciPy, to the written rules.

    python shift_values.py OUTPUT

Cells of 2.5 m and doublings of it, of each strip; differences of cells up to four edges apart; the unsmoothed gradients, and
tilt, explain dz, and the smoothed ones, and tilt, are the instruments; Huber weights in five steps; a jackknife over blocks of
four cells, of eight, and over bands; the first doubling at which the gradients differ by 0.02, or the one where they differ most.
"""

import json
import sys

import numpy as np
from scipy import stats

SMALLEST, REACH, STEP = 2_500_000, 4, 1e-4


def made(seed, shift, steep, strips, side, count):
    rng = np.random.default_rng(seed)
    at = rng.uniform(0, side, (count, 2))
    waves = rng.uniform(0.05, 0.4, (5, 2)) * rng.choice([-1, 1], (5, 2))
    phase = rng.uniform(0, 2 * np.pi, 5)
    gradient = steep * np.cos(at @ waves.T + phase) @ (waves / np.hypot(*waves.T)[:, None])
    strip = rng.integers(0, strips, count)
    noise = rng.standard_t(4, count) * 0.02 + 0.02 * strip + 0.0003 * at[:, 0]
    dz = noise - gradient @ np.array(shift)
    rises = lambda rise: np.rint(rise / STEP).astype(int)
    return {
        "at": np.floor(at * 1e6).astype(int) + [500_000_000_000, 4_200_000_000_000],
        "dz": np.rint(dz * 1e6).astype(int),
        "gradient": rises(gradient),
        "local": rises(gradient + 0.03 * rng.standard_normal(gradient.shape)),
        "strip": strip + 101,
    }


def cells(site, edge):
    keys = np.column_stack([site["strip"], site["at"][:, ::-1] // edge])
    keys, of = np.unique(keys, axis=0, return_inverse=True)
    of = of.ravel()
    n = np.bincount(of)
    mean = lambda values: np.bincount(of, values) / n
    both = lambda values: np.column_stack([mean(values[:, 0]), mean(values[:, 1])])
    place = site["at"] - site["at"].min(axis=0)
    return keys, n, both(place) / 1e6, mean(site["dz"]), both(site["gradient"]) * STEP, both(site["local"]) * STEP


def differences(means):
    keys, n, at, dz, gradient, local = means
    index = {tuple(key): i for i, key in enumerate(keys.tolist())}
    one, other = [], []
    for (strip, row, column), i in index.items():
        for north in range(REACH + 1):
            for east in range(-REACH, REACH + 1):
                if (north, east) > (0, 0) and east * east + north * north <= REACH * REACH:
                    j = index.get((strip, row + north, column + east))
                    if j is not None:
                        one.append(i)
                        other.append(j)
    i, j = np.array(one), np.array(other)
    by = np.hstack([local[i] - local[j], at[j] - at[i]])
    on = np.hstack([gradient[i] - gradient[j], at[j] - at[i]])
    weight = 1 / (1 / n[i] + 1 / n[j] + 0.2)
    return by, on, dz[j] - dz[i], weight, keys[i][:, 1:] // REACH


def steepness(on, weight):
    inverse = np.linalg.inv((on * weight[:, None]).T @ on)
    return np.sqrt(1 / np.linalg.eigvalsh(inverse[:2, :2])[-1] / weight.sum() / 2)


def effective(on, weight, blocks):
    inverse = np.linalg.inv((on * weight[:, None]).T @ on)
    share = np.einsum("ij,kj,ki->k", inverse[:2], on, on[:, :2]) * weight
    share = np.bincount(np.unique(blocks, axis=0, return_inverse=True)[1].ravel(), share)
    return share.sum() ** 2 / (share**2).sum()


def solve(by, on, z, weight):
    instruments = (on * weight[:, None]).T
    return np.linalg.solve(instruments @ by, instruments @ z)


JOINS = [lambda b: b, lambda b: b // 2, lambda b: b * [0, 1], lambda b: b * [1, 0]]


def shift(means):
    by, on, z, first, blocks = differences(means)
    weight = first
    for _ in range(5):
        size = np.abs(z - by @ solve(by, on, z, weight)) * np.sqrt(first)
        most = 1.345 * 1.4826 * np.sort(size)[len(size) // 2]
        weight = first * np.minimum(1, most / np.maximum(size, 1e-300))
    found = solve(by, on, z, weight)[:2]
    single = effective(on, weight, blocks)
    half, probability = np.zeros(2), 0.0
    for join in JOINS:
        own = effective(on, weight, join(blocks))
        if own < 3:
            continue
        of = np.unique(join(blocks), axis=0, return_inverse=True)[1].ravel()
        count = of.max() + 1
        without = [solve(by[of != k], on[of != k], z[of != k], weight[of != k])[:2] - found for k in range(count)]
        covariance = (count - 1) / count * np.array(without).T @ np.array(without)
        covariance += 0.015**2 * np.outer(found, found)
        df = (single if own < 6 else own) - 1
        half = np.maximum(half, stats.t.ppf(0.975, df) * np.sqrt(np.diag(covariance)))
        square = found @ np.linalg.solve(covariance, found)
        probability = max(probability, stats.f.sf(square * (df - 1) / (2 * df), 2, df - 1))
    return {"shift": found.tolist(), "half": half.tolist(), "probability": probability, "blocks": single}


def shifts(site):
    best = (0, None)
    for rung in range(8):
        means = cells(site, SMALLEST * 2**rung)
        by, on, z, weight, blocks = differences(means)
        if len(z) < 10 or effective(on, weight, blocks) < 6:
            break
        found = steepness(on, weight)
        if found > best[0]:
            best = (found, means)
        if found >= 0.02:
            break
    keys = best[1][0]
    of_strip = {
        str(strip): shift([values[keys[:, 0] == strip] for values in best[1]]) for strip in np.unique(keys[:, 0]).tolist()
    }
    return {"steepness": best[0], "all": shift(best[1]), "strips": of_strip}


def main():
    cases = []
    for seed, (wanted, steep, strips, side, count) in enumerate(
        [((0.05, -0.02), 0.1, 1, 80, 1500), ((0.0, 0.0), 0.05, 2, 120, 3000), ((0.0, 0.2), 0.03, 1, 150, 2500)]
    ):
        site = made(seed, wanted, steep, strips, side, count)
        cases.append({name: values.tolist() for name, values in site.items()} | {"found": shifts(site)})
    with open(sys.argv[1], "w", encoding="utf-8") as file:
        json.dump(cases, file, separators=(",", ":"))
        file.write("\n")


if __name__ == "__main__":
    main()

"""Compares the JSON files of two folders: whole numbers exactly, others to one part in a thousand million.

    python compare.py COMMITTED REMADE
"""

import json
import math
import sys
from pathlib import Path


def differences(old, new, place):
    if place.endswith("/made_with"):
        return  # versions may differ where the answers do not
    if isinstance(old, dict) and isinstance(new, dict):
        if old.keys() != new.keys():
            yield f"{place}: keys {sorted(old)} against {sorted(new)}"
            return
        for key in old:
            yield from differences(old[key], new[key], f"{place}/{key}")
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{place}: {len(old)} items against {len(new)}"
            return
        for i, (a, b) in enumerate(zip(old, new)):
            yield from differences(a, b, f"{place}/{i}")
    elif isinstance(old, float) and isinstance(new, float):
        if not math.isclose(old, new, rel_tol=1e-9, abs_tol=1e-15):
            yield f"{place}: {old} against {new}"
    elif type(old) is not type(new) or old != new:
        yield f"{place}: {old} against {new}"


def main():
    committed, remade = map(Path, sys.argv[1:3])
    names = sorted(path.name for path in committed.glob("*.json"))
    if not names or names != sorted(path.name for path in remade.glob("*.json")):
        sys.exit(f"{committed} and {remade} do not hold the same JSON files")
    found = []
    for name in names:
        old, new = (json.loads((folder / name).read_text()) for folder in (committed, remade))
        found += differences(old, new, name)
    for line in found[:50]:
        print(line, file=sys.stderr)
    if found:
        sys.exit(f"{len(found)} differences")
    print(f"{len(names)} files agree")


if __name__ == "__main__":
    main()

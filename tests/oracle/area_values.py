"""Writes area_values.json: which positions lie in areas, by shapely (GEOS).

    python area_values.py OUTPUT

Areas are given as GeoJSON and as well-known binary. Coordinates are whole micrometres as numbers of metres; positions
on an edge are left out, since the program's own rule for them (half-open, as for cells) is another than shapely's.
"""

import json
import random
import sys

import shapely
from shapely.geometry import MultiPolygon, Point, Polygon, mapping

EAST, NORTH = 500_000.0, 4_200_000.0


def place(x, y):
    return (round(EAST + x, 6), round(NORTH + y, 6))


def ring(centre, radius, corners, draw, wild=0.45):
    """A star-shaped ring."""
    import math

    points = []
    for i in range(corners):
        angle = 2 * math.pi * i / corners
        r = radius * (1 + wild * (2 * draw.random() - 1))
        points.append(place(centre[0] + r * math.cos(angle), centre[1] + r * math.sin(angle)))
    return points


def areas(draw):
    outer = ring((50, 50), 40, 200, draw, 0.2)
    with_holes = Polygon(outer, [ring((40, 50), 6, 30, draw), ring((62, 55), 5, 7, draw)])
    # A hole that winds as the outer ring does.
    same_way = Polygon(outer, [list(reversed(ring((50, 50), 12, 40, draw)))])
    tooth = Polygon([place(x, 0 if i % 2 else 90) for i, x in enumerate(range(0, 100, 2))] + [place(98, -10), place(0, -10)])
    spread = MultiPolygon([Polygon(ring((20 + 30 * i, 20 + 25 * i), 10, 9 + i, draw)) for i in range(3)])
    triangle = Polygon([place(0.000001, 0.000003), place(99.999999, 33.333333), place(12.345678, 88.888889)])
    box = Polygon([place(10, 10), place(60, 10), place(60, 40), place(10, 40)])
    return {"holes": with_holes, "same_way": same_way, "comb": tooth, "spread": spread, "triangle": triangle, "box": box}


def main():
    draw = random.Random(14)
    cases = []
    for name, area in areas(draw).items():
        positions = [place(draw.uniform(-5, 105), draw.uniform(-15, 105)) for _ in range(1500)]
        # Beside the corners, where rules about edges matter.
        for x, y in list(shapely.get_coordinates(area))[:200]:
            positions.append((round(x + 0.000002 * draw.choice([-1, 1]), 6), round(y, 6)))
            positions.append((round(x + draw.uniform(-20, 20), 6), round(y, 6)))
        inside = [[x, y, bool(area.contains(Point(x, y)))] for x, y in positions if not area.boundary.contains(Point(x, y))
                  and area.boundary.distance(Point(x, y)) > 1e-7]
        cases.append({"name": name, "geojson": mapping(area), "wkb": shapely.to_wkb(area, hex=True), "positions": inside})
    with open(sys.argv[1], "w") as file:
        json.dump({"made_with": f"shapely {shapely.__version__}", "cases": cases}, file)
        file.write("\n")


main()

"""The script that the program is measured against: the whole job in memory, with laspy, NumPy and SciPy.

It is the oracle's (tests/oracle/site_study.py) but for the search, where the oracle asks for eight neighbours to
settle which of equally near ones counts. A person would ask for one, and let the tree use all threads; so does this.

    python bench/script.py --survey 'survey/*.laz' --reference 'reference/*.laz' --out summary.json
"""

import sys
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parent.parent / "tests/oracle"))
import site_study  # noqa: E402


def match_nearest(survey, reference, within):
    """dz to the reference point nearest in plan."""
    origin = (reference.x.min(), reference.y.min())
    tree = cKDTree(site_study.plan(reference, origin))
    _, at = tree.query(site_study.plan(survey, origin), distance_upper_bound=within + 1.0, workers=-1)
    matched = at < len(reference)
    at = np.where(matched, at, 0)
    squared = (reference.x[at] - survey.x) ** 2 + (reference.y[at] - survey.y) ** 2
    matched &= squared <= within**2
    return matched, np.where(matched, survey.z - reference.z[at], 0)


site_study.match_nearest = match_nearest

if __name__ == "__main__":
    site_study.main()

"""Full count of the learned blade offset: how often it is as near as is wanted and as its uncertainty says.

    python -m tests.measure.blade [--seeds 2000]

Hands scatter by 0.3 mm, slip by 1 to 3 mm in 2 cuts of 100, and each cut is measured to 0.05 mm. Printed beside it: the
plain mean of all cuts, and how often a shift is offered at some time to a blade that runs on the line.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from projector.guide.units.blade import Blade, offset_of
from tests.projector.guide.units.test_blade import HAND_MM, cuts

MEASURED_TO_MM = 0.05
OFFSETS_MM, COUNTS = (0.0, 0.15, 0.3, 0.5, -0.2), (5, 10, 20, 50, 200)


def main() -> None:
    """Print a row for each offset and number of cuts."""
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--seeds", type=int, default=2000)
    seeds = reader.parse_args().seeds
    print("offset mm  cuts  within 2 x 0.3/sqrt(n)  within 2 u  mean u mm  plain mean within")
    for offset_mm in OFFSETS_MM:
        for count in COUNTS:
            near, stated, plain, u_mm = counted(offset_mm, count, seeds)
            print(f"{offset_mm:9.2f} {count:5d} {near:23.3f} {stated:11.3f} {u_mm:10.3f} {plain:18.3f}")
    offers = [offered_at(np.random.default_rng([seed, 77])) for seed in range(max(seeds // 10, 1))]
    print(f"a shift is offered within 40 cuts though the blade runs on the line: {np.mean(offers):.3f}")


def counted(offset_mm: float, count: int, seeds: int) -> tuple[float, float, float, float]:
    """Shares of seeds, and the mean stated uncertainty."""
    within_mm = 2.0 * HAND_MM / math.sqrt(count)
    rows = []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, count])
        made = cuts(rng, offset_mm, count) + rng.normal(0.0, MEASURED_TO_MM, count)
        found = offset_of(made)
        assert found is not None
        off = abs(found.mm - offset_mm)
        rows.append((off <= within_mm, off <= 2.0 * found.u_mm, abs(made.mean() - offset_mm) <= within_mm, found.u_mm))
    near, stated, plain, u_mm = np.mean(np.asarray(rows, float), axis=0)
    return float(near), float(stated), float(plain), float(u_mm)


def offered_at(rng: np.random.Generator) -> bool:
    """Whether a blade that runs on the line is taken for one that does not, at some time in 40 cuts."""
    blade = Blade()
    for one in cuts(rng, 0.0, 40):
        blade = blade.after(float(one))
        if blade.offer is not None:
            return True
    return False


if __name__ == "__main__":
    main()

"""How long the plan of each block of the library takes, and how that grows with the number of blocks.

    python -m tests.measure.plan_speed [--finish 14] [--make 30 300 1000]

The best of some runs, in the processor's time, on one thread; the block itself is made anew each time.
"""

from __future__ import annotations

import argparse
import time

from projector.piecing.blocks.catalogue import Recipe, block_of, recipes
from projector.piecing.making import Wishes, plan_of
from projector.piecing.plans import Making
from projector.piecing.tables import PlanError

INCH = 25.4


def seconds(recipe: Recipe, finish_mm: float, make: int) -> float | None:
    """Of a block and its plan; None where a plan cannot be that large."""
    began = time.process_time()
    block = block_of(recipe.name, finish_mm, {})
    try:
        plan_of(block, Making(recipe.name, finish_mm, make), Wishes())
    except PlanError:
        return None
    return time.process_time() - began


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--finish", type=float, default=14.0, metavar="INCHES")
    reader.add_argument("--make", type=int, nargs="+", default=[1, 30, 300, 1000])
    reader.add_argument("--runs", type=int, default=3)
    told = reader.parse_args()
    print(f"| block | patches | {' | '.join(f'{make} blocks, ms' for make in told.make)} |")
    print(f"| --- | --- |{' --- |' * len(told.make)}")
    for recipe in recipes():
        patches = len(block_of(recipe.name, told.finish * INCH, {}).patches)
        figures = []
        for make in told.make:
            runs = [seconds(recipe, told.finish * INCH, make) for _ in range(told.runs)]
            kept = [run for run in runs if run is not None]
            figures.append(f"{1000.0 * min(kept):.0f}" if kept else "too many units")
        print(f"| {recipe.name} | {patches} | {' | '.join(figures)} |", flush=True)


if __name__ == "__main__":
    main()

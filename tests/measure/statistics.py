"""Whether the statistics of a pile keep what they say: false alarms, intervals, gauge studies.

    python -m tests.measure.statistics [--runs 20000]

Published: in control the four Western Electric rules signal every 91.75 points (Champ & Woodall, Technometrics 29,
1987), one beyond three sigma alone every 370.4.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence

import numpy as np

from vision.statistics.capability import capability
from vision.statistics.gauge import by_range, by_variance
from vision.statistics.runchart import WESTERN_ELECTRIC, Rule, broken, limits_of, signals

BATCH, LENGTH = 1000, 2500  # runs at once, and how long each may last


def run_length(rules: Sequence[Rule], runs: int, seed: int = 1) -> tuple[float, float]:
    """Mean number of points of a known, steady process to the first signal, and its standard error."""
    rng, first = np.random.default_rng(seed), list[float]()
    for _ in range(-(-runs // BATCH)):
        points = rng.standard_normal((BATCH, LENGTH))
        called = np.zeros(points.shape, bool)
        for rule in rules:
            for flags in broken(points, 0.0, 1.0, rule):
                called |= flags
        first += np.where(called.any(axis=1), called.argmax(axis=1) + 1, LENGTH).tolist()
    return float(np.mean(first)), float(np.std(first) / math.sqrt(len(first)))


def alarms(units: int, piles: int, seed: int = 2) -> float:
    """Share of steady piles of so many units, with limits of their own, of which anything is called."""
    rng, called = np.random.default_rng(seed), 0
    for _ in range(piles):
        values = rng.standard_normal(units).tolist()
        limits = limits_of(values)
        called += bool(signals(values, limits.centre, limits.sigma))
    return called / piles


def held(units: int, piles: int, seed: int = 3) -> tuple[float, float]:
    """Share of piles whose 95 % intervals hold the true Cp (1.33) and Cpk (1)."""
    rng, inside = np.random.default_rng(seed), np.zeros(2)
    for _ in range(piles):
        told = capability(rng.normal(1.0, 1.0, units).tolist(), -4.0, 4.0)
        assert told is not None
        inside += [told.cp.low < 4.0 / 3.0 < told.cp.high, told.cpk.low < 1.0 < told.cpk.high]
    return float(inside[0]) / piles, float(inside[1]) / piles


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=20_000)
    runs = parser.parse_args().runs
    for name, rules in (
        ("one beyond three sigma", [Rule.BEYOND]),
        ("the four", WESTERN_ELECTRIC),
        ("all five", tuple(Rule)),
    ):
        mean, error = run_length(rules, runs)
        print(f"points to the first signal, {name}: {mean:.2f}, standard error {error:.2f}")
    for units in (10, 30, 100):
        called = alarms(units, runs // 10)
        print(f"steady piles of {units} units with their own limits, in which a rule calls: {called:.3f}")
        cp, cpk = held(units, runs // 10)
        print(f"95 % intervals of {units} units hold the truth: Cp {cp:.3f}, Cpk {cpk:.3f}")
    rng = np.random.default_rng(4)
    for name, way in (("variance", by_variance), ("ranges", by_range)):
        found = []
        for _ in range(runs // 10):
            truth = rng.normal(0, 0.1, (10, 1, 1)) + rng.normal(0, 0.015, (1, 3, 1))
            study = way(truth + rng.normal(0, 0.02, (10, 3, 3)))
            found.append([study.repeatability, study.people_alone or 0.0, study.part or 0.0])
        rms = np.sqrt(np.mean(np.square(found), axis=0))
        print(f"gauge by {name}, true 0.020, 0.015, 0.100: RMS {rms[0]:.4f} {rms[1]:.4f} {rms[2]:.4f}")


if __name__ == "__main__":
    main()

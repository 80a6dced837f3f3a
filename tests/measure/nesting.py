"""Cloth a patch that nesting takes, next to a dense lattice, a general optimiser, and the patch's own area.

    python -m tests.measure.nesting [--seconds 60] [--only hexagon]

Model: patches on a strip of a usable length, cloth a patch = strip's width x length / count; at most two patches above
one another, every patch at one turn or half a turn from it. The lattice is the densest double lattice of a convex body
(Kuperberg and Kuperberg, Discrete Comput. Geom. 5, 1990: half-length chords; of centrally symmetric ones it is the
densest lattice, so that of hexagons and circles), as much of it as lies in a strip along any of its short vectors, with
the best width and place. The optimiser is scipy's differential evolution over the turn and, for cycles of two to four
patches, which of them are turned and how high each lies; they are pushed to the left one after the other.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import differential_evolution

from projector.piecing.cutting.nesting import nested
from projector.piecing.patchwork.patches import area_mm2
from projector.piecing.patchwork.raw import grown

Floats = NDArray[np.float64]

INCH = 25.4
LENGTH_MM = 40 * INCH - INCH / 8
CYCLES = (2, 3, 4)


@dataclass(frozen=True, eq=False, slots=True)
class Case:
    """A raw patch, and the direction of its grain if that is set."""

    name: str
    raw_mm: Floats
    grain_rad: float | None = None


def regular(n: int, across_mm: float) -> Floats:
    """Raw patch of a regular polygon of that finished circumdiameter, one side level."""
    turns = np.arange(n) * 2.0 * math.pi / n - math.pi / 2.0 + math.pi / n
    return grown(across_mm / 2.0 * np.column_stack([np.cos(turns), np.sin(turns)]), INCH / 4)


def drawn(seed: int) -> Floats:
    """A random convex patch of three to eight corners, 30 to 200 mm large."""
    rng = np.random.default_rng(seed)
    while True:
        angles = np.sort(rng.uniform(0.0, 2.0 * math.pi, rng.integers(3, 9)))
        size = rng.uniform(15.0, 90.0) * np.array([1.0, rng.uniform(0.35, 1.0)])
        corners = size * np.column_stack([np.cos(angles), np.sin(angles)])  # on an ellipse
        sides = np.roll(corners, -1, axis=0) - corners
        if np.diff(angles, append=angles[0] + 2.0 * math.pi).max() < 2.6 and np.hypot(*sides.T).min() > 8.0:
            return grown(corners, INCH / 4)


def cases() -> list[Case]:
    """The shapes that are tried; those with a grain have it along y."""
    kite = np.array([[0.0, 0.0], [14.0, 70.0], [0.0, 95.0], [-14.0, 70.0]])
    gem = np.array([[-20.0, 0.0], [20.0, 0.0], [28.0, 40.0], [0.0, 90.0], [-28.0, 40.0]])
    shapes = {
        "hexagon 2 in": regular(6, 2 * INCH),
        "hexagon 5 in": regular(6, 5 * INCH),
        "circle 3 in": regular(64, 3 * INCH),
        "pentagon 3 in": regular(5, 3 * INCH),
        "heptagon 3 in": regular(7, 3 * INCH),
        "octagon 3 in": regular(8, 3 * INCH),
        "kite": grown(kite, INCH / 8),
        "gem": grown(gem, INCH / 4),
        **{f"drawn {seed}": drawn(seed) for seed in range(8)},
    }
    free = [Case(name, raw) for name, raw in shapes.items()]
    held = [Case(f"{name}, grain", raw, math.pi / 2.0) for name, raw in shapes.items() if "drawn" not in name]
    return free + held + [Case(f"drawn {seed}, grain", drawn(seed), math.pi / 2.0) for seed in range(4)]


def turned_by(corners_mm: Floats, turn_rad: float) -> Floats:
    cosine, sine = math.cos(turn_rad), math.sin(turn_rad)
    return corners_mm @ np.array([[cosine, sine], [-sine, cosine]])


def level_chord(corners_mm: Floats, y: float) -> tuple[float, float]:
    """Left and right end of a convex polygon at a height; (inf, -inf) beyond it."""
    left, right = math.inf, -math.inf
    for (ax, ay), (bx, by) in zip(corners_mm.tolist(), np.roll(corners_mm, -1, axis=0).tolist(), strict=True):
        if min(ay, by) <= y <= max(ay, by):
            x = ax if ay == by else ax + (y - ay) / (by - ay) * (bx - ax)
            left, right = min(left, x), max(right, x)
            if ay == by:
                left, right = min(left, bx), max(right, bx)
    return left, right


# -- the double lattice -----------------------------------------------------------------------------------------------


def half_chord_heights(corners: Floats) -> tuple[float, float, float]:
    """The longest level chord, and the lowest and highest level at which a chord is at least half as long."""
    heights = np.unique(corners[:, 1])
    chords = [np.subtract(*level_chord(corners, y)[::-1]) for y in heights]
    longest = max(chords)
    ends = []
    for order in (1, -1):
        levels, lengths = heights[::order], chords[::order]
        k = next(i for i, length in enumerate(lengths) if length >= longest / 2.0 - 1e-12)
        if k == 0:
            ends.append(float(levels[0]))
            continue
        share = (longest / 2.0 - lengths[k - 1]) / (lengths[k] - lengths[k - 1])
        ends.append(float(levels[k - 1] + share * (levels[k] - levels[k - 1])))
    return float(longest), ends[0], ends[1]


def double_lattice(raw_mm: Floats, grain_rad: float | None) -> tuple[Floats, Floats, Floats, Floats]:
    """(turned patch, its mate's centre of reflection doubled, two lattice vectors) of the densest double lattice."""
    turns = np.arange(0.0, math.pi, math.pi / 3600) if grain_rad is None else [math.pi / 2.0 - grain_rad]
    if grain_rad is None:
        sides = np.roll(raw_mm, -1, axis=0) - raw_mm
        turns = np.concatenate([turns, -np.arctan2(sides[:, 1], sides[:, 0])])

    def cell(turn: float) -> float:
        longest, low, high = half_chord_heights(turned_by(raw_mm, turn))
        return longest * (high - low)

    patch = turned_by(raw_mm, min(turns, key=cell))
    longest, low, high = half_chord_heights(patch)
    above = 2.0 * np.array([level_chord(patch, high)[1], high])  # the mate's chord begins where the patch's ends
    below = 2.0 * np.array([level_chord(patch, low)[1], low])
    return patch, above, np.array([longest, 0.0]), above - below


def lattice_mm2(case: Case, length_mm: float) -> float:
    """Cloth a patch of the best strip through the densest double lattice."""
    patch, mate, u, v = double_lattice(case.raw_mm, case.grain_rad)
    best = math.inf
    steps = range(-2, 3)
    ways = [i * u + j * v for i, j in itertools.product(steps, steps) if math.gcd(i, j) == 1]
    if case.grain_rad is not None:
        ways = [u]
    reach = range(-40, 41)
    places = np.array([i * u + j * v for i, j in itertools.product(reach, reach)])
    for way in ways:
        turn = -math.atan2(way[1], way[0])
        own = turned_by(patch, turn)
        tall = float(np.ptp(own[:, 1]))
        low = own.min(axis=0)
        other = (turned_by(mate[None], turn)[0] - own).min(axis=0)
        corners = np.concatenate([low + turned_by(places, turn), other + turned_by(places, turn)])
        pitch = float(math.hypot(*way))
        near = corners[(np.abs(corners[:, 1] - low[1]) < 3.0 * tall)]
        base = near[np.abs(near[:, 0] - low[0]) < 2.0 * pitch + 1e-6]
        wide = float(np.ptp(own[:, 0]))
        levels = np.unique(np.round(base[:, 1], 6))
        for bottom in levels[np.abs(levels - low[1]) < 1.5 * tall]:
            for top in levels[(levels >= bottom) & (levels <= bottom + tall + 1e-6)]:
                rows = base[(base[:, 1] >= bottom - 1e-5) & (base[:, 1] <= top + 1e-5)]
                starts = np.unique(np.round(rows[:, 0] % pitch, 6))
                for start in starts:  # where the strip begins
                    lag = (starts_of(rows, pitch) - start + 1e-5) % pitch - 1e-5
                    count = np.maximum(0.0, np.floor((length_mm - wide - lag) / pitch + 1e-9) + 1.0).sum()
                    if count:
                        best = min(best, (top - bottom + tall) * length_mm / count)
    return best


def starts_of(rows: Floats, pitch: float) -> Floats:
    """(R,): the first place of each row, once, within a pitch."""
    seen = np.unique(
        np.column_stack([np.round(rows[:, 0] % pitch, 4) % round(pitch, 4), np.round(rows[:, 1], 4)]), axis=0
    )
    return np.asarray(seen[:, 0])


# -- the general optimiser --------------------------------------------------------------------------------------------


def pushed_mm2(case: Case, length_mm: float, turn_rad: float, turned: list[bool], heights: list[float]) -> float:
    """Cloth a patch when patches are pushed to the left one after the other, in a cycle of which some are turned and
    each lies at a share of the patch's height."""
    own = turned_by(case.raw_mm, turn_rad)
    own = own - (own.min(axis=0) + own.max(axis=0)) / 2.0
    wide, tall = np.ptp(own, axis=0)
    lows = [share * tall for share in heights]
    m = len(turned)
    bodies = {(a, b): difference(own if not b else -own, own if not a else -own) for a in (0, 1) for b in (0, 1)}
    right = [[level_chord(bodies[turned[i], turned[j]], lows[j] - lows[i])[1] for j in range(m)] for i in range(m)]
    at = [-math.inf] * m
    count = misses = 0
    slot = 0
    while misses < m:
        x = max(0.0, *(at[i] + right[i][slot] for i in range(m)))
        if x + wide > length_mm + 1e-9:
            misses += 1
        else:
            at[slot], count, misses = x, count + 1, 0
        slot = (slot + 1) % m
    strip = tall + max(lows) - min(lows)
    if not count or strip > 2.0 * tall + 1e-9:
        return 1e6 + strip  # nothing on it, or more than two above one another
    return strip * length_mm / count


def difference(one: Floats, other: Floats) -> Floats:
    """The places of `one` against `other`, both convex and counter-clockwise, at which they touch: other + (-one)."""
    sides = np.concatenate([np.roll(p, -1, axis=0) - p for p in (other, -one)])
    ring = np.cumsum(sides[np.argsort(np.arctan2(sides[:, 1], sides[:, 0]), kind="stable")], axis=0)
    lowest = other[np.lexsort((other[:, 0], other[:, 1]))[0]] - one[np.lexsort((-one[:, 0], -one[:, 1]))[0]]
    return ring - ring[np.lexsort((ring[:, 0].round(9), ring[:, 1].round(9)))[0]] + lowest


def optimised_mm2(case: Case, length_mm: float, seconds: float, seed: int = 1) -> tuple[float, int]:
    """Cloth a patch by differential evolution in that much time, and how many rows were tried."""
    best, tried = math.inf, 0
    for cycle in CYCLES:
        ends = time.monotonic() + seconds * cycle / sum(CYCLES)
        low = [0.0] if case.grain_rad is None else [math.pi / 2.0 - case.grain_rad]
        high = [math.pi] if case.grain_rad is None else [low[0] + 1e-12]

        def cost(x: Floats, cycle: int = cycle) -> float:
            return pushed_mm2(case, length_mm, x[0], [s > 0.5 for s in x[1 : cycle + 1]], [0.0, *x[cycle + 1 :]])

        for start in itertools.count(seed):
            done = differential_evolution(
                cost,
                [*zip(low, high, strict=True), *[(0.0, 1.0)] * cycle, *[(-1.0, 1.0)] * (cycle - 1)],
                seed=start,
                polish=False,
                maxiter=10_000,
                callback=lambda *_, convergence=0.0, ends=ends: time.monotonic() > ends,
            )
            best, tried = min(best, float(done.fun)), tried + done.nfev
            if time.monotonic() > ends:
                break
    return best, tried


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--seconds", type=float, default=60.0, help="for the optimiser, each shape")
    reader.add_argument("--only", default="", metavar="WORD", help="shapes with this in their name")
    told = reader.parse_args()
    print("| patch | area, mm² | strip, mm | count | mm² each | ms | lattice | optimiser (tries) | best / ours |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for case in cases():
        if told.only not in case.name:
            continue
        began = time.perf_counter()
        nest = nested(case.raw_mm, LENGTH_MM, case.grain_rad)
        took = 1000.0 * (time.perf_counter() - began)
        count = nest.per_strip(LENGTH_MM)
        ours = nest.strip_mm * LENGTH_MM / count
        lattice = lattice_mm2(case, LENGTH_MM)
        optimised, tried = optimised_mm2(case, LENGTH_MM, told.seconds)
        area = area_mm2(case.raw_mm)
        print(
            f"| {case.name} | {area:.0f} | {nest.strip_mm:.1f} | {count} | {ours:.0f} | {took:.0f} | {lattice:.0f} "
            f"| {optimised:.0f} ({tried}) | {100.0 * min(lattice, optimised) / ours:.1f} % |",
            flush=True,
        )


if __name__ == "__main__":
    main()

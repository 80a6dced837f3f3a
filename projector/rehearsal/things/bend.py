"""Paper that curls: it bends about parallel straight lines, as paper does, and keeps its length.

Along the one direction in which it bends, q runs from -half to half about the sheet's middle; its height there is
h(q). What is printed at q is seen where the way along the curve, the integral of sqrt(1 + h'(q)^2), has come to q.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Numbers = NDArray[np.floating]

PROFILES = ("ends", "cosh", "one_end", "corner")
STEEPNESS = 5.0  # of the cosh: only the last fifth or so of the paper lifts
CORNER_FROM = 0.3  # of the half diagonal: a corner lifts from there on
NODES = 1025


@dataclass(frozen=True, eq=False)
class Bend:
    """How one sheet is bent. Points are of the sheet's own frame, mm."""

    profile: str
    lift_mm: float  # of the highest edge or corner above the sheet's plane
    along: Floats  # (2,): unit vector across the lines about which it bends, towards the end that lifts
    middle_mm: Floats  # (2,)
    half_mm: float

    def height_mm(self, q_mm: Floats) -> Floats:
        """Height above the sheet's plane."""
        q = np.asarray(q_mm / self.half_mm)
        if self.profile == "ends":
            return np.asarray(self.lift_mm * q**2)
        if self.profile == "cosh":
            return np.asarray(self.lift_mm * (np.cosh(STEEPNESS * q) - 1.0) / (np.cosh(STEEPNESS) - 1.0))
        start = CORNER_FROM if self.profile == "corner" else 0.0
        return np.asarray(self.lift_mm * (np.maximum(q - start, 0.0) / (1.0 - start)) ** 2)

    def lies_at(self, paper_mm: Floats) -> tuple[Floats, Floats]:
        """Where in the sheet's plane (..., 2), and how high above it (...), printed points (..., 2) are."""
        printed = self._q(paper_mm)
        q = np.interp(printed, self._way, self._nodes)
        return paper_mm + (q - printed)[..., None] * self.along, self.height_mm(q)

    def height_over(self, x_mm: Numbers, y_mm: Numbers) -> Floats:
        """Height over points of the sheet's plane."""
        return self.height_mm(self._q_of(x_mm, y_mm))

    def printed_at(self, x_mm: Numbers, y_mm: Numbers) -> tuple[Floats, Floats]:
        """What is printed over points of the sheet's plane."""
        q = self._q_of(x_mm, y_mm)
        on = np.interp(q, self._nodes, self._way) - q
        return np.asarray(x_mm + on * self.along[0]), np.asarray(y_mm + on * self.along[1])

    def _q(self, points_mm: Floats) -> Floats:
        return np.asarray((points_mm - self.middle_mm) @ self.along)

    def _q_of(self, x_mm: Numbers, y_mm: Numbers) -> Floats:
        return np.asarray((x_mm - self.middle_mm[0]) * self.along[0] + (y_mm - self.middle_mm[1]) * self.along[1])

    @cached_property
    def _nodes(self) -> Floats:
        return np.linspace(-1.2 * self.half_mm, 1.2 * self.half_mm, NODES)

    @cached_property
    def _way(self) -> Floats:
        """Way along the curve from the middle to each node (chords between nodes)."""
        chords = np.hypot(np.diff(self._nodes), np.diff(self.height_mm(self._nodes)))
        way = np.concatenate([[0.0], np.cumsum(chords)])
        return np.asarray(way - way[NODES // 2])


def bend_of(size_mm: tuple[float, float], profile: str, lift_mm: float, rng: np.random.Generator) -> Bend:
    """A sheet of that width and height bent that way; which end or corner lifts is chance, and so is "any" profile.

    Both ends means the sheet's left and right, as printed paper that comes from a roller curls.
    """
    chosen = str(rng.choice(PROFILES)) if profile == "any" else profile
    if chosen not in PROFILES:
        raise ValueError(f"paper bends as one of {', '.join(PROFILES)} or any, not {profile!r}")
    half = np.array(size_mm) / 2
    along = np.array([rng.choice((-1.0, 1.0)), 0.0])
    if chosen == "corner":
        along = half * rng.choice((-1.0, 1.0), 2) / np.hypot(*half)
    return Bend(chosen, lift_mm, along, half, float(np.abs(along) @ half))

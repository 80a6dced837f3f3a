"""Every figure of a unit that has limits, and the probability that all of them are inside.

Their errors hang together: a width shares its sides with two offsets and four angles. Uncertainties are those that
are stated with the figures; how they hang together follows from the sides' joint covariance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from vision.comparing.rigidfit import Fit, FitSlopes, fit_slopes
from vision.comparing.wording import degrees_off, off_by
from vision.outlines.sidedoubt import SideDoubt, angle_slopes, corner_slopes, width_slopes
from vision.polygons import interior_angles, side_distances
from vision.seams.place import PlacedSeam, common_part, seam_slopes
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]
Kind = Literal["width", "offset", "angle", "seam", "seam_turn"]

GUARD = 1.645  # standard uncertainties at each limit: 5 % on one side of a normal distribution
RISK = 0.05  # of being told "fits" where a figure is outside, at the very edge of the guard band
LEAST_U = 1e-6  # mm or rad: no figure is surer
FLAT = 1e-9  # a correlation below this is none
SAMPLES = 4096  # of the quasi-Monte-Carlo integral


@dataclass(frozen=True, slots=True)
class Figure:
    """One number against its limits: how far it is off, how far it may be, how sure it is; mm or rad."""

    kind: Kind
    what: str
    off: float
    limit: float
    u: float
    sides: tuple[int, ...] = ()
    seam: int | None = None

    @property
    def fit_probability(self) -> float:
        """That the true value lies inside the limits (normal distribution; JCGM 106:2012, clause 7)."""
        return float(ndtr((self.limit - self.off) / self.u) - ndtr((-self.limit - self.off) / self.u))

    @property
    def under(self) -> bool:
        return self.off < -self.limit - GUARD * self.u

    @property
    def over(self) -> bool:
        return self.off > self.limit + GUARD * self.u

    @property
    def near(self) -> bool:
        """Not proven to be inside."""
        return not abs(self.off) <= self.limit - GUARD * self.u

    def words(self, unit: Literal["in", "mm"]) -> str:
        """What is off, by how much and which way."""
        if self.kind in ("seam", "seam_turn"):
            side = "left" if self.off > 0 else "right"
            return (
                f"{self.what} {self._amount(unit)} too far {side}"
                if self.kind == "seam"
                else (f"{self.what} turned by {self._amount(unit)}")
            )
        return f"{self.what} {self._amount(unit)} too {'wide' if self.off > 0 else 'narrow'}"

    def _amount(self, unit: Literal["in", "mm"]) -> str:
        return degrees_off(self.off) if self.kind in ("angle", "seam_turn") else off_by(self.off, unit)


@dataclass(frozen=True, eq=False, slots=True)
class Figures:
    """All figures of a unit, and how their errors hang together."""

    all: tuple[Figure, ...]
    correlation: Floats  # (K, K)

    @property
    def fit_probability(self) -> float:
        """That all true values lie inside their limits."""
        off, u, limits = (np.array([getattr(one, key) for one in self.all]) for key in ("off", "u", "limit"))
        return box_probability(off / u, limits / u, self.correlation)


def doubt_of(unit: MeasuredUnit) -> SideDoubt:
    """The sides' joint covariance; where it is not known, that of sides that err each for itself."""
    if unit.doubt is not None:
        return unit.doubt
    own = np.diag(np.concatenate([unit.offsets_u_mm, unit.tilts_u_rad]) ** 2)
    return SideDoubt(unit.corners_mat_mm, own, 0.0 * own, 0.0 * own, 0.0 * own)


def offsets_u_mm(unit: MeasuredUnit) -> Floats:
    """(N,) of the offsets from the rigid fit; without a joint covariance those of the sides themselves."""
    if unit.doubt is None:
        return unit.offsets_u_mm
    return unit.doubt.u_of(fit_slopes(unit.corners_mat_mm).offsets)


def worst_corner_parts_mm(unit: MeasuredUnit) -> dict[str, float] | None:
    """What the greatest uncertainty of a corner is made of; the root of the sum of squares is `corners_u_mm.max()`.

    Each part is taken along the corner's most doubtful direction. None where the joint covariance is not known.
    """
    if unit.doubt is None or not np.all(np.isfinite(unit.doubt.total)):
        return None
    slopes = corner_slopes(unit.corners_mat_mm)
    corners = [np.linalg.eigh(unit.doubt.of(slopes[2 * i : 2 * i + 2])) for i in range(len(slopes) // 2)]
    worst = int(np.argmax([spread.eigenvalues[1] for spread in corners]))
    along = corners[worst].eigenvectors[:, 1] @ slopes[2 * worst : 2 * worst + 2]
    return {part: float(u[0]) for part, u in unit.doubt.parts_of(along[None]).items()}


def figures_of(unit: MeasuredUnit, fit: Fit, seams: Sequence[PlacedSeam]) -> Figures:
    """Widths, offsets, angles and seams of a unit that is numbered like the shape that it is laid on."""
    slopes, doubt = fit_slopes(unit.corners_mat_mm), doubt_of(unit)
    n, by_seams = len(unit.corners_mat_mm), _seam_figures(unit, fit, seams, slopes, doubt)
    figures = [*_widths(unit, fit), *_offsets(unit, fit), *_angles(unit, fit), *(one for one, _ in by_seams)]
    own = np.vstack(
        [
            *(width_slopes(unit.corners_mat_mm, *width.sides)[None] for width in unit.widths),
            slopes.offsets,
            angle_slopes(n),
        ]
    )
    covariance = np.zeros((len(figures), len(figures)))
    k = len(own)
    alone = np.vstack([own, *(rows[0][None] for _, rows in by_seams)])
    common = np.vstack([own, *(rows[1][None] for _, rows in by_seams)])
    covariance += alone @ doubt.repeatable @ alone.T + common @ common_part(doubt) @ common.T
    for i, (_, rows) in enumerate(by_seams):
        covariance[k + i, k + i] += float(rows[2][0]) ** 2
    return Figures(tuple(figures), _correlation(covariance))


def _correlation(covariance: Floats) -> Floats:
    spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    known = np.isfinite(spread) & (spread > 0.0)
    safe = np.where(known, spread, 1.0)
    result = np.where(np.outer(known, known), covariance / np.outer(safe, safe), 0.0)
    np.fill_diagonal(result, 1.0)
    return np.asarray(result)


def _sure(u: float) -> float:
    return max(float(u), LEAST_U) if math.isfinite(u) else math.inf


def _widths(unit: MeasuredUnit, fit: Fit) -> list[Figure]:
    """A width may be off by as much as the freer of its two sides."""
    shape, figures = fit.shape, []
    for width in unit.widths:
        one, other = (shape.side_name(side) for side in width.sides)
        off = width.mean_mm - side_distances(shape.corners_mm, *width.sides)[0]
        limit = max(shape.side_tolerance_mm(side) for side in width.sides)
        what = f"from {one} to {other}"
        figures.append(Figure("width", what, off, limit, _sure(width.u_mm), width.sides))
    return figures


def _offsets(unit: MeasuredUnit, fit: Fit) -> list[Figure]:
    return [
        Figure("offset", fit.shape.side_name(i), float(off), fit.shape.side_tolerance_mm(i), _sure(u), (i,))
        for i, (off, u) in enumerate(zip(fit.offsets_mm, offsets_u_mm(unit), strict=True))
    ]


def _angles(unit: MeasuredUnit, fit: Fit) -> list[Figure]:
    shape, n = fit.shape, len(unit.corners_mat_mm)
    figures = zip(unit.angles_rad, interior_angles(shape.corners_mm), unit.angles_u_rad, strict=True)
    return [
        Figure(
            "angle",
            _corner_name(shape.side_name((i - 1) % n), shape.side_name(i)),
            float(got - want),
            shape.tolerance.angle_rad,
            _sure(u),
            ((i - 1) % n, i),
        )
        for i, (got, want, u) in enumerate(figures)
    ]


def _corner_name(before: str, after: str) -> str:
    return f"corner of two {before}s" if before == after else f"corner of {before} and {after}"


def _seam_figures(
    unit: MeasuredUnit, fit: Fit, seams: Sequence[PlacedSeam], slopes: FitSlopes, doubt: SideDoubt
) -> list[tuple[Figure, tuple[Floats, Floats, Floats]]]:
    """A seam counts like a side: its offset and its direction have limits. With the slopes, and its own doubt."""
    result = []
    tolerance = fit.shape.tolerance
    for seam in seams:
        what = "seam" if len(fit.seams_mat_mm) == 1 else f"seam {seam.index}"
        rows = seam_slopes(unit.corners_mat_mm, seam, slopes.motion, slopes.centre_mat_mm, slopes.size_mm)
        for kind, off, limit, own, alone, common in (
            ("seam", seam.offset_mm, tolerance.width_mm, seam.found.u_mm, rows[0], rows[2]),
            ("seam_turn", seam.turn_rad, tolerance.angle_rad, seam.turn_u_rad, rows[1], rows[3]),
        ):
            variance = own**2 + alone @ doubt.repeatable @ alone + common @ common_part(doubt) @ common
            figure = Figure(kind, what, off, limit, _sure(math.sqrt(variance)), (), seam.index)  # type: ignore[arg-type]
            result.append((figure, (alone, common, np.array([own]))))
    return result


def box_probability(means: Floats, limits: Floats, correlation: Floats) -> float:
    """That K normal numbers of spread 1 all lie within plus or minus their limits.

    Written as means + L z with independent z. The first of z is that of the number most at risk, and is integrated
    exactly; the others by a Sobol sequence, without chance, so that the same unit has the same probability. One number
    alone is exact; with many the error is about 0.0004, 0.002 at worst (Genz & Bretz, "Computation of Multivariate
    Normal and t Probabilities", 2009, on such sequential integration).
    """
    inside = ndtr(limits - means) - ndtr(-limits - means)
    worst = int(np.argmin(inside))
    if inside[worst] <= 0.0 or not np.all(np.isfinite(means)):
        return 0.0
    first = correlation[:, worst]
    rest = correlation - np.outer(first, first)
    values, vectors = np.linalg.eigh((rest + rest.T) / 2.0)
    kept = values > FLAT
    others = vectors[:, kept] * np.sqrt(values[kept])
    places = means if not kept.any() else means + _normal_points(int(kept.sum())) @ others.T
    places = np.atleast_2d(places)
    flat = np.abs(first) < FLAT
    slope = np.where(flat, 1.0, first)
    bounds = np.stack([(-limits - places) / slope, (limits - places) / slope])
    low = np.where(flat, -np.inf, bounds.min(axis=0)).max(axis=1)
    high = np.where(flat, np.inf, bounds.max(axis=0)).min(axis=1)
    out = flat & (np.abs(places) > limits)
    share = np.where(out.any(axis=1), 0.0, np.maximum(ndtr(high) - ndtr(low), 0.0))
    return float(np.mean(share))


@lru_cache(maxsize=64)
def _normal_points(dimensions: int) -> Floats:
    """(SAMPLES, D) points that fill the standard normal distribution evenly: a Sobol sequence, half a step in."""
    from scipy.stats import qmc  # here, because it takes a fifth of every command's start

    points = qmc.Sobol(dimensions, scramble=False).random(SAMPLES)
    return np.asarray(ndtri(points + 0.5 / SAMPLES))

"""The smallest set of changed sides that explains how an outline differs from the expected shape.

An outline is N lines: 2 N numbers, an offset and a turn of each side against the laid shape, with one joint
covariance. A hypothesis is a rigid motion of the shape, plus a few sides that are offset, turned about their midpoint,
or both; the rest is exact. Each is fitted by generalised least squares. The smallest number of sides, and then of
changes, whose residual is consistent (chi-square, 99.7 %) explains the outline; whatever other set of that size does
it as well (within 9 in chi-square, three standard deviations) is named beside it.

Where no hypothesis is consistent, the uncertainties are too small: they are taken to be greater by about what the best
one asks for (Birge's ratio) in the choice, and as they are stated in what is reported.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from vision.comparing.figures import doubt_of
from vision.comparing.rigidfit import Fit, motion_rows, turn_matrix
from vision.polygons import outward_normals, side_lengths, sides_of
from vision.seams.place import PlacedSeam, common_part, placed_seams, seam_slopes
from vision.units import Finding, FindingKind, MeasuredUnit

Floats = NDArray[np.float64]
Hypothesis = tuple[int, ...]  # changes: i < N is side i offset, N + i is side i turned; in rising order

CONSISTENT = 0.997
AS_GOOD = 9.0  # in chi-square
SURE_U, LEAST_MM, LEAST_DEG = 3.0, 0.2, 0.2  # what is reported is over each
MORE_THAN_BEST = 3.0  # chi-square per degree of freedom beside the least, where none is consistent
SINGULAR = 1e-7  # least eigenvalue of normal equations of unit diagonal
EXACT_MM = 1e-4  # nothing is measured better
BOW_U = math.sqrt(45.0) / 2.0  # uncertainty of a parabola's sag beside that of a line, from the same like samples
LINE_OF_BOW, BOW_SHAPE_U = 2.0 / 3.0, 0.1  # of a bow's sag: the mean of a parabola, and how far a bow is from being one


def find_changes(unit: MeasuredUnit, fit: Fit) -> tuple[Finding, ...]:
    """Everything that differs from the laid shape, whatever the tolerance; the unit is numbered as the shape.

    `sides` of a finding: the first is the one that `value` belongs to, then all that explain it equally well; of a seam
    its place among the expected ones.
    """
    if not np.all(np.isfinite(np.concatenate([unit.offsets_u_mm, unit.tilts_u_rad]))):
        return ()
    bows = _bows(unit)
    turned = [Finding(FindingKind.TURNED_OVER, (), math.nan, math.nan)] if fit.mirrored else []
    solved = _explained(unit, fit, bows)
    seams = [one for one in _seams_off(unit, solved) if _told(one)]
    own = [Finding(FindingKind(one.kind), (one.side,), one.value_mm, one.u_mm) for one in unit.blemishes]
    return (*turned, *_of_sides(solved), *bows, *seams, *(one for one in own if _sure(one)))


def _sure(finding: Finding) -> bool:
    return abs(finding.value) > SURE_U * finding.u


def _told(finding: Finding) -> bool:
    """Over 3 u, and over 0.2 mm or 0.2 degree."""
    least = LEAST_DEG if finding.kind is FindingKind.SIDE_TURNED else LEAST_MM
    return _sure(finding) and abs(finding.value) > least


def _bows(unit: MeasuredUnit) -> list[Finding]:
    bows_u = BOW_U * unit.offsets_u_mm if unit.bows_u_mm is None else unit.bows_u_mm
    bows = zip(unit.bows_mm, bows_u, strict=True)
    found = [Finding(FindingKind.BOW, (i,), float(bow), float(u)) for i, (bow, u) in enumerate(bows)]
    return [one for one in found if _told(one)]


@dataclass(frozen=True, eq=False, slots=True)
class _Lines:
    """The outline's lines beside those of the laid shape, and what a motion of the shape does to them."""

    shape_mat_mm: Floats  # (N, 2)
    seams: tuple[PlacedSeam, ...]
    differences: Floats  # (2N,) offsets outward at the shape's own midpoints, mm; turns times half a length, mm
    by_errors: Floats  # (2N, 2N): how they follow the errors of the unit's sides
    covariance: Floats  # (2N, 2N)
    centre_mat_mm: Floats
    size_mm: float
    design: Floats  # (2N, 3 + 2N): motion, then the changes of each side

    @property
    def n(self) -> int:
        return len(self.shape_mat_mm)


@dataclass(frozen=True, eq=False, slots=True)
class _Solved:
    """The chosen hypothesis with its changes, and all that explain as well."""

    lines: _Lines
    changes: Hypothesis
    values: Floats  # (p,) mm
    u: Floats  # (p,)
    motion: Floats  # (3,)
    motion_gain: Floats  # (3, 2N): how the motion follows the differences
    as_good: tuple[_Solved, ...]


def _lines(unit: MeasuredUnit, shape: Floats, seams: Sequence[PlacedSeam], bows: Sequence[Finding]) -> _Lines:
    n, half, normals = len(shape), side_lengths(shape) / 2.0, outward_normals(shape)
    middles, along = shape + sides_of(shape) / 2.0, sides_of(shape) / (2.0 * half[:, None])
    seen, ahead = unit.corners_mat_mm, sides_of(unit.corners_mat_mm) / unit.sides_mm[:, None]
    across = outward_normals(seen)
    offsets = np.sum((seen - middles) * across, axis=1) / np.sum(normals * across, axis=1)
    turns = np.arcsin(np.clip(along[:, 0] * ahead[:, 1] - along[:, 1] * ahead[:, 0], -1.0, 1.0))
    places = np.sum((middles - seen) * ahead, axis=1) - unit.sides_mm / 2.0  # from the seen midpoints
    by_errors = np.block([[np.eye(n), -np.diag(places)], [np.zeros((n, n)), np.diag(half)]])
    covariance = by_errors @ doubt_of(unit).total @ by_errors.T + EXACT_MM**2 * np.eye(2 * n)
    for bow in bows:
        # The line through a bowed side lies between its ends' and its crown's: that is the bow's, not an offset.
        offsets[bow.sides[0]] -= LINE_OF_BOW * bow.value
        covariance[bow.sides[0], bow.sides[0]] += (LINE_OF_BOW * bow.u) ** 2 + (BOW_SHAPE_U * bow.value) ** 2
    centre = middles.mean(axis=0)
    size = float(np.sqrt(np.mean(np.sum((middles - centre) ** 2, axis=1))))
    motion = np.vstack([motion_rows(middles, normals, centre, size), np.outer(half, [0.0, 0.0, 1.0 / size])])
    design = np.hstack([motion, np.eye(2 * n)])
    differences = np.concatenate([offsets, half * turns])
    return _Lines(shape, tuple(seams), differences, by_errors, covariance, centre, size, design)


def _explained(unit: MeasuredUnit, fit: Fit, bows: Sequence[Finding]) -> _Solved:
    """Solved twice, the second time from where the first lays the shape: a turn is not quite linear."""
    shape, seams = fit.corners_mat_mm, fit.seams_mat_mm
    for _ in range(2):
        lines = _lines(unit, shape, placed_seams(unit.seams, seams), bows)
        solved = _chosen(lines, unit)
        turn = turn_matrix(float(solved.motion[2]) / lines.size_mm)
        shape, seams = (
            (points - lines.centre_mat_mm) @ turn.T + lines.centre_mat_mm + solved.motion[:2]
            for points in (shape, seams)
        )
    return solved


def _chosen(lines: _Lines, unit: MeasuredUnit) -> _Solved:
    weights = np.asarray(np.linalg.inv(lines.covariance))
    normal = lines.design.T @ weights @ lines.design
    right = lines.design.T @ weights @ lines.differences
    whole = float(lines.differences @ weights @ lines.differences)
    sides, count = _smallest(lines.n, normal, right, whole)
    misfits = {
        one: misfit
        for wider in range(sides, count + 1)
        for one, misfit in _misfits(_hypotheses(lines.n, wider, count), normal, right, whole).items()
    }
    best = min(misfits.values())
    reach = best + AS_GOOD * max(1.0, best / (2 * lines.n - 3 - count))
    solved = {one: _solved(lines, one, normal, right, weights) for one, misfit in misfits.items() if misfit <= reach}

    def badness(one: Hypothesis) -> tuple[int, float, float, Hypothesis]:
        """Fewest sides whose change is worth a word; then what the seams say counts too; then the smallest changes."""
        sides = {found.sides[0] for found in _changed_sides(solved[one]) if _told(found)}
        off = sum((seam.value / seam.u) ** 2 for seam in _seams_off(unit, solved[one]))
        return len(sides), round(misfits[one] + off, 3), round(float(np.sum(np.abs(solved[one].values))), 6), one

    return replace(solved[min(solved, key=badness)], as_good=tuple(solved.values()))


def _solved(lines: _Lines, changes: Hypothesis, normal: Floats, right: Floats, weights: Floats) -> _Solved:
    columns = [0, 1, 2, *(3 + one for one in changes)]
    inverse = np.linalg.inv(normal[np.ix_(columns, columns)])
    values, u = inverse @ right[columns], np.sqrt(np.diag(inverse))
    gain = (inverse @ lines.design[:, columns].T @ weights)[:3]
    return _Solved(lines, changes, values[3:], u[3:], values[:3], gain, ())


def _smallest(n: int, normal: Floats, right: Floats, whole: float) -> tuple[int, int]:
    """Number of sides and of changes of the smallest hypotheses of which one is consistent.

    Many degrees of freedom leave room for one change more of a side that has changed: where it is over three of its
    standard deviations, it is no chance.
    """
    least: dict[tuple[int, int], float] = {}
    for size in _sizes(n):
        least[size] = min(_misfits(_hypotheses(n, *size), normal, right, whole).values(), default=math.inf)
        if least[size] <= chdtri(_freedom(n, size), 1.0 - CONSISTENT):
            break
    else:
        ratio = min(misfit / _freedom(n, size) for size, misfit in least.items())
        size = next(size for size, misfit in least.items() if misfit / _freedom(n, size) <= MORE_THAN_BEST * ratio)
    sides, count = size
    more = [(sides, wider) for wider in range(count + 1, 2 * sides + 1) if _freedom(n, (sides, wider)) >= 1]
    for wider in more:
        misfit = min(_misfits(_hypotheses(n, *wider), normal, right, whole).values(), default=math.inf)
        if least[size] - misfit <= AS_GOOD * max(1.0, misfit / _freedom(n, wider)):
            break
        least[wider], size = misfit, wider
    return size


def _freedom(n: int, size: tuple[int, int]) -> int:
    return 2 * n - 3 - size[1]


def _sizes(n: int) -> Iterator[tuple[int, int]]:
    """Number of sides and of changes, from small to great; one degree of freedom at least is left to judge by."""
    most = 3 if 4 < n <= 6 else 2
    for sides in range(most + 1):
        for count in range(sides, 2 * sides + 1):
            if 2 * n - 3 - count >= 1:
                yield sides, count


@lru_cache(maxsize=256)
def _hypotheses(n: int, sides: int, count: int) -> tuple[Hypothesis, ...]:
    """All sets of that many sides with that many changes."""
    result = []
    for chosen in combinations(range(n), sides):
        for kinds in product("otb", repeat=sides):
            changed = [i for i, kind in zip(chosen, kinds, strict=True) if kind in "ob"]
            changed += [n + i for i, kind in zip(chosen, kinds, strict=True) if kind in "tb"]
            if len(changed) == count:
                result.append(tuple(sorted(changed)))
    return tuple(result)


def _misfits(hypotheses: Sequence[Hypothesis], normal: Floats, right: Floats, whole: float) -> dict[Hypothesis, float]:
    """Chi-square of each hypothesis, but for those whose changes cannot be told from a motion."""
    columns = np.array([[0, 1, 2, *(3 + one for one in changes)] for changes in hypotheses])
    some, sums = normal[columns[:, :, None], columns[:, None, :]], right[columns]
    scale = 1.0 / np.sqrt(np.einsum("mii->mi", some))
    values, vectors = np.linalg.eigh(some * scale[:, :, None] * scale[:, None, :])
    parts = np.einsum("mij,mi->mj", vectors, sums * scale)
    regular = values[:, 0] > SINGULAR
    left = whole - np.sum(parts**2 / np.maximum(values, SINGULAR), axis=1)
    return {one: max(float(left[k]), 0.0) for k, one in enumerate(hypotheses) if regular[k]}


def _of_sides(solved: _Solved) -> list[Finding]:
    """What is worth a word, each with all sides that explain it equally well."""
    found = []
    for change, own in zip(solved.changes, _changed_sides(solved), strict=True):
        if _told(own):
            others = {other.sides[0]: other.value for other in _instead(change, own, solved)}
            others = {side: others[side] for side in sorted(others) if side != own.sides[0]}
            found.append(replace(own, sides=(*own.sides, *others), values=(own.value, *others.values())))
    return found


def _changed_sides(solved: _Solved) -> list[Finding]:
    """Each change in the order of the hypothesis."""
    n, half = solved.lines.n, side_lengths(solved.lines.shape_mat_mm) / 2.0
    found = []
    for change, value, u in zip(solved.changes, solved.values, solved.u, strict=True):
        side, turned = change % n, change >= n
        kind = FindingKind.SIDE_TURNED if turned else FindingKind.SIDE_OFF
        scale = math.degrees(1.0 / half[side]) if turned else 1.0
        found.append(Finding(kind, (side,), float(value) * scale, float(u) * scale))
    return found


def _instead(change: int, own: Finding, solved: _Solved) -> Iterator[Finding]:
    """Changes of the same kind that stand in its place in a hypothesis that explains as well.

    Most differ from the chosen one in this change alone. Where none does, the whole set may be another: an angle that
    is wrong is of either pair of sides; then those of like size stand in.
    """
    whole, alone = [], False
    for other in solved.as_good:
        theirs = dict(zip(other.changes, _changed_sides(other), strict=True))
        new = [one for key, one in theirs.items() if key not in solved.changes and one.kind is own.kind]
        left = set(solved.changes) - set(theirs)
        if left == {change}:
            yield from new
            alone = alone or bool(new)
        elif left == set(solved.changes) and new:
            whole += new
    if not alone:
        yield from (one for one in whole if abs(abs(one.value) - abs(own.value)) <= SURE_U * (one.u + own.u))


def _seams_off(unit: MeasuredUnit, solved: _Solved) -> list[Finding]:
    """How far each seam is to the left of where the shape, laid as the hypothesis lays it, wants it."""
    lines, doubt, found = solved.lines, doubt_of(unit), []
    motion_by_errors = solved.motion_gain @ lines.by_errors
    for seam in lines.seams:
        at, left = seam.middle_mat_mm[None], seam.left[None]
        offset = seam.offset_mm - float(motion_rows(at, left, lines.centre_mat_mm, lines.size_mm)[0] @ solved.motion)
        alone, _, common, _ = seam_slopes(
            unit.corners_mat_mm, seam, motion_by_errors, lines.centre_mat_mm, lines.size_mm
        )
        variance = seam.found.u_mm**2 + alone @ doubt.repeatable @ alone + common @ common_part(doubt) @ common
        u = math.sqrt(max(float(variance), EXACT_MM**2))
        found.append(Finding(FindingKind.SEAM_OFF, (seam.index,), float(offset), u))
    return found

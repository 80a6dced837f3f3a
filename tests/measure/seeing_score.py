"""How far measured outlines are from drawn ones, side by side, and how far noise alone would put them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from tests.measure.edge_bound import Field, least_offset_sd, least_offset_sd_of_print, least_tilt_sd
from tests.vision.exact_cloth import FIGURES, Bgr, Light, Print
from tests.vision.exact_scenes import Shot, TrueUnit
from vision.outlines.sidedoubt import width_slopes
from vision.polygons import interior_angles, outward_normals, side_distances, side_lengths, sides_of
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

MOST_OFF_MM, MOST_TURN_RAD = 1.0, math.radians(3.0)  # a side farther off was not measured
PARALLEL_RAD = math.radians(5.0)


@dataclass(frozen=True, eq=False, slots=True)
class Outline:
    """What one method says of one unit. Uncertainties are NaN where it states none."""

    corners_mat_mm: Floats
    offsets_u_mm: Floats
    angles_u_rad: Floats
    widths_u_mm: dict[tuple[int, int], float] = field(default_factory=dict)
    look_again: bool = False

    @staticmethod
    def of_unit(unit: MeasuredUnit) -> Outline:
        widths = {width.sides: width.u_mm for width in unit.widths}
        again = unit.trouble is not None or unit.curved is not None
        return Outline(unit.corners_mat_mm, unit.offsets_u_mm, unit.angles_u_rad, widths, again)

    @staticmethod
    def bare(corners_mat_mm: Floats) -> Outline:
        unknown = np.full(len(corners_mat_mm), np.nan)
        return Outline(corners_mat_mm, unknown, unknown)

    def turned(self, roll: int) -> Outline:
        """The same with its corners numbered on from another."""
        n = len(self.corners_mat_mm)
        widths = {(min(s), max(s)): u for k, u in self.widths_u_mm.items() for s in [tuple((i + roll) % n for i in k)]}
        arrays = (np.roll(a, roll, axis=0) for a in (self.corners_mat_mm, self.offsets_u_mm, self.angles_u_rad))
        return Outline(*arrays, {(a, b): u for (a, b), u in widths.items()}, self.look_again)


SIDE, WIDTH, ANGLE = range(3)


@dataclass(frozen=True, eq=False, slots=True)
class Tally:
    """Errors of one method under one condition. Rows: error, stated u, bound; px for sides and widths, radians."""

    units: int = 0
    found: int = 0
    look_again: int = 0
    not_measured: int = 0
    invented: int = 0
    sides: Floats = field(default_factory=lambda: np.empty((0, 4)))  # and the bound for an unknown print
    widths: Floats = field(default_factory=lambda: np.empty((0, 3)))
    angles: Floats = field(default_factory=lambda: np.empty((0, 3)))
    labels: tuple[str, ...] = ()  # of the sides

    def __add__(self, other: Tally) -> Tally:
        counts = (
            getattr(self, k) + getattr(other, k) for k in ("units", "found", "look_again", "not_measured", "invented")
        )
        errors = (np.concatenate([getattr(self, k), getattr(other, k)]) for k in ("sides", "widths", "angles"))
        return Tally(*counts, *errors, self.labels + other.labels)

    def of_label(self, label: str) -> Tally:
        """Only the sides of that label."""
        return replace(
            self,
            sides=self.sides[[one == label for one in self.labels]],
            widths=np.empty((0, 3)),
            angles=np.empty((0, 3)),
        )


def tally(shot: Shot, outlines: Sequence[Outline]) -> Tally:
    """Score one frame."""
    total = Tally(units=len(shot.units), invented=_invented(shot, outlines))
    for unit in shot.units:
        over = [one for one in outlines if _overlap(one.corners_mat_mm, unit.corners_mat_mm) > 0.5]
        right = [turned for one in over if (turned := _matched(one, unit)) is not None]
        if not over:
            continue
        if not right:
            again = all(one.look_again for one in over)
            total += Tally(found=1, look_again=int(again), not_measured=int(not again))
        elif right[0].look_again:
            total += Tally(found=1, look_again=1)
        else:
            total += _errors(shot, unit, right[0])
    return total


def _matched(one: Outline, unit: TrueUnit) -> Outline | None:
    """The outline numbered as the truth is; None if a side is missing, or far off."""
    true = unit.corners_mat_mm
    if len(one.corners_mat_mm) != len(true) or not np.all(np.isfinite(one.corners_mat_mm)):
        return None
    turns = [one.turned(roll) for roll in range(len(true))]
    best = min(turns, key=lambda turned: float(np.abs(turned.corners_mat_mm - true).max()))
    off, turn = _offsets_mm(best.corners_mat_mm, true), _turns_rad(best.corners_mat_mm, true)
    return best if np.abs(off).max() < MOST_OFF_MM and np.abs(turn).max() < MOST_TURN_RAD else None


def _offsets_mm(corners: Floats, true: Floats) -> Floats:
    """How far the measured sides pass outside of the true sides' middles."""
    normals = outward_normals(corners)
    middles = true + sides_of(true) / 2.0
    return np.asarray(np.sum((corners - middles) * normals, axis=1))


def _turns_rad(corners: Floats, true: Floats) -> Floats:
    a, b = sides_of(corners), sides_of(true)
    return np.asarray(np.arctan2(b[:, 0] * a[:, 1] - b[:, 1] * a[:, 0], np.sum(a * b, axis=1)))


def _errors(shot: Shot, unit: TrueUnit, one: Outline) -> Tally:
    true, scale = unit.corners_mat_mm, shot.view.mm_per_px
    bounds, of_print = side_bounds_px(shot, unit)
    sides = np.column_stack([_offsets_mm(one.corners_mat_mm, true) / scale, one.offsets_u_mm / scale, bounds, of_print])
    tilts = np.array([least_tilt_sd(b, length) for b, length in zip(bounds, side_lengths(true) / scale, strict=True)])
    spread = np.concatenate([bounds * scale, tilts])
    widths = [
        [
            (side_distances(one.corners_mat_mm, i, j)[0] - side_distances(true, i, j)[0]) / scale,
            one.widths_u_mm.get((i, j), np.nan) / scale,
            float(np.hypot.reduce(width_slopes(true, i, j) * spread)) / scale,
        ]
        for i, j in _parallel(true)
    ]
    off = interior_angles(one.corners_mat_mm) - interior_angles(true)
    angles = np.column_stack([off, one.angles_u_rad, np.hypot(tilts, np.roll(tilts, 1))])
    return Tally(0, 1, 0, 0, 0, sides, np.array(widths, float).reshape(-1, 3), angles, unit.labels)


def _parallel(corners: Floats) -> list[tuple[int, int]]:
    ahead, n = np.arctan2(*sides_of(corners).T[::-1]), len(corners)
    between = {(i, j): (ahead[i] - ahead[j]) % math.pi for i in range(n) for j in range(i + 1, n)}
    return [pair for pair, turn in between.items() if min(turn, math.pi - turn) < PARALLEL_RAD]


def _overlap(one: Floats, true: Floats) -> float:
    """The share of a unit that an outline covers."""
    unit = shapely.Polygon(true)
    return float(shapely.area(shapely.intersection(shapely.Polygon(one).buffer(0), unit)) / unit.area)


def _invented(shot: Shot, outlines: Sequence[Outline]) -> int:
    """Outlines of which less than half is cloth."""
    cloth = shapely.union_all([shapely.Polygon(unit.corners_mat_mm) for unit in shot.units])
    shapes = [shapely.Polygon(one.corners_mat_mm).buffer(0) for one in outlines if len(one.corners_mat_mm) > 2]
    return sum(shapely.area(shapely.intersection(shape, cloth)) < 0.5 * shape.area for shape in shapes)


def side_bounds_px(shot: Shot, unit: TrueUnit) -> tuple[Floats, Floats]:
    """(N,) least standard deviation of each side's offset: as if the cloth were known, and for an unknown print.

    From the light at the side's middle. Two fabrics along a side share its length. Of a frame with a lamp less one
    without, only the lamp's light counts, and both frames' noise.
    """
    corners, condition = unit.corners_mat_mm, shot.condition
    ahead, lengths = sides_of(corners), side_lengths(corners) / shot.view.mm_per_px
    lights = condition.lights if condition.lamp is None else (condition.lamp,)
    known, unknown = np.zeros(len(corners)), np.zeros(len(corners))
    for share in (0.25, 0.75):
        for i, place in enumerate(corners + share * ahead):
            gain = condition.exposure * light_at(lights, shot.view.px_of_mm(place) / shot.view.size_px)
            fabric = _fabric_at(unit, place)
            mean, spread, length_mm = _levels(fabric)
            cloth, mat = _lit(mean, gain), _lit(condition.mat.light, gain)
            sd = least_offset_sd(cloth, mat, condition.sensor, lengths[i] / 2.0)
            known[i] += 1.0 / sd**2
            if isinstance(fabric, Print):
                look = Field(_lit(spread, gain), length_mm / shot.view.mm_per_px)
                sd = _print_sd(
                    *(_rounded(level) for level in (cloth, look.spread, mat)),
                    round(look.length_px, 1),
                    condition.sensor,
                )
                sd /= math.sqrt(lengths[i] / 2.0)
            unknown[i] += 1.0 / sd**2
    twice = 1.0 if condition.lamp is None else math.sqrt(2.0)
    return twice / np.sqrt(known), twice / np.sqrt(unknown)


@lru_cache(maxsize=4096)
def _print_sd(cloth: Bgr, spread: Bgr, mat: Bgr, length_px: float, sensor: object) -> float:
    """Of one pixel of length."""
    return least_offset_sd_of_print(cloth, Field(spread, length_px), mat, sensor, 1.0)  # type: ignore[arg-type]


def _rounded(levels: Bgr) -> Bgr:
    b, g, r = (float(f"{level:.2g}") for level in levels)
    return b, g, r


def _lit(levels: Bgr, gain: Floats) -> Bgr:
    b, g, r = (float(one) for one in np.array(levels) * gain)
    return b, g, r


def light_at(lights: Sequence[Light], at: Floats) -> Floats:
    """(3,) light at a place, in shares of the picture's width and height, shadows left out."""
    total = np.zeros(3)
    for light in lights:
        c, s = math.cos(light.toward_rad), math.sin(light.toward_rad)
        along = ((at[0] - 0.5) * c + (at[1] - 0.5) * s) / (abs(c) + abs(s)) + 0.5
        total += np.array(light.colour) * (1.0 + (light.falls_to - 1.0) * along + light.window * 2.0 ** (-8.0 * at[0]))
    return total


def _fabric_at(unit: TrueUnit, place: Floats) -> Bgr | Print:
    cloth = unit.cloth
    if cloth.seam_mat_mm is None:
        return cloth.light
    a, b = cloth.seam_mat_mm
    inward = place + 1e-3 * (unit.corners_mat_mm.mean(axis=0) - place)
    left = (b - a)[0] * (inward - a)[1] - (b - a)[1] * (inward - a)[0] > 0
    return cloth.second if left else cloth.light


@lru_cache(maxsize=256)
def _levels(fabric: Bgr | Print) -> tuple[Bgr, Bgr, float]:
    """Mean light, spread in each channel, and the way over which a print's levels come to differ (1 / e), mm."""
    if not isinstance(fabric, Print):
        return fabric, (0.0, 0.0, 0.0), 1.0
    u, v = np.meshgrid(*2 * [np.arange(0, 12, 0.03, dtype=np.float32)])
    levels = np.array([fabric.ground, *fabric.figures])
    light = levels[FIGURES[fabric.kind](u, v, fabric.covered)]
    b, g, r = light.mean(axis=(0, 1))
    spread = light.std(axis=(0, 1))
    off = light.sum(axis=2) - light.sum() / light.shape[0] / light.shape[1]
    across = [np.mean(off[:, : -k or None] * off[:, k:]) + np.mean(off[: -k or None] * off[k:]) for k in range(100)]
    fallen = next((k for k, one in enumerate(across) if one < across[0] / math.e), 99)
    return (b, g, r), tuple(spread), 0.03 * fallen * fabric.pitch_mm  # type: ignore[return-value]

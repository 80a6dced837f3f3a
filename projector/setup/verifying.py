"""Verify a rig: a figure of three unequal lengths in light, which the camera and the person's own ruler measure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.budget import length_budget
from calibration.mat.dots import Dots, planned_dots
from calibration.mat.moved import dots_seen
from calibration.rig import Rig
from projector.guide.scene.scenes import Ink, Mark, Scene, Stroke, Words
from projector.setup.closure import Closure, closure, dot_pictures
from projector.table.devices import Table
from projector.telling.events import MM_PLACES, Event

Floats = NDArray[np.float64]

NAMES = ("a", "b", "c")  # of the sides: from corner to corner, counter-clockwise from the lower left
CORNERS = np.array([[0.08, 0.14], [0.93, 0.30], [0.36, 0.90]])  # as shares of the area's bounds; no two sides alike
INSET_MM = 25.0
LINE_MM, CROSS_MM = 0.8, 16.0
WORDS_MM = 14.0
READING_U_MM = 0.3  # of a ruler held to light, both ends
SURE = 3.0  # combined standard uncertainties, from which on two lengths disagree
CLOSE = 3.0  # stated standard uncertainties of the rig within which the loop must close
LEAST_MM = 0.1  # of the loop: less is no cause for alarm
LEAST_PX = 0.15  # the same in the camera's pixels: dots over what is printed on a mat err by 0.04, the worst counts
CLEAR_SIGMAS = 30.0  # from one dot to another, so that a bump mixes up no two


class VerifyError(Exception):
    """The figure cannot be verified; the message says in one line what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class Figure:
    """A triangle on the mat, (3, 2) in the mat frame, counter-clockwise from the lower left."""

    corners_mat_mm: Floats

    @property
    def lengths_mm(self) -> Floats:
        """Sides a, b, c."""
        return lengths_mm(self.corners_mat_mm)


def lengths_mm(corners_mat_mm: Floats) -> Floats:
    """(3,) sides of a triangle, each from a corner to the next."""
    return np.asarray(np.linalg.norm(np.roll(corners_mat_mm, -1, axis=0) - corners_mat_mm, axis=1))


def figure_of(rig: Rig) -> Figure:
    """The figure of a rig: the same each time, as large as its area allows."""
    area = shapely.Polygon(rig.area_mat_mm).buffer(-INSET_MM)
    x0, y0, x1, y1 = area.bounds
    middle = np.array([area.centroid.x, area.centroid.y])
    corners = np.array([x0, y0]) + CORNERS * [x1 - x0, y1 - y0]
    for share in np.linspace(1.0, 0.1, 19):
        tried = middle + share * (corners - middle)
        if shapely.contains_xy(area, tried).all():
            break
    return Figure(tried)


def figure_scene(figure: Figure) -> Scene:
    """The sides as thin lines with a cross at each corner, and their names; no number that a reader might follow."""
    corners = figure.corners_mat_mm
    marks: list[Mark] = []
    for name, start, end in zip(NAMES, corners, np.roll(corners, -1, axis=0), strict=True):
        along = (end - start) / np.hypot(*(end - start))
        outward = np.array([along[1], -along[0]])
        marks.append(Stroke((_pair(start), _pair(end)), LINE_MM, Ink.CUT))
        at = (start + end) / 2 + outward * WORDS_MM * 1.6 - [0.0, WORDS_MM / 2]
        marks.append(Words(name, _pair(at), WORDS_MM, Ink.WORDS))
        for course in (along, outward):
            ends = _pair(start - CROSS_MM / 2 * course), _pair(start + CROSS_MM / 2 * course)
            marks.append(Stroke(ends, LINE_MM, Ink.OUTLINE))
    return Scene("figure", tuple(marks))


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


@dataclass(frozen=True, eq=False, slots=True)
class Seen:
    """How the loop closed over the figure."""

    figure: Figure
    seen_mm: Floats  # (3,) the sides as the camera sees them
    closure: Closure
    allowed_mm: float  # within which it should close


def see_figure(table: Table, rig: Rig, figure: Figure) -> Seen:
    """Dots of light on the figure's corners and over the mat, and where the camera sees them. Raises VerifyError."""
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    planned = planned_dots(rig.projector.pinhole, rig.area_mat_mm)
    corners_px = rig.projector.pinhole.px_from_mat(figure.corners_mat_mm)
    lit_px = np.concatenate([corners_px, planned.projector_px[_apart(planned, corners_px)]])
    nothing = np.full(len(lit_px), np.nan)
    dots = replace(planned, projector_px=lit_px, camera_px=np.full_like(lit_px, np.nan), u_px=nothing)
    pictures = dot_pictures(table, rig, dots)
    found = closure(rig, dots_seen(rig, dots, pictures.lit, pictures.dark, pictures.even))
    if found is None or not np.isfinite(found.seen_mat_mm[:3]).all():
        raise VerifyError("the camera does not see the figure's corners; clear the mat and dim the room, then again")
    worst = max(rig.camera_over_area().worst_mm, over.worst_mm if (over := rig.projector_over_area()) else 0.0)
    seen_px = rig.camera.pinhole.px_from_mat(figure.corners_mat_mm)
    pixel_mm = float(figure.lengths_mm.sum() / lengths_mm(seen_px).sum())
    allowed_mm = max(CLOSE * worst, LEAST_MM, LEAST_PX * pixel_mm)
    return Seen(figure, lengths_mm(found.seen_mat_mm[:3]), found, allowed_mm)


def _apart(dots: Dots, corners_px: Floats) -> NDArray[np.bool_]:
    """Which of the planned dots lie clear of the corners'."""
    away = np.linalg.norm(dots.projector_px[:, None] - corners_px[None], axis=2).min(axis=1)
    return np.asarray(away > CLEAR_SIGMAS * dots.sigma_px)


@dataclass(frozen=True, eq=False, slots=True)
class Verdict:
    """Whether ruler, sheet and rig agree: each `odd` thing by name, with what to do; none if all agree."""

    odd: tuple[str, ...]  # rig, scale, reading
    words: str
    off_mm: dict[str, float]  # reading less length, by name
    u_mm: dict[str, float]  # their combined standard uncertainty


def compared(rig: Rig, seen: Seen, read_mm: Mapping[str, float], reading_u_mm: float = READING_U_MM) -> Verdict:
    """Hold what the person read against the figure. Without readings only the loop is judged."""
    lengths = dict(zip(NAMES, seen.figure.lengths_mm.tolist(), strict=True))
    off = {name: read - lengths[name] for name, read in read_mm.items()}
    u_rig = dict(zip(NAMES, _rig_u_mm(rig, seen.figure), strict=True))
    u = {name: float(np.hypot(np.hypot(reading_u_mm, u_rig[name]), rig.scale_u * lengths[name])) for name in off}
    if seen.closure.worst_mm > seen.allowed_mm:
        told = f"light lands up to {seen.closure.worst_mm:.2f} mm from where it was sent"
        return Verdict(("rig",), f"{told}: something moved, run chalkbeam realign", off, u)
    if not off:
        return Verdict((), "the loop closes; read a, b and c with your own ruler to check the scale as well", off, u)
    return _of_readings(lengths, off, u, np.hypot(reading_u_mm, max(u_rig.values())))


def _of_readings(lengths: Mapping[str, float], off: dict[str, float], u: dict[str, float], own_u_mm: float) -> Verdict:
    """One ratio that explains all readings is a matter of scale; what it leaves is a matter of one reading."""
    size, away = np.array([lengths[name] for name in off]), np.array(list(off.values()))
    ratio = float(size @ away / (size @ size))
    left = dict(zip(off, np.abs(away - ratio * size), strict=True))
    worst = max(left, key=lambda name: left[name])
    if len(off) > 1 and left[worst] > SURE * own_u_mm:
        return Verdict(("reading",), f"{worst} does not go with the others: read it again, from cross to cross", off, u)
    if any(abs(off[name]) > SURE * u[name] for name in off):
        told = f"your ruler reads {100 * abs(ratio):.2f} % {'more' if ratio > 0 else 'less'} than sheet and rig say"
        return Verdict(("scale",), f"{told}: read the sheet's bars with this ruler and calibrate again", off, u)
    return Verdict((), "ruler, sheet and rig agree", off, u)


def _rig_u_mm(rig: Rig, figure: Figure) -> list[float]:
    """Standard uncertainty of each side as the projector draws it, the scale aside."""
    device = rig.projector or rig.camera
    corners = figure.corners_mat_mm
    sides = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
    return [length_budget(device, ends, 0.0, 0.0, 0.0, 0.0).rig_mm for ends in sides]


def verdict_keys(rig: Rig, seen: Seen, verdict: Verdict) -> Event:
    """The keys of the event that tells how the figure was seen and read. Lengths are mm."""
    keys: Event = {
        "lengths_mm": _by_name(seen.figure.lengths_mm),
        "seen_mm": _by_name(seen.seen_mm),
        "closure_mm": round(seen.closure.rms_mm, MM_PLACES),
        "closure_worst_mm": round(seen.closure.worst_mm, MM_PLACES),
        "corners_mat_mm": np.round(seen.figure.corners_mat_mm, MM_PLACES).tolist(),
        "scale_u": rig.scale_u,
        "agree": not verdict.odd,
        "odd": list(verdict.odd),
        "words": verdict.words,
    }
    if verdict.off_mm:
        keys |= {"off_mm": _by_name(verdict.off_mm), "off_u_mm": _by_name(verdict.u_mm)}
    return keys


def _by_name(values: Mapping[str, float] | Floats) -> dict[str, float]:
    named = values if isinstance(values, Mapping) else dict(zip(NAMES, values.tolist(), strict=True))
    return {name: round(float(value), MM_PLACES) for name, value in named.items()}

"""One's own block: a drawing put right, scaled to the finished size, and sewn with as few set-in seams as are found."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from projector.piecing.drawing.drawn import MOST_PATCHES, Drawing, DrawingError
from projector.piecing.drawing.faults import Fault, apart, crossing, gaps, overlaps, tjoints
from projector.piecing.drawing.straightening import tidied
from projector.piecing.patchwork.mesh import Mesh, mesh_of
from projector.piecing.patchwork.order import sewn
from projector.piecing.patchwork.patches import Block, Disc, Patch, area_mm2, joins_of
from projector.piecing.patchwork.pressing import pressed
from projector.piecing.patchwork.stages import SewingError
from projector.piecing.plans import OwnDisc, OwnPatch

Floats = NDArray[np.float64]

TOLERANCE = 1e-3  # of the block's larger size: corners closer than that were meant to be one (0.2 mm of 200 mm)
SLIT = 25.0  # tolerances: a bay of the rim narrower than that was not meant to be there
LEAST_FINISH_MM, MOST_FINISH_MM = 1.0, 10_000.0
LARGEST_MM = 100_000.0  # of a drawing
_VISIBLE_MM = 1e-3
_MOST_TOLD = 3


@dataclass(frozen=True, slots=True)
class Recognised:
    """Patches and discs at the finished size, and what the person should know of the drawing, line by line."""

    patches: tuple[OwnPatch, ...]
    discs: tuple[OwnDisc, ...]
    notes: tuple[str, ...]


def recognised(drawing: Drawing, finish_mm: float) -> Recognised:
    """The patches of a drawing, put right and scaled until the whole is `finish_mm` wide.

    Raises
    ------
    DrawingError
        Patches that are no simple polygons, overlap, leave gaps, lie apart or in one another.
    """
    if not LEAST_FINISH_MM <= finish_mm <= MOST_FINISH_MM:  # also NaN
        raise drawing.wrong(f"a finished size of {finish_mm:g} mm; it must be 1 mm to 10 m")
    polygons = _polygons(drawing)
    low = np.min([polygon.min(axis=0) for polygon in polygons], axis=0)
    size = np.max([polygon.max(axis=0) for polygon in polygons], axis=0) - low
    if not (size.min() > 0.0 and size.max() / size.min() < 1e4):
        raise drawing.wrong("all corners lie in one line; draw patches that have an area")
    factor = finish_mm / float(size[0])
    tolerance = TOLERANCE * factor * float(size.max())
    view = _View(drawing, factor, low)
    scaled = [(polygon - low) * factor for polygon in polygons]
    view.check_each(scaled, tolerance)
    view.check_overlaps(scaled, overlaps(scaled, tolerance))
    tidy = tidied(scaled, tolerance)
    rounded = _placed(tidy.polygons_mm, finish_mm)
    discs = tuple(_disc(disc, factor, low) for disc in drawing.discs)
    mesh = view.check_whole(rounded, discs, tolerance)
    patches = tuple(
        replace(patch, corners_mm=tuple((float(x), float(y)) for x, y in polygon))
        for patch, polygon in zip(drawing.patches, rounded, strict=True)
    )
    return Recognised(patches, discs, (*drawing.left_out, *view.notes(mesh, tidy.moved_mm)))


def _placed(polygons_mm: Sequence[Floats], finish_mm: float) -> list[Floats]:
    """Polygons with the lower left of all at the origin, all together `finish_mm` wide, to a millionth of a mm."""
    low = _low(polygons_mm)
    wide = max(float(polygon[:, 0].max()) for polygon in polygons_mm) - float(low[0])
    return [np.round((polygon - low) * (finish_mm / wide), 6) + 0.0 for polygon in polygons_mm]


def _low(polygons_mm: Sequence[Floats]) -> Floats:
    """(2,) the lower left of all corners."""
    return np.asarray(np.min([polygon.min(axis=0) for polygon in polygons_mm], axis=0))


def own_block(name: str, patches: Sequence[OwnPatch], discs: Sequence[OwnDisc]) -> Block:
    """The block of recognised patches, its sewing order found and its seams pressed.

    Raises
    ------
    DrawingError
        No order of sewing is found.
    """
    cloth = [Patch(patch.fabric, np.array(patch.corners_mm, float), patch.grain_rad) for patch in patches]
    mesh = mesh_of([patch.corners_mm for patch in cloth])
    try:
        outline = max(mesh.boundaries(range(len(cloth))), key=lambda ring: area_mm2(mesh.nodes_mm[list(ring)]))
        laid = tuple(Disc(disc.fabric, disc.middle_mm, disc.radius_mm) for disc in discs)
        return pressed(Block(name, sewn(cloth), mesh.corners_mm(outline), laid))
    except SewingError as error:
        raise DrawingError(str(error)) from None
    except ValueError:
        what = "no seam from rim to rim parts these patches: some lie around others"
        raise DrawingError(f"{name}: {what}; part one of those around by a seam to the rim") from None


def set_in_notes(block: Block, finish_mm: float, drawing: Drawing) -> list[str]:
    """Which seams must be set in, and where, in words; none if straight seams do."""
    _, low, factor = _frame(drawing, finish_mm)
    bent = [join for join in joins_of(block.piece) if len(join.set_in_mm)]
    if not bent:
        return []
    places = [place for join in bent for place in join.set_in_mm]
    told = "; ".join(drawing.place(place / factor + low) for place in places[:_MOST_TOLD])
    more = f" and {len(places) - _MOST_TOLD} more" if len(places) > _MOST_TOLD else ""
    many = "1 seam" if len(bent) == 1 else f"{len(bent)} seams"
    return [f"straight seams alone do not sew it: {many} must be set in, at {told}{more}"]


def _polygons(drawing: Drawing) -> list[Floats]:
    """Corners (N, 2) of each patch, counter-clockwise."""
    if not drawing.patches:
        raise drawing.wrong("no patches are in it; draw closed shapes with straight sides, each filled")
    if len(drawing.patches) > MOST_PATCHES:
        raise drawing.wrong(f"{len(drawing.patches)} patches are too many; at most {MOST_PATCHES} are taken")
    polygons = []
    for number, patch in enumerate(drawing.patches):
        corners = np.array(patch.corners_mm, float)
        if not (np.all(np.isfinite(corners)) and np.all(np.abs(corners) <= LARGEST_MM)):
            raise drawing.wrong(f"{drawing.patch(number)} has a corner beyond 100 m; draw it smaller")
        polygons.append(corners[::-1] if area_mm2(corners) < 0.0 else corners)
    return polygons


def _frame(drawing: Drawing, finish_mm: float) -> tuple[list[Floats], Floats, float]:
    polygons = _polygons(drawing)
    low = _low(polygons)
    wide = max(float(polygon[:, 0].max()) for polygon in polygons) - float(low[0])
    return polygons, low, finish_mm / wide


def _disc(disc: OwnDisc, factor: float, low: Floats) -> OwnDisc:
    x, y = (np.array(disc.middle_mm) - low) * factor
    return OwnDisc(disc.fabric, (round(float(x), 6), round(float(y), 6)), round(disc.radius_mm * factor, 6))


@dataclass(frozen=True, eq=False, slots=True)
class _View:
    """What is found at the finished size, told in the drawing's own frame."""

    drawing: Drawing
    factor: float
    low: Floats

    def at(self, place_mm: Sequence[float]) -> str:
        return self.drawing.place(np.array(place_mm) / self.factor + self.low)

    def length(self, value_mm: float) -> str:
        return self.drawing.length(value_mm / self.factor)

    def check_each(self, polygons: Sequence[Floats], tolerance: float) -> None:
        for number, corners in enumerate(polygons):
            name, where = self.drawing.patch(number), f"at {self.at(corners[0])}"
            crossed = crossing(corners)
            if crossed is not None:
                do = "give its corners in order around it"
                raise self.drawing.wrong(f"{name} crosses itself at {self.at(crossed)}; {do}")
            sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
            if sides.min() < 2.0 * tolerance:
                short = self.at(corners[int(np.argmin(sides))])
                least = self.length(2.0 * tolerance)
                raise self.drawing.wrong(
                    f"{name} has a side of {self.length(float(sides.min()))} at {short}; the least is {least}"
                )
            if area_mm2(corners) < tolerance * float(sides.max()):
                raise self.drawing.wrong(f"{name} {where} is a sliver without area; take it out or widen it")

    def check_overlaps(self, polygons: Sequence[Floats], found: Sequence[Fault]) -> None:
        if not found:
            return
        fault = found[0]
        one, other = (self.drawing.patch(number) for number in fault.patches)
        for inner, outer in (fault.patches, fault.patches[::-1]):
            if fault.area_mm2 > 0.999 * area_mm2(polygons[inner]):
                name, around = self.drawing.patch(inner), self.drawing.patch(outer)
                do = "patches lie beside each other: take out a background, or part what lies around"
                raise self.drawing.wrong(f"{name} at {self.at(fault.place_mm)} lies within {around}; {do}")
        size = f"by {self._size(fault)} at {self.at(fault.place_mm)}"
        raise self.drawing.wrong(f"{one} and {other} overlap {size}{self._more(found)}; patches lie beside each other")

    def check_whole(self, polygons: Sequence[Floats], discs: Sequence[OwnDisc], tolerance: float) -> Mesh:
        for number, corners in enumerate(polygons):
            if len(corners) < 3 or crossing(corners) is not None:
                where = self.at(corners[0])
                raise self.drawing.wrong(
                    f"{self.drawing.patch(number)} at {where} is too narrow to be told; draw it larger"
                )
        self.check_overlaps(polygons, overlaps(polygons, 0.0))
        mesh = mesh_of(polygons)
        groups = apart(mesh)
        if len(groups) > 1:
            lone = groups[-1][0]
            raise self.drawing.wrong(
                f"{self.drawing.patch(lone)} at {self.at(polygons[lone].mean(axis=0))} touches none of the others "
                f"along a side; move it up to them{self._count(len(groups) - 2, 'part', ' (', ' too)')}"
            )
        found = gaps(mesh, SLIT * tolerance)
        if found:
            fault = found[0]
            names = " and ".join(self.drawing.patch(number) for number in fault.patches[:2])
            between = f"between {names}" if names else "at the rim"
            under = any(math.dist(disc.middle_mm, fault.place_mm) < disc.radius_mm for disc in discs)
            do = "let the patches meet beneath the disc" if under else "let their sides meet, or draw a patch there"
            raise self.drawing.wrong(
                f"a gap of {self._size(fault)} {between} at {self.at(fault.place_mm)}{self._more(found)}; {do}"
            )
        high = np.max([polygon.max(axis=0) for polygon in polygons], axis=0)
        for disc in discs:
            x, y = disc.middle_mm
            if not (0.0 <= x <= high[0] and 0.0 <= y <= high[1] and 2.0 * disc.radius_mm <= float(high.max())):
                raise self.drawing.wrong(f"a disc at {self.at(disc.middle_mm)} lies beyond the patches; lay it on them")
        return mesh

    def notes(self, mesh: Mesh, moved_mm: float) -> list[str]:
        lines = []
        if moved_mm > _VISIBLE_MM:
            lines.append(
                f"corners were moved by up to {moved_mm:.2f} mm of the finished block to meet their neighbours"
            )
        joints = tjoints(mesh)
        if joints:
            told = "; ".join(
                f"{self.at(one.place_mm)}, {self.length(one.from_end_mm)} from a corner of "
                f"{self.drawing.patch(one.patch)}"
                for one in joints[:_MOST_TOLD]
            )
            more = f"; and {len(joints) - _MOST_TOLD} more" if len(joints) > _MOST_TOLD else ""
            many = "1 corner lies" if len(joints) == 1 else f"{len(joints)} corners lie"
            lines.append(f"{many} on the side of another patch (T-joints): {told}{more}")
        return lines

    def _size(self, fault: Fault) -> str:
        return f"{self.length(fault.long_mm)} x {self.length(fault.wide_mm)}"

    def _more(self, found: Sequence[Fault]) -> str:
        places = ", ".join(self.at(fault.place_mm) for fault in itertools.islice(found, 1, _MOST_TOLD))
        return f" (more: {places}{', ...' if len(found) > _MOST_TOLD else ''})" if places else ""

    @staticmethod
    def _count(count: int, word: str, before: str, after: str) -> str:
        return f"{before}{count} more {word}{'s' if count > 1 else ''}{after}" if count > 0 else ""

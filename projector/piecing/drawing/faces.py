"""A drawing of mere lines: the faces they enclose are the patches."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString, Point, STRtree

from projector.piecing.drawing.drawn import MOST_CORNERS, MOST_PATCHES, Drawing, DrawingError
from projector.piecing.plans import OwnPatch, Place

NEAR = 1e-3  # of the drawing's larger size: an end so near to a line was meant to lie on it
_MOST_PIECES = 10_000  # of straight line
_MOST_MEETINGS = 60_000  # of lines; a block of 2,000 patches has fewer
_AT_ONCE = 64


def faces_of(lines: Sequence[Sequence[Place]], words: Sequence[tuple[str, Place]], file: str) -> tuple[OwnPatch, ...]:
    """The faces between lines, each of the fabric that a word inside it names, else of "cloth".

    Lines end on one another or cross; an end that misses another line by less than `NEAR` of the drawing is led to it.

    Raises
    ------
    DrawingError
        Nothing is enclosed, too many lines, or a line that ends within a patch.
    """
    pieces = [(a, b) for line in lines for a, b in itertools.pairwise(line) if a != b]
    if len(pieces) > _MOST_PIECES:
        raise DrawingError(
            f"{file}: {len(pieces)} lines are too many; draw one block of at most {MOST_PATCHES} patches"
        )
    ends = np.array(pieces).reshape(-1, 2)
    if not np.all(np.isfinite(ends)) or not np.all(np.abs(ends) <= 100_000.0):
        raise DrawingError(f"{file}: a line reaches beyond 100 m; draw it smaller")
    near = NEAR * float(np.max(np.ptp(ends, axis=0)))
    _few_meetings([LineString(piece) for piece in pieces], file)
    joined = _led_on(pieces, near)
    noded = shapely.unary_union([LineString(piece) for piece in joined])
    polygons, cuts, dangles, _ = shapely.polygonize_full(shapely.get_parts(noded))
    whole = Drawing(file, "", (), y_down=True)
    for loose in (*shapely.get_parts(cuts), *shapely.get_parts(dangles)):
        if loose.length > 2.0 * near:
            (x, y), *_ = loose.coords
            raise DrawingError(
                f"{file}: a line of {whole.length(loose.length)} at {whole.place((x, y))} parts no two patches; "
                "lead it on to the next line, or take it out"
            )
    faces = [face for face in shapely.get_parts(polygons) if not face.buffer(-near).is_empty]
    if len(faces) > MOST_PATCHES:
        raise DrawingError(f"{file}: {len(faces)} patches are too many; at most {MOST_PATCHES} are taken")
    tree = STRtree(faces)
    named: dict[int, str] = {}
    for word, place in words:
        for number in tree.query(Point(place), predicate="within"):
            named.setdefault(int(number), word)
    patches = []
    for number, face in enumerate(faces):
        x, y = face.representative_point().coords[0]
        if len(face.interiors):
            raise DrawingError(
                f"{file}: a patch at {whole.place((x, y))} lies around others; part it by a line to its rim"
            )
        corners = np.array(face.simplify(1e-9 * near).exterior.coords)[:-1]
        if len(corners) > MOST_CORNERS:
            where = f"a patch at {whole.place((x, y))}"
            raise DrawingError(f"{file}: {where} has more than {MOST_CORNERS} corners; draw it as several")
        patches.append(OwnPatch(named.get(number, "cloth"), tuple((float(a), float(b)) for a, b in corners)))
    if not patches:
        raise DrawingError(f"{file}: its lines enclose no patch; let them meet, or draw filled shapes")
    return tuple(patches)


def _few_meetings(lines: list[LineString], file: str) -> None:
    """Refuse drawings whose lines meet so often that no block can be meant."""
    tree, count = STRtree(lines), 0
    for first in range(0, len(lines), _AT_ONCE):
        count += len(tree.query(lines[first : first + _AT_ONCE], predicate="intersects")[0])
        if count > _MOST_MEETINGS:
            raise DrawingError(f"{file}: lines that meet too often; draw one block of at most {MOST_PATCHES} patches")


def _led_on(pieces: Sequence[tuple[Place, Place]], near: float) -> list[list[Place]]:
    """Pieces of line, each led through the ends of others that lie near to it; ends near each other made one."""
    place_of = _together([end for piece in pieces for end in piece], near)
    ends = sorted(set(place_of.values()))
    tree = STRtree([Point(end) for end in ends])
    led = []
    for a, b in pieces:
        start, end = place_of[a], place_of[b]
        if start == end:
            continue
        line = LineString([start, end])
        inner = [ends[int(k)] for k in tree.query(line, predicate="dwithin", distance=near)]
        inner = [one for one in inner if math.dist(one, start) > near and math.dist(one, end) > near]
        inner.sort(key=lambda one: line.project(Point(one)))
        led.append([start, *inner, end])
    return led


def _together(ends: Sequence[Place], near: float) -> dict[Place, Place]:
    """Each end, and the first end that lies near to it."""
    points = [Point(end) for end in ends]
    tree, place_of = STRtree(points), dict[Place, Place]()
    for end, point in zip(ends, points, strict=True):
        if end not in place_of:
            for k in tree.query(point, predicate="dwithin", distance=near):
                place_of.setdefault(ends[int(k)], end)
    return place_of

"""Where to lay the sheet next, so that a few views tell the camera all over the mat. Rough is enough.

Everything is in the frame of the first sheet, which was laid upright as the person stands: x right, y away. The way
there is the first view's homography, after a wide lens's barrel is taken out as far as that view shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from calibration.mat.frame import NotFound, find_mat_frame
from calibration.pinhole import Lens, Pinhole
from calibration.sheet.barrel import Barrel, barrel_of
from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]

KEPT_MM = 18.0  # of sheet around its outermost corners, which must be in the picture too
USUAL_FOCAL = 0.9  # over the picture's width, of webcams; for a plane seen nearly from above it matters little
MAT_INSET_MM = 5.0
FURTHEST_MM = 1500.0  # nobody's mat reaches further; past a tilted camera's horizon there are no millimetres
CELLS = 40  # along its longer side, at which coverage is counted
REACH_MM = 80.0  # around a sheet, that its view still tells of: a lens is smooth over half a sheet
NEAR_MM = 25.0  # a place counts as taken where a sheet comes so near to its outermost point
TURNS_RAD = tuple(np.radians([0.0, 90.0, 180.0, 270.0]))  # turned sheets tell how the printer stretched
# Flat places in order: where in the field (shares of half of it), and the turn. A lens is told worst in the corners of
# what it sees, so they come first; along the rim the sheet's long side lies along it.
FLATS = (
    ((-1.0, 1.0), 0),
    ((1.0, 1.0), 1),
    ((1.0, -1.0), 2),
    ((-1.0, -1.0), 3),
    ((0.0, 1.0), 0),
    ((0.0, -1.0), 2),
    ((-1.0, 0.0), 1),
    ((1.0, 0.0), 3),
    ((0.0, 0.0), 0),
)
TILT_RAD = np.radians(22.0)
# Middle's offset as shares of half the field, turn, and the edge to lift as the person stands.
TILTS = (
    ((-0.15, 0.0), 0.0, "left"),
    ((0.0, -0.15), 0.0, "far"),
    ((0.15, 0.1), 90.0, "right"),
    ((0.0, 0.15), 180.0, "near"),
    ((-0.15, 0.15), 270.0, "left"),
    ((0.15, -0.1), 90.0, "far"),
)
TURN_WORDS = ("upright", "turned a quarter to the left", "upside down", "turned a quarter to the right")


@dataclass(frozen=True, eq=False, slots=True)
class Lift:
    """Which edge of the sheet to raise, as the person stands, and by about how much."""

    edge: str  # left, right, near, far
    mm: float


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """Where the print should come to lie."""

    corners_sheet_mm: Floats  # (4, 2) counter-clockwise from the print's own lower left, in the first sheet's frame
    words: str  # "at the far left corner, turned a quarter to the left"
    lift: Lift | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """The part of the table that can be calibrated, as the first view of the sheet tells it."""

    camera_from_sheet: Floats  # (3, 3) homography, the first sheet's frame (mm) to camera pixels, barrel taken out
    barrel: Barrel
    outline: shapely.Polygon  # in the first sheet's frame, mm
    size_mm: tuple[float, float]  # of the print
    hang_mm: float  # by which a flat print may lie beyond the outline, or must keep from it where negative

    def camera_px(self, points_sheet_mm: Floats) -> Floats:
        """Points (N, 2) of the first sheet's frame as the camera sees them, roughly, (N, 2)."""
        return self.barrel.bent(_mapped(self.camera_from_sheet, points_sheet_mm))

    def sheet_mm(self, points_px: Floats) -> Floats:
        """The way back."""
        return _mapped(np.asarray(np.linalg.inv(self.camera_from_sheet), float), self.barrel.straight(points_px))


def _mapped(homography: Floats, points: Floats) -> Floats:
    p = np.asarray(points, float) @ homography[:, :2].T + homography[:, 2]
    return np.asarray(p[:, :2] / p[:, 2:])


def field_of(
    first: SheetView, size_mm: tuple[float, float], size_px: tuple[int, int], *within_px: Floats | None
) -> Field:
    """What the camera sees of the table.

    Parameters
    ----------
    first : SheetView
        The first sheet, upright as the person stands; 4 corners or more, not in a line.
    size_mm : (float, float)
        Width and height of the print.
    size_px : (int, int)
        Of the camera's picture.
    within_px : (M, 2) or None, any number of them
        Outlines in camera pixels of what the projector lights and of the mat: what lies outside needs no
        calibration, and a sheet that hangs over a mat's border bends.
    """
    barrel = barrel_of(first, size_px)
    found, _ = cv2.findHomography(first.corners_sheet_mm, barrel.straight(first.corners_px))
    if found is None:
        raise ValueError("the corners of the first view lie in a line")
    homography = np.asarray(found, float)
    common = _picture_mm(homography, barrel, size_px)
    for outline_px in within_px:
        if outline_px is None:
            continue
        part = common.intersection(
            _hull(_mapped(np.asarray(np.linalg.inv(homography), float), barrel.straight(outline_px)))
        )
        if isinstance(part, shapely.Polygon) and part.area > size_mm[0] * size_mm[1]:
            common = part
    return Field(homography, barrel, common, size_mm, _hang_mm(first, size_mm))


def _hang_mm(first: SheetView, size_mm: tuple[float, float]) -> float:
    """How far a print may lie beyond the field, its corners being seen all the same; paper droops little there."""
    beside = [*first.corners_sheet_mm.min(axis=0), *(np.array(size_mm) - first.corners_sheet_mm.max(axis=0))]
    return float(min(beside)) - KEPT_MM


def rough_mat_px(bare: NDArray[np.uint8], first: SheetView, size_px: tuple[int, int]) -> Floats | None:
    """The mat's outline (4, 2) in camera pixels before the lens is known, by a usual lens; None where it is not seen.

    `bare` shows the table in the same pose of the camera as the first sheet; that a sheet lies on it does not matter.
    """
    width, height = size_px
    lens = Lens(size_px, (USUAL_FOCAL * width, USUAL_FOCAL * width), ((width - 1) / 2, (height - 1) / 2))
    points = np.column_stack([first.corners_sheet_mm, np.zeros(len(first.ids))])
    good, turns, move = cv2.solvePnP(points, first.corners_px, lens.matrix, None)
    if not good:
        return None
    camera = Pinhole(lens, np.asarray(cv2.Rodrigues(turns)[0], float), np.ravel(move).astype(float))
    found = find_mat_frame(bare, camera, first.corners_sheet_mm.mean(axis=0))
    if isinstance(found, NotFound) or found.size_mm is None:
        return None
    (w, h), inset = found.size_mm, MAT_INSET_MM
    corners = np.array([[inset, inset], [w - inset, inset], [w - inset, h - inset], [inset, h - inset]])
    return np.asarray(camera.px_from_mat(found.rig_from_mat(corners)))


def _picture_mm(homography: Floats, barrel: Barrel, size_px: tuple[int, int]) -> shapely.Polygon:
    """The camera's picture on the table, as far as anybody's mat reaches."""
    x, y = np.meshgrid(np.linspace(0.0, size_px[0] - 1.0, 33), np.linspace(0.0, size_px[1] - 1.0, 19))
    inverse = np.linalg.inv(homography)
    inverse /= np.sign(inverse[2] @ np.linalg.solve(inverse, [0.0, 0.0, 1.0]))  # the sheet itself is before the lens
    straight = barrel.straight(np.column_stack([x.ravel(), y.ravel()]))
    points = np.column_stack([straight, np.ones(x.size)]) @ inverse.T
    ahead = points[:, 2] > 1e-9
    places = points[ahead, :2] / points[ahead, 2:]
    near = places[np.hypot(*places.T) < FURTHEST_MM]
    return _hull(near)


def _hull(points: Floats) -> shapely.Polygon:
    hull = shapely.MultiPoint(points).convex_hull
    return hull if isinstance(hull, shapely.Polygon) else shapely.Polygon()


def next_flat(field: Field, seen: Sequence[Floats]) -> Place | None:
    """The flat place that was taken least often by the sheets seen, (4, 2) outlines; None where none is in the picture.

    Corners come first, then the rim, then the middle: so fewer than nine views still tell what a lens hides best.
    """
    tried = [(way, quarter, _furthest(field, way, quarter)) for way, quarter in FLATS]
    places = [
        (_taken(_corners(middle, field.size_mm, TURNS_RAD[quarter]), way, seen), way, quarter)
        for way, quarter, middle in tried
        if middle is not None
    ]
    if not places:
        return None
    times, way, quarter = min(places, key=lambda one: one[0])
    for turned in ((quarter + times) % len(TURNS_RAD), quarter):
        middle = _furthest(field, way, turned)
        if middle is not None:
            return _place(field, middle, turned)
    return None


def _furthest(field: Field, way: tuple[float, float], quarter: int) -> Floats | None:
    """The middle (2,) of a flat sheet that lies as far that way as it may; None where there is no room."""
    room = _room(field, quarter)
    if room.is_empty:
        return None
    ahead, right = (1.0 + way[1]) / 2, (1.0 + way[0]) / 2
    wanted = np.array([1.0 - ahead, ahead]) @ np.einsum("ijk,j->ik", _four_corners(field.outline), [1.0 - right, right])
    return np.array(shapely.shortest_line(room, shapely.Point(wanted)).coords[0])


def _four_corners(outline: shapely.Polygon) -> Floats:
    """The outline's own corners as the person stands, (2, 2, 2): near and far, left and right, x and y."""
    x0, y0, x1, y1 = outline.bounds
    points = np.array(outline.exterior.coords)
    shares = (points - [x0, y0]) / [x1 - x0, y1 - y0]
    ways = np.array([[(-1.0, -1.0), (1.0, -1.0)], [(-1.0, 1.0), (1.0, 1.0)]])
    return np.asarray(points[np.argmax(np.einsum("ijk,nk->ijn", ways, shares), axis=-1)])


def _room(field: Field, quarter: int) -> shapely.Polygon:
    """Where the middle of a flat sheet may lie: the outline moved back by each of its four corners, what is common."""
    corners = _corners(np.zeros(2), field.size_mm, TURNS_RAD[quarter], -field.hang_mm)
    room = shapely.intersection_all([affinity.translate(field.outline, *-corner) for corner in corners])
    return room if isinstance(room, shapely.Polygon) else shapely.Polygon()


def _taken(place: Floats, way: tuple[float, float], seen: Sequence[Floats]) -> int:
    """How many of the sheets seen come near the outermost corner of a place, or the middle of its outermost edge."""
    out = (place - place.mean(axis=0)) @ np.array(way)
    outermost = shapely.Point(place[out > out.max() - 1e-6].mean(axis=0))
    return sum(shapely.Polygon(outline).distance(outermost) < NEAR_MM for outline in seen)


def next_tilted(field: Field, n: int) -> Place:
    """The n-th tilted view, from 0: about the middle, another edge lifted each time."""
    (across, up), turn_deg, edge = TILTS[n % len(TILTS)]
    x0, y0, x1, y1 = field.outline.bounds
    centre = field.outline.centroid
    middle = np.array([centre.x + across * (x1 - x0) / 2, centre.y + up * (y1 - y0) / 2])
    quarter = round(turn_deg / 90.0)
    width, height = field.size_mm[::-1] if quarter % 2 else field.size_mm
    rise = (width if edge in ("left", "right") else height) * float(np.sin(TILT_RAD))
    place = _place(field, middle, quarter)
    return Place(place.corners_sheet_mm, place.words, Lift(edge, 10.0 * round(rise / 10.0)))


def covered(field: Field, seen: Sequence[Floats]) -> float:
    """The share of the field that sheets (4, 2) tell of, 0 to 1."""
    cells = _grid(field.outline)
    if not len(cells) or not seen:
        return 0.0
    union = shapely.unary_union([shapely.Polygon(outline).buffer(REACH_MM) for outline in seen])
    return float(shapely.contains_xy(union, cells).mean())


def outline_of(field: Field, view: SheetView) -> Floats:
    """(4, 2) where a view's print lies in the first sheet's frame, counter-clockwise from its own lower left."""
    width, height = field.size_mm
    found, _ = cv2.findHomography(view.corners_sheet_mm, field.sheet_mm(view.corners_px))
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    return _mapped(np.asarray(found, float), corners)


def _place(field: Field, middle_mm: Floats, quarter: int) -> Place:
    corners = _corners(middle_mm, field.size_mm, TURNS_RAD[quarter])
    over = "" if field.outline.contains(shapely.Polygon(corners)) else ", a little over the edge"
    return Place(corners, f"{where(field.outline, middle_mm)}{over}, {TURN_WORDS[quarter]}")


def where(outline: shapely.Polygon, middle_mm: Floats) -> str:
    """A place in words, as the person stands.

    >>> where(shapely.box(0, 0, 900, 600), np.array([130.0, 500.0]))
    'at the far left corner'
    """
    x0, y0, x1, y1 = outline.bounds
    across = _third((middle_mm[0] - x0) / (x1 - x0), ("left", "", "right"))
    away = _third((middle_mm[1] - y0) / (y1 - y0), ("near", "", "far"))
    if across and away:
        return f"at the {away} {across} corner"
    return f"at the {across or away} edge" if across or away else "in the middle"


def _third(share: float, words: tuple[str, str, str]) -> str:
    return words[int(np.clip(share * 3.0, 0, 2))]


def _corners(middle_mm: Floats, size_mm: tuple[float, float], turn_rad: float, margin_mm: float = 0.0) -> Floats:
    w, h = size_mm[0] / 2 + margin_mm, size_mm[1] / 2 + margin_mm
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    own = np.array([[-w, -h], [w, -h], [w, h], [-w, h]])
    return np.asarray(own @ np.array([[cos, sin], [-sin, cos]]) + middle_mm)


def _grid(outline: shapely.Polygon) -> Floats:
    x0, y0, x1, y1 = outline.bounds
    pitch = max(x1 - x0, y1 - y0) / CELLS
    x, y = np.meshgrid(np.arange(x0 + pitch / 2, x1, pitch), np.arange(y0 + pitch / 2, y1, pitch))
    points = np.column_stack([x.ravel(), y.ravel()])
    return np.asarray(points[shapely.contains_xy(outline, points)])

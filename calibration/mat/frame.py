"""The mat's own frame: its lower-left corner as the person stands, from its outline, its grid, or pointed corners.

The outline goes first, for a ruler is laid against a mat's border; where no border is in view the grid's lines
give direction and phase, and the lowest crossing in view to the left is the origin. Which side the person
stands on no picture of a mat tells: the first sheet was laid upright before them, so its y axis points away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.area import footprint_mat_mm
from calibration.mat.flatmap import Plane, linear
from calibration.mat.gridlines import Ruling, rulings, within
from calibration.mat.inplane import rig_in_plane, turn_matrix
from calibration.mat.outline import SIDES, Border, direction, flat_view, measured_border, rough_borders
from calibration.pinhole import Pinhole
from calibration.rig import Rig
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

QUARTER = np.pi / 2
MOST_SKEW_RAD = 0.03  # of pointed corners against a rectangle
MOST_MM = 1600.0  # from the middle: farther out nobody's mat ends
ON_BORDER_MM, ASKEW_RAD = 1.2, 0.003  # a line this near to a border, and as straight, is printed along it
CUT_U_MM, PRINT_U_MM = 0.3, 0.3  # straightness of a cut border; a grid's place on its mat
CORNER_U_MM = 1.0  # a corner is cut, and pointed at, about so well


@dataclass(frozen=True, slots=True)
class MatFrame:
    """Where the mat's frame lies in a rig's present frame."""

    x_mm: float  # its origin, the mat's lower-left corner
    y_mm: float
    turn_rad: float  # of its x axis, counter-clockwise
    how: str  # for people
    size_mm: tuple[float, float] | None  # of the mat, where all four borders are known
    u_mm: float  # of the origin, per axis
    u_rad: float

    def mat_from_rig(self, points_mm: Floats) -> Floats:
        """Points (N, 2) of the rig's frame in the mat's."""
        return np.asarray((points_mm - [self.x_mm, self.y_mm]) @ turn_matrix(self.turn_rad))

    def rig_from_mat(self, points_mat_mm: Floats) -> Floats:
        """The way back."""
        return np.asarray(points_mat_mm @ turn_matrix(self.turn_rad).T + [self.x_mm, self.y_mm])


@dataclass(frozen=True, slots=True)
class NotFound:
    """No frame, or no point, and what the person can do."""

    why: str
    do: str


def in_mat_frame(rig: Rig, frame: MatFrame) -> Rig:
    """The whole rig in the mat's frame; what it says of frame, mat and how they are known is renewed."""
    turn = turn_matrix(-frame.turn_rad)
    turned = rig_in_plane(rig, turn, -turn @ np.array([frame.x_mm, frame.y_mm]))
    return replace(turned, frame="mat", frame_how=frame.how, mat_mm=frame.size_mm)


def frame_from_corners(corners_px: Floats, camera: Pinhole) -> MatFrame | NotFound:
    """The frame from the mat's four corners (4, 2), pointed out in any order.

    The rig's present y axis says which side is far. Each direction is the mean of two opposite sides.
    """
    corners = camera.mat_from_px(np.asarray(corners_px, float))
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        return NotFound("a corner lies where the camera does not see the mat", "point out all four corners in view")
    hull = np.asarray(shapely.get_coordinates(shapely.MultiPoint(corners).convex_hull))[:-1]
    if len(hull) != 4:
        return NotFound("the four points make no rectangle", "point out the four corners of the mat")
    if not shapely.LinearRing(hull).is_ccw:
        hull = hull[::-1]
    sides = np.roll(hull, -1, axis=0) - hull
    angles = np.arctan2(sides[:, 1], sides[:, 0])
    skew = (angles - angles[0] - np.arange(4) * QUARTER + np.pi) % (2 * np.pi) - np.pi
    if np.ptp(skew) > 2 * MOST_SKEW_RAD:
        return NotFound("the four points make no rectangle", "point out the four corners of the mat")
    turn = upright(float(angles[0] + skew.mean()))
    return _of_corners(hull, turn, "four corners that you pointed out", CORNER_U_MM)


def upright(turn_rad: float) -> float:
    """The same direction of a rectangle's sides, within 45 degrees of the frame that the first sheet gave."""
    return float((turn_rad + QUARTER / 2) % QUARTER - QUARTER / 2)


def _of_corners(corners_mm: Floats, turn_rad: float, how: str, u_mm: float) -> MatFrame:
    """Sides' means give the size, and the origin follows from the middle."""
    own = corners_mm @ turn_matrix(turn_rad)  # along the mat's axes
    order = np.argsort(np.arctan2(*(own - own.mean(axis=0)).T[::-1]))  # counter-clockwise from the lower left
    a, b, c, d = own[order]
    width, depth = ((b - a + c - d) / 2)[0], ((d - a + c - b) / 2)[1]
    origin = turn_matrix(turn_rad) @ (own.mean(axis=0) - [width / 2, depth / 2])
    return MatFrame(
        float(origin[0]), float(origin[1]), turn_rad, how, (float(width), float(depth)), u_mm / 2, u_mm / float(width)
    )


def find_mat_frame(
    picture: Picture, camera: Pinhole, middle_mm: Floats, projector: Pinhole | None = None, tone: Tone = SRGB
) -> MatFrame | NotFound:
    """The frame from a picture of the bare mat.

    Parameters
    ----------
    picture : (h, w) or (h, w, 3) uint8
        Under even light; colour helps where the table is as bright as the mat.
    camera : Pinhole
        The solved camera, in the first sheet's frame: its y axis points away from the person.
    middle_mm : (2,)
        Some place that is surely on the mat, such as the middle of where the sheets lay, in that frame.
    projector : Pinhole, optional
        Where the even light comes from, so that its rim is not taken for the mat's; none under the room's light.
    tone : Tone
        Of the camera.

    Returns
    -------
    MatFrame by the outline where the left and the near border are seen, else by the grid; or NotFound.
    """
    light = linear(picture, tone)
    lit = None if projector is None else shapely.get_coordinates(footprint_mat_mm(projector))
    turn = _direction(light, camera, middle_mm, lit)
    box = _box(camera, turn, middle_mm)
    flat = flat_view(light, camera, box, turn, lit)
    rough = rough_borders(flat, middle_mm @ turn_matrix(turn))
    borders = _borders(light, camera, turn, rough, box)
    lines = rulings(within(flat, rough))
    if "left" in borders and "near" in borders:
        frame = _by_outline(borders, turn)
        return frame if lines is None else _on_lines(frame, *lines, turn)
    if lines is not None:
        return _by_grid(*lines, turn, box)
    lost = " and ".join(name for name in ("left", "near") if name not in borders)
    return NotFound(
        f"the mat's {lost} border does not stand out, and no grid is seen",
        "bring the whole mat into the camera's view on a table of another colour, or point out its corners",
    )


def _box(camera: Pinhole, turn: float, middle_mm: Floats) -> tuple[float, ...]:
    """What the camera sees of the plane, in turned axes, no farther than MOST_MM from the middle."""
    seen = shapely.get_coordinates(footprint_mat_mm(camera)) @ turn_matrix(turn)
    if not len(seen):
        seen = (middle_mm @ turn_matrix(turn))[None]
    middle = middle_mm @ turn_matrix(turn)
    low, high = np.maximum(seen.min(axis=0), middle - MOST_MM), np.minimum(seen.max(axis=0), middle + MOST_MM)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _direction(light: Plane, camera: Pinhole, middle_mm: Floats, lit_mm: Floats | None) -> float:
    """Of the mat's sides, from what is straight in the picture; the second time on a map that is nearly right."""
    turn = 0.0
    for _ in range(2):
        turn = upright(turn + direction(flat_view(light, camera, _box(camera, turn, middle_mm), turn, lit_mm)))
    return turn


def _borders(
    light: Plane, camera: Pinhole, turn: float, rough: dict[str, float], box: tuple[float, ...]
) -> dict[str, Border]:
    """Those that can be measured."""
    x0, y0, x1, y1 = box
    rows = rough.get("near", y0), rough.get("far", y1)
    columns = rough.get("left", x0), rough.get("right", x1)
    found = {
        name: measured_border(light, camera, turn, name, at, rows if name in SIDES[:2] else columns)
        for name, at in rough.items()
    }
    return {name: border for name, border in found.items() if border is not None}


def _by_outline(borders: dict[str, Border], turn: float) -> MatFrame:
    """Direction from all borders, longer and straighter ones counting more; origin where left and near one meet."""
    signs = {"left": -1.0, "right": -1.0, "near": 1.0, "far": 1.0}  # x = .. + slope * y turns the other way
    u2 = np.array([border.u_slope**2 + (CUT_U_MM / border.length_mm) ** 2 for border in borders.values()])
    slopes = np.array([signs[name] * border.slope for name, border in borders.items()])
    more = float(np.sum(slopes / u2) / np.sum(1.0 / u2))
    at = {
        name: _middle(name, border) @ turn_matrix(-more).T for name, border in borders.items()
    }  # along the mat's axes
    left, near = at["left"][0], at["near"][1]
    size = (at["right"][0] - left, at["far"][1] - near) if len(at) == 4 else None
    origin = turn_matrix(turn + more) @ np.array([left, near])
    u = max(np.hypot(borders[name].u_mm, CUT_U_MM) for name in ("left", "near"))
    names = ", ".join(name for name in SIDES if name in borders)
    return MatFrame(
        float(origin[0]),
        float(origin[1]),
        turn + more,
        f"the mat's outline ({names})",
        None if size is None else (float(size[0]), float(size[1])),
        float(u),
        float(1.0 / np.sqrt(np.sum(1.0 / u2))),
    )


def _on_lines(frame: MatFrame, x_lines: Ruling, y_lines: Ruling, turn: float) -> MatFrame:
    """The outline's frame moved onto lines printed along both borders, if there are such.

    A border that is seen from outside shows the mat's side as well, some tenths of a millimetre of it; a line
    does not. A grid that is inset or stands askew changes nothing.
    """
    at = np.array([frame.x_mm, frame.y_mm]) @ turn_matrix(turn)
    x = x_lines.phase_mm + x_lines.slope * (at[1] - x_lines.middle_mm)
    y = y_lines.phase_mm + y_lines.slope * (at[0] - y_lines.middle_mm)
    pitch = np.array([x_lines.pitch_mm, y_lines.pitch_mm])
    off = (np.array([x, y]) - at + pitch / 2) % pitch - pitch / 2
    more = turn + (y_lines.slope - x_lines.slope) / 2 - frame.turn_rad
    if np.abs(off).max() > ON_BORDER_MM or abs(more) > ASKEW_RAD:
        return frame
    origin = turn_matrix(turn) @ (at + off)
    u = float(np.hypot(max(x_lines.u_mm, y_lines.u_mm), PRINT_U_MM))
    how = f"{frame.how}, and the lines printed along it"
    return replace(frame, x_mm=float(origin[0]), y_mm=float(origin[1]), turn_rad=frame.turn_rad + more, how=how, u_mm=u)


def _middle(name: str, border: Border) -> Floats:
    return np.array([border.at_mm, border.middle_mm] if name in SIDES[:2] else [border.middle_mm, border.at_mm])


def _by_grid(x_lines: Ruling, y_lines: Ruling, turn: float, box: tuple[float, ...]) -> MatFrame:
    """Direction from both families; the origin is the lowest crossing in view to the left."""
    more = (y_lines.slope - x_lines.slope) / 2
    x = x_lines.phase_mm + x_lines.pitch_mm * np.ceil((box[0] - x_lines.phase_mm) / x_lines.pitch_mm)
    y = y_lines.phase_mm + y_lines.pitch_mm * np.ceil((box[1] - y_lines.phase_mm) / y_lines.pitch_mm)
    for _ in range(3):  # where the two lines meet
        x_at = x + x_lines.slope * (y - x_lines.middle_mm)
        y_at = y + y_lines.slope * (x - y_lines.middle_mm)
    origin = turn_matrix(turn) @ np.array([x_at, y_at])
    u = float(np.hypot(max(x_lines.u_mm, y_lines.u_mm), PRINT_U_MM))
    how = f"the mat's grid of {x_lines.nominal_mm:g} mm, from its lowest crossing in view to the left"
    span = max(box[2] - box[0], box[3] - box[1])
    return MatFrame(float(origin[0]), float(origin[1]), turn + more, how, None, u, u / span)

"""Measure a finished block: its outer corners and the tips of its star's points.

The outer corners come with the unit that was measured as any other piece of cloth. Each point's two edges are searched
from the block's middle (`tips`), then fitted together on native pixels (`wedge`), first on the part that the search has
seen, then up to the inner corners where neighbouring points meet, with the blur on which the clear points agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.blocks.tips import RoughTip, find_tips
from vision.blocks.wedge import Blur, WedgeFit, fit_wedge
from vision.comparing.expected import ExpectedStar
from vision.edge.picture import Picture
from vision.finding.mat import Scene
from vision.measure import Cloth, Trust
from vision.polygons import line_meeting, side_lengths
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

BLOCK_CLOTH = Cloth(0.8)  # a pressed block's top: seam allowances lie under all of it
NO_TRUST = Trust()
OTHER_SIZE = 0.05  # a side that is off by a greater share belongs to another block
CLEAR = 8.0  # contrast of points that tell the blur
BLUR_U_PX, CHROMA_U_PX = 0.03, 0.2
MOST_MOVED_MM = 8.0  # by the fit, of a tip as searched
MOST_U_MM = 2.0  # who is less sure of a tip has not measured it


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredBlock:
    """A square block with a star of n points.

    Corners are counter-clockwise from above; side 0 is the one whose direction is nearest to the mat's +x. Tips are
    counter-clockwise too; tip 0 is the first one met from a quarter of a point's share before side 0's direction.
    """

    corners_mat_mm: Floats  # (4, 2)
    corners_u_mm: Floats  # (4,) the greater axis of each corner's standard uncertainty
    tips_mat_mm: Floats  # (n, 2)
    tips_u_mm: Floats  # (n,) likewise
    distances_mm: Floats  # (n / 2,) from tip i to the opposite one, i + n / 2; for odd n (n,), to tip i + (n - 1) / 2
    distances_u_mm: Floats
    trouble: str | None = None  # as a unit's: why the picture is at fault

    @property
    def neighbours_mm(self) -> Floats:
        """(n,): from tip i to tip i + 1."""
        return side_lengths(self.tips_mat_mm)


def measure_block(
    scene: Scene,
    camera: Pinhole,
    unit: MeasuredUnit,
    expected: ExpectedStar,
    cloth: Cloth = BLOCK_CLOTH,
    trust: Trust = NO_TRUST,
) -> MeasuredBlock | None:
    """The block that `unit` is, or None where it is not of the expected size or shows no such star.

    `unit` must come from `measure_units` with the same `cloth` (its top's height moves all of it); call this for each
    unit of a picture whose plan expects a star, and treat the unit as any other where the answer is None.
    """
    if unit.trouble is not None or len(unit.corners_mat_mm) != 4:
        return None
    if float(np.max(np.abs(unit.sides_mm / expected.side_mm - 1.0))) > OTHER_SIZE:
        return None
    corners = unit.corners_mat_mm
    rough = find_tips(scene, camera, cloth.height_mm, corners, expected.points)
    fits = None if rough is None else _fitted(Picture.of(scene, camera, cloth.height_mm), rough)
    if fits is None:
        return None
    ahead = np.roll(corners, -1, axis=0) - corners
    roll = -int(np.argmax(ahead[:, 0] / np.hypot(*ahead.T)))
    corners, corners_u = np.roll(corners, roll, axis=0), np.roll(unit.corners_u_mm, roll)
    fits = _from_first(fits, corners)
    tips = np.array([fit.tip_mat_mm for fit in fits])
    covariances = [fit.covariance_mm2 for fit in fits]
    tips_u = np.array([_tip_u(fit, camera, cloth, trust) for fit in fits])
    distances, distances_u = _distances(tips, covariances, trust)
    trouble = "unsure" if float(tips_u.max()) > MOST_U_MM else None
    return MeasuredBlock(corners, corners_u, tips, tips_u, distances, distances_u, trouble)


def _fitted(picture: Picture, rough: Sequence[RoughTip]) -> list[WedgeFit] | None:
    """Every point's edges, in two passes; None where one cannot be fitted or runs away."""
    first = [fit_wedge(picture, tip.tip_mat_mm, np.array([tip.right_mat_mm, tip.left_mat_mm])) for tip in rough]
    found = [fit for fit in first if fit is not None]
    if len(found) < len(rough):
        return None
    blur, ends = _common_blur(found), _inner_corners(found)
    again = []
    for k, fit in enumerate(found):
        far = np.array([ends[k], ends[(k + 1) % len(ends)]])
        better = fit_wedge(picture, fit.tip_mat_mm, far, blur)
        if better is None or float(np.hypot(*(better.tip_mat_mm - rough[k].tip_mat_mm))) > MOST_MOVED_MM:
            return None
        again.append(better)
    return again


def _common_blur(fits: Sequence[WedgeFit]) -> Blur:
    """The blur on which the clear points agree: a print's own figures look like another blur."""
    clear = [fit.blur for fit in fits if fit.contrast > CLEAR]
    if len(clear) < 2:
        return Blur()
    luma, chroma = (float(np.median([getattr(blur, name) for blur in clear])) for name in ("luma_px", "chroma_px"))
    return Blur(luma, BLUR_U_PX, chroma, CHROMA_U_PX)


def _inner_corners(fits: Sequence[WedgeFit]) -> list[Floats]:
    """Before each point, counter-clockwise, the inner corner at which its right edge meets the one before's left."""
    corners = []
    for before, fit in zip([fits[-1], *fits[:-1]], fits, strict=True):
        a, b = before.tip_mat_mm, fit.tip_mat_mm
        meeting = line_meeting(a, a + before.along[1], b, b + fit.along[0])
        corners.append(meeting if meeting is not None else (a + b) / 2.0)
    return corners


def _from_first(fits: Sequence[WedgeFit], corners: Floats) -> list[WedgeFit]:
    """The tips, counter-clockwise, from the first one that `MeasuredBlock` names."""
    away = np.array([fit.tip_mat_mm for fit in fits]) - corners.mean(axis=0)
    ahead = corners[1] - corners[0]
    turns = np.arctan2(away[:, 1], away[:, 0]) - math.atan2(ahead[1], ahead[0]) + 0.5 * math.pi / len(fits)
    return [fits[i] for i in np.argsort(turns % (2.0 * math.pi))]


def _tip_u(fit: WedgeFit, camera: Pinhole, cloth: Cloth, trust: Trust) -> float:
    """Standard uncertainty of a tip along its worst direction: the fit's, the rig's and the cloth's height."""
    lean = float(np.hypot(*(fit.tip_mat_mm - camera.lens_mat_mm[:2]))) / float(camera.lens_mat_mm[2])
    own = float(np.linalg.norm(fit.covariance_mm2, 2))
    return math.sqrt(own + trust.rig_u_mm**2 + (lean * cloth.u_mm) ** 2)


def _distances(tips: Floats, covariances: Sequence[Floats], trust: Trust) -> tuple[Floats, Floats]:
    """From each tip to the opposite one, and their standard uncertainties; of an even number each pair once."""
    n = len(tips)
    distances, u = [], []
    for i in range(n // 2 if n % 2 == 0 else n):
        j = (i + n // 2) % n
        length = float(np.hypot(*(tips[j] - tips[i])))
        along = (tips[j] - tips[i]) / length
        own = float(along @ (covariances[i] + covariances[j]) @ along)
        distances.append(length)
        u.append(math.sqrt(own + 2.0 * trust.rig_u_mm**2 + (length * trust.scale_u) ** 2))
    return np.array(distances), np.array(u)

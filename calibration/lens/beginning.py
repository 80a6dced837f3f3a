"""Where the joint solve begins: OpenCV's calibration of the views, each by itself, brought into the mat frame."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.lens.bending import SHAPES
from calibration.lens.joint import Bundle
from calibration.pinhole import Lens, Pinhole
from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]

FEWEST_VIEWS = 3
SAME_PLACE = 0.02  # views closer than this share of the picture's width do not count as two
ONE_PLACE = 0.1  # views whose middles are all within this share of the picture's width are in one place
SPREAD = 0.5  # unless they fill this share of the picture's width or height
ROUGHLY = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 8, 1e-6)  # the joint solve does the rest
THOROUGHLY = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-9)
USUAL_FOCAL = 0.9  # over the picture's width, of webcams
NEAR_PX = 0.15  # RMS a point of a start that is near enough
STUCK = 3.0  # times the median view's error: its pose may be the wrong one of two
FEW_TERMS = cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST

THREE_CORNERS = np.array([[0.0, 0.0, 1.0], [200.0, 0.0, 1.0], [0.0, 150.0, 1.0]])  # sheet mm


class CalibrationError(Exception):
    """The views do not determine the device; the message says in one line what to do."""


def check_count(flat: Sequence[SheetView], tilted: Sequence[SheetView]) -> None:
    """Refuse too few views."""
    count = len(flat) + len(tilted)
    if not flat:
        raise CalibrationError("no view of the sheet lying flat; put it flat on the mat and take that picture")
    if count < FEWEST_VIEWS:
        raise CalibrationError(
            f"the sheet is seen in {count} pictures, {FEWEST_VIEWS} are needed; "
            "take it flat in several places, and tilted"
        )


def check_places(views: Sequence[SheetView], size_px: tuple[int, int]) -> None:
    """Refuse views that repeat one another, or that all show the sheet in one place."""
    places = np.array([_outline_px(view) for view in views])
    apart = np.abs(places[:, None] - places[None]).max(axis=-1) > SAME_PLACE * size_px[0]
    different = 0
    left = list(range(len(places)))
    while left:
        first = left[0]
        left = [i for i in left[1:] if apart[first, i]]
        different += 1
    if different < FEWEST_VIEWS:
        raise CalibrationError(
            f"the pictures show the sheet in {different} place{'s' if different > 1 else ''} only, "
            f"{FEWEST_VIEWS} are needed; move it about the mat, and tilt it"
        )
    middles = np.array([view.corners_px.mean(axis=0) for view in views])
    seen = np.ptp(np.concatenate([view.corners_px for view in views]), axis=0) / np.array(size_px)
    if np.ptp(middles, axis=0).max() < ONE_PLACE * size_px[0] and seen.max() < SPREAD:
        raise CalibrationError(
            "all pictures show the sheet in one place, and most of the picture is never seen; move it about the mat"
        )


def _outline_px(view: SheetView) -> Floats:
    """Three points of the sheet about where the view shows them, (6,): an affine map tells places well enough."""
    sheet = np.column_stack([view.corners_sheet_mm, np.ones(len(view.ids))])
    affine, _, rank, _ = np.linalg.lstsq(sheet, view.corners_px, rcond=1e-6)
    if rank < 3:
        raise CalibrationError(f"{view.name}: the corners seen lie in a line; show the whole sheet")
    return np.asarray(THREE_CORNERS @ affine).ravel()


def begin(
    flat: Sequence[SheetView], tilted: Sequence[SheetView], size_px: tuple[int, int], thickness_mm: float
) -> Bundle:
    """Zhang's method, by OpenCV. Where two terms of distortion fold the picture over, one is taken."""
    views = [*flat, *tilted]
    lens, turns, shifts = _by_opencv(views, size_px, FEW_TERMS)
    if folds(lens, views):
        lens, turns, shifts = _by_opencv(views, size_px, FEW_TERMS | cv2.CALIB_FIX_K2)
    return _in_mat_frame(lens, turns, shifts, len(flat), thickness_mm)


def folds(lens: Lens, views: Sequence[SheetView]) -> bool:
    """Whether the lens puts a ray further out nearer to the middle, within the corners that were seen."""
    px = np.concatenate([view.corners_px for view in views])
    away = (px - np.array(lens.centre_px)) / np.array(lens.focal_px)
    k1, k2, _, _, k3 = lens.distortion
    r = np.linspace(0.0, 5.0, 2001)
    rising = 1.0 + r**2 * (3.0 * k1 + r**2 * (5.0 * k2 + r**2 * 7.0 * k3)) > 0
    end = len(r) - 1 if rising.all() else int(np.argmin(rising))
    reach = r[end] * (1.0 + r[end] ** 2 * (k1 + r[end] ** 2 * (k2 + r[end] ** 2 * k3)))
    return bool(np.hypot(*away.T).max() > reach)


def _by_opencv(views: Sequence[SheetView], size_px: tuple[int, int], flags: int) -> tuple[Lens, Floats, Floats]:
    """The lens, and rotations (V, 3, 3) and shifts (V, 3) of all views."""
    objects = [np.column_stack([v.corners_sheet_mm, np.zeros(len(v.ids))]).astype(np.float32) for v in views]
    images = [v.corners_px.astype(np.float32) for v in views]
    try:
        matrix, distortion, turns, shifts = _nearest(objects, images, size_px, flags)
    except cv2.error as error:
        raise CalibrationError("the views do not determine the lens; tilt the sheet more") from error
    poses = zip(objects, images, turns, shifts, strict=True)
    misses = [_miss_px(px, np.asarray(cv2.projectPoints(o, w, t, matrix, distortion)[0])) for o, px, w, t in poses]
    for i in np.flatnonzero(np.array(misses) > STUCK * np.median(misses)):
        turns[i], shifts[i] = _other_pose(objects[i], images[i], matrix, distortion)
    k1, k2, p1, p2, k3 = np.ravel(distortion)[:5].tolist()
    focal, centre = (float(matrix[0, 0]), float(matrix[1, 1])), (float(matrix[0, 2]), float(matrix[1, 2]))
    rotations = np.array([cv2.Rodrigues(one)[0] for one in turns], float)
    return Lens(size_px, focal, centre, (k1, k2, p1, p2, k3)), rotations, shifts


def _nearest(
    objects: Sequence[NDArray[np.float32]], images: Sequence[NDArray[np.float32]], size_px: tuple[int, int], flags: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Matrix, distortion, turns (V, 3), shifts (V, 3) of the first of OpenCV's solutions near enough, or the nearest.

    Zhang's closed form knows no distortion: a wide lens's sheets towards the rim mislead it beyond return, and least
    squares then begin better with a usual lens.
    """
    (width, height), focal = size_px, USUAL_FOCAL * size_px[0]
    usual = np.array([[focal, 0.0, (width - 1) / 2], [0.0, focal, (height - 1) / 2], [0.0, 0.0, 1.0]])
    nearest, least = list[Floats](), np.inf
    for how, often in ((0, ROUGHLY), (cv2.CALIB_USE_INTRINSIC_GUESS, THOROUGHLY), (0, THOROUGHLY)):
        rms, *found = cv2.calibrateCamera(
            objects, images, size_px, usual.copy(), np.zeros(5), flags=flags | how, criteria=often
        )
        if rms < least or not nearest:
            nearest, least = [np.array(part, float) for part in found], rms
        if rms < NEAR_PX:
            break
    matrix, distortion, turns, shifts = nearest
    return matrix, distortion, turns.reshape(-1, 3), shifts.reshape(-1, 3)


def _miss_px(px: NDArray[np.float32], foretold: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(foretold.reshape(-1, 2) - px))))


def _other_pose(
    sheet: NDArray[np.float32], px: NDArray[np.float32], matrix: Floats, distortion: Floats
) -> tuple[Floats, Floats]:
    """The better of the two poses in which a plane looks nearly alike (T. Collins and A. Bartoli, 2014).

    A search for the pose may stop at the worse one; least squares do not lead from there to the better.
    """
    _, turns, shifts, misses = cv2.solvePnPGeneric(sheet, px, matrix, distortion, flags=cv2.SOLVEPNP_IPPE)
    best = int(np.argmin(np.ravel(misses)))
    return np.ravel(turns[best]).astype(float), np.ravel(shifts[best]).astype(float)


def _in_mat_frame(lens: Lens, rotations: Floats, shifts: Floats, flat: int, thickness_mm: float) -> Bundle:
    first, start = rotations[0], shifts[0]
    turned = first.T @ rotations[:flat]
    places = (shifts[:flat] - start) @ first
    places[:, 2] = np.arctan2(turned[:, 1, 0], turned[:, 0, 0])
    camera = Pinhole(lens, first, start - first[:, 2] * thickness_mm)
    return Bundle(camera, places, rotations[flat:], shifts[flat:], thickness_mm, np.zeros((len(shifts), SHAPES)))

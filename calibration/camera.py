"""Solve the camera: its lens, and how it hangs over the mat, from views of the printed sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.bundle import Bundle, Solved, solve_bundle
from calibration.corners import SheetView
from calibration.pinhole import Lens, Pinhole
from calibration.rig import Device

Floats = NDArray[np.float64]

SHEET_THICKNESS_MM = 0.1  # copy paper of 80 g/m2
FEWEST_VIEWS = 3
SAME_PLACE = 0.02  # views closer than this share of the picture's width do not count as two
VAGUE_FOCAL = 0.02  # a focal length less sure than this makes heights meaningless
POOR_VIEW = 3.0  # times the median view's residual


class CalibrationError(Exception):
    """The views do not determine the device; the message says in one line what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class ViewFit:
    """How one view agrees with the solution."""

    name: str
    kind: str  # flat or tilted
    corners: int
    residual_px: float  # RMS over x and y
    poor: bool  # far worse than the others

    def __str__(self) -> str:
        doubt = ", poor: look whether the sheet was curled or moved" if self.poor else ""
        return f"{self.name}: {self.kind}, {self.corners} corners, {self.residual_px:.3f} px{doubt}"


@dataclass(frozen=True, eq=False, slots=True)
class CameraSolution:
    """The camera in the frame of the first flat sheet, z = 0 at the mat below it."""

    device: Device
    views: tuple[ViewFit, ...]
    covered_mat_mm: Floats  # (N, 2) every corner of the flat sheets: where the mat is known from
    notes: tuple[str, ...]  # what was assumed


def solve_camera(
    flat: Sequence[SheetView],
    tilted: Sequence[SheetView],
    size_px: tuple[int, int],
    thickness_mm: float = SHEET_THICKNESS_MM,
) -> CameraSolution:
    """Lens and mat plane from sheets that lie flat and sheets held at a tilt.

    Parameters
    ----------
    flat, tilted : sequences of SheetView
        At least one flat, three in all. The first flat sheet gives the mat frame. A lens alone is solved with
        one view called flat and all others tilted.
    size_px : (int, int)
        Width and height of the pictures.
    thickness_mm : float
        From the mat to the printed face.

    Raises
    ------
    CalibrationError
        Too few views, none of them flat, or views that do not determine the lens.

    Notes
    -----
    The covariance is the solve's own: corner noise as the residuals show it, priors on k2, p1, p2, k3. A
    sheet that is not flat or not to scale is not covered.
    """
    _check(flat, tilted)
    solved = solve_bundle(_start(flat, tilted, size_px, thickness_mm), flat, tilted)
    _check_solved(solved, size_px)
    residual = _rms(np.concatenate([r.ravel() for r in solved.residuals_px]))
    device = Device(solved.bundle.camera, solved.covariance, residual)
    return CameraSolution(device, _view_fits(flat, tilted, solved), _covered(flat, solved.bundle), _notes(solved))


def _check(flat: Sequence[SheetView], tilted: Sequence[SheetView]) -> None:
    count = len(flat) + len(tilted)
    if not flat:
        raise CalibrationError("no view of the sheet lying flat; put it flat on the mat and take that picture")
    if count < FEWEST_VIEWS:
        raise CalibrationError(
            f"the sheet is seen in {count} pictures, {FEWEST_VIEWS} are needed; "
            "take it flat in several places, and tilted"
        )


def _check_places(homographies: Sequence[Floats], size_px: tuple[int, int]) -> None:
    """Refuse a set of views that repeat one another."""
    corners = np.array([[0.0, 0.0, 1.0], [200.0, 0.0, 1.0], [0.0, 150.0, 1.0]])
    places = np.array([(lambda p: p[:, :2] / p[:, 2:])(corners @ h.T).ravel() for h in homographies])
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


def _start(
    flat: Sequence[SheetView], tilted: Sequence[SheetView], size_px: tuple[int, int], thickness_mm: float
) -> Bundle:
    """OpenCV's calibration (Zhang's method), brought into the mat frame."""
    views = [*flat, *tilted]
    _check_places([_homography(view) for view in views], size_px)
    objects = [np.column_stack([v.corners_sheet_mm, np.zeros(len(v.ids))]).astype(np.float32) for v in views]
    images = [v.corners_px.astype(np.float32) for v in views]
    flags = cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST
    try:
        _, matrix, distortion, turns, shifts = cv2.calibrateCamera(
            objects, images, size_px, np.eye(3), np.zeros(5), flags=flags
        )
    except cv2.error as error:
        raise CalibrationError("the views do not determine the lens; tilt the sheet more") from error
    k1, k2, p1, p2, k3 = np.ravel(distortion)[:5].tolist()
    lens = Lens(
        size_px,
        (float(matrix[0, 0]), float(matrix[1, 1])),
        (float(matrix[0, 2]), float(matrix[1, 2])),
        (k1, k2, p1, p2, k3),
    )
    poses = [
        Pinhole(lens, np.asarray(cv2.Rodrigues(w)[0], float), np.ravel(t).astype(float))
        for w, t in zip(turns, shifts, strict=True)
    ]
    return _in_mat_frame(poses[: len(flat)], poses[len(flat) :], thickness_mm)


def _homography(view: SheetView) -> Floats:
    found, _ = cv2.findHomography(view.corners_sheet_mm, view.corners_px)
    if found is None:
        raise CalibrationError(f"{view.name}: the corners seen lie in a line; show the whole sheet")
    return np.asarray(found, float)


def _in_mat_frame(flat: Sequence[Pinhole], tilted: Sequence[Pinhole], thickness_mm: float) -> Bundle:
    first = flat[0]
    camera = Pinhole(first.lens, first.rotation, first.translation_mm - first.rotation[:, 2] * thickness_mm)
    places = []
    for pose in flat:
        turned = first.rotation.T @ pose.rotation
        place = first.rotation.T @ (pose.translation_mm - first.translation_mm)
        places.append([place[0], place[1], np.arctan2(turned[1, 0], turned[0, 0])])
    return Bundle(camera, np.array(places), tuple(tilted), thickness_mm)


def _check_solved(solved: Solved, size_px: tuple[int, int]) -> None:
    lens = solved.bundle.camera.lens
    focal_u = np.sqrt(np.diag(solved.covariance)[:2])
    sure = np.all(np.isfinite(focal_u)) and np.all(focal_u < VAGUE_FOCAL * np.array(lens.focal_px))
    inside = all(-s < c < 2 * s for c, s in zip(lens.centre_px, size_px, strict=True))
    if not (sure and inside and min(lens.focal_px) > 0):
        raise CalibrationError("lens and height are mixed up; tilt it by 15 to 35 degrees in more of them")


def _view_fits(flat: Sequence[SheetView], tilted: Sequence[SheetView], solved: Solved) -> tuple[ViewFit, ...]:
    rms = [_rms(r) for r in solved.residuals_px]
    usual = float(np.median(rms))
    kinds = ["flat"] * len(flat) + ["tilted"] * len(tilted)
    return tuple(
        ViewFit(view.name, kind, len(view.ids), r, r > POOR_VIEW * usual)
        for view, kind, r in zip([*flat, *tilted], kinds, rms, strict=True)
    )


def _covered(flat: Sequence[SheetView], bundle: Bundle) -> Floats:
    points = []
    for view, (x, y, angle) in zip(flat, bundle.flat_places, strict=True):
        c, s = np.cos(angle), np.sin(angle)
        points.append(view.corners_sheet_mm @ np.array([[c, s], [-s, c]]) + [x, y])
    return np.concatenate(points)


def _notes(solved: Solved) -> tuple[str, ...]:
    corner_px = solved.scale * solved.usual_u_px
    return (
        f"camera: the sheet is taken as flat, to scale, {solved.bundle.thickness_mm:g} mm thick",
        f"camera: corners scatter by {corner_px:.3f} px; weak priors on k2, p1, p2, k3",
    )


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values))))

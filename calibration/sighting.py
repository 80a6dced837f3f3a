"""Find the mat's landmarks again: first all at once in a small picture, then each by itself.

Pose by direct alignment (M. Irani and P. Anandan, "About direct methods", 1999) in the small picture, coarse to
fine; then patches by least squares with gain and offset (B. D. Lucas and T. Kanade, 1981; S. Baker and
I. Matthews, "Lucas-Kanade 20 years on", 2004, the inverse compositional form).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.landmarks import CORE_PX, PATCH_PX, RIM_PX, SHRINK, SMOOTH_PX, Landmarks, shrunk
from calibration.light import grey
from calibration.pinhole import Pinhole
from calibration.posefit import BUMP, POSE, Pose, fit_pose
from calibration.projection import LENS_PARAMETERS, moved, project

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

COARSE = (4.0, 2.0, 1.0)  # smoothing of the small picture, in its pixels
COARSE_STEPS = 12
SAMPLE_STEP = (3, 2, 1)
NEAR_MM = 25.0  # around the landmarks' hull
TUKEY = 3.0
SEARCH_PX = 4  # whole pixels around where the small picture says
FINE_ROUNDS = 2
FINE_STEPS = 6
LEAST_LIKENESS = 0.5  # normalised correlation with what was there
OUTLIER = 5.0  # standard uncertainties
FEWEST = 3
RIDGE = 0.02  # of a patch's slopes: along a border it stays where it is
AGREE_ROUNDS = 4


@dataclass(frozen=True, eq=False, slots=True)
class Sighting:
    """Landmarks found again."""

    pose: Pose  # of the camera, over the mat as it lies now
    seen_px: Floats  # (N, 2) where each is now
    used: NDArray[np.bool_]  # (N,) neither hidden nor against all others

    @property
    def count(self) -> int:
        return int(self.used.sum())


def find_landmarks(picture: Picture, landmarks: Landmarks, camera: Pinhole) -> Sighting | None:
    """The camera's pose over the mat by its landmarks, or None where too few are seen.

    Parameters
    ----------
    picture : (h, w) or (h, w, 3) uint8
        The mat under even light or the room's; cloth and hands may hide some of it.
    landmarks : Landmarks
        Of the rig.
    camera : Pinhole
        The rig's camera in its old pose.
    """
    if len(landmarks) < FEWEST:
        return None
    whole = grey(picture)
    spline = _spline(np.asarray(cv2.GaussianBlur(whole.astype(np.float32), (0, 0), SMOOTH_PX), np.float32))
    now = _coarse(shrunk(whole), landmarks, camera)
    found = None
    for round_ in range(FINE_ROUNDS):
        found = _fine(spline, landmarks, camera, now, SEARCH_PX if round_ == 0 else 0)
        if found is None:
            return None
        now = found.pose.pinhole
    return found


# The small picture


def _coarse(small: Picture, landmarks: Landmarks, camera: Pinhole) -> Pinhole:
    """A pose good to a pixel or two of the full picture."""
    now = camera
    for smoothing, every in zip(COARSE, SAMPLE_STEP, strict=True):
        before, after = _evened(landmarks.small, smoothing), _evened(small, smoothing)
        at = _samples(landmarks, camera, before.shape, every)
        now = _aligned(before, after, at, camera, now)
    return now


def _evened(small: Picture, smoothing: float) -> Plane:
    """Smoothed; slow light taken out, and contrast made alike everywhere."""
    plane = cv2.GaussianBlur(small.astype(np.float32), (0, 0), smoothing)
    wide = 4.0 * smoothing + 6.0
    high = plane - cv2.GaussianBlur(plane, (0, 0), wide)
    size = np.sqrt(cv2.GaussianBlur(high * high, (0, 0), 2.0 * wide))
    return np.asarray(high / (size + 1.0), np.float32)


def _samples(landmarks: Landmarks, camera: Pinhole, shape: tuple[int, ...], every: int) -> Floats:
    """Pixels (P, 2) of the small picture on and just around the landmarks."""
    hull = cv2.convexHull(landmarks.places_px.astype(np.float32) / SHRINK)
    mask = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 1)
    per_mm = np.linalg.norm(np.diff(landmarks.places_px[[0, -1]], axis=0)) / max(
        float(np.linalg.norm(np.diff(landmarks.places_mat_mm[[0, -1]], axis=0))), 1.0
    )
    reach = int(np.ceil(NEAR_MM * per_mm / SHRINK))
    mask = np.asarray(cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)), np.uint8)
    y, x = np.nonzero(mask[::every, ::every])
    return np.column_stack([x, y]).astype(float) * every


def _full_px(small_px: Floats) -> Floats:
    return small_px * SHRINK + (SHRINK - 1) / 2


def _aligned(before: Plane, after: Plane, at: Floats, camera: Pinhole, now: Pinhole) -> Pinhole:
    """Gauss-Newton on the pose with Tukey's weights, so that hands and cloth do not count."""
    mat_mm = camera.mat_from_px(_full_px(at))
    known = np.isfinite(mat_mm).all(axis=1)
    points, at = np.column_stack([mat_mm[known], np.zeros(known.sum())]), at[known].astype(int)
    wanted = before[at[:, 1], at[:, 0]]
    dx, dy = (np.asarray(cv2.Sobel(after, cv2.CV_32F, *order, scale=1 / 8), np.float32) for order in ((1, 0), (0, 1)))
    damping = np.diag(1.0 / BUMP**2)
    for _ in range(COARSE_STEPS):
        to = project(now, points)
        x, y = ((to.px[:, axis] - (SHRINK - 1) / 2) / SHRINK for axis in (0, 1))
        value, gx, gy = (_read(plane, x, y) for plane in (after, dx, dy))
        slopes = (gx[:, None] * to.by_parameters[:, 0, POSE] + gy[:, None] * to.by_parameters[:, 1, POSE]) / SHRINK
        miss = value - wanted
        inside = (x >= 0) & (y >= 0) & (x <= after.shape[1] - 1) & (y <= after.shape[0] - 1)
        scale = 1.4826 * float(np.median(np.abs(miss[inside]))) + 1e-3 if inside.any() else 1.0
        weights = inside * np.clip(1.0 - (miss / (TUKEY * scale)) ** 2, 0.0, None) ** 2 / scale**2
        normal = (slopes * weights[:, None]).T @ slopes + damping
        step = -np.linalg.solve(normal, slopes.T @ (weights * miss))
        now = moved(now, np.concatenate([np.zeros(LENS_PARAMETERS), step]))
        if np.abs(step / BUMP).max() < 1e-4:
            break
    return now


def _read(plane: Plane, x: Floats, y: Floats) -> Floats:
    """Values between the pixels."""
    return np.asarray(
        cv2.remap(plane, x.astype(np.float32)[:, None], y.astype(np.float32)[:, None], cv2.INTER_LINEAR)[:, 0], float
    )


# Each by itself


@dataclass(frozen=True, eq=False, slots=True)
class _Ties:
    """How the mat ties the old picture's pixels about each landmark to the new one's: an affine map each."""

    places_px: Floats  # (N, 2) in the new picture
    slopes: Floats  # (N, 2, 2) new pixels for an old one

    def new_px(self, offsets_px: Floats) -> Floats:
        """(N, ..., 2) new pixels of offsets from the landmarks in the old picture."""
        flat = offsets_px.reshape(len(offsets_px), -1, 2) @ np.swapaxes(self.slopes, 1, 2) + self.places_px[:, None]
        return flat.reshape(offsets_px.shape)


def _tied(landmarks: Landmarks, camera: Pinhole, now: Pinhole) -> _Ties:
    step = CORE_PX / 2
    around = np.array([[0.0, 0.0], [step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]])
    px = now.px_from_mat(camera.mat_from_px(landmarks.places_px[:, None] + around))
    slopes = np.stack([px[:, 1] - px[:, 2], px[:, 3] - px[:, 4]], axis=-1) / (2 * step)
    return _Ties(px[:, 0], slopes)


def _fine(spline: Plane, landmarks: Landmarks, camera: Pinhole, now: Pinhole, search: int) -> Sighting | None:
    """Patches followed from where a pose puts them, and the pose of those that were found."""
    templates = np.stack([cv2.GaussianBlur(p.astype(np.float32), (0, 0), SMOOTH_PX) for p in landmarks.patches])
    ties = _tied(landmarks, camera, now)
    shift = np.zeros((len(templates), 2))
    if search:
        core = templates[:, RIM_PX : PATCH_PX - RIM_PX, RIM_PX : PATCH_PX - RIM_PX]
        shift = _whole_pixels(core, _unbent(spline, ties, shift, CORE_PX // 2 + search), search)
    shift, likeness = _followed(spline, templates, ties, shift)
    seen_px = ties.new_px(shift)
    rim = CORE_PX // 2 + SEARCH_PX
    inside = np.all((seen_px > rim) & (seen_px < np.array(camera.lens.size_px) - 1 - rim), axis=1)
    return _agreed(landmarks, camera, seen_px, inside & (likeness > LEAST_LIKENESS))


def _agreed(landmarks: Landmarks, camera: Pinhole, seen_px: Floats, used: NDArray[np.bool_]) -> Sighting | None:
    """The pose that most landmarks agree on; those against it are put aside."""
    for _ in range(AGREE_ROUNDS):
        if used.sum() < FEWEST:
            return None
        pose = fit_pose(camera, landmarks.places_mat_mm[used], seen_px[used], landmarks.information_px2[used])
        good = used.copy()
        good[used] = pose.misses < OUTLIER * max(pose.scatter, 1.0)
        if np.array_equal(good, used):
            break
        used = good
    return Sighting(pose, seen_px, used)


def _unbent(spline: Plane, ties: _Ties, shift: Floats, half: int) -> Plane:
    """(N, S, S) what the new picture shows about each place, on the old picture's pixels."""
    offsets = np.arange(-half, half + 1, dtype=float)
    grid = np.stack(np.meshgrid(offsets, offsets), axis=-1)
    size = len(offsets)
    px = ties.new_px(shift[:, None, None, :] + grid).astype(np.float32).reshape(-1, size, 2)
    return _between(spline, px[..., 0], px[..., 1]).reshape(-1, size, size)


def _between(spline: Plane, x: Plane, y: Plane) -> Plane:
    """Values between the pixels of a cubic spline; quarter-pixel shifts come out true to 0.002 px."""
    h, w = spline.shape
    x0, y0 = (np.clip(np.floor(v), 1, side - 3).astype(np.int32) for v, side in ((x, w), (y, h)))
    along, down = (_spline_weights(np.clip(v - v0, 0, 1).astype(np.float32)) for v, v0 in ((x, x0), (y, y0)))
    flat, corner = spline.ravel(), (y0 - 1) * w + x0 - 1
    total = np.zeros_like(x)
    for j in range(4):
        row = along[0] * flat[corner + j * w]
        for i in range(1, 4):
            row += along[i] * flat[corner + j * w + i]
        total += down[j] * row
    return total


def _spline_weights(t: Plane) -> tuple[Plane, Plane, Plane, Plane]:
    s, third = np.asarray(1 - t, np.float32), np.float32(2 / 3)
    return s * s * s / 6, third - t * t + t * t * t / 2, third - s * s + s * s * s / 2, t * t * t / 6


def _spline(plane: Plane) -> Plane:
    """Coefficients of the cubic B-spline through the pixels (M. Unser, "Splines: a perfect fit", 1999)."""
    z = np.sqrt(3.0) - 2.0
    kernel = (np.sqrt(3.0) * z ** np.abs(np.arange(-8, 9))).astype(np.float32)
    return np.asarray(cv2.sepFilter2D(plane, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT101), np.float32)


def _whole_pixels(core: Plane, window: Plane, search: int) -> Floats:
    """(N, 2) the shift of best normalised correlation, nearer ones going first where several are as good."""
    near = -0.02 * np.hypot(*np.meshgrid(*[np.arange(-search, search + 1) / max(search, 1)] * 2))
    found = []
    for template, around in zip(core, window, strict=True):
        scores = cv2.matchTemplate(around, template, cv2.TM_CCOEFF_NORMED) + near.astype(np.float32)
        y, x = np.unravel_index(int(scores.argmax()), scores.shape)
        found.append((x - search, y - search))
    return np.array(found, float)


def _followed(spline: Plane, templates: Plane, ties: _Ties, shift: Floats) -> tuple[Floats, Floats]:
    """Sub-pixel shifts (N, 2), on the old picture's pixels, and the likeness (N,) there."""
    dx, dy = ((np.roll(templates, -1, axis) - np.roll(templates, 1, axis)) / 2 for axis in (2, 1))
    inner = (slice(None), slice(RIM_PX, PATCH_PX - RIM_PX), slice(RIM_PX, PATCH_PX - RIM_PX))
    t, gx, gy = (a[inner].reshape(len(templates), -1).astype(float) for a in (templates, dx, dy))
    design = np.stack([gx, gy, t, np.ones_like(t)], axis=2)
    ridge = np.zeros((len(t), 4, 4))
    ridge[:, 0, 0] = ridge[:, 1, 1] = RIDGE * np.sum(gx * gx + gy * gy, axis=1)
    normal = np.einsum("npi,npj->nij", design, design) + 1e-9 * np.eye(4)
    for _ in range(FINE_STEPS):
        seen = _unbent(spline, ties, shift, CORE_PX // 2).reshape(len(t), -1).astype(float)
        # seen = gain * template(x + step) + offset, to first order in the step
        pull = np.einsum("npi,np->ni", design, seen)
        fit = np.linalg.solve(normal + ridge, pull[..., None])[..., 0]
        gain = np.where(np.abs(fit[:, 2]) > 0.1, fit[:, 2], np.inf)
        step = fit[:, :2] / gain[:, None]
        shift = shift - np.clip(step, -1.0, 1.0)
    spread = t.std(axis=1) * seen.std(axis=1) + 1e-9
    likeness = ((t - t.mean(axis=1, keepdims=True)) * (seen - seen.mean(axis=1, keepdims=True))).mean(axis=1) / spread
    return shift, likeness

"""Find the mat's landmarks again: first all at once in a small picture, then each by itself.

Patches are followed by least squares with gain and offset (B. D. Lucas and T. Kanade, 1981; S. Baker and
I. Matthews, "Lucas-Kanade 20 years on", 2004, the inverse compositional form).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import grey
from calibration.mat.carried import residual_px
from calibration.mat.landmarks import CORE_PX, PATCH_PX, RIM_PX, SMOOTH_PX, Landmarks, shrunk
from calibration.mat.posefit import Pose, fit_pose
from calibration.mat.smallpicture import rough_poses
from calibration.pinhole import Pinhole

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

SEARCH_PX = 4  # whole pixels around where the small picture says
SEARCHES_PX = (SEARCH_PX, 0)
FINE_STEPS = 6
LEAST_LIKENESS = 0.5  # normalised correlation with what was there
OUTLIER = 5.0  # standard uncertainties
FEWEST = 4
MOST_MISS_PX = 0.7  # more, and what was recognised is something else
RIDGE = 0.02  # of a patch's slopes: along a border it stays where it is
AGREE_ROUNDS = 4


@dataclass(frozen=True, eq=False, slots=True)
class Sighting:
    """Landmarks found again."""

    pose: Pose  # of the camera, over the mat as it lies now
    seen_px: Floats  # (N, 2) where each is now
    used: NDArray[np.bool_]  # (N,) neither hidden nor against all others
    miss_px: float  # RMS of those used against the pose

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
    found = [_sighted(spline, landmarks, camera, pose) for pose in rough_poses(shrunk(whole), landmarks, camera)]
    return max((one for one in found if one is not None), key=lambda one: one.count / one.miss_px, default=None)


def _sighted(spline: Plane, landmarks: Landmarks, camera: Pinhole, now: Pinhole) -> Sighting | None:
    """From a rough pose to landmarks found one by one."""
    found = None
    for search in SEARCHES_PX:
        found = _fine(spline, landmarks, camera, now, search)
        if found is None:
            return None
        now = found.pose.pinhole
    return found


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
    told = landmarks.places_mat_mm[used], seen_px[used], landmarks.information_px2[used]
    miss_px = residual_px(pose.pinhole, *told)
    return Sighting(pose, seen_px, used, miss_px) if miss_px < MOST_MISS_PX else None


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


def _spline_weights(t: Plane) -> Plane:
    s, third = 1 - t, np.float32(2 / 3)
    ends = s * s * s / 6, t * t * t / 6
    inner = third - t * t + t * t * t / 2, third - s * s + s * s * s / 2
    return np.stack([ends[0], inner[0], inner[1], ends[1]])


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

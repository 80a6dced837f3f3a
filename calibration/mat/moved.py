"""A glance at the table: did camera, projector or mat move since the rig was made, and by how much?

What can be told: the mat's features seen elsewhere mean that camera and mat moved against each other. Dots of
light that stay on the mat meanwhile say that it was the camera; dots that stay in the picture say that it was
the mat. Dots that left their place on the mat, the camera's own motion taken out, mean the projector.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.mat.dots import FEWEST, Dots, find_dots, planned_dots
from calibration.mat.posefit import POSE, Pose, fit_pose
from calibration.mat.sighting import Sighting, find_landmarks
from calibration.pinhole import Pinhole
from calibration.projection import mat_by_parameters
from calibration.rig import Rig, grid_points

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEAST_MM = 0.25  # less than this is no bump: devices that warm up do as much
CHANCE = 6.0  # standard uncertainties; a normal error in the plane passes once in 7e7: exp(-CHANCE**2 / 2)
WORTH_MM = 0.5  # what is said to be unseen is only what matters
GRID = 12
CLEARLY = 0.95  # of the landmarks: a grid seen a line too far loses those of the border
LEAST_U_PX = 0.02  # of a dot: what smooth faults of lens and print leave


@dataclass(frozen=True, slots=True)
class Moved:
    """Something that is not where it was."""

    what: str  # "camera", "projector", "mat"; or "camera or mat", "camera or projector" where that cannot be told
    by_mm: float  # at the mat, where it is largest over the area
    rms_mm: float  # over the area
    u_mm: float  # standard uncertainty of `by_mm`


@dataclass(frozen=True, eq=False, slots=True)
class Glance:
    """What a glance found, and what it could not see."""

    moved: tuple[Moved, ...]
    unseen: tuple[str, ...]
    sighting: Sighting | None  # of the mat's landmarks
    dots: Dots | None  # as the camera sees them now

    @property
    def quiet(self) -> bool:
        """Nothing that could be seen has moved."""
        return not self.moved


@dataclass(frozen=True, slots=True)
class Shift:
    """How far a device's points went over the area."""

    by_mm: float
    rms_mm: float
    u_mm: float
    surely: bool
    noticed_mm: float  # what would have been noticed anywhere


def with_dots(rig: Rig, lit: Picture, dark: Picture, even: Picture | None) -> Rig:
    """The rig with where the camera sees `planned_dots` now; the same errors then cancel in every glance.

    `lit` shows the picture of `dots_to_show`, `dark` a black projector, `even` its even light (None without).
    Raises ValueError without a projector.
    """
    return replace(rig, dots=dots_seen(rig, dots_to_show(rig), lit, dark, even))


def dots_seen(rig: Rig, dots: Dots, lit: Picture, dark: Picture, even: Picture | None) -> Dots:
    """Where the camera sees dots about where the rig expects them. Raises ValueError without a projector."""
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    rough = rig.camera.pinhole.px_from_mat(rig.projector.pinhole.mat_from_px(dots.projector_px))
    return find_dots(dots, lit, dark, even, rig.tone, rough)


def dots_to_show(rig: Rig) -> Dots:
    """The rig's own dots, or the ones planned for it. Raises ValueError without a projector."""
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    return rig.dots or planned_dots(rig.projector.pinhole, rig.area_mat_mm)


def glance(rig: Rig, bare: Picture, lit: Picture | None = None, dark: Picture | None = None) -> Glance:
    """What moved, from two or three pictures.

    Parameters
    ----------
    rig : Rig
        With `landmarks`, with `dots`, or with both; what is missing is said to be unseen.
    bare : (h, w) or (h, w, 3) uint8
        The table under the projector's even light, or the room's. Cloth and hands may hide some of the mat.
    lit, dark : the same, or None
        With the dots of `rig.dots` alone, and with a black projector. Give `bare` itself as `dark` where there
        is no even light.
    """
    camera = rig.camera.pinhole
    sighting = _sighted(rig, [bare] if dark is None or bare is dark else [bare, dark])
    now = camera if sighting is None else sighting.pose.pinhole
    seen = None
    if rig.projector is not None and rig.dots is not None and lit is not None and dark is not None:
        rough = now.px_from_mat(camera.mat_from_px(rig.dots.camera_px))
        seen = find_dots(rig.dots, lit, dark, None if bare is dark else bare, rig.tone, rough)
    mat = None if sighting is None else _mat_shift(rig, sighting)
    on_mat, in_picture = _light_shift(rig, now, sighting, seen), _light_shift(rig, camera, None, seen)
    return Glance(told(mat, on_mat, in_picture), _unseen(rig, mat, on_mat), sighting, seen)


def _sighted(rig: Rig, pictures: list[Picture]) -> Sighting | None:
    """The mat in the first picture; where it seems to have moved, in whichever shows it more clearly.

    The rim of a projector's light that moved over the mat looks like something of the mat that moved.
    """
    if rig.landmarks is None:
        return None
    best = None
    for picture in pictures:
        found = find_landmarks(picture, rig.landmarks, rig.camera.pinhole)
        if found is not None and (best is None or found.count / found.miss_px > best.count / best.miss_px):
            best = found
        if best is not None and (not _mat_shift(rig, best).surely or best.count > CLEARLY * len(rig.landmarks)):
            break
    return best


def told(mat: Shift | None, on_mat: Shift | None, in_picture: Shift | None) -> tuple[Moved, ...]:
    """The physics of the module's head as a table."""
    if mat is None:
        return _named(in_picture, "camera or projector")
    if on_mat is None or in_picture is None:
        return _named(mat, "camera or mat")
    if not mat.surely:
        return _named(on_mat, "projector")
    if not on_mat.surely and (in_picture.surely or on_mat.by_mm <= in_picture.by_mm):
        return _named(mat, "camera")
    if not in_picture.surely:
        return _named(mat, "mat")
    return _named(mat, "camera or mat") + _named(on_mat, "projector")


def _named(shift: Shift | None, what: str) -> tuple[Moved, ...]:
    if shift is None or not shift.surely:
        return ()
    return (Moved(what, shift.by_mm, shift.rms_mm, shift.u_mm),)


def _unseen(rig: Rig, mat: Shift | None, on_mat: Shift | None) -> tuple[str, ...]:
    """What this glance could not have told, in words."""
    lines = []
    if mat is None:
        why = "the mat shows no features" if not rig.landmarks else "too little of the mat was recognised"
        lines.append(f"{why}: the mat, or camera and projector together on one mount, may have moved")
    elif mat.noticed_mm > WORTH_MM:
        lines.append(f"the mat shows little: camera or mat may have moved by up to {mat.noticed_mm:.1f} mm")
    if rig.projector is not None and on_mat is None:
        lines.append("too few dots of light were seen: the projector may have moved")
    elif on_mat is not None and on_mat.noticed_mm > WORTH_MM:
        lines.append(f"the dots are seen roughly: the projector may have moved by up to {on_mat.noticed_mm:.1f} mm")
    if mat is not None and on_mat is not None and mat.surely and on_mat.surely:
        lines.append("a mat that moved looks like camera and projector that moved together")
    return tuple(lines)


def _mat_shift(rig: Rig, sighting: Sighting) -> Shift:
    return shift_over(rig.camera.pinhole, sighting.pose, rig.area_mat_mm, None)


def _light_shift(rig: Rig, now: Pinhole, sighting: Sighting | None, seen: Dots | None) -> Shift | None:
    """How far light went on the mat, as a camera in pose `now` sees it; None with too few dots."""
    pose = None if seen is None else light_pose(rig, now, seen)
    if pose is None or rig.projector is None:
        return None
    return shift_over(rig.projector.pinhole, pose, rig.area_mat_mm, sighting)


def light_pose(rig: Rig, now: Pinhole, seen: Dots) -> Pose | None:
    """The projector's pose by how far its dots went since the rig was made; None with too few of them.

    `now` is the camera in its present pose. Only differences count: a dot that the rig's lenses put 0.1 mm
    off does so both times.
    """
    then = rig.dots
    if then is None or rig.projector is None:
        return None
    both = then.seen & seen.seen
    if both.sum() < FEWEST:
        return None
    projector, camera = rig.projector.pinhole, rig.camera.pinhole
    lit_px = then.projector_px[both]
    went_mm = now.mat_from_px(seen.camera_px[both]) - camera.mat_from_px(then.camera_px[both])
    there_mm = projector.mat_from_px(lit_px) + went_mm
    u_px = np.hypot(np.maximum(then.u_px[both], LEAST_U_PX), np.maximum(seen.u_px[both], LEAST_U_PX))
    u_px = u_px * px_per_px(now, projector, there_mm)
    return fit_pose(projector, there_mm, lit_px, np.eye(2) / (u_px**2)[:, None, None])


def px_per_px(one: Pinhole, other: Pinhole, points_mat_mm: Floats) -> Floats:
    """(N,) how many pixels of the `other` device one of the first is long there."""
    step = np.array([0.5, 0.0])
    sizes = [
        np.linalg.norm(device.px_from_mat(points_mat_mm + step) - device.px_from_mat(points_mat_mm - step), axis=1)
        for device in (other, one)
    ]
    return np.asarray(sizes[0] / sizes[1])


def shift_over(before: Pinhole, pose: Pose, area_mat_mm: Floats, beside: Sighting | None) -> Shift:
    """How far fixed pixels of a device went over the area; `beside` is a camera whose doubt comes on top."""
    places = grid_points(area_mat_mm, GRID)
    went = pose.pinhole.mat_from_px(before.px_from_mat(places)) - places
    u2 = _u2_mm2(pose, places)
    if beside is not None:
        u2 = u2 + _u2_mm2(beside.pose, places)
    by, u = np.linalg.norm(went, axis=1), np.sqrt(u2)
    at = int(np.argmax(by))
    surely = bool(np.any((by > LEAST_MM) & (by > CHANCE * u)))
    return Shift(
        float(by[at]), float(np.sqrt(np.mean(by**2))), float(u[at]), surely, max(LEAST_MM, CHANCE * float(u.max()))
    )


def _u2_mm2(pose: Pose, places_mat_mm: Floats) -> Floats:
    """(N,) variance of places along their worst direction, from a pose's own covariance."""
    slopes = mat_by_parameters(pose.pinhole, places_mat_mm)[:, :, POSE]
    return np.asarray(np.linalg.eigvalsh(slopes @ pose.covariance @ np.swapaxes(slopes, 1, 2))[:, -1])

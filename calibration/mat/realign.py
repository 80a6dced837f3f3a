"""Solve the poses again after a bump, the lenses being known: no sheet where the mat shows features.

Each function takes a rig and gives a new one, in the same mat frame unless it says otherwise, with a note.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.beam.mesh import Mesh
from calibration.lens.camera import SHEET_THICKNESS_MM
from calibration.mat.carried import carried, from_places, residual_px
from calibration.mat.dots import Dots
from calibration.mat.inplane import device_in_plane, rigid
from calibration.mat.landmarks import Landmarks, renewed
from calibration.mat.moved import px_per_px
from calibration.mat.posefit import Pose, fit_pose, fit_pose_and_lens
from calibration.mat.sighting import Sighting
from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, PARAMETERS, mat_by_parameters
from calibration.rig import Device, Rig
from calibration.robust import root
from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEAST_U_PX = 0.01  # of a correspondence: what smooth faults of fringes and corners leave
FEWEST = 8


@dataclass(frozen=True, slots=True)
class NotRealigned:
    """Poses that cannot be solved again from what was seen, and what to do."""

    why: str
    do: str


def realign_camera(rig: Rig, sighting: Sighting, picture: Picture, dots: Dots | None = None) -> Rig:
    """The camera in the pose that the mat's landmarks tell; `picture` is the one they were found in.

    `dots` are those of the same glance: where the camera sees them now is kept as the new reference.

    The projector is left as it was. What was wrong with the old camera's map of the mat stays wrong with the
    landmarks' places, so its covariance is carried along; the new pose's own is added.
    """
    if rig.landmarks is None:
        raise ValueError("this rig has no landmarks")
    used = sighting.used
    information = rig.landmarks.information_px2[used]
    places, seen = rig.landmarks.places_mat_mm[used], sighting.seen_px[used]
    camera = _solved_again(rig.camera, sighting.pose, places, seen, information)
    note = f"camera: pose solved again from {sighting.count} places of the mat"
    marks = renewed(rig.landmarks, sighting.used, picture, camera.pinhole)
    return _again(rig, note, camera=camera, landmarks=marks, dots=dots)


def realign_mat(rig: Rig, sighting: Sighting, picture: Picture, dots: Dots | None = None) -> Rig:
    """The mat moved under devices that did not: both are carried over to where the mat lies now."""
    if rig.landmarks is None:
        raise ValueError("this rig has no landmarks")
    places = rig.landmarks.places_mat_mm[sighting.used]
    lay = rig.camera.pinhole.mat_from_px(sighting.pose.pinhole.px_from_mat(places))
    turn, move = rigid(lay, places)
    camera = device_in_plane(rig.camera, turn, move)
    projector = None if rig.projector is None else device_in_plane(rig.projector, turn, move)
    note = f"mat: its frame found again from {sighting.count} places of it"
    marks = renewed(rig.landmarks, sighting.used, picture, camera.pinhole)
    return _again(rig, note, camera=camera, projector=projector, landmarks=marks, dots=dots)


def realign_projector(rig: Rig, seen: Mesh) -> Rig | NotRealigned:
    """The projector in the pose that a new run of the patterns tells; the camera is taken to be right.

    Its lens is held within the doubt that the rig has of it. Light of one plane can hardly tell some of a lens
    from its pose: held fast, what an earlier fit had mixed up would show after the bump.
    """
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    places = rig.camera.pinhole.mat_from_px(seen.camera_px)
    device, count = _by_light(rig, rig.projector, rig.camera, places, seen.projector_px, seen.u_px)
    if device is None:
        return _too_dark(count)
    return _again(rig, f"projector: pose solved again from {count} places of its light", projector=device)


def realign_camera_by_light(rig: Rig, seen: Mesh) -> Rig | NotRealigned:
    """The camera in the pose that the patterns tell; projector and mat are taken to be where they were.

    A plain mat has no other landmarks. What was known of the mat in the old camera's picture is dropped.
    """
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    places = rig.projector.pinhole.mat_from_px(seen.projector_px)
    u_px = seen.u_px / px_per_px(rig.camera.pinhole, rig.projector.pinhole, places)[:, None]
    device, count = _by_light(rig, rig.camera, rig.projector, places, seen.camera_px, u_px)
    if device is None:
        return _too_dark(count)
    note = f"camera: pose solved again from {count} places of the projector's light"
    return _again(replace(rig, landmarks=None), note, camera=device)


def _by_light(
    rig: Rig, old: Device, other: Device, places: Floats, seen_px: Floats, u_px: Floats
) -> tuple[Device | None, int]:
    """A device over places (N, 2) of light on the mat that the `other` one tells, and how many of them counted.

    What lies beyond the mat is left out, for the table lies lower.
    """
    ground = shapely.Polygon(rig.area_mat_mm if rig.mat_mm is None else _whole_mat(rig.mat_mm))
    known = np.isfinite(places).all(axis=1) & np.isfinite(seen_px).all(axis=1)
    known &= shapely.contains_xy(ground, np.nan_to_num(places, nan=np.inf))
    count = int(known.sum())
    if count < FEWEST:
        return None, count
    places, seen_px = places[known], seen_px[known]
    information = np.zeros((count, 2, 2))
    information[:, 0, 0], information[:, 1, 1] = (1.0 / np.maximum(u_px[known], LEAST_U_PX) ** 2).T
    lens = old.covariance[:LENS_PARAMETERS, :LENS_PARAMETERS]
    pinhole, own, used = fit_pose_and_lens(old.pinhole, places, seen_px, information, lens)
    by_other = mat_by_parameters(other.pinhole, places) @ root(other.covariance)
    covariance = own + from_places(pinhole, own, places, used, by_other)
    return Device(pinhole, covariance, residual_px(pinhole, places, seen_px, information)), count


def _whole_mat(size_mm: tuple[float, float]) -> Floats:
    return np.array([[0.0, 0.0], [size_mm[0], 0.0], size_mm, [0.0, size_mm[1]]])


def _too_dark(count: int) -> NotRealigned:
    return NotRealigned(
        f"the projector's light is read in {count} places", "darken the room and clear the mat, then again"
    )


def realign_by_sheet(rig: Rig, view: SheetView, thickness_mm: float = SHEET_THICKNESS_MM) -> Rig | NotRealigned:
    """The camera from one flat sheet, where the mat shows nothing. The mat's frame is then that sheet's.

    The projector goes along as if both had moved together: a start for `realign_projector`, which must follow.
    Landmarks, dots and the mat's outline are dropped, for they belong to the old frame.
    """
    if len(view.corners_px) < FEWEST:
        return NotRealigned(f"{len(view.corners_px)} corners of the sheet were seen", "show the whole sheet, flat")
    u = np.maximum(view.corners_u_px, LEAST_U_PX)
    information = np.eye(2) / (u**2)[:, None, None]
    pose = fit_pose(_over_sheet(rig.camera.pinhole, view), view.corners_sheet_mm, view.corners_px, information)
    lens = root(rig.camera.covariance)[:LENS_PARAMETERS]
    exact = np.zeros((len(u), 2, PARAMETERS))
    covariance = carried(pose, view.corners_sheet_mm, information, lens, exact)
    residual = residual_px(pose.pinhole, view.corners_sheet_mm, view.corners_px, information)
    lifted = _lowered(pose.pinhole, thickness_mm)
    camera = Device(lifted, covariance, residual)
    projector = None if rig.projector is None else _along(rig.projector, rig.camera.pinhole, lifted)
    area = lifted.mat_from_px(rig.camera.pinhole.px_from_mat(rig.area_mat_mm))
    note = f"camera: pose solved again from one flat sheet, {len(u)} corners; the mat's frame is its"
    rig = replace(rig, frame="sheet", frame_how="", mat_mm=None, landmarks=None, dots=None, area_mat_mm=area)
    return _again(rig, note, camera=camera, projector=projector)


def _solved_again(old: Device, pose: Pose, places: Floats, seen_px: Floats, information: Floats) -> Device:
    """The camera over places that its old self had placed: their errors are the old one's."""
    sources = root(old.covariance)
    by_sources = mat_by_parameters(old.pinhole, places) @ sources
    covariance = carried(pose, places, information, sources[:LENS_PARAMETERS], by_sources)
    return Device(pose.pinhole, covariance, residual_px(pose.pinhole, places, seen_px, information))


def _over_sheet(camera: Pinhole, view: SheetView) -> Pinhole:
    """A start: the plane's pose by its own homography (OpenCV's IPPE), the lens undone."""
    lens = camera.lens
    rays = lens.rays_from_px(view.corners_px)
    corners = np.column_stack([view.corners_sheet_mm, np.zeros(len(rays))])
    _, turns, move = cv2.solvePnP(corners, rays, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    return Pinhole(lens, np.asarray(cv2.Rodrigues(turns)[0], float), np.ravel(move).astype(float))


def _lowered(pinhole: Pinhole, by_mm: float) -> Pinhole:
    """The same device over a plane that lies lower than the one it was solved over."""
    return Pinhole(pinhole.lens, pinhole.rotation, pinhole.translation_mm - pinhole.rotation[:, 2] * by_mm)


def _along(device: Device, before: Pinhole, after: Pinhole) -> Device:
    """A device on one mount with the camera, which went from one pose to another."""
    turn = device.pinhole.rotation @ before.rotation.T  # device from camera
    move = device.pinhole.translation_mm - turn @ before.translation_mm
    pinhole = Pinhole(device.pinhole.lens, turn @ after.rotation, turn @ after.translation_mm + move)
    return Device(pinhole, device.covariance, device.residual_px)


def _again(
    rig: Rig,
    note: str,
    camera: Device | None = None,
    projector: Device | None = None,
    landmarks: Landmarks | None = None,
    dots: Dots | None = None,
) -> Rig:
    """The rig with new devices and one more note; where dots were seen before no longer counts."""
    return replace(
        rig,
        camera=camera or rig.camera,
        projector=projector or rig.projector,
        landmarks=landmarks or rig.landmarks,
        dots=dots,
        notes=(*rig.notes, note),
    )

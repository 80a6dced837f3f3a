"""A rig as a file: JSON that a person can read, written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any, TypeVar

import numpy as np

from calibration.budget import budget_data, rig_budget
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, lens_vector
from calibration.rig import Device, OverArea, Rig
from calibration.rigdata import Data, array, date, get, keys, number, text, texts
from calibration.rigmarks import dots_data, dots_from, landmarks_data, landmarks_from
from calibration.tone import SRGB, Tone

T = TypeVar("T")

KIND = "chalkbeam rig"
SCHEMA = 2
MOST_U_MM = 5.0  # a rig that doubts places by more than this is none
OLD_SCALE = 0.01, "no reading of the bars"  # of a rig whose file is from before anybody asked


class RigError(Exception):
    """A rig file cannot be used; the message says in one line which, why, and what to do."""


def check_place(path: Path) -> None:
    """Try whether a rig can be written there, before the work of making one. Raises RigError."""
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        TemporaryFile(dir=path.parent).close()
    except OSError as error:
        raise _unwritable(path, error) from error


def save_rig(rig: Rig, path: Path) -> None:
    """Write the rig beside its place and move it there, so that no reader meets half a file.

    Raises RigError where it cannot be written, and for a bad rig; the file that was there then stays.
    """
    fault = fault_of(rig)
    if fault is not None:
        raise RigError(f"{path}: not written, {fault}; calibrate again")
    lines = json.dumps(_as_data(rig), indent=1, allow_nan=False, ensure_ascii=False)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(lines + "\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise _unwritable(path, error) from error


def fault_of(rig: Rig) -> str | None:
    """Why a rig must not be kept: numbers that are none, or places in absurd doubt. None for a sound one."""
    for name, device in (("camera", rig.camera), ("projector", rig.projector)):
        if device is None:
            continue
        pinhole = device.pinhole
        parts = lens_vector(pinhole.lens), pinhole.rotation, pinhole.translation_mm, device.covariance
        if not (all(np.isfinite(part).all() for part in parts) and np.isfinite(device.residual_px)):
            return f"the {name} has values that are no numbers"
    if not (np.isfinite(rig.area_mat_mm).all() and np.isfinite(rig.scale_u) and len(rig.area_mat_mm) >= 3):
        return "its area or scale has values that are no numbers"
    for name, over in (("camera", rig.camera_over_area()), ("projector", rig.projector_over_area())):
        if over is not None and not over.worst_mm <= MOST_U_MM:
            return f"the {name}'s places would be in doubt by {over.worst_mm:.1f} mm"
    return None


def _unwritable(path: Path, error: OSError) -> RigError:
    return RigError(f"{path}: cannot be written ({error.strerror}); choose another place with -o")


def load_rig(path: Path) -> Rig:
    """Read a rig. Raises RigError for no file, no rig, a damaged or a newer one."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RigError(f"{path}: cannot be read ({error.strerror}); make one with chalkbeam calibrate") from error
    except ValueError as error:
        raise RigError(f"{path}: not a rig file; make one with chalkbeam calibrate") from error
    if not isinstance(data, dict) or data.get("kind") != KIND:
        raise RigError(f"{path}: not a rig file; make one with chalkbeam calibrate")
    schema = data.get("schema")
    if isinstance(schema, int) and schema > SCHEMA:
        raise RigError(f"{path}: schema {schema} is newer than this program's {SCHEMA}; update chalkbeam")
    if schema not in (1, SCHEMA):
        raise RigError(f"{path}: damaged, schema {schema!r} is unknown; calibrate again")
    try:
        return _from_data(_brought_up(data))
    except ValueError as fault:
        raise RigError(f"{path}: damaged, {fault}; calibrate again") from fault


def _brought_up(data: Data) -> Data:
    """What a file of schema 1 says, in the keys of today: nobody had read its bars, whatever it says of scale."""
    if data["schema"] != 1:
        return data
    scale_u, how = OLD_SCALE
    tone = {"how": SRGB.how, "linear_of_byte": SRGB.linear_of_byte.tolist()}
    fresh: Data = {"frame_how": "", "mat_mm": None, "blur_px": None, "landmarks": None, "dots": None}
    return data | fresh | {"scale_u": scale_u, "scale_how": how, "tone": tone}


def _as_data(rig: Rig) -> Data:
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "made": rig.made.isoformat(),
        "frame": rig.frame,
        "frame_how": rig.frame_how,
        "mat_mm": None if rig.mat_mm is None else list(rig.mat_mm),
        "scale_u": rig.scale_u,
        "scale_how": rig.scale_how,
        "board": rig.board,
        "area_mat_mm": rig.area_mat_mm.tolist(),
        "camera": _device_data(rig.camera, rig.camera_over_area()),
        "projector": None if rig.projector is None else _device_data(rig.projector, rig.projector_over_area()),
        # for people, like the devices' summaries; computed from the rest when a rig is loaded
        "budget_mm": budget_data(rig_budget(rig)),
        "views": list(rig.views),
        "notes": list(rig.notes),
        "blur_px": rig.blur_px,
        "mat_over_paper": rig.mat_over_paper,
        "tone": {"how": rig.tone.how, "linear_of_byte": rig.tone.linear_of_byte.tolist()},
        "dots": None if rig.dots is None else dots_data(rig.dots),
        "landmarks": None if rig.landmarks is None else landmarks_data(rig.landmarks),
    }


def _device_data(device: Device, over: OverArea | None) -> Data:
    lens = device.pinhole.lens
    return {
        "size_px": list(lens.size_px),
        "focal_px": list(lens.focal_px),
        "centre_px": list(lens.centre_px),
        "distortion_k1_k2_p1_p2_k3": list(lens.distortion),
        "rotation_from_mat": device.pinhole.rotation.tolist(),
        "translation_mm": device.pinhole.translation_mm.tolist(),
        "residual_px": device.residual_px,
        # for people; computed from the rest when a rig is loaded
        "summary": None if over is None else {"u_rms_mm": over.rms_mm, "u_worst_mm": over.worst_mm},
        "covariance": device.covariance.tolist(),
    }


def _from_data(data: Data) -> Rig:
    area = array(data, "area_mat_mm", (None, 2))
    if len(area) < 3:
        raise ValueError("area_mat_mm has fewer than 3 corners")
    return Rig(
        camera=_device(get(data, "camera"), "camera"),
        projector=_if_there(data, "projector", lambda value: _device(value, "projector")),
        scale_u=number(data, "scale_u"),
        area_mat_mm=area,
        made=date(data, "made"),
        frame=text(get(data, "frame"), "frame"),
        frame_how=text(get(data, "frame_how"), "frame_how"),
        mat_mm=_if_there(data, "mat_mm", lambda _: _pair(data, "mat_mm")),
        scale_how=text(get(data, "scale_how"), "scale_how"),
        board=text(data.get("board", ""), "board"),  # not in every file of this schema
        tone=_tone(keys(get(data, "tone"), "tone")),
        mat_over_paper=number(data, "mat_over_paper") if data.get("mat_over_paper") else None,  # not in every file
        blur_px=_if_there(data, "blur_px", lambda _: number(data, "blur_px")),
        landmarks=_if_there(data, "landmarks", landmarks_from),
        dots=_if_there(data, "dots", dots_from),
        views=texts(data, "views"),
        notes=texts(data, "notes"),
    )


def _if_there(data: Data, key: str, read: Callable[[Any], T]) -> T | None:
    value = get(data, key)
    return None if value is None else read(value)


def _pair(data: Data, key: str) -> tuple[float, float]:
    first, second = array(data, key, (2,)).tolist()
    return first, second


def _tone(data: Data) -> Tone:
    curve = array(data, "linear_of_byte", (256,))
    if np.any(np.diff(curve) < 0) or curve[-1] <= curve[0]:
        raise ValueError("linear_of_byte does not rise")
    return Tone(curve, text(get(data, "how"), "how"))


def _device(data: Any, name: str) -> Device:
    data = keys(data, name)
    w, h = array(data, "size_px", (2,)).tolist()
    fx, fy = array(data, "focal_px", (2,)).tolist()
    cx, cy = array(data, "centre_px", (2,)).tolist()
    k1, k2, p1, p2, k3 = array(data, "distortion_k1_k2_p1_p2_k3", (5,)).tolist()
    if min(w, h, fx, fy) <= 0:
        raise ValueError(f"{name} has no size or no focal length")
    rotation = array(data, "rotation_from_mat", (3, 3))
    if np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(rotation) < 0:
        raise ValueError(f"{name}'s rotation_from_mat is no rotation")
    lens = Lens((int(w), int(h)), (fx, fy), (cx, cy), (k1, k2, p1, p2, k3))
    pinhole = Pinhole(lens, rotation, array(data, "translation_mm", (3,)))
    covariance = array(data, "covariance", (PARAMETERS, PARAMETERS))
    return Device(pinhole, covariance, number(data, "residual_px"))

"""A rig as a file: JSON that a person can read, written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS
from calibration.rig import Device, OverArea, Rig

Floats = NDArray[np.float64]

KIND = "chalkbeam rig"
SCHEMA = 1


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

    Raises RigError where it cannot be written.
    """
    text = json.dumps(_as_data(rig), indent=1, allow_nan=False, ensure_ascii=False)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise _unwritable(path, error) from error


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
    if schema != SCHEMA:
        raise RigError(f"{path}: damaged, schema {schema!r} is unknown; calibrate again")
    try:
        return _from_data(data)
    except _DamageError as fault:
        raise RigError(f"{path}: damaged, {fault}; calibrate again") from fault


class _DamageError(Exception):
    """What is wrong with the data."""


def _as_data(rig: Rig) -> dict[str, Any]:
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "made": rig.made.isoformat(),
        "frame": rig.frame,
        "scale_u": rig.scale_u,
        "area_mat_mm": rig.area_mat_mm.tolist(),
        "camera": _device_data(rig.camera, rig.camera_over_area()),
        "projector": None if rig.projector is None else _device_data(rig.projector, rig.projector_over_area()),
        "views": list(rig.views),
        "notes": list(rig.notes),
    }


def _device_data(device: Device, over: OverArea | None) -> dict[str, Any]:
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


def _from_data(data: dict[str, Any]) -> Rig:
    area = _array(data, "area_mat_mm", (None, 2))
    if len(area) < 3:
        raise _DamageError("area_mat_mm has fewer than 3 corners")
    projector = _get(data, "projector")
    return Rig(
        camera=_device(_get(data, "camera"), "camera"),
        projector=None if projector is None else _device(projector, "projector"),
        scale_u=_number(data, "scale_u"),
        area_mat_mm=area,
        made=_date(data),
        frame=_text(_get(data, "frame"), "frame"),
        views=_texts(data, "views"),
        notes=_texts(data, "notes"),
    )


def _device(data: Any, name: str) -> Device:
    if not isinstance(data, dict):
        raise _DamageError(f"{name} is not a set of keys")
    w, h = _array(data, "size_px", (2,)).tolist()
    fx, fy = _array(data, "focal_px", (2,)).tolist()
    cx, cy = _array(data, "centre_px", (2,)).tolist()
    k1, k2, p1, p2, k3 = _array(data, "distortion_k1_k2_p1_p2_k3", (5,)).tolist()
    if min(w, h, fx, fy) <= 0:
        raise _DamageError(f"{name} has no size or no focal length")
    rotation = _array(data, "rotation_from_mat", (3, 3))
    if np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(rotation) < 0:
        raise _DamageError(f"{name}'s rotation_from_mat is no rotation")
    lens = Lens((int(w), int(h)), (fx, fy), (cx, cy), (k1, k2, p1, p2, k3))
    pinhole = Pinhole(lens, rotation, _array(data, "translation_mm", (3,)))
    covariance = _array(data, "covariance", (PARAMETERS, PARAMETERS))
    return Device(pinhole, covariance, _number(data, "residual_px"))


def _get(data: dict[str, Any], key: str) -> Any:
    if key not in data:
        raise _DamageError(f"{key} is missing")
    return data[key]


def _number(data: dict[str, Any], key: str) -> float:
    return float(_array(data, key, ()))


def _array(data: dict[str, Any], key: str, shape: tuple[int | None, ...]) -> Floats:
    value = _get(data, key)
    try:
        array = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise _DamageError(f"{key} is not made of numbers") from None
    fits = array.ndim == len(shape) and all(
        want is None or have == want for have, want in zip(array.shape, shape, strict=True)
    )
    if not fits:
        raise _DamageError(f"{key} has the wrong number of values")
    if not np.all(np.isfinite(array)):
        raise _DamageError(f"{key} has values that are no numbers")
    return array


def _date(data: dict[str, Any]) -> datetime:
    try:
        return datetime.fromisoformat(_text(_get(data, "made"), "made"))
    except ValueError:
        raise _DamageError("made is not a date") from None


def _texts(data: dict[str, Any], key: str) -> tuple[str, ...]:
    value = _get(data, key)
    if not isinstance(value, Iterable) or isinstance(value, str | dict):
        raise _DamageError(f"{key} is not a list of lines")
    return tuple(_text(one, key) for one in value)


def _text(value: Any, key: str) -> str:
    if not isinstance(value, str):
        raise _DamageError(f"{key} is not text")
    return value

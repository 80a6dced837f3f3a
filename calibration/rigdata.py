"""Values out of a rig file, each checked before it is believed.

A value that is missing or wrong raises ValueError, which says so; who reads the file says which, and what to do.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Data = dict[str, Any]


def get(data: Data, key: str) -> Any:
    """The value of a key that must be there."""
    if key not in data:
        raise ValueError(f"{key} is missing")
    return data[key]


def keys(value: Any, name: str) -> Data:
    """A set of keys."""
    if not isinstance(value, dict):
        raise ValueError(f"{name} is not a set of keys")
    return value


def number(data: Data, key: str) -> float:
    """A finite number."""
    return float(array(data, key, ()))


def array(data: Data, key: str, shape: tuple[int | None, ...]) -> Floats:
    """Finite numbers of a shape; None stands for any count."""
    value = get(data, key)
    try:
        found = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{key} is not made of numbers") from None
    if found.size == 0 and None in shape:
        found = found.reshape([0 if want is None else want for want in shape])
    fits = found.ndim == len(shape) and all(
        want is None or have == want for have, want in zip(found.shape, shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{key} has the wrong number of values")
    if not np.all(np.isfinite(found)):
        raise ValueError(f"{key} has values that are no numbers")
    return found


def date(data: Data, key: str) -> datetime:
    """A moment, as ISO 8601 writes it."""
    try:
        return datetime.fromisoformat(text(get(data, key), key))
    except ValueError:
        raise ValueError(f"{key} is not a date") from None


def texts(data: Data, key: str) -> tuple[str, ...]:
    """A list of lines."""
    value = get(data, key)
    if not isinstance(value, Iterable) or isinstance(value, str | dict):
        raise ValueError(f"{key} is not a list of lines")
    return tuple(text(one, key) for one in value)


def text(value: Any, key: str) -> str:
    """One line."""
    if not isinstance(value, str):
        raise ValueError(f"{key} is not text")
    return value


def text_of_bytes(values: NDArray[np.uint8]) -> str:
    """Bytes as base64 text (RFC 4648)."""
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def bytes_of_text(data: Data, key: str, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """The way back from `text_of_bytes`."""
    try:
        raw = base64.b64decode(text(get(data, key), key), validate=True)
    except binascii.Error:
        raise ValueError(f"{key} is not base64") from None
    if len(raw) != int(np.prod(shape)):
        raise ValueError(f"{key} has the wrong number of bytes")
    return np.frombuffer(raw, np.uint8).reshape(shape).copy()

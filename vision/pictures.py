"""Still pictures from files, as 8-bit blue green red."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

GREATEST_PX = 100_000_000
PNG_START = b"\x89PNG\r\n\x1a\n"
JPEG_START = b"\xff\xd8"
JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # the segments that state a size


class PictureError(Exception):
    """A file is no picture that can be used; the message says in one line what to do."""


def read_picture(path: str | Path) -> NDArray[np.uint8]:
    """Read a picture as (height, width, 3) uint8, blue green red, in the sensor's own orientation.

    16 bits are rounded to 8, grey is repeated, alpha is dropped. A turn noted in the file (Exif) is not
    applied: a camera that looks straight down notes it at random, and a lens belongs to the sensor. Raises
    PictureError for a file that is missing, is no picture, or has more than 100 million pixels.
    """
    data = _bytes_of(path)
    _refuse_giants(path, stated_size_px(data))
    pixels = _decoded(data)
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"{path}: no picture that can be read; save it as .jpg, .png or .tif")
    _refuse_giants(path, (pixels.shape[1], pixels.shape[0]))
    return _eight_bit_bgr(pixels)


def stated_size_px(data: bytes) -> tuple[int, int] | None:
    """Width and height stated in the head of a PNG or JPEG: a giant is refused before it is unpacked.

    Sources: PNG specification (W3C), 11.2.1 IHDR; ITU-T T.81, B.2.2 frame header.
    """
    if data.startswith(PNG_START):
        return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
    if not data.startswith(JPEG_START):
        return None
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        kind, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if kind in JPEG_FRAMES:
            return int.from_bytes(data[at + 7 : at + 9], "big"), int.from_bytes(data[at + 5 : at + 7], "big")
        at += 2 + length
    return None


def _bytes_of(path: str | Path) -> bytes:
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PictureError(f"{path}: cannot be read ({reason}); check the name") from error
    if not data:
        raise PictureError(f"{path}: the file is empty; copy it again")
    return data


def _decoded(data: bytes) -> NDArray[np.generic] | None:
    """The picture as it was stored, None if it is none. The libraries below write to standard error themselves."""
    with _nothing_on_standard_error():
        try:
            pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        except cv2.error:
            return None
    return None if pixels is None else np.asarray(pixels)


@contextmanager
def _nothing_on_standard_error() -> Iterator[None]:
    """Let file descriptor 2 lead nowhere for a moment: libpng and libjpeg know no other way to be quiet."""
    sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _refuse_giants(path: str | Path, size_px: tuple[int, int] | None) -> None:
    if size_px is not None and size_px[0] * size_px[1] > GREATEST_PX:
        width, height = size_px
        raise PictureError(f"{path}: {width} x {height} pixels are too many; 100 million are the most, make it smaller")


def _eight_bit_bgr(pixels: NDArray[np.generic]) -> NDArray[np.uint8]:
    if pixels.dtype == np.uint16:
        pixels = ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    if pixels.ndim == 2:
        pixels = pixels[..., None]
    if pixels.shape[2] < 3:  # grey, or grey and alpha
        pixels = np.repeat(pixels[..., :1], 3, axis=2)
    return np.ascontiguousarray(pixels[..., :3], dtype=np.uint8)

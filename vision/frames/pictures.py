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

from vision.frames.picture_heads import stated_size_px, without_turn

GREATEST_PX = 100_000_000


class PictureError(Exception):
    """A file is no picture that can be used; the message says in one line what to do."""


def read_picture(path: str | Path) -> NDArray[np.uint8]:
    """Read a PNG, JPEG, TIFF, BMP or WebP as (height, width, 3) uint8, blue green red, in the sensor's own orientation.

    16 bits are rounded to 8, grey is repeated, alpha is dropped, inks are turned into colours. A turn noted in the
    file (Exif, TIFF) is not applied: a camera that looks straight down notes it at random, and a lens belongs to the
    sensor. All pictures of a rig must be alike in this: none may be turned by a program. Raises PictureError for a
    file that is missing, is no such picture or only the beginning of one, or has more than 100 million pixels.
    """
    data = _bytes_of(path)
    stated = stated_size_px(data)
    _refuse_giants(path, stated)
    pixels = None if stated is None else _decoded(data)  # of unknown size: it may be a giant
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"{path}: no picture that can be read, or only part of one; save it as .jpg, .png or .tif")
    _refuse_giants(path, (pixels.shape[1], pixels.shape[0]))
    return _eight_bit_bgr(pixels)


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
            pixels = cv2.imdecode(np.frombuffer(without_turn(data), np.uint8), cv2.IMREAD_UNCHANGED)
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

"""What the projector shows so that the camera can tell every projector pixel, and the reading of it.

Fringes of eight steps give the place within a period, Gray code tells the period. Eight steps cancel the
second to sixth harmonics, so the projector's own tone curve, whatever it is, does not shift the phase
(V. Srinivasan, H. C. Liu, M. Halioua, Applied Optics 23(18), 1984; harmonics: N-step discrete Fourier sum).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import linear_grey

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

STEPS = 8
FINEST_PERIOD_PX = 32
MOST_BITS = 7  # keeps the whole set below 40 pictures for any projector
LEAST_LIGHT = 0.008  # linear light between lit and dark, below which 8 bits no longer carry fringes
LEAST_MODULATION = 0.1  # of that light, in the fringes


def gray_code(n: NDArray[np.int64]) -> NDArray[np.int64]:
    """Reflected binary code: neighbours differ in one bit (F. Gray, US patent 2632058).

    >>> gray_code(np.arange(8)).tolist()
    [0, 1, 3, 2, 6, 7, 5, 4]
    """
    return n ^ (n >> 1)


def from_gray_code(code: NDArray[np.int64]) -> NDArray[np.int64]:
    """The number whose Gray code this is, for codes below 2 ** 32."""
    n = code.copy()
    for shift in (1, 2, 4, 8, 16):
        n ^= n >> shift
    return n


@dataclass(frozen=True, slots=True)
class _Axis:
    """How one axis of the picture is coded: cells of half a period in Gray code, and fringes."""

    length_px: int

    @property
    def period_px(self) -> int:
        period = FINEST_PERIOD_PX
        while -(-self.length_px * 2 // period) > 2**MOST_BITS:
            period *= 2
        return period

    @property
    def bits(self) -> int:
        cells = -(-self.length_px * 2 // self.period_px)
        return max(1, int(cells - 1).bit_length())

    def profiles(self) -> Iterator[Floats]:
        """Encoded brightness 0 to 1 along the axis: the bits, highest first, then the fringes."""
        at = np.arange(self.length_px) + 0.5  # from the rim of the first pixel
        code = gray_code((at * 2 // self.period_px).astype(np.int64))
        for bit in range(self.bits - 1, -1, -1):
            yield (code >> bit & 1).astype(float)
        for step in range(STEPS):
            yield 0.5 + 0.5 * np.cos(2 * np.pi * (at / self.period_px - step / STEPS))

    def place_px(self, code: NDArray[np.int64], phase_periods: NDArray[np.float32]) -> NDArray[np.float32]:
        """Pixels from the cell and the phase, in periods 0 to 1; a cell that is off by half is mended."""
        cell = from_gray_code(code)
        period = np.rint((cell + 0.5) / 2 - phase_periods)
        return ((period + phase_periods) * self.period_px - 0.5).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Patterns:
    """The pictures to show, in order: white, black, columns, rows. Each is (h, w, 3) uint8, of native size."""

    size_px: tuple[int, int]  # the projector's width and height

    def _axes(self) -> tuple[_Axis, _Axis]:
        return _Axis(self.size_px[0]), _Axis(self.size_px[1])

    def __len__(self) -> int:
        return 2 + sum(axis.bits + STEPS for axis in self._axes())

    def __iter__(self) -> Iterator[Picture]:
        w, h = self.size_px
        columns, rows = self._axes()
        yield np.full((h, w, 3), 255, np.uint8)
        yield np.zeros((h, w, 3), np.uint8)
        for profile in columns.profiles():
            yield _picture(np.broadcast_to(profile[None, :], (h, w)))
        for profile in rows.profiles():
            yield _picture(np.broadcast_to(profile[:, None], (h, w)))


def _picture(brightness: Floats) -> Picture:
    level = np.rint(255 * brightness).astype(np.uint8)
    return np.ascontiguousarray(np.broadcast_to(level[:, :, None], (*level.shape, 3)))


@dataclass(frozen=True, eq=False, slots=True)
class Decoded:
    """For every camera pixel, the projector pixel that lights it; NaN where none surely does."""

    projector_px: NDArray[np.float32]  # (h, w, 2)
    light: NDArray[np.float32]  # (h, w) white minus black, linear light


def decode(frames: Iterable[Picture], projector_size_px: tuple[int, int]) -> Decoded:
    """Read the camera's frames of all patterns, in their order.

    Raises ValueError if there are not as many frames as patterns, or not all of one size.
    """
    patterns = Patterns(projector_size_px)
    light = _checked(frames, len(patterns))
    white, black = next(light), next(light)
    middle, span = (white + black) * np.float32(0.5), white - black
    found = [_decode_axis(axis, light, middle, span) for axis in patterns._axes()]
    next(light, None)  # lets the count be checked
    sure = (span > LEAST_LIGHT) & found[0][1] & found[1][1]
    places = np.stack([found[0][0], found[1][0]], axis=-1)
    inside = np.all((places > -1) & (places < np.array(projector_size_px)), axis=-1)
    places[~(sure & inside)] = np.nan
    return Decoded(places, span)


def _checked(frames: Iterable[Picture], count: int) -> Iterator[NDArray[np.float32]]:
    shape, seen = None, 0
    for frame in frames:
        linear = linear_grey(frame)
        shape = shape or linear.shape
        seen += 1
        if linear.shape != shape or seen > count:
            raise ValueError(f"{count} frames of one size are read, not more and none of another size")
        yield linear
    if seen != count:
        raise ValueError(f"{count} frames are read, {seen} were given")


def _decode_axis(
    axis: _Axis, light: Iterator[NDArray[np.float32]], middle: NDArray[np.float32], span: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    code = np.zeros(middle.shape, np.int64)
    for _ in range(axis.bits):
        code = code << 1 | (next(light) > middle)
    cosine, sine = np.zeros_like(middle), np.zeros_like(middle)
    for step in range(STEPS):
        frame = next(light)
        cosine += frame * np.float32(np.cos(2 * np.pi * step / STEPS))
        sine += frame * np.float32(np.sin(2 * np.pi * step / STEPS))
    modulation = 2 / STEPS * np.hypot(cosine, sine)
    phase = (np.arctan2(sine, cosine) / (2 * np.pi)) % 1.0
    return axis.place_px(code, phase.astype(np.float32)), modulation > LEAST_MODULATION * span

"""What the projector shows so that the camera can tell every projector pixel.

Fringes of eight steps give the place within a period, Gray code tells the period. Eight steps cancel the
second to sixth harmonics, so the projector's own tone curve, whatever it is, does not shift the phase
(V. Srinivasan, H. C. Liu, M. Halioua, Applied Optics 23(18), 1984; harmonics: N-step discrete Fourier sum).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

STEPS = 8
FINEST_PERIOD_PX = 32
MOST_BITS = 7  # keeps the whole set below 40 pictures for any projector
WITNESS_PX = (23, 31)  # width and height of its fields; uneven, so that no likely move maps it onto itself
MOST_OFF_PERIODS = 0.4  # between code and phase: a quarter by design, the rest is for blur and noise


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
class Axis:
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
        """Pixels from the cell and the phase, in periods 0 to 1; NaN where the two do not go together.

        The phase settles which of two neighbouring cells it is; a cell farther off was not read rightly.
        """
        by_code = ((from_gray_code(code) + 0.5) / 2 - phase_periods).astype(np.float32)
        period = np.rint(by_code)
        place = (period + phase_periods) * np.float32(self.period_px) - np.float32(0.5)
        return np.where(np.abs(by_code - period) < MOST_OFF_PERIODS, place, np.float32(np.nan))


@dataclass(frozen=True, slots=True)
class Patterns:
    """The pictures to show, in order: white, black, witness, columns, rows, witness again.

    Each is (h, w, 3) uint8, of native size. The witness has edges both ways; whatever moved between its two
    appearances shows. `white` is the top level, less where a full white would clip in the camera.
    """

    size_px: tuple[int, int]  # the projector's width and height
    white: int = 255

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """How columns and rows are coded."""
        return Axis(self.size_px[0]), Axis(self.size_px[1])

    def __len__(self) -> int:
        return 4 + sum(axis.bits + STEPS for axis in self.axes)

    def __iter__(self) -> Iterator[Picture]:
        w, h = self.size_px
        columns, rows = self.axes
        yield self._picture(np.ones((h, w)))
        yield self._picture(np.zeros((h, w)))
        yield self._witness()
        for profile in columns.profiles():
            yield self._picture(np.broadcast_to(profile[None, :], (h, w)))
        for profile in rows.profiles():
            yield self._picture(np.broadcast_to(profile[:, None], (h, w)))
        yield self._witness()

    def _witness(self) -> Picture:
        w, h = self.size_px
        x, y = np.arange(w)[None, :], np.arange(h)[:, None]
        return self._picture(((x // WITNESS_PX[0] + y // WITNESS_PX[1]) % 2).astype(float))

    def _picture(self, brightness: Floats) -> Picture:
        level = np.rint(self.white * brightness).astype(np.uint8)
        return np.ascontiguousarray(np.broadcast_to(level[:, :, None], (*level.shape, 3)))

"""A picture in levels, worked out where it is asked for: most of a frame is bare mat that nobody looks at closely."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone
from vision.compiled import compiled
from vision.finding.contrast import CELL_PX, in_cells
from vision.light import LUMA_CHROMA, linear_image, luma_chroma

Floats32 = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Box = tuple[slice, slice]  # of rows and columns
Part = Box | tuple[Ints, Ints]  # or rows and columns (A, B) of single pixels

SQUARE_PX = 64  # of which each is worked out as a whole


Value = TypeVar("Value", bound=np.generic)
Work = Callable[[Part, Floats32 | None], Floats32]


class Layer:
    """Luminance and two colour differences (H, W, 3), linear, which `work` makes of any part of a picture.

    It puts them into an array (A, B, 3) if it is given one. `cells` are their means over 2 x 2 px. `levels` are given
    where all is worked out already.
    """

    def __init__(
        self,
        shape: tuple[int, ...],
        work: Work,
        cells: Floats32,
        levels: Floats32 | None = None,
    ) -> None:
        self.shape, self.cells, self._work = (shape[0], shape[1]), cells, work
        self._levels = np.empty((*self.shape, 3), np.float32) if levels is None else levels
        squares = -(-self.shape[0] // SQUARE_PX), -(-self.shape[1] // SQUARE_PX)
        self._ready = np.full(squares, levels is not None)

    @staticmethod
    def of(levels: Floats32) -> Layer:
        """All of it is there."""
        return Layer(levels.shape, lambda part, _: part_of(levels, part), in_cells(levels), levels)

    @staticmethod
    def of_picture(picture: Bytes | Floats32, tone: Tone) -> Layer:
        """Of a picture (H, W, 3) blue green red: in linear light, or as written down by a tone curve in 8 bits."""
        if picture.dtype == np.uint8:
            written = np.ascontiguousarray(picture, np.uint8)
            return Layer(picture.shape, partial(_levels_of, written, tone), _cells_of(_even(written), tone.table))
        linear = np.ascontiguousarray(picture, np.float32)
        cells = luma_chroma(in_cells(linear))
        return Layer(picture.shape, lambda part, into: luma_chroma(part_of(linear, part), into), cells)

    def some(self, part: Part) -> Floats32:
        """(A, B, 3): the levels of a part, or of single pixels."""
        return self._work(part, None)

    def whole(self) -> Floats32:
        """(H, W, 3): all levels."""
        return self._with(np.ones(self._ready.shape, np.bool_))

    def about(self, box: Box) -> Floats32:
        """(H, W, 3), worked out in a box of rows and columns at least; elsewhere it may be anything."""
        wanted = np.zeros(self._ready.shape, np.bool_)
        rows, columns = (slice(max(at.start, 0) // SQUARE_PX, -(-max(at.stop, 0) // SQUARE_PX)) for at in box)
        wanted[rows, columns] = True
        return self._with(wanted)

    def at(self, x: Ints, y: Ints) -> Floats32:
        """(H, W, 3), worked out at pixels (N,) and at those next to them; elsewhere it may be anything."""
        return self._with(_squares_of(x, y, self._ready.shape))

    def _with(self, wanted: Bools) -> Floats32:
        for row, first, end in _runs_of(wanted, self._ready).tolist():
            part = slice(row * SQUARE_PX, (row + 1) * SQUARE_PX), slice(first * SQUARE_PX, end * SQUARE_PX)
            self._work(part, self._levels[part])
        return self._levels


def part_of(picture: NDArray[Value], part: Part) -> NDArray[Value]:
    """(A, B, C) of a picture (H, W, C) without gaps in memory; by two indexes NumPy takes ten times as long."""
    rows, columns = part
    if isinstance(rows, slice):
        return picture[part]
    width, channels = picture.shape[1:]
    return np.asarray(np.take(picture.reshape(-1, channels), rows * width + columns, axis=0), picture.dtype)


@compiled
def _runs_of(wanted: Bools, ready: Bools) -> Ints:
    """(R, 3) row, first and end of the runs of squares in rows that are wanted and not ready; now they are."""
    runs, many = np.empty((wanted.size, 3), np.int64), 0
    for row in range(wanted.shape[0]):
        running = False
        for column in range(wanted.shape[1]):
            lacking = wanted[row, column] and not ready[row, column]
            if lacking and not running:
                runs[many, 0], runs[many, 1] = row, column
                many += 1
            if lacking:
                runs[many - 1, 2] = column + 1
                ready[row, column] = True
            running = lacking
    return runs[:many].copy()


@compiled
def _squares_of(x: Ints, y: Ints, count: tuple[int, int]) -> Bools:
    """Which squares, so many each way, hold pixels (N,) or such as are next to them."""
    squares = np.zeros(count, np.bool_)
    for i in range(len(x)):
        left, right = max(x[i] - 1, 0) // SQUARE_PX, min((x[i] + 1) // SQUARE_PX, count[1] - 1)
        above, below = max(y[i] - 1, 0) // SQUARE_PX, min((y[i] + 1) // SQUARE_PX, count[0] - 1)
        squares[above, left] = squares[above, right] = squares[below, left] = squares[below, right] = True
    return squares


def _levels_of(written: Bytes, tone: Tone, part: Part, into: Floats32 | None) -> Floats32:
    if into is None:
        return luma_chroma(linear_image(part_of(written, part), tone))
    _look_up(written[part], tone.table, into)
    return into


@compiled
def _look_up(picture: Bytes, table: Floats32, levels: Floats32) -> None:
    """Levels (A, B, 3) of a picture in 8 bits, of whose values `table` (256,) says the linear light."""
    weights = LUMA_CHROMA
    for y in range(picture.shape[0]):
        for x in range(picture.shape[1]):
            b, g, r = table[picture[y, x, 0]], table[picture[y, x, 1]], table[picture[y, x, 2]]
            light = weights[0, 0] * b + weights[0, 1] * g + weights[0, 2] * r
            levels[y, x, 0], levels[y, x, 1], levels[y, x, 2] = light, r - light, b - light


def _even(picture: Bytes) -> Bytes:
    """With its last row and column twice where they are odd ones."""
    height, width = picture.shape[:2]
    if height % CELL_PX or width % CELL_PX:
        rim = (0, height % CELL_PX, 0, width % CELL_PX)
        picture = np.asarray(cv2.copyMakeBorder(picture, *rim, cv2.BORDER_REPLICATE), np.uint8)
    return np.ascontiguousarray(picture)


@compiled
def _cells_of(picture: Bytes, table: Floats32) -> Floats32:
    """(h, w, 3) levels of a picture (2 h, 2 w, 3) in 8 bits, of whose values `table` (256,) says the linear light."""
    height, width = picture.shape[0] // 2, picture.shape[1] // 2
    cells, sums, quarter = np.empty((height, width, 3), np.float32), np.empty(6 * width, np.float32), np.float32(0.25)
    weights = LUMA_CHROMA
    for y in range(height):
        above, below, own = picture[2 * y].reshape(-1), picture[2 * y + 1].reshape(-1), cells[y].reshape(-1)
        for i in range(6 * width):
            sums[i] = (table[above[i]] + table[below[i]]) * quarter
        for x in range(width):
            b, g, r = (
                sums[6 * x] + sums[6 * x + 3],
                sums[6 * x + 1] + sums[6 * x + 4],
                sums[6 * x + 2] + sums[6 * x + 5],
            )
            light = weights[0, 0] * b + weights[0, 1] * g + weights[0, 2] * r
            own[3 * x], own[3 * x + 1], own[3 * x + 2] = light, r - light, b - light
    return cells

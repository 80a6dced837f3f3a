"""How far a frame has moved against the picture of the empty mat, told by the mat's own lines and grain.

Gauss-Newton on the brightness difference (Lucas and Kanade, IJCAI 1981, 674-679) for the eight numbers of a
homography, from an eighth of the size to a half of it. Only where the mat has marks, and not where there is cloth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.medians import median

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]

COARSE = 4  # times smaller than the pictures given, for the first look: so far lines still overlap after 10 px
MOST_MARKS = 4_000
KEPT_MARKS = 40_000  # of the mat: cloth may lie on nine of ten
LEAST_MARKS = 200
COARSE_STEPS, FINE_STEPS = 8, 5
SETTLED_PX = 0.01
LIKELY = np.array([20.0, 5.0, 5.0, 20.0, 5.0, 5.0, 1.5, 1.5])  # px; shift, stretch and turn, tilt, at the picture's rim
TUKEY = 4.685  # a difference this many standard deviations large says nothing of a move (95 % efficiency; Huber 1981)
MARK, FAINT, GRAIN = 4.0, 2.5, 1.5  # a mark's slope over the noise of slopes: of lines, faint ones, the mat's grain
NEIGHBOURS = 9.0  # so many pixels err together where a picture is compressed or resampled
NEAR_PX = 0.3
LEAST_MOVE_PX = 0.06  # what is less than this moves no side by a hundredth of a pixel
SURE = 25.0  # chi squared of a move beyond which it is one


@dataclass(frozen=True, eq=False, slots=True)
class Move:
    """Where the frame's pixels lie in the mat's picture, and how much that is at the picture's corners and middle."""

    mat_px_from_frame_px: Floats  # (3, 3) homography of full-size pixels
    greatest_px: float
    significant: bool


def find_move(frame: Floats32, bare: Floats32, usable: NDArray[np.bool_], marks: Marks) -> Move:
    """The move between two pictures (h, w) of light of the same exposure; `marks` are those of the bare mat.

    `usable` (h, w) is False on cloth. A frame without marks has not moved as far as anybody can tell.
    """
    if marks.small is None:
        return _still()
    fine = _Fit.of(frame, bare, usable, marks.own)
    if fine is None:
        return _still()
    # Where large cloth leaves the first look few marks on one side, it may miss by more than the second look reaches.
    starts = [np.zeros(8)]
    if not fine.is_near():
        size = marks.small.shape[1::-1]
        whole = np.ascontiguousarray(frame), bare
        small = [np.asarray(cv2.resize(one, size, interpolation=cv2.INTER_AREA), np.float32) for one in whole]
        free = cv2.resize(usable.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
        rough = _Fit.of(small[0], small[1], free, marks.small)
        starts += [] if rough is None else [rough.settle(np.zeros(8), COARSE_STEPS)[0]]
    settled = [fine.settle(start, FINE_STEPS) for start in starts]
    change, covariance = settled[fine.most_agreed([change for change, _ in settled])]
    return _judged(change, covariance, frame.shape, marks.own.axes, marks.cell_px)


@dataclass(frozen=True, eq=False, slots=True)
class Marks:
    """Where the bare mat has lines or grain to tell a move by, in a picture of it and in a smaller one."""

    own: _Marked
    small: _Marked | None  # None where there is too little
    cell_px: int

    @staticmethod
    def of(light: Floats32, cell_px: int) -> Marks:
        """Of the mat's light (h, w), each pixel of which is `cell_px` of the camera's wide."""
        size = (light.shape[1] // COARSE, light.shape[0] // COARSE)
        middle, scale = (np.array(light.shape[1::-1], float) - 1) / 2, float(light.shape[1])
        own, small = _Marked.of(light, _Axes(middle, scale)), None
        if min(size) >= 16:
            smaller = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
            small = _Marked.of(smaller, _Axes(_at_cells(middle, 1 / COARSE), scale / COARSE))
        return Marks(own, small, cell_px)


@dataclass(frozen=True, eq=False, slots=True)
class _Axes:
    """Places as u = (x - middle) / scale, so that the eight numbers are of one size."""

    middle: Floats
    scale: float

    def slopes_of(self, u: Floats) -> tuple[Floats, Floats]:
        """(N, 8) derivatives of where a pixel goes, along x and y, in units of the scale."""
        zero, one = np.zeros(len(u)), np.ones(len(u))
        x, y = u.T
        return (
            np.column_stack([one, x, y, zero, zero, zero, x * x, x * y]),
            np.column_stack([zero, zero, zero, one, x, y, x * y, y * y]),
        )

    def homography(self, change: Floats, cell_px: float) -> Floats:
        """(3, 3) over full-size pixels, of which a cell holds `cell_px` each way."""
        a = change
        inner = np.array([[1 + a[1], a[2], a[0]], [a[4], 1 + a[5], a[3]], [-a[6], -a[7], 1.0]])
        size, middle = self.scale * cell_px, _at_cells(self.middle, cell_px)
        to_px = np.array([[size, 0, middle[0]], [0, size, middle[1]], [0, 0, 1.0]])
        h = to_px @ inner @ np.linalg.inv(to_px)
        return np.asarray(h / h[2, 2])


def _at_cells(point: Floats, times: float) -> Floats:
    """A place in pixels, in pixels `times` as many: centres stay centres."""
    return (point + 0.5) * times - 0.5


@dataclass(frozen=True, eq=False, slots=True)
class _Marked:
    """The slopes of the mat's own picture, and its pixels (flat indexes) that are marks: strong, more, most."""

    axes: _Axes
    shape: tuple[int, ...]
    slope_x: Floats32
    slope_y: Floats32
    light: Floats32
    marks: tuple[Ints, ...]

    @staticmethod
    def of(light: Floats32, axes: _Axes) -> _Marked:
        slope_x = np.asarray(cv2.Scharr(light, cv2.CV_32F, 1, 0, scale=1 / 32), np.float32)
        slope_y = np.asarray(cv2.Scharr(light, cv2.CV_32F, 0, 1, scale=1 / 32), np.float32)
        steep = cv2.dilate(np.maximum(np.abs(slope_x), np.abs(slope_y)), np.ones((3, 3), np.uint8))
        ground = median(np.asarray(steep[::3, ::3]))
        inside = np.zeros(light.shape, bool)
        inside[6:-6, 6:-6] = True
        marks = (np.flatnonzero((steep > least * ground) & inside) for least in (MARK, FAINT, GRAIN))
        return _Marked(axes, light.shape, slope_x, slope_y, light, tuple(_some(one, KEPT_MARKS) for one in marks))


@dataclass(frozen=True, eq=False, slots=True)
class _Fit:
    """The marks that can be used, and what the frame shows there."""

    marked: _Marked
    bare: Floats32
    brighter: float  # the light of `bare` over that in which the slopes were taken
    places: Floats  # (N, 2)
    seen: Floats32  # (N,)

    @staticmethod
    def of(frame: Floats32, bare: Floats32, usable: NDArray[np.bool_], marked: _Marked) -> _Fit | None:
        free = usable.ravel()
        strong, faint, grain = (one[free[one]] for one in marked.marks)
        marks = _some(strong, MOST_MARKS)
        if len(strong) < MOST_MARKS:
            more = faint if len(faint) >= LEAST_MARKS else grain
            marks = np.union1d(marks, _some(more, MOST_MARKS - len(strong)))
        if len(marks) < LEAST_MARKS:
            return None
        light = marked.light.ravel()[marks]
        y, x = np.divmod(marks, marked.shape[1])
        brighter = float(bare.ravel()[marks] @ light) / max(float(light @ light), 1e-12)
        return _Fit(marked, bare, brighter, np.column_stack([x, y]).astype(float), frame[y, x])

    def is_near(self) -> bool:
        """Whether most marks differ by less than a small part of a pixel's move does: no first look is needed."""
        at = self.places[:, 1].astype(np.int64), self.places[:, 0].astype(np.int64)
        off = self.seen - self.bare[at]
        steep = self.brighter * np.maximum(np.abs(self.marked.slope_x[at]), np.abs(self.marked.slope_y[at]))
        return median(np.abs(off - median(off))) < NEAR_PX * median(steep)

    def most_agreed(self, changes: Sequence[Floats]) -> int:
        """The number of the one that the most marks agree with."""
        if len(changes) == 1:
            return 0
        offs = [self._off(change) for change in changes]
        spread = min(_spread(off) for off in offs)
        return int(np.argmax([float(_weight(off, spread).sum()) for off in offs]))

    def _off(self, change: Floats) -> Floats:
        """(N,): how much brighter the frame is at the marks than the mat where it would have moved to."""
        axes = self.marked.axes
        along_x, along_y = axes.slopes_of((self.places - axes.middle) / axes.scale)
        at = self.places + axes.scale * np.column_stack([along_x @ change, along_y @ change])
        off = self.seen - _sampled(self.bare, at.astype(np.float32))
        return np.asarray(off - median(off))

    def settle(self, change: Floats, steps: int) -> tuple[Floats, Floats]:
        """The eight numbers from a start, and their covariance (8, 8)."""
        axes = self.marked.axes
        along_x, along_y = axes.slopes_of((self.places - axes.middle) / axes.scale)
        covariance = np.eye(8)
        for _ in range(steps):
            at = self.places + axes.scale * np.column_stack([along_x @ change, along_y @ change])
            pictures = self.bare, self.marked.slope_x, self.marked.slope_y
            bare, slope_x, slope_y = (_sampled(one, at.astype(np.float32)) for one in pictures)
            jacobian = axes.scale * self.brighter * (slope_x[:, None] * along_x + slope_y[:, None] * along_y)
            off = self.seen - bare
            off = off - median(off)
            spread = _spread(off)
            weight = _weight(off, spread)
            normal = np.asarray(jacobian.T @ (weight[:, None] * jacobian), np.float64)
            # What the marks leave open (cloth on them, the table around) stays as small as a camera's knock makes it.
            prior = np.diag(NEIGHBOURS * (spread * axes.scale / LIKELY) ** 2)
            normal = normal + prior
            step = np.linalg.solve(normal, jacobian.T @ (weight * off) - prior @ change)
            change = change + step
            covariance = np.asarray(np.linalg.inv(normal), np.float64) * (spread**2 * NEIGHBOURS)
            # No place's move is surer than all eight numbers together: with so little nothing has moved.
            told = float(change @ normal @ change) / (spread**2 * NEIGHBOURS)
            if np.abs(step).max() * axes.scale < SETTLED_PX or told < SURE / 4.0:
                break
        return change, covariance


def _some(marks: Ints, most: int) -> Ints:
    """At most so many of them, from all over."""
    return marks[:: max(1, -(-len(marks) // most))]


def _spread(off: Floats) -> float:
    """Standard deviation of the marks' noise.

    Cloth may hide more than half of the marks: the third that fits best tells the noise; of a normal distribution's
    values a third lie within 0.4307 standard deviations.
    """
    third = len(off) // 3
    return max(float(np.partition(np.abs(off), third)[third]) / 0.4307, 1e-6)


def _weight(off: Floats, spread: float) -> Floats:
    return np.asarray(np.clip(1.0 - (off / (TUKEY * spread)) ** 2, 0.0, 1.0) ** 2)


def _sampled(image: Floats32, places: Floats32) -> Floats:
    rows = -(-len(places) // 1024)
    padded = np.zeros((rows * 1024, 2), np.float32)
    padded[: len(places)] = places
    at = padded.reshape(rows, 1024, 2)
    x, y = np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1])
    seen = cv2.remap(image, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen.ravel()[: len(places)], np.float64)


def _judged(change: Floats, covariance: Floats, shape: tuple[int, ...], axes: _Axes, cell_px: int) -> Move:
    height, width = shape[:2]
    ends = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height], [width / 2, height / 2]])
    along = np.stack(axes.slopes_of((ends - axes.middle) / axes.scale), axis=1) * (axes.scale * cell_px)
    moves = along @ change
    doubts = along @ covariance @ np.swapaxes(along, 1, 2) + 1e-9 * np.eye(2)
    sure = np.einsum("ni,nij,nj->n", moves, np.linalg.inv(doubts), moves)
    sizes = np.hypot(*moves.T)
    greatest = float(sizes.max())
    significant = bool(np.any((sure > SURE) & (sizes > LEAST_MOVE_PX))) and greatest < 0.05 * width * cell_px
    return Move(axes.homography(change, float(cell_px)), greatest, significant)


def _still() -> Move:
    return Move(np.eye(3), 0.0, False)

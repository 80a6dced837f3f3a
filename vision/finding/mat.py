"""The known mat: what the empty mat looks like, and how a frame differs from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.tone import SRGB, Tone
from vision.edge.model.mask import Sharpening
from vision.finding.commonest import bare_spread, commonest
from vision.finding.contrast import CELL_PX, Contrast, in_cells, measure_contrast, some_px, within_share
from vision.finding.exposure import Exposure, match_exposure
from vision.finding.guess import guessed_levels
from vision.finding.layers import Layer, part_of
from vision.finding.register import Marks, find_move
from vision.light import LUMA_CHROMA, bgr_of, byte_step, luma_chroma
from vision.medians import median

Floats32 = NDArray[np.float32]

HELD = 1.3  # the room's light may make the mat so many times brighter or darker while exposure and lamp are held
FULL = 0.98  # of what a channel can hold
COARSE = 4  # cells each way, of what is told in broad strokes


@dataclass(frozen=True, eq=False)
class MatPicture:
    """The empty mat as the camera sees it.

    `levels` is (H, W, 3), linear luminance and two colour differences. `known` is False where no picture of the
    bare mat was given and the levels are a guess: stains are then not in it. `held` is True where
    the camera's exposure and the lamp stay as they were for it: one cloth may then cover more of the mat than is bare.
    """

    levels: Floats32
    known: bool
    held: bool = False

    @cached_property
    def cells(self) -> Floats32:
        """Its means over cells of 2 x 2 px."""
        return in_cells(self.levels)

    @cached_property
    def layer(self) -> Layer:
        """As it is."""
        return Layer.of(self.levels)

    @cached_property
    def coarse(self) -> Floats32:
        """Its means over squares of 8 x 8 px, blue green red."""
        return _coarse(self.cells)

    @cached_property
    def marks(self) -> Marks:
        """By which a move of the camera shows in cells."""
        return Marks.of(np.asarray(cv2.extractChannel(self.cells, 0), np.float32), CELL_PX)


def mat_picture(linear: Floats32, held: bool = False) -> MatPicture:
    """The bare mat from its picture (H, W, 3) in linear light, better the mean of several."""
    return MatPicture(luma_chroma(linear), known=True, held=held)


def guessed_mat_picture(linear: Floats32, on_mat: NDArray[np.bool_], camera: Pinhole | None = None) -> MatPicture:
    """Guess the bare mat from a picture with cloth on it: its light, as smooth as it falls, and its printed lines.

    `linear` is (H, W, 3), `on_mat` (H, W), True where the mat can be seen at all; `camera` tells where lines along the
    mat would lie. Good where most of the mat is bare.
    """
    return MatPicture(guessed_levels(luma_chroma(linear), on_mat, camera), known=False)


def on_mat_mask(camera: Pinhole, area_mat_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(H, W): True for the camera's pixels that show a polygon (M, 2) of the mat."""
    shares = np.arange(0.0, 1.0, 0.05)[:, None]
    ends = zip(area_mat_mm, np.roll(area_mat_mm, -1, axis=0), strict=True)
    rim_px = camera.px_from_mat(np.concatenate([a + shares * (b - a) for a, b in ends]))
    width, height = camera.lens.size_px
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.rint(np.clip(rim_px, -1e4, 1e5)).astype(np.int32)], 1)
    return mask > 0


class KnownLamp(Protocol):
    """A lamp whose place is known, and with it the shadow that cloth throws on the mat."""

    @property
    def share(self) -> float:
        """Of the mat's light, what comes from it."""
        ...

    @property
    def u(self) -> float:
        """Relative standard uncertainty of how far the shadow reaches."""
        ...

    def shadow_mm(self, points_mat_mm: NDArray[np.float64], height_mm: float) -> NDArray[np.float64]:
        """(N, 2): where the shadow of points (N, 2), so high above the mat, falls from their feet."""
        ...


@dataclass(frozen=True, eq=False)
class Scene:
    """A frame beside the mat it was taken over: linear luminance and two colour differences.

    `mat` is the mat as it would look in this frame: in its exposure and light, from where the camera now is.
    """

    seen: Layer
    mat: Layer
    noise: NDArray[np.float64]  # (3,) standard deviation of one pixel's difference on bare mat
    known: bool  # whether `bare` came from a picture of the bare mat
    tone: Tone = SRGB  # of the camera
    moved_px: float = 0.0  # how far the camera has moved since the mat's picture, at most; 0 if not noticeably
    lamp: KnownLamp | None = None  # where the light comes from, if that is known
    held: bool = False  # whether the mat's light is known to be about that of its picture
    mask: Sharpening | None = None  # what its camera had sharpened it by, and was undone
    on_mat: NDArray[np.bool_] | None = None  # (H, W): where the mat is; None for everywhere

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.seen.shape

    @property
    def levels(self) -> Floats32:
        """(H, W, 3) of the frame."""
        return self.seen.whole()

    @property
    def bare(self) -> Floats32:
        """(H, W, 3) of the mat."""
        return self.mat.whole()

    @cached_property
    def step(self) -> float:
        """What one step of the 8-bit encoding is worth on the bare mat."""
        return byte_step(median(self.mat.cells[::COARSE, ::COARSE, 0]), self.tone)

    @cached_property
    def contrast(self) -> Contrast:
        """How surely each cell of 2 x 2 px differs from the bare mat."""
        shown = None if self.on_mat is None else self.on_mat[::CELL_PX, ::CELL_PX]
        return measure_contrast(self.seen.cells, self.mat.cells, self.step, _most_share(self.held), shown)


def compare_with_mat(
    picture: Floats32 | NDArray[np.uint8],
    mat: MatPicture,
    on_mat: NDArray[np.bool_],
    tone: Tone = SRGB,
    lamp: KnownLamp | None = None,
) -> Scene:
    """Bring the mat's picture to the light and the place of a picture; state their noise.

    The picture is (H, W, 3), in linear light or as written down in 8 bits. The gain of each channel is matched, the
    light's fall where it changed, and the camera's move where one shows: what has not changed stays as it is, untouched
    by any resampling. Raises ValueError where the sizes differ.
    """
    if picture.shape != mat.levels.shape:
        raise ValueError(f"the frame is {picture.shape[:2]}, the mat's picture {mat.levels.shape[:2]}")
    seen = Layer.of_picture(picture, tone)
    bare, moved_px = _bare_now(seen.cells, mat, on_mat) if mat.known else (mat.layer, 0.0)
    sparse = (slice(None, None, some_px(seen.shape)),) * 2
    there = bare.some(sparse)
    difference, shown = seen.some(sparse) - there, on_mat[sparse]
    difference = difference[shown & within_share(difference[..., 0], there[..., 0], _most_share(mat.held))]
    noise = np.full(3, 2e-4)
    if len(difference):
        mode = commonest(difference[:, 0])
        near = np.abs(difference[:, 0] - mode) < 4.0 * bare_spread(difference[:, 0], mode)
        noise = np.array([bare_spread(channel) for channel in np.ascontiguousarray(difference[near].T)])
    return Scene(seen, bare, noise, mat.known, tone, moved_px, lamp, mat.held, on_mat=on_mat)


def _most_share(held: bool) -> float:
    """Of the mat's light, by which its place may differ from it and be bare: elsewhere is surely cloth."""
    return HELD - 1.0 if held else np.inf


def _bare_now(seen: Floats32, mat: MatPicture, on_mat: NDArray[np.bool_]) -> tuple[Layer, float]:
    """The bare mat as a frame with cells `seen` (h, w, 3) would show it, and how far the camera has moved, in px."""
    shown, coarse = np.ascontiguousarray(on_mat[::CELL_PX, ::CELL_PX]), _coarse(seen)
    most = HELD if mat.held else np.inf
    exposure = match_exposure(coarse, mat.coarse, shown, most)
    cells = exposure.of_levels(mat.cells)
    light = np.asarray(cv2.extractChannel(cells, 0), np.float32)
    free = _without_cloth(coarse, exposure.of_light(mat.coarse), shown.shape)
    move = find_move(seen[..., 0], light, free & shown, mat.marks)
    if not move.significant:
        return _lit(mat.levels, exposure, cells), 0.0
    height, width = on_mat.shape
    there = np.asarray(
        cv2.warpPerspective(
            mat.levels,
            move.mat_px_from_frame_px,
            (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )
    cells = in_cells(there)
    exposure = match_exposure(coarse, _coarse(cells), shown, most)
    return _lit(there, exposure, exposure.of_levels(cells)), move.greatest_px


def _lit(levels: Floats32, exposure: Exposure, cells: Floats32) -> Layer:
    """The mat's levels (H, W, 3) in another exposure, in which its cells (h, w, 3) are known."""
    return Layer(
        levels.shape, lambda part, into: exposure.of_levels(part_of(levels, part), part, levels.shape, into), cells
    )


def _coarse(cells: Floats32) -> Floats32:
    """Means of levels in cells (h, w, 3) over 4 x 4 of them, as blue green red."""
    return bgr_of(in_cells(in_cells(cells)))


def _without_cloth(seen: Floats32, bare: Floats32, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """`shape` (h, w): where the means over blocks wider than any line agree roughly with the bare mat in each channel.

    `seen` and `bare` are coarse blue green red. Only what stands out is left out here: lines that have moved change
    such means too, and weak cloth does no harm.
    """
    off = np.asarray(cv2.blur(seen - bare, (5, 5)), np.float32)
    least = 0.15 * median(bare @ LUMA_CHROMA[0])
    most = np.array([max(6.0 * bare_spread(off[::3, ::3, c].ravel()), least) for c in range(3)])
    # Where a channel is full in one of the pictures, light and exposure no longer go together.
    even, dim = cv2.inRange(off, -most, most), cv2.inRange(cv2.max(seen, bare), (-np.inf,) * 3, (FULL,) * 3)
    free = cv2.erode(cv2.bitwise_and(even, dim), np.ones((3, 3), np.uint8))
    return np.asarray(cv2.resize(free, shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0)


def smooth(image: Floats32, size_px: int) -> Floats32:
    """Box mean of (H, W, C)."""
    return np.asarray(cv2.blur(image, (size_px, size_px)), dtype=np.float32)

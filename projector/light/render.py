"""Draw a scene on any target: the projector through its lens, the laptop's screen, a PNG. Pure.

The target is known by one function alone: from points of the mat, mm, to its pixels (the centre of the first
pixel is (0, 0)). Light is added up linearly and encoded with the sRGB curve at the end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.guide.scene.scenes import Fill, Ink, Mark, Scene, Stroke, Words
from projector.light.coverage import NOTHING, Coverage, Segments, lines_coverage, polygon_coverage
from projector.light.inks import PALETTE, Palette
from projector.light.lettering import draw_line, text_reach_mm, text_width_mm
from vision.light import srgb_from_linear

Floats = NDArray[np.float64]
Mapping = Callable[[Floats], Floats]
Lifted = Callable[[float], Mapping]

PIECE_PX = 12.0  # a straight line on the mat is a curve through a lens; so short a piece is straight
GREATEST_PIECES = 4000
OVERSAMPLED = 5  # text mask pixels a target pixel, odd so that its box has a middle
GREATEST_MASK_PX = 30_000  # OpenCV looks up in pictures of less than 32767 columns
FIT_NODES = (17, 5)  # along and across a line of text


def draw(
    scene: Scene,
    px_from_mat: Mapping,
    size_px: tuple[int, int],
    palette: Palette = PALETTE,
    lifted: Lifted | None = None,
) -> NDArray[np.uint8]:
    """Draw a scene.

    Parameters
    ----------
    scene : Scene
        Marks in the mat frame; later ones lie over earlier ones.
    px_from_mat : callable
        (N, 2) float64 points of the mat, mm, to (N, 2) pixels of the target; NaN where it cannot say.
    size_px : (int, int)
        Width and height of the target.
    palette : mapping of Ink to (3,)
        Linear red, green, blue, 0 to 1.
    lifted : callable, optional
        From a height above the scene, mm, to the mapping there. Without it all lies flat, as seen from straight above.

    Returns
    -------
    (height, width, 3) uint8
        Blue, green, red, sRGB-encoded.
    """
    sheet = _Sheet(size_px, palette[Ink.LAMP] * scene.lamp)
    for mark in scene.marks:
        lift_mm = mark.lift_mm if isinstance(mark, Stroke) else 0.0
        mapping = lifted(lift_mm) if lifted and lift_mm else px_from_mat
        sheet.lay(coverage_of(mark, mapping, size_px), palette[mark.ink])
    return sheet.encoded()


def coverage_of(mark: Mark, px_from_mat: Mapping, size_px: tuple[int, int]) -> Coverage:
    """Which pixels a mark touches, and how much of each."""
    match mark:
        case Stroke():
            return lines_coverage(_stroke_segments(mark, px_from_mat), size_px)
        case Fill():
            return polygon_coverage(_closed_px(mark, px_from_mat), size_px)
        case Words():
            return _words_coverage(mark, px_from_mat, size_px)


class _Sheet:
    """A picture in linear light that remembers which pixels were touched: few of them, mostly."""

    def __init__(self, size_px: tuple[int, int], lamp: Floats) -> None:
        self._size, self._lamp = size_px, lamp
        pixels = size_px[0] * size_px[1]
        self._light = np.zeros((pixels, 3)) if not lamp.any() else np.tile(lamp, (pixels, 1))
        self._touched = np.zeros(pixels, bool)

    def lay(self, coverage: Coverage, light: Floats) -> None:
        share = coverage.share[:, None]
        self._light[coverage.at] += share * (light - self._light[coverage.at])
        self._touched[coverage.at] = True

    def encoded(self) -> NDArray[np.uint8]:
        width, height = self._size
        picture = np.empty((width * height, 3), np.uint8)
        picture[:] = _eight_bit_bgr(self._lamp)
        picture[self._touched] = _eight_bit_bgr(self._light[self._touched])
        return picture.reshape(height, width, 3)


def _eight_bit_bgr(light: Floats) -> NDArray[np.uint8]:
    return np.rint(srgb_from_linear(np.clip(light, 0.0, 1.0))[..., ::-1] * 255.0).astype(np.uint8)


def _stroke_segments(stroke: Stroke, px_from_mat: Mapping) -> Segments:
    """A stroke as short straight pieces in pixels, as wide as `width_mm` is there across the stroke."""
    points = np.array(stroke.points_mat_mm, float).reshape(-1, 2)
    starts, ends = _dashes(points, stroke.dash_mm) if stroke.dash_mm else (points[:-1], points[1:])
    long_enough = np.hypot(*(ends - starts).T) > 1e-9
    starts, ends = _subdivided(starts[long_enough], ends[long_enough], px_from_mat)
    starts_px, half_starts = _centre_and_half_width(starts, ends - starts, stroke.width_mm, px_from_mat)
    ends_px, half_ends = _centre_and_half_width(ends, ends - starts, stroke.width_mm, px_from_mat)
    return Segments(starts_px, ends_px, half_starts, half_ends)


def _dashes(points: Floats, dash_mm: float) -> tuple[Floats, Floats]:
    """Cut a line into dashes and gaps of one length; starts and ends of the dashes."""
    starts, ends, gone_mm = [], [], 0.0
    for a, b in pairwise(points):
        length = float(np.hypot(*(b - a)))
        on = 2.0 * dash_mm * np.arange(np.floor(gone_mm / (2.0 * dash_mm)), (gone_mm + length) / (2.0 * dash_mm))
        first = np.maximum(on, gone_mm) - gone_mm
        last = np.minimum(on + dash_mm, gone_mm + length) - gone_mm
        kept = last > first
        along = (b - a) / max(length, 1e-12)
        starts.append(a + first[kept, None] * along)
        ends.append(a + last[kept, None] * along)
        gone_mm += length
    return np.concatenate([*starts, np.empty((0, 2))]), np.concatenate([*ends, np.empty((0, 2))])


def _subdivided(starts: Floats, ends: Floats, px_from_mat: Mapping) -> tuple[Floats, Floats]:
    """Divide lines on the mat so that each piece is about `PIECE_PX` long in the target."""
    if len(starts) == 0:
        return starts, ends
    lengths_px = np.hypot(*(px_from_mat(ends) - px_from_mat(starts)).T)
    counts = np.clip(np.nan_to_num(np.ceil(lengths_px / PIECE_PX), nan=100.0), 1, GREATEST_PIECES).astype(int)
    owner = np.repeat(np.arange(len(starts)), counts)
    n = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    step = (ends - starts)[owner] / counts[owner, None]
    return starts[owner] + n[:, None] * step, starts[owner] + (n + 1)[:, None] * step


def _centre_and_half_width(
    points: Floats, along: Floats, width_mm: float, px_from_mat: Mapping
) -> tuple[Floats, Floats]:
    """Where points of a stroke are in the target, and half of what `width_mm` measures there, pixels.

    The two rims of the stroke are mapped; their distance across the line's own direction there counts.
    """
    if len(points) == 0:
        return points, np.empty(0)
    unit = along / np.hypot(along[:, 0], along[:, 1])[:, None]
    across = 0.5 * width_mm * np.column_stack([-unit[:, 1], unit[:, 0]])
    ahead = 0.5 * width_mm * unit
    probes = np.concatenate([points, points + across, points - across, points + ahead, points - ahead])
    centre, left, right, front, back = px_from_mat(probes).reshape(5, -1, 2)
    heading = (front - back) / np.maximum(np.hypot(*(front - back).T), 1e-12)[:, None]
    wide = left - right
    return centre, 0.5 * np.abs(wide[:, 0] * heading[:, 1] - wide[:, 1] * heading[:, 0])


def _closed_px(fill: Fill, px_from_mat: Mapping) -> Floats:
    """The outline of a fill in pixels, its sides subdivided."""
    corners = np.array(fill.corners_mat_mm, float).reshape(-1, 2)
    starts, _ = _subdivided(corners, np.roll(corners, -1, axis=0), px_from_mat)
    return px_from_mat(starts)


@dataclass(frozen=True, eq=False, slots=True)
class _TextPlane:
    """A line of text on the mat: from (along, up) of its middle on the baseline, mm, to the mat."""

    words: Words

    def mat(self, text_mm: Floats) -> Floats:
        cos, sin = np.cos(self.words.turn_rad), np.sin(self.words.turn_rad)
        if self.words.anchor == "left":
            text_mm = text_mm + np.array([0.5 * text_width_mm(self.words.text, self.words.height_mm), 0.0])
        return np.asarray(text_mm @ np.array([[cos, sin], [-sin, cos]]) + np.array(self.words.at_mat_mm))

    def nodes_mm(self) -> Floats:
        """Points all over the line and a little around it, (N, 2)."""
        half = 0.5 * text_width_mm(self.words.text, self.words.height_mm) + 0.2 * self.words.height_mm
        below, above = text_reach_mm(self.words.height_mm)
        along, up = np.meshgrid(np.linspace(-half, half, FIT_NODES[0]), np.linspace(-below, above, FIT_NODES[1]))
        return np.column_stack([along.ravel(), up.ravel()])


def _words_coverage(words: Words, px_from_mat: Mapping, size_px: tuple[int, int]) -> Coverage:
    """A drawn line of text, looked up for every pixel that it may touch."""
    if not words.text.strip():
        return NOTHING
    plane = _TextPlane(words)
    text_mm = plane.nodes_mm()
    nodes_px = px_from_mat(plane.mat(text_mm))
    if not np.isfinite(nodes_px).all():
        return NOTHING
    low = np.maximum(np.floor(nodes_px.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(nodes_px.max(axis=0)), np.array(size_px) - 1).astype(int)
    if np.any(high < low):
        return NOTHING
    x, y = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    found_mm = _inverse(nodes_px, text_mm)(np.column_stack([x.ravel(), y.ravel()]).astype(float))
    share = _looked_up(words, found_mm.reshape(*x.shape, 2), _px_per_mm(plane, px_from_mat)).ravel()
    lit = share > 0.0
    return Coverage((y * size_px[0] + x).ravel()[lit], share[lit])


def _px_per_mm(plane: _TextPlane, px_from_mat: Mapping) -> float:
    """Scale of the target at the middle of the text: the root of what a square millimetre becomes."""
    step = 0.5
    probes = np.array([[-step, 0.0], [step, 0.0], [0.0, -step], [0.0, step]])
    left, right, lower, upper = px_from_mat(plane.mat(probes))
    (ax, ay), (bx, by) = (right - left) / (2 * step), (upper - lower) / (2 * step)
    return float(np.sqrt(abs(ax * by - ay * bx)))


def _looked_up(words: Words, text_mm: Floats, px_per_mm: float) -> Floats:
    """The share of a target pixel around each point (rows, columns, 2) of the text plane that is ink."""
    width_mm = text_width_mm(words.text, words.height_mm)
    mask_px_per_mm = min(px_per_mm * OVERSAMPLED, GREATEST_MASK_PX / width_mm)
    mask = draw_line(words.text, round(words.height_mm * mask_px_per_mm, 2))
    box = (OVERSAMPLED, OVERSAMPLED)
    soft = cv2.blur(mask.pixels.astype(np.float32), box, borderType=cv2.BORDER_CONSTANT)
    column = mask.origin_px[0] - 0.5 + (text_mm[..., 0] + 0.5 * width_mm) * mask_px_per_mm
    row = mask.origin_px[1] - 0.5 - text_mm[..., 1] * mask_px_per_mm
    columns, rows = column.astype(np.float32), row.astype(np.float32)
    found = cv2.remap(soft, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(found, np.float64) / 255.0


def _inverse(source_px: Floats, target: Floats) -> Callable[[Floats], Floats]:
    """A third-degree polynomial through nodes: within a line of text any lens is that smooth."""
    middle, scale = source_px.mean(axis=0), np.ptp(source_px, axis=0).max()

    def terms(points_px: Floats) -> Floats:
        x, y = ((points_px - middle) / scale).T
        return np.column_stack([x**i * y**j for i in range(4) for j in range(4 - i)])

    factors = np.linalg.lstsq(terms(source_px), target, rcond=None)[0]
    return lambda points_px: np.asarray(terms(points_px) @ factors)

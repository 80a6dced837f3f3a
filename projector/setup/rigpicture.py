"""A rig as one picture: how sure it is of every place of the mat, and what it misses there. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.guide.scene.scenes import Ink, Point, Words
from projector.light.coverage import Coverage, Segments, lines_coverage
from projector.light.lettering import text_width_mm
from projector.light.render import coverage_of
from projector.setup.rigwords import WITHIN, line_u_mm

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

MAP_PX = 1240  # width or height of the map, whichever comes first
MOST_HIGH_PX = 860
LEFT, TOP, RIGHT, BELOW = 70, 130, 240, 130
GREY, BLACK = (110, 110, 110), (30, 30, 30)  # blue green red
ARROW = (20, 20, 20)
HALO = (255, 255, 255)
ARROW_PX = 46.0  # length of the arrow that the legend shows
TITLE_PX, TEXT_PX = 17.0, 12.0  # height of capitals
NICE = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)


@dataclass(frozen=True, eq=False, slots=True)
class Arrows:
    """What is missed where. Both (N, 2), mm."""

    places_mat_mm: Floats
    off_mm: Floats
    what: str  # in words: "where light was sent, to where the camera saw it"


def rig_picture(rig: Rig, title: str, arrows: Arrows | None = None) -> Picture:
    """Draw the map, (height, width, 3) uint8, blue green red.

    Colour tells within what a projected line lands in 95 of 100 cases (without a projector: within what the camera
    places a point), across the worst direction, the scale's own doubt aside. The colours are Cividis', made to be
    read alike with and without colour vision (J. R. Nuñez, C. R. Anderton, R. S. Renslow, PLoS ONE 13(7), 2018).
    """
    page = _Page(rig)
    top_mm = page.paint_map(rig)
    page.frame()
    if arrows is not None and len(arrows.off_mm):
        page.arrows(arrows)
    page.scale_bar()
    page.colour_bar(top_mm)
    page.title(title, _caption(rig))
    return page.pixels


def _caption(rig: Rig) -> str:
    what = "Within what the camera places a point" if rig.projector is None else "Within what a projected line lands"
    scale = "" if rig.scale_u == 0.0 else f"; sizes are known to {100 * rig.scale_u:.2g} %"
    return f"{what} in 95 of 100 cases{scale}."


class _Page:
    """White paper, the mat to scale on it. Everything is drawn onto `pixels`."""

    def __init__(self, rig: Rig) -> None:
        self._area = np.asarray(rig.area_mat_mm, float)
        self._low, self._high = self._area.min(axis=0), self._area.max(axis=0)
        size_mm = self._high - self._low
        self._px_per_mm = float(min(MAP_PX / size_mm[0], MOST_HIGH_PX / size_mm[1]))
        self._map_px = (round(size_mm[0] * self._px_per_mm), round(size_mm[1] * self._px_per_mm))
        width, height = self._map_px[0] + LEFT + RIGHT, self._map_px[1] + TOP + BELOW
        self.pixels: Picture = np.full((height, width, 3), 255, np.uint8)

    def px(self, points_mat_mm: Floats) -> Floats:
        """Points of the mat (N, 2) on the page, pixels."""
        x = LEFT + (points_mat_mm[:, 0] - self._low[0]) * self._px_per_mm
        y = TOP + (self._high[1] - points_mat_mm[:, 1]) * self._px_per_mm
        return np.column_stack([x, y])

    def paint_map(self, rig: Rig) -> float:
        """Fill the area with colours; the value of the last colour, mm."""
        step = 6
        columns, rows = (np.arange(0, side, step) + step / 2 for side in self._map_px)
        x, y = np.meshgrid(self._low[0] + columns / self._px_per_mm, self._high[1] - rows / self._px_per_mm)
        points = np.column_stack([x.ravel(), y.ravel()])
        device = rig.camera if rig.projector is None else rig.projector
        spread = WITHIN * line_u_mm(device, points).reshape(x.shape)
        inside = shapely.contains_xy(shapely.Polygon(self._area), points).reshape(x.shape)
        top = _nice_above(float(spread[inside].max()))
        fine = cv2.resize(spread.astype(np.float32), self._map_px, interpolation=cv2.INTER_LINEAR)
        colours = cv2.applyColorMap(np.clip(fine / top * 255, 0, 255).astype(np.uint8), cv2.COLORMAP_CIVIDIS)
        mask = np.zeros(self._map_px[::-1], np.uint8)
        cv2.fillPoly(mask, [np.rint(self.px(self._area) - [LEFT, TOP]).astype(np.int32)], 1)
        box = self.pixels[TOP : TOP + self._map_px[1], LEFT : LEFT + self._map_px[0]]
        box[mask > 0] = colours[mask > 0]
        return top

    def frame(self) -> None:
        """The area's outline, and which way the person stands."""
        corners = self.px(self._area)
        self._lines(np.stack([corners, np.roll(corners, -1, axis=0)], axis=1), 2.0, GREY)
        middle = LEFT + self._map_px[0] / 2
        self._words("near edge, where you stand", (middle, TOP + self._map_px[1] + 26), TEXT_PX, GREY)

    def arrows(self, arrows: Arrows) -> None:
        """All to one scale, which stands below the map."""
        longest = _nice_above(float(np.quantile(np.linalg.norm(arrows.off_mm, axis=1), 0.9)))
        along = arrows.off_mm * [1.0, -1.0] * ARROW_PX / longest
        pieces = _arrows(self.px(arrows.places_mat_mm), along)
        self._lines(pieces, 4.5, HALO)
        self._lines(pieces, 1.7, ARROW)
        at = np.array([LEFT + self._map_px[0] - 420.0, TOP + self._map_px[1] + 62.0])
        self._lines(_arrows(at[None], np.array([[ARROW_PX, 0.0]])), 1.7, ARROW)
        self._words(f"{longest:g} mm, {arrows.what}", (at[0] + ARROW_PX + 12, at[1] + 5), TEXT_PX, BLACK, "left")

    def scale_bar(self) -> None:
        """A length of the mat in both units."""
        x, y, length = LEFT, TOP + self._map_px[1] + 62, 100.0 * self._px_per_mm
        bar = [((x, y), (x + length, y)), ((x, y - 6), (x, y + 6)), ((x + length, y - 6), (x + length, y + 6))]
        self._lines(np.array(bar, float), 2.0, BLACK)
        self._words("100 mm = 3 15/16 in on the mat", (x + length + 12, y + 5), TEXT_PX, BLACK, "left")

    def colour_bar(self, top_mm: float) -> None:
        """What the colours mean."""
        x, height = LEFT + self._map_px[0] + 50, min(self._map_px[1], 420)
        ramp = np.repeat(np.linspace(255, 0, height).astype(np.uint8)[:, None], 28, axis=1)
        self.pixels[TOP : TOP + height, x : x + 28] = cv2.applyColorMap(ramp, cv2.COLORMAP_CIVIDIS)
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            y = TOP + (1 - share) * (height - 1)
            self._lines(np.array([[[x + 28.0, y], [x + 35.0, y]]]), 1.5, BLACK)
            self._words(f"{top_mm * share:.3g} mm", (x + 42.0, y + 5), TEXT_PX, BLACK, "left")

    def title(self, title: str, caption: str) -> None:
        self._words(title, (LEFT, 52.0), TITLE_PX, BLACK, "left")
        self._words(caption, (LEFT, 92.0), TEXT_PX, GREY, "left")

    def _lines(self, ends_px: Floats, width_px: float, colour: Sequence[int]) -> None:
        """Straight lines (N, 2, 2) of one width."""
        half = np.full(len(ends_px), width_px / 2)
        height, width = self.pixels.shape[:2]
        self._ink(lines_coverage(Segments(ends_px[:, 0], ends_px[:, 1], half, half), (width, height)), colour)

    def _words(self, text: str, at_px: Point, height_px: float, colour: Sequence[int], side: str = "middle") -> None:
        """A line of text with its baseline there; `at_px` is its middle or its left end."""
        shift = text_width_mm(text, height_px) / 2 if side == "left" else 0.0
        height, width = self.pixels.shape[:2]
        words = Words(text, (at_px[0] + shift, -at_px[1]), height_px, Ink.WORDS)  # y up, so that text is upright
        self._ink(coverage_of(words, lambda points: points * [1.0, -1.0], (width, height)), colour)

    def _ink(self, cover: Coverage, colour: Sequence[int]) -> None:
        flat = self.pixels.reshape(-1, 3)
        share = cover.share[:, None]
        flat[cover.at] = np.rint(flat[cover.at] * (1.0 - share) + np.array(colour) * share).astype(np.uint8)


def _arrows(starts_px: Floats, along_px: Floats) -> Floats:
    """(M, 2, 2) shafts and, where an arrow is long enough, heads."""
    ends, size = starts_px + along_px, np.linalg.norm(along_px, axis=1)
    pieces = [np.stack([starts_px, ends], axis=1)]
    big = size >= 4.0
    back = -along_px[big] / size[big, None] * np.minimum(7.0, 0.5 * size[big])[:, None]
    for turn in (0.5, -0.5):
        c, s = np.cos(turn), np.sin(turn)
        pieces.append(np.stack([ends[big], ends[big] + back @ np.array([[c, s], [-s, c]])], axis=1))
    return np.concatenate(pieces)


def _nice_above(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 4, 6, 8 times a power of ten.

    >>> _nice_above(0.13), _nice_above(0.2)
    (0.15, 0.2)
    """
    power = 10.0 ** np.floor(np.log10(max(value, 1e-6)))
    above = next((nice * power for nice in NICE if nice * power >= value * (1 - 1e-9)), 10.0 * power)
    return float(round(above, 9))

"""Cloth with its prints and seams on a mat with its lines, in light with shadows: what falls on a camera's pixels.

Shares of area are exact on cells of a quarter pixel: cloth, and the grid lines that it leaves bare, are cut out as
polygons. Within a cell, light and texture are even. Cloth has no thickness: no wall, no parallax.

Fields that are even all over a tile are (1, 1), and what is grey has one channel: NumPy spreads them where needed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from tests.vision.exact_cover import Floats, Floats32, View, coverage, rings_of, seen_light

Bgr = tuple[float, float, float]
Box = tuple[int, int, int, int]  # x0, y0, x1, y1 in pixels, the last ones not in it

SUB = 4
TILE_PX = 160


def grey(level: float) -> Bgr:
    return (level, level, level)


@dataclass(frozen=True, slots=True)
class Mat:
    """The mat in linear light: its plane, its grid lines, and its own unevenness as shares of its light."""

    light: Bgr = (0.08, 0.08, 0.08)
    line: Bgr = (0.28, 0.28, 0.28)
    line_mm: float = 0.4  # 0: no lines
    pitch_mm: float = 25.4
    mottle: float = 0.02
    grain: float = 0.015  # of a square of 0.4 mm


@dataclass(frozen=True, slots=True)
class Print:
    """A print of four levels: a ground, and three kinds of figures."""

    kind: str  # "dots", "stripes", "plaid", "flowers"
    ground: Bgr
    figures: tuple[Bgr, Bgr, Bgr]
    pitch_mm: float = 7.3
    covered: float = 0.45  # by the figures


@dataclass(frozen=True, eq=False, slots=True)
class Cloth:
    """A piece: simple outline (N, 2) in mat mm, counter-clockwise. Left of the seam lies the second fabric."""

    corners_mat_mm: Floats
    light: Bgr | Print = (0.6, 0.6, 0.6)
    seam_mat_mm: Floats | None = None  # (2, 2)
    second: Bgr | Print = (0.3, 0.3, 0.3)
    weave: float = 0.0  # of the cloth's light, up and down
    ridge: float = 0.0  # how much a pressed allowance's two flanks differ in light; 6 mm on the seam's right


@dataclass(frozen=True, slots=True)
class Light:
    """One light: its colour and strength, how it falls off over the picture, and the shadow it casts beside cloth.

    It falls evenly from 1 to `falls_to` across the picture, along `toward_rad`; a window at the left adds `window` at
    the rim, which halves every eighth of the picture. The shadow takes `shadow` of this light from the mat; it is the
    cloth's own outline, shifted (mat mm), with a soft edge.
    """

    colour: Bgr = (1.0, 1.0, 1.0)
    falls_to: float = 1.0
    toward_rad: float = 0.5
    window: float = 0.0
    shadow: float = 0.0
    shift_mat_mm: tuple[float, float] = (0.35, 0.25)
    soft_mm: float = 0.35


ROOM = (Light(),)


def light_on_pixels(
    view: View, mat: Mat, cloths: Sequence[Cloth], lights: tuple[Light, ...] = ROOM, optics_px: float = 0.7
) -> Floats32:
    """(H, W, 3) linear light that the camera's pixels take up, without noise. Later pieces hide earlier ones."""
    return _light_on_pixels(view, mat, tuple(_Drawn(cloth) for cloth in cloths), lights, optics_px).copy()


class _Drawn:
    """Cloth as a key: drawn with other noise, the same cloth gives the same light."""

    def __init__(self, cloth: Cloth) -> None:
        self.cloth = cloth
        arrays = (cloth.corners_mat_mm, cloth.seam_mat_mm)
        self._key = (
            *(None if one is None else (one.shape, np.asarray(one, float).tobytes()) for one in arrays),
            *(cloth.light, cloth.second, cloth.weave, cloth.ridge),
        )

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Drawn) and self._key == other._key


@lru_cache(maxsize=6)
def _light_on_pixels(
    view: View, mat: Mat, drawn: tuple[_Drawn, ...], lights: tuple[Light, ...], optics_px: float
) -> Floats32:
    cloths = [one.cloth for one in drawn]
    seen = _bare_light(view, mat, lights, optics_px).copy()
    shapes = [shapely.Polygon(view.px_of_mm(cloth.corners_mat_mm)) for cloth in cloths]
    whole = shapely.union_all(shapes)
    if shapes:
        shapely.prepare(whole)
    reach = 8.0 * optics_px + 6.0 / view.mm_per_px * max(light.shadow > 0 for light in lights)
    for box in _tiles(view.size_px):
        if shapes and shapely.dwithin(whole, shapely.box(*box), reach):
            x0, y0, x1, y1 = box
            seen[y0:y1, x0:x1] = _tile(view, mat, cloths, lights, optics_px, box)
    return seen


@lru_cache(maxsize=3)
def _bare_light(view: View, mat: Mat, lights: tuple[Light, ...], optics_px: float) -> Floats32:
    width, height = view.size_px
    seen = np.empty((height, width, 3), np.float32)
    for box in _tiles(view.size_px):
        x0, y0, x1, y1 = box
        seen[y0:y1, x0:x1] = _tile(view, mat, (), lights, optics_px, box)
    return seen


def _tiles(size_px: tuple[int, int]) -> list[Box]:
    width, height = size_px
    return [
        (x, y, min(x + TILE_PX, width), min(y + TILE_PX, height))
        for y in range(0, height, TILE_PX)
        for x in range(0, width, TILE_PX)
    ]


@dataclass(frozen=True, eq=False, slots=True)
class Cells:
    """The cells of one tile: where they lie, and what of a shape is in each."""

    view: View
    first_px: Floats  # the pixel whose cells come first
    shape: tuple[int, int]

    def share(self, geometry_px: shapely.Geometry) -> Floats32:
        """What of each cell a shape covers; (1, 1) where it covers none of them, or all wholly."""
        low, high = self.first_px - 1.5, self.first_px + np.array(self.shape[::-1]) / SUB + 0.5
        window = shapely.box(*low, *high)
        near = shapely.intersection(geometry_px, window)
        if near.is_empty or shapely.covers(geometry_px, window):
            return np.full((1, 1), not near.is_empty, np.float32)
        rings = [(ring - self.first_px + 0.5) * SUB - 0.5 for ring in rings_of(near)]
        return coverage(rings, self.shape).astype(np.float32)

    def map_from_cells(self) -> Floats:
        """(2, 3): cell (x, y) to mat mm."""
        corners = self.first_px - 0.5 + 0.5 / SUB + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) / SUB
        origin, right, down = self.view.mm_of_px(corners)
        return np.column_stack([right - origin, down - origin, origin])

    def places_mat_mm(self) -> tuple[Floats32, Floats32]:
        """x and y of every cell's middle."""
        m, (height, width) = self.map_from_cells().astype(np.float64), self.shape
        j, i = np.arange(width)[None, :], np.arange(height)[:, None]
        x, y = (m[k, 0] * j + m[k, 1] * i + m[k, 2] for k in (0, 1))
        return x.astype(np.float32), y.astype(np.float32)


def _tile(
    view: View, mat: Mat, cloths: Sequence[Cloth], lights: Sequence[Light], optics_px: float, box: Box
) -> Floats32:
    margin = math.ceil(5.0 * optics_px) + 2
    first = np.array([box[0] - margin, box[1] - margin], float)
    shape = ((box[3] - box[1] + 2 * margin) * SUB, (box[2] - box[0] + 2 * margin) * SUB)
    cells = Cells(view, first, shape)
    window = shapely.box(*(first - 8), *(first + np.array(shape[::-1]) / SUB + 8))
    shapes = [shapely.intersection(shapely.Polygon(view.px_of_mm(c.corners_mat_mm)), window) for c in cloths]
    fields = [_even_light(cells, light) for light in lights]
    dim = [field * _shade(cells, shapes, light) for field, light in zip(fields, lights, strict=True)]
    sharp = np.asarray(_mat_light(cells, mat, shapely.union_all(shapes)) * _mixed(dim, lights))
    lit = _mixed(fields, lights)
    for k, (cloth, shape_px) in enumerate(zip(cloths, shapes, strict=True)):
        if not shape_px.is_empty:
            above = shapely.union_all(shapes[k + 1 :])
            sharp = sharp + lit * _cloth_light(cells, cloth, shapely.difference(shape_px, above))
    seen = seen_light(sharp, optics_px, SUB)
    return seen[margin:-margin, margin:-margin]


def _mixed(fields: Sequence[Floats32], lights: Sequence[Light]) -> Floats32:
    """(H, W, 1 or 3): lights of their colours together."""
    parts = [field[..., None] * _channels(light.colour) for field, light in zip(fields, lights, strict=True)]
    return np.asarray(sum(parts[1:], parts[0]), np.float32)


def _channels(colour: Bgr) -> Floats32:
    """(3,), or (1,) of a grey."""
    return np.array(colour[:1] if colour[0] == colour[1] == colour[2] else colour, np.float32)


def _even_light(cells: Cells, light: Light) -> Floats32:
    """(H, W): how one light falls on the picture."""
    if light.falls_to == 1.0 and light.window == 0.0:
        return np.ones((1, 1), np.float32)
    (height, width), size = cells.shape, np.array(cells.view.size_px, float)
    x = (cells.first_px[0] + np.arange(width, dtype=np.float32) / SUB)[None, :] / size[0]
    y = (cells.first_px[1] + np.arange(height, dtype=np.float32) / SUB)[:, None] / size[1]
    c, s = math.cos(light.toward_rad), math.sin(light.toward_rad)
    along = ((x - 0.5) * c + (y - 0.5) * s) / (abs(c) + abs(s)) + 0.5
    return np.asarray(1.0 + (light.falls_to - 1.0) * along + light.window * 2.0 ** (-8.0 * x), np.float32)


def _shade(cells: Cells, shapes: Sequence[shapely.Geometry], light: Light) -> Floats32:
    """(H, W): what a light's shadows leave of it on the mat."""
    if not light.shadow or not shapes:
        return np.ones((1, 1), np.float32)
    origin, moved = cells.view.px_of_mm(np.array([[0.0, 0.0], light.shift_mat_mm]))
    shadow = shapely.transform(shapely.union_all(shapes), lambda points: points + (moved - origin))
    soft = max(light.soft_mm / cells.view.mm_per_px * SUB, 0.05)
    return np.asarray(1.0 - light.shadow * _softened(cells.share(shadow), soft), np.float32)


def _softened(share: Floats32, soft: float) -> Floats32:
    return share if share.size == 1 else np.asarray(cv2.GaussianBlur(share, (0, 0), soft), np.float32)


def _mat_light(cells: Cells, mat: Mat, cloth_px: shapely.Geometry) -> Floats32:
    """(H, W, 1 or 3): what the mat beside the cloth gives back, cells half covered counting half."""
    plane, line = _channels(mat.light), _channels(mat.line)
    light = (1.0 - cells.share(cloth_px))[..., None] * plane
    lines = _lines_px(cells, mat)
    if not lines.is_empty:
        light = light + cells.share(shapely.difference(lines, cloth_px))[..., None] * (line - plane)
    return np.asarray(light * _unevenness(cells, mat)[..., None])


def _lines_px(cells: Cells, mat: Mat) -> shapely.Geometry:
    """The grid lines that cross a tile, as polygons in pixels."""
    if not mat.line_mm:
        return shapely.Polygon()
    x, y = (c[[0, 0, -1, -1], [0, -1, 0, -1]] for c in cells.places_mat_mm())
    half, strips = mat.line_mm / 2.0, []
    low, high = np.array([x.min(), y.min()]) - 2.0, np.array([x.max(), y.max()]) + 2.0
    for axis in (0, 1):
        for k in range(math.ceil(low[axis] / mat.pitch_mm), math.floor(high[axis] / mat.pitch_mm) + 1):
            a, b = low.copy(), high.copy()
            a[axis], b[axis] = k * mat.pitch_mm - half, k * mat.pitch_mm + half
            strips.append(shapely.transform(shapely.box(*a, *b), cells.view.px_of_mm))
    return shapely.union_all(strips)


TEXTURE_MM, TEXTURE_SIZE = 0.3, 1024


@lru_cache(maxsize=2)
def _texture(mottle: float, grain: float) -> Floats32:
    """The mat's unevenness on squares of 0.3 mm, about 1; it repeats every 307 mm."""
    rng = np.random.default_rng(20)
    rough = rng.normal(size=(TEXTURE_SIZE, TEXTURE_SIZE))
    wrapped = cv2.copyMakeBorder(rng.normal(size=rough.shape), 64, 64, 64, 64, cv2.BORDER_WRAP)
    smooth = cv2.GaussianBlur(wrapped, (0, 0), 12.0)[64:-64, 64:-64]
    # The mean of squares, drawn straight between their middles, over 0.4 mm: 0.51 of their spread (by experiment).
    return np.asarray(1.0 + mottle * smooth / np.std(smooth) + grain / 0.51 * rough, np.float32)


def _unevenness(cells: Cells, mat: Mat) -> Floats32:
    """(H, W): the mat's texture, which stays with the mat when the camera moves."""
    to_texture = cells.map_from_cells() / TEXTURE_MM
    size = cells.shape[::-1]
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    texture = _texture(mat.mottle, mat.grain)
    return np.asarray(cv2.warpAffine(texture, to_texture, size, flags=how, borderMode=cv2.BORDER_WRAP), np.float32)


def _cloth_light(cells: Cells, cloth: Cloth, shape_px: shapely.Geometry) -> Floats32:
    """(H, W, 1 or 3): what a piece gives back, cells half covered counting half."""
    first, second = shape_px, shapely.Polygon()
    if cloth.seam_mat_mm is not None:
        left = shapely.Polygon(cells.view.px_of_mm(_beside(cloth.seam_mat_mm, 0.0, 1e4)))
        first, second = shapely.difference(shape_px, left), shapely.intersection(shape_px, left)
    parts = [(part, fabric) for part, fabric in ((first, cloth.light), (second, cloth.second)) if not part.is_empty]
    textured = cloth.weave or any(isinstance(fabric, Print) for _, fabric in parts)
    along, across = _own_places(cells, cloth) if textured else (NOWHERE, NOWHERE)
    light = np.zeros((1, 1, 1), np.float32)
    for part, fabric in parts:
        light = light + cells.share(part)[..., None] * _fabric(fabric, along, across)
    if cloth.weave:
        weave = 1.0 + cloth.weave * np.sin(2 * np.pi * along / 0.93) * np.sin(2 * np.pi * across / 0.87)
        light = light * weave[..., None]
    if cloth.ridge and cloth.seam_mat_mm is not None:
        light = light * (1.0 + cloth.ridge * _flanks(cells, cloth.seam_mat_mm))[..., None]
    return light


NOWHERE = np.zeros((1, 1), np.float32)


def _beside(line_mat_mm: Floats, near_mm: float, far_mm: float) -> Floats:
    """(4, 2): the stripe between two distances to the left of a line."""
    a, b = line_mat_mm
    ahead = (b - a) / np.hypot(*(b - a))
    left = np.array([-ahead[1], ahead[0]])
    ends = np.array([a - 1e4 * ahead, b + 1e4 * ahead])
    return np.concatenate([ends + near_mm * left, (ends + far_mm * left)[::-1]])


def _flanks(cells: Cells, seam_mat_mm: Floats) -> Floats32:
    """(H, W): the rise beside the seam catches light, the fall 6 mm to its right lies away from it."""
    rise, fall = (
        cells.share(shapely.Polygon(cells.view.px_of_mm(_beside(seam_mat_mm, near, near + 0.6))))
        for near in (-1.0, -6.3)
    )
    return rise - fall


def _own_places(cells: Cells, cloth: Cloth) -> tuple[Floats32, Floats32]:
    """Cells in the cloth's own axes, mm: it was not cut along its print, but turned by 0.2 rad."""
    x, y = cells.places_mat_mm()
    a, b = cloth.corners_mat_mm[:2]
    turn = math.atan2(b[1] - a[1], b[0] - a[0]) + 0.2
    x, y, c, s = x - np.float32(a[0]), y - np.float32(a[1]), math.cos(turn), math.sin(turn)
    return (c * x + s * y).astype(np.float32), (c * y - s * x).astype(np.float32)


def _fabric(fabric: Bgr | Print, along: Floats32, across: Floats32) -> Floats32 | NDArray[np.float32]:
    if isinstance(fabric, Print):
        levels = np.array([fabric.ground, *fabric.figures], np.float32)
        return levels[FIGURES[fabric.kind](along / fabric.pitch_mm, across / fabric.pitch_mm, fabric.covered)]
    return _channels(fabric)


def _number(u: Floats32, v: Floats32) -> NDArray[np.int64]:
    """1, 2 or 3 for each square of the plane, without order."""
    return np.asarray(1 + (np.floor(u).astype(int) * 5 + np.floor(v).astype(int) * 7) % 3)


def _dots(u: Floats32, v: Floats32, covered: float) -> NDArray[np.int64]:
    inside = np.hypot(u % 1.0 - 0.5, v % 1.0 - 0.5) < math.sqrt(covered / math.pi)
    return np.where(inside, _number(u, v), 0)


def _stripes(u: Floats32, v: Floats32, covered: float) -> NDArray[np.int64]:
    return np.where(u % 1.0 < covered, _number(u, np.zeros_like(u)), 0)


def _plaid(u: Floats32, v: Floats32, covered: float) -> NDArray[np.int64]:
    share = 1.0 - math.sqrt(1.0 - covered)
    return np.asarray((u % 1.0 < share) + 2 * (v % 1.0 < share))


def _flowers(u: Floats32, v: Floats32, covered: float) -> NDArray[np.int64]:
    """Petals: the area of r < a (0.65 + 0.35 cos 5 t) is pi a^2 (0.65^2 + 0.35^2 / 2); the middle is a figure too."""
    u, v = u / 3.0, v / 3.0
    x, y = u % 1.0 - 0.5, v % 1.0 - 0.5
    r, a = np.hypot(x, y), math.sqrt(covered / math.pi / (0.65**2 + 0.35**2 / 2))
    petals = r < a * (0.65 + 0.35 * np.cos(5 * np.arctan2(y, x)))
    return np.where(r < 0.12, 3, np.where(petals, 1 + _number(u, v) % 2, 0))


FIGURES = {"dots": _dots, "stripes": _stripes, "plaid": _plaid, "flowers": _flowers}

"""What a tilted camera with a bent lens sees of cloth with walls on a mat, in several lights: exact shares of pixels.

All of it is drawn, nothing measured. Outlines are cut out as polygons, their sides bent by the lens in steps of a few
millimetres; places are found by OpenCV's own projection, not by this project's. Cloth is a prism: its walls are seen
where they face the lens and lit by what light reaches them, it hides mat behind it, and throws the shadow of every
light, of the sky too. Shares of area are exact on cells of a fraction of a pixel; within a cell light is even.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import shapely

from calibration.pinhole import Lens, Pinhole
from tests.vision.exact_cloth import FIGURES, Bgr, Print
from tests.vision.exact_cover import Floats, Floats32, coverage, rings_of, seen_light
from vision.polygons import outward_normals

TILE_PX = 160
BENT_MM = 3.0  # straight sides are drawn in steps of so much, that the lens may bend them
NODES = 6  # each way, of a tile, by which smooth fields are told
TEXTURE_MM, TEXTURE_SIZE = 0.3, 1536
SKY_REACH = 8.0  # heights of the cloth, beyond which it hides no sky


@dataclass(frozen=True, eq=False)
class Eye:
    """A camera: OpenCV's pinhole with five terms of distortion, over the mat."""

    size_px: tuple[int, int]
    matrix: Floats  # (3, 3)
    distortion: Floats  # (5,)
    rotation: Floats  # (3, 3), camera from mat
    translation_mm: Floats  # (3,)

    def px_of(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """Pixels (N, 2) of points (N, 2), so high above the mat."""
        points = np.column_stack([points_mat_mm, np.full(len(points_mat_mm), height_mm)])
        turned, _ = cv2.Rodrigues(self.rotation)
        seen, _ = cv2.projectPoints(points[:, None], turned, self.translation_mm, self.matrix, self.distortion)
        return np.asarray(seen[:, 0], np.float64)

    def mm_of(self, points_px: Floats) -> Floats:
        """Points (N, 2) of the mat's surface that pixels (N, 2) show."""
        stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
        points = np.ascontiguousarray(points_px, np.float64)[:, None]
        rays = cv2.undistortPoints(points, self.matrix, self.distortion, criteria=stop)[:, 0]
        lens = -self.rotation.T @ self.translation_mm
        away = np.column_stack([rays, np.ones(len(rays))]) @ self.rotation
        return np.asarray(lens[:2] - away[:, :2] * (lens[2] / away[:, 2:]))

    def pinhole(self) -> Pinhole:
        """The same camera as a rig has it."""
        (fx, _, cx), (_, fy, cy) = self.matrix[0], self.matrix[1]
        k1, k2, p1, p2, k3 = (float(one) for one in self.distortion)
        lens = Lens(self.size_px, (float(fx), float(fy)), (float(cx), float(cy)), (k1, k2, p1, p2, k3))
        return Pinhole(lens, self.rotation, self.translation_mm)


@dataclass(frozen=True, slots=True)
class Surface:
    """A mat in linear light: its plane, its lines (every `bold_every`th as wide as `bold_mm`), its own unevenness."""

    size_mm: tuple[float, float]
    light: Bgr
    line: Bgr
    line_mm: float  # 0: no lines
    bold_mm: float
    bold_every: int
    pitch_mm: float
    mottle: float  # shares of its light
    grain: float
    speckles: float  # share of the surface that lies in light spots, of about half a millimetre
    scratches: int  # of old cuts, a hair wide, all over
    beyond: Bgr  # the table around it


@dataclass(frozen=True, eq=False, slots=True)
class Prism:
    """A piece of cloth: simple outline (N, 2) of its top, counter-clockwise; left of a seam lies the second fabric."""

    outline_mat_mm: Floats
    height_mm: float
    fabric: Bgr | Print
    seam_mat_mm: Floats | None = None  # (2, 2)
    second: Bgr | Print = (0.3, 0.3, 0.3)
    ridges: tuple[float, ...] = ()  # flanks' light of the seam allowance: to the seam's right, or both ways where open
    weave: float = 0.0


@dataclass(frozen=True, slots=True)
class Lamp:
    """One light: colour and strength, its fall over the mat, and the points of which it is made.

    A point at the slope (x, y) throws the shadow of a rim at height h to (x h, y h). `sky`: light from all around.
    """

    colour: Bgr
    slopes: tuple[tuple[float, float], ...] = ()
    falls: tuple[float, float] = (0.0, 0.0)  # of its light, over the mat's width and depth
    window: float = 0.0  # more of it at the mat's left rim, halved every eighth of the width
    sky: bool = False


def seen(eye: Eye, mat: Surface, cloths: Sequence[Prism], lamps: tuple[Lamp, ...], optics_px: float) -> Floats32:
    """(H, W, 3) linear light on the camera's pixels, without noise. Pieces do not overlap."""
    (width, height), result = eye.size_px, _bare(eye, mat, lamps, optics_px).copy()
    near = [shapely.Polygon(eye.px_of(bent(one.outline_mat_mm))).buffer(40.0) for one in cloths]
    for box in _tiles(width, height):
        own = [one for one, room in zip(cloths, near, strict=True) if room.intersects(shapely.box(*box))]
        if own:
            x0, y0, x1, y1 = box
            result[y0:y1, x0:x1] = _tile(eye, mat, own, lamps, optics_px, box)
    return result


@lru_cache(maxsize=2)
def _bare(eye: Eye, mat: Surface, lamps: tuple[Lamp, ...], optics_px: float) -> Floats32:
    (width, height) = eye.size_px
    result = np.empty((height, width, 3), np.float32)
    for box in _tiles(width, height):
        x0, y0, x1, y1 = box
        result[y0:y1, x0:x1] = _tile(eye, mat, (), lamps, optics_px, box)
    return result


def _tiles(width: int, height: int) -> list[tuple[int, int, int, int]]:
    steps = range(0, height, TILE_PX), range(0, width, TILE_PX)
    return [(x, y, min(x + TILE_PX, width), min(y + TILE_PX, height)) for y in steps[0] for x in steps[1]]


def bent(outline: Floats, closed: bool = True) -> Floats:
    """The same outline (N, 2) with corners every few millimetres."""
    ends = np.roll(outline, -1, axis=0) if closed else outline[1:]
    parts = []
    for a, b in zip(outline, ends, strict=False):
        many = max(1, math.ceil(float(np.hypot(*(b - a))) / BENT_MM))
        parts.append(a + np.arange(many)[:, None] / many * (b - a))
    return np.concatenate(parts if closed else [*parts, outline[-1:]])


class _Cells:
    """The cells of one tile, a few each way in a pixel."""

    def __init__(self, eye: Eye, box: tuple[int, int, int, int], margin: int, sub: int) -> None:
        self.eye, self.sub, self.first = eye, sub, np.array([box[0] - margin, box[1] - margin], float)
        self.shape = ((box[3] - box[1] + 2 * margin) * sub, (box[2] - box[0] + 2 * margin) * sub)
        self.x_mm, self.y_mm = self._places()

    def _places(self) -> tuple[Floats32, Floats32]:
        """Of every cell on the mat, by polynomials through a few places of the tile (Chebyshev nodes)."""
        node = np.cos((2 * np.arange(NODES) + 1) * math.pi / (2 * NODES))
        ways = []
        for many in self.shape:
            at = (np.arange(many) + 0.5) / many * 2.0 - 1.0
            ways.append(
                np.polynomial.chebyshev.chebvander(at, NODES - 1)
                @ np.linalg.inv(np.polynomial.chebyshev.chebvander(node, NODES - 1))
            )
        (rows, columns), (height, width) = ways, self.shape
        x = self.first[0] - 0.5 + (node + 1.0) / 2.0 * width / self.sub
        y = self.first[1] - 0.5 + (node + 1.0) / 2.0 * height / self.sub
        places = self.eye.mm_of(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)).reshape(NODES, NODES, 2)
        x_mm, y_mm = ((rows @ places[..., k]).astype(np.float32) @ columns.T.astype(np.float32) for k in (0, 1))
        return x_mm, y_mm

    def share(self, shape_px: shapely.Geometry) -> Floats32:
        """Of each cell, what a shape in pixels covers; (1, 1) where it covers none, or all."""
        low, high = self.first - 1.5, self.first + np.array(self.shape[::-1]) / self.sub + 0.5
        window = shapely.box(*low, *high)
        part = shapely.intersection(shape_px, window)
        if part.is_empty or shapely.covers(shape_px, window):
            return np.full((1, 1), not part.is_empty, np.float32)
        rings = [(ring - self.first + 0.5) * self.sub - 0.5 for ring in rings_of(part)]
        return coverage(rings, self.shape).astype(np.float32)

    def shape_of(self, outline_mat_mm: Floats, height_mm: float = 0.0) -> shapely.Geometry:
        return shapely.Polygon(self.eye.px_of(bent(outline_mat_mm), height_mm)).buffer(0)


def _tile(
    eye: Eye,
    mat: Surface,
    cloths: Sequence[Prism],
    lamps: Sequence[Lamp],
    optics_px: float,
    box: tuple[int, int, int, int],
) -> Floats32:
    margin, sub = math.ceil(5.0 * optics_px) + 2, 3 if optics_px < 1.1 else 2
    cells = _Cells(eye, box, margin, sub)
    fields = [_fall(cells, mat, lamp)[..., None] * np.array(lamp.colour, np.float32) for lamp in lamps]
    lit = np.asarray(sum(fields[1:], fields[0]), np.float32)
    drawn = [_Seen(cells, one) for one in cloths]
    hidden = shapely.union_all([one.whole for one in drawn])
    on_mat = lit
    if cloths:
        dimmed = [field * _left(cells, cloths, lamp)[..., None] for field, lamp in zip(fields, lamps, strict=True)]
        on_mat = np.asarray(sum(dimmed[1:], dimmed[0]), np.float32)
    sharp = _mat_light(cells, mat) * on_mat * (1.0 - cells.share(hidden))[..., None]
    for one in drawn:
        sharp = sharp + one.light(lit, lamps)
    return seen_light(np.asarray(sharp, np.float32), optics_px, sub)[margin:-margin, margin:-margin]


def _fall(cells: _Cells, mat: Surface, lamp: Lamp) -> Floats32:
    u, v = cells.x_mm / np.float32(mat.size_mm[0]), cells.y_mm / np.float32(mat.size_mm[1])
    even = 1.0 + lamp.falls[0] * (u - 0.5) + lamp.falls[1] * (v - 0.5)
    field = even if not lamp.window else even + lamp.window * np.exp2(-8.0 * np.clip(u, -0.1, 1.5))
    return np.asarray(np.maximum(field, 0.05), np.float32)


def _left(cells: _Cells, cloths: Sequence[Prism], lamp: Lamp) -> Floats32:
    """(H, W): what the cloths' shadows leave of a lamp's light on the mat."""
    if lamp.sky:
        return _left_of_sky(cells, cloths)
    left = np.ones((1, 1), np.float32)
    for slope in lamp.slopes:
        shadows = [_swept(one.outline_mat_mm, np.array(slope) * one.height_mm) for one in cloths]
        drawn = [cells.shape_of(np.array(ring.exterior.coords)[:-1]) for ring in shadows]
        left = left - cells.share(shapely.union_all(drawn)) / np.float32(len(lamp.slopes))
    return np.asarray(left, np.float32)


def _swept(outline: Floats, shift: Floats) -> shapely.Polygon:
    ahead = np.roll(outline, -1, axis=0)
    quads = [shapely.Polygon([a, b, b + shift, a + shift]) for a, b in zip(outline, ahead, strict=True)]
    return shapely.union_all(
        [shapely.Polygon(outline), shapely.Polygon(outline + shift), *(q.buffer(0) for q in quads)]
    )


def _left_of_sky(cells: _Cells, cloths: Sequence[Prism]) -> Floats32:
    """A wall of height h takes (1 - d / hypot(d, h)) / 2 of an even sky at a distance d."""
    left = np.ones(cells.shape, np.float32)
    low = np.array([cells.x_mm.min(), cells.y_mm.min()])
    high = np.array([cells.x_mm.max(), cells.y_mm.max()])
    for one in cloths:
        reach = SKY_REACH * one.height_mm
        room = shapely.box(*(low - reach), *(high + reach))
        nearest = np.full(cells.shape, np.float32(reach) ** 2, np.float32)
        for a, b in zip(one.outline_mat_mm, np.roll(one.outline_mat_mm, -1, axis=0), strict=True):
            if not shapely.LineString([a, b]).intersects(room):
                continue
            ahead = (b - a).astype(np.float32)
            x, y = cells.x_mm - np.float32(a[0]), cells.y_mm - np.float32(a[1])
            share = np.clip((x * ahead[0] + y * ahead[1]) / (ahead @ ahead), 0.0, 1.0)
            np.minimum(nearest, (x - share * ahead[0]) ** 2 + (y - share * ahead[1]) ** 2, out=nearest)
        taken = 0.5 * (1.0 - np.sqrt(nearest / (nearest + np.float32(one.height_mm**2))))
        left -= np.where(nearest < reach**2, taken, 0.0).astype(np.float32)
    return left


def _mat_light(cells: _Cells, mat: Surface) -> Floats32:
    """(H, W, 3): what the bare mat gives back of its light, and the table around it."""
    lines = cells.share(_lines(cells, mat))[..., None]
    plane, line = np.array(mat.light, np.float32), np.array(mat.line, np.float32)
    light = (
        (plane + lines * (line - plane)) * _unevenness(cells, mat)[..., None]
        if mat.line_mm
        else (plane * _unevenness(cells, mat)[..., None])
    )
    width, depth = mat.size_mm
    on = cells.share(cells.shape_of(np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])))[..., None]
    return np.asarray(light * on + np.array(mat.beyond, np.float32) * (1.0 - on), np.float32)


def _lines(cells: _Cells, mat: Surface) -> shapely.Geometry:
    strips = []
    low, high = (np.array([f(cells.x_mm), f(cells.y_mm)]) for f in (np.min, np.max))
    for axis in (0, 1) if mat.line_mm else ():
        other = 1 - axis
        a, b = max(low[other] - 2.0, 0.0), min(high[other] + 2.0, mat.size_mm[other])
        for k in range(math.ceil((low[axis] - 2.0) / mat.pitch_mm), math.floor((high[axis] + 2.0) / mat.pitch_mm) + 1):
            at, wide = k * mat.pitch_mm, mat.bold_mm if k % mat.bold_every == 0 else mat.line_mm
            if a < b and 0.0 <= at <= mat.size_mm[axis]:
                corners = np.array([[at - wide / 2, a], [at + wide / 2, a], [at + wide / 2, b], [at - wide / 2, b]])
                strips.append(cells.shape_of(corners if axis == 0 else corners[::-1, ::-1]))
    return shapely.union_all(strips)


@lru_cache(maxsize=2)
def _texture(mottle: float, grain: float, speckles: float, scratches: int) -> Floats32:
    """Of the mat, about 1, on squares of 0.3 mm; it repeats every 461 mm."""
    rng, size = np.random.default_rng(20), TEXTURE_SIZE
    rough = rng.standard_normal((size, size), np.float32)
    wrapped = cv2.copyMakeBorder(rng.standard_normal((size, size), np.float32), 128, 128, 128, 128, cv2.BORDER_WRAP)
    smooth = cv2.GaussianBlur(wrapped, (0, 0), 25.0)[128:-128, 128:-128]
    texture = 1.0 + mottle * smooth / smooth.std() + grain / 0.51 * rough
    if speckles:
        texture += 0.6 * (
            cv2.GaussianBlur(rng.standard_normal((size, size), np.float32), (0, 0), 1.0) > _rare(speckles)
        )
    for _ in range(scratches):
        a, turn, long = rng.uniform(0, size, 2), rng.uniform(0, math.pi), rng.uniform(60, 1200)
        b = a + long * np.array([math.cos(turn), math.sin(turn)])
        drawn = np.zeros((size, size), np.uint8)
        cv2.line(drawn, *(tuple(int(v) for v in end) for end in (a, b)), 255, 1, cv2.LINE_AA)
        texture += rng.uniform(0.1, 0.5) / 255.0 * drawn
    return np.asarray(texture, np.float32)


def _rare(share: float) -> float:
    """The level that white noise, blurred by one cell, exceeds in a share of the cells."""
    tried = cv2.GaussianBlur(np.random.default_rng(5).standard_normal((400, 400), np.float32), (0, 0), 1.0)
    return float(np.quantile(tried, 1.0 - share))


def _unevenness(cells: _Cells, mat: Surface) -> Floats32:
    texture = _texture(mat.mottle, mat.grain, mat.speckles, mat.scratches)
    x, y = (np.mod(one / np.float32(TEXTURE_MM), TEXTURE_SIZE) for one in (cells.x_mm, cells.y_mm))
    return np.asarray(cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)


class _Seen:
    """One piece as the camera sees it: its top, fabric by fabric, and the walls that face the lens."""

    def __init__(self, cells: _Cells, cloth: Prism) -> None:
        self.cells, self.cloth = cells, cloth
        outline, high = cloth.outline_mat_mm, cloth.height_mm
        self.top = cells.shape_of(outline, high)
        self.walls = []
        for k, (a, b) in enumerate(zip(outline, np.roll(outline, -1, axis=0), strict=True)):
            side = bent(np.array([a, b]), closed=False)
            ring = np.concatenate([cells.eye.px_of(side, high), cells.eye.px_of(side[::-1])])
            wall = shapely.difference(shapely.Polygon(ring).buffer(0), self.top)
            if not wall.is_empty:
                self.walls.append((k, wall))
        self.whole = shapely.union_all([self.top, *(wall for _, wall in self.walls)])

    def light(self, lit: Floats32, lamps: Sequence[Lamp]) -> Floats32:
        """(H, W, 3): what the piece gives back, cells half covered counting half."""
        cells, cloth = self.cells, self.cloth
        fabric = _fabric(cells, cloth, cloth.fabric)
        if cloth.seam_mat_mm is not None:
            left = cells.share(shapely.Polygon(cells.eye.px_of(bent(_left_of(cloth.seam_mat_mm)), cloth.height_mm)))
            fabric = fabric + left[..., None] * (_fabric(cells, cloth, cloth.second) - fabric)
            fabric = fabric * _allowance(cells, cloth)[..., None]
        light = lit * cells.share(self.top)[..., None]
        normals = outward_normals(cloth.outline_mat_mm)
        for k, wall in self.walls:
            facing = sum((_on_wall(lamp, normals[k]) for lamp in lamps), np.zeros(3))
            whole = sum((np.array(lamp.colour) for lamp in lamps), np.zeros(3))
            light = light + lit * cells.share(wall)[..., None] * (facing / whole).astype(np.float32)
        return np.asarray(light * fabric, np.float32)


def _on_wall(lamp: Lamp, normal: Floats) -> Floats:
    """(3,): a lamp's light on an upright wall that faces `normal`; of the sky it sees a half."""
    share = 0.5 if lamp.sky else float(np.mean([max(0.0, -float(normal @ slope)) for slope in np.array(lamp.slopes)]))
    return share * np.array(lamp.colour)


def _left_of(seam: Floats) -> Floats:
    """(4, 2): more than any piece reaches to the left of a seam, and beyond its ends: it may meet sides askew."""
    a, b = seam
    ahead = 400.0 * (b - a) / np.hypot(*(b - a))
    left = np.array([-ahead[1], ahead[0]])
    return np.array([a - ahead, b + ahead, b + ahead + left, a - ahead + left])


def _allowance(cells: _Cells, cloth: Prism) -> Floats32:
    """(H, W): the rise beside the seam catches light, the fall 6 mm off lies away from it."""
    assert cloth.seam_mat_mm is not None
    a, b = cloth.seam_mat_mm
    ahead = (b - a) / np.hypot(*(b - a))
    off = (cells.x_mm - np.float32(a[0])) * -ahead[1] + (cells.y_mm - np.float32(a[1])) * ahead[0]
    light = np.ones(cells.shape, np.float32)
    for way, ridge in zip((-1.0, 1.0), cloth.ridges, strict=False):
        past = way * off
        light += ridge * (((past > 0.3) & (past < 0.9)).astype(np.float32) - ((past > 5.7) & (past < 6.3)))
    return light


def _fabric(cells: _Cells, cloth: Prism, fabric: Bgr | Print) -> Floats32:
    a, b = cloth.outline_mat_mm[:2]
    turn = math.atan2(b[1] - a[1], b[0] - a[0]) + 0.2
    x, y, c, s = cells.x_mm - np.float32(a[0]), cells.y_mm - np.float32(a[1]), math.cos(turn), math.sin(turn)
    along, across = (c * x + s * y).astype(np.float32), (c * y - s * x).astype(np.float32)
    if isinstance(fabric, Print):
        levels = np.array([fabric.ground, *fabric.figures], np.float32)
        light = levels[FIGURES[fabric.kind](along / fabric.pitch_mm, across / fabric.pitch_mm, fabric.covered)]
    else:
        light = np.array(fabric, np.float32)[None, None]
    if cloth.weave:
        weave = 1.0 + cloth.weave * np.sin(2 * np.pi * along / 0.93) * np.sin(2 * np.pi * across / 0.87)
        light = light * weave[..., None]
    return np.asarray(light, np.float32)

"""What lies on a drawn table: pieces of cloth of many shapes, sizes and fabrics, laid by chance.

Ranges are what cloth has (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from projector.piecing.shapes import Shape, diamond, halves, point, polygon, rectangle, slant, square, triangle
from tests.measure.other_light import Eye, Prism, Surface
from tests.vision.exact_cloth import Bgr, Print, grey
from tests.vision.exact_cover import Floats
from vision.comparing.expected import ExpectedShape
from vision.polygons import line_meeting, outward_normals

SOLIDS: tuple[Bgr, ...] = (
    grey(0.8),
    (0.5, 0.66, 0.7),
    grey(0.02),
    (0.04, 0.03, 0.35),
    (0.09, 0.025, 0.02),
    (0.05, 0.45, 0.6),
    (0.3, 0.2, 0.1),
    (0.35, 0.45, 0.15),
    (0.25, 0.12, 0.3),
    grey(0.3),
)
STANDS_OUT = 0.12  # of the encoded range, in one channel at least: cloth that differs by less is near the mat's colour
TRIES = 400


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """What lies there: its cloth, of what kind ("straight", "curved", "hanging off"), and what was to be cut."""

    cloth: Prism
    kind: str
    fabric: str  # "solid", "print", "near the mat's"
    wanted: ExpectedShape | None = None
    defect: str = ""


def laid_out(rng: np.random.Generator, eye: Eye, mat: Surface) -> tuple[tuple[Piece, ...], list[str]]:
    """What lies on the mat where the camera sees it, and by what names its conditions go."""
    return _Laying(rng, eye, mat).all_of()


class _Laying:
    """A person who lays out cloth."""

    def __init__(self, rng: np.random.Generator, eye: Eye, mat: Surface) -> None:
        self.rng, self.eye, self.mat = rng, eye, mat
        width, height = eye.size_px
        rim = np.array([[8.0, 8.0], [width - 9.0, 8.0], [width - 9.0, height - 9.0], [8.0, height - 9.0]])
        inner = np.concatenate(
            [a + np.arange(12)[:, None] / 12 * (b - a) for a, b in zip(rim, np.roll(rim, -1, 0), strict=True)]
        )
        on_mat = shapely.box(6.0, 6.0, mat.size_mm[0] - 6.0, mat.size_mm[1] - 6.0)
        self.room = shapely.intersection(shapely.Polygon(eye.mm_of(inner)).buffer(0), on_mat)
        self.taken: list[shapely.Polygon] = []
        self.height = float(rng.uniform(0.3, 0.5))

    def all_of(self) -> tuple[tuple[Piece, ...], list[str]]:
        rng, pieces = self.rng, list[Piece]()
        size = str(rng.choice(["usual sizes", "tiny", "large", "mixed sizes"], p=[0.5, 0.2, 0.12, 0.18]))
        close = bool(rng.random() < 0.25)
        many = int(
            rng.choice([1, rng.integers(2, 7), rng.integers(7, 15), rng.integers(15, 41)], p=[0.1, 0.3, 0.45, 0.15])
        )
        low, high = {"usual sizes": (40, 120), "tiny": (19, 32), "large": (150, 300), "mixed sizes": (20, 200)}[size]
        high = min(high, 0.45 * self.mat.size_mm[1])
        low = min(low, 0.6 * high)
        fabrics = str(rng.choice(["solids", "prints", "near the mat", "all fabrics"], p=[0.3, 0.2, 0.15, 0.35]))
        shapes = [self._shape(low, high) for _ in range(4)]
        for k in range(many):
            laid = self._laid(shapes[k % len(shapes)], close, fabrics)
            if laid is not None:
                pieces.append(laid)
        told = [
            size,
            fabrics,
            *(["3 mm apart"] * close),
            *(["many"] * (len(pieces) > 14)),
            *(["one unit"] * (len(pieces) == 1)),
        ]
        for kind, chance in (("curved", 0.15), ("hanging off", 0.12)):
            other = self._other(kind, low, high, fabrics) if rng.random() < chance else None
            if other is not None:
                pieces.append(other)
                told.append(kind)
        return tuple(pieces), told

    def _shape(self, low: float, high: float) -> Shape:
        rng = self.rng
        a, b = (float(one) for one in np.exp(rng.uniform(np.log(low), np.log(high), 2)))
        long, wide = max(a, b), min(a, b)
        angle = math.radians(float(rng.choice([45.0, 60.0, 70.0])))
        made = (
            lambda: square(a),
            lambda: rectangle(wide, long),
            lambda: diamond(wide * 0.8, angle),
            lambda: triangle(a, b),
            lambda: point(wide, math.radians(float(rng.choice([22.5, 45.0])))),
            lambda: halves(a),
            lambda: slant(wide, wide * 0.7, angle, str(rng.choice(["left", "right"])), (wide * 0.5,)),  # type: ignore[arg-type]
            lambda: slant(wide, wide * 0.7, angle, str(rng.choice(["left", "right"]))),  # type: ignore[arg-type]
            lambda: polygon([(0, 0), (long, 0), (long, wide / 2), (long / 2, wide / 2), (long / 2, wide), (0, wide)]),
        )
        return made[int(rng.choice(len(made), p=[0.2, 0.15, 0.12, 0.12, 0.06, 0.12, 0.11, 0.07, 0.05]))]()

    def _laid(self, shape: Shape, close: bool, fabrics: str) -> Piece | None:
        rng = self.rng
        wanted = ExpectedShape(shape.name, shape.corners_mm, shape.seams_mm, shape.side_names)
        corners, seam, defect = shape.corners_mm, (shape.seams_mm[0] if len(shape.seams_mm) else None), ""
        chance = rng.random()
        if chance < 0.15:
            corners, defect = (
                _one_side_off(
                    corners, int(rng.integers(len(corners))), float(rng.choice([-1, 1]) * rng.uniform(0.4, 2.0))
                ),
                "side off",
            )
        elif chance < 0.2:
            turned = wanted.mirrored()
            corners, seam, defect = (
                turned.corners_mm,
                (turned.seams_mm[0] if len(turned.seams_mm) else None),
                "mirrored",
            )
        placed = self._place(corners, close)
        if placed is None:
            return None
        moved, of = placed
        first, kind = self._fabric(fabrics)
        ridge, second = (), grey(0.3)
        if seam is not None:
            second, other = self._fabric(fabrics)
            kind = other if kind == "solid" else kind
            ridge = (float(rng.uniform(0.0, 0.15)),) * int(rng.choice([1, 2]))
            seam = of(seam)
        weave = float(rng.choice([0.0, rng.uniform(0.01, 0.06)]))
        return Piece(Prism(moved, self.height, first, seam, second, ridge, weave), "straight", kind, wanted, defect)  # type: ignore[arg-type]

    def _place(self, corners: Floats, close: bool, tries: int = TRIES):  # type: ignore[no-untyped-def]
        rng, gap = self.rng, 3.0 if close else 8.0
        low, high = np.array(self.room.bounds[:2]), np.array(self.room.bounds[2:])
        for _ in range(tries):
            turn, place = rng.uniform(0, 2 * math.pi), rng.uniform(low, high)
            if rng.random() < 0.3:
                turn = round(turn / (math.pi / 2)) * math.pi / 2
            c, s = math.cos(turn), math.sin(turn)
            middle, rotation = corners.mean(axis=0), np.array([[c, s], [-s, c]])
            if close and self.taken:
                place = self._beside((corners - middle) @ rotation, place, gap)
            moved = (corners - middle) @ rotation + place
            ground = shapely.Polygon(moved)
            if self.room.contains(ground) and all(shapely.distance(ground, one) >= gap - 1e-6 for one in self.taken):
                self.taken.append(ground)
                return moved, lambda points, m=middle, r=rotation, p=place: (points - m) @ r + p
        return None

    def _beside(self, outline: Floats, place: Floats, gap: float) -> Floats:
        """Slid up to the nearest other until just the gap is left."""
        other = min(self.taken, key=lambda one: float(shapely.distance(shapely.Point(place), one)))
        way = np.array(other.centroid.coords[0]) - place
        low, high = 0.0, 1.0
        for _ in range(20):
            middle = (low + high) / 2
            near = shapely.distance(shapely.Polygon(outline + place + middle * way), other)
            low, high = (middle, high) if near > gap else (low, middle)
        return np.asarray(place + low * way)

    def _fabric(self, fabrics: str) -> tuple[Bgr | Print, str]:
        rng = self.rng
        kind = (
            fabrics
            if fabrics != "all fabrics"
            else str(rng.choice(["solids", "prints", "near the mat"], p=[0.5, 0.3, 0.2]))
        )
        plane = np.array(self.mat.light)
        if kind == "near the mat":
            other = plane * (1.0 + rng.choice([-1, 1]) * rng.uniform(0.2, 0.45)) * (1.0 + rng.uniform(-0.12, 0.12, 3))
            return tuple(float(c) for c in np.clip(other, 0.012, 0.9)), "near the mat's"  # type: ignore[return-value]
        if kind == "prints":
            levels = rng.uniform(0.08, 0.75, (4, 1)) * rng.uniform(0.6, 1.0, (4, 3))
            ground, *figures = (tuple(float(c) for c in level) for level in levels)
            if rng.random() < 0.25:
                figures[0] = self.mat.light
            pitch = float(np.exp(rng.uniform(np.log(2.5), np.log(25.0))))
            style = str(rng.choice(["dots", "stripes", "plaid", "flowers"]))
            return Print(
                style, ground, tuple(figures), pitch if style != "flowers" else pitch / 2, float(rng.uniform(0.2, 0.5))
            ), "print"  # type: ignore[arg-type]
        solid = SOLIDS[int(rng.integers(len(SOLIDS)))]
        apart = np.abs(_written(np.array(solid)) - _written(plane)).max()
        return solid, "solid" if apart > STANDS_OUT else "near the mat's"

    def _other(self, kind: str, low: float, high: float, fabrics: str) -> Piece | None:
        rng = self.rng
        fabric, name = self._fabric("solids" if fabrics == "near the mat" else fabrics)
        if kind == "hanging off":
            width, y = rng.uniform(30, 80), rng.uniform(60, self.mat.size_mm[1] - 150)
            strip = np.array(
                [[-400.0, y], [rng.uniform(60, 200), y], [rng.uniform(60, 200), y + width], [-400.0, y + width]]
            )
            ground = shapely.Polygon(strip)
            if any(shapely.distance(ground, one) < 8.0 for one in self.taken):
                return None
            self.taken.append(ground)
            return Piece(Prism(strip, self.height, fabric), kind, name)
        radius, along = rng.uniform(low, high) / 2, np.arange(0, 2 * math.pi, 2 * math.pi / 90)
        outline = radius * np.column_stack([np.cos(along), np.sin(along)])
        if rng.random() < 0.5:
            outline = np.concatenate(
                [2 * radius * np.column_stack([np.cos(along[:24]), np.sin(along[:24])]), [[0.0, 0.0]]]
            )
        placed = self._place(outline, close=False)
        return None if placed is None else Piece(Prism(placed[0], self.height, fabric), kind, name)


def _one_side_off(corners: Floats, side: int, away_mm: float) -> Floats:
    """An outline one of whose sides lies so far out."""
    n, normal = len(corners), outward_normals(corners)[side]
    a, b = corners[side] + away_mm * normal, corners[(side + 1) % n] + away_mm * normal
    moved = corners.copy()
    start = line_meeting(corners[side - 1], corners[side], a, b)
    end = line_meeting(corners[(side + 1) % n], corners[(side + 2) % n], a, b)
    assert start is not None
    assert end is not None
    moved[side], moved[(side + 1) % n] = start, end
    return moved


def _written(light: Floats) -> Floats:
    return np.asarray(np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055))

"""Cutting tables that differ in everything a table may differ in, drawn by seed, with exact truth.

Ranges are what tables, cameras and cloth have (common practice, no source), not what this project's other tests show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from projector.piecing.shapes import Shape, diamond, halves, point, polygon, rectangle, slant, square, triangle
from tests.measure.other_light import Eye, Lamp, Prism, Surface, seen
from tests.vision.exact_cloth import Bgr, Print, grey
from tests.vision.exact_cover import Floats, Floats32, Picture, Sensor, encode
from vision.comparing.expected import ExpectedShape
from vision.polygons import line_meeting, outward_normals

SIZES = {"720p": (1280, 720), "1080p": (1920, 1080), "1440p": (2560, 1440), "4K": (3840, 2160)}
MATS: dict[str, Bgr] = {
    "blue": (0.20, 0.09, 0.04),
    "grey": grey(0.16),
    "pink": (0.38, 0.28, 0.55),
    "black": grey(0.025),
    "white": grey(0.72),
    "dark green": (0.045, 0.085, 0.035),
    "green": (0.07, 0.16, 0.06),
}
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
LEVEL = 0.85  # linear light that the camera gives white cloth, rightly exposed


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """What lies there: its cloth, of what kind ("straight", "curved", "hanging off"), and what was to be cut."""

    cloth: Prism
    kind: str
    fabric: str  # "solid", "print", "near the mat's"
    wanted: ExpectedShape | None = None
    defect: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Table:
    """All of one table: camera, mat, light, what lies there, and by what names its conditions go."""

    seed: int
    eye: Eye
    before: Eye  # when the bare mat was seen: a knock since then
    mat: Surface
    lamps: tuple[Lamp, ...]
    sensor: Sensor
    exposure: float
    brighter: float  # than when the bare mat was seen
    pieces: tuple[Piece, ...]
    bares: int  # pictures of the bare mat; 0: none
    conditions: tuple[str, ...] = field(default=())

    def light(self) -> Floats32:
        cloths = [piece.cloth for piece in self.pieces]
        return seen(self.eye, self.mat, cloths, self.lamps, self.sensor.optics_px) * np.float32(self.exposure)

    def picture(self) -> Picture:
        """What the camera gives, blue green red."""
        return encode(self.light() * np.float32(self.brighter), self.sensor, 11 * self.seed)

    def bare_pictures(self) -> list[Picture]:
        light = seen(self.before, self.mat, (), self.lamps, self.sensor.optics_px) * np.float32(self.exposure)
        return [encode(light, self.sensor, 11 * self.seed + 1 + k) for k in range(self.bares)]


def table(seed: int, most_px: int | None = None) -> Table:
    """The table of a seed; `most_px`: no camera of more pixels across."""
    rng = np.random.default_rng([seed, 77])
    size = str(rng.choice(list(SIZES), p=[0.3, 0.45, 0.1, 0.15]))
    if most_px is not None and SIZES[size][0] > most_px:
        size = "720p"
    mat_mm = ((609.6, 457.2), (914.4, 609.6), (304.8, 228.6))[int(rng.choice(3, p=[0.45, 0.4, 0.15]))]
    colour = str(rng.choice(list(MATS)))
    mat, lines = _mat(rng, MATS[colour], mat_mm)
    eye, lens = _eye(rng, SIZES[size], mat_mm)
    lamps, light = _lamps(rng)
    sensor, camera = _sensor(rng, size)
    off = float(rng.choice([1.0, 0.45, 1.6], p=[0.8, 0.1, 0.1]))
    brighter = float(rng.choice([1.0, rng.uniform(0.8, 1.25)], p=[0.6, 0.4]))
    bares = int(rng.choice([0, 1, 2, 8], p=[0.15, 0.2, 0.45, 0.2]))
    knock = rng.normal(0.0, 1.0, 2) if rng.random() < 0.2 else np.zeros(2)
    before = replace(eye, matrix=eye.matrix + np.array([[0, 0, knock[0]], [0, 0, knock[1]], [0, 0, 0]]))
    laying = _Laying(rng, eye, mat)
    pieces, lying = laying.all_of()
    brightest = np.sum([np.array(lamp.colour) * (1.0 + lamp.window / 2.0) for lamp in lamps], axis=0).max()
    told = (
        size,
        f"{colour} mat",
        *lines,
        *lens,
        *light,
        *camera,
        *lying,
        *(["dark exposure"] if off < 1 else ["bright exposure"] if off > 1 else []),
        *(["exposure changed"] if brighter != 1.0 else []),
        *(["camera knocked"] if knock.any() else []),
        *(["no bare mat"] if not bares else ["one bare picture"] if bares == 1 else []),
    )
    exposure = off * LEVEL / 0.8 / brightest
    return Table(seed, eye, before, mat, lamps, sensor, exposure, brighter, pieces, bares, told)


def _mat(rng: np.random.Generator, plane: Bgr, size_mm: tuple[float, float]) -> tuple[Surface, list[str]]:
    kind = str(rng.choice(["light thin", "light bold", "dark", "none"], p=[0.45, 0.2, 0.2, 0.15]))
    level = np.array(plane)
    if kind == "dark":
        line = level * rng.uniform(0.3, 0.7)
    else:
        line = np.minimum(level + rng.uniform(0.05, 0.3), 0.95) if level.max() < 0.6 else level * rng.uniform(0.5, 0.8)
    thin = {"light thin": rng.uniform(0.2, 0.5), "light bold": rng.uniform(0.7, 1.3), "dark": rng.uniform(0.2, 0.8)}
    width = float(thin.get(kind, 0.0))
    centimetres = bool(rng.random() < 0.4)
    speckles = float(rng.choice([0.0, rng.uniform(0.002, 0.02)], p=[0.7, 0.3]))
    worn = bool(rng.random() < 0.3)
    mottle, grain = rng.uniform(0.0, 0.03), rng.uniform(0.003, 0.03)
    light, line_light = (tuple(float(c) for c in one) for one in (level * rng.uniform(0.85, 1.15), line))
    surface = Surface(
        size_mm,
        light,  # type: ignore[arg-type]
        line_light,  # type: ignore[arg-type]
        width,
        width * float(rng.choice([1.0, 2.0])),
        5 if centimetres else 4,
        10.0 if centimetres else 25.4,
        float(mottle),
        float(grain),
        speckles,
        int(rng.integers(30, 200)) if worn else 0,
        tuple(float(c) for c in rng.uniform(0.1, 0.5) * np.array([0.6, 0.8, 1.0])),  # type: ignore[arg-type]
    )
    told = ["no lines" if kind == "none" else f"{kind} lines"]
    return surface, told + ["speckle"] * (speckles > 0) + ["worn mat"] * worn


def _eye(rng: np.random.Generator, size: tuple[int, int], mat_mm: tuple[float, float]) -> tuple[Eye, list[str]]:
    """A camera that sees all of the mat, or nearly."""
    width, depth = mat_mm
    middle = np.array([width, depth]) * (0.5 + rng.uniform(-0.04, 0.04, 2))
    height, tilt, toward = rng.uniform(0.75, 1.7) * width, math.radians(rng.uniform(0, 22)), rng.uniform(0, 2 * math.pi)
    lens = np.array([*(middle + height * math.tan(tilt) * np.array([math.cos(toward), math.sin(toward)])), height])
    z = np.array([*middle, 0.0]) - lens
    z /= np.linalg.norm(z)
    roll = rng.normal(0.0, 0.06) + (math.pi if rng.random() < 0.25 else 0.0)
    x = np.array([math.cos(roll), math.sin(roll), 0.0])
    x -= z * (x @ z)
    x /= np.linalg.norm(x)
    rotation = np.array([x, np.cross(z, x), z])
    translation = -rotation @ lens
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])
    seen_at = np.column_stack([corners, np.zeros(4)]) @ rotation.T + translation
    rays = seen_at[:, :2] / seen_at[:, 2:]
    farthest2 = float((rays**2).sum(axis=1).max())
    strong = bool(rng.random() < 0.5)
    bend = float(rng.uniform(-0.2, -0.06) if strong else rng.uniform(-0.05, 0.03))
    distortion = np.array([bend / farthest2, -0.15 * bend / farthest2**2, *rng.normal(0, 8e-4, 2), 0.0])
    eye = Eye(size, np.eye(3), distortion, rotation, translation)
    spread = eye.px_of(corners)
    room = np.array(size) * rng.uniform(0.86, 1.03)
    focal = float((room / np.ptp(spread, axis=0)).min())
    centre = np.array(size) / 2.0 - focal * (spread.min(axis=0) + spread.max(axis=0)) / 2.0 + rng.normal(0, 8, 2)
    matrix = np.array([[focal, 0.0, centre[0]], [0.0, focal * rng.uniform(0.997, 1.003), centre[1]], [0.0, 0.0, 1.0]])
    told = ["strong distortion"] * strong + ["tilted"] * (tilt > math.radians(10))
    return replace(eye, matrix=matrix), told


def _lamps(rng: np.random.Generator) -> tuple[tuple[Lamp, ...], list[str]]:
    kind = str(rng.choice(["soft light", "window", "hard shadow"], p=[0.45, 0.3, 0.25]))
    warmth = str(rng.choice(["", "warm", "cold"], p=[0.5, 0.3, 0.2]))
    colour = {"": np.ones(3), "warm": np.array([0.45, 0.85, 1.15]), "cold": np.array([1.25, 1.0, 0.8])}[warmth]
    falls = tuple(float(f) for f in rng.uniform(-0.4, 0.4, 2))
    round_about = [(math.cos(t), math.sin(t)) for t in np.arange(7) * 2 * math.pi / 7 + rng.uniform(0, 1)]
    aside, wide = rng.uniform(-0.25, 0.25, 2), rng.uniform(0.2, 0.5)
    above = tuple((aside[0] + wide * c, aside[1] + wide * s) for c, s in round_about)

    def of(share: float, **kinds: object) -> Lamp:
        return Lamp(tuple(float(c) for c in colour * share), **kinds)  # type: ignore[arg-type]

    if kind == "soft light":
        sky = rng.uniform(0.1, 0.6)
        return (of(1.0 - sky, slopes=above, falls=falls), of(sky, sky=True)), [kind, *([warmth] if warmth else [])]
    if kind == "window":
        share, steep, y = rng.uniform(0.3, 0.6), rng.uniform(1.0, 2.2), rng.uniform(-0.8, 0.8)
        slopes = tuple((steep * k, y * steep + d) for k in (0.7, 1.0, 1.4) for d in (-0.4, 0.4))
        day = Lamp(tuple(float(c) for c in share * np.array([1.2, 1.0, 0.85])), slopes, (0.0, 0.0), 2.0)  # type: ignore[arg-type]
        return (of((1 - share) * 0.7, slopes=above, falls=falls), of((1 - share) * 0.3, sky=True), day), [
            kind,
            *([warmth] if warmth else []),
        ]
    share, steep, turn = rng.uniform(0.4, 0.8), rng.uniform(0.3, 1.3), rng.uniform(0, 2 * math.pi)
    lamp = of(share, slopes=((steep * math.cos(turn), steep * math.sin(turn)),), falls=falls)
    return (lamp, of(1.0 - share, sky=True)), [kind, *([warmth] if warmth else [])]


def _sensor(rng: np.random.Generator, size: str) -> tuple[Sensor, list[str]]:
    sharpening = float(rng.choice([0.0, rng.uniform(0.3, 1.0)], p=[0.7, 0.3]))
    quality = int(rng.choice([95, 93, 90, 85, 75]))
    optics = float(rng.uniform(0.8, 1.6) if size == "4K" else rng.uniform(0.55, 1.2))
    noise = float(rng.uniform(31.0, 42.0))
    whole_colour = bool(rng.random() >= 0.8)
    sensor = Sensor(optics, noise, sharpening=sharpening, jpeg=quality, colour_420=not whole_colour)
    told = ["sharpened"] * (sharpening > 0) + [f"JPEG {quality}"] + ["noisy"] * (noise < 34)
    return sensor, told + ["soft lens"] * (optics > 1.1)


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


def named(tables: Sequence[Table]) -> list[str]:
    """All conditions that some tables have."""
    return sorted({name for one in tables for name in one.conditions})

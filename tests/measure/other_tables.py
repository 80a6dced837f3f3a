"""Cutting tables that differ in everything a table may differ in, drawn by seed, with exact truth.

Ranges are what tables, cameras and cloth have (common practice, no source), not what this project's other tests show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tests.measure.other_laying import Piece, laid_out
from tests.measure.other_light import Eye, Lamp, Surface, seen
from tests.vision.exact_cloth import Bgr, grey
from tests.vision.exact_cover import Floats32, Picture, Sensor, encode

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
LEVEL = 0.85  # linear light that the camera gives white cloth, rightly exposed


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
    pieces, lying = laid_out(rng, eye, mat)
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
    # Spawned: what else is drawn stays the same.
    radius_px = float(np.exp(rng.spawn(1)[0].uniform(*np.log([0.6, 1.6]))))
    mask = {"sharpening": sharpening, "sharpening_px": radius_px}
    sensor = Sensor(optics, noise, **mask, jpeg=quality, colour_420=not whole_colour)
    told = ["sharpened"] * (sharpening > 0) + [f"JPEG {quality}"] + ["noisy"] * (noise < 34)
    return sensor, told + ["soft lens"] * (optics > 1.1)


def named(tables: Sequence[Table]) -> list[str]:
    """All conditions that some tables have."""
    return sorted({name for one in tables for name in one.conditions})

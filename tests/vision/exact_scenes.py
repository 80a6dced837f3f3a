"""Conditions under which cloth is measured, and frames of them with exact truth. All of it is generated, by seed.

Each frame shows units of six shapes, in any place and turn, over a mat with grid lines; beside it lies what the empty
mat looked like, the mean of several frames from before the camera moved or the exposure changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import shapely

from tests.vision.exact_cloth import ROOM, Bgr, Cloth, Light, Mat, Print, grey, light_on_pixels
from tests.vision.exact_cover import Floats, Floats32, Picture, Sensor, View, encode, linear_of
from vision.polygons import outward_normals, side_lengths

Fabric = Bgr | Print
Draw = Callable[[np.random.Generator, Mat], Fabric]

FULL_VIEW = View(turn_rad=0.052)
SMALL_VIEW = View((1000, 640), turn_rad=0.052, middle_px=(487.3, 313.8))
RIM_MM, GAP_MM = 9.0, 9.0
TRIES = 4000
LAMP_U = 0.15  # of a shadow's reach: cloth of 0.4 mm, u 0.06


def plain(*lights: Bgr) -> Draw:
    """One of some colours for each piece."""
    return lambda rng, mat: lights[int(rng.integers(len(lights)))]


def printed(*kinds: str, of_the_mat: bool = False) -> Draw:
    """A print of random colours; `of_the_mat`: the mat's own is among them."""

    def draw(rng: np.random.Generator, mat: Mat) -> Print:
        levels = rng.uniform(0.12, 0.65, (4, 1)) * rng.uniform(0.7, 1.0, (4, 3))
        ground, *figures = (tuple(float(c) for c in level) for level in levels)
        one, two, three = figures
        kind = kinds[int(rng.integers(len(kinds)))]
        return Print(kind, ground, (mat.light if of_the_mat else one, two, three), float(rng.uniform(5.0, 11.0)))

    return draw


LIGHT, CAMERA, DARK_MAT = plain(grey(0.6)), Sensor(), Mat()
ALL_PRINTS = ("dots", "stripes", "plaid", "flowers")


@dataclass(frozen=True, slots=True)
class Condition:
    """What is in front of the camera, and the camera. Of `lamp`, the frame with it less the one without is measured."""

    fabric: Draw = LIGHT
    sensor: Sensor = CAMERA
    mat: Mat = DARK_MAT
    lights: tuple[Light, ...] = ROOM
    exposure: float = 1.0  # against the empty mat's frames
    moved_px: tuple[float, float] = (0.0, 0.0)  # since the empty mat's frames
    mm_per_px: float = 0.4
    units: int = 6
    size: float = 1.0  # of the units, of sides of 40 to 120 mm
    pairs: bool = False  # in twos, 3 mm apart
    line_mm: tuple[float, ...] = ()  # one side of a unit lies along a grid line, its middle so far outside the side
    second: Draw | None = None  # beyond a seam
    ridge: float = 0.0
    weave: float = 0.0
    reference: int = 16  # frames of the empty mat; 0: none
    lamp: Light | None = None

    def view(self, base: View = FULL_VIEW) -> View:
        return replace(base, mm_per_px=self.mm_per_px)


GREEN_MAT = Mat((0.055, 0.10, 0.05), (0.25, 0.3, 0.24))
LIGHT_MAT = Mat(grey(0.45), grey(0.6))
DARK = plain(grey(0.08))
SOLIDS = plain(grey(0.75), (0.5, 0.66, 0.7), grey(0.02), (0.04, 0.03, 0.35), (0.09, 0.025, 0.02))
LAMP = Light((0.9, 1.0, 0.85), 0.8, 2.5, shadow=1.0, shift_mat_mm=(-0.3, 0.35), soft_mm=0.06)


def shadow(depth: float, soft_mm: float = 0.35, x_mm: float = 0.35, y_mm: float = 0.25) -> tuple[Light, ...]:
    return (Light(shadow=depth, shift_mat_mm=(x_mm, y_mm), soft_mm=soft_mm),)


def jpeg(quality: int, grey_camera: bool = True) -> Sensor:
    return Sensor(jpeg=quality, grey=grey_camera)


CONDITIONS: dict[str, Condition] = {
    "40 dB, plain mat": Condition(sensor=Sensor(noise_db=40.0), mat=Mat(line_mm=0.0, mottle=0.0, grain=0.0)),
    "40 dB": Condition(sensor=Sensor(noise_db=40.0)),
    "36 dB": Condition(),
    "36 dB, grey camera": Condition(sensor=Sensor(grey=True)),
    "30 dB": Condition(sensor=Sensor(noise_db=30.0)),
    "36 dB, optics 1.2 px": Condition(sensor=Sensor(optics_px=1.2)),
    "30 dB, optics 1.5 px": Condition(sensor=Sensor(1.5, 30.0)),
    "cloth 0.11, 36 dB": Condition(plain(grey(0.11))),
    "cloth 0.11, 30 dB": Condition(plain(grey(0.11)), Sensor(noise_db=30.0)),
    "cloth 0.08, mat 0.45": Condition(DARK, mat=LIGHT_MAT),
    "white cream black red navy": Condition(SOLIDS, mat=GREEN_MAT),
    "green near the mat's": Condition(plain((0.06, 0.14, 0.055), (0.08, 0.12, 0.06)), mat=GREEN_MAT),
    "dots": Condition(printed("dots"), weave=0.04),
    "stripes": Condition(printed("stripes"), weave=0.04),
    "plaid": Condition(printed("plaid"), weave=0.04),
    "flowers": Condition(printed("flowers"), weave=0.04),
    "print with the mat's colour": Condition(printed(*ALL_PRINTS, of_the_mat=True), mat=GREEN_MAT, weave=0.04),
    "light falls 1:0.4": Condition(lights=(Light(falls_to=0.4),)),
    "window at one side": Condition(lights=(Light(grey(0.6)), Light((0.25, 0.21, 0.17), 0.3, 0.0, 1.0))),
    "warm light": Condition(SOLIDS, mat=GREEN_MAT, lights=(Light((0.35, 0.75, 1.2)),)),
    "shadow 20 %": Condition(lights=shadow(0.2)),
    "shadow 40 %": Condition(lights=shadow(0.4)),
    "shadow 60 %": Condition(lights=shadow(0.6)),
    "shadow 40 %, other way": Condition(lights=shadow(0.4, x_mm=-0.25, y_mm=-0.4)),
    "hard shadow 40 %": Condition(lights=shadow(0.4, 0.03)),
    "dark on light, shadow 20 %": Condition(DARK, mat=LIGHT_MAT, lights=shadow(0.2)),
    "dark on light, shadow 40 %": Condition(DARK, mat=LIGHT_MAT, lights=shadow(0.4)),
    "dark on light, shadow 60 %": Condition(DARK, mat=LIGHT_MAT, lights=shadow(0.6)),
    "dark on light, hard shadow": Condition(DARK, mat=LIGHT_MAT, lights=shadow(0.4, 0.03, -0.25, -0.4)),
    "lamp, shadow 40 %": Condition(lights=(replace(shadow(0.4)[0], colour=grey(0.45)),), lamp=LAMP),
    "lamp, dark on light": Condition(
        DARK, mat=LIGHT_MAT, lights=(replace(shadow(0.4)[0], colour=grey(0.45)),), lamp=LAMP
    ),
    "side on a grid line": Condition(line_mm=(-0.4, -0.15, 0.15, 0.4), units=8),
    "side near a grid line": Condition(line_mm=(-0.8, 0.6, 0.8, 1.5, 2.2), units=8),
    "cloth 0.11, side on a grid line": Condition(plain(grey(0.11)), line_mm=(-0.15, 0.15), units=8),
    "JPEG 95, grey": Condition(sensor=jpeg(95)),
    "JPEG 90, grey": Condition(sensor=jpeg(90)),
    "JPEG 85, grey": Condition(sensor=jpeg(85)),
    "JPEG 85, grey, dark on light": Condition(DARK, jpeg(85), LIGHT_MAT),
    "JPEG 75, grey": Condition(sensor=jpeg(75)),
    "JPEG 95, 4:2:0": Condition(SOLIDS, jpeg(95, False), GREEN_MAT),
    "JPEG 85, 4:2:0": Condition(SOLIDS, jpeg(85, False), GREEN_MAT),
    "mosaic": Condition(SOLIDS, Sensor(mosaic=True), GREEN_MAT),
    "sharpening 0.4": Condition(sensor=Sensor(sharpening=0.4)),
    "sharpening 0.8": Condition(sensor=Sensor(sharpening=0.8)),
    "sharpening 0.8, JPEG 85, grey": Condition(sensor=Sensor(sharpening=0.8, jpeg=85, grey=True)),
    "exposure x 0.8": Condition(exposure=0.8),
    "exposure x 1.2": Condition(exposure=1.2),
    "moved by (1, 0.5) px": Condition(moved_px=(1.0, 0.5)),
    "moved by (2, 1) px": Condition(moved_px=(2.0, 1.0)),
    "3 mm apart": Condition(plain(grey(0.6), grey(0.35), grey(0.02)), units=4, pairs=True),
    "two fabrics, ridge": Condition(plain(grey(0.6), (0.1, 0.1, 0.5)), second=plain(grey(0.25)), ridge=0.12),
    "two fabrics, hardly differing": Condition(plain(grey(0.5)), second=plain(grey(0.54)), ridge=0.12),
    "1 unit": Condition(units=1),
    "40 units": Condition(SOLIDS, mat=GREEN_MAT, units=40, size=0.55),
    "0.3 mm/px": Condition(mm_per_px=0.3, size=0.8),
    "0.55 mm/px": Condition(mm_per_px=0.55),
    "no empty mat": Condition(reference=0),
    "find: 0.11, x 0.8, moved 2 px, lines": Condition(
        plain(grey(0.11)), exposure=0.8, moved_px=(2.0, 1.0), line_mm=(-0.15, 0.15), units=8
    ),
    "find: prints, x 1.2, moved 2 px, lines": Condition(
        printed(*ALL_PRINTS, of_the_mat=True), exposure=1.2, moved_px=(-2.0, 1.0), line_mm=(-0.15, 0.15), units=8
    ),
    "all at once": Condition(
        printed(*ALL_PRINTS),
        Sensor(1.2, jpeg=90, grey=False),
        lights=(Light(falls_to=0.5, shadow=0.35),),
        exposure=1.05,
        weave=0.04,
    ),
}


@dataclass(frozen=True, eq=False, slots=True)
class TrueUnit:
    """A piece as it lies, and a label for each of its sides: how a grid line or the lamp lies to it; "" if not."""

    cloth: Cloth
    labels: tuple[str, ...]

    @property
    def corners_mat_mm(self) -> Floats:
        return self.cloth.corners_mat_mm


@dataclass(frozen=True, eq=False, slots=True)
class Shot:
    """One frame, what the empty mat looked like before, and the truth."""

    condition: Condition
    view: View
    pixels: Picture  # the frame as a file has it (with the lamp, where there is one)
    linear: Floats32  # the same in linear light; with a lamp: less the frame without it
    empty: Picture | None  # mean of the empty mat's frames, in bytes
    bare: Floats32 | None  # the same in linear light, unrounded
    units: tuple[TrueUnit, ...]
    lamp: LampAtTable | None = None


@dataclass(frozen=True, eq=False, slots=True)
class LampAtTable:
    """What a table knows of its lamp: its place, and so how far cloth throws its shadow, give or take the height."""

    shift_mat_mm: Floats  # (2,)
    share: float = 1.0
    u: float = LAMP_U

    def shadow_mm(self, points_mat_mm: Floats, height_mm: float) -> Floats:
        """The drawn cloth has no height: its shadow's reach is given."""
        return np.tile(self.shift_mat_mm, (len(points_mat_mm), 1))


def shot(condition: Condition, seed: int, base: View = FULL_VIEW) -> Shot:
    """A frame of a condition; the same seed gives the same frame."""
    rng = np.random.default_rng(seed)
    before = condition.view(base)
    view = before.moved(condition.moved_px)
    units = lay_out(condition, view, rng)
    cloths = [unit.cloth for unit in units]
    at = Place(condition.sensor, condition.mat, condition.lights, condition.lamp)
    empty, bare = _reference(at, before, condition.reference) if condition.reference else (None, None)
    pixels, linear = at.frame(view, cloths, condition.exposure, int(rng.integers(1 << 30)))
    return Shot(condition, view, pixels, linear, empty, bare, units, _lamp_at_table(condition, seed))


def _lamp_at_table(condition: Condition, seed: int) -> LampAtTable | None:
    """The lamp as the table knows it: off by as much as it says it may be."""
    if condition.lamp is None:
        return None
    off = np.random.default_rng([seed, 1]).normal(1.0, LAMP_U)
    return LampAtTable(np.array(condition.lamp.shift_mat_mm) * off)


@dataclass(frozen=True, slots=True)
class Place:
    """A camera over a mat in some light: what stays the same from frame to frame."""

    sensor: Sensor
    mat: Mat
    lights: tuple[Light, ...]
    lamp: Light | None

    def frame(self, view: View, cloths: Sequence[Cloth], exposure: float, seed: int) -> tuple[Picture, Floats32]:
        """The picture, and its linear light: with a lamp, less that of a picture without."""
        pixels = self._picture(view, cloths, self.lights + (() if self.lamp is None else (self.lamp,)), exposure, seed)
        linear = linear_of([pixels])
        if self.lamp is not None:
            linear -= linear_of([self._picture(view, cloths, self.lights, exposure, seed + 1)])
        return pixels, linear

    def _picture(
        self, view: View, cloths: Sequence[Cloth], lights: tuple[Light, ...], exposure: float, seed: int
    ) -> Picture:
        light = light_on_pixels(view, self.mat, cloths, lights, self.sensor.optics_px)
        return encode(light * np.float32(exposure), self.sensor, seed)


@lru_cache(maxsize=4)
def _reference(place: Place, view: View, frames: int) -> tuple[Picture, Floats32]:
    """The mean of the empty mat's frames, in bytes and in linear light."""
    total, pixels = np.zeros((*view.size_px[::-1], 3)), np.zeros((*view.size_px[::-1], 3))
    for k in range(frames):
        one, linear = place.frame(view, (), 1.0, 7_000_000 + 2 * k)
        total, pixels = total + linear, pixels + one
    return np.rint(pixels / frames).astype(np.uint8), (total / frames).astype(np.float32)


def _shapes(rng: np.random.Generator, size: float) -> list[Floats]:
    """Square, rectangle, rhombi of 60 and 45 degrees, parallelogram, right triangle; sides of 40 to 120 mm."""

    def leaning(width: float, side: float, angle_deg: float) -> Floats:
        x, y = side * math.cos(math.radians(angle_deg)), side * math.sin(math.radians(angle_deg))
        return np.array([[0.0, 0.0], [width, 0.0], [width + x, y], [x, y]])

    a, b, c, d, e, f = rng.uniform(50.0, 90.0, 6) * size
    triangle = np.array([[0.0, 0.0], [b, 0.0], [0.0, d]])
    slanted = [leaning(d, d, 60), leaning(e, e, 45), leaning(1.2 * f, a, 70)]
    return [leaning(a, a, 90), leaning(1.3 * b, c * 0.8, 90), *slanted, triangle]


def lay_out(condition: Condition, view: View, rng: np.random.Generator) -> tuple[TrueUnit, ...]:
    """Units in any place and turn, none nearer to another or to the picture's rim than 9 mm."""
    width, height = view.size_px
    rim = shapely.Polygon(view.mm_of_px(np.array([[0, 0], [0, height], [width, height], [width, 0]], float)))
    room, taken = rim.buffer(-RIM_MM), shapely.Polygon()
    shapes = [shape for _ in range(condition.units // 6 + 1) for shape in _shapes(rng, condition.size)]
    laid: list[TrueUnit] = []
    for k in range(condition.units):
        for _ in range(TRIES):
            placed, labels = _placed(shapes[k], k, condition, room.bounds, rng)
            both = [placed, *([_beside(placed)] if condition.pairs else [])]
            ground = shapely.union_all([shapely.Polygon(one) for one in both])
            if room.contains(ground) and not shapely.dwithin(ground, taken, GAP_MM):
                break
        else:
            raise ValueError(f"{condition.units} units do not find room")
        taken = taken.union(ground)
        laid.extend(_unit(one, labels, condition, rng) for one in both)
    return tuple(laid)


def _placed(
    shape: Floats, k: int, condition: Condition, bounds: tuple[float, ...], rng: np.random.Generator
) -> tuple[Floats, tuple[str, ...]]:
    """A shape in a random place and turn, or with one side along a grid line."""
    place = rng.uniform(bounds[:2], bounds[2:])
    turn = rng.uniform(0, 2 * math.pi)
    labels = [""] * len(shape)
    if condition.line_mm:
        turn = int(rng.integers(4)) * math.pi / 2
    c, s = math.cos(turn), math.sin(turn)
    placed = shape @ np.array([[c, s], [-s, c]]) + place
    if condition.line_mm:  # the first side lay along x, the shape above it
        away = condition.line_mm[k % len(condition.line_mm)]
        normal, pitch = outward_normals(placed)[0], condition.mat.pitch_mm
        wanted = np.round((placed[0] @ normal) / pitch) * pitch - away
        placed = placed + normal * (wanted - placed[0] @ normal)
        labels[0] = f"line {away:+g} mm"
    return placed, tuple(labels)


def _beside(corners: Floats) -> Floats:
    """The same shape turned by half a turn about its longest side's middle, 3 mm off it."""
    i = int(np.argmax(side_lengths(corners)))
    middle = (corners[i] + corners[(i + 1) % len(corners)]) / 2.0
    return np.asarray(2 * middle - corners + 3.0 * outward_normals(corners)[i])


def _unit(corners: Floats, labels: tuple[str, ...], condition: Condition, rng: np.random.Generator) -> TrueUnit:
    fabric = condition.fabric(rng, condition.mat)
    seam, second = None, grey(0.0)
    if condition.second is not None:
        ends = corners + np.roll(corners, -1, axis=0)
        seam, second = ends[[0, 2]] / 2.0, condition.second(rng, condition.mat)
    if condition.lamp is not None:
        toward = outward_normals(corners) @ np.array(condition.lamp.shift_mat_mm)
        labels = tuple("in the lamp's shadow" if one > 0 else "lit by the lamp" for one in toward)
    return TrueUnit(Cloth(corners, fabric, seam, second, condition.weave, condition.ridge), labels)

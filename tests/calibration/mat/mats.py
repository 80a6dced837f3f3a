"""Generated pictures of cutting mats for tests: any look, any light, every pose known exactly.

Nine samples a pixel of a fine texture, blurred before pixels are formed, as a lens does it. The lens mapping is
OpenCV's (`projectPoints`, `undistortPoints`), so that a fault of the project's own would show.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from calibration.pinhole import Lens, Pinhole
from calibration.projection import turn

SUB = 3
NODE_PX = 8
TEXTURE_MM = 0.2
MARGIN_MM = 150.0
MAT_MM = (914.4, 609.6)


@dataclass(frozen=True)
class Look:
    """Reflectances of a mat, its lines, and what lies around it."""

    mat: float = 0.08
    line: float = 0.2
    around: float = 0.17
    pitch_mm: float = 25.4
    line_mm: float = 0.5
    mottle: float = 0.02
    grain: float = 0.10  # streaks of what lies around
    size_mm: tuple[float, float] = MAT_MM
    inset_mm: float = 0.0  # of the grid from the mat's border

    @lru_cache(maxsize=1)  # noqa: B019 - a tenth of a gigabyte, and the tests of a file look at one mat after another
    def texture(self):
        """Rows from the near side up, columns from the left; row 0, column 0 is at (-MARGIN, -MARGIN)."""
        rng = np.random.default_rng(1)
        w, h = (round((side + 2 * MARGIN_MM) / TEXTURE_MM) for side in self.size_mm)
        x, y = ((np.arange(n) + 0.5) * TEXTURE_MM - MARGIN_MM for n in (w, h))
        lines = [self._lines(v, side) for v, side in zip((x, y), self.size_mm, strict=True)]
        grid = 1 - (1 - lines[0][None, :]) * (1 - lines[1][:, None])
        in_x, in_y = (_cover(v, 0.0, side) for v, side in zip((x, y), self.size_mm, strict=True))
        on = (in_x[None, :] * in_y[:, None]).astype(np.float32)
        mottle = 1 + self.mottle * _smooth(rng, (h, w), 10)
        streaks = 1 + self.grain * cv2.resize(rng.standard_normal((8, w // 20)).astype(np.float32), (w, h))
        surface = (self.mat + (self.line - self.mat) * grid.astype(np.float32)) * mottle
        return np.asarray(surface * on + self.around * np.clip(streaks, 0.5, 1.5) * (1 - on), np.float32)

    def _lines(self, v, side):
        if self.pitch_mm <= 0:
            return np.zeros_like(v)
        at = v - self.inset_mm
        last = np.floor((side - 2 * self.inset_mm) / self.pitch_mm + 1e-6)
        nearest = self.pitch_mm * np.clip(np.round(at / self.pitch_mm), 0, last)
        return _cover(at - nearest, -self.line_mm / 2, self.line_mm / 2)


def _cover(v, low, high):
    """Part of each cell of the texture between two values."""
    half = TEXTURE_MM / 2
    return np.clip((np.minimum(v + half, high) - np.maximum(v - half, low)) / TEXTURE_MM, 0.0, 1.0)


def _smooth(rng, shape, shrink):
    small = rng.standard_normal((shape[0] // shrink, shape[1] // shrink)).astype(np.float32)
    return cv2.resize(small, shape[::-1], interpolation=cv2.INTER_LINEAR)


@dataclass
class Scene:
    """A mat under a camera and a projector, both over the world's plane; the mat may lie anywhere in it."""

    camera: Pinhole
    projector: Pinhole | None = None
    look: Look = field(default_factory=Look)
    mat_turn_rad: float = 0.0  # of the mat in the world, about its lower-left corner
    mat_at_mm: tuple[float, float] = (0.0, 0.0)
    room: float = 0.15
    white: float = 1.0
    gain: float = 2.0
    noise: float = 1.2  # of encoded brightness
    blur_px: float = 0.65
    seed: int = 0
    texture: np.ndarray | None = None

    def picture(self, shown=None, seed=0):
        """(h, w) uint8 encoded; `shown` is the projector's picture (h, w, 3), a number for even light, or None."""
        light = self.linear(shown)
        return self.exposed(light, seed)

    def exposed(self, light, seed=0):
        rng = np.random.default_rng([self.seed, seed, 7])
        light = np.clip(light, 0, 1)
        encoded = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
        noisy = 255 * encoded + self.noise * rng.standard_normal(light.shape, dtype=np.float32)
        return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)

    def linear(self, shown=None):
        w, h = self.camera.lens.size_px
        if self.texture is None:
            self.texture = self.look.texture()
        world = _world_mm(self.camera)
        c, s = np.cos(self.mat_turn_rad), np.sin(self.mat_turn_rad)
        own = (world - np.array(self.mat_at_mm)) @ np.array([[c, -s], [s, c]])
        albedo = _looked_up(self.texture, (own + MARGIN_MM) / TEXTURE_MM - 0.5, (w, h))
        light = np.full_like(albedo, self.room)
        if self.projector is not None and shown is not None:
            light = light + self.white * self._thrown(world, shown, (w, h))
        fine = cv2.GaussianBlur(albedo * light * np.float32(self.gain), (0, 0), self.blur_px * SUB)
        return cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA)

    def _thrown(self, world, shown, size_px):
        w, h = self.projector.lens.size_px
        picture = np.full((h, w), shown, np.float32) if np.isscalar(shown) else (shown[..., 1] / 255.0) ** 2.2
        points = np.concatenate([world, np.zeros_like(world[..., :1])], axis=-1).reshape(-1, 3)
        px = projected_px(self.projector, points).reshape(world.shape)
        return _looked_up(np.asarray(picture, np.float32), px, size_px, cv2.BORDER_CONSTANT)


def projected_px(device, points_mm):
    px, _ = cv2.projectPoints(
        np.asarray(points_mm, float),
        cv2.Rodrigues(device.rotation)[0],
        device.translation_mm,
        device.lens.matrix,
        np.array(device.lens.distortion),
    )
    return px.reshape(-1, 2)


def _world_mm(camera):
    """(rows, columns, 2) world points at nodes every NODE_PX, one beyond the picture all round."""
    w, h = camera.lens.size_px
    u, v = (np.arange(-1, -(-n // NODE_PX) + 2) * float(NODE_PX) for n in (w, h))
    px = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 1, 2)
    many = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
    rays = cv2.undistortPoints(px, camera.lens.matrix, np.array(camera.lens.distortion), criteria=many)
    beams = np.column_stack([rays.reshape(-1, 2), np.ones(len(rays))]) @ camera.rotation
    eye = -camera.rotation.T @ camera.translation_mm
    points = eye[:2] + beams[:, :2] * (-eye[2] / beams[:, 2:])
    return points.reshape(len(v), len(u), 2)


def _looked_up(texture, at, size_px, border=cv2.BORDER_REPLICATE):
    """Values of a texture at positions known on the nodes, for SUB x SUB samples in every pixel."""
    w, h = size_px
    u, v = (((np.arange(n * SUB) + 0.5) / SUB - 0.5) / NODE_PX + 1.0 for n in (w, h))
    x, y = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
    maps = [cv2.remap(np.ascontiguousarray(at[..., k], np.float32), x, y, cv2.INTER_LINEAR) for k in (0, 1)]
    return cv2.remap(texture, *maps, cv2.INTER_LINEAR, borderMode=border)


FLIP = np.diag([1.0, -1.0, -1.0])


def over_table(size_px, at_mm, turn_rad=(0.0, 0.0, 0.0), focal=1.55, centre=(0.0, 0.0), distortion=(0.0,) * 5):
    """A device at `at_mm` that looks down, turned a little; focal length in heights of its picture."""
    w, h = size_px
    rotation = turn(np.array(turn_rad)) @ FLIP
    lens = Lens(size_px, (focal * h, focal * h), ((w - 1) / 2 + centre[0] * w, (h - 1) / 2 + centre[1] * h), distortion)
    return Pinhole(lens, rotation, -rotation @ np.array(at_mm, float))


def usual(size_px=(960, 540), projector_px=(960, 540), **how):
    """A camera that sees the whole mat from 1.45 m, and a projector that lights all of it."""
    camera = over_table(size_px, (420, 240, 1450), (-0.05, -0.02, 0.015), 2.0, distortion=(-0.1, 0.03, 2e-4, -3e-4, 0))
    light = over_table(projector_px, (480, 380, 1600), (-0.02, 0.03, 0.02), 2.2, (0.0, -0.1), (-0.02, 0, 1e-4, 0, 0))
    return Scene(camera, light, **how)


def bumped(device, rng, mm, degrees):
    """The device after a blow: its lens moved by `mm`, itself turned by `degrees`, both in a random direction."""
    away, axis = (v / np.linalg.norm(v) for v in rng.normal(size=(2, 3)))
    rotation = turn(axis * np.radians(degrees)) @ device.rotation
    return Pinhole(device.lens, rotation, -rotation @ (device.lens_mat_mm + mm * away))

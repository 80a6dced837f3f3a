"""What a virtual table is like before anything lies on it: lenses, light, noise, times. All from one seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import Optics, filled, looking_at

Floats = NDArray[np.float64]

MAT_MM = (914.4, 609.6)  # 36 x 24 in
MAT_CORNERS_MM = np.array([[0.0, 0.0], [MAT_MM[0], 0.0], MAT_MM, [0.0, MAT_MM[1]]])
GRID_MM = 25.4
GRID_LINE_MM = 0.5
SHEET_THICKNESS_MM = 0.1
CLOTH_THICKNESS_MM = 0.4


@dataclass(frozen=True, slots=True)
class RoomLight:
    """Light that does not come from the projector; 1 is the projector's white in the middle of its
    picture."""

    level: float
    slope: tuple[float, float]  # relative change over the mat's width and depth
    colour_bgr: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Beam:
    """The projector as a lamp."""

    black: float  # light of a black pixel
    rim_loss: float  # relative loss at the picture's corners
    colour_bgr: tuple[float, float, float]
    latency_s: float


@dataclass(frozen=True, slots=True)
class Sensor:
    """The camera behind its lens; its tone curve is sRGB's."""

    gain: float  # pixel value (1 = full) of a white surface in unit light
    blur_px: float
    read_noise: float  # of full scale, linear
    snr_grey_db: float  # at 18 % of full scale
    vignetting: float  # relative loss at the picture's corners
    exposure_s: float
    latency_s: float


@dataclass(frozen=True, slots=True)
class Setting:
    """Everything that stands still."""

    camera: Optics
    projector: Optics
    room: RoomLight
    beam: Beam
    sensor: Sensor


def setting_of(
    seed: int,
    camera_px: tuple[int, int] = (1920, 1080),
    projector_px: tuple[int, int] = (1920, 1080),
) -> Setting:
    """A table that nobody else has, the same for the same seed."""
    rng = np.random.default_rng([seed, 1])
    return Setting(
        camera=_camera(rng, camera_px),
        projector=_projector(rng, projector_px),
        room=RoomLight(
            level=rng.uniform(0.10, 0.18),  # a lit room, some 400 lx, beside 2000 lm on half a square metre
            slope=(rng.uniform(-0.2, 0.2), rng.uniform(-0.15, 0.15)),
            colour_bgr=(rng.uniform(0.85, 0.95), 1.0, rng.uniform(1.0, 1.08)),
        ),
        beam=Beam(
            black=1 / 800,
            rim_loss=rng.uniform(0.15, 0.3),
            colour_bgr=(rng.uniform(0.98, 1.06), 1.0, rng.uniform(0.92, 1.0)),
            latency_s=0.060,
        ),
        sensor=Sensor(
            gain=0.68,
            blur_px=rng.uniform(0.6, 0.7),
            read_noise=0.0006,
            snr_grey_db=rng.uniform(38.0, 40.0),
            vignetting=rng.uniform(0.1, 0.2),
            exposure_s=1 / 60,
            latency_s=0.040,
        ),
    )


def _camera(rng: np.random.Generator, size_px: tuple[int, int]) -> Optics:
    middle = np.array([MAT_MM[0] / 2, MAT_MM[1] / 2, 0.0])
    at = middle + np.array([rng.uniform(-70, 70), rng.uniform(-110, -30), rng.uniform(1330, 1470)])
    target = middle + np.append(rng.uniform(-6, 6, 2), 0.0)
    lens = Optics(
        size_px=size_px,
        focal_px=(1000.0, 1000.0 * rng.uniform(0.9995, 1.0005)),
        centre_px=((size_px[0] - 1) / 2 + rng.uniform(-12, 12), (size_px[1] - 1) / 2 + rng.uniform(-4, 4)),
        brown=(
            rng.uniform(-0.12, -0.08),
            rng.uniform(0.02, 0.05),
            rng.uniform(-4e-4, 4e-4),
            rng.uniform(-4e-4, 4e-4),
            0.0,
        ),
        axes=looking_at(at, target, np.radians(rng.uniform(-1.0, 1.0))),
        at_mm=at,
    )
    return filled(lens, MAT_CORNERS_MM, 0.93, shift=False)


def _projector(rng: np.random.Generator, size_px: tuple[int, int]) -> Optics:
    middle = np.array([MAT_MM[0] / 2, MAT_MM[1] / 2, 0.0])
    at = middle + np.array([rng.uniform(-60, 60), rng.uniform(60, 160), rng.uniform(1560, 1680)])
    target = at * [1.0, 1.0, 0.0] + np.append(rng.uniform(-90, 90, 2), 0.0)
    lens = Optics(
        size_px=size_px,
        focal_px=(2600.0, 2600.0),
        centre_px=((size_px[0] - 1) / 2, (size_px[1] - 1) / 2),
        brown=(
            rng.uniform(-0.03, -0.01),
            rng.uniform(-0.01, 0.01),
            rng.uniform(-3e-4, 3e-4),
            rng.uniform(-3e-4, 3e-4),
            0.0,
        ),
        axes=looking_at(at, target, np.radians(rng.uniform(-1.2, 1.2))),
        at_mm=at,
    )
    return filled(lens, MAT_CORNERS_MM, 0.93, shift=True)

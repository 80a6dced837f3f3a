"""What a virtual table is like before anything lies on it: lenses, light, noise, times. All from one seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from projector.rehearsal.hanging import hung_camera, hung_projector
from projector.rehearsal.light.curves import SRGB, Curve
from projector.rehearsal.light.wheel import Wheel
from projector.rehearsal.optics import Optics
from projector.rehearsal.quirks import (
    DARK_MAT,
    PLAIN,
    TRUE_SHEET,
    CameraQuirks,
    MatQuirks,
    ProjectorQuirks,
    Quirks,
    SheetQuirks,
)
from projector.rehearsal.things.sizes import CLOTH_THICKNESS_MM as CLOTH_THICKNESS_MM
from projector.rehearsal.things.sizes import MAT_CORNERS_MM as MAT_CORNERS_MM
from projector.rehearsal.things.sizes import MAT_MM as MAT_MM
from projector.rehearsal.things.sizes import SHEET_THICKNESS_MM as SHEET_THICKNESS_MM


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
    curve: Curve = SRGB
    trapezoid: float = 0.0
    overscan: float = 0.0
    wheel: Wheel | None = None
    dynamic: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """The camera behind its lens, as it is when nobody has set anything."""

    gain: float  # pixel value (1 = full) of a white surface in unit light
    blur_px: float
    read_noise: float  # of full scale, linear
    snr_grey_db: float  # at 18 % of full scale
    vignetting: float  # relative loss at the picture's corners
    exposure_s: float
    latency_s: float
    curve: Curve = SRGB
    sharpening: float = 0.0
    readout_s: float = 0.0
    auto_exposure: bool = False
    auto_white: bool = False
    autofocus: bool = False
    deaf: bool = False


@dataclass(frozen=True, slots=True)
class Setting:
    """Everything that stands still until somebody bumps it."""

    camera: Optics
    projector: Optics
    room: RoomLight
    beam: Beam
    sensor: Sensor
    mat: MatQuirks = DARK_MAT
    sheet: SheetQuirks = TRUE_SHEET
    clumsy: float = 0.0


def setting_of(
    seed: int,
    camera_px: tuple[int, int] = (1920, 1080),
    projector_px: tuple[int, int] = (1920, 1080),
    quirks: Quirks = PLAIN,
) -> Setting:
    """A table that nobody else has, the same for the same seed."""
    rng, special = (np.random.default_rng([seed, k]) for k in (1, 5))
    return Setting(
        camera=hung_camera(rng, special, camera_px, quirks.camera),
        projector=hung_projector(rng, projector_px, quirks.projector),
        room=RoomLight(
            level=rng.uniform(0.10, 0.18),  # a lit room, some 400 lx, beside 2000 lm on half a square metre
            slope=(rng.uniform(-0.2, 0.2), rng.uniform(-0.15, 0.15)),
            colour_bgr=(rng.uniform(0.85, 0.95), 1.0, rng.uniform(1.0, 1.08)),
        ),
        beam=_beam(rng, quirks.projector),
        sensor=_sensor(rng, quirks.camera),
        mat=quirks.mat,
        sheet=quirks.sheet,
        clumsy=quirks.clumsy,
    )


def _beam(rng: np.random.Generator, quirks: ProjectorQuirks) -> Beam:
    return Beam(
        black=1 / quirks.contrast,
        rim_loss=rng.uniform(0.15, 0.3),
        colour_bgr=(rng.uniform(0.98, 1.06), 1.0, rng.uniform(0.92, 1.0)),
        latency_s=0.060,
        curve=quirks.curve,
        trapezoid=quirks.trapezoid,
        overscan=quirks.overscan,
        wheel=quirks.wheel,
        dynamic=quirks.dynamic,
    )


def _sensor(rng: np.random.Generator, quirks: CameraQuirks) -> Sensor:
    usual_blur_px = rng.uniform(0.6, 0.7)
    return Sensor(
        gain=0.68,
        blur_px=usual_blur_px if quirks.blur_px is None else quirks.blur_px,
        read_noise=0.0006,
        snr_grey_db=rng.uniform(38.0, 40.0),
        vignetting=rng.uniform(0.1, 0.2),
        exposure_s=1 / 60,
        latency_s=0.040,
        curve=quirks.curve,
        sharpening=quirks.sharpening,
        readout_s=quirks.readout_s,
        auto_exposure=quirks.auto_exposure,
        auto_white=quirks.auto_white,
        autofocus=quirks.autofocus,
        deaf=quirks.deaf,
    )

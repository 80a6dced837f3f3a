"""How camera and projector hang over the mat: usual places with a little chance, or as a table's quirks want it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import Optics, facing, filled, looking_at, quarter_turned, turn_about
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks
from projector.rehearsal.things.sizes import MAT_CORNERS_MM, MAT_MM

Floats = NDArray[np.float64]

MIDDLE_MM = np.array([MAT_MM[0] / 2, MAT_MM[1] / 2, 0.0])
FILL = 0.93  # of the tighter side of either picture
DOWN = np.array([0.0, 0.0, -1.0])
MIRROR = np.diag([-1.0, 1.0, 1.0])  # a mirrored device is a left-handed one: its right is where left was
CENTRING_ROUNDS = 20


def hung_camera(
    rng: np.random.Generator, special: np.random.Generator, size_px: tuple[int, int], quirks: CameraQuirks
) -> Optics:
    """The camera over the middle of the mat, zoomed until the mat fills its picture."""
    at = MIDDLE_MM + np.array([rng.uniform(-70, 70), rng.uniform(-110, -30), rng.uniform(1330, 1470)])
    if quirks.height_mm is not None:
        at = np.append(MIDDLE_MM[:2] + (at - MIDDLE_MM)[:2] * quirks.height_mm / at[2], quirks.height_mm)
    target = MIDDLE_MM + np.append(rng.uniform(-6, 6, 2), 0.0)
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
    if quirks.k1 is not None:
        lens = replace(lens, brown=(quirks.k1, quirks.k1**2 * special.uniform(0.7, 1.1), *lens.brown[2:]))
    return filled(_turned(lens, quirks.quarter_turns, quirks.mirrored), MAT_CORNERS_MM, FILL, shift=False)


def hung_projector(rng: np.random.Generator, size_px: tuple[int, int], quirks: ProjectorQuirks) -> Optics:
    """The projector, higher and further away from the person, its lens shifted until its picture fits the mat."""
    at = MIDDLE_MM + np.array([rng.uniform(-60, 60), rng.uniform(60, 160), rng.uniform(1560, 1680)])
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
    lens = _turned(lens, quirks.quarter_turns, quirks.mirrored)
    if quirks.tilt_rad is not None:
        return _tilted(lens, quirks.tilt_rad)
    if quirks.lens_shift is not None:
        return _shifted(lens, quirks.lens_shift)
    return filled(lens, MAT_CORNERS_MM, FILL, shift=True)


def _turned(lens: Optics, quarter_turns: int, mirrored: bool) -> Optics:
    axes = quarter_turned(lens.axes, quarter_turns)
    return replace(lens, axes=MIRROR @ axes if mirrored else axes)


def _tilted(lens: Optics, tilt_rad: float) -> Optics:
    """Swung about the mat's middle away from the person, and aimed so that the mat sits amid the picture."""
    swing = turn_about(np.array([1.0, 0.0, 0.0]), -tilt_rad)
    at = MIDDLE_MM + swing @ np.array([0.0, 0.0, lens.at_mm[2]])
    lens = replace(lens, at_mm=at, axes=facing(lens.axes, MIDDLE_MM - at))
    for _ in range(CENTRING_ROUNDS):
        lens = filled(lens, MAT_CORNERS_MM, FILL, shift=False)
        pixels = lens.px_from_level(MAT_CORNERS_MM, 0.0)
        middle_px = (pixels.min(axis=0) + pixels.max(axis=0)) / 2
        lens = replace(lens, axes=facing(lens.axes, lens.beams_from_px(middle_px)))
    return lens


def _shifted(lens: Optics, shift: float) -> Optics:
    """Beside the mat and looking straight down, its picture shifted on to the mat by so many of its heights."""
    lens = replace(lens, axes=facing(lens.axes, DOWN))
    beside_mm = 0.0
    for _ in range(CENTRING_ROUNDS):
        at = np.append(MIDDLE_MM[:2], lens.at_mm[2]) + beside_mm * lens.axes[1]
        lens = filled(replace(lens, at_mm=at), MAT_CORNERS_MM, FILL, shift=True)
        missing_px = shift * lens.size_px[1] - (lens.centre_px[1] - (lens.size_px[1] - 1) / 2)
        beside_mm += missing_px * lens.at_mm[2] / lens.focal_px[1]
    return lens

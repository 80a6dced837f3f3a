"""Exposure that suits the projector's light: whole periods of whatever flickers, nothing clipped, nothing lost in dark.

Over whole periods an integral is the same wherever it begins. 1/60 s holds whole periods of 60, 120, 180 and 240 Hz
(colour wheels and lamps in turn at 60 pictures a second, mains light of 60 Hz), 1/50 s those of 100 and 150 Hz, 1/20 s
all of them; shorter ones suit the faster lights alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.setup.devicepictures import WHITE, even
from projector.table.devices import Table
from vision.frames.cameras import Adjustable, Knob
from vision.frames.steadiness import Flicker, banded, flicker
from vision.light import linear_image

Floats = NDArray[np.float64]
Box = tuple[slice, slice]

WHOLE_PERIODS_S = (1 / 60, 1 / 50, 1 / 30, 1 / 25, 1 / 20, 1 / 120, 1 / 100, 1 / 180, 1 / 240)
EVEN_ENOUGH = 0.002  # relative standard deviation of a frame's light; nothing is searched below
FRAMES, TRIAL_FRAMES = 24, 10
SKIPPED = 2  # frames after a change of settings that may still be of before
PAPER_OVER_MAT = 8.5  # white paper's 0.85 over a dark mat's 0.1
BRIGHTEST = 0.9  # of full scale, linear, for white paper
DARKEST = 0.012  # typical light of the mat under which noise and 8 bits show
CLIPPED_BYTE, MOST_CLIPPED = 252, 0.02  # share of the picture between the marks
HALVINGS = 4  # of the gain


@dataclass(frozen=True, slots=True)
class Exposure:
    """How the camera is exposed, and what is left."""

    flicker: Flicker
    seconds: float | None  # as the driver says; None where it says nothing
    set_by_us: bool
    clipped: float  # share of the picture between the marks that is at its top
    light: float  # typical, 0 to 1, linear

    @property
    def too_bright(self) -> bool:
        return self.clipped > MOST_CLIPPED

    @property
    def too_dark(self) -> bool:
        return self.light < DARKEST


def match_exposure(table: Table, box: Box, paper_in_view: bool = False) -> Exposure:
    """Find the exposure with the least flicker in which the lamp's white clips neither on the mat nor on paper.

    Within `box` (rows and columns of the camera's picture) all must be lit. Without `paper_in_view` the mat is taken
    for a dark one, beside which paper is eight times as bright. Leaves the light white. Raises CameraError.
    """
    table.throw(even(table.display.size_px, WHITE))
    if not isinstance(table.camera, Adjustable):
        return _measured(table, box, FRAMES, None, False)
    turned = _less_gain(table, table.camera, box, paper_in_view)
    now = _measured(table, box, FRAMES, table.camera.at(Knob.EXPOSURE_S), turned)
    most = _most(now, paper_in_view)
    if now.seconds is None or (now.flicker.worst < EVEN_ENOUGH and now.light <= most):
        return now
    best = _best_of(table, table.camera, box, now, most)
    seconds = _turned(table, table.camera, now.seconds if best is None else best)
    return _measured(table, box, FRAMES, seconds, best is not None or turned)


def _best_of(table: Table, camera: Adjustable, box: Box, now: Exposure, most: float) -> float | None:
    """The candidate with the least flicker, those nearest to what the light wants first; None if none is better."""
    if now.seconds is None:
        return None
    wanted = now.seconds * min(1.0, most / max(now.light, 1e-6))
    usable = [s for s in WHOLE_PERIODS_S if DARKEST <= now.light * s / now.seconds <= most]
    least, best = (now.flicker.worst if now.light <= most else math.inf), None
    for seconds in sorted(usable, key=lambda s: abs(math.log(s / wanted))):
        _turned(table, camera, seconds)
        left = _measured(table, box, TRIAL_FRAMES, seconds, True).flicker.worst
        if left < least:
            least, best = left, seconds
        if least < EVEN_ENOUGH:
            break
    return best


def _less_gain(table: Table, camera: Adjustable, box: Box, paper_in_view: bool) -> bool:
    """Halve the gain while the light is too much and halving helps. Whether anything was turned."""
    turned = False
    for _ in range(HALVINGS):
        now, gain = _measured(table, box, 3, None, True), camera.at(Knob.GAIN)
        if now.light <= _most(now, paper_in_view) or not gain or camera.turn(Knob.GAIN, gain / 2) is None:
            break
        _skip(table)
        turned = True
        if _measured(table, box, 3, None, True).light > 0.9 * now.light:
            break
    return turned


def _most(now: Exposure, paper_in_view: bool) -> float:
    """Typical light of the mat that leaves room for white paper."""
    if paper_in_view:
        return now.light if not now.too_bright else 0.5 * now.light
    return BRIGHTEST / PAPER_OVER_MAT


def _turned(table: Table, camera: Adjustable, seconds: float) -> float | None:
    got = camera.turn(Knob.EXPOSURE_S, seconds)
    _skip(table)
    return got


def _skip(table: Table) -> None:
    """Let frames of the old settings pass."""
    table.throw(even(table.display.size_px, WHITE))
    table.looks(SKIPPED)


def _measured(table: Table, box: Box, count: int, seconds: float | None, set_by_us: bool) -> Exposure:
    """Look at even light for so many frames."""
    bands, light, clipped = list[Floats](), list[float](), 0.0
    for _ in range(count):
        part = table.look().pixels[box]
        linear = linear_image(part)
        bands.append(banded(linear))
        light.append(float(np.median(linear[::4, ::4])))
        clipped = max(clipped, float((part[::4, ::4].max(axis=2) >= CLIPPED_BYTE).mean()))
    return Exposure(flicker(bands), seconds, set_by_us, clipped, float(np.median(light)))

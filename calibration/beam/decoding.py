"""Read the camera's frames of all patterns: for every camera pixel, the projector pixel that lights it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.beam.patterns import STEPS, Axis, Patterns
from calibration.beam.steady import Bumped, bumped
from calibration.light import linear_grey
from calibration.tone import SRGB, Tone

Picture = NDArray[np.uint8]
Floats32 = NDArray[np.float32]

LEAST_LIGHT = 0.008  # linear light between lit and dark, below which 8 bits no longer carry fringes
LEAST_MODULATION = 0.1  # of that light, in the fringes
CLIPPED = 251  # byte values from here on may have met the end of the scale
BRIGHT = 0.75  # of full scale, linear: where the brightest of the mat should lie
BRIGHT_SHARE = 0.98  # of the lit pixels; the rest may be gloss, paper or metal
FAIR = 0.8  # a peak this near to it is left alone
BRIGHTEN = 4.0  # at most, in one go


@dataclass(frozen=True, eq=False, slots=True)
class Decoded:
    """For every camera pixel, the projector pixel that lights it; NaN where none surely does."""

    projector_px: Floats32  # (h, w, 2)
    light: Floats32  # (h, w) white minus black, linear light


def decode(frames: Iterable[Picture], projector_size_px: tuple[int, int], tone: Tone = SRGB) -> Decoded | Bumped:
    """Read the camera's frames of `Patterns(projector_size_px)`, in their order; the top level may be any.

    A pixel is left out where light is too weak, clipped (a glossy spot), or code and phase contradict each
    other. If camera or projector moved between the first and the last picture, `Bumped` says by how much.

    Raises ValueError if there are not as many frames as patterns, or not all of one size.
    """
    patterns = Patterns(projector_size_px)
    light = _checked(frames, len(patterns), tone)
    white, black, before = next(light), next(light), next(light)
    middle, span = (white + black) * np.float32(0.5), white - black
    sure = (span > LEAST_LIGHT) & (white < tone.table[CLIPPED])
    places = []
    for axis in patterns.axes:
        place, modulated = _decode_axis(axis, light, middle, span)
        places.append(np.where((place > -1) & (place < axis.length_px) & modulated & sure, place, np.nan))
    after = next(light)
    next(light, None)  # lets the count be checked
    both = np.stack(places, axis=-1).astype(np.float32)
    both[np.isnan(both).any(axis=-1)] = np.nan
    return bumped(before, after, span > LEAST_LIGHT) or Decoded(both, span)


def _checked(frames: Iterable[Picture], count: int, tone: Tone) -> Iterator[Floats32]:
    shape, seen = None, 0
    for frame in frames:
        linear = linear_grey(frame, tone)
        shape = shape or linear.shape
        seen += 1
        if linear.shape != shape or seen > count:
            raise ValueError(f"{count} frames of one size are read, not more and none of another size")
        yield linear
    if seen != count:
        raise ValueError(f"{count} frames are read, {seen} were given")


def _decode_axis(
    axis: Axis, light: Iterator[Floats32], middle: Floats32, span: Floats32
) -> tuple[Floats32, NDArray[np.bool_]]:
    code = np.zeros(middle.shape, np.int64)
    for _ in range(axis.bits):
        code = code << 1 | (next(light) > middle)
    cosine, sine = np.zeros_like(middle), np.zeros_like(middle)
    for step in range(STEPS):
        frame = next(light)
        cosine += frame * np.float32(np.cos(2 * np.pi * step / STEPS))
        sine += frame * np.float32(np.sin(2 * np.pi * step / STEPS))
    modulation = 2 / STEPS * np.hypot(cosine, sine)
    phase = (np.arctan2(sine, cosine) / (2 * np.pi)) % 1.0
    return axis.place_px(code, phase.astype(np.float32)), modulation > LEAST_MODULATION * span


@dataclass(frozen=True, slots=True)
class Suited:
    """How bright the patterns should be."""

    white: int  # top level for `Patterns`, at most 255
    exposure: float  # factor for the camera's exposure that would use its range; 1 where the range is used


def suit_white(
    white_frame: Picture, black_frame: Picture, shown: int = 255, tone: Tone = SRGB, gamma: float = 2.2
) -> Suited:
    """Choose the patterns' top level from the camera's frames of a picture at level `shown` and of black.

    Where the light is clipped, its true size is not seen: the level is then halved in light, and the caller
    shows white anew and asks again. `gamma` of the projector is a guess and only sets how fast that settles.
    """
    white, black = linear_grey(white_frame, tone), linear_grey(black_frame, tone)
    lit = white - black > LEAST_LIGHT
    if not lit.any():
        return Suited(255, BRIGHTEN)
    peak = float(np.quantile(white[lit], BRIGHT_SHARE))
    if peak >= float(tone.table[CLIPPED]):
        return Suited(max(1, round(shown * 0.5 ** (1 / gamma))), 0.5)
    factor = BRIGHT / peak
    level = round(shown * min(factor, BRIGHTEN) ** (1 / gamma))
    if FAIR < factor < 1 / FAIR:  # well enough: leave it
        return Suited(shown, 1.0)
    return Suited(min(level, 255), 1.0 if level <= 255 else min(factor, BRIGHTEN))

"""The colour of the cut line: the one that is seen best on the very cloth and mat, by all eyes.

Light adds to the room's: on a surface that sends back a share `s` of it, ink of the light `i` (of the projector's
white) beside a room of the light `r` looks like s (i + r). The eye takes for white the lightest surface in all of the
light, as CIELAB wants it: of dark cloth on a dark mat that is not white paper.
"""

from __future__ import annotations

import numpy as np

from projector.guide.scene.scenes import Ink
from projector.light.inks import OKABE_ITO_SRGB, PALETTE, Floats, Palette, linear_of
from vision.lamplight.eyes import EYES, XYZ_OF_RGB, as_seen, ciede2000, lab_from_linear

CANDIDATES = tuple(name for name in OKABE_ITO_SRGB if name != "black")
USUAL = "yellow"
CLEARLY = 1.1  # times as far apart: a line changes its colour for no less, for what changes draws the eye


def suited_palette(surfaces: Floats, room: float) -> Palette:
    """The usual inks, but for the cut line's, which suits these surfaces (N, 3), red green blue shares of light.

    `room` is the room's light over the projector's white. An ink that had the line's colour takes the usual one.
    """
    name = line_colour(surfaces, room)
    if name == USUAL:
        return PALETTE
    chosen, usual = linear_of(name), linear_of(USUAL)
    moved = {ink: usual for ink, light in PALETTE.items() if np.array_equal(light, chosen) and ink not in KEPT}
    return {**PALETTE, **moved, Ink.CUT: chosen}


KEPT = (Ink.WORDS, Ink.LAMP)  # white stays white


def line_colour(surfaces: Floats, room: float) -> str:
    """Of the candidates the one whose least difference from the unlit surface is greatest; the usual one if near it."""
    least = {name: least_difference(linear_of(name), surfaces, room) for name in CANDIDATES}
    best = max(CANDIDATES, key=lambda name: least[name])
    return best if least[best] > CLEARLY * least[USUAL] else USUAL


def least_difference(light: Floats, surfaces: Floats, room: float) -> float:
    """Least CIEDE2000 difference between a surface (N, 3) in that light (3,) and without it, over surfaces and eyes."""
    white = looks(np.ones(3), surfaces, room) @ XYZ_OF_RGB[1]
    lit, unlit = (looks(one, surfaces, room) / white.max() for one in (light, np.zeros(3)))
    return float(min(ciede2000(_lab(lit, eyes), _lab(unlit, eyes)).min() for eyes in EYES))


def looks(light: Floats, surfaces: Floats, room: float) -> Floats:
    """What light surfaces (N, 3) send back of an ink's (3,) and the room's; white paper in all of it sends 1."""
    return np.asarray(surfaces * (light + room) / (1.0 + room))


def _lab(linear: Floats, eyes: str) -> Floats:
    return lab_from_linear(as_seen(linear, eyes))

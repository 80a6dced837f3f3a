"""What each ink looks like in light: colours that colour-blind people tell apart, on the dark of no light.

Source: M. Okabe and K. Ito, "Color Universal Design (CUD): how to make figures and presentations that are
friendly to colorblind people", 2008, the set of eight (sRGB). Its black is no light here; white is all of it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from projector.guide.scene.scenes import Ink

Floats = NDArray[np.float64]
Palette = Mapping[Ink, Floats]

OKABE_ITO_SRGB = {
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermillion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
    "white": (255, 255, 255),
    "black": (0, 0, 0),
}
INK_NAMES = {
    Ink.CUT: "yellow",  # the lightest of the seven: the line that must be seen best
    Ink.KEEP: "bluish green",
    Ink.OUTLINE: "sky blue",
    Ink.WORDS: "white",
    Ink.GOOD: "bluish green",
    Ink.BAD: "vermillion",
    Ink.DOUBT: "reddish purple",
    Ink.CAUTION: "yellow",  # as the signal word of ANSI Z535.4 has it, and of the seven the one that shows best
    Ink.RULER: "orange",
    Ink.LAMP: "white",
    Ink.DARK: "black",
}


def linear_of(name: str) -> Floats:
    """Linear red, green, blue, 0 to 1, of one of the set."""
    return linear_from_srgb(np.array(OKABE_ITO_SRGB[name]) / 255.0)


PALETTE: Palette = {ink: linear_of(name) for ink, name in INK_NAMES.items()}
"""Linear red, green, blue, 0 to 1, of each ink."""

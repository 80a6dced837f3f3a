"""A drawing as it was read, before anything is put right: patches, discs, and where things are in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.lengths import inches_text, mm_text
from projector.piecing.plans import OwnDisc, OwnPatch

Floats = NDArray[np.float64]

MOST_PATCHES = 2_000
MOST_CORNERS = 50  # of one patch


class DrawingError(Exception):
    """A drawing is no block; the message says in one line which patch, where, and what would be right."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """Patches and discs in the drawing's own frame: mm, x right, y up.

    A vector drawing has y downward and its places are told as such; those of a list in inches are told in inches.
    """

    file: str
    name: str
    patches: tuple[OwnPatch, ...]
    discs: tuple[OwnDisc, ...] = ()
    y_down: bool = False
    inches: bool = False
    left_out: tuple[str, ...] = ()  # what was seen and not used, in words

    def place(self, place_mm: Sequence[float] | Floats) -> str:
        """A place as the person finds it in the drawing."""
        x, y = float(place_mm[0]), float(place_mm[1])
        if self.y_down:
            return f"{mm_text(x)} from the left, {mm_text(-y)} from the top"
        return f"({self.length(x)}, {self.length(y)})"

    def length(self, value_mm: float) -> str:
        """A length in the drawing's own unit."""
        return inches_text(value_mm, 64) if self.inches else mm_text(value_mm, 2)

    def patch(self, number: int) -> str:
        """A patch as the messages name it, number from 0."""
        name = self.patches[number].name
        return f'"{name}"' if name else f"patches[{number + 1}]"

    def wrong(self, line: str) -> DrawingError:
        """The error of a line "what is wrong; what to do"."""
        what, _, do = line.rpartition("; ")
        return DrawingError(f"{self.file}: {what}; {do}")

"""What a chapter wants to be measured next, and what it is told: the words between the guide and the outer loop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision.blocks.measure import MeasuredBlock
from vision.comparing.expected import ExpectedShape, ExpectedStar, ExpectedStrip
from vision.lamplight.matlight import MatLight
from vision.strips.measure import MeasuredStrip
from vision.units import Judged, MeasuredUnit

LookKind = Literal["bare", "units", "strips", "yardage", "block"]
Expected = ExpectedShape | ExpectedStrip | ExpectedStar


@dataclass(frozen=True, slots=True)
class Look:
    """What is to be measured once all is still.

    `bare` wants the empty mat, and nothing is measured before its picture is kept. `units` judges every cloth against
    the expected shapes; `strips` and `yardage` measure what has an expected strip's width as a strip and all else by
    its outline; `block` looks for the expected star. `layers` of cloth lie one upon the other.
    """

    kind: LookKind
    expected: tuple[Expected, ...] = ()
    layers: int = 1


# Observations: what the outer loop tells.


@dataclass(frozen=True, eq=False, slots=True)
class MatCleared:
    """Nothing lies on the mat, and its picture is kept as the reference; how well light shows on it, if measured."""

    light: MatLight | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """One measurement at rest: every cloth, each judged against what the look expected."""

    cloths: tuple[Judged, ...]


@dataclass(frozen=True, slots=True)
class StripsSeen:
    """One measurement at rest: the strips, and every other cloth by its outline."""

    strips: tuple[MeasuredStrip, ...]
    others: tuple[MeasuredUnit, ...] = ()


@dataclass(frozen=True, slots=True)
class YardageSeen:
    """One measurement at rest: every cloth by its outline, and the strips that were cut from it."""

    cloths: tuple[MeasuredUnit, ...]
    strips: tuple[MeasuredStrip, ...] = ()


@dataclass(frozen=True, slots=True)
class BlockSeen:
    """One measurement at rest: the block if it was recognised, and every other cloth."""

    block: MeasuredBlock | None
    others: tuple[MeasuredUnit, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class Glimpsed:
    """A rough look while no hand is in the picture: the outlines (N, 2) of all that lies there."""

    outlines_mat_mm: tuple[NDArray[np.float64], ...]


@dataclass(frozen=True, slots=True)
class HandSeen:
    """A hand, or something else that moves, is in the picture."""


@dataclass(frozen=True, slots=True)
class KeyPressed:
    """A key of the keyboard or a foot pedal, by its name."""

    key: str


Observation = MatCleared | Seen | StripsSeen | YardageSeen | BlockSeen | Glimpsed | HandSeen | KeyPressed

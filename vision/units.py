"""What was measured on one piece of cloth, with its standard uncertainties."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision.outlines.sidedoubt import SideDoubt
from vision.polygons import interior_angles, side_lengths

Floats = NDArray[np.float64]


class Verdict(Enum):
    """What is said of a unit; the words that people read are the same."""

    FITS = "fits"
    TRIM = "trim"
    SHORT = "short"
    CLOSE = "close"
    TURNED_OVER = "turned_over"
    OTHER = "other"
    LOOK_AGAIN = "look_again"

    @property
    def words(self) -> str:
        return self.value.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Width:
    """Distance of two sides within 5 degrees of parallel.

    `mean_mm`: mean of the two distances from one side's midpoint to the other side's line; least and greatest of
    the distances of each side's end points from the other side's line.
    """

    sides: tuple[int, int]
    mean_mm: float
    least_mm: float
    greatest_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class Seam:
    """One internal seam: where it meets the outline, and the standard uncertainty across it."""

    ends_mat_mm: Floats  # (2, 2)
    u_mm: float


@dataclass(frozen=True, slots=True)
class Curved:
    """What is said of a piece whose sides are not straight."""

    area_mm2: float
    area_u_mm2: float
    least_size_mm: float  # least distance of two parallel lines that enclose it
    size_u_mm: float


@dataclass(frozen=True, slots=True)
class Blemish:
    """A notch in a side, or loose threads that stand out of it: how far, positive outward, and where along the side."""

    kind: Literal["notch", "fray"]
    side: int
    along_mm: float  # from the side's first corner
    value_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredUnit:
    """A piece of cloth; side i runs from corner i to corner i + 1, counter-clockwise from above.

    Of a piece with curved sides (`curved`) the corners are its outline, and nothing is said of its sides.
    """

    corners_mat_mm: Floats  # (N, 2)
    corners_u_mm: Floats  # (N,) the greater axis of each corner's uncertainty
    offsets_u_mm: Floats  # (N,) of each side's midpoint, across the side
    tilts_u_rad: Floats  # (N,) of each side's direction
    bows_mm: Floats  # (N,) sag of the middle against the ends, positive outward
    widths: tuple[Width, ...]
    seams: tuple[Seam, ...] = ()
    trouble: str | None = None  # why the picture is at fault: "touching", "cut_off", ...; None if it is not
    bows_u_mm: Floats | None = None  # (N,)
    blemishes: tuple[Blemish, ...] = ()
    curved: Curved | None = None
    doubt: SideDoubt | None = None  # the sides' joint covariance, by where it comes from; None if it is not known

    @property
    def sides_mm(self) -> Floats:
        """(N,) lengths."""
        return side_lengths(self.corners_mat_mm)

    @property
    def angles_rad(self) -> Floats:
        """(N,) interior angle at each corner."""
        return interior_angles(self.corners_mat_mm)

    @property
    def angles_u_rad(self) -> Floats:
        """(N,) of each interior angle; without the joint covariance its two sides' tilts are taken as independent."""
        if self.doubt is not None:
            return self.doubt.angles_u_rad()
        return np.hypot(self.tilts_u_rad, np.roll(self.tilts_u_rad, 1))


class FindingKind(Enum):
    """What differs from the expected shape, whatever the tolerance."""

    SIDE_OFF = "side_off"  # mm outward
    SIDE_TURNED = "side_turned"  # degrees, counter-clockwise from above
    TURNED_OVER = "turned_over"
    BOW = "bow"  # mm outward
    FRAY = "fray"  # mm outward
    NOTCH = "notch"  # mm outward, so negative
    SEAM_OFF = "seam_off"  # mm to the seam's left


@dataclass(frozen=True, slots=True)
class Finding:
    """One change that explains how a unit differs; `sides` are all that explain it equally well.

    `value` belongs to the first of `sides`, `values` to each in turn where there are several. Of a seam, `sides` is its
    place among the unit's seams. A unit turned over has no amount: not a number.
    """

    kind: FindingKind
    sides: tuple[int, ...]
    value: float  # mm or degrees
    u: float
    values: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class Judged:
    """A measured unit beside what was expected of it. Without an expected shape there is no verdict."""

    unit: MeasuredUnit  # numbered as the expected shape is
    expected: str | None = None
    offsets_mm: Floats | None = None  # (N,) of each side's midpoint from the best rigid fit, positive outward
    offsets_u_mm: Floats | None = None
    verdict: Verdict | None = None
    fit_probability: float | None = None
    why: str = ""  # a sentence for the person: "cut edge 1/16 in too wide"
    findings: tuple[Finding, ...] = ()
    marks: tuple[int, ...] = ()  # the sides that `why` speaks of
    said_in: Literal["in", "mm"] = "in"  # how lengths are told to the person

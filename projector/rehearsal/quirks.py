"""What can be awkward about a table: lenses, lamp, mat, sheet, hands. Left out, a table is an ordinary one."""

from __future__ import annotations

from dataclasses import dataclass

from projector.rehearsal.light.curves import SRGB, Curve
from projector.rehearsal.light.wheel import Wheel


@dataclass(frozen=True, slots=True)
class CameraQuirks:
    """How the camera hangs, and what it does by itself."""

    k1: float | None = None  # of its lens; down to -0.35 the picture stays unfolded
    height_mm: float | None = None  # of its lens above the mat
    quarter_turns: int = 0  # about its own axis, clockwise as it looks down
    mirrored: bool = False
    blur_px: float | None = None  # SD of its lens' blur
    curve: Curve = SRGB
    sharpening: float = 0.0  # share of the unsharp mask that is added, in encoded values
    readout_s: float = 0.0  # from the first row's exposure to the last's: a rolling shutter
    auto_exposure: bool = False
    auto_white: bool = False
    autofocus: bool = False
    deaf: bool = False  # its driver takes no settings


@dataclass(frozen=True, slots=True)
class ProjectorQuirks:
    """How the projector hangs, and what it makes of a picture."""

    quarter_turns: int = 0  # 2: mounted upside down, 1 and 3: sideways
    mirrored: bool = False
    lens_shift: float | None = None  # from the picture's middle down to the axis, in heights; it looks straight down
    tilt_rad: float | None = None  # of its axis from straight down, without any shift: the picture is a trapezoid
    contrast: float = 800.0  # white over black
    curve: Curve = SRGB
    trapezoid: float = 0.0  # digital keystone: share of its width by which the picture's upper edge is narrowed
    overscan: float = 0.0  # share of width and height that is cut away, the rest being blown up
    wheel: Wheel | None = None  # None: an even light
    dynamic: float = 0.0  # share of the lamp that a black picture takes away after a while


@dataclass(frozen=True, slots=True)
class MatQuirks:
    """What the mat is like."""

    look: str = "dark"  # dark, green, light or red
    grid: bool = True
    beyond_mm: float = 0.0  # by how much it is larger than 36 x 24 in on each side: 400 fills any picture
    gloss: float = 0.0  # light that lamp and projector throw into the lens at their mirror points, over a white's
    stains: int = 0


@dataclass(frozen=True, slots=True)
class SheetQuirks:
    """What printer and air did to the sheet."""

    lift_mm: float = 0.0  # at most; drawn anew for every placing
    profile: str = "ends"  # ends, cosh, one_end, corner or any
    along: float = 1.0  # printed over nominal length along its rows
    across: float = 1.0


ANY_CAMERA, ANY_PROJECTOR, DARK_MAT, TRUE_SHEET = CameraQuirks(), ProjectorQuirks(), MatQuirks(), SheetQuirks()


@dataclass(frozen=True, slots=True)
class Quirks:
    """All of it, for one table."""

    camera: CameraQuirks = ANY_CAMERA
    projector: ProjectorQuirks = ANY_PROJECTOR
    mat: MatQuirks = DARK_MAT
    sheet: SheetQuirks = TRUE_SHEET
    clumsy: float = 0.0  # how probably a placing of the sheet goes wrong in one of the ways that happen


PLAIN = Quirks()

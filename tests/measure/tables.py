"""Pictures that a calibration needs from a virtual table, in seconds, and its truth to score against.

All pictures are generated. Nothing here knows how a calibration works, but for the printed sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Board, picture
from projector.rehearsal.light.curves import SRGB, Curve
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import (
    PLAIN,
    CameraQuirks,
    MatQuirks,
    ProjectorQuirks,
    Quirks,
    SheetQuirks,
)
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.things.sizes import MAT_MM
from projector.rehearsal.truth import Truth
from projector.rehearsal.world import VirtualTable, virtual_table

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LAMP = 204  # of 255: even light for pictures of the sheet
FRAMES = 4  # averaged for each view of the sheet
LATENCY_S = 0.2  # more than a picture takes to be in the light and seen
PERSON_S = 3.0  # in which the person lays a sheet
FULL_HD, UHD, WXGA = (1920, 1080), (3840, 2160), (1280, 800)
SHEET_PX_PER_MM = 8.0


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of table that calibrations are tried at."""

    quirks: Quirks = PLAIN
    camera_px: tuple[int, int] = FULL_HD
    projector_px: tuple[int, int] = FULL_HD
    read_bars: bool = False  # the sheet is not said to be exact: its bars are read with a ruler


def camera(**quirks: object) -> Kind:
    return Kind(Quirks(camera=CameraQuirks(**quirks)))  # type: ignore[arg-type]


def projector(**quirks: object) -> Kind:
    return Kind(Quirks(projector=ProjectorQuirks(**quirks)))  # type: ignore[arg-type]


def mat(**quirks: object) -> Kind:
    return Kind(Quirks(mat=MatQuirks(**quirks)))  # type: ignore[arg-type]


KINDS: dict[str, Kind] = {
    "plain": Kind(),
    "4K camera": Kind(camera_px=UHD),
    "1280x800 projector": Kind(projector_px=WXGA),
    "4K projector": Kind(projector_px=UHD),
    "k1 -0.15": camera(k1=-0.15),
    "k1 -0.25": camera(k1=-0.25),
    "k1 -0.35": camera(k1=-0.35),
    "wide and low": camera(k1=-0.35, height_mm=900.0),
    "camera turned 90": camera(quarter_turns=1),
    "camera turned 180": camera(quarter_turns=2),
    "gamma 2.2 camera": camera(curve=Curve(2.2)),
    "S-curve, sharpened": camera(curve=Curve(contrast=0.3), sharpening=0.6),
    "upside down": projector(quarter_turns=2),
    "sideways": projector(quarter_turns=1),
    "shift 1.1": projector(lens_shift=-1.1),
    "keystone 30": projector(tilt_rad=float(np.radians(30.0))),
    "gamma 2.6 projector": projector(curve=Curve(2.6)),
    "contrast 200": projector(contrast=200.0),
    "contrast 2000": projector(contrast=2000.0),
    "green mat": mat(look="green"),
    "light mat": mat(look="light"),
    "red mat": mat(look="red"),
    "no grid, no outline": mat(grid=False, beyond_mm=400.0),
    "gloss and stains": mat(look="green", gloss=1.0, stains=8),
    "lifted 0.5, ends": Kind(Quirks(sheet=SheetQuirks(lift_mm=0.5, profile="ends"))),
    "lifted 0.5, any": Kind(Quirks(sheet=SheetQuirks(lift_mm=0.5, profile="any"))),
    "lifted 2, any": Kind(Quirks(sheet=SheetQuirks(lift_mm=2.0, profile="any"))),
    "bars read": Kind(read_bars=True),
    "printed 97 x 97.4 %, bars read": Kind(Quirks(sheet=SheetQuirks(along=0.97, across=0.974)), read_bars=True),
}


def printed(board: Board) -> PrintedSheet:
    """The sheet as it is handed to a table."""
    drawn = picture(board, SHEET_PX_PER_MM)
    return PrintedSheet(drawn.pixels, *drawn.size_mm, drawn.margin_mm)


@dataclass(frozen=True, slots=True)
class Asked:
    """One placing of the sheet that is asked for."""

    what: str  # sheet_flat or sheet_tilted
    n: int


class Trial:
    """A table with a sheet, and a clock of its own that runs as fast as the machine."""

    def __init__(self, seed: int, kind: Kind = KINDS["plain"], board: Board | None = None) -> None:
        sheet = printed(board or Board())
        self.table: VirtualTable = virtual_table(seed, Work(sheet), kind.camera_px, kind.projector_px, kind.quirks)
        self.kind, self.now_s = kind, 0.0

    def sheets(self, flat: int = 9, tilted: int = 6) -> Iterator[tuple[Asked, Picture]]:
        """The sheet in even light, laid flat and held tilted, each the mean of a few frames. Then it is taken away."""
        self.lights(LAMP)
        for asked in [Asked("sheet_flat", k + 1) for k in range(flat)] + [
            Asked("sheet_tilted", k + 1) for k in range(tilted)
        ]:
            self.asks(asked.what, n=asked.n)
            yield asked, self.looks(FRAMES)
        self.asks("clear_mat")

    def seen(self, pictures: Iterable[Picture]) -> Iterator[Picture]:
        """The camera's frame of every picture that is thrown."""
        for thrown in pictures:
            yield self.shows(thrown)

    def shows(self, thrown: Picture) -> Picture:
        """The camera's frame of one picture."""
        self.table.project(thrown, self.now_s)
        self.now_s += LATENCY_S
        return self.table.frame(self.now_s)

    def lights(self, level: int) -> Picture:
        """Even light, and the camera's frame of it."""
        width, height = self.table.projector_px
        return self.shows(np.full((height, width, 3), level, np.uint8))

    def asks(self, what: str, **keys: object) -> None:
        """Let the person do something."""
        self.table.hears({"event": "ask", "what": what, **keys}, self.now_s)
        self.now_s += PERSON_S
        self.table.advance(self.now_s)

    def looks(self, frames: int) -> Picture:
        """The mean of some frames in the camera's own light, encoded as the camera does."""
        curve = self.kind.quirks.camera.curve
        light_of = curve_light(curve)
        total = np.zeros((*self.table.camera_px[::-1], 3), np.float32)
        for _ in range(frames):
            self.now_s += 1 / 15
            total += light_of[self.table.frame(self.now_s)]
        encoded = curve.encoded((total / frames).astype(np.float64))
        return np.rint(np.clip(encoded, 0.0, 1.0) * 255.0).astype(np.uint8)

    def close(self) -> Truth:
        return self.table.close()


def curve_light(curve: Curve = SRGB) -> NDArray[np.float32]:
    """(256,) linear light of every value of a camera."""
    return curve.light(np.arange(256) / 255.0).astype(np.float32)


def mat_grid(across: int = 25, up: int = 17) -> Floats:
    """(across * up, 2) points over the whole mat, its rim included, in the true mat frame."""
    x, y = np.meshgrid(np.linspace(0.0, MAT_MM[0], across), np.linspace(0.0, MAT_MM[1], up))
    return np.column_stack([x.ravel(), y.ravel()])


def rigidly(points: Floats, onto: Floats) -> tuple[Floats, Floats]:
    """Rotation (2, 2) and shift (2,) that bring points (N, 2) on to others best (W. Kabsch, 1976)."""
    a, b = points - points.mean(axis=0), onto - onto.mean(axis=0)
    u, _, vt = np.linalg.svd(b.T @ a)
    rotation = u @ np.diag([1.0, np.linalg.det(u @ vt)]) @ vt
    return rotation, onto.mean(axis=0) - rotation @ points.mean(axis=0)


def larger(found: Floats, true: Floats) -> float:
    """By which factor points (N, 2) were found further apart than they are (RMS about their middles)."""
    spreads = [np.linalg.norm(points - points.mean(axis=0)) for points in (found, true)]
    return float(spreads[0] / spreads[1])


def misses_mm(found: Floats, true: Floats) -> Floats:
    """(N, 2) from where points truly are to where they were found, in the found frame, after the best rigid
    alignment of the two."""
    rotation, shift = rigidly(true, found)
    return found - (true @ rotation.T + shift)


def aligned_covariances(points_mm: Floats, covariance: Floats) -> Floats:
    """(N, 2, 2) of points (N, 2) whose joint covariance is (2 N, 2 N), after that same alignment.

    A small rigid motion moves a point by (a - c y, b + c x); what of the errors lies in the span of these three is
    taken away by an orthogonal projection.
    """
    n = len(points_mm)
    centred = points_mm - points_mm.mean(axis=0)
    motions = np.zeros((2 * n, 3))
    motions[0::2, 0], motions[1::2, 1] = 1.0, 1.0
    motions[0::2, 2], motions[1::2, 2] = -centred[:, 1], centred[:, 0]
    basis, _ = np.linalg.qr(motions)
    keep = np.eye(2 * n) - basis @ basis.T
    left = keep @ covariance @ keep
    return np.stack([left[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(n)])

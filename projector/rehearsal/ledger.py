"""Where the world writes down what happens while it happens; nobody reads it before the end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.person.clumsy import Mishap
from projector.rehearsal.setting import CLOTH_THICKNESS_MM, Setting
from projector.rehearsal.things.cloth import Piece
from projector.rehearsal.things.sheet import SheetPose
from projector.rehearsal.truth import (
    CutDemand,
    Placing,
    TrueCut,
    TrueSewn,
    TrueSheet,
    TrueStrip,
    TrueTrim,
    TrueUnit,
    Truth,
    across,
    demanded_line,
    nearest_line,
)

Floats = NDArray[np.float64]


class Ledger:
    """Notes of cuts, units and sheets, in order."""

    def __init__(self) -> None:
        self._cuts: list[TrueCut] = []
        self._units: list[TrueUnit] = []
        self._strips: list[TrueStrip] = []
        self._sheets: list[TrueSheet] = []
        self._trims: list[TrueTrim] = []
        self._sewn: list[TrueSewn] = []
        self._mishaps: list[tuple[float, str]] = []

    def sheet(self, t_s: float, what: str, pose: SheetPose) -> None:
        self._sheets.append(TrueSheet(t_s, what, pose))

    def cut(
        self,
        t_s: float,
        strip: Piece,
        demand: CutDemand | None,
        purpose: str,
        light_mat_mm: Floats,
        made_mat_mm: Floats,
        slipped: bool,
        shift_mm: float = 0.0,
    ) -> None:
        """Note a cut. Without a plan nothing is demanded, and the demand is not a number."""
        demanded = np.full((2, 2), np.nan) if demand is None else demanded_line(strip, demand, purpose)
        name = "" if demand is None else demand.name
        light = across(strip, light_mat_mm)
        self._cuts.append(
            TrueCut(t_s, strip.source, name, purpose, light, demanded, across(strip, made_mat_mm), slipped, shift_mm)
        )

    def unit(self, t_s: float, name: str, piece: Piece) -> None:
        """Note a unit, numbered from the corner at the left end of the strip's lower edge."""
        corners, sides = _from_lower(piece)
        laid = piece.pose.mat_from_own(corners)
        self._units.append(TrueUnit(t_s, name, len(self._units) + 1, corners, sides, piece.seams_mm, laid))

    def strip(self, t_s: float, name: str, piece: Piece) -> None:
        """Note a strip cut from yardage, as it lies folded, numbered from the left end of its fold."""
        corners, sides = _from_lower(piece)
        laid = piece.pose.mat_from_own(corners)
        folded = piece.thickness_mm > 1.5 * CLOTH_THICKNESS_MM
        self._strips.append(TrueStrip(t_s, piece.source, name, len(self._strips) + 1, corners, sides, laid, folded))

    def trim(
        self, t_s: float, unit: str, wanted_mat_mm: Floats, light_mat_mm: Floats, made_mat_mm: Floats, slipped: bool
    ) -> None:
        """Note a trim; of the lines that its seams want (T, 2, 2) the light's own is the nearest that runs alike."""
        self._trims.append(
            TrueTrim(t_s, unit, light_mat_mm, nearest_line(wanted_mat_mm, light_mat_mm), made_mat_mm, slipped)
        )

    def sewn(self, t_s: float, piece: Piece, is_block: bool) -> None:
        """Note a sewn unit as it is taken away."""
        self._sewn.append(TrueSewn(t_s, piece.source, piece.corners_mm, piece.seams_mm, piece.corners_mat_mm, is_block))

    def laid_again(self, piece: Piece) -> None:
        """Note that the last unit or strip lies elsewhere now."""
        laid = piece.pose.mat_from_own(_from_lower(piece)[0])
        if piece.from_bolt:
            self._strips[-1] = replace(self._strips[-1], laid_mat_mm=laid)
        else:
            corners, sides = _from_lower(piece)  # it may lie with its other face up now
            self._units[-1] = replace(
                self._units[-1], corners_mm=corners, sides=sides, seams_mm=piece.seams_mm, laid_mat_mm=laid
            )

    def trimmed(self, t_s: float, piece: Piece) -> None:
        """Note what is left of the last unit, beside what it was before: the same unit, of the same number."""
        corners, sides = _from_lower(piece)
        laid = piece.pose.mat_from_own(corners)
        last = self._units[-1]
        self._units.append(
            replace(last, t_s=t_s, corners_mm=corners, sides=sides, seams_mm=piece.seams_mm, laid_mat_mm=laid)
        )

    def mishap(self, t_s: float, what: Mishap) -> None:
        """Note that something went wrong beside the cut."""
        self._mishaps.append((t_s, what.value))

    def opened(self, setting: Setting, placings: tuple[Placing, ...] = ()) -> Truth:
        """All of it."""
        cuts, units, sheets = tuple(self._cuts), tuple(self._units), tuple(self._sheets)
        strips, trims, sewn = tuple(self._strips), tuple(self._trims), tuple(self._sewn)
        devices = setting.camera, setting.projector
        return Truth(*devices, cuts, units, sheets, placings, strips, trims, sewn, tuple(self._mishaps))


def _from_lower(piece: Piece) -> tuple[Floats, tuple[str, ...]]:
    """Corners (N, 2) and sides, from the corner at the left end of the lower edge on."""
    first = piece.sides.index("lower") if "lower" in piece.sides else 0
    return np.roll(piece.corners_mm, -first, axis=0), piece.sides[first:] + piece.sides[:first]

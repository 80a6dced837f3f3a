"""Where the virtual person lays the sheet when it is shown, and what goes wrong when it is clumsy."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from projector.rehearsal.bench import Bench
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.person import Skill, VirtualPerson, Work
from projector.rehearsal.quirks import MatQuirks, Quirks, SheetQuirks
from projector.rehearsal.setting import MAT_CORNERS_MM, Setting, setting_of
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.truth import TrueSheet
from projector.rehearsal.world import virtual_table

MARGIN_MM = 15.0
SHEET = PrintedSheet(np.full((210, 270), 255, np.uint8), 270.0, 210.0, MARGIN_MM)
PRINT_MM = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 180.0], [0.0, 180.0]])


class Sitting:
    """A person at a bench, and a clock that a test turns."""

    def __init__(self, setting: Setting, seed: int = 1) -> None:
        self.bench, self.ledger, self.now_s = Bench(setting.projector.size_px), Ledger(), 0.0
        self.person = VirtualPerson(self.bench, setting, Work(SHEET), self.ledger, seed, Skill())
        self._setting = setting

    def tell(self, kind: str, wait_s: float = 7.0, **keys: Any) -> None:
        self.person.hears({"event": kind, **keys}, self.now_s)
        self.now_s += wait_s
        self.person.advance(self.now_s)

    @property
    def sheets(self) -> tuple[TrueSheet, ...]:
        return self.ledger.opened(self._setting).sheets


def turned(middle_mm: tuple[float, float], turn_rad: float) -> np.ndarray:
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return (PRINT_MM - [120.0, 90.0]) @ np.array([[c, s], [-s, c]]) + middle_mm


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 180.0, 235.0])
def test_a_sheet_is_laid_where_it_is_shown_roughly(turn_deg: float) -> None:
    place = turned((300.0, 350.0), np.radians(turn_deg))
    off = []
    for seed in range(12):
        sitting = Sitting(setting_of(4), seed)
        sitting.tell("ask", what="sheet_flat", n=2, place={"frame": "mat", "corners": place.tolist()})
        laid = sitting.sheets[0].pose.world_from_own(PRINT_MM + MARGIN_MM)[:, :2]
        off.append(np.hypot(*(laid - place).T))
    assert np.max(off) < 17.0 + np.radians(5.0) * 150.0  # 12 mm along both axes, 5 degrees at 150 mm
    assert np.median(off) > 3.0  # nobody lays it exactly


def test_a_place_in_the_first_sheet_s_frame_is_found_from_where_that_lies() -> None:
    sitting = Sitting(setting_of(4))
    sitting.tell("ask", what="sheet_flat", n=1)
    first = sitting.sheets[0].pose
    place = turned((-150.0, 200.0), 0.0)
    sitting.tell("ask", what="sheet_flat", n=2, place={"frame": "sheet", "corners": place.tolist()})
    expected = first.world_from_own(place + MARGIN_MM)[:, :2]
    laid = sitting.sheets[1].pose.world_from_own(PRINT_MM + MARGIN_MM)[:, :2]
    assert np.hypot(*(laid - expected).T).max() < 17.0 + np.radians(5.0) * 150.0


@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
@pytest.mark.parametrize(("edge", "way"), [("left", (-1, 0)), ("right", (1, 0)), ("near", (0, -1)), ("far", (0, 1))])
def test_the_edge_that_is_named_is_lifted(edge: str, way: tuple[int, int], turn_deg: float) -> None:
    """The paper rises towards it, by about what was asked, wherever the print's own edges are."""
    sitting = Sitting(setting_of(4))
    place = {"frame": "mat", "corners": turned((450.0, 300.0), np.radians(turn_deg)).tolist()}
    sitting.tell("ask", what="sheet_tilted", n=1, place=place, lift=edge, lift_mm=90.0)
    pose = sitting.sheets[0].pose
    corners = pose.world_from_own(SHEET.corners_mm)
    rise = np.linalg.lstsq(np.column_stack([corners[:, :2], np.ones(4)]), corners[:, 2], rcond=None)[0][:2]
    assert rise @ way / np.hypot(*rise) > 0.94
    assert np.ptp(corners[:, 2]) == pytest.approx(90.0, rel=0.6)


def test_a_disc_lies_on_each_corner_in_turn_and_is_taken_away() -> None:
    for look, dark in (("dark", False), ("light", True)):
        sitting = Sitting(setting_of(4, quirks=Quirks(mat=MatQuirks(look=look))))
        for n, corner in enumerate(MAT_CORNERS_MM, start=1):
            sitting.tell("ask", what="mat_corners", n=n, of=4)
            (piece,) = sitting.bench.lying.pieces
            assert np.hypot(*(piece.corners_mat_mm.mean(axis=0) - corner)) < 2.0
            assert piece.area_mm2 == pytest.approx(np.pi * 10.0**2, rel=0.01)
            assert (piece.patches[0].fabric == "navy") is dark
        sitting.tell("ask", what="clear_mat")
        assert sitting.bench.lying.pieces == ()


def test_bars_are_read_as_printed_within_a_ruler_s_error() -> None:
    quirks = Quirks(sheet=SheetQuirks(along=0.97, across=1.004))
    readings = np.array(
        [virtual_table(seed, Work(), (64, 36), (64, 36), quirks).read_bars(240.0, 180.0) for seed in range(60)]
    )
    assert readings.mean(axis=0) == pytest.approx([232.8, 180.72], abs=4 * 0.2 / np.sqrt(60))
    assert readings.std(axis=0) == pytest.approx(0.2, rel=4 / np.sqrt(120))


def test_a_sheet_that_printers_stretch_is_larger() -> None:
    assert SHEET.stretched(1.01, 0.97).corners_mm[2] == pytest.approx([272.7, 203.7])


def test_curls_are_drawn_up_to_the_lift_and_flattened_when_told_of() -> None:
    setting = setting_of(4, quirks=Quirks(sheet=SheetQuirks(lift_mm=2.0, profile="any")))
    sitting = Sitting(setting)
    for n in range(1, 40):
        sitting.tell("ask", what="sheet_flat", n=n)
    bends = [one.pose.bend for one in sitting.sheets]
    lifts = np.array([bend.lift_mm for bend in bends if bend is not None])
    assert len(lifts) == 39
    assert lifts.max() <= 2.0
    assert lifts.mean() == pytest.approx(1.0, abs=4 * 2.0 / np.sqrt(12 * 39))
    assert len({bend.profile for bend in bends if bend is not None}) == 4
    sitting.tell("refused", what="sheet_flat", why="curled", do="flatten it")
    sitting.tell("ask", what="sheet_flat", n=40)
    last = sitting.sheets[-1].pose.bend
    assert last is not None
    assert last.lift_mm <= 0.8


def test_a_clumsy_person_errs_in_every_way_and_takes_care_when_told() -> None:
    setting = replace(setting_of(4), clumsy=1.0)
    sitting = Sitting(setting)
    same, slid, stayed = 0, 0, 0
    for n in range(1, 30):
        before = sitting.sheets
        sitting.tell("ask", what="sheet_flat", n=n, wait_s=3.0)
        stayed += sitting.bench.hand_at(sitting.now_s) is not None
        sitting.tell("", wait_s=6.0)
        new = sitting.sheets[len(before) :]
        slid += len(new) == 2
        same += bool(before) and new[0].pose is before[-1].pose
    assert min(same, slid, stayed) >= 3
    sitting.tell("refused", what="sheet_flat", why="hidden", do="show the whole sheet")
    count = len(sitting.sheets)
    sitting.tell("ask", what="sheet_flat", n=29)
    assert len(sitting.sheets) == count + 1  # laid again, once, with care


def test_a_sheet_refused_while_a_hand_stays_is_laid_again() -> None:
    setting = replace(setting_of(4), clumsy=1.0)
    for seed in range(20):
        sitting = Sitting(setting, seed)
        sitting.tell("ask", what="sheet_flat", n=1, wait_s=3.5)
        if sitting.bench.hand_at(sitting.now_s) is not None:
            break
    sitting.tell("refused", what="sheet_flat", why="hidden", do="take the hand away", wait_s=0.0)
    sitting.tell("ask", what="sheet_flat", n=1, wait_s=8.0)
    assert len(sitting.sheets) == 2
    assert sitting.bench.hand_at(sitting.now_s) is None

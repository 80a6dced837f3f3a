"""The virtual person at a bench without a camera: what it hears, does and how well it cuts."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon

from projector.rehearsal.bench import Bench
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.hearing import TRIES
from projector.rehearsal.person.person import Skill, VirtualPerson, Work
from projector.rehearsal.setting import MAT_MM, setting_of
from projector.rehearsal.things.cloth import ClothToLay, Piece
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.truth import CutDemand, Truth, demanded_line

SETTING = setting_of(4)
SHEET = PrintedSheet(np.full((180, 240), 255, np.uint8), 240.0, 180.0)


class Table:
    """Bench, person and a clock that a test turns."""

    def __init__(self, demand: CutDemand, seed: int = 1, skill: Skill | None = None) -> None:
        cloth = ClothToLay("set", 90.0, 780.0, (45.0,), ("navy", "cream"))
        self.demand, self.ledger, self.now_s = demand, Ledger(), 0.0
        self.bench = Bench(SETTING.projector.size_px)
        work = Work(SHEET, (cloth,), (demand,))
        self.person = VirtualPerson(self.bench, SETTING, work, self.ledger, seed, skill or Skill())

    def ask(self, what: str, wait_s: float = 2.0, **keys: Any) -> None:
        self.person.hears({"event": "ask", "what": what, **keys}, self.now_s)
        self.wait(wait_s)

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.person.advance(self.now_s)

    @property
    def strip(self) -> Piece:
        return self.bench.lying.pieces[0]

    def light(self, purpose: str) -> None:
        """Throw the line that the true cloth demands."""
        line = demanded_line(self.strip, self.demand, purpose)
        ends = line + 0.1 * np.array([line[0] - line[1], line[1] - line[0]])
        pixels = np.round(SETTING.projector.px_from_level(ends, 0.4) * 16).astype(int)
        picture = np.zeros((1080, 1920, 3), np.uint8)
        cv2.line(picture, pixels[0].tolist(), pixels[1].tolist(), (255, 255, 255), 2, cv2.LINE_AA, 4)
        self.bench.project(picture, self.now_s)

    def cut(self, purpose: str, **keys: Any) -> None:
        self.light(purpose)
        self.ask("cut", purpose=purpose, **keys)

    @property
    def truth(self) -> Truth:
        return self.ledger.opened(SETTING)


def wave(width_mm: float = 50.0, angle_deg: float = 45.0, lean: str = "right") -> CutDemand:
    return CutDemand("wave", "set", width_mm, np.radians(angle_deg), lean, 3.0, 99)


def test_sheets_cover_the_mat_and_stay_in_the_picture() -> None:
    table = Table(wave())
    for n in range(1, 10):
        table.ask("sheet_flat", n=n, of=9)
    sheets = table.truth.sheets
    middles = np.array([s.pose.world_from_own(SHEET.corners_mm).mean(axis=0)[:2] for s in sheets])
    assert len(sheets) == 9
    assert np.hypot(*(middles[0] - np.array(MAT_MM) / 2)) < 30
    assert abs(np.degrees(np.arctan2(sheets[0].pose.right[1], sheets[0].pose.right[0]))) <= 10
    assert np.ptp(middles[:, 0]) > 0.5 * MAT_MM[0]
    assert np.ptp(middles[:, 1]) > 0.4 * MAT_MM[1]
    for sheet in sheets:
        pixels = SETTING.camera.px_from_world(sheet.pose.world_from_own(SHEET.corners_mm))
        assert np.all((pixels > 0) & (pixels < [1919, 1079]))
        assert sheet.pose.world_from_own(SHEET.corners_mm)[:, 2] == pytest.approx(0.1)


def test_tilted_sheets_are_tilted_and_above_the_mat() -> None:
    table = Table(wave())
    for n in range(1, 7):
        table.ask("sheet_tilted", n=n, of=6)
    poses = [s.pose for s in table.truth.sheets]
    assert all(12 <= np.degrees(np.arccos(p.normal[2])) <= 32 for p in poses)
    assert all(p.world_from_own(SHEET.corners_mm)[:, 2].min() > 0 for p in poses)
    courses = np.degrees([np.arctan2(p.normal[1], p.normal[0]) for p in poses])
    assert np.ptp(courses) > 180  # from all sides


def test_a_request_that_is_being_met_is_not_met_twice_but_asked_again_it_is() -> None:
    table = Table(wave())
    for _ in range(5):
        table.ask("sheet_flat", wait_s=0.05, n=1)
    table.wait(2.0)
    assert len(table.truth.sheets) == 1
    table.ask("sheet_flat", n=1)
    assert len(table.truth.sheets) == 2


def test_things_come_and_go_as_asked() -> None:
    table = Table(wave())
    table.ask("sheet_flat", n=1)
    assert table.bench.lying.sheet is not None
    table.ask("strip_set", name="set")
    assert table.bench.lying.sheet is None
    assert len(table.bench.lying.pieces) == 1
    table.cut("true_up")
    assert len(table.bench.lying.pieces) == 1  # the sliver is gone
    table.cut("unit")
    strip, unit = table.bench.lying.pieces
    assert unit.area_mm2 < strip.area_mm2
    table.ask("take_unit")
    assert len(table.bench.lying.pieces) == 1
    table.ask("clear_mat")
    assert table.bench.lying.pieces == ()
    table.ask("confirm")
    assert table.person.keys() == ["space"]
    assert table.person.keys() == []
    assert not table.person.busy


def test_a_refused_set_is_laid_anew_and_at_last_left_out_though_nothing_more_is_said() -> None:
    """A refusal may come once, whatever comes of it; without a try of the person's own both would wait for ever."""
    table = Table(wave())
    table.ask("strip_set", name="set")
    places = [table.strip.pose]
    table.person.hears({"event": "refused", "what": "strip_set", "why": "blurred"}, table.now_s)
    for _ in range(90):
        table.wait(1.0)
        if table.strip.pose != places[-1]:
            places.append(table.strip.pose)
    assert len(places) == 1 + TRIES
    assert table.person.keys() == ["space"]
    assert not table.person.busy


def test_a_set_laid_anew_is_left_when_the_app_speaks() -> None:
    table = Table(wave())
    table.ask("strip_set", name="set")
    table.person.hears({"event": "refused", "what": "strip_set", "why": "blurred"}, table.now_s)
    table.wait(3.0)
    laid = table.strip.pose
    table.ask("confirm", wait_s=90.0)
    assert (table.strip.pose, table.person.keys()) == (laid, ["space"])  # the answer to what was asked


def test_the_hand_is_in_the_picture_only_while_it_works() -> None:
    table = Table(wave())
    table.ask("strip_set", wait_s=3.0, name="set")
    inside = [table.bench.hand_at(t) is not None for t in np.arange(0.0, 3.0, 1 / 30)]
    assert 8 <= sum(inside) <= 16
    assert not inside[0]
    assert not inside[-1]


def test_without_light_on_the_cloth_there_is_no_cut() -> None:
    table = Table(wave())
    table.ask("strip_set", name="set")
    table.ask("cut", wait_s=10.0, purpose="true_up")
    assert table.truth.cuts == ()
    assert table.person.busy
    table.light("true_up")
    table.wait(2.0)
    assert len(table.truth.cuts) == 1


def test_a_cut_that_nobody_lights_is_dropped_when_something_else_is_asked() -> None:
    table = Table(wave())
    table.ask("strip_set", name="set")
    table.ask("cut", purpose="true_up")
    table.ask("clear_mat")
    assert table.truth.cuts == ()
    assert table.bench.lying.pieces == ()


def test_false_numbers_in_an_event_change_nothing() -> None:
    def cuts(**keys: Any) -> np.ndarray:
        table = Table(wave(), seed=3)
        table.ask("strip_set", name="set", **keys)
        table.cut("true_up", **keys)
        table.cut("unit", **keys)
        return np.array([[c.light_mat_mm, c.demanded_mat_mm, c.made_mat_mm] for c in table.truth.cuts])

    lies = {"cut_mat_mm": [[0.0, 0.0], [1.0, 900.0]], "width_mm": 3.0, "angle_rad": 0.1, "keep": "left"}
    assert np.array_equal(cuts(), cuts(**lies))


def test_a_moved_light_moves_the_cut_and_is_told_as_an_error_of_the_light() -> None:
    """The ledger's signs: light 2 mm further into the cloth than demanded is +2 at both ends."""
    table = Table(wave(angle_deg=90.0))
    table.ask("strip_set", name="set")
    table.demand = CutDemand("wave", "set", 50.0, np.pi / 2, "right", 5.0)  # lights 5 mm in, the plan wants 3
    table.cut("true_up")
    assert table.truth.cuts[0].light_errors_mm == pytest.approx([2.0, 2.0], abs=0.06)


@pytest.mark.parametrize("lean", ["right", "left"])
def test_units_lean_as_the_plan_says(lean: str) -> None:
    """Upper ends to the right for "right": with the strip across, the upper side is shifted that way."""
    table = Table(wave(lean=lean), skill=Skill(0.0, 0.0, 0.0, blade_mm=0.0))
    table.ask("strip_set", name="set")
    table.cut("true_up")
    table.cut("unit")
    unit = table.truth.units[0]
    lower, upper = unit.corners_mm[:2], unit.corners_mm[2:]
    shift = upper[:, 0].mean() - lower[:, 0].mean()
    assert shift == pytest.approx(90.0 if lean == "right" else -90.0, abs=1.0)
    width = next(w for w in unit.widths if w.sides == (1, 3))
    assert width.mean_mm == pytest.approx(50.0, abs=0.06)
    assert unit.sides == ("lower", "end", "upper", "cut")


def test_a_unit_lies_clear_of_the_strip_on_the_mat() -> None:
    table = Table(wave())
    table.ask("strip_set", name="set")
    table.cut("true_up")
    for _ in range(6):
        table.cut("unit")
        strip, unit = (Polygon(p.corners_mat_mm) for p in table.bench.lying.pieces)
        assert strip.distance(unit) >= 15.0
        corners = table.bench.lying.pieces[1].corners_mat_mm
        assert np.all((corners > 0) & (corners < MAT_MM))
        laid = table.truth.units[-1].laid_mat_mm
        assert Polygon(laid).symmetric_difference(unit).area < 1e-6
        assert len(laid) == len(corners)


def many_cuts(skill: Skill, strips: int) -> Truth:
    table = Table(wave(20.0, 90.0), seed=11, skill=skill)
    for _ in range(strips):
        table.ask("strip_set", name="set")
        table.cut("true_up")
        for _ in range(33):
            table.cut("unit")
    return table.truth


def test_the_person_cuts_as_well_as_it_should() -> None:
    """Over 204 cuts: SDs within four standard errors of an SD, 1 / sqrt(2 n); means of a mean, SD / sqrt(n)."""
    clean = [c for c in many_cuts(Skill(), 6).cuts if not c.slipped]
    n = len(clean)
    assert n > 185  # 204 less slips: more than 16 of them have a chance below 1e-5 (binomial)
    errors = np.array([c.made_errors_mm for c in clean])
    offsets = errors.mean(axis=1)
    lengths = np.array([np.hypot(*(c.light_mat_mm[1] - c.light_mat_mm[0])) for c in clean])
    angles = np.degrees((errors[:, 1] - errors[:, 0]) / lengths)
    assert offsets.std() == pytest.approx(0.3, rel=4 / np.sqrt(2 * n))
    assert angles.std() == pytest.approx(0.15, rel=4 / np.sqrt(2 * n))
    assert abs(offsets.mean() + Skill().blade_mm) < 4 * 0.3 / np.sqrt(n)  # the blade runs right of the ruler
    assert abs(angles.mean()) < 4 * 0.15 / np.sqrt(n)


def test_a_slip_is_one_to_three_millimetres() -> None:
    cuts = many_cuts(Skill(0.0, 0.0, 0.5, blade_mm=0.0), 2).cuts
    slips = [c for c in cuts if c.slipped]
    assert len(slips) / len(cuts) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(len(cuts)))
    sizes = np.array([abs(c.made_errors_mm.mean()) for c in slips])
    assert sizes.min() > 0.98
    assert sizes.max() < 3.02

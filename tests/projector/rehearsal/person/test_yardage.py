"""Folded yardage at the virtual table: how it is laid, cut into strips, and what the ledger says of them.

No outside source but plane geometry, done here with shapely.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely import Polygon
from shapely.affinity import affine_transform

from projector.piecing.plans import Fabric, Plan, Strip
from projector.rehearsal.bench import Bench
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.person import Skill, VirtualPerson
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.person.yardage import MOST_REACH_MM, YardageToLay, lay_yardage, pulled
from projector.rehearsal.setting import MAT_MM, setting_of
from projector.rehearsal.things.cloth import Piece, Pose
from projector.rehearsal.truth import Truth, demanded_line

SETTING = setting_of(4)
PLAN = Plan(
    "one fabric",
    (Strip("A set", 101.6, 1016.0, (50.8,), ("sea", "sea"), 3.0, 1, (57.15, 63.5)),),
    fabrics=(Fabric("sea", 120.65, 228.6),),
)


class Table:
    """Bench, person and a clock that a test turns."""

    def __init__(self, skill: Skill | None = None, layers: int = 2) -> None:
        self.ledger, self.now_s = Ledger(), 0.0
        self.bench = Bench(SETTING.projector.size_px)
        self.work = work_of(PLAN, layers=layers)
        self.person = VirtualPerson(self.bench, SETTING, self.work, self.ledger, 1, skill or Skill())

    def ask(self, what: str, **keys: object) -> None:
        self.person.hears({"event": "ask", "what": what, **keys}, self.now_s)
        self.now_s += 2.0
        self.person.advance(self.now_s)

    @property
    def cloth(self) -> Piece:
        return self.bench.lying.pieces[0]

    def cut(self, purpose: str, name: str = "A set", noted: str = "") -> None:
        """Throw the line that the true cloth demands, and ask for the cut."""
        demand = next(one for one in self.work.demands if one.source == "sea")
        line = demanded_line(self.cloth, demand, noted or purpose)
        ends = line + 0.05 * np.array([line[0] - line[1], line[1] - line[0]])
        pixels = np.round(SETTING.projector.px_from_level(ends, self.cloth.thickness_mm) * 16).astype(int)
        picture = np.zeros((1080, 1920, 3), np.uint8)
        cv2.line(picture, pixels[0].tolist(), pixels[1].tolist(), (255, 255, 255), 2, cv2.LINE_AA, 4)
        self.bench.project(picture, self.now_s)
        self.ask("cut", purpose=purpose, name=name, n=len(self.truth.cuts))

    @property
    def truth(self) -> Truth:
        return self.ledger.opened(SETTING)


def test_the_cloth_of_a_plan_is_folded_with_its_fold_toward_the_person_and_a_raw_end_to_the_right() -> None:
    (cloth,) = work_of(PLAN, layers=2).yardage
    assert (cloth.fabric, cloth.layers) == ("sea", 2)
    assert cloth.depth_mm == pytest.approx((1016.0 + 50.8) / 2)  # the usable width and both selvages
    for seed in range(20):
        piece = lay_yardage(cloth, np.random.default_rng(seed))
        fold, end = piece.side_mat_mm("lower"), piece.side_mat_mm("end")
        assert fold is not None
        assert end is not None
        assert np.all(np.abs(piece.corners_mat_mm - np.array(MAT_MM) / 2) < np.array(MAT_MM) / 2)
        assert fold[:, 1].max() < end[:, 1].max() / 2
        run, along = end[1] - end[0], (fold[1] - fold[0]) / np.hypot(*(fold[1] - fold[0]))
        off_deg = abs(np.degrees(np.arctan2(run @ along, run @ [-along[1], along[0]])))
        assert 1.0 <= off_deg <= 2.0
        assert piece.thickness_mm == pytest.approx(0.8)


def test_long_cloth_hangs_over_the_left_and_is_pulled_on_along_its_fold() -> None:
    rng = np.random.default_rng(3)
    piece = lay_yardage(YardageToLay("sea", 2, 533.0, 1100.0), rng)
    assert piece.corners_mat_mm[:, 0].min() < -300.0
    assert piece.corners_mat_mm[:, 0].max() < MOST_REACH_MM + 30.0
    rest = lay_yardage(YardageToLay("sea", 2, 533.0, 500.0), rng)
    rest = rest.moved(Pose(rest.pose.x_mm - 400.0, rest.pose.y_mm, rest.pose.turn_rad))
    step = pulled(rest, rng).corners_mat_mm[0] - rest.corners_mat_mm[0]
    along = rest.pose.rotation[:, 0]
    assert step @ along > 100.0
    assert abs(step @ [-along[1], along[0]]) < 6.0


def test_a_strip_is_laid_clear_of_the_cloth_on_the_mat_and_the_next_one_replaces_it() -> None:
    table = Table()
    table.ask("cloth", name="sea")
    table.cut("true_up")
    for purpose in ("strip", "strip"):
        table.cut(purpose)
        cloth, strip = table.bench.lying.pieces
        assert Polygon(cloth.corners_mat_mm).distance(Polygon(strip.corners_mat_mm)) > 10.0
        assert Polygon([(0, 0), (MAT_MM[0], 0), MAT_MM, (0, MAT_MM[1])]).covers(Polygon(strip.corners_mat_mm))
        assert strip.thickness_mm == cloth.thickness_mm == pytest.approx(0.8)
    assert [(one.fabric, one.name, one.number) for one in table.truth.strips] == [("sea", "A set", n) for n in (1, 2)]
    table.cut("true_up", noted="true_again")
    assert [one.purpose for one in table.truth.cuts] == ["true_up", "strip", "strip", "true_again"]


def test_the_ledgers_bend_is_that_of_the_strip_opened_about_its_fold() -> None:
    """Both halves by shapely: the strip, and its mirror image about the line of its fold."""
    table = Table(Skill(0.3, np.radians(2.0), 0.0))
    table.ask("cloth", name="sea")
    table.cut("true_up")
    table.cut("strip")
    (true,) = table.truth.strips
    fold = true.corners_mm[1] - true.corners_mm[0]
    c, s = fold / np.hypot(*fold)
    x, y = true.corners_mm[0]
    level = affine_transform(Polygon(true.corners_mm), [c, s, -s, c, -(c * x + s * y), -(-s * x + c * y)])
    under = affine_transform(level, [1, 0, 0, -1, 0, 0])
    up, down = (np.array(half.exterior.coords)[:4] for half in (level, under))
    bends = []
    for low, high in ((0, 3), (1, 2)):  # each cut with its mirror image; both begin on the fold
        a, b = up[high] - up[low], down[low] - down[high]
        bends.append(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))
    assert abs(true.bend_rad) == pytest.approx(abs(np.mean(bends)), abs=1e-9)
    assert true.width.least_mm <= true.width.mean_mm <= true.width.greatest_mm


def test_who_has_no_such_cloth_says_that_its_strips_are_cut() -> None:
    table = Table()
    table.ask("cloth", name="moss")
    assert table.person.keys() == ["space"]
    assert table.bench.lying.pieces == ()


def test_a_strip_that_could_not_be_measured_is_laid_again() -> None:
    table = Table()
    table.ask("cloth", name="sea")
    table.cut("true_up")
    table.cut("strip")
    before = table.truth.strips[0].laid_mat_mm
    table.ask("strip", name="A set", fabric="sea")
    after = table.truth.strips[0].laid_mat_mm
    assert np.abs(after - before).max() > 0.5
    assert np.allclose(after, table.bench.lying.pieces[1].pose.mat_from_own(table.truth.strips[0].corners_mm))


def test_a_long_ruler_is_set_by_both_ends_of_the_light() -> None:
    """A cut half a metre long turns by 0.06 degree (standard deviation), not by the 0.15 of a short one."""
    turns = []
    for seed in range(16):
        table = Table(Skill(0.3, np.radians(0.15), 0.0))
        table.person._rng = np.random.default_rng(seed)
        table.ask("cloth", name="sea")
        table.cut("true_up")
        (made,) = table.truth.cuts
        turns.append(np.ptp(made.made_errors_mm) / np.hypot(*(made.made_mat_mm[1] - made.made_mat_mm[0])))
    assert np.degrees(np.sqrt(np.mean(np.square(turns)))) == pytest.approx(np.degrees(0.6 / 533.0), rel=0.4)

"""What a report says and exports, of drawn units whose deviations are known."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import timedelta
from functools import partial
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from projector.commands import main
from projector.files.unitpictures import UnitPictures
from projector.guide.units.state import wanted_of
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.reporting.contents import LEAST, Kind, Part, measured, part_of
from projector.reporting.dimensionchart import dimension_chart
from projector.reporting.figures import plan_lines
from projector.reporting.gathering import Rigs, gathered
from projector.reporting.photographs import Photographs
from projector.reporting.svg import BLUE, GREY, INK, PURPLE, VERMILLION, element, picture
from projector.reporting.unitdrawing import plan_drawing, unit_drawing
from projector.telling.plansaid import shape_of
from tests.projector.drawn import drawn_event
from tests.projector.drawnrig import drawn_rig
from tests.projector.reporting.sittings import BEGUN, events, kept, nine_patch, report_page
from tests.vision.exact import Piece
from tests.vision.exact import camera as exact_camera
from tests.vision.exact import picture as drawn_picture

PLAN = nine_patch()
NAME = PLAN.units[0].name
FORMULAS = ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1")


def part(told: list[dict[str, Any]], plan: Plan | None = PLAN) -> Part:
    units = [
        measured(
            plan,
            partial(shape_of, plan),
            1,
            i + 1,
            BEGUN + timedelta(minutes=i),
            event.get("name"),
            event.get("verdict"),
            event,
        )
        for i, event in enumerate(told)
    ]
    return part_of(plan, "a plan", [], units)


def kind(widths_mm: list[float]) -> Kind:
    """One kind of unit, its cut edges so far too wide."""
    shape = wanted_of(PLAN, PLAN.units[0])
    told = [drawn_event(shape, wider_mm=wide) | {"name": NAME} for wide in widths_mm]
    return next(one for one in part(told).kinds if one.name == NAME)


def width_of(one: Kind) -> Any:
    return next(chart for chart in one.charts if chart.dimension.places == (1, 3))


def test_a_dimension_in_numbers() -> None:
    """Four units by hand: mean 0.25 off, standard deviation 0.208."""
    charted = width_of(kind([0.0, 0.3, 0.2, 0.5]))
    off = [value - charted.dimension.planned for value in charted.values]
    assert off == pytest.approx([0.0, 0.3, 0.2, 0.5], abs=2e-4)
    assert charted.spread.mean - charted.dimension.planned == pytest.approx(0.25, abs=2e-4)
    assert charted.spread.sd == pytest.approx(np.std([0.0, 0.3, 0.2, 0.5], ddof=1), abs=2e-4)
    assert charted.u == pytest.approx(0.05)
    assert (charted.limits, charted.signals, charted.drift) == (None, (), None)  # fewer than eight units
    assert charted.capability.cp.value == pytest.approx(2 * 25.4 / 32 / (6 * charted.spread.sd))


def test_a_shift_and_a_drift_are_called() -> None:
    rng = np.random.default_rng(3)
    shifted = width_of(kind([*rng.normal(0.0, 0.05, 20), *rng.normal(0.3, 0.05, 12)]))
    assert any(signal.rule.calls == "shift" and signal.upward for signal in shifted.signals)
    steady = width_of(kind(list(rng.normal(0.0, 0.05, 20))))
    drifting = width_of(kind([0.03 * i + rng.normal(0.0, 0.05) for i in range(20)]))
    assert (steady.drifts, drifting.drifts) == (False, True)
    assert drifting.drift.slope == pytest.approx(0.03, abs=0.01)


def test_what_is_not_the_unit_is_counted_and_not_charted() -> None:
    told = list(events(PLAN))
    whole = part(told)
    assert (whole.to_cut, len(whole.units)) == (60, 60)
    first = whole.kinds[0]
    assert (first.planned, len(first.units), len(first.read)) == (40, 40, 38)
    # half a turn lays a segment on itself: of a unit two corners, and two seams, are not told apart
    assert [(chart.dimension.name, chart.spread.count) for chart in first.charts] == [
        ("strip edge to strip edge", 38),
        ("cut edge to cut edge", 38),
        ("corner 0 or 2", 76),
        ("corner 1 or 3", 76),
        ("place of seam 0 or 1", 76),
    ]
    assert {one.name: one.planned for one in whole.kinds[2:]} == {"piece 1": 20, "nine patch": 20}  # to be sewn


def test_the_worst_comes_first() -> None:
    one = kind([0.1, 2.0, 0.0, 0.5, 1.5])
    assert [unit.n for unit in one.worst] == [2, 5]  # those that do not fit
    assert [unit.n for unit in kind([0.1, 0.3, 0.0, 0.2]).worst] == [2, 4, 1]  # all fit


def test_units_without_a_plan_are_what_their_name_says() -> None:
    shape = "rectangle(4 1/2 in, 2 in)"
    found = part(
        [drawn_event(wanted_of(PLAN, PLAN.units[0])) | {"name": shape}, {"event": "unit", "name": "no shape"}], None
    )
    assert [(one.name, one.planned, bool(one.shape)) for one in found.kinds] == [
        (shape, None, True),
        ("no shape", None, False),
    ]


def test_strips_that_were_cut_are_a_kind() -> None:
    strip = {"event": "strip", "name": "red 1", "band_mm": 63.5, "width_mm": 63.9, "width_u_mm": 0.1, "verdict": "fits"}
    found = next(one for one in part([strip, strip | {"width_mm": None}]).kinds if one.name == "strip red 1")
    assert [(chart.dimension.planned, chart.values) for chart in found.charts] == [(63.5, (63.9,))]


def shapes_of(svg: str, colour: str, key: str) -> list[ElementTree.Element]:
    return [one for one in ElementTree.fromstring(svg).iter() if one.get(key) == colour]


def test_each_form_means_one_thing() -> None:
    """A dot inside, a triangle out of the limits, a square about a point that a run rule calls."""
    charted = width_of(kind([*[0.4, -0.4] * 8, 3.0]))
    svg = dimension_chart(charted, "in")
    dots = [one for one in shapes_of(svg, BLUE, "fill") if one.tag.endswith("circle")]
    assert len(dots) == 16
    assert len(shapes_of(svg, VERMILLION, "fill")) == 1
    assert len(shapes_of(svg, PURPLE, "stroke")) == len(charted.signals) == 1
    words = "".join(ElementTree.fromstring(svg).itertext())
    assert "limit" in words
    assert "+1/16" in words
    label = ElementTree.fromstring(svg).get("aria-label", "")
    assert "17 readings of 17 units" in label
    assert "1 out of the tolerance" in label
    assert "outlier high at number 17" in label


def test_thousands_of_units_stay_a_small_picture() -> None:
    few, many = kind([0.1] * LEAST), list(np.random.default_rng(1).normal(0.0, 0.2, 3000))
    charted = width_of(few)
    wide = type(charted)(
        charted.dimension,
        tuple(range(1, 3001)),
        (1,) * 3000,
        tuple(charted.dimension.planned + one for one in many),
        charted.spread,
        0.05,
        charted.limits,
        (),
        None,
        None,
        None,
        1.0,
    )
    assert len(dimension_chart(wide, "mm")) < 60_000


def test_a_unit_is_drawn_over_its_plan_and_says_how_much_larger() -> None:
    """0.75 mm at each of the two cuts; 7 % of its 317.5 mm would be 29 times that, so it is 20 times."""
    one = kind([1.5])
    svg = unit_drawing(one.units[0], one.shape, metric=False)
    assert svg is not None
    drawn = "".join(ElementTree.fromstring(svg).itertext())
    assert "what differs drawn 20 times as large" in drawn
    assert "+1/32" in drawn
    assert (
        unit_drawing(measured(None, partial(shape_of, None), 1, 1, BEGUN, "x", "fits", {}), None, metric=True) is None
    )


def test_what_was_planned_is_drawn_with_its_names_and_told() -> None:
    shape = wanted_of(PLAN, PLAN.units[0])
    words = [one.text for one in ElementTree.fromstring(plan_drawing(shape, metric=False)).iter() if one.text]
    assert words[1:5] == ["strip edge, 4 1/2 in", "cut edge, 12 1/2 in"] * 2
    assert words[5:] == ["0", "1", "2", "3", "seam 0", "seam 1"]
    metric = "".join(ElementTree.fromstring(plan_drawing(shape, metric=True)).itertext())
    assert "strip edge, 114.3 mm" in metric
    lines = plan_lines(part([]))
    assert lines[0] == "20 times nine patch, 12 in finished"
    assert "tolerances ± 1/32 in and 0.5°" in lines[1]
    assert plan_lines(part([], None)) == []


def test_no_character_breaks_a_picture() -> None:
    svg = picture(10, 10, "<b>\x00\ud800&\"'", [element("text", "</svg><script>\x07")])
    assert ElementTree.fromstring(svg).get("aria-label") == "<b>\ufffd\ufffd&\"'"
    assert "<script" not in svg


def test_words_stand_out_from_the_paper() -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1, by its formula of relative luminance."""

    def luminance(colour: str) -> float:
        parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
        return float(
            np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
        )

    styles = (resources.files("projector.reporting") / "page.css").read_text(encoding="utf-8")
    named = dict(re.findall(r"--(\w+): (#\w{6})", styles))
    for colour in (named["ink"], named["grey"], INK, GREY, "#a14a7f"):
        assert (luminance(named["paper"]) + 0.05) / (luminance(colour) + 0.05) >= 4.5
    assert "#a14a7f" in styles


class Read(HTMLParser):
    """Every tag, and every address that a browser would follow."""

    def __init__(self) -> None:
        super().__init__()
        self.tags, self.addresses = set[str](), list[str]()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "action", "data")]


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sessions, the second from a photograph; each with a word that a spreadsheet would run."""
    folder = Path(tmp_path_factory.mktemp("records"))
    rig = drawn_rig(folder / "rig.json")
    told = list(events(PLAN, 10))
    for event, formula in zip(told, FORMULAS, strict=False):
        event["why"] = formula
    kept(folder / "j.sqlite", PLAN, told, "rig.json")  # named as it was where the table runs
    area = rig.area_mat_mm.mean(axis=0)
    seen = drawn_event(wanted_of(PLAN, PLAN.units[0]), at_mm=(area[0] - 40.0, area[1] - 60.0), turn_rad=1.5)
    cv2.imwrite(str(folder / "shot.jpg"), drawn_picture(Piece(np.array(seen["outline_mat_mm"]))))
    seen |= {"name": NAME, "verdict": "trim", "frame": str(folder / "shot.jpg")}
    kept(folder / "j.sqlite", PLAN, [seen], "rig.json")
    return folder / "j.sqlite"


def run(*words: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in words])
    return int(end.value.code or 0)


def test_the_command_writes_page_and_tables(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / name for name in ("report.html", "figures.csv", "figures.json")]
    words = ("-o", files[0], "--export", files[1], "--export", files[2], "--records", records, "--json")
    assert run("report", "1", "2", *words) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["event"], told["units"], told["sessions"]) == ("summary", 21, [1, 2])
    page = files[0].read_text(encoding="utf-8")
    read = Read()
    read.feed(page)
    assert not read.tags & {"script", "iframe", "object", "embed", "form", "base", "audio", "video"}
    assert all(address.startswith("data:") for address in read.addresses)
    assert re.findall(r"https?://(?!www\.w3\.org/2000/svg)", page) == []
    assert "data:image/jpeg;base64," in page
    for said in ("2026-11-28 09:30", "sizes are known to 0.01 %", "12 in planned", "as large", "Cpk", "turned over"):
        assert said in page
    assert sorted(path.name for path in tmp_path.iterdir()) == ["figures.csv", "figures.json", "report.html"]
    rows = list(csv.DictReader(io.StringIO(files[1].read_text(encoding="utf-8"))))
    as_json = json.loads(files[2].read_text(encoding="utf-8"))
    assert len(rows) == len(as_json)
    assert not {row["why"][:1] for row in rows} & {formula[0] for formula in FORMULAS}
    assert {row["why"] for row in rows} >= {f"'{formula}" for formula in FORMULAS if formula[0] != "\t"}
    assert not any(value[:1] in ("=", "@", "\t") for row in rows for value in row.values())
    width = next(row for row in as_json if row["dimension"] == "cut edge to cut edge" and row["session"] == 1)
    assert (width["planned"], width["lower"], width["measured_in"]) == (114.3, 113.50625, "mm")


def test_a_photograph_that_was_kept_goes_before_all(records: Path) -> None:
    """Beside the records, by session and number; what is no JPEG is left alone."""
    pixels = drawn_picture()
    folder, camera = records.parent / "kept", exact_camera()
    told = list[OSError]()
    pictures = UnitPictures(folder, camera, 0.4, told.append)
    outline = np.array([[100.0, 100.0], [150.0, 100.0], [150.0, 150.0], [100.0, 150.0]])
    pictures.keep(1, 4, outline)  # nothing was measured yet
    pictures.measured(pixels)
    pictures.keep(1, 4, outline)
    pictures.keep(1, 5, outline + 1e5)  # off the picture
    assert [path.name for path in folder.iterdir()] == ["0001_0004.jpg"]
    assert cv2.imread(str(folder / "0001_0004.jpg")).shape[:2] == pytest.approx((187, 187), abs=2)  # 75 mm of 0.4 mm
    (folder / "0001_0006.jpg").write_bytes(b"<script>")
    units = [measured(None, partial(shape_of, None), 1, n, BEGUN, "x", "fits", {}) for n in (4, 6, 7)]
    found = [Photographs({}, Rigs(None), folder).of(unit) for unit in units]
    assert [None if one is None else one[:23] for one in found] == ["data:image/jpeg;base64,", None, None]
    assert told == []


def test_a_folder_that_takes_no_pictures_is_told_once(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    told = list[OSError]()
    pictures = UnitPictures(tmp_path / "file", exact_camera(), 0.4, told.append)
    pictures.measured(drawn_picture())
    for n in (1, 2):
        pictures.keep(1, n, np.array([[100.0, 100.0], [150.0, 100.0], [150.0, 150.0]]))
    assert len(told) == 1


def test_the_last_session_is_meant_where_none_is_said(
    records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("report", "--export", tmp_path / "last.json", "--records", records) == 0
    assert {row["session"] for row in json.loads((tmp_path / "last.json").read_text())} == {2}
    assert "1 units of 1 session" in capsys.readouterr().out


def test_what_cannot_be_is_said_in_one_line(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Journal.open(tmp_path / "empty.sqlite"):
        pass
    for words, says in (
        (("--records", records), "nowhere to write; give -o"),
        (("7", "-o", "x.html", "--records", records), "no session 7; chalkbeam records lists them"),
        (("0", "-o", "x.html"), "a whole number from 1 up"),
        (("--export", "figures.xls", "--records", records), "let its name end in .csv or .json"),
        (("-o", tmp_path / "none" / "x.html", "--records", records), "No such file or directory"),
        (("-o", tmp_path / "x.html", "--records", tmp_path / "none.sqlite"), "no such file"),
        (("-o", tmp_path / "x.html", "--records", tmp_path / "empty.sqlite"), "no session yet"),
    ):
        assert run("report", *words) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1
    assert not (tmp_path / "x.html").exists()


def test_sessions_of_one_plan_are_one_part_whatever_its_comments(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "j.sqlite") as journal:
        for text in (plan_text(PLAN), f"# pile of {NAME}\n{plan_text(PLAN)}", ""):
            journal.begin(BEGUN, "pile", text, "")
    with open_records(tmp_path / "j.sqlite") as records:
        told = gathered(records, records.sessions(), Rigs(None))
    assert [len(one.part.sittings) for one in told] == [2, 1]


def test_a_plan_of_a_block_that_is_gone_is_still_a_page(tmp_path: Path) -> None:
    plan = plan_text(PLAN).replace('"nine patch"', '"no such block"')
    assert plan != plan_text(PLAN)
    with Journal.open(tmp_path / "j.sqlite") as journal:
        journal.begin(BEGUN, "cut", plan, "")
    assert "no such block" in report_page(tmp_path / "j.sqlite")


def test_seam_checks_and_finished_blocks_are_told(tmp_path: Path) -> None:
    seams = {"event": "strip", "name": "A set", "seam_mm": 6.5, "seam_u_mm": 0.04, "seam_planned_mm": 6.35}
    seams["each_seam_mm"] = [6.45, 6.55]
    side = {"kind": "side", "points": [0, 1], "mm": 304.0, "u_mm": 0.2, "planned_mm": 304.8, "foretold_mm": 304.2}
    block = {"event": "block", "name": "nine patch", "distances": [side, {"kind": "side", "mm": None}, 3]}
    with Journal.open(tmp_path / "j.sqlite") as journal:
        session = journal.begin(BEGUN, "cut", plan_text(PLAN), "")
        for event in (seams, {"event": "strip", "seam_mm": None}, block, {"event": "block", "distances": "none"}):
            journal.record(session, "x", None, json.dumps(event), BEGUN, str(event["event"]))
    page = report_page(tmp_path / "j.sqlite")
    wanted = "seam check on A set: a seam takes 6.50 mm of each strip, u 0.04 mm, 1/4 in, 6.35 mm planned"
    assert f"{wanted}; seam by seam 6.45, 6.55 mm" in page
    assert "seam check on a strip set: nothing could be read" in page
    assert "Finished blocks" in page
    assert "side 0-1" in page
    assert "11 31/32 in (304.00 ± 0.20 mm)" in page
    assert page.count("<h2>strip") == 0  # a set is no unit


def test_a_session_that_others_mangled_is_still_a_page(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "j.sqlite") as journal:
        session = journal.begin(BEGUN, "pile", "no plan = [", "../../etc/passwd")
        for line in ("not JSON", "[]", '{"event": "unit"}', '{"event": "strip", "band_mm": "x"}'):
            journal.record(session, "../x", "odd", line, BEGUN)
    page = report_page(tmp_path / "j.sqlite")
    assert "the plan cannot be read any more" in page
    assert "its uncertainty is not known here" in page
    assert list(tmp_path.iterdir()) == [tmp_path / "j.sqlite"]

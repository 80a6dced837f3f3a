"""`plan` and `predict` as a person runs them, once as processes: files written, one line for what is wrong, one's own
block and back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from projector.piecing.blockmaking import block_to_make
from projector.piecing.planfile import load_plan
from projector.piecing.plans import expected_shape
from tests.whole.process import Done, chalkbeam, here

STAR = """[block]
name = "friendship"
[[patches]]
fabric = "red"
corners = ["0 in 0 in", "3 in 0 in", "3 in 3 in"]
[[patches]]
fabric = "sky"
corners = ["0 in 0 in", "3 in 3 in", "0 in 3 in"]
[[patches]]
fabric = "sky"
corners = ["3 in 0 in", "6 in 0 in", "6 in 3 in", "3 in 3 in"]
"""
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="45mm" viewBox="0 0 2 1">'
    '<rect width="1" height="1" fill="navy"/><rect x="1" width="1" height="1" fill="gold"/></svg>'
)


@pytest.mark.parametrize(("file", "text", "process"), [("own star.toml", STAR, True), ("two.SVG", SVG, False)])
def test_a_drawing_is_planned_like_a_block_and_predicted_from_the_plan_alone(
    file: str, text: str, process: bool, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    def run(*words: object) -> Done:
        return chalkbeam(*words) if process else here(capfd, *words)

    drawing, out, picture = tmp_path / file, tmp_path / "plan.toml", tmp_path / "plan.svg"
    drawing.write_text(text)
    done = run("plan", drawing, "--finish", "12 in", "--make", "4", "-o", out, "--picture", picture, "--json")
    assert done.code == 0, done.err
    (told,) = done.told("summary")
    assert told["plan"] == str(out)
    assert picture.read_text().lstrip().startswith("<?xml")
    drawing.unlink()  # the plan tells all of it
    plan = load_plan(out)
    assert plan.making is not None
    assert block_to_make(plan.making).outline_mm.max() == pytest.approx(304.8)
    unit = next(unit for unit in plan.units if unit.cut or unit.lay)
    sides = len(expected_shape(plan, unit).corners_mm)
    event = {"event": "unit", "expected": unit.name, "verdict": "fits", "angles_deg": [90.0] * sides}
    event |= {"offsets_mm": [0.1] * sides, "offsets_u_mm": [0.02] * sides}
    units = tmp_path / "units.jsonl"
    units.write_text("\n".join(json.dumps(event) for _ in range(4)))
    done = run("predict", out, units, "--json")
    assert done.code == 0, done.err
    (told,) = done.told("summary")
    assert told["units"] == 4
    assert told["sizes"]


PLAN = ("plan", "nine patch", "--finish", "9 in", "-o", "{tmp}/p.toml")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("plan", "nine pitch", "--finish", "9 in", "-o", "{tmp}/p.toml"), 'did you mean "nine patch"'),
        (("plan", "nine patch", "--finish", "nan", "-o", "{tmp}/p.toml"), "--finish"),
        (("plan", "nine patch", "--finish=-9 in", "-o", "{tmp}/p.toml"), "a length cannot be negative"),
        (("plan", "nine patch", "--finish", "1e308 in", "-o", "{tmp}/p.toml"), "--finish"),
        (("plan", "nine patch", "--finish", "0 in", "-o", "{tmp}/p.toml"), "it must be 1 mm to 10 m"),
        ((*PLAN, "--make", "0"), "--make"),
        ((*PLAN, "--make", "999999999"), "make fewer blocks"),
        ((*PLAN, "--make", "9" * 40), "--make"),
        ((*PLAN, "--usable-width", "1 in"), "do not fit on a strip"),
        ((*PLAN, "--set", "rows"), "no parameter with its value"),
        ((*PLAN, "--set", "rows=3"), "is no parameter of it"),
        ((*PLAN, "--picture", "{tmp}/p.gif"), "p.gif: no kind of picture"),
        ((*PLAN, "--picture", "{tmp}/no/p.png"), "cannot be written"),
        ((*PLAN[:-1], "/proc/p.toml"), "/proc"),
        ((*PLAN[:-1], "{tmp}"), "cannot be written"),
        (("plan", "{tmp}/none.svg", "--finish", "9 in", "-o", "{tmp}/p.toml"), "none.svg: cannot be read"),
        (("plan", "{tmp}/words.svg", "--finish", "9 in", "-o", "{tmp}/p.toml"), "words.svg, line 1: not XML"),
        (("plan", "{tmp}/two.svg", "--finish", "90 m", "-o", "{tmp}/p.toml"), "it must be 1 mm to 10 m"),
        (("plan", "{tmp}/two.svg", "--finish", "9 in", "--set", "a=1", "-o", "{tmp}/p.toml"), "leave --set out"),
        (("predict", "{tmp}/none.toml", "{tmp}/words.svg"), "none.toml"),
        (("predict", "{tmp}/plan.toml", "{tmp}/none.jsonl"), "none.jsonl: cannot be read"),
        (("predict", "{tmp}/plan.toml", "{tmp}/words.svg"), "line 1: not JSON"),
        (("predict", "{tmp}/plan.toml", "{tmp}/empty.jsonl"), "no unit of this plan was measured"),
    ],
    ids=lambda value: " ".join(value[1:])[-50:].replace("/", " ") if isinstance(value, tuple) else "",
)
def test_wrong_input_is_told_in_one_line_and_nothing_is_written(
    words: tuple[str, ...], says: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """In this process: what starting one takes three seconds for each is tested above."""
    (tmp_path / "words.svg").write_text("no drawing")
    (tmp_path / "two.svg").write_text(SVG)
    (tmp_path / "empty.jsonl").touch()
    if words[0] == "predict":
        assert here(capfd, "plan", "rail", "--finish", "9 in", "-o", tmp_path / "plan.toml").code == 0
    done = here(capfd, *(word.format(tmp=tmp_path) for word in words))
    assert done.code == 2
    assert done.out == ""
    assert says in done.err
    assert len(done.err.splitlines()) == 1
    assert "; " in done.err  # and what to do
    assert not (tmp_path / "p.toml").exists()

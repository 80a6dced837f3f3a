"""`gauge` on drawn photographs: three units of known size, laid down twice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from projector.commands import main
from projector.guide.units.state import wanted_of
from tests.projector.drawn import drawn_event
from tests.projector.drawnrig import drawn_rig
from tests.projector.reporting.sittings import kept, nine_patch
from tests.vision.exact import Piece, picture

SIZES_MM = (50.4, 50.8, 51.2)  # between the cuts; the strip is 63.5 wide
ROUNDS = 2


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rounds of three units spread on the mat, the bare mat beside them, and the rig."""
    folder, rng = Path(tmp_path_factory.mktemp("gauge")), np.random.default_rng(6)
    (folder / "shots").mkdir()
    drawn_rig(folder / "rig.json")
    cv2.imwrite(str(folder / "bare.png"), picture(seed=99))
    for turn in range(ROUNDS):
        laid = [Piece(_laid(size, 90.0 + 100.0 * i, rng)) for i, size in enumerate(SIZES_MM)]
        cv2.imwrite(str(folder / "shots" / f"round_{turn}.png"), picture(*laid, seed=turn))
    return folder


def _laid(wide_mm: float, x_mm: float, rng: np.random.Generator) -> np.ndarray:
    half = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * [wide_mm / 2.0, 63.5 / 2.0]
    angle = rng.normal(0.0, 0.05)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(half @ turn.T + [x_mm, 120.0] + rng.normal(0.0, 2.0, 2))


def run(*words: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in words])
    return int(end.value.code or 0)


def test_the_tool_examines_itself(shots: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drawn = shots / "study.png"
    words = (
        "gauge",
        "--from",
        shots / "shots",
        "--rig",
        shots / "rig.json",
        "--empty",
        shots / "bare.png",
        "--rounds",
        ROUNDS,
    )
    assert run(*words, "--expect", "rectangle(2 1/2 in, 2 in)", "--picture", drawn, "--json") == 0
    out = capsys.readouterr()
    summary: dict[str, Any] = [json.loads(line) for line in out.out.splitlines()][-1]
    assert (summary["units"], summary["rounds"], summary["people"]) == (3, ROUNDS, 1)
    width = next(one for one in summary["dimensions"] if one["places"] == [1, 3])
    assert width["repeatability"] < 0.03  # mm: 0.08 px
    assert width["part"] == pytest.approx(0.4, abs=0.02)  # standard deviation of 50.4, 50.8, 51.2
    assert width["reproducibility"] is None
    assert width["percent_of_tolerance"] == pytest.approx(600 * width["gauge"] / (25.4 / 16), abs=0.05)
    assert summary["good_enough"] in ("yes", "perhaps")
    assert "one person, so repeatability alone" in out.err
    assert cv2.imread(str(drawn)).shape[0] > 300


def test_units_of_a_session_are_studied(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four units fed three times in the same order, 0.3 mm apart; each lies 0.02 mm off by turns."""
    plan = nine_patch()
    shape = wanted_of(plan, plan.units[0])
    told = [
        drawn_event(shape, wider_mm=0.3 * unit + 0.02 * (turn % 2)) | {"name": plan.units[0].name}
        for turn in range(3)
        for unit in range(4)
    ]
    session = kept(tmp_path / "j.sqlite", plan, told)
    given = ("gauge", "--session", session, "--records", tmp_path / "j.sqlite")
    assert run(*given, "--tolerance", "1/16 in", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    width = next(one for one in summary["dimensions"] if one["places"] == [1, 3])
    assert (summary["units"], width["limit"]) == (4, 1.5875)
    assert width["repeatability"] == pytest.approx(0.02 / np.sqrt(3.0), abs=2e-4)  # of 0, 0.02 and 0
    assert width["part"] == pytest.approx(0.3 * np.std([0, 1, 2, 3], ddof=1), abs=1e-3)
    assert run(*given, "--rounds", "5") == 2
    assert "12 readings are no whole number of units in 5 rounds" in capsys.readouterr().err
    assert run("gauge", "--session", 9, "--records", tmp_path / "j.sqlite") == 2
    assert "no session 9" in capsys.readouterr().err
    assert run(*given, "--unit", "x") == 2
    assert "name one of A dark-light-dark segment" in capsys.readouterr().err


def test_what_is_missing_is_said_in_one_line(shots: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = ("--from", shots / "shots", "--rig", shots / "rig.json", "--expect", "square(2 in)")
    for words, says in (
        (("--rounds", "1"), "whole number from 2 up"),
        ((), "nothing to study; give --from FOLDER with --rig and --expect, or --session"),
        ((*good[:5], "star(8, 9 in)"), "no unit; give a shape"),
        ((*good, "--from", shots / "none"), "no such file"),
        ((*good, "--picture", "study.txt"), "no picture's name"),
    ):
        assert run("gauge", *words) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1

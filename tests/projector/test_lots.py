"""A pile in photographs: the same by one process, by two, and by a cluster; what is no picture stops nothing.

Pictures are drawn by the tests' own table; squares of known size. No outside source.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from projector.checking import Checker
from projector.commands import main
from projector.events import unit_event
from projector.lots import lots_by_cluster, measured_lots
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.records.journal import Journal
from tests.projector.drawn import expected
from tests.projector.drawnrig import drawn_rig
from tests.vision.exact import Piece, picture

WIDE_MM, HIGH_MM = 63.5, 50.8
PLAN = Plan("bricks", (Strip("brown", WIDE_MM, 1000.0),), (Unit("brick", Cut("brown", 6, HIGH_MM)),))


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four photographs of one or two units, one of them of two that touch; a file that is none; rig, bare mat, plan."""
    folder, rng = Path(tmp_path_factory.mktemp("lots")), np.random.default_rng(4)
    (folder / "shots").mkdir()
    drawn_rig(folder / "rig.json")
    (folder / "plan.toml").write_text(plan_text(PLAN), encoding="utf-8")
    cv2.imwrite(str(folder / "bare.png"), picture(seed=99))
    lots = [
        [(90.0, 120.0), (200.0, 120.0)],
        [(150.0, 100.0)],
        [(90.0, 120.0), (90.0 + WIDE_MM, 120.0)],
        [(220.0, 90.0)],
    ]
    for n, lot in enumerate(lots):
        turn = 0.0 if n == 2 else rng.normal(0.0, 0.05)
        laid = [Piece(_laid(at, turn)) for at in lot]
        cv2.imwrite(str(folder / "shots" / f"lot_{n}.png"), picture(*laid, seed=n))
    (folder / "shots" / "lot_1b.png").write_bytes(b"no picture")
    return folder


def _laid(at: tuple[float, float], turn: float) -> np.ndarray:
    half = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * [WIDE_MM / 2.0, HIGH_MM / 2.0]
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(half @ np.array([[c, s], [-s, c]]) + at)


def told(lots: Any) -> list[Any]:
    return [(lot.name, lot.trouble, [unit_event(one, lot.name) for one in lot.units]) for lot in lots]


def test_workers_and_a_cluster_tell_what_one_process_does(shots: Path) -> None:
    from distributed import LocalCluster

    rig = drawn_rig(shots / "rig.json")
    checker = Checker.of(rig, [expected(f"rectangle({WIDE_MM} mm, {HIGH_MM} mm)")], [shots / "bare.png"])
    paths = sorted((shots / "shots").iterdir())
    one = told(measured_lots(paths, checker, 1))
    assert [len(units) for _, _, units in one] == [2, 1, 0, 1, 1]
    assert [bool(trouble) for _, trouble, _ in one] == [False, False, True, False, False]
    assert told(measured_lots(paths, checker, 2)) == one
    with LocalCluster(1, threads_per_worker=2, processes=False, dashboard_address=None) as cluster:
        assert told(lots_by_cluster(paths, checker, cluster.scheduler_address)) == one


def run(folder: Path, records: Path, *words: object) -> int:
    given = ("pile", folder / "plan.toml", "--rig", folder / "rig.json", "--from", folder / "shots")
    with pytest.raises(SystemExit) as end:
        main([str(one) for one in (*given, "--empty", folder / "bare.png", "--records", records, *words, "--json")])
    return int(end.value.code or 0)


def test_a_folder_is_a_pile(shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What touches, and what is no picture, is told and does not count."""
    assert run(shots, tmp_path / "j.sqlite", "--workers", "1") == 1
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    summary = told[-1]
    assert (summary["units"], summary["pictures"], summary["not_measured"]) == (4, 5, 1)
    refused = [(one["what"], one["why"]) for one in told if one["event"] == "refused"]
    assert [what for what, _ in refused] == ["picture", "unit"]
    assert refused[1][1] == "touching"


def test_what_was_left_is_gone_on_with_and_no_unit_is_there_twice(shots: Path, tmp_path: Path) -> None:
    """The run ends by force after its third unit, in the second photograph's; the last photograph is measured anew."""
    records = tmp_path / "j.sqlite"
    kept, keep = [], Journal.keep

    def keeps_three(self: Journal, *told: Any) -> int:
        if len(kept) == 3:
            raise KeyboardInterrupt
        kept.append(told)
        return keep(self, *told)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "keep", keeps_three)
        assert run(shots, records, "--workers", "1") == 130
    assert run(shots, records, "--workers", "1", "--resume") == 1
    with Journal.open(records) as journal:
        (session,) = journal.records.sessions()
        frames = [Path(str(one.event()["frame"])).name for one in journal.records.units(session.id)]
    assert sorted(frames) == ["lot_0.png", "lot_0.png", "lot_1.png", "lot_3.png"]


def test_a_video_of_a_pile_being_fed_is_judged_as_at_the_table(
    shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bare mat, a unit, the same nudged, the bare mat, another; in the room's light, 15 frames a second."""
    rng, bare = np.random.default_rng(5), picture(noise_sd=1e-4)
    one, nudged, other = (
        picture(Piece(_laid(at, turn)), noise_sd=1e-4)
        for at, turn in (((90.0, 120.0), 0.05), ((95.0, 118.0), 0.1), ((200.0, 130.0), -0.2))
    )
    film = cv2.VideoWriter(
        str(tmp_path / "fed.avi"), cv2.VideoWriter.fourcc(*"HFYU"), 15.0, (bare.shape[1], bare.shape[0])
    )

    for part, frames in ((bare, 50), (one, 20), (nudged, 20), (bare, 20), (other, 20), (bare, 20)):
        for _ in range(frames):
            noise = rng.normal(0.0, 3.0, part.shape).astype(np.float32)
            film.write(np.clip(part + noise, 0.0, 255.0).astype(np.uint8))
    film.release()
    words = ("pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", tmp_path / "fed.avi")
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in (*words, "--records", tmp_path / "j.sqlite", "--json")])
    assert end.value.code in (0, None)
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert told[-1]["units"] == 2, [(one["event"], one.get("what"), one.get("why")) for one in told]


def test_without_a_scheduler_it_is_one_line(shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(shots, tmp_path / "j.sqlite", "--scheduler", "nonsense") == 2
    assert len(capsys.readouterr().err.splitlines()) <= 2

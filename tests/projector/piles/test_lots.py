"""A pile in photographs: the same by one process, by two, and by a cluster; what is no picture stops nothing.

Pictures are drawn by the tests' own table; squares of known size. No outside source.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from projector.checking import Checker
from projector.commands import main, pilefrom
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.piles.filmed import Again
from projector.piles.lots import Lot, lots_by_cluster, measured_lots
from projector.records.journal import Journal
from projector.records.sessions import Entry, line_of
from projector.telling.events import Event, Teller
from projector.telling.sentences import sentence
from tests.projector.drawn import expected
from tests.projector.drawnrig import drawn_rig
from tests.vision.exact import Piece, picture
from tests.whole.process import ROOT
from tests.whole.streaming import Stream

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
    return [(lot.name, lot.events) for lot in lots]


def test_in_any_order_workers_and_a_cluster_tell_what_one_process_does(shots: Path) -> None:
    from distributed import LocalCluster

    rig = drawn_rig(shots / "rig.json")
    checker = Checker.of(rig, [expected(f"rectangle({WIDE_MM} mm, {HIGH_MM} mm)")], [shots / "bare.png"])
    paths = sorted((shots / "shots").iterdir())
    one = told(measured_lots(paths, checker, 1))
    kinds = [[event["event"] for event in events] for _, events in one]
    assert kinds == [["unit", "unit"], ["unit"], ["refused"], ["refused"], ["unit"]]
    assert [events[0].get("why") for _, events in one[3:]] == ["touching", ""]
    assert told(measured_lots(paths[::-1], checker, 2))[::-1] == one
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


def test_what_cannot_be_measured_is_one_line_each(shots: Path, tmp_path: Path) -> None:
    """A picture cut short, one of another size, a text, one that says it has 400 million pixels, an empty one."""
    whole = (shots / "shots" / "lot_1.png").read_bytes()
    (tmp_path / "a_short.png").write_bytes(whole[: len(whole) // 2])
    cv2.imwrite(str(tmp_path / "b_small.jpg"), picture(seed=1)[::2, ::2])
    (tmp_path / "c_text.jpg").write_text("no picture")
    (tmp_path / "d_giant.png").write_bytes(whole[:16] + (20_000).to_bytes(4, "big") * 2 + whole[24:])
    (tmp_path / "e_empty.tif").touch()
    (tmp_path / "f_good.png").write_bytes(whole)
    shape = expected(f"rectangle({WIDE_MM} mm, {HIGH_MM} mm)")
    checker = Checker.of(drawn_rig(shots / "rig.json"), [shape], [shots / "bare.png"])
    lots = list(measured_lots(pilefrom.stills_of([str(tmp_path), str(tmp_path / "*.png")]), checker, 1))
    assert [(Path(lot.name).name[0], lot.measured, len(lot.units)) for lot in lots] == [
        *((name, False, 0) for name in "abcde"),
        ("f", True, 1),
    ]
    assert all(
        event["why"] and event["do"] and "\n" not in sentence(event) for lot in lots[:-1] for event in lot.events
    )


def test_what_was_left_is_gone_on_with_and_no_unit_is_there_twice(
    shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The run ends by force when it keeps the second photograph's; what it told is in the records, and no more."""
    records = tmp_path / "j.sqlite"
    kept, keep_all = [], Journal.keep_all

    def keeps_one(self: Journal, *told: Any) -> list[int]:
        if len(kept) == 1:
            raise KeyboardInterrupt
        kept.append(told)
        return keep_all(self, *told)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "keep_all", keeps_one)
        patch.setattr(pilefrom, "TOGETHER_S", 0.0)
        assert run(shots, records, "--workers", "1") == 130
    said = capsys.readouterr()
    assert [Path(one["frame"]).name for one in units(said.out)] == ["lot_0.png", "lot_0.png"]
    assert said.err.splitlines()[-1].startswith("chalkbeam: interrupted; 2 units are judged and kept")
    assert run(shots, records, "--workers", "1", "--resume") == 1
    assert [Path(one["frame"]).name for one in units(capsys.readouterr().out)] == ["lot_1.png", "lot_3.png"]
    assert frames_in(records) == ["lot_0.png", "lot_0.png", "lot_1.png", "lot_3.png"]


@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGKILL])
def test_a_run_by_processes_that_is_ended_leaves_none_of_them_and_all_that_it_told(
    by: signal.Signals, shots: Path, tmp_path: Path
) -> None:
    """Ctrl-C goes to all of them, kill -9 to the first alone."""
    records = tmp_path / "j.sqlite"
    for n in range(30):
        os.link(shots / "shots" / f"lot_{n % 2}.png", tmp_path / f"lot_{n:02}.png")
    given = "pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", tmp_path
    words = [*given, "--empty", shots / "bare.png", "--records", records, "--workers", "2", "--json"]
    command = [sys.executable, "-m", "projector", *map(str, words)]
    with subprocess.Popen(
        command,
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),  # the tests' own processes ignore it
    ) as begun:
        assert begun.stdout is not None
        assert begun.stderr is not None
        said = next(line for line in begun.stdout if '"unit"' in line)
        os.killpg(begun.pid, by) if by is signal.SIGINT else os.kill(begun.pid, by)
        said, err = said + begun.stdout.read(), begun.stderr.read()
    assert begun.returncode == (130 if by is signal.SIGINT else -by)
    assert "Traceback" not in err
    until_s = time.monotonic() + 30.0
    while some_left(begun.pid):
        assert time.monotonic() < until_s
        time.sleep(0.05)
    told = [Path(one["frame"]).name for one in units(said[: said.rindex("\n")])]
    kept = frames_in(records)
    assert told == kept[: len(told)]
    assert kept == [f"lot_{n:02}.png" for n in range(30) for _ in range(2 - n % 2)][: len(kept)]


def some_left(group: int) -> bool:
    """Whether processes of this group are there still."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def units(out: str) -> list[dict[str, Any]]:
    told = [json.loads(line) for line in out.splitlines()]
    return [one for one in told if one["event"] == "unit"]


def frames_in(records: Path) -> list[str]:
    with Journal.open(records) as journal:
        (session,) = journal.records.sessions()
        return [Path(str(one.event()["frame"])).name for one in journal.records.units(session.id)]


def test_a_folder_has_run_charts_and_a_sample_as_at_the_table(
    shots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Measuring is a stand-in: two like units by turns, then another kind over and over."""
    checker = Checker.of(
        drawn_rig(shots / "rig.json"),
        [expected(f"rectangle({WIDE_MM} mm, {HIGH_MM} mm)")],
        [shots / "bare.png"],
    )
    first, second = (measured_lots([shots / "shots" / f"lot_{n}.png"], checker, 1) for n in (0, 1))
    (one, other), (third,) = next(first).units, next(second).units
    files = [tmp_path / f"lot_{n:02}.png" for n in range(20)]
    for file in files:
        file.touch()

    def measured(paths: Sequence[Path], checker: Checker, workers: int) -> Iterator[Lot]:
        for path in paths:
            n = int(path.stem[-2:])
            yield Lot(str(path), (((one, other)[n % 2] if n < 10 else third) | {"frame": str(path)},))

    monkeypatch.setattr(pilefrom, "measured_lots", measured)
    given = ("pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", tmp_path, "--json")

    def events(*words: object) -> list[Any]:
        with pytest.raises(SystemExit):
            main([str(word) for word in (*given, "--records", tmp_path / "j.sqlite", *words)])
        return [json.loads(line) for line in capsys.readouterr().out.splitlines()]

    told = events()
    called = [one for one in told if (one["event"], one.get("what")) == ("seen", "run_chart")]
    assert any(one["calls"] == "shift" and one["number"] > 15 for one in called)
    assert all(one.keys() >= {"lower", "upper", "sd"} for one in told[-1]["dimensions"])
    assert told[-1]["pictures"] == 20

    told = events("--count", "20", "--sample", "aql=6.5,seed=7", "--anew")
    before, after = (one for one in told if (one["event"], one.get("what")) == ("seen", "sample"))
    drawn = [files[n - 1].name for n in before["numbers"]]
    assert [Path(one["frame"]).name for one in told if one["event"] == "unit"] == drawn
    assert after["outcome"] == "accept"

    told = events("--count", "7", "--anew")
    assert (told[-1]["units"], told[-1]["pictures"]) == (7, 7)


def film_parts() -> dict[str, np.ndarray]:
    """The bare mat, a unit, the same nudged, another; an arm over the mat."""
    parts = {"bare": picture(noise_sd=1e-4)}
    for name, at, turn in (("one", (90, 120), 0.05), ("nudged", (95, 118), 0.1), ("other", (200, 130), -0.2)):
        parts[name] = picture(Piece(_laid(at, turn)), noise_sd=1e-4)
    parts["arm"] = parts["bare"].copy()
    parts["arm"][:330, 300:420] = (90, 110, 150)
    return parts


@pytest.mark.parametrize("codec", ["HFYU", "MJPG"])
def test_a_video_of_a_pile_being_fed_is_judged_as_at_the_table(
    codec: str, shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An arm brings and takes; in the room's light, 15 frames a second, each second one of Motion JPEG given twice."""
    rng, parts = np.random.default_rng(5), film_parts()
    high, wide = parts["bare"].shape[:2]
    film = cv2.VideoWriter(str(tmp_path / "fed.avi"), cv2.VideoWriter.fourcc(*codec), 15.0, (wide, high))
    noise = [rng.normal(0.0, 3.0, parts["bare"].shape).astype(np.float32) for _ in range(6)]
    for part, frames in (
        *(("bare", 40), ("arm", 3), ("one", 16), ("arm", 3), ("nudged", 16), ("arm", 5), ("bare", 10)),
        *(("arm", 3), ("other", 16), ("arm", 3), ("bare", 12)),
    ):
        for n in range(frames):
            now = noise[n % 6 if codec == "HFYU" else n // 2 % 6]
            film.write(np.clip(parts[part] + now, 0.0, 255.0).astype(np.uint8))
    film.release()
    words = ("pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", tmp_path / "fed.avi")
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in (*words, "--records", tmp_path / "j.sqlite", "--json")])
    assert end.value.code in (0, None)
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert told[-1]["units"] == 2, [(one["event"], one.get("what"), one.get("why")) for one in told]
    assert told[-1]["dimensions"]


def test_a_stream_is_judged_as_it_comes(
    shots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A camera on the network; who feeds it takes away what was judged and lays what is asked for. Then it breaks."""
    parts, heard, tell = film_parts(), list[tuple[str, float]](), Teller.tell

    def hears(self: Teller, event: str, **keys: object) -> Event:
        heard.append((f"{event} {keys.get('what', '')}", time.monotonic()))
        if [kind for kind, _ in heard].count("unit ") == 2:
            stream.close()
        return tell(self, event, **keys)

    def take() -> np.ndarray:
        asked, judged = ([at_s for one, at_s in heard if one == kind] for kind in ("ask unit", "unit "))
        now_s = time.monotonic()
        if not asked or (judged and now_s > judged[0] + 2.0 and (len(asked) == 1 or now_s < asked[1] + 1.0)):
            return parts["bare"]
        return parts["one" if len(asked) == 1 else "other"]

    monkeypatch.setattr(Teller, "tell", hears)
    stream = Stream(take)
    words = ("pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", stream.address)
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in (*words, "--records", tmp_path / "j.sqlite", "--json")])
    assert end.value.code == 2
    said = capsys.readouterr()
    assert said.err.splitlines()[-1].startswith(f"chalkbeam: the stream {stream.address} gives no more pictures; ")
    assert len(units(said.out[: said.out.rindex('{"event": "error"')])) == 2
    with Journal.open(tmp_path / "j.sqlite") as journal:
        (session,) = journal.records.sessions()
        assert session.ended is None
        assert len(journal.records.units(session.id)) == 2


def test_a_film_that_is_seen_again_is_not_kept_twice() -> None:
    """Up to where it was left all stays; from where it comes out otherwise the old is taken back."""
    now = datetime(2026, 11, 29, tzinfo=UTC)
    events: list[Event] = [{"event": "unit", "n": n} for n in range(4)]
    before = [Entry(n, None, None, line_of(event), now) for n, event in enumerate(events[:3], 1)]
    done: list[object] = []

    class Kept:
        def keep_all(self, session: int, events: Sequence[Any], at: datetime) -> list[int]:
            done.append(("kept", [event["n"] for event in events]))
            return [9] * len(events)

        def undo(self, session: int, n: int, at: datetime) -> None:
            done.append(("undone", n))

    again = Again(Kept(), before)
    assert [again.keep_all(1, part, now) for part in (events[:1], events[1:3], [], events[3:])] == [
        [1],
        [2, 3],
        [],
        [9],
    ]
    assert done == [("kept", []), ("kept", [3])]
    done.clear()
    again = Again(Kept(), before)
    assert [again.keep_all(1, part, now) for part in (events[:1], events[2:4])] == [[1], [9, 9]]
    assert done == [("undone", 2), ("undone", 3), ("kept", [2, 3])]


@pytest.mark.parametrize("source", ["97", "/dev/video97", "http://127.0.0.1:9/", "rtsp://127.0.0.1:9/"])
def test_a_camera_that_is_not_there_is_one_line(
    source: str, shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("pile", shots / "plan.toml", "--rig", shots / "rig.json", "--from", source)
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in (*words, "--records", tmp_path / "j.sqlite")])
    assert end.value.code == 2
    assert source in capsys.readouterr().err.splitlines()[-1]


def test_without_a_scheduler_it_is_one_line(shots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(shots, tmp_path / "j.sqlite", "--scheduler", "nonsense") == 2
    assert len(capsys.readouterr().err.splitlines()) <= 2

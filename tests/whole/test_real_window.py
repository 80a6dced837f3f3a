"""The app as a user runs it, its window on a real screen and its camera a real stream, nothing mocked between.

Keys are pressed with xdotool, as a person's keyboard types them. Three processes beside this one: the X server, the
app, and a table that takes its light from the server's memory and serves the camera's pictures (generated). The line's
error is told by the table's own truth.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest

from projector.records.opening import open_records
from tests.whole.screen import WITHOUT_XDOTOOL, WITHOUT_XVFB, XDOTOOL, XVFB, Screen, open_screen

ROOT = Path(__file__).parents[2]
SIZE_PX = (1280, 720)
needs_xvfb = pytest.mark.skipif(XVFB is None, reason=WITHOUT_XVFB)
needs_xdotool = pytest.mark.skipif(XDOTOOL is None, reason=WITHOUT_XDOTOOL)
PATIENCE_S = 240.0
FEWER_VIEWS = ["--flat-views", "4", "--tilted-views", "3", "--bar", "exact"]  # real time is dear
LINE_WITHIN_MM = 0.5
PLAN = """
name = "two waves"
hand = "right"
tolerance = "1/32 in"
angle_tolerance = "0.5 deg"
seam_allowance = "1/4 in"

[[strips]]
name = "tide set"
width = "3 1/2 in"
length = "16 in"
seams = ["1 3/4 in"]
fabrics = ["sand", "deep blue"]

[[units]]
name = "wave"
from = "tide set"
make = 2
cut_width = "2 in"
angle = "45 deg"
lean = "right"
"""


@dataclass
class Studio:
    """The table's process, and where it serves and writes."""

    process: subprocess.Popen[str]
    address: str
    score: Path

    def hears(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line)
        self.process.stdin.flush()

    def ends(self) -> dict[str, Any]:
        """Let the last event be heard, and read the truth."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(timeout=30)
        truth: dict[str, Any] = json.loads(self.score.read_text())
        return truth


@dataclass
class Run:
    """One command that ended: its code, its events, its words."""

    code: int
    events: list[dict[str, Any]] = field(default_factory=list)
    words: str = ""

    def told(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["event"] == kind]


class Fingers:
    """Press space where a question is asked; at the first of each other kind of event what is said for it."""

    def __init__(self, keys: dict[str, str]) -> None:
        self._keys = dict(keys)

    def __call__(self, event: dict[str, Any]) -> str | None:
        if event["event"] == "ask" and event["what"] == "confirm":
            return "space"
        names = {"ask": event.get("what"), "shown": event.get("scene")}
        return self._keys.pop(str(names.get(event["event"], event["event"])), None)


@contextmanager
def open_studio(folder: Path, screen: Screen, plan: Path) -> Iterator[Studio]:
    score = folder / "score.json"
    command = ["--screen", str(screen.memory), "--plan", str(plan), "--seed", "11", "--score", str(score)]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.whole.studio", *command],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        try:
            assert process.stdout is not None
            yield Studio(process, process.stdout.readline().strip(), score)
        finally:
            process.kill()


KILL = "kill -9"  # what a person cannot press


def run_app(
    arguments: list[str],
    screen: Screen,
    studio: Studio,
    folder: Path,
    presses: Callable[[dict[str, Any]], str | None] = lambda event: None,
) -> Run:
    """Run a command of the app; its person is the studio's, but for the keys that `presses` wants at an event.

    It is stopped when patience ends, and at once where `presses` says so.
    """
    with (folder / "words.txt").open("w+") as words:
        app = subprocess.Popen(
            [sys.executable, "-m", "projector", *arguments, "--json"],
            stdout=subprocess.PIPE,
            stderr=words,
            text=True,
            env=screen.environment,
            cwd=ROOT,
        )
        stop = threading.Timer(PATIENCE_S, app.kill)
        stop.start()
        with app:
            events = []
            for event in _forwarded(app.stdout, studio):
                events.append(event)
                key = presses(event)
                if key == KILL:
                    app.kill()
                elif key:
                    screen.press(key)
        stop.cancel()
        words.seek(0)
        return Run(app.returncode, events, words.read())


def _forwarded(lines: IO[str] | None, studio: Studio) -> Iterator[dict[str, Any]]:
    for line in lines or ():
        studio.hears(line)
        yield json.loads(line)


BLINK = """
import sys
from projector.table.clock import WallClock
from projector.light.display import PygameDisplay
from projector.light.latency import measure_latency
from vision.frames.cameras import open_camera
clock = WallClock()
display, camera = PygameDisplay(0), open_camera(sys.argv[1], clock)
print(measure_latency(display, camera, clock))
camera.close()
display.close()
"""


@needs_xvfb
def test_the_camera_sees_the_window_blink(tmp_path: Path) -> None:
    """The table's own delays are 60 ms in the projector and 40 ms in the camera; the stream's come on top."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    with open_screen(tmp_path, SIZE_PX) as screen, open_studio(tmp_path, screen, plan) as studio:
        blink = subprocess.run(
            [sys.executable, "-c", BLINK, studio.address],
            env=screen.environment,
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert studio.ends()["cuts"] == []
    assert blink.stderr == ""
    assert 0.1 < float(blink.stdout) < 2.0


@needs_xvfb
@needs_xdotool
def test_a_plan_is_calibrated_for_and_cut_with_real_keys_though_it_is_killed_meanwhile(tmp_path: Path) -> None:
    """Help and back, killed right after the first unit, gone on with, the unit taken back and cut anew."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    began_s = time.monotonic()
    with open_screen(tmp_path, SIZE_PX) as screen, open_studio(tmp_path, screen, plan) as studio:
        devices = ["--camera", studio.address, "--display", "0"]
        rig = str(tmp_path / "rig.json")
        calibrated = run_app(["calibrate", *devices, *FEWER_VIEWS, "-o", rig], screen, studio, tmp_path)
        assert calibrated.code == 0, calibrated.words[-2000:]
        calibrated_s = time.monotonic() - began_s
        records = tmp_path / "records.sqlite"
        command = ["cut", str(plan), "--rig", rig, "--records", str(records), *devices]
        killed = run_app(command, screen, studio, tmp_path, Fingers({"strip_set": "h", "help": "h", "unit": KILL}))
        assert killed.code == -signal.SIGKILL, killed.words[-2000:]
        cut = run_app(command, screen, studio, tmp_path, Fingers({"strip_set": "z"}))
        assert cut.code == 0, cut.words[-2000:]
        truth = studio.ends()
    took_s = time.monotonic() - began_s
    print(f"calibrated in {calibrated_s:.0f} s, cut in {took_s - calibrated_s:.0f} s")
    print(f"lines {truth['line_error_rms_mm']:.3f} mm RMS")
    assert "help" in [shown["scene"] for shown in killed.told("shown")]
    asked = [event for event in cut.told("ask") if event.get("why") == "unfinished"]
    (unit,) = killed.told("unit")  # told when it was on the disk already
    assert [(event["n"], event["of"]) for event in asked] == [(int(unit["counts"]), 2)]
    taken_back = [event for event in cut.told("seen") if event["what"] == "undone"]
    assert [event["done"] for event in taken_back] == [0]
    assert [(unit["n"], unit["of"]) for unit in cut.told("unit")][-1] == (2, 2)
    with closing(open_records(records)) as kept:
        session = next(one for one in kept.sessions() if one.command == "cut")
        entries = kept.entries(session.id)
        assert session.ended is not None
    assert [entry.undone is not None for entry in entries] == [True, *[False] * (len(entries) - 1)]
    assert entries[0].event() == {key: value for key, value in unit.items() if key != "t"}
    errors_mm = np.array([made["light_errors_mm"] for made in truth["cuts"]])
    assert np.abs(errors_mm).max() < LINE_WITHIN_MM
    assert all(shown["caution"] for run in (killed, cut) for shown in run.told("shown") if shown["cut_mat_mm"])

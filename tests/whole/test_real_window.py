"""The app as a user runs it, its window on a real screen and its camera a real stream, nothing mocked between.

Three processes beside this one: the X server, the app, and a table that takes its light from the server's memory
and serves the camera's pictures (generated). The line's error is told by the table's own truth.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest

from tests.whole.screen import WITHOUT_XVFB, XVFB, Screen, open_screen

ROOT = Path(__file__).parents[2]
SIZE_PX = (1280, 720)
needs_xvfb = pytest.mark.skipif(XVFB is None, reason=WITHOUT_XVFB)
PATIENCE_S = 240.0
FEWER_VIEWS = ["--flat-views", "4", "--tilted-views", "3", "--bar", "exact"]  # real time is dear
LINE_WITHIN_MM = 0.5
PLAN = """
name = "one wave"
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
make = 1
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


def run_app(arguments: list[str], screen: Screen, studio: Studio, folder: Path) -> Run:
    """Run a command of the app; its person is the studio's. It is stopped when patience ends."""
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
            events = list(_forwarded(app.stdout, studio))
        stop.cancel()
        words.seek(0)
        return Run(app.returncode, events, words.read())


def _forwarded(lines: IO[str] | None, studio: Studio) -> Iterator[dict[str, Any]]:
    for line in lines or ():
        studio.hears(line)
        yield json.loads(line)


BLINK = """
import sys
from projector.clock import WallClock
from projector.display import PygameDisplay
from projector.latency import measure_latency
from vision.cameras import open_camera
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
def test_the_app_calibrates_and_its_line_lies_where_the_cloth_demands_it(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    began_s = time.monotonic()
    with open_screen(tmp_path, SIZE_PX) as screen, open_studio(tmp_path, screen, plan) as studio:
        devices = ["--camera", studio.address, "--display", "0"]
        rig = str(tmp_path / "rig.json")
        calibrated = run_app(["calibrate", *devices, *FEWER_VIEWS, "-o", rig], screen, studio, tmp_path)
        assert calibrated.code == 0, calibrated.words[-2000:]
        journal = ["--journal", str(tmp_path / "journal.sqlite")]
        cut = run_app(["cut", str(plan), "--rig", rig, *journal, *devices], screen, studio, tmp_path)
        assert cut.code == 0, cut.words[-2000:]
        truth = studio.ends()
    print(f"calibrated and cut in {time.monotonic() - began_s:.0f} s, lines {truth['line_error_rms_mm']:.3f} mm RMS")
    assert [made["purpose"] for made in truth["cuts"]][-1] == "unit"
    errors_mm = np.array([made["light_errors_mm"] for made in truth["cuts"]])
    assert np.abs(errors_mm).max() < LINE_WITHIN_MM
    assert all(shown["caution"] for shown in cut.told("shown") if shown["cut_mat_mm"])
    assert len(cut.told("unit")) == 1

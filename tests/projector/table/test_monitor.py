"""The laptop's window: what it is fed, that it holds nothing up, and that it really shows it. Pictures are made up."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from calibration.pinhole import Lens, Pinhole
from projector.guide.looks import Seen
from projector.table.monitor import EVERY, Monitor
from tests.whole.screen import WITHOUT_XVFB, XVFB, open_screen
from vision.overlay.units import COLOURS
from vision.units import Judged, MeasuredUnit, Verdict

SIZE_PX = (1280, 720)
SMALL_PX = (960, 540)
OUTLINE = np.array([[300.0, 200.0], [500.0, 200.0], [500.0, 350.0], [300.0, 350.0]])
GREY = np.full((SIZE_PX[1], SIZE_PX[0], 3), 70, np.uint8)


def overhead() -> Pinhole:
    """A pixel a millimetre; pixel (x, y) is the mat's (x, 719 - y)."""
    turn = np.diag([1.0, -1.0, -1.0])
    lens = Lens(SIZE_PX, (1000.0, 1000.0), (639.5, 359.5))
    return Pinhole(lens, turn, -turn @ np.array([639.5, 359.5, 1000.0]))


def seen() -> Seen:
    zeros = np.zeros(4)
    return Seen((Judged(MeasuredUnit(OUTLINE, zeros, zeros, zeros, zeros, ()), verdict=Verdict.FITS),))


def counting(folder: Path, delay_s: float = 0.0) -> list[str]:
    """A process in place of the window: it writes down how many whole pictures it was sent."""
    program = (
        "import sys,time;n=0;size=int(sys.argv[1])*int(sys.argv[2])*3\n"
        f"while len(sys.stdin.buffer.read(size))==size:\n n+=1; open({str(folder / 'n')!r},'w').write(str(n)); "
        f"time.sleep({delay_s})"
    )
    return [sys.executable, "-c", program]


def test_outlines_of_what_was_found_are_drawn_on_the_frame(tmp_path: Path) -> None:
    monitor = Monitor(overhead(), 0.0, counting(tmp_path))
    bare, drawn = monitor.drawn(GREY, None), monitor.drawn(GREY, seen())
    monitor.close()
    assert bare.shape == drawn.shape == (SMALL_PX[1], SMALL_PX[0], 3)
    assert (bare == 70).all()
    rows, columns = np.nonzero((drawn != 70).any(axis=2))
    x, y = columns / 0.75, SIZE_PX[1] - 1 - rows / 0.75  # to mm of the mat
    on_outline = np.min([abs(x - 300), abs(x - 500), abs(y - 200), abs(y - 350)], axis=0) < 3
    assert on_outline.mean() > 0.1
    assert (np.abs(drawn.astype(int) - COLOURS[Verdict.FITS]).sum(axis=2) < 90).any()
    assert (GREY == 70).all()  # the frame that is measured stays as it is


def test_a_slow_window_holds_up_nobody_and_gets_whole_pictures(tmp_path: Path) -> None:
    monitor = Monitor(overhead(), 0.0, counting(tmp_path, delay_s=0.5))
    began = time.monotonic()
    for _ in range(40 * EVERY):
        monitor.watches(GREY, GREY)
    assert time.monotonic() - began < 10.0  # 40 pictures would take the window 20 s
    limit = time.monotonic() + 20.0
    while not (tmp_path / "n").exists() and time.monotonic() < limit:
        time.sleep(0.05)
    monitor.close()
    assert not monitor.open
    assert 1 <= int((tmp_path / "n").read_text()) < 20


def test_where_no_window_opens_the_table_goes_on(tmp_path: Path) -> None:
    monitor = Monitor(overhead(), 0.0, [sys.executable, "-c", "import sys; sys.exit(2)"])
    monitor.found(seen())
    for _ in range(30):
        monitor.watches(GREY, GREY)
        time.sleep(0.01)
    monitor.close()
    assert not monitor.open


@pytest.mark.skipif(XVFB is None, reason=WITHOUT_XVFB)
def test_the_window_shows_the_view_on_a_real_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_screen(tmp_path, (1400, 800)) as screen:
        for name, value in screen.environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.delenv("SDL_VIDEODRIVER", raising=False)
        monitor = Monitor(overhead(), 0.0)
        monitor.found(seen())
        limit, lit = time.monotonic() + 30.0, 0
        while lit < SMALL_PX[0] * SMALL_PX[1] // 2 and time.monotonic() < limit:
            monitor.watches(GREY, GREY)
            time.sleep(0.05)
            lit = int((screen.picture() == 70).all(axis=2).sum())
        marked = int((np.abs(screen.picture().astype(int) - COLOURS[Verdict.FITS]).sum(axis=2) < 90).sum())
        monitor.close()
    assert lit > SMALL_PX[0] * SMALL_PX[1] // 2
    assert marked > 100

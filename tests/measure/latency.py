"""From stillness to the verdict, and how many frames the loop misses meanwhile.

    python -m tests.measure.latency [--units 12] [--looks 5] [--fps 30] [--workers at_once thread process]

A camera of 1920x1080 whose pictures were drawn before (a virtual table's, JPEG 93, decoded as they are read), at its
own pace by the wall clock; light 0.12 s from the program to the frame. A frame is missed where the loop is not back
for it. Milliseconds, median and worst of the looks: pictures (two lights and back; here what is done at once counts,
too), measuring beside, drawing what is said. Run it on a quiet machine: the workers share its processors with the loop.
"""

from __future__ import annotations

import argparse
import io
import time
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig import Device, Rig
from projector.guide.looks import Look, Seen
from projector.guide.scene.scenes import Ink, Scene, Words
from projector.light.showing import show
from projector.rehearsal.bench import Lying
from projector.rehearsal.camera.exposure import Film
from projector.rehearsal.camera.view import View, props_of
from projector.rehearsal.setting import setting_of
from projector.seeing.beside import AtOnce, InThread, Worker
from projector.seeing.looking import Seeing
from projector.seeing.measuring import Gauge
from projector.table.clock import WallClock
from projector.table.devices import Disturbed, Pressed, Still, Table, Work
from projector.telling.events import Teller
from tests.measure.lamp import laid_piece, pinhole
from vision.frames.cameras import Frame
from vision.measure import Cloth

Picture = NDArray[np.uint8]
T = TypeVar("T")

LATENCY_S, QUALITY, BANK = 0.12, 93, 4


@dataclass
class Album:
    """Encoded pictures of the mat by what lies there and how it is lit."""

    pictures: dict[tuple[bool, bool], list[Picture]]
    cloth: bool = False
    lit: bool = False


@dataclass
class PacedCamera:
    """Gives the album's pictures at its own pace; counts the frames that nobody was back for."""

    album: Album
    clock: WallClock
    frame_s: float
    last: int = 0
    gaps: list[int] = field(default_factory=list)

    def read(self) -> Frame:
        tick = int(self.clock.now_s() / self.frame_s) + 1
        time.sleep(max(0.0, tick * self.frame_s - self.clock.now_s()))
        self.gaps.append(tick - self.last)
        self.last = tick
        bank = self.album.pictures[self.album.cloth, self.album.lit]
        pixels = cv2.imdecode(bank[tick % len(bank)], cv2.IMREAD_COLOR)
        assert pixels is not None
        return Frame(np.asarray(pixels, np.uint8), tick * self.frame_s)

    def close(self) -> None: ...


@dataclass
class QuickDisplay:
    """Takes a picture as a window does, by its bytes; white switches the album's lamp on."""

    album: Album
    size_px: tuple[int, int] = (1920, 1080)

    def show(self, picture: Picture) -> None:
        self.album.lit = bool(picture.tobytes() and picture[0, 0, 0] > 200)

    def keys(self) -> list[str]:
        return []

    def close(self) -> None: ...


class TimedTable(Table):
    """Notes when the pictures are taken and the light is back, and how many frames had been asked for by then."""

    watched_s, watched_from = 0.0, 0

    def while_at(self, work: Work, as_left: Still) -> Pressed | Disturbed | None:
        assert isinstance(self.camera, PacedCamera)
        self.watched_s, self.watched_from = self.clock.now_s(), len(self.camera.gaps)
        return super().while_at(work, as_left)


class InProcess:
    """For comparison: a process of its own, to which everything is sent."""

    def __init__(self) -> None:
        self._pool = ProcessPoolExecutor(1)

    def __enter__(self) -> InProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()

    def begin(self, do: Callable[[], T]) -> Future[T]:
        return self._pool.submit(do)


WORKERS: dict[str, Callable[[], AbstractContextManager[Worker]]] = {
    "at_once": lambda: nullcontext(AtOnce()),
    "thread": InThread,
    "process": InProcess,
}


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--units", type=int, default=12)
    reader.add_argument("--looks", type=int, default=5)
    reader.add_argument("--fps", type=float, default=30.0)
    reader.add_argument("--workers", nargs="*", default=list(WORKERS), choices=list(WORKERS))
    told = reader.parse_args()
    rig, album = drawn(told.units)
    print("worker\tstill to verdict\tframes\tpictures\tmeasuring\tdrawing\tmissed while measuring\tunits")
    for name in told.workers:
        with WORKERS[name]() as worker:
            print("\t".join([name, *row(rig, album, worker, told.looks, told.fps)]), flush=True)


def row(rig: Rig, album: Album, worker: Worker, looks: int, fps: float) -> list[str]:
    """One worker's figures."""
    clock = WallClock()
    camera = PacedCamera(album, clock, 1.0 / fps)
    table = TimedTable(camera, QuickDisplay(album), clock, Teller(clock, True, io.StringIO(), io.StringIO()))
    table.latency_s = LATENCY_S
    seeing = Seeing(table, Gauge.of(rig, Cloth()), worker)
    table.throw(np.zeros((1080, 1920, 3), np.uint8))
    album.cloth = False
    seeing.take_mat_as_it_is()
    album.cloth = True
    parts, missed, passed, units = [], 0, 0, 0
    for look in range(looks + 1):
        still = table.until_still()
        assert isinstance(still, Still)
        began_s = clock.now_s()
        seen = seeing.look(still, Look("units"))
        assert isinstance(seen, Seen)
        measured_s = clock.now_s()
        show(table, rig, _said(len(seen.cloths)))
        shown_s = clock.now_s() - LATENCY_S
        if look:  # the first one starts the worker
            gaps = camera.gaps[table.watched_from :]
            missed, passed = missed + sum(gap - 1 for gap in gaps), passed + sum(gaps)
            parts.append(
                [shown_s - began_s, table.watched_s - began_s, measured_s - table.watched_s, shown_s - measured_s]
            )
        units = len(seen.cloths)
    whole = np.array(parts) * 1000.0
    texts = [f"{np.median(one):.0f}, {one.max():.0f}" for one in whole.T]
    frames = f"{np.median(whole[:, 0]) * fps / 1000.0:.1f}, {whole[:, 0].max() * fps / 1000.0:.1f}"
    return [texts[0], frames, *texts[1:], f"{missed} of {passed} ({missed / max(passed, 1):.0%})", str(units)]


def _said(count: int) -> Scene:
    return Scene("said", tuple(Words("3 1/2 in, fits", (120.0 + 60.0 * k, 90.0), 10.0, Ink.GOOD) for k in range(count)))


def drawn(units: int) -> tuple[Rig, Album]:
    """A virtual table's rig, exact, and its pictures."""
    setting = setting_of(1)
    view = View(setting, props_of(setting, None, np.random.default_rng(3), np.random.default_rng(6)))
    film, rng = Film(setting.sensor, setting.camera.size_px, np.random.default_rng(4)), np.random.default_rng(1)
    pieces = tuple(laid_piece(("cream", "red", "navy", "white")[k % 4], k, rng) for k in range(units))
    banks: dict[tuple[bool, bool], list[Picture]] = {}
    for cloth in (False, True):
        for lit in (False, True):
            light = np.full((*setting.projector.size_px[::-1], 3), 255 if lit else 0, np.uint8)
            developed = film.develop(view.linear(Lying(pieces if cloth else ()), light))
            banks[cloth, lit] = [_jpeg(film.expose(developed)) for _ in range(BANK)]
    area = np.array([[20.0, 20.0], [890.0, 20.0], [890.0, 590.0], [20.0, 590.0]])
    camera, lamp = (Device(pinhole(one), np.zeros((15, 15)), 0.1) for one in (setting.camera, setting.projector))
    return Rig(camera, lamp, 0.0002, area, datetime(2026, 1, 1)), Album(banks)


def _jpeg(picture: Picture) -> Picture:
    return np.asarray(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1])


if __name__ == "__main__":
    main()

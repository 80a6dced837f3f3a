"""On the laptop's own screen the camera's view with what was found in it, for whoever looks over a shoulder.

The window belongs to a process of its own, as one process has one screen; pictures go to it through a pipe, the newest
only, from a thread: however slow the window is, the table waits for nothing. Run as a module it is that process.
"""

from __future__ import annotations

import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import IO

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from projector.guide.looks import Seen
from projector.light.display import DisplayError, WindowDisplay
from projector.light.lighting import Measured, outlines_of
from vision.overlay.units import COLOURS, draw_line, draw_units

Picture = NDArray[np.uint8]

WIDE_PX = 960
EVERY = 3  # frames between two pictures
TITLE = "chalkbeam: what the camera sees"


class Monitor:
    """Shows frames with outlines in a window. It is a watcher of the table; `found` tells it what was measured."""

    def __init__(
        self,
        camera: Pinhole,
        height_mm: float,
        command: Sequence[str] = (sys.executable, "-m", "projector.table.monitor"),
    ) -> None:
        self._camera, self._height_mm = camera, height_mm
        width, height = camera.lens.size_px
        self._size = (min(WIDE_PX, width), round(height * min(WIDE_PX, width) / width))
        self._seen: Measured | None = None
        self._count = 0
        self._pictures: queue.Queue[Callable[[], Picture] | None] = queue.Queue(1)
        self._window = subprocess.Popen([*command, *map(str, self._size)], stdin=subprocess.PIPE, bufsize=0)
        self._thread = threading.Thread(target=self._feed, name="monitor", daemon=True)
        self._thread.start()

    @property
    def open(self) -> bool:
        """Whether the window is there."""
        return self._window.poll() is None

    def found(self, seen: Measured) -> None:
        """What was measured last: its outlines are drawn from now on."""
        self._seen = seen

    def watches(self, seen: Picture, _: Picture) -> None:
        """Take one frame in some; where the last is still being drawn it is left out."""
        self._count += 1
        if self._count % EVERY or not self.open:
            return
        measured = self._seen
        if self._pictures.empty():
            self._pictures.put_nowait(lambda: self.drawn(seen, measured))

    def drawn(self, pixels: Picture, measured: Measured | None) -> Picture:
        """A frame as the window shows it: outlines, and what is said of each unit."""
        if isinstance(measured, Seen):
            pixels = draw_units(pixels, self._camera, self._height_mm, measured.cloths)
        elif measured is not None:
            pixels = pixels.copy()
            for outline in outlines_of(measured):
                outline_px = self._camera.px_from_mat(outline, self._height_mm)
                draw_line(pixels, outline_px, True, COLOURS[None], max(1.0, pixels.shape[1] / 1920))
        return np.asarray(cv2.resize(pixels, self._size, interpolation=cv2.INTER_AREA), np.uint8)

    def close(self) -> None:
        """Close the window."""
        self._window.terminate()
        with suppress(queue.Full):  # whatever is still drawn ends at the closed pipe
            self._pictures.put_nowait(None)
        self._thread.join(timeout=2.0)
        self._window.wait(timeout=5.0)

    def _feed(self) -> None:
        pipe = self._window.stdin
        if pipe is None:
            return
        with pipe, suppress(OSError):  # where the person closed the window the table goes on
            while (draw := self._pictures.get()) is not None:
                left = memoryview(np.ascontiguousarray(draw()).tobytes())
                while left:
                    left = left[pipe.write(left) :]


def show_from(stream: IO[bytes], size_px: tuple[int, int]) -> None:
    """Show picture after picture of a stream, until it ends or the window is closed. Raises DisplayError."""
    window = WindowDisplay(size_px, TITLE)
    length = size_px[0] * size_px[1] * 3
    while len(data := stream.read(length)) == length:
        window.show(np.frombuffer(data, np.uint8).reshape(size_px[1], size_px[0], 3))
        if {"q", "escape"} & set(window.keys()):
            break
    window.close()


def main() -> int:
    """The window's own process."""
    try:
        show_from(sys.stdin.buffer, (int(sys.argv[1]), int(sys.argv[2])))
    except DisplayError as error:
        print(f"monitor: {error}; the table goes on without it", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())

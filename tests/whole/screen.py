"""A screen of its own for a test: Xvfb, and a reader of what really is on it."""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

XVFB = shutil.which("Xvfb")
XDOTOOL = shutil.which("xdotool")
WITHOUT_XDOTOOL = "xdotool is missing: apt-get install xdotool, then real keys are pressed too"
WITHOUT_XVFB = "Xvfb is missing: apt-get install xvfb, then the real window is tested too"
COLOUR_CELL_BYTES = 12  # of an XWD file: uint32 pixel, 3 x uint16, 2 x uint8
FIELDS = {"header_size": 0, "version": 1, "width": 4, "height": 5, "byte_order": 7}
FIELDS |= {"bits_per_pixel": 11, "bytes_per_line": 12, "colours": 19}


def read_xwd(data: bytes | mmap.mmap) -> NDArray[np.uint8]:
    """The picture (height, width, 3), blue green red, in an X window dump of 32 bits a pixel, little-endian.

    Source: XWDFile.h of the X Consortium, XWDFileHeader, version 7: 25 big-endian uint32.
    """
    words = struct.unpack(">25I", data[:100])
    head = {name: words[at] for name, at in FIELDS.items()}
    if (head["version"], head["bits_per_pixel"], head["byte_order"]) != (7, 32, 0):
        raise ValueError(f"not an X window dump of this kind: {head}")
    start = head["header_size"] + COLOUR_CELL_BYTES * head["colours"]
    size = head["bytes_per_line"] * head["height"]
    rows = np.frombuffer(data[start : start + size], np.uint8).reshape(head["height"], -1, 4)
    return rows[:, : head["width"], :3]


@dataclass(frozen=True)
class Screen:
    """A running X server: its display name, and the file that mirrors its memory."""

    display: str
    memory: Path

    @property
    def environment(self) -> dict[str, str]:
        """For a child process that shall open its window here."""
        keep = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
        return keep | {"DISPLAY": self.display}

    def press(self, key: str) -> None:
        """Press and release a key in the window that fills the screen, as a keyboard does (xdotool, XTEST)."""
        subprocess.run([str(XDOTOOL), "key", key], env=self.environment, check=True, timeout=10)

    def picture(self) -> NDArray[np.uint8]:
        """What is on the screen now."""
        with self.memory.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as memory:
            return read_xwd(memory)


@contextmanager
def open_screen(folder: Path, size_px: tuple[int, int]) -> Iterator[Screen]:
    """Start Xvfb with one screen; it picks a free display number and says it (`-displayfd`)."""
    hears, says = os.pipe()
    size = "{}x{}x24".format(*size_px)
    command = [str(XVFB), "-screen", "0", size, "-fbdir", str(folder), "-displayfd", str(says)]
    with (folder / "xvfb.log").open("wb") as log:
        server = subprocess.Popen([*command, "-nolisten", "tcp"], pass_fds=[says], stderr=log)
    os.close(says)
    try:
        with os.fdopen(hears) as heard:
            number = heard.readline().strip()
        if not number:
            raise RuntimeError(f"Xvfb did not start: {(folder / 'xvfb.log').read_text()}")
        yield Screen(f":{number}", folder / "Xvfb_screen0")
    finally:
        server.terminate()
        server.wait(timeout=10)

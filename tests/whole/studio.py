"""A table in a process of its own: takes what is really on a screen as the projector's light, serves the camera.

    python -m tests.whole.studio --screen FILE --plan PLAN --seed 1 --score SCORE < events

The first line on standard output is the camera's address. Event lines of the app (`--json`) on standard input
are what its virtual person hears. When they end, the truth of the cuts is written to SCORE as JSON.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Board, picture
from projector.piecing.planfile import load_plan
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.truth import Truth
from projector.rehearsal.world import VirtualTable, virtual_table
from tests.whole.screen import read_xwd
from tests.whole.streaming import Stream

SHEET_PX_PER_MM = 4.0
# Real time is dear: a small picture that comes often keeps every wait for light short. JPEG is as fine as a camera's of
# twice the size, whose noise a block of the small picture for stillness averages out.
CAMERA_PX, RATE_HZ, JPEG_QUALITY = (1280, 720), 15.0, 98
QUIET_S = 0.02


class Studio:
    """Moves a virtual table in real time: light from a screen's memory, pictures for a stream."""

    def __init__(self, table: VirtualTable, screen: Path) -> None:
        self._table, self._screen = table, screen
        self._began_s = time.monotonic()
        self._lock = threading.Lock()  # the table is told one thing at a time, in the order of time
        self._dump = b""  # the screen's memory as it was when it was last looked at

    def frame(self) -> NDArray[np.uint8]:
        """What the camera sees now."""
        with self._lock:
            self._throw_light()
            return self._table.frame(self._now_s())

    def hears(self, event: Mapping[str, Any]) -> None:
        """Let the person hear an event of the app, after the light that was on by then."""
        with self._lock:
            self._throw_light()
            self._table.hears(event, self._now_s())

    def close(self) -> Truth:
        with self._lock:
            return self._table.close()

    def _now_s(self) -> float:
        return time.monotonic() - self._began_s

    def _throw_light(self) -> None:
        """Project what is on the screen if it has changed; a picture that is just being drawn is waited for."""
        dump = self._screen.read_bytes()
        while dump != self._dump:
            self._dump = dump
            time.sleep(QUIET_S)
            dump = self._screen.read_bytes()
            if dump == self._dump:
                self._table.project(np.ascontiguousarray(read_xwd(dump)), self._now_s())


def score(truth: Truth) -> dict[str, object]:
    """What a test may compare with, plain."""
    return {
        "line_error_rms_mm": truth.line_error_rms_mm,
        "cuts": [
            {
                "purpose": cut.purpose,
                "unit": cut.unit,
                "light_mat_mm": cut.light_mat_mm.tolist(),
                "demanded_mat_mm": cut.demanded_mat_mm.tolist(),
                "light_errors_mm": cut.light_errors_mm.tolist(),
            }
            for cut in truth.cuts
        ],
        "sheets": len(truth.sheets),
        "units": len(truth.units),
    }


def printed_sheet() -> PrintedSheet:
    """The printed sheet, handed in as a picture with its size."""
    printed = picture(Board(), SHEET_PX_PER_MM)
    return PrintedSheet(printed.pixels, *printed.size_mm, printed.margin_mm)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--screen", type=Path, required=True)
    reader.add_argument("--plan", type=Path, required=True)
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--score", type=Path, required=True)
    told = reader.parse_args()
    size_px = read_xwd(told.screen.read_bytes()).shape[1::-1]
    work = work_of(load_plan(told.plan), printed_sheet())
    table = virtual_table(told.seed, work, CAMERA_PX, (size_px[0], size_px[1]))
    studio = Studio(table, told.screen)
    stream = Stream(studio.frame, RATE_HZ, JPEG_QUALITY)
    print(stream.address, flush=True)
    for line in sys.stdin:
        studio.hears(json.loads(line))
    stream.close()
    told.score.write_text(json.dumps(score(studio.close()), indent=1))


if __name__ == "__main__":
    main()

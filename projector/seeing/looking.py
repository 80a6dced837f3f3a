"""One look at the mat: pictures under the lamp, measured beside the light, dropped if the scene did not stay."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from projector.guide.looks import Look, MatCleared, Seen
from projector.seeing.answers import Measured
from projector.seeing.beside import Worker
from projector.seeing.measuring import Gauge
from projector.seeing.taking import Picture, Taken, take
from projector.table.devices import Disturbed, Pressed, Still, Table
from vision.lamplight.surfaces import surface_colours

EMPTY_FRAMES = 16  # averaged under the lamp for the mat's picture, which all else is held against
FRAMES = 4  # averaged for cloth
LONGER = 16  # where noise leaves a cloth's sides unsure: half as much of it


@dataclass(frozen=True, slots=True)
class NotClear:
    """Something lies on the mat that should be bare."""


Looked = MatCleared | Measured | NotClear | Disturbed | Pressed


class Seeing:
    """Looks at the mat under the lamp. The bare mat's own picture, once taken, is kept as the reference."""

    def __init__(
        self, table: Table, gauge: Gauge, worker: Worker, beheld: Callable[[Taken], object] = lambda _: None
    ) -> None:
        """`beheld` is shown all that is taken, whether it is measured or dropped."""
        self._table, self._gauge, self._worker, self._beheld = table, gauge, worker, beheld
        self._latest: Taken | None = None

    @property
    def latest(self) -> Picture:
        """The last picture that something was measured in."""
        if self._latest is None:
            raise ValueError("nothing was looked at yet")
        return self._latest.latest

    def look(self, as_left: Still, wanted: Look) -> Looked:
        """What lies on a mat that looks `as_left`; first of all whether it is bare."""
        if self._gauge.mat is None:
            return self._look_at_bare_mat(as_left)
        seen = self._look_at_cloth(as_left, wanted, FRAMES)
        return self._look_at_cloth(as_left, wanted, LONGER) if _is_unsure(seen) else seen

    def _look_at_cloth(self, as_left: Still, wanted: Look, frames: int) -> Looked:
        taken, gauge = self._take(frames), self._gauge
        if not taken.steady:
            return Disturbed()
        work = self._worker.begin(partial(gauge.answer, taken, wanted))
        return self._table.while_at(work, as_left) or work.result()

    def surfaces(self, outlines_mat_mm: Sequence[NDArray[np.float64]]) -> NDArray[np.float64] | None:
        """Colours of the mat and of cloths in the last picture (`surface_colours`); None where they are not known."""
        rig, mat = self._gauge.rig, self._gauge.mat
        if mat is None or rig.mat_over_paper is None or self._latest is None:
            return None
        lit, unlit, height_mm = self._latest.lit[-1], self._latest.dark[-1], self._gauge.cloth.height_mm
        camera = rig.camera.pinhole
        return surface_colours(lit, unlit, mat, camera, outlines_mat_mm, height_mm, rig.mat_over_paper, rig.tone)

    def take_mat_as_it_is(self) -> None:
        """Keep the mat's picture though something seems to lie on it: the person says that it is bare."""
        self._gauge = self._gauge.with_mat(self._take(EMPTY_FRAMES))

    def _look_at_bare_mat(self, as_left: Still) -> Looked:
        taken, gauge = self._take(EMPTY_FRAMES), self._gauge
        if not taken.steady:
            return Disturbed()
        work = self._worker.begin(lambda: gauge.with_mat(taken) if gauge.is_bare(taken) else None)
        stopped = self._table.while_at(work, as_left)
        if stopped is not None:
            return stopped
        with_mat = work.result()
        if with_mat is None:
            return NotClear()
        self._gauge = with_mat
        return MatCleared()

    def _take(self, frames: int) -> Taken:
        self._latest = take(self._table, frames)
        self._beheld(self._latest)
        return self._latest


def _is_unsure(seen: Looked) -> bool:
    """Whether a longer look may tell more: a cloth is there whose sides could be measured, but not well enough."""
    return isinstance(seen, Seen) and any(cloth.unit.trouble == "unsure" for cloth in seen.cloths)

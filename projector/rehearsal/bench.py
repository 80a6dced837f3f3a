"""What happens on the table, in time: pictures handed to the projector, what lies there, the hand that
reaches in.

Times are seconds, never earlier than the last one told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.things.cloth import Piece
from projector.rehearsal.things.sheet import SheetPose

Picture = NDArray[np.uint8]
T = TypeVar("T")

KEPT_S = 2.0  # what is older than this is forgotten


@dataclass(frozen=True, eq=False, slots=True)
class Lying:
    """What lies on the mat."""

    pieces: tuple[Piece, ...] = ()
    sheet: SheetPose | None = None


@dataclass(frozen=True, slots=True)
class Reach:
    """A hand that goes in from the near edge, and out again."""

    start_s: float
    end_s: float
    to_mat_mm: tuple[float, float]

    def depth(self, t_s: float) -> float:
        """0 outside, 1 at its goal."""
        part = (t_s - self.start_s) / (self.end_s - self.start_s)
        return float(np.clip(3.0 * min(part, 1.0 - part), 0.0, 1.0)) if 0.0 < part < 1.0 else 0.0


class Bench:
    """The table's short memory."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        dark = np.zeros((size_px[1], size_px[0], 3), np.uint8)
        self._size_px = size_px
        self._pictures: list[tuple[float, Picture]] = [(-np.inf, dark)]
        self._lying: list[tuple[float, Lying]] = [(-np.inf, Lying())]
        self._reaches: list[Reach] = []

    def project(self, picture: Picture, t_s: float) -> None:
        """The projector shows this from `t_s` on. The same picture again changes nothing."""
        if picture.shape != (self._size_px[1], self._size_px[0], 3) or picture.dtype != np.uint8:
            raise ValueError(f"a picture is {self._size_px[1]} x {self._size_px[0]} x 3 uint8, not {picture.shape}")
        if not np.array_equal(picture, self._pictures[-1][1]):
            self._pictures.append((t_s, picture.copy()))

    def lay(self, lying: Lying, t_s: float) -> None:
        """From `t_s` on this lies there."""
        self._lying.append((t_s, lying))

    def reach(self, reach: Reach) -> None:
        self._reaches.append(reach)

    @property
    def lying(self) -> Lying:
        """What lies there now."""
        return self._lying[-1][1]

    def lying_at(self, t_s: float) -> Lying:
        return next(what for since, what in reversed(self._lying) if since <= t_s)

    def picture_at(self, t_s: float) -> Picture:
        return next(what for since, what in reversed(self._pictures) if since <= t_s)

    def pictures_during(self, start_s: float, end_s: float) -> list[tuple[float, Picture]]:
        """The pictures in the light between two times, each with its share of it."""
        spans = self.pictures_between(start_s, end_s)
        return [(float((until - since) / (end_s - start_s)), picture) for since, until, picture in spans]

    def pictures_between(self, start_s: float, end_s: float) -> list[tuple[float, float, Picture]]:
        """The pictures in the light between two times, each from when and until when."""
        ends = [since for since, _ in self._pictures[1:]] + [np.inf]
        spans = [
            (max(since, start_s), min(until, end_s), picture)
            for (since, picture), until in zip(self._pictures, ends, strict=True)
        ]
        return [span for span in spans if span[1] - span[0] > 1e-6 * (end_s - start_s)]

    def hand_at(self, t_s: float) -> tuple[Reach, float] | None:
        """The hand in the picture, and how far in it is."""
        return next(((r, r.depth(t_s)) for r in self._reaches if r.depth(t_s) > 0.0), None)

    def forget(self, before_s: float) -> None:
        """Drop what ended before that."""
        self._pictures = _since(self._pictures, before_s - KEPT_S)
        self._lying = _since(self._lying, before_s - KEPT_S)
        self._reaches = [r for r in self._reaches if r.end_s > before_s - KEPT_S]


def _since(entries: list[tuple[float, T]], t_s: float) -> list[tuple[float, T]]:
    """Entries from the last one at or before `t_s` on."""
    last = max(i for i, (since, _) in enumerate(entries) if since <= t_s)
    return entries[last:]

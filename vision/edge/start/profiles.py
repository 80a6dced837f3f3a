"""How luma runs across straight parts of cloth's rim, before anything is fitted: averaged along them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.start.crossing import BIN_PX, BINS, FIRST_PX, LAST_PX, LEAST_PX, crossing_of
from vision.finding.mat import Scene
from vision.finding.regions import Region
from vision.light import BGR_OF_LEVELS
from vision.polygons import sides_of, signed_area

Floats = NDArray[np.float64]

CENTRES_PX = np.arange(FIRST_PX + BIN_PX / 2.0, LAST_PX, BIN_PX)
STRAIGHT_PX = 2.0  # so far a contour runs from a straight part of it
BESIDE_PX = 20  # more than is looked at to both sides
ENDS_PX = 12.0  # left out: there is a corner
SWING = 0.1  # of its step: what cameras that sharpen strongly make an edge swing over, before the range ends
FULL = 0.985  # of the encoded range: at it or above, a channel tells no level


@dataclass(frozen=True, eq=False, slots=True)
class Profiles:
    """Luma, encoded and 0 to 1, across S straight edges at `CENTRES_PX` outward of each, cloth inside."""

    luma: Floats  # (S, K)
    variance: Floats  # (S, K) of it, from how pixels scatter along the edge
    cloth: Floats  # (S, 3) encoded blue green red well inside
    mat: Floats  # (S, 3) of the bare mat beside it

    @property
    def step(self) -> Floats:
        """(S,) of luma, from the mat to the cloth."""
        return np.asarray((self.cloth - self.mat) @ YCC_OF_BGR[0])


def profiles_of(scene: Scene, parts: Floats, encoder: Encoder, most_px: int) -> Profiles:
    """Of those straight `parts` of rims (P, 2, 2) that stand out from the mat, so many px of each.

    What a camera does at an edge does not show where the range of its numbers ends: white and black cloth are left out.
    """
    tables = BGR_OF_LEVELS, YCC_OF_BGR[0], encoder.steps[0]
    crossed = []
    for part in parts:
        box = _box_about(part, most_px)
        crossed.append(crossing_of(scene.seen.about(box), scene.mat.about(box), part, most_px, *tables))
    found = np.array([one for one in crossed if len(one)]).reshape(-1, 2 * BINS + 6)
    luma, variance, cloth, mat = np.split(found, [BINS, 2 * BINS, 2 * BINS + 3], axis=1)
    over = cloth + SWING * (cloth - mat)
    room = np.all((over < FULL) & (over > 1.0 - FULL), axis=1)
    return Profiles(luma[room], variance[room], cloth[room], mat[room])


def _box_about(part: Floats, most_px: int) -> tuple[slice, slice]:
    """Rows and columns about so many px of a part (2, 2), from the end on that `crossing_of` begins at."""
    way = part[1] - part[0]
    major = int(abs(way[1]) > abs(way[0]))
    start = part[0] if way[major] > 0.0 else part[1]
    end = start + (part.sum(axis=0) - 2.0 * start) * min(1.0, most_px / abs(float(way[major])))
    low, high = np.floor(np.minimum(start, end)).astype(int), np.ceil(np.maximum(start, end)).astype(int)
    rows, columns = (slice(low[k] - BESIDE_PX, high[k] + BESIDE_PX) for k in (1, 0))
    return rows, columns


def straight_parts(regions: Sequence[Region]) -> Floats:
    """(P, 2, 2) the ends in px of all straight parts of rims, clear of corners, the longest first.

    All run the same way around their cloth.
    """
    parts = np.concatenate([np.empty((0, 2, 2)), *(_parts_of(region) for region in regions)])
    way = parts[:, 1] - parts[:, 0]
    return np.asarray(parts[np.argsort(-np.hypot(way[:, 0], way[:, 1]), kind="stable")])


def _parts_of(region: Region) -> Floats:
    if len(region.contour_px) < 3:
        return np.empty((0, 2, 2))
    rim = cv2.approxPolyDP(region.contour_px.astype(np.float32)[:, None], STRAIGHT_PX, True)[:, 0].astype(np.float64)
    rim = rim if signed_area(rim) > 0.0 else rim[::-1]
    way = sides_of(rim)
    length = np.hypot(way[:, 0], way[:, 1])
    long = length - 2.0 * ENDS_PX >= LEAST_PX
    shares = ENDS_PX / length[long, None] * np.array([1.0, -1.0])  # of a side, inward from its ends
    ends = rim[long, None] + way[long, None] * np.array([[0.0], [1.0]])
    return np.asarray(ends + shares[..., None] * way[long, None])

"""The light about the tip of a wedge of one fabric on another, pixel by pixel: a compiled loop.

At `a` and `b` px outside the wedge's two edges its share of a pixel is the chance that a point shaken by the blur s
lies inside both: Phi(-a / s) Phi(-b / s) where they meet at right angles, else the bivariate normal integral of their
normals' correlation (its tetrachoric series; slopes are exact). Channels are those of `seamlight`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.seamlight import Camera, Seen, lights_of, normal_at, written_light

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WEDGE_UNKNOWNS = 6  # offset and turn of either edge, blur of luma, the colours' further one
FAR = 4.0  # standard deviations outside or inside an edge: the other one alone decides


class WedgePlaces(NamedTuple):
    """N pixels about a wedge."""

    across_px: Floats  # (2, N) outward of the start edges
    lever_px: Floats  # (2, N) along them, from their middles
    bin: Ints  # (N,)
    together: float  # correlation of the blur's shake across both edges: the normals' dot product


@compiled
def share_of(a: float, b: float, blur: float, together: float, normal: Floats) -> tuple[float, float, float]:
    """The wedge's share at `a` and `b` px outside its edges, and its slopes by both."""
    h, k = -a / blur, -b / blur
    of_a, dense_a = normal_at(h, normal)
    of_b, dense_b = normal_at(k, normal)
    if abs(h) > FAR or abs(k) > FAR:
        return of_a * of_b, -dense_a * of_b / blur, -dense_b * of_a / blur
    series = 1.0 + together * h * k / 2.0 + together**2 * (h * h - 1.0) * (k * k - 1.0) / 6.0
    root = math.sqrt(1.0 - together**2)
    past_a = normal_at((k - together * h) / root, normal)[0]
    past_b = normal_at((h - together * k) / root, normal)[0]
    share = of_a * of_b + together * dense_a * dense_b * series
    return share, -dense_a * past_a / blur, -dense_b * past_b / blur


@compiled
def wedge_seen(places: WedgePlaces, unknown: Floats, levels: Floats, camera: Camera) -> Seen:
    """The pixels at some unknowns (6,) and levels (2, 3, B); `camera` has the reaches of a blur of 1 px."""
    many = len(places.bin)
    light, steep = lights_of(levels, camera)
    seen, slopes = np.zeros((3, many)), np.zeros((WEDGE_UNKNOWNS, 3, many))
    by_level, shares, encoded = np.zeros((2, 3, many)), np.zeros((2, many)), np.empty(3)
    steepness, by, blur = np.empty(3), np.empty(WEDGE_UNKNOWNS), unknown[4]
    for i in range(many):
        bin, right, left = places.bin[i], places.lever_px[0, i], places.lever_px[1, i]
        a = places.across_px[0, i] - unknown[0] - unknown[1] * right
        b = places.across_px[1, i] - unknown[2] - unknown[3] * left
        for r in range(len(camera.reaches_px)):
            reach, part = camera.reaches_px[r], camera.parts[r]
            away_a, away_b = a + unknown[5] * reach, b - unknown[5] * reach
            share, by_a, by_b = share_of(away_a, away_b, blur, places.together, camera.normal)
            by[0], by[1], by[2], by[3] = -by_a, -by_a * right, -by_b, -by_b * left
            by[4], by[5] = -(away_a * by_a + away_b * by_b) / blur, reach * (by_a - by_b)
            inner, outer = 0.0, 0.0
            for c in range(3):
                f, g = light[0, c, bin], light[1, c, bin]
                encoded[c], slope = written_light(g + share * (f - g), camera)
                steepness[c] = slope * (f - g)
                inner += camera.ycc_of[0, c] * slope / steep[0, c, bin]
                outer += camera.ycc_of[0, c] * slope / steep[1, c, bin]
            # Luma is seen at the place itself, colours also at places to both sides.
            for row in range(0 if r == 0 else 1, 3):
                count, value, step = 1.0 if row == 0 else part, 0.0, 0.0
                for c in range(3):
                    value += camera.ycc_of[row, c] * encoded[c]
                    step += camera.ycc_of[row, c] * steepness[c]
                seen[row, i] += count * value
                for x in range(WEDGE_UNKNOWNS if row else 5):
                    slopes[x, row, i] += count * step * by[x]
                by_level[0, row, i] += count * share * inner
                by_level[1, row, i] += count * (1.0 - share) * outer
            shares[1, i] += part * share
            if r == 0:
                shares[0, i] = share
    return Seen(seen, slopes, by_level, shares)

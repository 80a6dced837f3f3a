"""Where an edge truly lies of cloth or mat that is brighter than the camera can tell: its light is cut off at the top.

Such cloth seems less bright than it is, and pixels that see a little less of it seem to be all cloth: the edge seems
to lie outward, by a twentieth of a pixel and more; beside such a mat inward. How much brighter it is, nothing but the
edge itself can tell: its rise is then too steep at the dark end and broken off at the top. So the mean rise across the
side is fitted twice, with light just as bright as the camera can tell and with brighter light; the difference of the
two places is what the edge has to move. What else there is (shadow, wall) is the same in both and cancels, about.
Light falls off over a table, and a side has more fabrics than one: each part of a side is asked by itself.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.compiled import compiled
from vision.edge.model.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder, encoded_bgr
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.telling import steps_of
from vision.edge.pixels.windows import Window
from vision.edge.weighing import MODEL_ERROR as WRONG

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FULL = 0.985  # of the encoded range: at it or above, a channel tells no level
MOSTLY = 0.5  # of the pixels well inside
INSIDE_PX, FROM_PX, TO_PX, BIN_PX = 2.0, -4.0, 4.0, 0.25
BRIGHTER = math.log(2.5) * np.linspace(0.0, 1.0, 12) ** 2  # log of how many times as bright as the camera can tell
SPACING = np.gradient(BRIGHTER)
BRIGHTER_U = math.log(1.5)  # exposures are off by half a stop and more
BLUR_U = 0.3  # of its log: where all cloth is too bright, the picture's blur is told too small by as much
MODEL_ERROR = 0.01  # of the step: what the blur's shape does not know
STEPS, MOST_PX = 5, 0.5
PART_PX, MOST_PARTS = 60.0, 6  # along a side
PARTLY = 0.1  # of its pixels: parts of it may be too bright
FEWEST = 8  # steps of the rise that pixels show: rows of them, where it runs along the picture


def full_shares(window: Window) -> Floats:
    """(S, 2, 3): of how many pixels of the cloth, and of the mat, beside each line a channel is too bright to tell."""
    many, full = pixels_full(window.across_px, window.seen, window.side, window.count)
    return np.asarray(full / np.maximum(many, 1.0)[..., None])


@compiled
def pixels_full(across_px: Floats, seen: Singles, side: Ints, count: int) -> tuple[Floats, Floats]:
    """Of `count` sides' pixels, `seen` (3, N) encoded, how many lie well inside and outside (S, 2), and how many of
    these are full in each channel (S, 2, 3)."""
    many, full = np.zeros((count, 2)), np.zeros((count, 2, 3))
    for i in range(len(side)):
        if abs(across_px[i]) > INSIDE_PX:
            s, k = side[i], 1 if across_px[i] > 0.0 else 0
            many[s, k] += 1.0
            for c in range(3):
                full[s, k, c] += encoded_bgr(seen[0, i], seen[1, i], seen[2, i], c) >= FULL
    return many, full


def moved_px(window: Window, noise: Noise, encoder: Encoder, blur_px: Floats, full: Floats) -> tuple[Floats, Floats]:
    """(S, 2) each: by how much to move the lines of overexposed sides outward and to turn them (outward px a px ahead),
    and the standard uncertainty of both; 0 where nothing is cut off.

    `blur_px` (S,) is that of the fit, `full` what is of `full_shares`.
    """
    moves, u, reach = np.zeros((window.count, 2)), np.zeros((window.count, 2)), window.reach_px()
    for s in np.flatnonzero((full > PARTLY).any(axis=(1, 2))):
        parts = int(np.clip(round(2.0 * reach[s] / PART_PX), 1, MOST_PARTS))
        run = window.runs[s]
        share = np.clip((window.along_px[run] / reach[s] + 1.0) / 2.0, 0.0, 1.0 - 1e-9)
        part, away = (share * parts).astype(np.int64), np.zeros((parts, 2))
        many, bright = pixels_full(window.across_px[run], window.seen[:, run], part, parts)
        for k in range(parts):
            cut_off = bright[k] > MOSTLY * many[k, :, None]
            of_part = run.start + np.flatnonzero(part == k)
            rise = _Rise.of(window, of_part, noise, encoder, cut_off) if cut_off.any() else None
            if rise is not None:
                away[k] = rise.moved(encoder, float(blur_px[s]))
        places = reach[s] * ((2.0 * np.arange(parts) + 1.0) / parts - 1.0)
        steps = np.abs(steps_of(window.across_px[run], window.seen[:, run], part, parts)[0])
        line = _line(places, 1.0 / ((noise.sd[0] / np.maximum(steps, noise.sd[0])) ** 2 + WRONG**2))
        # How bright the light is that was cut off is one thing all along: parts err together. But whether a part is too
        # bright is a yes or no, and a turn may come of nothing else.
        (moves[s, 0], u[s, 0]), (moves[s, 1], u[s, 1]) = line @ away
        u[s, 1] = math.hypot(u[s, 1], moves[s, 1])
    return moves, np.abs(u)


def _line(places: Floats, weights: Floats) -> Floats:
    """(2, K) by which K values at places become a straight line's value at 0 and its slope, by least squares."""
    if len(places) < 2:
        return np.array([[1.0], [0.0]])
    basis = np.stack([np.ones(len(places)), places])
    return np.asarray(np.linalg.solve((basis * weights) @ basis.T, basis * weights), np.float64)


class _Rise:
    """The mean encoded luma across one side, from cloth to mat, in K steps."""

    def __init__(self, across_px: Floats, luma: Floats, mat: Floats, cloth: Floats, full: Bools, u: Floats) -> None:
        self.across_px, self.luma, self.mat, self.cloth, self.full, self.u = across_px, luma, mat, cloth, full, u

    @staticmethod
    def of(window: Window, run: Ints, noise: Noise, encoder: Encoder, full: Bools) -> _Rise | None:
        across, seen, bare = window.across_px[run], window.seen[:, run], window.bare[:, run]
        near = (across > FROM_PX) & (across < TO_PX)
        many = round((TO_PX - FROM_PX) / BIN_PX)
        place = np.clip(((across[near] - FROM_PX) / BIN_PX).astype(np.int64), 0, many - 1)
        count = np.bincount(place, minlength=many)
        inside, outside = across < -INSIDE_PX, across > INSIDE_PX
        shown = count > 0
        if np.count_nonzero(shown) < FEWEST or not inside.any() or not outside.any():
            return None

        def mean(values: Floats) -> Floats:
            return np.asarray((np.bincount(place, values[near], many) / np.maximum(count, 1))[shown])

        luma = mean(seen[0])
        cloth = encoder.decode(BGR_OF_YCC @ seen[:, inside].mean(axis=1))
        light = encoder.decode(BGR_OF_YCC @ seen[:, outside])
        gain = light.sum(axis=1) / np.maximum(bare[:, outside].sum(axis=1), 1e-6)
        mat = np.stack([mean(gain[c] * bare[c]) for c in range(3)])
        u = np.hypot(noise.sd[0] * np.sqrt(noise.together[0] / count[shown]), MODEL_ERROR * abs(luma[0] - luma[-1]))
        return _Rise(mean(across), luma, mat, np.where(full[0], 1.0, cloth), full, u)

    def moved(self, encoder: Encoder, blur_px: float) -> tuple[float, float]:
        """Mean and spread of the difference, over all that the light cut off may be (a grid of its posterior)."""
        places, cost = self._fitted(encoder, blur_px)
        cost = cost + (BRIGHTER / BRIGHTER_U) ** 2
        weight = SPACING * np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        away = places - places[0]
        mean = float(weight @ away)
        return mean, math.sqrt(float(weight @ (away - mean) ** 2))

    def _fitted(self, encoder: Encoder, blur_px: float) -> tuple[Floats, Floats]:
        """(G,) each: the place (px outward) that explains the rise best with each light, its chi-square.

        Gauss-Newton on the place and the blur, with all lights at once.
        """
        at, weights = np.zeros((len(BRIGHTER), 2)), 1.0 / self.u**2
        for _ in range(STEPS):
            here = self._luma(encoder, blur_px, at)
            slopes = np.stack([(self._luma(encoder, blur_px, at + d) - here) / 1e-3 for d in np.eye(2) * 1e-3], axis=1)
            normal = (slopes * weights) @ np.swapaxes(slopes, 1, 2) + np.diag([1e-6, 1.0 / BLUR_U**2])
            pull = np.einsum("gxk,gk->gx", slopes * weights, self.luma - here)
            pull[:, 1] -= at[:, 1] / BLUR_U**2
            at = at + np.clip(np.linalg.solve(normal, pull[..., None])[..., 0], -MOST_PX, MOST_PX)
        rest = (self.luma - self._luma(encoder, blur_px, at)) / self.u
        return at[:, 0], np.sum(rest**2, axis=1) + (at[:, 1] / BLUR_U) ** 2

    def _luma(self, encoder: Encoder, blur_px: float, at: Floats) -> Floats:
        """(G, K): as the camera writes it down, with edges at (G, 2) places and logs of the blur over `blur_px`."""
        share = ndtr((at[:, :1] - self.across_px) / (blur_px * np.exp(at[:, 1:])))[:, None]
        cloths, mats = (np.where(full, np.exp(BRIGHTER)[:, None], 1.0)[..., None] for full in self.full)
        light = self.cloth[:, None] * cloths * share + self.mat * mats * (1.0 - share)
        return np.asarray(np.einsum("c,gck->gk", YCC_OF_BGR[0], encoder.encode(light)[0]))

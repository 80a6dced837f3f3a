"""What a print would show where it is cut, told by where it shows the same farther inside.

Between the known mat and a side's inner pixels nothing is known of a print but what its neighbours tell; yet most
prints are printed over and over with one block. So what lies just inside a side is looked for deeper in the same piece
(`repeats`), and what goes on there past the side's place is what would be there were the cloth not cut. That it is so
is proved on pixels that were not looked for, between them and the side; where it is not proved, nothing is foretold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Axes, Picture, Window
from vision.edge.prints.borders import Borders, borders_inside
from vision.edge.prints.repeats import Repeats, find_repeats
from vision.edge.prints.shifted import CLEAR_PX, Ground, Places, ground_beside, places_of, shown_at
from vision.edge.start.valley import figures

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

RESTLESS = 2.0  # times the noise: cloth that varies more may be printed
HELPS = 0.7  # of how cloth varies, that may be left: plain cloth is not told from what chance makes alike
WELL_TOLD = 0.3  # of a print, left untold: as well known as plain cloth
LEAST_FIGURE = 1e-3  # of the encoded range: a print varies by so much, however well it is foretold
PAST_PX = 4.0  # so far outside its line the print may reach, and has to be foretold
SOUGHT_PX = (5.0, 17.0)  # inside a side: what is looked for deeper
PROVED_PX = 2.5  # from here to what was looked for, the print must go on as foretold
UNTOLD = 0.05  # of the print's variance, besides noise, that may be left there
PLAIN = 2.0  # times the noise's variance: what varies less has no figures
FEWEST = 20  # pixels that prove
STRETCH_PX = 48.0  # of a side, told by itself
SLOPE_PX = 1.0
LEAST_TOLD = 0.3  # of the shares: fewer places do not stand for all


@dataclass(frozen=True, eq=False, slots=True)
class Prints:
    """Of S sides, which are printed and what nothing foretells of their prints."""

    printed: Bools  # (S,)
    untold: Floats  # (S,) the share of how a print varies, 0 of plain cloth
    borders: Borders  # of its figures, besides what is foretold


def read_prints(window: Window, axes: Axes, picture: Picture, noise: Noise, cloths: Ints) -> tuple[Window, Prints]:
    """Tell prints from plain cloth, and foretell them where that helps; the window comes back with what is foretold.

    `cloths` (S,) number the piece that each side belongs to: no side's print is looked for beyond another side.
    """
    spread, printed = figures(window, noise)
    restless = printed | (spread[:, 0] > RESTLESS * noise.sd[0])
    if not restless.any():
        return window, Prints(printed, np.zeros(window.count), borders_inside(window, noise, spread * printed[:, None]))
    told = foretold(window, axes, picture, noise, cloths, restless)
    left = np.maximum(figures(told, noise)[0], LEAST_FIGURE)
    # Of both, what the noise alone would be is no print.
    before, after = (np.sqrt(np.maximum(one**2 - np.square(noise.sd), 0.0)).sum(axis=1) for one in (spread, left))
    untold = np.minimum(after / np.maximum(before, 1e-9), 1.0)
    told = replace(told, shown=told.shown * (printed | (untold < HELPS))[told.side])
    figured = printed & (untold > WELL_TOLD)
    return told, Prints(printed, untold * printed, borders_inside(told, noise, left * figured[:, None]))


def foretold(window: Window, axes: Axes, picture: Picture, noise: Noise, cloths: Ints, sides: Bools) -> Window:
    """The window with what the cloth of `sides` (S,) would show at their pixels, as far as it repeats itself."""
    shown = np.zeros((3, *window.seen.shape), np.float32)
    for s in np.flatnonzero(sides):
        run = window.runs[s]
        if run.stop > run.start:
            shown[..., run] = _of_side(window, run, int(s), axes, picture, noise, cloths)
    return replace(window, shown=shown)


def _of_side(window: Window, run: slice, s: int, axes: Axes, picture: Picture, noise: Noise, cloths: Ints) -> Floats:
    """(3, 3, N) of a side's pixels, as `Window.shown` has them."""
    away = (window.points_mat_mm[run] - axes.middles_mat_mm[s]) * axes.scale[s]
    along_px, deep_px = away @ axes.along[s], -(away @ axes.outward[s])
    ground = ground_beside(picture, axes, s, cloths, (float(along_px.min()), float(along_px.max())), STRETCH_PX)
    repeats = find_repeats(picture, ground, SOUGHT_PX, PAST_PX + CLEAR_PX)
    result = np.zeros((3, 3, len(away)))
    if repeats is None:
        return result
    reached = np.flatnonzero(deep_px > -PAST_PX - SLOPE_PX)
    pixels = places_of(ground, along_px[reached], deep_px[reached])
    quiet = float(np.sum(np.square(noise.sd)))
    seen = window.seen[:, run][:, reached].astype(np.float64)
    repeats, here, told = _proved(picture, ground, pixels, repeats, seen, quiet)
    inside = told & (pixels.deep_px > PROVED_PX)
    if not inside.any():
        return result
    result[0][:, reached[told]] = here[:, told] - here[:, inside].mean(axis=1, keepdims=True)
    near = np.flatnonzero(told & (pixels.deep_px < PAST_PX + SLOPE_PX))
    along, deep = pixels.along_px[near], pixels.deep_px[near]
    beside = [places_of(ground, along, deep + inward) for inward in (SLOPE_PX, -SLOPE_PX)]
    inner, outer = (_shown(picture, ground, places, repeats)[0] for places in beside)
    result[1][:, reached[near]] = (outer - inner) / (2.0 * SLOPE_PX)
    result[2][:, reached[near]] = (outer - 2.0 * here[:, near] + inner) / SLOPE_PX**2
    return result


def _proved(
    picture: Picture, ground: Ground, pixels: Places, repeats: Repeats, seen: Floats, noise: float
) -> tuple[Repeats, Floats, Bools]:
    """The repeats, what they show at pixels (3, N), and where (N,) it is proved by what is `seen` (3, N).

    `noise` is a variance, of all channels together.
    """
    here, share = _shown(picture, ground, pixels, repeats)
    near = (share > LEAST_TOLD) & (pixels.deep_px > PROVED_PX) & (pixels.deep_px < SOUGHT_PX[0])
    stretches = len(repeats.shares)
    varies, left = (variances(values, near, pixels.stretch, stretches) for values in (seen, seen - here))
    holds = left - noise < UNTOLD * varies
    plain = ~holds & (varies < PLAIN * noise)
    if not (holds.any() and plain.any()):
        return repeats, here, holds[pixels.stretch] & (share > LEAST_TOLD)
    # Where nothing is printed just inside, what repeats elsewhere along the side may yet come up at the cut.
    shares = repeats.shares.copy()
    shares[plain] *= np.any(shares[holds] > 0.0, axis=0)
    repeats = Repeats(repeats.shifts_px, shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9))
    here, share = _shown(picture, ground, pixels, repeats)
    left = variances(seen - here, near & (share > LEAST_TOLD), pixels.stretch, stretches)
    holds |= plain & (left < PLAIN * noise)
    return repeats, here, holds[pixels.stretch] & (share > LEAST_TOLD)


def _shown(picture: Picture, ground: Ground, at: Places, repeats: Repeats) -> tuple[Floats, Singles]:
    """(3, N) encoded, what repeats show at places; (N,) how much of their shares is seen."""
    levels, share = shown_at(picture.scene.levels, ground, at, repeats.shifts_px, repeats.shares)
    each = np.arange(len(levels))
    written = picture.encoder.luma_chroma_at(levels[None], each, np.zeros_like(each))
    return np.ascontiguousarray(written.T), share


@compiled
def variances(values: Floats, of: Bools, stretch: Ints, stretches: int) -> Floats:
    """(T,): of (3, N) where `of` (N,) in each stretch, all channels together; infinite of too few."""
    count, mean, squares = np.zeros(stretches), np.zeros((stretches, 3)), np.zeros(stretches)
    for n in range(len(of)):
        if of[n]:
            count[stretch[n]] += 1.0
            for c in range(3):
                mean[stretch[n], c] += values[c, n]
    mean /= np.maximum(count, 1.0).reshape(-1, 1)
    for n in range(len(of)):
        if of[n]:
            for c in range(3):
                squares[stretch[n]] += (values[c, n] - mean[stretch[n], c]) ** 2
    return np.where(count >= FEWEST, squares / np.maximum(count, 1.0), np.inf)

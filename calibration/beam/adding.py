"""The camera's tone curve from the projector's own light: light adds up, encoded values do not.

Two fine checkers on disjoint projector pixels, A and B, give together exactly what they give apart:
A + B = both + dark, at every camera pixel, whatever the projector's own curve is, on any mat, in any room.
In four pictures each coarse block of the field runs through dark, A, both, B, each block beginning elsewhere,
so that every camera pixel sees L(1) + L(3) = L(2) + L(4), the pictures' means are equal (a lamp that follows
the mean stays put), and nobody needs to know which block a pixel sees.

Such sums tell light up to a factor and an offset: that is all a tone curve means. The idea of a response from
known ratios of light: P. E. Debevec, J. Malik, SIGGRAPH 1997; here the sums replace known exposures.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from calibration.robust import MAD_TO_SD
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEVELS = (1.0, 0.82, 0.66, 0.5, 0.36)  # of the top level, encoded: light from 1 to about 0.1
CELL_PX = 2  # of the checkers: so fine that most camera pixels see some of both
BLOCKS = 8  # across the field's width
MOST_SAMPLES = 6000  # camera pixels used of each level
CLIPPED = 250  # byte values from here on may have met the end of the scale
LEAST_MIX = 0.2  # share of the weaker checker in a pixel that can tell anything
FEWEST_SAMPLES = 300  # of such pixels at a level
LEAST_RANGE = 40  # byte values between the darkest and the lightest level
KNOTS = 8  # of the curve's freedom: enough for gammas, toes and shoulders
STIFFNESS = 0.3  # standard deviation of the logarithmic slope's bend from knot to knot, beside sRGB's
LOOSE = 1.0  # standard deviation of that logarithm itself, where no light tells
SIGNS = np.array([1.0, -1.0, 1.0, -1.0])
COMMON = 0.002  # of the light: what all sums of a level may miss together, however many they are
HUBER = 3.0
MOST_STEP = 0.5
ROUNDS = 12
MOST_DOUBT = 0.08  # of full light, anywhere: usual curves lie about as far from sRGB's
ENDS = (2, 253)  # byte values between which the curve is used
MOST_MISFIT = 0.02  # of the light at a level; more, and light does not add up
MOST_FOLLOWING = 0.04  # change of light with the picture's mean that is not yet a lamp's doing


def tone_pictures(size_px: tuple[int, int], white: int = 255) -> Iterator[Picture]:
    """The pictures to show, (h, w, 3) uint8: four for each level, then one that is lit all over.

    There are `tone_count()` of them.
    """
    w, h = size_px
    y, x = np.mgrid[:h, :w]
    block = max(w // BLOCKS, 4 * CELL_PX)
    begins = (x // block + 2 * (y // block)) % 4
    on_a = (x // CELL_PX + y // CELL_PX) % 2 == 0
    for level in LEVELS:
        value = round(white * level)
        for k in range(4):
            state = (begins + k) % 4  # dark, A, both, B
            lit = (state == 2) | ((state == 1) & on_a) | ((state == 3) & ~on_a)
            yield _grey(np.where(lit, value, 0))
    yield _grey(np.full((h, w), white))


def tone_count() -> int:
    """How many pictures `tone_pictures` gives."""
    return 4 * len(LEVELS) + 1


def _grey(level: NDArray[np.int64]) -> Picture:
    return np.ascontiguousarray(np.repeat(level.astype(np.uint8)[:, :, None], 3, axis=2))


@dataclass(frozen=True, eq=False, slots=True)
class _Sums:
    """Byte values whose light must cancel with signs + - + -, the brightest first two by turns."""

    values: NDArray[np.uint8]  # (N, 4)
    level: NDArray[np.int64]  # (N,) index of the projector's level


def find_tone(frames: Iterable[Picture]) -> Tone:
    """The curve, normalised from 0 to 1, from the camera's frames of `tone_pictures`, in their order.

    Green alone is read; the channels of a camera share one curve as a rule, which is not checked here. Outside the
    byte values that were seen the curve goes on as smoothly as usual ones do, which is a guess: `how` says how good
    it is. Where it is too bad (a dark mat alone), the evidence is thin or contradicts itself, the sRGB curve comes
    back, and `how` says why. A white sheet in the light shows most of the scale.

    Raises ValueError if the number of frames is wrong.
    """
    greens = [np.ascontiguousarray(f if f.ndim == 2 else f[:, :, 1]) for f in frames]
    if len(greens) != tone_count():
        raise ValueError(f"{tone_count()} frames are read, {len(greens)} were given")
    sums = _samples(greens)
    if isinstance(sums, str):
        return _kept(sums)
    bend, covariance = _fit(sums)
    curve, misfit = _curve(bend), _misfit(sums, bend)
    if misfit > MOST_MISFIT:
        return _kept(f"the projector's light does not add up, by {100 * misfit:.1f} %")
    known = _known(curve, covariance, bend, sums)
    if known.u_beyond > MOST_DOUBT:
        off = 100 * _apart(SRGB.linear_of_byte, curve, known)
        return _kept(
            f"the light spans byte values {known.low} to {known.high} only, where sRGB's curve is off by {off:.1f} %, "
            f"and beyond it would be a guess, to {100 * known.u_beyond:.0f} % of full light; lay the white sheet in it"
        )
    following = _following(greens, curve)
    doubt = "" if following < MOST_FOLLOWING else f"; the lamp follows the picture, by {100 * following:.0f} %"
    within = f"{100 * np.hypot(misfit, known.u):.2g} % from byte value {known.low} to {known.high}"
    beyond = f"known to {100 * known.u_beyond:.1f} % of full light beyond"
    return Tone(curve, f"measured: light adds up within {within}, {beyond}, green for all channels{doubt}")


def _kept(why: str) -> Tone:
    return Tone(SRGB.linear_of_byte, f"{SRGB.how}; not measured: {why}")


def _samples(greens: Sequence[NDArray[np.uint8]]) -> _Sums | str:
    """Pixels that see some of both checkers, clear of both ends of the scale; or why there are too few."""
    found, levels = [], []
    h, w = greens[0].shape
    step = max(1, int(np.sqrt(h * w / (3 * MOST_SAMPLES))))
    for n in range(len(LEVELS)):
        values = np.stack([g[::step, ::step].ravel() for g in greens[4 * n : 4 * n + 4]], axis=1)
        use = _tells(values)
        found.append(values[use])
        levels.append(np.full(int(use.sum()), n))
    counts = [len(one) for one in found]
    if sum(count >= FEWEST_SAMPLES for count in counts) < 3:
        return f"too few camera pixels see both checkers ({max(counts)})"
    values = np.concatenate(found)
    reach = int(np.quantile(values, 0.98)) - int(np.quantile(values, 0.02))
    if reach < LEAST_RANGE:
        return f"the light spans {reach} of 256 byte values only"
    return _Sums(values, np.concatenate(levels))


def _tells(values: NDArray[np.uint8]) -> NDArray[np.bool_]:
    rough = SRGB.linear_of_byte[values]
    dark, both = rough.min(axis=1), rough.max(axis=1)
    inner = np.sort(rough, axis=1)[:, 1]
    mixed = inner - dark > LEAST_MIX * np.maximum(both - dark, 0.004)
    return np.asarray(mixed & (values.max(axis=1) < CLIPPED) & (values.min(axis=1) > 0))


def _basis() -> Floats:
    """(256, KNOTS): how the logarithm of the curve's slope may differ from sRGB's."""
    degree = 3
    inner = np.linspace(0.0, 1.0, KNOTS - degree + 1)
    knots = np.concatenate([[0.0] * degree, inner, [1.0] * degree])
    return np.asarray(BSpline.design_matrix(np.linspace(0.0, 1.0, 256), knots, degree).toarray())


BASIS = _basis()
START = np.log(np.maximum(np.gradient(SRGB.linear_of_byte), 1e-6))


def _curve(bend: Floats) -> Floats:
    """Rising by construction: the slope is an exponential."""
    slope = np.exp(START + BASIS @ bend)
    rise = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]))])
    return np.asarray(rise / rise[-1])


def _by_bend(bend: Floats) -> Floats:
    """(256, KNOTS) slope of the curve."""
    step = 1e-5
    return np.stack([(_curve(bend + d) - _curve(bend - d)) / (2 * step) for d in step * np.eye(KNOTS)], axis=1)


def _fit(sums: _Sums) -> tuple[Floats, Floats]:
    """The bend and its covariance (Gauss-Newton, Huber's weights, each level with its own noise)."""
    bend = np.zeros(KNOTS)
    curvature = np.diff(np.eye(KNOTS), 2, axis=0) / STIFFNESS
    size = np.eye(KNOTS) / LOOSE
    prior = curvature.T @ curvature + size.T @ size
    normal = prior
    common = COMMON**2 * np.bincount(sums.level, minlength=len(LEVELS))[sums.level]
    for _ in range(ROUNDS):
        off, rows = _missing(sums, bend)
        noise = _noise(off, sums.level)
        weights = np.minimum(1.0, HUBER * noise / np.maximum(np.abs(off), 1e-12)) / (noise**2 + common)
        weighted = rows * weights[:, None]
        normal = weighted.T @ rows + prior
        step = np.linalg.solve(normal, -weighted.T @ off - prior @ bend)
        bend = bend + np.clip(step, -MOST_STEP, MOST_STEP)
    return np.asarray(bend, np.float64), np.asarray(np.linalg.inv(normal), np.float64)


def _missing(sums: _Sums, bend: Floats) -> tuple[Floats, Floats]:
    """What each sum misses, as a share of its light (N,), and its slopes by the bend (N, KNOTS)."""
    curve, slopes = _curve(bend), _by_bend(bend)
    light, by_bend = curve[sums.values], slopes[sums.values]
    each = np.arange(len(light))
    most, least = light.argmax(axis=1), light.argmin(axis=1)
    span = np.maximum(light[each, most] - light[each, least], 1e-6)
    off = light @ SIGNS / span
    span_by_bend = by_bend[each, most] - by_bend[each, least]
    rows = (np.einsum("nfk,f->nk", by_bend, SIGNS) - off[:, None] * span_by_bend) / span[:, None]
    return np.asarray(off, np.float64), np.asarray(rows, np.float64)


def _noise(off: Floats, level: NDArray[np.int64]) -> Floats:
    """(N,) robust standard deviation of what is missed at the level of each sum."""
    found = np.ones(len(LEVELS))
    for n in np.unique(level):
        found[n] = max(MAD_TO_SD * float(np.median(np.abs(off[level == n]))), 1e-4)
    return found[level]


def _misfit(sums: _Sums, bend: Floats) -> float:
    """RMS over levels of what sums miss on the average, as a share of their light."""
    off = _missing(sums, bend)[0]
    # which of the two pairs holds the brightest light depends on the block; what is missed has its sign
    off = off * SIGNS[np.argmax(sums.values, axis=1)]
    noise = _noise(off, sums.level)
    levels = [n for n in range(len(LEVELS)) if (sums.level == n).sum() >= FEWEST_SAMPLES]
    size = np.array([noise[sums.level == n][0] for n in levels])
    means = np.array([np.median(off[sums.level == n]) for n in levels])
    return float(np.sqrt(np.sum((means / size) ** 2) / np.sum(1.0 / size**2)))


def _following(greens: Sequence[NDArray[np.uint8]], curve: Floats) -> float:
    """How far the same white is brighter or darker in a picture that is lit all over than beside dark blocks."""
    both = np.max(np.stack([curve[g[::4, ::4]] for g in greens[:4]]), axis=0)
    whole = curve[greens[-1][::4, ::4]]
    dark = np.min(np.stack([curve[g[::4, ::4]] for g in greens[:4]]), axis=0)
    lit = (both - dark > 0.3 * np.quantile(both - dark, 0.95)) & (greens[-1][::4, ::4] < CLIPPED)
    return abs(float(np.median(whole[lit] / both[lit])) - 1.0) if lit.any() else 0.0


@dataclass(frozen=True, slots=True)
class _Known:
    """Where a curve was seen, and standard uncertainties there (of the span seen) and anywhere (of full light)."""

    low: int
    high: int
    u: float
    u_beyond: float


def _known(curve: Floats, covariance: Floats, bend: Floats, sums: _Sums) -> _Known:
    """How well the curve is known up to factor and offset, both settled over the byte values seen."""
    low, high = np.quantile(sums.values, [0.01, 0.99]).astype(int).tolist()
    slopes, affine = _by_bend(bend), np.stack([np.ones(256), curve], axis=1)
    seen = slice(low, high + 1)
    free = slopes - affine @ np.linalg.lstsq(affine[seen], slopes[seen], rcond=None)[0]
    u = np.sqrt(np.einsum("bi,ij,bj->b", free, covariance, free))
    return _Known(low, high, float(u[seen].max() / (curve[high] - curve[low])), float(u[ENDS[0] : ENDS[1] + 1].max()))


def _apart(one: Floats, other: Floats, known: _Known) -> float:
    """By how much two curves differ where light was seen, up to factor and offset, of the span seen."""
    seen = slice(known.low, known.high + 1)
    affine = np.stack([np.ones(known.high + 1 - known.low), other[seen]], axis=1)
    rest = one[seen] - affine @ np.linalg.lstsq(affine, one[seen], rcond=None)[0]
    return float(np.abs(rest).max() / np.ptp(one[seen]))

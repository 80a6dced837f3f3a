"""Locate the tip of a wedge of one fabric on another, on native pixels: both its edges are fitted at once.

Near the tip of a point two straight edges run close together. The light is theirs together (`model.wedgelight`),
blended, then written down as the camera does it (`model.encoding`): of dark or of like fabrics an edge that is looked
for in linear light and blurred colours lies a tenth of a pixel off, and a tip of 30 degrees four times as far. Nothing
is known of the fabrics: each has its own level in each short bin along either edge (a print changes along it, and light
may), spread as its bins are seen to be (`edge.model.seamlight`, as along a seam).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.edge.model.encoding import BGR_OF_YCC, YCC_OF_BGR
from vision.edge.model.seamlight import NORMAL, Camera, Levels, Pixels, Seen, Sums, equations, levels_after, variance_of
from vision.edge.model.wedgelight import WedgePlaces, wedge_seen
from vision.edge.picture import Picture
from vision.edge.pixels.noise import ROUNDING
from vision.edge.seam_fit import FREE

Floats = NDArray[np.float64]

BIN_PX = 4.0  # what is shorter along an edge is hardly seen apart behind the lens' blur
FEW_BINS = 6  # next to each other, whose errors may belong together
FAR_OFF = 10.0  # standard deviations: no residual says more
BIN_TELLS = 5.0  # a bin's own residuals say so many times as much of its noise as those of all: a figure is in it
FLOOR_PX = 0.01  # of an edge's offset: what no fit on an 8-bit picture of real cloth can promise to beat
PRINT_FLOOR_PX = 0.05  # the same where the inner fabric varies as much as a print: figures that no bin follows
PRINTED = 3.0  # the contrast below which it does
NARROW = 2.5  # times the blur: nearer to the tip the share's series is too short
# Of the contrast, in the middle of the edge: what is not known of its shape. Compression leaves out the finer part of
# colours, whatever its blur is taken to be,
UNTOLD = np.array([0.02, 0.08, 0.08])
COARSE = np.array(
    [0.0, 0.5, 0.5]
)  # and so much of how a print's colours change from bin to bin; of plain cloth nothing
LEAST_SINE = 0.02  # of the angle between the edges
SETTLED_PX = 1e-3
FIRST_STEPS = 3  # before which the residuals' spread is not known yet
MOST_STEP_PX = 2.0
SMALLEST = np.finfo(np.float64).tiny
NUDGE_PX = 0.05  # by which an edge is moved to see what its levels say to that
STIFF_PX = 10.0  # no edge is so far from where it was searched: keeps one still that has no contrast
FEWEST = 80
DEEP_PX = 1.5
LEAST_BLUR_PX, MOST_BLUR_PX = 0.2, 3.5
# Inside and outside alike: where one side has fewer pixels than the other, its levels' noise draws weak edges to it.
PASSES = ((7.0, 10), (4.0, 14))  # px to both sides of the edges that speak, and the steps of the fit
# A blur of 1 px in five places and their shares (Gauss-Hermite quadrature).
REACHES = np.array([0.0, 1.3556262, -1.3556262, 2.8569700, -2.8569700])
PARTS = np.array([8.0 / 15.0, 0.2220759, 0.2220759, 0.0112574, 0.0112574])


@dataclass(frozen=True, slots=True)
class Blur:
    """What is known of the blur beforehand: standard deviations in px, and how sure that is."""

    luma_px: float = 0.85
    luma_u_px: float = 0.3
    chroma_px: float = 1.0
    chroma_u_px: float = 0.4


UNKNOWN_BLUR = Blur()


@dataclass(frozen=True, eq=False, slots=True)
class WedgeFit:
    """The tip, the unit vectors from it along both edges (2, 2), and the tip's covariance (2, 2) in mm^2."""

    tip_mat_mm: Floats
    along: Floats
    covariance_mm2: Floats
    blur: Blur
    contrast: float  # of both fabrics in luminance, over the inner one's spread


def fit_wedge(picture: Picture, tip: Floats, ends: Floats, blur: Blur = UNKNOWN_BLUR) -> WedgeFit | None:
    """Fit the wedge from about `tip` (2,) to the far `ends` (2, 2) of its right and its left edge, seen inwards out.

    The left edge lies counter-clockwise as seen from the wedge's wide end; None where too few pixels speak.
    """
    frame = _Frame.at(picture.camera, picture.height_mm, tip, ends)
    unknown = np.array([0.0, 0.0, 0.0, 0.0, blur.luma_px, blur.chroma_px])
    near_px = NARROW * math.hypot(blur.luma_px, blur.chroma_px) / (2.0 * frame.half_sine)
    fit = None
    for reach_px, steps in PASSES:
        window = _Window.around(picture, frame, unknown[:4], reach_px, near_px)
        if window is None:
            return None
        fit = _solve(picture, window, frame, unknown, blur, steps)
        unknown = np.concatenate([fit.lines, fit.blurs])
    assert fit is not None
    return frame.placed(fit)


@dataclass(frozen=True, eq=False, slots=True)
class _Frame:
    """Coordinates in px about the tip, and both start edges in them: from the tip `along` (2, 2), `outward` (2, 2).

    An edge moves by an offset outward at its middle and a turn (px a px); `lines` is offset, turn, offset, turn.
    """

    camera: Pinhole
    height_mm: float
    tip_mat_mm: Floats
    px_per_mm: float
    along: Floats
    outward: Floats
    length_px: Floats  # (2,)

    @staticmethod
    def at(camera: Pinhole, height_mm: float, tip: Floats, ends: Floats) -> _Frame:
        corners = camera.px_from_mat(tip + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), height_mm)
        scale = math.sqrt(abs(float(np.linalg.det(corners[1:] - corners[0]))))
        lengths = np.hypot(*(ends - tip).T)
        along = (ends - tip) / lengths[:, None]
        # Walking from the tip along the right edge the wedge lies on the right hand, along the left one on the left.
        outward = np.array([[-along[0, 1], along[0, 0]], [along[1, 1], -along[1, 0]]])
        return _Frame(camera, height_mm, tip, scale, along, outward, lengths * scale)

    def of_px(self, points_px: Floats) -> tuple[Floats, Floats]:
        """(2, N) across and (2, N) along both start edges, from the tip, of pixels (N, 2)."""
        away = (self.camera.mat_from_px(points_px, self.height_mm) - self.tip_mat_mm) * self.px_per_mm
        return self.outward @ away.T, self.along @ away.T

    @property
    def half_sine(self) -> float:
        """Sine of half the wedge's angle."""
        return math.sqrt(max(0.5 * (1.0 - float(self.along[0] @ self.along[1])), 1e-4))

    def placed(self, fit: _Solved) -> WedgeFit | None:
        """The fitted edges' meeting on the mat; None where they hardly meet."""
        lines = fit.lines
        offsets, turns, middles = lines[::2], lines[1::2], self.length_px / 2.0
        normals = self.outward - turns[:, None] * self.along  # of edges turned outwards along their way
        if abs(float(np.linalg.det(normals))) < LEAST_SINE:
            return None
        # n . p = offset - turn * middle at along = 0; both edges meet where both hold.
        meet = np.linalg.inv(normals)
        tip_px = meet @ (offsets - turns * middles)
        at_tip = self.along @ tip_px - middles
        slopes = meet @ np.array([[1.0, at_tip[0], 0.0, 0.0], [0.0, 0.0, 1.0, at_tip[1]]])
        along = self.along + turns[:, None] * self.outward
        return WedgeFit(
            self.tip_mat_mm + tip_px / self.px_per_mm,
            along / np.hypot(*along.T)[:, None],
            slopes @ fit.covariance @ slopes.T / self.px_per_mm**2,
            Blur(float(fit.blurs[0]), chroma_px=float(fit.blurs[1])),
            fit.contrast,
        )


@dataclass(frozen=True, eq=False, slots=True)
class _Window:
    """The pixels about both edges: places, what is seen there, and how deep in the wedge each lies."""

    places: WedgePlaces
    pixels: Pixels
    bin_count: int

    @staticmethod
    def around(picture: Picture, frame: _Frame, lines: Floats, reach_px: float, near_px: float) -> _Window | None:
        points = _box(picture, frame, reach_px)
        across, along = frame.of_px(points.astype(np.float64))
        lever = along - frame.length_px[:, None] / 2.0
        beyond = across - lines[::2, None] - lines[1::2, None] * lever
        nearer = np.argmax(beyond, axis=0)  # the edge that this pixel lies farther outside of, or less deep inside
        distance, place = np.max(beyond, axis=0), np.take_along_axis(along, nearer[None], axis=0)[0]
        ahead = place < frame.length_px[nearer] - reach_px  # the inner corner's other edge is not in the window
        use = (np.abs(distance) < reach_px) & ahead & (place > near_px)
        if np.count_nonzero(use) < FEWEST:
            return None
        nearer, place, distance = nearer[use], place[use], distance[use]
        count = FEW_BINS * max(1, round(float(np.ptp(place)) / (FEW_BINS * BIN_PX)))
        share = (place - place.min()) / (float(np.ptp(place)) + 1e-9)
        bins = np.minimum((share * count).astype(np.int64), count - 1) + nearer * count
        seen = np.ascontiguousarray(
            picture.encoder.luma_chroma_at(picture.scene.seen.at(*points[use].T), *points[use].T).T
        )
        together = float(frame.outward[0] @ frame.outward[1])
        across, lever = (np.ascontiguousarray(one[:, use]) for one in (across, lever))
        return _Window(WedgePlaces(across, lever, bins, together), Pixels(distance, place, bins, seen), 2 * count)

    def first_levels(self) -> Floats:
        """(2, 3, B): means of what is seen well inside and well outside, of each bin or of all."""
        levels = np.empty((2, 3, self.bin_count))
        for k, deep in enumerate((self.pixels.across_px < -DEEP_PX, self.pixels.across_px > DEEP_PX)):
            count = np.bincount(self.pixels.bin[deep], minlength=self.bin_count)
            for c, seen in enumerate(self.pixels.seen):
                total = np.bincount(self.pixels.bin[deep], seen[deep], self.bin_count)
                mean = float(seen[deep].mean()) if deep.any() else float(seen.mean())
                levels[k, c] = np.where(count > 2, total / np.maximum(count, 1), mean)
        return levels


def _box(picture: Picture, frame: _Frame, margin_px: float) -> NDArray[np.int64]:
    """(N, 2): all pixels of the box about both edges."""
    ends = frame.tip_mat_mm + np.vstack([np.zeros(2), frame.along * frame.length_px[:, None] / frame.px_per_mm])
    ends_px = frame.camera.px_from_mat(ends, frame.height_mm)
    size = np.array(picture.scene.shape[::-1])
    low = np.maximum(np.floor(ends_px.min(axis=0) - margin_px).astype(np.int64), 1)
    high = np.minimum(np.ceil(ends_px.max(axis=0) + margin_px).astype(np.int64) + 1, size - 1)
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    return np.column_stack([x.ravel(), y.ravel()])


@dataclass(frozen=True, eq=False, slots=True)
class _Solved:
    lines: Floats  # (4,)
    blurs: Floats  # (2,)
    covariance: Floats  # (4, 4) of the lines
    contrast: float


def _solve(picture: Picture, window: _Window, frame: _Frame, start: Floats, known: Blur, steps: int) -> _Solved:
    """Gauss-Newton over both edges' offsets and turns and the two blurs, levels eliminated."""
    camera, bytes_alone = _camera(picture, frame), _noise(picture)
    noise = bytes_alone.copy()
    unknown, reach = start.copy(), frame.length_px / 2.0
    first = window.first_levels()
    levels = Levels(first, np.median(first, axis=2), np.full((2, 3), FREE))
    variance = np.tile(4.0 * noise[0][:, None] ** 2, len(window.places.bin))
    stiff = STIFF_PX**-2
    of_lines = [stiff, stiff * reach[0] ** 2, stiff, stiff * reach[1] ** 2]
    precision = np.array([*of_lines, known.luma_u_px**-2, known.chroma_u_px**-2])
    nudges = NUDGE_PX * np.eye(6)[:4] / np.array([1.0, reach[0], 1.0, reach[1]])[:, None]
    for step in range(steps + 1):
        if step >= FIRST_STEPS:
            noise[0] = np.hypot(bytes_alone[0], COARSE * levels.u.max(axis=0))
        at = wedge_seen(window.places, unknown, levels.values, camera)
        if step:
            variance = variance_of(at, window.pixels, levels.values, noise[0], UNTOLD)
            variance *= _told_by_bins(window, at, variance)
        sums = equations(at, window.pixels, variance, noise, levels)
        normal = sums.normal + np.diag(precision)
        if step == steps:
            break
        off = np.array([0.0, 0.0, 0.0, 0.0, known.luma_px - unknown[4], known.chroma_px - unknown[5]])
        scores = sums.scores.sum(axis=1) + precision * off
        if step >= FIRST_STEPS:
            told = variance, noise, levels
            seen = [wedge_seen(window.places, unknown + nudge, levels.values, camera) for nudge in nudges]
            scores[:4] += _pull(sums, [equations(one, window.pixels, *told) for one in seen], nudges)
        change = np.linalg.solve(normal, scores)
        moved = float(np.max(np.abs(change[[0, 2]]) + np.abs(change[[1, 3]]) * reach))
        if step > FIRST_STEPS and moved < SETTLED_PX:
            break
        change *= min(1.0, MOST_STEP_PX / (moved + 1e-9))
        levels = levels_after(levels, sums, np.asarray(change, np.float64), True)
        unknown = unknown + change
        unknown[4:] = np.clip(unknown[4:], LEAST_BLUR_PX, MOST_BLUR_PX)
    luma_step = float(np.median(np.abs(levels.values[0, 0] - levels.values[1, 0])))
    contrast = luma_step / math.hypot(float(levels.u[0, 0]), float(noise[0, 0]))
    floor = FLOOR_PX**2 + (PRINT_FLOOR_PX * min(1.0, PRINTED / max(contrast, 1e-9))) ** 2
    covariance = _covariance(normal, sums.scores) + np.diag([floor, 0.0, floor, 0.0])
    return _Solved(unknown[:4], unknown[4:], covariance, contrast)


def _pull(sums: Sums, nudged: Sequence[Sums], nudges: Floats) -> Floats:
    """(4,): what integrating the levels out adds to the scores of the lines, from the equations when each is nudged.

    It is the slope of half the logarithm of the levels' covariance's determinant (J. O. Berger, B. Liseo, R. L.
    Wolpert, Integrated likelihood methods for eliminating nuisance parameters, Statistical Science 14, 1999, from
    memory). Without it edges are drawn outward where a print has the ground's colour.
    """
    unsure = np.array([_log_determinants(one) for one in (sums, *nudged)])
    return np.asarray(0.5 * (unsure[1:] - unsure[0]) / nudges.sum(axis=1))


def _log_determinants(sums: Sums) -> float:
    """The sum of the logarithms of all bins' levels' covariances' determinants."""
    inner, outer, both = sums.inverse[0, 0], sums.inverse[1, 1], sums.inverse[0, 1]
    return float(np.log(np.maximum(inner * outer - both * both, SMALLEST)).sum())


def _noise(picture: Picture) -> Floats:
    """(2, 3): standard deviations, and how many neighbours err alike.

    Of colours the least that bytes allow: residuals say more, and a fabric's threads vary in light, hardly in hue.
    """
    luma, *colours = picture.noise.sd
    return np.array([[luma, *(min(one, ROUNDING) for one in colours)], picture.noise.together])


def _camera(picture: Picture, frame: _Frame) -> Camera:
    encoder = picture.encoder
    tables = encoder.linear, encoder.encoded, encoder.slope, NORMAL
    # Colours are blurred across the wedge, by so much that across either edge it is the blur.
    cosine = math.sqrt(1.0 - frame.half_sine**2)
    return Camera(1.0, REACHES / cosine, PARTS, YCC_OF_BGR, np.array(BGR_OF_YCC, np.float64), *tables)


def _told_by_bins(window: _Window, at: Seen, variance: Floats) -> Floats:
    """(3, N): by how much each pixel's bin is noisier than its variance (3, N) says."""
    bins, count = window.pixels.bin, window.bin_count
    square = np.minimum((window.pixels.seen - at.seen) ** 2 / variance, FAR_OFF**2)
    pixels = np.maximum(np.bincount(bins, minlength=count), 1)
    means = np.stack([np.bincount(bins, row, count) / pixels for row in square])
    return np.asarray((1.0 + BIN_TELLS * means)[:, bins] / (1.0 + BIN_TELLS))


def _covariance(normal: Floats, scores: Floats) -> Floats:
    """(4, 4) of the lines, from normal equations (6, 6) and each bin's scores (6, B).

    Errors of a few bins belong together (a print's figures): their spread says what they do to the fit.
    """
    inverse, groups = np.linalg.inv(normal), scores.shape[1] / FEW_BINS
    together = scores.reshape(len(scores), -1, FEW_BINS).sum(axis=2)
    spread = inverse @ (together @ together.T) @ inverse * groups / max(groups - 4.0, 1.0)
    wider = float(np.mean(np.diag(spread)[:4] / np.diag(inverse)[:4])) > 1.0
    return np.asarray((spread if wider else inverse)[:4, :4], np.float64)

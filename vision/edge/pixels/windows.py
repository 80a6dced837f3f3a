"""The pixels about many sides at once, each placed in its side's own axes through the lens; nothing is resampled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.edge.model.coverage import Rims
from vision.edge.model.encoding import Encoder
from vision.edge.pixels.neighbours import Neighbours
from vision.edge.pixels.places import KNOWN, Places, pixels_in, rows_about
from vision.edge.pixels.sampling import in_bins, looked_at, placed_beside, rows_in_order
from vision.finding.mat import KnownLamp, Scene

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

BIN_PX = 12.0  # along a side of plain cloth, whose light hardly changes there: one level each
NOTHING_SHOWN = np.empty((3, 3, 0), np.float32)
NO_CLOTHS = np.empty((0, 0), np.uint16)


class Picture(Protocol):
    """What pixels are taken from."""

    @property
    def scene(self) -> Scene: ...
    @property
    def camera(self) -> Pinhole: ...
    @property
    def height_mm(self) -> float: ...
    @property
    def encoder(self) -> Encoder: ...
    @property
    def neighbours(self) -> Neighbours | None: ...


@dataclass(frozen=True, eq=False, slots=True)
class Axes:
    """S lines on the mat, cloth on their left, and how their neighbourhoods map to pixels."""

    middles_mat_mm: Floats  # (S, 2)
    along: Floats  # (S, 2) unit vectors
    lengths_mm: Floats  # (S,)
    px_per_mm: Floats  # (S, 2) across, at the two ends
    along_px_per_mm: Floats  # (S,)
    outward_px: Floats  # (S, 2) unit vectors in the picture, across the sides
    rims: Rims

    @staticmethod
    def at(
        camera: Pinhole,
        height_mm: float,
        middles: Floats,
        along: Floats,
        lengths_mm: Floats,
        lamp: KnownLamp | None = None,
    ) -> Axes:
        """Lines through `middles` (S, 2) along unit vectors (S, 2), `lengths_mm` (S,) long."""
        outward = np.column_stack([along[:, 1], -along[:, 0]])
        ends = middles[:, None] + along[:, None] * lengths_mm[:, None, None] * np.array([-0.5, 0.5])[:, None]
        ring = np.stack([outward, -outward, along, -along], axis=1) * 0.5
        ring_px = camera.px_from_mat(ends[:, :, None] + ring[:, None], height_mm)  # (S, 2 ends, 4, 2)
        by_mm = np.stack([ring_px[:, :, 0] - ring_px[:, :, 1], ring_px[:, :, 2] - ring_px[:, :, 3]], axis=-1)
        gradients = np.linalg.inv(by_mm)[:, :, 0]  # (S, 2, 2): of the distance outward, mm per px
        scales = 1.0 / np.hypot(gradients[..., 0], gradients[..., 1])
        mean = gradients.sum(axis=1)
        ends_px = camera.px_from_mat(ends, height_mm)
        along_scale = np.hypot(*(ends_px[:, 1] - ends_px[:, 0]).T) / lengths_mm
        lens = camera.lens_mat_mm
        towards_lens = np.sum((lens[:2] - middles) * outward, axis=1) / lens[2]
        centre = camera.mat_from_px(np.array([camera.lens.size_px]) / 2.0)[0]
        middle = np.sum((centre - middles) * outward, axis=1) / lens[2]
        height_px = height_mm * scales.mean(axis=1)
        return Axes(
            middles,
            along,
            lengths_mm,
            scales,
            along_scale,
            mean / np.hypot(*mean.T)[:, None],
            Rims(height_px, towards_lens * height_px, _reach_px(lamp, middles, height_mm, outward, scales), middle),
        )

    @property
    def outward(self) -> Floats:
        """(S, 2) on the mat."""
        return np.column_stack([self.along[:, 1], -self.along[:, 0]])

    @property
    def scale(self) -> Floats:
        """(S,) px per mm across, in the middle."""
        return np.asarray(self.px_per_mm.mean(axis=1))

    def places(self, points_mat_mm: Floats, side: Ints) -> tuple[Floats, Floats]:
        """(across, along) in px of points (N, 2) beside the sides `side` (N,)."""
        lines = self.middles_mat_mm, self.along, self.lengths_mm, self.px_per_mm, self.along_px_per_mm
        return placed_beside(points_mat_mm, side, *lines)


@dataclass(frozen=True, eq=False, slots=True)
class Window:
    """Pixels of S sides, in the order of their sides and, within each, of their bins along it."""

    side: Ints  # (N,)
    points_mat_mm: Floats  # (N, 2)
    across_px: Floats  # (N,) outward of the side's line
    along_px: Floats  # (N,) from its middle
    seen: Singles  # (3, N) encoded luma and colour differences, 0 to 1
    bare: Singles  # (3, N) the bare mat's linear blue green red
    slope: Singles  # (3, N) of it outward, per px
    steady: Singles  # (3, N) of it, as the pixels beside each show it: without its own noise
    # (3, 3, N) encoded, what a print is foretold to show beside its level, its slope outward per px and the slope of
    # that; (3, 3, 0) where nothing is foretold.
    shown: Singles
    bin_starts: Ints  # (B + 1,) first pixel of each bin, and the end
    bin_side: Ints  # (B,)
    count: int  # S

    @property
    def cloth_seen(self) -> Singles:
        """(3, N): what is seen, less what is foretold of a print."""
        return self.seen - self.shown[0] if self.shown.size else self.seen

    @property
    def side_ends(self) -> Ints:
        """(S + 1,): first pixel of each side, and the end; sides without pixels get an empty run."""
        return np.searchsorted(self.side, np.arange(self.count + 1)).astype(np.int64)

    @property
    def bin_of(self) -> Ints:
        """(N,): the bin of each pixel."""
        return np.repeat(np.arange(len(self.bin_side)), np.diff(self.bin_starts))

    @property
    def runs(self) -> list[slice]:
        """Each side's pixels."""
        return [slice(a, b) for a, b in pairwise(self.side_ends)]

    def mat_about(self) -> Floats:
        """(3, S): the bare mat's mean light about each side; 0 of sides without pixels."""
        means, ends = np.zeros((3, self.count)), self.side_ends
        some = np.diff(ends) > 0
        if some.any():
            means[:, some] = np.add.reduceat(self.bare, ends[:-1][some], axis=1) / np.diff(ends)[some]
        return means

    def bow_basis(self) -> Floats:
        """(N,): a parabola along each side, 1 higher in the middle than at the ends of what is seen, mean about 0."""
        return np.asarray(1.0 / 3.0 - (self.along_px / self.reach_px()[self.side]) ** 2)

    def reach_px(self) -> Floats:
        """(S,): how far from each side's middle its pixels reach."""
        reach, ends = np.ones(self.count), self.side_ends
        some = np.diff(ends) > 0
        if some.any():
            reach[some] = np.maximum(np.maximum.reduceat(np.abs(self.along_px), ends[:-1][some]), 1.0)
        return reach

    def placed(self, axes: Axes) -> Window:
        """The same pixels in other axes."""
        across, along = axes.places(self.points_mat_mm, self.side)
        return replace(self, across_px=across, along_px=along)

    def kept(self, use: NDArray[np.bool_], bins_px: Floats | float = BIN_PX) -> Window:
        """Only the pixels where `use` (N,) is True, in bins of so many px along their sides, or each side's (S,)."""
        bins_px = np.array(np.broadcast_to(bins_px, self.count), np.float64)
        order, starts, sides = in_bins(self.side, self.along_px, use, bins_px)
        across, along = self.across_px[order], self.along_px[order]
        seen, bare, slope, steady = (
            rows_in_order(one, order) for one in (self.seen, self.bare, self.slope, self.steady)
        )
        side, points = self.side[order], self.points_mat_mm.take(order, axis=0)
        shown = self.shown[..., order] if self.shown.size else self.shown
        return Window(side, points, across, along, seen, bare, slope, steady, shown, starts, sides, self.count)


def _reach_px(lamp: KnownLamp | None, middles: Floats, height_mm: float, outward: Floats, scales: Floats) -> Floats:
    """(S,): how far a lamp's shadow reaches outward of the sides."""
    if lamp is None:
        return np.zeros(len(middles))
    return np.asarray(np.sum(lamp.shadow_mm(middles, height_mm) * outward, axis=1) * scales.mean(axis=1))


def places_about(
    picture: Picture, axes: Axes, inside_px: float, outside_px: float, trims_px: Floats, own_cloth: Ints
) -> Places:
    """All pixels from `inside_px` inside each line to `outside_px` outside it, without `trims_px` (S, 2) at its ends.

    Pixels of cloth other than `own_cloth` (S,), and next to it, are left out.
    """
    camera, height_mm, (height, width) = picture.camera, picture.height_mm, picture.scene.shape
    shares = axes.lengths_mm[:, None, None] * np.linspace(-0.5, 0.5, 9)[:, None]
    lines_px = camera.px_from_mat(axes.middles_mat_mm[:, None] + axes.along[:, None] * shares, height_mm)
    rows, ways = rows_about(lines_px, float(max(inside_px, outside_px)))
    ends_px = rows[:, 3:, None] * np.array([-1, 0, 1])[:, None] * np.column_stack([ways, 1 - ways])[rows[:, :1]]
    known_mat_mm = camera.mat_from_px((rows[:, None, 1:3] + ends_px).reshape(-1, 2).astype(np.float64), height_mm)
    known = np.column_stack([known_mat_mm, *axes.places(known_mat_mm, np.repeat(rows[:, 0], KNOWN))])
    half_px, ones = axes.lengths_mm * axes.along_px_per_mm / 2.0, np.ones(len(lines_px))
    limits_px = [-inside_px * ones, outside_px * ones, trims_px[:, 0] - half_px, half_px - trims_px[:, 1]]
    near = picture.neighbours
    cloths = (NO_CLOTHS, NO_CLOTHS) if near is None else (near.highest, near.lowest)
    size_px = int(width), int(height)
    return pixels_in(rows, ways, known.reshape(-1, KNOWN, 4), np.column_stack(limits_px), size_px, *cloths, own_cloth)


def sample(
    picture: Picture, axes: Axes, inside_px: float, outside_px: float, trims_px: Floats, own_cloth: Ints
) -> Window:
    """The pixels of `places_about`, with what is seen there and the bare mat."""
    scene, at = picture.scene, places_about(picture, axes, inside_px, outside_px, trims_px, own_cloth)
    count = len(axes.lengths_mm)
    every, bins_px = np.ones(len(at.side), np.bool_), np.full(count, BIN_PX)
    order, starts, sides = in_bins(at.side, at.along_px, every, bins_px)
    seen, mat, outward_px = scene.seen.at(at.x, at.y), scene.mat.at(at.x, at.y), axes.outward_px.astype(np.float32)
    pixels = looked_at(at, order, seen, mat, outward_px, float(scene.noise[0]), picture.encoder.steps[0])
    return Window(*pixels, NOTHING_SHOWN, starts, sides, count)

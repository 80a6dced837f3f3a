"""The fit of a seam on drawn profiles: how sure it says to be of what it finds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.tone import SRGB
from vision.edge.model.encoding import Encoder
from vision.edge.model.unevenness import differences, is_figured
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import NOTHING_SHOWN, Window
from vision.edge.seam_fit import EVEN, Blurs, SeamSolver
from vision.light import srgb_from_linear

Floats = NDArray[np.float64]

BLUR_PX, NOISE_SD = 0.8, 0.004
NOISE = Noise((NOISE_SD,) * 3, (1.0,) * 3)
LONG, DEEP, BIN = 96, 7, 6  # px along the seam, to either side of it, and of a bin


PX_PER_MM = 2.0


def found(stripe: float, slope: float, seed: int) -> tuple[float, float]:
    """Where a seam at 0 is found and its u, px: fabrics of light 0.4 and 0.2, a stripe of so much more near it.

    The stripe is 1.5 px wide, 2 px inside in the middle, and comes nearer by `slope` px a px.
    """

    def light(across: Floats, along: Floats) -> Floats:
        beyond = across + 2.0 + slope * along
        return 0.2 + 0.2 * ndtr(-across / BLUR_PX) + stripe * band(beyond, -0.75, 0.75)

    return fitted(light, seed)


def found_at_a_fold(ratio: float, flanks: tuple[float, float], seed: int) -> tuple[float, float]:
    """The same of fabrics of light 0.3 and so much less, whose cloth rises from 0.3 to 0.9 mm off the seam.

    The rise inside and that outside get more light by `flanks`.
    """

    def light(across: Floats, along: Floats) -> Floats:
        plain = 0.3 * (1.0 - ratio * ndtr(across / BLUR_PX))
        inner, outer = (flank * band(way * across, 0.6, 1.8) for flank, way in zip(flanks, (-1, 1), strict=True))
        return plain * (1.0 + inner + outer)

    return fitted(light, seed)


def band(at: Floats, low: float, high: float) -> Floats:
    return np.asarray(ndtr((at - low) / BLUR_PX) - ndtr((at - high) / BLUR_PX))


def fitted(light: Callable[[Floats, Floats], Floats], seed: int) -> tuple[float, float]:
    """Where the seam in some light, of places across and along it in px, is found, and its u, in px."""
    along, across = (one.ravel() for one in np.meshgrid(np.arange(LONG) - LONG / 2, np.arange(-DEEP, DEEP + 1.0)))
    order = np.lexsort((across, along // BIN))
    along, across = along[order], across[order] + 0.37
    many = len(along)
    seen = np.zeros((3, many))
    seen[0] = srgb_from_linear(light(across, along))
    seen += np.random.default_rng(seed).normal(0.0, NOISE_SD, seen.shape)
    starts = np.append(np.flatnonzero(np.diff(along // BIN, prepend=np.nan) != 0), many)
    nothing, side = np.zeros((3, many)), np.zeros(many, np.int64)
    points, sides = np.zeros((many, 2)), np.zeros(len(starts) - 1, np.int64)
    window = Window(side, points, across, along, seen, nothing, nothing, nothing, NOTHING_SHOWN, starts, sides, 1)
    line = SeamSolver(window, Blurs(BLUR_PX), NOISE, Encoder.of(SRGB), PX_PER_MM).solve(8, 4.0)
    assert line is not None
    return line.offset_px, float(np.sqrt(line.covariance[0, 0]))


def test_beside_plain_cloth_a_seam_is_where_it_is_said_to_be() -> None:
    offs = np.array([found(0.0, 0.0, seed) for seed in range(6)])
    assert np.mean((offs[:, 0] / offs[:, 1]) ** 2) < 2.0
    assert offs[:, 1].max() < 0.05


def test_a_stripe_along_a_seam_hardly_draws_it_and_makes_it_less_sure() -> None:
    """Taken for level cloth it drew the fit by 0.45 px. All bins agree: by their scatter alone u would be nothing."""
    offs = np.array([found(stripe, slope, 1) for stripe in (-0.1, -0.2, 0.1) for slope in (0.0, 0.01)])
    assert np.abs(offs[:, 0]).max() < 0.15
    assert np.mean((offs[:, 0] / offs[:, 1]) ** 2) < 10.0


@pytest.mark.parametrize("flanks", [(0.0, 0.1), (0.1, 0.1), (0.0, -0.1), (0.08, -0.08)])
def test_a_fold_is_not_taken_for_a_seam_of_fabrics_that_hardly_differ(flanks: tuple[float, float]) -> None:
    """Its far end is a step as large as the seam's, 2 px off: where both explain the light as well, u covers both."""
    offs = np.array([found_at_a_fold(0.12, flanks, seed) for seed in range(4)])
    assert np.mean((offs[:, 0] / offs[:, 1]) ** 2) < 3.0
    assert offs[:, 1].max() < 1.5


def test_a_plaids_line_near_a_seam_counts_less_than_where_it_meets_the_other_fabric() -> None:
    """Between its bars the plaid has the other fabric's colour: only the bars tell the seam, its line says 3 px off."""
    wide = _plaid_window(seed=2)
    sd = np.array(NOISE.sd)
    uneven = differences(wide.across_px, wide.along_px, wide.seen, sd)
    assert is_figured(wide.across_px, wide.seen, sd)
    near = np.abs(wide.across_px) < 5.0
    offs = []
    for bins_px, known in ((12.0, EVEN), (6.0, uneven)):
        solver = SeamSolver(wide.kept(near, bins_px), Blurs(BLUR_PX), NOISE, Encoder.of(SRGB), PX_PER_MM, known)
        line = solver.solve(8, 0.0)
        assert line is not None
        offs.append(abs(line.offset_px))
    assert offs[1] < 0.4
    assert offs[1] < 0.5 * offs[0]


def test_plain_cloths_places_differ_by_noise_alone() -> None:
    rng = np.random.default_rng(3)
    along, across = (one.ravel() for one in np.meshgrid(np.arange(90.0), np.arange(-9.0, 10.0)))
    seen = (0.5 + rng.normal(0.0, NOISE_SD, (3, len(along)))).astype(np.float32)
    sd = np.array(NOISE.sd)
    uneven = differences(across, along, seen, sd)
    assert (
        uneven.max() < 1.5 * NOISE_SD**2
    )  # pairs vary by 2; six px apart 90 of them tell, to 0.3 (one standard error)
    assert not is_figured(across, seen, sd)


def _plaid_window(seed: int) -> Window:
    """A plaid of light 0.4 with bars of 0.2 across the seam and a line of 0.1 along it, beside plain cloth of 0.4."""
    along, across = (one.ravel() for one in np.meshgrid(np.arange(LONG) - LONG / 2, np.arange(-9.0, 10.0)))
    across = across + 0.37
    phase = np.mod(along, 24.0)

    bars, inside = band(phase, 4.0, 12.0), ndtr(-across / BLUR_PX)
    light = 0.4 - 0.2 * bars * inside - 0.25 * band(across, -5.0, -3.0)
    seen = np.zeros((3, len(along)), np.float32)
    seen[0] = srgb_from_linear(light)
    seen += np.random.default_rng(seed).normal(0.0, NOISE_SD, seen.shape)
    nothing, side = np.zeros((3, len(along)), np.float32), np.zeros(len(along), np.int64)
    points, starts = np.zeros((len(along), 2)), np.zeros(1, np.int64)
    whole = Window(side, points, across, along, seen, nothing, nothing, nothing, NOTHING_SHOWN, starts, starts, 1)
    return whole.kept(np.ones(len(along), np.bool_))
